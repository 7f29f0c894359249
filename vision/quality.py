"""Is the photo good enough to look at: measured, and said in words a person can act on."""

from collections.abc import Sequence

import cv2
import numpy as np
from plugface.vision.geometry import shrunk
from plugface.vision.observations import Fault, FaultName, Polygon, Quality

#: Luma (0..1, gamma-coded) under which the bright parts of a photo are too dark. Our choice: there 8-bit JPEG
#: leaves few steps between black and the brightest part.
DARK_LIMIT = 0.16
#: Share of the unit (of the photo, where no unit is known) burnt out in every channel. Our choice.
BURNT_LIMIT = 0.40
#: Share of one plug covered by glare. Our choice.
GLARE_LIMIT = 0.35
#: Edge spread as a share of the unit's long side. A small plug is some 8 % of it, and two plugs side by side
#: run together when the spread reaches a quarter of that. Our choice.
BLUR_LIMIT = 0.02
#: Long side of the smallest unit in which plugs can be told apart, in photo pixels. Our choice.
SMALL_LIMIT_PX = 120.0

#: Spread of the colour differences (8-bit levels, Cb and Cr) round one multiple of brightness, under which a
#: photo has no colours; and the same where that multiple is a strong tint, whose JPEG blocks stray further.
#: On the train and calibration splits, the second maker's and 57 real photos the least is 2.1, with a strong
#: tint 2.5 (2026-11-28); grey copies have 0.1 at most, sepia and blue ones of quality 60 to 85 mostly 0.7 to
#: 1.7.
COLOURLESS_LIMIT, TINTED_LIMIT = 1.0, 2.0
#: From here on the multiple is a strong tint, in levels at full brightness. Our choice: sepia has 38.
STRONG_TINT = 25.0
_COLOUR_FINE_PX, _COLOUR_COARSE_PX = 512, 64
_BENDING = 245  # of 255: from here on a channel may be at its ceiling
#: Cells of the small copy that must be left to tell whether there is any colour: 295 of the demo's units, put
#: on a white sheet, are all told rightly, in grey and in colour. Our choice.
LEAST_COLOUR_CELLS = 40

_CEILING = 250  # of 255: JPEG ringing and the tone curve keep burnt parts a little under the top
_INNER_SIGMA, _OUTER_SIGMA = 1.0, 2.0  # pixels; the two re-blurs of the edge measure
_DIRECTIONS = 4
_MIN_EDGES = 16  # ridge points per direction
_SHARPEST = 20.0  # per cent of a direction's edges that count
_BLUR_SIDES = (160, 320, 640)  # long sides at which blur is measured, coarse to fine
#: Fewer ridge points than these, in all directions, on the coarsest copy, though it is not of one shade: no
#: edge is sharp enough to be one. Of 1,531 real photos of the train and calibration splits and units in them,
#: as they are, none has fewer than 21 (2026-12-01); of 65 units blurred by 6 % of the photo's side 63 have.
_FEWEST_EDGES = 20
_ONE_SHADE = 16.0  # 8-bit levels between the darkest twentieth and the brightest. Our choice.
_FADED = 0.03  # share of the long side over which edges are smeared there, at least
_RESOLVED_PX = 1.1  # a crisp edge measures 0.6 to 0.9 on any of them; above this the blur itself is seen


#: What is said of a fault that needs no unit to be known, and what to do; {places} are filled in.
_WORDS = {
    "dark": (
        "The photo is too dark: even its bright parts are nearly black.",
        "Take it in daylight or switch on the flash, and hold still.",
    ),
    "burnt": (
        "The photo is burnt out: {percent} of what matters is pure white.",
        "Turn so that the sun is behind you, or tap the unit on the screen to darken the photo.",
    ),
    "blurred": (
        "The photo is blurred: edges are smeared over some {pixels} pixels.",
        "Hold the phone still with both hands, tap the unit to focus, and wipe the lens.",
    ),
    "small": (
        "The unit is only {pixels} pixels long on this photo, too few to tell its plugs apart.",
        "Step closer, so that the unit fills the picture, and send the original photo.",
    ),
}


