"""White balance in linear light, against published reflectances under standard illuminants."""

import colour
import numpy as np
import pytest

from vision.colour import ciede2000, to_lab
from vision.white_balance import apply_gains, measure_white_balance, to_display, to_linear


def _checker(illuminant: str) -> tuple[np.ndarray, np.ndarray]:
    """24 patches as a phone fixed at daylight sees them in this light, and under D65: linear sRGB (24, 3).

    Spectra: BabelColor average of 30 charts, CIE illuminants and the CIE 1931 2 degree observer, all as
    colour-science carries them.
    """
    matrix = np.linalg.inv(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ)

    def seen(name: str) -> np.ndarray:
        light = colour.SDS_ILLUMINANTS[name]
        charts = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
        return np.array([colour.sd_to_XYZ(sd, illuminant=light) / 100 @ matrix.T for sd in charts])

    return seen(illuminant), seen("D65")


def _picture(patches: np.ndarray) -> np.ndarray:
    """Patches as 40 x 40 pixel squares in 4 rows of 6, display-referred."""
    squares = to_display(np.clip(patches, 0, 1) * 0.9).reshape(4, 6, 3)
    return squares.repeat(40, 0).repeat(40, 1)


def _errors(picture: np.ndarray, white_balance, truth: np.ndarray) -> np.ndarray:
    linear = to_linear(picture) if white_balance is None else apply_gains(picture, white_balance)
    middles = linear[20::40, 20::40].reshape(24, 3) / 0.9
    middles = middles * (truth[21].mean() / middles[21].mean())  # exposure is no part of this
    return ciede2000(to_lab(middles), to_lab(truth))


@pytest.mark.parametrize(
    ("illuminant", "most_after"),
    # Measured 2026-11-25: what is left is what a diagonal scaling cannot do; lamps leave more than daylight.
    [("A", 8.0), ("D50", 3.0), ("D75", 3.0), ("FL2", 6.0), ("FL11", 8.0)],
)
def test_paper_takes_the_cast_off_a_colour_chart(illuminant, most_after):
    relit, truth = _checker(illuminant)
    picture = _picture(relit)
    paper = np.zeros(picture.shape[:2], bool)
    paper[120:, 40:80] = True  # neutral 8, light as a used label
    white_balance = measure_white_balance(picture, paper=paper)
    before, after = _errors(picture, None, truth).mean(), _errors(picture, white_balance, truth).mean()
    print(f"{illuminant}: mean CIEDE2000 {before:.2f} before, {after:.2f} after")
    assert white_balance.method == "label paper"
    assert after < most_after
    assert after < before


def test_grey_metal_serves_where_there_is_no_paper():
    relit, truth = _checker("A")
    picture = _picture(relit)
    metal = np.zeros(picture.shape[:2], bool)
    metal[120:, 80:160] = True
    white_balance = measure_white_balance(picture, paper=np.zeros_like(metal), metal=metal)
    assert white_balance.method == "neutral metal"
    assert _errors(picture, white_balance, truth).mean() < _errors(picture, None, truth).mean() / 2


def test_statistics_never_make_a_chart_much_worse():
    for illuminant in ("D65", "A", "FL2"):
        relit, truth = _checker(illuminant)
        picture = _picture(relit)
        white_balance = measure_white_balance(picture)
        assert white_balance.method == "statistics"
        # A quarter above what was there is the price of guessing; under D65 nothing was wrong to begin with.
        assert (
            _errors(picture, white_balance, truth).mean() < 1.25 * _errors(picture, None, truth).mean() + 3.0
        )


def test_a_green_label_is_not_taken_for_paper():
    picture = np.full((60, 60, 3), (40, 160, 40), np.uint8)
    assert measure_white_balance(picture, paper=np.ones((60, 60), bool)).method == "statistics"


def test_a_black_photo_gives_no_gains():
    white_balance = measure_white_balance(np.zeros((50, 50, 3), np.uint8))
    assert (white_balance.method, white_balance.gains_rgb, white_balance.confidence) == ("none", (1, 1, 1), 0)


def test_coding_and_decoding_agree():
    values = np.arange(256, dtype=np.uint8).repeat(3).reshape(-1, 3)
    assert np.array_equal(to_display(to_linear(values)), values)
