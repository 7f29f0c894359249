"""Which photos the demo set has: units, their condition, and every parameter of every shot, drawn from one
seed.

Splits go by unit: a unit is photographed in one split only, alone or on a pallet. What a shot looks like
depends on the master seed and its id alone. How often each value comes up is our own choice of what a yard's
photos look like.
"""

import dataclasses
import itertools
import math
import zlib

import numpy as np
import re2
from plugface.demo.studio import layout, wild
from plugface.demo.studio.families import catalogue, family_of
from plugface.demo.studio.shots import (
    GROUNDS,
    HANDS,
    LABELS,
    LIGHTS,
    THINGS,
    Camera,
    Development,
    Ground,
    Light,
    Placed,
    Pose,
    Shot,
    Thing,
    Unit,
)
from plugface.models.catalogue.entries import Family, Variant

MASTER_SEED = 20261125
_LETTER = {"train": "T", "calibration": "C", "test": "E", "timing": "M"}  # of a split, in ids
# Views of one unit, dealt out in turn: singles, pairs and triples.
_ALBUMS = (
    ("front",),
    ("front", "back"),
    ("front", "oblique", "label"),
    ("front", "oblique"),
    ("front", "back", "label"),
    ("oblique", "back"),
    ("front", "label"),
    ("front", "back", "oblique"),
)
_UNITS = {"train": 62, "calibration": 44, "test": 50}
_PALLETS = {"train": 7, "calibration": 5, "test": 12}
# Decoys: nothing but ground and clutter, loose plugs, units of families that no catalogue holds.
_DECOYS = {"train": (3, 3, 5), "calibration": (2, 2, 5), "test": (8, 8, 15)}
_SIZES = ((1024, 768), (768, 1024), (800, 600), (600, 800), (1280, 960), (960, 1280))
_PLUG_VIEWS = ("front", "oblique", "decoy")
_LIGHT_SHARES = (0.22, 0.21, 0.13, 0.17, 0.13, 0.14)
_KELVIN = {
    "sun": (4600, 5900),
    "overcast": (6300, 7200),
    "tungsten": (2600, 3200),
    "fluorescent": (3600, 4700),
    "mixed": (2700, 3400),
    "flash": (5200, 6000),
}
_DIM = {"sun": 0.5, "overcast": 0.6, "tungsten": 1.6, "fluorescent": 1.2, "mixed": 1.3, "flash": 1.0}  # noise
_LABEL_SHARES = (0.42, 0.26, 0.12, 0.11, 0.09)
_SCRAWLS = (
    "OK",
    "NG",
    "TEST OK",
    "BAD",
    "HOLD",
    "A4",
    "K7",
    "R12",
    "03-4",
    "x2",
    "NO START",
    "?",
    "41",
    "CORE",
)


def shipped_shots() -> list[Shot]:
    """The demo set with its timing photos, in the order of their ids."""
    shots: list[Shot] = []
    number = itertools.count(1)
    for split, count in _UNITS.items():
        units = _draw_units("marrow_finch", split, count, letter="U")
        for unit, views in units:
            shots += [
                _unit_shot(f"mf{next(number):04d}", "marrow_finch", split, unit, view) for view in views
            ]
        known = [unit for unit, _ in units]
        for k in range(_PALLETS[split]):
            shots.append(_pallet_shot(f"pa{_LETTER[split].lower()}{k + 1:02d}", split, known))
        shots += _decoy_shots(split)
    return shots + _timing_shots()


