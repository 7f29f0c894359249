"""The user's catalogue: a folder of TOML files, one `catalogue.toml` and one file per family.

All positions are in millimetres on the plug face, seen with the cast mark upright: x to the right, y up, the
origin in the middle of the face. Connectors are listed in canonical order: row by row from the top, each row
from left to right, seen that way; `plugface.vision.observations.reading_order` is the exact rule.
"""

import hashlib
import os
import re
import tomllib
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

import re2
import rtoml
from plugface.models.catalogue.messages import explain_entry
from plugface.models.decision.costs import Costs
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

ColourCode = Literal["BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ"]
SizeClass = Literal["S", "M", "L"]
Controls = Literal["engine", "gearbox", "both", "other"]
Feature = Literal[
    "pressed",  # drawn from sheet in one piece, with a lip and beads
    "finned all round",
    "ribs",
    "glued cover",
    "potted",
    "hose stub",
    "cable glands",
]
Positive = Annotated[float, Field(gt=0)]
Count = Annotated[int, Field(ge=1, le=200)]
Year = Annotated[int, Field(ge=1950, le=2100)]
PointMm = tuple[float, float]
Lightness = Annotated[float, Field(ge=0, le=100)]
Opponent = Annotated[float, Field(ge=-128, le=128)]
LabColour = tuple[Lightness, Opponent, Opponent]  # L*, a*, b*
Channel = Annotated[int, Field(ge=0, le=255)]
SrgbColour = tuple[Channel, Channel, Channel]

#: More family files than this are refused before any is opened (our choice).
MAX_FAMILIES = 20_000

#: A family's file is about 2 kB; a larger one than this is something else.
MAX_FILE_BYTES = 1_000_000

#: A service-number pattern is some 50 characters long.
MAX_PATTERN_LENGTH = 200

#: What a barcode holds where no pattern says it.
PAYLOADS = ("number", "number and suffix")

_PATTERN_OPTIONS = re2.Options()
_PATTERN_OPTIONS.max_mem = 1 << 20
_PATTERN_OPTIONS.log_errors = False  # RE2 would write to stderr itself


class CatalogueError(Exception):
    """A catalogue that cannot be used: which file, which line and key, what is wrong, what mends it."""

    def __init__(self, file: str, key: str, problem: str, remedy: str, line: int | None = None) -> None:
        self.file, self.key, self.problem, self.remedy, self.line = file, key, problem, remedy, line
        place = ", ".join(filter(None, (file, f"line {line}" if line else "", key)))
        super().__init__(f"{place}: {problem}. {remedy}")


def compile_pattern(pattern: str) -> Any:
    """Compile a pattern from a catalogue so that no text can make it slow.

    RE2 matches in time linear in the text and within a fixed memory (Cox, "Regular Expression Matching in the
    Wild", 2010). Use ``fullmatch`` on the result: a pattern must cover the whole number.

    Raises
    ------
    ValueError
        If the pattern is too long, is not RE2 syntax, or needs more memory than 1 MiB.
    """
    if len(pattern) > MAX_PATTERN_LENGTH:
        raise ValueError(
            f"{len(pattern)} characters, at most {MAX_PATTERN_LENGTH} are read; write it shorter"
        )
    try:
        return re2.compile(pattern, _PATTERN_OPTIONS)
    except re2.error as error:
        reason = error.args[0]
        reason = reason.decode() if isinstance(reason, bytes) else reason
        raise ValueError(
            f"it is not valid RE2 syntax ({reason}); back-references and look-around do not exist there"
        ) from None


