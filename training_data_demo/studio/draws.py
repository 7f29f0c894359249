"""What is drawn alike for all photos of the plan: units and their condition, light, camera, phone, clutter.

All of it depends on the master seed and on the words that a generator is made of. How often each value comes
up is our own choice of what a yard's photos look like.
"""

import itertools
import math
import zlib
from collections import Counter
from functools import cache

import numpy as np
import re2
from plugface.demo.studio import layout, wild
from plugface.demo.studio.families import catalogue, family_of
from plugface.demo.studio.footprint import edge_azimuth_deg, header_edges, seen_size_mm
from plugface.demo.studio.shots import (
    HANDS,
    LABELS,
    THINGS,
    Camera,
    Development,
    Light,
    Placed,
    Pose,
    Thing,
    Unit,
)
from plugface.demo.studio.stickers import draw_kinds
from plugface.models.catalogue.entries import Family, Variant

MASTER_SEED = 20261125
LETTER = {"train": "T", "calibration": "C", "test": "E", "timing": "M", "more": "R"}  # of a split, in ids
# Views of one unit: singles, pairs and triples.
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
#: How many lists of views there are; so many units of a family are seen in every one.
N_ALBUMS = len(_ALBUMS)
LIGHT_SHARES = (0.22, 0.21, 0.13, 0.17, 0.13, 0.14)
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
#: Label layouts of a maker who prints several, and how often: the first is the maker's own.
_LABEL_LAYOUTS = {
    "marrow_finch": {"boxed": 0.46, "plate": 0.2, "strip": 0.16, "ledger": 0.1, "badge": 0.08},
}
#: How many units of a catalogue carry something stuck on the plug face.
_STUCK_SHARE = 0.34
#: Cameras that look lower than this, in degrees from straight down, are held level.
LOW_DEG = 42
_IN_THE_WAY_DEG = 60  # a thing this near to a low line of sight would hide the unit
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


def generator_of(*parts: str) -> np.random.Generator:
    """A random generator that depends on the master seed and these words."""
    return np.random.default_rng([MASTER_SEED, *(zlib.crc32(part.encode()) for part in parts)])


def pick(rng, values, shares=None):
    """One of the values, by these shares."""
    return values[int(rng.choice(len(values), p=shares))]


def draw_seed(rng) -> int:
    """A seed for what is drawn later."""
    return int(rng.integers(1 << 31))


# Units


def draw_units(source: str, split: str, count: int, letter: str) -> list[tuple[Unit, tuple[str, ...]]]:
    """Units of one split, dealt out evenly over families and their variants, each with its list of views."""
    rng = generator_of("units", source, split)
    families = [catalogue(source).families[k] for k in rng.permutation(len(catalogue(source).families))]
    variants = {
        f.key: itertools.cycle([f.variants[k] for k in rng.permutation(len(f.variants))]) for f in families
    }
    drawn = []
    albums = [_ALBUMS[k % len(_ALBUMS)] for k in range(count)]
    shown = {family.key: Counter() for family in families}
    for k, family in zip(range(count), itertools.cycle(families), strict=False):
        views = _next_album(albums, shown[family.key])
        unit_id = f"{letter}{LETTER[split]}{k + 1:03d}"
        drawn.append(
            (draw_unit(unit_id, source, family, next(variants[family.key]), "label" in views), views)
        )
    return drawn


def _next_album(albums: list[tuple[str, ...]], shown: Counter) -> tuple[str, ...]:
    """Take the album whose views a family was shown in least; else the same families would get all labels."""
    views = min(
        albums,
        key=lambda album: (sum(shown[v] for v in album) / len(album), -sum(not shown[v] for v in album)),
    )
    albums.remove(views)
    shown.update(views)
    return views


def draw_unit(
    unit_id: str, source: str, family: Family, variant: Variant, needs_label: bool, key: str = ""
) -> Unit:
    """A unit's identity on paper and its condition."""
    rng = generator_of("unit", source, unit_id)
    label = pick(rng, LABELS, _LABEL_SHARES)
    if needs_label and label == "absent":
        label = "scuffed"
    sockets = len(family.connectors)
    missing, seated = (), None
    if sockets > 1 and rng.random() < 0.09:
        missing = (int(rng.integers(sockets)),)
    if rng.random() < 0.13:
        seated = pick(rng, [k for k in range(sockets) if k not in missing])
    wear = rng.beta(1.6, 2.2)
    return Unit(
        unit_id=unit_id,
        source=source,
        family=key or family.key,
        variant=variant.key,
        service_number=pick(rng, variant.service_numbers),
        suffix=_draw_suffix(rng, family, variant),
        serial="".join(map(str, rng.integers(0, 10, 8))),
        seed=draw_seed(rng),
        fade=draw_share(rng, 0.75 * wear),
        chalk=draw_share(rng, 0.6 * wear),
        dirt=draw_share(rng, 0.9 * wear),
        grease=draw_share(rng, 0.6) if rng.random() < 0.45 else 0.0,
        rust=draw_share(rng, wear) if rng.random() < 0.6 else 0.0,
        label=label,
        scrawl=pick(rng, _SCRAWLS) if rng.random() < 0.28 else "",
        scrawl_face=pick(rng, ("front", "back")),
        missing=missing,
        seated=seated,
        **_draw_paper(source, unit_id),
    )


