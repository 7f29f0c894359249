"""The JSON that plugface prints: one model for each kind of document, and how it is filled.

Keys stay what they are within one `version`; new keys may be added. `probability` is calibrated,
`confidence` is a method's own opinion. Polygons are pixels of the photo with its EXIF turn applied, x to
the right, y down. Plug numbers start at 1, in canonical order (seen with the cast mark upright, row by row
from the top, each from left to right); where one family is named, the way round that fits that family.
"""

from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from plugface.cli.version import installed_version
from plugface.models.catalogue.check import Problem, Severity
from plugface.models.catalogue.entries import Catalogue, CatalogueError, Controls, Family
from plugface.models.decision.answers import (
    Candidate,
    Decision,
    Evidence,
    NextPhoto,
    PartnerNeed,
    SwapFit,
    Verdict,
    View,
)
from plugface.models.decision.pairing import Needs, list_partners
from plugface.models.decision.placement import Destination, standing
from plugface.vision.observations import Code, Connector, Observations, Polygon, Text, Unit, best_colour
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

if TYPE_CHECKING:
    from plugface.analysis import Answer
    from plugface.cli.lot.sorting import Outcome
    from plugface.cli.present.report.worth import LotWorth
    from plugface.models.decision.opinion import Opinion
    from plugface.models.learning.metrics import Figure

#: Version of the documents below; raised when a key changes its meaning or goes.
VERSION: Literal[2] = 2


class Document(BaseModel):
    """Base of everything that is printed as JSON."""

    # Its schema is built when it is first used: a command prints one of these documents.
    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class Head(Document):
    """What every document starts with."""

    version: Literal[2] = VERSION
    plugface: str = Field(default_factory=installed_version, description="version of the program")


class CatalogueRef(Document):
    """The catalogue an answer was made with."""

    name: str
    sha256: str = Field(description="hash of all its files")
    families: int
    invented: bool = Field(description="true for demo data")


class FaultOut(Document):
    """One thing wrong with a photo."""

    name: str
    message: str
    advice: str


class ConnectorOut(Document):
    """One plug housing as seen."""

    number: int = Field(description="1-based place in canonical order; of loose ones, in their list")
    colour: str = Field(description="most probable IEC 60757 code; empty: not known")
    colours: dict[str, float] = Field(description="confidence by colour code; sums to 1")
    size: str = Field(description="most probable size class: S, M or L")
    sizes: dict[str, float]
    pins: tuple[int, int] | None = Field(description="rows, columns; null when not counted")
    mated: bool = Field(description="a cable plug is still seated in it")
    broken: bool = Field(description="it broke off: only its stump is left")
    confidence: float
    polygon: Polygon


class TextOut(Document):
    """One line of text as read."""

    value: str
    kind: Literal["cast", "printed", "scrawl"]
    confidence: float
    polygon: Polygon


class CodeOut(Document):
    """One barcode as decoded."""

    symbology: str
    payload: str
    check: Literal["verified", "none"] = Field(description="whether the symbology's own error check held")
    polygon: Polygon


class UnitOut(Document):
    """The unit as seen in one photo."""

    polygon: Polygon
    confidence: float
    face: dict[str, float]
    up_deg: float | None = Field(description="direction of the unit's upward axis; 90 is up in the picture")
    connectors: list[ConnectorOut]
    texts: list[TextOut]
    codes: list[CodeOut]


class PhotoOut(Document):
    """One photo and what was seen in it."""

    path: str
    sha256: str
    width_px: int
    height_px: int
    usable: bool
    faults: list[FaultOut]
    white_balance: str = Field(description="what the white balance was taken from")
    unit: UnitOut | None = Field(description="null when no unit was found")
    loose: list[ConnectorOut] = Field(
        default_factory=list,  # answers that a yard keeps from before have none
        description="plugs on no unit that was outlined, from the left: a close-up, or plugs that lie about",
    )
    texts: list[TextOut] = Field(description="text outside the unit, such as a donor's plate")
    codes: list[CodeOut] = Field(description="barcodes outside the unit")
    notes: list[str] = Field(description="what could not be done, in words")


class EvidenceOut(Document):
    """One reason for or against a candidate."""

    rule: str
    message: str
    weight: float = Field(
        description="nats of lead over `rival` of the candidate or variant; positive speaks for it"
    )
    photo: int | None = Field(description="index into photos; null for several or none")


