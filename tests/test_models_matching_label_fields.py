"""Numbers are told from captions, dates and serials by their form, wherever they stand."""

import pytest
import re2
from plugface.models.matching.label_fields import (
    is_below_or_right,
    looks_like_number,
    matching_run,
    number_lines,
    runs_of,
    without_signs,
)
from plugface.vision.observations import Character, Text

FORMS = frozenset({"99999999", "AA999999"})


def printed(*lines: str) -> list[Text]:
    return [Text((), line, 0.97, "printed", 20.0) for line in lines]


@pytest.mark.parametrize(
    ("line", "left"),
    [
        ("SERVICE NO 5820 3317 AA", "5820 3317 AA"),
        ("PART NUMBER 5820 3317", "5820 3317"),
        ("NO58203317AA", "58203317"),
        ("品番 5820-3317", "5820-3317"),
        ("5820 3317 AA DATE 12/04", "5820 3317 AA"),
        ("S/N 004417 PART 5820 3317", "5820 3317"),
        ("MADE IN NORLAND 5820 3317", "5820 3317"),
        ("12V 10A 5820 3317", "5820 3317"),
        ("12 V 5820 3317", "5820 3317"),
        ("PK 2004/16", "PK 2004/16"),  # its end alone would be a date
        ("TERN 4 5820 3317", "TERN 4 5820 3317"),  # a mark holds a figure, and stays
    ],
)
def test_the_number_is_found_in_its_line(line, left):
    assert [text.value for text in number_lines(printed(line), FORMS)] == [left]


@pytest.mark.parametrize(
    "line",
    ["DATE 12/04", "S/N 1037446", "SERIAL NO 1037446", "SN:1037446", "12V 10A", "9...16 V", "MADE IN NORLAND",
     "24.11.2004", "KW 12/04", "LOT 44 1203", "DATE 1204", ""],
)  # fmt: skip
def test_what_is_something_else_is_no_number(line):
    assert number_lines(printed(line), FORMS) == []
    assert not looks_like_number(printed(line)[0])


def test_a_number_over_two_lines_is_one():
    lines = number_lines(printed("MADE IN NORLAND", "PART NO 5820", "3317 AA", "12V"), FORMS)
    assert [text.value for text in lines] == ["PART NO 5820 3317 AA"]


def test_two_numbers_in_neighbouring_lines_stay_two():
    lines = number_lines(printed("5820 3317", "4410 2291"), FORMS)
    assert [text.value for text in lines] == ["5820 3317", "4410 2291"]


def test_print_of_another_size_does_not_run_on():
    first, second = printed("5820", "3317")
    large = Text((), second.value, 0.97, "printed", 60.0)
    assert number_lines([first, large], FORMS) == []


def test_a_part_of_a_line_keeps_its_own_alternatives():
    value = "NO 5820 3317"
    options = tuple(Character(((c, 0.9), ("B", 0.05))) for c in value if c != " ")
    (left,) = number_lines([Text((), value, 0.9, "printed", 20.0, options)], FORMS)
    assert [c.options[0][0] for c in left.characters] == list("58203317")


def test_runs_of_a_long_line_are_few():
    assert len(runs_of("7 " * 5000)) <= 300


def test_of_two_numbers_of_one_length_the_first_is_the_lines():
    (line,) = printed("582033 AB 582034")
    assert matching_run(line, re2.compile(r"\d{6}")).value == "582033"


@pytest.mark.parametrize(
    ("dx", "dy", "stands"),
    [
        (0, 30, True),  # under it
        (0, 59, True),
        (0, 61, False),  # three heights of print below, which is another box
        (0, -30, False),  # above it
        (120, 0, True),  # behind it
        (-120, 0, False),  # before it
        (181, 0, False),  # beyond its width and four heights
        (141, 30, False),  # under it and beside
    ],
)
def test_a_value_stands_under_its_caption_or_behind_it(dx, dy, stands):
    def at(x: float, y: float) -> Text:
        box = ((x, y), (x + 100, y), (x + 100, y + 20), (x, y + 20))
        return Text(box, "PART", 0.97, "printed", 20.0)

    assert is_below_or_right(at(0, 0), at(dx, dy)) is stands


@pytest.mark.parametrize(
    "line", ["K58214/302", "K58214 302", "K58214302", "K58214-302", "UNIT No K58214 / 302 REV F"]
)
def test_a_stroke_may_be_read_as_a_space_or_not_at_all(line):
    (text,) = printed(line)
    assert matching_run(text, re2.compile(r"^(?P<number>K58\d{3}/30\d)$"))
    assert not matching_run(text, re2.compile(r"^(?P<number>K58\d{3}/34\d)$"))


@pytest.mark.parametrize(
    ("pattern", "fits", "does_not"),
    [
        (r"^(?P<n>PK21\d{2}/\d{2})$", ("PK2104/16", "PK210416"), ("PK2104//16", "PK21O4/16")),
        (r"^(?:\d{2}\.\d{3}|[A-Z\-/]{2}-\d{1,2})$", ("12345", "12.345", "-/-7", "AB7"), ("12?345", "B7")),
        (r"^A/?B-+C$", ("AB-C", "A/B--C"), ("ABC",)),  # what is said of a sign already stays
        (r"^\d{4}$", ("1234",), ("123/4",)),
    ],
)
def test_a_pattern_without_its_signs_is_the_same_pattern_otherwise(pattern, fits, does_not):
    bare = without_signs(re2.compile(pattern))
    assert [one for one in fits if not bare.fullmatch(one)] == []
    assert [one for one in does_not if bare.fullmatch(one)] == []
