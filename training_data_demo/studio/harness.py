"""Plugs of the harness left in their headers: backshell, lever, and wires that leave the photo."""

import math
import random
from typing import Any

import numpy as np
from plugface.demo.studio.frames import add_tube, bezier, lift
from plugface.demo.studio.headers import FLOOR_MM, Bay
from plugface.demo.studio.materials import Palette
from plugface.demo.studio.meshes import Solid, rounded_outline, rounded_profile

_WIRES = ("BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH")
WRAPS = ("tape", "tape", "corrugated", "corrugated", "braid", "bare", "bare")


def build_plug(
    bay: Bay,
    palette: Palette,
    root: Any,
    wires_part: int,
    draw: random.Random,
    *,
    colour: str,
    ground_z: float,
    reach: tuple[float, float],
    corner_mm: float = 3.0,
) -> np.ndarray:
    """A seated plug with its cable; returns outline points of plug and header in mm, (N, 3).

    Parameters
    ----------
    bay : Bay
    colour : str
        Of the plug's housing.
    ground_z : float
        What the unit lies on: the cable droops down to it.
    reach : (float, float)
        Half the body's width and height: a cable from the face runs over its edge.
    corner_mm : float
        Of the plug's outline; half its length makes a round plug.
    """
    f, tall = bay.frame, bay.tall
    long, wide = bay.long, bay.wide
    part = bay.index + 1
    plug, dark = Solid(), palette.plastic(colour, use="mate")
    skirt = draw.random() < 0.6  # the plug grips the header from outside, else it sits within
    size = (long + 2.6, wide + 2.6) if skirt else (long - 2 * bay.wall - 0.8, wide - 2 * bay.wall - 0.8)
    start = max(bay.bare_from + 1.0, tall * 0.45) if skirt else FLOOR_MM + 1
    top = tall + draw.uniform(6.0, 16.0)
    profile = [(0, start), (0, top - 2), (1.2, top), (4.0, top)]
    f.prism(plug, size, corner_mm, rounded_profile(profile, 0.8), corner_points=6 if corner_mm <= 3.0 else 12)
    for side in (-1, 1):  # grip
        for k in range(draw.choice((0, 3, 4))):
            u = side * size[0] / 2
            f.box(plug, (u, -5 + 3 * k, top - 7), (u + side * 0.9, -3.6 + 3 * k, top - 1.5))
    _lock_plug(plug, bay, size, start, top, draw)
    way, exit_at, out = _backshell(plug, bay, size, top, draw, corner_mm)
    plug.to_object("mating plug", dark, root, part)
    _cable(bay, way, exit_at, out, palette, root, wires_part, draw, ground_z, reach)
    ends = rounded_outline(size, corner_mm)
    return np.concatenate([f.to_body(lift(ends, t)) for t in (start, top)] + [f.to_body(exit_at[None])])


def _lock_plug(plug: Solid, bay: Bay, size, start: float, top: float, draw: random.Random) -> None:
    f, (u, v) = bay.frame, (size[0] / 2, size[1] / 2)
    if bay.lock == "lever":
        # A yoke over the plug: two cheeks and a bar across them.
        swing = draw.choice((-0.36, 0.36, 0.0)) * size[0]
        for side in (-1, 1):
            f.box(plug, (-6 + swing, side * v, start + 1), (6 + swing, side * (v + 2.2), top + 3), 0.8)
        f.box(plug, (-5 + swing, -v - 2.2, top + 1), (5 + swing, v + 2.2, top + 4.5), 1.0)
    elif bay.lock == "slide":
        f.box(plug, (-u - 2, -v - 1.6, top - 9), (u + draw.uniform(2, 9), -v, top - 4), 0.5)
        f.box(plug, (-u - 2, v, top - 9), (u + draw.uniform(2, 9), v + 1.6, top - 4), 0.5)
    else:
        half = min(6.0, bay.long * 0.17)
        f.box(plug, (-half, -v - 3.2, bay.tall * 0.4), (half, -v - 1.4, top - 1), 0.5)
        f.box(plug, (-half, -v - 1.6, top - 4), (half, -v + 1, top - 1), 0.4)


def _backshell(plug: Solid, bay: Bay, size, top: float, draw: random.Random, corner_mm: float):
    """The cover over the wires: open, straight, or turned to one side; gives kind, exit and direction."""
    f = bay.frame
    kind = draw.choice(("open", "straight", "elbow", "elbow"))
    if kind == "open":
        return kind, np.array([0.0, 0.0, top - 1.0]), np.array([0.0, 0.0, 1.0])
    rise = draw.uniform(9, 18)
    if kind == "straight":
        inner = (size[0] * draw.uniform(0.4, 0.8), size[1] * 0.8)
        f.prism(
            plug,
            inner,
            corner_mm,
            rounded_profile(
                [
                    (0, top - 0.5),
                    (0, top + rise * 0.6),
                    (inner[1] * 0.25, top + rise),
                    (inner[1] * 0.42, top + rise),
                ],
                1.5,
            ),
        )
        return kind, np.array([0.0, 0.0, top + rise - 1]), np.array([0.0, 0.0, 1.0])
    side = draw.choice((-1, 1))
    cover = (size[0] * 0.96, size[1] * 0.86)
    f.prism(
        plug,
        cover,
        max(5.0, corner_mm),
        rounded_profile(
            [(0, top - 0.5), (0, top + rise * 0.55), (3.0, top + rise), (cover[1] * 0.4, top + rise)], 2.0
        ),
    )
    f.box(
        plug,
        (side * (size[0] / 2 - 8), -cover[1] * 0.33, top + 0.5),
        (side * (size[0] / 2 + 7), cover[1] * 0.33, top + rise * 0.85),
        1.5,
    )
    return (
        kind,
        np.array([side * (size[0] / 2 + 6), 0.0, top + rise * 0.45]),
        np.array([side * 1.0, 0.0, 0.12]),
    )


