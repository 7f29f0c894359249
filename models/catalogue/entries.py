"""The user's catalogue: a folder of TOML files, one `catalogue.toml` and one file per family.

All positions are in millimetres on the plug face, seen with the cast mark upright: x to the right, y up, the
origin in the middle of the face. Connectors are listed in canonical order: row by row from the top, each row
from left to right, seen that way; `plugface.vision.observations.reading_order` is the exact rule.
"""

import gc
import hashlib
import os
import re
import threading
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

import re2
import rtoml
from plugface.models.catalogue.messages import explain_entry, own_errors
from plugface.models.decision.costs import Costs
from plugface.vision.colour_table import ColourCode
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

SizeClass = Literal["S", "M", "L"]
Controls = Literal["engine", "gearbox", "both", "other"]
Material = Literal[
    "cast aluminium",
    "plastic",
    "sheet steel",
    "plastic on aluminium",
    "plastic on cast",
    "anodised aluminium",
]
Throttle = Literal["cable", "electronic", "none", "unknown"]
Barcode = Literal["Code 128", "Code 39", "Data Matrix", "QR", "none"]
Edge = Literal["top", "bottom", "left", "right", "face"]
LabelSide = Literal["unknown", "face", "back", "top", "bottom", "left", "right"]
Feature = Literal[
    "pressed",  # drawn from sheet in one piece, with a lip and beads
    "finned all round",
    "ribs",
    "glued cover",
    "potted",
    "hose stub",
    "cable glands",
    "drum",
    "rounded ends",
    "clamshell",  # two halves held together by bands
    "corrugated cover",
    "smoked cover",  # see-through
    "slanted headers",  # plugs on a slanted face, at about 40 degrees
    "stepped block",  # plugs back to back on a block in the middle of the face
    "D-shaped shrouds",
    "round shrouds",
    "hooded shrouds",
]
Positive = Annotated[float, Field(gt=0)]
Count = Annotated[int, Field(ge=1, le=200)]
Amount = Annotated[float, Field(ge=0, le=1e9)]
Currency = Annotated[str, Field(pattern="^([A-Z]{3})?$")]  # ISO 4217, three letters
Share = Annotated[float, Field(ge=0, le=1)]

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


def _as_name(text: str) -> str:
    """A name in one line: a spreadsheet's hard space, typed as an ordinary one, would be another name."""
    name = " ".join(text.split())
    if _CONTROL.search(name):
        raise ValueError("it holds a control character; type it anew")
    if not name:
        raise ValueError("it is empty; write a name")
    return name


Key = Annotated[str, AfterValidator(_as_name)]  # of a family or a variant
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
_USUAL_BYTES = 16_384

#: A service-number pattern is some 50 characters long.
MAX_PATTERN_LENGTH = 200

#: Shroud sizes per class in mm: (least, greatest) of the long and of the short side. Our own choice, near
#: what sealed plugs of road vehicles measure (common practice, no source).
HOUSING_MM = {"L": ((55, 80), (22, 30)), "M": ((35, 50), (20, 26)), "S": ((18, 30), (16, 22))}

#: at_mm and along_mm of one plug may differ by this much, for both are measured by hand (our choice).
SAME_PLACE_MM = 1.0

#: What a barcode holds where no pattern says it.
PAYLOADS = ("number", "number and suffix")

_EDGES = ("top", "bottom", "left", "right")

_PATTERN_OPTIONS = re2.Options()
_PATTERN_OPTIONS.max_mem = 1 << 20
_PATTERN_OPTIONS.log_errors = False  # RE2 would write to stderr itself


class CatalogueError(Exception):
    """A catalogue that cannot be used: which file, which line and key, what is wrong, what mends it."""

    def __init__(self, file: str, key: str, problem: str, remedy: str, line: int | None = None) -> None:
        self.file, self.key, self.problem, self.remedy, self.line = file, key, problem, remedy, line
        place = ", ".join(filter(None, (file, f"line {line}" if line else "", key)))
        super().__init__(f"{place}: {problem}. {remedy}")


_DROPPED = re.compile("[^0-9A-Z]+")


@lru_cache(maxsize=4096)
def compact(text: str) -> str:
    """Capitals and digits alone: what is left to compare once spaces and punctuation are gone."""
    return _DROPPED.sub("", text.upper())


@lru_cache(maxsize=1024)
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


