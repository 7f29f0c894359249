"""Which patterns accept the same number."""

from contextlib import suppress
from itertools import product

import pytest
import re2
from hypothesis import given
from hypothesis import strategies as st
from plugface.models.catalogue.pattern_overlap import Unsupported, find_overlaps, parse_pattern

# Small patterns over two digits, so that all texts up to length 4 can be tried by hand.
ATOMS = st.sampled_from(["1", "2", "[12]", r"\d", "(?:12)", "(1|22)", "([^1])", "."])
PIECES = st.tuples(ATOMS, st.sampled_from(["", "", "?", "*", "+", "{2}", "{1,3}", "{0,1}"])).map("".join)
PATTERNS = st.lists(PIECES, min_size=1, max_size=3).map("".join)
TEXTS = [""] + ["".join(t) for n in range(1, 5) for t in product("12", repeat=n)]


def test_an_example_that_both_accept_is_given():
    overlaps, complete = find_overlaps([r"^(?P<s>41\d)(?P<u>\d{2})$", r"^4[0-5]8\d1$", r"^7\d{4}$"])
    assert complete
    assert [o.members for o in overlaps] == [(0, 1)]
    example = overlaps[0].example
    assert re2.fullmatch(r"41\d\d{2}", example)
    assert re2.fullmatch(r"4[0-5]8\d1", example)


def test_patterns_that_differ_in_one_digit_do_not_overlap():
    assert find_overlaps([r"^\d{6}(112|118)$", r"^\d{6}(113|119)$"]) == ((), True)


def test_equal_patterns_overlap_as_one_group():
    overlaps, _ = find_overlaps([r"^\d{3}$"] * 500 + [r"^[A-Z]{3}$"])
    assert [o.members for o in overlaps] == [tuple(range(500))]


@pytest.mark.parametrize("pattern", [r"(?i)ab", r"\pL+", r"\bab", r"[[:digit:]]", "(" * 30 + "1" + ")" * 30])
def test_what_is_not_followed_is_left_out(pattern):
    with pytest.raises(Unsupported):
        parse_pattern(pattern)
    assert find_overlaps([pattern, pattern]) == ((), True)


def test_repetition_is_bounded():
    with pytest.raises(Unsupported, match="repeats too much"):
        parse_pattern("((1{90}){90}){90}")


def test_a_walk_that_grows_without_end_is_given_up():
    # The subset construction needs 2**n sets for "the n-th character from the end is 1".
    overlaps, complete = find_overlaps([r"\d*1\d{20}3", r"\d*1\d{19}33", r"\d*2\d{18}4"])
    assert not complete
    assert all(len(o.members) > 1 for o in overlaps)


@given(PATTERNS, PATTERNS)
def test_agrees_with_trying_all_short_texts(first, second):
    overlaps, complete = find_overlaps([first, second])
    assert complete
    if overlaps:
        assert re2.fullmatch(first, overlaps[0].example)
        assert re2.fullmatch(second, overlaps[0].example)
    else:
        assert not [t for t in TEXTS if re2.fullmatch(first, t) and re2.fullmatch(second, t)]


@given(st.text(alphabet="12()[]|*+?{}^$\\d.-", max_size=12))
def test_any_text_is_parsed_or_refused(pattern):
    try:
        re2.compile(pattern)
    except re2.error:
        return
    with suppress(Unsupported):
        parse_pattern(pattern)
