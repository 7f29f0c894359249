"""The icon as a phone shows it: a plug face with two sockets, the one of mark.svg, drawn to any size."""

import io
from dataclasses import dataclass
from functools import cache

from PIL import Image, ImageDraw

_TEAL, _WHITE = (11, 90, 110), (255, 255, 255)
#: Drawn so many times larger and made smaller, for smooth edges.
_FINE = 4
#: The mark's side, in its own units, as mark.svg has it.
_MARK = 28


@dataclass(frozen=True)
class Icon:
    """One size of it."""

    side: int  # pixels
    maskable: bool = False  # filled to the edges, for systems that cut icons to a shape of theirs


ICONS = {
    "icon-180.png": Icon(180, maskable=True),  # this one is asked for by its size on some phones
    "icon-192.png": Icon(192),
    "icon-512.png": Icon(512),
    "icon-512-maskable.png": Icon(512, maskable=True),
}


@cache
def draw_icon(icon: Icon) -> bytes:
    """The icon as a PNG, drawn once a process."""
    side = icon.side * _FINE
    ground = (*_TEAL, 255) if icon.maskable else (0, 0, 0, 0)
    picture = Image.new("RGBA", (side, side), ground)
    pen = ImageDraw.Draw(picture)
    if not icon.maskable:
        pen.rounded_rectangle((0, 0, side - 1, side - 1), radius=side // 6, fill=_TEAL)
    # Of a maskable icon the middle four fifths are sure to be seen (W3C, Web Application Manifest).
    scale = side / _MARK * (0.62 if icon.maskable else 0.78)

    def box(x: float, y: float, width: float, height: float) -> tuple[float, float, float, float]:
        left, top = side / 2 + (x - _MARK / 2) * scale, side / 2 + (y - _MARK / 2) * scale
        return left, top, left + width * scale, top + height * scale

    pen.rounded_rectangle(box(1, 5, 26, 18), radius=3 * scale, fill=_WHITE)
    for x, width in ((5, 6), (13, 10)):
        pen.rounded_rectangle(box(x, 10, width, 8), radius=scale, fill=_TEAL)
    out = io.BytesIO()
    picture.resize((icon.side, icon.side), Image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
    return out.getvalue()
