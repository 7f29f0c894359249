"""Colour codes of IEC 60757 with an English name and a shade to show them in.

The standard fixes the letters and names, not the shades. The shades here are our choice for screens and
have no part in recognising anything.
"""

from plugface.vision.observations import best_colour

#: code -> (name, sRGB 0..255)
SWATCHES: dict[str, tuple[str, tuple[int, int, int]]] = {
    "BK": ("black", (28, 28, 31)),
    "BN": ("brown", (128, 78, 36)),
    "RD": ("red", (204, 36, 43)),
    "OG": ("orange", (244, 122, 16)),
    "YE": ("yellow", (246, 205, 30)),
    "GN": ("green", (38, 148, 66)),
    "BU": ("blue", (38, 102, 204)),
    "VT": ("violet", (128, 62, 176)),
    "GY": ("grey", (140, 145, 150)),
    "WH": ("white", (247, 247, 243)),
    "PK": ("pink", (240, 142, 178)),
    "TQ": ("turquoise", (44, 186, 184)),
}

#: Shade that stands for a colour that is not known. Our choice.
UNKNOWN_SHADE = (198, 198, 198)


def ink_on(rgb: tuple[int, int, int]) -> tuple[int, int, int]:
    """Black or white, whichever has the higher contrast on `rgb`.

    Contrast ratio and relative luminance as in WCAG 2.2, success criterion 1.4.3.
    """
    linear = [c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in rgb]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return (0, 0, 0) if (luminance + 0.05) ** 2 > 1.05 * 0.05 else (255, 255, 255)


def shown_colour(posterior: dict[str, float]) -> tuple[str, str, tuple[int, int, int]]:
    """Code, name and shade of the most probable colour; a question mark where none is known."""
    code = best_colour(posterior)
    return (code, *SWATCHES[code]) if code else ("?", "colour not known", UNKNOWN_SHADE)


def best(posterior: dict[str, float]) -> tuple[str, float]:
    """The most probable code of a posterior and its share."""
    return max(posterior.items(), key=lambda item: item[1])
