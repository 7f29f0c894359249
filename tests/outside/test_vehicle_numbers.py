"""Check digits and model years of vehicle identification numbers, against the regulation.

Source: 49 CFR 565.15 (from memory), tables of values, weights and year codes.
"""

import pytest
from plugface.models.decision.donor import check_digit, model_years


@pytest.mark.parametrize(
    ("number", "digit"),
    [
        ("1" * 17, "1"),  # by hand: the weights sum to 89, and 89 modulo 11 is 1
        ("9" + "1" * 16, "X"),  # by hand: 8 * 8 = 64 more, 153 modulo 11 is 10, written X
        # Letters count 1 to 9 by the regulation's table: 8 + 14 + 18 + 20 + 20 + 18 + 14 + 80, then
        # 9 + 16 + 21 + 24 + 25 + 28 + 27 + 4, together 346, which is 5 modulo 11.
        ("ABCDEFGH0JKLMNPRS", "5"),
        # 24 + 28 + 30 + 30 + 28 + 24 + 18 + 10, then 44 for the ones: 236, which is 5 modulo 11.
        ("TUVWXYZ1011111111", "5"),
    ],
)
def test_check_digit(number: str, digit: str):
    """49 CFR 565.15(c), each worked by hand: values times weights, modulo 11."""
    assert check_digit(number) == digit


def test_years_repeat_after_thirty():
    """49 CFR 565.15(d)(1), table of year codes: A is 1980 and 2010; I, O, Q, U, Z and 0 are no years."""
    assert model_years("1" * 9 + "Y" + "1" * 7) == (2000, 2030)
    assert model_years("1" * 9 + "A" + "1" * 7) == (1980, 2010)
    assert model_years("1" * 9 + "9" + "1" * 7) == (2009, 2039)
    assert all(model_years("1" * 9 + code + "1" * 7) == () for code in "IOQUZ0")
