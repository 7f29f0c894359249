"""White balance: what is taken for white, and what is not."""

import numpy as np
import pytest
from plugface.vision.colour.white_balance import apply_gains, measure_white_balance


def test_a_green_label_is_not_taken_for_paper():
    picture = np.full((60, 60, 3), (40, 160, 40), np.uint8)
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
