"""Where text stands: boxes at any angle, cut out upright.

A strip is one line of text cut out of the photo and turned level; its box keeps the way back.
"""

import errno
import importlib.util
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from threading import Lock

import cv2
import numpy as np
import onnxruntime

from vision.observations import Polygon, TextKind

#: Threads of one network run, at most: the machines this is meant for have few cores. Where OpenCV was told
#: to use fewer, as in one of several processes that share the cores, so does the network.
THREADS = 2

_DETECTOR_FILE = "PP-OCRv6_det_small.onnx"
# Settings of the detector's own package for this network, but for the smallest side, which is ours.
_INK_PROBABILITY, _BOX_SCORE, _UNCLIP, _LEAST_SIDE_PX = 0.3, 0.5, 1.6, 4.0

#: A box not longer than this times its height may hold a letter by itself: a narrow one is half as wide as
#: high, and boxes are drawn roomily. Our choice.
STUBBY = 2.0

#: Share of a strip's variance that two tones explain. On drawn labels it was 0.80 to 0.94, on relief drawn
#: with lights from five sides 0.70 to 0.80; photographs may move it.
_TWO_TONES = 0.81


@dataclass(frozen=True, eq=False)
class TextBox:
    """A level box of text in some picture; reading direction along its long side, either way."""

    corners: np.ndarray  # float32, shape (4, 2), pixels: top-left, top-right, bottom-right, bottom-left
    score: float  # 0..1, that there is text here at all

    @property
    def size(self) -> tuple[float, float]:
        """Length along the text and height across it, pixels."""
        return side_lengths(self.corners)

    @property
    def is_stubby(self) -> bool:
        """So short that it may hold a sign or two that run along its short side."""
        length, height = self.size
        return length < STUBBY * height


class BrokenNetwork(FileNotFoundError):
    """A network of plugface's own that is not there or cannot be loaded; file and reason as the system's."""


_LOADING: dict[str, Lock] = {}


def usable_threads() -> int:
    """How many threads a network may work with."""
    return min(THREADS, cv2.getNumThreads())


def load_network(path: str, *, threads: int | None = None) -> onnxruntime.InferenceSession:
    """An ONNX network, loaded once, whichever thread asks first.

    Parameters
    ----------
    path : str
    threads : int, optional
        That share one run of it; all that are usable by default.

    Raises
    ------
    BrokenNetwork
        If there is no such file, or it is damaged.
    """
    if not Path(path).is_file():
        raise BrokenNetwork(errno.ENOENT, "there is no such file", path)
    with _LOADING.setdefault(path, Lock()):
        return _open_network(path, threads or usable_threads())


@lru_cache(maxsize=4)
def _open_network(path: str, threads: int) -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    # Threads that wait for work in a busy loop take the other core from whatever else runs there.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # the library has a class for each way, and all of them mean a bad file
        words = " ".join(str(error).split())[:120]
        raise BrokenNetwork(errno.ENOENT, f"it is not a network that can be loaded ({words})", path) from None


def load_detector() -> onnxruntime.InferenceSession:
    """The network that finds text.

    Raises
    ------
    BrokenNetwork
        If its package is not installed, or its file is damaged.
    """
    return load_network(packaged_network(_DETECTOR_FILE))


def packaged_network(file: str) -> str:
    """Path of a network inside the installed rapidocr package, which is not imported for it.

    Raises
    ------
    BrokenNetwork
        If the package is not installed.
    """
    spec = importlib.util.find_spec("rapidocr")
    if spec is None or spec.origin is None:
        raise BrokenNetwork(errno.ENOENT, "the package rapidocr is not installed", file)
    return str(Path(spec.origin).parent / "models" / file)