def state_limits() -> dict[str, object]:
    """What a photo is judged by where nothing but its pixels is known, for programs that judge it themselves.

    Returns
    -------
    limits : dict of plain values
        Limits, what measures them, and under "words" what is said of each fault and what to do.
    """
    return {
        "dark": DARK_LIMIT,
        "burnt": BURNT_LIMIT,
        "blur": BLUR_LIMIT,
        "small_px": SMALL_LIMIT_PX,
        "ceiling": _CEILING,
        "sigmas": [_INNER_SIGMA, _OUTER_SIGMA],
        "directions": _DIRECTIONS,
        "min_edges": _MIN_EDGES,
        "sides": list(_BLUR_SIDES),
        "fewest_edges": _FEWEST_EDGES,
        "one_shade": _ONE_SHADE,
        "faded": _FADED,
        "resolved_px": _RESOLVED_PX,
        "sharpest": _SHARPEST,
        "words": _WORDS,
    }


def measure_quality(
    rgb: np.ndarray,
    *,
    photo_size: tuple[int, int] | None = None,
    units: Sequence[Polygon] = (),
    connectors: Sequence[Polygon] = (),
    known_faults: Sequence[Fault] = (),
) -> Quality:
    """Measure one photo and name its faults.

    Parameters
    ----------
    rgb : uint8 ndarray, shape (h, w, 3), sRGB
        The photo or a reduced copy of it; 1000 to 1600 pixels on the long side are enough.
    photo_size : (int, int), optional
        Width and height of the photo itself, in pixels; by default that of `rgb`.
    units, connectors : sequence of Polygon, photo pixels
        Where the controllers and their plugs are, when that is known: the faults then speak of them alone.
    known_faults : sequence of Fault
        Found elsewhere; they come last.

    Returns
    -------
    quality : Quality
        Lengths in photo pixels. `blur_px` is 0 where no edge was strong enough to measure it.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise ValueError(f"rgb must be uint8 of shape (H, W, 3), got {rgb.dtype} of shape {rgb.shape}")
    width, height = photo_size or (rgb.shape[1], rgb.shape[0])
    to_photo = width / rgb.shape[1]
    luma = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    subject = _mask_of(units, rgb.shape[:2], to_photo) if units else None
    blur_px = measure_blur(luma, subject) * to_photo
    lowest, highest = _channel_range(rgb)
    inside = slice(None) if subject is None else subject
    faults = [
        _dark(luma[inside]),
        _burnt(lowest[inside]),
        _blurred(blur_px, units, (width, height)),
        _small(units, (width, height)),
        _glare(lowest, connectors, to_photo),
    ]
    return Quality(
        width_px=width,
        height_px=height,
        median_luma=float(np.median(luma)) / 255,
        burnt_share=float((highest >= _CEILING).mean()),
        blur_px=blur_px,
        faults=(*(fault for fault in faults if fault is not None), *known_faults),
    )


def measure_blur(luma: np.ndarray, subject: np.ndarray | None = None) -> float:
    """Standard deviation of the edge spread of the sharpest edges, taken in the blurriest direction.

    The gradient of a step of spread s falls by sqrt((s^2 + b^2) / (s^2 + a^2)) when the picture is blurred by
    b instead of a; that ratio is measured on the ridge of every strong edge. The sharpest fifth of them
    counts, so that a scene of smooth shapes with a few crisp edges is not called blurred; the worst of four
    directions counts, so that a shake along one direction is not missed. Coarse copies of the picture are
    asked first: noise, which makes blurred edges look sharp, is averaged away there.

    Parameters
    ----------
    luma : uint8 ndarray, shape (H, W)
    subject : bool ndarray, shape (H, W), optional
        Where edges count.

    Returns
    -------
    blur_px : float
        0 if no direction has enough strong edges. Below 1 / 640 of the long side it is an upper bound. Where
        hardly an edge is left, 3 % of the long side of what counts, a lower bound.

    References
    ----------
    Zhuo & Sim, Pattern Recognition 44 (2011) 1852-1858; blurring twice, taking directions apart and going
    from coarse to fine are ours.
    """
    spread = 0.0
    if subject is not None and subject.any():  # a small unit has few edges on a copy of the whole photo
        x, y, width, height = cv2.boundingRect(subject.astype(np.uint8))
        luma, subject = (each[y : y + height, x : x + width] for each in (luma, subject))
    long_px = max(luma.shape)
    for side in _BLUR_SIDES:
        scale = max(1.0, long_px / side)
        size = (max(round(luma.shape[1] / scale), 1), max(round(luma.shape[0] / scale), 1))
        small = cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
        mask = None if subject is None else cv2.resize(subject.astype(np.uint8), size) > 0
        at_scale, edges = _blur_at_scale(small, mask)
        here = scale * at_scale
        faded = side == _BLUR_SIDES[0] < long_px and edges < _FEWEST_EDGES
        if faded and not _is_one_shade(small, mask):
            return max(here, _FADED * long_px)
        if here > _RESOLVED_PX * scale or scale == 1.0:
            return here or spread
        spread = here or spread
    return spread


def _is_one_shade(luma: np.ndarray, subject: np.ndarray | None) -> bool:
    inside = luma if subject is None else luma[subject]
    darkest, brightest = np.percentile(inside, (5, 95)) if inside.size else (0.0, 0.0)
    return bool(brightest - darkest < _ONE_SHADE)


def _blur_at_scale(luma: np.ndarray, subject: np.ndarray | None) -> tuple[float, int]:
    """Spread of the edges, pixels, 0 where no direction has enough of them; and how many ridge points."""
    grey = luma.astype(np.float32)
    inner_x, inner_y = _gradient(grey, _INNER_SIGMA)
    outer_x, outer_y = _gradient(grey, _OUTER_SIGMA)
    inner, outer = cv2.magnitude(inner_x, inner_y), cv2.magnitude(outer_x, outer_y)
    # Noise of spread n makes gradients of spread n / (sqrt(8 pi) b^2); an edge must stand well above them.
    least = max(2.0, 8.0 * _noise_of(grey) / (np.sqrt(8 * np.pi) * _OUTER_SIGMA**2))
    ridge = (outer == cv2.dilate(outer, np.ones((3, 3), np.uint8))) & (outer > least) & (inner > outer)
    if subject is not None:
        ridge &= subject
    ratio2 = np.square(inner[ridge] / outer[ridge])
    spread2 = (_OUTER_SIGMA**2 - ratio2 * _INNER_SIGMA**2) / np.maximum(ratio2 - 1.0, 1e-3)
    spread = np.sqrt(np.clip(spread2, 0.0, None))
    angle = np.mod(np.arctan2(outer_y[ridge], outer_x[ridge]), np.pi)
    direction = np.mod(np.round(angle / np.pi * _DIRECTIONS).astype(int), _DIRECTIONS)
    sharpest = [
        float(np.percentile(spread[direction == index], _SHARPEST))
        for index in range(_DIRECTIONS)
        if (direction == index).sum() >= _MIN_EDGES
    ]
    return max(sharpest, default=0.0), len(spread)


def _noise_of(grey: np.ndarray) -> float:
    """Standard deviation of the noise, by Immerkaer, CVIU 64 (1996) 300-302: blind to edges and to blur."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return float(np.sqrt(np.pi / 2) / 6 * np.abs(cv2.filter2D(grey, -1, kernel)).mean())


