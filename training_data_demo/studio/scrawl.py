"""Paint-marker writing of the yard: a small stroke alphabet of our own, written with an unsteady hand."""

import random

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

_PER_MM = 10

# Strokes on a field one wide and 1.5 high, y upwards. Points of one stroke are joined by a smooth curve.
_ROUND = "0.5,1.5 0.1,1.2 0.05,0.5 0.4,0 0.85,0.3 0.9,1.0 0.6,1.45 0.4,1.5"
_STROKES = {
    "0": [_ROUND],
    "1": ["0.2,1.15 0.55,1.5 0.5,0"],
    "2": ["0.1,1.2 0.45,1.5 0.85,1.15 0.5,0.55 0.05,0", "0.05,0 0.95,0.05"],
    "3": ["0.1,1.4 0.6,1.5 0.75,1.1 0.35,0.8", "0.35,0.8 0.85,0.6 0.75,0.1 0.1,0.05"],
    "4": ["0.7,1.5 0.05,0.5", "0.05,0.5 0.95,0.5", "0.7,1.0 0.65,0"],
    "5": ["0.85,1.5 0.2,1.45", "0.2,1.45 0.15,0.85", "0.15,0.85 0.75,0.9 0.8,0.3 0.4,0 0.05,0.15"],
    "6": ["0.75,1.45 0.25,0.95 0.1,0.35 0.45,0 0.85,0.3 0.6,0.75 0.2,0.55"],
    "7": ["0.05,1.45 0.9,1.5", "0.9,1.5 0.35,0", "0.3,0.75 0.85,0.8"],
    "8": ["0.75,1.25 0.4,1.5 0.15,1.15 0.5,0.8 0.85,0.4 0.5,0 0.1,0.35 0.45,0.75 0.8,1.1 0.72,1.3"],
    "9": ["0.8,1.1 0.45,0.8 0.1,1.1 0.45,1.5 0.8,1.2 0.75,0.5 0.55,0"],
    "A": ["0.05,0 0.5,1.5", "0.5,1.5 0.95,0", "0.2,0.55 0.8,0.6"],
    "B": ["0.1,1.5 0.1,0", "0.1,1.5 0.75,1.35 0.6,0.85 0.1,0.8", "0.1,0.8 0.85,0.65 0.75,0.1 0.1,0"],
    "C": ["0.9,1.3 0.5,1.5 0.1,1.0 0.15,0.3 0.55,0 0.9,0.2"],
    "D": ["0.1,1.5 0.1,0", "0.1,1.5 0.8,1.25 0.9,0.6 0.6,0.1 0.1,0"],
    "E": ["0.85,1.5 0.1,1.5", "0.1,1.5 0.1,0", "0.1,0 0.9,0.05", "0.1,0.8 0.7,0.8"],
    "F": ["0.9,1.5 0.1,1.5", "0.1,1.5 0.15,0", "0.1,0.8 0.7,0.85"],
    "G": ["0.9,1.3 0.5,1.5 0.1,1.0 0.15,0.3 0.55,0 0.9,0.3 0.9,0.7", "0.9,0.7 0.5,0.65"],
    "H": ["0.1,1.5 0.1,0", "0.9,1.5 0.85,0", "0.1,0.75 0.9,0.8"],
    "J": ["0.7,1.5 0.75,0.4 0.45,0 0.1,0.25"],
    "K": ["0.1,1.5 0.15,0", "0.9,1.5 0.15,0.7", "0.3,0.85 0.95,0"],
    "L": ["0.15,1.5 0.1,0", "0.1,0 0.9,0.05"],
    "M": ["0.05,0 0.15,1.5", "0.15,1.5 0.5,0.6", "0.5,0.6 0.85,1.5", "0.85,1.5 0.95,0"],
    "N": ["0.1,0 0.1,1.5", "0.1,1.5 0.9,0", "0.9,0 0.9,1.5"],
    "O": [_ROUND],
    "P": ["0.1,1.5 0.1,0", "0.1,1.5 0.8,1.4 0.8,0.85 0.1,0.7"],
    "R": ["0.1,1.5 0.1,0", "0.1,1.5 0.8,1.4 0.75,0.85 0.1,0.75", "0.3,0.75 0.95,0"],
    "S": ["0.85,1.3 0.5,1.5 0.15,1.2 0.5,0.8 0.85,0.4 0.5,0 0.1,0.2"],
    "T": ["0.05,1.5 0.95,1.5", "0.5,1.5 0.5,0"],
    "U": ["0.1,1.5 0.1,0.4 0.5,0 0.9,0.4 0.9,1.5"],
    "V": ["0.05,1.5 0.5,0", "0.5,0 0.95,1.5"],
    "W": ["0.05,1.5 0.25,0", "0.25,0 0.5,1.0", "0.5,1.0 0.75,0", "0.75,0 0.95,1.5"],
    "X": ["0.05,1.5 0.95,0", "0.95,1.5 0.05,0"],
    "Y": ["0.05,1.5 0.5,0.75", "0.95,1.5 0.3,0"],
    "Z": ["0.05,1.5 0.95,1.5", "0.95,1.5 0.05,0", "0.05,0 0.95,0.05"],
    "/": ["0.9,1.6 0.1,-0.1"],
    "-": ["0.15,0.7 0.85,0.75"],
    "#": ["0.35,1.4 0.2,0.1", "0.75,1.4 0.6,0.1", "0.05,1.0 0.95,1.05", "0.0,0.5 0.9,0.5"],
    "?": ["0.1,1.2 0.45,1.5 0.85,1.15 0.5,0.8 0.45,0.4", "0.45,0.08 0.5,0.02"],
}
_INKS = (
    (236, 232, 214),
    (240, 205, 40),
    (240, 120, 150),
    (222, 60, 40),
    (40, 90, 190),
    (20, 20, 22),
    (60, 160, 80),
)