def _draw_paper(source: str, unit_id: str) -> dict:
    """Which of its maker's label layouts a unit has, and what is stuck on its plug face."""
    if source == "wild":
        return {}
    rng = generator_of("paper", source, unit_id)
    layouts = _LABEL_LAYOUTS.get("marrow_finch" if source == "dyed" else source)
    stuck = draw_kinds(rng)
    return {
        "label_layout": pick(rng, tuple(layouts), tuple(layouts.values())) if layouts else "",
        "stickers": stuck[:2] if rng.random() < 1.5 * _STUCK_SHARE else (),
    }


def draw_share(rng, middle: float) -> float:
    """A share about a middle, 0..1."""
    return round(float(np.clip(rng.normal(middle, 0.18), 0.0, 1.0)), 3)


def _draw_suffix(rng, family: Family, variant: Variant) -> str:
    """One of the variant's suffixes; where any is allowed, a short one that the label's pattern takes."""
    if variant.suffixes:
        return pick(rng, variant.suffixes)
    if not family.label.suffix:
        return ""
    fitting = _fitting_suffixes(family.label.suffix)
    return pick(rng, fitting) if fitting else ""


@cache
def _fitting_suffixes(pattern: str) -> tuple[str, ...]:
    """Of all suffixes of one or two characters those that a pattern takes."""
    fits = re2.compile(pattern).fullmatch
    trials = (
        "".join(t) for n in (1, 2) for t in itertools.product("ABCDEFGHKLMNPRSTUVWX0123456789", repeat=n)
    )
    return tuple(trial for trial in trials if fits(trial))


def unknown_unit(unit_id: str, split: str) -> Unit:
    """A unit of a family that no catalogue holds."""
    rng = generator_of("unknown", unit_id)
    family = wild.unknown_family(pick(rng, wild.unknown_families(split)))
    return draw_unit(unit_id, "unknown", family, family.variants[0], False)


def wild_unit(unit_id: str) -> Unit:
    """A unit of a family drawn by chance."""
    seed = draw_seed(generator_of("wild", unit_id))
    family = wild.random_family(seed)
    return draw_unit(unit_id, "wild", family, family.variants[0], False, key=str(seed))


def dyed_unit(unit_id: str) -> Unit:
    """A unit in a shell of the demo catalogue, its plugs in any colour."""
    rng = generator_of("dyed", unit_id)
    family, seed = pick(rng, catalogue("marrow_finch").families), draw_seed(rng)
    dyed, variant = wild.dye(family, seed), pick(rng, family.variants)
    return draw_unit(unit_id, "dyed", dyed, variant, False, key=f"{family.key}#{seed}")


# Parts of a shot


def span_m(family: Family) -> np.ndarray:
    """Width and height of a unit from above, headers that stand over its edges on both sides; metres."""
    half = np.array(family.body.size_mm[:2], float) / 2
    for connector in family.connectors:
        half = np.maximum(half, np.abs(connector.at_mm) + np.array(seen_size_mm(connector)) / 2)
    return 2 * half / 1000


def scatter(rng, units: list[Unit], overlap: float, turned_over: float) -> tuple[Placed, ...]:
    """Lay units out as somebody throws them on a pallet, or sets them in rows."""
    sizes = [span_m(family_of(unit)) + 0.02 for unit in units]
    tidy = rng.random() < 0.4
    spots = layout.throw(rng, sizes, overlap=overlap, tidy=tidy)
    return tuple(
        Placed(unit, Pose("back" if rng.random() < turned_over else "front", *spot))
        for unit, spot in zip(units, spots, strict=True)
    )


def draw_angle(rng) -> float:
    """Any direction, degrees."""
    return round(float(rng.uniform(0, 360)), 1)


def draw_tilt(rng, limit: float) -> float:
    """Mostly nearly straight down, now and then up to the limit; degrees."""
    tilt = abs(rng.normal(0, 9)) if rng.random() < 0.7 else rng.uniform(12, limit)
    return min(float(tilt), limit)


def draw_count(rng) -> int:
    """How many loose things lie about."""
    return 0 if rng.random() < 0.4 else int(rng.integers(1, 6))


