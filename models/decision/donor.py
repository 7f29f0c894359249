"""What the donor's plate adds: model years, and nothing else. Its number is said in no words of an answer.

References
----------
49 CFR 565.15: characters, weights and check digit of a vehicle identification number (VIN), its last four
characters, which are figures, and its model-year character, which repeats after 30 years; outside North
America none is compulsory, so a number that fails says nothing. (Figures at the end: from memory.)
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from plugface.models.catalogue.entries import Family, compact
from plugface.models.unit_choice import UnitView

_Said = TypeVar("_Said")

#: Stands in words for a number that may be a donor's.
HIDDEN = "a long number"

#: Fields of an answer that are words for a person, in which what was read is quoted.
_WORDS = frozenset({"message", "variant_message"})

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
    return bool(_list_likely(line))


def listed_numbers(families: Iterable[Family]) -> frozenset[str]:
    """Service numbers of families, alone and with each suffix, compact: none of them is a donor's."""
    variants = [variant for family in families for variant in family.variants]
    return frozenset(compact(n + s) for v in variants for n in v.service_numbers for s in ("", *v.suffixes))


def hide_vins(words: str, lines: Iterable[str], listed: frozenset[str] = frozenset()) -> str:
    """Words without what may be a VIN in some lines that they may quote.

    Parameters
    ----------
    words : str
    lines : iterable of str
        What was read: lines of text, or what codes hold.
    listed : frozenset of str
        As `listed_numbers` gives them. What begins with one stays: codes hold a serial behind the number.

    Returns
    -------
    words : str
        With `HIDDEN` in place of each, whatever its case and what parts its signs.
    """
    likely = {number for line in lines for number in _list_likely(line)}
    foreign = [number for number in likely if not any(map(number.startswith, listed))]
    for number in sorted(foreign, key=len, reverse=True):
        quoted = r"[\W_]*".join(number)
        words = re.sub(rf"(?<![A-Z0-9]){quoted}(?![A-Z0-9])", HIDDEN, words, flags=re.IGNORECASE)
    return words


def keep_donors_out(said: _Said, views: Sequence[UnitView], families: Iterable[Family]) -> _Said:
    """An answer that quotes no donor's number: it is sent on, filed and printed, and may be personal data.

    What stands on a unit is its own. Where no unit is in the photo, what may be a VIN is a donor's, unless
    the catalogue lists it.

    Parameters
    ----------
    said : a decision, an opinion or a part of one
    views : sequence of UnitView
        That it was made from.
    families : iterable of Family
        Of the catalogue.

    Returns
    -------
    said : the same, but for its words
    """
    alone = [view for view in views if view.unit is None]
    read = [line for v in alone for line in (*(t.value for t in v.texts), *(c.payload for c in v.codes))]
    lines = [line for line in read if may_hold_vin(line)]
    return _hide_in(said, lines, listed_numbers(families)) if lines else said


def without_donors(views: Sequence[UnitView]) -> tuple[UnitView, ...]:
    """Views without the texts and codes on no unit that may be a donor's: for what is written of the unit.

    Parameters
    ----------
    views : sequence of UnitView

    Returns
    -------
    views : tuple of UnitView
    """
    return tuple(view if view.unit is not None else _without_donors(view) for view in views)


def _without_donors(view: UnitView) -> UnitView:
    texts = tuple(text for text in view.texts if not may_hold_vin(text.value))
    codes = tuple(code for code in view.codes if not may_hold_vin(code.payload))
    return replace(view, texts=texts, codes=codes)


def _hide_in(said: Any, lines: list[str], listed: frozenset[str]) -> Any:
    """Any part of an answer, with its words and those of its parts changed."""
    if isinstance(said, tuple):
        return tuple(_hide_in(part, lines, listed) for part in said)
    if not is_dataclass(said) or isinstance(said, type):
        return said
    parts = {each.name: getattr(said, each.name) for each in fields(said)}
    hidden = {
        name: hide_vins(part, lines, listed) if name in _WORDS else _hide_in(part, lines, listed)
        for name, part in parts.items()
    }
    return replace(said, **{name: part for name, part in hidden.items() if part != parts[name]})


def _list_likely(line: str) -> list[str]:
    """What may be a VIN in a line, without spaces, as `may_hold_vin` says."""
    words = _list_words(line)
    joined = "".join(words)
    grouped = all(any(sign.isdigit() for sign in word) for word in words)
    whole = grouped and _VIN.fullmatch(joined) and not joined.isdigit()
    likely = [word for word in words if _LIKE_VIN.fullmatch(word)]
    return [*_list_vins(line), *([joined] if whole else []), *likely]


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
