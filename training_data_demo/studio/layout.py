"""Where things lie on the ground: clear of each other, or thrown in a heap. Metres, degrees."""

import math

import numpy as np

Spot = tuple[float, float, float]  # x, y, yaw in degrees


def corners(size, spot: Spot) -> np.ndarray:
    """Corners of a rectangle at a spot, shape (4, 2)."""
    x, y, yaw = spot
    c, s = math.cos(math.radians(yaw)), math.sin(math.radians(yaw))
    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.asarray(size) / 2
    return half @ np.array([[c, s], [-s, c]]) + (x, y)


def penetration(a, b) -> float:
    """How deep two convex polygons overlap, by the separating axis theorem; 0 or less if they do not."""
    depth = math.inf
    for polygon in (a, b):
        for edge in np.roll(polygon, -1, axis=0) - polygon:
            axis = np.array([-edge[1], edge[0]]) / np.hypot(*edge)
            p, q = a @ axis, b @ axis
            depth = min(depth, p.max() - q.min(), q.max() - p.min())
            if depth <= 0:
                return float(depth)  # one axis that parts them is enough
    return float(depth)


def _lies_well(shape, others, deepest: float) -> bool:
    """Whether it overlaps one other at most, and that no deeper than it may."""
    below = 0
    for other in others:
        depth = penetration(shape, other)
        below += depth > 0
        if depth > deepest or below > 1:
            return False
    return True


def throw(rng, sizes, *, overlap: float, tidy: bool) -> list[Spot]:
    """Spots for rectangles in a heap around the origin.

    Parameters
    ----------
    rng : numpy Generator
    sizes : list of (width, height)
    overlap : float
        Share of the rectangles that may lie partly on one below.
    tidy : bool
        Set square to each other instead of at all angles.
    """
    spread = 0.42 * math.sqrt(sum(w * h for w, h in sizes))
    placed: list[tuple[np.ndarray, Spot, float]] = []  # with the radius of the circle round each
    spots: list[Spot] = []
    turn = rng.uniform(0, 360)
    for size in sizes:
        deepest = 0.45 * min(size) if rng.random() < overlap else 0.0
        for attempt in range(400):
            yaw = turn + 90 * rng.integers(4) + rng.normal(0, 4) if tidy else rng.uniform(0, 360)
            angle, away = rng.uniform(0, 2 * math.pi), spread * math.sqrt(rng.random()) * (1 + attempt / 100)
            spot = (away * math.cos(angle), away * math.sin(angle), float(yaw) % 360)
            shape, radius = corners(size, spot), math.hypot(*size) / 2
            near = [o for o, at, r in placed if math.dist(at[:2], spot[:2]) <= radius + r + 1e-9]
            if _lies_well(shape, near, deepest):
                break
        placed.append((shape, spot, radius))
        spots.append((round(spot[0], 4), round(spot[1], 4), round(spot[2], 1)))
    return spots


def spread(rng, count: int, radius: float) -> list[tuple[float, float]]:
    """Points about a tenth of a metre apart within a radius, as far as there is room."""
    points: list[tuple[float, float]] = []
    for _ in range(count):
        for _ in range(60):
            x, y = rng.uniform(-radius, radius, 2)
            if all(math.hypot(x - px, y - py) > 0.11 for px, py in points):
                break
        points.append((round(float(x), 4), round(float(y), 4)))
    return points


def beside(rng, discs, radius: float, gap: float) -> tuple[float, float] | None:
    """A spot for a disc near one of others (x, y, radius) and clear of all; None if none was found."""
    for _ in range(40):
        x, y, r = discs[int(rng.integers(len(discs)))] if discs else (0.0, 0.0, 0.0)
        angle, away = rng.uniform(0, 2 * math.pi), r + radius * 0.75 + gap + rng.uniform(0, 0.09)
        spot = (round(x + away * math.cos(angle), 4), round(y + away * math.sin(angle), 4))
        if all(math.hypot(spot[0] - dx, spot[1] - dy) > dr * 0.92 + radius * 0.75 for dx, dy, dr in discs):
            return spot
    return None