class VariantOut(Document):
    """One variant with what the catalogue says of it."""

    key: str
    probability: float = Field(description="given that the family is right")
    remains: bool = Field(description="whether this variant is still possible")
    service_numbers: list[str]
    suffixes: list[str]
    donor_vehicles: str
    donor_years: tuple[int, int] = Field(description="first and last model year")
    throttle: Literal["cable", "electronic", "none", "unknown"]
    crank_teeth: int | None
    status: Literal["usable", "locked", "unknown"]
    changed: str
    evidence: list[EvidenceOut] = Field(description="sums to its lead over `rival`")
    rival: str = Field("", description="variant it is held against; empty: one not listed, or none")


class CandidateOut(Document):
    """One family that the unit might be."""

    family: str
    maker: str
    controls: Controls
    hazard: Literal["none", "high voltage", "restraint"]
    probability: float
    remains: bool = Field(description="whether it is in the set of families that cannot be ruled out")
    evidence: list[EvidenceOut] = Field(description="sums to `lead`")
    rival: str = Field("", description="family it is held against; empty: some other unit")
    lead: float = Field(0.0, description="over `rival`, nats")
    variants: list[VariantOut]


class FindingOut(Document):
    """A contradiction or something else a person must look at."""

    name: str
    message: str


class CautionOut(Document):
    """A warning."""

    name: str
    message: str
    source: str


class NextPhotoOut(Document):
    """The photo that would help most."""

    view: View
    gain: float = Field(description="expected fall of the cost of deciding; 1 is the cost of one second look")
    message: str


class PartnerOut(Document):
    """What the unit must be used with."""

    families: list[str]
    same_donor: bool
    message: str


class FitOut(Document):
    """Whether the unit serves the swap that was described."""

    serves: Literal["yes", "no", "unknown"]
    reasons: list[str]
    unknown: list[str]


class DecisionOut(Document):
    """The answer for one unit."""

    verdict: Verdict
    message: str
    family: str | None = Field(description="the one family, only when it was identified")
    variant: str | None = Field(description="the one variant, only when it could be told")
    standing: Literal["plain", "hazard", "locked", "variant open", "one of few"] = Field(
        "plain", description="what stands beside the verdict"
    )
    controls: Controls | None
    probability: float = Field(description="of the best candidate")
    families: list[str] = Field(description="families that cannot be ruled out; standing says if surely one")
    together: float = Field(0.0, description="that the unit is of one of these families")
    variants: list[str] = Field(description="variants of the first family that cannot be ruled out")
    variant_message: str
    unknown_probability: float = Field(description="that the unit is in no family of this catalogue")
    cautions: list[CautionOut]
    findings: list[FindingOut]
    next_photo: NextPhotoOut | None
    partners: list[PartnerOut]
    fit: FitOut | None
    candidates: list[CandidateOut] = Field(description="best first")
    model: str = Field(description="version of the trained classifier")
    costs: dict[str, float] = Field(description="what mistakes cost, in second looks; the thresholds follow")


class IdentifyOut(Head):
    """What `plugface identify --json` prints."""

    kind: Literal["identify"] = "identify"
    catalogue: CatalogueRef
    seconds: float = Field(description="time taken from the first byte read to the answer")
    photos: list[PhotoOut]
    decision: DecisionOut


class OpinionOut(Head):
    """What `plugface opinion --json` prints."""

    kind: Literal["opinion"] = "opinion"
    catalogue: CatalogueRef
    seconds: float
    photos: list[PhotoOut]
    claimed_family: str
    claimed_variant: str | None
    opinion: Literal["agrees", "disagrees", "cannot tell"]
    message: str
    probability: float = Field(0.0, description="of the claim: of its family and, if claimed, its variant")
    evidence_for: list[EvidenceOut] = Field(description="evidence for the claim, strongest first")
    evidence_against: list[EvidenceOut]
    leads: list[tuple[str, float]] = Field(
        [], description="what family and variant are held against, with the sum of the reasons, nats"
    )
    next_photo: NextPhotoOut | None
    decision: DecisionOut = Field(description="what plugface would have proposed without the claim")


class ServingOut(Document):
    """One variant that serves the swap, or may."""

    family: str
    variant: str
    controls: Controls
    fit: FitOut
    partners: list[PartnerOut]


class NeedsOut(Head):
    """What `plugface needs --json` prints."""

    kind: Literal["needs"] = "needs"
    catalogue: CatalogueRef
    needs: dict[str, str | int | None]
    serving: list[ServingOut]


