"""The gate names what is wrong with a photo, and does not cry wolf."""

import cv2
import numpy as np
import pytest
from plugface.vision.quality import colour_fault, measure_blur, measure_quality, mirrored_fault


def _scene(width=800, height=600, seed=3):
    """Boxes of random grey with crisp edges in all directions, drawn four times too large and shrunk."""
    rng = np.random.default_rng(seed)
    big = np.full((height * 4, width * 4), 140, np.uint8)
    for _ in range(60):
        centre = rng.uniform((0, 0), (width * 4, height * 4))
        box = cv2.boxPoints((tuple(centre), tuple(rng.uniform(150, 700, 2)), rng.uniform(0, 180)))
        cv2.fillPoly(big, [box.astype(np.int32)], int(rng.integers(40, 230)))
    grey = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA)
    return cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB)


def _names(quality):
    return {fault.name for fault in quality.faults}


def test_a_good_photo_has_no_fault():
    quality = measure_quality(_scene())
    assert quality.faults == ()
    assert quality.usable
    assert (quality.width_px, quality.height_px) == (800, 600)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 3.0, 5.0, 8.0])
def test_blur_of_known_size_is_measured(sigma):
    luma = cv2.GaussianBlur(_scene()[..., 0], (0, 0), sigma)
    # Edges that cross inside the blur look softer, and pixels sample the ridge coarsely: 30 % and 0.4 px.
    assert measure_blur(luma) == pytest.approx(sigma, rel=0.3, abs=0.4)


@pytest.mark.parametrize("noise", [3.0, 8.0])
def test_noise_does_not_hide_blur(noise):
    rng = np.random.default_rng(0)
    luma = cv2.GaussianBlur(_scene()[..., 0], (0, 0), 4.0) + rng.normal(0, noise, (600, 800))
    assert measure_blur(np.clip(luma, 0, 255).astype(np.uint8)) > 2.5


def test_shake_along_one_direction_is_seen():
    kernel = np.full((1, 21), 1 / 21, np.float32)
    luma = cv2.filter2D(_scene()[..., 0], -1, kernel)
    # A box of 21 px has a standard deviation of 21 / sqrt(12) = 6.1 px; its edge is a ramp, not a Gaussian,
    # and flatter in the middle, where the ridge is, than a Gaussian of that spread.
    assert 4.0 < measure_blur(luma) < 12.0


def test_smooth_but_sharp_scene_is_not_blurred():
    y, x = np.mgrid[0:600, 0:800].astype(np.float32)
    smooth = 120 + 60 * np.sin(x / 90) * np.cos(y / 70)  # shading only
    smooth[300:420, 200:500] += 40  # and one crisp plate
    quality = measure_quality(np.repeat(smooth.astype(np.uint8)[..., None], 3, axis=2))
    assert "blurred" not in _names(quality)
    assert quality.blur_px < 1.5


def test_scene_without_edges_is_not_called_blurred():
    assert measure_quality(np.full((600, 800, 3), 128, np.uint8)).blur_px == 0.0


def test_heavy_blur_forbids_an_answer():
    quality = measure_quality(cv2.GaussianBlur(_scene(), (0, 0), 12))
    assert "blurred" in _names(quality)
    assert not quality.usable


@pytest.mark.parametrize("units", [[], [((200, 150), (600, 150), (600, 450), (200, 450))]])
@pytest.mark.parametrize("sigma", [24, 48])
def test_a_blur_that_leaves_hardly_an_edge_is_a_blur(sigma, units):
    grain = np.random.default_rng(1).normal(0, 2, (600, 800, 3))  # as a phone's noise after its blur
    rgb = np.clip(cv2.GaussianBlur(_scene(), (0, 0), sigma) + grain, 0, 255).astype(np.uint8)
    quality = measure_quality(rgb, units=units)
    assert "blurred" in _names(quality)
    assert sigma < 48 or quality.blur_px >= 0.03 * (400 if units else 800)


def test_a_sharp_plate_alone_on_one_shade_is_not_blurred():
    rgb = np.full((600, 800, 3), 200, np.uint8)
    rgb[200:400, 300:500] = 40  # four straight edges are all that there is
    assert "blurred" not in _names(measure_quality(rgb))


def test_shading_of_a_few_levels_without_an_edge_is_not_called_blurred():
    rgb = np.repeat(np.linspace(120, 134, 800)[None, :, None], 600, axis=0).repeat(3, axis=2).astype(np.uint8)
    assert measure_quality(rgb).blur_px == 0.0


def test_black_photo_is_dark():
    quality = measure_quality(np.zeros((600, 800, 3), np.uint8))
    assert _names(quality) == {"dark"}
    assert not quality.usable
    assert quality.median_luma == 0.0


