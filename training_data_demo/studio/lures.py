"""Things on a plug face that a hasty eye takes for plugs and that are none."""

import random
from typing import Any

import numpy as np
from plugface.demo.studio.faces import Face
from plugface.demo.studio.frames import Frame
from plugface.demo.studio.meshes import Solid, rounded_outline, rounded_profile
from plugface.demo.studio.units import BuiltLure

#: Kind and how often it is drawn.
KINDS = {
    "recess": 5,
    "hatch": 3,
    "test cap": 3,
    "blank plate": 3,
    "vent": 4,
    "switch": 1,
    "fuse cap": 2,
    "window": 2,
    "boss": 3,
    "emblem": 3,
    "foam pad": 1,
    "screw row": 2,
}


def add_lures(face: Face, housing: Any, shell: random.Random, count: int) -> list[BuiltLure]:
    """Put up to `count` of them where there is room; the family's own draw decides: all units have them."""
    found = []
    for _ in range(count):
        kind = shell.choices(tuple(KINDS), tuple(KINDS.values()))[0]
        build, (low, high) = _BUILDERS[kind], _SIZES[kind]
        size = (shell.uniform(low[0], high[0]), shell.uniform(low[1], high[1]))
        size = size if shell.random() < 0.6 else size[::-1]
        spot = face.find_room(size, shell, margin=2.0)
        if spot is None:
            continue
        z = face.z_at(spot)
        on_lid = face.lid is not None and face.lid.meets(spot)
        material = housing.lid_material() if on_lid else housing.material()
        top = build(Frame.on_face(spot.centre, z), spot.size, housing, material, shell)
        face.taken.append(spot)
        outline = rounded_outline(spot.size, 2.0, corner_points=3) + spot.centre
        rings = [np.column_stack([outline, np.full(len(outline), z + t)]) for t in (0.0, top)]
        found.append(BuiltLure(kind, np.concatenate(rings) / 1000))
    return found


def _recess(f: Frame, size, housing, material, shell) -> float:
    """A frame around a lower floor, as a socket's shroud without a socket, or a pocket for a label."""
    high, wall = shell.choice((1.2, 2.5, 6.0, 12.0)), shell.uniform(1.4, 2.4)
    solid = Solid()
    r = shell.choice((1.0, 3.0))
    f.prism(
        solid,
        size,
        r,
        rounded_profile([(-0.5, -0.3), (0, high), (wall, high), (wall + 0.2, 0.15), (wall + 3, 0.15)], 0.4),
    )
    if shell.random() < 0.4:  # ribs across it
        for u in np.arange(-size[0] / 2 + 5, size[0] / 2 - 4, 6.0):
            f.box(solid, (u - 0.6, -size[1] / 2 + wall, 0), (u + 0.6, size[1] / 2 - wall, high * 0.7))
    solid.to_object("recess", material, housing.root, 0)
    return high


def _hatch(f: Frame, size, housing, material, shell) -> float:
    solid = Solid()
    f.prism(solid, size, 2.5, rounded_profile([(0, -0.2), (0, 2.2), (4, 2.2)], 0.6))
    f.box(solid, (-size[0] * 0.2, size[1] / 2 - 3, 2.0), (size[0] * 0.2, size[1] / 2 - 1, 4.0))
    dark = housing.palette.moulded(shell.choice(("BK", "BK", "GY")), housing.style, use="hatch")
    solid.to_object("hatch", dark, housing.root, 0)
    for u in (-1, 1):
        _screw(f, (u * (size[0] / 2 - 4.5), 0.0), 2.1, housing)
    return 4.0


def _screw(f: Frame, at, t: float, housing) -> None:
    head = Solid()
    f.round(
        head, [(3.0, t), (3.0, t + 1.5), (1.3, t + 1.5), (1.2, t + 0.6), (0.1, t + 0.6)], at=at, points=18
    )
    head.to_object("screw", housing.palette.steel(), housing.root, 0)


def _test_cap(f: Frame, size, housing, material, shell) -> float:
    r, solid = min(size) / 2, Solid()
    high = shell.uniform(4, 11)
    f.round(
        solid,
        [
            (r, -0.2),
            (r, 2),
            (r * 0.8, 2.4),
            (r * 0.75, high),
            (r * 0.5, high),
            (r * 0.45, high - 1),
            (0.1, high - 1),
        ],
    )
    tint = shell.choice(("rubber", "rubber", "GY", "RD", "YE", "BU"))
    cap = (
        housing.palette.rubber()
        if tint == "rubber"
        else housing.palette.moulded(tint, housing.style, use="cap")
    )
    solid.to_object("test cap", cap, housing.root, 0)
    return high


def _blank(f: Frame, size, housing, material, shell) -> float:
    """A plate or filler where another version has a socket."""
    solid, high = Solid(), shell.uniform(1.5, 9.0)
    f.prism(
        solid,
        size,
        3.0,
        rounded_profile([(0, -0.2), (0.3, high), (3, high), (4, high - 0.8), (5, high - 0.8)], 0.7),
    )
    tint = shell.choice(("body", "body", "BK", "GY"))
    own = material if tint == "body" else housing.palette.moulded(tint, housing.style, use="blank")
    solid.to_object("blank plate", own, housing.root, 0)
    return high