class FigureOut(Document):
    """One measured figure."""

    name: str
    value: float | None = Field(
        description="share 0..1 unless the name says otherwise; null when not measured"
    )
    n: int = Field(description="how many cases it was measured on")
    goal: str = Field(description="empty when there is none")
    met: bool | None
    message: str = ""


class TableOut(Document):
    """One group of figures."""

    title: str
    figures: list[FigureOut]


class EvaluateOut(Head):
    """What `plugface evaluate --json` prints."""

    kind: Literal["evaluate"] = "evaluate"
    catalogue: CatalogueRef
    split: str
    model: str
    tables: list[TableOut]
    confusion: dict[str, dict[str, int]] = Field(description="true family -> proposed family -> units")


class GroupedOut(Document):
    """How the photos of a lot became units."""

    methods: dict[str, int] = Field(description="how units came about -> how many")
    alone: int = Field(description="units that are one photo which nothing joins to another")
    doubles: dict[str, list[str]] = Field(
        description="unit -> units that may be the same one, so that it would count twice"
    )


class WorthOut(Document):
    """What a lot is worth in one currency, by the catalogue's values."""

    currency: str = Field(description="ISO 4217; empty where the catalogue names none")
    expected: float
    low: float = Field(description="so much or less with a probability of 10 %")
    high: float = Field(description="so much or less with a probability of 90 %")
    uncounted: int = Field(
        description="units of the lot that are nothing the catalogue gives a value for in any currency"
    )
    looks: dict[str, float] = Field(
        description="unit -> expected value of perfect information, where a look by hand pays most"
    )


class SortOut(Head):
    """What `plugface sort --json` prints; each unit is in the ledger, see `plugface ledger list --json`."""

    kind: Literal["sort"] = "sort"
    seconds: float = Field(description="time taken by this run, without what an earlier one had done")
    lot: str = Field(description="key of the lot in the ledger")
    ledger: str = Field(description="file or address of the ledger, without a password")
    resumed: bool = Field(description="true where a run that was cut off was gone on with")
    catalogue_changed: bool = Field(description="the catalogue differs from the one that the run keeps")
    files: int = Field(description="picture files found, copies and broken ones among them")
    photos: int = Field(description="different photos, by their bytes")
    duplicates: int = Field(description="files with the same bytes as another")
    broken: int = Field(description="photos that could not be read; each is one unit to take again")
    outside: list[str] = Field(description="links that lead outside or to a folder; not followed")
    others: int = Field(description="files that are no photos by their name, or no regular files")
    unlisted: list[str] = Field(description="folders that could not be opened")
    looked_now: int = Field(description="photos looked at in this run")
    decided_now: int = Field(description="units decided over in this run")
    units: int
    places: dict[Destination, int] = Field(description="units by destination; absent: none")
    put_off: list[str] = Field(
        default_factory=list, description="photos this machine could not look at now, and why; run again"
    )
    left_out: list[str] = Field(default_factory=list, description="those files, and why each is no photo")
    waiting: int = Field(0, description="other photos that are in no unit until those were looked at")
    undecided: list[str] = Field(
        default_factory=list, description="units this machine could not decide over now, and why; run again"
    )
    typed: int = Field(0, description="units for which what was typed or scanned on the phone counted")
    typed_left: list[str] = Field(
        default_factory=list, description="folders for which something was typed that counted for no unit"
    )
    asked: int = Field(0, description="units held against what was claimed of them or needed on the phone")
    asked_left: list[str] = Field(
        default_factory=list,
        description="folders for which something was claimed or needed that was not judged, or not all of it",
    )
    moved: list[str] = Field(
        default_factory=list,
        description="files whose photo lay elsewhere when it got its unit, in which it stays",
    )
    gone: list[str] = Field(
        default_factory=list,
        description="of the photos that could not be read, those that were deleted since",
    )
    replaced: list[str] = Field(
        default_factory=list,
        description="where photos lay that were replaced or deleted since, and still count in their units",
    )
    market: str = Field("", description="the one the lot is for; empty: any")
    other_markets: list[str] = Field(
        default_factory=list,
        description="those the catalogue has variants for, where it has none for this one",
    )
    worth: list[WorthOut] = Field(description="empty where the catalogue has no values")
    grouped: GroupedOut = Field(description="how photos were put together")
    written: dict[str, str] = Field(description="what was written -> its path, or why it was not")


