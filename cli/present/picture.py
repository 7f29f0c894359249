"""The answer drawn on the photos: outlines, plug numbers with colour codes, what was read, the verdict.

Everything is laid out in pixels of the finished picture and drawn at twice that size on a clear sheet,
which is then reduced onto the photo: that is what makes slanted lines smooth.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont
from plugface.analysis import Answer
from plugface.cli.limited_photo import read_photo
from plugface.cli.present.donor_numbers import find_donor_numbers, paint_over
from plugface.cli.present.face_drawing import draw_face, draw_pixels
from plugface.cli.present.picture_font import load_font
from plugface.cli.present.swatches import ink_on, shown_colour
from plugface.cli.present.terminal import (
    CLOSING,
    CONTROLS,
    badge,
    fit_line,
    headline,
    percent,
    sure_words,
    variant_line,
)
from plugface.models.decision.donor import listed_numbers
from plugface.models.decision.placement import standing
from plugface.vision.observations import Connector, Observations, Polygon, Unit

Point = tuple[float, float]
Box = tuple[float, float, float, float]  # x0, y0, x1, y1
Rgb = tuple[int, int, int]

#: Long side of one photo's panel, pixels, by number of photos; more photos than listed take the last.
PANEL_PX = {1: 1600, 2: 1200, 3: 900}

#: A smaller photo is enlarged to this, or there would be no room for writing that can be read. Our choice.
LEAST_PANEL_PX = 900

#: How high the panels beside one another are at least, as a share of the long side of one: so a panorama does
#: not press the others flat. Our choice.
LEAST_HEIGHT = 0.5

#: How wide one panel is at most, in long sides, however flat its photo. Our choice.
MOST_WIDTH = 4

SMOOTHING = 2
PAPER = (18, 21, 24)
INK = (240, 242, 244)
FAINT = (150, 158, 166)
READ = (112, 214, 255)
CODE = (186, 255, 122)
CASING = (10, 12, 14)
DIMMED = 0.55  # how dark what lies outside the unit becomes
VERDICT_RGB = {
    "identified": (46, 160, 88),
    "ambiguous": (232, 176, 32),
    "not_in_catalogue": (142, 98, 214),
    "unreadable": (214, 64, 56),
}
FIT_RGB = {"yes": INK, "no": (255, 122, 110), "unknown": (255, 214, 102)}


@dataclass
class Sheet:
    """A clear sheet over one picture, with the places already taken by writing."""

    width: int
    height: int
    image: Image.Image = field(init=False)
    taken: list[Box] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.image = Image.new("RGBA", (self.width * SMOOTHING, self.height * SMOOTHING))
        self._draw = ImageDraw.Draw(self.image)

    def line(self, points: Sequence[Point], rgb: Rgb, width: float, *, closed: bool = False) -> None:
        """A line with round joints."""
        path = [(x * SMOOTHING, y * SMOOTHING) for x, y in points]
        if closed:
            path += path[:2]  # runs over the first corner once more, so that it gets its joint too
        self._draw.line(path, fill=(*rgb, 255), width=max(1, round(width * SMOOTHING)), joint="curve")

    def outline(self, points: Sequence[Point], rgb: Rgb, width: float) -> None:
        """A closed line that stands out on light and dark: dark casing, light casing, colour."""
        light = (255, 255, 255) if ink_on(rgb) == (255, 255, 255) else CASING
        self.line(points, CASING if light != CASING else (255, 255, 255), width * 2.4, closed=True)
        self.line(points, light, width * 1.8, closed=True)
        self.line(points, rgb, width, closed=True)

    def pill(self, box: Box, fill: tuple[int, int, int, int], edge: Rgb | None, radius: float) -> None:
        """A box with round corners."""
        scaled = [side * SMOOTHING for side in box]
        self._draw.rounded_rectangle(
            scaled, radius * SMOOTHING, fill=fill, outline=edge, width=2 * SMOOTHING if edge else 0
        )

    def words(
        self, at: Point, text: str, size: float, rgb: Rgb, *, bold: bool = False, anchor: str = "lm"
    ) -> None:
        """One line of writing; `anchor` as in Pillow."""
        place = (at[0] * SMOOTHING, at[1] * SMOOTHING)
        self._draw.text(
            place, text, fill=(*rgb, 255), font=load_font(round(size * SMOOTHING), bold), anchor=anchor
        )

    def onto(self, picture: Image.Image) -> Image.Image:
        """The picture with this sheet on it."""
        small = self.image.resize((self.width, self.height), Image.Resampling.LANCZOS)
        return Image.alpha_composite(picture.convert("RGBA"), small).convert("RGB")


def draw_answer(
    answer: Answer,
    references: Mapping[str, bytes] = MappingProxyType({}),
    *,
    donor_numbers: bool = False,
) -> Image.Image:
    """All photos of an answer with what was seen on them, above a strip with the verdict.

    Parameters
    ----------
    answer : Answer
    references : mapping of str to bytes
        Key of a family -> a JPEG of a good unit, to stand beside in place of the drawing.
    donor_numbers : bool
        Show the numbers of donors; without it they are painted over.
    """
    listed = listed_numbers(answer.catalogue.families)
    sizes = _panel_sizes([(s.quality.width_px, s.quality.height_px) for s in answer.observations])
    views = enumerate(zip(answer.photos, answer.observations, answer.units, sizes, strict=True), start=1)
    several = len(answer.photos) > 1
    panels = [
        _panel(
            path,
            seen,
            unit,
            size,
            f"photo {number}" if several else "",
            () if donor_numbers else find_donor_numbers(seen, listed),
        )
        for number, (path, seen, unit, size) in views
    ]
    sheet = _beside(_arrange(panels), answer, references)
    strip = _strip(answer, sheet.width)
    whole = Image.new("RGB", (sheet.width, sheet.height + strip.height), PAPER)
    whole.paste(sheet, (0, 0))
    whole.paste(strip, (0, sheet.height))
    return whole


def _beside(sheet: Image.Image, answer: Answer, references: Mapping[str, bytes]) -> Image.Image:
    """The photos with what the family that is named should look like beside them; alone where none is."""
    decision = answer.decision
    if len(decision.families) != 1 or decision.families[0] not in answer.catalogue.by_key:
        return sheet
    key = decision.families[0]
    drawing = draw_face(answer.catalogue.by_key[key], references.get(key))
    scale = min(0.6 * sheet.width / drawing.width, sheet.height / drawing.height)
    face = draw_pixels(drawing, scale)
    whole = Image.new("RGB", (sheet.width + 8 + face.width, sheet.height), PAPER)
    whole.paste(sheet, (0, 0))
    whole.paste(face, (sheet.width + 8, (sheet.height - face.height) // 2))
    return whole


def _panel_sizes(photos: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Width and height of each photo's panel: of one height, so that the writing on them need not shrink."""
    long_side = PANEL_PX.get(len(photos), PANEL_PX[max(PANEL_PX)])
    shares = [
        min(long_side, max(width, height, LEAST_PANEL_PX)) / max(width, height) for width, height in photos
    ]
    level = min(height * share for (_, height), share in zip(photos, shares, strict=True))
    if len(photos) > 1:
        level = max(level, LEAST_HEIGHT * long_side)
        level = min(level, *(MOST_WIDTH * long_side * height / width for width, height in photos))
    return [(max(1, round(width * level / height)), max(1, round(level))) for width, height in photos]


