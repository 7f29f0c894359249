"""Printed lines of random characters: the label maker's print and wear, as small as in a photo."""

from dataclasses import dataclass

import cv2
import numpy as np
from plugface.demo.studio.label_wear import wear_label
from plugface.demo.studio.labels import Sheet

_FACES = (
    "DejaVuSans",
    "DejaVuSans-Bold",
    "DejaVuSansMono",
    "DejaVuSansMono-Bold",
    "STIXGeneral",
    "STIXGeneralBol",
    "cmtt10",
)
_SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SCALE, _PIXELS_PER_MM = 0.5, 8  # half as fine as the studio's labels: print still stands 40 pixels high
_ROW_MM, _CAP_MM = 9.0, 5.0
_MARGIN = 0.28  # of the print's height: what a text detector leaves round a line


@dataclass(frozen=True, eq=False)
class Print:
    """A strip with one printed line, uint8 (h, w), and what it says."""

    grey: np.ndarray
    text: str


def draw_prints(rng: np.random.Generator, *, n_lines: int = 8) -> list[Print]:
    """Lines of one worn label, each seen from its own distance.

    Parameters
    ----------
    rng : numpy Generator
    n_lines : int
    """
    paper = tuple(int(v) for v in rng.integers(185, 245) + rng.integers(-6, 7, 3))
    sheet = Sheet(
        (66.0, _ROW_MM * n_lines + 4), _SCALE, paper, tuple(int(v) for v in rng.integers(15, 40, 3))
    )
    texts = []
    for row in range(n_lines):
        text = "".join(_SIGNS[i] for i in rng.integers(0, len(_SIGNS), rng.integers(3, 10)))
        how = {"font": _FACES[int(rng.integers(len(_FACES)))], "stretch": rng.uniform(0.8, 1.08)}
        sheet.text("other", text, (4, 4 + _ROW_MM * row), _CAP_MM, max_width=58, **how)
        texts.append(text)
    state = "scuffed" if rng.random() < 0.4 else "clean"
    worn = wear_label(np.asarray(sheet.image), state, int(rng.integers(1 << 30)), _PIXELS_PER_MM)
    grey = cv2.cvtColor(worn[..., :3], cv2.COLOR_RGB2GRAY)
    boxes = [box.box for box in sheet.texts]
    return [Print(_photograph(grey, box, rng), text) for box, text in zip(boxes, texts, strict=True)]


def _photograph(grey: np.ndarray, box: tuple[int, int, int, int], rng: np.random.Generator) -> np.ndarray:
    x0, y0, x1, y1 = box
    pad = round(_MARGIN * (y1 - y0))
    part = grey[max(0, y0 - pad) : y1 + pad, max(0, x0 - pad) : x1 + pad]
    height = float(np.exp(rng.uniform(np.log(7.0), np.log(28.0))))  # of the print, in photo pixels
    scale = height / (y1 - y0)
    size = [max(8, round(side * scale)) for side in part.shape[::-1]]
    small = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    lean = np.float32([[1, rng.normal(0, 0.04), 0], [rng.normal(0, 0.01), 1, 0]])
    small = cv2.warpAffine(small, lean, size, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), min(rng.uniform(0.3, 1.3), 0.07 * height))
    low, high = np.sort(rng.uniform(0, 255, 2))
    low, high = min(low, 120.0), max(high, low + 60.0)  # exposure
    small = low + (high - low) * small / 255 + rng.normal(0, rng.uniform(0, 5), small.shape)
    coded = cv2.imencode(
        ".jpg", np.clip(small, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(50, 96))]
    )
    return cv2.imdecode(coded[1], cv2.IMREAD_GRAYSCALE)
