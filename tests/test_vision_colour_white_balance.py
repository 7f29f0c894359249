"""White balance: what is taken for white, and what is not."""

import numpy as np
from plugface.vision.colour.white_balance import measure_white_balance


def test_a_green_label_is_not_taken_for_paper():
    picture = np.full((60, 60, 3), (40, 160, 40), np.uint8)
    assert measure_white_balance(picture, paper=np.ones((60, 60), bool)).method == "statistics"


def test_a_black_photo_gives_no_gains():
    white_balance = measure_white_balance(np.zeros((50, 50, 3), np.uint8))
    assert (white_balance.method, white_balance.gains_rgb, white_balance.confidence) == ("none", (1, 1, 1), 0)