def _panel(
    path: Path,
    seen: Observations,
    unit: Unit | None,
    panel: tuple[int, int],
    caption: str,
    hidden: Sequence[Polygon] = (),
) -> Image.Image:
    width, height = panel
    picture = Image.fromarray(read_photo(path).reduced(max(panel)))
    picture = picture.resize(panel, Image.Resampling.LANCZOS)
    scale = width / seen.quality.width_px
    paint_over(picture, hidden, scale)
    sheet = Sheet(width, height)
    # By the long side, but for a panorama, whose plugs are small for it; never too small to be read.
    size = max(LEAST_PANEL_PX / 56, min(max(panel) / 56, min(panel) / 28))
    plugs, middle = unit.connectors if unit else (), (width / 2, height / 2)
    reads = [(t.polygon, t.value, READ) for t in (*(unit.texts if unit else ()), *seen.texts)]
    codes = (*(unit.codes if unit else ()), *seen.codes)
    reads += [(c.polygon, f"{c.symbology} {c.payload}", CODE) for c in codes]
    reads = [(at, "hidden" if at in hidden else words, rgb) for at, words, rgb in reads]
    if unit:
        outline = _scaled(unit.polygon, scale)
        picture, middle = _dim_outside(picture, outline), _middle(outline)
        sheet.outline(outline, INK, size / 12)
    # All outlines before any writing: one drawn later would run through the words.
    for connector in (*plugs, *seen.loose):
        sheet.outline(_scaled(connector.polygon, scale), shown_colour(connector.colour)[2], size / 5)
    for polygon, _, rgb in reads:
        sheet.line(_scaled(polygon, scale), CASING, size / 5, closed=True)
        sheet.line(_scaled(polygon, scale), rgb, size / 11, closed=True)
    drawn = [c.polygon for c in (*plugs, *seen.loose)] + [polygon for polygon, _, _ in reads]
    sheet.taken += [_bounds(_scaled(polygon, scale)) for polygon in drawn]
    if caption:
        _draw_caption(sheet, caption, size)
    for number, connector in enumerate(plugs, start=1):
        _draw_tag(sheet, f"{number} ", connector, _scaled(connector.polygon, scale), middle, size)
    for connector in seen.loose:  # on no unit: in no order, so that they have no number
        _draw_tag(sheet, "", connector, _scaled(connector.polygon, scale), (width / 2, height / 2), size)
    for polygon, words, rgb in reads:
        _draw_read(sheet, _scaled(polygon, scale), words, rgb, size)
    return sheet.onto(picture)


