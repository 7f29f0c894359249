"""Plugs like one that was found: of a row of the same plug the network often outlines a few alone.

What was found is moved over the photo as it is, and where that looks much like it there may be one more. It
is a proposal and no more: a second look has to believe it, and its colour is measured by itself, for two
families may differ by the colour of one plug in a row.

References
----------
Lewis, "Fast normalized cross-correlation", Vision Interface (1995), as in OpenCV's `TM_CCOEFF_NORMED`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from plugface.vision.geometry import overlap, shrunk

#: Long side of the picture that is searched, pixels: of 1,008, 768 and 640, in grey and in colours, all find
#: as many plugs on real photographs of the calibration split, and this takes a tenth of the time.
SEARCHED_PX = 640
#: Least correlation with what was found. Chosen on real photographs of the calibration split.
MIN_LIKENESS = 0.55
#: Short side below which nothing can be recognised, in pixels of that picture; contrast (standard deviation
#: of its values) below which a plain face is like any other; share of the picture from which on there is no
#: room for one more. Our choices.
_MIN_PX, _MIN_CONTRAST, _MAX_AREA = 8, 6.0, 0.15
#: Most places of one plug, and of all together: each costs a second look. Our choice.
_MOST_OF_ONE, _MOST = 16, 40
#: Two places of one plug lie at least so far apart, shares of its sides.
_APART = 0.6
#: Share of their union from which on a place is that of a surer one, and from which on it lies across what
#: was found: plugs side by side do not.
_SAME, ACROSS = 0.3, 0.05


@dataclass(frozen=True)
class Repeat:
    """A place that looks like a plug that was found."""

    outline: np.ndarray  # float (n_corners, 2), pixels of the picture that was given
    likeness: float  # correlation, MIN_LIKENESS..1


def find_repeats(rgb: np.ndarray, outlines: Sequence[np.ndarray]) -> list[Repeat]:
    """Places of a picture that look like one of these plugs, the same way round, those most like it first.

    Parameters
    ----------
    rgb : uint8 ndarray (h, w, 3), sRGB
    outlines : sequence of float ndarray (n_corners, 2), pixels of `rgb`
        Plugs that were found.

    Returns
    -------
    repeats : list of Repeat
        None where one of these plugs lies, and each once.
    """
    if not len(outlines):
        return []
    picture = cv2.cvtColor(shrunk(rgb, SEARCHED_PX), cv2.COLOR_RGB2GRAY)
    scale = picture.shape[1] / rgb.shape[1]
    places = [place for each in outlines for place in _places(picture, np.asarray(each) * scale)]
    found = [Repeat(outline / scale, likeness) for likeness, outline in places]
    kept: list[Repeat] = []
    for repeat in sorted(found, key=lambda r: -r.likeness):
        known = any(overlap(repeat.outline, outline) >= ACROSS for outline in outlines)
        if not known and all(overlap(repeat.outline, other.outline) < _SAME for other in kept):
            kept.append(repeat)
    return kept[:_MOST]


def _places(picture: np.ndarray, outline: np.ndarray) -> list[tuple[float, np.ndarray]]:
    """Correlation and moved outline of each place that looks like this one, in pixels of the picture."""
    h, w = picture.shape
    x0, y0 = np.maximum(np.floor(outline.min(axis=0)).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(outline.max(axis=0)).astype(int), (w, h))
    across, down = x1 - x0, y1 - y0
    if min(across, down) < _MIN_PX or across * down > _MAX_AREA * w * h:
        return []
    cut = picture[y0:y1, x0:x1]
    if cut.std() < _MIN_CONTRAST:
        return []
    like = cv2.matchTemplate(picture, cut, cv2.TM_CCOEFF_NORMED)
    places: list[tuple[float, np.ndarray]] = []
    while len(places) < _MOST_OF_ONE:
        _, best, _, (x, y) = cv2.minMaxLoc(like)
        if best < MIN_LIKENESS:
            break
        places.append((float(best), outline + np.array([x - x0, y - y0])))
        beside, below = int(_APART * across), int(_APART * down)
        like[max(0, y - below) : y + below + 1, max(0, x - beside) : x + beside + 1] = -1.0
    return places
