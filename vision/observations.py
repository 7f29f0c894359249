"""What was seen in one photo: the only thing vision/ gives and models/ takes.

All polygons are in pixels of the decoded photo (EXIF turn applied), x to the right, y down, as
``((x, y), ...)``; of what the frame cuts off they may reach past it. Angles are degrees, counter-clockwise
positive as seen on the picture. An empty tuple means nothing was found; None means it was not measured.
`confidence` is a method's own opinion in 0..1 and is not calibrated; calibrated numbers are called
probability and exist only in models/.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from plugface.vision.colour_table import COLOUR_CODES

SIZE_CLASSES = ("S", "M", "L")

Polygon = tuple[tuple[float, float], ...]

#: What is smaller than this share of the largest unit's area is no unit. Chosen on the calibration split:
#: what was taken for a unit there and was none mostly lies below.
MIN_AREA_RATIO = 0.06
SizeClass = Literal["S", "M", "L"]
TextKind = Literal["cast", "printed", "scrawl"]
Face = Literal["front", "back", "unknown"]
WhiteBalanceMethod = Literal["label paper", "neutral metal", "statistics", "none"]


def check_share(name: str, value: float) -> None:
    """Refuse a share outside 0..1 with a sentence that names the field.

    Parameters
    ----------
    name : str
    value : float

    Raises
    ------
    ValueError
        If `value` is not within 0..1.
    """
    if not 0.0 <= value <= 1.0 + 1e-9:
        raise ValueError(f"{name} must lie in 0..1, got {value!r}")


def check_posterior(name: str, posterior: dict[str, float], codes: tuple[str, ...]) -> None:
    """Refuse a posterior with unknown codes or a sum that is not 1.

    Parameters
    ----------
    name : str
    posterior : dict of str to float
        Code to probability.
    codes : tuple of str
        Keys that may occur.

    Raises
    ------
    ValueError
        If a key is not one of `codes` or the values do not sum to 1 within 1e-3.
    """
    unknown = sorted(set(posterior) - set(codes))
    if unknown:
        raise ValueError(f"{name} has unknown codes {unknown}; known are {list(codes)}")
    total = sum(posterior.values())
    if abs(total - 1.0) > 1e-3:
        raise ValueError(f"{name} must sum to 1, got {total:.4f}")


def reading_order(points_xy: Sequence[tuple[float, float]], heights: Sequence[float]) -> tuple[int, ...]:
    """Canonical order of connectors: row by row from the top, each row from left to right.

    The highest centre leads a row (of equally high ones, the leftmost). To its row belongs every connector
    not yet placed whose centre lies lower by less than half the smaller of the two heights. The row is read
    from left to right, then the highest of those left leads the next row. The rule is our own choice; it
    depends on differences and ratios alone, so millimetres and pixels give the same order.

    Parameters
    ----------
    points_xy : sequence of (x, y), length n_connectors
        Centres seen with the cast mark upright, x to the right and y UP, in any one unit of length.
    heights : sequence of float, length n_connectors
        Extent of each housing along y in the same unit, turned as it stands on the face.

    Returns
    -------
    order : tuple of int, length n_connectors
        ``points_xy[order[0]]`` is connector 1, and so on.

    Raises
    ------
    ValueError
        If the two lengths differ.
    """
    if len(points_xy) != len(heights):
        raise ValueError(f"{len(points_xy)} centres need as many heights, got {len(heights)}")
    left = sorted(range(len(points_xy)), key=lambda i: (-points_xy[i][1], points_xy[i][0]))
    order: list[int] = []
    while left:
        lead = left[0]
        row = [
            i
            for i in left
            if i == lead or points_xy[lead][1] - points_xy[i][1] < min(heights[lead], heights[i]) / 2
        ]
        order += sorted(row, key=lambda i: points_xy[i][0])
        left = [i for i in left if i not in row]
    return tuple(order)


def best_colour(posterior: Mapping[str, float]) -> str | None:
    """The most probable code; None where all are as probable, as on a photo without colours."""
    if len(posterior) > 2 and max(posterior.values()) - min(posterior.values()) < 1e-6:
        return None
    return max(posterior, key=posterior.__getitem__)


FaultName = Literal["dark", "burnt", "blurred", "small", "glare", "mirrored", "colourless"]


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a photo, in words a person can act on."""

    name: FaultName
    measured: float
    limit: float
    message: str
    advice: str


