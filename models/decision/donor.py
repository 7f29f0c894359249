"""What the donor's plate adds: model years, and nothing else.

References
----------
49 CFR 565.15: characters, weights and check digit of a vehicle identification number (VIN), its last four
characters, which are figures, and its model-year character, which repeats after 30 years; outside North
America none is compulsory, so a number that fails says nothing. (Figures at the end: from memory.)
"""

import re

from plugface.models.unit_choice import UnitView

_VIN = re.compile(r"[A-HJ-NPR-Z0-9]{13}[0-9]{4}")
_LIKE_VIN = re.compile(r"(?=.*[A-Z])(?=.*[0-9])[A-Z0-9]{15,19}")  # a sign or two lost or read twice
_ENDS = re.compile(r"^[^A-Z0-9]*(?:VIN[^A-Z0-9]*(?=[A-Z0-9]{17}\W*$))?|[^A-Z0-9]+$")
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
            for found in _list_vins(text.value):
                years += model_years(found)
    return tuple(dict.fromkeys(years))


def may_hold_vin(line: str) -> bool:
    """Whether a line holds what may be a VIN, also one that was misread, or whose check digit is none.

    Without a right one only a word counts that is about as long by itself, or a line that is nothing else and
    has no caption; what is figures alone, or letters, may be a serial or a name.
    """
    words = _list_words(line)
    grouped = all(any(sign.isdigit() for sign in word) for word in words)
    whole = grouped and _VIN.fullmatch("".join(words)) and not "".join(words).isdigit()
    return bool(_list_vins(line) or whole) or any(_LIKE_VIN.fullmatch(word) for word in words)


def _list_words(line: str) -> list[str]:
    return [_ENDS.sub("", word) for word in line.upper().split()]


def _list_vins(line: str) -> list[str]:
    """Words of a line that are a VIN, alone or as neighbours that make one together.

    Of all stretches of 17 signs one in eleven has the right check digit: in a quarter of all lines with a
    service number and a serial one would be found, were they not held to whole words.
    """
    words = _list_words(line)
    found = []
    for first in range(len(words)):
        for last in range(first + 1, len(words) + 1):
            joined = "".join(words[first:last])
            if len(joined) >= 17:
                figures_alone = last > first + 1 and joined.isdigit()  # two numbers beside each other
                if _VIN.fullmatch(joined) and not figures_alone and check_digit(joined) == joined[8]:
                    found.append(joined)
                break
    return found
