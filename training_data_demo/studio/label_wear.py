"""What years and a salvage yard do to a label: fading, scuffs, stains, tears, lost pieces."""

import numpy as np
from PIL import Image, ImageDraw, ImageFilter


def wear_label(picture: np.ndarray, state: str, seed: int, pixels_per_mm: float) -> np.ndarray:
    """Age a label.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W, 4)
        sRGB with alpha.
    state : "clean" | "scuffed" | "torn" | "partly missing"
    seed : int
    pixels_per_mm : float

    Returns
    -------
    worn : uint8 ndarray, shape (H, W, 4)
    """
    rng = np.random.default_rng([seed, 77])
    # Plane by plane: what all colours share is spread over whole planes, not over three numbers at a time.
    rgb = np.ascontiguousarray(picture[..., :3].transpose(2, 0, 1)).astype(np.float32)
    alpha = picture[..., 3].astype(np.float32)
    shape = alpha.shape
    paper = _tint([np.median(plane[alpha > 0]) for plane in rgb])
    # Ink fades towards the paper, more in some places; the paper yellows.
    fading = rng.uniform(0.02, 0.2 if state == "clean" else 0.45) * (
        0.5 + 0.8 * _clouds(rng, shape, 12 * pixels_per_mm)
    )
    rgb += (paper - rgb) * np.clip(fading, 0, 0.7)
    rgb *= 1 - rng.uniform(0, 0.12) * _tint([0.1, 0.35, 1.0])
    # A worn print head leaves thin lines without ink along the way of the paper.
    if rng.random() < 0.4:
        for row in rng.integers(0, shape[0], rng.integers(1, 5)):
            rgb[:, row : row + rng.integers(1, 3)] += (paper - rgb[:, row : row + 1]) * 0.8
    for _ in range(rng.integers(0, 3) if state == "clean" else rng.integers(2, 6)):
        rgb *= 1 - _stain(rng, shape, pixels_per_mm) * _tint([0.25, 0.4, 0.6])
    if state == "scuffed":
        rubbed = _scuffs(rng, shape, pixels_per_mm, count=int(rng.integers(14, 34)))
        rubbed = np.maximum(rubbed, 0.85 * (_clouds(rng, shape, 5 * pixels_per_mm) > 0.80))
        rgb += (paper * rng.uniform(0.85, 1.05) - rgb) * np.clip(rubbed, 0, 0.95)
    elif state == "clean":
        rgb += (paper - rgb) * 0.6 * _scuffs(rng, shape, pixels_per_mm, count=int(rng.integers(0, 4)))
    else:
        lost = _tear(rng, shape, pixels_per_mm, large=state == "partly missing")
        # Along the tear the white core of the paper shows.
        core = np.asarray(
            Image.fromarray((lost * 255).astype(np.uint8)).filter(
                ImageFilter.GaussianBlur(0.7 * pixels_per_mm)
            )
        )
        rgb += (_tint([238, 236, 230]) - rgb) * (np.clip(core / 255 * 2.4, 0, 1) * 0.9)
        alpha = np.where(lost, 0, alpha)
        rgb += (paper - rgb) * 0.7 * _scuffs(rng, shape, pixels_per_mm, count=6)
    rgb += rng.normal(0, 1.6, shape)
    return np.dstack([*np.clip(rgb, 0, 255), alpha]).astype(np.uint8)


def _tint(values) -> np.ndarray:
    """One number for each colour, shape (3, 1, 1)."""
    return np.array(values, np.float32)[:, None, None]


def _clouds(rng: np.random.Generator, shape, grain_px: float) -> np.ndarray:
    """Smooth noise 0..1 with features of about `grain_px` pixels."""
    total = np.zeros(shape, np.float32)
    for octave in range(3):
        step = grain_px / 2**octave
        coarse = rng.random((max(int(shape[0] / step), 1) + 2, max(int(shape[1] / step), 1) + 2)).astype(
            np.float32
        )
        smooth = Image.fromarray(coarse).resize(shape[::-1], Image.Resampling.BICUBIC)
        total += np.asarray(smooth) * 0.5**octave
    return np.clip(total / 1.75, 0, 1)


def _stain(rng, shape, per_mm) -> np.ndarray:
    """One blot or ring, 0..1."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    radius = rng.uniform(3, 16) * per_mm
    away = np.hypot(x - rng.uniform(0, shape[1]), (y - rng.uniform(0, shape[0])) * rng.uniform(0.7, 1.6))
    away += radius * 0.7 * (_clouds(rng, shape, 5 * per_mm) - 0.5)
    blot = np.clip((radius - away) / (0.25 * radius), 0, 1)
    rim = np.exp(-(((away - radius) / (0.08 * radius)) ** 2))
    return rng.uniform(0.15, 0.8) * np.clip(0.6 * blot + 0.5 * rim, 0, 1)


def _scuffs(rng, shape, per_mm, *, count: int) -> np.ndarray:
    """Bundles of scratches in a common direction, 0..1."""
    mask = Image.new("L", shape[::-1])
    pen = ImageDraw.Draw(mask)
    lean = rng.uniform(0, np.pi)
    for _ in range(count):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        angle, long = lean + rng.normal(0, 0.25), rng.uniform(3, 40) * per_mm
        for _ in range(rng.integers(1, 6)):
            dx, dy = rng.normal(0, 0.7 * per_mm, 2)
            end = (x + dx + np.cos(angle) * long, y + dy + np.sin(angle) * long)
            width = max(int(rng.uniform(0.08, 0.4) * per_mm), 1)
            pen.line((x + dx, y + dy, *end), fill=int(rng.integers(110, 255)), width=width)
    broken = np.asarray(mask.filter(ImageFilter.GaussianBlur(0.8)), np.float32) / 255
    return broken * (_clouds(rng, shape, 1.2 * per_mm) > 0.36)


def _tear(rng, shape, per_mm, *, large: bool) -> np.ndarray:
    """Where the label is torn off: a ragged half plane over a corner or an edge; bool (H, W)."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    reach = x * np.cos(angle) + y * np.sin(angle)
    share = rng.uniform(0.28, 0.5) if large else rng.uniform(0.08, 0.2)
    ragged = (_clouds(rng, shape, 7 * per_mm) - 0.5) * 11 * per_mm + (
        _clouds(rng, shape, 0.8 * per_mm) - 0.5
    ) * 1.5 * per_mm
    return reach + ragged > np.quantile(reach, 1 - share)