def _gradient(grey: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    smooth = cv2.GaussianBlur(grey, (0, 0), sigma)
    return cv2.Sobel(smooth, -1, 1, 0, ksize=1, scale=0.5), cv2.Sobel(smooth, -1, 0, 1, ksize=1, scale=0.5)


def mirrored_fault(plain: float, mirrored: float) -> Fault | None:
    """The fault of a mirrored photo, if the text says so.

    Parameters
    ----------
    plain, mirrored : float, 0..1
        A reader's confidence in the text of the photo and of its mirror image.

    Returns
    -------
    fault : Fault or None
    """
    if mirrored < 0.8 or mirrored - plain < 0.25:  # our choice; symmetrical words (AVA, OXO) read both ways
        return None
    return Fault(
        name="mirrored",
        measured=mirrored - plain,
        limit=0.25,
        message="The text on this photo only reads in a mirror: the photo is flipped left to right.",
        advice="Switch off the mirror setting of the front camera, or take the photo with the rear one.",
    )


def colour_fault(rgb: np.ndarray) -> Fault | None:
    """The fault of a photo whose colours say nothing: a grey copy, or one under a single strong tint.

    In such a photo the colour differences are one fixed multiple of the brightness. They are compared on a
    copy so small that a JPEG's coarse blocks of colour do not count; parts that are burnt out are left out,
    for there a tint bends. A small coloured stamp on a grey copy does not hide it.

    Parameters
    ----------
    rgb : uint8 ndarray, shape (H, W, 3), sRGB

    Returns
    -------
    fault : Fault or None
        None for a photo in colour, and where too little is left to tell.
    """
    middle = shrunk(rgb, _COLOUR_FINE_PX)
    small = shrunk(middle, _COLOUR_COARSE_PX)
    burnt = cv2.resize(
        (middle.max(axis=2) >= _BENDING).astype(np.float32), small.shape[1::-1], interpolation=cv2.INTER_AREA
    )
    coded = cv2.cvtColor(small, cv2.COLOR_RGB2YCrCb).reshape(-1, 3).astype(np.float64)[burnt.ravel() < 0.02]
    if len(coded) < LEAST_COLOUR_CELLS:
        return None
    luma, chroma = coded[:, 0] / 255, coded[:, 1:] - 128
    tint, spread = np.zeros(2), np.zeros(len(luma))
    weight = np.ones(len(luma))
    for _ in range(5):
        tint = (weight * luma) @ chroma / max((weight * luma) @ luma, 1e-6)
        spread = np.linalg.norm(chroma - luma[:, None] * tint, axis=1)
        weight = 1 / (1 + spread / (np.median(spread) + 0.3)) ** 2
    limit = TINTED_LIMIT if np.linalg.norm(tint) >= STRONG_TINT else COLOURLESS_LIMIT
    measured = float(np.quantile(spread, 0.98))
    if measured >= limit:
        return None
    how = "one single tint" if limit == TINTED_LIMIT else "no colours"
    return Fault(
        name="colourless",
        measured=measured,
        limit=limit,
        message=f"The photo has {how}: the colours of the plugs are not known.",
        advice="Send it in colour, as the camera took it, without a filter, and in white or daylight.",
    )


def _channel_range(rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    red, green, blue = cv2.split(rgb)
    return cv2.min(cv2.min(red, green), blue), cv2.max(cv2.max(red, green), blue)


def _mask_of(polygons: Sequence[Polygon], shape: tuple[int, int], to_photo: float) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    for polygon in polygons:
        cv2.fillPoly(mask, [np.round(np.asarray(polygon) / to_photo).astype(np.int32)], (1,))
    return mask.astype(bool) if mask.any() else np.ones(shape, bool)


def long_side(polygon: Polygon | np.ndarray) -> float:
    """Long side of the smallest rectangle round points (N, 2), at any turn."""
    return float(max(cv2.minAreaRect(np.asarray(polygon, np.float32))[1]))


def _fault(name: FaultName, measured: float, limit: float, **places: str) -> Fault:
    message, advice = _WORDS[name]
    return Fault(name, measured, limit, message.format(**places), advice)


def _dark(luma: np.ndarray) -> Fault | None:
    bright = float(np.percentile(luma, 90)) / 255
    return None if bright >= DARK_LIMIT else _fault("dark", bright, DARK_LIMIT)


def _burnt(lowest: np.ndarray) -> Fault | None:
    share = float((lowest >= _CEILING).mean())
    return None if share <= BURNT_LIMIT else _fault("burnt", share, BURNT_LIMIT, percent=f"{share:.0%}")


def _blurred(blur_px: float, units: Sequence[Polygon], size: tuple[int, int]) -> Fault | None:
    # Where no unit is known it is taken to fill half of the long side.
    length = min(map(long_side, units), default=max(size) / 2)
    limit = BLUR_LIMIT * length
    return None if blur_px <= limit else _fault("blurred", blur_px, limit, pixels=f"{2 * blur_px:.0f}")


def _small(units: Sequence[Polygon], size: tuple[int, int]) -> Fault | None:
    length = min(map(long_side, units), default=float(max(size)))
    return (
        None if length >= SMALL_LIMIT_PX else _fault("small", length, SMALL_LIMIT_PX, pixels=f"{length:.0f}")
    )


def _glare(lowest: np.ndarray, connectors: Sequence[Polygon], to_photo: float) -> Fault | None:
    white = lowest >= _CEILING
    shares = [float(white[_mask_of([polygon], white.shape, to_photo)].mean()) for polygon in connectors]
    worst = max(shares, default=0.0)
    if worst <= GLARE_LIMIT:
        return None
    return Fault(
        name="glare",
        measured=worst,
        limit=GLARE_LIMIT,
        message=f"Light is reflected straight off the plugs: {worst:.0%} of one is pure white.",
        advice="Move a step to the side, or shade the plugs with your hand, and take it again.",
    )
