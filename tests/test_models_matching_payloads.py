"""Payloads are split by their standards, and a number is found as a whole field or not at all."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from plugface.cli.typed_label import look_at_typed
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_catalogue, index_families
from plugface.models.decision.variants import payload_names
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.payloads import (
    holds_number,
    list_stretches,
    name_alone,
    name_rows,
    serials_of,
    split_payload,
)
from plugface.models.matching.rules import column_of, fit_view
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Code

DEMO = Path(__file__).parent.parent / "training_data_demo" / "marrow_finch"


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(DEMO)


@pytest.mark.parametrize(
    ("payload", "fields"),
    [
        # Parted by GS, no envelope: the first letter may be the number's own, unless another is named one.
        ("K27418052\x1dS0004", [("K27418052", "unknown"), ("0004", "other")]),
        ("S0004\x1d1PK27418052", [("0004", "other"), ("K27418052", "number")]),
        # ISO/IEC 15434 envelope 06 with data identifiers
        ("[)>\x1e06\x1d1P58203317\x1d2PAA\x1dS0004\x1dQ1\x1e\x04",
         [("58203317", "number"), ("AA", "suffix"), ("0004", "other"), ("1", "other")]),
        ("[)>␞06␝P58203317␝T77␞␄", [("58203317", "number"), ("77", "other")]),
        # GS1 application identifiers, in brackets as print has them, and bare
        ("(01)04012345678901(240)58203317AA(21)0004",
         [("04012345678901", "other"), ("58203317AA", "number"), ("0004", "other")]),
        ("0104012345678901240" + "58203317\x1d210004",
         [("04012345678901", "other"), ("58203317", "number"), ("0004", "other")]),
        ("00340123450000000018" + "24058203317\x1d210004",  # a shipping unit has 18 figures
         [("340123450000000018", "other"), ("58203317", "number"), ("0004", "other")]),
        ("]d224058203317\x1d10L7", [("58203317", "number"), ("L7", "other")]),
        # a production date has six figures: this is none, and may be a number
        ("[)>\x1e05\x1d1158203\x1d210004\x1e\x04", [("1158203", "unknown"), ("0004", "other")]),
        # data identifiers without an envelope
        ("P58203317\x1dS0004", [("58203317", "number"), ("0004", "other")]),
        ("58203317", [("58203317", "unknown")]),
        ("", []),
    ],
)  # fmt: skip
def test_fields_are_split_by_their_standard(payload, fields):
    assert [(f.value, f.meaning) for f in split_payload(payload)] == fields


@pytest.mark.parametrize(
    "around",
    [
        "{}",
        "OA-{}AB",
        "{}-00417",
        "{};S00417",
        "P{}",
        "1P{}",
        "[)>\x1e06\x1dP{}\x1dS1\x1e\x04",
        "(240){}(21)9",
        "{}B",
    ],
)
def test_a_listed_number_is_found_as_a_whole_field(catalogue, around):
    index = index_catalogue(catalogue)
    row = next(k for k, f in enumerate(index.families) if f.key == "AUK 11")
    number = index.families[row].variants[0].service_numbers[0]
    assert name_rows(around.format(number), index) == {row}


@pytest.mark.parametrize("around", ["7{}", "{}7", "X7{}", "OA{}", "[)>\x1e06\x1dS{}\x1e\x04", "(21){}"])
def test_a_longer_number_or_a_serial_is_not_it(catalogue, around):
    index = index_catalogue(catalogue)
    assert name_rows(around.format(index.numbers.values[0]), index) == set()


@pytest.mark.parametrize("written", ["K27418/052", "K27418-052", "K27418052", "K27 418/052"])
def test_a_stroke_may_be_left_out_and_the_number_is_quoted_as_it_stands(catalogue, written):
    index = index_catalogue(catalogue)
    (row,) = name_rows(written, index)
    assert index.families[row].key == "AUK 11"
    quoted = {stretch.printed for stretch in list_stretches(written) if stretch.number == "K27418052"}
    assert quoted == {written}


def test_a_payload_without_a_number_holds_none(catalogue):
    index = index_catalogue(catalogue)
    assert not holds_number("WWW.EXAMPLE.ORG/X", index)
    assert not holds_number("(21)K27418/059", index)
    assert holds_number("K27999/059", index)  # of the form of this maker's, and listed nowhere


def test_a_pattern_of_the_entry_says_which_part_is_the_number(catalogue):
    family = catalogue.by_key["KNOT 40"]
    number = family.variants[0].service_numbers[0]
    payload = f"77{number}E"  # figures before it: no whole field
    assert not any(payload_names(payload, family))
    label = family.label.model_copy(
        update={"barcode_payload": r"\d\d(?P<number>K\d{5}/\d{3})(?P<suffix>[E-G])"}
    )
    family = family.model_copy(update={"label": label})
    assert name_rows(payload, index_families((family,))) == {0}
    told = dict(zip([v.key for v in family.variants], payload_names(payload, family), strict=True))
    assert told["E"]
    assert not told["F"]


def test_of_numbers_within_one_another_the_longest_is_it(catalogue):
    whole, within = (
        family.model_copy(
            update={"variants": (family.variants[0].model_copy(update={"service_numbers": (number,)}),)}
        )
        for family, number in zip(catalogue.families, ("K58214/302", "58214/302"), strict=False)
    )
    index = index_families((whole, within))
    assert name_rows("K58214/302", index) == {0}
    assert name_rows("58214/302", index) == {1}


def test_a_pattern_of_the_entry_finds_no_number_of_another_family(catalogue):
    knot, auk = catalogue.by_key["KNOT 40"], catalogue.by_key["AUK 11"]
    label = knot.label.model_copy(update={"barcode_payload": r"\d\d(?P<number>.+)[E-G]"})
    index = index_families((knot.model_copy(update={"label": label}), auk))
    assert name_rows(f"77{knot.variants[0].service_numbers[0]}E", index) == {0}
    assert name_rows(f"77{auk.variants[0].service_numbers[0]}E", index) == frozenset()


def test_a_payload_that_holds_a_number_speaks_for_its_family_and_against_all_others(catalogue):
    index = index_catalogue(catalogue)
    row = 3
    number = catalogue.families[row].variants[0].service_numbers[0]
    square = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))
    code = Code(square, "Code 128", number, "verified")
    odds = fit_view(UnitView(0, "", True, None, (), (code,)), index, ErrorModel()).log_odds
    odds = odds[:, column_of("barcode")]
    assert name_rows(number, index) == {row}
    assert odds[row] == pytest.approx(np.log(0.99 / 1e-4))
    assert np.delete(odds, row) == pytest.approx(np.log(0.3))


def test_behind_a_number_stands_all_that_may_be_its_suffix_the_longest_first():
    found = {(stretch.number, stretch.rests) for stretch in list_stretches("58203317AB12")}
    assert ("58203317", ("AB12", "AB")) in found
    assert ("58203317AB", ("12",)) in found


@pytest.fixture(scope="module")
def figures(catalogue):
    """Two families whose numbers are figures alone: 58203317 and 58214410."""
    numbered = zip(catalogue.families, ("58203317", "58214410"), strict=False)
    return index_families(
        tuple(
            f.model_copy(
                update={
                    "label": f.label.model_copy(update={"service_number": r"^\d{8}$"}),
                    "variants": (f.variants[0].model_copy(update={"service_numbers": (number,)}),),
                }
            )
            for f, number in numbered
        )
    )


@pytest.mark.parametrize(
    ("payload", "named"),
    [
        ("S58214410", "S serial"),
        ("Q58214410", "Q quantity"),
        ("T58214410", "T lot"),
        ("1T58214410", "1T lot"),
        ("D58214410", "D date"),
        ("S43477996", "S serial"),
        ("S/N 58214410", ""),
        ("SN:58214410", ""),
    ],
)
def test_a_serial_or_a_quantity_in_a_code_of_its_own_is_no_number(catalogue, figures, payload, named):
    for index in (figures, index_catalogue(catalogue)):  # S43477996 has the form of K27418/052
        assert name_rows(payload, index) == set()
        assert not holds_number(payload, index)
        assert name_alone(payload, index) == named


@pytest.mark.parametrize(
    "behind", ["-S58214410", " S58214410", ";S/N 58214410", ";SN58214410", "|SERIAL:58214410"]
)
def test_a_serial_behind_the_number_is_not_another_number(figures, behind):
    assert name_rows("58203317" + behind, figures) == {0}
    assert name_rows("58203317-58214410", figures) == {0, 1}


def test_a_number_that_begins_with_an_identifiers_letter_is_a_number(figures):
    family = figures.families[0]
    variant = family.variants[0].model_copy(update={"service_numbers": ("S5821/44",)})
    index = index_families((family.model_copy(update={"variants": (variant,)}), figures.families[1]))
    assert name_rows("S5821/44", index) == {0}
    assert holds_number("S582146", index)  # such as is listed
    assert name_alone("S582146", index) == ""
    assert name_alone("Q582146", index) == "Q quantity"


@pytest.mark.parametrize(
    ("payload", "serials"),
    [
        ("[)>\x1e06\x1d1P58203317\x1dS86912139\x1e\x04", {"86912139"}),
        ("(240)58203317AA(10)86912138(21)86912139", {"86912139"}),
        ("58203317", set()),
        ("S0004\x1d1P58203317", set()),  # short
    ],
)
def test_a_serial_is_told_by_its_standard(payload, serials):
    assert serials_of(payload) == serials


@pytest.mark.parametrize("payload", ["D31999/112", "T27418/052", "S27418-059"])
def test_what_is_printed_as_a_listed_number_is_no_date_or_lot(catalogue, payload):
    index = index_catalogue(catalogue)
    assert holds_number(payload, index)
    assert name_alone(payload, index) == ""


SIGNS = "S1PTQDK27418/052-.:?() [)>␞06␝␄\x1d\x1e\x04²İß"


@given(st.text(SIGNS, max_size=20))
@example("-")
@example("?")
@example("[)>\x1e06\x1d1P-\x1dS0004\x1e\x04")
@example("2400")
def test_no_payload_and_nothing_typed_stops_it(catalogue, payload):
    index = index_catalogue(catalogue)
    split_payload(payload)
    assert all(stretch.number for stretch in list_stretches(payload))
    name_rows(payload, index)
    holds_number(payload, index)
    name_alone(payload, index)
    look_at_typed([payload], catalogue)
