"""Flat regions of a picture: corners in order, cut out level, and mapped back.

Coordinates are pixels of the decoded photo, x to the right and y down.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from plugface.vision.observations import Polygon


def level_corners(corners: np.ndarray) -> np.ndarray:
    """Order four corners so that the first side is a long one and runs to the right (or straight down).

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        In order round the box, either sense.

    Returns
    -------
    ordered : float32 ndarray, shape (4, 2)
        Top-left, top-right, bottom-right, bottom-left, seen along that side.
    """
    around = np.asarray(corners, np.float32)
    across = around[2] - around[0]
    along = around[1] - around[3]
    if (
        across[0] * along[1] - across[1] * along[0] > 0
    ):  # turn so that the corners run clockwise on the picture
        around = around[::-1]
    lengths = np.linalg.norm(np.roll(around, -1, axis=0) - around, axis=1)
    first = 0 if lengths[0] + lengths[2] >= lengths[1] + lengths[3] else 1
    side = np.roll(around, -first, axis=0)[1] - np.roll(around, -first, axis=0)[0]
    if side[0] < -1e-3 or (abs(side[0]) <= 1e-3 and side[1] < 0):
        first += 2
    return np.roll(around, -first, axis=0)


def side_lengths(corners: np.ndarray) -> tuple[float, float]:
    """Mean length of the top and bottom side, and of the left and right side, of four corners."""
    top, right, bottom, left = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(top + bottom) / 2, float(right + left) / 2


def quad_of(polygon: Polygon | np.ndarray) -> np.ndarray:
    """The four corners that describe a flat, roughly rectangular region best.

    Parameters
    ----------
    polygon : sequence of (x, y), three corners or more

    Returns
    -------
    corners : float32 ndarray, shape (4, 2)
        Ordered by `level_corners`. A perspective quadrilateral where the outline is one, else the smallest
        turned rectangle round it.
    """
    points = np.asarray(polygon, np.float32).reshape(-1, 2)
    hull = cv2.convexHull(points)
    rectangle = cv2.boxPoints(cv2.minAreaRect(hull))
    area = cv2.contourArea(hull)
    for share in (0.02, 0.03, 0.05, 0.08):
        quad = cv2.approxPolyDP(hull, share * cv2.arcLength(hull, True), True)
        if len(quad) == 4 and cv2.isContourConvex(quad) and cv2.contourArea(quad) > 0.9 * area:
            return level_corners(quad.reshape(-1, 2))
    return level_corners(rectangle)


def cut_out(
    picture: np.ndarray,
    corners: np.ndarray,
    *,
    height_px: int | None = None,
    scale: float | None = None,
    margin: float = 0.0,
    max_side: float = 4096,
) -> tuple[np.ndarray, np.ndarray]:
    """Cut a box out of a picture and turn it level.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    corners : ndarray, shape (4, 2), picture pixels
        Top-left, top-right, bottom-right, bottom-left.
    height_px, scale : int or float
        Height of the strip in pixels, or its size relative to the box; by default scale 1.
    margin : float
        Share of the height that is added on all four sides.
    max_side : int
        No side of the strip grows beyond it.

    Returns
    -------
    strip : ndarray, shape (h, w) or (h, w, 3)
    to_picture : float64 ndarray, shape (3, 3)
        Homography from strip pixels to picture pixels.
    """
    length, across = (max(side, 1.0) for side in side_lengths(corners))
    factor = height_px / (across * (1 + 2 * margin)) if height_px else (scale or 1.0)
    factor = min(factor, max_side / (max(length, across) + 2 * margin * across))
    pad = margin * across * factor
    inner_w, inner_h = length * factor, across * factor
    size = (max(1, round(inner_w + 2 * pad)), max(1, round(inner_h + 2 * pad)))
    target = np.array(
        [(pad, pad), (pad + inner_w, pad), (pad + inner_w, pad + inner_h), (pad, pad + inner_h)], np.float32
    )
    to_picture = cv2.getPerspectiveTransform(target, np.asarray(corners, np.float32))
    source, offset = _shrunk_part(picture, corners, margin * across, factor)
    to_source = (
        np.diag([offset[2], offset[2], 1.0])
        @ np.array([[1, 0, -offset[0]], [0, 1, -offset[1]], [0, 0, 1.0]])
        @ to_picture
    )
    strip = cv2.warpPerspective(
        source,
        to_source,
        size,
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return strip, to_picture


def _shrunk_part(
    picture: np.ndarray, corners: np.ndarray, pad: float, factor: float
) -> tuple[np.ndarray, tuple[float, float, float]]:
    """The part of the picture round a box, reduced first when the strip will be much smaller: no aliasing."""
    height, width = picture.shape[:2]
    low = np.floor(np.min(corners, axis=0) - pad - 4).astype(int)
    high = np.ceil(np.max(corners, axis=0) + pad + 4).astype(int)
    x0, y0 = (int(v) for v in np.clip(low, 0, (max(width - 2, 0), max(height - 2, 0))))
    x1, y1 = int(np.clip(high[0], x0 + 1, width)), int(np.clip(high[1], y0 + 1, height))
    part = picture[y0:y1, x0:x1]
    if factor >= 0.7:
        return part, (x0, y0, 1.0)
    size = (max(1, round(part.shape[1] * factor)), max(1, round(part.shape[0] * factor)))
    return cv2.resize(part, size, interpolation=cv2.INTER_AREA), (x0, y0, size[0] / part.shape[1])


def shrunk(picture: np.ndarray, long_side_px: float) -> np.ndarray:
    """The picture with its long side brought down to so many pixels; the same one where it is no longer.

    Parameters
    ----------
    picture : ndarray, shape (h, w) or (h, w, channels)
    long_side_px : float

    Returns
    -------
    picture : ndarray of the same kind
    """
    scale = long_side_px / max(picture.shape[:2])
    if scale >= 1:
        return picture
    size = (max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale)))
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def map_back(points: np.ndarray, to_picture: np.ndarray) -> np.ndarray:
    """Points of a strip in pixels of the picture it was cut from; shape (n, 2) in and out.

    Parameters
    ----------
    points : ndarray, shape (n, 2), strip pixels
    to_picture : float64 ndarray, shape (3, 3)
        As `cut_out` gives it.

    Returns
    -------
    mapped : float64 ndarray, shape (n, 2), picture pixels
    """
    shaped = np.asarray(points, np.float64).reshape(-1, 1, 2)
    return cv2.perspectiveTransform(shaped, to_picture)[:, 0]


def turned(corners: np.ndarray, quarter_turns: int) -> np.ndarray:
    """The same box read from another side: corners rolled so that the text turns by so many quarters.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
    quarter_turns : int

    Returns
    -------
    corners : ndarray, shape (4, 2)
    """
    return np.roll(corners, -quarter_turns, axis=0)


def as_polygon(points: np.ndarray) -> Polygon:
    """Points (N, 2) as plain numbers."""
    return tuple((float(x), float(y)) for x, y in points)


def lies_on_any(polygon: Polygon | np.ndarray, others: Sequence[Polygon], *, within_px: float = 0.0) -> bool:
    """Whether the middle of a polygon's corners lies within one of the others, or no farther off than this.

    Parameters
    ----------
    polygon : Polygon or ndarray, shape (n, 2), pixels
    others : sequence of Polygon, pixels of the same picture
    within_px : float, pixels
        How far outside still counts.

    Returns
    -------
    lies : bool
    """
    x, y = np.mean(polygon, axis=0)
    return any(
        cv2.pointPolygonTest(np.asarray(other, np.float32).reshape(-1, 1, 2), (float(x), float(y)), True)
        >= -within_px
        for other in others
    )


def overlap(a: Polygon | np.ndarray, b: Polygon | np.ndarray) -> float:
    """Intersection over union of the convex hulls.

    Parameters
    ----------
    a, b : sequence of points or ndarray (n, 2)
        Polygons with three corners or more.

    Returns
    -------
    share : float, 0 to 1
    """
    shared, area, other = _areas(a, b)
    return float(shared / max(area + other - shared, 1e-6))


def shared_of_smaller(a: Polygon | np.ndarray, b: Polygon | np.ndarray) -> float:
    """How much of the smaller of two convex hulls lies in the other.

    Parameters
    ----------
    a, b : sequence of points or ndarray (n, 2)
        Polygons with three corners or more.

    Returns
    -------
    share : float, 0 to 1
    """
    shared, area, other = _areas(a, b)
    return float(shared / max(min(area, other), 1e-6))


def _areas(a: Polygon | np.ndarray, b: Polygon | np.ndarray) -> tuple[float, float, float]:
    """Area that the convex hulls of two polygons share, and that of each."""
    hull_a, hull_b = (cv2.convexHull(np.asarray(p, np.float32)) for p in (a, b))
    shared, _ = cv2.intersectConvexConvex(hull_a, hull_b)
    middle = hull_b.mean(0)
    if np.abs(hull_a.mean(0) - middle).max() < 0.01 * np.ptp(hull_b):
        # OpenCV at times finds nothing shared by two that are all but the same; so one is made smaller.
        smaller = middle + (hull_b - middle) * np.float32(0.999)
        shared = max(shared, cv2.intersectConvexConvex(hull_a, smaller)[0])
    return shared, cv2.contourArea(hull_a), cv2.contourArea(hull_b)
