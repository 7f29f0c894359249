"""Symbols written by other programs are read, placed and checked."""

import cv2
import numpy as np
import pytest
import segno
from barcode.codex import Code39, Code128
from plugface.cli.evaluation.measure_vision import read_rows
from plugface.cli.settings import demo_folder
from plugface.vision.barcodes import count_modules, find_stripes, join_codes, read_codes
from plugface.vision.observations import Code
from plugface.vision.photo import decode_photo
from ppf.datamatrix import DataMatrix

# Values of Code 39's characters, ISO/IEC 16388 (from memory).
_CODE39 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"


def _drawn(modules, module_px=4, bar_px=90):
    """A symbol in black on a white label with a quiet zone; modules bool (rows, columns), True is dark."""
    grid = np.asarray(modules, bool)
    tall = bar_px if len(grid) == 1 else module_px
    grey = np.where(np.kron(grid, np.ones((tall, module_px), bool)), 20, 235).astype(np.uint8)
    return np.pad(grey, 12 * module_px, constant_values=235)


def _symbol(symbology, payload):
    if symbology == "Code 128":
        return [[m == "1" for m in Code128(payload).build()[0]]]
    if symbology == "Code 39":
        return [[m == "1" for m in Code39(payload, add_checksum=False).build()[0]]]
    if symbology == "Data Matrix":
        return DataMatrix(payload).matrix
    return [list(row) for row in segno.make(payload, micro=False).matrix]


def _on_bench(label, angle_deg, scale=1.0, size=(900, 1200)):
    """A label on a grey bench, turned; the picture and the label's corners in it."""
    height, width = label.shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), angle_deg, scale)
    turn[:, 2] += (size[1] / 2 - width / 2, size[0] / 2 - height / 2)
    bench = np.random.default_rng(1).normal(120, 4, size)
    laid = cv2.warpAffine(
        label.astype(np.float64), turn, size[::-1], dst=bench, borderMode=cv2.BORDER_TRANSPARENT
    )
    corners = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)]) @ turn.T
    return np.clip(laid, 0, 255).astype(np.uint8), tuple(map(tuple, corners))


@pytest.mark.parametrize(
    ("symbology", "payload", "check"),
    [
        ("Code 128", "K44510/261", "verified"),
        ("Code 39", "K44510/261B", "none"),
        ("Data Matrix", "K44510/261", "verified"),
        ("QR", "K44510/261 B", "verified"),
    ],
)
@pytest.mark.parametrize("angle_deg", [0, 37, 118, 200])
def test_symbols_of_other_writers_are_read_on_a_turned_label(symbology, payload, check, angle_deg):
    photo, corners = _on_bench(_drawn(_symbol(symbology, payload)), angle_deg)
    (code,) = read_codes(photo, [corners], whole=False)
    assert (code.symbology, code.payload, code.check) == (symbology, payload, check)
    # Wide to narrow is 2 with this writer of Code 39 and 2.5 is assumed: a fifth; the others within 8 %.
    assert code.module_px == pytest.approx(4.0, rel=0.2 if symbology == "Code 39" else 0.08)
    centre = np.mean(code.polygon, axis=0)
    assert np.abs(centre - (600, 450)).max() < 12


def test_whole_photo_is_searched_at_any_angle():
    label = _drawn(_symbol("Code 128", "K44510/261"), module_px=3)
    for angle_deg in (20, 65, 110):
        photo, _ = _on_bench(label, angle_deg)
        assert [code.payload for code in read_codes(photo)] == ["K44510/261"]


def test_fine_bars_in_a_large_photo_are_found_and_placed():
    """Three pixels a module, 1.45 of them in the copy that is searched: they are read where stripes are."""
    label = _drawn(_symbol("Code 128", "K44510/261"), module_px=3)
    photo, corners = _on_bench(label, 20, size=(500, 3300))
    (code,) = read_codes(photo)
    assert code.payload == "K44510/261"
    # Of 90 pixels of bars: their ends are taken for the code's corners.
    assert np.abs(np.mean(code.polygon, axis=0) - np.mean(corners, axis=0)).max() < 30


