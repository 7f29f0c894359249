"""Photos out of a tiny snapshot: what comes, and what is said of what does not."""

import io
import subprocess

import pytest
from PIL import Image
from plugface.demo.real.bring import bring, find_snapshot, main
from plugface.demo.real.records import IndexRow, blob_hash, read_index

EMPTY = {"units": [], "plugs": [], "lines": [], "codes": [], "lures": []}


def picture(colour, size=(40, 30), turn=None):
    coded, exif = io.BytesIO(), Image.Exif()
    if turn:
        exif[0x0112] = turn
    Image.new("RGB", size, colour).save(coded, "JPEG", exif=exif)
    return coded.getvalue()


GREY, TURNED = picture("grey"), picture("navy", turn=6)


def git(folder, *words):
    who = ["-c", "user.name=a", "-c", "user.email=a@example.org"]
    subprocess.run(["git", *who, *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def snapshots(tmp_path):
    work = tmp_path / "work"
    work.mkdir()
    git(work, "init", "-q")
    for name, content in (
        ("a.jpg", GREY),
        ("b.jpg", TURNED),
        ("c.jpg", picture("red")),
        ("d.jpg", b"no picture"),
    ):
        (work / name).write_bytes(content)
    git(work, "add", ".")
    git(work, "commit", "-qm", "Add photos")
    folder = tmp_path / "snapshots" / "some+one"
    folder.mkdir(parents=True)
    git(tmp_path, "clone", "-q", "--bare", str(work), str(folder / "repo"))
    return tmp_path / "snapshots"


def row(content=GREY, **changes):
    usual = {
        "id": "x1", "repository": "some/one", "commit": "a" * 40, "blob": blob_hash(content), "path": "a.jpg",
        "licence": "MIT", "width": 40, "height": 30, "phash": "0" * 16, "split": "test", "group": "g1",
        "kind": "module",
    }  # fmt: skip
    return IndexRow(**usual | changes)


def true(name="x1", **changes):
    return {name: {"view": "none", **EMPTY} | changes}


def test_photos_come_as_they_are_and_turned_sizes_hold(snapshots, tmp_path):
    rows = [row(), row(TURNED, id="x2", width=30, height=40)]
    assert bring(rows, true() | true("x2"), snapshots, tmp_path / "out") == []
    assert (tmp_path / "out" / "x1.jpg").read_bytes() == GREY
    assert (tmp_path / "out" / "x2.jpg").read_bytes() == TURNED


@pytest.mark.parametrize(
    ("changes", "truth", "words"),
    [
        ({"repository": "gone/away"}, true(), "no snapshot of gone/away"),
        ({"blob": "f" * 40, "path": "c.jpg"}, true(), "hash differs: c.jpg is now"),
        ({"blob": "f" * 40, "path": None}, true(), "has no blob ffff"),
        ({"width": 41}, true(), "size differs: 40 x 30, expected 41 x 30"),
        ({"content": b"no picture"}, true(), "no picture that can be read"),
        ({}, true(units=[{"polygon": [[0, 0], [41, 0], [9, 9]]}]), "units[0]: a corner lies outside"),
        ({}, {}, "not annotated"),
    ],
)
def test_what_is_missing_is_one_line_and_the_rest_comes(snapshots, tmp_path, changes, truth, words):
    rows = [row(**changes), row(TURNED, id="x2", width=30, height=40)]
    missing = bring(rows, truth | true("x2"), snapshots, tmp_path / "out")
    assert len(missing) == 1
    assert missing[0].startswith("x1: ")
    assert words in missing[0]
    assert "\n" not in missing[0]
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["x2.jpg"]


def test_a_spoilt_object_is_not_taken_for_the_photo(snapshots, tmp_path):
    wanted, other = row(), row(picture("red"))
    objects = snapshots / "some+one" / "repo" / "objects"
    loose = {path.parent.name + path.name: path for path in objects.glob("??/*")}
    loose[wanted.blob].chmod(0o644)
    loose[wanted.blob].write_bytes(loose[other.blob].read_bytes())
    (line,) = bring([wanted], true(), snapshots, tmp_path / "out")
    assert line.startswith("x1: ")
    assert not list((tmp_path / "out").iterdir())


def test_a_photo_that_is_there_is_kept_and_a_wrong_one_replaced(snapshots, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "x1.jpg").write_bytes(GREY[:50])
    assert bring([row()], true(), snapshots, out) == []
    assert (out / "x1.jpg").read_bytes() == GREY
    assert bring([row()], true(), tmp_path / "no snapshots", out) == []


def test_the_command_says_how_many_and_leaves_with_one_where_something_is_missing(
    snapshots, tmp_path, capsys
):
    index, truth = tmp_path / "index.jsonl", tmp_path / "truth.jsonl"
    index.write_text(row().as_json() + "\n" + row(id="x2", blob="f" * 40, path=None).as_json() + "\n")
    truth.write_text('{"id": "x1", "view": "none"}\n{"id": "x2", "view": "none"}\n')
    words = ["--snapshots", snapshots, "--out", tmp_path / "out", "--index", index, "--truth", truth]
    with pytest.raises(SystemExit) as leaving:
        main([str(word) for word in words])
    assert leaving.value.code == 1
    assert "1 of 2 photos" in capsys.readouterr().out
    index.write_text("{}\n")
    with pytest.raises(SystemExit, match="line 1"):
        main([str(word) for word in words])


def test_the_index_of_the_project_can_be_read():
    assert read_index()


@pytest.mark.parametrize("place", [".", ".git", "repo", "repo/.git"])
def test_a_snapshot_is_found_wherever_it_lies(snapshots, tmp_path, place):
    moved = tmp_path / "elsewhere" / "some+one"
    (moved / place).parent.mkdir(parents=True, exist_ok=True)
    (snapshots / "some+one" / "repo").rename(moved if place == "." else moved / place)
    assert find_snapshot(moved.parent, "some/one").samefile(moved / place)
    assert bring([row()], true(), moved.parent, tmp_path / "out") == []