class LedgerUnitOut(Head):
    """One line of what `plugface ledger list --json` prints: a unit, its latest proposal and confirmation."""

    kind: Literal["ledger list"] = "ledger list"
    lot: str
    unit: str = Field(description="key of the unit, as on its label")
    destination: Destination | None = Field(description="null, as all of a proposal, where none was made yet")
    bin: str | None
    verdict: Verdict | None
    family: str | None = Field(description="empty unless it was identified")
    variant: str | None = Field(description="empty unless it could be told")
    probability: float | None = Field(description="of the best candidate")
    expected_cost: float | None = Field(description="of trusting the proposal unchecked, in second looks")
    message: str | None
    findings: str | None
    grouped_by: str = Field(description="how its photos were found to belong together")
    photos: int
    first_photo_sha256: str | None
    true_family: str | None = Field(description="as confirmed; null: not yet; empty: not in the catalogue")
    true_variant: str | None
    confirmed_by: str | None
    confirmation_note: str | None
    confirmed_at: str | None = Field(description="UTC, ISO 8601")
    proposed_at: str | None = Field(description="UTC, ISO 8601")
    model_version: str | None
    catalogue_sha256: str | None


class CatalogueErrorOut(Document):
    """One reason why a catalogue cannot be read."""

    file: str
    key: str
    problem: str
    remedy: str
    line: int | None


class ProblemOut(Document):
    """One thing that a catalogue contradicts itself in, or that will go wrong."""

    severity: Severity
    rule: str
    family: str = Field(description="empty where it concerns the whole catalogue")
    file: str
    key: str
    message: str
    remedy: str


class CatalogueCheckOut(Head):
    """What `plugface catalogue check --json` prints."""

    kind: Literal["catalogue check"] = "catalogue check"
    folder: str
    readable: bool
    sha256: str = Field(description="hash of all its files; empty when it cannot be read")
    families: list[str]
    errors: list[CatalogueErrorOut] = Field(description="why it cannot be read")
    problems: list[ProblemOut]


class ErrorOut(Head):
    """What any command prints with --json when it cannot do its job."""

    kind: Literal["error"] = "error"
    error: str
    hint: str
    facts: dict[str, Any] = Field(default_factory=dict)


AnyDocument = Annotated[
    IdentifyOut
    | OpinionOut
    | NeedsOut
    | SortOut
    | LedgerUnitOut
    | CatalogueCheckOut
    | EvaluateOut
    | ErrorOut,
    Field(discriminator="kind"),
]


def catalogue_ref(catalogue: Catalogue) -> CatalogueRef:
    """Name and hash of the catalogue an answer was made with."""
    return CatalogueRef(
        name=catalogue.head.name,
        sha256=catalogue.sha256,
        families=len(catalogue.families),
        invented=catalogue.head.invented,
    )


def identify_out(answer: "Answer") -> IdentifyOut:
    """The document for `plugface identify --json`."""
    return IdentifyOut(
        catalogue=catalogue_ref(answer.catalogue),
        seconds=round(answer.seconds, 3),
        photos=photos_out(answer),
        decision=decision_out(answer.decision, answer.catalogue),
    )


def opinion_out(answer: "Answer", opinion: "Opinion", claimed: str) -> OpinionOut:
    """The document for `plugface opinion --json`."""
    family, _, variant = claimed.partition(":")
    return OpinionOut(
        catalogue=catalogue_ref(answer.catalogue),
        seconds=round(answer.seconds, 3),
        photos=photos_out(answer),
        claimed_family=family.strip(),
        claimed_variant=variant.strip() or None,
        opinion=opinion.verdict,
        message=opinion.message,
        probability=_rounded(opinion.probability),
        leads=[(rival, _rounded(lead)) for rival, lead in opinion.leads],
        evidence_for=evidence_out(opinion.for_claim),
        evidence_against=evidence_out(opinion.against_claim),
        next_photo=next_photo_out(opinion.next_photo),
        decision=decision_out(opinion.decision, answer.catalogue),
    )


def needs_out(catalogue: Catalogue, needs: Needs, serving: Iterable[tuple[str, str, SwapFit]]) -> NeedsOut:
    """The document for `plugface needs --json`."""
    return NeedsOut(
        catalogue=catalogue_ref(catalogue),
        needs=asdict(needs),
        serving=[
            ServingOut(
                family=family,
                variant=variant,
                controls=catalogue.by_key[family].controls,
                fit=_fit_out(fit),
                partners=_partners_out(list_partners(catalogue.by_key[family], needs.gearbox)),
            )
            for family, variant, fit in serving
        ],
    )


