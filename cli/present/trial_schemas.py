"""The JSON of a trial on a shop's own units, as in schemas.py."""

from typing import TYPE_CHECKING, Literal

from plugface.cli.present.schemas import CatalogueRef, Document, Head, catalogue_ref
from plugface.models.catalogue.entries import Catalogue
from pydantic import Field

if TYPE_CHECKING:
    from plugface.cli.evaluation.trial import Rate, Trial


class RateOut(Document):
    """A count out of so many."""

    name: str
    count: int
    of: int
    share: float | None = Field(description="null where there was nothing to count")
    low: float = Field(description="of the 95 % interval of Wilson")
    high: float


class SaidOut(Document):
    """Units whose leading family was given about as much probability."""

    above: float
    up_to: float
    mean_said: float
    right: RateOut


class TrialUnitOut(Document):
    """One unit beside its truth."""

    unit: str
    photos: list[str]
    true_family: str | None = Field(description="null: in no family of the catalogue")
    true_variant: str | None
    verdict: str
    leading: str | None
    probability: float
    accepted: bool
    miss: str = Field(description="what is wrong with the answer; empty where nothing is")


class TrialOut(Head):
    """What `plugface evaluate --photos ... --json` prints."""

    kind: Literal["trial"] = "trial"
    catalogue: CatalogueRef
    model: str
    rates: list[RateOut]
    said: list[SaidOut]
    calibration_error: float | None
    calibration_error_by_chance: float | None = Field(
        description="what 95 in 100 faultless sets of as many units stay below"
    )
    units: list[TrialUnitOut]
    left_out: list[str]


def trial_out(trial: "Trial", catalogue: Catalogue, model: str) -> TrialOut:
    """Fill the document."""
    error, chance = trial.calibration_error or (None, None)
    return TrialOut(
        catalogue=catalogue_ref(catalogue),
        model=model,
        rates=[_rate(rate) for rate in trial.rates],
        said=[SaidOut(above=s.low, up_to=s.high, mean_said=s.mean, right=_rate(s.right)) for s in trial.said],
        calibration_error=error,
        calibration_error_by_chance=chance,
        units=[
            TrialUnitOut(
                unit=one.unit.name,
                photos=[str(photo) for photo in one.unit.photos],
                true_family=one.unit.family,
                true_variant=one.unit.variant,
                verdict=one.answer.decision.verdict,
                leading=one.case.best,
                probability=one.case.probability,
                accepted=one.case.accepted,
                miss=one.miss,
            )
            for one in trial.outcomes
        ],
        left_out=[*trial.left_out],
    )


def _rate(rate: "Rate") -> RateOut:
    low, high = rate.interval
    return RateOut(name=rate.name, count=rate.count, of=rate.of, share=rate.share, low=low, high=high)
