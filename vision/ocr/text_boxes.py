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
    """Boxes of text lines, by a differentiable-binarisation network.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    max_side : int, pixels
        The picture is reduced to this long side first; text under some 7 px high is lost by then.

    Returns
    -------
    boxes : tuple of TextBox
        In pixels of `picture`, best score first; empty where nothing was found.

    References
    ----------
    Liao et al., AAAI 34 (2020) 11474-11481 (differentiable binarisation).
    """
    ink, scale_x, scale_y = _ink_map(picture, max_side)
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


def _ink_map(picture: np.ndarray, max_side: int) -> tuple[np.ndarray, float, float]:
    """Probability of text per pixel of a reduced picture, and the factors back to the picture's pixels."""
    height, width = picture.shape[:2]
    shrink = min(1.0, max_side / max(height, width))
    # The network halves five times: sides must be multiples of 32.
    size = [max(32, round(side * shrink / 32) * 32) for side in (width, height)]
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if shrink < 1 else cv2.INTER_LINEAR)
    ink = np.empty(small.shape[:2], np.float32)
    for rows, own_rows in _tiles(size[1]):
        for columns, own_columns in _tiles(size[0]):
            tile = _ink_of(small[rows, columns])
            ink[own_rows, own_columns] = tile[_within(own_rows, rows), _within(own_columns, columns)]
    return ink, width / size[0], height / size[1]


def _tiles(side: int) -> list[tuple[slice, slice]]:
    """Overlapping stretches of a side, a multiple of 32, and the part of each that is its own."""
    count = ceil((side - _TILE_OVERLAP_PX) / (_TILE_PX - _TILE_OVERLAP_PX)) if side > _TILE_PX else 1
    length = 32 * ceil((side + (count - 1) * _TILE_OVERLAP_PX) / (32 * count))
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
