"""The helper for annotating: what it keeps, what it refuses, and that nothing in clear stays."""

import hashlib
import json

import pytest
from PIL import Image
from plugface.demo.real.annotate import main

SQUARE = [[10, 10], [50, 10], [50, 30], [10, 30]]


@pytest.fixture
def folders(tmp_path):
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in ("p1", "p2"):
        Image.new("RGB", (100, 80), "grey").save(photos / f"{name}.png")
    return ["--photos", str(photos), "--annotations", str(tmp_path / "ann")]


def put(tmp_path, folders, *annotations):
    file = tmp_path / "given.json"
    file.write_text(json.dumps(list(annotations)))
    main(["put", str(file), *folders, "--clear", str(tmp_path / "clear")])


def test_what_is_written_goes_apart_and_hashes_stay(tmp_path, folders):
    line = {"polygon": SQUARE, "kind": "printed", "text": "Grey gull 7"}
    code = {"polygon": SQUARE, "symbology": "QR Code", "module_px": 3.0, "payload": "gull/7"}
    put(tmp_path, folders, {"id": "p1", "view": "label", "lines": [line], "codes": [code]})
    kept = (tmp_path / "ann" / "p1.json").read_text()
    assert "gull" not in kept.lower()
    row = json.loads(kept)
    assert row["lines"][0]["sha256"] == hashlib.sha256(b"GREYGULL7").hexdigest()
    assert (row["lines"][0]["length"], row["lines"][0]["height_px"]) == (9, 20.0)
    assert row["codes"][0]["sha256"] == hashlib.sha256(b"GULL7").hexdigest()
    assert json.loads((tmp_path / "clear" / "p1.json").read_text()) == {
        "lines": ["Grey gull 7"],
        "codes": ["gull/7"],
    }


def test_a_wrong_one_is_a_line_and_the_other_is_kept(tmp_path, folders, capsys):
    outside = {"id": "p1", "view": "face", "plugs": [{"polygon": [[0, 0], [120, 0], [9, 9]], "colour": "GY"}]}
    beside = {"id": "p2", "view": "face", "units": [{"polygon": [[-1, 0], [100.5, 0], [9, 80]]}]}
    missing = {"id": "p3", "view": "none"}
    with pytest.raises(SystemExit) as leaving:
        put(tmp_path, folders, outside, beside, missing)
    assert leaving.value.code == 1
    said = capsys.readouterr().out
    assert "p1: not kept. plugs[0]: a corner lies outside the picture of 100 x 80" in said
    assert "p3: not kept." in said
    assert "1 of 3 kept" in said
    assert [path.name for path in (tmp_path / "ann").iterdir()] == ["p2.json"]
    assert json.loads((tmp_path / "ann" / "p2.json").read_text())["units"][0]["polygon"] == [
        [0, 0],
        [100, 0],
        [9, 80],
    ]


def test_grid_outlines_and_sheet_are_drawn(tmp_path, folders):
    put(tmp_path, folders, {"id": "p1", "view": "face", "plugs": [{"polygon": SQUARE, "colour": "GY"}]})
    photos, (grid, over, sheet) = folders[:2], [str(tmp_path / f"{name}.png") for name in "gos"]
    main(["show", "p1", *photos, "--out", grid, "--box", "20", "20", "60", "60"])
    main(["overlay", "p1", *folders, "--out", over])
    main(["sheet", "p1", *folders, "--out", sheet])
    plain = (128, 128, 128)
    for path in (grid, over, sheet):
        colours = {colour for _, colour in Image.open(path).convert("RGB").getcolors(1 << 24)}
        assert plain in colours
        assert len(colours) > 1
    # The upper edge of the plug, 12 times as large: red.
    red = Image.open(over).getpixel((30 * 12, 10 * 12))
    assert red[0] > 200 > 60 > red[1]


def test_a_photo_that_is_not_there_is_said(tmp_path, folders):
    with pytest.raises(SystemExit, match="bring it first"):
        main(["show", "p9", *folders[:2], "--out", str(tmp_path / "g.png")])