class Entry(BaseModel):
    """Base of all catalogue entries: fixed once read, and a misspelt key is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class Body(Entry):
    """The housing of a family, seen on the plug face with the cast mark upright."""

    size_mm: tuple[Positive, Positive, Positive]  # width, height, depth
    material: Literal[
        "cast aluminium",
        "plastic",
        "sheet steel",
        "plastic on aluminium",
        "plastic on cast",
        "anodised aluminium",
    ]
    colour: ColourCode = "GY"
    lid_colour: ColourCode | None = None  # a lid that differs from the body
    fins: Literal["none", "half", "all"] = "none"
    corners: Literal["square", "round"] = "square"
    ears: Annotated[int, Field(ge=0, le=8)] = 0  # mounting ears with a hole
    lid_screws: Annotated[int, Field(ge=0, le=20)] = 0
    finish: Literal["plain", "glossy", "grained"] = "plain"  # of a plastic surface
    features: tuple[Feature, ...] = ()  # what else a person would know it by


class Connector(Entry):
    """One plug socket on the plug face."""

    colour: ColourCode
    size: SizeClass
    pins: tuple[Count, Count]  # rows, columns, seen with the mark upright
    at_mm: PointMm  # middle of the housing
    turn_deg: float = 0.0  # counter-clockwise; 0 means the long side runs left to right
    edge: Literal["top", "bottom", "left", "right", "face"] = "face"  # which edge of the face it stands at
    # "sideways": its mouth looks out of `edge`; from above only the top of the shroud is seen
    opens: Literal["up", "sideways"] = "up"
    moulding: str = ""  # sockets of one moulding bear the same name
    lock: Literal["", "latch", "lever", "slide"] = ""  # empty: as the maker has it

    @model_validator(mode="after")
    def _opens_out_of_an_edge(self) -> "Connector":
        if self.opens == "sideways" and self.edge == "face":
            raise ValueError('it opens sideways but names no edge; write edge = "top", or leave opens out')
        return self


class Mark(Entry):
    """A mark cast into the housing, upright on the plug face by definition."""

    text: str
    at_mm: PointMm  # middle of the text
    height_mm: Positive = 8.0


class Label(Entry):
    """How this family's label reads.

    `service_number` is a pattern (RE2 syntax) that the whole number must match, written without spaces, with
    named groups; `suffix` is one for what stands behind it and tells revisions apart. `barcode_payload` says
    what the code holds, in words or as a pattern for the whole payload with the groups `number` and `suffix`.
    """

    service_number: str
    suffix: str = ""
    suffix_caption: str = ""  # the word printed before the suffix where it has a field of its own
    barcode: Literal["Code 128", "Code 39", "Data Matrix", "QR", "none"] = "none"
    barcode_payload: str = "number"  # "number", "number and suffix" or a pattern with (?P<number>...) in it

    @field_validator("service_number", "suffix")
    @classmethod
    def _pattern_compiles(cls, pattern: str) -> str:
        compile_pattern(pattern)
        return pattern

    @field_validator("barcode_payload")
    @classmethod
    def _payload_names_a_number(cls, payload: str) -> str:
        if payload not in PAYLOADS and "number" not in compile_pattern(payload).groupindex:
            raise ValueError(
                f'"{payload}" is neither "number" nor "number and suffix", and no pattern with the group '
                "(?P<number>...); write one of the words, or a pattern for the whole payload such as "
                "'OA(?P<number>\\d{8})(?P<suffix>[A-Z]{2})'"
            )
        return payload

    @property
    def payload_pattern(self) -> str:
        """The pattern of a barcode's payload; "" where it is told in words."""
        return "" if self.barcode_payload in PAYLOADS else self.barcode_payload


class Variant(Entry):
    """One variant of a family."""

    key: str
    service_numbers: tuple[str, ...] = Field(min_length=1)  # without spaces
    suffixes: tuple[str, ...] = ()  # empty: any suffix
    years: tuple[Year, Year]  # first and last model year of the donor vehicles
    vehicles: str = ""
    throttle: Literal["cable", "electronic", "none", "unknown"] = "unknown"
    crank_teeth: Annotated[int, Field(ge=1, le=400)] | None = None
    status: Literal["usable", "locked", "unknown"] = "unknown"
    market: str = "any"
    changed: str = ""
    unseen_from_front: bool = True  # True: its front is the same as that of the family's other variants

    @model_validator(mode="after")
    def _years_in_order(self) -> "Variant":
        if self.years[0] > self.years[1]:
            raise ValueError(
                f"years run backwards ({self.years[0]} to {self.years[1]}); write the first year first"
            )
        return self


