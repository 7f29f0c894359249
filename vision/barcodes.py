"""Barcodes: found on labels and on the whole photo, decoded by zxing-cpp."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, combinations, product
from typing import Any

import cv2
import numpy as np
import zxingcpp
from plugface.vision.code_squares import find_squares
from plugface.vision.geometry import (
    as_polygon,
    cut_out,
    level_corners,
    lies_on_any,
    map_back,
    quad_of,
    side_lengths,
)
from plugface.vision.observations import Code, Polygon

_NAMES = {
    zxingcpp.BarcodeFormat.Code128: "Code 128",
    zxingcpp.BarcodeFormat.Code39: "Code 39",
    zxingcpp.BarcodeFormat.Code39Std: "Code 39",
    zxingcpp.BarcodeFormat.DataMatrix: "Data Matrix",
    zxingcpp.BarcodeFormat.QRCode: "QR",
}
# Of Code 39 the plain kind alone: asked for any, the reader turns some payloads of six characters into the
# digits of Code 32, which are not what is printed.
_FORMATS = tuple(name for name in _NAMES if name != zxingcpp.BarcodeFormat.Code39)
# The library takes any sequence of formats; its hints know of its own class alone, which 2.2 and 3 spell
# differently.
_MATRICES: Any = (zxingcpp.BarcodeFormat.DataMatrix, zxingcpp.BarcodeFormat.QRCode)
_QR: Any = (zxingcpp.BarcodeFormat.QRCode,)
_BARS: Any = (zxingcpp.BarcodeFormat.Code128, zxingcpp.BarcodeFormat.Code39Std)

# Code 128 always ends in a check character modulo 103 (ISO/IEC 15417); the matrix codes carry Reed-Solomon
# words (ISO/IEC 16022, 18004). Code 39's check character modulo 43 is optional (ISO/IEC 16388, annex A): a
# reader cannot know of it.
_LINEAR = {"Code 128", "Code 39"}
_CHECKED = {"Code 128", "Data Matrix", "QR"}
# Signs of a code without a check: a piece of a smeared one can look like one of two signs. Our choice.
_LEAST_UNCHECKED = 4

_LABEL_SIDE_PX = 1500  # a label is looked at no larger than this first
_SLANTED_SIDE_PX = 900
_PHOTO_SIDE_PX = 1600
_STRIPE_SIDE_PX = 900
_STRIPE_WINDOW = (15, 15)  # at that size: a few bars
_PROFILE_TIMES = 4
# Of 40 drawn dot codes with modules of 5 to 10 px, 33 were read without these blurs, of 40 with modules of 11
# to 20 px none; with them 40 and 39.
_DOT_SIDE_PX = 750
_DOT_BLURS_PX = (3.0, 6.0)  # of the label as it is in the photo
# Times its size, pixels cut off then, blur: the second look is for outlines that took in what lies beside.
# Picked on drawn Data Matrix codes, 3 to 6 px a module: of 40 the first look read 21, the second alone 34.
_BORDERED = ((1.0, 0, 0.0), (2.0, 2, 1.5))
# A QR finder pattern and the separator round it, as it is painted; pixels a module; and modules by which it
# may lie off the place that its two fellows say, for the label may be drawn by perspective. Tried on codes
# with a pattern broken as `measure_codes --damaged` draws them, seed 11: 50 of 50 were read with these.
_MODULE_PX = 6
_FINDER = np.pad(
    np.pad(np.pad(np.full((3, 3), 20), 1, constant_values=235), 1, constant_values=20), 1, constant_values=235
)
_STAMP = np.kron(_FINDER, np.ones((_MODULE_PX, _MODULE_PX), int)).astype(np.uint8)
_ASTRAY = 2.5
_MAX_FINDERS, _MAX_PAIRS = 6, 3  # what looks like a pattern, and pairs of them, of one label
_FINDER_SIDE_PX = 600  # of a label in which finder patterns are looked for
# A label in which squares are looked for, and one of them cut out: with how much of what lies round it, and
# how much larger.
_SQUARES_SIDE_PX, _SQUARE_SIDE_PX = 600, 600
_SQUARE_MARGINS, _SQUARE_TIMES = (0.1, 0.35), (2.0, 3.0)
_AS_IT_IS = {"try_invert": False, "try_downscale": False}
_BINARIZERS = (zxingcpp.Binarizer.LocalAverage, zxingcpp.Binarizer.GlobalHistogram)
_STRETCHES = (40, 24)  # a code is some 90 to 150 modules across a label, the widest bar or space four


def read_codes(
    picture: np.ndarray,
    regions: Sequence[Polygon] = (),
    *,
    whole: bool = True,
    avoid: Sequence[Polygon] = (),
) -> tuple[Code, ...]:
    """Decode every barcode on a photo, each once.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    regions : sequence of Polygon, photo pixels
        Where labels are. Each is turned level and tried in several ways, the cheapest first.
    whole : bool
        Look at the whole photo too where no label gave a code: for matrix codes at any angle, and for linear
        ones wherever stripes are found.
    avoid : sequence of Polygon, photo pixels
        What lies on these is of no interest: stripes on them are left alone, codes on them left out.

    Returns
    -------
    codes : tuple of Code
        Polygons in photo pixels, payloads as printed; empty where nothing was decoded.
    """
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    found: tuple[Code, ...] = ()
    for region in regions:
        found = join_codes(found, _read_label(grey, quad_of(region)))
    if whole and not found:
        found = _read_whole(grey, avoid)
    return tuple(code for code in found if not lies_on_any(code.polygon, avoid))


def join_codes(*several: Iterable[Code]) -> tuple[Code, ...]:
    """Codes found in several ways, each once: the first of those that say the same at one place."""
    found: list[Code] = []
    for code in chain(*several):
        centre = np.mean(code.polygon, axis=0)
        if not any(
            code.payload == other.payload
            and code.symbology == other.symbology
            and _reaches(other.polygon, centre)
            for other in found
        ):
            found.append(code)
    return tuple(found)


def _reaches(polygon: Polygon, point: np.ndarray) -> bool:
    outline = np.asarray(polygon, np.float32).reshape(-1, 1, 2)
    slack = 0.25 * max(side_lengths(np.asarray(polygon, np.float32)))
    return cv2.pointPolygonTest(outline, (float(point[0]), float(point[1])), True) > -slack


def _read_label(grey: np.ndarray, corners: np.ndarray) -> tuple[Code, ...]:
    """Codes of one label; it may carry several, so that the first found does not end the search."""
    found = _read_level(grey, corners, (1.0, 2.0))
    if not found:
        found = _read_level(grey, corners, (3.0,))
    if not found:
        found = tuple(
            _read_bordered(grey, corners)
            or _read_dots(grey, corners)
            or _read_two_finders(grey, corners)
            or _read_squares(grey, corners)
        )
    if not any(code.symbology in _LINEAR for code in found):
        found = join_codes(found, _read_bars(grey, corners))
    return found


def _read_bordered(grey: np.ndarray, corners: np.ndarray) -> list[Code]:
    """Matrix codes that fill their label: what it lies on is no quiet zone, so they get a light border.

    ISO/IEC 16022 asks for one module of quiet zone, ISO/IEC 18004 for four.
    """
    for scale, inset, blur in _BORDERED:
        level, to_photo = cut_out(grey, corners, scale=scale, margin=0.0, max_side=_DOT_SIDE_PX)
        if min(level.shape) <= 2 * inset:
            return []
        inner = level[inset : level.shape[0] - inset, inset : level.shape[1] - inset]
        if blur:
            inner = cv2.GaussianBlur(inner, (0, 0), blur)
        width = max(8, round(0.12 * max(inner.shape)))
        framed = np.pad(inner, width, constant_values=int(np.percentile(inner, 90)))
        codes = _scan(framed, formats=_MATRICES, try_invert=False, try_downscale=False)
        if codes:
            method = "zxing-cpp, quiet zone added"
            back = to_photo @ np.array(
                [[1.0, 0.0, inset - width], [0.0, 1.0, inset - width], [0.0, 0.0, 1.0]]
            )
            return [_code(code, map_back(_corners(code), back), method) for code in codes]
    return []


def _read_dots(grey: np.ndarray, corners: np.ndarray) -> list[Code]:
    """Matrix codes whose modules are dots with gaps between them, as needles and lasers mark them.

    A blur of about 0.3 module closes the gaps. Two blurs stand for modules of about 8 and of 16 px.
    """
    size = max(*side_lengths(corners), 1.0)
    scale = min(1.0, _DOT_SIDE_PX / size)
    level, to_photo = cut_out(grey, corners, scale=scale, margin=0.06, max_side=1.12 * _DOT_SIDE_PX)
    for blur in _DOT_BLURS_PX:
        soft = cv2.GaussianBlur(level, (0, 0), max(blur * scale, 0.8))
        codes = _scan(soft, formats=_MATRICES, try_invert=False, try_downscale=False)
        if codes:
            method = "zxing-cpp, dots run together"
            return [_code(code, map_back(_corners(code), to_photo), method) for code in codes]
    return []


def _read_two_finders(grey: np.ndarray, corners: np.ndarray) -> list[Code]:
    """QR codes of which one finder pattern is scratched or dirty: it is painted anew.

    Two patterns give scale and turn. The third stands beside one of them where they share a side, and across
    from the line between them where they do not (ISO/IEC 18004: at three corners). Of those places the two
    that look most like one are tried. What is read is still held by the code's own Reed-Solomon words.
    """
    scale = min(2.0, _FINDER_SIDE_PX / max(*side_lengths(corners), 1.0))
    level, to_photo = cut_out(grey, corners, scale=scale, max_side=_FINDER_SIDE_PX)
    pairs = [pair for pair in combinations(_find_finders(level)[:_MAX_FINDERS], 2) if _alike(*pair)]
    for first, second in pairs[:_MAX_PAIRS]:
        turned, to_level, places = _lay_out(level, first, second)
        for left, top in places:
            mended = turned.copy()
            mended[top : top + len(_STAMP), left : left + len(_STAMP)] = _STAMP
            codes = _scan(mended, formats=_QR, try_rotate=False, try_invert=False, try_downscale=False)
            if codes:
                method = "zxing-cpp, a finder pattern painted anew"
                back = to_photo @ to_level
                return [_code(code, map_back(_corners(code), back), method) for code in codes]
    return []


def _read_squares(grey: np.ndarray, corners: np.ndarray) -> list[Code]:
    """Matrix codes that are read by themselves, where what stands beside them on the label misleads.

    Of 17 on the demo's training and calibration photos that were lost, with modules of 2 px or more, five are
    read so, for 19 ms a label without a code; none is read wrongly (2026-12-01).
    """
    scale = min(1.0, _SQUARES_SIDE_PX / max(*side_lengths(corners), 1.0))
    level, to_photo = cut_out(grey, corners, scale=scale, margin=0.05, max_side=_SQUARES_SIDE_PX)
    for box in find_squares(level):
        place = level_corners(map_back(box, to_photo))
        for margin, times in product(_SQUARE_MARGINS, _SQUARE_TIMES):
            if times > _SQUARE_TIMES[0] and times * max(side_lengths(place)) > _SQUARE_SIDE_PX:
                continue  # it has been looked at as large as it gets
            cut, back = cut_out(grey, place, scale=times, margin=margin, max_side=_SQUARE_SIDE_PX)
            for picture, way in _ways_of(cut, times):
                for binarizer in _BINARIZERS:
                    codes = _scan(picture, formats=_MATRICES, binarizer=binarizer, **_AS_IT_IS)
                    if codes:
                        method = f"zxing-cpp, the code alone x{times:g}{way}"
                        return [_code(code, map_back(_corners(code), back), method) for code in codes]
    return []


def _ways_of(cut: np.ndarray, times: float) -> Iterator[tuple[np.ndarray, str]]:
    """A code cut out and enlarged, as it is, softer, with its contrast evened, and sharper."""
    yield cut, ""
    yield cv2.GaussianBlur(cut, (0, 0), 0.5 * times), ", softened"
    yield cv2.createCLAHE(4, (4, 4)).apply(cut), ", contrast evened"
    yield cv2.addWeighted(cut, 4, cv2.GaussianBlur(cut, (0, 0), 2 * times), -3, 0), ", sharpened"


def _find_finders(level: np.ndarray) -> list[np.ndarray]:
    """Corners (4, 2) of the light squares of whole finder patterns, five modules wide round a dark three."""
    _, dark = cv2.threshold(level, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    contours, tree = cv2.findContours(dark, cv2.RETR_TREE, cv2.CHAIN_APPROX_SIMPLE)
    found = []
    for contour, (_, _, inner, outer) in zip(contours, [] if tree is None else tree[0], strict=True):
        area = cv2.contourArea(contour, True)  # above 0 for what is light within something dark
        if inner < 0 or outer < 0 or area < 60:
            continue
        box = cv2.minAreaRect(contour)
        core = cv2.minAreaRect(contours[inner])
        small, large = sorted(box[1])
        if (
            0.15 < cv2.contourArea(contours[inner]) / area < 0.62  # 9 of 25 modules
            and small > 0.6 * large
            and area > 0.75 * small * large
            and np.hypot(box[0][0] - core[0][0], box[0][1] - core[0][1]) < 0.12 * large
        ):
            found.append(cv2.boxPoints(box))
    return found


def _alike(first: np.ndarray, second: np.ndarray) -> bool:
    """Whether two patterns are of one size, but for perspective."""
    return 0.7 < sum(side_lengths(first)) / sum(side_lengths(second)) < 1 / 0.7


def _lay_out(
    level: np.ndarray, first: np.ndarray, second: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[tuple[int, int]]]:
    """A code turned level by two of its finder patterns, and where the third may lie, likeliest first.

    Gives the picture, the way from its pixels to those of `level`, and (left, top) of two places at most;
    none where the two patterns are no two of one code.
    """
    one, other = first.mean(axis=0), second.mean(axis=0)
    along, side = other - one, first[1] - first[0]
    angle = np.degrees(np.arctan2(along[1], along[0]) - np.arctan2(side[1], side[0]))
    across_corner = abs((angle + 45) % 90 - 45) > 22.5
    module = (sum(side_lengths(first)) + sum(side_lengths(second))) / 20
    apart = float(np.hypot(*along)) / module / (np.sqrt(2) if across_corner else 1)
    size = 4 * round((apart - 10) / 4) + 10  # 17 + 4 x version modules, less seven
    if not 14 <= size <= 70:  # versions 1 to 15: larger ones cost more than 20 ms
        return level, np.eye(3), []
    edge = 8  # modules of quiet zone and half a finder pattern
    third: tuple[tuple[int, int], ...]
    if across_corner:
        ends, third, height = ((0, 0), (size, size)), ((size, 0), (0, size)), size
    else:
        ends, height = ((0, size), (size, size)), 2 * size
        third = ((0, 0), (size, 0), (0, 2 * size), (size, 2 * size))
    start, end = ((np.array(place, float) + edge) * _MODULE_PX for place in ends)
    turn = complex(*(end - start)) / complex(*along)
    linear = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    ahead = np.column_stack([linear, start - linear @ one])
    turned = cv2.warpAffine(
        level,
        ahead,
        ((size + 2 * edge) * _MODULE_PX, (height + 2 * edge) * _MODULE_PX),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    fits = []
    for x, y in third:
        left, top = (int((edge + at - 4.5 - _ASTRAY) * _MODULE_PX) for at in (x, y))
        reach = len(_STAMP) + int(2 * _ASTRAY * _MODULE_PX)
        window = turned[top : top + reach, left : left + reach]
        _, fit, _, place = cv2.minMaxLoc(cv2.matchTemplate(window, _STAMP, cv2.TM_CCOEFF_NORMED))
        fits.append((fit, left + place[0], top + place[1]))
    best = sorted(fits, reverse=True)[:2]
    return turned, np.linalg.inv(np.vstack([ahead, (0, 0, 1)])), [(left, top) for _, left, top in best]


def _read_stripes(grey: np.ndarray, corners: np.ndarray) -> tuple[Code, ...]:
    """Linear codes of a box as `find_stripes` gives it, with the bars upright."""
    return _read_level(grey, corners, (1.0, 2.0), formats=_BARS, try_rotate=False)


def _read_level(grey: np.ndarray, corners: np.ndarray, sizes: Sequence[float], **options) -> tuple[Code, ...]:
    """Codes of a box turned level, at some multiples of the size at which a label is looked at first.

    Enlarging helps fine codes alone: of 57 in photos of the train and calibration splits eleven needed it, on
    labels of up to 354 pixels. So nothing is enlarged beyond the size at which large labels are looked at.
    """
    found: tuple[Code, ...] = ()
    side = max(*side_lengths(corners), 1.0)
    scale = min(1.0, _LABEL_SIDE_PX / side)
    for times in sizes:
        if times > 1 and times * side > _LABEL_SIDE_PX:
            break
        level, to_photo = cut_out(
            grey, corners, scale=times * scale, margin=0.06, max_side=1.12 * _LABEL_SIDE_PX
        )
        for prepared, way in _prepare(level, enlarged=times > 1):
            method = f"zxing-cpp, level label x{times * scale:.2g}{way}"
            found = join_codes(found, _decode(prepared, to_photo, method, **options))
    return found


def _read_bars(grey: np.ndarray, corners: np.ndarray) -> Sequence[Code]:
    """Linear codes that lie askew on their label, are drawn so by perspective, or are too fine."""
    found: Sequence[Code] = _read_slanted(grey, corners)
    if found:
        return found
    level, to_photo = cut_out(grey, corners, margin=0.06, max_side=_LABEL_SIDE_PX)
    for box in find_stripes(level, n_most=2):
        in_photo = map_back(box, to_photo).astype(np.float32)
        found = _read_stripes(grey, in_photo) or _read_smeared(grey, in_photo)
        if found:
            return found
    return _read_smeared(grey, corners)


def _read_slanted(grey: np.ndarray, corners: np.ndarray) -> list[Code]:
    """Codes of a label seen in perspective: no level line crosses all their bars, a slanted one does."""
    level, to_photo = cut_out(grey, corners, margin=0.06, max_side=_SLANTED_SIDE_PX)
    height, width = level.shape
    for slant in (-0.06, 0.06, -0.12, 0.12):
        for shear in (
            [[1, 0, 0], [slant, 1, -slant * width / 2]],
            [[1, slant, -slant * height / 2], [0, 1, 0]],
        ):
            straight = cv2.warpAffine(
                level, np.asarray(shear, np.float32), (width, height), borderMode=cv2.BORDER_REPLICATE
            )
            back = to_photo @ np.linalg.inv(np.vstack([shear, (0, 0, 1)]))
            found = _decode(straight, back, "zxing-cpp, slanted label", formats=_BARS)
            if found:
                return found
    return []


def _prepare(level: np.ndarray, *, enlarged: bool) -> Iterable[tuple[np.ndarray, str]]:
    yield level, ""
    soft = cv2.GaussianBlur(level, (0, 0), 2.0)
    if enlarged:
        yield cv2.addWeighted(level, 2.5, soft, -1.5, 0), ", sharpened"
    else:
        yield soft, ", smoothed"


def _read_smeared(grey: np.ndarray, corners: np.ndarray) -> list[Code]:
    """Linear codes too fine, too noisy or too unevenly lit for a single scan line: averaged along their bars.

    Bars are straight, so that the middle of a band of rows keeps them and loses the noise. Bands are taken at
    several heights and leans, enlarged, and sharpened or stretched between the light and dark beside them.
    """
    level, to_photo = cut_out(grey, corners, scale=1.0, margin=0.02, max_side=_LABEL_SIDE_PX)
    for quarter in (0, 1):
        turned = level if quarter == 0 else np.ascontiguousarray(np.rot90(level))
        for top, bottom in _striped_bands(_evened(turned)):
            for lean in (0.0, -0.05, 0.05, -0.1, 0.1):
                codes = _read_profile(np.median(_sheared(turned[top:bottom], lean), axis=0))
                if codes:
                    return [
                        _from_band(code, turned.shape, (top, bottom), quarter, to_photo) for code in codes
                    ]
    return []


def _read_profile(profile: np.ndarray) -> list:
    """Codes of zxing-cpp in a profile (w,) across bars, places in pixels of it `_PROFILE_TIMES` as wide."""
    size = (len(profile) * _PROFILE_TIMES, 1)
    wide = cv2.resize(profile.astype(np.float32)[None], size, interpolation=cv2.INTER_CUBIC)
    for prepared in (_sharpened(wide), *(_stretched(wide, parts) for parts in _STRETCHES)):
        codes = _scan(np.repeat(prepared, 40, axis=0), formats=_BARS, try_rotate=False, try_invert=False)
        if codes:
            return codes
    return []


def _sharpened(profile: np.ndarray) -> np.ndarray:
    soft = cv2.GaussianBlur(profile, (0, 0), sigmaX=6.0, sigmaY=0.1)
    return np.clip(profile + 1.5 * (profile - soft), 0, 255).astype(np.uint8)


def _stretched(profile: np.ndarray, parts: int) -> np.ndarray:
    """A profile between the lightest and the darkest within a `parts`-th of it: shade and glare even out."""
    reach = profile.shape[1] / parts
    window = np.ones((1, 2 * int(reach) + 1), np.uint8)
    light, dark = (
        cv2.GaussianBlur(extreme(profile, window), (0, 0), sigmaX=reach, sigmaY=0.1)
        for extreme in (cv2.dilate, cv2.erode)
    )
    span = light - dark
    span = np.maximum(span, max(2.0, 0.3 * float(np.percentile(span, 80))))  # of bare paper stays light
    return (255 * np.clip(1 - (light - profile) / span, 0, 1)).astype(np.uint8)


def _evened(level: np.ndarray) -> np.ndarray:
    """A label with the same mean and contrast everywhere, uint8."""
    tone, window = level.astype(np.float32), (max(9, level.shape[0] // 6),) * 2
    mean = cv2.blur(tone, window)
    deviation = np.sqrt(np.maximum(cv2.blur(tone * tone, window) - mean * mean, 0.0))
    return np.clip(128 + 50 * (tone - mean) / np.maximum(deviation, 4.0), 0, 255).astype(np.uint8)


def _striped_bands(level: np.ndarray) -> Iterable[tuple[int, int]]:
    """Rows of a level label where upright stripes are strongest, best first."""
    across = np.abs(cv2.Sobel(level, cv2.CV_32F, 1, 0, ksize=3))
    along = np.abs(cv2.Sobel(level, cv2.CV_32F, 0, 1, ksize=3))
    stripes = (across - along).mean(axis=1)
    height = max(4, level.shape[0] // 16)
    energy = np.convolve(stripes, np.ones(height) / height, mode="valid")
    for _ in range(3):
        if not len(energy) or energy.max() <= 2.0:
            return
        top = int(energy.argmax())
        yield top, top + height
        energy[max(0, top - height) : top + height] = -np.inf


def _sheared(band: np.ndarray, lean: float) -> np.ndarray:
    if lean == 0.0:
        return band
    shift = np.asarray([[1, lean, -lean * band.shape[0] / 2], [0, 1, 0]], np.float32)
    return cv2.warpAffine(band, shift, band.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)


def _from_band(code, shape, rows, quarter: int, to_photo: np.ndarray) -> Code:
    left, right = sorted(
        place.x / _PROFILE_TIMES for place in (code.position.top_left, code.position.top_right)
    )
    box = np.asarray([(left, rows[0]), (right, rows[0]), (right, rows[1]), (left, rows[1])], np.float32)
    if quarter:  # the label was turned a quarter counter-clockwise: (x, y) came from (width - 1 - y, x)
        box = np.stack([shape[0] - 1 - box[:, 1], box[:, 0]], axis=1)
    return _code(code, map_back(box, to_photo), "zxing-cpp, averaged along the bars")


def _read_whole(grey: np.ndarray, avoid: Sequence[Polygon]) -> tuple[Code, ...]:
    small, grow = _reduced(grey, _PHOTO_SIDE_PX)
    found = join_codes(_decode(small, np.diag([grow, grow, 1.0]), "zxing-cpp, whole photo"))
    for corners in find_stripes(small):
        corners = corners * np.float32(grow)
        if not lies_on_any(corners, avoid):
            found = join_codes(found, _read_stripes(grey, corners))
    return found


def _reduced(grey: np.ndarray, max_side: int) -> tuple[np.ndarray, float]:
    grow = shrunk = max(1.0, max(grey.shape) / max_side)
    if grow == 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] / grow), round(grey.shape[0] / grow))
    while grow >= 2.0:  # OpenCV halves 12 megapixels in 2 ms and takes 30 ms for any other step
        grey = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
        grow /= 2
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA), shrunk


def find_stripes(grey: np.ndarray, *, n_most: int = 4) -> list[np.ndarray]:
    """Places where strong edges all run one way, as the bars of a linear code do.

    Parameters
    ----------
    grey : uint8 ndarray, shape (H, W)
    n_most : int

    Returns
    -------
    boxes : list of float32 ndarray, shape (4, 2), pixels of `grey`
        Top-left first, the bars upright; strongest first.

    References
    ----------
    Coherence of the structure tensor: Bigun & Granlund, ICCV (1987). The limits are ours.
    """
    small, grow = _reduced(grey, _STRIPE_SIDE_PX)
    dx, dy = (cv2.Sobel(small, cv2.CV_32F, *order, ksize=3) for order in ((1, 0), (0, 1)))
    xx, yy, xy = (cv2.boxFilter(p, -1, _STRIPE_WINDOW) for p in (dx * dx, dy * dy, dx * dy))
    energy, difference = xx + yy, np.hypot(xx - yy, 2 * xy)
    striped = (difference > 0.75 * energy) & (energy > 60.0**2)
    mask = cv2.morphologyEx(striped.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    strengths = {}
    for index in range(1, count):
        left, top, width, height, area = stats[index]
        if area >= 12 * 40:
            part = np.s_[top : top + height, left : left + width]
            strengths[index] = float(difference[part][labels[part] == index].sum())
    strongest = sorted(strengths, key=lambda index: -strengths[index])[:n_most]
    return [_upright_box(labels == index, xx, yy, xy) * grow for index in strongest]


def _upright_box(inside: np.ndarray, xx: np.ndarray, yy: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Corners round the pixels of one set of stripes, turned so that the stripes stand upright."""
    pixels = cv2.findNonZero(inside.astype(np.uint8)).reshape(-1, 2)
    at = (pixels[:, 1], pixels[:, 0])
    angle = 0.5 * np.arctan2(2 * xy[at].sum(), (xx[at] - yy[at]).sum())
    points = pixels.astype(np.float32)
    across = np.array([np.cos(angle), np.sin(angle)])  # over the bars
    along = np.array([-across[1], across[0]])
    u, v = points @ across, points @ along
    (u0, u1), (v0, v1) = np.percentile(u, (1, 99)), np.percentile(v, (2, 98))
    quiet = 0.08 * (u1 - u0)
    frame = ((u0 - quiet, v0), (u1 + quiet, v0), (u1 + quiet, v1), (u0 - quiet, v1))
    return np.asarray([a * across + b * along for a, b in frame], np.float32)


