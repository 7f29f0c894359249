"""Payloads are split by their standards, and a number is found as a whole field or not at all."""

from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_catalogue, index_families
from plugface.models.decision.variants import payload_names
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.payloads import holds_number, list_stretches, name_rows, split_payload
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
