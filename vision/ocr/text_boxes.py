"""Where text stands: boxes at any angle, cut out upright.

A strip is one line of text cut out of the photo and turned level; its box keeps the way back.
"""

from dataclasses import dataclass
from itertools import pairwise
from math import ceil

import cv2
import numpy as np
from plugface.vision.geometry import level_corners, side_lengths
from plugface.vision.observations import TextKind
from plugface.vision.onnx import Session, load_network, packaged_network

_DETECTOR_FILE = "PP-OCRv6_det_small.onnx"
# Settings of the detector's own package for this network, but for the smallest side, which is ours.
_INK_PROBABILITY, _BOX_SCORE, _UNCLIP, _MIN_SIDE_PX = 0.3, 0.5, 1.6, 4.0

#: A picture with a longer side is given to the detector in tiles, one after the other: a run takes some 280
#: bytes a pixel: 346 MB at 1,280 x 960, 78 MB in a tile of that (2026-11-29). What lies in the middle of an
#: overlap is seen with half of it round it. Our choice.
_TILE_PX, _TILE_OVERLAP_PX = 640, 96
#: Most pixels of a tile where small print is looked for: as many as 1,280 x 960 have in each of its six.
_SMALL_TILE_PIXELS = 544 * 512

#: Where a search found traces of text of this probability a closer one is worth while. With two cells round
#: them, of 192 lines that a search of 52 real photographs of the training and calibration parts finds at
#: 1,280 px, none is lost round the traces at 512 or 960 px (0.74 and 0.82 of the pixels); with 0.002 at
#: 512 px three are, with 0.005 ten (2026-11-29).
_TRACE = 0.001

_CELL_PX = 32  # the network halves five times: the sides of what it is given are multiples of this
# So many cells round a trace are looked at, and so many more cost as much as a run more. Our choice.
_ROUND_TRACE_CELLS, _RUN_COST_CELLS = 2, 6

#: A box not longer than this times its height may hold a letter by itself: a narrow one is half as wide as
#: high, and boxes are drawn roomily. Our choice.
STUBBY = 2.0

#: Share of a strip's variance that two tones explain. On drawn labels it was 0.80 to 0.94, on relief drawn
#: with lights from five sides 0.70 to 0.80; photographs may move it.
_TWO_TONES = 0.81


@dataclass(frozen=True, eq=False)
class TextBox:
    """A level box of text in some picture; reading direction along its long side, either way."""

    corners: np.ndarray  # float32, shape (4, 2), pixels: top-left, top-right, bottom-right, bottom-left
    score: float  # 0..1, that there is text here at all

    @property
    def size(self) -> tuple[float, float]:
        """Length along the text and height across it, pixels."""
        return side_lengths(self.corners)

    @property
    def is_stubby(self) -> bool:
        """So short that it may hold a sign or two that run along its short side."""
        length, height = self.size
        return length < STUBBY * height


def load_detector() -> Session:
    """The network that finds text.

    Raises
    ------
    BrokenNetwork
        If its package is not installed, or its file is damaged.
    """
    return load_network(packaged_network(_DETECTOR_FILE))


def find_text(picture: np.ndarray, *, max_side: int = 960) -> tuple[TextBox, ...]:
    """Boxes round lines of text in a picture, as `search_text` finds them.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    max_side : int, pixels
        The picture is reduced to this long side first; text under some 7 px high is lost by then.

    Returns
    -------
    boxes : tuple of TextBox
        In pixels of `picture`, best score first; empty where nothing was found.
    """
    return search_text(picture, max_side=max_side)[0]


