"""Plug sockets: shroud, cavity, keys, lock, pins; broken ones; and mating plugs with cut wires."""

import math
import random
from dataclasses import dataclass
from typing import Any

import numpy as np
from plugface.demo.studio.footprint import connector_size_mm
from plugface.demo.studio.materials import Palette
from plugface.demo.studio.meshes import Solid, place, rounded_outline, rounded_profile
from plugface.demo.studio.style import Style

_FLANGE_MM = 1.5  # the foot reaches this far beyond the shroud
_FLOOR_MM = 3.0  # of the cavity, above the foot
_WIRE_COLOURS = ("BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH")


@dataclass(frozen=True)
class Socket:
    """Where and how one socket stands. Millimetres; `z` is the height of its foot."""

    connector: Any
    style: Style
    z: float

    @property
    def at(self) -> tuple[float, float]:
        return self.connector.at_mm

    @property
    def turn_deg(self) -> float:
        return self.connector.turn_deg

    @property
    def outline(self) -> dict:
        return {"chamfer": self.style.shroud_chamfer, "corner_points": 6}

    def to_face(self, points) -> np.ndarray:
        """Points (N, 3) of the socket's own frame in that of the plug face."""
        points = np.asarray(points, float)
        return place(points[:, :2], self.at, self.turn_deg, self.z + points[:, 2])


def build_socket(socket: Socket, palette: Palette, root: Any, part: int, draw: random.Random) -> np.ndarray:
    """Build a whole socket; returns its outline points in mm, (N, 3)."""
    long, wide, tall = connector_size_mm(socket.connector)
    style, wall = socket.style, min(socket.style.shroud_wall_mm, wide * 0.11)
    size, corner = (long, wide), style.shroud_corner_mm
    shell = Solid()
    profile = rounded_profile(
        [
            (-_FLANGE_MM, 0.0),
            (-_FLANGE_MM, 1.8),
            (0.0, 1.8),
            (0.35, tall),
            (wall, tall),
            (wall + 0.35, _FLOOR_MM),
            (wall + 3.0, _FLOOR_MM),
        ],
        0.55,
        steps=3,
    )
    _extrude(shell, socket, size, corner, profile)
    _add_guides(shell, socket, long, wide, tall)
    _add_keys(shell, socket, long, wide, tall, wall)
    _add_lock(shell, socket, long, wide, tall)
    if style.partition and socket.connector.size == "L":
        x = long * (0.5 - 0.36)
        _box(shell, socket, (x - 0.7, -wide / 2 + wall, _FLOOR_MM), (x + 0.7, wide / 2 - wall, tall * 0.62))
    shell.to_object("shroud", palette.plastic(socket.connector.colour), root, part)
    _add_pins(socket, (long, wide, tall, wall), palette, root, part, draw, bent=0.02)
    if style.seal:
        seal = Solid()
        profile = rounded_profile([(-2.6, -0.4), (-2.6, 0.7), (-1.0, 0.7)], 0.5, steps=2)
        _extrude(seal, socket, size, corner, profile, close_end=False)
        seal.to_object("seal", palette.rubber(), root, 0)
    rims = [
        socket.to_face(_lift(rounded_outline(size, corner, inset_mm=inset, **socket.outline), z))
        for inset, z in ((0.35, tall), (-_FLANGE_MM, 0.0), (-_FLANGE_MM, 1.8))
    ]
    return np.concatenate(rims)


def build_broken_socket(
    socket: Socket, palette: Palette, root: Any, part: int, draw: random.Random
) -> np.ndarray:
    """Build what is left of a socket that was broken off; returns its outline points in mm, (N, 3)."""
    long, wide, tall = connector_size_mm(socket.connector)
    wall = socket.style.shroud_wall_mm
    options = socket.outline | {"corner_points": 14}
    n = 4 * options["corner_points"]
    # A jagged break: mostly low, with a splinter or two left standing.
    jag = np.array([draw.uniform(1.9, 4.2) for _ in range(n)])
    for _ in range(draw.randint(1, 3)):
        centre, spread, rise = draw.randrange(n), draw.uniform(2, 6), draw.uniform(2, tall * 0.5)
        gap = np.minimum(np.abs(np.arange(n) - centre), n - np.abs(np.arange(n) - centre))
        jag += rise * np.exp(-((gap / spread) ** 2))
    heights = (
        (-_FLANGE_MM, 0.0),
        (-_FLANGE_MM, 1.6),
        (0.0, 1.8),
        (0.1, jag),
        (wall, jag * 0.93),
        (wall + 0.2, 0.8),
    )
    shell, loops = Solid(), []
    for inset, z in heights:
        outline = rounded_outline((long, wide), socket.style.shroud_corner_mm, inset_mm=inset, **options)
        loops.append(socket.to_face(_lift(outline, z)))
    shell.loft(loops, close_end=True)
    shell.to_object("stub", palette.plastic(socket.connector.colour), root, part, sharp_deg=20)
    _add_pins(socket, (long, wide, 9.0, wall), palette, root, part, draw, bent=0.45)
    return np.concatenate([loops[0], loops[3]])


