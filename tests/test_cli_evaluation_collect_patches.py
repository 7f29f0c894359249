"""What the verifier learns from and how its word is weighed; what nobody can tell is left out."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from plugface.cli.evaluation import collect_patches
from plugface.cli.evaluation.collect_patches import (
    CONTEXT,
    DOUBTED,
    Annotated,
    Plug,
    find_patches,
    find_unit_patches,
    in_view,
    read_photos,
    read_rendered,
)
from plugface.cli.evaluation.fit_verifier import Case, fit, heard, judge
from plugface.cli.settings import demo_folder
from plugface.vision import observe as looking
from plugface.vision.detection.verifier import NetworkVerifier, square_round
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo

DOUBTS = demo_folder() / "real" / "doubts.jsonl"
PLUG = np.float32([(10, 10), (50, 10), (50, 30), (10, 30)])
LURE = np.float32([(100, 100), (140, 100), (140, 130), (100, 130)])


def _box(x: float, y: float, width: float = 40, height: float = 20) -> np.ndarray:
    return np.float32([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])


def test_found_things_are_plugs_others_or_left_out(monkeypatch, tmp_path):
    same, doubtful, other = _box(12, 10), _box(28, 10), _box(150, 20)
    monkeypatch.setattr(collect_patches, "find_things", lambda rgb, segmenter: [same, doubtful, other])
    photo = Annotated("a0001", tmp_path, (Plug(PLUG, 0.5),), ((LURE, "lure"),), (), complete=True)
    picture = np.zeros((200, 300, 3), np.uint8)
    patches = list(find_patches(picture, photo, None, np.random.default_rng(0)))
    told = [(p.what, p.plug, p.weight) for p in patches if p.what != "chance"]
    assert told == [
        ("annotated", True, 0.5),
        ("lure", False, 1.0),
        ("found", True, 0.5),
        ("found", False, 1.0),
    ]
    assert all(not p.plug for p in patches if p.what == "chance")


def test_of_what_is_unclear_nothing_is_learned(monkeypatch, tmp_path):
    monkeypatch.setattr(collect_patches, "find_things", lambda rgb, segmenter: [_box(150, 20), _box(62, 60)])
    unclear = (_box(60, 60), LURE)
    photo = Annotated("a0001", tmp_path, (), ((LURE, "lure"),), (), complete=True, unclear=unclear)
    patches = list(find_patches(np.zeros((200, 300, 3), np.uint8), photo, None, np.random.default_rng(0)))
    found = [p.outline.tolist() for p in patches if p.what != "chance"]
    assert found == [_box(150, 20).tolist()]


def test_plugs_found_later_are_learned_from_as_doubted_ones(tmp_path):
    doubts = {row["id"]: row for row in map(json.loads, DOUBTS.read_text().splitlines())}
    name = next(name for name, row in doubts.items() if row["plugs"] and row["unclear"])
    (tmp_path / f"{name}.jpg").touch()
    (photo,) = read_photos([tmp_path])
    last = photo.plugs[-len(doubts[name]["plugs"]) :]
    assert [(plug.outline.tolist(), plug.weight) for plug in last] == [
        (outline, DOUBTED) for outline in doubts[name]["plugs"]
    ]
    assert [outline.tolist() for outline in photo.unclear] == doubts[name]["unclear"]


def test_what_is_in_view_is_told_in_shares_of_the_patch(tmp_path):
    """A plug seen down its long side: what lay along it lies across the patch."""
    upright, beyond = _box(10, 10, 20, 40), _box(400, 10)
    plugs = (Plug(upright, 1.0, "GN"), Plug(beyond, 0.5))
    photo = Annotated(
        "a0001", tmp_path, plugs, (), (), complete=False, unclear=(_box(30, 10), np.zeros((0, 2)))
    )
    shown = in_view(square_round(upright, CONTEXT), photo)
    ((outline, weight, colour),) = ((p["outline"], p["weight"], p["colour"]) for p in shown["plugs"])
    half = np.array((0.5, 0.25)) / CONTEXT
    np.testing.assert_allclose(np.abs(outline), np.tile(half, (4, 1)), atol=1e-3)
    assert (weight, colour, len(shown["unclear"]), shown["complete"]) == (1.0, "GN", 1, False)


def test_where_not_everything_was_annotated_nothing_is_called_none(monkeypatch, tmp_path):
    monkeypatch.setattr(collect_patches, "find_things", lambda rgb, segmenter: [_box(150, 20)])
    photo = Annotated("a0001", tmp_path, (Plug(PLUG, 1.0),), (), (), complete=False)
    patches = list(find_patches(np.zeros((200, 300, 3), np.uint8), photo, None, np.random.default_rng(0)))
    assert [(p.what, p.plug) for p in patches] == [("annotated", True)]


def test_of_photos_of_single_things_nothing_else_is_said(monkeypatch, tmp_path):
    monkeypatch.setattr(collect_patches, "find_things", lambda rgb, segmenter: [_box(150, 20)])
    rows = map(json.loads, (demo_folder() / "real" / "things.jsonl").read_text().splitlines())
    row = next(row for row in rows if row["plugs"] and row["lures"] and row["unclear"])
    (tmp_path / f"{row['id']}.jpg").touch()
    (photo,) = read_photos([tmp_path])
    patches = list(find_patches(np.zeros((200, 300, 3), np.uint8), photo, None, np.random.default_rng(0)))
    told = [(p.what, p.plug, p.unit) for p in patches]
    assert told.count(("annotated", True, False)) == len(row["plugs"])
    assert {one for one in told if one[0] != "annotated"} == {("lure", False, None)}
    assert not list(find_unit_patches(np.zeros((200, 300, 3), np.uint8), photo, None))
    shown = in_view(square_round(photo.unclear[0], CONTEXT), photo)
    assert shown["unclear"]
    assert not shown["complete"]


def test_nothing_is_learned_from_other_splits_or_without_a_licence(tmp_path):
    index = [json.loads(line) for line in (demo_folder() / "real" / "index.jsonl").read_text().splitlines()]
    for row in index:
        (tmp_path / f"{row['id']}.jpg").touch()
    taken = {photo.name for photo in read_photos([tmp_path])}
    allowed = {row["id"] for row in index if row["split"] == "train" and not row["measure_only"]}
    assert taken == allowed
    assert len(taken) < len(index)


def test_of_renders_whole_plugs_of_the_training_split_are_plugs_and_of_the_others_nothing_is_learned():
    truth = (demo_folder() / "truth.jsonl").read_text().splitlines()
    rows = {row["id"]: row for row in map(json.loads, truth)}
    shown = list(read_rendered(demo_folder()))
    assert {rows[photo.name]["split"] for photo in shown} == {"train"}
    for photo in shown:
        plugs = [plug for unit in rows[photo.name]["units"] for plug in unit["connectors"]]
        whole = [plug["polygon"] for plug in plugs if not plug["missing"] and plug["visible"] >= 0.5]
        assert [plug.outline.tolist() for plug in photo.plugs] == [
            np.float32(each).tolist() for each in whole
        ]
        assert len(photo.plugs) + len(photo.unclear) == len(plugs)
    assert sum(len(photo.unclear) for photo in shown) > 0


def test_a_rendered_unit_that_is_out_of_sight_is_none_and_the_photo_stays(tmp_path):
    square = [[10, 10], [90, 10], [90, 90], [10, 90]]
    units = [{"polygon": outline, "connectors": []} for outline in (square, [])]
    row = {"id": "z1", "split": "train", "photo": "photos/z1.jpg", "units": units}
    (tmp_path / "truth.jsonl").write_text(json.dumps(row) + "\n")
    (photo,) = read_rendered(tmp_path)
    assert [unit.tolist() for unit in photo.units] == [square]
    assert photo.file == tmp_path / "photos" / "z1.jpg"


def test_patches_of_a_folder_of_renders_are_rendered(tmp_path, monkeypatch):
    row = next(
        row
        for row in map(json.loads, (demo_folder() / "truth.jsonl").read_text().splitlines())
        if row["split"] == "train" and row["view"] == "front"
    )
    (tmp_path / "truth.jsonl").write_text(
        json.dumps(row | {"photo": str(demo_folder() / row["photo"])}) + "\n"
    )
    out, none = tmp_path / "out", tmp_path / "none"
    none.mkdir()
    asked = ["--out", str(out), "--photos", str(none), "--rendered", str(tmp_path)]
    monkeypatch.setattr("sys.argv", ["collect_patches", *asked])
    collect_patches.main()
    patches = [json.loads(line) for line in (out / "patches.jsonl").read_text().splitlines()]
    assert {(patch["photo"], patch["what"]) for patch in patches} == {(row["id"], "rendered")}
    assert any(patch["plug"] for patch in patches)
    assert any(patch["unit"] for patch in patches)
    assert all((out / patch["file"]).is_file() for patch in patches)


@pytest.mark.parametrize(
    ("outline", "expected"),
    [
        (_box(11, 11), (True, 0)),
        (_box(25, 10), (None, -1)),
        (_box(72, 62), (None, -1)),
        (_box(200, 0), (False, -1)),
    ],
)
def test_a_sight_is_a_plug_none_or_nobody_knows(outline, expected):
    assert judge(outline, [PLUG], [_box(70, 60)]) == expected


def test_the_fit_gives_back_the_law_that_the_cases_were_drawn_by():
    rng = np.random.default_rng(5)
    logits = rng.normal(1, 2, 20_000)
    plug = rng.random(20_000) < 1 / (1 + np.exp(3 - 1.5 * logits))
    cases = [Case("a", "plug", 0.5, float(v), bool(p)) for v, p in zip(logits, plug, strict=True)]
    # Three standard errors of such a fit are below 0.15.
    assert fit(cases) == pytest.approx((-3.0, 1.5), abs=0.15)
    housed = [replace(case, question="housed plug") for case in cases]
    assert fit(housed) == pytest.approx((-3.0, 1.5, 0.0), abs=0.15)  # at even odds the third says nothing


def test_how_sure_a_unit_must_be_is_handed_on_while_it_is_heard(monkeypatch):
    handed_on = []
    monkeypatch.setattr(looking, "verify_units", lambda *asked: handed_on.append(asked[4:]) or ([], []))
    with heard():
        looking.verify_units([], np.zeros((40, 60, 3), np.uint8), 1.0, NetworkVerifier(), 0.7)
        looking.verify_units([], np.zeros((40, 60, 3), np.uint8), 1.0, NetworkVerifier())
    assert handed_on == [(0.7,), ()]


def test_every_second_look_is_heard_in_the_photos_pixels():
    rows = (demo_folder() / "real" / "photos_truth.jsonl").read_text("utf-8").splitlines()
    row = next(r for r in map(json.loads, rows) if r.get("view") == "loose_plugs")
    file = next((demo_folder() / "real" / "photos").glob(f"{row['id']}.*"))
    photo = decode_photo(file.read_bytes(), name=file.name)
    with heard() as sights:
        seen = observe(photo, read_text=False)
    assert sum(sight.question == "plug" for sight in sights) >= len(seen.loose)
    front = decode_photo((demo_folder() / "photos" / "mf0001.jpg").read_bytes())
    with heard() as on_unit:
        (unit,) = observe(front, read_text=False).units
    assert sum(sight.question == "housed plug" for sight in on_unit) >= len(unit.connectors) > 1
    for sight in sights:
        assert 0.3 <= sight.confidence <= 1
        assert cv2.boundingRect(sight.outline)[2] <= photo.width_px
