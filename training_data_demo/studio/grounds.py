"""What units lie on: real relief where relief is seen (planks, stones, folds), procedural material for the
rest.

Every maker takes a generator, the recorded `Ground` and the radius in metres that must be covered; the
surface that units lie on is at z = 0 and nothing here rises far above it. Part number 0.
"""

import math

import numpy as np
from plugface.demo.studio import surfaces, yard_grounds
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.clutter import PLASTICS, make_sheet, rolling
from plugface.demo.studio.meshes import Solid, rounded_profile
from plugface.demo.studio.pictures import Pictures


def _root(yaw: float = 0.0):
    root = bpy.data.objects.new("ground", None)
    root.rotation_euler = (0, 0, yaw)
    bpy.context.scene.collection.objects.link(root)
    return root


def _floor(material, z: float, size: float = 14.0) -> None:
    mesh = bpy.data.meshes.new("floor")
    h = size / 2
    mesh.from_pydata([(-h, -h, z), (h, -h, z), (h, h, z), (-h, h, z)], [], [(0, 1, 2, 3)])
    mesh.materials.append(material)
    bpy.context.scene.collection.objects.link(bpy.data.objects.new("floor", mesh))


def make_pallet_wood(rng, ground, reach: float) -> None:
    root = _root(math.radians(ground.yaw_deg))
    planks = surfaces.wood(ground.seed, ground.wetness, ground.grime, ground.tone)
    iron = surfaces.steel(ground.seed, 0.6, 0.9)
    length, across = max(1.2, 2.2 * reach), max(0.8, 2.0 * reach)
    y = -across / 2 - rng.uniform(0, 0.12)
    wide, gap = rng.uniform(0.085, 0.145), rng.uniform(0.006, 0.045)
    stringers = np.linspace(-length / 2 + 0.06, length / 2 - 0.06, max(3, round(length / 0.45)))
    nails = Solid()
    while y < across / 2:
        plank = Solid()
        this = wide * rng.uniform(0.92, 1.05)
        plank.extrude(
            (length * 1000 * rng.uniform(0.985, 1.0), this * 1000),
            1.5,
            rounded_profile([(0, -21), (0, 0), (4, 0)], 1.6),
            close_start=True,
            corner_points=3,
        )
        thing = plank.to_object("plank", planks, root, 0)
        thing.location = (rng.uniform(-0.004, 0.004), y + this / 2, -abs(rng.normal(0, 0.0006)))
        thing.rotation_euler = (rng.normal(0, 0.0025), 0, rng.normal(0, 0.002))
        for x in stringers:
            for offset in (0.25, 0.75):
                at = 1000 * (x + rng.normal(0, 0.006)), 1000 * (y + this * (offset + rng.normal(0, 0.03)))
                nails.turn([(3.4, -0.6), (3.2, 0.15), (0.1, 0.35)], at=at, points=10)
        y += this + gap * rng.uniform(0.6, 1.4)
    nails.to_object("nails", iron, root, 0)
    for x in stringers:
        beam = Solid()
        beam.extrude((95, across * 1000), 2, [(0, -121), (0, -22)], close_start=True, corner_points=3)
        beam.to_object("stringer", planks, root, 0).location = (x, 0, 0)
    _floor(surfaces.concrete(ground.seed + 1, 0.2, 0.8, 0.6), -0.14)


def make_concrete(rng, ground, reach: float) -> None:
    _floor(surfaces.concrete(ground.seed, ground.wetness, ground.grime, 0.55 + 0.6 * ground.tone), 0.0)


def make_steel_bench(rng, ground, reach: float) -> None:
    root = _root(math.radians(ground.yaw_deg))
    top = Solid()
    size = max(1800, 2600 * reach), max(900, 1900 * reach)
    top.extrude(size, 4, rounded_profile([(0, -32), (0, 0), (20, 0)], 4), close_start=True, corner_points=4)
    paints = (None, None, (0.10, 0.16, 0.13), (0.07, 0.10, 0.15), (0.22, 0.22, 0.21))
    paint = paints[int(rng.integers(len(paints)))]
    top.to_object(
        "bench", surfaces.steel(ground.seed, ground.grime, 0.15 + 0.75 * ground.tone, paint), root, 0
    )
    _floor(surfaces.concrete(ground.seed + 1, 0.1, 0.6, 0.7), -0.85)


