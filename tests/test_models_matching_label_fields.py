"""Numbers are told from captions, dates and serials by their form, wherever they stand."""

from dataclasses import replace

import pytest
import re2
from hypothesis import given
from hypothesis import strategies as st
from plugface.models.catalogue.index import list_forms
from plugface.models.matching.label_fields import (
    find_serials,
    is_below_or_right,
    looks_like_number,
    matching_run,
    number_lines,
    runs_of,
    without_captioned,
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


DAYS = ["23.11.2004", "23/11/2004", "23-11-2004", "11/23/2004", "2004-11-23", "2004/11/23", "2004.11.23"]


@pytest.mark.parametrize("line", DAYS)
def test_a_day_is_no_number_where_no_listed_number_could_be_one(line):
    assert number_lines(printed(line), FORMS) == []
    assert [t.value for t in number_lines(printed(f"5820 3317 {line}"), FORMS)] == ["5820 3317"]
    # Where a listed number could be a day, of two ways to err that is the lesser: it may be the number.
    assert number_lines(printed(line), list_forms(["58203317", "23112004"])) != []


@pytest.mark.parametrize("line", ["58-20-3317", "5820-33-17", "23/11-2004", "2331/2004"])
def test_a_number_with_signs_is_no_day(line):
    assert [text.value for text in number_lines(printed(line), FORMS)] == [line]


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


def test_a_number_over_two_lines_is_as_sure_as_the_worse_of_them():
    first, second = printed("5820", "3317")
    for texts in ([first, replace(second, confidence=0.3)], [replace(first, confidence=0.3), second]):
        (both,) = number_lines(texts, FORMS)
        assert (both.value, both.confidence) == ("5820 3317", 0.3)


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


def at(x: float, y: float, value: str, kind: str = "printed") -> Text:
    """Print of 20 px, 12 px a letter."""
    right = x + 12.0 * len(value)
    return Text(((x, y), (right, y), (right, y + 20.0), (x, y + 20.0)), value, 0.97, kind, 20.0)


@pytest.mark.parametrize("caption", ["SERIAL NO", "S/N:", "LOT", "Batch No.", "SER. NO"])
@pytest.mark.parametrize("serial", ["58214410", "5821 4410"])
def test_what_a_serials_caption_in_the_line_above_it_says_is_no_number(caption, serial):
    lines = printed("SERVICE NO", "5820 3317 AA", caption, serial)
    assert [text.value for text in number_lines(lines, FORMS)] == ["5820 3317 AA"]
    # Only the next line is meant.
    lines = printed(caption, serial, "5820 3317 AA")
    assert [text.value for text in number_lines(lines, FORMS)] == ["5820 3317 AA"]


@pytest.mark.parametrize(
    "lines",
    [
        # two columns, captions above
        [at(0, 0, "SERVICE NO"), at(300, 0, "SERIAL NO"), at(0, 30, "5820 3317"), at(300, 30, "58214410")],
        # two rows, captions before
        [at(0, 0, "SERVICE NO"), at(180, 0, "5820 3317"), at(0, 30, "SERIAL NO"), at(180, 30, "58214410")],
        [at(0, 0, "SERIAL NO"), at(180, 0, "58214410"), at(0, 30, "SERVICE NO"), at(180, 30, "5820 3317")],
        # framed cells on two lines; the number stands right of the serial's caption too
        [at(0, 0, "DATE"), at(180, 0, "SERVICE NO"), at(0, 30, "12/04"), at(180, 30, "5820 3317"),
         at(0, 90, "SERIAL NO"), at(180, 90, "REV"), at(0, 120, "58214410"), at(180, 120, "AA")],
        [at(180, 10, "SERVICE NO"), at(0, 40, "SERIAL NO"), at(180, 40, "5820 3317"), at(0, 70, "58214410")],
        # the number is nearer to the caption, and in another line than its value
        [at(0, 0, "S/N"), at(60, 0, "58214410"), at(0, 24, "5820 3317")],
        # what is far from the caption is not its value
        [at(0, 0, "SERIAL NO"), at(0, 90, "5820 3317")],
        [at(0, 0, "SERIAL NO"), at(0, 30, "5820 3317", "cast")],
        # a value with words of its own before it is not another's
        [at(0, 0, "SERIAL NO"), at(0, 30, "SERVICE NO 5820 3317")],
        [at(0, 0, "SERIAL NO"), at(0, 30, "58214410 5820 3317")],
    ],
)  # fmt: skip
def test_a_serial_below_or_behind_its_caption_is_left_out_wherever_its_box_stands(lines):
    assert [text.value for text in number_lines(lines, FORMS)] == ["5820 3317"]
    once = without_captioned(lines, FORMS)
    assert without_captioned(once, FORMS) == once


def test_a_caption_misread_with_a_figure_is_still_a_caption():
    lines = printed("5N", "58214410", "5820 3317 AA")
    assert [line.value for line in without_captioned(lines, FORMS)] == ["5820 3317 AA"]
    assert without_captioned(printed("5N"), FORMS) == tuple(printed("5N"))


@pytest.mark.parametrize(
    ("lines", "serials"),
    [
        (["SERIAL 86912139"], {"86912139"}),
        (["S/N: 8691-2139 REV A"], {"86912139"}),
        (["SERIAL NO 86912139", "DATE 12/04"], {"86912139"}),
        (["SERIENNUMMER", "A8691 2139"], {"A86912139"}),
        (["SERIAL86912139"], {"86912139"}),
        (["5820 3317 AA", "DATE 12.04.2019", "LOT 86912139", "SERIES"], set()),
        (["S/N 417"], set()),  # so short a one is of many units
    ],
)
def test_a_serial_is_told_by_its_caption(lines, serials):
    assert find_serials(printed(*lines)) == serials


@pytest.mark.parametrize(
    "lines",
    [
        # the date or the count is blank, or stands below its caption
        [at(0, 0, "DATE"), at(0, 28, "5820 3317"), at(300, 0, "5821 4410")],
        [at(0, 0, "DATE"), at(0, 26, "12/04"), at(70, 4, "5820 3317"), at(300, 0, "5821 4410")],
        [at(0, 0, "QTY"), at(0, 26, "1"), at(60, 0, "5820 3317"), at(300, 0, "5821 4410")],
        # the serial was not read
        [at(0, 0, "SERIAL NO"), at(150, 0, "REV"), at(0, 26, "5820 3317"), at(150, 26, "B")],
        printed("SERIAL NO", "5820 3317"),
        printed("S/N", "S/N", "12345", "5820 3317"),
        # captions ahead of their values or below them: which is the serial nobody knows
        printed("SERVICE NO", "SERIAL NO", "5820 3317", "58214410"),
        [at(0, 0, "58214410"), at(0, 26, "SERIAL NO"), at(0, 60, "5820 3317"), at(0, 86, "SERVICE NO")],
    ],
)
def test_a_number_near_another_fields_caption_stays(lines):
    once = without_captioned(lines, FORMS)
    assert "5820 3317" in [line.value for line in number_lines(once, FORMS)]
    assert without_captioned(once, FORMS) == once


@pytest.mark.parametrize("day", ["12/04", "12.04.2004", "20041204"])
def test_a_date_below_its_caption_is_left_out(day):
    lines = printed("5820 3317 AA", "DATE", day)
    assert [line.value for line in number_lines(lines, FORMS)] == ["5820 3317 AA"]


def test_words_of_make_below_a_serial_are_no_caption_to_spare():
    lines = printed("5820 3317 AA", "SERIAL NO", "58214410", "MADE IN NORLAND")
    assert [line.value for line in number_lines(lines, FORMS)] == ["5820 3317 AA"]


words = st.sampled_from(
    ["UNIT No", "SERIAL NO", "S/N", "5N", "DATE", "LOT", "KW", "QTY", "REV", "B", "12/04", "12 V", "-", "",
     "1", "58203317", "5821 4410", "5820 3317 S/N", "S/N 58214410", "MADE IN NORLAND", "MARROW & FINCH"]
)  # fmt: skip
places = st.tuples(st.sampled_from([0, 200, 400]), st.sampled_from([0, 26, 52, 78]))


@given(st.lists(st.tuples(words, places), max_size=7), st.booleans())
def test_a_second_time_nothing_more_is_left_out(drawn, placed):
    lines = [at(*place, word) if placed else printed(word)[0] for word, place in drawn]
    once = without_captioned(lines, FORMS)
    assert without_captioned(once, FORMS) == once
    assert number_lines(once, FORMS) == number_lines(lines, FORMS)


@given(st.lists(st.text("S/NDATE058214410 K.-:²\n", max_size=12), max_size=6))
def test_no_lines_stop_it(values):
    once = without_captioned(printed(*values), FORMS)
    assert without_captioned(once, FORMS) == once
    number_lines(once, FORMS)
