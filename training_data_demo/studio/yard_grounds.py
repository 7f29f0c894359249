"""What units lie on at home, on a bench or in a vehicle: boards, worktops, paper, cloth, tiles, carpet,
metal, an engine bay, a footwell.

Makers are those of `grounds` with the pictures of surfaces beside; where no picture is at hand the surface is
drawn by code. Our own choice of colours.
"""

import math

import numpy as np
from plugface.demo.studio import surfaces
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.clutter import PLASTICS, curve, make_sheet, plastic, rolling
from plugface.demo.studio.meshes import Solid, rounded_profile
from plugface.demo.studio.pictures import Pictures

_WOODS = (
    ((0.52, 0.33, 0.17), (0.30, 0.17, 0.075)),
    ((0.34, 0.17, 0.07), (0.16, 0.07, 0.028)),
    ((0.60, 0.46, 0.30), (0.42, 0.29, 0.17)),
    ((0.19, 0.10, 0.05), (0.075, 0.035, 0.018)),
    ((0.42, 0.39, 0.35), (0.26, 0.235, 0.21)),
    ((0.52, 0.27, 0.12), (0.33, 0.14, 0.05)),
)
_WHITES = ((0.80, 0.80, 0.79), (0.72, 0.71, 0.67), (0.84, 0.83, 0.80), (0.66, 0.68, 0.70))


def _root(ground):
    root = bpy.data.objects.new("ground", None)
    root.rotation_euler = (0, 0, math.radians(ground.yaw_deg))
    bpy.context.scene.collection.objects.link(root)
    return root


def _plane(material, ground, z: float = 0.0, half: float = 6.0) -> None:
    mesh = bpy.data.meshes.new("floor")
    corners = [(-half, -half, z), (half, -half, z), (half, half, z), (-half, half, z)]
    mesh.from_pydata(corners, [], [(0, 1, 2, 3)])
    mesh.materials.append(material)
    thing = bpy.data.objects.new("floor", mesh)
    thing.parent = _root(ground)
    bpy.context.scene.collection.objects.link(thing)


def _one_of(rng, values):
    return values[int(rng.integers(len(values)))]


def _pictured(rng, ground, pictures: Pictures, words, low: float, high: float, **how):
    """A photographed surface in three of four cases, where there is one; else None."""
    found = pictures.surfaces(*words)
    if not found or rng.random() > 0.75:
        return None
    gain = rng.uniform(0.65, 1.15)
    tint = tuple(float(np.clip(gain * rng.normal(1, 0.05), 0.3, 1.25)) for _ in range(3))
    return surfaces.pictured(
        _one_of(rng, found), float(rng.uniform(low, high)), seed=ground.seed, tint=tint, **how
    )


def _wood(rng, ground, pictures: Pictures):
    photographed = _pictured(
        rng, ground, pictures, ("wood",), 0.35, 1.0, roughness=float(rng.uniform(0.3, 0.65))
    )
    return photographed or surfaces.boards(ground.seed, *_one_of(rng, _WOODS), ground.tone)


def make_floorboards(rng, ground, reach, pictures) -> None:
    _plane(_wood(rng, ground, pictures), ground)


def make_worktop(rng, ground, reach, pictures) -> None:
    material = _pictured(
        rng,
        ground,
        pictures,
        ("wood", "plaster", "ceramic"),
        0.4,
        0.9,
        roughness=float(rng.uniform(0.25, 0.6)),
    )
    if material is None:
        shades = (*_WHITES, (0.05, 0.05, 0.052), (0.25, 0.25, 0.25), (0.42, 0.34, 0.25), (0.12, 0.17, 0.25))
        shade = _one_of(rng, shades)
        varied = rng.uniform(0.3, 1.8) if rng.random() < 0.5 else 1.0  # as often one even tone
        specks = tuple(float(np.clip(c * varied, 0, 0.9)) for c in shade)
        material = surfaces.laminate(ground.seed, shade, specks, float(rng.random()))
    top = Solid()
    size = max(1100, 2400 * reach), 600 + 500 * ground.tone
    top.extrude(size, 3, rounded_profile([(0, -38), (0, 0), (20, 0)], 4), close_start=True, corner_points=4)
    top.to_object("worktop", material, _root(ground), 0)
    _plane(surfaces.tiles(ground.seed + 1, (0.3, 0.28, 0.25), (0.12, 0.12, 0.12), 0.3, 0.4), ground, -0.85)


