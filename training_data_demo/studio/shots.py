"""One planned photo as a record: everything that decides how it looks, written as one line of JSON.

A shot is complete: rendering and developing it need this record, the catalogue folders and, for the yard's
photos, a folder of pictures of surroundings and surfaces if there is one. Lengths in metres, angles in
degrees unless a name says otherwise.
"""

import dataclasses
import json
from dataclasses import dataclass, field
from typing import Any, get_args, get_origin, get_type_hints


def _later(default: Any) -> Any:
    """A field that came after the shipped photos were planned; a record leaves it out at its default, so that
    their lines stay what they were."""
    return field(default=default, metadata={"later": True})


LIGHTS = ("sun", "overcast", "tungsten", "fluorescent", "mixed", "flash")
GROUNDS = ("pallet wood", "concrete", "steel bench", "cardboard", "gravel", "tarpaulin")
LABELS = ("clean", "scuffed", "torn", "partly missing", "absent")
SPLITS = ("train", "calibration", "test")
THINGS = {
    "rag": 0.10,
    "wire": 0.12,
    "cable end": 0.13,
    "screwdriver": 0.11,
    "spanner": 0.10,
    "bolts": 0.045,
    "loose plug": 0.075,
    "carton": 0.08,
    "tin": 0.045,
    "tape roll": 0.055,
    "caps": 0.06,
    "marker": 0.075,
    "zip ties": 0.09,
    "offcut": 0.10,
}  # kind of loose thing: radius on the ground in metres
HANDS = ("hand", "glove")

# What only the yard's photos have.
SURROUNDINGS = "surroundings"  # kind of light: a picture of all that is around
YARD_GROUNDS = (
    "floorboards",
    "worktop",
    "paper",
    "sheet",
    "tiles",
    "carpet",
    "slab",
    "metal bench",
    "engine bay",
    "footwell",
    "seamless",
    "cutting mat",
)
YARD_THINGS = {
    "circuit board": 0.085,
    "switch panel": 0.07,
    "fuse box lid": 0.075,
    "labelled box": 0.075,
    "disk box": 0.075,
    "loom": 0.14,
    "hose": 0.13,
    "paper tag": 0.05,
    "sticker sheet": 0.07,
    "cap with cavity": 0.035,
}
GRIPS = ("grip", "gloved grip")  # hands that hold a unit by its edge


@dataclass(frozen=True)
class Unit:
    """One physical unit: who it is and what state it is in. `source` says where its family is defined."""

    unit_id: str
    source: str  # "marrow_finch" | "pell_works" | "tenter_twill" | "unknown" | "wild" | "dyed"
    family: str  # key in that source; of a dyed one KEY#SEED
    variant: str
    service_number: str
    suffix: str
    serial: str
    seed: int
    fade: float = 0.0
    chalk: float = 0.0
    dirt: float = 0.0
    grease: float = 0.0
    rust: float = 0.0
    label: str = "clean"
    scrawl: str = ""
    scrawl_face: str = "back"
    missing: tuple[int, ...] = ()
    seated: int | None = None
    label_layout: str = _later("")  # by name; empty for one of its maker's
    stickers: tuple[str, ...] = _later(())  # kinds of things stuck on the plug face, see `stickers`


@dataclass(frozen=True)
class Pose:
    """How a unit lies: the face that is up, its middle, turned by `yaw_deg`, propped up by `lean_deg`."""

    face: str  # "front" | "back"
    x: float = 0.0
    y: float = 0.0
    yaw_deg: float = 0.0
    lean_deg: float = 0.0
    lean_to_deg: float = 0.0  # in the unit's own frame, the side that is lifted: 0 right, 90 top


@dataclass(frozen=True)
class Placed:
    """A unit and its pose."""

    unit: Unit
    pose: Pose


@dataclass(frozen=True)
class Light:
    """Where the light comes from."""

    kind: str
    azimuth_deg: float
    elevation_deg: float
    strength: float  # key light over its usual power
    ambient: float  # surroundings over their usual brightness
    kelvin: float  # colour temperature of the key light
    seed: int


