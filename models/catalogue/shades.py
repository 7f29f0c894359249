"""Shades that a catalogue names, as CIE L*a*b* (D65), and which of them look alike."""

from collections.abc import Iterator
from itertools import combinations
from typing import Literal

from plugface.models.catalogue.entries import Catalogue, ColourCode, Shade

#: CIEDE2000 difference below which two shades are not told apart on photos of used units. Our choice: side by
#: side an eye sees 1 to 2 (common practice, no source), and the light of a yard adds several more.
ALIKE_DIFFERENCE = 6.0


def middle_lab(shade: Shade) -> tuple[float, float, float]:
    """Mean of a shade's examples.

    Returns
    -------
    lab : (3,), CIE 1976 L*a*b*, D65
        sRGB examples are converted by IEC 61966-2-1 and CIE 15 (scikit-image).
    """
    import numpy as np  # few catalogues name a shade, and without one none of it is needed

    examples = list(shade.lab)
    if shade.srgb:
        from skimage.color import rgb2lab  # here alone: it takes most of a second, and few catalogues need it

        examples += rgb2lab(np.array(shade.srgb, dtype=float)[None] / 255)[0].tolist()
    lightness, a, b = np.mean(examples, axis=0).tolist()
    return lightness, a, b


def name_shades(catalogue: Catalogue) -> dict[str, tuple[ColourCode, tuple[float, float, float]]]:
    """Name -> code and middle of every shade; entries of one name are examples of one shade."""
    grouped: dict[str, list[Shade]] = {}
    if not catalogue.head.shades:
        return {}
    import numpy as np  # see middle_lab

    for shade in catalogue.head.shades:
        grouped.setdefault(shade.name, []).append(shade)
    return {
        name: (entries[0].code, tuple(np.mean([middle_lab(entry) for entry in entries], axis=0).tolist()))
        for name, entries in grouped.items()
    }


def difference(lab_a: tuple[float, float, float], lab_b: tuple[float, float, float]) -> float:
    """Colour difference CIEDE2000 (CIE 142-2001).

    Parameters
    ----------
    lab_a, lab_b : (float, float, float), CIELAB

    Returns
    -------
    difference : float
    """
    import numpy as np  # see middle_lab
    from skimage.color import deltaE_ciede2000

    return float(deltaE_ciede2000(np.array(lab_a), np.array(lab_b)))


def find_shade_problems(catalogue: Catalogue) -> Iterator[tuple[Literal["error", "warning"], str, str, str]]:
    """Shades that contradict or resemble each other: severity, key, words, mend."""
    codes: dict[str, str] = {}
    for shade in catalogue.head.shades:
        if codes.setdefault(shade.name, shade.code) != shade.code:
            words = f'"{shade.name}" is coded {codes[shade.name]} and {shade.code}'
            yield "error", "shades", words, "Give the second one another name"
    for (name_a, (code_a, lab_a)), (name_b, (code_b, lab_b)) in combinations(
        name_shades(catalogue).items(), 2
    ):
        apart = difference(lab_a, lab_b)
        if code_a != code_b and apart < ALIKE_DIFFERENCE:
            yield (
                "warning",
                "shades",
                f'"{name_a}" ({code_a}) and "{name_b}" ({code_b}) differ by {apart:.1f} (CIEDE2000); '
                "on a photo either may be taken for the other",
                "Code them alike, or lean on the mark and the label",
            )