# One token of a pattern: an escape, a class, a count, the head of a group, or one character.
_TOKEN = re.compile(r"\\.|\[\^?\]?(?:\\.|[^\]])*\]|\{[^}]*\}|\(\?P?<[^>]*>|\(\?:|.", re.DOTALL)
_SIGN = re.compile(r"[^\w^$|()\[\]{}.?*+\\]|_|\\[^\w]|\\s|\[[^\w^\]]+\]")
_REPEATS = re.compile(r"[?*+]|\{.*\}")


@lru_cache(maxsize=8192)
def compile_unsigned(pattern: str) -> Any:
    """Compile a pattern for a number that is written in letters and figures alone.

    Print and codes leave out a stroke or a dash, or have another sign in its place.

    >>> compile_unsigned(r"^K27\\d{3}/05\\d$").pattern
    '^K27\\\\d{3}05\\\\d$'
    """
    kept: list[str] = []
    dropped = False
    for token in _TOKEN.findall(pattern):
        if dropped and _REPEATS.fullmatch(token):
            continue
        dropped = _SIGN.fullmatch(token) is not None
        if not dropped:
            kept.append(token)
    try:
        return compile_pattern("".join(kept))
    except ValueError:  # what is left is no pattern
        return compile_pattern(pattern)


class Entry(BaseModel):
    """Base of all catalogue entries: fixed once read, and a misspelt key is refused."""

    # Schemas are built when first used: reading a catalogue needs two of them, and a list of commands none.
    model_config = ConfigDict(
        frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False, defer_build=True
    )


class Body(Entry):
    """The housing of a family, seen on the plug face with the cast mark upright.

    What its author left out has its usual value, so that it can be drawn; nothing is judged by it (`tells`).
    """

    size_mm: tuple[Positive, Positive, Positive]  # width, height, depth
    material: Material
    colour: ColourCode = "GY"
    lid_colour: ColourCode | None = None  # a lid that differs from the body
    fins: Literal["none", "half", "all"] = "none"
    corners: Literal["square", "round"] = "square"
    ears: Annotated[int, Field(ge=0, le=8)] = 0  # mounting ears with a hole
    lid_screws: Annotated[int, Field(ge=0, le=20)] = 0
    finish: Literal["plain", "glossy", "grained"] = "plain"  # of a plastic surface
    features: tuple[Feature, ...] = ()  # what else a person would know it by

    def tells(self, key: str) -> bool:
        """Whether its author wrote this key."""
        return key in self.model_fields_set


class Connector(Entry):
    """One plug socket on the plug face.

    A plug that stands flush at an edge may give `edge` and `along_mm` in place of `at_mm`; see
    `place_on_edge`.
    """

    colour: ColourCode
    size: SizeClass  # by the shroud's long side: S 18 to 30 mm, M 35 to 50 mm, L 55 to 80 mm (HOUSING_MM)
    pins: tuple[Count, Count]  # rows, columns, seen with the mark upright
    at_mm: PointMm  # middle of the housing
    along_mm: Annotated[float, Field(ge=0)] | None = None  # its middle along `edge`, from the left or the top
    turn_deg: float = 0.0  # counter-clockwise; 0 means the long side runs left to right
    edge: Edge = "face"  # which edge of the face it stands at
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
    barcode: Barcode = "none"
    barcode_payload: str = "number"  # "number", "number and suffix" or a pattern with (?P<number>...) in it
    side: LabelSide = "unknown"  # where the label sticks: the plug face, the back, or a side by its edge

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


class Value(Entry):
    """What one unit of a variant is worth to the shop, by state; one that is left out is worth the core."""

    usable: Amount | None = None
    locked: Amount | None = None
    core: Amount | None = None  # for what does not work, or is taken back
    currency: Currency = ""  # empty: the catalogue's


class Variant(Entry):
    """One variant of a family."""

    key: Key
    service_numbers: tuple[str, ...] = Field(min_length=1)  # without spaces
    suffixes: tuple[str, ...] = ()  # empty: any suffix
    years: tuple[Year, Year]  # first and last model year of the donor vehicles
    vehicles: str = ""
    throttle: Throttle = "unknown"
    crank_teeth: Annotated[int, Field(ge=1, le=400)] | None = None
    status: Literal["usable", "locked", "unknown"] = "unknown"
    market: str = "any"
    changed: str = ""
    value: Value | None = None  # None: not counted where a lot is valued
    unseen_from_front: bool = True  # True: its front is the same as that of the family's other variants

    @model_validator(mode="after")
    def _years_in_order(self) -> "Variant":
        if self.years[0] > self.years[1]:
            raise ValueError(
                f"years run backwards ({self.years[0]} to {self.years[1]}); write the first year first"
            )
        return self


