"""What a phone saved as one file, taken apart: what is in it, and what must never be written."""

import json
import random
import zipfile

import pytest
from plugface.cli.lot import unpack
from plugface.cli.lot.scan import FolderError, scan_folder
from plugface.cli.lot.unpack import unpack_photos


@pytest.fixture
def pack(tmp_path):
    """Make a file of names and bytes."""

    def make(files: dict[str, bytes], name="photos.zip"):
        path = tmp_path / name
        with zipfile.ZipFile(path, "w") as packed:
            for inside, data in files.items():
                packed.writestr(zipfile.ZipInfo(inside, (2026, 11, 28, 9, 30, 0)), data)
        return path

    return make


def test_each_unit_is_a_folder_and_what_was_typed_is_told(pack, tmp_path):
    said = json.dumps({"typed": ["K27 104 / 051"], "claimed": ""}).encode()
    file = pack({"unit-001/1-front.jpg": b"one", "unit-001/2-back.png": b"two!", "unit-001/unit.json": said})
    unpacked = unpack_photos(file, tmp_path / "out")
    assert {photo.path for photo in scan_folder(str(unpacked.folder)).photos} == {
        "unit-001/1-front.jpg",
        "unit-001/2-back.png",
    }
    assert (tmp_path / "out/unit-001/2-back.png").read_bytes() == b"two!"
    assert unpacked.typed == {"unit-001": ["K27 104 / 051"]}
    taken = {photo.written_at.year for photo in scan_folder(str(unpacked.folder)).photos}
    assert taken == {2026}


def test_a_second_time_nothing_is_written_anew(pack, tmp_path):
    file = pack({"a/1.jpg": b"one"})
    unpack_photos(file, tmp_path / "out")
    before = (tmp_path / "out/a/1.jpg").stat().st_ino
    unpack_photos(file, tmp_path / "out")
    assert (tmp_path / "out/a/1.jpg").stat().st_ino == before


@pytest.mark.parametrize("name", ["../x.jpg", "/x.jpg", "a/../../x.jpg", "..\\x.jpg", "C:x.jpg"])
def test_what_leads_out_is_refused_and_nothing_of_the_file_is_written(pack, tmp_path, name):
    file = pack({"a/1.jpg": b"one", name: b"two"})
    with pytest.raises(FolderError, match="leads out"):
        unpack_photos(file, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_link_in_the_file_is_written_as_what_it_holds(tmp_path):
    path = tmp_path / "photos.zip"
    link = zipfile.ZipInfo("a/1.jpg")
    link.external_attr = 0o120777 << 16  # a symbolic link, as Unix packs one
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(link, "/etc/hostname")
    unpack_photos(path, tmp_path / "out")
    assert not (tmp_path / "out/a/1.jpg").is_symlink()
    assert (tmp_path / "out/a/1.jpg").read_bytes() == b"/etc/hostname"


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda data: data[:-30], "cannot be unpacked"),
        (lambda data: data.replace(b"PICTURE", b"PICTURF"), "cannot be unpacked"),  # its checksum tells
        (lambda data: b"", "cannot be unpacked"),
        (lambda data: data.replace(b"1.jpg", b"1.txt"), "no photo"),
    ],
)
def test_a_damaged_file_is_one_line(pack, tmp_path, damage, said):
    file = pack({"a/1.jpg": b"PICTURE"})
    file.write_bytes(damage(file.read_bytes()))
    with pytest.raises(FolderError, match=said):
        unpack_photos(file, tmp_path / "out")


def test_too_much_is_refused_before_any_is_written(pack, tmp_path, monkeypatch):
    monkeypatch.setattr(unpack, "MAX_PHOTOS", 1)
    with pytest.raises(FolderError, match="at most 1"):
        unpack_photos(pack({"1.jpg": b"1", "2.jpg": b"2"}), tmp_path / "out")
    monkeypatch.setattr(unpack, "MAX_BYTES", 3)
    with pytest.raises(FolderError, match="4 bytes"):
        unpack_photos(pack({"1.jpg": b"1234"}), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_file_that_unpacks_to_far_more_than_its_size_is_refused(tmp_path):
    file = tmp_path / "photos.zip"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_BZIP2) as packed:
        packed.writestr("a/1.jpg", bytes(5_000_000))
    with pytest.raises(FolderError, match="5,000,000 bytes, more than 20 times its size"):
        unpack_photos(file, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("way", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_damage_in_any_way_of_packing_is_one_line(tmp_path, way):
    file = tmp_path / "photos.zip"
    with zipfile.ZipFile(file, "w", way) as packed:
        packed.writestr("a/1.jpg", random.Random(7).randbytes(3000))
    data = bytearray(file.read_bytes())
    data[50:90] = b"\xff" * 40
    file.write_bytes(data)
    with pytest.raises(FolderError, match="cannot be unpacked"):
        unpack_photos(file, tmp_path / "out")


@pytest.mark.parametrize(
    "names", [("a/1.jpg", "a/1.JPG"), ("a/1.jpg", "a/./1.jpg"), ("a.jpg/1.jpg", "a.jpg")]
)
def test_no_photo_takes_the_place_of_another(pack, tmp_path, names):
    with pytest.raises(FolderError, match=r"twice|folder"):
        unpack_photos(pack({name: name.encode() for name in names}), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_name_that_no_disk_takes_is_said_before_anything_is_written(pack, tmp_path):
    with pytest.raises(FolderError, match="too long"):
        unpack_photos(pack({"b.jpg": b"1", "a/" + "x" * 300 + ".jpg": b"2"}), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_another_photo_of_the_same_name_and_size_is_written(pack, tmp_path):
    unpack_photos(pack({"a/1.jpg": b"one"}), tmp_path / "out")
    unpack_photos(pack({"a/1.jpg": b"two"}), tmp_path / "out")
    assert (tmp_path / "out/a/1.jpg").read_bytes() == b"two"


@pytest.mark.parametrize("said", [b"[", b"[" * 5000, b"[]", b'{"typed": 3}', b'{"typed": [3]}'])
def test_what_cannot_be_read_beside_a_unit_is_left(pack, tmp_path, said):
    assert unpack_photos(pack({"a/1.jpg": b"1", "a/unit.json": said}), tmp_path / "out").typed == {}


def test_the_command_sorts_it_and_says_what_was_typed(run, pack, plain_photo, tmp_path):
    photos = {f"unit-001/{k}.jpg": plain_photo(f"{k}.jpg").read_bytes() for k in ("1", "2222222")}
    file = pack({**photos, "unit-001/unit.json": b'{"typed": ["K27 104"]}'})
    ran = run("sort", file, "--out", tmp_path / "run", "--no-pdf", "--json")
    assert ran.code == 0, ran.err
    assert json.loads(ran.out)["photos"] == 2
    assert "'K27 104' was typed for unit-001" in ran.err
    assert (tmp_path / "run-photos/unit-001/1.jpg").is_file()
    again = run("sort", file, "--out", tmp_path / "run", "--no-pdf", "--json")
    assert again.code == 0, again.err
