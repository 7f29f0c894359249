"""Donor plates: years only from numbers that pass their check."""

from plugface.models.decision.donor import read_donor_years
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Text


def plate(value: str) -> tuple[UnitView, ...]:
    text = Text((), value, 0.9, "printed", 20.0)
    return (UnitView(0, "a", True, None, (), (), (text,)),)


def test_a_number_that_fails_its_check_tells_nothing():
    assert read_donor_years(plate("VIN " + "1" * 17)) == (2001, 2031)
    assert read_donor_years(plate("2" + "1" * 16)) == ()
    assert read_donor_years(plate("AUK 11")) == ()
