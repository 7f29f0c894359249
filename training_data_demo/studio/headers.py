"""Headers as real controllers have them: opening up or sideways, one bay or several in one moulding.

A bay is a connector: it has its own part number, its own keying and its own outline. Bays of one moulding
fill their cells up to their neighbours, so that the block looks like one piece.
"""

import math
import random
from dataclasses import dataclass
from typing import Any

import numpy as np
from plugface.demo.studio.footprint import connector_size_mm
from plugface.demo.studio.frames import OUTWARD, Frame, lift
from plugface.demo.studio.materials import Palette
from plugface.demo.studio.meshes import Solid, rounded_outline, rounded_profile
from plugface.demo.studio.style import Style

FLOOR_MM = 3.0
FLANGE_MM = 1.6


@dataclass(frozen=True)
class Bay:
    """One bay as it stands: its frame (origin in the middle of its foot), its sizes and its cell."""

    index: int
    connector: Any
    frame: Frame
    long: float
    wide: float
    tall: float
    cell: tuple[float, float, float, float]  # u0, v0, u1, v1 of the moulding's part around this bay
    ends: tuple[bool, bool, bool, bool]  # which sides (u1, v1, u0, v0) of the cell are outer walls
    bare_from: float  # t from which the shroud stands outside the body

    @property
    def wall(self) -> float:
        return min(2.2, self.wide * 0.1)

    @property
    def lock(self) -> str:
        return self.connector.lock or ("lever" if self.connector.size == "L" else "latch")


def lay_bays(family: Any, front_z, edge_z: float) -> list[Bay]:
    """The bays of a family in canonical order.

    Parameters
    ----------
    family : models.catalogue.Family
    front_z : function of (x, y)
        Height of the plug face where a header opens up.
    edge_z : float
        Height of the middle of headers that open sideways.
    """
    bays = []
    for index, connector in enumerate(family.connectors):
        long, wide, tall = connector_size_mm(connector)
        u0, v0, u1, v1, ends = _cell(family, index)
        at = np.array(connector.at_mm, float)
        bare = 0.0
        if connector.opens == "sideways":
            out = np.array(OUTWARD[connector.edge])
            foot = at - out * tall / 2
            half = family.body.size_mm[0 if out[0] else 1] / 2
            bare = max(0.0, half - float(foot @ out))
            frame = Frame.on_edge(connector.edge, foot, edge_z)
        else:
            frame = Frame.on_face(at, front_z(*at), connector.turn_deg)
        bays.append(Bay(index, connector, frame, long, wide, tall, (u0, v0, u1, v1), ends, bare))
    return bays


def _cell(family: Any, index: int):
    """The cell of a bay in its own frame, and which of its sides are outer walls of the moulding."""
    own = family.connectors[index]
    long, wide, _ = connector_size_mm(own)
    if not own.moulding:
        return -long / 2, -wide / 2, long / 2, wide / 2, (True,) * 4
    mates = [c for c in family.connectors if c.moulding == own.moulding]
    sizes = [connector_size_mm(c) for c in mates]
    u_axis = _long_axis(own)
    along = [float(np.subtract(c.at_mm, own.at_mm) @ u_axis) for c in mates]
    across = max(size[1] for size in sizes) / 2
    low, high = -long / 2 - 2.0, long / 2 + 2.0
    ends = [True, True, True, True]
    for where, size in zip(along, sizes, strict=True):
        if where > 0.5:
            high, ends[0] = (
                min(high if not ends[0] else math.inf, (long / 2 + where - size[0] / 2) / 2),
                False,
            )
        elif where < -0.5:
            low, ends[2] = (
                max(low if not ends[2] else -math.inf, (-long / 2 + where + size[0] / 2) / 2),
                False,
            )
    return low, -across, high, across, tuple(ends)


def _long_axis(connector: Any) -> np.ndarray:
    """Direction of a header's long side on the plug face."""
    if connector.opens == "sideways":
        x, y = OUTWARD[connector.edge]
        return np.array([y, -x])
    turn = math.radians(connector.turn_deg)
    return np.array([math.cos(turn), math.sin(turn)])


