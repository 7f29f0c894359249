"""A letter that stands by itself on a label, in a box of its own perhaps: the revision beside a number.

The finder of text looks for lines, and one letter without neighbours is found less often: of 81 suffixes of
12 pixels or more on the demo's training and calibration photos eight were not, and shown its place the reader
read all but one of 81 (2026-12-01).
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import cv2
import numpy as np
from plugface.vision.geometry import as_polygon, cut_out, lies_on_any, map_back, side_lengths
from plugface.vision.observations import Polygon, Text
from plugface.vision.ocr.readers import LineReader

# All of these are our choice, made on the demo's training and calibration photos.
# The number beside which a letter counts: so many figures, and so sure.
_FIGURES, _SURE_NUMBER = 4, 0.9
# Height of that number's box in the picture that is searched; the photo is enlarged so much at most.
_LINE_PX, _MAX_LARGER = 28.0, 2.0
_SMOOTHING = 1 / 28  # of that height: grain is no ink
# How high a letter may be, and is most often, in heights of that box, which is roomy.
_LEAST_HEIGHT, _MOST_HEIGHT, _USUAL_HEIGHT = 0.35, 1.8, 0.65
# Its width in its own height, and how much of its box is ink at most.
_NARROW, _WIDE, _MOST_INK = 0.3, 1.3, 0.85
_CONTRAST = 0.45  # of the number's ink, from which a pixel is ink
# Nothing of its kind stands nearer, in its own height; that much higher or wider it is of another kind.
_ALONE, _HIGHER, _WIDER = 0.6, 1.6, 2.0
_MOST_APART = 2.0  # rows: how far above or below the number, in heights of its box
_FILLED_ROUND = 0.2  # a letter in a filled box has so much of it round itself at least, in its height
_MOST_ASKED = 6
_STRIP_PX = 48
# Of paper round a letter, in its height: a reader is sure of it, and of the same, in two of them at least.
_MARGINS, _SURE_LETTER = (0.2, 0.4, 0.6), 0.9
_SHAPES = frozenset("OQIL")  # a ring, a screw, a stroke, a corner read so


def read_lone_signs(
    grey: np.ndarray, corners: np.ndarray, texts: Sequence[Text], reader: LineReader
) -> list[Text]:
    """Capitals that stand by themselves on a label of which a number was read.

    Parameters
    ----------
    grey : uint8 ndarray, shape (H, W)
        The photo.
    corners : ndarray, shape (4, 2), photo pixels
        The label.
    texts : sequence of Text, photo pixels
        What was read on it.
    reader : LineReader

    Returns
    -------
    signs : list of Text, photo pixels
        Each one letter that runs as the number does; none where no number was read surely.
    """
    numbers = [
        text
        for text in texts
        if text.confidence >= _SURE_NUMBER and sum(c.isdigit() for c in text.value) >= _FIGURES
    ]
    if not numbers:
        return []
    number = max(numbers, key=lambda text: text.height_px)
    line = np.asarray(number.polygon, np.float32)
    scale = min(_LINE_PX / max(side_lengths(line)[1], 1.0), _MAX_LARGER)
    level, to_photo = cut_out(grey, _frame_along(line, corners), scale=scale)
    to_level = np.linalg.inv(to_photo)
    known = [as_polygon(map_back(np.asarray(text.polygon), to_level)) for text in texts]
    places = _find_places(level, map_back(line, to_level), known)
    boxes = [map_back(place, to_photo).astype(np.float32) for place in places]
    strips = [cut_out(grey, box, height_px=_STRIP_PX, margin=m)[0] for box in boxes for m in _MARGINS]
    readings = reader.read_strips(strips) if strips else []
    signs = []
    for k, box in enumerate(boxes):
        of_box = readings[k * len(_MARGINS) : (k + 1) * len(_MARGINS)]
        sure = [reading for reading in of_box if reading.confidence >= _SURE_LETTER]
        if len(sure) > 1 and len({reading.value for reading in sure}) == 1 and _is_letter(sure[0].value):
            least = min(sure, key=lambda reading: reading.confidence)
            signs.append(replace(least.placed(box, "printed"), polygon=as_polygon(box)))
    return signs


def _is_letter(value: str) -> bool:
    """A capital: a figure by itself is torn off a line more often than it tells a revision."""
    return len(value) == 1 and value.isascii() and value.isupper() and value not in _SHAPES


def _frame_along(line: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """The label in a box that runs as a line of text does, (4, 2) float32."""
    along = line[1] - line[0]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    across = np.array([-along[1], along[0]])
    u, v = corners @ along, corners @ across
    ends = ((u.min(), v.min()), (u.max(), v.min()), (u.max(), v.max()), (u.min(), v.max()))
    return np.asarray([a * along + b * across for a, b in ends], np.float32)


def _find_places(level: np.ndarray, number: np.ndarray, known: Sequence[Polygon]) -> list[np.ndarray]:
    """Boxes (4, 2) of what has a letter's size and stands by itself, those of the usual size first.

    `number` (4, 2) is the number's box and `known` what was read, in pixels of `level`.
    """
    inside = np.zeros(level.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.asarray(np.rint(number), np.int32), (1,))
    if not inside.any():
        return []
    line_px = side_lengths(number)[1]
    smooth = cv2.GaussianBlur(level, (0, 0), line_px * _SMOOTHING)
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (round(line_px) | 1,) * 2)
    hats = [cv2.morphologyEx(smooth, way, kernel) for way in (cv2.MORPH_BLACKHAT, cv2.MORPH_TOPHAT)]
    least = _CONTRAST * max(float(np.quantile(hat[inside > 0], 0.9)) for hat in hats)
    rim = inside - cv2.erode(inside, np.ones((3, 3), np.uint8))  # paper, for the number's box is roomy
    paper, ink = float(np.median(smooth[rim > 0])), float(smooth[inside > 0].mean())
    as_number = hats[0] if ink < paper else hats[1]
    middle = float(number[:, 1].mean())
    places = [
        place
        for hat in hats
        for place in _letters_in(hat >= max(least, 1.0), line_px, known)
        if abs(place[1][:, 1].mean() - middle) <= _MOST_APART * line_px
        and (hat is as_number or _in_filled_box(smooth, place[1], (paper + ink) / 2, dark=ink < paper))
    ]
    return [box for _, box in sorted(places, key=lambda place: place[0])[:_MOST_ASKED]]


def _in_filled_box(picture: np.ndarray, box: np.ndarray, limit: float, *, dark: bool) -> bool:
    """Whether the corners of a roomier box are filled, too: of a round sign they are paper."""
    reach = _FILLED_ROUND * (box[2, 1] - box[0, 1])
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    x, y = np.rint(box + reach * signs).astype(int).T
    if min(x.min(), y.min()) < 0 or x.max() >= picture.shape[1] or y.max() >= picture.shape[0]:
        return False
    return bool((picture[y, x] < limit).all() if dark else (picture[y, x] > limit).all())


def _letters_in(
    ink: np.ndarray, line_px: float, known: Sequence[Polygon]
) -> Iterator[tuple[float, np.ndarray]]:
    """How unusual in size, and the box, of each piece of ink that may be a letter by itself."""
    _, _, pieces, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    pieces = pieces[1:]  # without the ground
    pieces = pieces[pieces[:, cv2.CC_STAT_HEIGHT] >= 0.5 * _LEAST_HEIGHT * line_px]
    for piece in pieces:
        x, y, width, height, area = (int(value) for value in piece)
        cut_off = min(x, y) <= 1 or x + width >= ink.shape[1] - 1 or y + height >= ink.shape[0] - 1
        if (
            _LEAST_HEIGHT * line_px <= height <= _MOST_HEIGHT * line_px
            and _NARROW * height <= width <= _WIDE * height
            and area / (width * height) <= _MOST_INK
            and not cut_off
        ):
            box = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], float)
            if not lies_on_any(box, known) and not _has_company((x, y, width, height), pieces):
                yield abs(float(np.log(height / (_USUAL_HEIGHT * line_px)))), box


def _has_company(box: tuple[int, int, int, int], pieces: np.ndarray) -> bool:
    """Whether a piece of its kind stands before, behind or in it: then it is of a word, or a frame."""
    x, y, width, height = box
    left, top, wide, high = (pieces[:, k] for k in range(4))
    itself = (left == x) & (top == y) & (wide == width) & (high == height)
    alike = (high > 0.5 * height) & (high < _HIGHER * height) & (wide < _WIDER * height)
    near = (left < x + width + _ALONE * height) & (left + wide > x - _ALONE * height)
    in_row = np.minimum(top + high, y + height) - np.maximum(top, y) > 0.5 * np.minimum(high, height)
    within = (left > x) & (top > y) & (left + wide < x + width) & (top + high < y + height)
    return bool((((alike & near & in_row) | within) & ~itself).any())
