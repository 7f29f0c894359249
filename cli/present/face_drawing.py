"""What a family should look like: its plug face drawn from the entry, to scale, as SVG or as a picture.

Everything is laid out in millimetres with y downwards, as a list of shapes; two small renderers turn that
into SVG text and into pixels, so that both show the same. SVG carries its colours as attributes: the pages
that it stands in allow no style in the text.
"""

import base64
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from types import MappingProxyType

from PIL import Image, ImageDraw, ImageFont
from plugface.cli.present.picture_font import load_font
from plugface.cli.present.swatches import SWATCHES, ink_on
from plugface.models.catalogue.entries import HOUSING_MM, Connector, Family

Rgb = tuple[int, int, int]

INK, SOFT, PAPER, LINE, WARN = (22, 32, 42), (75, 90, 104), (255, 255, 255), (120, 130, 138), (140, 29, 24)

#: Room about a face, height of small writing, and pixels for a millimetre; all our choice.
MARGIN_MM, TEXT_MM, PX_PER_MM = 14.0, 7.0, 4.0

#: Mean width of a letter as a share of its height, DejaVu Sans (measured on English words).
LETTER = 0.62

#: How far the shroud of a plug that opens sideways reaches in from its edge, mm (our choice).
SIDEWAYS_MM = 20.0

LABEL_SIDES = {
    "unknown": "",
    "face": "label: on this face",
    "back": "label: on the back",
    "top": "label: on the side at the top edge",
    "bottom": "label: on the side at the bottom edge",
    "left": "label: on the side at the left edge",
    "right": "label: on the side at the right edge",
}


@dataclass(frozen=True)
class Box:
    """An upright rectangle, filled and outlined."""

    x: float
    y: float
    width: float
    height: float
    fill: Rgb | None
    edge: Rgb | None = None
    line: float = 0.0
    round: float = 0.0


@dataclass(frozen=True)
class Ring:
    """A circle."""

    x: float
    y: float
    radius: float
    fill: Rgb | None
    edge: Rgb | None = None
    line: float = 0.0


@dataclass(frozen=True)
class Words:
    """One line of writing about its middle, or from its left end."""

    x: float
    y: float
    text: str
    height: float
    ink: Rgb
    bold: bool = False
    middle: bool = True


@dataclass(frozen=True)
class Photo:
    """A photograph in a box of its own shape."""

    x: float
    y: float
    width: float
    height: float
    jpeg: bytes


Shape = Box | Ring | Words | Photo


