"""Which photos the training-only set 'yard' has: units as somebody with a phone shows them on the web.

Half are of one unit alone, from above or from its edge, large in the frame; a quarter are close-ups of one
plug or of one edge; the rest show units small in a big scene or partly outside the frame. How often each
value comes up is our own choice after looking at photographs in public repositories; nothing was counted.
"""

import dataclasses
import math

import numpy as np
from plugface.demo.studio import draws, layout
from plugface.demo.studio.camera import CURVES
from plugface.demo.studio.families import family_of
from plugface.demo.studio.footprint import edge_azimuth_deg, header_edges
from plugface.demo.studio.part_numbers import draw_number
from plugface.demo.studio.shots import (
    GRIPS,
    GROUNDS,
    LIGHTS,
    SURROUNDINGS,
    THINGS,
    YARD_GROUNDS,
    YARD_THINGS,
    Camera,
    Development,
    Ground,
    Placed,
    Pose,
    Shot,
    Thing,
    Unit,
)
from plugface.demo.studio.stickers import LAYOUT_NAMES, draw_kinds

_FRAMINGS = ("whole", "near", "far", "cut", "decoys")
_SHARES = (0.48, 0.25, 0.10, 0.12, 0.05)
_EDGES = ("right", "top", "left", "bottom")  # by quarter turns from the right
_SIZES = ((640, 480), (480, 640))


def yard_shots(count: int, first: int = 0) -> list[Shot]:
    """Photos of drawn families as phones take them; for training, never shipped."""
    return [_yard_shot(f"z{k:05d}") for k in range(first, first + count)]


def _yard_shot(shot_id: str) -> Shot:
    rng = draws.generator_of("shot", shot_id)
    framing = draws.pick(rng, _FRAMINGS, _SHARES)
    light = SURROUNDINGS if rng.random() < 0.5 else draws.pick(rng, LIGHTS, draws.LIGHT_SHARES)
    if framing == "decoys":
        units, camera, held = (), _decoy_camera(rng), False
        spots = layout.spread(rng, int(rng.integers(1, 4)), 0.07)
        things = [
            Thing(draws.pick(rng, tuple(YARD_THINGS)), *spot, draw_square(rng), draws.draw_seed(rng))
            for spot in spots
        ]
    else:
        count = 1 if framing in ("whole", "near") else int(draws.pick(rng, (1, 2), (0.6, 0.4)))
        drawn = [_yard_unit(f"{shot_id}-{k + 1}") for k in range(count)]
        held = count == 1 and rng.random() < 0.16
        units = _lay_out(rng, drawn, held)
        camera = _draw_camera(rng, framing, units)
        things = draw_grips(rng, units[0]) if held else draw_things(rng, units, camera)
    view = "decoy" if not units else "pallet" if len(units) > 1 else units[0].pose.face.split()[0]
    size = draws.pick(rng, _SIZES, (0.72, 0.28))
    return Shot(
        id=shot_id,
        seed=draws.draw_seed(rng),
        set="yard",
        split="train",
        view=view,
        width=size[0],
        height=size[1],
        timing=False,
        units=units,
        light=dataclasses.replace(
            draws.draw_light(rng, "overcast" if light == SURROUNDINGS else light), kind=light
        ),
        ground=draw_ground(rng, held, camera),
        things=tuple(things),
        camera=camera,
        development=draw_phone(rng, light),
    )


def _yard_unit(unit_id: str) -> Unit:
    """A unit of a drawn family with a number in a format of its own and things stuck on its face."""
    unit = draws.wild_unit(unit_id)
    rng = draws.generator_of("yard unit", unit_id)
    clean = rng.random() < 0.6  # much of what is shown on the web was wiped before
    kept = {name: round(getattr(unit, name) * 0.3, 3) for name in ("dirt", "grease", "chalk", "rust")}
    return dataclasses.replace(
        unit,
        service_number=draw_number(rng),
        label_layout=draws.pick(rng, LAYOUT_NAMES) if rng.random() < 0.8 else "",
        stickers=draw_kinds(rng),
        **(kept if clean else {}),
    )


def _lay_out(rng, units: list[Unit], held: bool) -> tuple[Placed, ...]:
    """Face up mostly, an edge up or turned over at times; several lie beside each other."""
    if len(units) > 1:
        return draws.scatter(rng, units, overlap=0.15, turned_over=0.12)
    drawn = rng.random()
    yaw = draws.draw_angle(rng)
    edges = header_edges(family_of(units[0]))
    if edges and drawn < 0.3 and not held:
        return (Placed(units[0], Pose(f"edge {draws.pick(rng, edges)}", 0.0, 0.0, yaw)),)
    if drawn < 0.15 and not edges and not held:
        return (Placed(units[0], Pose("front", 0.0, 0.0, yaw, 90.0, float(rng.integers(4) * 90))),)
    if 0.3 < drawn < 0.36 and not held:
        lean = round(float(rng.uniform(12, 40)), 1)
        return (Placed(units[0], Pose("front", 0.0, 0.0, yaw, lean, draws.draw_angle(rng))),)
    return (Placed(units[0], Pose("back" if drawn > 0.91 else "front", 0.0, 0.0, yaw)),)


