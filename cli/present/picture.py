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
from PIL import Image, ImageDraw, ImageFilter
from plugface.analysis import Answer
from plugface.cli.limited_photo import read_photo
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
)
from plugface.models.decision.placement import standing
from plugface.vision.observations import Connector, Observations, Polygon, Unit

Point = tuple[float, float]
Box = tuple[float, float, float, float]  # x0, y0, x1, y1
Rgb = tuple[int, int, int]

#: Long side of one photo's panel, pixels, by number of photos; more photos than listed take the last.
PANEL_PX = {1: 1600, 2: 1200, 3: 900}

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


def draw_answer(answer: Answer, references: Mapping[str, bytes] = MappingProxyType({})) -> Image.Image:
    """All photos of an answer with what was seen on them, above a strip with the verdict.

    Parameters
    ----------
    answer : Answer
    references : mapping of str to bytes
        Key of a family -> a JPEG of a good unit, to stand beside in place of the drawing.
    """
    long_side = PANEL_PX.get(len(answer.photos), PANEL_PX[max(PANEL_PX)])
    views = zip(answer.photos, answer.observations, answer.units, strict=True)
    panels = [_panel(path, seen, unit, long_side) for path, seen, unit in views]
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


def save_picture(picture: Image.Image, path: Path) -> None:
    """Write a picture; the ending of the name decides the format.

    Raises
    ------
    PictureError
        If the ending is none that can be written, or the file cannot be.
    """
    if path.suffix.lower() not in {".jpg", ".jpeg", ".png", ".webp"}:
        raise PictureError(str(path), f'a picture cannot be written as "{path.suffix or path.name}"')
    try:
        picture.save(path, quality=90)
    except OSError as error:
        raise PictureError(str(path), (error.strerror or "it cannot be written").lower()) from None


class PictureError(Exception):
    """A picture that cannot be written: which file, and why."""

    def __init__(self, file: str, problem: str) -> None:
        self.file, self.problem = file, problem
        self.remedy = "Name a .jpg, .png or .webp file in a folder you may write to"
        super().__init__(f"{file}: {problem}. {self.remedy}.")


def _panel(path: Path, seen: Observations, unit: Unit | None, long_side: int) -> Image.Image:
    pixels = read_photo(path).reduced(long_side)
    height, width = pixels.shape[:2]
    scale = width / seen.quality.width_px
    picture = Image.fromarray(pixels)
    sheet = Sheet(width, height)
    size = max(width, height) / 56
    if unit:
        picture = _dim_outside(picture, _scaled(unit.polygon, scale))
        sheet.outline(_scaled(unit.polygon, scale), INK, size / 12)
        _draw_connectors(sheet, unit.connectors, _middle(_scaled(unit.polygon, scale)), scale, size)
    _draw_connectors(sheet, seen.loose, (width / 2, height / 2), scale, size, numbered=False)
    reads = [(t.polygon, t.value, READ) for t in (*(unit.texts if unit else ()), *seen.texts)]
    codes = (*(unit.codes if unit else ()), *seen.codes)
    reads += [(c.polygon, f"{c.symbology} {c.payload}", CODE) for c in codes]
    sheet.taken += [_bounds(_scaled(polygon, scale)) for polygon, _, _ in reads]
    for polygon, words, rgb in reads:
        _draw_read(sheet, _scaled(polygon, scale), words, rgb, size)
    return sheet.onto(picture)


def _dim_outside(picture: Image.Image, outline: list[Point]) -> Image.Image:
    mask = Image.new("L", picture.size, 0)
    ImageDraw.Draw(mask).polygon(outline, fill=255)
    mask = mask.filter(ImageFilter.GaussianBlur(max(picture.size) / 100))
    return Image.composite(picture, Image.fromarray((np.asarray(picture) * DIMMED).astype(np.uint8)), mask)


def _draw_connectors(
    sheet: Sheet,
    connectors: Sequence[Connector],
    middle: Point,
    scale: float,
    size: float,
    *,
    numbered: bool = True,
) -> None:
    """Outlines and tags; the number is the place in a unit's order, which plugs on no unit have none of."""
    outlines = [_scaled(c.polygon, scale) for c in connectors]
    sheet.taken += [_bounds(outline) for outline in outlines]
    for connector, outline in zip(connectors, outlines, strict=True):
        sheet.outline(outline, shown_colour(connector.colour)[2], size / 5)
    for number, (connector, outline) in enumerate(zip(connectors, outlines, strict=True), start=1):
        _draw_tag(sheet, f"{number} " if numbered else "", connector, outline, middle, size)


def _draw_tag(
    sheet: Sheet, number: str, connector: Connector, outline: list[Point], middle: Point, size: float
) -> None:
    code, _, rgb = shown_colour(connector.colour)
    text = f"{number}{code} broken off" if connector.broken else f"{number}{code}"
    width, height = load_font(round(size), True).getlength(text) + 1.1 * size, 1.6 * size
    box = _free_place(sheet, outline, (width, height), middle, gap=0.9 * size)
    centre = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    foot = min(outline, key=lambda point: math.dist(point, centre))
    edge_middles = [((x0 + x1) / 2, (y0 + y1) / 2) for (x0, y0), (x1, y1) in _edges(outline)]
    foot = min((foot, *edge_middles), key=lambda point: math.dist(point, centre))
    sheet.line([foot, centre], CASING, size / 4)
    sheet.line([foot, centre], rgb, size / 9)
    ink = ink_on(rgb)
    sheet.pill(_grown(box, size / 14), (*CASING, 255), None, height / 2)
    sheet.pill(box, (*rgb, 255), ink, height / 2)
    sheet.words(centre, text, size, ink, bold=True, anchor="mm")
    sheet.taken.append(_grown(box, size / 5))


