"""Raised cast characters."""

from pathlib import Path
from typing import Any

import numpy as np
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.meshes import hang


def build_cast_text(
    text: str,
    font: Path,
    *,
    at_mm: tuple[float, float],
    z_mm: float,
    height_mm: float,
    relief_mm: float,
    stretch: float,
    max_width_mm: float,
    material: Any,
    root: Any,
    part: int,
) -> np.ndarray:
    """Characters that stand on the plug face, upright along +y, centred on `at_mm`.

    Returns
    -------
    corners : ndarray, shape (4, 3)
        Millimetres, at the top of the relief: top left, top right, bottom right, bottom left.
    """
    curve = bpy.data.curves.new(text, "FONT")
    curve.body = text
    curve.font = bpy.data.fonts.load(str(font), check_existing=True)
    curve.size, curve.space_character = 1.0, 1.06
    curve.resolution_u, curve.bevel_resolution = 4, 1
    maker = bpy.data.objects.new(text, curve)
    flat = bpy.data.meshes.new_from_object(maker)
    low, high = _bounds(flat)
    bpy.data.meshes.remove(flat)
    scale = height_mm / (high[1] - low[1])
    stretch = min(stretch, max_width_mm / (scale * (high[0] - low[0])))
    # Extrusion and bevel are in the curve's units: divide by the scale that follows. The bevel gives draft.
    curve.extrude = 0.5 * relief_mm / scale
    curve.bevel_depth = min(0.22 * relief_mm, 0.03 * height_mm) / scale
    curve.offset = -0.5 * curve.bevel_depth
    mesh = bpy.data.meshes.new_from_object(maker)
    bpy.data.objects.remove(maker)
    bpy.data.curves.remove(curve)
    points = _points(mesh)
    low, high = points.min(axis=0), points.max(axis=0)
    points = (points - (low + high) / 2) * (scale * stretch, scale, scale)
    half = (points.max(axis=0) - points.min(axis=0)) / 2
    points += (*at_mm, z_mm + half[2] - 0.35 * relief_mm)
    mesh.vertices.foreach_set("co", (points / 1000).astype(np.float32).ravel())
    mesh.materials.clear()
    mesh.materials.append(material)
    mesh.shade_flat()
    hang("cast mark", mesh, root, part)
    x, y, top = at_mm[0], at_mm[1], points[:, 2].max()
    return np.array(
        [
            (x - half[0], y + half[1], top),
            (x + half[0], y + half[1], top),
            (x + half[0], y - half[1], top),
            (x - half[0], y - half[1], top),
        ]
    )


def _points(mesh: Any) -> np.ndarray:
    points = np.empty(len(mesh.vertices) * 3, np.float32)
    mesh.vertices.foreach_get("co", points)
    return points.reshape(-1, 3).astype(float)


def _bounds(mesh: Any) -> tuple[np.ndarray, np.ndarray]:
    points = _points(mesh)
    return points.min(axis=0), points.max(axis=0)
