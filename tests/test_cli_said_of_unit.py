"""What a person says of a unit, held against the catalogue: claims and needs."""

import pytest
from plugface.cli.said_of_unit import UnknownPartner, check_claim, check_needs, find_family, read_needs
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.opinion import ClaimError
from plugface.models.decision.pairing import Needs

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")


@pytest.mark.parametrize(
    ("said", "claimed"),
    [("", ""), ("knot 40", "KNOT 40"), (" knot 40 : e ", "KNOT 40:E"), ("KNOT 40:", "KNOT 40")],
)
def test_a_claim_is_kept_by_the_catalogue_s_own_keys_with_its_variant(said, claimed):
    assert check_claim(said, CATALOGUE) == claimed


@pytest.mark.parametrize("said", ["GULL 77", "KNOT 40:Z"])
def test_a_claim_that_names_nothing_is_refused(said):
    with pytest.raises(ClaimError):
        check_claim(said, CATALOGUE)


def test_a_partner_is_kept_by_its_own_key_and_all_else_as_it_was_said():
    needs = Needs(throttle="cable", gearbox="manual", crank_teeth=60, year=1998, partner="auk 11")
    assert check_needs(needs, CATALOGUE) == Needs("cable", "manual", 60, 1998, "AUK 11")
    assert check_needs(Needs(year=1998), CATALOGUE) == Needs(year=1998)
    assert find_family("gull 77", CATALOGUE) is None
    with pytest.raises(UnknownPartner, match="GULL 77"):
        check_needs(Needs(partner="GULL 77"), CATALOGUE)


def test_what_is_left_out_or_empty_does_not_matter():
    assert read_needs({}) == read_needs({"throttle": "", "year": None, "partner": ""}) == Needs()
    full = {"throttle": "cable", "gearbox": "manual", "crank_teeth": 60, "year": 1998, "partner": "AUK 11"}
    assert read_needs(full) == Needs(**full)


@pytest.mark.parametrize(
    "told",
    [
        None,
        ["cable"],
        {"colour": "red"},
        {"throttle": "wire"},
        {"gearbox": "both"},
        {"crank_teeth": "60"},
        {"crank_teeth": 401},
        {"crank_teeth": True},
        {"crank_teeth": 60.0},
        {"year": 1949},
        {"year": 2101},
        {"partner": 11},
        {"partner": "A" * 81},
    ],
)
def test_what_no_swap_can_need_is_refused(told):
    with pytest.raises(ValueError, match="not what a swap can need"):
        read_needs(told)
