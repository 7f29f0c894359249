"""Pictures of every kind come in upright and in 8-bit RGB; bad files give one sentence."""

import copy
import io
import struct
import time
import warnings
import zlib

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps
from plugface.vision.photo import MAX_PIXELS, UnreadablePhoto, decode_photo, turn_upright


def _scene(width=96, height=64):
    """A smooth colour ramp with one bright corner, so that every turn looks different."""
    y, x = np.mgrid[0:height, 0:width]
    rgb = np.stack([x * 255 // width, y * 255 // height, 255 - x * 128 // width], axis=-1).astype(np.uint8)
    rgb[:16, :16] = (255, 255, 0)
    return rgb


def _encode(picture, fmt, **options):
    buffer = io.BytesIO()
    if fmt == "HEIF":
        pillow_heif.from_pillow(picture).save(buffer, **options)
    else:
        picture.save(buffer, fmt, **options)
    return buffer.getvalue()


@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_each_format_gives_the_same_picture(fmt):
    photo = decode_photo(_encode(Image.fromarray(_scene()), fmt, quality=95), name="a")
    assert photo.format == fmt
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.shape == (64, 96, 3)
    assert (photo.width_px, photo.height_px) == (96, 64)
    # The lossy formats store colour at half size, so that the edge of the bright corner is soft; 4 grey
    # levels is the mean over the picture.
    assert np.abs(photo.rgb.astype(int) - _scene().astype(int)).mean() < 4


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_orientation_agrees_with_pillow(orientation, fmt):
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = _encode(Image.fromarray(_scene()), fmt, exif=exif, quality=95)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))
    photo = decode_photo(data)
    assert photo.rgb.shape == expected.shape == (photo.height_px, photo.width_px, 3)
    # Two builds of the same JPEG decoder may differ by rounding.
    assert np.abs(photo.rgb.astype(int) - expected.astype(int)).max() <= 4
    small = photo.reduced(48)
    assert max(small.shape[:2]) == 48
    assert (
        np.abs(
            small.astype(int) - cv2.resize(expected, small.shape[1::-1], interpolation=cv2.INTER_AREA)
        ).mean()
        < 6
    )
    grey = decode_photo(data).grey
    assert np.abs(grey.astype(int) - cv2.cvtColor(expected, cv2.COLOR_RGB2GRAY)).max() <= 4


def test_heic_orientation_is_applied_once():
    exif = Image.Exif()
    exif[0x0112] = 6
    data = _encode(Image.fromarray(_scene()), "HEIF", exif=exif.tobytes(), quality=95)
    rgb = decode_photo(data).rgb
    assert rgb.shape == (96, 64, 3)
    # Turned a quarter clockwise, the bright corner (top left) comes to the top right.
    assert rgb[4, -4, 0] > 200
    assert rgb[4, -4, 2] < 80


def test_unknown_orientation_is_left_alone():
    stored = _scene()
    assert turn_upright(stored, 0) is stored
    assert turn_upright(stored, 99) is stored