def find_text(picture: np.ndarray, *, max_side: int = 960) -> tuple[TextBox, ...]:
    """Boxes of text lines, by a differentiable-binarisation network.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    max_side : int, pixels
        The picture is reduced to this long side first; text under some 7 px high is lost by then.

    Returns
    -------
    boxes : tuple of TextBox
        In pixels of `picture`, best score first; empty where nothing was found.

    References
    ----------
    Liao et al., AAAI 34 (2020) 11474-11481 (differentiable binarisation).
    """
    ink, scale_x, scale_y = _ink_map(picture, max_side)
    mask = cv2.dilate((ink > _INK_PROBABILITY).astype(np.uint8), np.ones((2, 2), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    boxes = []
    for contour in contours:
        centre, size, angle = cv2.minAreaRect(contour)
        if min(size) < _LEAST_SIDE_PX:
            continue
        score = _mean_inside(ink, cv2.boxPoints((centre, size, angle)))
        if score < _BOX_SCORE:
            continue
        grown = _UNCLIP * size[0] * size[1] / (2 * (size[0] + size[1]))
        rect = (centre, (size[0] + 2 * grown, size[1] + 2 * grown), angle)
        corners = cv2.boxPoints(rect) * (scale_x, scale_y)
        boxes.append(TextBox(level_corners(corners), score))
    return tuple(sorted(boxes, key=lambda box: -box.score))


def _ink_map(picture: np.ndarray, max_side: int) -> tuple[np.ndarray, float, float]:
    """Probability of text per pixel of a reduced picture, and the factors back to the picture's pixels."""
    height, width = picture.shape[:2]
    shrink = min(1.0, max_side / max(height, width))
    # The network halves five times: sides must be multiples of 32.
    size = [max(32, round(side * shrink / 32) * 32) for side in (width, height)]
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if shrink < 1 else cv2.INTER_LINEAR)
    if small.ndim == 2:
        small = cv2.cvtColor(small, cv2.COLOR_GRAY2BGR)
    else:
        small = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)  # it was trained on blue first
    fed = (small.astype(np.float32) / 127.5 - 1.0).transpose(2, 0, 1)[None]
    session = load_detector()
    ink = session.run(None, {session.get_inputs()[0].name: fed})[0][0, 0]
    return ink, width / size[0], height / size[1]


def _mean_inside(ink: np.ndarray, corners: np.ndarray) -> float:
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.ceil(corners.max(axis=0)).astype(int) + 1
    part = ink[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(corners - low).astype(np.int32)], 1)
    return float(cv2.mean(part, mask)[0])


def level_corners(corners: np.ndarray) -> np.ndarray:
    """Order four corners so that the first side is a long one and runs to the right (or straight down).

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        In order round the box, either sense.

    Returns
    -------
    ordered : float32 ndarray, shape (4, 2)
        Top-left, top-right, bottom-right, bottom-left, seen along that side.
    """
    around = np.asarray(corners, np.float32)
    across = around[2] - around[0]
    along = around[1] - around[3]
    if (
        across[0] * along[1] - across[1] * along[0] > 0
    ):  # turn so that the corners run clockwise on the picture
        around = around[::-1]
    lengths = np.linalg.norm(np.roll(around, -1, axis=0) - around, axis=1)
    first = 0 if lengths[0] + lengths[2] >= lengths[1] + lengths[3] else 1
    side = np.roll(around, -first, axis=0)[1] - np.roll(around, -first, axis=0)[0]
    if side[0] < -1e-3 or (abs(side[0]) <= 1e-3 and side[1] < 0):
        first += 2
    return np.roll(around, -first, axis=0)


def side_lengths(corners: np.ndarray) -> tuple[float, float]:
    """Mean length of the top and bottom side, and of the left and right side, of four corners."""
    top, right, bottom, left = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(top + bottom) / 2, float(right + left) / 2


def quad_of(polygon: Polygon | np.ndarray) -> np.ndarray:
    """The four corners that describe a flat, roughly rectangular region best.

    Parameters
    ----------
    polygon : sequence of (x, y), three corners or more

    Returns
    -------
    corners : float32 ndarray, shape (4, 2)
        Ordered by `level_corners`. A perspective quadrilateral where the outline is one, else the smallest
        turned rectangle round it.
    """
    points = np.asarray(polygon, np.float32).reshape(-1, 2)
    hull = cv2.convexHull(points)
    rectangle = cv2.boxPoints(cv2.minAreaRect(hull))
    area = cv2.contourArea(hull)
    for share in (0.02, 0.03, 0.05, 0.08):
        quad = cv2.approxPolyDP(hull, share * cv2.arcLength(hull, True), True)
        if len(quad) == 4 and cv2.isContourConvex(quad) and cv2.contourArea(quad) > 0.9 * area:
            return level_corners(quad[:, 0])
    return level_corners(rectangle)