def test_black_unit_on_a_light_bench_is_not_dark():
    rgb = np.full((600, 800, 3), 190, np.uint8)
    rgb[150:450, 200:600] = 25
    rgb[200:260, 250:550] = (200, 200, 195)  # its label
    unit = ((200, 150), (600, 150), (600, 450), (200, 450))
    assert "dark" not in _names(measure_quality(rgb, units=[unit]))


def test_white_photo_is_burnt():
    assert "burnt" in _names(measure_quality(np.full((600, 800, 3), 255, np.uint8)))


def test_burnt_background_does_not_matter_when_the_unit_is_known():
    rgb = np.full((600, 800, 3), 255, np.uint8)
    unit = ((200, 150), (600, 150), (600, 450), (200, 450))
    rgb[150:450, 200:600] = _scene()[150:450, 200:600]
    assert "burnt" not in _names(measure_quality(rgb, units=[unit]))


def test_small_unit_is_small_in_photo_pixels():
    unit = ((200, 150), (290, 150), (290, 210), (200, 210))
    assert "small" in _names(measure_quality(_scene(), units=[unit]))
    larger = tuple((x * 4, y * 4) for x, y in unit)
    assert "small" not in _names(measure_quality(_scene(), photo_size=(3200, 2400), units=[larger]))


def test_glare_over_a_plug():
    rgb = _scene()
    plug = ((300, 200), (400, 200), (400, 260), (300, 260))
    rgb[200:230, 300:401] = 255
    quality = measure_quality(rgb, connectors=[plug])
    assert "glare" in _names(quality)
    assert quality.usable  # it may still be answered, with the fault said


def _box(x0, y0, x1, y1, times=1.0):
    return tuple((x * times, y * times) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1)))


@pytest.mark.parametrize(("brightest", "dark"), [(30, True), (60, False)])
def test_a_photo_is_dark_by_its_bright_parts(brightest, dark):
    """Of 255: the limit of 0.16 lies at 41."""
    rgb = np.full((600, 800, 3), 5, np.uint8)
    rgb[:120] = brightest  # a fifth
    assert ("dark" in _names(measure_quality(rgb))) is dark


@pytest.mark.parametrize(("rows", "burnt"), [(90, False), (150, True)])
@pytest.mark.parametrize("times", [1, 4])
def test_a_unit_is_burnt_out_by_half_and_not_by_a_third_of_it(rows, burnt, times):
    rgb = _scene()
    rgb[150 : 150 + rows, 200:600] = 255
    unit = _box(200, 150, 600, 450, times)
    quality = measure_quality(rgb, photo_size=(800 * times, 600 * times), units=[unit])
    assert ("burnt" in _names(quality)) is burnt


@pytest.mark.parametrize("shade", [(255, 255, 0), (255, 30, 30), (255, 250, 200)])
def test_what_is_brightly_coloured_is_not_burnt_out(shade):
    rgb = _scene()
    rgb[150:450, 200:600] = shade
    assert "burnt" not in _names(measure_quality(rgb, units=[_box(200, 150, 600, 450)]))


def test_a_unit_in_the_shade_of_a_bright_yard_is_dark():
    rgb = np.full((600, 800, 3), 200, np.uint8)
    rgb[150:451, 200:601] = _scene()[150:451, 200:601] // 8  # 29 of 255 at most
    assert _names(measure_quality(rgb, units=[_box(200, 150, 600, 450)])) == {"dark"}


@pytest.mark.parametrize("times", [1, 4])
@pytest.mark.parametrize("inside", [True, False])
def test_the_unit_is_blurred_or_sharp_whatever_lies_round_it(inside, times):
    sharp, soft = _scene(), cv2.GaussianBlur(_scene(), (0, 0), 6)  # 3 % of the unit
    rgb, part = (sharp, soft) if inside else (soft, sharp)
    rgb[100:500, 150:650] = part[100:500, 150:650]  # some way round the unit too
    unit = _box(300, 220, 500, 380, times)
    quality = measure_quality(rgb, photo_size=(800 * times, 600 * times), units=[unit])
    assert ("blurred" in _names(quality)) is inside


@pytest.mark.parametrize("times", [1, 4])
def test_blur_is_told_in_pixels_of_the_photo(times):
    rgb = cv2.GaussianBlur(_scene(), (0, 0), 12)
    quality = measure_quality(rgb, photo_size=(800 * times, 600 * times))
    # As where blur of known size is measured: 30 % for what lies near.
    assert quality.blur_px == pytest.approx(12 * times, rel=0.3)
    (fault,) = (fault for fault in quality.faults if fault.name == "blurred")
    assert f"over some {2 * quality.blur_px:.0f} pixels" in fault.message  # a deviation to either side


