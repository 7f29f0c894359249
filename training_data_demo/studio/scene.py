"""From a shot to a scene: ground, units at rest, loose things, light, camera, and where everything is in the
picture.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from plugface.demo.studio import clutter, decoys, grounds, lights, rest
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.families import unit_spec
from plugface.demo.studio.meshes import Solid, rounded_profile
from plugface.demo.studio.pictures import NO_PICTURES, Pictures
from plugface.demo.studio.shots import GRIPS, HANDS, THINGS, YARD_THINGS, Placed, Shot
from plugface.demo.studio.surfaces import wood
from plugface.demo.studio.units import WIRES, BuiltUnit, build_unit

UNIT_STRIDE = 32  # object index = 32 * unit number + part


@dataclass(frozen=True)
class BuiltScene:
    """What was built for a shot."""

    units: tuple[BuiltUnit, ...]
    camera: Any


def build_scene(shot: Shot, textures: Path, pictures: Pictures = NO_PICTURES) -> BuiltScene:
    """Build a shot in an empty Blender scene.

    Parameters
    ----------
    shot : Shot
    textures : Path
        Folder of label textures, see `labels.write_textures`.
    pictures : Pictures
        Surroundings and surfaces from elsewhere.
    """
    rng = np.random.default_rng(shot.seed)
    reach = _reach(shot)
    grounds.make_ground(np.random.default_rng(shot.ground.seed), shot.ground, reach, pictures)
    built = []
    for number, placed in enumerate(shot.units, start=1):
        unit = build_unit(unit_spec(placed.unit), textures)
        for thing in (unit.root, *unit.root.children_recursive):
            thing.pass_index += UNIT_STRIDE * number
        _set_down(unit, placed, rng, alone=len(shot.units) == 1)
        built.append(unit)
    for thing in shot.things:
        _lay_down(thing)
    bpy.context.view_layer.update()
    camera, target, span = _set_camera(shot, built)
    lights.light_scene(shot.light, camera, target, span, pictures)
    return BuiltScene(tuple(built), camera)


def _reach(shot: Shot) -> float:
    """Half the width of what the camera can see, roughly, in metres."""
    far = max((math.hypot(p.pose.x, p.pose.y) for p in shot.units), default=0.15)
    return max(0.55, far + 0.5)


def _points(root, with_wires: bool = False) -> np.ndarray:
    """Vertices of all meshes below a root, in world coordinates, shape (N, 3); thinned to those that stand
    out.
    """
    kept = []
    for thing in root.children_recursive:
        if thing.type != "MESH" or (thing.pass_index % UNIT_STRIDE == WIRES and not with_wires):
            continue
        co = np.empty(3 * len(thing.data.vertices))
        thing.data.vertices.foreach_get("co", co)
        matrix = np.array(thing.matrix_world)
        if len(co):
            kept.append(rest.extreme_points(co.reshape(-1, 3) @ matrix[:3, :3].T + matrix[:3, 3]))
    return np.concatenate(kept)


def _matrix(turn, shift):
    from mathutils import Matrix

    full = np.eye(4)
    full[:3, :3], full[:3, 3] = turn, shift
    return Matrix(full.tolist())


def _about(axis, degrees: float) -> np.ndarray:
    """Rotation about an axis, Rodrigues' formula."""
    axis = np.asarray(axis, float) / np.linalg.norm(axis)
    a = math.radians(degrees)
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + math.sin(a) * k + (1 - math.cos(a)) * k @ k


#: Turns that bring a face or an edge of the unit up.
_FACE_UP = {
    "front": lambda: np.eye(3),
    "back": lambda: _about((0, 1, 0), 180),
    "edge top": lambda: _about((1, 0, 0), 90),
    "edge bottom": lambda: _about((1, 0, 0), -90),
    "edge right": lambda: _about((0, 1, 0), -90),
    "edge left": lambda: _about((0, 1, 0), 90),
}


def _set_down(unit: BuiltUnit, placed: Placed, rng, alone: bool) -> None:
    """Bring a unit to rest: flat, turned over, propped up on an offcut, or across what lies there already."""
    pose = placed.pose
    bpy.context.view_layer.update()
    local = _points(unit.root)
    turn = _FACE_UP[pose.face]()
    turn = rest.resting_turn(local @ turn.T) @ turn
    if pose.lean_deg:
        side = math.radians(pose.lean_to_deg)
        lifted = turn @ np.array([math.cos(side), math.sin(side), 0.0])
        turn = _about(np.cross(lifted * (1, 1, 0), (0, 0, 1)), pose.lean_deg) @ turn
    turn = _about((0, 0, 1), pose.yaw_deg) @ turn
    shift = np.array([pose.x, pose.y, 0.0])
    if pose.lean_deg:
        points = local @ turn.T
        shift[2] = -points[:, 2].min()
        if pose.lean_deg < 80:  # on its edge a unit stands by itself
            _prop(points + shift, rng)
    else:
        turn, shift = _drop(unit, local, turn, shift, 1 if alone else 6)
    unit.root.matrix_world = _matrix(turn, shift)
    bpy.context.view_layer.update()


