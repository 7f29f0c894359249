"""Colour against published numbers and against the library colour-science.

Sources: IEC 61966-2-1:1999 (sRGB: transfer function, primaries, matrices), IEC 60757 (codes of colours),
Sharma, Wu & Dalal 2005 (CIEDE2000), BabelColor's average of 30 ColorChecker charts.
"""

from typing import get_args

import numpy as np
import pytest
from plugface.cli.present.swatches import SWATCHES
from plugface.demo.studio import shades
from plugface.models.catalogue.entries import ColourCode
from plugface.vision.colour.naming import ciede2000, to_lab
from plugface.vision.colour.white_balance import apply_gains, measure_white_balance, to_linear
from plugface.vision.colour_table import COLOUR_CODES

# Sharma, Wu & Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes, Supplementary Test Data,
# and Mathematical Observations", Color Research and Application 30 (2005), Table 1:
# L1 a1 b1 L2 a2 b2 difference.
# Written down from memory; all 34 agree with the library to the four decimals that the table gives.
PAIRS = np.array(
    [
        [float(value) for value in line.split()]
        for line in """
    50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
    50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
    50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
    50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
    50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
    50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
    50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
    50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
    50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
    50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
    50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
    50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
    50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
    50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
    50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
    50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
    50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
    50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
    50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
    50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
    50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
    50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
    50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
    50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
    60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
    63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
    61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
    35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
    22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
    36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
    90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
    90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
    6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
    2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
""".strip().splitlines()
    ]
)


def test_ciede2000_gives_the_published_differences():
    assert len(PAIRS) == 34
    # Half a unit of the last printed decimal.
    np.testing.assert_allclose(ciede2000(PAIRS[:, :3], PAIRS[:, 3:6]), PAIRS[:, 6], atol=5.1e-5)


def test_ciede2000_agrees_with_colour_science(colour):
    """Sharma, Wu & Dalal 2005, as another library has it, on colours all over the solid."""
    rng = np.random.default_rng(5)
    first, second = (rng.uniform((0, -90, -90), (100, 90, 90), (500, 3)) for _ in range(2))
    # 1e-9: the same formula in another order of operations.
    np.testing.assert_allclose(
        ciede2000(first, second), colour.delta_E(first, second, method="CIE 2000"), atol=1e-9
    )


def test_srgb_decodes_as_the_standard_says(colour):
    """IEC 61966-2-1, 5.2, as colour-science has it, at all 256 codes."""
    codes = np.arange(256, dtype=np.uint8)
    expected = colour.models.eotf_sRGB(codes / 255)
    # 6e-8: half a step of a 32-bit float near 1.
    np.testing.assert_allclose(to_linear(codes), expected, atol=6e-8)


@pytest.mark.parametrize("hexadecimal", ["000000", "0A0B0C", "808080", "CC5500", "FFFFFF"])
def test_the_studio_decodes_as_the_standard_says(colour, hexadecimal):
    """IEC 61966-2-1, as colour-science has it; the studio has code of its own, for it may not use vision/."""
    coded = np.array([int(hexadecimal[k : k + 2], 16) for k in (0, 2, 4)]) / 255
    expected = colour.models.eotf_sRGB(coded)
    np.testing.assert_allclose(shades.to_linear(hexadecimal), expected, atol=1e-7)


# IEC 61966-2-1, equation 7: linear sRGB to XYZ, D65.
SRGB_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def test_lab_of_srgb_goes_through_the_standards_matrix(colour):
    """IEC 61966-2-1 matrix (from memory, and as colour-science has it), then CIE 1976 L*a*b* under D65."""
    np.testing.assert_array_equal(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ, SRGB_TO_XYZ)
    rng = np.random.default_rng(6)
    linear = to_linear(rng.integers(0, 256, (400, 3), dtype=np.uint8)).astype(float)
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    expected = colour.XYZ_to_Lab(linear @ SRGB_TO_XYZ.T, white)
    # The white point is the matrix's own there and has four decimals as a chromaticity here.
    np.testing.assert_allclose(to_lab(linear), expected, atol=0.02)


def test_colour_codes_are_those_of_iec_60757():
    """IEC 60757 (from memory): two-letter codes of colours. GD and SR, gold and silver, are no plastics."""
    table = {
        "BK": "black",
        "BN": "brown",
        "RD": "red",
        "OG": "orange",
        "YE": "yellow",
        "GN": "green",
        "BU": "blue",
        "VT": "violet",
        "GY": "grey",
        "WH": "white",
        "PK": "pink",
        "TQ": "turquoise",
    }
    assert set(COLOUR_CODES) == set(table) == set(get_args(ColourCode))
    assert {code: name for code, (name, _) in SWATCHES.items()} == table


def _checker(colour, illuminant: str) -> tuple[np.ndarray, np.ndarray]:
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


def _picture(colour, patches: np.ndarray) -> np.ndarray:
    """Patches as 40 x 40 pixel squares in 4 rows of 6, display-referred."""
    coded = colour.models.eotf_inverse_sRGB(np.clip(patches, 0, 1) * 0.9)
    squares = np.round(coded * 255).astype(np.uint8).reshape(4, 6, 3)
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
def test_paper_takes_the_cast_off_a_colour_chart(colour, illuminant, most_after):
    relit, truth = _checker(colour, illuminant)
    picture = _picture(colour, relit)
    paper = np.zeros(picture.shape[:2], bool)
    paper[120:, 40:80] = True  # neutral 8, light as a used label
    white_balance = measure_white_balance(picture, paper=paper)
    before, after = _errors(picture, None, truth).mean(), _errors(picture, white_balance, truth).mean()
    print(f"{illuminant}: mean CIEDE2000 {before:.2f} before, {after:.2f} after")
    assert white_balance.method == "label paper"
    assert after < most_after
    assert after < before


def test_grey_metal_serves_where_there_is_no_paper(colour):
    relit, truth = _checker(colour, "A")
    picture = _picture(colour, relit)
    metal = np.zeros(picture.shape[:2], bool)
    metal[120:, 80:160] = True
    white_balance = measure_white_balance(picture, paper=np.zeros_like(metal), metal=metal)
    assert white_balance.method == "neutral metal"
    assert _errors(picture, white_balance, truth).mean() < _errors(picture, None, truth).mean() / 2


def test_statistics_never_make_a_chart_much_worse(colour):
    for illuminant in ("D65", "A", "FL2"):
        relit, truth = _checker(colour, illuminant)
        picture = _picture(colour, relit)
        white_balance = measure_white_balance(picture)
        assert white_balance.method == "statistics"
        # A quarter above what was there is the price of guessing; under D65 nothing was wrong to begin with.
        assert (
            _errors(picture, white_balance, truth).mean() < 1.25 * _errors(picture, None, truth).mean() + 3.0
        )
