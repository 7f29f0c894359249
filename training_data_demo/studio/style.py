"""How a maker builds: shrouds, screws, cast letters, label layouts."""

import random
import zlib
from dataclasses import dataclass
from typing import Any

# Fonts that matplotlib ships under free licences; labels.write_textures copies them beside the textures.
CAST_FONTS = (
    "DejaVuSans-Bold",
    "DejaVuSans",
    "DejaVuSansMono-Bold",
    "DejaVuSerif-Bold",
    "STIXGeneralBol",
    "cmss10",
)


@dataclass(frozen=True)
class Style:
    """A maker's hand. Lengths in millimetres."""

    shroud_corner_mm: float
    shroud_chamfer: tuple[bool, bool, bool, bool]  # which corners of the shroud are cut instead of rounded
    shroud_wall_mm: float
    key_ribs: int  # keying ribs inside a long wall
    guide_ribs: int  # ribs outside each long wall
    lock: str  # "ramp" | "arch" | "lever"
    partition: bool  # a wall across the cavity of large sockets
    collar_mm: float  # platform of the body around each socket
    seal: bool  # a black rubber seal under the shroud
    screw: str  # recess of the screw heads: "hexalobular" | "cross" | "hexagon" | "slot"
    mark_font: str
    mark_stretch: float  # width of the cast letters over the font's own
    mark_pad: bool  # cast letters stand on a smooth raised pad
    ear_on_width: bool  # ears stick out to the left and right, else to the top and bottom
    fin_pitch_mm: float
    fin_mm: float  # height of fins
    label_layouts: tuple[str, ...]
    label_turn_deg: int  # how the label sits on the back, against the body's up direction
    finish: str = "plain"  # of moulded parts: "plain" | "glossy" | "grained"


MARROW_FINCH = Style(
    shroud_corner_mm=4.5,
    shroud_chamfer=(False, False, False, False),
    shroud_wall_mm=2.0,
    key_ribs=3,
    guide_ribs=2,
    lock="ramp",
    partition=True,
    collar_mm=2.0,
    seal=True,
    screw="hexalobular",
    mark_font="DejaVuSans-Bold",
    mark_stretch=0.86,
    mark_pad=True,
    ear_on_width=True,
    fin_pitch_mm=8.0,
    fin_mm=4.5,
    label_layouts=("plate", "strip"),
    label_turn_deg=0,
)

PELL_WORKS = Style(
    shroud_corner_mm=2.2,
    shroud_chamfer=(True, False, False, True),
    shroud_wall_mm=2.6,
    key_ribs=2,
    guide_ribs=5,
    lock="arch",
    partition=False,
    collar_mm=3.5,
    seal=False,
    screw="cross",
    mark_font="STIXGeneralBol",
    mark_stretch=1.08,
    mark_pad=False,
    ear_on_width=False,
    fin_pitch_mm=11.0,
    fin_mm=6.0,
    label_layouts=("ledger", "badge"),
    label_turn_deg=0,
)


TENTER_TWILL = Style(
    shroud_corner_mm=6.0,
    shroud_chamfer=(False, True, True, False),
    shroud_wall_mm=2.4,
    key_ribs=3,
    guide_ribs=0,
    lock="lever",
    partition=False,
    collar_mm=1.2,
    seal=True,
    screw="hexagon",
    mark_font="cmss10",
    mark_stretch=1.0,
    mark_pad=True,
    ear_on_width=True,
    fin_pitch_mm=9.0,
    fin_mm=5.0,
    label_layouts=("badge", "strip"),
    label_turn_deg=0,
    finish="grained",
)


_STYLES = {"Marrow & Finch": MARROW_FINCH, "Pell Works": PELL_WORKS, "Tenter & Twill": TENTER_TWILL}


def style_of(family: Any) -> Style:
    """The style of a family's maker; drawn from the shell where the maker is not of the scenario."""
    if family.maker in _STYLES:
        return _STYLES[family.maker]
    draw = random.Random(shell_seed(family))
    cut = draw.random() < 0.5
    return Style(
        shroud_corner_mm=draw.uniform(1.5, 6.5),
        shroud_chamfer=tuple(cut and draw.random() < 0.5 for _ in range(4)),
        shroud_wall_mm=draw.uniform(1.6, 2.8),
        key_ribs=draw.randint(1, 4),
        guide_ribs=draw.randint(0, 5),
        lock=draw.choice(("ramp", "arch", "lever")),
        partition=draw.random() < 0.5,
        collar_mm=draw.uniform(0.8, 4.0),
        seal=draw.random() < 0.5,
        screw=draw.choice(("hexalobular", "cross", "hexagon", "slot")),
        mark_font=draw.choice(CAST_FONTS),
        mark_stretch=draw.uniform(0.75, 1.15),
        mark_pad=draw.random() < 0.5,
        ear_on_width=draw.random() < 0.5,
        fin_pitch_mm=draw.uniform(6.5, 13.0),
        fin_mm=draw.uniform(3.0, 8.0),
        label_layouts=tuple(draw.sample(("plate", "strip", "ledger", "badge"), 2)),
        label_turn_deg=draw.choice((0, 0, 0, 90, 180, 270)),
        finish=draw.choice(("plain", "plain", "glossy", "grained")),
    )


def shell_seed(family: Any) -> int:
    """A number that families in the same shell share, whatever their plugs."""
    body = family.body
    parts = (family.maker, *body.size_mm, body.material, body.fins, body.corners, body.ears, body.lid_screws)
    parts += body.features
    return zlib.crc32("|".join(map(str, parts)).encode())