def search_text(
    picture: np.ndarray, *, max_side: int = 960, traces: np.ndarray | None = None
) -> tuple[tuple[TextBox, ...], np.ndarray]:
    """Boxes round lines of text in a picture, and where there is any trace of text.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    max_side : int, pixels
        The picture is reduced to this long side first; text under some 7 px high is lost by then.
    traces : float ndarray, shape (h, w), optional
        What a search in fewer pixels gave for the same picture: text is sought round its traces alone.

    Returns
    -------
    boxes : tuple of TextBox
        In pixels of `picture`, best score first; empty where nothing was found.
    traces : float32 ndarray, shape (h, w)
        Probability of text per pixel of the reduced picture, 0 where none was sought.

    References
    ----------
    Liao et al., AAAI 34 (2020) 11474-11481 (differentiable binarisation).
    """
    small, scale_x, scale_y = _brought_down(picture, max_side)
    if traces is None:
        ink = _ink_in_tiles(small)
    else:
        height, width = small.shape[:2]
        ink = np.zeros((height, width), np.float32)
        for part in trace_parts(traces, (height, width)):
            ink[part] = _ink_in_tiles(small[part], _SMALL_TILE_PIXELS)
    return _boxes_of(ink, scale_x, scale_y), ink


def trace_parts(traces: np.ndarray, shape: tuple[int, int]) -> list[tuple[slice, slice]]:
    """Parts of a picture with some room round every trace of text.

    Parameters
    ----------
    traces : float ndarray, shape (h, w)
        Probability of text in a smaller copy of the picture.
    shape : (int, int)
        Height and width of the picture, multiples of 32.

    Returns
    -------
    parts : list of (rows, columns)
        Slices with sides that are multiples of 32; two are one where that costs less than another run.
    """
    spread = cv2.resize((traces > _TRACE).astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR) > 0
    cell = _CELL_PX
    cells = spread.reshape(shape[0] // cell, cell, shape[1] // cell, cell).any(axis=(1, 3))
    roomy = cv2.dilate(np.asarray(cells, np.uint8), np.ones((2 * _ROUND_TRACE_CELLS + 1,) * 2, np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(roomy)
    parts = [(x, y, x + width, y + height) for x, y, width, height, _ in stats[1:].tolist()]
    while (pair := _cheaper_together(parts)) is not None:
        one, other = (parts.pop(k) for k in pair)
        parts.append(_round_both(one, other))
    return [(slice(y0 * cell, y1 * cell), slice(x0 * cell, x1 * cell)) for x0, y0, x1, y1 in parts]


def _cheaper_together(parts: list[tuple[int, int, int, int]]) -> tuple[int, int] | None:
    """Places in the list of two boxes that one run does for, the later first; None where there are none."""
    for k, one in enumerate(parts):
        for i, other in enumerate(parts[:k]):
            x0, y0, x1, y1 = both = _round_both(one, other)
            fits = max(x1 - x0, y1 - y0) * _CELL_PX <= _TILE_PX
            if fits and _cells_of(both) <= _cells_of(one) + _cells_of(other) + _RUN_COST_CELLS:
                return k, i
    return None


def _cells_of(box: tuple[int, int, int, int]) -> int:
    return (box[2] - box[0]) * (box[3] - box[1])


def _round_both(
    one: tuple[int, int, int, int], other: tuple[int, int, int, int]
) -> tuple[int, int, int, int]:
    return min(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), max(one[3], other[3])


def _boxes_of(ink: np.ndarray, scale_x: float, scale_y: float) -> tuple[TextBox, ...]:
    """Boxes round what is likely text in a map of a reduced picture, in pixels of the picture."""
    mask = cv2.dilate((ink > _INK_PROBABILITY).astype(np.uint8), np.ones((2, 2), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    boxes = []
    for contour in contours:
        centre, size, angle = cv2.minAreaRect(contour)
        if min(size) < _MIN_SIDE_PX:
            continue
        score = _mean_inside(ink, cv2.boxPoints((centre, size, angle)))
        if score < _BOX_SCORE:
            continue
        grown = _UNCLIP * size[0] * size[1] / (2 * (size[0] + size[1]))
        rect = (centre, (size[0] + 2 * grown, size[1] + 2 * grown), angle)
        corners = cv2.boxPoints(rect) * (scale_x, scale_y)
        boxes.append(TextBox(level_corners(corners), score))
    return tuple(sorted(boxes, key=lambda box: -box.score))


def _brought_down(picture: np.ndarray, max_side: int) -> tuple[np.ndarray, float, float]:
    """A reduced picture as the network takes it, and the factors back to the picture's pixels."""
    height, width = picture.shape[:2]
    shrink = min(1.0, max_side / max(height, width))
    size = [max(_CELL_PX, round(side * shrink / _CELL_PX) * _CELL_PX) for side in (width, height)]
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if shrink < 1 else cv2.INTER_LINEAR)
    return small, width / size[0], height / size[1]


def _ink_in_tiles(small: np.ndarray, most_pixels: int | None = None) -> np.ndarray:
    """Probability of text per pixel of a reduced picture, tile by tile where it is large."""
    height, width = small.shape[:2]
    ink = np.empty((height, width), np.float32)
    for rows, own_rows in _tiles(height, _TILE_PX):
        widest = _TILE_PX
        if most_pixels is not None:
            widest = min(widest, most_pixels // (rows.stop - rows.start) // _CELL_PX * _CELL_PX)
        for columns, own_columns in _tiles(width, widest):
            tile = _ink_of(small[rows, columns])
            ink[own_rows, own_columns] = tile[_within(own_rows, rows), _within(own_columns, columns)]
    return ink


def _tiles(side: int, most: int) -> list[tuple[slice, slice]]:
    """Overlapping stretches of a side, at most so long, and the part of each that is its own."""
    count = ceil((side - _TILE_OVERLAP_PX) / (most - _TILE_OVERLAP_PX)) if side > most else 1
    length = _CELL_PX * ceil((side + (count - 1) * _TILE_OVERLAP_PX) / (_CELL_PX * count))
    starts = [round(k * (side - length) / max(1, count - 1)) for k in range(count)]
    cuts = [0, *((start + length + following) // 2 for start, following in pairwise(starts)), side]
    return [
        (slice(start, start + length), slice(*cut)) for start, cut in zip(starts, pairwise(cuts), strict=True)
    ]


def _within(part: slice, whole: slice) -> slice:
    return slice(part.start - whole.start, part.stop - whole.start)


def _ink_of(small: np.ndarray) -> np.ndarray:
    """Probability of text per pixel of a picture whose sides are multiples of 32."""
    if small.ndim == 2:
        small = cv2.cvtColor(small, cv2.COLOR_GRAY2BGR)
    else:
        small = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)  # it was trained on blue first
    fed = (small.astype(np.float32) / 127.5 - 1.0).transpose(2, 0, 1)[None]
    session = load_detector()
    return session.run(None, {session.get_inputs()[0].name: fed})[0][0, 0]


def _mean_inside(ink: np.ndarray, corners: np.ndarray) -> float:
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.ceil(corners.max(axis=0)).astype(int) + 1
    part = ink[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(corners - low).astype(np.int32)], (1,))
    return float(cv2.mean(part, mask)[0])


def classify_kind(strip: np.ndarray) -> TextKind:
    """Guess from one strip how its text was made, where no region class says so.

    Print is two flat tones, ink and paper, so that one threshold parts them and explains nearly all of the
    variance. Cast letters have the metal's own tone inside and out, and only their flanks are lighter or
    darker. Scrawl is two tones as well; that part is left to the region class.

    Parameters
    ----------
    strip : uint8 ndarray, shape (h, w) or (h, w, 3)

    References
    ----------
    Otsu, IEEE Trans. SMC 9 (1979) 62-66: the share of the variance that lies between the two classes.
    """
    grey = strip if strip.ndim == 2 else cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)
    values = cv2.GaussianBlur(grey, (0, 0), 1.0)
    limit, _ = cv2.threshold(values, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    light = values > limit
    share, variance = float(light.mean()), float(values.var())
    if variance < 1e-6 or share in {0.0, 1.0}:
        return "printed"
    between = share * (1 - share) * (float(values[light].mean()) - float(values[~light].mean())) ** 2
    return "printed" if between / variance > _TWO_TONES else "cast"
