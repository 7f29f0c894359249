"""Colour differences against published pairs, and colours of housings from their pixels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.colour import (
    PROTOTYPES,
    NamedShade,
    ciede2000,
    classical_posterior,
    measure_patch,
    named_share,
    to_lab,
    weigh,
)
from vision.observations import COLOUR_CODES
from vision.white_balance import to_linear

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


# sRGB of plastics in plain light, written down by eye.
PLASTICS = {
    "BK": (32, 32, 34),
    "BN": (105, 68, 48),
    "RD": (180, 35, 40),
    "OG": (230, 115, 30),
    "YE": (225, 190, 45),
    "GN": (45, 120, 70),
    "BU": (30, 85, 160),
    "VT": (105, 65, 140),
    "GY": (125, 126, 128),
    "WH": (222, 221, 214),
    "PK": (225, 140, 165),
    "TQ": (60, 150, 155),
}


@pytest.mark.parametrize("code", COLOUR_CODES)
def test_a_clean_patch_in_plain_light_has_its_own_code_first(code):
    pixels = to_linear(np.full((200, 3), PLASTICS[code], np.uint8))
    posterior = classical_posterior(*measure_patch(pixels), 0.1)
    assert max(posterior, key=posterior.get) == code
    assert sum(posterior.values()) == pytest.approx(1)


def test_doubt_about_the_light_makes_the_colour_less_sure():
    patch = measure_patch(to_linear(np.full((200, 3), PLASTICS["OG"], np.uint8)))
    assert classical_posterior(*patch, 1.0)["OG"] < classical_posterior(*patch, 0.0)["OG"]


def test_glare_and_cavity_do_not_change_the_colour():
    rng = np.random.default_rng(1)
    pixels = np.full((300, 3), PLASTICS["GN"], np.uint8)
    pixels[:20] = 255
    pixels[20:100] = rng.integers(5, 25, (80, 1))
    posterior = classical_posterior(*measure_patch(to_linear(pixels)), 0.1)
    assert max(posterior, key=posterior.get) == "GN"


def test_too_few_pixels_say_nothing():
    assert measure_patch(np.zeros((5, 3), np.float32)) is None


def test_without_pixels_the_network_alone_speaks():
    network = {code: (0.78 if code == "BU" else 0.02) for code in COLOUR_CODES}
    assert weigh(network, None)["BU"] > 0.6


@given(st.lists(st.floats(0.001, 1.0), min_size=24, max_size=24))
def test_weighing_gives_a_posterior(shares):
    first, second = (np.array(s) / sum(s) for s in (shares[:12], shares[12:]))
    both = weigh(dict(zip(COLOUR_CODES, first, strict=True)), dict(zip(COLOUR_CODES, second, strict=True)))
    assert sum(both.values()) == pytest.approx(1)
    assert set(both) == set(COLOUR_CODES) == set(PROTOTYPES)


def test_white_is_lab_100_0_0():
    np.testing.assert_allclose(to_lab(np.ones((1, 3))), [[100, 0, 0]], atol=0.1)


# A slate blue between the prototypes of grey and blue; somebody sorts it under turquoise.
SLATE = NamedShade("TQ", (45.0, -4.0, -18.0))


def test_a_named_shade_is_known_by_its_code_and_only_near_it():
    still = np.zeros(3)
    near, far = np.array(SLATE.lab), np.array(PROTOTYPES["RD"][0], float)
    assert classical_posterior(near, still, 0.1)["TQ"] < 0.5
    assert classical_posterior(near, still, 0.1, [SLATE])["TQ"] > 0.8
    assert named_share(near, still, 0.1, [SLATE]) > 0.8
    assert named_share(far, still, 0.1, [SLATE]) < 1e-6
    plain = classical_posterior(far, still, 0.1)
    assert classical_posterior(far, still, 0.1, [SLATE]) == pytest.approx(plain, abs=1e-6)


def test_where_a_named_shade_explains_the_pixels_the_network_is_outweighed():
    network = {code: (0.89 if code == "GY" else 0.01) for code in COLOUR_CODES}
    patch = np.array(SLATE.lab), np.zeros(3), 0.1
    assert max(weigh(network, classical_posterior(*patch)).items(), key=lambda i: i[1])[0] == "GY"
    both = weigh(network, classical_posterior(*patch, [SLATE]), named_share(*patch, [SLATE]))
    assert max(both, key=both.get) == "TQ"


def test_a_shade_needs_a_code_of_the_standard():
    with pytest.raises(ValueError, match="none of BK BN"):
        NamedShade("teal", (50.0, 0.0, 0.0))