def build_bay(bay: Bay, style: Style, palette: Palette, root: Any, keying: random.Random) -> np.ndarray:
    """Build a whole header or one bay of a moulding; returns its outline points in mm, (N, 3).

    `keying` must come from the family: the same bay of every unit is keyed alike.
    """
    part, f = bay.index + 1, bay.frame
    long, wide, tall, wall = bay.long, bay.wide, bay.tall, bay.wall
    (u0, v0, u1, v1), alone = bay.cell, all(bay.ends)
    oval = alone and keying.random() < 0.12
    inner_corner = min(style.shroud_corner_mm, wide * keying.choice((0.12, 0.2, 0.34)))
    cut = (
        tuple(keying.random() < 0.3 for _ in range(4)) if keying.random() < 0.5 and not oval else (False,) * 4
    )
    if oval:
        inner_corner = wide / 2 - wall
    outer_corner = inner_corner + wall if alone else max(2.0, style.shroud_corner_mm)
    size, middle = (u1 - u0, v1 - v0), ((u0 + u1) / 2, (v0 + v1) / 2)

    def outer(grow: float) -> np.ndarray:
        points = rounded_outline(size, outer_corner, inset_mm=-grow, chamfer=cut if alone else (False,) * 4)
        return _square_inner_corners(points, bay.ends, outer_corner + grow) + middle

    def inner(inset: float) -> np.ndarray:
        return rounded_outline((long, wide), inner_corner + wall, inset_mm=wall + inset, chamfer=cut)

    flange = FLANGE_MM if alone and keying.random() < 0.7 else 0.0
    step = keying.choice((0.0, 0.0, 0.8))  # a thinner lip at the mouth
    loops = [(outer(flange), 0.0), (outer(flange), 2.0), (outer(0.0), 2.1), (outer(0.0), tall * 0.55)]
    loops += [
        (outer(-step), tall * 0.55 + step),
        (outer(-step), tall - 0.5),
        (outer(-step - 0.25), tall - 0.1),
    ]
    loops += [
        (outer(-step - 0.5), tall),
        (inner(-0.5), tall),
        (inner(-0.15), tall - 0.3),
        (inner(0.0), tall - 1),
    ]
    loops += [(inner(0.5), FLOOR_MM + 0.3), (inner(0.8), FLOOR_MM)]
    shell = Solid()
    f.loft(shell, loops)
    _key(shell, bay, keying)
    _lock(shell, bay, keying)
    if keying.random() < 0.4:  # stiffening ribs outside
        for u in np.arange(u0 + 6, u1 - 4, keying.uniform(6, 12)):
            for side, v in ((-1, v0), (1, v1)):
                f.box(shell, (u - 0.6, v - 0.1 * side, 1.0), (u + 0.6, v + 0.9 * side, tall * 0.8))
    shell.to_object("header", palette.moulded(bay.connector.colour, style), root, part)
    _pins(bay, palette, root, part, keying, spread=0.78 if oval else 1.0)
    _gasket(bay, style, palette, root, part, keying)
    shown = min(bay.bare_from, tall - 2.0)
    return np.concatenate([f.to_body(lift(outer(0.0), t)) for t in (shown, tall)])


def _square_inner_corners(points: np.ndarray, ends, radius: float) -> np.ndarray:
    """Push corners square where a cell meets its neighbour; `ends` are the sides u1, v1, u0, v0."""
    points = points.copy()
    n = len(points) // 4
    half = np.abs(points).max(axis=0)
    # Corners of `rounded_outline`: top right, top left, bottom left, bottom right.
    for corner, (side, sign) in enumerate(((0, (1, 1)), (2, (-1, 1)), (2, (-1, -1)), (0, (1, -1)))):
        if not ends[side]:
            where = slice(corner * n, (corner + 1) * n)
            points[where, 0] = sign[0] * half[0]
            spread = np.linspace(0, 1, n) * 0.02
            order = spread if corner in (0, 2) else spread[::-1]
            points[where, 1] = sign[1] * (half[1] - 0.02 + order)
    return points


