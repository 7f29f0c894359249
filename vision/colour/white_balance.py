"""White balance from what the scene offers, in linear light: label paper, neutral metal, or statistics.

All linear values are scene-referred sRGB primaries, D65. Balancing is a diagonal scaling of linear RGB
(von Kries
in the camera's own primaries), which is what a phone does too.
"""

import numpy as np
from plugface.vision.observations import WhiteBalance, WhiteBalanceMethod

#: A patch smaller than this many pixels decides nothing. Our choice.
MIN_PIXELS = 40
#: Gains are kept within this factor: a stronger cast leaves too little of a channel to bring back. Our
#: choice.
GAIN_LIMIT = 3.0
_NORM = 6.0  # Minkowski norm, Finlayson & Trezzi, "Shades of Gray and Colour Constancy" (CIC 2004)
_CLIPPED = 0.96  # linear; a channel at its ceiling says nothing about the light


def to_linear(rgb: np.ndarray) -> np.ndarray:
    """sRGB uint8 (..., 3) to linear light 0..1, IEC 61966-2-1."""
    return _LINEAR[rgb]


_CODED = np.arange(256) / 255
_LINEAR = np.where(_CODED <= 0.04045, _CODED / 12.92, ((_CODED + 0.055) / 1.055) ** 2.4).astype(np.float32)


def measure_white_balance(
    rgb: np.ndarray, *, paper: np.ndarray | None = None, metal: np.ndarray | None = None
) -> WhiteBalance:
    """Gains that make the most trustworthy neutral thing of a photo neutral.

    Parameters
    ----------
    rgb : uint8 (h, w, 3), sRGB
    paper : bool (h, w), optional
        Where label paper is.
    metal : bool (h, w), optional
        Where bare or grey housing metal is.

    Returns
    -------
    white_balance : WhiteBalance
        Gains have their geometric mean at 1. Confidence is high for even, bright paper, lower for metal,
        lowest
        for statistics, and 0 with method "none" for a picture with nothing to measure.
    """
    linear = to_linear(rgb)
    open_ = (linear.max(-1) < _CLIPPED) & (linear.min(-1) > 0.004)
    references: tuple[tuple[WhiteBalanceMethod, np.ndarray | None, float], ...] = (
        ("label paper", paper, 0.9),
        ("neutral metal", metal, 0.7),
    )
    for method, mask, trust in references:
        if mask is None:
            continue
        chosen = linear[mask & open_]
        if method == "label paper" and len(chosen):
            # Paper is the bright part of a label; print, dirt and shade are not.
            luma = chosen.mean(-1)
            chosen = chosen[luma >= np.quantile(luma, 0.5)]
        if len(chosen) < MIN_PIXELS:
            continue
        white, spread = _middle(chosen)
        if spread < 0.35 and _is_plausible(white):
            return WhiteBalance(_gains(white), method, trust * float(np.exp(-3 * spread)))
    chosen = linear[open_]
    if len(chosen) < MIN_PIXELS:
        return WhiteBalance((1.0, 1.0, 1.0), "none", 0.0)
    white = (chosen.astype(float) ** _NORM).mean(0) ** (1 / _NORM)
    # Half the correction: a scene full of one colour is no grey world.
    return WhiteBalance(_gains(np.sqrt(white / white.mean())), "statistics", 0.3)


def apply_gains(rgb: np.ndarray, white_balance: WhiteBalance) -> np.ndarray:
    """sRGB uint8 (..., 3) with the gains applied, as linear light; values may pass 1.

    Parameters
    ----------
    rgb : uint8 ndarray, shape (..., 3), sRGB
    white_balance : WhiteBalance

    Returns
    -------
    linear : float ndarray, shape (..., 3), linear light
        1 is the white of the picture.
    """
    return to_linear(rgb) * np.asarray(white_balance.gains_rgb, np.float32)


def _middle(chosen: np.ndarray) -> tuple[np.ndarray, float]:
    """Median colour (3,) and how far the patch strays from it, as the median relative chroma deviation."""
    shares = chosen / chosen.sum(-1, keepdims=True)
    middle = np.median(shares, axis=0)
    spread = float(np.median(np.abs(shares - middle).max(-1) / middle.max()))
    return middle, spread


def _is_plausible(white: np.ndarray) -> bool:
    """Whether a neutral thing can look like this: lights run from lamp orange to shade blue, not to green
    or pink."""
    red, green, blue = white / white.sum()
    return 0.18 < red < 0.66 and 0.26 < green < 0.44 and 0.06 < blue < 0.50


def _gains(white: np.ndarray) -> tuple[float, float, float]:
    gains = 1 / np.maximum(white, 1e-6)
    gains = gains / np.exp(np.log(gains).mean())
    red, green, blue = np.clip(gains, 1 / GAIN_LIMIT, GAIN_LIMIT).tolist()
    return red, green, blue
