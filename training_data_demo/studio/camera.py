"""What a phone makes of the light: white balance, exposure, blur, noise, smoothing, tone, sharpening, JPEG,
EXIF turn.

Pure functions of arrays. Order follows a camera: optics, sensor noise, white balance, exposure, denoising,
tone curve, sharpening. The shapes of curve, noise and halo are our own choice of what phones do, after
looking at phone photos in general; no camera was measured.
"""

import io
import math

import cv2
import numpy as np
from PIL import Image
from plugface.demo.studio.shots import Development

# EXIF orientation: the stored picture is the shown one put through the inverse of the viewer's turn
# (EXIF 2.3, tag 0x0112). Functions from shown to stored.
_STORE = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.swapaxes(0, 1),
    6: lambda p: np.rot90(p, 1),
    7: lambda p: p[::-1, ::-1].swapaxes(0, 1),
    8: lambda p: np.rot90(p, -1),
}

#: Tone curves of phones, as points on the coded value 0..1: lifted blacks, crushed ones, bright, dull, steep.
CURVES = {
    "plain": ((0.0, 0.0), (1.0, 1.0)),
    "lifted": ((0.0, 0.07), (0.25, 0.30), (0.5, 0.53), (0.75, 0.77), (1.0, 0.98)),
    "crushed": ((0.0, 0.0), (0.12, 0.05), (0.3, 0.24), (0.6, 0.63), (0.85, 0.90), (1.0, 1.0)),
    "bright": ((0.0, 0.0), (0.2, 0.29), (0.45, 0.60), (0.7, 0.82), (1.0, 1.0)),
    "dull": ((0.0, 0.03), (0.3, 0.28), (0.6, 0.54), (0.85, 0.77), (1.0, 0.92)),
    "steep": ((0.0, 0.0), (0.2, 0.12), (0.4, 0.36), (0.6, 0.68), (0.8, 0.90), (1.0, 1.0)),
}


def develop(rgb, params: Development, rng: np.random.Generator) -> np.ndarray:
    """Turn scene light into a phone's picture, upright, before JPEG.

    Parameters
    ----------
    rgb : float ndarray, shape (H, W, 3)
        Scene-linear, sRGB primaries, any scale.
    params : Development
    rng : numpy Generator
        For the noise.

    Returns
    -------
    picture : uint8 ndarray, shape (H, W, 3)
        sRGB, RGB order.
    """
    light = np.maximum(np.asarray(rgb, np.float32), 0)
    light = _blur(light, params)
    light = light * _white_balance(light, params) * (_exposure(light) * 2.0**params.exposure_ev)
    if params.halo > 0:
        light = _merge_exposures(light, params.halo)
    light *= _vignette(light.shape, params.vignette)[..., None]
    light = _smooth(_add_noise(light, params.noise, rng), params.smoothing)
    shown = _tone(light, params)
    if params.tone:
        shown = _curve(params.tone)[np.clip(shown * 1024, 0, 1024).astype(int)]
    shown = _sharpen(shown, params.sharpening, params.sharpen_px)
    picture = np.clip(shown * 255.0 + 0.5, 0, 255).astype(np.uint8)
    return _store_before(picture, params) if params.first_quality else picture


def encode_jpeg(picture, params: Development) -> bytes:
    """Store an upright picture the way its EXIF orientation says, as JPEG with no other metadata.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W, 3)
    params : Development
    """
    stored = Image.fromarray(np.ascontiguousarray(_STORE[params.orientation](picture)))
    exif = Image.Exif()
    exif[0x0112] = params.orientation
    out = io.BytesIO()
    stored.save(out, "JPEG", quality=params.jpeg_quality, exif=exif, optimize=True)
    return out.getvalue()


def _blur(light, params: Development):
    if params.blur_px > 0.05:
        light = cv2.GaussianBlur(light, (0, 0), params.blur_px)
    if params.motion_px > 0.5:
        light = cv2.filter2D(
            light, -1, _streak(params.motion_px, params.motion_deg), borderType=cv2.BORDER_REFLECT
        )
    return light


def _streak(length: float, degrees: float) -> np.ndarray:
    """Kernel of a straight, even movement."""
    half = math.ceil(length / 2) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    reach = length / 2 * np.array([math.cos(math.radians(degrees)), -math.sin(math.radians(degrees))])
    ends = np.round((half + np.stack([-reach, reach])) * 256).astype(int)
    cv2.line(kernel, ends[0].tolist(), ends[1].tolist(), 1.0, 1, cv2.LINE_AA, 8)
    return kernel / kernel.sum()


