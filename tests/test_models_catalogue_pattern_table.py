"""A pattern as a table takes what RE2 takes."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import Label, compile_pattern, load_catalogue
from plugface.models.catalogue.pattern_table import tabulate_pattern


@pytest.fixture(scope="module", params=("marrow_finch", "pell_works/catalogue"))
def catalogue(request):
    return load_catalogue(demo_folder() / request.param)


@given(
    pattern=st.sampled_from(
        [
            r"^(?P<series>73\d)(?P<block>\d{3})(?P<unit>\d{3})$",
            r"^(?P<house>PK)(?P<block>21\d{2})/(?P<unit>\d{2})$",
            r"^[A-F]$",
            r"^(A|B\d?){1,3}-?[^0-9]$",
            r"R[0-9]+x*",
        ]
    ),
    text=st.text(alphabet=string.ascii_uppercase[:8] + "KPRx0123/-7", max_size=10),
)
def test_a_table_takes_what_its_pattern_takes(pattern, text):
    table = tabulate_pattern(pattern)
    assert table is not None
    assert table.matches(text) == bool(compile_pattern(pattern).fullmatch(text))


def test_every_pattern_of_the_demo_has_a_table_that_takes_its_numbers(catalogue):
    for family in catalogue.families:
        table = tabulate_pattern(family.label.service_number)
        assert table is not None
        for variant in family.variants:
            assert all(table.matches(number) for number in variant.service_numbers)


def test_a_pattern_that_cannot_be_tabulated_is_left_out():
    assert tabulate_pattern(r"(?i)ab") is None
    assert tabulate_pattern(r"(\d{50}){5}") is None  # too many states
    assert Label(service_number=r"(?i)ab").service_number  # and is still a pattern of a catalogue
