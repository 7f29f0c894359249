"""What is cast, and in which letters: random strings and free fonts, as flat shapes."""

import importlib.util
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont

#: Signs of the reader, in the order of its answer; the space counts as one.
CHARACTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-./ "

CAP_PX = 36  # height of capitals as they are drawn

# Free licences all: Bitstream Vera's, the STIX and Computer Modern fonts' (matplotlib), the SIL OFL and
# Apache 2.0 (the others, from packages named after them).
_MATPLOTLIB = (
    "DejaVuSans-Bold",
    "DejaVuSans",
    "DejaVuSansMono-Bold",
    "DejaVuSansMono",
    "DejaVuSerif-Bold",
    "STIXGeneralBol",
    "STIXGeneral",
    "cmss10",
    "cmb10",
    "cmtt10",
)
_PACKAGED = (
    "font_roboto/files/Roboto-Regular.ttf",
    "font_roboto/files/Roboto-Medium.ttf",
    "font_roboto/files/Roboto-Bold.ttf",
    "font_roboto/files/Roboto-Black.ttf",
    "font_source_sans_pro/files/SourceSansPro-Regular.ttf",
    "font_source_sans_pro/files/SourceSansPro-Semibold.ttf",
    "font_source_sans_pro/files/SourceSansPro-Bold.ttf",
    "font_fjallaone/files/FjallaOne-Regular.ttf",
    "font_hanken_grotesk/files/HankenGrotesk-Medium.otf",
    "font_hanken_grotesk/files/HankenGrotesk-Bold.otf",
    "font_manrope/files/Manrope-SemiBold.ttf",
    "font_manrope/files/Manrope-Bold.ttf",
)
#: Never trained on: what they score says how far the reader goes beyond its own fonts.
_HELD_BACK = ("font_lato/files/Lato-Bold.ttf", "font_lato/files/Lato-Regular.ttf")

# Stroke letters with round ends, as a milling cutter leaves them in a pattern.
_STROKES = tuple(
    (font, thickness)
    for font in (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_TRIPLEX)
    for thickness in (3, 5, 7)
)


@dataclass(frozen=True, eq=False)
class Face:
    """One kind of letters; `glyph` draws a character once and keeps it."""

    name: str
    font: ImageFont.FreeTypeFont | None = None
    stroke: tuple[int, int] | None = None
    drawn: dict[str, np.ndarray] = field(default_factory=dict)

    def glyph(self, character: str) -> np.ndarray:
        """A character on its own advance width, uint8 (2 * CAP_PX, w), its baseline at 1.5 * CAP_PX."""
        if character not in self.drawn:
            self.drawn[character] = self._draw(character)
        return self.drawn[character]

    def _draw(self, character: str) -> np.ndarray:
        if self.font is not None:
            advance = max(1, round(self.font.getlength(character)))
            sheet = Image.new("L", (advance + 8, 2 * CAP_PX))
            at = (4, round(1.5 * CAP_PX))
            ImageDraw.Draw(sheet).text(at, character, fill=255, font=self.font, anchor="ls")
            return np.asarray(sheet)
        font, thickness = self.stroke
        scale = (CAP_PX - thickness) / 21.0  # Hershey capitals are 21 units high
        (advance, _), _ = cv2.getTextSize(character, font, scale, thickness)
        sheet = np.zeros((2 * CAP_PX, advance + 8), np.uint8)
        at = (4, round(1.5 * CAP_PX - thickness / 2))
        cv2.putText(sheet, character, at, font, scale, 255, thickness, cv2.LINE_AA)
        return sheet


def load_faces(*, held_back: bool = False) -> tuple[Face, ...]:
    """The faces to train on, or those held back from training.

    Raises
    ------
    FileNotFoundError
        If one of the packages that carry fonts is not installed.
    """
    if held_back:
        return tuple(load_face(_packaged(name)) for name in _HELD_BACK)
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    paths = [folder / f"{name}.ttf" for name in _MATPLOTLIB] + [_packaged(name) for name in _PACKAGED]
    strokes = tuple(
        Face(f"stroke {font} {thickness}", stroke=(font, thickness)) for font, thickness in _STROKES
    )
    return tuple(load_face(path) for path in paths) + strokes


def _packaged(name: str) -> Path:
    package, _, inner = name.partition("/")
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        raise FileNotFoundError(f"the package {package.replace('_', '-')} is not installed")
    return Path(spec.origin).parent / inner


def load_face(path: Path) -> Face:
    """A face from a font file, its capitals CAP_PX high."""
    probe = ImageFont.truetype(str(path), 200)
    top, bottom = probe.getbbox("H")[1::2]
    return Face(path.stem, font=ImageFont.truetype(str(path), round(200 * CAP_PX / (bottom - top))))


def draw_line(text: str, face: Face, *, spacing: float, stretch: float) -> np.ndarray:
    """A line of characters as a flat shape.

    Parameters
    ----------
    text : str
    face : Face
    spacing : float
        Gap added between characters, in cap heights; may be a little negative.
    stretch : float
        Width over the face's own.

    Returns
    -------
    shape : uint8 ndarray, shape (2 * CAP_PX, w)
        255 inside, baseline at 1.5 * CAP_PX, cut to its ink on both sides.
    """
    glyphs = [face.glyph(c) for c in text]
    starts, x = [], 0
    for glyph in glyphs:
        starts.append(x)
        x += max(4, glyph.shape[1] - 8 + round(spacing * CAP_PX))
    line = np.zeros((2 * CAP_PX, x + 64), np.uint8)
    for start, glyph in zip(starts, glyphs, strict=True):
        part = line[:, start : start + glyph.shape[1]]
        np.maximum(part, glyph, out=part)
    inked = np.flatnonzero(line.any(axis=0))
    line = line[:, inked[0] : inked[-1] + 1]
    return cv2.resize(
        line, (max(4, round(line.shape[1] * stretch)), line.shape[0]), interpolation=cv2.INTER_AREA
    )


def invent_text(rng: np.random.Generator) -> str:
    """A string that could be a mark: mostly random, so that no word is learned by heart."""
    way = rng.random()
    if way < 0.4:  # letters, and a figure or two behind
        joint = rng.choice([" ", " ", " ", "-", "", ".", "/"])
        return _some(rng, _LETTERS, 2, 8) + joint + _some(rng, _DIGITS, 1, 3)
    if way < 0.55:
        return _some(rng, _LETTERS, 2, 9)
    if way < 0.7:
        groups = [_some(rng, _DIGITS, 1, 4) for _ in range(rng.integers(1, 4))]
        return str(rng.choice([" ", "-", "."])).join(groups)
    if way < 0.85:  # letter and figure by turns
        return "".join(_some(rng, s, 1, 3) for s in (_LETTERS, _DIGITS, _LETTERS)[: rng.integers(2, 4)])
    text = _some(rng, _LETTERS + _DIGITS, 2, 9)
    if len(text) > 3 and rng.random() < 0.6:
        at = int(rng.integers(1, len(text) - 1))
        text = text[:at] + str(rng.choice([" ", "-", ".", "/"])) + text[at:]
    return text


_DIGITS, _LETTERS = CHARACTERS[:10], CHARACTERS[10:36]


def _some(rng: np.random.Generator, signs: str, least: int, most: int) -> str:
    return "".join(signs[i] for i in rng.integers(0, len(signs), rng.integers(least, most + 1)))
