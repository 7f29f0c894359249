"""The scores of reading count what was asked and what was right."""

import pytest
from plugface.cli.evaluation.measure_text import score_marks, score_photo, score_suffixes
from plugface.cli.settings import default_catalogue
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import strings_of
from plugface.vision.observations import Code, Text

_BOX = ((0.0, 0.0), (9.0, 0.0), (9.0, 2.0), (0.0, 2.0))


def _row(number="K44510/261", suffix="B", height=20.0, visible=1.0):
    def text(kind, role, value):
        return {
            "kind": kind,
            "role": role,
            "value": value,
            "height_px": height,
            "visible": visible,
            "polygon": [list(point) for point in _BOX],
        }

    texts = [
        text("printed", "service number", "K44510/261"),
        text("printed", "suffix", suffix),
        text("cast", "mark", "DUNLIN 6"),
    ]
    codes = [{"symbology": "Code 128", "payload": number, "module_px": 2.5, "visible": visible}]
    return {"units": [{"service_number": number, "suffix": suffix, "texts": texts, "codes": codes}]}


def _text(value, kind="printed"):
    return Text(_BOX, value, 0.9, kind, 20.0)


def _sums(row, texts, codes=()):
    scores = score_photo(row, list(texts), list(codes))
    return {k: (sum(r for r, _ in v), sum(a for _, a in v)) for k, v in scores.items()}


def test_everything_right():
    code = Code(_BOX, "Code 128", "K44510/261", "verified")
    sums = _sums(_row(), [_text("K44510/261"), _text("REV B"), _text("DUNLIN 6", "cast")], [code])
    assert sums["number, large print"] == (1, 1)
    assert sums["suffix, large print"] == (1, 1)
    assert sums["mark, whole"] == (1, 1)
    assert sums["mark, characters"] == (7, 7)
    assert sums["mark, characters, 12 to 24 px"] == (7, 7)
    assert sums["code, large modules"] == (1, 1)
    assert sums["codes that are wrong"] == (0, 1)


def test_wrong_readings_do_not_count():
    code = Code(_BOX, "Code 128", "K44510/264", "verified")
    sums = _sums(_row(height=8.0), [_text("K44510/281"), _text("REV C"), _text("DUNLIN G", "cast")], [code])
    assert sums["number, small print"] == (0, 1)
    assert sums["suffix, small print"] == (0, 1)
    assert sums["mark, whole"] == (0, 1)
    assert sums["mark, characters"] == (6, 7)
    assert sums["code, large modules"] == (0, 1)
    assert sums["codes that are wrong"] == (1, 1)


def test_what_is_out_of_view_is_not_asked_for():
    sums = _sums(_row(visible=0.5), [])
    assert set(sums) == {"codes that are wrong"}


@pytest.mark.parametrize(
    ("read", "right"),
    [(["DUNLIN 6"], True), (["DUNLING"], True), (["DUNLIN 1"], False), (["B"], False), ([], False)],
)
def test_a_mark_is_matched_where_the_right_one_fits_best(read, right):
    marks = strings_of([("DUNLIN 1", 0), ("DUNLIN 6", 1), ("KNOT 40", 2)])
    texts = [_text(value, "cast") for value in read]
    assert score_marks(_row(), texts, marks, default_model().noise) == [("12 to 24 px", right)]


def test_what_is_read_elsewhere_matches_no_mark():
    far = tuple((x + 400, y) for x, y in _BOX)
    marks = strings_of([("DUNLIN 1", 0), ("DUNLIN 6", 1)])
    noise = default_model().noise
    assert score_marks(_row(), [Text(far, "DUNLIN 6", 0.9, "cast", 20.0)], marks, noise) == [
        ("12 to 24 px", False)
    ]
    first = strings_of(
        [("DUNLIN 6", 0), ("DUNLIN 1", 1)]
    )  # nothing read fits the first as little as any other
    assert score_marks(_row(), [], first, noise) == [("12 to 24 px", False)]
    assert score_marks(_row(), [], strings_of([("AUK 11", 0)]), noise) == []


@pytest.mark.parametrize(
    ("lines", "right"),
    [
        (["K44510/261", "REV B"], [True]),
        (["REV C"], [False]),
        (["K44510/261"], []),
        (["C"], []),  # by itself it may be anything
        (["REV K7"], []),  # no suffix of this maker
        (["REV B", "REV C"], [True, False]),
    ],
)
def test_suffixes_count_where_they_were_read(lines, right):
    families = load_catalogue(default_catalogue()).by_key
    unit = {"family": "DUNLIN 6", "suffix": "B"}
    row = {"sha256": "0" * 64, "units": [unit]}
    texts = [_text(line, "printed") for line in lines]
    assert score_suffixes(row, texts, families) == right
    assert score_suffixes(row | {"units": [unit, unit]}, texts, families) == []
    assert score_suffixes(row | {"units": [unit | {"family": "SEDGE"}]}, texts, families) == []
