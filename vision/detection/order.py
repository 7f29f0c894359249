"""The unit's own frame and the canonical order of its connectors, however the phone was held."""

import cv2
import numpy as np
from plugface.vision.observations import Polygon, reading_order

#: Under this certainty of which way is up both readings are kept. Our choice.
ORIENTATION_RESOLVED = 0.5
#: Under this length of the segmenter's axis vector the outline tells the axis. Our choice.
_FIXED_AXIS = 0.5
#: What a sure reading counts against a sure axis. Our choice.
_READING_WEIGHT = 1.5
#: A line between two housings that runs so near to level joins two of one row. Chosen on true outlines of the
#: train and calibration splits and of renders held back: of 382 fronts with several housings 365 came out in
#: order so, 347 with rows across the upward direction alone.
_NEARLY_LEVEL_DEG = 12.0
#: An edge that is farther off the others counts less: the box about a seated plug with its cable lies askew.
#: Of 455 fronts with outlines as found, 426 came out in order so and 421 by the plain mean.
_USUAL_SPREAD_DEG = 3.0
#: What an edge of the unit counts against one of a housing that is as long: it is longer than all of them,
#: and may be no edge but a corner or an ear. Of 735 fronts with outlines as found 658 came out in order so,
#: 653 without it.
_UNIT_WEIGHT = 0.5
_ROBUST_ROUNDS = 6
_NO_LINES = np.empty((0, 2))


def own_frame(points: np.ndarray, up_deg: float) -> np.ndarray:
    """Picture points (N, 2), y down, in the unit's frame: x right, y up, same lengths.

    Parameters
    ----------
    points : float ndarray, shape (N, 2), picture pixels, y down
    up_deg : float, degrees
        Counter-clockwise, 90 is up on the picture.

    Returns
    -------
    turned : float ndarray, shape (N, 2), pixels, y up
    """
    up = np.radians(up_deg)
    right_axis, up_axis = np.array([np.sin(up), np.cos(up)]), np.array([np.cos(up), -np.sin(up)])
    return np.asarray(points, float) @ np.column_stack([right_axis, up_axis])


def order_connectors(polygons: list[Polygon], up_deg: float, unit: Polygon | None = None) -> tuple[int, ...]:
    """Canonical order of connectors for a given upward direction; indices into `polygons`.

    Rows run along the edges of the housings, and of the unit where its outline is given, near across
    `up_deg`: seen aslant, or with an upward direction some degrees off, a row would else fall apart into
    steps and be read from the wrong end.

    Parameters
    ----------
    polygons : list of Polygon, photo pixels
    up_deg : float, degrees
        Counter-clockwise, 90 is up on the picture.
    unit : Polygon, photo pixels, optional

    Returns
    -------
    order : tuple of int, length n_connectors
    """
    if not polygons:
        return ()
    rows_up_deg = _up_of_rows(polygons, up_deg, unit)
    framed = [own_frame(np.asarray(p), rows_up_deg) for p in polygons]
    centres = [tuple((f.min(0) + f.max(0)) / 2) for f in framed]
    return reading_order(centres, [float(np.ptp(f[:, 1])) for f in framed])


def _up_of_rows(polygons: list[Polygon], up_deg: float, unit: Polygon | None) -> float:
    """The upward direction for which rows of housings run level, degrees.

    First by all edges, then by the lines between their centres as well, where these run
    nearly level: housings of one row stand farther apart than an edge is long.
    """
    boxes = [cv2.minAreaRect(np.asarray(polygon, np.float32)) for polygon in polygons]
    edges = np.concatenate([_edges(box) for box in boxes])
    if unit is not None:
        outline = cv2.minAreaRect(np.asarray(unit, np.float32))
        edges = np.concatenate([edges, _UNIT_WEIGHT * _edges(outline)])
    centres = np.array([box[0] for box in boxes])
    first, second = np.triu_indices(len(centres), 1)
    between = centres[second] - centres[first]
    level = up_deg - 90
    level += _mean_turn(edges, level)
    level += _mean_turn(edges, level, between[np.abs(_turns(between, level, 180)) < _NEARLY_LEVEL_DEG])
    return level + 90


def _edges(box: tuple) -> np.ndarray:
    """Two sides (2, 2) of a box as `cv2.minAreaRect` gives it, one after the other."""
    return np.diff(cv2.boxPoints(box)[:3], axis=0)


def _turns(vectors: np.ndarray, level_deg: float, period_deg: float) -> np.ndarray:
    """Angles of vectors (N, 2), y down, from level, the nearest of those a period apart; degrees."""
    angles = np.degrees(np.arctan2(-vectors[:, 1], vectors[:, 0]))
    return (angles - level_deg + period_deg / 2) % period_deg - period_deg / 2