def _decode(
    picture: np.ndarray, to_photo: np.ndarray, method: str, *, formats=_FORMATS, try_rotate: bool = True
) -> list[Code]:
    codes = _scan(np.ascontiguousarray(picture), formats=formats, try_rotate=try_rotate)
    return [_code(code, map_back(_corners(code), to_photo), method) for code in codes]


def _scan(picture: np.ndarray, **options: Any) -> list:
    """What zxing-cpp finds of the kinds that are read; asked for QR, it gives Micro QR too."""
    return [
        code
        for code in zxingcpp.read_barcodes(picture, **options)
        if code.format in _NAMES and (_NAMES[code.format] in _CHECKED or len(code.text) >= _LEAST_UNCHECKED)
    ]


def _corners(code) -> np.ndarray:
    place = code.position
    points = (place.top_left, place.top_right, place.bottom_right, place.bottom_left)
    return np.asarray([(p.x, p.y) for p in points], np.float32)


def _code(code, corners: np.ndarray, method: str) -> Code:
    symbology = _NAMES[code.format]
    modules = count_modules(symbology, code.text, code.extra)
    length = side_lengths(corners)[0]
    return Code(
        polygon=as_polygon(corners),
        symbology=symbology,
        payload=code.text,
        check="verified" if symbology in _CHECKED else "none",
        module_px=length / modules if modules else None,
        method=method,
    )