def make_paper(rng, ground, reach, pictures) -> None:
    """Sheets of paper, a poster's back or kitchen paper on a table."""
    _plane(_wood(rng, ground, pictures), ground, -0.0025)
    material = surfaces.paper(ground.seed, _one_of(rng, _WHITES), rng.random() < 0.25)
    size = _one_of(rng, ((297, 420), (420, 594), (594, 841), (210, 297)))
    for k in range(int(rng.integers(1, 4))):
        n = 24
        u, v = (a.ravel() for a in np.meshgrid(np.linspace(-0.5, 0.5, n), np.linspace(-0.5, 0.5, n)))
        x, y = u * size[0] / 1000, v * size[1] / 1000
        z = 0.0012 * rolling(rng, x, y, 3, 0.2) - 0.0007 * k
        root = _root(ground)
        root.rotation_euler[2] += float(rng.normal(0, 0.12)) * k
        make_sheet(
            np.column_stack([x + 0.12 * k * rng.normal(), y + 0.1 * k * rng.normal(), z]),
            n,
            "paper",
            material,
            root,
            0,
        )


def make_cloth(rng, ground, reach, pictures) -> None:
    """A bed sheet, a towel or a blanket with soft folds."""
    n = 130
    half = 1.6 * reach
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(-half, half, n), np.linspace(-half, half, n)))
    folds = np.abs(rolling(rng, u, v, 5, 0.16)) ** 0.8
    z = 0.012 * rolling(rng, u, v, 4, 0.3) + 0.010 * ground.tone * folds
    z -= np.quantile(z, 0.9)
    shades = (
        *_WHITES,
        *_WHITES,
        (0.20, 0.30, 0.45),
        (0.33, 0.33, 0.33),
        (0.38, 0.12, 0.10),
        (0.05, 0.055, 0.07),
    )
    material = (
        _pictured(rng, ground, pictures, ("felt",), 0.3, 0.5, roughness=0.95) if rng.random() < 0.2 else None
    )
    material = material or surfaces.cloth("bed sheet", _one_of(rng, shades), 0.15 * ground.grime, ground.seed)
    make_sheet(np.column_stack([u, v, z]), n, "cloth", material, _root(ground), 0)
    _plane(_wood(rng, ground, pictures), ground, -0.06)


def make_tiles(rng, ground, reach, pictures) -> None:
    material = _pictured(rng, ground, pictures, ("tile", "bricks"), 0.4, 1.2, roughness=0.3)
    shades = (*_WHITES, (0.42, 0.24, 0.14), (0.36, 0.34, 0.31), (0.12, 0.12, 0.125), (0.50, 0.43, 0.33))
    joints = ((0.3, 0.29, 0.27), (0.08, 0.08, 0.08), (0.6, 0.59, 0.56))
    side = float(_one_of(rng, (0.05, 0.1, 0.15, 0.3, 0.45)))
    material = material or surfaces.tiles(
        ground.seed, _one_of(rng, shades), _one_of(rng, joints), side, float(rng.random())
    )
    _plane(material, ground)


def _carpet(rng, ground):
    shades = (
        (0.03, 0.03, 0.032), (0.10, 0.10, 0.105), (0.25, 0.24, 0.22), (0.05, 0.07, 0.14), (0.24, 0.17, 0.11),
        (0.16, 0.03, 0.03), (0.42, 0.37, 0.30), (0.08, 0.12, 0.09),
    )  # fmt: skip
    return surfaces.carpet(ground.seed, _one_of(rng, shades), _one_of(rng, shades), float(rng.random()) ** 2)


def make_carpet(rng, ground, reach, pictures) -> None:
    _plane(_carpet(rng, ground), ground)


def make_slab(rng, ground, reach, pictures) -> None:
    material = _pictured(rng, ground, pictures, ("plaster", "dirt", "clay"), 0.5, 1.4, roughness=0.75)
    tone = 0.45 + 0.8 * ground.tone
    _plane(material or surfaces.concrete(ground.seed, ground.wetness, ground.grime, tone), ground)


def _metal(rng, ground, pictures):
    material = _pictured(
        rng, ground, pictures, ("steel", "metal"), 0.25, 0.8,
        roughness=float(rng.uniform(0.22, 0.5)), metallic=float(rng.uniform(0.6, 0.95)),
    )  # fmt: skip
    paint = _one_of(
        rng, (None, None, (0.10, 0.16, 0.13), (0.05, 0.09, 0.2), (0.3, 0.3, 0.29), (0.4, 0.05, 0.04))
    )
    return material or surfaces.steel(ground.seed, ground.grime, 0.1 + 0.5 * ground.tone, paint)