@dataclass(frozen=True)
class Drawing:
    """Shapes on a sheet of so many millimetres."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    title: str  # what it shows, for who cannot see it


def draw_face(
    family: Family,
    photo: bytes | None = None,
    *,
    least_width: float = 150.0,
    facts_mm: float | None = 0.75 * TEXT_MM,
) -> Drawing:
    """The plug face of a family with the mark upright, and below it what the drawing cannot say.

    Parameters
    ----------
    family : Family
    photo : bytes, optional
        A JPEG of a good unit, to be shown in place of the drawing.
    least_width : float, mm
        Of the sheet.
    facts_mm : float, optional
        Height of the writing below the name; None leaves it out, where the drawing is too small to read it.

    Returns
    -------
    drawing : Drawing
        Body, ears, fins, plugs with number, colour code and pins, marks, and the side that the label is on.
        How many ears there are is known, not where they sit: they stand at the corners.
    """
    shapes = _face(family) if photo is None else [_photo(photo, max(least_width, 120.0) - 2 * MARGIN_MM)]
    left, top, right, bottom = _bounds(shapes)
    width = max(least_width, right - left + MARGIN_MM)
    by_x, by_y = (width - right - left) / 2, MARGIN_MM / 2 - top
    moved = [replace(shape, x=shape.x + by_x, y=shape.y + by_y) for shape in shapes]
    captions, end = _captions(family, bottom + by_y + 1.5 * TEXT_MM, width, facts_mm)
    spoken = " ".join(f"{c.colour}-{c.size}" for c in family.connectors)
    return Drawing(width, end, (*moved, *captions), f"{family.key}: plugs in order {spoken}")


def draw_all(
    families: Sequence[Family], title: str, photos: Mapping[str, bytes] = MappingProxyType({})
) -> Drawing:
    """Every family on one sheet for the wall, all to one scale, in rows.

    Parameters
    ----------
    photos : mapping of str to bytes
        Key of a family -> the JPEG that stands in place of its drawing.
    """
    widest = max(draw_face(family).width for family in families)
    drawings = [draw_face(family, photos.get(family.key), least_width=widest) for family in families]
    gap = 10.0
    columns = max(1, round(len(drawings) ** 0.5 * 1.15))
    shapes: list[Shape] = [Words(gap, 14.0, title, 12.0, INK, bold=True, middle=False)]
    y = 28.0
    for start in range(0, len(drawings), columns):
        row = drawings[start : start + columns]
        tall = max(one.height for one in row)
        for number, one in enumerate(row):
            x = gap + number * (widest + gap)
            shapes.append(Box(x, y, widest, tall, None, LINE, 0.4, 3.0))
            shapes += [replace(shape, x=shape.x + x, y=shape.y + y) for shape in one.shapes]
        y += tall + gap
    width = gap + min(columns, len(drawings)) * (widest + gap)
    return Drawing(max(width, 2 * gap + LETTER * 12 * 1.1 * len(title)), y, tuple(shapes), title)


def _bounds(shapes: Sequence[Shape]) -> tuple[float, float, float, float]:
    """The box about all shapes; writing lies inside others and is not counted."""
    boxes = []
    for shape in shapes:
        if isinstance(shape, Ring):
            r = shape.radius
            boxes.append((shape.x - r, shape.y - r, shape.x + r, shape.y + r))
        elif not isinstance(shape, Words):
            boxes.append((shape.x, shape.y, shape.x + shape.width, shape.y + shape.height))
    x0, y0, x1, y1 = zip(*boxes, strict=True)
    return min(x0), min(y0), max(x1), max(y1)


def _face(family: Family) -> list[Shape]:
    body = family.body
    width, height, _ = body.size_mm
    metal = _softened(SWATCHES[body.colour][1])
    shapes: list[Shape] = list(_ears(body.ears, width, height, metal))
    corner = 0.09 * min(width, height) if body.corners == "round" else 2.0
    shapes.append(Box(MARGIN_MM, MARGIN_MM, width, height, metal, INK, 1.0, corner))
    if body.lid_colour is not None:
        lid = _softened(SWATCHES[body.lid_colour][1])
        shapes.append(Box(MARGIN_MM + 5, MARGIN_MM + 5, width - 10, height - 10, lid, LINE, 0.6, corner))
    shapes += _fins(body.fins, width, height)
    shapes += _label_strip(family.label.side, width, height)
    share = _size_share(family.connectors)
    for number, plug in enumerate(family.connectors, start=1):
        shapes += _plug(number, plug, width, height, share)
    ground = metal if body.lid_colour is None else _softened(SWATCHES[body.lid_colour][1])
    for mark in family.marks:
        x, y = _at(mark.at_mm, width, height)
        wide = LETTER * 1.2 * mark.height_mm * len(mark.text)
        if body.fins != "none":
            tall = 1.3 * mark.height_mm
            shapes.append(Box(x - wide / 2, y - tall / 2, wide, tall, ground))
        shapes.append(Words(x, y, mark.text, mark.height_mm, ink_on(ground), bold=True))
    return shapes


def _at(at_mm: tuple[float, float], width: float, height: float) -> tuple[float, float]:
    """A place of the entry (from the middle, y up) on the sheet."""
    return MARGIN_MM + width / 2 + at_mm[0], MARGIN_MM + height / 2 - at_mm[1]


def _softened(rgb: Rgb) -> Rgb:
    """A body's colour, a third of the way to paper, so that plugs and writing stand out."""
    red, green, blue = (round((2 * c + 255) / 3) for c in rgb)
    return red, green, blue