def pell_shots() -> list[Shot]:
    """Photos of the second maker, for testing alone."""
    number = itertools.count(1)
    return [
        _unit_shot(f"pw{next(number):04d}", "pell_works", "test", unit, view)
        for unit, views in _draw_units("pell_works", "test", 21, letter="W")
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


def wild_shots(count: int) -> list[Shot]:
    """Photos of drawn families, for training the finder of connectors; never shipped."""
    return [_wild_shot(f"w{k:05d}") for k in range(count)]


def worn_shots(count: int) -> list[Shot]:
    """The same of one to three units with many sockets broken off and more dirt: what a yard has few of."""
    return [_worn_shot(f"x{k:05d}") for k in range(count)]


def dyed_shots(count: int) -> list[Shot]:
    """Units in the demo catalogue's shells with plugs in colours drawn by chance.

    Who learns from the catalogue's own units alone learns which colours go with which shell.
    """
    return [_dyed_shot(f"y{k:05d}") for k in range(count)]


SETS = {"shipped": shipped_shots, "pell": pell_shots, "first": first_shots}
#: Sets of as many shots as are asked for.
DRAWN = {"wild": wild_shots, "worn": worn_shots, "dyed": dyed_shots}


def generator_of(*parts: str) -> np.random.Generator:
    """A random generator that depends on the master seed and these words."""
    return np.random.default_rng([MASTER_SEED, *(zlib.crc32(part.encode()) for part in parts)])


def _pick(rng, values, shares=None):
    return values[int(rng.choice(len(values), p=shares))]


def _seed(rng) -> int:
    return int(rng.integers(1 << 31))


# Units


def _draw_units(source: str, split: str, count: int, letter: str) -> list[tuple[Unit, tuple[str, ...]]]:
    """Units of one split, dealt out evenly over families and their variants, each with its list of views."""
    rng = generator_of("units", source, split)
    families = [catalogue(source).families[k] for k in rng.permutation(len(catalogue(source).families))]
    variants = {
        f.key: itertools.cycle([f.variants[k] for k in rng.permutation(len(f.variants))]) for f in families
    }
    drawn = []
    for k, family in zip(range(count), itertools.cycle(families), strict=False):
        views = _ALBUMS[k % len(_ALBUMS)]
        unit_id = f"{letter}{_LETTER[split]}{k + 1:03d}"
        drawn.append(
            (_draw_unit(unit_id, source, family, next(variants[family.key]), "label" in views), views)
        )
    return drawn


def _draw_unit(
    unit_id: str, source: str, family: Family, variant: Variant, needs_label: bool, key: str = ""
) -> Unit:
    """A unit's identity on paper and its condition."""
    rng = generator_of("unit", source, unit_id)
    label = _pick(rng, LABELS, _LABEL_SHARES)
    if needs_label and label == "absent":
        label = "scuffed"
    sockets = len(family.connectors)
    missing, seated = (), None
    if sockets > 1 and rng.random() < 0.09:
        missing = (int(rng.integers(sockets)),)
    if rng.random() < 0.13:
        seated = _pick(rng, [k for k in range(sockets) if k not in missing])
    wear = rng.beta(1.6, 2.2)
    return Unit(
        unit_id=unit_id,
        source=source,
        family=key or family.key,
        variant=variant.key,
        service_number=_pick(rng, variant.service_numbers),
        suffix=_draw_suffix(rng, family, variant),
        serial="".join(map(str, rng.integers(0, 10, 8))),
        seed=_seed(rng),
        fade=_share(rng, 0.75 * wear),
        chalk=_share(rng, 0.6 * wear),
        dirt=_share(rng, 0.9 * wear),
        grease=_share(rng, 0.6) if rng.random() < 0.45 else 0.0,
        rust=_share(rng, wear) if rng.random() < 0.6 else 0.0,
        label=label,
        scrawl=_pick(rng, _SCRAWLS) if rng.random() < 0.28 else "",
        scrawl_face=_pick(rng, ("front", "back")),
        missing=missing,
        seated=seated,
    )


def _share(rng, middle: float) -> float:
    return round(float(np.clip(rng.normal(middle, 0.18), 0.0, 1.0)), 3)


def _draw_suffix(rng, family: Family, variant: Variant) -> str:
    """One of the variant's suffixes; where any is allowed, a short one that the label's pattern takes."""
    if variant.suffixes:
        return _pick(rng, variant.suffixes)
    if not family.label.suffix:
        return ""
    trials = [
        "".join(t) for n in (1, 2) for t in itertools.product("ABCDEFGHKLMNPRSTUVWX0123456789", repeat=n)
    ]
    fitting = [trial for trial in trials if re2.fullmatch(family.label.suffix, trial)]
    return _pick(rng, fitting) if fitting else ""


def _unknown_unit(unit_id: str, split: str) -> Unit:
    rng = generator_of("unknown", unit_id)
    family = wild.unknown_family(_pick(rng, wild.unknown_families(split)))
    return _draw_unit(unit_id, "unknown", family, family.variants[0], False)


def _wild_unit(unit_id: str) -> Unit:
    seed = _seed(generator_of("wild", unit_id))
    family = wild.random_family(seed)
    return _draw_unit(unit_id, "wild", family, family.variants[0], False, key=str(seed))


def _dyed_unit(unit_id: str) -> Unit:
    rng = generator_of("dyed", unit_id)
    family, seed = _pick(rng, catalogue("marrow_finch").families), _seed(rng)
    dyed, variant = wild.dye(family, seed), _pick(rng, family.variants)
    return _draw_unit(unit_id, "dyed", dyed, variant, False, key=f"{family.key}#{seed}")


# Shots


def _unit_shot(shot_id: str, kind: str, split: str, unit: Unit, view: str, as_view: str = "") -> Shot:
    """One unit alone, seen from in front, behind, aslant or close to its label."""
    rng = generator_of("shot", shot_id)
    back = view in ("back", "label")
    lean, tilt = 0.0, _draw_tilt(rng, 40.0)
    if view == "oblique":
        leaning = rng.random() < 0.45
        lean = rng.uniform(18, 42) if leaning else 0.0
        tilt = rng.uniform(0, 25) if leaning else rng.uniform(28, 40)
    if view == "label":
        tilt = _draw_tilt(rng, 25.0)
    pose = Pose("back" if back else "front", 0.0, 0.0, _angle(rng), round(lean, 1), _angle(rng))
    fill = rng.uniform(0.55, 0.92) if rng.random() < 0.87 else rng.uniform(0.34, 0.55)
    if view == "label":
        fill = rng.uniform(0.6, 0.95)
    camera = _draw_camera(rng, "label" if view == "label" else "units", fill, tilt)
    units = (Placed(unit, pose),)
    return _finish(
        rng, shot_id, kind, split, as_view or view, units, camera, loose=_draw_count(rng), hand=0.14
    )


def _pallet_shot(shot_id: str, split: str, known: list[Unit]) -> Shot:
    """Four to twelve units of mixed families, some on top of others, some turned over, now and then a
    stranger.
    """
    rng = generator_of("shot", shot_id)
    count = int(rng.integers(4, 13))
    chosen = [known[k] for k in rng.permutation(len(known))[:count]]
    for k in range(int(_pick(rng, (0, 1, 2), (0.6, 0.25, 0.15)))):
        chosen[k] = _unknown_unit(f"X{shot_id}-{k + 1}", split)
    units = _scatter(rng, chosen, overlap=0.35, turned_over=0.18)
    camera = _draw_camera(rng, "units", rng.uniform(0.86, 1.0), _draw_tilt(rng, 38.0))
    return _finish(
        rng, shot_id, "pallet", split, "pallet", units, camera, loose=int(rng.integers(0, 5)), hand=0.08
    )


def _decoy_shots(split: str) -> list[Shot]:
    """Photos on which no family of the catalogue can be named."""
    empty, plugs, strangers = _DECOYS[split]
    shots = []
    for k in range(empty + plugs + strangers):
        shot_id = f"de{_LETTER[split].lower()}{k + 1:02d}"
        rng = generator_of("shot", shot_id)
        if k >= empty + plugs:
            view = _pick(rng, ("front", "front", "oblique", "back", "label"))
            unit = _unknown_unit(f"X{shot_id}", split)
            if view == "label" and unit.label == "absent":
                view = "back"
            shots.append(_unit_shot(shot_id, "decoy", split, unit, view, as_view="decoy"))
            continue
        kinds = ("loose plug",) if k >= empty else tuple(kind for kind in THINGS if kind != "loose plug")
        spots = layout.spread(rng, int(rng.integers(2, 7)), 0.20)
        things = [Thing(_pick(rng, kinds), *spot, _angle(rng), _seed(rng)) for spot in spots]
        camera = _draw_camera(rng, "ground", rng.uniform(0.7, 1.1), _draw_tilt(rng, 40.0))
        shots.append(
            _finish(rng, shot_id, "decoy", split, "decoy", (), camera, loose=0, hand=0.1, things=things)
        )
    return shots


def _timing_shots() -> list[Shot]:
    """Seven photos of 12 megapixels, of units of their own, in the test split."""
    units = [unit for unit, _ in _draw_units("marrow_finch", "timing", 20, letter="V")]
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
        jpeg_quality=min(old.jpeg_quality, 72),
    )
    return _replace(shot, width=wide, height=high, timing=True, development=development)


