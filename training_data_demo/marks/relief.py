"""Strips of raised or sunk letters on cast metal or plastic, as a phone would see them; a few ms each.

Letters become a height field with draft, fillet, grain, dents and wear. It is shaded by its normals: lights
from any side with cast shadows, a surrounding that a rough metal mirrors, sky light kept off the corners,
dirt in them. The camera then looks askew, blurs, adds noise and compresses, at the size the mark has in the
photo, and a cutter that is as imprecise as the reader's brings the strip to the network's height.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from plugface.demo.marks.letters import CAP_PX, Face, draw_line, invent_text

STRIP_PX = 32  # height of a strip as the reader takes it
MAX_PX = 320

_MARGIN_PX = 30  # round the line, at drawing size
_TURNED = set("ABCDEFGJKLMPQRTUVWY1234567.-/")  # signs that are another or none when stood on their head
_MIRRORED = set("BCDEFGJKLNPQRSZ123456790-/")


@dataclass(frozen=True, eq=False)
class Strip:
    """A strip, uint8 (STRIP_PX, w), and what it says: nothing where it stands on its head or has no text."""

    grey: np.ndarray
    text: str


class Grain:
    """Noise of several grain sizes, drawn once; fields are cut out of it at random."""

    _SIDE = (512, 2048)

    def __init__(self, rng: np.random.Generator) -> None:
        self._sheets = []
        for sigma in (0.0, 1.0, 2.5, 8.0, 30.0):
            sheet = rng.normal(size=self._SIDE).astype(np.float32)
            if sigma:
                sheet = cv2.GaussianBlur(sheet, (0, 0), sigma)
            self._sheets.append(sheet / sheet.std())

    def cut(self, size: int, shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
        """A field of grain size 0 (finest) to 4, zero mean, unit deviation, float32 of `shape`."""
        y = int(rng.integers(0, self._SIDE[0] - shape[0]))
        x = int(rng.integers(0, self._SIDE[1] - shape[1]))
        return self._sheets[size][y : y + shape[0], x : x + shape[1]]


def draw_strip(
    rng: np.random.Generator, faces: Sequence[Face], grain: Grain, *, hardness: float = 1.0
) -> Strip:
    """One strip with random letters, surface, light and camera.

    Parameters
    ----------
    rng : numpy Generator
    faces : sequence of Face
    grain : Grain
    hardness : float, 0..1
        How far grain, blur, noise and small size may go; each strip takes a random part of it.
    """
    kind, hard = rng.random(), hardness * rng.random()
    text = invent_text(rng)
    face = faces[int(rng.integers(len(faces)))]
    shape = draw_line(text, face, spacing=rng.uniform(-0.02, 0.16), stretch=rng.uniform(0.72, 1.15))
    if kind < 0.04:  # a bare surface, with whatever ribs and rims it has
        shape, text = np.zeros_like(shape), ""
    inside = cv2.copyMakeBorder(
        shape, _MARGIN_PX, _MARGIN_PX, _MARGIN_PX, _MARGIN_PX, cv2.BORDER_CONSTANT, value=0
    )
    height, top = _build_height(inside, hard, rng, grain)
    tone = _shade(height, top, rng, grain)
    width = inside.shape[1]
    line = np.float32(  # the capitals' corners
        [(_MARGIN_PX, 0), (width - _MARGIN_PX, 0), (width - _MARGIN_PX, CAP_PX), (_MARGIN_PX, CAP_PX)]
    )
    line[:, 1] += _MARGIN_PX + 0.5 * CAP_PX
    tone, line, text = turn_at_times(tone, line, text, kind)
    return Strip(photograph(tone, line, CAP_PX, hard, rng), text)


def turn_at_times(
    tone: np.ndarray, line: np.ndarray, text: str, kind: float
) -> tuple[np.ndarray, np.ndarray, str]:
    """The strip on its head for `kind` in 0.04..0.09, mirrored in 0.09..0.12: then it says nothing."""
    if 0.04 <= kind < 0.09 and _strange(text, _TURNED):
        return tone[::-1, ::-1], _flipped(line, tone.shape, 1, 1), ""
    if 0.09 <= kind < 0.12 and _strange(text, _MIRRORED):
        return tone[:, ::-1], _flipped(line, tone.shape, 1, 0), ""
    return tone, line, text


def _strange(text: str, signs: set[str]) -> bool:
    """Whether most of a text is no text any more when turned; else it says nothing of its direction."""
    return sum(c in signs for c in text) >= max(2, 0.6 * len(text))


def _flipped(line: np.ndarray, shape: tuple[int, int], across: int, down: int) -> np.ndarray:
    turned = line.copy()
    if across:
        turned[:, 0] = shape[1] - turned[:, 0]
    if down:
        turned[:, 1] = shape[0] - turned[:, 1]
    low, high = turned.min(axis=0), turned.max(axis=0)
    return np.float32([low, (high[0], low[1]), high, (low[0], high[1])])


def _log_uniform(rng: np.random.Generator, least: float, most: float) -> float:
    return float(np.exp(rng.uniform(np.log(least), np.log(most))))


def _build_height(
    inside: np.ndarray, hard: float, rng: np.random.Generator, grain: Grain
) -> tuple[np.ndarray, np.ndarray]:
    """Height in drawing pixels, and the share of the letters' tops, both float32 (h, w)."""
    solid = (inside > 127).astype(np.uint8)
    signed = cv2.distanceTransform(solid, cv2.DIST_L2, 3) - cv2.distanceTransform(1 - solid, cv2.DIST_L2, 3)
    signed = np.where(np.abs(signed) < 1.5, inside / 127.5 - 1.0, signed).astype(np.float32)
    draft = rng.uniform(0.6, 4.5)
    rise = np.clip(np.clip(signed, -20, 20) / draft + rng.uniform(0.3, 1.0), 0.0, 1.0)
    if rng.random() < 0.4:
        rise = np.sin(np.float32(0.5 * np.pi) * rise)  # a round shoulder
    rise = cv2.GaussianBlur(rise, (0, 0), rng.uniform(0.4, 1.6))
    relief = _log_uniform(rng, 1.2, 6.0) * (-1.0 if rng.random() < 0.12 else 1.0)
    height = relief * rise
    if rng.random() < 0.25:  # rubbed or badly filled here and there
        kept = 1.0 / (1.0 + np.exp(-4.0 * (grain.cut(4, inside.shape, rng) + rng.uniform(0.2, 1.2))))
        height = height * (0.25 + 0.75 * kept)
    for size, most in ((0, 0.10), (1, 0.35), (2, 0.6), (3, 1.2), (4, 2.0)):
        if rng.random() < 0.6:
            height = height + most * hard * rng.random() ** 1.5 * grain.cut(size, inside.shape, rng)
    _add_rims(height, rng)
    for _ in range(rng.poisson(hard)):
        _add_dent(height, rng)
    return height.astype(np.float32), np.clip(rise, 0.0, 1.0)


