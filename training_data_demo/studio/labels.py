"""Label and paint-marker pictures of one unit, with the pixel box of every text and code.

Everything on them is invented. A label is drawn whole (layouts), then aged (wear); boxes are those of the ink
as drawn, so they stay exact however worn the picture gets.
"""

import json
import random
import shutil
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import re2
from PIL import Image, ImageDraw, ImageFont
from plugface.demo.studio.label_codes import encode
from plugface.demo.studio.label_wear import wear_label
from plugface.demo.studio.scrawl import draw_scrawl
from plugface.demo.studio.style import CAST_FONTS, style_of

_FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
_PIXELS_PER_MM = 16  # about 400 dpi, finer than any view of the studio
_QUIET_MODULES = 6


@dataclass(frozen=True)
class TextBox:
    """A printed text; `box` is x0, y0, x1, y1 in pixels around its ink, half-open."""

    role: str  # "mark" | "service number" | "suffix" | "maker" | "other"
    value: str
    box: tuple[int, int, int, int]


@dataclass(frozen=True)
class CodeBox:
    """A printed code; `box` without the quiet zone."""

    symbology: str
    payload: str
    box: tuple[int, int, int, int]
    module_px: int


@dataclass(frozen=True)
class LabelPicture:
    """A label: picture, uint8 (H, W, 4), sRGB with alpha, and what is printed on it."""

    picture: np.ndarray
    size_mm: tuple[float, float]
    texts: tuple[TextBox, ...]
    codes: tuple[CodeBox, ...]
    pixels_per_mm: float = _PIXELS_PER_MM


def write_textures(spec: Any, folder: Path) -> None:
    """Write a unit's pictures, their boxes (`<unit_id>.json`) and the fonts of cast marks into a folder.

    Parameters
    ----------
    spec : units.UnitSpec
    folder : Path
        Made if need be; shared by all units.
    """
    (folder / "fonts").mkdir(parents=True, exist_ok=True)
    for name in CAST_FONTS:
        target = folder / "fonts" / f"{name}.ttf"
        if not target.exists():
            shutil.copyfile(_FONTS / target.name, target)
    sheet: dict[str, Any] = {"label": None, "scrawl": None}
    label = draw_label(spec)
    if label is not None:
        Image.fromarray(label.picture).save(folder / f"{spec.unit_id}-label.png")
        sheet["label"] = {
            "size_mm": label.size_mm,
            "pixels_per_mm": label.pixels_per_mm,
            "texts": [asdict(text) for text in label.texts],
            "codes": [asdict(code) for code in label.codes],
        }
    if spec.scrawl:
        picture, box, per_mm = draw_scrawl(spec.scrawl, random.Random(f"{spec.seed} scrawl"))
        Image.fromarray(picture).save(folder / f"{spec.unit_id}-scrawl.png")
        size = (picture.shape[1] / per_mm, picture.shape[0] / per_mm)
        sheet["scrawl"] = {"size_mm": size, "pixels_per_mm": per_mm, "box": box}
    (folder / f"{spec.unit_id}.json").write_text(json.dumps(sheet), encoding="utf-8")


def draw_label(spec: Any) -> LabelPicture | None:
    """Draw a unit's label in its maker's layout and its own state of wear; None where it has none."""
    if spec.label == "absent":
        return None
    draw = random.Random(f"{spec.seed} label")
    style = style_of(spec.family)
    layout = LAYOUTS[draw.choice(style.label_layouts)]
    facts = LabelFacts.of(spec, draw)
    sheet = layout(facts, _room_mm(spec.family.body.size_mm, style.label_turn_deg), draw)
    picture = wear_label(np.asarray(sheet.image), spec.label, spec.seed, _PIXELS_PER_MM)
    size = (sheet.image.width / _PIXELS_PER_MM, sheet.image.height / _PIXELS_PER_MM)
    return LabelPicture(picture, size, tuple(sheet.texts), tuple(sheet.codes))


def group_number(number: str, pattern: str) -> list[str]:
    """Split a service number for reading: by the pattern's named groups if they cover it, else in threes."""
    match = re2.fullmatch(pattern, number)
    if match is not None:
        names = sorted(match.re.groupindex, key=match.re.groupindex.get)
        groups = [match.group(name) for name in names if match.group(name)]
        if "".join(groups) == number:
            return groups
    head = len(number) % 3
    return ([number[:head]] if head else []) + [number[i : i + 3] for i in range(head, len(number), 3)]