def _draw_camera(rng, framing: str, units: tuple[Placed, ...]) -> Camera:
    subject, aim = "units", rng.normal(0, 0.04, 2)
    aimed = _seen_connectors(units[0])
    if framing == "near" and aimed:
        subject = f"plug {draws.pick(rng, aimed)}" if rng.random() < 0.7 else "plugs"
        fill = rng.uniform(0.3, 1.1) if subject != "plugs" else rng.uniform(0.7, 1.15)
        aim = rng.normal(0, 0.09, 2)
    elif framing in ("whole", "near"):
        fill = rng.uniform(0.42, 0.88)
    elif framing == "far":
        fill = rng.uniform(0.14, 0.36)
        aim = rng.uniform(-0.28, 0.28, 2)
    else:
        fill = rng.uniform(0.7, 1.35)
        toward = rng.uniform(0, 2 * math.pi)
        aim = rng.uniform(0.2, 0.48) * np.array([math.cos(toward), math.sin(toward)])
    tilt, azimuth = _draw_side(rng, units[0], subject)
    if framing == "far":
        tilt = min(tilt, 52.0)  # lower, it would be a photo of the horizon
    drawn = draws.draw_camera(rng, subject, fill, tilt)
    zoomed = rng.random() < 0.25
    focal = round(float(rng.uniform(46, 78)), 1) if zoomed else round(float(rng.uniform(23, 29)), 1)
    return dataclasses.replace(
        drawn,
        aim_x=round(float(aim[0]), 3),
        aim_y=round(float(aim[1]), 3),
        azimuth_deg=round(azimuth % 360, 1),
        roll_deg=level(rng, tilt),
        focal_mm=focal,
        fstop=round(focal / 2.4 * float(rng.uniform(0.85, 1.5)), 2),
        focus=1.0 if rng.random() < 0.85 else round(float(rng.uniform(0.85, 1.2)), 3),
    )


def _seen_connectors(placed: Placed) -> list[int]:
    """Canonical indices of the sockets whose mouth is no lower than the side that is up."""
    sockets, face = family_of(placed.unit).connectors, placed.pose.face
    if face == "back":
        return []
    return [
        k
        for k, c in enumerate(sockets)
        if not face.startswith("edge ") or (c.opens == "sideways" and face == f"edge {c.edge}")
    ]


def _draw_side(rng, placed: Placed, subject: str) -> tuple[float, float]:
    """Tilt and azimuth of the camera: from above, aslant or low before an edge, mostly square to the unit."""
    pose, family = placed.pose, family_of(placed.unit)
    square = pose.yaw_deg + 90.0 * float(rng.integers(4)) + float(rng.normal(0, 9))
    azimuth = square if rng.random() < 0.7 else draws.draw_angle(rng)
    if pose.lean_deg == 90.0:  # the plug face looks away from the side that was lifted
        azimuth = pose.lean_to_deg + 180.0 + pose.yaw_deg + float(rng.normal(0, 24))
        return float(rng.uniform(48, 84)), azimuth
    if pose.lean_deg:
        return float(abs(rng.normal(0, 14))), azimuth
    edges = header_edges(family)
    _, *number = subject.split()
    aimed = family.connectors[int(number[0])] if number else None
    before = aimed.opens == "sideways" if aimed else bool(edges) and rng.random() < 0.55
    if pose.face == "front" and before:  # look into the mouth of a header that opens sideways
        edge = aimed.edge if aimed else draws.pick(rng, edges)
        return float(rng.uniform(48, 84)), edge_azimuth_deg(edge, pose.yaw_deg) + float(rng.normal(0, 22))
    drawn = rng.random()
    if drawn < (0.6 if aimed else 0.5):
        return min(float(abs(rng.normal(0, 10))), 24.0), azimuth
    if drawn < (0.92 if aimed else 0.78):
        return float(rng.uniform(22, 55)), azimuth
    return float(rng.uniform(55, 82)), azimuth


def level(rng, tilt: float) -> float:
    """Turn of the phone about its line of sight: level by and large, and always where it sees a horizon."""
    turn = float(rng.normal(0, 5))
    if rng.random() < 0.12 and tilt < 40:
        turn += 90.0 * float(rng.integers(1, 4))
    return round(turn % 360, 1) % 360


def _decoy_camera(rng) -> Camera:
    camera = draws.draw_camera(rng, "ground", rng.uniform(1.1, 2.4), draws.draw_tilt(rng, 60.0))
    return dataclasses.replace(camera, roll_deg=level(rng, camera.tilt_deg))


def draw_square(rng) -> float:
    """An angle, near a right one mostly."""
    return round(
        float((90 * rng.integers(4) + rng.normal(0, 8)) % 360 if rng.random() < 0.6 else rng.uniform(0, 360)),
        1,
    )