def _wild_shot(shot_id: str) -> Shot:
    """One to six drawn units in a heap of coloured clutter, 640 x 480."""
    rng = generator_of("shot", shot_id)
    count = int(_pick(rng, (1, 2, 3, 4, 5, 6), (0.3, 0.2, 0.18, 0.14, 0.1, 0.08)))
    units = [_wild_unit(f"{shot_id}-{k + 1}") for k in range(count)]
    placed = _scatter(rng, units, overlap=0.5, turned_over=0.10)
    placed = _lean_at_times(rng, placed, 0.2)
    camera = _draw_camera(rng, "units", rng.uniform(0.5, 1.05), _draw_tilt(rng, 40.0))
    return _finish_drawn(rng, shot_id, placed, camera, loose=int(rng.integers(1, 9)), hand=0.12)


def _worn_shot(shot_id: str) -> Shot:
    """One to three drawn units, large in the photo, with a socket broken off nearly half of them."""
    rng = generator_of("shot", shot_id)
    count = int(_pick(rng, (1, 2, 3), (0.7, 0.2, 0.1)))
    units = [_wear(rng, _wild_unit(f"{shot_id}-{k + 1}")) for k in range(count)]
    return _near_shot(rng, shot_id, units, (0.6, 0.95) if count == 1 else (0.8, 1.0), turned_over=0.12)