@dataclass(frozen=True)
class Ground:
    """What the units lie on. `tone` 0..1 means paint, paleness, rust or stone size, by kind."""

    kind: str
    yaw_deg: float
    wetness: float
    grime: float
    tone: float
    seed: int
    drop: float = _later(0.0)  # metres below the units, which a hand holds up
    wall_m: float = _later(0.0)  # distance of a wall behind the units; 0 for none
    wall_deg: float = _later(0.0)  # direction in which it stands


@dataclass(frozen=True)
class Thing:
    """A loose thing beside the units, or a hand whose finger tips are at x, y and which points along
    `yaw_deg`.
    """

    kind: str
    x: float
    y: float
    yaw_deg: float
    seed: int
    held_m: float = _later(0.0)  # thickness of what a hand holds


@dataclass(frozen=True)
class Camera:
    """The phone. `tilt_deg` from straight down, `roll_deg` about the line of sight, `height_m` follows from
    `fill`.
    """

    subject: str  # "units" | "label" | "ground" | "plug N" (canonical index) of the first unit
    fill: float  # share of the frame that the subject spans on its tighter side
    aim_x: float  # middle of the subject from the middle of the frame, in frames
    aim_y: float
    tilt_deg: float
    azimuth_deg: float
    roll_deg: float
    focal_mm: float  # 35 mm equivalent
    fstop: float  # scaled to 35 mm, so that depth of field is that of a phone
    focus: float  # focused distance over the subject's distance


@dataclass(frozen=True)
class Development:
    """What the phone makes of the light; see `camera.develop`."""

    exposure_ev: float
    white_balance: float  # share of the light's cast that is taken out, 0..1
    wb_red: float  # error on top: gain of red
    wb_blue: float
    contrast: float
    saturation: float
    vignette: float
    blur_px: float
    motion_px: float
    motion_deg: float
    noise: float  # standard deviation at mid grey, linear, before the phone's smoothing
    smoothing: float  # 0..1
    sharpening: float
    jpeg_quality: int
    orientation: int  # EXIF, 1..8
    tone: str = _later("")  # name of a phone's tone curve, see `camera`; empty for the studio's own
    halo: float = _later(0.0)  # of merged exposures: broad bright rims, 0..1
    sharpen_px: float = _later(1.3)  # radius of the sharpening's rim
    reduced: float = _later(1.0)  # size at which a messenger stored it before, as a share
    first_quality: int = _later(0)  # JPEG quality of an earlier storing; 0 for none


@dataclass(frozen=True)
class Shot:
    """One photo to be."""

    id: str
    seed: int
    set: str  # "marrow_finch" | "pell_works" | "decoy" | "pallet" | "wild" | "yard"
    split: str
    view: str  # "front" | "back" | "oblique" | "label" | "pallet" | "decoy"
    width: int  # of the photo as it is shown
    height: int
    timing: bool
    units: tuple[Placed, ...]
    light: Light
    ground: Ground
    things: tuple[Thing, ...]
    camera: Camera
    development: Development

    def to_json(self) -> str:
        """One line."""
        return json.dumps(as_record(self), ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, line: str) -> "Shot":
        """The shot of one line; a missing or strange key raises TypeError."""
        return _build(cls, json.loads(line))


def as_record(value: Any) -> Any:
    """What `dataclasses.asdict` gives, without the later fields that are at their default."""
    if dataclasses.is_dataclass(value):
        pairs = ((f, getattr(value, f.name)) for f in dataclasses.fields(value))
        return {
            f.name: as_record(item)
            for f, item in pairs
            if not (f.metadata.get("later") and item == f.default)
        }
    if isinstance(value, tuple):
        return tuple(as_record(item) for item in value)
    return value


def _build(kind: Any, value: Any) -> Any:
    if dataclasses.is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{name: _build(hints.get(name), item) for name, item in value.items()})
    if get_origin(kind) is tuple:
        return tuple(_build(get_args(kind)[0], item) for item in value)
    return value