def _draw_caption(sheet: Sheet, words: str, size: float) -> None:
    """Which photo it is, in the corner: reasons and findings name it by number."""
    width, height = load_font(round(size), True).getlength(words) + size, 1.6 * size
    box = (0.4 * size, 0.4 * size, 0.4 * size + width, 0.4 * size + height)
    sheet.pill(box, (*CASING, 225), None, size / 3)
    sheet.words(_middle_of(box), words, size, INK, bold=True, anchor="mm")
    sheet.taken.append(box)


def _dim_outside(picture: Image.Image, outline: list[Point]) -> Image.Image:
    mask = Image.new("L", picture.size, 0)
    ImageDraw.Draw(mask).polygon(outline, fill=255)
    mask = mask.filter(ImageFilter.GaussianBlur(max(picture.size) / 100))
    return Image.composite(picture, Image.fromarray((np.asarray(picture) * DIMMED).astype(np.uint8)), mask)


def _draw_tag(
    sheet: Sheet, number: str, connector: Connector, outline: list[Point], middle: Point, size: float
) -> None:
    code, _, rgb = shown_colour(connector.colour)
    text = f"{number}{code} broken off" if connector.broken else f"{number}{code}"
    width, height = load_font(round(size), True).getlength(text) + 1.1 * size, 1.6 * size
    box = _free_place(sheet, outline, (width, height), middle, gap=0.9 * size)
    centre = _middle_of(box)
    foot = _foot(outline, centre)
    sheet.line([foot, centre], CASING, size / 4)
    sheet.line([foot, centre], rgb, size / 9)
    ink = ink_on(rgb)
    sheet.pill(_grown(box, size / 14), (*CASING, 255), None, height / 2)
    sheet.pill(box, (*rgb, 255), ink, height / 2)
    sheet.words(centre, text, size, ink, bold=True, anchor="mm")
    sheet.taken.append(_grown(box, size / 5))


def _draw_read(sheet: Sheet, outline: list[Point], words: str, rgb: Rgb, size: float) -> None:
    small = 0.72 * size
    shown = words if len(words) <= 28 else words[:27] + "…"
    width, height = load_font(round(small), False).getlength(shown) + 0.8 * small, 1.5 * small
    box = _free_place(sheet, outline, (width, height), _middle(outline), gap=0.2 * size)
    centre = _middle_of(box)
    sheet.line([_foot(outline, centre), centre], rgb, size / 16)  # else a word put aside belongs to no frame
    sheet.pill(box, (*CASING, 255), None, small / 3)
    sheet.words(centre, shown, small, rgb, anchor="mm")
    sheet.taken.append(box)


