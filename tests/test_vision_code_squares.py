"""Where a matrix code stands on a label, told from bars and print; and codes that are read there alone."""

import cv2
import numpy as np
import pytest
import segno
from barcode.codex import Code128
from PIL import Image, ImageDraw, ImageFont
from plugface.cli.settings import demo_folder
from plugface.vision.barcodes import read_codes
from plugface.vision.code_squares import find_squares
from plugface.vision.geometry import overlap
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo
from ppf.datamatrix import DataMatrix

SIZE = 600, 240


def modules_of(kind: str) -> np.ndarray:
    if kind == "QR":
        return np.array([list(row) for row in segno.make("K72402/671", micro=False).matrix], bool)
    return np.array(DataMatrix("K90515/884").matrix, bool)


def draw_label(kind: str = "", module_px: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """A label with print and bars and, where one is asked for, a matrix code; and that one's box (4, 2)."""
    picture = Image.new("L", SIZE, 220)
    draw = ImageDraw.Draw(picture)
    draw.text((24, 20), "MARROW & FINCH", font=ImageFont.load_default(26), fill=30)
    draw.text((24, 60), "K90515/884", font=ImageFont.load_default(44), fill=30)
    bars = np.array([m == "1" for m in Code128("K90515/884").build()[0]])
    pixels = np.asarray(picture).copy()
    pixels[130:200, 24 : 24 + 2 * len(bars)] = np.where(np.repeat(bars, 2), 30, 220)
    box = np.zeros((4, 2))
    if kind:
        code = np.kron(modules_of(kind), np.ones((module_px, module_px), bool))
        side = len(code)
        left, top = 450 - side // 2, 100 - side // 2
        pixels[top : top + side, left : left + side] = np.where(code, 30, 220)
        right, bottom = left + side, top + side
        box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float)
    return pixels, box


def turn(label: np.ndarray, degrees: float) -> tuple[np.ndarray, np.ndarray]:
    matrix = cv2.getRotationMatrix2D((SIZE[0] / 2, SIZE[1] / 2), degrees, 1.0)
    matrix[:, 2] += (350 - SIZE[0] / 2, 350 - SIZE[1] / 2)
    return cv2.warpAffine(label, matrix, (700, 700), flags=cv2.INTER_AREA, borderValue=220), matrix


@pytest.mark.parametrize("degrees", [0, 25, 90, 200])
@pytest.mark.parametrize(
    ("kind", "module_px"), [("QR", 3), ("QR", 5), ("Data Matrix", 4), ("Data Matrix", 7)]
)
def test_the_code_is_found_and_not_the_print_nor_the_bars(kind, module_px, degrees) -> None:
    label, box = draw_label(kind, module_px)
    picture, matrix = turn(label, degrees)
    found = find_squares(picture)
    true = box @ matrix[:, :2].T + matrix[:, 2]
    # Outlined to half a window of 35 pixels or less.
    assert max(overlap(each, true) for each in found) > 0.5
    assert len(found) <= 2


def test_bars_and_even_paper_show_none() -> None:
    label, _ = draw_label()
    bars = label[125:205]
    assert find_squares(bars) == []
    assert find_squares(np.rot90(bars).copy()) == []
    assert find_squares(np.full((120, 300), 200, np.uint8)) == []
    assert find_squares(np.full((3, 5), 200, np.uint8)) == []


@pytest.mark.parametrize(
    ("photo", "symbology", "payload"),
    [("mf0090", "Data Matrix", "K90515/884"), ("mf0133", "QR", "K72402/671")],
)
def test_codes_of_the_demo_are_read_that_are_lost_among_the_print(photo, symbology, payload) -> None:
    seen = observe(decode_photo((demo_folder() / "photos" / f"{photo}.jpg").read_bytes()))
    codes = [code for unit in seen.units for code in unit.codes if code.symbology == symbology]
    assert [code.payload for code in codes] == [payload]
    assert codes[0].method.startswith("zxing-cpp, the code alone")
    (unit,) = seen.units
    corners = np.array(codes[0].polygon)
    assert cv2.pointPolygonTest(np.float32(unit.polygon), tuple(map(float, corners.mean(0))), False) > 0


def test_what_is_no_code_is_read_as_none() -> None:
    noise = np.random.default_rng(7).integers(0, 2, (24, 24)).astype(bool)
    label, _ = draw_label()
    label = label.copy()
    label[60:156, 420:516] = np.where(np.kron(noise, np.ones((4, 4), bool)), 30, 220)
    label[130:200, :300] = 220  # without its bars
    corners = ((0.0, 0.0), (SIZE[0], 0.0), (SIZE[0], SIZE[1]), (0.0, SIZE[1]))
    assert read_codes(label, [corners], whole=False) == ()
    first, *others = find_squares(label)  # of large print a piece may look like one, too
    assert overlap(first, np.array([(420.0, 60), (516, 60), (516, 156), (420, 156)])) > 0.8
    assert len(others) <= 1