def _mean_turn(edges: np.ndarray, level_deg: float, lines: np.ndarray = _NO_LINES) -> float:
    """Robust mean (Huber, 1964) of the angles of edges, each with its three others a quarter turn apart, and
    of lines.

    Each counts with its length; edges of what is nearly square with less, for its box lies as the outline's
    corners happen to be.

    Parameters
    ----------
    edges : shape (2 * n_boxes, 2), two sides of each box after one another
    """
    turns = np.concatenate([_turns(edges, level_deg, 90), _turns(lines, level_deg, 180)])
    lengths = np.hypot(*np.concatenate([edges, lines]).T)
    sides = lengths[: len(edges)].reshape(-1, 2)
    longish = np.clip(2 * np.ptp(sides, axis=1) / np.maximum(sides.max(axis=1), 1e-9), 0.05, 1)
    lengths[: len(edges)] *= np.repeat(longish, 2)
    mean = 0.0
    for _ in range(_ROBUST_ROUNDS):
        weights = lengths * np.minimum(1, _USUAL_SPREAD_DEG / np.maximum(np.abs(turns - mean), 1e-9))
        mean = float((turns * weights).sum() / max(weights.sum(), 1e-9))
    return mean


def other_reading(
    polygons: list[Polygon], order: tuple[int, ...], up_deg: float, unit: Polygon | None = None
) -> tuple[int, ...]:
    """The order with the unit turned by half a turn, as indices into the connectors in `order`.

    Parameters
    ----------
    polygons : list of Polygon, photo pixels
    order : tuple of int
        As `order_connectors` gives it for `up_deg`.
    up_deg : float, degrees
        Counter-clockwise, 90 is up on the picture.
    unit : Polygon, photo pixels, optional

    Returns
    -------
    order : tuple of int, length n_connectors
    """
    turned = order_connectors(polygons, up_deg + 180, unit)
    return tuple(order.index(i) for i in turned)


def place_in_unit(polygon: Polygon, unit: Polygon, up_deg: float) -> tuple[float, float]:
    """Centre of a connector in its unit's frame, as shares of the unit's extent, -0.5..0.5, x right, y up.

    Parameters
    ----------
    polygon, unit : Polygon, photo pixels
    up_deg : float, degrees
        Counter-clockwise, 90 is up on the picture.

    Returns
    -------
    place : tuple of float, (x, y)
    """
    frame = own_frame(np.asarray(unit), up_deg)
    low, high = frame.min(0), frame.max(0)
    centre = own_frame(np.asarray(polygon), up_deg).mean(0)
    x, y = np.clip((centre - (low + high) / 2) / np.maximum(high - low, 1e-6), -0.5, 0.5)
    return float(x), float(y)


def resolve_orientation(
    axis: tuple[float, float], outline: Polygon, reading_deg: float | None, reading_confidence: float
) -> tuple[float, float, str]:
    """Weigh the segmenter's axis against text that was read.

    Nothing but text tells one way along the axis from the other. Where the segmenter is unsure, a unit is
    taken to lie with its longer side across (common practice, no source).

    Parameters
    ----------
    axis : (cosine, sine) of twice the angle of up, y up
        Its length is the certainty.
    outline : of the unit, y down
    reading_deg : degrees or None
        Upward direction of a mark or label line, 90 is up.
    reading_confidence : 0..1
        Of the text that was read that way up.

    Returns
    -------
    up_deg, confidence, method
        The confidence is that of the way round: 0 where nothing was read.
    """
    certainty = float(np.hypot(*axis))
    if certainty >= _FIXED_AXIS:
        angle = np.arctan2(axis[1], axis[0]) / 2
        line = certainty * np.array([np.cos(angle), np.sin(angle)])
    else:
        across = _long_side(outline)
        line = max(certainty, 1e-3) * np.array(
            [across[1], across[0]]
        )  # a quarter turn, and from y down to y up
    if reading_deg is None:
        return _degrees(line), 0.0, "shape"
    reading = np.array([np.cos(np.radians(reading_deg)), np.sin(np.radians(reading_deg))])
    weight = _READING_WEIGHT * reading_confidence
    vector = line * (1.0 if line @ reading >= 0 else -1.0) + weight * reading
    agreement = float(vector @ reading) / max(float(np.hypot(*vector)), 1e-9)
    return _degrees(vector), min(1.0, weight) * max(0.0, agreement), "shape and text"


def _degrees(vector: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(vector[1], vector[0])) % 360)


def _long_side(outline: Polygon) -> np.ndarray:
    """Direction (2,) of the longer side of the smallest rectangle about an outline."""
    corners = cv2.boxPoints(cv2.minAreaRect(np.asarray(outline, np.float32)))
    sides = corners[1] - corners[0], corners[2] - corners[1]
    longer = max(sides, key=lambda side: float(np.hypot(*side)))
    return longer / max(float(np.hypot(*longer)), 1e-6)