def draw_light(rng, kind: str) -> Light:
    """A light of this kind."""
    low, high = (22, 68) if kind == "sun" else (38, 80)
    return Light(
        kind=kind,
        azimuth_deg=draw_angle(rng),
        elevation_deg=round(float(rng.uniform(low, high)), 1),
        strength=round(float(rng.uniform(0.7, 1.4)), 3),
        ambient=round(float(rng.uniform(0.6, 1.5)), 3),
        kelvin=round(float(rng.uniform(*_KELVIN[kind]))),
        seed=draw_seed(rng),
    )


def draw_camera(rng, subject: str, fill: float, tilt: float) -> Camera:
    """A camera that looks from any side, turned any way."""
    focal = rng.uniform(24, 28) if rng.random() < 0.65 else rng.uniform(46, 54)
    slip = 0.05 if rng.random() < 0.92 else 0.16
    aim = np.clip(rng.normal(0, slip, 2), -0.3, 0.3) * (1.0 if fill < 0.9 else 0.4)
    return Camera(
        subject=subject,
        fill=round(float(fill), 3),
        aim_x=round(float(aim[0]), 3),
        aim_y=round(float(aim[1]), 3),
        tilt_deg=round(float(tilt), 1),
        azimuth_deg=draw_angle(rng),
        roll_deg=draw_angle(rng),
        focal_mm=round(float(focal), 1),
        # A phone's lens opens about 2.4 mm wide: this f-number gives the same depth of field on 36 mm.
        fstop=round(float(focal / 2.4 * rng.uniform(0.85, 1.5)), 2),
        focus=1.0 if rng.random() < 0.75 else round(float(rng.uniform(0.8, 1.3)), 3),
    )


def draw_development(rng, light: str, scale: float) -> Development:
    """The phone's part; blur and motion in pixels of a frame `scale` times 1024 pixels long."""
    wb = rng.normal(0, 0.035 if rng.random() < 0.8 else 0.11, 2)
    blur = pick(rng, (0.0, rng.uniform(0.5, 1.2), rng.uniform(1.2, 2.6)), (0.66, 0.25, 0.09))
    motion = pick(rng, (0.0, rng.uniform(2, 6), rng.uniform(6, 13)), (0.76, 0.18, 0.06))
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
        orientation=int(pick(rng, range(1, 9), (0.42, 0.05, 0.1, 0.05, 0.05, 0.17, 0.05, 0.11))),
    )


def stands_before(camera: Camera, x: float, y: float) -> bool:
    """Whether what stands at a spot beside the units would hide them from a low camera."""
    aside = (math.degrees(math.atan2(y, x)) - camera.azimuth_deg + 180) % 360 - 180
    return camera.tilt_deg > 35 and abs(aside) < _IN_THE_WAY_DEG


def draw_things(rng, units, count: int, camera: Camera) -> list[Thing]:
    """Loose things around the units, clear of them, of each other and of the line of sight."""
    discs = [(p.pose.x, p.pose.y, 0.5 * math.hypot(*span_m(family_of(p.unit)))) for p in units]
    if not units or any(p.pose.lean_deg for p in units):
        count = min(count, 2) if units else 0
    things = []
    for _ in range(count):
        kind = pick(rng, tuple(THINGS))
        spot = layout.beside(
            rng, discs, THINGS[kind], gap=0.02 if not any(p.pose.lean_deg for p in units) else 0.12
        )
        if spot is not None and not stands_before(camera, *spot):
            things.append(Thing(kind, *spot, draw_angle(rng), draw_seed(rng)))
            discs.append((*spot, THINGS[kind] * 0.8))
    return things


def draw_hand(rng, units, chance: float, camera: Camera) -> list[Thing]:
    """A hand or glove that reaches in over an edge without headers, its finger tips at the edge of a unit."""
    if rng.random() > chance or any(p.pose.lean_deg for p in units):
        return []
    toward = rng.uniform(0, 2 * math.pi)
    reach, faces = 0.16, []
    if units:
        family, yaw = family_of(units[0].unit), units[0].pose.yaw_deg
        reach = 0.5 * min(family.body.size_mm[:2]) / 1000 * rng.uniform(0.95, 1.25)
        faces = [edge_azimuth_deg(edge, yaw) for edge in header_edges(family)]
    for _ in range(20):
        comes_from = math.degrees(toward) + 180
        if all(abs((comes_from - face + 180) % 360 - 180) > 50 for face in faces):
            break
        toward = rng.uniform(0, 2 * math.pi)
    middle = (units[0].pose.x, units[0].pose.y) if units else (0.0, 0.0)
    x, y = (m - reach * f(toward) for m, f in zip(middle, (math.cos, math.sin), strict=True))
    kind, seed = pick(rng, HANDS), draw_seed(rng)
    if stands_before(camera, x - middle[0], y - middle[1]):
        return []
    return [Thing(kind, round(x, 4), round(y, 4), round(math.degrees(toward), 1), seed)]
