"""The colour of a plug housing as a posterior over the IEC 60757 codes, and colour differences.

Lab is CIE 1976 L*a*b* for D65. Two opinions are pooled: the nearness of white-balanced housing pixels to
colours that plugs are moulded in, and the segmenter's, which sees the surroundings too. Shades that somebody
has measured and named join the first, and where they explain the pixels, their say outweighs the segmenter's.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from plugface.vision.colour_table import BY_CODE, COLOUR_CODES

# Linear sRGB to XYZ.
_TO_XYZ = np.array([(0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505)])

#: Chance that a patch is none of what the prototypes describe (dirt, glare, a torn cover). Our choice.
OUTLIER = 0.05
#: Weights of the two opinions' logarithms and the temperature of their sum. The network names 89 % of 1,345
#: housings of drawn families, held back from its training, and no weight of the prototypes betters that. The
#: temperature is the least at which no more than 0.5 % of them are given wrongly with more than 0.9: their
#: plastics are as new to the network as a user's. (The least log loss, 0.33 nats, is at 1.0, with 1.0 %.)
CLASSICAL_WEIGHT, NETWORK_WEIGHT, TEMPERATURE = 0.1, 1.0, 1.2
#: White and grey plastic differ in lightness alone, and a photo without paper in it has no white to compare
#: with: there neither is given more than this share of the two. Of 61 grey and white plugs of the calibration
#: split and the second maker, painted white, grey or a yellowed white in their own light (2026-11-28), 4 were
#: wrong with more than 0.9 before, all where metal had told the light, and none since; of the plugs as they
#: were rendered (241 and 51) none was. The same families were accepted; the fronts' log loss rose by 0.01.
UNANCHORED_SHARE = 0.9
#: Of the log odds of white against grey this much is believed. Of 551 plugs of the demo's calibration photos,
#: painted white, grey or a yellowed white in their own light, 5 were wrong with more than 0.9 of what the two
#: have together, and none since (2026-11-29). No verdict changes by it, only how sure it is.
WHITE_GREY_WEIGHT = 0.5
#: What is added to the log odds of white against grey, nats: log(356 / 128), for so much commoner grey plugs
#: are than white ones in 920 of the renders that the networks learn from. Neither is held for likelier so
#: (Saerens et al., Neural Computation 14, 2002). In use white is by far the commoner: of the certain plugs on
#: real photographs of the training part 448 are white and 28 grey.
WHITE_SHIFT = 1.02
#: How far units in use stray from a measured shade: standard deviations of L*, and of a* and b*. Our choice:
#: narrower than a prototype, for it is one plastic and not all that are called by the code.
SHADE_SIGMAS = (8.0, 5.0)


@dataclass(frozen=True)
class NamedShade:
    """A shade that was measured and given a code of IEC 60757."""

    code: str
    lab: tuple[float, float, float]

    def __post_init__(self) -> None:
        if self.code not in COLOUR_CODES:
            raise ValueError(f"{self.code!r} is none of {' '.join(COLOUR_CODES)}")


def ciede2000(lab_a: np.ndarray, lab_b: np.ndarray) -> np.ndarray:
    """Colour difference CIEDE2000 of Lab colours (..., 3), by scikit-image.

    Parameters
    ----------
    lab_a, lab_b : float ndarray, shape (..., 3), CIE L*a*b* under D65

    Returns
    -------
    difference : float ndarray, shape (...), CIEDE2000 units
    """
    # Imported here alone: it takes most of a second, and looking at a photo does not need it.
    from skimage.color import deltaE_ciede2000

    return deltaE_ciede2000(np.asarray(lab_a, float), np.asarray(lab_b, float))


def to_lab(linear: np.ndarray) -> np.ndarray:
    """Linear sRGB 0..1 (N, 3) to Lab (N, 3), D65.

    Written out, for OpenCV spends a tenth of a second on tables before its first one.

    References
    ----------
    IEC 61966-2-1 (the matrix); CIE 15:2004, 8.2.1 (L*a*b*).
    """
    relative = np.clip(linear, 0, 1) @ (_TO_XYZ / _TO_XYZ.sum(axis=1, keepdims=True)).T
    x, y, z = np.where(relative > (6 / 29) ** 3, np.cbrt(relative), relative * (29 / 6) ** 2 / 3 + 4 / 29).T
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=1)


def measure_patch(linear: np.ndarray, *, least: int = 12) -> tuple[np.ndarray, np.ndarray] | None:
    """Robust middle and spread of housing pixels, glare and deep shade left out.

    Parameters
    ----------
    linear : (N, 3), white-balanced linear light
    least : fewest pixels that say anything

    Returns
    -------
    lab, spread : (3,), (3,) or None
        Median, and the median absolute deviation scaled to a standard deviation.
    """
    if len(linear) < least:
        return None
    lab = to_lab(linear)
    low, high = np.quantile(lab[:, 0], (0.35, 0.9))  # the cavity is dark, glare is bright
    kept = lab[(lab[:, 0] >= low) & (lab[:, 0] <= high)]
    middle = np.median(kept, axis=0)
    return middle, 1.4826 * np.median(np.abs(kept - middle), axis=0)


def classical_posterior(
    lab: np.ndarray,
    spread: np.ndarray,
    doubt: float,
    shades: Sequence[NamedShade] = (),
    codes: Sequence[str] = COLOUR_CODES,
) -> dict[str, float]:
    """Posterior over the codes, and those of the shades, from a patch's Lab.

    Parameters
    ----------
    lab, spread : (3,)
    doubt : 0..1
        How little the white balance can be trusted; widens every colour.
    shades : sequence of NamedShade
        Further colours, each beside the typical shade of its code.
    codes : sequence of str
        Colours whose typical shade counts: those that the network was taught, whose say this joins.

    Returns
    -------
    posterior : dict of str to float
        Code to probability; sums to 1.
    """
    every = tuple(dict.fromkeys((*codes, *(shade.code for shade in shades))))
    scores = np.zeros(len(every))
    scores[: len(codes)] = _typical_densities(lab, spread, doubt, codes)
    for shade, density in zip(shades, _shade_densities(lab, spread, doubt, shades), strict=True):
        scores[every.index(shade.code)] += density
    scores = (1 - OUTLIER) * scores / max(scores.sum(), 1e-30) + OUTLIER / len(every)
    return dict(zip(every, (scores / scores.sum()).tolist(), strict=True))


def named_share(
    lab: np.ndarray,
    spread: np.ndarray,
    doubt: float,
    shades: Sequence[NamedShade],
    codes: Sequence[str] = COLOUR_CODES,
) -> float:
    """How much of a patch's explanation the named shades take from the typical ones, 0..1.

    Parameters
    ----------
    lab, spread : float ndarray, shape (3,), CIE L*a*b*
        Middle and spread of the patch.
    doubt : float, 0..1
        How little the white balance can be trusted.
    shades : sequence of NamedShade
    codes : sequence of str
        As in `classical_posterior`.

    Returns
    -------
    share : float, 0..1
        0 without shades.
    """
    named = float(_shade_densities(lab, spread, doubt, shades).sum())
    return named / max(named + float(_typical_densities(lab, spread, doubt, codes).sum()), 1e-30)


def _typical_densities(lab, spread, doubt: float, codes: Sequence[str]) -> np.ndarray:
    rows = [BY_CODE[code] for code in codes]
    return np.array([_density(lab, spread, doubt, row.lab, *row.strays) for row in rows])


def _shade_densities(lab, spread, doubt: float, shades: Sequence[NamedShade]) -> np.ndarray:
    return np.array([_density(lab, spread, doubt, shade.lab, *SHADE_SIGMAS) for shade in shades])


def _density(lab, spread, doubt: float, centre, sigma_l: float, sigma_ab: float) -> float:
    variance = np.array([sigma_l, sigma_ab, sigma_ab]) ** 2.0 + np.asarray(spread) ** 2 / 4
    variance = variance + (8 * doubt) ** 2
    return float(np.exp(-0.5 * ((lab - np.asarray(centre)) ** 2 / variance).sum()) / np.sqrt(variance.prod()))


def pool_opinions(
    network: dict[str, float],
    classical: dict[str, float] | None,
    named: float = 0.0,
    *,
    anchored: bool = True,
) -> dict[str, float]:
    """Both opinions as one posterior: their log opinion pool, a weighted sum of logarithms.

    Parameters
    ----------
    network : dict of str to float
        Code to probability, as the network says.
    classical : dict of str to float or None
        As `classical_posterior` gives it; None where too little could be measured.
    named : 0..1
        As `named_share` gives it: the network never learned the shades that somebody named, so by this share
        the two weights change places.
    anchored : bool
        Whether something in the photo tells how light white is: label paper. Where nothing does, and no shade
        was named, white and grey stay open.

    Returns
    -------
    posterior : dict of str to float
        Over the codes of `classical`, or of `network` without it.
    """
    codes = tuple(classical or network)
    measured_weight = CLASSICAL_WEIGHT + named * (NETWORK_WEIGHT - CLASSICAL_WEIGHT)
    network_weight = NETWORK_WEIGHT + named * (CLASSICAL_WEIGHT - NETWORK_WEIGHT)
    total = network_weight * np.log([max(network.get(code, 0.0), 1e-6) for code in codes])
    if classical is not None:
        total = total + measured_weight * np.log([max(classical[code], 1e-6) for code in codes])
    chance = np.exp((total - total.max()) / TEMPERATURE)
    if named < 0.5:
        white, grey = codes.index("WH"), codes.index("GY")
        odds = WHITE_GREY_WEIGHT * (total[white] - total[grey] + WHITE_SHIFT) / TEMPERATURE
        most = 1.0 if anchored else UNANCHORED_SHARE
        share = np.clip(1 / (1 + np.exp(-odds)), 1 - most, most)
        both = chance[white] + chance[grey]
        chance[white], chance[grey] = share * both, (1 - share) * both
    return dict(zip(codes, (chance / chance.sum()).tolist(), strict=True))
