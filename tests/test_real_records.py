"""The index and the truth of the real photographs: nothing astray, nothing told that must not be."""

import json
import re
from collections import defaultdict

import pytest
from plugface.demo.real.collect import may_train
from plugface.demo.real.records import (
    COLOURS,
    INDEX,
    LISTS,
    NEAR_BITS,
    PARTED_AUTHORS,
    THINGS,
    THINGS_ALONE,
    THINGS_INDEX,
    TRUTH,
    IndexRow,
    find_faults,
    find_parted_authors,
    hash_distance,
    near_across_splits,
    normalised,
    read_doubts,
    read_index,
    read_truth,
    with_doubts,
)
from plugface.vision.colour_table import COLOUR_CODES

ROWS, TRUE = read_index(), read_truth()
#: Every field of a truth row and of its items; a text in clear has no place here.
FIELDS = {"id", "split", "kind", "view", *LISTS}
ITEM_FIELDS = {
    "units": {"polygon", "cut_off", "sure"},
    "plugs": {"polygon", "colour", "mated", "cut_off", "sure", "unit", "order"},
    "lines": {"polygon", "kind", "height_px", "length", "sha256"},
    "codes": {"polygon", "symbology", "module_px", "sha256"},
    "lures": {"polygon", "what"},
}
WHATS = {"label", "recess", "lid", "ear", "vent", "screw", "switch", "other"}
SYMBOLOGY = re.compile(r"[A-Za-z0-9 /+-]{2,24}")


def row(**changes):
    usual = {
        "id": "x1", "repository": "some/one", "commit": "a" * 40, "blob": "b" * 40, "path": None,
        "licence": "MIT", "width": 100, "height": 80, "phash": "0" * 16, "split": "train", "group": "g1",
        "kind": "module",
    }  # fmt: skip
    return IndexRow(**usual | changes)


def test_every_id_is_in_both_files_once():
    assert len({row.id for row in ROWS}) == len(ROWS)
    assert len(TRUE) == len(TRUTH.read_text(encoding="utf-8").splitlines())
    assert {row.id for row in ROWS} == set(TRUE)
    assert all(TRUE[row.id]["split"] == row.split and TRUE[row.id]["kind"] == row.kind for row in ROWS)


def test_every_polygon_lies_within_its_picture_in_whole_pixels():
    faults = {row.id: find_faults(TRUE[row.id], row.width, row.height) for row in ROWS}
    assert not {name: found for name, found in faults.items() if found}
    corners = [
        xy for true in TRUE.values() for name in LISTS for item in true[name] for xy in item["polygon"]
    ]
    assert all(type(value) is int for xy in corners for value in xy)


def test_a_group_and_a_repository_lie_in_one_split():
    splits = defaultdict(set)
    for row in ROWS:
        splits[row.group].add(row.split)
        splits[row.repository].add(row.split)
    assert not {name: found for name, found in splits.items() if len(found) > 1}


def test_an_author_lies_in_one_split_and_group():
    assert find_parted_authors(ROWS) == PARTED_AUTHORS
    found = defaultdict(set)
    for one in ROWS:
        if one.author in PARTED_AUTHORS:
            found[one.author].add(one.split)
    assert all(splits == {"train", "test"} for splits in found.values()), "calibration is apart from both"
    other = {"id": "x2", "repository": "Some/other"}
    assert find_parted_authors([row(), row(**other)]) == set()
    assert find_parted_authors([row(), row(**other, split="calibration")]) == {"some"}
    assert find_parted_authors([row(), row(**other, group="g2")]) == {"some"}


def test_no_two_splits_show_copies_of_a_photo():
    assert near_across_splits(ROWS) == []
    blobs = [row.blob for row in ROWS]
    assert len(set(blobs)) == len(blobs)


def test_what_is_found_as_a_copy():
    near, far = "0" * 15 + "7", "0" * 14 + "ff"  # 3 and 8 bits from nought
    rows = [row(), row(id="x2", phash=near, split="test"), row(id="x3", phash=far, split="test")]
    assert near_across_splits(rows) == [("x2", "x1")]
    assert near_across_splits([row(), row(id="x2", phash=near)]) == []


def test_there_are_as_many_as_the_card_promises():
    shown = [row for row in ROWS if row.kind not in ("board", "negative")]
    assert len(shown) >= 300
    assert len({row.repository for row in shown}) >= 45
    assert len(ROWS) - len(shown) >= 400


def test_nothing_is_told_but_repository_and_path():
    for true in TRUE.values():
        assert set(true) == FIELDS
        for name in LISTS:
            assert all(set(item) == ITEM_FIELDS[name] for item in true[name]), true["id"]
        assert all(re.fullmatch("[0-9a-f]{64}", line["sha256"]) for line in true["lines"])
        assert {lure["what"] for lure in true["lures"]} <= WHATS
        assert all(SYMBOLOGY.fullmatch(code["symbology"]) for code in true["codes"]), true["id"]
    for row in ROWS:
        assert re.fullmatch(r"[abc]\d{4}", row.id)
        assert re.fullmatch(r"g\d{3,4}", row.group)
        assert re.fullmatch("[0-9a-f]{16}", row.phash)