def _dyed_shot(shot_id: str) -> Shot:
    """One or two units in shells of the catalogue, plugs in any colour."""
    rng = generator_of("shot", shot_id)
    units = [_dyed_unit(f"{shot_id}-{k + 1}") for k in range(int(_pick(rng, (1, 2), (0.8, 0.2))))]
    return _near_shot(rng, shot_id, units, (0.6, 0.95), turned_over=0.05)


def _near_shot(rng, shot_id: str, units: list[Unit], fill: tuple[float, float], turned_over: float) -> Shot:
    """A few units, large in the photo: they take up a share of it between the two of `fill`."""
    placed = _lean_at_times(rng, _scatter(rng, units, overlap=0.3, turned_over=turned_over), 0.25)
    share = rng.uniform(*fill)
    camera = _draw_camera(rng, "units", share, 0.0 if placed[0].pose.lean_deg else _draw_tilt(rng, 40.0))
    return _finish_drawn(rng, shot_id, placed, camera, loose=int(rng.integers(0, 5)), hand=0.1)


def _lean_at_times(rng, placed: tuple[Placed, ...], share: float) -> tuple[Placed, ...]:
    """A unit by itself leans in a random `share` of the shots."""
    if len(placed) > 1 or rng.random() >= share:
        return placed
    lean = {"lean_deg": round(float(rng.uniform(15, 45)), 1), "lean_to_deg": _angle(rng)}
    return (Placed(placed[0].unit, _replace(placed[0].pose, **lean)),)


def _finish_drawn(rng, shot_id: str, placed: tuple[Placed, ...], camera, loose: int, hand: float) -> Shot:
    """A shot of drawn units, 640 x 480."""
    view = "pallet" if len(placed) > 1 else placed[0].pose.face
    shot = _finish(rng, shot_id, "wild", "train", view, placed, camera, loose=loose, hand=hand)
    return _replace(shot, width=640, height=480)


