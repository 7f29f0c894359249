"""Headers that no training photo has: D-shaped, round and hooded shrouds, on a slant or back to back.

A family asks for them by words among its body's features that `wild_shells` never draws. What such a header
has in common with the others (bays, frames, pins in rows) is that of `headers`.
"""

import dataclasses
import math
import random
from typing import Any

import numpy as np
from plugface.demo.studio import headers
from plugface.demo.studio.frames import OUTWARD, Frame, lift
from plugface.demo.studio.headers import FLOOR_MM, Bay
from plugface.demo.studio.materials import Palette
from plugface.demo.studio.meshes import Solid
from plugface.demo.studio.style import Style

#: Feature of a family's body: shape of its shrouds.
SHROUDS = {"D-shaped shrouds": "D", "round shrouds": "round", "hooded shrouds": "hooded"}
SLANT_DEG = 40.0
#: A back-to-back header stands this far above the plug face, and its foot this far from the block's middle.
STEP_MM, SPINE_MM = 4.0, 5.0
_HOOD_MM = 7.0  # a hood reaches this far beyond the mouth
_RIM_MM = 5.0  # of a slanted block, beyond the shrouds on it


def shroud_of(family: Any) -> str:
    """Shape of a family's shrouds: "D", "round", "hooded", or empty where it has those of `headers`."""
    return next((SHROUDS[word] for word in family.body.features if word in SHROUDS), "")


def lay_bays(family: Any, front_z, edge_z: float) -> list[Bay]:
    """The bays of a family in canonical order, as `headers.lay_bays` gives them, turned and moved."""
    bays, features = headers.lay_bays(family, front_z, edge_z), family.body.features
    if "round shrouds" in features:
        bays = [_rounded(bay) for bay in bays]
    if "slanted headers" in features:
        bays = [bay for row in rows_of(bays) for bay in _slant(row, front_z)]
    if "stepped block" in features:
        bays = [_onto_block(bay, front_z) for bay in bays]
    return sorted(bays, key=lambda bay: bay.index)


def rows_of(bays: list[Bay]) -> list[list[Bay]]:
    """Bays that lean to one edge, row by row."""
    rows: dict[Any, list[Bay]] = {}
    for bay in bays:
        rows.setdefault((bay.connector.edge, round(bay.connector.at_mm[1] / 20)), []).append(bay)
    return list(rows.values())


def _rounded(bay: Bay) -> Bay:
    half = bay.long / 2
    return dataclasses.replace(bay, wide=bay.long, cell=(-half, -half, half, half))


def lean_of(bay: Bay) -> int:
    """To which side a slanted header leans: 1 to the top, -1 to the bottom of the plug face."""
    return 1 if bay.connector.edge == "top" else -1


def _slant(row: list[Bay], front_z) -> list[Bay]:
    """A row of headers with their feet in one slanted plane."""
    lean, sin, cos = lean_of(row[0]), math.sin(math.radians(SLANT_DEG)), math.cos(math.radians(SLANT_DEG))
    axes = ((1.0, 0.0, 0.0), (0.0, cos, -lean * sin), (0.0, lean * sin, cos))
    half = max(bay.wide for bay in row) / 2 + _RIM_MM
    # The middle of a header as it is seen from above stands at its place on the face, not its foot.
    feet = [bay.connector.at_mm[1] - lean * sin * bay.tall / 2 for bay in row]
    middle = sum(feet) / len(feet)
    z = front_z(*row[0].connector.at_mm) + half * sin + 0.8
    return [
        dataclasses.replace(
            bay,
            frame=Frame((float(bay.connector.at_mm[0]), y, z - lean * (y - middle) * sin / cos), axes),
        )
        for bay, y in zip(row, feet, strict=True)
    ]


def slanted_block(row: list[Bay]) -> tuple[np.ndarray, tuple[float, float]]:
    """The slanted top under a row: its two ends across (y, z) from low y to high, and its span along x."""
    half = max(bay.wide for bay in row) / 2 + _RIM_MM
    middle = np.mean([bay.frame.origin for bay in row], axis=0)
    ends = [middle + v * row[0].frame.direction((0, 1.0, 0)) for v in (-half, half)]
    span = min(b.frame.origin[0] - b.long / 2 for b in row), max(b.frame.origin[0] + b.long / 2 for b in row)
    return np.array(ends)[:, 1:], (span[0] - _RIM_MM, span[1] + _RIM_MM)


