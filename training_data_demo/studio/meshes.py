"""Solids from loops of points: outlines, rounded profiles, lofts. Millimetres here, metres in Blender."""

import math
from typing import Any

import numpy as np
from plugface.demo.studio.blender import bpy


def rounded_outline(size_mm, radius_mm, *, inset_mm=0.0, chamfer=(False,) * 4, corner_points=6) -> np.ndarray:
    """A rectangle with rounded or cut corners, counter-clockwise from the top right corner.

    Parameters
    ----------
    size_mm : (float, float)
        Width and height before the inset.
    radius_mm : float
    inset_mm : float
        Moves every side inwards (outwards if negative); the corners follow.
    chamfer : four bool
        Top right, top left, bottom left, bottom right: cut instead of rounded.
    corner_points : int
        Points per corner; loops with equal counts can be lofted.

    Returns
    -------
    outline : ndarray, shape (4 * corner_points, 2)
    """
    half = np.maximum(np.asarray(size_mm, float) / 2 - inset_mm, 0.05)
    points = []
    for corner, cut in enumerate(chamfer):
        radius = min(max(radius_mm - inset_mm * (0.6 if cut else 1.0), 0.15), *(half * 0.98))
        start = corner * math.pi / 2
        angles = start + np.linspace(0, math.pi / 2, corner_points)
        arc = np.stack([np.cos(angles), np.sin(angles)], axis=1)
        if cut:
            share = np.linspace(0, 1, corner_points)[:, None]
            arc = arc[0] * (1 - share) + arc[-1] * share
        sign = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)][corner])
        points.append(sign * (half - radius) + radius * arc)
    return np.concatenate(points)


def rounded_profile(points_mm, radius_mm, *, steps=3) -> list[tuple[float, float]]:
    """Round the corners of a polyline, with a support point beside each arc so that flat sides shade flat."""
    points = [np.asarray(p, float) for p in points_mm]
    out = [points[0]]
    for before, corner, after in zip(points, points[1:], points[2:], strict=False):
        back, ahead = before - corner, after - corner
        long_back, long_ahead = np.linalg.norm(back), np.linalg.norm(ahead)
        back, ahead = back / long_back, ahead / long_ahead
        opening = math.acos(float(np.clip(back @ ahead, -1, 1)))
        if opening > math.radians(175):
            out.append(corner)
            continue
        tangent = min(radius_mm / math.tan(opening / 2), 0.42 * min(long_back, long_ahead))
        # A quadratic curve between the tangent points: close to the arc, and it cannot overshoot.
        a, b = corner + back * tangent, corner + ahead * tangent
        out.append(a + back * tangent * 0.12)
        for t in np.linspace(0, 1, steps + 1):
            out.append((1 - t) ** 2 * a + 2 * t * (1 - t) * corner + t * t * b)
        out.append(b + ahead * tangent * 0.12)
    out.append(points[-1])
    return [tuple(map(float, p)) for p in out]


class Solid:
    """Collects vertices and faces of one object, in millimetres."""

    def __init__(self) -> None:
        self.vertices: list[np.ndarray] = []
        self.faces: list[tuple[int, ...]] = []
        self._count = 0

    def add(self, vertices, faces) -> None:
        """Add vertices, shape (N, 3), and faces that count from the first of them."""
        base = self._count
        self.vertices.append(np.asarray(vertices, float))
        self._count += len(vertices)
        self.faces.extend(tuple(base + i for i in face) for face in faces)

    def loft(self, loops, *, close_start=False, close_end=False) -> None:
        """Join loops of equal length, each (N, 3), counter-clockwise seen from where the loft goes to."""
        n = len(loops[0])
        faces = []
        for k in range(len(loops) - 1):
            a, b = k * n, (k + 1) * n
            faces.extend((a + i, a + (i + 1) % n, b + (i + 1) % n, b + i) for i in range(n))
        if close_start:
            faces.append(tuple(reversed(range(n))))
        if close_end:
            faces.append(tuple(range((len(loops) - 1) * n, len(loops) * n)))
        self.add(np.concatenate(loops), faces)

    def extrude(
        self,
        size_mm,
        radius_mm,
        profile,
        *,
        at=(0.0, 0.0),
        turn_deg=0.0,
        close_start=False,
        close_end=True,
        **outline,
    ):
        """Loft a rounded rectangle along a profile of (inset, z); returns the loops."""
        loops = [
            place(rounded_outline(size_mm, radius_mm, inset_mm=inset, **outline), at, turn_deg, z)
            for inset, z in profile
        ]
        self.loft(loops, close_start=close_start, close_end=close_end)
        return loops

    def turn(self, profile, *, at=(0.0, 0.0), points=20, close_end=True, close_start=False) -> None:
        """A solid of revolution around z from a profile of (radius, z)."""
        angles = np.linspace(0, 2 * math.pi, points, endpoint=False)
        ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
        self.loft(
            [place(ring * r, at, 0, z) for r, z in profile], close_end=close_end, close_start=close_start
        )

    def bar(self, start, end, width_mm, z0, z1, *, draft_mm=0.3) -> None:
        """A straight rib from start to end (x, y), between two heights, narrower at the top."""
        start, end = np.asarray(start, float), np.asarray(end, float)
        along = end - start
        length = float(np.linalg.norm(along))
        if length < width_mm:
            return
        turn = math.degrees(math.atan2(along[1], along[0]))
        draft = min(draft_mm, width_mm * 0.25)
        edge = min(width_mm * 0.22, abs(z1 - z0) * 0.3)
        profile = rounded_profile([(0, z0), (draft, z1), (width_mm / 2, z1)], edge, steps=2)[:-1]
        self.extrude(
            (length, width_mm), width_mm * 0.3, profile, at=(start + end) / 2, turn_deg=turn, corner_points=3
        )

    def face_back(self) -> None:
        """Turn everything half a turn around y: what was built towards +z now faces -z, seen from behind."""
        self.vertices = [points * (-1, 1, -1) for points in self.vertices]

    def to_object(self, name: str, material: Any, root: Any, part: int, *, sharp_deg: float = 38.0) -> Any:
        """Make a Blender object under the unit's root, smooth but for edges sharper than `sharp_deg`."""
        mesh = bpy.data.meshes.new(name)
        mesh.from_pydata((np.concatenate(self.vertices) / 1000).tolist(), [], self.faces)
        mesh.shade_smooth()
        mesh.set_sharp_from_angle(angle=math.radians(sharp_deg))
        mesh.materials.append(material)
        return hang(name, mesh, root, part)


def hang(name: str, mesh: Any, root: Any, part: int) -> Any:
    """An object for a mesh under the unit's root."""
    thing = bpy.data.objects.new(name, mesh)
    thing.parent = root
    thing.pass_index = part
    bpy.context.scene.collection.objects.link(thing)
    return thing


def place(outline, at=(0.0, 0.0), turn_deg=0.0, z=0.0) -> np.ndarray:
    """Turn an outline (N, 2), move it to `at`, lift it to z (one height or one per point); gives (N, 3)."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    flat = np.asarray(outline, float) @ np.array([[c, s], [-s, c]]) + np.asarray(at, float)
    return np.column_stack([flat, np.broadcast_to(z, len(flat))])