def test_what_may_not_be_learnt_from_is_marked():
    assert all(row.measure_only for row in ROWS if row.licence is None or "-NC" in row.licence)


def test_colours_are_those_of_vision():
    assert COLOURS == COLOUR_CODES


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"plugs": [{"polygon": [[0, 0], [101, 0], [5, 5]]}]}, "outside the picture of 100 x 80"),
        ({"plugs": [{"polygon": [[0, 0], [5, 5]]}]}, "three corners"),
        ({"plugs": [{"polygon": [[0, 0], [9, 0], [5, 5]], "colour": "RED"}]}, "IEC 60757"),
        ({"plugs": [{"polygon": [[0, 0], [9, 0], [5, 5]], "unit": 0}]}, "there is no unit 0"),
        ({"lines": [{"polygon": [[0, 0], [9, 0], [5, 5]], "kind": "printed"}]}, "four corners"),
        ({"lines": [{"polygon": [[0, 0], [9, 0], [9, 5], [0, 5]], "kind": "painted"}]}, "painted"),
        ({"view": "sky"}, "view"),
    ],
)
def test_a_fault_is_named(changes, word):
    assert word in "; ".join(find_faults({"view": "face"} | changes, 100, 80))


def test_an_annotation_without_fault_has_none():
    plug = {"polygon": [[0, 0], [100, 0], [100, 80]], "colour": "GY", "unit": None}
    assert find_faults({"view": "face", "plugs": [plug]}, 100, 80) == []


def test_a_line_that_is_no_row_is_named(tmp_path):
    index = tmp_path / "index.jsonl"
    index.write_text(row().as_json() + "\n" + json.dumps({"id": "x2"}) + "\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"index\.jsonl, line 2"):
        read_index(index)
    with pytest.raises(ValueError, match="holiday"):
        row(split="holiday")


def test_only_letters_and_digits_are_compared():
    assert normalised(" ab-1 2é/") == "AB12"


def test_the_index_is_read_as_written():
    assert [row.as_json() for row in ROWS] == INDEX.read_text(encoding="utf-8").splitlines()


def test_doubts_are_of_photos_that_may_be_learnt_from_and_lie_within_them():
    index = {row.id: row for row in ROWS}
    for name, kinds in read_doubts().items():
        row = index[name]
        assert row.split == "train"
        assert not row.measure_only
        assert set(kinds) == {"plugs", "unclear"}
        assert any(kinds.values())
        corners = [corner for kind in kinds.values() for outline in kind for corner in outline]
        assert all(type(value) is int for corner in corners for value in corner)
        assert all(0 <= x <= row.width and 0 <= y <= row.height for x, y in corners), name


def test_what_was_found_later_is_a_plug_that_nobody_is_sure_of():
    outline, other = [[0, 0], [9, 0], [9, 5]], [[20, 0], [29, 0], [29, 5]]
    given = {"id": "a1", "view": "face", "plugs": [{"polygon": other, "sure": True}]}
    whole = with_doubts(given, {"a1": {"plugs": [outline], "unclear": [other]}})
    assert [(plug["polygon"], plug["sure"]) for plug in whole["plugs"]] == [(other, True), (outline, False)]
    assert whole["doubts"] == [{"polygon": other}]
    assert find_faults(whole, 100, 80) == []
    assert with_doubts(given, {})["plugs"] == given["plugs"]


def test_single_things_are_of_other_photos_whose_licence_lets_weights_learn_and_of_no_judged_author():
    rows, true = read_index(THINGS_INDEX), read_truth(THINGS)
    judged = [row for row in ROWS if row.split != "train"]
    authors, groups = {row.author for row in judged}, {row.group for row in judged}
    group_of = {row.author: row.group for row in ROWS}
    assert {row.id for row in rows} == set(true)
    assert not {row.blob for row in rows} & {row.blob for row in ROWS}
    assert len({row.blob for row in rows}) == len({row.id for row in rows}) == len(rows) > 500
    for row in rows:
        assert (row.split, row.kind, row.path, row.measure_only) == ("train", THINGS_ALONE, None, False)
        assert may_train(row.licence)
        assert row.author not in authors
        assert row.group not in groups
        assert group_of.get(row.author, row.group) == row.group
        assert all(hash_distance(row.phash, other.phash) > NEAR_BITS for other in judged)
        things = true[row.id]
        assert set(things) == {"id", "split", "kind", "view", "plugs", "lures", "unclear"}
        assert find_faults(things, row.width, row.height) == []
        others = [{"polygon": outline} for outline in things["unclear"]]
        assert find_faults({"view": "none", "lures": others}, row.width, row.height) == []
        for name in ("plugs", "lures"):
            assert all(set(item) == ITEM_FIELDS[name] for item in things[name])