def draw_ground(rng, held: bool, camera: Camera, room: float = 0.3) -> Ground:
    """What units lie on, a wall no nearer than `room` metres behind it for low cameras."""
    kind = draws.pick(rng, YARD_GROUNDS) if held or rng.random() < 0.78 else draws.pick(rng, GROUNDS)
    if camera.tilt_deg > 40 and kind == "footwell":
        kind = "carpet"  # a trim could stand between the camera and the unit
    walled = camera.tilt_deg > draws.LOW_DEG and rng.random() < 0.85
    farthest = max(2.0, 1.5 * room)
    return Ground(
        kind=kind,
        yaw_deg=draw_square(rng),
        wetness=round(float(rng.uniform(0.3, 1.0)), 3) if rng.random() < 0.08 else 0.0,
        grime=round(float(rng.beta(1.2, 2.4)), 3),
        tone=round(float(rng.random()), 3),
        seed=draws.draw_seed(rng),
        drop=round(float(rng.uniform(0.12, 0.9)), 3) if held else 0.0,
        wall_m=round(float(np.exp(rng.uniform(math.log(room), math.log(farthest)))), 3) if walled else 0.0,
        wall_deg=round((camera.azimuth_deg + 180) % 360, 1) if walled else 0.0,
    )


def draw_things(rng, units: tuple[Placed, ...], camera: Camera) -> list[Thing]:
    """Nothing on half of the photos, else a few things beside the units and out of the camera's way."""
    if rng.random() < 0.5:
        return []
    radii = THINGS | YARD_THINGS
    discs = [(p.pose.x, p.pose.y, 0.5 * math.hypot(*draws.span_m(family_of(p.unit)))) for p in units]
    things = []
    for _ in range(int(rng.integers(1, 6))):
        kind = draws.pick(rng, tuple(THINGS if rng.random() < 0.45 else YARD_THINGS))
        spot = layout.beside(
            rng, discs, radii[kind], gap=0.1 if any(p.pose.lean_deg for p in units) else 0.03
        )
        if spot is None:
            continue
        if draws.stands_before(camera, *spot):
            continue
        things.append(Thing(kind, *spot, draw_square(rng), draws.draw_seed(rng)))
        discs.append((*spot, radii[kind] * 0.8))
    return things


def draw_grips(rng, placed: Placed) -> list[Thing]:
    """One hand or two that hold the unit by opposite edges."""
    kind = draws.pick(rng, GRIPS, (0.65, 0.35))
    body = family_of(placed.unit).body.size_mm
    free = [k for k, edge in enumerate(_EDGES) if edge not in header_edges(family_of(placed.unit))]
    side = int(draws.pick(rng, free)) if free else int(rng.integers(4))
    grips = []
    count = 1 if rng.random() < 0.7 or (side + 2) % 4 not in free else 2
    for k in range(count):
        turn = 90.0 * (side + 2 * k)
        half = body[0 if (side + 2 * k) % 2 == 0 else 1] / 2000
        along = float(rng.uniform(-0.3, 0.3)) * body[1 if (side + 2 * k) % 2 == 0 else 0] / 1000
        angle = math.radians(turn + placed.pose.yaw_deg)
        x = half * math.cos(angle) - along * math.sin(angle)
        y = half * math.sin(angle) + along * math.cos(angle)
        inward = round((turn + placed.pose.yaw_deg + 180) % 360, 1)
        grips.append(
            Thing(
                kind, round(x, 4), round(y, 4), inward, draws.draw_seed(rng), held_m=round(body[2] / 1000, 4)
            )
        )
    return grips


def draw_phone(rng, light: str, scale: float = 0.625, stored: float = 0.45) -> Development:
    """The phone's part: one of several makes' tone curves, rims, and what a web page left of it.

    `scale` is the frame's longer side over 1024 pixels, `stored` how many photos a page had stored before.
    """
    base = draws.draw_development(rng, "overcast" if light == SURROUNDINGS else light, scale)
    merged = rng.random() < 0.4
    stored = rng.random() < stored
    return dataclasses.replace(
        base,
        blur_px=round(base.blur_px * 0.8, 2),
        motion_px=round(base.motion_px * 0.7, 2),
        exposure_ev=round(float(np.clip(rng.normal(-0.05, 0.3), -1.0, 0.8)), 3),
        noise=round(base.noise * 0.5, 4),
        white_balance=round(float(rng.uniform(0.7, 1.0)), 3),
        tone=draws.pick(rng, tuple(CURVES)),
        halo=round(float(rng.uniform(0.2, 1.0)), 3) if merged else 0.0,
        sharpening=round(float(rng.uniform(0.1, 1.5)), 3),
        sharpen_px=round(float(rng.uniform(0.6, 2.2)), 2),
        reduced=round(float(rng.uniform(0.5, 0.95)), 3) if stored else 1.0,
        first_quality=int(rng.integers(35, 88)) if stored else 0,
        jpeg_quality=int(rng.integers(50, 96)),
    )
