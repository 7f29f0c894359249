"""What the donor's plate adds: model years, and nothing else.

References
----------
49 CFR 565.15: characters, weights and check digit of a vehicle identification number (VIN), and its
model-year character, which repeats after 30 years; outside North America neither is compulsory, so a number
that fails says nothing.
"""

import re

from plugface.models.unit_choice import UnitView

_VIN = re.compile(r"(?=([A-HJ-NPR-Z0-9]{17}))")
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES = dict(
    zip(
        "ABCDEFGHJKLMNPRSTUVWXYZ",
        (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9),
        strict=True,
    )
)
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"


def check_digit(vin: str) -> str:
    """The ninth character that a VIN of 17 characters must have."""
    total = sum(w * (int(c) if c.isdigit() else _VALUES[c]) for w, c in zip(_WEIGHTS, vin, strict=True))
    return "X" if total % 11 == 10 else str(total % 11)


def model_years(vin: str) -> tuple[int, ...]:
    """Both model years that the tenth character can mean, empty if it is no year code."""
    place = _YEAR_CODES.find(vin[9])
    return (1980 + place, 2010 + place) if place >= 0 else ()


def read_donor_years(views: tuple[UnitView, ...]) -> tuple[int, ...]:
    """Model years that numbers with a right check digit, read beside the unit, allow; empty without one."""
    years: list[int] = []
    for view in views:
        for text in view.outside:
            for found in _VIN.findall(re.sub(r"[^A-Z0-9]", "", text.value.upper())):
                if check_digit(found) == found[8]:
                    years += model_years(found)
    return tuple(dict.fromkeys(years))
