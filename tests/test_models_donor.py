"""Donor plates: the check digit of 49 CFR 565.15, and years only from numbers that pass it."""

from models.donor import check_digit, model_years, read_donor_years
from models.views import UnitView
from vision.observations import Text


def plate(value: str) -> tuple[UnitView, ...]:
    text = Text((), value, 0.9, "printed", 20.0)
    return (UnitView(0, "a", True, None, (), (), (text,)),)


def test_check_digit_by_hand():
    # All ones: the weights sum to 89, and 89 modulo 11 is 1.
    assert check_digit("1" * 17) == "1"
    # A single 9 in front adds 8 * 8 = 64: 153 modulo 11 is 10, written X.
    assert check_digit("9" + "1" * 16) == "X"


def test_years_repeat_after_thirty():
    assert model_years("1" * 9 + "Y" + "1" * 7) == (2000, 2030)
    assert model_years("1" * 9 + "A" + "1" * 7) == (1980, 2010)
    assert model_years("1" * 9 + "U" + "1" * 7) == ()


def test_a_number_that_fails_its_check_tells_nothing():
    assert read_donor_years(plate("VIN " + "1" * 17)) == (2001, 2031)
    assert read_donor_years(plate("2" + "1" * 16)) == ()
    assert read_donor_years(plate("TERN 2")) == ()