def build_broken_bay(bay: Bay, style: Style, palette: Palette, root: Any, draw: random.Random) -> np.ndarray:
    """What is left of a header that was broken off; returns its outline points in mm, (N, 3)."""
    n, base = 56, bay.bare_from if bay.bare_from < bay.tall - 6 else 0.0
    jag = base + np.array([draw.uniform(1.0, 3.4) for _ in range(n)])
    for _ in range(draw.randint(1, 3)):
        centre, spread, rise = draw.randrange(n), draw.uniform(2, 6), draw.uniform(2, bay.tall * 0.4)
        gap = np.minimum(np.abs(np.arange(n) - centre), n - np.abs(np.arange(n) - centre))
        jag += rise * np.exp(-((gap / spread) ** 2))

    def outline(inset: float) -> np.ndarray:
        return rounded_outline((bay.long, bay.wide), style.shroud_corner_mm, inset_mm=inset, corner_points=14)

    solid = Solid()
    heights = [(-1.4, 0.0), (-1.4, base + 0.8), (0.0, base + 0.9), (0.1, jag), (bay.wall, jag * 0.95)]
    heights.append((bay.wall + 0.2, max(base - 1.0, 0.6)))
    bay.frame.loft(solid, [(outline(inset), t) for inset, t in heights])
    solid.to_object("stub", palette.moulded(bay.connector.colour, style), root, bay.index + 1, sharp_deg=20)
    _pins(bay, palette, root, bay.index + 1, draw, top=base + bay.tall * 0.3, bent=0.45)
    rims = [(outline(-1.4), base), (outline(0.1), jag)]
    return np.concatenate([bay.frame.to_body(lift(points, t)) for points, t in rims])


def _key(shell: Solid, bay: Bay, keying: random.Random) -> None:
    """Ribs inside that let one plug in only, a partition on some, a polarising block on others."""
    half_u, half_v = bay.long / 2 - bay.wall, bay.wide / 2 - bay.wall
    kind = keying.choice(("ribs", "ribs", "few", "block", "ends"))
    deep = bay.tall - keying.uniform(0.5, 4.0)
    for side in (-1, 1):
        for _ in range({"ribs": 3, "few": 1, "block": 1, "ends": 1}[kind]):
            u = keying.uniform(-0.85, 0.85) * (half_u - 2)
            breadth = keying.uniform(0.8, 1.6) if kind != "block" else keying.uniform(2.5, 5.0)
            v = side * half_v
            bay.frame.box(
                shell,
                (u - breadth / 2, v, FLOOR_MM),
                (u + breadth / 2, v - side * keying.uniform(0.9, 1.8), deep),
            )
    if kind == "ends":
        for side in (-1, 1):
            u = side * half_u
            bay.frame.box(shell, (u, -0.8, FLOOR_MM), (u - side * 1.6, 0.8, deep))
    if bay.connector.size == "L" and keying.random() < 0.45:
        u = keying.choice((-0.25, 0.0, 0.2)) * bay.long
        bay.frame.box(
            shell, (u - 0.7, -half_v, FLOOR_MM), (u + 0.7, half_v, bay.tall * keying.uniform(0.55, 0.9))
        )


def _lock(shell: Solid, bay: Bay, keying: random.Random) -> None:
    """Outside: a latch's ramp or window on a long wall, bosses of a lever, rails of a slide."""
    f, (u0, v0, u1, v1), tall = bay.frame, bay.cell, bay.tall
    v, half = v0, min(6.0, bay.long * 0.16)
    if bay.lock == "latch":
        if keying.random() < 0.5:
            for u in (-half - 1.6, half):
                f.box(shell, (u, v - 2.2, 3.0), (u + 1.6, v + 0.3, tall - 1.0))
            f.box(shell, (-half, v - 2.2, tall - 4.2), (half, v - 0.8, tall - 1.6))
        else:
            f.box(shell, (-half * 0.7, v - 1.6, tall - 8.0), (half * 0.7, v + 0.3, tall - 3.0))
            for u in (-half - 2.0, half + 0.8):
                f.box(shell, (u, v - 1.3, 2.0), (u + 1.2, v + 0.3, tall - 0.8))
    elif bay.lock == "lever":
        for u in (-bay.long * 0.32, bay.long * 0.32):
            for side, edge in ((-1, v0), (1, v1)):
                low = Frame(
                    tuple(f.to_body([(u, edge - 0.2 * side, tall * 0.55)])[0]),
                    (
                        tuple(f.direction((1.0, 0, 0))),
                        tuple(f.direction((0, 0, -1.0 * side))),
                        tuple(f.direction((0, 1.0 * side, 0))),
                    ),
                )
                low.round(shell, [(2.4, 0.0), (2.4, 2.0), (0.2, 2.0)], points=16)
    else:
        for side, edge in ((-1, v0), (1, v1)):
            for t in (tall * 0.35, tall * 0.72):
                f.box(shell, (u0 + 4, edge - 0.2 * side, t), (u1 - 4, edge + 1.5 * side, t + 1.3))


