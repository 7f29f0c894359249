"""The donor's plate: the regulation's own example, and numbers that fail say nothing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.donor import check_digit, model_years

#: 49 CFR 565.15(c)(4), table VI: products 411, remainder 4. Its ninth character is left out there.
_SAMPLE = "1G4AH59H{}5G118341"
_ALLOWED = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


def test_worked_example_of_the_regulation():
    assert check_digit(_SAMPLE.format("0")) == "4"


@pytest.mark.parametrize("ninth", "0123456789X")
def test_ninth_character_does_not_count(ninth):
    assert check_digit(_SAMPLE.format(ninth)) == "4"


def test_ones_and_remainder_ten():
    assert check_digit("1" * 17) == "1"  # the weights sum to 89, 89 mod 11 is 1: by hand
    # Ten in the first place of weight 8 and nothing else: 8 x 4 = 32, 32 mod 11 is 10, written X.
    assert check_digit("4" + "0" * 16) == "X"


@given(
    vin=st.text(alphabet="0123456789", min_size=17, max_size=17),
    place=st.integers(0, 16),
    step=st.integers(1, 9),
)
def test_any_single_wrong_digit_is_caught(vin, place, step):
    # Weights and differences of digits are both under 11, a prime, so that no single change of a digit is
    # missed, but for the ninth place, which is the check digit's own and has no weight.
    changed = vin[:place] + str((int(vin[place]) + step) % 10) + vin[place + 1 :]
    assert (check_digit(vin) == check_digit(changed)) == (place == 8)


@pytest.mark.parametrize(
    ("code", "years"),
    # 49 CFR 565.15(d)(1), table VII: 2005 is 5, 2009 is 9, 2010 is A, 2018 is J; 30 years earlier the same.
    [("5", (2005, 2035)), ("9", (2009, 2039)), ("A", (1980, 2010)), ("J", (1988, 2018)), ("Y", (2000, 2030))],
)
def test_model_year_character(code, years):
    assert model_years("1G4AH59H4" + code + "G118341") == years


@pytest.mark.parametrize("code", "0UZIOQ")
def test_characters_that_are_no_year(code):
    assert model_years("1G4AH59H4" + code + "G118341") == ()