def test_what_differs_or_lies_elsewhere_is_a_code_of_its_own():
    def code(payload, left, symbology="Code 128", method="first"):
        box = ((left, 0.0), (left + 80, 0.0), (left + 80, 30.0), (left, 30.0))
        return Code(box, symbology, payload, "verified", method=method)

    first, again = code("K44510/261", 0.0), code("K44510/261", 5.0, method="second")
    beside, other = code("K44510/261", 200.0), code("K58214/302", 5.0)
    matrix = code("K44510/261", 5.0, "Data Matrix")
    assert join_codes([first], [again, beside, other, matrix]) == (first, beside, other, matrix)
    assert join_codes([again, first]) == (again,)  # which was found first stays


def test_codes_on_what_is_avoided_are_left_out():
    first, a = _on_bench(_drawn(_symbol("Code 128", "K44510/261"), module_px=3), 20)
    second, _ = _on_bench(_drawn(_symbol("Code 128", "K58214/302"), module_px=3), 65)
    photo = np.vstack([first, second])
    assert [code.payload for code in read_codes(photo, avoid=[a])] == ["K58214/302"]


def test_fine_and_noisy_bars_are_still_read():
    photo, corners = _on_bench(_drawn(_symbol("Code 128", "K44510/261")), 8, scale=0.5)  # 2 px a module
    noisy = np.clip(photo + np.random.default_rng(0).normal(0, 10, photo.shape), 0, 255).astype(np.uint8)
    assert [code.payload for code in read_codes(noisy, [corners], whole=False)] == ["K44510/261"]


def test_each_code_is_given_once():
    photo, corners = _on_bench(_drawn(_symbol("QR", "K44510/261")), 0)
    assert len(read_codes(photo, [corners, corners])) == 1


def test_two_labels_give_two_codes():
    first, a = _on_bench(_drawn(_symbol("Code 128", "K44510/261")), 0)
    second, b = _on_bench(_drawn(_symbol("Data Matrix", "K58214/302")), 0)
    photo = np.vstack([first, second])
    lower = tuple((x, y + 900) for x, y in b)
    assert {code.payload for code in read_codes(photo, [a, lower])} == {"K44510/261", "K58214/302"}


def test_nothing_is_read_from_a_bench_or_a_ruler():
    bench = np.random.default_rng(0).normal(120, 20, (600, 800)).clip(0, 255).astype(np.uint8)
    assert read_codes(bench) == ()
    ruler = bench.copy()
    ruler[200:300, 100:700:12] = 0
    ruler[200:300, 101:700:12] = 0
    assert read_codes(ruler) == ()


def test_spoilt_check_character_is_not_read():
    modules = _symbol("Code 128", "K44510/261")
    modules[0][60:66] = [not m for m in modules[0][60:66]]
    photo, corners = _on_bench(_drawn(modules), 0)
    assert read_codes(photo, [corners]) == ()


def test_stripes_are_found_upright():
    photo, _ = _on_bench(_drawn(_symbol("Code 128", "K44510/261")), 30)
    box = find_stripes(photo)[0]
    across = box[1] - box[0]
    assert abs(np.degrees(np.arctan2(across[1], across[0])) + 30) % 180 < 3


@pytest.mark.parametrize(
    ("payload", "modules"),
    [
        ("12345678", 11 * 6 + 13),  # start, four pairs, check; stop is 13
        ("ABC", 11 * 5 + 13),
        ("123456789", 11 * 8 + 13),  # four pairs, a switch, one digit
        ("1234", 11 * 4 + 13),  # start, two pairs, check
        ("AB123C", 11 * 8 + 13),  # three digits are not worth two switches
    ],
)
def test_width_of_code128_in_modules(payload, modules):
    assert count_modules("Code 128", payload) == modules


