"""The sheet that a label is drawn on: texts, rules and codes with the pixel box of each, and what it says."""

import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import re2
from PIL import Image, ImageDraw, ImageFont
from plugface.demo.studio.label_codes import encode

FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
PIXELS_PER_MM = 16  # about 400 dpi, finer than any view of the studio
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
    pixels_per_mm: float = PIXELS_PER_MM


def group_number(number: str, pattern: str) -> list[str]:
    """Split a service number for reading: by the pattern's named groups if they cover it, else in threes.

    A number with strokes, dashes or blanks in it is grouped already.
    """
    if not number.isalnum():
        return [number]
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
        caption = {"Marrow & Finch": "UNIT No", "Pell Works": "Part"}.get(spec.family.maker)
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


@dataclass
class Sheet:
    """A label being drawn. Positions are in the layout's own millimetres, scaled to the room at hand."""

    size_mm: tuple[float, float]
    scale: float
    paper: tuple[int, int, int]
    ink: tuple[int, int, int]
    per_mm: float = PIXELS_PER_MM
    texts: list[TextBox] = field(default_factory=list)
    codes: list[CodeBox] = field(default_factory=list)

    def __post_init__(self) -> None:
        w, h = (round(v * self.scale * self.per_mm) for v in self.size_mm)
        self.image = Image.new("RGBA", (w, h), (0, 0, 0, 0))
        radius = round(1.6 * self.scale * self.per_mm)
        ImageDraw.Draw(self.image).rounded_rectangle((0, 0, w - 1, h - 1), radius, fill=(*self.paper, 255))

    def px(self, mm: float) -> int:
        return round(mm * self.scale * self.per_mm)

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
        return (x + x1) / self.scale / self.per_mm

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
    probe = ImageFont.truetype(str(FONTS / f"{name}.ttf"), 200)
    top, bottom = probe.getbbox("H")[1::2]
    return ImageFont.truetype(str(FONTS / f"{name}.ttf"), max(round(200 * cap_height_px / (bottom - top)), 4))


def _dark(ink) -> tuple[int, int, int]:
    return tuple(ink) if sum(ink) < 330 else (24, 24, 26)


def _light(paper) -> tuple[int, int, int]:
    return tuple(paper) if sum(paper) > 480 else (228, 228, 224)


def fit(natural: tuple[float, float], room: tuple[float, float]) -> float:
    return min(1.25, room[0] / natural[0], room[1] / natural[1])