@dataclass(frozen=True)
class LabelFacts:
    """What a label says."""

    maker: str
    mark: str
    groups: list[str]
    suffix: str
    suffix_caption: str
    serial: str
    made: str  # week and year
    barcode: str
    payload: str
    number_caption: str

    @classmethod
    def of(cls, spec: Any, draw: random.Random) -> "LabelFacts":
        """Collect them from a unit."""
        label = spec.family.label
        both = label.barcode_payload == "number and suffix"
        first, last = spec.variant.years
        year, week = draw.randint(first, last), draw.randint(1, 52)
        caption = {"Marrow & Finch": "SERVICE No", "Pell Works": "Part"}.get(spec.family.maker)
        return cls(
            maker=spec.family.maker,
            mark=spec.family.marks[0].text if spec.family.marks else spec.family.key,
            groups=group_number(spec.service_number, label.service_number),
            suffix=spec.suffix,
            suffix_caption=label.suffix_caption,
            serial=spec.serial,
            made=f"{week:02d}/{year % 100:02d}",
            barcode=label.barcode,
            payload=spec.service_number + (spec.suffix if both else ""),
            number_caption=caption or draw.choice(("PART No", "ORDER No", "No", "TYPE No")),
        )


def _room_mm(size_mm: tuple[float, float, float], turn_deg: int) -> tuple[float, float]:
    """Flat room on the back cover, less than bodies.Housing.build_cover leaves."""
    margin = 36.0 if min(size_mm[:2]) > 68 else 26.0
    w, h = size_mm[0] - margin, size_mm[1] - margin
    return (h, w) if turn_deg % 180 else (w, h)