class Pairing(Entry):
    """What a unit must be used with."""

    families: tuple[str, ...] = Field(min_length=1)  # any one of these
    gearbox: Literal["any", "automatic", "manual"] = "any"  # the rule holds for swaps with this gearbox
    same_donor: bool = False
    why: str


class Family(Entry):
    """One family of controllers."""

    key: str
    maker: str
    controls: Controls
    hazard: Literal["none", "high voltage", "restraint"] = "none"
    body: Body
    connectors: tuple[Connector, ...] = Field(min_length=1, max_length=40)
    marks: tuple[Mark, ...] = ()
    label: Label
    variants: tuple[Variant, ...] = Field(min_length=1, max_length=500)
    pairing: tuple[Pairing, ...] = ()
    cautions: tuple[str, ...] = ()
    stock_code: str = ""
    remarks: str = ""
    source: str  # where this entry comes from: a document, a measured unit, "common practice", "invented"
    date: str = ""


class CostTable(Entry):
    """What a shop's mistakes cost, in second looks; a key that is left out keeps its usual value."""

    wrong_accept: Annotated[float, Field(gt=0)] = Costs().wrong_accept
    wrong_refusal: Annotated[float, Field(gt=0)] = Costs().wrong_refusal
    second_look: Annotated[float, Field(gt=0)] = Costs().second_look
    missed_hazard: Annotated[float, Field(gt=0)] = Costs().missed_hazard
    needless_caution: Annotated[float, Field(gt=0)] = Costs().needless_caution

    @model_validator(mode="after")
    def _makes_sense(self) -> "CostTable":
        self.as_costs()
        return self

    def as_costs(self) -> Costs:
        """The same as decisions take it."""
        return Costs(**self.model_dump())


class Shade(Entry):
    """A colour of housings under a name of one's own, coded like every other; entries of one name add up."""

    name: str = Field(min_length=1)
    code: ColourCode
    lab: tuple[LabColour, ...] = ()  # examples, CIE 1976 L*a*b* for D65
    srgb: tuple[SrgbColour, ...] = ()  # examples, sRGB 0..255
    source: str = ""

    @model_validator(mode="after")
    def _has_an_example(self) -> "Shade":
        if not self.lab and not self.srgb:
            raise ValueError("it has no example; add lab = [[52, -1, -1]] or srgb = [[120, 124, 126]]")
        return self


class CatalogueHead(Entry):
    """The file catalogue.toml: what the whole folder is."""

    name: str
    note: str = ""
    invented: bool = False  # demo data says so
    costs: CostTable | None = None  # `[costs]`: what mistakes cost this shop
    cautions: tuple[str, ...] = ()  # shown with every result
    shades: tuple[Shade, ...] = ()  # colours to know besides the common ones


class Catalogue(Entry):
    """A whole catalogue with the hash of the files it was read from."""

    head: CatalogueHead
    families: tuple[Family, ...]
    files: tuple[str, ...] = ()  # names of the families' files, where it was read from a folder
    sha256: str = ""

    @property
    def costs(self) -> Costs:
        """What mistakes cost whoever owns the catalogue; the usual costs where its head says nothing."""
        return self.head.costs.as_costs() if self.head.costs else Costs()

    @cached_property
    def by_key(self) -> dict[str, Family]:
        """Families by their key."""
        return {family.key: family for family in self.families}


def load_catalogue(folder: Path | str) -> Catalogue:
    """Read and check a catalogue folder.

    Parameters
    ----------
    folder : Path or str
        Holds `catalogue.toml` and one TOML file per family.

    Returns
    -------
    catalogue : Catalogue
        Families in the order of their file names.

    Raises
    ------
    CatalogueError
        With file, line, key, problem and mend for the first thing that is wrong.
    """
    catalogue, errors = read_catalogue(Path(folder))
    if catalogue is None:
        raise errors[0]
    return catalogue


