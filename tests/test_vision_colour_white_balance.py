"""White balance: what is taken for white, and what is not."""

import numpy as np
import pytest
from plugface.vision.colour.white_balance import apply_gains, measure_white_balance


# By two bounds of three: green has too little red, pink too little green, blue too much blue.
@pytest.mark.parametrize("shade", [(40, 160, 40), (230, 120, 225), (60, 90, 200), (250, 120, 20)])
def test_a_coloured_label_is_not_taken_for_paper(shade):
    picture = np.full((60, 60, 3), shade, np.uint8)
    assert measure_white_balance(picture, paper=np.ones((60, 60), bool)).method == "statistics"


def test_a_black_photo_gives_no_gains():
    white_balance = measure_white_balance(np.zeros((50, 50, 3), np.uint8))
    assert (white_balance.method, white_balance.gains_rgb, white_balance.confidence) == ("none", (1, 1, 1), 0)


def test_the_mean_of_a_scene_is_corrected_by_half():
    """A flat picture of linear red over blue 4 to 1: half the way, in logarithms, is 2 to 1."""
    linear = np.array([0.6, 0.3, 0.15])
    coded = np.round(255 * (1.055 * linear ** (1 / 2.4) - 0.055)).astype(np.uint8)  # IEC 61966-2-1
    white_balance = measure_white_balance(np.tile(coded, (50, 50, 1)))
    red, green, blue = white_balance.gains_rgb
    assert white_balance.method == "statistics"
    assert blue / red == pytest.approx(2.0, rel=0.01)  # the coded values are rounded to 1 in 255
    assert red * green * blue == pytest.approx(1.0)


def test_paper_is_made_neutral_all_the_way():
    paper = np.full((50, 50, 3), (220, 190, 150), np.uint8)
    white_balance = measure_white_balance(paper, paper=np.ones((50, 50), bool))
    assert white_balance.method == "label paper"
    balanced = apply_gains(paper[0, 0], white_balance)
    assert balanced == pytest.approx(np.full(3, balanced.mean()), rel=1e-4)


# Under a warm lamp, plain, and in the shade.
@pytest.mark.parametrize("light", [(1.0, 0.72, 0.42), (1.0, 1.0, 1.0), (0.75, 0.9, 1.0)])
@pytest.mark.parametrize(("printed", "burnt"), [(40, 20), (15, 55)])
def test_print_and_what_is_burnt_out_say_nothing_of_the_paper(light, printed, burnt):
    """So many rows of 100 are brown print, and so many burnt out: all channels at the top."""
    label = np.full((100, 100, 3), 255, np.uint8)
    label[: 100 - burnt] = paper = np.round(np.multiply((215, 215, 215), light)).astype(np.uint8)
    label[:printed] = np.round(np.multiply((120, 80, 60), light))
    white_balance = measure_white_balance(label, paper=np.ones((100, 100), bool))
    assert white_balance.method == "label paper"
    balanced = apply_gains(paper, white_balance)
    assert balanced == pytest.approx(np.full(3, balanced.mean()), rel=0.01)


def _paper_straying_by(share: float) -> np.ndarray:
    """Paper of three tints; the median pixel's shares of red, green and blue stray so far from a third."""
    shares = 1 / 3 + np.array([(0, 0, 0), (1, -0.5, -0.5), (-0.5, 1, -0.5)]) * share / 3
    linear = 1.2 * np.repeat(shares, 1200, axis=0)  # all equally bright
    coded = 1.055 * linear ** (1 / 2.4) - 0.055  # IEC 61966-2-1
    return np.round(255 * coded).astype(np.uint8).reshape(60, 60, 3)


@pytest.mark.parametrize(
    ("share", "method"), [(0.0, "label paper"), (0.2, "label paper"), (0.5, "neutral metal")]
)
def test_the_more_paper_strays_the_less_it_is_believed_and_a_patchwork_is_no_paper(share, method):
    picture = np.vstack([_paper_straying_by(share), np.full((60, 60, 3), 120, np.uint8)])
    paper = np.arange(120)[:, None] < np.full(60, 60)
    white_balance = measure_white_balance(picture, paper=paper, metal=~paper)
    assert white_balance.method == method
    # Three times the straying is the exponent; 0.9 is the trust in paper, 0.7 that in metal.
    expected = 0.9 * np.exp(-3 * share) if method == "label paper" else 0.7
    # The coded values are rounded to 1 in 255, and a median of three tints is not quite neutral.
    assert white_balance.confidence == pytest.approx(expected, rel=0.05)


def test_no_channel_is_brought_up_more_than_three_times():
    """A lamp that leaves 7 of 100 parts to blue: 3.4 times what the mean of all three has."""
    linear = np.array([0.64, 0.29, 0.07])
    coded = np.round(255 * (1.055 * linear ** (1 / 2.4) - 0.055)).astype(np.uint8)
    white_balance = measure_white_balance(np.tile(coded, (50, 50, 1)), paper=np.ones((50, 50), bool))
    assert white_balance.method == "label paper"
    assert white_balance.gains_rgb[2] == 3.0
    assert white_balance.gains_rgb[1] == pytest.approx((0.64 * 0.29 * 0.07) ** (1 / 3) / 0.29, rel=0.02)
