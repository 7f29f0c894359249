"""How colours are shown: a shade, an ink that is read on it, a name."""

from plugface.vision.colour_table import COLOURS
from plugface.vision.observations import best_colour

#: code -> (name, sRGB 0..255)
SWATCHES = {colour.code: (colour.name, colour.shown) for colour in COLOURS}

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