@dataclass
class Sheet:
    """A label being drawn. Positions are in the layout's own millimetres, scaled to the room at hand."""

    size_mm: tuple[float, float]
    scale: float
    paper: tuple[int, int, int]
    ink: tuple[int, int, int]
    texts: list[TextBox] = field(default_factory=list)
    codes: list[CodeBox] = field(default_factory=list)

    def __post_init__(self) -> None:
        w, h = (round(v * self.scale * _PIXELS_PER_MM) for v in self.size_mm)
        self.image = Image.new("RGBA", (w, h), (0, 0, 0, 0))
        radius = round(1.6 * self.scale * _PIXELS_PER_MM)
        ImageDraw.Draw(self.image).rounded_rectangle((0, 0, w - 1, h - 1), radius, fill=(*self.paper, 255))

    def px(self, mm: float) -> int:
        return round(mm * self.scale * _PIXELS_PER_MM)

    def rule(self, x0: float, y0: float, x1: float, y1: float, *, fill=None, outline=None, width=0.3) -> None:
        """A filled or outlined rectangle."""
        box = tuple(self.px(v) for v in (x0, y0, x1, y1))
        ImageDraw.Draw(self.image).rectangle(box, fill=fill, outline=outline, width=max(self.px(width), 1))

    def text(
        self,
        role: str,
        value: str,
        at: tuple[float, float],
        height: float,
        *,
        font: str = "DejaVuSans",
        stretch: float = 1.0,
        ink=None,
        anchor: str = "left",
        max_width: float = 1e9,
    ) -> float:
        """Print a line with its capitals `height` tall, top at y; returns where its ink ends, in mm."""
        face = _font(font, self.px(height))
        left, top, right, bottom = face.getbbox(value)
        mask = Image.new("L", (right - left + 2, bottom - top + 2))
        ImageDraw.Draw(mask).text((1 - left, 1 - top), value, fill=255, font=face)
        width = min(mask.width * stretch, self.px(max_width))
        mask = mask.resize((max(round(width), 1), mask.height), Image.Resampling.LANCZOS)
        cap_top = face.getbbox("H")[1]
        x = self.px(at[0]) - {"left": 0, "middle": mask.width // 2, "right": mask.width}[anchor]
        y = self.px(at[1]) + (top - cap_top) - 1
        self.image.paste(ink or self.ink, (x, y), mask)
        x0, y0, x1, y1 = mask.point(lambda v: 255 if v > 60 else 0).getbbox()
        self.texts.append(TextBox(role, value, (x + x0, y + y0, x + x1, y + y1)))
        return (x + x1) / self.scale / _PIXELS_PER_MM

    def number(self, facts: LabelFacts, at, height: float, *, max_width: float, **how) -> None:
        """The service number in groups, and its suffix behind it where that has no field of its own."""
        value = " ".join(facts.groups)
        tail = f" {facts.suffix}" if facts.suffix and not facts.suffix_caption else ""
        share = len(value) / len(value + tail)
        end = self.text("service number", value, at, height, max_width=max_width * share, **how)
        if tail:
            room = max_width - (end - at[0])
            self.text("suffix", facts.suffix, (end + 0.5 * height, at[1]), height, max_width=room, **how)

    def code(self, symbology: str, payload: str, at, *, width: float, height: float) -> None:
        """A code on a light ground, in whole pixels. Linear codes fill `height`; square ones fit in."""
        modules = encode(symbology, payload)
        rows, columns = modules.shape
        linear = rows == 1
        quiet = _QUIET_MODULES if linear else 2
        room = self.px(width) if linear else min(self.px(width), self.px(height))
        module = max(room // (columns + 2 * quiet), 2)
        pixels = np.kron(modules, np.ones((self.px(height) if linear else module, module), bool))
        tone = np.where(pixels[..., None], np.array(_dark(self.ink)), np.array(_light(self.paper))).astype(
            np.uint8
        )
        x, y = self.px(at[0]) + quiet * module, self.px(at[1]) + (0 if linear else quiet * module)
        pad = quiet * module
        ground = (
            x - pad,
            y - min(pad, self.px(1.0)),
            x + tone.shape[1] + pad,
            y + tone.shape[0] + min(pad, self.px(1.0)),
        )
        ImageDraw.Draw(self.image).rectangle(ground, fill=_light(self.paper))
        self.image.paste(Image.fromarray(tone), (x, y))
        self.codes.append(CodeBox(symbology, payload, (x, y, x + tone.shape[1], y + tone.shape[0]), module))


def _font(name: str, cap_height_px: int) -> ImageFont.FreeTypeFont:
    probe = ImageFont.truetype(str(_FONTS / f"{name}.ttf"), 200)
    top, bottom = probe.getbbox("H")[1::2]
    return ImageFont.truetype(
        str(_FONTS / f"{name}.ttf"), max(round(200 * cap_height_px / (bottom - top)), 4)
    )


def _dark(ink) -> tuple[int, int, int]:
    return tuple(ink) if sum(ink) < 330 else (24, 24, 26)


def _light(paper) -> tuple[int, int, int]:
    return tuple(paper) if sum(paper) > 480 else (228, 228, 224)


def _fit(natural: tuple[float, float], room: tuple[float, float]) -> float:
    return min(1.25, room[0] / natural[0], room[1] / natural[1])


def _plate(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A wide plate: black head band, family large, number below a caption, a boxed revision block."""
    size = (92.0, 54.0)
    paper = draw.choice(((236, 236, 232), (212, 214, 214), (226, 224, 214)))
    s = Sheet(size, _fit(size, room), paper, (22, 22, 25))
    s.rule(0, 0, 92, 8.4, fill=s.ink)
    s.text(
        "maker",
        facts.maker.upper(),
        (4, 2.7),
        3.0,
        font="DejaVuSans-Bold",
        stretch=0.95,
        ink=paper,
        max_width=58,
    )
    s.text("other", "CONTROL UNIT", (88, 3.2), 2.0, ink=paper, anchor="right")
    s.text("mark", facts.mark, (4, 12), 6.4, font="DejaVuSans-Bold", stretch=0.8, max_width=62)
    s.text("other", facts.number_caption, (4, 22.6), 2.0)
    boxed = bool(facts.suffix and facts.suffix_caption)
    s.number(facts, (4, 26.2), 5.4, font="DejaVuSansMono-Bold", stretch=0.92, max_width=66 if boxed else 84)
    if boxed:
        s.rule(72, 11, 88, 31.5, outline=s.ink, width=0.5)
        s.text("other", facts.suffix_caption, (80, 12.8), 2.0, anchor="middle", max_width=13)
        s.text("suffix", facts.suffix, (80, 18.5), 8.0, font="DejaVuSans-Bold", anchor="middle", max_width=13)
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (1.5, 35.0), width=68, height=9.5)
        if draw.random() < 0.6:
            s.code("Data Matrix", facts.serial, (73, 34), width=14, height=14)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (70, 33.5), width=19, height=19)
        s.text("other", "12 V   IP 6K7", (4, 37), 2.4)
    s.text("other", f"S/N {facts.serial}", (4, 48.6), 2.3, font="DejaVuSansMono", max_width=48)
    s.text("other", facts.made, (69, 48.6), 2.3, font="DejaVuSansMono", anchor="right")
    return s


def _strip(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A flat foil: the number first and largest, family at the right, code below."""
    size = (100.0, 36.0)
    paper = draw.choice(((198, 200, 201), (224, 225, 224), (186, 188, 186)))
    s = Sheet(size, _fit(size, room), paper, draw.choice(((20, 20, 22), (30, 34, 60))))
    s.rule(1, 1, 99, 35, outline=s.ink, width=0.25)
    s.text("other", facts.number_caption, (4, 3.2), 1.9)
    s.text("maker", facts.maker.upper(), (96, 3.0), 2.1, font="DejaVuSans-Bold", anchor="right", max_width=50)
    s.number(facts, (4, 7.4), 6.4, font="DejaVuSans-Bold", stretch=0.84, max_width=58)
    s.text(
        "mark", facts.mark, (96, 8.0), 5.4, font="DejaVuSans-Bold", stretch=0.78, anchor="right", max_width=30
    )
    if facts.suffix and facts.suffix_caption:
        s.rule(76, 17.5, 96, 26.5, fill=s.ink)
        s.text("other", facts.suffix_caption, (77.5, 20.8), 2.2, ink=paper, max_width=8)
        s.text(
            "suffix",
            facts.suffix,
            (95, 19.4),
            5.4,
            font="DejaVuSans-Bold",
            ink=paper,
            anchor="right",
            max_width=8.6,
        )
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (2, 17.4), width=70, height=9.2)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (4, 16.2), width=13.5, height=13.5)
        s.text("other", "12 V", (24, 18.5), 3.0)
    s.text("other", facts.made, (4, 31.0), 2.2, font="DejaVuSansMono")
    s.text(
        "other",
        f"SERIAL {facts.serial}",
        (96, 31.0),
        2.2,
        font="DejaVuSansMono",
        anchor="right",
        max_width=60,
    )
    return s


def _ledger(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """Rows between rules, a caption left and an entry right, in book letters; the code at the foot."""
    size = (78.0, 60.0)
    paper = draw.choice(((240, 234, 208), (236, 238, 240), (232, 222, 170)))
    ink = draw.choice(((26, 38, 92), (24, 24, 26), (92, 22, 26)))
    s = Sheet(size, _fit(size, room), paper, ink)
    s.text("maker", facts.maker, (39, 3.6), 4.4, font="STIXGeneralBolIta", anchor="middle", max_width=70)
    rows = [(facts.number_caption, "service number"), ("Type", "mark")]
    if facts.suffix and facts.suffix_caption:
        rows.append((facts.suffix_caption, "suffix"))
    rows.append(("Made", "other"))
    y = 10.8
    for caption, role in rows:
        s.rule(3, y, 75, y + 0.3, fill=ink)
        s.text("other", caption, (4, y + 2.8), 2.3, font="STIXGeneral", max_width=14)
        how = {"font": "cmtt10", "stretch": 1.05}
        if role == "service number":
            s.number(facts, (20, y + 1.7), 4.6, max_width=54, **how)
        elif role == "mark":
            s.text("mark", facts.mark, (20, y + 1.7), 4.6, font="STIXGeneralBol", max_width=54)
        elif role == "suffix":
            s.text("suffix", facts.suffix, (20, y + 1.7), 4.6, max_width=54, **how)
        else:
            s.text("other", f"{facts.made}  {facts.serial}", (20, y + 2.4), 3.0, max_width=54, **how)
        y += 7.8
    s.rule(3, y, 75, y + 0.3, fill=ink)
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (3, y + 2.2), width=72, height=min(9.0, 56.5 - y))
    elif facts.barcode != "none":
        side = min(20.0, 58.0 - y)
        s.code(facts.barcode, facts.payload, (75 - side, y + 1.4), width=side, height=side)
    return s


def _badge(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A dark foil with light print, code on a light patch at the left."""
    size = (76.0, 44.0)
    paper = draw.choice(((26, 28, 32), (28, 44, 82), (74, 26, 30)))
    s = Sheet(size, _fit(size, room), paper, draw.choice(((226, 226, 220), (206, 208, 208))))
    s.rule(1, 1, 75, 43, outline=s.ink, width=0.35)
    square = facts.barcode in ("Data Matrix", "QR")
    left = 25.0 if square else 5.0
    s.text("maker", facts.maker, (71, 4.2), 2.9, font="STIXGeneralBol", anchor="right", max_width=40)
    s.text("mark", facts.mark, (left, 9.8), 5.0, font="STIXGeneralBol", stretch=1.1, max_width=70 - left)
    s.text("other", facts.number_caption, (left, 18.0), 1.9, font="STIXGeneral")
    s.number(facts, (left, 21.2), 4.6, font="DejaVuSansMono", max_width=70 - left)
    if square:
        s.code(facts.barcode, facts.payload, (4, 8.5), width=19, height=19)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (4, 29.0), width=68, height=7.0)
    if facts.suffix and facts.suffix_caption:
        y = 29.4 if square else 11.0
        s.text("other", facts.suffix_caption, (58, y + 1.0), 2.0, anchor="right", max_width=16)
        s.text("suffix", facts.suffix, (60, y - 0.8), 4.6, font="DejaVuSansMono-Bold", max_width=11)
    s.text("other", f"{facts.made}   {facts.serial}", (5, 38.4), 2.2, font="STIXGeneral", max_width=64)
    return s


LAYOUTS = {"plate": _plate, "strip": _strip, "ledger": _ledger, "badge": _badge}