def _cable(bay, kind, exit_at, out, palette, root, part, draw, ground_z, reach) -> None:
    """A bundle that droops to the ground and runs on for up to 0.6 m: out of most photos."""
    f = bay.frame
    radius = float(np.clip(0.75 * math.sqrt(bay.connector.pins[0] * bay.connector.pins[1]), 2.2, 8.0))
    radius *= draw.uniform(0.8, 1.15)
    start, way = f.to_body(exit_at[None])[0], f.direction(out)
    away = np.array([*_away(bay, start, way, draw, reach), 0.0])
    floor = np.array([1.0, 1.0, 0.0])
    low = ground_z + radius + 0.5
    free = max(reach[0] - abs(start[0]), 0) * abs(away[0]) + max(reach[1] - abs(start[1]), 0) * abs(away[1])
    first = start + way * (12 + 3 * radius)
    bend = start + way * (18 + 4 * radius) + away * (20 + 3 * radius)
    over = start * floor + away * (free + 30 + 4 * radius)
    over[2] = max(low, min(bend[2], start[2]) - draw.uniform(0, 12))
    side = np.array([-away[1], away[0], 0.0])
    far = over + away * draw.uniform(120, 220) + side * draw.uniform(-110, 110)
    far[2] = low
    end = far + away * draw.uniform(150, 330) + side * draw.uniform(-220, 220)
    end[2] = low
    ahead = (far - over) / max(float(np.linalg.norm(far - over)), 1e-6)
    down = over + ahead * 60
    down[2] = low + 4
    path = bezier(
        [start, first, bend, over, down, far - ahead * 50, far, far + ahead * 60, end - away * 40, end], 26
    )
    wrap = draw.choice(WRAPS)
    bare_first = kind == "open" or draw.random() < 0.3
    skip = draw.randint(6, 14) if bare_first and wrap != "bare" else 0
    if wrap != "bare":
        _wrap(path[max(skip - 2, 0) :], radius, wrap, palette, root, part, draw)
    shown = path if wrap == "bare" else path[: skip + 2]
    if len(shown) > 3:
        _strands(bay, shown, radius, kind, palette, root, part, draw)


def _away(bay: Bay, start, way, draw: random.Random, reach) -> np.ndarray:
    """Where the cable goes on the ground: on as it came, or over the nearest edge of the body."""
    flat = np.array(way[:2], float)
    if np.linalg.norm(flat) < 0.5:
        gaps = {
            (1, 0): reach[0] - start[0],
            (-1, 0): reach[0] + start[0],
            (0, 1): reach[1] - start[1],
            (0, -1): reach[1] + start[1],
        }
        flat = np.array(min(gaps, key=gaps.get), float)
    turn = draw.gauss(0, 0.35) + math.atan2(flat[1], flat[0])
    return np.array([math.cos(turn), math.sin(turn)])


def _wrap(path, radius, wrap, palette, root, part, draw) -> None:
    """Loom tape, corrugated tube or a woven sleeve around the whole bundle."""
    lengths = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    step = {"tape": 2.2, "corrugated": 0.9, "braid": 4.0}[wrap]
    at = np.arange(0, lengths[-1], step)
    fine = np.column_stack([np.interp(at, lengths, path[:, k]) for k in range(3)])
    solid = Solid()
    if wrap == "corrugated":
        swell = np.where(np.arange(len(at)) % 4 < 2, 1.1, 0.94)
    elif wrap == "tape":
        lap = draw.uniform(9, 18)
        swell = 1.0 + 0.07 * ((at / lap) % 1.0) + 0.03 * np.sin(at / 23.0)
    else:
        swell = 1.0 + 0.04 * np.sin(at / 17.0)
    add_tube(solid, fine, radius * swell, sides=12)
    colour = "OG" if wrap == "corrugated" and draw.random() < 0.05 else "BK"
    material = palette.wrap(wrap, colour)
    solid.to_object("loom", material, root, part, sharp_deg=60)


def _strands(bay, path, radius, kind, palette, root, part, draw) -> None:
    """Single wires beside each other, fanned out over the plug's back where it is open."""
    count = min(bay.connector.pins[0] * bay.connector.pins[1], draw.randint(8, 22))
    thin = draw.uniform(0.7, 1.1)
    colours = draw.sample(_WIRES, 3) if draw.random() < 0.7 else ["BK"] * 2 + [draw.choice(_WIRES)]
    field = (bay.long * 0.7, bay.wide * 0.5) if kind == "open" else (radius, radius)
    by_colour: dict[str, Solid] = {}
    n = len(path)
    fan = np.clip(1 - np.arange(n) / max(min(n - 1, 14), 1), 0, 1)[:, None]
    for _ in range(count):
        around, off = draw.uniform(0, 2 * math.pi), radius * math.sqrt(draw.random()) * 0.9
        first = bay.frame.direction(
            (draw.uniform(-0.5, 0.5) * field[0], draw.uniform(-0.5, 0.5) * field[1], 0.0)
        )
        phase = draw.uniform(0, 6.28)
        wander = np.array(
            [math.cos(around) * off, math.sin(around) * off * 0.6, math.sin(around) * off * 0.8]
        )
        swing = np.sin(np.linspace(0, 9, n) + phase)[:, None] * np.array([1.0, 1.0, 0.3]) * radius * 0.25
        line = path + fan * first + (1 - fan) * (wander + swing)
        add_tube(by_colour.setdefault(draw.choice(colours), Solid()), line, thin, sides=6)
    for colour, solid in by_colour.items():
        solid.to_object("wires", palette.plastic(colour, use="wire"), root, part)
