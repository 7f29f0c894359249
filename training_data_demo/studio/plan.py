"""Which photos the demo set has: units, their condition, and every parameter of every shot, drawn from one
seed.

Splits go by unit: a unit is photographed in one split only, alone or on a pallet. What a shot looks like
depends on the master seed and its id alone. About half of the photos are in the yard's manner, as people
show units on the web: lit by pictures of surroundings, on floors and tables of all kinds, held in a hand,
seen from low cameras, with phones' tone curves. How often each value comes up is our own choice of what a
yard's photos look like.
"""

import dataclasses
import functools
import itertools
from collections.abc import Iterator

import numpy as np
from plugface.demo.studio import draws, layout, looks, yard
from plugface.demo.studio.families import THIRD_MAKER, catalogue, family_of
from plugface.demo.studio.shots import (
    GROUNDS,
    LIGHTS,
    SURROUNDINGS,
    THINGS,
    YARD_THINGS,
    Camera,
    Ground,
    Light,
    Placed,
    Shot,
    Thing,
    Unit,
)

_UNITS = {"train": 62, "calibration": 44, "test": 50}
_PALLETS = {"train": 7, "calibration": 5, "test": 12}
# Decoys: nothing but ground and clutter, loose plugs, units of families that no catalogue holds.
_DECOYS = {"train": (3, 3, 5), "calibration": (2, 2, 5), "test": (8, 8, 15)}
_SIZES = ((1024, 768), (768, 1024), (800, 600), (600, 800), (1280, 960), (960, 1280))
_PLUG_VIEWS = ("front", "oblique", "decoy")
#: How many photos are in the yard's manner; of those, how many are lit by a picture of surroundings, show a
#: unit held in a hand, and were stored smaller by a web page before.
_YARD_SHARE = 0.5
_SURROUNDED_SHARE = 0.72
_HELD_SHARE = 0.17
_STORED_SHARES = {"label": 0.12, "other": 0.3}


def shipped_shots() -> list[Shot]:
    """The demo set with its timing photos, in the order of their ids."""
    shots: list[Shot] = []
    number = itertools.count(1)
    for split, count in _UNITS.items():
        units = draws.draw_units("marrow_finch", split, count, letter="U")
        for unit, views in units:
            shots += [
                _unit_shot(f"mf{next(number):04d}", "marrow_finch", split, unit, view) for view in views
            ]
        known = [unit for unit, _ in units]
        for k in range(_PALLETS[split]):
            shots.append(_pallet_shot(f"pa{draws.LETTER[split].lower()}{k + 1:02d}", split, known))
        shots += _decoy_shots(split)
    return shots + _timing_shots()


def pell_shots() -> list[Shot]:
    """Photos of the second maker, for testing alone."""
    return _tested_shots("pell_works", 21, prefix="pw", letter="W")


def third_shots() -> list[Shot]:
    """Photos of the third maker, for testing alone: shells that no photo for training shows."""
    return _tested_shots(THIRD_MAKER, 28, prefix="tw", letter="Y")


def _tested_shots(source: str, count: int, prefix: str, letter: str) -> list[Shot]:
    """Photos of a maker that nothing is trained on."""
    number = itertools.count(1)
    return [
        _unit_shot(f"{prefix}{next(number):04d}", source, "test", unit, view)
        for unit, views in draws.draw_units(source, "test", count, letter=letter)
        for view in views
    ]


