"""The JSON that the commands of the catalogue desk print, as in schema.py."""

import builtins
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from plugface.cli.present.catalogue_sheet import SheetFamilies
from plugface.cli.present.proposal_text import DraftText
from plugface.cli.present.schemas import CatalogueRef, Document, Head, ProblemOut, catalogue_ref
from plugface.models.catalogue.check import Problem, Severity
from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.separability import VIEW_SETS, Pair, Separability, family_shares
from plugface.models.learning.classifier import Model
from pydantic import Field

if TYPE_CHECKING:
    from plugface.cli.commands.catalogue_list import Imported
    from plugface.cli.commands.learn import Outcome
    from plugface.models.learning.training_data import Judgement


class PairOut(Document):
    """Two families, or two variants of one family, that front or back alone would mix up."""

    family: str = Field(description="whose variants they are; empty for two families")
    first: str
    second: str
    front: float = Field(description="mean probability that one gets for the other, the larger direction")
    back: float
    both: float
    needed: str
    advice: str


class ViewsOut(Document):
    """What to expect from one set of views; matrices have the true one in rows, in the order of the names."""

    accepted: float = Field(description="share of units of which family and variant would be accepted")
    accepted_wrong: float
    family_accepted: float = Field(description="share of units of which the family would be accepted")
    family_wrong: float
    families: list[list[float]] = Field(description="mean probability, drawn families by drawn families")
    variants: list[list[float]] = Field(description="mean probability, drawn variants by drawn variants")


class SeparabilityOut(Head):
    """What `plugface catalogue separability --json` prints."""

    kind: Literal["catalogue separability"] = "catalogue separability"
    catalogue: CatalogueRef
    model: str
    noise: str = Field(description="where the errors come from that were simulated")
    draws: int = Field(description="simulated units of each variant and set of views")
    families: list[str]
    variants: list[str]
    views: dict[str, ViewsOut] = Field(description="front, back, both")
    pairs: list[PairOut] = Field(description="the worst first")


def separability_out(
    catalogue: Catalogue, found: Separability, drawn: tuple[str, ...], draws: int, model: Model
) -> SeparabilityOut:
    """Fill the document, for the drawn families alone."""
    rows = [i for i, owner in enumerate(found.owners) if owner in set(drawn)]
    views = {}
    for view in VIEW_SETS:
        table = getattr(found, view)
        keys, families = family_shares(table, found.owners)
        kept = [keys.index(key) for key in drawn]
        views[view] = ViewsOut(
            accepted=table.accepted,
            accepted_wrong=table.accepted_wrong,
            family_accepted=table.family_accepted,
            family_wrong=table.family_wrong,
            families=families[kept][:, kept].round(4).tolist(),
            variants=table.share[rows][:, rows].round(4).tolist(),
        )
    return SeparabilityOut(
        catalogue=catalogue_ref(catalogue),
        model=model.version,
        noise=model.noise.basis,
        draws=draws,
        families=list(drawn),
        variants=[found.front.names[i] for i in rows],
        views=views,
        pairs=[_pair_out(pair) for pair in found.pairs],
    )


def _pair_out(pair: Pair) -> PairOut:
    shares = {view: round(getattr(pair, view), 4) for view in VIEW_SETS}
    return PairOut(
        family=pair.family,
        first=pair.first,
        second=pair.second,
        **shares,
        needed=pair.needed,
        advice=pair.advice,
    )


class DraftProblemOut(Document):
    """One thing that `catalogue check` would say of the draft."""

    severity: Severity
    rule: str
    key: str
    message: str
    remedy: str


class ProposeOut(Head):
    """What `plugface catalogue propose --json` prints."""

    kind: Literal["catalogue propose"] = "catalogue propose"
    catalogue: CatalogueRef = Field(description="the one it was held against")
    photos: list[str]
    family: str | None = Field(description="name in the draft; null when none was given and no mark was read")
    toml: str = Field(description="the draft")
    valid: bool = Field(description="a whole entry without errors")
    missing: list[str] = Field(description="keys that are commented lines: they could not be seen")
    guessed: list[str] = Field(description="keys that hold a usual value, only with --guess")
    faults: list[str] = Field(description="why the draft cannot be read as an entry yet")
    problems: list[DraftProblemOut]
    remarks: list[str] = Field(description="what a person must know, warnings first")
    written: str | None