def _foot(outline: list[Point], centre: Point) -> Point:
    """Where the line from a tag's centre ends: the nearest corner or middle of an edge."""
    edge_middles = [((x0 + x1) / 2, (y0 + y1) / 2) for (x0, y0), (x1, y1) in _edges(outline)]
    return min((*outline, *edge_middles), key=lambda point: math.dist(point, centre))


def _free_place(
    sheet: Sheet, outline: list[Point], size: tuple[float, float], away_from: Point, *, gap: float
) -> Box:
    """Where a box fits beside an outline: inside the picture, off everything written, near, outwards."""
    x0, y0, x1, y1 = _bounds(outline)
    centre = ((x0 + x1) / 2, (y0 + y1) / 2)
    outwards = math.atan2(centre[1] - away_from[1], centre[0] - away_from[0])
    places = []
    for step in range(24):
        angle = outwards + step * math.tau / 24
        dx, dy = math.cos(angle), math.sin(angle)
        for further in (0.0, size[1], 2.5 * size[1]):
            x = centre[0] + dx * ((x1 - x0 + size[0]) / 2 + gap + further)
            y = centre[1] + dy * ((y1 - y0 + size[1]) / 2 + gap + further)
            box = (x - size[0] / 2, y - size[1] / 2, x + size[0] / 2, y + size[1] / 2)
            inside = _overlap(box, (4, 4, sheet.width - 4, sheet.height - 4))
            cost = 8 * (1 - inside) + sum(4 * _overlap(box, other) for other in sheet.taken)
            turned = abs(math.remainder(angle - outwards, math.tau)) / math.pi
            places.append((cost + 0.3 * turned + 0.2 * further / size[1], box))
    return min(places)[1]