def _drop(unit: BuiltUnit, local, turn, shift, tries: int) -> tuple[np.ndarray, np.ndarray]:
    """Lower a unit onto what lies below; moved outwards while it would stand too steeply."""
    unit.root.matrix_world = _matrix(turn, (0, 0, 60))
    points = local @ turn.T
    low, high = points.min(0), points.max(0)
    step = max(0.005, float((high - low)[:2].max()) / 40)
    x, y = (
        a.ravel() for a in np.meshgrid(np.arange(low[0], high[0], step), np.arange(low[1], high[1], step))
    )
    under, inside = rest.underside(points, x, y)
    x, y, under = x[inside], y[inside], under[inside]
    outward = shift[:2] / max(float(np.hypot(*shift[:2])), 1e-6)
    for attempt in range(tries):
        at = shift[:2] + outward * 0.03 * attempt
        gap = _heights(x + at[0], y + at[1]) - under
        normal, level = rest.supporting_plane(x, y, gap, np.zeros(2))
        if normal[2] > math.cos(math.radians(24)):
            break
    tilt = rest.rotation_between(np.array([0.0, 0.0, 1.0]), normal)
    settled = np.array([*at, level + 0.0003])
    return tilt @ turn, settled


def _heights(x, y) -> np.ndarray:
    """Height of the scene's meshes from above, not lower than 20 mm below the ground's level.

    Only meshes whose box lies over a position are asked: Blender's own ray cast asks all, and gravel has
    thousands.
    """
    bpy.context.view_layer.update()
    things = [thing for thing in bpy.context.scene.objects if thing.type == "MESH"]
    heights = np.full(len(x), -0.02)
    if not things:
        return heights
    matrices = np.array([thing.matrix_world for thing in things])
    boxes = np.array([[tuple(corner) for corner in thing.bound_box] for thing in things])
    boxes = np.einsum("nij,nkj->nki", matrices[:, :3, :3], boxes) + matrices[:, None, :3, 3]
    low, high = boxes.min(1), boxes.max(1)
    low_x, low_y, high_x, high_y = low[:, 0], low[:, 1], high[:, 0], high[:, 1]
    back = [thing.matrix_world.inverted_safe() for thing in things]
    for k in range(len(x)):
        over = (low_x <= x[k]) & (x[k] <= high_x) & (low_y <= y[k]) & (y[k] <= high_y)
        for n in np.flatnonzero(over & (high[:, 2] > heights[k]) & (low[:, 2] < 5.0)):
            inverse = back[n]
            start = inverse @ _vector((x[k], y[k], 5.0))
            hit, where, *_ = things[n].ray_cast(start, inverse.to_3x3() @ _vector((0.0, 0.0, -1.0)))
            if hit:
                heights[k] = max(heights[k], (things[n].matrix_world @ where).z)
    return heights


def _vector(values):
    from mathutils import Vector

    return Vector(values)


def _prop(points, rng) -> None:
    """A wooden offcut under the raised side of leaning points."""
    lowest = points[np.argmin(points[:, 2]), :2]
    middle = points.mean(0)[:2]
    uphill = middle - lowest
    corners, normals = rest.hull_facets(rest.extreme_points(points))
    facing = normals[:, 2] < -0.15
    if not facing.any():
        return
    slope = normals[facing][
        np.argmax(
            np.linalg.norm(
                np.cross(
                    corners[facing][:, 1] - corners[facing][:, 0],
                    corners[facing][:, 2] - corners[facing][:, 0],
                ),
                axis=1,
            )
        )
    ]
    uphill = slope[:2] / max(np.linalg.norm(slope[:2]), 1e-9)
    along = np.linspace(0.0, 0.4, 300)
    start = middle - uphill * float((middle - lowest) @ uphill)
    x, y = start[0] + along * uphill[0], start[1] + along * uphill[1]
    under, inside = rest.underside(points, x, y)
    if inside.sum() < 8:
        return
    top = float(under[inside].max())
    tall = float(np.clip(top * rng.uniform(0.5, 0.8), 0.012, 0.14))
    reached = np.flatnonzero(inside & (under >= tall))
    if not len(reached):
        return
    near = along[reached[0]]
    deep, wide = rng.uniform(0.03, 0.06), rng.uniform(0.06, 0.16)
    block = Solid()
    profile = rounded_profile([(0, 0), (0, tall * 1000), (3, tall * 1000)], 0.8)
    block.extrude((deep * 1000, wide * 1000), 1, profile, close_start=True, corner_points=3)
    root = bpy.data.objects.new("prop", None)
    bpy.context.scene.collection.objects.link(root)
    at = start + uphill * (near + deep / 2)
    root.location, root.rotation_euler = (*at, 0), (0, 0, math.atan2(uphill[1], uphill[0]))
    block.to_object("offcut", wood(int(rng.integers(999)), 0.0, 0.4, 0.7), root, clutter.CLUTTER)