@pytest.mark.parametrize("slant", [-0.1, 0.1])
def test_long_code_in_perspective_is_read(slant):
    # Bars stay upright while the rows run downhill by more than the bars' height: no level line crosses all.
    label = _drawn(_symbol("Code 128", "K44510/261"), module_px=6, bar_px=40)
    height, width = label.shape
    rise = round(abs(slant) * width)
    assert abs(slant) * (width - 144) > 40  # 144: the quiet zones
    shear = np.float32([[1, 0, 0], [slant, 1, rise if slant < 0 else 0]])
    laid = cv2.warpAffine(label, shear, (width, height + rise), borderValue=120)
    corners = ((0, 0), (width, 0), (width, height + rise), (0, height + rise))
    (code,) = read_codes(laid, [corners], whole=False)
    assert code.payload == "K44510/261"
    middle = np.mean(code.polygon, axis=0)
    assert np.abs(middle - (width / 2, (height + rise) / 2)).max() < 25


def test_scratched_pale_and_half_shaded_bars_are_read_by_their_mean():
    """Of labels in the train split, close up or on a back: those of which no single scan line is decoded."""
    averaged = 0
    for row in read_rows(demo_folder(), "train"):
        shown = row["view"] in ("label", "back") and len(row["units"]) == 1
        codes = row["units"][0]["codes"] if shown else []
        for truth in codes:
            if truth["symbology"] not in ("Code 128", "Code 39") or truth["visible"] < 1:
                continue
            corners = np.float32(truth["polygon"])
            around = corners.mean(axis=0) + 1.3 * (corners - corners.mean(axis=0))
            photo = decode_photo((demo_folder() / row["photo"]).read_bytes(), name=row["id"])
            for code in read_codes(photo.grey, [tuple(map(tuple, around))], whole=False):
                if "averaged along the bars" in code.method:
                    averaged += 1
                    assert code.payload == truth["payload"], row["id"]
                    # Of the length of the bars' side: their ends are taken for its corners. 1 in 13.6 of it
                    # on a label seen aslant on a back.
                    length = np.linalg.norm(corners[1] - corners[0])
                    away = np.linalg.norm(np.mean(code.polygon, axis=0) - corners.mean(axis=0))
                    assert away < length / 13, row["id"]
    assert averaged


@pytest.mark.parametrize("module_px", [9, 16])
def test_a_matrix_code_of_dots_with_gaps_is_read(module_px):
    modules = np.asarray(_symbol("Data Matrix", "K44510/261"), bool)
    label = np.full(np.multiply(modules.shape, module_px), 225, np.uint8)
    for y, x in np.argwhere(modules):
        middle = (int((x + 0.5) * module_px), int((y + 0.5) * module_px))
        cv2.circle(label, middle, round(0.36 * module_px), 40, -1)
    label = np.pad(label, 4 * module_px, constant_values=225)
    height, width = label.shape
    (code,) = read_codes(label, [((0, 0), (width, 0), (width, height), (0, height))])
    assert code.payload == "K44510/261"
    assert "dots" in code.method


def test_six_characters_that_could_be_code32_are_read_as_printed():
    """Asked for Code 39, the reader turns some payloads of six characters into digits (Code 32)."""
    label = _drawn(_symbol("Code 39", "0DQTL6"))
    assert [(code.symbology, code.payload) for code in read_codes(label)] == [("Code 39", "0DQTL6")]


@pytest.mark.parametrize(
    ("symbology", "payload", "read"),
    [
        ("Code 39", "K4", False),
        ("Code 39", "K44", False),
        ("Code 39", "K445", True),
        ("Code 128", "K4", True),
    ],
)
def test_two_signs_without_a_check_may_be_a_piece_of_a_longer_code(symbology, payload, read):
    label = _drawn(_symbol(symbology, payload))
    height, width = label.shape
    corners = ((0, 0), (width, 0), (width, height), (0, height))
    for codes in (read_codes(label), read_codes(label, [corners])):
        assert [code.payload for code in codes] == [payload] * read


@pytest.mark.parametrize("as_label", [True, False])
def test_a_code_of_a_kind_that_is_not_read_stops_nothing(as_label):
    # The decoder, asked for QR, gives Micro QR too.
    small = _drawn([list(row) for row in segno.make_micro("K12").matrix], module_px=8)
    height, width = small.shape
    outline = ((0, 0), (width, 0), (width, height), (0, height))
    assert read_codes(small, [outline] if as_label else []) == ()
    other = _drawn(_symbol("Data Matrix", "K44510/261"), module_px=8)
    tall = np.full((other.shape[0], width), 235, np.uint8)
    tall[:height] = small[: len(tall)]
    (code,) = read_codes(np.hstack([tall, other]))
    assert code.payload == "K44510/261"


