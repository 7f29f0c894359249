"""The index of real photographs and their annotations by hand, and the script that brings them."""

import io
import json
import re
import subprocess
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from PIL import Image
from plugface.demo.real import bring
from plugface.demo.real.bring import NotBrought, Row, bring_photo, check_truth, find_git, read_index

FOLDER = Path(bring.__file__).parent
INDEX = [json.loads(line) for line in (FOLDER / "index.jsonl").read_text(encoding="utf-8").splitlines()]
TRUTH = [json.loads(line) for line in (FOLDER / "truth.jsonl").read_text(encoding="utf-8").splitlines()]
THINGS = {"module", "plug face", "label", "code"}


def test_as_many_photos_from_as_many_repositories_as_were_asked_for():
    shown = [row for row in INDEX if row["kind"] in THINGS]
    assert len(shown) >= 300
    assert len({row["repository"] for row in shown}) >= 45
    assert sum(row["kind"] not in THINGS for row in INDEX) >= 400


def test_every_photo_has_its_truth_and_every_polygon_lies_in_its_picture():
    assert [row["id"] for row in INDEX] == [row["id"] for row in TRUTH]
    assert [row["split"] for row in INDEX] == [row["split"] for row in TRUTH]
    assert list(check_truth(read_index())) == []


def test_a_group_lies_in_one_split_and_no_sister_copy_in_another():
    splits: dict[str, set[str]] = {}
    for row in INDEX:
        splits.setdefault(row["group"], set()).add(row["split"])
    assert [group for group, of in splits.items() if len(of) > 1] == []
    hashes = [(int(row["phash"], 16), row["split"], row["id"]) for row in INDEX]
    # 6 of 64 bits: nearer ones were the same picture whenever they were looked at.
    near = [
        (a[2], b[2]) for a, b in combinations(hashes, 2) if a[1] != b[1] and (a[0] ^ b[0]).bit_count() <= 6
    ]
    assert near == []


def test_nothing_that_is_written_on_a_photo_is_written_here():
    keys = {"id", "split", "view", "units", "plugs", "lines", "codes", "lures"}
    words = {
        *(
            [
                "train",
                "calibration",
                "test",
                "face",
                "edge",
                "oblique",
                "back",
                "label",
                "close_up",
                "loose_plugs",
                "board",
                "inside",
                "code",
                "none",
            ]
        ),
        *(
            [
                "BK",
                "BN",
                "RD",
                "OG",
                "YE",
                "GN",
                "BU",
                "VT",
                "GY",
                "WH",
                "PK",
                "TQ",
                "printed",
                "cast",
                "engraved",
                "stamped",
            ]
        ),
        *(["recess", "lid", "ear", "vent", "screw", "switch", "other"]),
    }
    for row in TRUTH:
        assert set(row) == keys
        for line in row["lines"]:
            assert set(line) == {"polygon", "kind", "height_px", "length", "sha256"}
            assert re.fullmatch("[0-9a-f]{64}", line["sha256"])
        told = [row["split"], row["view"], *(p["colour"] for p in row["plugs"] if p["colour"])]
        told += [line["kind"] for line in row["lines"]] + [lure["what"] for lure in row["lures"]]
        assert set(told) <= words, row["id"]


@pytest.fixture
def snapshot(tmp_path):
    """A repository with one photo, and its row of the index."""
    folder = tmp_path / "snapshots" / "some+one"
    folder.mkdir(parents=True)
    file = io.BytesIO()
    Image.new("RGB", (40, 30), (9, 90, 200)).save(file, "PNG")
    (folder / "box.png").write_bytes(file.getvalue())
    subprocess.run(["git", "init", "-q", str(folder)], check=True)
    git = ["git", "-C", str(folder)]
    blob = subprocess.run([*git, "hash-object", "-w", "box.png"], check=True, capture_output=True, text=True)
    return tmp_path / "snapshots", Row("r1", "some/one", blob.stdout.strip(), 40, 30), file.getvalue()


def test_a_photo_is_brought_by_its_content(snapshot):
    folder, row, data = snapshot
    assert bring_photo(row, find_git(folder, row.repository)) == (data, "png")


@pytest.mark.parametrize(
    ("change", "said"),
    [({"blob": "0" * 40}, "does not hold this photo"), ({"width": 41}, "40 x 30 pixels, not 41 x 30")],
)
def test_what_is_missing_or_differs_is_named(snapshot, change, said):
    folder, row, _ = snapshot
    with pytest.raises(NotBrought, match=rf"r1 \(some/one\): .*{said}"):
        bring_photo(replace(row, **change), find_git(folder, row.repository))


def test_a_repository_that_is_gone_is_one_line_each_and_the_rest_goes_on(tmp_path, capsys):
    assert bring.main(["--snapshots", str(tmp_path), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().out.splitlines()
    assert said[-1].startswith(f"0 of {len(INDEX)} photos")
    assert len(said) == len(INDEX) + 1


def test_an_annotation_outside_its_picture_is_one_line(tmp_path):
    thing = {"polygon": [[0, 0], [99, 0], [0, 9]]}
    row = {"id": "r1", "units": [thing], "plugs": [], "lines": [], "codes": [], "lures": []}
    file = tmp_path / "truth.jsonl"
    file.write_text(json.dumps(row) + "\n" + json.dumps(row | {"id": "r2"}) + "\n")
    said = list(check_truth([Row("r1", "some/one", "0" * 40, 50, 50)], file))
    assert said == [
        "r1: units no. 1 lies outside its picture; draw it again",
        "r2: annotated, but not in the index",
    ]