@dataclass(frozen=True)
class Quality:
    """Measured quality of one photo."""

    width_px: int
    height_px: int
    median_luma: float  # 0..1, gamma-coded
    burnt_share: float  # share of pixels with a channel at its ceiling
    blur_px: float  # standard deviation of the edge spread, pixels
    faults: tuple[Fault, ...] = ()

    @property
    def usable(self) -> bool:
        """False when a fault forbids an answer from this photo."""
        return not any(f.name in {"dark", "burnt", "blurred", "small"} for f in self.faults)


@dataclass(frozen=True)
class WhiteBalance:
    """Gains that were applied to linear RGB, and where they came from."""

    gains_rgb: tuple[float, float, float]
    method: WhiteBalanceMethod
    confidence: float


@dataclass(frozen=True)
class Connector:
    """One connector housing; a plug still seated in it counts as the housing."""

    polygon: Polygon
    colour: dict[str, float]  # posterior over those of COLOUR_CODES that can be told
    size: dict[str, float]  # posterior over SIZE_CLASSES
    size_ratio: float | None  # long side of the housing / long side of its unit; None: on no unit
    confidence: float  # that this is a connector housing at all
    pins: tuple[int, int] | None = None  # rows, columns
    place: tuple[float, float] | None = None  # centre in the unit's own frame, -0.5..0.5, x right, y up
    mated: bool = False
    broken: bool = False  # only the stump of the housing is left; it tells its place and colour all the same
    method: str = ""

    def __post_init__(self) -> None:
        check_posterior("colour", self.colour, COLOUR_CODES)
        check_posterior("size", self.size, SIZE_CLASSES)
        check_share("confidence", self.confidence)


@dataclass(frozen=True)
class Character:
    """One character as read, with what else it might be (best first)."""

    options: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Text:
    """One line of text as read."""

    polygon: Polygon  # four corners: top-left, top-right, bottom-right, bottom-left of the text itself
    value: str
    confidence: float
    kind: TextKind
    height_px: float
    characters: tuple[Character, ...] = ()
    method: str = ""
    flip_evidence: float | None = None  # for this way round over its turn; None: not compared

    def __post_init__(self) -> None:
        check_share("confidence", self.confidence)


@dataclass(frozen=True)
class Code:
    """One barcode as decoded."""

    polygon: Polygon
    symbology: str
    payload: str
    check: Literal["verified", "none"]  # does the symbology carry an error check that held
    module_px: float | None = None
    method: str = ""


@dataclass(frozen=True)
class Body:
    """The unit's outline and surface, as far as they were measured."""

    aspect: float  # long side / short side of the outline
    colour: dict[str, float] = field(default_factory=dict)  # posterior as of a connector, or empty
    fins: dict[str, float] = field(default_factory=dict)  # posterior over "none", "half", "all", or empty


@dataclass(frozen=True)
class Unit:
    """One controller in the photo.

    `connectors` stand in canonical order: seen with the cast mark upright, row by row from the top, each row
    from left to right. Where the orientation could not be fixed, `other_order` holds the second reading
    (the unit turned by half a turn) as indices into `connectors`.
    """

    polygon: Polygon
    confidence: float
    face: dict[str, float]  # posterior over "front", "back"
    connectors: tuple[Connector, ...] = ()
    up_deg: float | None = None  # direction of the unit's own upward axis in the picture; 90 is up
    up_confidence: float = 0.0
    up_method: str = ""
    other_order: tuple[int, ...] | None = None
    texts: tuple[Text, ...] = ()
    codes: tuple[Code, ...] = ()
    body: Body | None = None
    method: str = ""

    def __post_init__(self) -> None:
        check_share("confidence", self.confidence)
        check_posterior("face", self.face, ("front", "back"))
        if self.other_order is not None and sorted(self.other_order) != list(range(len(self.connectors))):
            raise ValueError(
                f"other_order must be a permutation of {len(self.connectors)}, got {self.other_order}"
            )


@dataclass(frozen=True)
class Observations:
    """Everything seen in one photo."""

    photo_sha256: str
    quality: Quality
    white_balance: WhiteBalance
    units: tuple[Unit, ...] = ()
    texts: tuple[Text, ...] = ()  # outside every unit: a donor's plate, an id card
    codes: tuple[Code, ...] = ()
    loose: tuple[Connector, ...] = ()  # on no unit that was outlined: a close-up, or plugs that lie about
    notes: tuple[str, ...] = ()  # what could not be done, in words ("Tesseract was not found, ...")


def polygon_area(polygon: Polygon) -> float:
    """Area in square pixels (shoelace formula)."""
    shifted = polygon[1:] + polygon[:1]
    return 0.5 * abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(polygon, shifted, strict=True)))