def read_catalogue(folder: Path) -> tuple[Catalogue | None, tuple[CatalogueError, ...]]:
    """Read a catalogue folder and say everything that is wrong with its files.

    Returns
    -------
    catalogue : Catalogue or None
        None where there is at least one error.
    errors : tuple of CatalogueError
        In the order of the files.
    """
    head_path = folder / "catalogue.toml"
    if not head_path.is_file():
        remedy = (
            "A catalogue is a folder with a catalogue.toml in it; start one with: plugface catalogue new DIR"
        )
        return None, (CatalogueError(str(head_path), "", "there is no such file", remedy),)
    names = sorted(name for name in os.listdir(folder) if name.endswith(".toml") and name != "catalogue.toml")
    if not 1 <= len(names) <= MAX_FAMILIES:
        problem = f"{len(names):,} family files, expected 1 to {MAX_FAMILIES:,}"
        remedy = "Split it into several catalogues" if names else "Add one .toml file for each family"
        return None, (CatalogueError(str(folder), "", problem, remedy),)
    errors: list[CatalogueError] = []
    digest = hashlib.sha256()
    head = _read_entry(head_path, CatalogueHead, digest, errors)
    families: dict[str, tuple[Family, str]] = {}
    for name in names:
        family = _read_entry(folder / name, Family, digest, errors)
        if family is not None and family.key in families:
            problem = f'"{family.key}" is used already in {families[family.key][1]}'
            errors.append(CatalogueError(name, "key", problem, "Give one of them another key"))
        elif family is not None:
            families[family.key] = (family, name)
    if errors:
        return None, tuple(errors)
    read, files = zip(*families.values(), strict=True)
    return Catalogue(head=head, families=read, files=files, sha256=digest.hexdigest()), ()


def _read_entry(path: Path, kind: type[Entry], digest: Any, errors: list[CatalogueError]) -> Any:
    """One file as an entry; None, with what is wrong appended to `errors`, where it cannot be."""
    with path.open("rb") as file:
        raw = file.read(MAX_FILE_BYTES + 1)
    if len(raw) > MAX_FILE_BYTES:
        problem = f"more than {MAX_FILE_BYTES:,} bytes"
        errors.append(
            CatalogueError(path.name, "", problem, "One file describes one family; what is this one?")
        )
        return None
    digest.update(path.name.encode() + b"\0" + raw + b"\0")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        errors.append(CatalogueError(path.name, "", "it is not UTF-8 text", "Save it as UTF-8"))
        return None
    try:
        return kind.model_validate(_parse_toml(text))
    except tomllib.TOMLDecodeError as error:
        errors.append(_toml_error(path.name, text, error))
    except ValidationError as error:
        for one in error.errors(include_url=False):
            line, key, problem, remedy = explain_entry(kind, one, text)
            errors.append(CatalogueError(path.name, key, problem, remedy, line))
    except (RecursionError, ValueError):  # what Python's own parser raises beside its own class
        problem = "it is nested too deeply, or holds a number too long to be one"
        errors.append(CatalogueError(path.name, "", problem, "Compare it with a family file that works"))
    return None


def _parse_toml(text: str) -> dict[str, Any]:
    """Parse with the fast parser; what that refuses goes to the one whose words are better."""
    try:
        return rtoml.loads(text)
    except rtoml.TomlParsingError:
        return tomllib.loads(text)


def _toml_error(file: str, text: str, error: tomllib.TOMLDecodeError) -> CatalogueError:
    """The place of a slip in the TOML, and the line itself."""
    place = re.search(r"\((?:at line (\d+), column \d+|at end of document)\)", str(error))
    problem = str(error)[: place.start()].strip() if place else str(error)
    lines = text.splitlines() or [""]
    line = int(place[1]) if place and place[1] else len(lines)
    shown = lines[min(line, len(lines)) - 1].strip()
    remedy = f"Correct this line: {shown[:60]}" if shown else "Close every quote and bracket before it"
    return CatalogueError(file, "", f"it is not valid TOML ({problem})", remedy, line)