def _wear(rng, unit: Unit) -> Unit:
    """The unit with more dirt and dust on half of all, and with a socket or two broken off."""
    sockets = len(family_of(unit).connectors)
    missing: tuple[int, ...] = ()
    if sockets > 1 and rng.random() < 0.5:
        most = min(2, sockets - 1)
        missing = tuple(int(k) for k in rng.permutation(sockets)[: int(rng.integers(1, most + 1))])
    worn = {name: _share(rng, 0.6) for name in ("fade", "chalk", "dirt")} if rng.random() < 0.5 else {}
    return _replace(unit, missing=missing, seated=None if unit.seated in missing else unit.seated, **worn)


def _scatter(rng, units: list[Unit], overlap: float, turned_over: float) -> tuple[Placed, ...]:
    """Lay units out as somebody throws them on a pallet, or sets them in rows."""
    sizes = [np.array(family_of(unit).body.size_mm[:2]) / 1000 + 0.02 for unit in units]
    tidy = rng.random() < 0.4
    spots = layout.throw(rng, sizes, overlap=overlap, tidy=tidy)
    return tuple(
        Placed(unit, Pose("back" if rng.random() < turned_over else "front", *spot))
        for unit, spot in zip(units, spots, strict=True)
    )


def _finish(rng, shot_id, kind, split, view, units, camera, loose: int, hand: float, things=()) -> Shot:
    """What is drawn alike for all photos: light, ground, clutter, and what the phone makes of it."""
    ground_kind = _pick(rng, GROUNDS, (0.4, 0.16, 0.1, 0.08, 0.1, 0.16) if view == "pallet" else None)
    if ground_kind == "tarpaulin" and not things:
        loose = max(loose, int(rng.integers(3, 7)))
    light_kind = _pick(rng, LIGHTS, _LIGHT_SHARES)
    # What a messenger leaves of a photo; text needs more of it than plugs do.
    shares = (
        (0.24, 0.06, 0.46, 0.14, 0.08, 0.02) if view in _PLUG_VIEWS else (0.55, 0.14, 0.16, 0.05, 0.08, 0.02)
    )
    size = _pick(rng, _SIZES, shares)
    return Shot(
        id=shot_id,
        seed=_seed(rng),
        set=kind,
        split=split,
        view=view,
        width=size[0],
        height=size[1],
        timing=False,
        units=units,
        light=_draw_light(rng, light_kind),
        ground=Ground(
            kind=ground_kind,
            yaw_deg=_angle(rng),
            wetness=round(float(rng.uniform(0.3, 1.0)), 3) if rng.random() < 0.2 else 0.0,
            grime=round(float(rng.beta(1.5, 2)), 3),
            tone=round(float(rng.random()), 3),
            seed=_seed(rng),
        ),
        things=(*things, *_draw_things(rng, units, loose), *_draw_hand(rng, units, hand)),
        camera=camera,
        development=_draw_development(rng, light_kind, max(size) / 1024),
    )


def _angle(rng) -> float:
    return round(float(rng.uniform(0, 360)), 1)


def _draw_tilt(rng, limit: float) -> float:
    """Mostly nearly straight down, now and then up to the limit; degrees."""
    tilt = abs(rng.normal(0, 9)) if rng.random() < 0.7 else rng.uniform(12, limit)
    return min(float(tilt), limit)


def _draw_count(rng) -> int:
    return 0 if rng.random() < 0.4 else int(rng.integers(1, 6))


def _draw_light(rng, kind: str) -> Light:
    low, high = (22, 68) if kind == "sun" else (38, 80)
    return Light(
        kind=kind,
        azimuth_deg=_angle(rng),
        elevation_deg=round(float(rng.uniform(low, high)), 1),
        strength=round(float(rng.uniform(0.7, 1.4)), 3),
        ambient=round(float(rng.uniform(0.6, 1.5)), 3),
        kelvin=round(float(rng.uniform(*_KELVIN[kind]))),
        seed=_seed(rng),
    )