def evaluate_out(
    catalogue: Catalogue,
    split: str,
    model: str,
    tables: dict[str, list["Figure"]],
    confusion: dict[str, dict[str, int]],
) -> EvaluateOut:
    """The document for `plugface evaluate --json`."""
    return EvaluateOut(
        catalogue=catalogue_ref(catalogue),
        split=split,
        model=model,
        tables=[
            TableOut(title=title, figures=[FigureOut(**asdict(figure)) for figure in figures])
            for title, figures in tables.items()
        ],
        confusion=confusion,
    )


def sort_out(
    outcome: "Outcome", written: dict[str, str], worth: Iterable["LotWorth"], seconds: float
) -> SortOut:
    """The document for `plugface sort --json`."""
    priced = [
        WorthOut(
            currency=lot.currency,
            **{name: round(amount, 2) for name, amount in asdict(lot.total).items()},
            uncounted=lot.uncounted,
            looks={unit.key: round(unit.look, 2) for unit in lot.looks},
        )
        for lot in worth
    ]
    return SortOut(seconds=round(seconds, 3), written=written, worth=priced, **asdict(outcome))


def ledger_unit_head() -> dict[str, Any]:
    """What each line of `plugface ledger list --json` starts with (the rest is the row: it must be quick)."""
    return {"version": VERSION, "plugface": installed_version(), "kind": "ledger list"}


def catalogue_check_out(
    folder: str,
    catalogue: Catalogue | None,
    errors: Iterable[CatalogueError],
    problems: Iterable[Problem],
) -> CatalogueCheckOut:
    """The document for `plugface catalogue check --json`."""
    return CatalogueCheckOut(
        folder=folder,
        readable=catalogue is not None,
        sha256=catalogue.sha256 if catalogue else "",
        families=[family.key for family in catalogue.families] if catalogue else [],
        errors=[CatalogueErrorOut(**vars(error)) for error in errors],
        problems=[ProblemOut(**asdict(problem)) for problem in problems],
    )


def photos_out(answer: "Answer") -> list[PhotoOut]:
    """What was seen in each photo of an answer."""
    views = zip(answer.photos, answer.observations, answer.units, strict=True)
    return [_photo_out(str(path), seen, unit) for path, seen, unit in views]


def decision_out(decision: Decision, catalogue: Catalogue) -> DecisionOut:
    """A decision with the catalogue's facts beside it."""
    identified = decision.verdict == "identified"
    family = catalogue.by_key.get(decision.families[0]) if identified and decision.families else None
    return DecisionOut(
        verdict=decision.verdict,
        message=decision.message,
        family=family.key if family else None,
        variant=decision.variants[0] if family and len(decision.variants) == 1 else None,
        standing=standing(decision, catalogue),
        controls=family.controls if family else None,
        probability=_rounded(decision.probability),
        families=list(decision.families),
        together=_rounded(decision.together),
        variants=list(decision.variants),
        variant_message=decision.variant_message,
        unknown_probability=_rounded(decision.unknown_probability),
        cautions=[CautionOut(name=c.name, message=c.message, source=c.source) for c in decision.cautions],
        findings=[FindingOut(name=f.name, message=f.message) for f in decision.findings],
        next_photo=next_photo_out(decision.next_photo),
        partners=_partners_out(decision.partners),
        fit=fit_out(decision.fit),
        candidates=[_candidate_out(c, decision, catalogue.by_key[c.family]) for c in decision.candidates],
        model=decision.model_version,
        costs=asdict(decision.costs),
    )


def _partners_out(partners: Iterable[PartnerNeed]) -> list[PartnerOut]:
    return [
        PartnerOut(families=list(p.families), same_donor=p.same_donor, message=p.message) for p in partners
    ]


def next_photo_out(photo: NextPhoto | None) -> NextPhotoOut | None:
    """The next photo, when one would help."""
    return NextPhotoOut(view=photo.view, gain=_rounded(photo.gain), message=photo.message) if photo else None


def fit_out(fit: SwapFit | None) -> FitOut | None:
    """Whether a swap is served, when one was described."""
    return _fit_out(fit) if fit else None