class Pairing(Entry):
    """What a unit must be used with. Several of these tables mean "or": one that is met is enough."""

    families: tuple[Key, ...] = Field(min_length=1)  # any one of these
    gearbox: Literal["any", "automatic", "manual"] = "any"  # the rule holds for swaps with this gearbox
    same_donor: bool | tuple[Key, ...] = False  # or the families among `families` that it holds for
    why: str

    @model_validator(mode="after")
    def _donors_are_partners(self) -> "Pairing":
        others = [key for key in self.donors if key not in self.families]
        if others:
            raise ValueError(
                f'same_donor names "{others[0]}", which is none of its families; name only those, or write '
                "true or false"
            )
        return self

    @property
    def donors(self) -> tuple[str, ...]:
        """The partners that must come from the same donor."""
        if isinstance(self.same_donor, bool):
            return self.families if self.same_donor else ()
        return self.same_donor


class Family(Entry):
    """One family of controllers."""

    key: Key
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
    harmless_colours: tuple[ColourCode, ...] = ()  # its orange or yellow plugs that warn of nothing
    photos: tuple[
        str, ...
    ] = ()  # pictures of a good unit, the plug face first; paths from the catalogue's folder
    stock_code: str = ""
    remarks: str = ""
    source: str  # where this entry comes from: a document, a measured unit, "common practice", "invented"
    date: str = ""

    @model_validator(mode="before")
    @classmethod
    def _plugs_on_edges(cls, raw: Any) -> Any:
        """Give every plug that says only how far along an edge it stands its place on the face."""
        try:
            plugs = [_placed(plug, raw["body"]["size_mm"]) for plug in raw["connectors"]]
        except (KeyError, TypeError):  # not an entry yet; the fields say what is wrong with it
            return raw
        return {**raw, "connectors": plugs}

    @model_validator(mode="after")
    def _one_place_each(self) -> "Family":
        for number, plug in enumerate(self.connectors, start=1):
            if plug.along_mm is None:
                continue
            if plug.edge == "face":
                raise ValueError(
                    f'connectors no. {number} has along_mm and names no edge; write edge = "top", bottom, '
                    "left or right, or at_mm in place of along_mm"
                )
            place = place_on_edge(plug.edge, plug.along_mm, plug.size, self.body.size_mm)
            if max(abs(a - b) for a, b in zip(place, plug.at_mm, strict=True)) > SAME_PLACE_MM:
                raise ValueError(
                    f"connectors no. {number} has at_mm {list(plug.at_mm)} and along_mm {plug.along_mm:g}, "
                    f"which puts it at {list(place)}; leave one of the two out"
                )
        return self

    @field_validator("photos")
    @classmethod
    def _photos_lie_inside(cls, photos: tuple[str, ...]) -> tuple[str, ...]:
        for photo in photos:
            parts = re.split(r"[/\\]", photo)
            if not photo or ".." in parts or parts[0] == "" or ":" in parts[0]:
                raise ValueError(
                    f'"{photo}" leads out of the catalogue; put the photo into the catalogue\'s folder and '
                    'name it from there, such as "photos/face.jpg"'
                )
        return photos


def place_on_edge(
    edge: str, along_mm: float, size: str, size_mm: tuple[float, float, float]
) -> tuple[float, float]:
    """Middle of a plug that stands flush with one edge of the face, mm.

    Parameters
    ----------
    edge : "top", "bottom", "left" or "right"
    along_mm : float
        From the left end of a top or bottom edge, from the top end of the others, to the plug's middle.
    size : "S", "M" or "L"
        Its short side is taken as the middle of its class.
    size_mm : width, height, depth of the body

    Returns
    -------
    x, y : float
        From the middle of the face, x to the right and y up.
    """
    width, height, _ = size_mm
    inside = sum(HOUSING_MM[size][1]) / 4
    if edge in ("top", "bottom"):
        return along_mm - width / 2, (height / 2 - inside) * (1 if edge == "top" else -1)
    return (width / 2 - inside) * (1 if edge == "right" else -1), height / 2 - along_mm