def build_mating_plug(
    socket: Socket, palette: Palette, root: Any, part: int, wires_part: int, draw: random.Random
) -> np.ndarray:
    """A plug of the harness left in its socket, wires cut; returns outline points in mm, (N, 3)."""
    long, wide, tall = connector_size_mm(socket.connector)
    wall = socket.style.shroud_wall_mm
    inner = (long - 2 * wall - 1.4, wide - 2 * wall - 1.4)
    top = tall + draw.uniform(7.0, 12.0)
    material = palette.plastic(socket.connector.colour, use="mate")
    plug = Solid()
    profile = rounded_profile(
        [(0, _FLOOR_MM + 1), (0, tall + 1.0), (-1.0, tall + 1.0), (-1.0, tall + 4.0), (1.2, top), (3.0, top)],
        0.8,
    )
    _extrude(plug, socket, inner, 2.5, profile)
    # The latch on one long side and a ribbed grip on the short ones.
    side = -wide / 2
    _box(plug, socket, (-6, side - 3.2, tall * 0.45), (6, side - 1.2, top - 1.0))
    _box(plug, socket, (-6, side - 1.6, top - 3.0), (6, side + wall + 2, top - 1.0))
    for end in (-1, 1):
        for k in range(3):
            x = end * (inner[0] / 2 + 0.8)
            _box(plug, socket, (x - 0.6, -4 + 3 * k, tall + 1.4), (x + 0.6, -2.6 + 3 * k, top - 2.0))
    plug.to_object("mating plug", material, root, part)
    _add_wires(socket, (inner[0] - 6, inner[1] - 6), top, palette, root, wires_part, draw)
    outline = rounded_outline(inner, 2.5, inset_mm=-1.0)
    return socket.to_face(_lift(outline, top))


def _add_wires(socket: Socket, field, top, palette, root, part, draw: random.Random) -> None:
    colours = [draw.choice(_WIRE_COLOURS) for _ in range(3)]
    lean, count = draw.uniform(0, 2 * math.pi), draw.randint(7, 16)
    by_colour: dict[str, Solid] = {}
    ends = Solid()
    for _ in range(count):
        x, y = draw.uniform(-0.5, 0.5) * field[0], draw.uniform(-0.5, 0.5) * field[1]
        start = socket.to_face([(x, y, top - 1.5)])[0]
        reach, rise = draw.uniform(12, 34), draw.uniform(14, 32)
        direction = lean + draw.gauss(0, 0.35)
        along, up = np.array([math.cos(direction), math.sin(direction), 0.0]), np.array([0.0, 0.0, rise])
        controls = np.array([start, start + up * 0.6, start + along * reach * 0.5 + up])
        controls = np.vstack([controls, start + along * reach + up * draw.uniform(0.5, 1.1)])
        t = np.linspace(0, 1, 12)[:, None]
        path = (
            (1 - t) ** 3 * controls[0]
            + 3 * t * (1 - t) ** 2 * controls[1]
            + 3 * t * t * (1 - t) * controls[2]
            + t**3 * controls[3]
        )
        _add_tube(by_colour.setdefault(draw.choice(colours), Solid()), path, 0.95)
        tip = path[-1] + (path[-1] - path[-2]) / np.linalg.norm(path[-1] - path[-2]) * draw.uniform(0.5, 4)
        _add_tube(ends, np.array([path[-1], tip]), 0.5)
    for colour, solid in by_colour.items():
        solid.to_object("wires", palette.plastic(colour, use="wire"), root, part)
    ends.to_object("wire ends", palette.copper(), root, part)


