"""Colours of housings from their pixels, and opinions on them weighed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from plugface.vision.colour.naming import (
    NamedShade,
    classical_posterior,
    measure_patch,
    named_share,
    pool_opinions,
    to_lab,
)
from plugface.vision.colour.white_balance import to_linear
from plugface.vision.colour_table import BY_CODE, COLOUR_CODES
from scipy.stats import norm

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


# Linear sRGB to XYZ, IEC 61966-2-1, and the white that it makes of (1, 1, 1).
_TO_XYZ = np.array([(0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505)])


def _linear_of(lab):
    """Linear sRGB of Lab (N, 3), CIE 15:2004, the way back; of colours that are not nearly black."""
    y = (lab[:, 0] + 16) / 116
    cubes = np.stack([y + lab[:, 1] / 500, y, y - lab[:, 2] / 200], axis=1) ** 3
    return (cubes * _TO_XYZ.sum(axis=1)) @ np.linalg.inv(_TO_XYZ).T


def test_a_patch_has_the_middle_and_the_spread_of_its_plastic_though_a_third_is_cavity():
    """Grain of known spread on green; 34 of 100 pixels are a cavity's, 6 are glare."""
    rng = np.random.default_rng(7)
    plastic, cavity, glare = (44.0, -34.0, 20.0), (12.0, 0.0, 0.0), (97.0, 0.0, 0.0)
    grain = (0.5, 3.0, 6.0)  # what lightness strays is cut off with the cavity and the glare
    lab = np.concatenate(
        [
            rng.normal(plastic, grain, (6000, 3)),
            rng.normal(cavity, 1, (3400, 3)),
            rng.normal(glare, 0.5, (600, 3)),
        ]
    )
    middle, spread = measure_patch(_linear_of(lab))
    # 0.5: a median of thousands is surer; what is left of glare or cavity among the kept moves it a little.
    np.testing.assert_allclose(middle, plastic, atol=0.5)
    np.testing.assert_allclose(spread[1:], grain[1:], rtol=0.15)


LAB = st.tuples(st.floats(0, 100), st.floats(-60, 60), st.floats(-60, 60)).map(np.array)


@given(LAB, arrays(float, 3, elements=st.floats(0, 20)), st.floats(0, 1))
def test_colours_share_a_patch_by_their_densities_and_a_twentieth_is_dirts(lab, spread, doubt):
    """By scipy's normal density, three of them multiplied.

    Variances add: of how units stray, of half the patch's spread, and of 8 units where the light is unknown.
    """
    deviations = [
        np.sqrt(np.square([row.strays[0], row.strays[1], row.strays[1]]) + spread**2 / 4 + (8 * doubt) ** 2)
        for row in BY_CODE.values()
    ]
    densities = norm.pdf(lab, [row.lab for row in BY_CODE.values()], deviations).prod(axis=1)
    expected = 0.95 * densities / densities.sum() + 0.05 / len(COLOUR_CODES)
    said = classical_posterior(lab, spread, doubt)
    np.testing.assert_allclose([said[code] for code in COLOUR_CODES], expected, atol=1e-6)


def test_too_few_pixels_say_nothing():
    assert measure_patch(np.zeros((5, 3), np.float32)) is None


def test_without_pixels_the_network_alone_speaks():
    network = {code: (0.78 if code == "BU" else 0.02) for code in COLOUR_CODES}
    assert pool_opinions(network, None)["BU"] > 0.6


@given(st.lists(st.floats(0.001, 1.0), min_size=24, max_size=24))
def test_weighing_gives_a_posterior(shares):
    first, second = (np.array(s) / sum(s) for s in (shares[:12], shares[12:]))
    both = pool_opinions(
        dict(zip(COLOUR_CODES, first, strict=True)), dict(zip(COLOUR_CODES, second, strict=True))
    )
    assert sum(both.values()) == pytest.approx(1)
    assert set(both) == set(COLOUR_CODES)


def test_white_is_lab_100_0_0():
    np.testing.assert_allclose(to_lab(np.ones((1, 3))), [[100, 0, 0]], atol=0.1)


# A slate blue between the prototypes of grey and blue; somebody sorts it under turquoise.
SLATE = NamedShade("TQ", (45.0, -4.0, -18.0))


def test_a_named_shade_is_known_by_its_code_and_only_near_it():
    still = np.zeros(3)
    near, far = np.array(SLATE.lab), np.array(BY_CODE["RD"].lab, float)
    assert classical_posterior(near, still, 0.1)["TQ"] < 0.5
    assert classical_posterior(near, still, 0.1, [SLATE])["TQ"] > 0.8
    assert named_share(near, still, 0.1, [SLATE]) > 0.8
    assert named_share(far, still, 0.1, [SLATE]) < 1e-6
    plain = classical_posterior(far, still, 0.1)
    assert classical_posterior(far, still, 0.1, [SLATE]) == pytest.approx(plain, abs=1e-6)


