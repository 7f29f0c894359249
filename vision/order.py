"""The unit's own frame and the canonical order of its connectors, however the phone was held."""

import cv2
import numpy as np

from vision.observations import Polygon, reading_order

#: Under this certainty of the upward direction both readings are kept. The certainty is the length of the
#: mean
#: direction vector that the segmenter gives: 1 when all pixels agree, 0 when up and down are equally likely.
FIXED_UP = 0.5


def own_frame(points: np.ndarray, up_deg: float) -> np.ndarray:
    """Picture points (N, 2), y down, in the unit's frame: x right, y up, same lengths."""
    up = np.radians(up_deg)
    right_axis, up_axis = np.array([np.sin(up), np.cos(up)]), np.array([np.cos(up), -np.sin(up)])
    return np.asarray(points, float) @ np.column_stack([right_axis, up_axis])


def order_connectors(polygons: list[Polygon], up_deg: float) -> tuple[int, ...]:
    """Canonical order of connectors for a given upward direction; indices into `polygons`."""
    if not polygons:
        return ()
    framed = [own_frame(np.asarray(p), up_deg) for p in polygons]
    centres = [tuple((f.min(0) + f.max(0)) / 2) for f in framed]
    return reading_order(centres, [float(np.ptp(f[:, 1])) for f in framed])


def other_reading(polygons: list[Polygon], order: tuple[int, ...], up_deg: float) -> tuple[int, ...]:
    """The order with the unit turned by half a turn, as indices into the connectors in `order`."""
    turned = order_connectors(polygons, up_deg + 180)
    return tuple(order.index(i) for i in turned)


def place_in_unit(polygon: Polygon, unit: Polygon, up_deg: float) -> tuple[float, float]:
    """Centre of a connector in its unit's frame, as shares of the unit's extent, -0.5..0.5, x right, y up."""
    frame = own_frame(np.asarray(unit), up_deg)
    low, high = frame.min(0), frame.max(0)
    centre = own_frame(np.asarray(polygon), up_deg).mean(0)
    x, y = np.clip((centre - (low + high) / 2) / np.maximum(high - low, 1e-6), -0.5, 0.5)
    return float(x), float(y)


def fix_up(
    up: tuple[float, float], outline: Polygon, reading_deg: float | None, reading_confidence: float
) -> tuple[float, float, str]:
    """Weigh the segmenter's upward direction against that of text that was read.

    Where the segmenter is unsure, a unit is taken to lie with its longer side across (common practice, no
    source); which of the two long sides is the upper one then stays as open as the segmenter left it.

    Parameters
    ----------
    up : (x, y), x right, y up
        Its length is the certainty.
    outline : of the unit, y down
    reading_deg : degrees or None
        Upward direction of a mark or label line, 90 is up.
    reading_confidence : 0..1
        Of the text that was read that way up.

    Returns
    -------
    up_deg, confidence, method
    """
    vector, method = np.asarray(up, float), "shape"
    if np.hypot(*vector) < FIXED_UP:
        across = _long_side(outline)
        axis = np.array([across[1], across[0]])  # a quarter turn, and from y down to y up
        vector = np.hypot(*vector) * axis * (1.0 if axis @ vector >= 0 else -1.0)
    if reading_deg is not None:
        angle = np.radians(reading_deg)
        vector = vector + 1.5 * reading_confidence * np.array([np.cos(angle), np.sin(angle)])
        method = "shape and text"
    length = float(np.hypot(*vector))
    return float(np.degrees(np.arctan2(vector[1], vector[0])) % 360), min(1.0, length), method


def _long_side(outline: Polygon) -> np.ndarray:
    """Direction (2,) of the longer side of the smallest rectangle about an outline."""
    corners = cv2.boxPoints(cv2.minAreaRect(np.asarray(outline, np.float32)))
    sides = corners[1] - corners[0], corners[2] - corners[1]
    longer = max(sides, key=lambda side: float(np.hypot(*side)))
    return longer / max(float(np.hypot(*longer)), 1e-6)