def _pins(
    bay: Bay,
    palette: Palette,
    root: Any,
    part: int,
    draw: random.Random,
    *,
    top: float = 0.0,
    bent: float = 0.0,
    spread: float = 1.0,
) -> None:
    """Contacts in rows; `spread` is the share of the cavity that they take, less where its ends are round."""
    many, few = max(bay.connector.pins), min(bay.connector.pins)
    room = (spread * (bay.long - 2 * bay.wall - 5.0), spread * (bay.wide - 2 * bay.wall - 5.0))
    pitch = (min(room[0] / max(many - 1, 1), 5.5), min(room[1] / max(few - 1, 1), 5.5))
    thick = min(draw.choice((0.64, 0.64, 1.2, 1.6)), 0.42 * min(pitch), 0.34 * room[1])
    blade = draw.choice((1.0, 1.0, 0.45))  # flat blades or square pins
    top = top or bay.tall * draw.uniform(0.5, 0.72)
    stagger = 0.5 * pitch[0] if draw.random() < 0.15 and many > 3 else 0.0
    metal = Solid()
    profile = [(0.0, FLOOR_MM - 0.4), (0.0, top - thick * 0.7), (thick * 0.14, top)]
    square = [rounded_outline((thick, thick * blade), 0.05, inset_mm=i, corner_points=1) for i, _ in profile]
    for row in range(few):
        for column in range(many):
            u = (column - (many - 1) / 2) * pitch[0] + (stagger if row % 2 else 0.0) - stagger / 2
            at = np.array([u, (row - (few - 1) / 2) * pitch[1]])
            lean = np.array([draw.gauss(0, 1), draw.gauss(0, 1)]) if draw.random() < bent else 0.0
            loops = [
                (s + at + lean * max(t - FLOOR_MM, 0) * 0.35, t)
                for s, (_, t) in zip(square, profile, strict=True)
            ]
            bay.frame.loft(metal, loops)
    metal.to_object("pins", palette.pins(), root, part, sharp_deg=30)


def _gasket(bay: Bay, style: Style, palette: Palette, root: Any, part: int, keying: random.Random) -> None:
    """A soft seal: around the floor of the cavity on some, under the flange on others."""
    kind, tint = (
        keying.choice(("none", "none", "inside", "foot")),
        keying.choice(("black",) * 5 + ("red", "green", "orange")),
    )
    seal = Solid()
    if kind == "inside":
        size = (bay.long - 2 * bay.wall - 1.2, bay.wide - 2 * bay.wall - 1.2)
        profile = [(0.0, FLOOR_MM), (0.0, FLOOR_MM + 1.8), (1.3, FLOOR_MM + 1.8), (1.4, FLOOR_MM)]
        bay.frame.prism(seal, size, style.shroud_corner_mm, profile, close_end=False)
    elif kind == "foot" and all(bay.ends):
        start = max(bay.bare_from, 0.0)
        profile = [(-2.4, start - 0.3), (-2.4, start + 0.9), (-1.0, start + 1.1), (0.3, start + 1.1)]
        bay.frame.prism(
            seal, (bay.long, bay.wide), style.shroud_corner_mm, rounded_profile(profile, 0.4), close_end=False
        )
    if seal.faces:
        seal.to_object("gasket", palette.silicone(tint), root, part if kind == "inside" else 0)