def _ears(ears: int, width: float, height: float, metal: Rgb) -> list[Shape]:
    left, right, top, bottom = MARGIN_MM - 4, MARGIN_MM + width + 4, MARGIN_MM + 10, MARGIN_MM + height - 10
    middle = MARGIN_MM + height / 2
    places = [(left, bottom), (right, bottom), (left, top), (right, top), (left, middle), (right, middle)]
    if ears in (1, 2):
        places = [(left, middle), (right, middle)]
    shapes: list[Shape] = []
    for x, y in places[:ears]:
        inner = MARGIN_MM if x < MARGIN_MM else MARGIN_MM + width
        shapes.append(Box(min(x, inner), y - 7, abs(x - inner), 14, metal, INK, 0.8))
        shapes.append(Ring(x, y, 7, metal, INK, 0.8))
        shapes.append(Ring(x, y, 3, PAPER, INK, 0.6))
    return shapes


def _fins(fins: str, width: float, height: float) -> list[Shape]:
    if fins == "none":
        return []
    start = MARGIN_MM + (width / 2 if fins == "half" else 4)
    count = int((MARGIN_MM + width - 4 - start) // 8)
    return [Box(start + 8 * k, MARGIN_MM + 3, 1.2, height - 6, LINE) for k in range(count + 1)]


def _label_strip(side: str, width: float, height: float) -> list[Shape]:
    """A white strip with bars outside the edge whose side bears the label."""
    if side not in ("top", "bottom", "left", "right"):
        return []
    long = 0.4 * (width if side in ("top", "bottom") else height)
    x, y, wide, tall = {
        "top": (MARGIN_MM + (width - long) / 2, MARGIN_MM - 10, long, 8),
        "bottom": (MARGIN_MM + (width - long) / 2, MARGIN_MM + height + 2, long, 8),
        "left": (MARGIN_MM - 12, MARGIN_MM + (height - long) / 2, 8, long),
        "right": (MARGIN_MM + width + 4, MARGIN_MM + (height - long) / 2, 8, long),
    }[side]
    shapes: list[Shape] = [Box(x, y, wide, tall, PAPER, INK, 0.6)]
    for k in range(int(long // 4) - 1):
        bar = 1.6 if k % 3 else 0.8
        across = side in ("top", "bottom")
        at = (x + 2 + 4 * k, y + 1.5, bar, tall - 3) if across else (x + 1.5, y + 2 + 4 * k, wide - 3, bar)
        shapes.append(Box(*at, INK))
    return shapes


def _size_share(plugs: Sequence[Connector]) -> float:
    """How far up their classes' sizes plugs can be drawn without one on the other: 0.5 is the middle."""
    for share in (0.5, 0.25):
        boxes = [_plug_box(plug, share) for plug in plugs]
        pairs = combinations(boxes, 2)
        if not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for a, b in pairs):
            return share
    return 0.0


def _plug_box(plug: Connector, share: float) -> tuple[float, float, float, float]:
    """The box of a plug about its place in the entry, y up: x0, y0, x1, y1."""
    long, wide = (least + share * (most - least) for least, most in HOUSING_MM[plug.size])
    if plug.opens == "sideways":
        along = plug.edge in ("top", "bottom")
        wide, tall = (long, SIDEWAYS_MM) if along else (SIDEWAYS_MM, long)
    else:
        upright = 45 < plug.turn_deg % 180 < 135
        wide, tall = (wide, long) if upright else (long, wide)
    x, y = plug.at_mm
    return x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2


def _plug(number: int, plug: Connector, width: float, height: float, share: float) -> list[Shape]:
    x0, y0, x1, y1 = _plug_box(plug, share)
    left, top = _at((x0, y1), width, height)
    wide, tall = x1 - x0, y1 - y0
    shade = SWATCHES[plug.colour][1]
    shapes: list[Shape] = [Box(left, top, wide, tall, shade, INK, 0.9, 2.5)]
    if plug.opens == "up":
        edge = _mixed(shade, ink_on(shade), 0.45)
        inside = _mixed(shade, ink_on(shade), 0.08)
        shapes.append(Box(left + 2.5, top + 2.5, wide - 5, tall - 5, inside, edge, 0.6, 1.5))
        shapes += _pins(plug, left + 4.5, top + 4.5, wide - 9, tall - 9, tall > wide)
    else:
        shapes.append(_mouth(plug.edge, left, top, wide, tall))
    text = f"{number} {plug.colour}"
    size = min(TEXT_MM, (min(wide, 40) - 3) / (LETTER * len(text) + 0.4))
    tag, middle_x, middle_y = LETTER * size * len(text) + 0.6 * size, left + wide / 2, top + tall / 2
    shapes.append(Box(middle_x - tag / 2, middle_y - 0.75 * size, tag, 1.5 * size, PAPER, INK, 0.4, 1.5))
    shapes.append(Words(middle_x, middle_y, text, size, INK, bold=True))
    return shapes


def _mixed(rgb: Rgb, other: Rgb, share: float) -> Rgb:
    red, green, blue = (round((1 - share) * a + share * b) for a, b in zip(rgb, other, strict=True))
    return red, green, blue


def _mouth(edge: str, left: float, top: float, wide: float, tall: float) -> Shape:
    """A dark bar at the edge out of which a sideways plug opens."""
    bar = 2.4
    x, y, width, height = {
        "top": (left, top, wide, bar),
        "bottom": (left, top + tall - bar, wide, bar),
        "left": (left, top, bar, tall),
        "right": (left + wide - bar, top, bar, tall),
    }[edge]
    return Box(x, y, width, height, INK)


def _pins(plug: Connector, left: float, top: float, wide: float, tall: float, upright: bool) -> list[Shape]:
    few, many = min(plug.pins), max(plug.pins)
    across, down = (few, many) if upright else (many, few)
    radius = min(0.9, 0.3 * wide / across, 0.3 * tall / down)
    metal = _mixed(SWATCHES[plug.colour][1], ink_on(SWATCHES[plug.colour][1]), 0.6)
    return [
        Ring(left + wide * (i + 0.5) / across, top + tall * (j + 0.5) / down, radius, metal)
        for i in range(across)
        for j in range(down)
    ]


def _photo(jpeg: bytes, room: float) -> Photo:
    with Image.open(io.BytesIO(jpeg)) as picture:
        return Photo(0, 0, room, room * picture.height / picture.width, jpeg)


def _captions(family: Family, y: float, width: float, facts_mm: float | None) -> tuple[list[Shape], float]:
    """The name and what the drawing cannot say, below the face; and where the sheet ends."""
    size = " x ".join(f"{side:g}" for side in family.body.size_mm)
    lines = [(family.key, 1.5 * TEXT_MM, INK, True)]
    if family.hazard != "none":
        lines.append((f"CAUTION: {family.hazard}", TEXT_MM, WARN, True))
    plugs = (f"{k} {SWATCHES[c.colour][0]} {c.size}" for k, c in enumerate(family.connectors, start=1))
    controls = {"both": "engine and gearbox", "other": "neither engine nor gearbox"}
    facts = [
        "plugs: " + ", ".join(plugs),
        f"{controls.get(family.controls, family.controls)}; {size} mm, {family.body.material}",
        LABEL_SIDES[family.label.side],
    ]
    if facts_mm is not None:
        most = int((width - 2 * 4) / (LETTER * 1.1 * facts_mm))
        lines += [(part, facts_mm, SOFT, False) for fact in facts if fact for part in _wrapped(fact, most)]
    shapes: list[Shape] = []
    for text, height, ink, bold in lines:
        height = min(height, (width - 8) / (LETTER * 1.1 * len(text)))
        shapes.append(Words(4, y, text, height, ink, bold, middle=False))
        y += 1.45 * height
    return shapes, y


def _wrapped(text: str, most: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > most:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def svg_text(drawing: Drawing, *, size: bool = True) -> str:
    """The drawing as SVG; `size` writes its width and height in millimetres, for printing to scale."""
    of = f' width="{drawing.width:g}mm" height="{drawing.height:g}mm"' if size else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg"{of} viewBox="0 0 {drawing.width:g} {drawing.height:g}" '
        f'role="img" aria-label="{_escaped(drawing.title)}">{svg_shapes(drawing)}</svg>'
    )


def svg_shapes(drawing: Drawing) -> str:
    """The shapes alone, on white, for a page that holds many."""
    sheet = Box(0, 0, drawing.width, drawing.height, PAPER)
    return "".join(map(_svg, (sheet, *drawing.shapes)))


def _svg(shape: Shape) -> str:
    if isinstance(shape, Photo):
        data = base64.b64encode(shape.jpeg).decode()
        place = f'x="{shape.x:.4g}" y="{shape.y:.4g}" width="{shape.width:.4g}" height="{shape.height:.4g}"'
        return f'<image {place} href="data:image/jpeg;base64,{data}"/>'
    if isinstance(shape, Words):
        anchor = ' text-anchor="middle"' if shape.middle else ""
        weight = ' font-weight="700"' if shape.bold else ""
        # The middle of capitals lies 0.36 of the type's height above its base line.
        return (
            f'<text x="{shape.x:.5g}" y="{shape.y + 0.36 * shape.height:.5g}" font-size="{shape.height:.4g}" '
            f'font-family="DejaVu Sans, Verdana, sans-serif" fill="{_hex(shape.ink)}"{anchor}{weight}>'
            f"{_escaped(shape.text)}</text>"
        )
    fill = _hex(shape.fill) if shape.fill else "none"
    edge = f' stroke="{_hex(shape.edge)}" stroke-width="{shape.line:g}"' if shape.edge else ""
    if isinstance(shape, Ring):
        return f'<circle cx="{shape.x:.5g}" cy="{shape.y:.5g}" r="{shape.radius:.3g}" fill="{fill}"{edge}/>'
    corner = f' rx="{shape.round:.3g}"' if shape.round else ""
    return (
        f'<rect x="{shape.x:.5g}" y="{shape.y:.5g}" width="{shape.width:.5g}" height="{shape.height:.5g}"'
        f'{corner} fill="{fill}"{edge}/>'
    )


def _hex(rgb: Rgb) -> str:
    return "#{:02x}{:02x}{:02x}".format(*rgb)


def _escaped(text: str) -> str:
    printable = "".join(sign if sign.isprintable() else " " for sign in text)
    return printable.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")


def draw_pixels(drawing: Drawing, px_per_mm: float = PX_PER_MM) -> Image.Image:
    """The drawing as a picture: drawn at twice the size and reduced, which makes its edges smooth."""
    scale = 2 * px_per_mm
    size = round(drawing.width * scale), round(drawing.height * scale)
    picture = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(picture)
    for shape in drawing.shapes:
        _paint(picture, pen, shape, scale)
    return picture.resize((size[0] // 2, size[1] // 2), Image.Resampling.LANCZOS)


def _paint(picture: Image.Image, pen: ImageDraw.ImageDraw, shape: Shape, scale: float) -> None:
    x, y = shape.x * scale, shape.y * scale
    if isinstance(shape, Photo):
        with Image.open(io.BytesIO(shape.jpeg)) as photo:
            fitted = photo.convert("RGB").resize((round(shape.width * scale), round(shape.height * scale)))
        picture.paste(fitted, (round(x), round(y)))
    elif isinstance(shape, Words):
        font: ImageFont.FreeTypeFont = load_font(max(1, round(shape.height * scale)), shape.bold)
        pen.text((x, y), shape.text, fill=shape.ink, font=font, anchor="mm" if shape.middle else "lm")
    elif isinstance(shape, Ring):
        radius, line = shape.radius * scale, max(1, round(shape.line * scale)) if shape.edge else 0
        box = (x - radius, y - radius, x + radius, y + radius)
        pen.ellipse(box, fill=shape.fill, outline=shape.edge, width=line)
    else:
        box = (x, y, x + shape.width * scale, y + shape.height * scale)
        line = max(1, round(shape.line * scale)) if shape.edge else 0
        pen.rounded_rectangle(box, shape.round * scale, fill=shape.fill, outline=shape.edge, width=line)
