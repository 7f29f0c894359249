"""What is kept of a photo: its picture to the bit, and nothing else."""

import io
import os
from types import SimpleNamespace

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms
from plugface.cli.web import photo_store
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import PhotoStore, clean_photo, strip_jpeg
from plugface.cli.web.refusals import Refused
from plugface.vision.photo import UnreadablePhoto

LIMITS = Limits()


def busy_picture(size=(320, 240)) -> Image.Image:
    """Noise over a ramp, so that every block codes something; the left half is darker than the right."""
    rng = np.random.default_rng(1)
    ramp = np.linspace(20, 200, size[0])[None, :, None]
    return Image.fromarray(np.clip(ramp + rng.normal(0, 20, (size[1], size[0], 3)), 0, 255).astype(np.uint8))


def as_jpeg(picture: Image.Image, **how) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=90, **how)
    return out.getvalue()


def described(turn: int = 1) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = turn
    exif[0x010F] = "SECRETMAKER"
    exif[0x9286] = "SECRETCOMMENT"
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", (51.0, 28.0, 38.0), "W", (0.0, 0.0, 5.0)
    return exif


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("turn", range(1, 9))
def test_pixels_and_turn_stay_and_the_rest_goes(turn, progressive):
    data = as_jpeg(
        busy_picture(),
        exif=described(turn),
        comment=b"SECRETCOMMENT",
        progressive=progressive,
        icc_profile=b"SECRETICC",
    )
    data += b"SECRETTAIL"  # phones hang a second picture or a film behind the first
    kept = strip_jpeg(data)
    assert b"SECRET" not in kept
    before, after = Image.open(io.BytesIO(data)), Image.open(io.BytesIO(kept))
    assert np.array_equal(np.asarray(before), np.asarray(after))  # the coded pixels, before any turn
    assert after.getexif().get(0x0112, 1) == turn
    assert not after.getexif().get_ifd(0x8825)
    assert set(after.getexif()) <= {0x0112}