def _onto_block(bay: Bay, front_z) -> Bay:
    """A header that looks out of a block in the middle of the face instead of out of an edge."""
    at, out = np.array(bay.connector.at_mm, float), np.array(OUTWARD[bay.connector.edge])
    z = front_z(*at) + STEP_MM + bay.wide / 2
    return dataclasses.replace(
        bay, frame=Frame.on_edge(bay.connector.edge, at - out * bay.tall / 2, z), bare_from=0.0
    )


def slab(solid: Solid, frame: Frame, polygon, low: float, high: float) -> None:
    """A polygon of (v, t), counter-clockwise, drawn out along u from low to high."""
    polygon = np.asarray(polygon, float)
    loops = [np.column_stack([np.full(len(polygon), u), polygon]) for u in (low, high)]
    solid.loft([frame.to_body(loop) for loop in loops], close_start=True, close_end=True)


def build_bay(
    bay: Bay, shape: str, style: Style, palette: Palette, root: Any, keying: random.Random
) -> np.ndarray:
    """Build a whole header with a shroud of this shape; returns its outline points in mm, (N, 3)."""
    shell, f, part, tall = Solid(), bay.frame, bay.index + 1, bay.tall
    wall = min(2.4, bay.long * 0.07)

    def outer(inset: float) -> np.ndarray:
        return _outline(bay, shape, style, inset)

    foot = 0.0 if shape == "round" else 1.8
    loops = [(outer(-foot), 0.0), (outer(-foot), 2.2), (outer(0.0), 2.4)]
    if shape == "round":  # rings that a coupling nut runs on
        for t in np.arange(tall * 0.4, tall - 3.2, 2.2):
            loops += [(outer(0.0), t), (outer(-0.9), t + 0.5), (outer(-0.9), t + 1.1), (outer(0.0), t + 1.6)]
    loops += [(outer(0.0), tall - 0.6), (outer(0.3), tall), (outer(wall - 0.4), tall)]
    loops += [(outer(wall), tall - 0.8), (outer(wall + 0.3), FLOOR_MM + 0.3), (outer(wall + 0.6), FLOOR_MM)]
    f.loft(shell, loops)
    points = [f.to_body(lift(outer(0.0), t)) for t in (0.0, tall)]
    if shape == "round":
        _code(shell, bay, wall, keying)
    else:
        _key(shell, bay, wall, keying)
    if shape == "hooded":
        points.append(_hood(shell, bay))
    elif shape == "D":
        _clasp(shell, bay)
    shell.to_object("header", palette.moulded(bay.connector.colour, style), root, part)
    if shape == "round":
        _ring_pins(bay, wall, palette, root, keying)
        _seal(bay, palette, root, keying)
    else:
        headers._pins(bay, palette, root, part, keying, spread=0.8 if shape == "D" else 0.94)
    return np.concatenate(points)


def build_broken_bay(
    bay: Bay, shape: str, style: Style, palette: Palette, root: Any, draw: random.Random
) -> np.ndarray:
    """What is left of such a header; returns its outline points in mm, (N, 3)."""
    corner = bay.long / 2 if shape == "round" else style.shroud_corner_mm
    return headers.build_broken_bay(
        bay, dataclasses.replace(style, shroud_corner_mm=corner), palette, root, draw
    )


def _outline(bay: Bay, shape: str, style: Style, inset: float, corner_points: int = 9) -> np.ndarray:
    """A shroud's outline, moved inwards by `inset`: a circle, a D with its bow towards -v, a rectangle."""
    half = np.array([bay.long, bay.wide]) / 2 - inset
    if shape == "round":
        radii = (half[0],) * 4
    elif shape == "D":
        bow = 0.78 * bay.wide - inset
        radii = (1.6, 1.6, bow, bow)
    else:
        radii = (max(style.shroud_corner_mm * 0.6 - inset, 0.4),) * 4
    points = []
    for corner, radius in enumerate(radii):
        angles = corner * math.pi / 2 + np.linspace(0, math.pi / 2, corner_points)
        sign = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)][corner])
        arc = radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
        points.append(sign * (half - radius) + arc)
    return np.concatenate(points)


