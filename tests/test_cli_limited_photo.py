"""Photos that a command is given: plain ones are opened here, others in a process of their own."""

import io
import struct
import time
from functools import partial

import numpy as np
import pytest
from PIL import Image
from plugface.cli import limited_photo
from plugface.cli.limited_photo import is_plain, open_alone, open_limited
from plugface.cli.limited_process import LimitedProcess
from plugface.models.catalogue.entries import load_catalogue
from plugface.vision.photo import UnreadablePhoto, decode_photo


def picture(kind: str, size: tuple[int, int] = (400, 300), **how) -> bytes:
    """A picture of grey steps as a file."""
    steps = np.linspace(0, 255, size[0], dtype=np.uint8)[None, :].repeat(size[1], axis=0)
    file = io.BytesIO()
    Image.fromarray(steps).convert("RGB").save(file, kind, **how)
    return file.getvalue()


def many_passes(size: tuple[int, int]) -> bytes:
    """A small progressive JPEG whose header says that it is so large, with the passes it has."""
    data = bytearray(picture("JPEG", progressive=True))
    at = data.index(b"\xff\xc2")
    data[at + 5 : at + 9] = struct.pack(">HH", size[1], size[0])
    return bytes(data)


@pytest.fixture
def other_process(monkeypatch):
    """Make the other process one with limits of the test's own."""
    made = []

    def limit(seconds: float, memory_bytes: int) -> None:
        process = LimitedProcess(open_alone, seconds=seconds, memory_bytes=memory_bytes)
        made.append(process)
        monkeypatch.setattr(limited_photo, "_other_process", lambda: process)

    yield limit
    for process in made:
        process.close()


@pytest.mark.parametrize(
    ("data", "plain"),
    [
        (picture("JPEG"), True),
        (picture("JPEG", progressive=True), True),
        (many_passes((4000, 3000)), True),  # as phones make them
        (many_passes((10000, 9000)), False),
        (picture("PNG"), True),
        (partial(picture, "PNG", (6000, 5000)), False),
        (picture("WEBP"), True),
        (picture("WEBP", lossless=True), True),
        (partial(picture, "WEBP", (6000, 5000), quality=1, method=0), False),
        (partial(picture, "WEBP", (6000, 5000), lossless=True, method=0), False),
        (picture("WEBP", save_all=True, append_images=[Image.new("RGB", (400, 300))]), False),  # moves
        (picture("TIFF"), False),
        (b"\0\0\0\x18ftypheic", False),
        (b"no picture", True),
        (b"", True),
    ],
)
def test_what_the_header_promises(data, plain):
    assert is_plain(data() if callable(data) else data) == plain  # large ones are made here, not at import


@pytest.mark.parametrize(
    "words",
    [
        ("identify", "PHOTO"),
        ("opinion", "PHOTO", "--claimed", "FAMILY"),
        ("confirm", "PHOTO", "--true", "FAMILY", "--who", "kim"),
        ("catalogue", "propose", "PHOTO"),
        ("catalogue", "try", "PHOTO"),
        ("catalogue", "colour", "OWN", "--name", "x", "--code", "GN", "--photo", "PHOTO", "--box", "1,1,9,9"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_every_way_of_a_command_to_a_photo_is_limited(run, own, tmp_path, monkeypatch, words):
    (tmp_path / "x.tif").write_bytes(picture("TIFF"))

    def stop(data: bytes, name: str) -> None:
        raise UnreadablePhoto(name, "stopped", "here")

    monkeypatch.setattr(limited_photo, "open_limited", stop)
    family = load_catalogue(own).families[0].key
    given = {"PHOTO": tmp_path / "x.tif", "OWN": own, "FAMILY": family}
    said = run(*(given.get(word, word) for word in words))
    assert said.code == 2
    assert "x.tif: stopped" in said.err


def test_a_plain_photo_needs_no_other_process(monkeypatch):
    monkeypatch.setattr(limited_photo, "_other_process", lambda: pytest.fail("there was one"))
    photo = open_limited(picture("JPEG"), "a.jpg")
    assert (photo.width_px, photo.name) == (400, "a.jpg")


def test_pixels_come_back_as_they_are_and_limits_hold(other_process, monkeypatch):
    other_process(20.0, 1_000_000_000)
    data = picture("TIFF")
    here, there = decode_photo(data, name="a.tif"), open_limited(data, "a.tif")
    assert there == here
    assert "rgb" in there.__dict__  # decoded once
    assert np.array_equal(there.rgb, here.rgb)
    assert not there.rgb.flags.writeable
    monkeypatch.setattr(limited_photo, "MAX_WALKED", 0)
    jpeg = picture("JPEG", progressive=True)
    assert np.array_equal(open_limited(jpeg, "a.jpg").rgb, decode_photo(jpeg).rgb)
    with pytest.raises(UnreadablePhoto, match=r"b\.tif: the picture is cut short"):
        open_limited(data[: len(data) // 2], "b.tif")


def test_a_photo_that_takes_too_long_is_stopped_and_the_next_one_is_opened(other_process):
    other_process(1.0, 3_000_000_000)
    started = time.monotonic()
    with pytest.raises(UnreadablePhoto, match=r"slow\.png: it takes longer to open"):
        open_limited(picture("PNG", (10900, 10900), compress_level=1), "slow.png")
    assert time.monotonic() - started < 60
    assert open_limited(picture("TIFF"), "a.tif").width_px == 400


def test_a_photo_that_takes_too_much_memory_is_stopped(other_process):
    other_process(20.0, 100_000_000)
    with pytest.raises(UnreadablePhoto, match="more memory to open"):
        open_limited(picture("PNG", (6000, 6000), compress_level=1), "large.png")
