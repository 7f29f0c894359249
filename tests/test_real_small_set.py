"""The small committed set of real photographs: what is blurred stays blurred, and all is allowed."""

import json

import numpy as np
import pytest
from PIL import Image
from plugface.demo.real.records import find_faults, read_index, read_truth
from plugface.demo.real.small_set import (
    BLURRED,
    FOLDER,
    FREE,
    LONG_SIDE,
    NOTICES,
    PHOTOS,
    SMALL_TRUTH,
    SOURCES,
    Notice,
    blur,
    make,
    scale_truth,
    shrink,
    write_sources,
)

INDEX = {row.id: row for row in read_index()}
SMALL = read_truth(SMALL_TRUTH)
BOXES = json.loads(BLURRED.read_text(encoding="utf-8"))
NAMES = sorted(path.stem for path in PHOTOS.iterdir())


def stripes():
    """Stripes of one pixel: the finest that a photo can hold."""
    return Image.fromarray(np.uint8(np.indices((60, 90))[1] % 2 * 255)).convert("RGB")


def test_nothing_fine_lives_through_a_blurred_box_and_the_rest_is_as_it_was():
    before, box = stripes(), (20, 10, 70, 40)
    after = np.int16(blur(before, [box]))
    inside = after[10:40, 20:70]
    assert inside.max() - inside.min() < 40  # of 255
    outside = np.ones(after.shape[:2], bool)
    outside[10:40, 20:70] = False
    assert (after[outside] == np.int16(before)[outside]).all()


@pytest.mark.parametrize("box", [(20, 10, 91, 40), (20, 40, 70, 40), (-1, 0, 5, 5)])
def test_a_box_beside_the_picture_is_refused(box):
    with pytest.raises(ValueError, match="does not lie within 90 x 60"):
        blur(stripes(), [box])


def test_lines_and_codes_under_a_box_go_and_plugs_stay():
    under, free = [[20, 10], [60, 10], [60, 20], [20, 20]], [[20, 40], [60, 40], [60, 50], [20, 50]]
    row = {"id": "x", "units": [], "lures": []}
    row["plugs"] = [{"polygon": under}]
    row["lines"] = [{"polygon": under, "height_px": 10.0}, {"polygon": free, "height_px": 10.0}]
    row["codes"] = [{"polygon": under, "module_px": 3.0}, {"polygon": free, "module_px": None}]
    small = scale_truth(row, 0.5, [(50, 0, 90, 30)])
    halved = [[10, 20], [30, 20], [30, 25], [10, 25]]
    assert small["lines"] == [{"polygon": halved, "height_px": 5.0}]
    assert small["codes"] == [{"polygon": halved, "module_px": None}]
    assert small["plugs"] == [{"polygon": [[10, 5], [30, 5], [30, 10], [10, 10]]}]


def test_only_large_photos_are_made_smaller():
    small, scale = shrink(Image.new("RGB", (2 * LONG_SIDE, 300)))
    assert (small.size, scale) == ((LONG_SIDE, 150), 0.5)
    assert shrink(Image.new("RGB", (90, 60)))[1] == 1.0


def test_the_set_is_whole_and_small_enough():
    assert NAMES == sorted(BOXES) == sorted(SMALL)
    assert sum(INDEX[name].kind not in ("board", "negative") for name in NAMES) >= 40
    assert sum(INDEX[name].kind == "negative" for name in NAMES) >= 10
    assert sum(path.stat().st_size for path in PHOTOS.iterdir()) <= 6 * 2**20


def test_only_test_photos_that_may_be_handed_on_are_in_it_and_each_is_named():
    sources, notices = SOURCES.read_text(encoding="utf-8"), json.loads(NOTICES.read_text(encoding="utf-8"))
    for name in NAMES:
        row = INDEX[name]
        assert row.split == "test"
        assert row.licence in FREE
        assert f"`photos/{name}.jpg` | `{row.blob}`" in sources
        assert notices[row.repository]["authors"] in sources
        if row.licence.startswith(("MIT", "BSD")):  # their notice goes with every copy
            licence = FOLDER / "licences" / f"{row.repository.replace('/', '+')}.txt"
            assert len(licence.read_text(encoding="utf-8")) > 500
    assert (
        write_sources([INDEX[name] for name in NAMES], {k: Notice(**v) for k, v in notices.items()})
        == sources
    )


@pytest.mark.parametrize("name", NAMES)
def test_a_photo_is_as_its_truth_says(name):
    picture = Image.open(PHOTOS / f"{name}.jpg")
    row = SMALL[name]
    assert picture.size == (row["width"], row["height"])
    assert max(picture.size) <= LONG_SIDE
    assert not picture.getexif()
    assert find_faults(row, *picture.size) == []
    full = INDEX[name]
    scale = picture.width / full.width
    for x0, y0, x1, y1 in BOXES[name]:
        # A blurred box has no fine grain: neighbours hardly differ away from its edges.
        part = np.int16(picture.convert("L").crop((x0 * scale, y0 * scale, x1 * scale, y1 * scale)))
        middle = part[4:-4, 4:-4]
        if middle.size:
            assert np.abs(np.diff(middle, axis=1)).mean() < 4.0


def test_a_photo_that_is_not_there_is_a_line(tmp_path, monkeypatch):
    where = "plugface.demo.real.small_set"
    for name in ("PHOTOS", "SMALL_TRUTH", "SOURCES"):
        monkeypatch.setattr(f"{where}.{name}", tmp_path / name)
    blurred = tmp_path / "blurred.json"
    blurred.write_text(json.dumps({NAMES[0]: [], "z9999": []}), encoding="utf-8")
    monkeypatch.setattr(f"{where}.BLURRED", blurred)
    faults = make(PHOTOS.with_name("no such folder"))
    assert len(faults) == 2
    assert "bring it first" in faults[0]
    assert faults[1].startswith("z9999: ")