def test_deep_grey_keeps_its_scale():
    ramp = np.linspace(0, 65535, 64 * 64).reshape(64, 64).astype(np.uint16)
    rgb = decode_photo(_encode(Image.fromarray(ramp), "PNG")).rgb
    assert np.abs(rgb[..., 0].astype(int) - ramp // 257).max() <= 1


@pytest.mark.parametrize("brightest", [1.0, 0.3, 40.0])
def test_float_tiff_of_unit_range(brightest):
    """A dim picture stays dim; where numbers go beyond 1 the greatest is white."""
    ramp = np.linspace(0, brightest, 64 * 64).reshape(64, 64).astype(np.float32)
    rgb = decode_photo(_encode(Image.fromarray(ramp), "TIFF")).rgb
    assert np.abs(rgb[..., 0] - ramp * 255 / max(brightest, 1)).max() <= 1


@pytest.mark.parametrize("mode", ["RGB", "RGBA"])
def test_a_tall_picture_comes_out_row_by_row(mode):
    """It is converted some rows at a time (512)."""
    scene = _scene(40, 700)
    assert np.array_equal(decode_photo(_encode(Image.fromarray(scene).convert(mode), "PNG")).rgb, scene)


@pytest.mark.parametrize("mode", ["L", "P", "1", "CMYK", "YCbCr"])
def test_other_modes_come_out_as_rgb(mode):
    picture = Image.fromarray(_scene()).convert(mode)
    fmt = "PNG" if mode in {"L", "P", "1"} else "JPEG"
    expected = np.asarray(picture.convert("RGB")).astype(int)
    rgb = decode_photo(_encode(picture, fmt)).rgb
    assert rgb.shape == (64, 96, 3)
    assert np.abs(rgb - expected).mean() < 6


def test_transparent_parts_are_white():
    layer = np.dstack([_scene(), np.full((64, 96), 255, np.uint8)])
    layer[32:, :, 3] = 0
    rgb = decode_photo(_encode(Image.fromarray(layer), "PNG")).rgb
    assert (rgb[32:] == 255).all()
    assert (rgb[:32] == _scene()[:32]).all()


def test_the_pages_of_a_tiff_are_not_counted():
    # Every page is the first one's directory again; to count them is to read each, and search all before it.
    out = io.BytesIO()
    Image.new("RGB", (64, 48), (90, 90, 90)).save(out, "TIFF")
    first = out.getvalue() + b"\0" * (len(out.getvalue()) % 2)
    at = int.from_bytes(first[4:8], "little")
    link = at + 2 + 12 * int.from_bytes(first[at : at + 2], "little")
    size = link + 4 - at
    starts = [len(first) + size * n for n in range(10_000)]
    pages = b"".join(first[at:link] + after.to_bytes(4, "little") for after in [*starts[1:], 0])
    data = first[:link] + starts[0].to_bytes(4, "little") + first[link + 4 :] + pages
    started = time.process_time()
    photo = decode_photo(data, name="scan.tif")
    assert (
        time.process_time() - started < 0.4
    )  # counting them took 1.1 s, and four times that for twice as many
    assert photo.rgb[0, 0].tolist() == [90, 90, 90]
    assert "several pictures" in photo.notes[0]


def test_first_of_several_pictures_is_used_and_said():
    first, second = Image.fromarray(_scene()), Image.fromarray(255 - _scene())
    data = _encode(first, "TIFF", save_all=True, append_images=[second])
    photo = decode_photo(data, name="scan.tif")
    assert (photo.rgb == _scene()).all()
    assert photo.notes == ("scan.tif holds several pictures; only the first was looked at.",)


def test_nothing_of_the_metadata_is_kept():
    exif = Image.Exif()
    exif[0x010F] = "secret maker"
    exif.get_ifd(0x8825)[1] = "N"
    photo = decode_photo(_encode(Image.fromarray(_scene()), "JPEG", exif=exif))
    assert "secret" not in repr(photo)


def test_reduced_never_enlarges():
    photo = decode_photo(_encode(Image.fromarray(_scene()), "JPEG"))
    assert photo.reduced(5000).shape == (64, 96, 3)
    with pytest.raises(ValueError, match="at least 1"):
        photo.reduced(0)


def _png_header(width, height):
    body = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunk = struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 0) + b"IEND" + struct.pack(">I", zlib.crc32(b"IEND"))
    )


