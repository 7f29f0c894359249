"""What plugface answers: candidates with their evidence, and the decision taken over them.

`probability` is calibrated (see calibration.py); `weight` is in nats: how much one piece of evidence moves
the log odds of a candidate against its best rival, positive for, negative against.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from plugface.models.decision.costs import Costs
from plugface.models.unit_choice import turn_plugs
from plugface.vision.observations import Observations, Unit

#: As many families are said together at most: a longer list helps nobody. Our choice.
MAX_LOOK_ALIKES = 3

#: identified: one family, accepted. ambiguous: look-alikes remain. not_in_catalogue: a unit, but none of
#: these. unreadable: the photos do not allow an answer.
Verdict = Literal["identified", "ambiguous", "not_in_catalogue", "unreadable"]

View = Literal["front", "back", "label close-up", "plug close-up", "donor plate"]

#: Two photos of the same face name different families: no re-cased unit shows two fronts.
TWO_UNITS = "two units given as one"

#: A number is in no variant of the family; numbers or payloads of two variants were read. Either leaves open
#: which variant it is, and what hangs on it.
NOT_LISTED, TWO_VARIANTS = "number not listed", "label names two variants"

#: Findings that forbid to name one family.
CONTRADICTIONS = {
    "views disagree",
    TWO_UNITS,
    "label and casting disagree",
    "number and the rest disagree",
    "casting and the rest disagree",
    "plugs and the rest disagree",
    "writing disagrees",
}


@dataclass(frozen=True)
class Evidence:
    """One reason for or against a candidate, naming the rule and what was seen."""

    rule: str  # name of the rule, e.g. "plug order"
    message: str  # one sentence for a person
    weight: float  # nats of lead over the rival that the candidate is held against; positive: for it
    photo: int | None = None  # index of the photo it was seen in; None: several or none


@dataclass(frozen=True)
class VariantChance:
    """One variant of a candidate's family with its probability given the family."""

    key: str
    probability: float
    evidence: tuple[Evidence, ...] = ()  # sums to its lead over `rival`
    rival: str = ""  # key of the variant that it is held against; empty: one that is not listed, or none


@dataclass(frozen=True)
class Candidate:
    """One family that the unit might be."""

    family: str
    score: float  # uncalibrated log odds of the classifier
    probability: float  # calibrated
    evidence: tuple[Evidence, ...] = ()  # sums to its lead over `rival`
    variants: tuple[VariantChance, ...] = ()  # best first; sums to 1
    rival: str = ""  # key of the family that it is held against; empty: some other unit

    @property
    def lead(self) -> float:
        """Sum of the evidence, nats."""
        return sum(e.weight for e in self.evidence)


@dataclass(frozen=True)
class Finding:
    """A contradiction or something else a person must look at."""

    name: str  # "front and back disagree", "barcode and print disagree", "high-voltage colour", ...
    message: str


@dataclass(frozen=True)
class Caution:
    """A warning shown before everything else."""

    name: Literal["high voltage", "restraint", "colours unknown", "locked", "catalogue", "general"]
    message: str
    source: str = ""


@dataclass(frozen=True)
class NextPhoto:
    """The photo that would help most, and why."""

    view: View
    gain: float  # expected fall of the cost of deciding (units of Costs.second_look)
    message: str


@dataclass(frozen=True)
class PartnerNeed:
    """What the unit must be used with."""

    families: tuple[str, ...]
    same_donor: bool
    message: str


@dataclass(frozen=True)
class SwapFit:
    """Whether the unit serves the swap that was described."""

    serves: Literal["yes", "no", "unknown"]
    reasons: tuple[str, ...]
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True)
class Decision:
    """The answer for one unit."""

    verdict: Verdict
    message: str  # the answer in one or two sentences
    candidates: tuple[Candidate, ...]  # best first
    families: tuple[str, ...] = ()  # conformal set; one entry when identified
    variants: tuple[str, ...] = ()  # variants of the first family that remain; one when it could be told
    variant_message: str = ""  # why the variant is or is not settled
    cautions: tuple[Caution, ...] = ()
    findings: tuple[Finding, ...] = ()
    next_photo: NextPhoto | None = None
    partners: tuple[PartnerNeed, ...] = ()
    fit: SwapFit | None = None
    together: float = 0.0  # probability that the unit is of one of `families`
    unknown_probability: float = 0.0  # that the unit is in no family of this catalogue
    catalogue_sha256: str = ""
    model_version: str = ""
    costs: Costs = field(default_factory=Costs)  # what the thresholds follow from
    turned: tuple[str, ...] = ()  # SHA-256 of photos whose plugs fit the one family in their other order

    @property
    def closed(self) -> bool:
        """Whether it is surely one of its few families, and the photos do not tell which."""
        return self.verdict == "ambiguous" and is_one_of_few(
            len(self.families), self.together, self.costs, contradicted=has_contradiction(self.findings)
        )

    @property
    def probability(self) -> float:
        """Of the leading candidate; 0 where there is none."""
        return self.candidates[0].probability if self.candidates else 0.0

    def hold_unit(self, seen: Observations, unit: Unit | None) -> Unit | None:
        """A unit the way up in which it was held against the one family that is named.

        Parameters
        ----------
        seen : Observations
        unit : Unit or None
            The one of `seen.units` that is meant.

        Returns
        -------
        unit : Unit or None
        """
        return turn_plugs(unit) if unit is not None and seen.photo_sha256 in self.turned else unit


def has_contradiction(findings: Iterable[Finding]) -> bool:
    """Whether what was seen contradicts itself, by the names of what was found.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    has : bool
    """
    return any(finding.name in CONTRADICTIONS for finding in findings)


def is_one_of_few(families: int, together: float, costs: Costs, *, contradicted: bool) -> bool:
    """Whether so many families can be said together as the answer.

    Parameters
    ----------
    families : int
        How many of them.
    together : float
        Probability that the unit is of one of them.
    costs : Costs
    contradicted : bool
        Whether what was seen contradicts itself.

    Returns
    -------
    is_one_of_few : bool
    """
    return 1 < families <= MAX_LOOK_ALIKES and costs.accepts(together, contradicted=contradicted)
