"""What counts as seen right on a real photograph, on made-up observations and annotations."""

import pytest
from plugface.cli.evaluation.measure_real import (
    is_front_right,
    normalised_hash,
    read_truth,
    score_real,
    score_written,
)
from plugface.cli.evaluation.measure_vision import Tally
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import (
    SIZE_CLASSES,
    Connector,
    Observations,
    Quality,
    Text,
    Unit,
    WhiteBalance,
)


def _box(x, y, width, height):
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


OUTLINE = _box(100, 100, 800, 600)
PLACES = [_box(150, 200, 200, 80), _box(400, 200, 200, 80), _box(650, 200, 200, 80)]


def plug(polygon, code, chance=0.95):
    rest = (1 - chance) / 11
    colours = {c: chance if c == code else rest for c in COLOUR_CODES}
    return Connector(polygon, colours, dict.fromkeys(SIZE_CLASSES, 1 / 3), 0.25, 0.9)


def observed(plugs=(), units=1, texts=()):
    quality = Quality(width_px=1000, height_px=800, median_luma=0.4, burnt_share=0.0, blur_px=0.5)
    unit = Unit(OUTLINE, 0.95, {"front": 0.9, "back": 0.1}, connectors=tuple(plugs), texts=tuple(texts))
    return Observations("0" * 64, quality, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0), (unit,) * units)


def annotated(codes, **more):
    plugs = [
        {"polygon": PLACES[i], "colour": code, "sure": True, "unit": 0, "order": i}
        for i, code in enumerate(codes)
    ]
    return {"id": "x", "view": "face", "units": [{"polygon": OUTLINE, "sure": True}], "plugs": plugs} | more


def counts(seen, row):
    tally = Tally()
    score_real(seen, row, tally)
    return tally.counts


def test_a_whole_front_is_right():
    got = counts(observed([plug(PLACES[0], "BK"), plug(PLACES[1], "GY")]), annotated(["BK", "GY"]))
    assert (got["plug hit 0.5"], got["plug true"], got["plug found 0.5"]) == (2, 2, 2)
    assert (got["front right"], got["unit recalled"], got["colour right"]) == (1, 1, 2)


def test_a_plug_that_a_person_could_argue_about_counts_neither_way():
    row = annotated(["BK", "GY"])
    row["plugs"][1]["sure"] = False
    with_it = counts(observed([plug(PLACES[0], "BK"), plug(PLACES[1], "GY")]), row)
    without = counts(observed([plug(PLACES[0], "BK")]), row)
    for got in (with_it, without):
        assert (got["plug hit 0.5"], got["plug true"], got["plug found 0.5"]) == (1, 1, 1)
        assert "front true" not in got


def test_a_label_called_a_plug_is_counted_as_a_lure():
    row = annotated(["BK"], lures=[{"polygon": PLACES[2], "what": "label"}])
    got = counts(observed([plug(PLACES[0], "BK"), plug(PLACES[2], "WH")]), row)
    assert (got["lure called a plug"], got["no plug called a plug"], got["front right"]) == (1, 1, 0)
    assert (got["plug hit 0.5"], got["plug found 0.5"]) == (1, 2)


def test_a_colour_wrong_with_more_than_nine_tenths_is_sure_and_wrong():
    row = annotated(["BK", "GY"])
    got = counts(observed([plug(PLACES[0], "BU", 0.95), plug(PLACES[1], "WH", 0.6)]), row)
    assert (got["colour asked"], got["colour right"], got["colour sure and wrong"]) == (2, 0, 1)


def test_half_an_overlap_passes_the_loose_measure_alone():
    moved = _box(150 + 80, 200, 200, 80)  # IoU 120 / 280 = 0.43
    got = counts(observed([plug(moved, "BK")]), annotated(["BK"]))
    assert (got["plug hit 0.5"], got["plug hit 0.3"]) == (0, 1)


def test_a_photo_without_any_unit_is_a_negative():
    row = {"id": "n", "view": "none", "units": [], "plugs": []}
    assert counts(observed(), row) == {"negatives": 1, "negatives with a unit": 1}
    assert counts(observed(units=0), row) == {"negatives": 1, "negatives with a unit": 0}


@pytest.mark.parametrize(("found", "right"), [((0, 1, 2), True), ((2, 1, 0), True), ((1, 0, 2), False)])
def test_order_is_right_from_either_end(found, right):
    codes = ["BK", "GY", "BK"]
    unit = observed([plug(PLACES[i], codes[i]) for i in found]).units[0]
    assert is_front_right(unit, annotated(codes)["plugs"]) is right


def test_lines_are_compared_by_their_hash_alone():
    text = Text(_box(200, 300, 90, 20), "ab-12 3", 0.9, "printed", 20.0)
    lines = [
        {"polygon": [], "kind": "printed", "height_px": 20.0, "sha256": normalised_hash("AB123")},
        {"polygon": [], "kind": "printed", "height_px": 9.0, "sha256": normalised_hash("small")},
        {"polygon": [], "kind": "cast", "height_px": 9.0, "sha256": normalised_hash("cast")},
    ]
    tally = Tally()
    score_written(observed(texts=[text]), {"lines": lines}, tally)
    assert tally.counts == {
        "printed line": 1,
        "printed line whole": 1,
        "printed line in a row": 1,
        "raised line": 1,
        "raised line whole": 0,
        "raised line in a row": 0,
    }


@pytest.mark.parametrize(
    ("wanted", "counted"), [("AB123", 1), ("AB123 REV C", 1), ("B123", 0), ("AB", 0), ("REV AB123", 0)]
)
def test_a_line_may_be_whole_words_of_a_row_that_was_read(wanted, counted):
    text = Text(_box(200, 300, 90, 20), "UNIT AB123 REV C", 0.9, "printed", 20.0)
    line = {"polygon": [], "kind": "printed", "height_px": 20.0, "sha256": normalised_hash(wanted)}
    tally = Tally()
    score_written(observed(texts=[text]), {"lines": [line]}, tally)
    assert (tally.counts["printed line whole"], tally.counts["printed line in a row"]) == (0, counted)


def test_truth_is_read_from_a_file_or_a_folder(tmp_path):
    (tmp_path / "truth.jsonl").write_text(
        '{"id": "a", "split": "test"}\n\n{"id": "b", "split": "train"}\n', encoding="utf-8"
    )
    assert [row["id"] for row in read_truth(tmp_path / "truth.jsonl", "test")] == ["a"]
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "c.json").write_text('{"id": "c"}', encoding="utf-8")
    assert [row["id"] for row in read_truth(tmp_path / "folder", ids={"c", "d"})] == ["c"]