def _vent(f: Frame, size, housing, material, shell) -> float:
    r, solid = min(size) / 2, Solid()
    f.round(solid, [(r, -0.2), (r, 3), (r * 0.7, 3.2), (r * 0.68, 2.2), (0.1, 2.2)])
    for k in range(6):
        a = k * np.pi / 3
        c, s = np.cos(a), np.sin(a)
        f.box(solid, (r * 0.3 * c - 0.7, r * 0.3 * s - 0.7, 2), (r * 0.3 * c + 0.7, r * 0.3 * s + 0.7, 3.1))
    solid.to_object(
        "vent",
        housing.palette.moulded(shell.choice(("BK", "BK", "GY", "WH")), housing.style, use="vent"),
        housing.root,
        0,
    )
    return 3.2


def _switch(f: Frame, size, housing, material, shell) -> float:
    solid, rocker = Solid(), Solid()
    f.prism(solid, size, 1.5, rounded_profile([(0, -0.2), (0, 2), (2, 2), (2.2, 0.8), (4, 0.8)], 0.4))
    f.box(rocker, (-size[0] / 2 + 2.6, -size[1] / 2 + 2.6, 0.5), (0.0, size[1] / 2 - 2.6, 4.0))
    f.box(rocker, (0.0, -size[1] / 2 + 2.6, 0.5), (size[0] / 2 - 2.6, size[1] / 2 - 2.6, 2.4))
    solid.to_object("switch", housing.palette.plastic("BK", use="switch"), housing.root, 0)
    rocker.to_object(
        "rocker",
        housing.palette.moulded(shell.choice(("BK", "RD", "GN")), housing.style, use="rocker"),
        housing.root,
        0,
    )
    return 4.0


def _fuse_cap(f: Frame, size, housing, material, shell) -> float:
    solid, high = Solid(), shell.uniform(6, 14)
    f.prism(solid, size, 3.0, rounded_profile([(0, -0.2), (0.6, high), (6, high)], 1.6))
    for side in (-1, 1):
        f.box(solid, (side * size[0] / 2, -2.5, 1), (side * (size[0] / 2 + 1.6), 2.5, high - 2))
    solid.to_object(
        "fuse cap",
        housing.palette.moulded(shell.choice(("BK", "BK", "GY", "RD", "WH")), housing.style, use="fuse"),
        housing.root,
        0,
    )
    return high


def _window(f: Frame, size, housing, material, shell) -> float:
    frame, glass = Solid(), Solid()
    f.prism(frame, size, 2.0, rounded_profile([(0, -0.2), (0.3, 1.4), (2, 1.4), (2.1, 0.5), (4, 0.5)], 0.3))
    f.prism(glass, (size[0] - 4.4, size[1] - 4.4), 1.0, [(0, 0.4), (0, 0.8), (2, 0.8)])
    frame.to_object("window frame", material, housing.root, 0)
    glass.to_object("window", housing.palette.resin(shell.choice(("BK", "RD", "GN", "WH"))), housing.root, 0)
    return 1.4


def _boss(f: Frame, size, housing, material, shell) -> float:
    r, solid, high = min(size) / 2, Solid(), shell.uniform(1.0, 7.0)
    f.round(
        solid,
        [
            (r, -0.2),
            (r * 0.92, high),
            (r * 0.45, high),
            (r * 0.42, high - min(high, 4.0)),
            (0.1, high - min(high, 4.0)),
        ],
    )
    solid.to_object("boss", material, housing.root, 0)
    return high


def _emblem(f: Frame, size, housing, material, shell) -> float:
    """A raised or sunken sign of bars and rings."""
    solid, high = Solid(), shell.uniform(0.5, 1.4)
    f.prism(
        solid,
        size,
        min(size) * shell.choice((0.1, 0.5)),
        rounded_profile([(0, -0.2), (0.2, high), (1.6, high), (1.8, 0.1), (3, 0.1)], 0.2),
    )
    for _ in range(shell.randint(1, 4)):
        u, v = (shell.uniform(-0.3, 0.3) * s for s in size)
        f.box(solid, (u - size[0] * 0.12, v - 1, 0), (u + size[0] * 0.12, v + 1, high))
    solid.to_object("emblem", material, housing.root, 0)
    return high


def _foam(f: Frame, size, housing, material, shell) -> float:
    solid, high = Solid(), shell.uniform(2, 7)
    f.prism(solid, size, 0.8, rounded_profile([(0, 0), (0, high), (3, high)], 0.6))
    solid.to_object("foam", housing.palette.rubber(), housing.root, 0)
    return high


def _screw_row(f: Frame, size, housing, material, shell) -> float:
    long = max(size)
    for k in range(3):
        along = (k - 1) * (long / 2 - 4)
        _screw(f, (along, 0.0) if size[0] >= size[1] else (0.0, along), -0.1, housing)
    return 1.6


_SIZES = {
    "recess": ((16, 10), (60, 28)),
    "hatch": ((24, 14), (60, 34)),
    "test cap": ((9, 9), (20, 20)),
    "blank plate": ((18, 12), (55, 26)),
    "vent": ((11, 11), (20, 20)),
    "switch": ((14, 10), (26, 16)),
    "fuse cap": ((16, 10), (40, 24)),
    "window": ((12, 8), (40, 22)),
    "boss": ((8, 8), (16, 16)),
    "emblem": ((12, 10), (40, 22)),
    "foam pad": ((14, 8), (50, 20)),
    "screw row": ((26, 8), (60, 8)),
}
_BUILDERS = {
    "recess": _recess,
    "hatch": _hatch,
    "test cap": _test_cap,
    "blank plate": _blank,
    "vent": _vent,
    "switch": _switch,
    "fuse cap": _fuse_cap,
    "window": _window,
    "boss": _boss,
    "emblem": _emblem,
    "foam pad": _foam,
    "screw row": _screw_row,
}