def test_of_several_units_the_smallest_is_spoken_of():
    large, small, tiny = (_box(50, 50, 700, 550), _box(300, 200, 440, 300), _box(300, 200, 390, 260))
    rgb = cv2.GaussianBlur(_scene(), (0, 0), 5)  # 0.7 % of the large one, and 3.6 % of the small one
    assert _names(measure_quality(rgb, units=[large])) == set()
    assert _names(measure_quality(rgb, units=[large, small])) == {"blurred"}
    for units in ([large, tiny], [tiny, large]):
        (fault,) = measure_quality(_scene(), units=units).faults
        assert (fault.name, fault.measured) == ("small", 90)


@pytest.mark.parametrize("times", [1, 4])
@pytest.mark.parametrize("worst", range(3))
def test_glare_on_any_of_several_plugs_is_told(worst, times):
    rgb = _scene()
    plugs = [(100 + 200 * k, 200, 180 + 200 * k, 260) for k in range(3)]
    x0, y0, x1, _ = plugs[worst]
    rgb[y0 : y0 + 30, x0 : x1 + 1] = 255  # half of it
    plugs = [_box(*plug, times) for plug in plugs]
    quality = measure_quality(rgb, photo_size=(800 * times, 600 * times), connectors=plugs)
    (fault,) = quality.faults
    # A row more: a polygon's edge is drawn as well.
    assert (fault.name, fault.measured) == ("glare", pytest.approx(0.5, abs=0.02))


def test_mirrored_only_when_the_mirror_reads_clearly_better():
    assert mirrored_fault(0.3, 0.95).name == "mirrored"
    assert mirrored_fault(0.9, 0.95) is None
    assert mirrored_fault(0.1, 0.5) is None


def test_every_fault_tells_what_to_do():
    for rgb in (np.zeros((90, 90, 3), np.uint8), np.full((90, 90, 3), 255, np.uint8)):
        for fault in measure_quality(rgb).faults:
            assert fault.message.endswith(".")
            assert fault.advice.endswith(".")


def test_wrong_shape_is_refused():
    with pytest.raises(ValueError, match="shape"):
        measure_quality(np.zeros((10, 10), np.uint8))


def _coloured(seed=5):
    rng = np.random.default_rng(seed)
    scene = _scene(seed=seed)
    for shade in ((200, 40, 40), (40, 160, 70), (240, 200, 40)):
        x, y = rng.integers(80, 600), rng.integers(80, 400)
        cv2.rectangle(scene, (int(x), int(y)), (int(x) + 120, int(y) + 70), shade, -1)
    return scene


def _tinted(rgb, tint):
    return np.clip(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)[..., None] * np.array(tint), 0, 255).astype(np.uint8)


def _as_jpeg(rgb, quality):
    coded = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1]


@pytest.mark.parametrize("tint", [(1, 1, 1), (1, 0.87, 0.68), (1, 0.75, 0.4), (0.5, 0.7, 1)])
@pytest.mark.parametrize("quality", [75, 90])
def test_a_grey_copy_and_a_single_tint_have_no_colours(tint, quality):
    fault = colour_fault(_as_jpeg(_tinted(_coloured(), tint), quality))
    assert fault is not None
    assert fault.name == "colourless"


@pytest.mark.parametrize("grey", [True, False])
def test_a_small_picture_on_a_white_sheet_is_told_like_any_other(grey):
    sheet = np.full((1500, 2000, 3), 255, np.uint8)
    part = cv2.resize(_coloured(), None, fx=0.6, fy=0.6)
    sheet[500 : 500 + part.shape[0], 700 : 700 + part.shape[1]] = _tinted(part, (1, 1, 1)) if grey else part
    fault = colour_fault(_as_jpeg(sheet, 90))
    assert (fault is not None) is grey


def test_a_coloured_stamp_on_a_grey_copy_does_not_hide_it():
    grey = _tinted(_coloured(), (1, 1, 1))
    grey[560:590, 640:780] = (255, 140, 0)  # 0.9 % of the picture: the date that a messenger prints on it
    assert colour_fault(grey) is not None


@pytest.mark.parametrize("light", [(1, 1, 1), (1, 0.8, 0.5), (0.7, 0.85, 1)])
def test_colours_under_coloured_light_are_colours(light):
    lit = np.clip(_coloured() * np.array(light), 0, 255).astype(np.uint8)
    assert colour_fault(_as_jpeg(lit, 75)) is None


def test_a_photo_that_is_burnt_out_is_not_called_grey():
    assert colour_fault(np.full((600, 800, 3), 255, np.uint8)) is None