def test_colours_of_a_profile_are_kept_without_it():
    """A profile by which red means blue: without it the pixels that are stored must be the others."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    profile = srgb.replace(b"rXYZ", b"held").replace(b"bXYZ", b"rXYZ").replace(b"held", b"bXYZ")
    kept = clean_photo(as_jpeg(Image.new("RGB", (320, 240), (200, 60, 50)), icc_profile=profile), LIMITS)
    for data in (kept.data, kept.shown, kept.small):
        picture = Image.open(io.BytesIO(data))
        assert "icc_profile" not in picture.info
        np.testing.assert_allclose(np.asarray(picture).mean((0, 1)), (50, 60, 200), atol=4)  # JPEG loses some


def test_stripping_twice_changes_nothing():
    once = strip_jpeg(as_jpeg(busy_picture(), exif=described(6)))
    assert strip_jpeg(once) == once


def test_restart_markers_and_four_colours_survive():
    # Restart markers look like segments; APP14 says how CMYK is coded.
    for picture, how in (
        (busy_picture(), {"restart_marker_blocks": 2}),
        (busy_picture().convert("CMYK"), {}),
    ):
        data = as_jpeg(picture, **how)
        kept = strip_jpeg(data)
        assert np.array_equal(
            np.asarray(Image.open(io.BytesIO(data))), np.asarray(Image.open(io.BytesIO(kept)))
        )


@pytest.mark.parametrize(
    "segment",
    [
        b"\xff\xee\x00\x1aAdobe\0\x64\0\0\0\0\x01SECRETSECRET",  # APP14 with a tail
        b"\xff\xdb\x00\x43\x03" + b"SECRET".ljust(64, b"x"),  # a quantisation table that nothing uses
    ],
    ids=["tail", "table"],
)
def test_what_hides_in_markers_goes(segment):
    plain = as_jpeg(busy_picture())
    hiding = plain[:2] + segment + plain[2:]
    photo = clean_photo(hiding, LIMITS)
    assert b"SECRET" not in photo.data
    before, after = (np.asarray(Image.open(io.BytesIO(data)), float) for data in (hiding, photo.data))
    assert np.array_equal(before, after)


def test_a_thumbnail_in_the_header_goes():
    thumb = b"SECRETTHUMB!"  # 2 x 2 pixels of 3 bytes
    plain = as_jpeg(busy_picture())
    header = b"\xff\xe0" + (16 + len(thumb)).to_bytes(2, "big") + plain[6:18] + b"\x02\x02" + thumb
    kept = strip_jpeg(plain[:2] + header + plain[20:])
    assert b"SECRET" not in kept
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(kept))), np.asarray(Image.open(io.BytesIO(plain))))


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_other_kinds_are_made_anew(kind):
    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    busy_picture().save(out, kind, exif=described().tobytes())
    photo = clean_photo(out.getvalue(), LIMITS)
    for data in (photo.data, photo.shown, photo.small):
        picture = Image.open(io.BytesIO(data))
        assert picture.format == "JPEG"
        assert not picture.getexif()
        assert b"SECRET" not in data
    original = np.asarray(Image.open(io.BytesIO(out.getvalue())).convert("RGB"), float)
    # One JPEG coding of noise at quality 95 moves a pixel by about 2 levels on average.
    assert np.abs(np.asarray(Image.open(io.BytesIO(photo.data)), float) - original).mean() < 4


def test_what_is_shown_is_upright_and_small():
    photo = clean_photo(as_jpeg(busy_picture((3000, 1500)), exif=described(6)), LIMITS)
    assert (photo.width_px, photo.height_px) == (1500, 3000)
    assert Image.open(io.BytesIO(photo.shown)).size == (540, 1080)
    assert Image.open(io.BytesIO(photo.small)).size == (80, 160)
    top, bottom = (Image.open(io.BytesIO(photo.shown)).convert("L").getpixel((270, y)) for y in (50, 1030))
    assert bottom > top + 50  # turned by a quarter: the dark left half is on top now


def test_too_many_pixels_are_refused_by_the_header_alone():
    out = io.BytesIO()
    Image.new("1", (9000, 9000)).save(out, "PNG")  # a few kilobytes that would decode to 243 MB
    with pytest.raises(Refused) as caught:
        clean_photo(out.getvalue(), LIMITS)
    assert (caught.value.name, caught.value.values["width"]) == ("too_many_pixels", 9000)


@pytest.mark.parametrize("data", [b"", b"no picture", b"\xff\xd8\xff", as_jpeg(busy_picture())[:-4000]])
def test_what_does_not_decode_is_refused(data):
    with pytest.raises(UnreadablePhoto):
        clean_photo(data, LIMITS)


def test_the_shelf_keeps_by_content(tmp_path):
    shelf = PhotoStore(tmp_path / "photos")
    photo = clean_photo(as_jpeg(busy_picture(), exif=described()), LIMITS)
    shelf.keep(photo)
    shelf.keep(photo)
    files = [path for path in (tmp_path / "photos").rglob("*") if path.is_file()]
    assert len(files) == 3
    assert not [path for path in files if b"SECRET" in path.read_bytes()]
    assert shelf.place(photo.sha256).read_bytes() == photo.data


def test_a_photo_is_kept_where_a_folder_cannot_be_opened(tmp_path, monkeypatch):
    def refuse_folders(path, flags):  # as Windows does
        raise PermissionError(13, "Permission denied", str(path))

    windows = SimpleNamespace(name="nt", open=refuse_folders, O_RDONLY=os.O_RDONLY)
    monkeypatch.setattr(photo_store, "os", windows)
    shelf, photo = PhotoStore(tmp_path / "photos"), clean_photo(as_jpeg(busy_picture()), LIMITS)
    shelf.keep(photo)
    assert shelf.place(photo.sha256).read_bytes() == photo.data