def _turned(frame: Frame, degrees: float) -> Frame:
    """The frame turned about its outward axis."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    u, v, t = np.array(frame.axes)
    return Frame(frame.origin, (tuple(c * u + s * v), tuple(c * v - s * u), tuple(t)))


def _code(shell: Solid, bay: Bay, wall: float, keying: random.Random) -> None:
    """Coding ribs within a round shroud, no two alike, and three bayonet studs outside."""
    inner, outer = bay.long / 2 - wall, bay.long / 2
    at = keying.uniform(0, 360)
    for k in range(5):
        f, broad = _turned(bay.frame, at + 72 * k + keying.uniform(-18, 18)), keying.uniform(1.2, 4.0)
        f.box(shell, (inner - 1.9, -broad / 2, FLOOR_MM), (inner + 0.4, broad / 2, bay.tall - 1.2))
    for k in range(3):
        f = _turned(bay.frame, at + 120 * k)
        f.box(shell, (outer - 0.3, -1.6, bay.tall * 0.5), (outer + 2.0, 1.6, bay.tall * 0.5 + 3.2))


def _key(shell: Solid, bay: Bay, wall: float, keying: random.Random) -> None:
    """Ribs along the straight long wall, unevenly spaced."""
    v = bay.wide / 2 - wall
    for _ in range(3):
        u = keying.uniform(-0.4, 0.4) * bay.long
        bay.frame.box(shell, (u - 0.7, v - 1.5, FLOOR_MM), (u + 0.7, v + 0.3, bay.tall - 1.5))


def _clasp(shell: Solid, bay: Bay) -> None:
    """Wire clasps' lugs at both ends of a D-shaped shroud."""
    u, v = bay.long / 2, bay.wide / 2
    for side in (-1, 1):
        bay.frame.box(shell, (side * (u - 0.4), v - 7.5, 4.0), (side * (u + 3.0), v - 1.5, 8.0))
        bay.frame.box(shell, (side * (u + 1.4), v - 7.5, 7.0), (side * (u + 3.0), v - 1.5, 11.0))


def _hood(shell: Solid, bay: Bay) -> np.ndarray:
    """A roof over one long side of the mouth, on two sloping cheeks; returns its outline points."""
    f, tall = bay.frame, bay.tall
    u, v, far = bay.long / 2, -bay.wide / 2, tall + _HOOD_MM
    f.box(shell, (-u - 3.0, v - 3.4, tall * 0.22), (u + 3.0, v - 1.5, far), 0.8)
    cheek = [(v - 2.6, tall * 0.22), (v + 0.55 * bay.wide, tall * 0.22)]
    cheek += [(v + 0.55 * bay.wide, tall * 0.8), (v - 1.6, far - 0.4), (v - 2.6, far - 0.4)]
    for side in (-1, 1):
        low, high = sorted((side * (u + 1.2), side * (u + 3.0)))
        slab(shell, f, cheek, low, high)
    for k in (-0.3, 0.0, 0.3):  # stiffening ribs on the roof
        f.box(shell, (k * bay.long - 0.8, v - 4.4, tall * 0.3), (k * bay.long + 0.8, v - 3.2, far - 2.0))
    return f.to_body([(s * (u + 3.0), v - 3.4, t) for s in (-1, 1) for t in (tall * 0.22, far)])


def _ring_pins(bay: Bay, wall: float, palette: Palette, root: Any, keying: random.Random) -> None:
    """Contacts in rings about the middle: as many as the catalogue says."""
    total, metal = bay.connector.pins[0] * bay.connector.pins[1], Solid()
    room = bay.long / 2 - wall - 4.2
    rings = max(1, round(math.sqrt(total / 3.2)))
    radii = [room * (k + 1) / rings for k in range(rings)]
    counts = [round(total * r / sum(radii)) for r in radii]
    counts[-1] += total - sum(counts)
    thick, top = min(1.4, room / rings * 0.4), bay.tall * 0.62
    for radius, count in zip(radii, counts, strict=True):
        first = keying.uniform(0, 360)
        for k in range(count):
            a = math.radians(first + 360 * k / count)
            profile = [(thick / 2, FLOOR_MM - 0.4), (thick / 2, top - 0.6), (thick * 0.2, top)]
            at = (radius * math.cos(a), radius * math.sin(a))
            bay.frame.round(metal, profile, at=at, points=8, edge_mm=0.1)
    metal.to_object("pins", palette.pins(), root, bay.index + 1, sharp_deg=30)


def _seal(bay: Bay, palette: Palette, root: Any, keying: random.Random) -> None:
    """A flat ring of rubber under a round header."""
    ring, r = Solid(), bay.long / 2
    bay.frame.round(
        ring, [(r + 2.4, 0.0), (r + 2.4, 1.3), (r + 0.2, 1.5)], points=40, edge_mm=0.4, close_end=False
    )
    tint = keying.choice(("black", "black", "red", "green"))
    ring.to_object("gasket", palette.silicone(tint), root, 0)