def _draw_camera(rng, subject: str, fill: float, tilt: float) -> Camera:
    focal = rng.uniform(24, 28) if rng.random() < 0.65 else rng.uniform(46, 54)
    slip = 0.05 if rng.random() < 0.92 else 0.16
    aim = np.clip(rng.normal(0, slip, 2), -0.3, 0.3) * (1.0 if fill < 0.9 else 0.4)
    return Camera(
        subject=subject,
        fill=round(float(fill), 3),
        aim_x=round(float(aim[0]), 3),
        aim_y=round(float(aim[1]), 3),
        tilt_deg=round(float(tilt), 1),
        azimuth_deg=_angle(rng),
        roll_deg=_angle(rng),
        focal_mm=round(float(focal), 1),
        # A phone's lens opens about 2.4 mm wide: this f-number gives the same depth of field on 36 mm.
        fstop=round(float(focal / 2.4 * rng.uniform(0.85, 1.5)), 2),
        focus=1.0 if rng.random() < 0.75 else round(float(rng.uniform(0.8, 1.3)), 3),
    )


def _draw_development(rng, light: str, scale: float) -> Development:
    """The phone's part; blur and motion in pixels of a frame `scale` times 1024 pixels long."""
    wb = rng.normal(0, 0.035 if rng.random() < 0.8 else 0.11, 2)
    blur = _pick(rng, (0.0, rng.uniform(0.5, 1.2), rng.uniform(1.2, 2.6)), (0.66, 0.25, 0.09))
    motion = _pick(rng, (0.0, rng.uniform(2, 6), rng.uniform(6, 13)), (0.76, 0.18, 0.06))
    return Development(
        exposure_ev=round(float(np.clip(rng.normal(0, 0.42), -1.4, 1.3)), 3),
        white_balance=round(float(rng.uniform(0.5, 1.0)), 3),
        wb_red=round(float(np.exp(wb[0])), 4),
        wb_blue=round(float(np.exp(wb[1])), 4),
        contrast=round(float(rng.uniform(0.85, 1.25)), 3),
        saturation=round(float(rng.uniform(0.9, 1.25)), 3),
        vignette=round(float(rng.uniform(0.0, 0.35)), 3),
        blur_px=round(float(blur * scale), 2),
        motion_px=round(float(motion * scale), 2),
        motion_deg=round(float(rng.uniform(0, 180)), 1),
        noise=round(float(np.exp(rng.normal(math.log(0.012), 0.55))) * _DIM[light], 4),
        smoothing=round(float(rng.uniform(0.3, 1.0)), 3),
        sharpening=round(float(rng.uniform(0.1, 0.9)), 3),
        jpeg_quality=round(55 + 40 * float(rng.beta(1.5, 2.6))),
        orientation=int(_pick(rng, range(1, 9), (0.42, 0.05, 0.1, 0.05, 0.05, 0.17, 0.05, 0.11))),
    )


def _draw_things(rng, units, count: int) -> list[Thing]:
    """Loose things around the units, clear of them and of each other."""
    discs = [
        (p.pose.x, p.pose.y, 0.5 * math.hypot(*family_of(p.unit).body.size_mm[:2]) / 1000) for p in units
    ]
    if not units or any(p.pose.lean_deg for p in units):
        count = min(count, 2) if units else 0
    things = []
    for _ in range(count):
        kind = _pick(rng, tuple(THINGS))
        spot = layout.beside(
            rng, discs, THINGS[kind], gap=0.02 if not any(p.pose.lean_deg for p in units) else 0.12
        )
        if spot is not None:
            things.append(Thing(kind, *spot, _angle(rng), _seed(rng)))
            discs.append((*spot, THINGS[kind] * 0.8))
    return things


def _draw_hand(rng, units, chance: float) -> list[Thing]:
    """A hand or glove that reaches in, its finger tips at the edge of a unit."""
    if rng.random() > chance or any(p.pose.lean_deg for p in units):
        return []
    toward = rng.uniform(0, 2 * math.pi)
    reach = 0.16
    if units:
        reach = 0.5 * min(family_of(units[0].unit).body.size_mm[:2]) / 1000 * rng.uniform(0.95, 1.25)
    middle = (units[0].pose.x, units[0].pose.y) if units else (0.0, 0.0)
    x, y = (m - reach * f(toward) for m, f in zip(middle, (math.cos, math.sin), strict=True))
    return [Thing(_pick(rng, HANDS), round(x, 4), round(y, 4), round(math.degrees(toward), 1), _seed(rng))]