def _draw_read(sheet: Sheet, outline: list[Point], words: str, rgb: Rgb, size: float) -> None:
    sheet.line(outline, CASING, size / 5, closed=True)
    sheet.line(outline, rgb, size / 11, closed=True)
    small = 0.72 * size
    shown = words if len(words) <= 28 else words[:27] + "…"
    width, height = load_font(round(small), False).getlength(shown) + 0.8 * small, 1.5 * small
    box = _free_place(sheet, outline, (width, height), _middle(outline), gap=0.2 * size)
    sheet.pill(box, (*CASING, 225), None, small / 3)
    sheet.words(((box[0] + box[2]) / 2, (box[1] + box[3]) / 2), shown, small, rgb, anchor="mm")
    sheet.taken.append(box)


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
    lowest = min(p.height for p in panels)
    drawn = []
    for row in rows:
        fitted = [
            p.resize((round(p.width * lowest / p.height), lowest), Image.Resampling.LANCZOS) for p in row
        ]
        line = Image.new("RGB", (sum(p.width for p in fitted) + gap * (len(fitted) - 1), lowest), PAPER)
        at = 0
        for panel in fitted:
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
    lines = _strip_lines(answer)
    wrapped = [
        (part, rgb)
        for words, rgb in lines
        for part in _wrap(words, width - 2 * pad - size, round(0.72 * size))
    ]
    height = round(2 * pad + 1.9 * size + len(wrapped) * 1.15 * size)
    sheet = Sheet(width, height)
    decision = answer.decision
    words, _ = badge(decision, answer.catalogue)
    colour = {"hazard": "unreadable", "locked": "unreadable", "variant open": "ambiguous"}
    rgb = VERDICT_RGB[colour.get(standing(decision, answer.catalogue), decision.verdict)]
    if decision.fit is not None and decision.fit.serves == "no":
        rgb = VERDICT_RGB["unreadable"]  # green is for what can be taken as it is
    sheet.pill((0, 0, 0.4 * size, height), (*rgb, 255), None, 0)
    left, row = pad + 0.4 * size, pad + 0.85 * size
    plate = load_font(round(0.72 * size), True).getlength(words) + 1.2 * size
    sheet.pill((left, row - 0.8 * size, left + plate, row + 0.8 * size), (*rgb, 255), None, 0.35 * size)
    sheet.words((left + plate / 2, row), words, 0.72 * size, ink_on(rgb), bold=True, anchor="mm")
    room = width - left - plate - 2 * pad
    sheet.words(
        (left + plate + 0.8 * size, row),
        *_fitted(headline(decision, answer.catalogue), 1.25 * size, room),
        INK,
        bold=True,
    )
    for number, (line, ink) in enumerate(wrapped):
        sheet.words((left, pad + 1.9 * size + (number + 0.6) * 1.15 * size), line, 0.72 * size, ink)
    return sheet.onto(Image.new("RGB", (width, height), PAPER))


def _strip_lines(answer: Answer) -> list[tuple[str, Rgb]]:
    decision = answer.decision
    lines = [(f"CAUTION {c.message}", (255, 122, 110)) for c in decision.cautions if c.name not in CLOSING]
    if decision.verdict == "identified":
        chance = decision.candidates[0].probability
        family = answer.catalogue.by_key[decision.families[0]]
        lines.append((f"{percent(chance)}, {sure_words(chance)}; controls {CONTROLS[family.controls]}", INK))
        if len(decision.variants) != 1:
            lines.append((decision.variant_message, INK))
    else:
        lines.append((decision.message, INK))
    if decision.fit is not None:
        lines.append((fit_line(decision.fit), FIT_RGB[decision.fit.serves]))
    lines += [(f"{finding.name}: {finding.message}", (255, 214, 102)) for finding in decision.findings]
    if decision.next_photo:
        lines.append((f"Next photo: {decision.next_photo.view}", FAINT))
    return lines


def _wrap(words: str, room: float, size: int) -> list[str]:
    font, lines = load_font(size, False), [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) > room and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _fitted(words: str, size: float, room: float) -> tuple[str, float]:
    length = load_font(round(size), True).getlength(words)
    return words, size if length <= room else size * room / length


def _scaled(polygon: Polygon, scale: float) -> list[Point]:
    return [(x * scale, y * scale) for x, y in polygon]


def _edges(outline: list[Point]) -> list[tuple[Point, Point]]:
    return list(zip(outline, outline[1:] + outline[:1], strict=True))


def _bounds(outline: list[Point]) -> Box:
    xs, ys = zip(*outline, strict=True)
    return (min(xs), min(ys), max(xs), max(ys))


def _middle(outline: list[Point]) -> Point:
    x0, y0, x1, y1 = _bounds(outline)
    return ((x0 + x1) / 2, (y0 + y1) / 2)


def _grown(box: Box, by: float) -> Box:
    return (box[0] - by, box[1] - by, box[2] + by, box[3] + by)


def _overlap(box: Box, other: Box) -> float:
    """Share of `box` that `other` covers."""
    wide = min(box[2], other[2]) - max(box[0], other[0])
    high = min(box[3], other[3]) - max(box[1], other[1])
    return max(0.0, wide) * max(0.0, high) / ((box[2] - box[0]) * (box[3] - box[1]))
