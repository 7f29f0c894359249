"""The user's catalogue: a folder of TOML files, one `catalogue.toml` and one file per family.

All positions are in millimetres on the plug face, seen with the cast mark upright: x to the right, y up, the
origin in the middle of the face. Connectors are listed in canonical order: row by row from the top, each row
from left to right, seen that way.
"""

import hashlib
import tomllib
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal

import re2
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

ColourCode = Literal["BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ"]
SizeClass = Literal["S", "M", "L"]
Controls = Literal["engine", "gearbox", "both", "other"]
Positive = Annotated[float, Field(gt=0)]
Count = Annotated[int, Field(ge=1, le=200)]
Year = Annotated[int, Field(ge=1950, le=2100)]
PointMm = tuple[float, float]


class CatalogueError(Exception):
    """A catalogue that cannot be used: which file, which key, what is wrong, what mends it."""

    def __init__(self, file: str, key: str, problem: str, mend: str) -> None:
        self.file, self.key, self.problem, self.mend = file, key, problem, mend
        super().__init__(f"{file}, {key}: {problem}. {mend}" if key else f"{file}: {problem}. {mend}")


class Entry(BaseModel):
    """Base of all catalogue entries: fixed once read, and a misspelt key is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Body(Entry):
    """The housing of a family, seen on the plug face with the cast mark upright."""

    size_mm: tuple[Positive, Positive, Positive]  # width, height, depth
    material: Literal["cast aluminium", "plastic", "sheet steel", "plastic on aluminium"]
    colour: ColourCode = "GY"
    lid_colour: ColourCode | None = None  # a lid that differs from the body
    fins: Literal["none", "half", "all"] = "none"
    corners: Literal["square", "round"] = "square"
    ears: Annotated[int, Field(ge=0, le=8)] = 0  # mounting ears with a hole
    lid_screws: Annotated[int, Field(ge=0, le=20)] = 0


class Connector(Entry):
    """One plug socket on the plug face."""

    colour: ColourCode
    size: SizeClass
    pins: tuple[Count, Count]  # rows, columns, seen with the mark upright
    at_mm: PointMm  # centre
    turn_deg: float = 0.0  # counter-clockwise; 0 means the long side runs left to right
    edge: Literal["top", "bottom", "left", "right", "face"] = "face"  # which edge of the face it stands at


class Mark(Entry):
    """A mark cast into the housing, upright on the plug face by definition."""

    text: str
    at_mm: PointMm
    height_mm: Positive = 8.0


class Label(Entry):
    """How this family's label reads.

    `service_number` is a pattern (RE2 syntax) that the whole number must match, written without spaces, with
    named groups; `suffix` is one for what stands behind it and tells revisions apart.
    """

    service_number: str
    suffix: str = ""
    suffix_caption: str = ""  # the word printed before the suffix where it has a field of its own
    barcode: Literal["Code 128", "Code 39", "Data Matrix", "QR", "none"] = "none"
    barcode_payload: Literal["number", "number and suffix"] = "number"

    @field_validator("service_number", "suffix")
    @classmethod
    def _pattern_compiles(cls, pattern: str) -> str:
        try:
            re2.compile(pattern)
        except re2.error as error:
            reason = error.args[0]
            reason = reason.decode() if isinstance(reason, bytes) else reason
            raise ValueError(
                f"the pattern is not valid RE2 syntax ({reason}); back-references and look-around do not exist there"
            ) from None
        return pattern


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
            raise ValueError(f"years run backwards ({self.years[0]} to {self.years[1]}); write the first year first")
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
    connectors: tuple[Connector, ...] = Field(min_length=1)
    marks: tuple[Mark, ...] = ()
    label: Label
    variants: tuple[Variant, ...] = Field(min_length=1)
    pairing: tuple[Pairing, ...] = ()
    cautions: tuple[str, ...] = ()
    stock_code: str = ""
    remarks: str = ""
    source: str  # where this entry comes from: a document, a measured unit, "common practice", "invented"
    date: str = ""


class CatalogueHead(Entry):
    """The file catalogue.toml: what the whole folder is."""

    name: str
    note: str = ""
    invented: bool = False  # demo data says so
    cautions: tuple[str, ...] = ()  # shown with every result


class Catalogue(Entry):
    """A whole catalogue with the hash of the files it was read from."""

    head: CatalogueHead
    families: tuple[Family, ...]
    sha256: str = ""

    @cached_property
    def by_key(self) -> dict[str, Family]:
        """Families by their key."""
        return {family.key: family for family in self.families}


def load_catalogue(folder: Path) -> Catalogue:
    """Read and check a catalogue folder.

    Parameters
    ----------
    folder : Path
        Holds `catalogue.toml` and one TOML file per family.

    Returns
    -------
    catalogue : Catalogue
        Families in the order of their file names.

    Raises
    ------
    CatalogueError
        With file, key, problem and mend for the first thing that is wrong.
    """
    head_path = folder / "catalogue.toml"
    if not head_path.is_file():
        raise CatalogueError(
            str(head_path), "", "there is no such file", "A catalogue is a folder with a catalogue.toml in it"
        )
    digest = hashlib.sha256()
    head = _read_entry(head_path, CatalogueHead, digest)
    families = []
    for path in sorted(folder.glob("*.toml")):
        if path.name == "catalogue.toml":
            continue
        family = _read_entry(path, Family, digest)
        if any(family.key == other.key for other in families):
            raise CatalogueError(path.name, "key", f'"{family.key}" is used twice', "Give one of them another key")
        families.append(family)
    return Catalogue(head=head, families=tuple(families), sha256=digest.hexdigest())


def _read_entry(path: Path, kind: type[Entry], digest) -> Entry:
    raw = path.read_bytes()
    digest.update(path.name.encode() + b"\0" + raw + b"\0")
    try:
        return kind.model_validate(tomllib.loads(raw.decode("utf-8")))
    except UnicodeDecodeError:
        raise CatalogueError(path.name, "", "it is not UTF-8 text", "Save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(path.name, "", f"it is not valid TOML: {error}", "Correct that line") from None
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        problem = first["msg"].removeprefix("Value error, ")
        mend = "Remove or rename this key" if first["type"] == "extra_forbidden" else "Correct the entry and try again"
        raise CatalogueError(path.name, key, problem, mend) from None