def _fit_out(fit: SwapFit) -> FitOut:
    return FitOut(serves=fit.serves, reasons=list(fit.reasons), unknown=list(fit.unknown))


def evidence_out(evidence: Iterable[Evidence]) -> list[EvidenceOut]:
    """Reasons with their weights."""
    return [
        EvidenceOut(rule=e.rule, message=e.message, weight=_rounded(e.weight), photo=e.photo)
        for e in evidence
    ]


def _candidate_out(candidate: Candidate, decision: Decision, family: Family) -> CandidateOut:
    facts = {variant.key: variant for variant in family.variants}
    leads = bool(decision.families) and decision.families[0] == candidate.family
    return CandidateOut(
        family=family.key,
        maker=family.maker,
        controls=family.controls,
        hazard=family.hazard,
        probability=_rounded(candidate.probability),
        remains=candidate.family in decision.families,
        evidence=evidence_out(candidate.evidence),
        rival=candidate.rival,
        lead=_rounded(candidate.lead),
        variants=[
            VariantOut(
                key=chance.key,
                probability=_rounded(chance.probability),
                remains=leads and chance.key in decision.variants,
                service_numbers=list(facts[chance.key].service_numbers),
                suffixes=list(facts[chance.key].suffixes),
                donor_vehicles=facts[chance.key].vehicles,
                donor_years=facts[chance.key].years,
                throttle=facts[chance.key].throttle,
                crank_teeth=facts[chance.key].crank_teeth,
                status=facts[chance.key].status,
                changed=facts[chance.key].changed,
                evidence=evidence_out(chance.evidence),
                rival=chance.rival,
            )
            for chance in candidate.variants
        ],
    )


def _photo_out(path: str, seen: Observations, unit: Unit | None) -> PhotoOut:
    quality = seen.quality
    return PhotoOut(
        path=path,
        sha256=seen.photo_sha256,
        width_px=quality.width_px,
        height_px=quality.height_px,
        usable=quality.usable,
        faults=[FaultOut(name=f.name, message=f.message, advice=f.advice) for f in quality.faults],
        white_balance=seen.white_balance.method,
        unit=_unit_out(unit) if unit else None,
        loose=_connectors_out(seen.loose),
        texts=[_text_out(t) for t in seen.texts],
        codes=[_code_out(c) for c in seen.codes],
        notes=list(seen.notes),
    )


def _unit_out(unit: Unit) -> UnitOut:
    return UnitOut(
        polygon=unit.polygon,
        confidence=_rounded(unit.confidence),
        face=_shares(unit.face),
        up_deg=unit.up_deg,
        connectors=_connectors_out(unit.connectors),
        texts=[_text_out(t) for t in unit.texts],
        codes=[_code_out(c) for c in unit.codes],
    )


def _connectors_out(connectors: Iterable[Connector]) -> list[ConnectorOut]:
    return [
        ConnectorOut(
            number=number,
            colour=best_colour(c.colour) or "",
            colours=_shares(c.colour),
            size=max(c.size, key=c.size.__getitem__),
            sizes=_shares(c.size),
            pins=c.pins,
            mated=c.mated,
            broken=c.broken,
            confidence=_rounded(c.confidence),
            polygon=c.polygon,
        )
        for number, c in enumerate(connectors, start=1)
    ]


def _text_out(text: Text) -> TextOut:
    return TextOut(
        value=text.value, kind=text.kind, confidence=_rounded(text.confidence), polygon=text.polygon
    )


def _code_out(code: Code) -> CodeOut:
    return CodeOut(symbology=code.symbology, payload=code.payload, check=code.check, polygon=code.polygon)


def _shares(posterior: dict[str, float]) -> dict[str, float]:
    return {
        code: _rounded(share)
        for code, share in sorted(posterior.items(), key=lambda i: -i[1])
        if share > 5e-7
    }


def _rounded(value: float) -> float:
    # Six digits: what is behind them is noise and makes two runs look different.
    return round(float(value), 6)


def json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of every document plugface prints."""
    from plugface.cli.present.catalogue_schemas import DeskDocument
    from plugface.cli.present.ledger_schemas import LedgerDocument
    from plugface.cli.present.trial_schemas import TrialOut

    every: Any = Annotated[
        get_args(AnyDocument)[0] | DeskDocument | LedgerDocument | TrialOut, Field(discriminator="kind")
    ]
    return TypeAdapter(every).json_schema(mode="serialization")
