"""Candidates that come to the index: what is taken, what is refused, and the hash that finds copies."""

import json

import pytest
from PIL import Image, ImageDraw
from plugface.demo.real import collect as collecting
from plugface.demo.real.pictures import difference_hash, open_shown
from plugface.demo.real.records import NEAR_BITS, IndexRow, blob_hash, hash_distance, read_index
from plugface.demo.real.small_set import PHOTOS


def drawn(bright_right=True, size=(180, 160)):
    picture = Image.new("L", size)
    for x in range(size[0]):
        level = 20 + x * 200 // size[0]
        ImageDraw.Draw(picture).line((x, 0, x, size[1]), fill=level if bright_right else 240 - level)
    return picture.convert("RGB")


def test_a_bit_is_set_where_the_right_one_is_brighter():
    assert difference_hash(drawn()) == "f" * 16
    assert difference_hash(drawn(bright_right=False)) == "0" * 16
    half = drawn()
    half.paste(drawn(bright_right=False).crop((0, 80, 180, 160)), (0, 80))
    assert difference_hash(half) == "f" * 8 + "0" * 8  # the first row is the highest


def test_a_smaller_copy_lies_near_and_another_picture_far():
    one, small = drawn(), drawn().resize((90, 80))
    assert hash_distance(difference_hash(one), difference_hash(small)) <= NEAR_BITS
    assert hash_distance(difference_hash(one), difference_hash(drawn(bright_right=False))) > 50


def test_most_of_the_small_set_lie_near_their_hash():
    """They are smaller and blurred: 21 of 57 have the very hash, 46 one within 6 bits, the worst lies 11."""
    told = {row.id: row.phash for row in read_index()}
    off = [hash_distance(difference_hash(open_shown(path)), told[path.stem]) for path in PHOTOS.iterdir()]
    assert sum(bits == 0 for bits in off) >= 0.3 * len(off)
    assert sum(bits <= NEAR_BITS for bits in off) >= 0.75 * len(off)
    assert max(off) < 16


def row(**changes):
    usual = {
        "id": "a9001", "repository": "some/one", "commit": "a" * 40, "blob": "b" * 40, "path": None,
        "licence": "MIT", "width": 180, "height": 160, "phash": "f" * 16, "split": "train", "group": "g901",
        "kind": "face",
    }  # fmt: skip
    return IndexRow(**usual | changes)


OTHER = {"id": "a9002", "blob": "c" * 40, "phash": "0" * 16, "repository": "any/body", "group": "g902"}


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"blob": "b" * 40}, "one file"),
        ({"id": "a9001"}, "one id"),
        ({"phash": "f" * 15 + "e"}, "look alike"),
        ({"group": "g901", "split": "test"}, "one group"),
        ({"repository": "Some/other"}, "one author"),
    ],
)
def test_what_does_not_go_together_is_named(changes, word):
    assert collecting.find_crossings([row(**OTHER)], [row()]) == []
    (fault,) = collecting.find_crossings([row(**OTHER | changes)], [row()])
    assert word in fault
    assert collecting.find_crossings([row(), row(**OTHER | changes)], [])


@pytest.fixture
def job(tmp_path, monkeypatch):
    drawn().save(tmp_path / "a9002.png")
    candidate = {
        "id": "a9002", "repository": "any/body", "commit": "a" * 40, "path": None, "licence": "MIT",
        "blob": blob_hash((tmp_path / "a9002.png").read_bytes()), "phash": "f" * 16, "kind_guess": "face",
        "split": "train", "group": "g902",
    }  # fmt: skip
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "a9002.json").write_text(json.dumps({"view": "face"}))
    index, truth = tmp_path / "index.jsonl", tmp_path / "truth.jsonl"
    index.write_text(row(id="b0001", phash="0" * 16).as_json() + "\n")
    truth.write_text('{"id":"b0001"}\n')
    monkeypatch.setattr(collecting, "INDEX", index)
    monkeypatch.setattr(collecting, "TRUTH", truth)

    def run(**changes):
        (tmp_path / "pool.jsonl").write_text(json.dumps(candidate | changes) + "\n")
        words = ["--pool", tmp_path / "pool.jsonl", "--photos", tmp_path, "--annotations", tmp_path / "notes"]
        collecting.main([*map(str, words), "--add"])
        return index.read_text().splitlines(), truth.read_text().splitlines()

    return run


def test_rows_come_to_those_that_are_there(job):
    index, truth = job()
    assert [json.loads(line)["id"] for line in index] == ["a9002", "b0001"]
    assert json.loads(index[0])["group"] == "g902"
    assert index[1] == row(id="b0001", phash="0" * 16).as_json()
    assert truth[1] == '{"id":"b0001"}'


@pytest.mark.parametrize(
    ("changes", "word"),
    [({"blob": "f" * 40}, "hash differs"), ({"phash": "0" * 16}, "perceptual hash differs")],
)
def test_a_photo_that_is_not_what_the_pool_says_is_left_out(job, capsys, changes, word):
    index, _ = job(**changes)
    assert len(index) == 1
    assert word in capsys.readouterr().out


def test_nothing_is_written_where_something_does_not_go(job):
    with pytest.raises(SystemExit, match="one group"):
        job(group="g901", split="test")
    assert len(job()[0]) == 2
