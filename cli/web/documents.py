"""What the page's API takes and gives, beside the documents of `plugface --json` that an answer holds."""

from typing import Annotated, Literal

from plugface.cli.present.schemas import (
    CatalogueRef,
    CautionOut,
    Document,
    IdentifyOut,
    OpinionOut,
    PartnerOut,
)
from plugface.models.catalogue.entries import ColourCode, Controls, SizeClass, Throttle
from plugface.models.decision.answers import View
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

#: What a caller names a unit: made once on the phone, so that sending again cannot make a second one.
UnitId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]

Line = StringConstraints(strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$")
Short = Annotated[str, Line, Field(max_length=80)]
Long = Annotated[str, Line, Field(max_length=400)]


class Message(BaseModel):
    """Base of everything that is taken in; an unknown key is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class NeedsIn(Message):
    """What the swap asks for; what is left out does not matter or is not known."""

    throttle: Literal["cable", "electronic"] | None = None
    gearbox: Literal["automatic", "manual"] | None = None
    crank_teeth: Annotated[int, Field(strict=True, ge=1, le=400)] | None = None
    year: Annotated[int, Field(strict=True, ge=1950, le=2100)] | None = Field(
        default=None, description="model year of the engine's donor"
    )
    partner: Short | None = Field(default=None, description="family of a unit already in hand")


class UnitIn(Message):
    """What is said about a unit beside its photos."""

    claimed: Short = Field("", description="what the seller says it is: KEY or KEY:VARIANT")
    needs: NeedsIn = NeedsIn()
    typed: list[Short] = Field(
        [], max_length=8, description="lines of the label as typed, or barcodes as a scanner sends them"
    )
    more: bool = Field(False, description="photos of this unit follow at once")


class ConfirmationIn(Message):
    """What a person found the unit to be."""

    family: Short = Field(description="key of the family; empty: in no family of the catalogue")
    variant: Short = ""
    who: Short = Field(
        "", description="name of whoever checked it; left out where the access code is bound to one"
    )
    note: Long = ""


class CodeIn(Message):
    """An access code."""

    code: Annotated[str, Field(min_length=1, max_length=64)]


class TokenOut(Document):
    """What to send as `Authorization: Bearer ...` from now on."""

    token: str
    lot: str
    name: str = Field(description="to whom the code was given; empty: it is the lot's own")
    expires_at: str


class LimitsOut(Document):
    """What is taken in at most."""

    photo_bytes: int
    photo_pixels: int
    photos_per_unit: int
    waiting_units: int


class LotOut(Document):
    """The lot the caller may see."""

    key: str
    name: str
    visitor: str = Field(description="to whom the code was given; empty: it is the lot's own")
    units: dict[str, int] = Field(description="number of units by state")
    limits: LimitsOut


class AcceptedPhotoOut(Document):
    """One photo that is on disk."""

    unit: str
    position: int = Field(description="1 for the first photo of its unit")
    sha256: str = Field(description="of the photo as it is kept: without place, time and camera")
    face: View
    size_bytes: int
    accepted_at: str


class ConfirmationOut(Document):
    """What a person found a unit to be."""

    family: str
    variant: str
    who: str
    note: str
    confirmed_at: str


class ResultOut(Document):
    """An answer: what the photos show, and, where something was claimed, what to think of that."""

    identify: IdentifyOut
    opinion: OpinionOut | None = None
    message: str = Field("", description="the answer as a short text to send back")


class CardOut(Document):
    """One unit with all there is about it."""

    id: str
    number: int = Field(description="counts from 1 in its lot")
    state: Literal["new", "waiting", "working", "answered", "failed"]
    ahead: int = Field(description="units that are answered before this one")
    problem: str = Field(description="why there is no answer; empty unless it failed")
    claimed: str
    needs: NeedsIn
    typed: list[str] = Field(description="lines or barcodes of the label that were typed or scanned")
    created_at: str
    photos: list[AcceptedPhotoOut]
    result: ResultOut | None = Field(description="the latest; while waiting it may be one for fewer photos")
    result_made_at: str | None
    confirmation: ConfirmationOut | None = Field(description="the latest")


class UnitLineOut(Document):
    """One unit in the list of a lot."""

    id: str
    number: int
    state: Literal["new", "waiting", "working", "answered", "failed"]
    verdict: str | None
    standing: str = Field("plain", description="what stands beside the verdict, as in the answer")
    headline: str = Field(description="what it is or may be, in few words")
    probability: float | None
    caution: str = Field(description="names of cautions that come first")
    first_photo: str | None = Field(description="SHA-256")
    created_at: str
    confirmation: ConfirmationOut | None


class UnitsOut(Document):
    """Units of the lot, the latest first."""

    units: list[UnitLineOut]
    before: int | None = Field(description="give it as `before` for the next part; null at the end")


class PatternOut(Document):
    """A pattern to be walked sign by sign from state 0; a text fits that ends in one of `ends`."""

    steps: list[list[tuple[int, int, int]]] = Field(
        description="of each state: first and last code point, and the state that they lead to"
    )
    ends: list[int]


class NumberVariantOut(Document):
    """One variant as its numbers tell it."""

    key: str
    numbers: list[str] = Field(description="capitals and figures alone")
    suffixes: list[str] = Field(description="capitals and figures alone; empty: any")
    status: Literal["usable", "locked", "unknown"]
    years: tuple[int, int]
    vehicles: str
    throttle: Throttle
    crank_teeth: int | None
    market: str


class NumberFamilyOut(Document):
    """One family as its numbers and marks tell it."""

    key: str
    controls: Controls
    hazard: Literal["none", "high voltage", "restraint"]
    marks: list[str] = Field(description="capitals and figures alone")
    plugs: list[tuple[ColourCode, SizeClass]] = Field(description="colour and size of each plug, in order")
    number: int | None = Field(description="place of its numbers' form among the patterns")
    suffix: int | None = Field(description="place of its suffixes' form among the patterns")
    caption: str = Field(description="what is printed before the suffix")
    variants: list[NumberVariantOut]
    open: list[tuple[str, str, list[int]]] = Field(
        description="a number, with a suffix or alone (empty), that does not surely tell its variants from "
        "others of the family, and the places of all that stay"
    )
    cautions: list[CautionOut] = Field(description="of the family alone")
    partners: list[PartnerOut]


class NumbersOut(Document):
    """A catalogue as far as numbers, suffixes and marks tell what a unit is: for a phone without a signal."""

    catalogue: CatalogueRef
    keep_days: int = Field(description="after so many days without having asked again it must be forgotten")
    shades: list[tuple[ColourCode, tuple[float, float, float]]] = Field(
        [], description="colours of plugs that the catalogue names: code, CIE L*a*b* under D65"
    )
    colour_caution_at: float = Field(
        description="share of a plug's colour from which an orange or yellow one warns"
    )
    families: list[NumberFamilyOut]
    patterns: list[PatternOut]
    hazards: list[CautionOut] = Field(description="of families of that hazard, whatever else is said")
    closing: list[CautionOut] = Field(description="of every answer")
    words: dict[str, str] = Field(description="what is said of a variant: locked, locked_open, one, open")