def first_shots() -> list[Shot]:
    """A few of the shipped shots of every split and view, for whoever needs some photos early."""
    chosen: dict[tuple[str, str], list[Shot]] = {}
    for shot in shipped_shots():
        if not shot.timing:
            chosen.setdefault((shot.split, shot.view), []).append(shot)
    share = {"front": 4, "back": 2, "oblique": 2, "label": 2, "pallet": 1, "decoy": 2}
    return [
        shot
        for (_, view), shots in chosen.items()
        for shot in shots[:: len(shots) // share[view]][: share[view]]
    ]


def wild_shots(count: int, first: int = 0) -> list[Shot]:
    """Photos of drawn families, for training the finder of connectors; never shipped."""
    return [_wild_shot(f"w{k:05d}") for k in range(first, first + count)]


def worn_shots(count: int, first: int = 0) -> list[Shot]:
    """The same of one to three units with many sockets broken off and more dirt: what a yard has few of."""
    return [_worn_shot(f"x{k:05d}") for k in range(first, first + count)]


def dyed_shots(count: int, first: int = 0) -> list[Shot]:
    """Units in the demo catalogue's shells with plugs in colours drawn by chance, half in the yard's manner.

    Who learns from the catalogue's own units alone learns which colours go with which shell.
    """
    return [_dyed_shot(f"y{k:05d}") for k in range(first, first + count)]


def more_shots(source: str, prefix: str, unlisted: bool, count: int, first: int = 0) -> list[Shot]:
    """Further units of a catalogue, photographed as the shipped ones are; no network learned from any.

    They come in rounds: units of each family in each of the lists of views, and where wanted some that no
    catalogue lists, one after another.
    """
    split = "train" if source == "marrow_finch" else "test"
    return list(
        itertools.islice(
            itertools.chain.from_iterable(
                _more_round(source, prefix, split, unlisted, number) for number in itertools.count()
            ),
            first,
            first + count,
        )
    )


def _more_round(source: str, prefix: str, split: str, unlisted: bool, number: int) -> Iterator[Shot]:
    """One round of further units; the round's number stands in every id."""
    n_units = draws.N_ALBUMS * len(catalogue(source).families)
    shown = itertools.count(1)
    for k, (unit, views) in enumerate(draws.draw_units(source, "more", n_units, letter=f"{prefix}{number}")):
        for view in views:
            yield _unit_shot(f"{prefix}{number}{next(shown):03d}", source, split, unit, view)
        if unlisted and k % 7 == 6:
            view = _PLUG_VIEWS[k // 7 % 2]
            shot_id = f"{prefix}{number}x{k // 7 + 1:02d}"
            of_split = "train" if k // 7 % 4 < 2 else "calibration"
            unit = draws.unknown_unit(f"X{shot_id}", of_split)
            yield _unit_shot(shot_id, "decoy", split, unit, view, as_view="decoy")


#: Sets that are what they are.
SETS = {"shipped": shipped_shots, "pell": pell_shots, "third": third_shots, "first": first_shots}
#: Sets of as many shots as are asked for.
DRAWN = {
    "wild": wild_shots,
    "worn": worn_shots,
    "dyed": dyed_shots,
    "yard": yard.yard_shots,
    "more": functools.partial(more_shots, "marrow_finch", "mm", True),
    "more_pell": functools.partial(more_shots, "pell_works", "pm", False),
    "more_third": functools.partial(more_shots, THIRD_MAKER, "tm", False),
}


# Shots


def _unit_shot(shot_id: str, kind: str, split: str, unit: Unit, view: str, as_view: str = "") -> Shot:
    """One unit alone, seen from in front, behind, aslant or close to its label."""
    rng = draws.generator_of("shot", shot_id)
    in_yard = rng.random() < _YARD_SHARE
    family = family_of(unit)
    held = in_yard and view in ("front", "back") and rng.random() < _HELD_SHARE
    placed = Placed(unit, looks.draw_pose(rng, family, view, in_yard))
    tilt, azimuth = looks.draw_look(rng, family, placed.pose, view, in_yard)
    fill, aim = looks.draw_framing(rng, view, in_yard)
    camera = draws.draw_camera(rng, "label" if view == "label" else "units", fill, tilt)
    camera = looks.turn_camera(rng, camera, azimuth, aim, in_yard)
    return _finish(
        rng, shot_id, kind, split, as_view or view, (placed,), camera,
        loose=draws.draw_count(rng), hand=0.14, in_yard=in_yard, held=held,
    )  # fmt: skip


def _pallet_shot(shot_id: str, split: str, known: list[Unit]) -> Shot:
    """Four to twelve units of mixed families, some on top of others, some turned over, now and then one of
    no listed family.
    """
    rng = draws.generator_of("shot", shot_id)
    count = int(rng.integers(4, 13))
    chosen = [known[k] for k in rng.permutation(len(known))[:count]]
    for k in range(int(draws.pick(rng, (0, 1, 2), (0.6, 0.25, 0.15)))):
        chosen[k] = draws.unknown_unit(f"X{shot_id}-{k + 1}", split)
    units = draws.scatter(rng, chosen, overlap=0.35, turned_over=0.18)
    camera = draws.draw_camera(rng, "units", rng.uniform(0.86, 1.0), draws.draw_tilt(rng, 38.0))
    return _finish(
        rng, shot_id, "pallet", split, "pallet", units, camera,
        loose=int(rng.integers(0, 5)), hand=0.08, in_yard=rng.random() < _YARD_SHARE,
    )  # fmt: skip


def _decoy_shots(split: str) -> list[Shot]:
    """Photos on which no family of the catalogue can be named."""
    empty, plugs, unlisted = _DECOYS[split]
    shots = []
    for k in range(empty + plugs + unlisted):
        shot_id = f"de{draws.LETTER[split].lower()}{k + 1:02d}"
        rng = draws.generator_of("shot", shot_id)
        if k >= empty + plugs:
            view = draws.pick(rng, ("front", "front", "oblique", "back", "label"))
            unit = draws.unknown_unit(f"X{shot_id}", split)
            if view == "label" and unit.label == "absent":
                view = "back"
            shots.append(_unit_shot(shot_id, "decoy", split, unit, view, as_view="decoy"))
            continue
        in_yard = rng.random() < _YARD_SHARE
        lures = tuple(YARD_THINGS) if in_yard else tuple(kind for kind in THINGS if kind != "loose plug")
        kinds = ("loose plug",) if k >= empty else lures
        spots = layout.spread(rng, int(rng.integers(2, 7)), 0.20)
        things = [
            Thing(draws.pick(rng, kinds), *spot, draws.draw_angle(rng), draws.draw_seed(rng))
            for spot in spots
        ]
        camera = draws.draw_camera(rng, "ground", rng.uniform(0.7, 1.1), draws.draw_tilt(rng, 40.0))
        shots.append(
            _finish(
                rng, shot_id, "decoy", split, "decoy", (), camera,
                loose=0, hand=0.1, in_yard=in_yard, things=things,
            )
        )  # fmt: skip
    return shots


def _timing_shots() -> list[Shot]:
    """Seven photos of 12 megapixels, of units of their own, in the test split."""
    units = [unit for unit, _ in draws.draw_units("marrow_finch", "timing", 20, letter="V")]
    views = ("front", "front", "back", "oblique", "label")
    shots = []
    for k, view in enumerate(views):
        unit = units[k] if units[k].label != "absent" else _replace(units[k], label="clean")
        shots.append(_unit_shot(f"ti{k + 1:02d}", "marrow_finch", "test", unit, view))
    shots += [_pallet_shot(f"ti{k:02d}", "test", units[5:]) for k in (6, 7)]
    return [_enlarge(shot) for shot in shots]


def _replace(record, **changes):
    return dataclasses.replace(record, **changes)


def _enlarge(shot: Shot) -> Shot:
    """The same shot at 4032 x 3024; lengths in pixels grow with it, and the file stays below about 1.2 MB."""
    scale = 4032 / max(shot.width, shot.height)
    wide, high = (4032, 3024) if shot.width > shot.height else (3024, 4032)
    old = shot.development
    development = _replace(
        old,
        blur_px=old.blur_px * scale * 0.5,
        motion_px=old.motion_px * scale * 0.5,
        sharpen_px=old.sharpen_px * (scale * 0.5 if old.tone else 1.0),
        jpeg_quality=min(old.jpeg_quality, 72),
    )
    return _replace(shot, width=wide, height=high, timing=True, development=development)


def _wild_shot(shot_id: str) -> Shot:
    """One to six drawn units in a heap of coloured clutter, 640 x 480."""
    rng = draws.generator_of("shot", shot_id)
    count = int(draws.pick(rng, (1, 2, 3, 4, 5, 6), (0.3, 0.2, 0.18, 0.14, 0.1, 0.08)))
    units = [draws.wild_unit(f"{shot_id}-{k + 1}") for k in range(count)]
    placed = draws.scatter(rng, units, overlap=0.5, turned_over=0.10)
    placed = _lean_at_times(rng, placed, 0.2)
    camera = draws.draw_camera(rng, "units", rng.uniform(0.5, 1.05), draws.draw_tilt(rng, 40.0))
    return _finish_drawn(rng, shot_id, placed, camera, loose=int(rng.integers(1, 9)), hand=0.12)


def _worn_shot(shot_id: str) -> Shot:
    """One to three drawn units, large in the photo, with a socket broken off nearly half of them."""
    rng = draws.generator_of("shot", shot_id)
    count = int(draws.pick(rng, (1, 2, 3), (0.7, 0.2, 0.1)))
    units = [_wear(rng, draws.wild_unit(f"{shot_id}-{k + 1}")) for k in range(count)]
    return _near_shot(rng, shot_id, units, (0.6, 0.95) if count == 1 else (0.8, 1.0), turned_over=0.12)


def _dyed_shot(shot_id: str) -> Shot:
    """One or two units in shells of the catalogue, plugs in any colour; half shown as the catalogue's are."""
    rng = draws.generator_of("shot", shot_id)
    if rng.random() < 0.5:
        view = draws.pick(rng, ("front", "oblique", "back", "label"), (0.55, 0.3, 0.09, 0.06))
        unit = draws.dyed_unit(f"{shot_id}-1")
        if view == "label" and unit.label == "absent":
            view = "back"
        return _replace(_unit_shot(shot_id, "wild", "train", unit, view), **_drawn_size(rng))
    units = [draws.dyed_unit(f"{shot_id}-{k + 1}") for k in range(int(draws.pick(rng, (1, 2), (0.8, 0.2))))]
    return _near_shot(rng, shot_id, units, (0.6, 0.95), turned_over=0.05)


def _near_shot(rng, shot_id: str, units: list[Unit], fill: tuple[float, float], turned_over: float) -> Shot:
    """A few units, large in the photo: they take up a share of it between the two of `fill`."""
    placed = _lean_at_times(rng, draws.scatter(rng, units, overlap=0.3, turned_over=turned_over), 0.25)
    share = rng.uniform(*fill)
    tilt = 0.0 if placed[0].pose.lean_deg else draws.draw_tilt(rng, 40.0)
    camera = draws.draw_camera(rng, "units", share, tilt)
    return _finish_drawn(rng, shot_id, placed, camera, loose=int(rng.integers(0, 5)), hand=0.1)


def _lean_at_times(rng, placed: tuple[Placed, ...], share: float) -> tuple[Placed, ...]:
    """A unit by itself leans in a random `share` of the shots."""
    if len(placed) > 1 or rng.random() >= share:
        return placed
    lean = {"lean_deg": round(float(rng.uniform(15, 45)), 1), "lean_to_deg": draws.draw_angle(rng)}
    return (Placed(placed[0].unit, _replace(placed[0].pose, **lean)),)


def _finish_drawn(rng, shot_id: str, placed: tuple[Placed, ...], camera, loose: int, hand: float) -> Shot:
    """A shot of drawn units, 640 x 480."""
    view = "pallet" if len(placed) > 1 else placed[0].pose.face
    shot = _finish(rng, shot_id, "wild", "train", view, placed, camera, loose=loose, hand=hand)
    return _replace(shot, width=640, height=480)


def _drawn_size(rng) -> dict[str, int]:
    wide = rng.random() < 0.72
    return {"width": 640, "height": 480} if wide else {"width": 480, "height": 640}


def _wear(rng, unit: Unit) -> Unit:
    """The unit with more dirt and dust on half of all, and with a socket or two broken off."""
    sockets = len(family_of(unit).connectors)
    missing: tuple[int, ...] = ()
    if sockets > 1 and rng.random() < 0.5:
        most = min(2, sockets - 1)
        missing = tuple(int(k) for k in rng.permutation(sockets)[: int(rng.integers(1, most + 1))])
    names = ("fade", "chalk", "dirt")
    worn = {name: draws.draw_share(rng, 0.6) for name in names} if rng.random() < 0.5 else {}
    return _replace(unit, missing=missing, seated=None if unit.seated in missing else unit.seated, **worn)


def _finish(
    rng, shot_id, kind, split, view, units, camera: Camera, loose: int, hand: float,
    in_yard: bool = False, held: bool = False, things=(),
) -> Shot:  # fmt: skip
    """What is drawn alike for all photos: light, ground, clutter, and what the phone makes of it."""
    # What a messenger leaves of a photo; text needs more of it than plugs do.
    shares = (
        (0.24, 0.06, 0.46, 0.14, 0.08, 0.02) if view in _PLUG_VIEWS else (0.55, 0.14, 0.16, 0.05, 0.08, 0.02)
    )
    size = draws.pick(rng, _SIZES, shares)
    scale = max(size) / 1024
    surrounded = in_yard and rng.random() < _SURROUNDED_SHARE
    light_kind = SURROUNDINGS if surrounded else draws.pick(rng, LIGHTS, draws.LIGHT_SHARES)
    if in_yard:
        ground = _yard_ground(rng, units, camera, held)
        more = yard.draw_grips(rng, units[0]) if held else yard.draw_things(rng, units, camera)
        development = yard.draw_phone(
            rng, light_kind, scale, _STORED_SHARES.get(view, _STORED_SHARES["other"])
        )
        # A phone that stores a photo worse than this would be told to take another.
        development = _replace(development, jpeg_quality=max(development.jpeg_quality, 55))
    else:
        ground = _ground(rng, units, camera, view)
        if ground.kind == "tarpaulin" and not things:
            loose = max(loose, int(rng.integers(3, 7)))
        more = draws.draw_things(rng, units, loose, camera) + draws.draw_hand(rng, units, hand, camera)
        development = draws.draw_development(rng, light_kind, scale)
    return Shot(
        id=shot_id,
        seed=draws.draw_seed(rng),
        set=kind,
        split=split,
        view=view,
        width=size[0],
        height=size[1],
        timing=False,
        units=units,
        light=_light(rng, light_kind, camera),
        ground=ground,
        things=(*things, *more),
        camera=camera,
        development=development,
    )


def _light(rng, kind: str, camera: Camera) -> Light:
    """Where the light comes from: mostly where whoever holds the camera does not stand in it."""
    light = _replace(draws.draw_light(rng, "overcast" if kind == SURROUNDINGS else kind), kind=kind)
    aside, careless = float(rng.uniform(45, 115)) * (1 if rng.random() < 0.5 else -1), rng.random() < 0.15
    if kind == SURROUNDINGS or careless:
        return light
    if camera.tilt_deg < 28:
        return _replace(light, elevation_deg=min(light.elevation_deg, 58.0))
    return _replace(light, azimuth_deg=round((camera.azimuth_deg + aside) % 360, 1) % 360)


def _room_m(units: tuple[Placed, ...]) -> float:
    """How far from the middle a wall must stand so that no unit is in it."""
    reach = [np.hypot(p.pose.x, p.pose.y) + np.hypot(*draws.span_m(family_of(p.unit))) / 2 for p in units]
    return max(reach, default=0.2) + 0.1


def _yard_ground(rng, units, camera: Camera, held: bool) -> Ground:
    """A ground of the yard's; several units need one that is level and wide."""
    ground = yard.draw_ground(rng, held, camera, room=_room_m(units))
    if ground.kind == "engine bay" and (len(units) > 1 or camera.tilt_deg > 50):
        ground = _replace(ground, kind="metal bench")
    if ground.kind == "footwell" and len(units) > 1:
        ground = _replace(ground, kind="carpet")
    return ground


def _ground(rng, units, camera: Camera, view: str) -> Ground:
    """What units lie on in a workshop or outside; a wall behind where a low camera would see the horizon."""
    low = camera.tilt_deg > draws.LOW_DEG
    return Ground(
        kind=draws.pick(rng, GROUNDS, (0.4, 0.16, 0.1, 0.08, 0.1, 0.16) if view == "pallet" else None),
        yaw_deg=draws.draw_angle(rng),
        wetness=round(float(rng.uniform(0.3, 1.0)), 3) if rng.random() < 0.2 else 0.0,
        grime=round(float(rng.beta(1.5, 2)), 3),
        tone=round(float(rng.random()), 3),
        seed=draws.draw_seed(rng),
        wall_m=round(_room_m(units) + float(rng.uniform(0.1, 1.2)), 3) if low else 0.0,
        wall_deg=round((camera.azimuth_deg + 180) % 360, 1) if low else 0.0,
    )


def is_in_yard(shot: Shot) -> bool:
    """Whether a shot is in the yard's manner: only those have a phone's own tone curve."""
    return bool(shot.development.tone)