def _add_tube(solid: Solid, path: np.ndarray, radius: float) -> None:
    tangents = np.gradient(path, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    angles = np.linspace(0, 2 * math.pi, 7, endpoint=False)
    across = np.cross(tangents[0], [0.31, 0.87, 0.39])
    loops = []
    for point, tangent in zip(path, tangents, strict=True):
        across = across - tangent * (across @ tangent)
        across /= np.linalg.norm(across)
        other = np.cross(tangent, across)
        loops.append(point + radius * (np.cos(angles)[:, None] * across + np.sin(angles)[:, None] * other))
    solid.loft(loops, close_end=True)


def _add_guides(shell: Solid, socket: Socket, long, wide, tall) -> None:
    """Ribs outside the long walls; one side has them spaced otherwise, which keys the plug."""
    count = socket.style.guide_ribs
    for side in (-1, 1):
        for k in range(count):
            share = (k + 0.5) / count - 0.5
            x = long * 0.72 * (share if side > 0 else share * 0.8 + 0.06)
            if socket.style.lock != "lever" and side < 0 and abs(x) < 7:
                continue
            y = side * wide / 2
            _box(
                shell,
                socket,
                (x - 0.8, min(y, y + side * 1.1), 1.8),
                (x + 0.8, max(y, y + side * 1.1), tall - 2.5),
            )


def _add_keys(shell: Solid, socket: Socket, long, wide, tall, wall) -> None:
    """Keying ribs inside, unevenly spaced so that no other plug fits."""
    pins = socket.connector.pins
    count = socket.style.key_ribs
    for k in range(count):
        x = long * 0.7 * ((k + 0.5) / count - 0.5) + (pins[0] * 3 + pins[1]) % 5 - 2
        y = wide / 2 - wall
        _box(shell, socket, (x - 0.6, y - 1.2, _FLOOR_MM), (x + 0.6, y, tall - 1.8))


def _add_lock(shell: Solid, socket: Socket, long, wide, tall) -> None:
    y, half = -wide / 2, min(5.0, long * 0.17)
    if socket.style.lock == "ramp":
        corners = [
            (-half, 0, 0),
            (half, 0, 0),
            (-half, -2.2, 0),
            (half, -2.2, 0),
            (-half, 0, 5.0),
            (half, 0, 5.0),
        ]
        wedge = np.add(corners, (0, y + 0.2, tall - 8.5))
        faces = [(0, 2, 3, 1), (2, 4, 5, 3), (0, 4, 2), (1, 3, 5), (0, 1, 5, 4)]
        shell.add(socket.to_face(wedge), faces)
        for x in (-half - 2.0, half + 0.8):
            _box(shell, socket, (x, y - 1.4, 1.8), (x + 1.2, y + 0.3, tall - 1.0))
    elif socket.style.lock == "arch":
        for x in (-half - 1.5, half):
            _box(shell, socket, (x, y - 2.4, 5.0), (x + 1.5, y + 0.3, tall - 1.5))
        _box(shell, socket, (-half, y - 2.4, tall - 4.0), (half, y - 1.0, tall - 1.5))
    else:
        for end in (-1, 1):
            x = end * long / 2
            ring = Solid()
            ring.turn(rounded_profile([(2.6, 0), (2.6, 1.8), (0.2, 1.8)], 0.5), points=16)
            points = np.concatenate(ring.vertices)
            boss = np.column_stack(
                [x + end * (points[:, 2] - 0.1), points[:, 0] * end, tall * 0.55 + points[:, 1]]
            )
            shell.add(socket.to_face(boss), ring.faces)
        _box(shell, socket, (-half, y - 1.2, tall - 6.0), (half, y + 0.3, tall - 4.6))


def _add_pins(socket: Socket, sizes, palette, root, part, draw: random.Random, *, bent: float) -> None:
    long, wide, tall, wall = sizes
    many, few = max(socket.connector.pins), min(socket.connector.pins)
    room = (long - 2 * wall - 5.0, wide - 2 * wall - 5.0)
    pitch = (min(room[0] / max(many - 1, 1), 5.0), min(room[1] / max(few - 1, 1), 5.0))
    thick = min(1.5, 0.42 * min(pitch), 0.34 * room[1])
    top, floor = (tall * 0.62, _FLOOR_MM) if bent < 0.2 else (tall * 0.7, 0.8)
    split = socket.style.partition and socket.connector.size == "L" and bent < 0.2
    metal = Solid()
    profile = [(0.0, floor - 0.2), (0.0, top - thick * 0.7), (thick * 0.28, top)]
    square = [rounded_outline((thick, thick * 0.7), 0.05, inset_mm=i, corner_points=1) for i, _ in profile]
    for row in range(few):
        for column in range(many):
            x, y = (column - (many - 1) / 2) * pitch[0], (row - (few - 1) / 2) * pitch[1]
            if split and abs(x - long * 0.14) < 1.4 * thick:
                continue
            lean = (draw.gauss(0, 1), draw.gauss(0, 1)) if draw.random() < bent else (0.0, 0.0)
            metal.loft(
                [
                    socket.to_face(_lift(s + np.array([x, y]) + np.array(lean) * max(z - floor, 0) * 0.35, z))
                    for s, (_, z) in zip(square, profile, strict=True)
                ],
                close_end=True,
            )
    if metal.faces:
        metal.to_object("pins", palette.pins(), root, part, sharp_deg=30)


def _extrude(solid: Solid, socket: Socket, size, corner, profile, *, close_end=True) -> None:
    solid.extrude(
        size,
        corner,
        [(inset, socket.z + z) for inset, z in profile],
        at=socket.at,
        turn_deg=socket.turn_deg,
        close_end=close_end,
        **socket.outline,
    )


def _box(solid: Solid, socket: Socket, low, high) -> None:
    """A small block with bevelled upright and top edges, in the socket's frame."""
    low, high = np.minimum(low, high), np.maximum(low, high)
    size = high - low
    edge = 0.22 * min(size)
    profile = [(0.0, low[2]), (0.0, high[2] - edge), (edge, high[2])]
    middle = (low + high)[:2] / 2
    loops = [
        socket.to_face(_lift(rounded_outline(size[:2], edge, inset_mm=i, corner_points=2) + middle, z))
        for i, z in profile
    ]
    solid.loft(loops, close_end=True)


def _lift(outline: np.ndarray, z) -> np.ndarray:
    return np.column_stack([outline, np.broadcast_to(z, len(outline))])