def make_metal_bench(rng, ground, reach, pictures) -> None:
    top = Solid()
    size = max(1400, 2400 * reach), max(700, 1500 * reach)
    top.extrude(size, 4, rounded_profile([(0, -32), (0, 0), (20, 0)], 3), close_start=True, corner_points=4)
    top.to_object("bench", _metal(rng, ground, pictures), _root(ground), 0)
    _plane(surfaces.concrete(ground.seed + 1, 0.1, 0.6, 0.7), ground, -0.85)


def _tubes(rng, root, count: int, low: float, high: float, spread: float) -> None:
    """Hoses, looms and pipes that cross at all heights between two levels."""
    shades = ("black",) * 8 + ("grey", "blue", "red", "yellow", "brown")
    for _ in range(count):
        radius = float(rng.choice((0.003, 0.005, 0.008, 0.014, 0.02)))
        angle, away = rng.uniform(0, 2 * math.pi), rng.uniform(-spread, spread)
        along = np.linspace(-1.1, 1.1, 12)
        wave = 0.06 * np.cumsum(rng.normal(0, 1, 12)) * 0.5
        x = along * math.cos(angle) - (away + wave) * math.sin(angle)
        y = along * math.sin(angle) + (away + wave) * math.cos(angle)
        z = np.full(12, rng.uniform(low, high) - radius) + rng.normal(0, 0.012, 12)
        curve(
            np.column_stack([x, y, np.minimum(z, high - radius)]),
            radius,
            plastic(str(rng.choice(shades)), 0.5),
            root,
            0,
        )


def _blocks(rng, ground, root, count: int, low: float, high: float, pictures) -> None:
    """Castings, tanks, brackets and covers: rounded blocks in paint, plastic and bare metal."""
    metal = _metal(rng, ground, pictures)
    for _ in range(count):
        block = Solid()
        w, d = rng.uniform(50, 320, 2)
        h = 1000 * rng.uniform(0.03, high - low)
        edge = rng.uniform(2, 18)
        profile = rounded_profile([(0, 0), (rng.uniform(0, 0.05) * min(w, d), h), (min(w, d) / 2, h)], edge)[
            :-1
        ]
        block.extrude((w, d), rng.uniform(2, 0.4 * min(w, d)), profile, close_start=True, corner_points=5)
        drawn = rng.random()
        if drawn < 0.45:
            material = metal
        elif drawn < 0.75:
            shade = PLASTICS[str(rng.choice(["black", "black", "black", "grey", "white"]))]
            material = surfaces.tarpaulin(int(rng.integers(999)), shade, 0.8)
        else:
            material = surfaces.steel(int(rng.integers(999)), 0.9, 0.4, tuple(rng.uniform(0.01, 0.2, 3)))
        thing = block.to_object("block", material, root, 0)
        angle, away = rng.uniform(0, 2 * math.pi), rng.uniform(0.2, 0.75)
        thing.location = (away * math.cos(angle), away * math.sin(angle), low)
        thing.rotation_euler = (*rng.normal(0, 0.08, 2), rng.uniform(0, 6.3))


def make_engine_bay(rng, ground, reach, pictures) -> None:
    """A bracket over castings, hoses and looms."""
    root = _root(ground)
    tone = rng.uniform(0.01, 0.35)
    shade = tuple(float(np.clip(tone * rng.uniform(0.5, 1.4), 0.01, 0.5)) for _ in range(3))
    paint = surfaces.steel(ground.seed + 2, 0.9, 0.5, shade)
    _plane(paint if rng.random() < 0.5 else _metal(rng, ground, pictures), ground, -0.24, 1.4)
    _blocks(rng, ground, root, int(rng.integers(7, 14)), -0.24, 0.03, pictures)
    _tubes(rng, root, int(rng.integers(8, 18)), -0.16, 0.0, 0.6)
    shelf = Solid()
    size = rng.uniform(180, 420), rng.uniform(140, 300)
    shelf.extrude(size, 6, rounded_profile([(0, -3), (0, 0), (20, 0)], 1), close_start=True, corner_points=4)
    shelf.to_object("bracket", _metal(rng, ground, pictures), root, 0)