def _add_rims(height: np.ndarray, rng: np.random.Generator) -> None:
    """Edges of a pad, ribs and walls beyond the line, added in place."""
    rows, columns = height.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    for above in (True, False):
        if rng.random() < 0.35:
            at = rng.uniform(0, _MARGIN_PX + 0.42 * CAP_PX)
            lean = rng.normal(0, 0.015) * (x - columns / 2)
            off = (at + lean - y) if above else (y - (rows - at) - lean)
            height += rng.normal(0, 8) * np.clip(off / rng.uniform(1, 8) + 0.5, 0, 1)
    for left in (True, False):
        if rng.random() < 0.3:
            at = rng.uniform(0, _MARGIN_PX - 6)
            off = (at - x) if left else (x - (columns - at))
            height += rng.normal(0, 8) * np.clip(off / rng.uniform(1, 8) + 0.5, 0, 1)


def _add_dent(height: np.ndarray, rng: np.random.Generator) -> None:
    rows, columns = height.shape
    spread, reach = rng.uniform(1, 7, 2), 20
    cy, cx = int(rng.integers(0, rows)), int(rng.integers(0, columns))
    part = height[max(0, cy - reach) : cy + reach, max(0, cx - reach) : cx + reach]
    y, x = np.mgrid[0 : part.shape[0], 0 : part.shape[1]].astype(np.float32)
    y, x = (y - min(reach, cy)) / spread[0], (x - min(reach, cx)) / spread[1]
    part += rng.normal(0, 2.0) * np.exp(-0.5 * (x * x + y * y))