def _white_balance(light, params: Development):
    """Gains that take out part of the cast (grey world on mid tones), with the recorded error on top."""
    small = cv2.resize(light, (64, 48), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    level = small.mean(1)
    middle = small[(level > np.quantile(level, 0.1)) & (level < np.quantile(level, 0.95))]
    cast = np.log((middle if len(middle) else small).mean(0) + 1e-6)
    red, blue = cast[1] - cast[0], cast[1] - cast[2]
    # Lamps differ from warm to cold, and lamplight is far warmer than shade is cold: a strongly blue mean is
    # rather the subject's colour, and so, mostly, is a green or pink one.
    warmth = float(np.clip((blue - red) / 2, -0.3, 1.2))
    green = float(np.clip((red + blue) / 2 * 0.4, -0.14, 0.14))
    logs = params.white_balance * np.array([green - warmth, 0.0, green + warmth])
    gains = np.exp(logs)
    return (gains * (params.wb_red, 1.0, params.wb_blue)).astype(np.float32)


def _exposure(light) -> float:
    """Gain that brings the middle-weighted mean to mid grey without burning more than a few per cent."""
    small = cv2.resize(light, (64, 48), interpolation=cv2.INTER_AREA) @ np.float32([0.2126, 0.7152, 0.0722])
    y, x = np.mgrid[-1:1:48j, -1:1:64j]
    weight = np.exp(-1.2 * (x * x + y * y))
    mean = math.exp(float((np.log(small + 1e-4 * (small.max() + 1e-9)) * weight).sum() / weight.sum()))
    burnt = float(np.quantile(small, 0.97)) + 1e-9
    return min(0.19 / max(mean, 1e-9), 1.6 / burnt)


def _vignette(shape, amount: float):
    y, x = np.ogrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return (1.0 - amount * ((x * x + y * y) / 2.0) ** 1.3).astype(np.float32)


def _add_noise(light, amount: float, rng):
    """Photon noise that grows with the root of the light, a floor, and coarser colour noise."""
    h, w = light.shape[:2]
    grain = rng.standard_normal((h, w, 3), dtype=np.float32)
    grain = 0.65 * grain + 0.35 * rng.standard_normal((h, w, 1), dtype=np.float32)
    coarse = rng.standard_normal((h // 3 + 1, w // 3 + 1, 3), dtype=np.float32)
    coarse = cv2.resize(coarse - coarse.mean(2, keepdims=True), (w, h), interpolation=cv2.INTER_LINEAR)
    spread = amount * np.sqrt(np.maximum(light, 0) / 0.18 + 0.12)
    return np.maximum(light + spread * (grain + 0.9 * coarse), 0)


def _smooth(light, amount: float):
    """A phone's denoising: fine detail smears, strong edges stay."""
    if amount <= 0:
        return light
    root = np.sqrt(light)
    flat = cv2.bilateralFilter(root, 5, 0.10 * amount, 1.4)
    colour = cv2.GaussianBlur(flat, (0, 0), 1.0 + 1.2 * amount)
    luma = flat.mean(2, keepdims=True)
    mixed = (
        luma + (1 - 0.6 * amount) * (flat - luma) + 0.6 * amount * (colour - colour.mean(2, keepdims=True))
    )
    return np.maximum(mixed, 0) ** 2


def _tone(light, params: Development):
    """sRGB curve with a soft shoulder, then contrast about mid grey and saturation; gives 0..1."""
    shoulder = np.where(light > 0.55, 0.55 + 0.45 * (1 - np.exp(-(light - 0.55) / 0.45 * 0.9)), light)
    shown = np.where(
        shoulder <= 0.0031308, 12.92 * shoulder, 1.055 * np.maximum(shoulder, 1e-8) ** (1 / 2.4) - 0.055
    )
    shown = np.clip(shown, 0, 1)
    # A smooth S between 0 and 1 whose slope at the middle is the contrast.
    curve = shown + (params.contrast - 1) * 2 * shown * (1 - shown) * (shown - 0.5) * 2
    grey = curve @ np.float32([0.299, 0.587, 0.114])
    return np.clip(grey[..., None] + params.saturation * (curve - grey[..., None]), 0, 1).astype(np.float32)


def _curve(name: str) -> np.ndarray:
    """A tone curve at 1025 steps, its corners rounded."""
    even = np.linspace(0, 1, 1025)
    bent = np.interp(even, *np.array(CURVES[name]).T) - even
    return np.float32(np.clip(even + cv2.GaussianBlur(bent[None], (0, 0), 40)[0], 0, 1))


def _merge_exposures(light, amount: float):
    """Merged exposures: broad light and dark come nearer to each other, and rims glow where they meet."""
    level = np.log(light @ np.float32([0.2126, 0.7152, 0.0722]) + 0.004)
    broad = cv2.GaussianBlur(level, (0, 0), 0.035 * max(light.shape[:2]))
    return light * np.exp(0.55 * amount * (np.median(broad) - broad))[..., None]


def _store_before(picture, params: Development):
    """What is left of a picture that was made smaller and stored once already, at its own size again."""
    h, w = picture.shape[:2]
    small = Image.fromarray(picture).resize(
        (max(16, round(w * params.reduced)), max(16, round(h * params.reduced))), Image.Resampling.BICUBIC
    )
    out = io.BytesIO()
    small.save(out, "JPEG", quality=params.first_quality)
    return np.asarray(Image.open(out).resize((w, h), Image.Resampling.BICUBIC))


def _sharpen(shown, amount: float, radius: float):
    if amount <= 0:
        return shown
    grey = shown @ np.float32([0.299, 0.587, 0.114])
    halo = grey - cv2.GaussianBlur(grey, (0, 0), radius)
    most = 0.12 if amount <= 0.9 else 0.2
    return shown + (0.9 * amount * np.clip(halo, -most, most))[..., None]