_JPEG = _encode(Image.fromarray(_scene(640, 480)), "JPEG", quality=90)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"these are words, not a picture\n" * 20, "not a picture"),
        (_JPEG[: len(_JPEG) // 2], "cut short or damaged"),
        (_JPEG[:40], "damaged"),
        (_encode(Image.fromarray(_scene()), "PNG")[:-200], "cut short or damaged"),
        (_encode(Image.new("RGB", (1, 1)), "PNG"), "only 1 x 1 pixels"),
        (_encode(Image.new("RGB", (200, 20)), "PNG"), "only 200 x 20 pixels"),
        (_JPEG[:-2] + b"\xff\xda\0\2" * 25 + _JPEG[-2:], "more than 24 passes"),
        (_png_header(40_000, 40_000), "120 million"),
        (_png_header(13_000, 10_000), "13000 x 10000"),
        (_encode(Image.fromarray(_scene()), "GIF"), "a GIF picture, which is not read"),
        (_encode(Image.fromarray(_scene()), "HEIF")[:60], "cut short or damaged"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(200), "it is a film, not a photo"),
        (b"\0\0\0\x14ftypqt  \0\0\0\0qt  " + bytes(200), "it is a film, not a photo"),
        (b"\x1a\x45\xdf\xa3" + bytes(200), "it is a film, not a photo"),
        (b"RIFF\0\1\0\0AVI LIST" + bytes(200), "it is a film, not a photo"),
    ],
    ids=[
        *("empty", "text", "half", "header only", "png cut", "1x1", "low", "passes", "40k", "13k", "gif"),
        *("heic cut", "mp4", "mov", "webm", "avi"),
    ],
)
def test_bad_files_give_one_sentence(data, words):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(UnreadablePhoto) as caught:
            decode_photo(data, name="yard.jpg")
    message = str(caught.value)
    assert message.startswith("yard.jpg: ")
    assert words in message
    assert "\n" not in message
    assert caught.value.advice


@pytest.mark.parametrize("size", [(70_000, 40), (40, 1000)])
def test_a_strip_is_no_photo(size):
    out = io.BytesIO()
    Image.new("RGB", size).save(out, "PNG")
    with pytest.raises(UnreadablePhoto, match="a strip of"):
        decode_photo(out.getvalue(), name="strip.png")


def test_limit_is_decided_before_decoding():
    # The file has a header and no pixels at all: only the header can have been looked at.
    assert MAX_PIXELS < 13_000 * 10_000
    with pytest.raises(UnreadablePhoto, match="at most"):
        decode_photo(_png_header(13_000, 10_000))


def test_thumbnail_does_not_hide_a_missing_end():
    exif = Image.Exif()
    exif[0x9286] = b"\xff\xd9" * 8  # an end marker inside a segment, as a thumbnail has
    data = _encode(Image.fromarray(_scene(640, 480)), "JPEG", exif=exif)
    assert decode_photo(data).rgb.shape == (480, 640, 3)
    with pytest.raises(UnreadablePhoto, match="cut short"):
        decode_photo(data[: len(data) * 2 // 3])


def test_bytes_after_the_end_do_no_harm():
    assert decode_photo(_JPEG + b"\0" * 5000).rgb.shape == (480, 640, 3)


_SAMPLES = {fmt: _encode(Image.fromarray(_scene()), fmt) for fmt in ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")}


@given(
    fmt=st.sampled_from(sorted(_SAMPLES)),
    at=st.floats(0, 1, exclude_max=True),
    patch=st.binary(min_size=1, max_size=12),
    cut=st.booleans(),
)
def test_damaged_bytes_never_escape_as_another_error(fmt, at, patch, cut):
    sample = _SAMPLES[fmt]
    start = int(at * len(sample))
    data = sample[:start] + patch + (b"" if cut else sample[start + len(patch) :])
    try:
        photo = decode_photo(data)
        assert photo.rgb.shape == (photo.height_px, photo.width_px, 3)
        assert photo.rgb.dtype == np.uint8
    except UnreadablePhoto:
        pass


def test_what_is_wrong_with_a_photo_comes_back_from_a_worker_process():
    with pytest.raises(UnreadablePhoto) as caught:
        decode_photo(b"", name="x.jpg")
    # Copying takes an exception apart and makes it again as a worker process does.
    assert str(copy.copy(caught.value)) == str(caught.value)


def _profile(primaries, gamma=2.2, size=None):
    """An ICC 2.4 profile (ICC.1:2001-04) of three primaries, D50 XYZ, and one exponent."""

    def xyz(values):
        return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in values))

    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"
    words = b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(78 + 3)
    text = b"text\0\0\0\0none\0\0\0\0"
    tags = {b"desc": words, b"cprt": text, b"wtpt": xyz((0.9642, 1.0, 0.8249))}
    tags |= dict(zip((b"rXYZ", b"gXYZ", b"bXYZ"), map(xyz, primaries), strict=True))
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)
    at, table, body = 128 + 4 + 12 * len(tags), struct.pack(">I", len(tags)), b""
    for name, value in tags.items():
        value += bytes(-len(value) % 4)
        table += name + struct.pack(">2I", at + len(body), len(value))
        body += value
    header = struct.pack(">I4sI4s4s4s", at + len(body), b"none", 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    header += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", 63190, 65536, 54061) + bytes(48)
    return header + table + body


# Display P3's primaries (SMPTE EG 432-1, white D65) adapted to D50 with Bradford's matrix, as ICC profiles
# hold them.
_WIDE = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
# sRGB's own primaries (IEC 61966-2-1), adapted so.
_PLAIN = ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410))