def _placed(plug: Any, size_mm: Any) -> Any:
    """The same plug with at_mm, and upright at an upright edge; whatever is no such plug is left as it is."""
    given = isinstance(plug, dict) and "at_mm" not in plug and plug.get("edge") in _EDGES
    along, size = (plug.get("along_mm"), plug.get("size")) if given else (None, None)
    if isinstance(along, bool) or not isinstance(along, int | float) or size not in HOUSING_MM:
        return plug
    place = place_on_edge(plug["edge"], along, size, size_mm)
    turn = 90.0 if plug["edge"] in ("left", "right") else 0.0
    return {"turn_deg": turn, **plug, "at_mm": place}


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
    currency: Currency = ""  # of what variants are worth
    works: Share = 1.0  # share of usable units that work, in this shop's experience; the rest are cores
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


def load_catalogue(folder: Path | str, *, keep_in: Path | None = None) -> Catalogue:
    """Read and check a catalogue folder.

    Parameters
    ----------
    folder : Path or str
        Holds `catalogue.toml` and one TOML file per family.
    keep_in : Path, optional
        Folder where what is read is kept for the next process that asks for the same bytes, and looked for.

    Returns
    -------
    catalogue : Catalogue
        Families in the order of their file names.

    Raises
    ------
    CatalogueError
        With file, line, key, problem and mend for the first thing that is wrong.
    """
    catalogue, errors = read_catalogue(Path(folder), keep_in=keep_in)
    if catalogue is None:
        raise errors[0]
    return catalogue


def read_catalogue(
    folder: Path, *, keep_in: Path | None = None
) -> tuple[Catalogue | None, tuple[CatalogueError, ...]]:
    """Read a catalogue folder and say everything that is wrong with its files.

    Parameters
    ----------
    folder : Path
    keep_in : Path, optional
        As in `load_catalogue`.

    Returns
    -------
    catalogue : Catalogue or None
        None where there is at least one error.
    errors : tuple of CatalogueError
        In the order of the files.
    """
    head_path = folder / "catalogue.toml"
    if not head_path.is_file():
        remedy = next(
            (mend for name, mend in list_unread(folder) if name.lower().startswith("catalogue.toml")),
            "A catalogue is a folder with a catalogue.toml in it; start one with: plugface catalogue new DIR",
        )
        return None, (CatalogueError(str(head_path), "", "there is no such file", remedy),)
    listed = (name for name in os.listdir(folder) if name.endswith(".toml") and name != "catalogue.toml")
    names = sorted(name for name in listed if not name.startswith("."))  # what a system or an editor leaves
    if not 1 <= len(names) <= MAX_FAMILIES:
        problem = f"{len(names):,} family files, expected 1 to {MAX_FAMILIES:,}"
        mends = ["Split it into several catalogues"] if names else [mend for _, mend in list_unread(folder)]
        remedy = next(iter(mends), "Add one .toml file for each family")
        return None, (CatalogueError(str(folder), "", problem, remedy),)
    # As strings: paths as objects take a tenth of the time of 2,000 files.
    place = os.fspath(folder)
    if _PARSED or keep_in is not None:  # else nothing can be known: the files are read once, not twice
        known = _find_known(_hash_files(place, [head_path.name, *names]), keep_in)
        if known is not None:
            return known, ()
    errors: list[CatalogueError] = []
    digest = hashlib.sha256()
    families: dict[str, tuple[Family, str]] = {}
    with _collector_paused():
        head = _read_entry(place, head_path.name, CatalogueHead, digest, errors)
        for name in names:
            family = _read_entry(place, name, Family, digest, errors)
            if family is not None and family.key in families:
                problem = f'"{family.key}" is used already in {families[family.key][1]}'
                errors.append(CatalogueError(name, "key", problem, "Give one of them another key"))
            elif family is not None:
                families[family.key] = (family, name)
    if errors:
        return None, tuple(errors)
    read, files = zip(*families.values(), strict=True)
    # Head and families were checked one by one; to check them as a whole again would take as long as one
    # schema more and every family's own rules.
    catalogue = Catalogue.model_construct(head=head, families=read, files=files, sha256=digest.hexdigest())
    _keep(catalogue)
    if keep_in is not None:
        from plugface.models.catalogue.kept import save_kept  # it imports this room

        save_kept(keep_in, catalogue)
    return catalogue, ()


