"""What the IEC 60757 colours look like in moulded plastic: a range of shades for each, never one value."""

import random

# sRGB, hexadecimal. Our own choice by eye of what such plastics look like; no measured source. Brown, black,
# grey and white lie as near to each other as in life, yet a person names each rightly. The segmenter is
# taught what can be rendered: these codes, which are the first rows of the table of colours, in its order.
ANCHORS = {
    "BK": ("141517", "1e1f22", "262523", "191c20"),
    "BN": ("573620", "6a4227", "46291a", "764a2c"),
    "RD": ("a31b19", "b92a22", "86181a", "b33a2e"),
    "OG": ("dd5c14", "ec7420", "d24f0e", "ee8330"),
    "YE": ("dcae14", "ecc536", "d2a010", "e8cf5a"),
    "GN": ("27703a", "3b8a3c", "1f5c3c", "4c9158"),
    "BU": ("22498f", "2c66b0", "1b3d7c", "4577b4"),
    "VT": ("56337a", "70448c", "4c3272", "6a4c9c"),
    "GY": ("74777a", "868886", "63686d", "93938e", "7e7a72"),
    "WH": ("dad8d0", "e8e6df", "cdc9bc", "e2e3e0"),
    "PK": ("d2808f", "e09ca8", "c97a8c", "dfa3a0"),
    "TQ": ("24908e", "3fa3a0", "2b8a94", "5cb0a6"),
}


def to_linear(hexadecimal: str) -> tuple[float, float, float]:
    """An sRGB colour as linear values 0..1 (IEC 61966-2-1)."""
    values = (int(hexadecimal[i : i + 2], 16) / 255 for i in (0, 2, 4))
    return tuple(v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values)


def draw_shade(code: str, draw: random.Random) -> tuple[float, float, float]:
    """A shade of a colour code: a random mixture of known shades, a little lighter or darker.

    Returns
    -------
    shade : three float
        Linear sRGB, 0..1.
    """
    anchors = [to_linear(anchor) for anchor in ANCHORS[code]]
    weights = [draw.random() ** 2 + 1e-6 for _ in anchors]
    total, gain = sum(weights), draw.uniform(0.85, 1.12)
    return tuple(
        min(0.9, gain * sum(w * a[i] for w, a in zip(weights, anchors, strict=True)) / total)
        for i in range(3)
    )