def cut_out(
    picture: np.ndarray,
    corners: np.ndarray,
    *,
    height_px: int | None = None,
    scale: float | None = None,
    margin: float = 0.0,
    max_side: int = 4096,
) -> tuple[np.ndarray, np.ndarray]:
    """Cut a box out of a picture and turn it level.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    corners : ndarray, shape (4, 2), picture pixels
        Top-left, top-right, bottom-right, bottom-left.
    height_px, scale : int or float
        Height of the strip in pixels, or its size relative to the box; by default scale 1.
    margin : float
        Share of the height that is added on all four sides.
    max_side : int
        No side of the strip grows beyond it.

    Returns
    -------
    strip : ndarray, shape (h, w) or (h, w, 3)
    to_picture : float64 ndarray, shape (3, 3)
        Homography from strip pixels to picture pixels.
    """
    length, across = (max(side, 1.0) for side in side_lengths(corners))
    factor = height_px / (across * (1 + 2 * margin)) if height_px else (scale or 1.0)
    factor = min(factor, max_side / (max(length, across) + 2 * margin * across))
    pad = margin * across * factor
    inner_w, inner_h = length * factor, across * factor
    size = (max(1, round(inner_w + 2 * pad)), max(1, round(inner_h + 2 * pad)))
    target = np.float32(
        [(pad, pad), (pad + inner_w, pad), (pad + inner_w, pad + inner_h), (pad, pad + inner_h)]
    )
    to_picture = cv2.getPerspectiveTransform(target, np.asarray(corners, np.float32))
    source, offset = _shrunk_part(picture, corners, margin * across, factor)
    to_source = (
        np.diag([offset[2], offset[2], 1.0])
        @ np.array([[1, 0, -offset[0]], [0, 1, -offset[1]], [0, 0, 1.0]])
        @ to_picture
    )
    strip = cv2.warpPerspective(
        source,
        to_source,
        size,
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return strip, to_picture


def _shrunk_part(
    picture: np.ndarray, corners: np.ndarray, pad: float, factor: float
) -> tuple[np.ndarray, tuple[float, float, float]]:
    """The part of the picture round a box, reduced first when the strip will be much smaller: no aliasing."""
    height, width = picture.shape[:2]
    low = np.floor(np.min(corners, axis=0) - pad - 4).astype(int)
    high = np.ceil(np.max(corners, axis=0) + pad + 4).astype(int)
    x0, y0 = (int(v) for v in np.clip(low, 0, (max(width - 2, 0), max(height - 2, 0))))
    x1, y1 = int(np.clip(high[0], x0 + 1, width)), int(np.clip(high[1], y0 + 1, height))
    part = picture[y0:y1, x0:x1]
    if factor >= 0.7:
        return part, (x0, y0, 1.0)
    size = (max(1, round(part.shape[1] * factor)), max(1, round(part.shape[0] * factor)))
    return cv2.resize(part, size, interpolation=cv2.INTER_AREA), (x0, y0, size[0] / part.shape[1])


def map_back(points: np.ndarray, to_picture: np.ndarray) -> np.ndarray:
    """Points of a strip in pixels of the picture it was cut from; shape (n, 2) in and out."""
    shaped = np.asarray(points, np.float64).reshape(-1, 1, 2)
    return cv2.perspectiveTransform(shaped, to_picture)[:, 0]


def turned(corners: np.ndarray, quarter_turns: int) -> np.ndarray:
    """The same box read from another side: corners rolled so that the text turns by so many quarters."""
    return np.roll(corners, -quarter_turns, axis=0)


def as_polygon(points: np.ndarray) -> Polygon:
    """Points (N, 2) as plain numbers."""
    return tuple((float(x), float(y)) for x, y in points)


def lies_on_any(polygon: Polygon | np.ndarray, others: Sequence[Polygon]) -> bool:
    """Whether the middle of a polygon's corners lies within one of the others."""
    x, y = np.mean(polygon, axis=0)
    return any(
        cv2.pointPolygonTest(np.float32(other).reshape(-1, 1, 2), (float(x), float(y)), False) >= 0
        for other in others
    )


def tell_kind(strip: np.ndarray) -> TextKind:
    """Guess from one strip how its text was made, where no region class says so.

    Print is two flat tones, ink and paper, so that one threshold parts them and explains nearly all of the
    variance. Cast letters have the metal's own tone inside and out, and only their flanks are lighter or
    darker. Scrawl is two tones as well; that part is left to the region class.

    Parameters
    ----------
    strip : uint8 ndarray, shape (h, w) or (h, w, 3)

    References
    ----------
    Otsu, IEEE Trans. SMC 9 (1979) 62-66: the share of the variance that lies between the two classes.
    """
    grey = strip if strip.ndim == 2 else cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)
    values = cv2.GaussianBlur(grey, (0, 0), 1.0)
    limit, _ = cv2.threshold(values, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    light = values > limit
    share, variance = float(light.mean()), float(values.var())
    if variance < 1e-6 or share in {0.0, 1.0}:
        return "printed"
    between = share * (1 - share) * (float(values[light].mean()) - float(values[~light].mean())) ** 2
    return "printed" if between / variance > _TWO_TONES else "cast"