def _arrange(panels: list[Image.Image]) -> Image.Image:
    """Up to three panels side by side at one height; more in rows of two."""
    per_row = len(panels) if len(panels) <= 3 else 2
    rows = [panels[at : at + per_row] for at in range(0, len(panels), per_row)]
    gap = 8 if len(panels) > 1 else 0
    drawn = []
    for row in rows:
        line = Image.new("RGB", (sum(p.width for p in row) + gap * (len(row) - 1), row[0].height), PAPER)
        at = 0
        for panel in row:
            line.paste(panel, (at, 0))
            at += panel.width + gap
        drawn.append(line)
    sheet = Image.new("RGB", (max(d.width for d in drawn), sum(d.height + gap for d in drawn) - gap), PAPER)
    at = 0
    for line in drawn:
        sheet.paste(line, ((sheet.width - line.width) // 2, at))
        at += line.height + gap
    return sheet


def _strip(answer: Answer, width: int) -> Image.Image:
    """The verdict below the photos: who it is, how sure, what it controls, what to do next, cautions."""
    size = 12 + width / 70
    pad = 0.9 * size
    left, row = pad + 0.4 * size, pad + 0.85 * size
    decision = answer.decision
    words, _ = badge(decision, answer.catalogue)
    plate = load_font(round(0.72 * size), True).getlength(words) + 1.2 * size
    beside, whole = width - left - plate - 0.8 * size - pad, width - left - pad
    title, title_size, below = _title(answer, 1.25 * size, beside, whole)
    top = pad + (3.6 if below else 1.9) * size
    room = width - 2 * pad - size
    small = 0.72 * size
    wrapped = [(part, rgb) for line, rgb in _strip_lines(answer) for part in _wrap(line, room, round(small))]
    height = round(top + pad + len(wrapped) * 1.15 * size)
    sheet = Sheet(width, height)
    colour = {"hazard": "unreadable", "locked": "unreadable", "variant open": "ambiguous"}
    rgb = VERDICT_RGB[colour.get(standing(decision, answer.catalogue), decision.verdict)]
    if decision.fit is not None and decision.fit.serves == "no":
        rgb = VERDICT_RGB["unreadable"]  # green is for what can be taken as it is
    sheet.pill((0, 0, 0.4 * size, height), (*rgb, 255), None, 0)
    sheet.pill((left, row - 0.8 * size, left + plate, row + 0.8 * size), (*rgb, 255), None, 0.35 * size)
    sheet.words((left + plate / 2, row), words, small, ink_on(rgb), bold=True, anchor="mm")
    at = (left, row + 1.75 * size) if below else (left + plate + 0.8 * size, row)
    sheet.words(at, title, title_size, INK, bold=True)
    for number, (line, ink) in enumerate(wrapped):
        sheet.words((left, top + (number + 0.6) * 1.15 * size), line, small, ink)
    return sheet.onto(Image.new("RGB", (width, height), PAPER))


def _title(answer: Answer, size: float, beside: float, whole: float) -> tuple[str, float, bool]:
    """The headline, its size, and whether it stands below the badge.

    It is not made much smaller to find room: first it goes below the badge, then families are counted in
    place of named; the sentence below names them all.
    """
    least, count = 0.8 * size, len(answer.decision.families)
    everything = headline(answer.decision, answer.catalogue)
    if _fitted(everything, size, beside) >= least:
        return everything, _fitted(everything, size, beside), False
    shorter = [headline(answer.decision, answer.catalogue, most=most) for most in range(count, 0, -1)]
    words = next(
        (line for line in shorter if _fitted(line, size, whole) >= least), [everything, *shorter][-1]
    )
    return words, _fitted(words, size, whole), True


def _strip_lines(answer: Answer) -> list[tuple[str, Rgb]]:
    decision = answer.decision
    lines = [(f"CAUTION: {c.message}", (255, 122, 110)) for c in decision.cautions if c.name not in CLOSING]
    if decision.verdict == "identified":
        chance = decision.candidates[0].probability
        family = answer.catalogue.by_key[decision.families[0]]
        lines.append((f"{percent(chance)}, {sure_words(chance)}; controls {CONTROLS[family.controls]}", INK))
        if len(decision.variants) != 1:
            lines.append((variant_line(decision), INK))
    else:
        lines.append((decision.message, INK))
    if decision.fit is not None:
        lines.append((fit_line(decision.fit), FIT_RGB[decision.fit.serves]))
    lines += [(f"{finding.name}: {finding.message}", (255, 214, 102)) for finding in decision.findings]
    if decision.next_photo:
        wanted = decision.next_photo
        lines.append((f"Next photo: {wanted.view}. {wanted.message}", FAINT))
    return lines


def _wrap(words: str, room: float, size: int) -> list[str]:
    font, lines = load_font(size, False), [""]
    for word in (part for whole in words.split() for part in _parts(whole, room, font)):
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) > room and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _parts(word: str, room: float, font: ImageFont.FreeTypeFont) -> list[str]:
    """A word that is longer than a line, such as a misread text, in as many pieces as it takes."""
    parts = [""]
    for sign in word:
        if parts[-1] and font.getlength(parts[-1] + sign) > room:
            parts.append("")
        parts[-1] += sign
    return parts


def _fitted(words: str, size: float, room: float) -> float:
    """The size at which words take no more than the room; not above `size`."""
    length = load_font(round(size), True).getlength(words)
    return size if length <= room else max(0.0, size * room / length)


def _scaled(polygon: Polygon, scale: float) -> list[Point]:
    return [(x * scale, y * scale) for x, y in polygon]


def _edges(outline: list[Point]) -> list[tuple[Point, Point]]:
    return list(zip(outline, outline[1:] + outline[:1], strict=True))


def _bounds(outline: list[Point]) -> Box:
    xs, ys = zip(*outline, strict=True)
    return (min(xs), min(ys), max(xs), max(ys))


def _middle(outline: list[Point]) -> Point:
    return _middle_of(_bounds(outline))


def _middle_of(box: Box) -> Point:
    return ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)


def _grown(box: Box, by: float) -> Box:
    return (box[0] - by, box[1] - by, box[2] + by, box[3] + by)


def _overlap(box: Box, other: Box) -> float:
    """Share of `box` that `other` covers."""
    wide = min(box[2], other[2]) - max(box[0], other[0])
    high = min(box[3], other[3]) - max(box[1], other[1])
    return max(0.0, wide) * max(0.0, high) / ((box[2] - box[0]) * (box[3] - box[1]))