def propose_out(
    catalogue: Catalogue,
    draft: DraftText,
    whole: bool,
    faults: Sequence[str],
    problems: Sequence[Problem],
    remarks: Sequence[str],
    photos: Sequence[Path],
    written: Path | None,
) -> ProposeOut:
    """Fill the document."""
    return ProposeOut(
        catalogue=catalogue_ref(catalogue),
        photos=[str(photo) for photo in photos],
        family=draft.key,
        toml=draft.text,
        valid=whole,
        missing=list(draft.missing),
        guessed=list(draft.guessed),
        faults=list(faults),
        problems=[
            DraftProblemOut(severity=p.severity, rule=p.rule, key=p.key, message=p.message, remedy=p.remedy)
            for p in problems
        ],
        remarks=list(remarks),
        written=str(written) if written else None,
    )


class JudgementOut(Document):
    """How a model did on the held-back cases: counts, and sums over the cases."""

    cases: int
    known: int = Field(description="cases whose family the catalogue holds")
    right: int
    accepted: int
    accepted_wrong: int
    log_loss: float = Field(description="sum of -ln(probability of the truth)")
    cost: float = Field(description="sum of what the decisions cost, in second looks")


class LearnOut(Head):
    """What `plugface learn --json` prints."""

    kind: Literal["learn"] = "learn"
    catalogue: CatalogueRef
    taken: bool = Field(description="whether the new model is in use now")
    model: str = Field(description="version of the new model")
    former: str = Field(description="version of the model that was in use")
    units: dict[str, dict[str, int]] = Field(description="confirmed and demo units by part")
    before: JudgementOut
    after: JudgementOut
    own_before: JudgementOut = Field(description="the confirmed units among them")
    own_after: JudgementOut
    worse: list[str] = Field(description="why it is worse; empty when it is not")
    notes: list[str]


def learn_out(catalogue: Catalogue, outcome: "Outcome") -> LearnOut:
    """Fill the document."""
    data = {"confirmed": outcome.data.own, "demo": outcome.data.demo}
    return LearnOut(
        catalogue=catalogue_ref(catalogue),
        taken=outcome.taken,
        model=outcome.model.version,
        former=outcome.former,
        units={name: {part: len(of) for part, of in parts.items()} for name, parts in data.items()},
        before=_judgement_out(outcome.before),
        after=_judgement_out(outcome.after),
        own_before=_judgement_out(outcome.own_before),
        own_after=_judgement_out(outcome.own_after),
        worse=list(outcome.worse),
        notes=list(outcome.notes),
    )


def _judgement_out(judgement: "Judgement") -> JudgementOut:
    return JudgementOut.model_validate(judgement, from_attributes=True)


class SlipOut(Document):
    """What is wrong in one cell of a list."""

    cell: str = Field(
        description='as a spreadsheet names it, "F7"; a row alone where no one cell is to blame'
    )
    column: str
    problem: str
    remedy: str


class ImportedOut(Document):
    """What becomes of one family of a list."""

    family: str
    file: str
    what: Literal["new", "as it was", "changed", "left alone"]
    changes: list[str] = Field(description="keys in which it differs from what the folder holds")


class CatalogueImportOut(Head):
    """What `plugface catalogue import --json` prints."""

    kind: Literal["catalogue import"] = "catalogue import"
    list: str
    dry_run: bool
    slips: builtins.list[SlipOut]  # `list` is a field here
    families: builtins.list[ImportedOut]
    guesses: builtins.list[str] = Field(description="what the list left out and was guessed")
    problems: builtins.list[ProblemOut] = Field(description="what a check of the whole catalogue finds")


def catalogue_import_out(
    source: str,
    read: SheetFamilies,
    done: "Sequence[Imported]",
    problems: Sequence[Problem],
    dry_run: bool,
) -> CatalogueImportOut:
    """Fill the document."""
    return CatalogueImportOut(
        list=source,
        dry_run=dry_run,
        slips=[
            SlipOut(cell=e.cell, column=e.column, problem=e.problem, remedy=e.remedy) for e in read.errors
        ],
        families=[
            ImportedOut(family=one.family.key, file=one.file, what=one.what, changes=[*one.changes])
            for one in done
        ],
        guesses=[f"{key}: {guess}" for key, guesses in read.guesses.items() for guess in guesses],
        problems=[ProblemOut(**asdict(problem)) for problem in problems],
    )


#: What these commands print; schema.py joins it to all other documents.
DeskDocument = SeparabilityOut | ProposeOut | LearnOut | CatalogueImportOut
