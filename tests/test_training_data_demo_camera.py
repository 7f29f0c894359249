"""The phone's part, and the geometry of the truth."""

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image, ImageOps
from plugface.demo.studio import truth
from plugface.demo.studio.camera import develop, encode_jpeg
from plugface.demo.studio.shots import Development

PLAIN = Development(
    exposure_ev=0.0,
    white_balance=0.0,
    wb_red=1.0,
    wb_blue=1.0,
    contrast=1.0,
    saturation=1.0,
    vignette=0.0,
    blur_px=0.0,
    motion_px=0.0,
    motion_deg=0.0,
    noise=0.0,
    smoothing=0.0,
    sharpening=0.0,
    jpeg_quality=92,
    orientation=1,
)


def _with(**changes) -> Development:
    return dataclasses.replace(PLAIN, **changes)


def _scene(seed=3) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0.02, 0.4, (48, 64, 3)).astype(np.float16)


def test_the_same_generator_gives_the_same_picture():
    noisy = _with(noise=0.03, smoothing=0.6, sharpening=0.5)
    first, second = (develop(_scene(), noisy, np.random.default_rng(5)) for _ in range(2))
    assert first.dtype == np.uint8
    assert first.shape == (48, 64, 3)
    assert np.array_equal(first, second)
    assert not np.array_equal(first, develop(_scene(), noisy, np.random.default_rng(6)))


def test_exposure_does_not_depend_on_the_light_there_is():
    dim, bright = (
        develop(_scene(), PLAIN, np.random.default_rng(0)),
        develop(_scene() * 40, PLAIN, np.random.default_rng(0)),
    )
    assert np.abs(dim.astype(int) - bright).max() <= 2  # float16 rounding of the input


def test_exposure_error_brightens_and_darkens():
    means = [develop(_scene(), _with(exposure_ev=ev), np.random.default_rng(0)).mean() for ev in (-1, 0, 1)]
    assert means == sorted(means)
    assert means[0] < means[1] - 15


@pytest.mark.parametrize(
    ("light", "most_left"),
    # What a lamp (2700 K) and a shaded sky (9000 K) do to grey, roughly; the cold bound leaves a part of a
    # blue mean, which may be the subject's own colour. The limits are ours.
    [((1.6, 1.0, 0.45), 0.4), ((1.25, 1.0, 0.75), 0.4), ((0.85, 1.0, 1.25), 0.4), ((0.5, 1.0, 1.8), 0.8)],
)
def test_white_balance_takes_out_lamplight_and_most_of_shade(light, most_left):
    lit = _scene().astype(np.float32).mean(2, keepdims=True) * np.float32(light)
    raw = develop(lit, PLAIN, np.random.default_rng(0)).reshape(-1, 3).mean(0)
    balanced = develop(lit, _with(white_balance=1.0), np.random.default_rng(0)).reshape(-1, 3).mean(0)
    assert np.ptp(balanced) < most_left * np.ptp(raw)


def test_black_light_gives_a_picture_and_no_warning():
    assert np.isfinite(develop(np.zeros((48, 64, 3)), PLAIN, np.random.default_rng(0))).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_viewer_that_honours_exif_sees_the_photo_upright(orientation):
    picture = np.full((48, 64, 3), 40, np.uint8)
    picture[4:14, 40:60] = (250, 60, 60)  # an asymmetric mark
    photo = encode_jpeg(picture, _with(orientation=orientation))
    with Image.open(io.BytesIO(photo)) as stored:
        assert stored.getexif()[0x0112] == orientation
        shown = np.asarray(ImageOps.exif_transpose(stored)).astype(int)
    assert shown.shape == picture.shape
    assert np.abs(shown - picture).mean() < 4  # JPEG at quality 92


def test_jpeg_carries_nothing_but_the_orientation():
    with Image.open(io.BytesIO(encode_jpeg(_scene().astype(np.uint8), _with(orientation=6)))) as photo:
        assert set(photo.getexif()) == {0x0112}


def test_a_point_ahead_of_the_lens_is_in_the_middle():
    view = {"axes": np.eye(3), "eye": [0.0, 0.0, 1.0], "focal_px": 800.0}
    pixels = truth.project([[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0]], view, 640, 480)
    assert pixels == pytest.approx(np.array([[320, 240], [400, 240], [320, 160]]))  # 800 px * 0.1 m / 1 m


def test_polygons_are_cut_to_the_frame():
    square = np.array([[-10.0, -10], [10, -10], [10, 10], [-10, 10]])
    assert truth.area(truth.clip_polygon(square, 100, 100)) == pytest.approx(100)
    assert len(truth.clip_polygon(square - 50, 100, 100)) == 0


def test_visible_share_counts_what_is_beyond_the_frame_as_hidden():
    seen = np.ones((100, 100), bool)
    square = np.array([[-10.0, 20], [10, 20], [10, 40], [-10, 40]])
    assert truth.visible_share(square, seen) == pytest.approx(0.5, abs=0.02)
    assert truth.visible_share(square + np.array([30.0, 0.0]), seen) == pytest.approx(1.0, abs=0.01)
    assert truth.visible_share(square + np.array([30.0, 0.0]), ~seen) == 0.0
