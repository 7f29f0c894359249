"""What was counted is what was told, without what a guess would have hit."""

import numpy as np
import pytest
from plugface.models.matching.error_model_fit import NINETEEN_IN_TWENTY, _spread, _without_luck


@pytest.mark.parametrize(
    ("right", "told"),
    [
        (1.0, 1.0),  # nothing was guessed
        (1 / 12, 0.05),  # all was guessed, and something is always left
        (0.54, 0.498),  # of 100, 54 right: 50 told, and 4 of the other 50 guessed
    ],
)
def test_a_share_right_is_freed_of_lucky_guesses(right, told):
    assert _without_luck(right, 12) == pytest.approx(told, abs=1e-3)


def test_a_spread_is_told_by_the_share_that_errs_no_more():
    rng = np.random.default_rng(4)
    # Nine in ten err by 0.02, one in ten by 0.1: 0.95 lie within 0.068 (by bisection), 1.96 times 0.035.
    errors = (rng.normal(0, 1, 20_000) * np.where(rng.random(20_000) < 0.9, 0.02, 0.1)).tolist()
    assert _spread(errors, 0.07, NINETEEN_IN_TWENTY) == pytest.approx(0.035, abs=0.002)
    assert _spread(errors, 0.07, 0.5) == pytest.approx(0.022, abs=0.002)
    assert _spread([], 0.07, 0.5) == 0.07