def test_where_a_named_shade_explains_the_pixels_the_network_is_outweighed():
    network = {code: (0.89 if code == "GY" else 0.01) for code in COLOUR_CODES}
    patch = np.array(SLATE.lab), np.zeros(3), 0.1
    assert max(pool_opinions(network, classical_posterior(*patch)).items(), key=lambda i: i[1])[0] == "GY"
    both = pool_opinions(network, classical_posterior(*patch, [SLATE]), named_share(*patch, [SLATE]))
    assert max(both, key=both.get) == "TQ"


@pytest.mark.parametrize(("named", "of_network", "of_pixels"), [(0, 1, 0.1), (0.4, 0.64, 0.46), (1, 0.1, 1)])
def test_the_two_opinions_change_places_by_the_share_of_a_named_shade(named, of_network, of_pixels):
    """Weights 1 and 0.1, temperature 1.2: log odds of 9 to 1 for one colour and of 7 to 1 for another."""
    network = dict.fromkeys(COLOUR_CODES, 0.01) | {"BU": 0.09}
    pixels = dict.fromkeys(COLOUR_CODES, 0.01) | {"VT": 0.07}
    pooled = pool_opinions(network, pixels, named)
    assert np.log(pooled["BU"] / pooled["RD"]) == pytest.approx(of_network * np.log(9) / 1.2)
    assert np.log(pooled["VT"] / pooled["RD"]) == pytest.approx(of_pixels * np.log(7) / 1.2)


def test_a_shade_needs_a_code_of_the_standard():
    with pytest.raises(ValueError, match="none of BK BN"):
        NamedShade("teal", (50.0, 0.0, 0.0))


def test_the_network_by_itself_is_softened_by_its_temperature():
    """1.2, chosen on the calibration split: odds of 9 to 1 become 9 ** (1 / 1.2), that is 6.2 to 1."""
    from plugface.vision.colour.naming import pool_opinions
    from plugface.vision.colour_table import COLOUR_CODES

    network = dict.fromkeys(COLOUR_CODES, 0.0) | {"BK": 0.9, "BU": 0.1}
    posterior = pool_opinions(network, None)
    assert posterior["BK"] / posterior["BU"] == pytest.approx(9 ** (1 / 1.2), rel=1e-6)


def _white_log_odds(network):
    posterior = pool_opinions(network, None)
    return np.log(posterior["WH"] / posterior["GY"])


@pytest.mark.parametrize(("likelier", "other"), [("WH", "GY"), ("GY", "WH")])
def test_white_and_grey_stay_open_where_nothing_tells_how_light_white_is(likelier, other):
    network = dict.fromkeys(COLOUR_CODES, 1e-5) | {likelier: 0.9999, other: 0.00005}
    sure, open_ = pool_opinions(network, None), pool_opinions(network, None, anchored=False)
    assert sure[likelier] > 0.97
    assert max(open_, key=open_.__getitem__) == likelier
    assert 0.85 < open_[likelier] <= 0.9
    assert 0.09 < open_[other] < 0.11
    assert pool_opinions(network, network, 1.0, anchored=False)[likelier] > 0.98  # a measured shade
    other_colour = dict.fromkeys(COLOUR_CODES, 1e-5) | {"BU": 0.999}
    assert pool_opinions(other_colour, None, anchored=False)["BU"] > 0.98


def test_grey_is_not_held_for_likelier_though_renders_have_more_of_it():
    """356 grey plugs and 128 white ones in the renders: what is said of both alike is white by that much."""
    even = dict.fromkeys(COLOUR_CODES, 0.001) | {"WH": 0.4, "GY": 0.4}
    assert _white_log_odds(even) == pytest.approx(0.5 * np.log(356 / 128) / 1.2, abs=0.002)
    assert _white_log_odds(even | {"WH": 0.128, "GY": 0.356}) == pytest.approx(0, abs=0.002)


def test_half_of_what_is_said_for_white_or_grey_is_believed_and_no_other_colour_gains_by_it():
    network = dict.fromkeys(COLOUR_CODES, 0.001) | {"WH": 0.72, "GY": 0.08, "PK": 0.19}
    swapped = network | {"WH": 0.08, "GY": 0.72}
    believed = _white_log_odds(network) - _white_log_odds(swapped)
    assert believed == pytest.approx(2 * 0.5 * np.log(0.72 / 0.08) / 1.2)
    # What the two have together is as it would be were nothing softened between them.
    posterior, plain = pool_opinions(network, None), {code: p ** (1 / 1.2) for code, p in network.items()}
    together = (plain["WH"] + plain["GY"]) / sum(plain.values())
    assert posterior["WH"] + posterior["GY"] == pytest.approx(together)
    assert posterior["PK"] == pytest.approx(plain["PK"] / sum(plain.values()))