@pytest.mark.parametrize(
    ("primaries", "space", "gamma"),
    [(_WIDE, "Display P3", 2.2), (_WIDE, "Display P3", 1.8), (_PLAIN, "sRGB", 1.8)],
)
@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_other_colours_are_brought_to_srgb(colour, fmt, primaries, space, gamma):
    """At every size, of the whole picture and of what is decoded smaller, and in grey."""
    height, long = (200, 3840) if fmt == "JPEG" else (64, 96)  # a large JPEG's grey is decoded by itself
    patch = np.full((height, long, 3), (200, 60, 50), np.uint8)
    data = _encode(Image.fromarray(patch), fmt, quality=95, icc_profile=_profile(primaries, gamma))
    photo = decode_photo(data)
    stored, srgb = (colour.RGB_COLOURSPACES[name] for name in (space, "sRGB"))
    linear = colour.RGB_to_RGB((np.array([200, 60, 50]) / 255) ** gamma, stored, srgb)
    expected = 255 * colour.cctf_encoding(linear, function="sRGB")  # 219, 37, 34 for the first
    for rgb in (photo.rgb, photo.reduced(long), photo.reduced(long * 9 // 10), photo.reduced(long // 2)):
        np.testing.assert_allclose(rgb.mean((0, 1)), expected, atol=4)  # the coding loses some
    assert photo.grey.mean() == pytest.approx(expected @ (0.299, 0.587, 0.114), abs=3)  # ITU-R BT.601


def test_a_huge_picture_is_looked_at_in_half_its_size(monkeypatch):
    """As it is with one of more than MAX_PIXELS, which is lowered for it."""
    monkeypatch.setattr("plugface.vision.photo.MAX_PIXELS", 100_000)
    scene = _scene(641, 480)
    whole = decode_photo(_encode(Image.fromarray(scene), "JPEG", quality=95), name="huge.jpg")
    assert (whole.width_px, whole.height_px) == (321, 240)
    assert whole.notes == ("huge.jpg has 641 x 480 pixels; it was looked at in half that size.",)
    assert whole.rgb.shape == (240, 321, 3)
    for side in (321, 200, 160, 80, 40):
        small = whole.reduced(side)
        assert 0.95 * side <= max(small.shape[:2]) <= side
        expected = cv2.resize(scene, small.shape[1::-1], interpolation=cv2.INTER_AREA)
        # As where other sizes are compared: edges are soft, and colour is stored at half size.
        assert np.abs(small.astype(int) - expected).mean() < 6


@pytest.mark.parametrize("profile", [b"no profile at all", _profile(_WIDE)[:200], _profile(((0, 0, 0),) * 3)])
def test_a_broken_profile_is_left_alone(profile):
    data = _encode(Image.fromarray(_scene()), "PNG", icc_profile=profile)
    assert np.array_equal(decode_photo(data).rgb, _scene())


def test_a_profile_of_srgb_costs_nothing():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = _encode(Image.fromarray(_scene()), "JPEG", quality=95, icc_profile=profile)
    assert np.array_equal(
        decode_photo(data).rgb, decode_photo(_encode(Image.fromarray(_scene()), "JPEG", quality=95)).rgb
    )
