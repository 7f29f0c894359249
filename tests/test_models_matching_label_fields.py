"""Numbers are told from captions, dates and serials by their form, wherever they stand."""

import pytest
import re2
from plugface.models.matching.label_fields import (
    is_below_or_right,
    looks_like_number,
    matching_run,
    number_lines,
    runs_of,
)
from plugface.vision.observations import Character, Text

FORMS = frozenset({"99999999", "AA999999"})
STROKE = frozenset({"A99999999"})  # K27418/052


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
        ("AUK 12 5820 3317", "AUK 12 5820 3317"),  # a mark holds a figure, and stays
    ],
)
def test_the_number_is_found_in_its_line(line, left):
    assert [text.value for text in number_lines(printed(line), FORMS)] == [left]


@pytest.mark.parametrize(
    ("line", "left"),
    [
        ("UNIT No K27418/052", "K27418/052"),
        ("UNIT NO K27418-052 C DATE 12/04", "K27418-052 C"),
        ("S/N 004417 K27 418 052", "K27 418 052"),
        ("12 V K27418 / 052", "K27418 / 052"),
        ("AUK 11 K27418/052", "AUK 11 K27418/052"),
    ],
)
def test_a_number_with_a_stroke_is_found_in_its_line(line, left):
    assert [text.value for text in number_lines(printed(line), STROKE)] == [left]


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


@pytest.mark.parametrize(("first", "second"), [("K27418/", "052"), ("K27418", "/052"), ("K27", "418/052 C")])
def test_a_number_with_a_stroke_over_two_lines_is_one(first, second):
    lines = number_lines(printed("UNIT No", first, second), STROKE)
    assert [text.value for text in lines] == [f"{first} {second}"]


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
    ("line", "found"),
    [
        ("UNIT No K27418/052", "K27418/052"),
        ("K27418-052 REV C", "K27418-052"),  # the stroke was read as a dash
        ("K27418052", "K27418052"),
        ("K27 418 052C", "K27418052"),
        ("K27418/062", None),  # another number, and no slip of the stroke
        ("K2741/8052", "K2741/8052"),  # a sign moved is a sign misread
        ("9K27418/052", "K27418/052"),
        ("K27418/0520", None),  # a longer number
    ],
)
def test_a_number_is_found_whole_whatever_became_of_its_stroke(line, found):
    (text,) = printed(line)
    run = matching_run(text, re2.compile(r"^(?P<number>K27\d{3}/05\d)$"))
    assert (run and run.value) == found


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
