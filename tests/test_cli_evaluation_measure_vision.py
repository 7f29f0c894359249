"""What counts as a front seen right, on made-up observations and truth."""

import numpy as np
import pytest
from plugface.cli.evaluation.measure_vision import (
    LARGE,
    Seconds,
    Tally,
    main,
    measure,
    models_of,
    read_rows,
    score_photo,
    table,
)
from plugface.cli.settings import demo_folder
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.segmenter import N_AUGMENTATIONS, NetworkSegmenter
from plugface.vision.observations import SIZE_CLASSES, Connector, Observations, Quality, Unit, WhiteBalance

_QUALITY = Quality(width_px=1000, height_px=800, median_luma=0.4, burnt_share=0.0, blur_px=0.5)
_BALANCE = WhiteBalance((1.0, 1.0, 1.0), "none", 0.0)


def _box(x: float, y: float, width: float, height: float):
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


OUTLINE = _box(100, 100, 800, 600)
PLACES = [_box(150, 200, 200, 80), _box(400, 200, 200, 80), _box(650, 200, 200, 80)]


def plug(place: int, colour: str, *, broken: bool = False) -> Connector:
    colours = {code: 0.95 if code == colour else 0.05 / 11 for code in COLOUR_CODES}
    sizes = dict.fromkeys(SIZE_CLASSES, 1 / 3)
    return Connector(PLACES[place], colours, sizes, 0.25, 0.9, broken=broken)


def score(
    plugs: list[Connector], *, missing: int | None = None, other_order=None, codes=("GN", "BN", "BK")
) -> tuple[dict, list[str]]:
    """Counts and words for a unit with three sockets, green, brown and black; one may have broken off."""
    unit = Unit(OUTLINE, 0.95, {"front": 0.9, "back": 0.1}, connectors=tuple(plugs), other_order=other_order)
    sockets = [
        {"index": i, "colour": code, "size": "M", "pins": [2, 7], "polygon": PLACES[i], "visible": 1.0}
        | {"missing": i == missing, "mated": False}
        for i, code in enumerate(codes)
    ]
    truth = {"unit_id": "U1", "polygon": OUTLINE, "visible": 1.0, "face": "front", "connectors": sockets}
    tally = Tally()
    words = score_photo(Observations("0" * 64, _QUALITY, _BALANCE, (unit,)), {"units": [truth]}, tally)
    return tally.counts, words


def test_count_order_and_colours_make_a_front_right():
    counts, words = score([plug(0, "GN"), plug(1, "BN"), plug(2, "BK")])
    assert (counts["front right"], counts["connector hit"], words) == (1, 3, [])


@pytest.mark.parametrize(
    ("plugs", "wrong"),
    [
        ([plug(0, "GN"), plug(1, "BN")], "1 plug(s) not found"),
        ([plug(0, "GN"), plug(1, "BN"), plug(2, "GY")], "BK taken for GY (0.95)"),
        ([plug(1, "BN"), plug(0, "GN"), plug(2, "BK")], "order [1, 0, 2]"),
    ],
)
def test_one_slip_makes_it_wrong(plugs, wrong):
    counts, words = score(plugs)
    assert counts["front right"] == 0
    assert words == [wrong]


def test_white_plugs_are_counted_apart():
    counts, _ = score([plug(0, "WH"), plug(1, "GY"), plug(2, "WH")], codes=("WH", "WH", "BK"))
    assert (counts["colour asked"], counts["white asked"], counts["white right"]) == (3, 2, 1)


def test_a_stump_is_to_be_told_and_is_no_plug():
    told, words = score([plug(0, "GN"), plug(1, "BN", broken=True), plug(2, "BK")], missing=1)
    assert (told["front right"], told["stub told"], told["stub seen"], words) == (1, 1, 0, [])
    taken, words = score([plug(0, "GN"), plug(1, "BN"), plug(2, "BK")], missing=1)
    assert (taken["front right"], taken["stub told"], taken["stub seen"]) == (0, 0, 1)
    assert taken["front right but for stubs"] == 1
    # A whole socket that is called broken is a plug that was not found.
    lost, words = score([plug(0, "GN"), plug(1, "BN", broken=True), plug(2, "BK")])
    assert (lost["front right"], words) == (0, ["1 plug(s) not found"])


def test_both_readings_kept_is_counted_apart_whatever_is_broken():
    counts, _ = score(
        [plug(2, "BK"), plug(1, "BN", broken=True), plug(0, "GN")], missing=1, other_order=(2, 1, 0)
    )
    assert counts["front right"] == 0
    assert counts["front right or both readings kept"] == 1


def test_large_photos_of_one_unit_are_timed_apart(monkeypatch):
    def large(row):
        return row["width"] * row["height"] >= LARGE

    of_test = read_rows(demo_folder(), "test")
    rows = [
        next(row for row in of_test if large(row) == is_large and (len(row["units"]) > 1) == several)
        for is_large, several in ((False, False), (True, False), (True, True))
    ]
    nothing = Observations("0" * 64, _QUALITY, _BALANCE)
    monkeypatch.setattr("plugface.cli.evaluation.measure_vision.observe", lambda photo, **_: nothing)
    seconds = measure(demo_folder(), rows)[3]
    assert (len(seconds.all), len(seconds.large)) == (
        3,
        1,
    )  # neither the small nor the crowded one


def test_what_was_not_timed_has_no_median():
    rows = dict(table(Tally(), Tally(), Seconds([1.0, 2.0, 6.0], [])))
    assert rows["median seconds a photo"] == 2.0
    assert np.isnan(rows["median seconds a photo of 12 megapixels, one unit"])


def test_numbers_of_looks_stand_side_by_side(monkeypatch, capsys):
    asked = []

    def see(photo, *, read_text, models):
        asked.append(models.segmenter.augmentations)
        return Observations(photo.sha256, _QUALITY, _BALANCE)

    monkeypatch.setattr("plugface.cli.evaluation.measure_vision.observe", see)
    monkeypatch.setattr(
        "sys.argv", ["measure_vision", "--split", "train", "--most", "2", "--augmentations", "4", "1"]
    )
    main()
    assert asked == [4, 1, 4, 1]  # in turn, so that both are timed on the same busy machine
    heads = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert [head[-2:] for head in heads if "augmentations" in head] == [["4", "1"]]


def test_other_networks_are_looked_with_so_often(tmp_path):
    for name in ("segmenter.onnx", "cast_reader.onnx"):
        (tmp_path / name).touch()
    assert models_of(tmp_path, 2).segmenter == NetworkSegmenter(tmp_path / "segmenter.onnx", 2)
    assert models_of(tmp_path, None).segmenter.augmentations == N_AUGMENTATIONS
    assert models_of(None, None) is None