def make_footwell(rng, ground, reach, pictures) -> None:
    """Carpet or mat between trims, with looms across."""
    _plane(_carpet(rng, ground), ground)
    root = _root(ground)
    for side in range(4):
        if rng.random() < 0.35:
            continue
        wall = Solid()
        profile = rounded_profile([(0, 0), (30 * rng.random(), 320), (60, 330)], 14)
        wall.extrude((1400, 160), 20, profile, close_start=True, corner_points=4)
        shade = str(rng.choice(["black", "grey", "black", "brown"]))
        thing = wall.to_object("trim", plastic(shade, 0.6), root, 0)
        away, angle = rng.uniform(0.3, 0.6), side * math.pi / 2
        thing.location = (away * math.cos(angle), away * math.sin(angle), -0.01)
        thing.rotation_euler = (0, 0, angle + math.pi / 2 + rng.normal(0, 0.1))
    _tubes(rng, root, int(rng.integers(0, 7)), 0.0, 0.02, 0.4)


def make_seamless(rng, ground, reach, pictures) -> None:
    """An even sheet that rises behind, as goods are photographed: white mostly."""
    shades = (
        *(((0.86, 0.86, 0.85),) * 5),
        (0.5, 0.5, 0.5),
        (0.02, 0.02, 0.021),
        (0.10, 0.30, 0.62),
        (0.75, 0.70, 0.6),
    )
    shade = _one_of(rng, shades)
    _plane(surfaces.laminate(ground.seed, shade, shade, 0.2 * float(rng.random())), ground)


def make_cutting_mat(rng, ground, reach, pictures) -> None:
    """A mat with a printed grid on a table."""
    shade = _one_of(rng, ((0.02, 0.12, 0.07), (0.025, 0.06, 0.16), (0.05, 0.05, 0.055), (0.16, 0.17, 0.18)))
    pitch = float(_one_of(rng, (0.01, 0.0127, 0.0254)))
    material = surfaces.ruled(ground.seed, shade, tuple(min(1.0, 3.5 * c + 0.08) for c in shade), pitch)
    mat = Solid()
    mat.extrude((620, 470), 8, [(0, -3), (0, 0), (200, 0)], close_start=True, corner_points=4)
    mat.to_object("mat", material, _root(ground), 0)
    _plane(_wood(rng, ground, pictures), ground, -0.003)


def make_wall(rng, ground, pictures: Pictures) -> None:
    """A wall, a cupboard or a heap of things behind the units, for cameras that look along the ground."""
    material = _pictured(
        rng,
        ground,
        pictures,
        ("plaster", "bricks", "wood", "tile"),
        0.6,
        1.6,
        roughness=float(rng.uniform(0.4, 0.9)),
    )
    shades = (
        *_WHITES,
        (0.35, 0.38, 0.42),
        (0.5, 0.42, 0.3),
        (0.06, 0.06, 0.065),
        (0.2, 0.26, 0.2),
        (0.3, 0.12, 0.08),
    )
    shade = _one_of(rng, shades)
    material = material or surfaces.laminate(ground.seed + 3, shade, shade, float(rng.random()))
    root = bpy.data.objects.new("wall", None)
    angle = math.radians(ground.wall_deg)
    root.location = (ground.wall_m * math.cos(angle), ground.wall_m * math.sin(angle), 0.0)
    root.rotation_euler = (0, 0, angle - math.pi / 2 + float(rng.normal(0, 0.15)))
    bpy.context.scene.collection.objects.link(root)
    wall = Solid()
    tall = 1000 * rng.uniform(0.5, 1.6)
    wall.extrude((5000, 30), 2, [(0, -900), (0, tall)], close_start=True, corner_points=2)
    wall.to_object("wall", material, root, 0)
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(2, 8))):
            block = Solid()
            w, d, h = rng.uniform(40, 300), rng.uniform(30, 140), rng.uniform(30, 380)
            block.extrude(
                (w, d), 4, rounded_profile([(0, 0), (0, h), (min(w, d) / 2, h)], 3)[:-1], close_start=True
            )
            paint = surfaces.plain(
                f"paint {rng.integers(9)}", tuple(rng.uniform(0.01, 0.6, 3)), float(rng.uniform(0.2, 0.7))
            )
            thing = block.to_object("block", paint, root, 0)
            thing.location = (rng.uniform(-0.7, 0.7), -0.02 - d / 2000 - rng.uniform(0, 0.05), 0)


MAKERS = {
    "floorboards": make_floorboards,
    "worktop": make_worktop,
    "paper": make_paper,
    "sheet": make_cloth,
    "tiles": make_tiles,
    "carpet": make_carpet,
    "slab": make_slab,
    "metal bench": make_metal_bench,
    "engine bay": make_engine_bay,
    "footwell": make_footwell,
    "seamless": make_seamless,
    "cutting mat": make_cutting_mat,
}