def _shade(height: np.ndarray, top: np.ndarray, rng: np.random.Generator, grain: Grain) -> np.ndarray:
    """Linear radiance, float32, of a height field."""
    dx, dy = (cv2.Sobel(height, cv2.CV_32F, *order, ksize=3, scale=1 / 8) for order in ((1, 0), (0, 1)))
    length = 1.0 / np.sqrt(1.0 + dx * dx + dy * dy)
    nx, ny = -dx * length, -dy * length
    hollow = cv2.GaussianBlur(height, (0, 0), 3.0) - height  # how far below its surroundings
    hollow = np.clip(hollow / 2.5, -0.6, 1.0)
    light = rng.uniform(0.05, 1.0) * (1.0 - rng.uniform(0, 0.7) * np.maximum(hollow, 0))
    for k in range(rng.integers(1, 3)):
        azimuth, rises = rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(6, 80))
        flat, up = float(np.cos(rises)), float(np.sin(rises))
        lit = nx * (flat * float(np.cos(azimuth))) + ny * (flat * float(np.sin(azimuth))) + length * up
        lit = np.maximum(lit, 0.0)
        if k == 0 and rng.random() < 0.6:
            lit = lit * _lit_share(height, azimuth, float(np.tan(rises)), rng.uniform(0.3, 2.5))
        light = light + rng.exponential(0.8) * lit
    albedo = _colour(top, hollow, rng, grain)
    shine = np.zeros_like(height)
    for _ in range(rng.integers(0, 4)):  # what a rough metal mirrors: windows, lamps, a dark wall
        cx, cy = rng.normal(0, 0.35), rng.normal(0, 0.35)
        width = _log_uniform(rng, 0.07, 0.6)
        near = np.exp(-((nx - cx) ** 2 + (ny - cy) ** 2) / (2 * width * width))
        shine += rng.normal(0.25, 0.4) * near
    total = albedo * light + rng.uniform(0, 1.2) * np.maximum(shine, -0.3) * (1 - 0.5 * np.maximum(hollow, 0))
    rows, columns = height.shape
    slope = rng.normal(0, 0.35), rng.normal(0, 0.35)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    uneven = slope[0] * (x / columns - 0.5) + slope[1] * (y / rows - 0.5)
    uneven = uneven + rng.uniform(0, 0.25) * grain.cut(4, height.shape, rng)
    return np.maximum(total, 0.0).astype(np.float32) * np.exp(uneven)


def _lit_share(height: np.ndarray, azimuth: float, rise: float, soft: float) -> np.ndarray:
    """1 where a low light reaches, 0 in the shadow of what stands towards it: the field is marched."""
    step = np.array([np.cos(azimuth), np.sin(azimuth)])
    blocked = np.full_like(height, -np.inf)
    reach = min(20.0, 10.0 / max(rise, 0.05))
    for distance in np.arange(1.0, reach + 1.0, 1.5):
        dx, dy = np.round(step * distance)
        shift = np.float32([[1, 0, -dx], [0, 1, -dy]])
        moved = cv2.warpAffine(
            height, shift, height.shape[::-1], flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
        )
        np.maximum(blocked, moved - distance * rise, out=blocked)
    return 1.0 - np.clip((blocked - height) / soft, 0.0, 1.0)


def _colour(top: np.ndarray, hollow: np.ndarray, rng: np.random.Generator, grain: Grain) -> np.ndarray:
    albedo = np.full(top.shape, _log_uniform(rng, 0.03, 0.8), np.float32)
    if rng.random() < 0.18:  # paint rubbed off the letters, or filled in
        albedo = albedo * (1.0 + top * rng.uniform(-0.5, 0.8))
    if rng.random() < 0.5:  # dirt in the corners
        albedo = albedo * (1.0 - rng.uniform(0, 0.7) * np.maximum(hollow, 0))
    if rng.random() < 0.5:  # oxide, smears
        blotch = grain.cut(int(rng.integers(2, 5)), top.shape, rng)
        albedo = albedo * np.exp(rng.uniform(0, 0.3) * blotch)
    return albedo


