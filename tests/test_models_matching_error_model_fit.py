"""What was counted is what was told, without what a guess would have hit."""

import pytest
from plugface.models.matching.error_model_fit import _without_luck


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