def count_modules(symbology: str, payload: str, extra: dict | None = None) -> int | None:
    """Width of a symbol in modules, without its quiet zone.

    Parameters
    ----------
    symbology : str
    payload : str
    extra : dict, optional
        What the decoder says of the symbol: "Version" is the size of a matrix code.

    Returns
    -------
    modules : int or None
        For Code 128 with digits packed in pairs where that is shorter, as writers do (ISO/IEC 15417,
        annex E);
        for Code 39 with a wide to narrow ratio of 2.5 (ISO/IEC 16388 allows 2 to 3); None where unknown.
    """
    version = str((extra or {}).get("Version", ""))
    if symbology == "Code 128":
        return 11 * (len(_code128_symbols(payload)) + 2) + 13
    if symbology == "Code 39":
        return round((len(payload) + 2) * (6 + 3 * 2.5) + len(payload) + 1)
    if symbology == "Data Matrix" and "x" in version:
        return int(version.split("x")[-1])
    if symbology == "QR" and version.isdigit():
        return 17 + 4 * int(version)
    return None


def _code128_symbols(payload: str) -> list[str]:
    """Data symbols of a compact Code 128: runs of four digits or more go in pairs, after a switch."""
    symbols: list[str] = []
    pairs, at = False, 0
    while at < len(payload):
        run = 0
        while at + run < len(payload) and payload[at + run].isdigit():
            run += 1
        if run >= 4:
            if not pairs and symbols:
                symbols.append("to pairs")
            pairs = True
            symbols += [payload[i : i + 2] for i in range(at, at + run - run % 2, 2)]
            at += run - run % 2
        else:
            if pairs:
                symbols.append("to single")
                pairs = False
            symbols.append(payload[at])
            at += 1
    return symbols