def make_cardboard(rng, ground, reach: float) -> None:
    size = 1000 * max(0.5, 1.25 * reach)
    z = 0.0
    for layer in range(3):
        root = _root(math.radians(ground.yaw_deg) + layer * rng.uniform(-0.5, 0.5))
        thick = rng.uniform(3, 5)
        sheet = Solid()
        shape = size * rng.uniform(0.9, 1.5), size * rng.uniform(0.8, 1.2)
        sheet.extrude(
            shape, 0.6, rounded_profile([(0, -thick), (0, 0), (3, 0)], 0.5), close_start=True, corner_points=3
        )
        thing = sheet.to_object("sheet", surfaces.cardboard(ground.seed + layer, ground.grime), root, 0)
        thing.location = (*(rng.uniform(-0.25, 0.25, 2) * size / 1000 * min(layer + 0.25, 1)), z)
        z -= thick / 1000 + 0.0006
        if layer == 0 and rng.random() < 0.5:
            tape = Solid()
            tape.extrude((shape[0] * 0.98, 50), 0.5, [(0, 0.05), (0.2, 0.2)], corner_points=2)
            brown = surfaces.plain("tape", (0.33, 0.20, 0.09), 0.22)
            tape.to_object("tape", brown, root, 0).location = (0, rng.uniform(-0.3, 0.3) * size / 1000, 0)
    _floor(surfaces.concrete(ground.seed + 5, ground.wetness, ground.grime, 0.8), z - 0.001)


def make_gravel(rng, ground, reach: float) -> None:
    _floor(surfaces.soil(ground.seed), -0.02)
    material = surfaces.stone(ground.seed, ground.wetness)
    shapes = [_pebble(rng, material) for _ in range(7)]
    size = 0.008 + 0.008 * ground.tone
    half = min(1.5 * reach, 1.1)
    pitch = max(1.45 * size, half / 38)
    grid = np.arange(-half, half, pitch)
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    for layer, depth in ((0, 0.0), (1, 0.55)):
        px = x + rng.uniform(-0.5, 0.5, len(x)) * pitch + layer * pitch / 2
        py = y + rng.uniform(-0.5, 0.5, len(y)) * pitch + layer * pitch / 2
        scale = pitch / 1.45 * rng.uniform(0.6, 1.45, len(x))
        for k in range(len(x)):
            thing = bpy.data.objects.new("stone", shapes[k % len(shapes)])
            thing.location = (px[k], py[k], -scale[k] * 0.75 - depth * pitch + rng.uniform(-0.003, 0.001))
            thing.rotation_euler = rng.uniform(0, 6.3, 3)
            thing.scale = (scale[k],) * 3
            bpy.context.scene.collection.objects.link(thing)


def _pebble(rng, material):
    import bmesh

    ball = bmesh.new()
    bmesh.ops.create_icosphere(ball, subdivisions=3, radius=1.0)
    points = np.array([v.co for v in ball.verts])
    for _ in range(9):  # flatten sides as crushed stone has them
        normal = rng.normal(size=3)
        normal /= np.linalg.norm(normal)
        over = points @ normal - rng.uniform(0.55, 0.9)
        points -= np.outer(np.maximum(over, 0) * 0.93, normal)
    points *= rng.uniform(0.75, 1.15, 3)
    for vertex, co in zip(ball.verts, points, strict=True):
        vertex.co = co
    mesh = bpy.data.meshes.new("stone")
    ball.to_mesh(mesh)
    ball.free()
    mesh.shade_smooth()
    mesh.set_sharp_from_angle(angle=math.radians(50))
    mesh.materials.append(material)
    return mesh


def make_tarpaulin(rng, ground, reach: float) -> None:
    n = 230
    half = 1.7 * reach
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(-half, half, n), np.linspace(-half, half, n)))
    broad = rolling(rng, u, v, 5, 0.28 * max(reach, 0.25))
    creases = np.abs(rolling(rng, u, v, 7, 0.10 * max(reach, 0.25)))
    fold = np.exp(-((np.abs(u * math.cos(1.1) + v * math.sin(1.1) - rng.uniform(-0.2, 0.2)) / 0.006) ** 2))
    z = 0.010 * broad + 0.010 * (1 - creases**0.6) + 0.003 * fold
    z -= np.quantile(z, 0.9)
    shades = [
        PLASTICS["blue"],
        PLASTICS["green"],
        (0.10, 0.10, 0.105),
        (0.30, 0.29, 0.26),
        (0.05, 0.10, 0.06),
    ]
    shade = shades[int(rng.integers(len(shades)))]
    material = surfaces.tarpaulin(ground.seed, shade, ground.grime)
    make_sheet(np.column_stack([u, v, z]), n, "tarpaulin", material, _root(math.radians(ground.yaw_deg)), 0)
    _floor(surfaces.concrete(ground.seed + 1, 0.2, 0.7, 0.7), -0.07)


MAKERS = {
    "pallet wood": make_pallet_wood,
    "concrete": make_concrete,
    "steel bench": make_steel_bench,
    "cardboard": make_cardboard,
    "gravel": make_gravel,
    "tarpaulin": make_tarpaulin,
}


def make_ground(rng, ground, reach: float, pictures: Pictures) -> None:
    """Make what a shot's units lie on, or what is below the hand that holds them."""
    before = set(bpy.context.scene.objects)
    if ground.kind in MAKERS:
        MAKERS[ground.kind](rng, ground, reach)
    else:
        yard_grounds.MAKERS[ground.kind](rng, ground, reach, pictures)
    if ground.wall_m:
        yard_grounds.make_wall(rng, ground, pictures)
    if ground.drop:
        for thing in set(bpy.context.scene.objects) - before:
            if thing.parent is None:
                thing.location[2] -= ground.drop