@pytest.mark.parametrize("symbology", ["QR", "Data Matrix"])
@pytest.mark.parametrize("angle_deg", [0, 20])
def test_a_matrix_code_that_fills_its_label_is_read_and_placed(symbology, angle_deg):
    label = _drawn(_symbol(symbology, "K44510/261"), module_px=5)[60:-60, 60:-60]  # without its quiet zone
    photo, corners = _on_bench(label, angle_deg)
    photo[photo > 90] = np.where(photo[photo > 90] < 160, 30, photo[photo > 90])  # a bench as dark as print
    (code,) = read_codes(photo, [corners])
    assert (code.symbology, code.payload) == (symbology, "K44510/261")
    assert "quiet zone" in code.method
    off = np.abs(np.asarray(code.polygon) - np.asarray(corners)).max()
    assert off < 5  # a module


def _with_a_broken_finder(payload, corner, shade=235, module_px=4):
    """A QR code of which half of the finder pattern in one corner (0 to 2) is painted over."""
    label = _drawn(_symbol("QR", payload), module_px)
    size = len(_symbol("QR", payload))
    top, left = ((0, 0), (0, size - 7), (size - 7, 0))[corner]
    y, x = ((12 + at) * module_px for at in (top, left))
    label[y + 2 * module_px : y + 5 * module_px, x : x + 7 * module_px] = shade
    return label


# Each corner at each angle, and each payload with each of both.
@pytest.mark.parametrize(
    ("corner", "angle_deg", "payload"),
    [
        (corner, angle_deg, f"K44510/261 B{' OF THE THIRD SERIES, TESTED AND PASSED' * ((corner + k) % 2)}")
        for corner in range(3)
        for k, angle_deg in enumerate((0, 37, 200))
    ],
)
def test_a_qr_code_is_read_of_which_a_finder_pattern_is_broken(corner, angle_deg, payload):
    label = _with_a_broken_finder(payload, corner)
    photo, corners = _on_bench(label, angle_deg)
    (code,) = read_codes(photo, [corners], whole=False)
    assert (code.symbology, code.payload, code.check) == ("QR", payload, "verified")
    assert "painted anew" in code.method
    # Where the whole code lies, to within a module and a half: it is placed by two patterns.
    whole, same = _on_bench(_drawn(_symbol("QR", payload)), angle_deg)
    (expected,) = read_codes(whole, [same], whole=False)
    assert np.abs(np.mean(code.polygon, axis=0) - np.mean(expected.polygon, axis=0)).max() < 6


def test_a_dirty_finder_pattern_is_read_in_perspective():
    label = _with_a_broken_finder("K44510/261", 1, shade=60, module_px=6)
    height, width = label.shape
    seen = np.float32([(30, 8), (width - 12, 0), (width, height), (0, height - 24)])
    laid = cv2.warpPerspective(
        label,
        cv2.getPerspectiveTransform(np.float32([(0, 0), (width, 0), (width, height), (0, height)]), seen),
        (width, height),
        borderValue=120,
    )
    outline = ((0, 0), (width, 0), (width, height), (0, height))  # not levelled by its own corners
    (code,) = read_codes(laid, [outline], whole=False)
    assert code.payload == "K44510/261"


def test_nothing_is_read_where_two_finder_patterns_are_broken_or_many_things_look_like_one():
    label = _with_a_broken_finder("K44510/261", 1)
    label[48:76, 48:60] = 235
    height, width = label.shape
    assert read_codes(label, [((0, 0), (width, 0), (width, height), (0, height))]) == ()
    many = np.full((600, 600), 225, np.uint8)
    for x, y in ((37 + 75 * column, 37 + 75 * row) for row in range(8) for column in range(8)):
        for reach, shade in ((28, 30), (20, 225), (12, 30)):
            cv2.rectangle(many, (x - reach, y - reach), (x + reach, y + reach), shade, -1)
    assert read_codes(many, [((0, 0), (600, 0), (600, 600), (0, 600))]) == ()
