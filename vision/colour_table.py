"""The colours that a plug housing can have, one row each: the only list of them.

A new colour is a row at the end. Rows are never moved or taken away: whatever was trained (the segmenter, the
matcher's error model) names a colour by its place here, and knows as many rows as it has numbers for. Of the
rows beyond it says nothing, and nothing is held for or against them: see `ErrorModel.taught`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import hypot
from typing import TYPE_CHECKING, Literal, TypeAlias

#: Two shades nearer to each other than this pass for one another where no row says so: the distance of
#: their middles in spreads of both. Our choice: seven of the eleven pairs that are given lie within it, and
#: no other pair of those rows.
PASSES_WITHIN = 3.0


@dataclass(frozen=True)
class Colour:
    """One colour.

    Attributes
    ----------
    code : str
        Of IEC 60757 (designation of colours).
    name : str
        In English, as the standard has it.
    lab : tuple of float
        Typical moulded shade, CIE L*a*b* (D65).
    strays : tuple of float
        How far units in use stray from it: standard deviations of L*, and of a* and b*.
    shown : tuple of int
        sRGB 0..255 that it is shown in; no part in recognising anything.
    passes_for : tuple of str or None
        Codes of rows above that age or light turn it into, or into it; None: those whose shades are near.
    common : float
        How often plugs have it, beside the others; seldom where nothing is known.
    """

    code: str
    name: str
    lab: tuple[float, float, float]
    strays: tuple[float, float]
    shown: tuple[int, int, int]
    passes_for: tuple[str, ...] | None = None
    common: float = 0.3


#: The shades of `lab` are from memory of common connector plastics; so is what passes for what (a yellowed
#: white is beige, a faded black is grey), and how common each is: dark and grey shells most (common practice,
#: no source). The standard fixes codes and names, not shades; those of `shown` are our choice for screens.
COLOURS = (
    Colour("BK", "black", (15, 0, 0), (12, 4), (28, 28, 31), (), 3),
    Colour("BN", "brown", (31, 14, 17), (9, 7), (128, 78, 36), ("BK",), 2),
    Colour("RD", "red", (42, 54, 34), (9, 12), (204, 36, 43), (), 1),
    Colour("OG", "orange", (60, 44, 58), (9, 12), (244, 122, 16), ("BN", "RD"), 0.3),
    Colour("YE", "yellow", (77, 6, 66), (10, 13), (246, 205, 30), ("OG",), 0.3),
    Colour("GN", "green", (44, -34, 20), (11, 12), (38, 148, 66), (), 1.5),
    Colour("BU", "blue", (36, 4, -40), (11, 12), (38, 102, 204), (), 1),
    Colour("VT", "violet", (36, 28, -28), (10, 10), (128, 62, 176), ("BU",), 1),
    Colour("GY", "grey", (52, -1, -1), (13, 4), (140, 145, 150), ("BK",), 3),
    Colour("WH", "white", (85, 0, 3), (9, 5), (247, 247, 243), ("YE", "GY"), 2),
    Colour("PK", "pink", (68, 36, 3), (9, 10), (240, 142, 178), ("RD",), 0.5),
    Colour("TQ", "turquoise", (56, -32, -12), (10, 10), (44, 186, 184), ("GN", "BU"), 0.3),
)
#: The last row that the network that ships was taught: its outputs are for the rows down to here.
LAST_TAUGHT = "TQ"

BY_CODE = {colour.code: colour for colour in COLOURS}
COLOUR_CODES: tuple[str, ...] = tuple(BY_CODE)
UNTAUGHT_CODES = COLOUR_CODES[COLOUR_CODES.index(LAST_TAUGHT) + 1 :]

if TYPE_CHECKING:
    ColourCode: TypeAlias = str
else:
    ColourCode = Literal[COLOUR_CODES]


def alike_pairs() -> Iterator[tuple[str, str]]:
    """Codes that pass for one another, the earlier row first."""
    for earlier, later in combinations(COLOURS, 2):
        given = later.passes_for
        if (_distance(earlier, later) < PASSES_WITHIN) if given is None else (earlier.code in given):
            yield earlier.code, later.code


def _distance(one: Colour, other: Colour) -> float:
    """Between the middles of two shades, in spreads of both."""
    spreads = [hypot(a, b) for a, b in zip(one.strays, other.strays, strict=True)]
    wide = (spreads[0], spreads[1], spreads[1])
    return hypot(*((a - b) / spread for a, b, spread in zip(one.lab, other.lab, wide, strict=True)))


def passes_for(code: str) -> tuple[str, ...]:
    """Codes of the colours that one may be taken for, in the order of the rows."""
    pairs = list(alike_pairs())
    near = {a if b == code else b for a, b in pairs if code in (a, b)}
    return tuple(other for other in COLOUR_CODES if other in near)


def name_colour(code: str) -> str:
    """A code with its name: "BU (blue)"."""
    return f"{code} ({BY_CODE[code].name})"