def _lay_down(thing) -> None:
    root = bpy.data.objects.new(thing.kind, None)
    root.rotation_euler = (0, 0, math.radians(thing.yaw_deg))
    bpy.context.scene.collection.objects.link(root)
    rng = np.random.default_rng(thing.seed)
    if thing.kind in GRIPS:
        decoys.make_grip(rng, root, thing.kind == "gloved grip", thing.held_m)
        root.rotation_euler = (0, 0, math.radians(thing.yaw_deg - 90))
        toward = math.radians(thing.yaw_deg)
        within = (
            np.array([thing.x + 0.018 * math.cos(toward)]),
            np.array([thing.y + 0.018 * math.sin(toward)]),
        )
        root.location = (thing.x, thing.y, float(_heights(*within)[0]))
        return
    if thing.kind in HANDS:
        clutter.make_hand(rng, root, thing.kind == "glove")
        root.rotation_euler = (0, 0, math.radians(thing.yaw_deg - 90))
        level = float(np.median(_heights(thing.x + np.zeros(1), thing.y + np.zeros(1))))
        root.location = (thing.x, thing.y, max(0.0, level))
        return
    (clutter.MAKERS | decoys.MAKERS)[thing.kind](rng, root)
    # Small things lie on the highest spot below their middle, so that they never sink into a unit.
    around = np.array([(0, 0), (0.4, 0), (-0.4, 0), (0, 0.4), (0, -0.4)]) * (THINGS | YARD_THINGS)[
        thing.kind
    ] + (
        thing.x,
        thing.y,
    )
    root.location = (thing.x, thing.y, max(-0.004, float(_heights(around[:, 0], around[:, 1]).max())))


def _set_camera(shot: Shot, built) -> tuple[Any, np.ndarray, float]:
    """Place the phone so that the subject fills its share of the frame; gives the camera, target and span."""
    plan = shot.camera
    points = _subject(shot, built)
    tilt, azimuth, roll = (math.radians(a) for a in (plan.tilt_deg, plan.azimuth_deg, plan.roll_deg))
    back = np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)])
    up = np.array([-math.cos(tilt) * math.cos(azimuth), -math.cos(tilt) * math.sin(azimuth), math.sin(tilt)])
    right = np.cross(up, back)
    turned = math.cos(roll) * right + math.sin(roll) * up, -math.sin(roll) * right + math.cos(roll) * up
    axes = np.stack([*turned, back])  # rows: right, up, towards the camera
    focal_px = plan.focal_mm / 36.0 * max(shot.width, shot.height)
    frame = np.array([shot.width, shot.height], float)
    target, away = points.mean(0), 1.0
    for _ in range(12):
        seen = (points - target) @ axes.T
        depth = away - seen[:, 2]
        flat = seen[:, :2] / np.maximum(depth, 0.02)[:, None] * focal_px / frame
        low, high = flat.min(0), flat.max(0)
        away *= float(np.clip((high - low).max() / plan.fill, 0.5, 2.0))
        miss = (low + high) / 2 - (plan.aim_x, plan.aim_y)
        target = target + axes[:2].T @ (miss * frame / focal_px * away)
    data = bpy.data.cameras.new("phone")
    data.sensor_fit, data.sensor_width, data.lens = "AUTO", 36.0, plan.focal_mm
    data.clip_start = 0.01
    data.dof.use_dof, data.dof.aperture_fstop = True, plan.fstop
    data.dof.focus_distance = plan.focus * float(np.median(away - ((points - target) @ axes.T)[:, 2]))
    camera = bpy.data.objects.new("phone", data)
    bpy.context.scene.collection.objects.link(camera)
    camera.matrix_world = _matrix(axes.T, target + back * away)
    bpy.context.scene.camera = camera
    bpy.context.view_layer.update()
    return camera, points.mean(0), float(np.ptp(points, axis=0).max())


def _subject(shot: Shot, built) -> np.ndarray:
    """The points that the photo is about, in world coordinates."""
    if shot.camera.subject == "label" and built:
        unit = built[0]
        matrix = np.array(unit.root.matrix_world)
        spots = [t.corners for t in unit.texts if t.kind == "printed"] + [c.corners for c in unit.codes]
        spots = [
            corners for corners in spots if corners[:, 2].mean() < 0
        ]  # not what is stuck on the plug face
        if spots:
            return np.concatenate(spots) @ matrix[:3, :3].T + matrix[:3, 3]
    if shot.camera.subject.startswith("plug") and built:
        # "plugs" of the first unit, or "plug N", by canonical index: close-ups that cut off the unit.
        unit, (_, _, number) = built[0], shot.camera.subject.partition(" ")
        chosen = [unit.connectors[int(number)]] if number else unit.connectors
        matrix = np.array(unit.root.matrix_world)
        return np.concatenate([c.points for c in chosen]) @ matrix[:3, :3].T + matrix[:3, 3]
    if built:
        return np.concatenate([_points(unit.root) for unit in built])
    return np.array([(x, y, 0.0) for x in (-0.2, 0.2) for y in (-0.15, 0.15)])