def list_unread(folder: Path) -> list[tuple[str, str]]:
    """Files that look like a catalogue's and are not read for their name or place, and what mends each.

    Windows hides the last ending, so that a file that was saved as `knot.toml` may be `knot.toml.txt`.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    files : list of (name from the folder, mend)
    """
    if not folder.is_dir():
        return []
    found = []
    for file in sorted(folder.iterdir()):
        name = file.name
        if not name.startswith(".") and re.fullmatch(r"(?i).+\.toml(\.txt)?", name) and name[-5:] != ".toml":
            right = re.sub(r"(?i)\.toml(\.txt)?$", ".toml", name)
            right = "catalogue.toml" if right.lower() == "catalogue.toml" else right
            found.append((name, f"Rename {name} to {right}, also where the system hides endings"))
        elif file.is_dir() and not (file / "catalogue.toml").exists():
            inner = (one.name for one in sorted(file.glob("*.toml")) if not one.name.startswith("."))
            found += [
                (f"{name}/{one}", f"Move {name}/{one} into the catalogue's folder itself") for one in inner
            ]
    return found


#: Catalogues by the hash of their files, so that one process parses the same bytes once however often it asks
#: whether they have changed. A file that changed has another hash.
_PARSED: dict[str, Catalogue] = {}
_KEEPING = threading.Lock()
#: A command has one catalogue and perhaps an older copy; more would only fill a long-running page's memory.
KEPT_PARSED = 2


def _keep(catalogue: Catalogue) -> None:
    with _KEEPING:
        _PARSED[catalogue.sha256] = catalogue
        while len(_PARSED) > KEPT_PARSED:
            del _PARSED[next(iter(_PARSED))]


def _find_known(sha256: str, keep_in: Path | None) -> Catalogue | None:
    """The catalogue of these bytes, from this process or from what an earlier one kept."""
    known = _PARSED.get(sha256)
    if known is None and keep_in is not None:
        from plugface.models.catalogue.kept import load_kept  # it imports this room

        with _collector_paused():
            known = load_kept(keep_in, sha256)
        if known is not None:
            _keep(known)
    return known


@contextmanager
def _collector_paused() -> Iterator[None]:
    """No search for rubbish meanwhile: of the objects that a catalogue is read into all stay."""
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()


def _hash_files(folder: str, names: Iterable[str]) -> str:
    """Hash over names and bytes; one file at a time is held, for there may be very many."""
    digest = hashlib.sha256()
    for name in names:
        digest.update(name.encode() + b"\0" + _read_bytes(folder, name) + b"\0")
    return digest.hexdigest()


def _read_bytes(folder: str, name: str) -> bytes:
    """A file's bytes, and of one that is too large for a family's one more than it may have."""
    with open(os.path.join(folder, name), "rb") as file:
        usual = file.read(_USUAL_BYTES)  # to ask for the most at once costs a megabyte of memory for each
        return usual if len(usual) < _USUAL_BYTES else usual + file.read(MAX_FILE_BYTES + 1 - _USUAL_BYTES)


def _read_entry(folder: str, name: str, kind: type[Entry], digest: Any, errors: list[CatalogueError]) -> Any:
    """One file as an entry; None, with what is wrong appended to `errors`, where it cannot be."""
    raw = _read_bytes(folder, name)
    if len(raw) > MAX_FILE_BYTES:
        problem = f"more than {MAX_FILE_BYTES:,} bytes"
        errors.append(CatalogueError(name, "", problem, "One file describes one family; what is this one?"))
        return None
    digest.update(name.encode() + b"\0" + raw + b"\0")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        errors.append(CatalogueError(name, "", "it is not UTF-8 text", "Save it as UTF-8"))
        return None
    try:
        return kind.model_validate(_parse_toml(text))
    except tomllib.TOMLDecodeError as error:
        errors.append(_toml_error(name, text, error))
    except ValidationError as error:
        for one in own_errors(error):
            line, key, problem, remedy = explain_entry(kind, one, text)
            errors.append(CatalogueError(name, key, problem, remedy, line))
    except (RecursionError, ValueError):  # what Python's own parser raises beside its own class
        problem = "it is nested too deeply, or holds a number too long to be one"
        errors.append(CatalogueError(name, "", problem, "Compare it with a family file that works"))
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
    remedy = f"{_hint(shown, problem)}: {shown[:60]}" if shown else "Close every quote and bracket before it"
    return CatalogueError(file, "", f"it is not valid TOML ({problem})", remedy, line)


def _hint(line: str, problem: str) -> str:
    """What to do about a line that is no TOML: the slips of those who write it in a text program."""
    if re.search("[\u2018\u2019\u201a\u201c\u201d\u201e\u00ab\u00bb]", line):
        return 'Write straight quotes (") in this line'
    if re.search(r"=\s*[-+]?\d+,\d+\s*(#|$)", line):
        return "Write a point for the comma in this line"
    return "Put the text in quotes in this line" if problem == "Invalid value" else "Correct this line"
