"""Where a unit goes and what stands beside its verdict, by the demo catalogue's entries."""

import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.answers import (
    TWO_UNITS,
    TWO_VARIANTS,
    Candidate,
    Decision,
    Finding,
)
from plugface.models.decision.cautions import HIGH_VOLTAGE, RESTRAINT
from plugface.models.decision.placement import MEANINGS, Place, assign_place, standing

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")


def decision(verdict="identified", families=("DUNLIN 6",), variants=("first",), **other) -> Decision:
    candidates = tuple(Candidate(family, 1.0, 0.99) for family in families)
    return Decision(verdict, "Words.", candidates, families, variants, **other)


def place(given: Decision, market: str = "home port") -> Place:
    return assign_place(given, CATALOGUE, market=market)


@pytest.mark.parametrize(
    ("given", "kind", "said"),
    [
        (decision(families=("GANNET 8",), variants=("only",)), "high voltage", MEANINGS["hazard"]),
        (
            decision(families=("GANNET 8",), variants=("only",), cautions=(HIGH_VOLTAGE,)),
            "high voltage",
            HIGH_VOLTAGE.message,
        ),
        (
            decision(families=("PUFFIN 2",), variants=("only",), cautions=(HIGH_VOLTAGE, RESTRAINT)),
            "restraint",
            RESTRAINT.message,
        ),
        (decision("unreadable", (), (), cautions=(RESTRAINT,)), "restraint", RESTRAINT.message),
    ],
)
def test_a_hazard_s_bin_and_what_is_said_there_are_of_one_kind(given, kind, said):
    """An orange plug beside a restraint unit is warned of by itself."""
    assert place(given) == Place("hazard", f"HAZARD {kind}", said)


def test_two_units_given_as_one_are_parted():
    both = decision("ambiguous", ("AUK 11", "CURLEW 3"), (), findings=(Finding(TWO_UNITS, "Two."),))
    assert place(both) == Place("look-alike bench", "BENCH part the photos", "Words.")


def test_the_bench_says_first_where_it_is_likelier_none_of_these():
    unsure = decision("ambiguous", ("KNOT 40", "KNOT 41"), (), unknown_probability=0.995)
    assert place(unsure).bin == "BENCH NOT IN CATALOGUE / KNOT 40 / KNOT 41"


def test_numbers_of_two_variants_fill_no_bin():
    given = decision(findings=(Finding(TWO_VARIANTS, "Two."),))
    assert place(given).destination == "look-alike bench"
    assert "numbers of different variants were read" in place(given).message
    assert standing(given, CATALOGUE) == "variant open"


def test_a_variant_of_another_market_that_is_not_ruled_out_fills_no_bin():
    either = decision(families=("REDSHANK 2",), variants=("home", "south"))
    told = place(either)
    assert (told.destination, told.bin) == ("look-alike bench", "BENCH REDSHANK 2 home/south")
    assert told.message.startswith("REDSHANK 2, but home, south remain and south is not for home port.")
    assert place(either, market="").destination == "family bin"


@pytest.mark.parametrize(
    ("given", "stands"),
    [
        (decision(), "plain"),
        (decision(variants=("second",)), "locked"),
        (decision(variants=("first", "second")), "variant open"),  # one of them is locked
        (decision(families=("GANNET 8",), variants=("only",)), "hazard"),
        (decision(families=("REDSHANK 2",), variants=("home", "south")), "variant open"),  # markets
        (decision(families=("AUK 11",), variants=("early", "late")), "variant open"),  # throttles
        (decision(families=("CURLEW 3",), variants=("early", "late")), "variant open"),  # teeth
        (decision(families=("KNOT 40",), variants=("E", "G")), "plain"),  # in nothing that a swap hangs on
        (decision("ambiguous", ("KNOT 40", "KNOT 41"), (), together=0.999), "one of few"),
        (decision("ambiguous", ("KNOT 40", "KNOT 41"), (), together=0.9), "plain"),
        (decision("not_in_catalogue", (), ()), "plain"),
    ],
)
def test_what_stands_beside_the_verdict(given, stands):
    assert standing(given, CATALOGUE) == stands
