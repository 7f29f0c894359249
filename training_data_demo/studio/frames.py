"""A frame of its own for whatever stands on a face or an edge of the body. Millimetres."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from plugface.demo.studio.meshes import Solid, rounded_outline, rounded_profile

#: Outward direction of each edge on the plug face.
OUTWARD = {"right": (1.0, 0.0), "top": (0.0, 1.0), "left": (-1.0, 0.0), "bottom": (0.0, -1.0)}


@dataclass(frozen=True)
class Frame:
    """A place with its own axes: `u` along, `v` across, `t` outward, right-handed; rows of `axes`."""

    origin: tuple[float, float, float]
    axes: tuple[tuple[float, float, float], ...]

    @classmethod
    def on_face(cls, at, z: float, turn_deg: float = 0.0) -> "Frame":
        """On the plug face, outward along +Z."""
        c, s = float(np.cos(np.radians(turn_deg))), float(np.sin(np.radians(turn_deg)))
        return cls((*map(float, at), z), ((c, s, 0.0), (-s, c, 0.0), (0.0, 0.0, 1.0)))

    @classmethod
    def on_edge(cls, edge: str, at, z: float) -> "Frame":
        """At an edge, outward from it; `v` runs away from the plug face, so that -v is seen from above."""
        x, y = OUTWARD[edge]
        return cls((*map(float, at), z), ((y, -x, 0.0), (0.0, 0.0, -1.0), (x, y, 0.0)))

    def to_body(self, points) -> np.ndarray:
        """Points (N, 3) of this frame in that of the body."""
        return np.asarray(points, float) @ np.array(self.axes) + self.origin

    def direction(self, vector) -> np.ndarray:
        """A direction of this frame in that of the body."""
        return np.asarray(vector, float) @ np.array(self.axes)

    def loft(self, solid: Solid, outlines, *, close_start=False, close_end=True) -> None:
        """Join outlines, pairs of an outline (N, 2) and its height `t` (one, or one per point)."""
        loops = [self.to_body(lift(outline, t)) for outline, t in outlines]
        solid.loft(loops, close_start=close_start, close_end=close_end)

    def prism(
        self, solid: Solid, size, radius: float, profile, *, at=(0.0, 0.0), close_end=True, **outline
    ) -> None:
        """A rounded rectangle along a profile of (inset, t)."""
        loops = [
            (rounded_outline(size, radius, inset_mm=inset, **outline) + np.asarray(at, float), t)
            for inset, t in profile
        ]
        self.loft(solid, loops, close_end=close_end)

    def box(self, solid: Solid, low, high, edge_mm: float | None = None) -> None:
        """A block with bevelled edges between two corners (u, v, t)."""
        low, high = np.minimum(low, high).astype(float), np.maximum(low, high).astype(float)
        size = high - low
        edge = min(0.22 * min(size), 0.6) if edge_mm is None else edge_mm
        profile = [(0.0, low[2]), (0.0, high[2] - edge), (edge, high[2])]
        self.prism(solid, size[:2], edge, profile, at=(low + high)[:2] / 2, corner_points=2)

    def round(self, solid: Solid, profile, *, at=(0.0, 0.0), points=24, edge_mm=0.4, close_end=True) -> None:
        """A solid of revolution about `t` from a profile of (radius, t)."""
        angles = np.linspace(0, 2 * np.pi, points, endpoint=False)
        ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
        rounded = rounded_profile(profile, edge_mm, steps=2)
        self.loft(solid, [(ring * r + np.asarray(at, float), t) for r, t in rounded], close_end=close_end)


def lift(outline: np.ndarray, t: Any) -> np.ndarray:
    """An outline (N, 2) at a height, as (N, 3)."""
    return np.column_stack([outline, np.broadcast_to(t, len(outline))])


def add_tube(solid: Solid, path: np.ndarray, radius, *, sides: int = 10) -> None:
    """A round tube along a path (N, 3); `radius` is one number or one per point."""
    radius = np.broadcast_to(radius, len(path))
    tangents = np.gradient(path, axis=0)
    tangents /= np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-9)
    angles = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    across = np.cross(tangents[0], [0.31, 0.87, 0.39])
    loops = []
    for point, tangent, r in zip(path, tangents, radius, strict=True):
        across = across - tangent * (across @ tangent)
        across /= max(float(np.linalg.norm(across)), 1e-9)
        other = np.cross(tangent, across)
        loops.append(point + r * (np.cos(angles)[:, None] * across + np.sin(angles)[:, None] * other))
    solid.loft(loops, close_end=True, close_start=True)


def bezier(controls, steps: int) -> np.ndarray:
    """A smooth path (N, 3) through joined cubic Bezier pieces, whose ends are every third control point."""
    controls = np.asarray(controls, float)
    t = np.linspace(0, 1, steps)[:, None]
    pieces = []
    for a, b, c, d in zip(controls[::3], controls[1::3], controls[2::3], controls[3::3], strict=False):
        pieces.append((1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b + 3 * t * t * (1 - t) * c + t**3 * d)
    return np.concatenate([pieces[0], *(piece[1:] for piece in pieces[1:])])