def photograph(
    tone: np.ndarray, line: np.ndarray, cap_px: float, hard: float, rng: np.random.Generator
) -> np.ndarray:
    """The strip, uint8 (STRIP_PX, w), as a phone takes it and an imprecise cutter cuts it.

    Parameters
    ----------
    tone : float32 (h, w), linear radiance
    line : (4, 2), the capitals' corners in it
    cap_px : height of the capitals in it; the photo shows them no larger
    hard : 0..1
    """
    cap = _log_uniform(rng, min(18.0 - 9.0 * hard, cap_px), cap_px)
    scale = cap / cap_px
    squeeze = _log_uniform(rng, 0.6, 1.15) * scale
    rows, columns = tone.shape
    turn, shear = np.radians(rng.normal(0, 2.5)), rng.normal(0, 0.06)
    turn = float(np.clip(turn, -0.105, 0.105))
    size = (max(8, round(columns * squeeze)), max(8, round(rows * scale)))
    small = cv2.resize(np.ascontiguousarray(tone), size, interpolation=cv2.INTER_AREA)
    line = line * (size[0] / columns, size[1] / rows)
    centre = np.array(size) / 2
    lean = np.array([[np.cos(turn), shear - np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    move = np.column_stack([lean, centre - lean @ centre]).astype(np.float32)
    small = cv2.warpAffine(small, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    blur = rng.uniform(0.2, 0.6 + 0.4 * hard) + (hard * rng.exponential(1.0) if rng.random() < 0.3 else 0.0)
    small = cv2.GaussianBlur(small, (0, 0), min(blur, 0.08 * cap))
    if rng.random() < 0.2 * hard:
        small = _smear(small, rng.uniform(1, 0.14 * cap), rng.uniform(0, np.pi))
    level = rng.uniform(0.03, 0.75) / max(float(np.median(small)), 1e-4)
    small = np.minimum(small * level, 1.0)
    small = small + rng.normal(size=small.shape) * np.sqrt(small) * 0.05 * hard * rng.random() ** 2
    grey = 255.0 * np.clip(small, 0.0, 1.0) ** (1 / 2.2)
    if rng.random() < 0.4:  # the phone's own sharpening
        grey = grey + rng.uniform(0.2, 1.2) * (grey - cv2.GaussianBlur(grey, (0, 0), 1.2))
    grey = np.clip(grey, 0, 255).astype(np.uint8)
    if rng.random() < 0.8:
        quality = int(rng.integers(45, 97))
        grey = cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], 0)
    return _cut(grey, line, rng)


def _smear(picture: np.ndarray, length: float, angle: float) -> np.ndarray:
    side = 2 * int(np.ceil(length / 2)) + 1
    kernel = np.zeros((side, side), np.float32)
    reach = np.array([np.cos(angle), np.sin(angle)]) * length / 2
    middle = np.array([side // 2, side // 2])
    ends = [tuple(int(v) for v in np.round(middle + sign * reach)) for sign in (-1, 1)]
    cv2.line(kernel, *ends, 1.0, 1)
    return cv2.filter2D(picture, -1, kernel / kernel.sum())


def _cut(photo: np.ndarray, line: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Cut the line out as imprecisely as a detector does, at the network's height."""
    low, high = line.min(axis=0), line.max(axis=0)
    cap = high[1] - low[1]
    around = cap * rng.uniform(0.02, 0.5, 2)
    ends = cap * rng.uniform(0.02, 0.55, 2)
    across = cap + around.sum()
    factor = STRIP_PX / across
    along = high[0] - low[0] + ends.sum()
    stretch = factor * min(1.0, MAX_PX / (along * factor))
    width = max(16, round(along * stretch / 4) * 4)
    move = np.float32(
        [[stretch, 0, -(low[0] - ends[0]) * stretch], [0, factor, -(low[1] - around[0]) * factor]]
    )
    return cv2.warpAffine(
        photo, move, (width, STRIP_PX), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