def draw_scrawl(text: str, draw: random.Random) -> tuple[np.ndarray, tuple[int, int, int, int], float]:
    """Write a short string.

    Returns
    -------
    picture : uint8 ndarray, shape (H, W, 4)
        sRGB with alpha.
    box : x0, y0, x1, y1
        Pixels around the paint, half-open.
    pixels_per_mm : float

    Raises
    ------
    ValueError
        For a character that the alphabet lacks; it has capitals but I and Q, digits, / - # ? and the space.
    """
    unknown = sorted(set(text.upper()) - set(_STROKES) - {" "})
    if unknown or not text.strip():
        raise ValueError(f"the stroke alphabet cannot write {''.join(unknown) or 'an empty string'!r}")
    high = draw.uniform(9, 16) * _PER_MM / 1.5
    wide = high * draw.uniform(0.62, 0.85)
    pen = draw.uniform(1.3, 2.4) * _PER_MM
    lean, margin = draw.uniform(-0.12, 0.3), 2 * pen
    size = (int(wide * 1.35 * len(text) + 2 * margin + high * 0.5), int(1.9 * high + 2 * margin))
    mask = Image.new("L", size)
    brush = ImageDraw.Draw(mask)
    x = margin + max(-lean, 0) * high
    for letter in text.upper():
        rise, grow = draw.gauss(0, 0.05) * high, draw.uniform(0.88, 1.1)
        for stroke in _STROKES.get(letter, []):
            points = np.array([[float(v) for v in pair.split(",")] for pair in stroke.split()])
            points += [(draw.gauss(0, 0.035), draw.gauss(0, 0.035)) for _ in points]
            points = _smooth(points)
            px = x + (points[:, 0] * wide + lean * points[:, 1] * high * 0.5) * grow
            py = size[1] - margin - 0.15 * high - rise - points[:, 1] * high * grow
            # The marker gives more paint where the hand slows down: at the ends.
            for k, (a, b) in enumerate(zip(px, py, strict=True)):
                slow = 1.0 + 0.14 * (2 * abs(k / len(px) - 0.5)) ** 3
                r = pen / 2 * slow * (1 + draw.gauss(0, 0.02))
                brush.ellipse((a - r, b - r, a + r, b + r), fill=255)
        x += wide * (1.3 if letter != " " else 0.7) * draw.uniform(0.92, 1.08)
    alpha = np.asarray(mask.filter(ImageFilter.GaussianBlur(1.0)), np.float32)
    # Dry streaks and thin spots.
    rng = np.random.default_rng(draw.randrange(2**32))
    grain = Image.fromarray(rng.random((max(size[1] // 3, 1), max(size[0] // 9, 1))).astype(np.float32))
    thin = np.asarray(grain.resize(size, Image.Resampling.BICUBIC))
    alpha *= np.clip(0.7 + 0.75 * thin, 0, 1) if draw.random() < 0.7 else np.clip(thin * 1.7, 0, 1)
    tone = np.array(draw.choice(_INKS), np.float32) * (0.94 + 0.06 * thin[..., None])
    picture = np.dstack([np.clip(tone, 0, 255), alpha]).astype(np.uint8)
    ys, xs = np.nonzero(np.asarray(mask) > 60)
    return picture, (int(xs.min()), int(ys.min()), int(xs.max()) + 1, int(ys.max()) + 1), float(_PER_MM)


def _smooth(points: np.ndarray, steps: int = 14) -> np.ndarray:
    """Catmull-Rom curve through the points (Catmull & Rom, 1974)."""
    if len(points) == 2:
        t = np.linspace(0, 1, 3 * steps)[:, None]
        sag = np.array([points[0, 1] - points[1, 1], points[1, 0] - points[0, 0]]) * 0.03
        return points[0] * (1 - t) + points[1] * t + sag * 4 * t * (1 - t)
    padded = np.vstack([2 * points[0] - points[1], points, 2 * points[-1] - points[-2]])
    t = np.linspace(0, 1, steps, endpoint=False)[:, None]
    pieces = []
    for a, b, c, d in zip(padded, padded[1:], padded[2:], padded[3:], strict=False):
        pieces.append(
            0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
        )
    return np.vstack([*pieces, points[-1:]])
