"""What a line of writing says for and against each family, by what it was taken for and where it stands."""

from dataclasses import replace

import numpy as np
import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_alone, index_families
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rules import RULES, ViewFit, column_of, fit_unit
from plugface.models.matching.writing_rules import holds_listed_form, without_foreign_numbers
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Code, Text, Unit

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")
KEYS = [family.key for family in CATALOGUE.families]
INDEX = index_families(CATALOGUE.families)
NOISE = ErrorModel()
NUMBER = "K58214/302"  # of KNOT 40

SQUARE = ((0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0))
OUTLINED = Unit(SQUARE, 0.9, {"front": 0.5, "back": 0.5})
PLACES = {"outlined": OUTLINED, "whole photo": replace(OUTLINED, method="whole photo"), "close-up": None}


def line(value: str, kind: str = "printed", sure: float = 0.99) -> Text:
    return Text((), value, sure, kind, 20.0)


def fit(*texts: Text, codes=(), place: str = "outlined", index=INDEX) -> ViewFit:
    (fitted,) = fit_unit([UnitView(0, "a" * 64, True, PLACES[place], texts, codes)], index, NOISE)
    return fitted


def odds(rule: str, *texts: Text, **other) -> dict[str, float]:
    fitted = fit(*texts, **other)
    return dict(zip(KEYS, fitted.log_odds[:, column_of(rule)], strict=True))


def test_a_cast_mark_rules_out_no_more_than_its_kind_and_its_reading_are_sure():
    """What it may be beside a mark stands in the error model; without an outline its kind is a guess."""
    sure, garbled = NOISE.elsewhere(0.99), NOISE.elsewhere(0.3)
    for place, reading, left in (
        ("outlined", 0.99, 1 - (1 - sure) * (1 - NOISE.kind_wrong)),
        ("outlined", 0.3, 1 - (1 - garbled) * (1 - NOISE.kind_wrong)),
        ("whole photo", 0.99, 1 - (1 - sure) * 0.5),
        ("close-up", 0.99, 1 - (1 - sure) * 0.5),
    ):
        told = odds("cast mark", line("KNOT 40", "cast", reading), place=place)
        assert told["CURLEW 3"] == pytest.approx(np.log(left), abs=0.01)
        assert told["KNOT 40"] > 5


def test_a_family_without_a_mark_is_ruled_out_by_a_cast_mark_like_any_other():
    bare = tuple(f.model_copy(update={"marks": ()}) if f.key == "PLOVER 7" else f for f in CATALOGUE.families)
    fitted = fit(line("KNOT 40", "cast"), index=index_families(bare))
    told = dict(zip(KEYS, fitted.log_odds[:, column_of("cast mark")], strict=True))
    assert told["PLOVER 7"] == pytest.approx(told["CURLEW 3"], abs=0.01)
    assert fitted.suffix_margin[KEYS.index("PLOVER 7"), column_of("cast mark")] == 0  # nor has it a sibling


@pytest.mark.parametrize("value", ["4", "KN"])
def test_a_letter_or_two_are_no_mark(value):
    for rule, kind in (("cast mark", "cast"), ("label mark", "printed")):
        fitted = fit(line(value, kind))
        assert fitted.measured[column_of(rule)] == 0
        assert not fitted.log_odds[:, column_of(rule)].any()


def test_a_printed_mark_speaks_for_its_family_and_hardly_against_the_others():
    told = odds("label mark", line("KNOT 40"))
    assert told["KNOT 40"] > 5
    assert told["CURLEW 3"] == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize(("rule", "value"), [("label mark", "KNOT 40"), ("service number", NUMBER)])
def test_among_many_lines_one_that_fits_says_less(rule, value):
    """Each of them had the chance to: with four, the odds are a quarter."""
    foreign = [f"K99{n}77/888" for n in range(3)] if rule == "service number" else ["MAKER", "PLANT", "UNIT"]
    alone, among = odds(rule, line(value)), odds(rule, line(value), *map(line, foreign))
    assert alone["KNOT 40"] - among["KNOT 40"] == pytest.approx(np.log(4), abs=0.05)


def test_a_number_that_was_taken_for_casting_is_print_with_the_chance_of_that_slip():
    column = column_of("service number")
    for place, kind, measured in (
        ("outlined", "printed", 1.0),
        ("outlined", "cast", NOISE.kind_wrong),
        ("whole photo", "cast", 0.5),
        ("close-up", "cast", 0.5),
    ):
        fitted = fit(line(NUMBER, kind), place=place)
        assert fitted.measured[column] == measured
        left = 1 - (1 - NOISE.number_elsewhere) * measured
        told = fitted.log_odds[:, column]
        assert told[KEYS.index("CURLEW 3")] == pytest.approx(np.log(left), abs=0.05)
        assert told[KEYS.index("KNOT 40")] > 5


def test_how_far_off_a_number_is_counts_by_the_chance_that_it_is_print():
    off = {
        kind: fit(line("K58214/309", kind)).deviance[KEYS.index("KNOT 40"), column_of("service number")]
        for kind in ("printed", "cast")
    }
    assert off["printed"] > 3
    assert off["cast"] < off["printed"] / 5


def test_only_print_has_the_form_of_a_number():
    printed, cast = (odds("number pattern", line(NUMBER, kind)) for kind in ("printed", "cast"))
    assert printed["KNOT 40"] > 0 > printed["CURLEW 3"]
    assert not any(cast.values())


def test_a_barcode_names_its_family_and_a_serial_alone_none():
    def code(payload):
        return (Code((), "Code 128", payload, "verified"),)

    told = odds("barcode", codes=code("K58214302F"))
    # 1 label in 100 sits on the wrong unit, and its check leaves next to no room for misreading.
    assert told["KNOT 40"] == pytest.approx(np.log(0.99 / 1e-4))
    assert told["CURLEW 3"] == pytest.approx(np.log(0.3))
    assert not any(odds("barcode", codes=code("48158429")).values())


def test_a_cast_line_is_never_a_number_of_another_system():
    cast, foreign, own = line("7261-A04-77", "cast"), line("7261-A04-77"), line(NUMBER)
    assert without_foreign_numbers([cast, foreign, own], INDEX) == (cast, own)


def words(rule: str, key: str, *texts: Text, codes=(), for_it: bool = True) -> str:
    (told,) = (one for one in RULES if one.name == rule)
    view = UnitView(0, "a" * 64, True, OUTLINED, texts, codes)
    return told.explain(index_alone(CATALOGUE.by_key[key]), view, NOISE, for_it)


@pytest.mark.parametrize(
    ("read", "for_it", "said"),
    [
        ("K27463/055", True, "a service number of AUK 11"),
        ("K27463/058", True, "close to K27463/055 of AUK 11 but not the same"),  # its second number
        ("K27463/058", False, "no number of AUK 11"),
    ],
)
def test_a_number_that_is_only_near_is_never_said_to_be_the_family_s(read, for_it, said):
    told = words("service number", "AUK 11", line("MAKER"), line(read), for_it=for_it)
    assert told == f"the label reads '{read}', {said}"


def test_the_barcode_that_names_the_family_is_quoted():
    codes = tuple(Code((), "Code 128", payload, "verified") for payload in ("48158429", "K58214302F"))
    assert words("barcode", "KNOT 40", codes=codes) == (
        "the barcode reads K58214302F, which holds a number of KNOT 40"
    )


def test_a_mark_is_quoted_from_where_it_was_read():
    both = (line("KNOT 40", "cast"), line("CURLEW 3"))
    assert words("cast mark", "KNOT 40", *both) == "the cast mark reads 'KNOT 40', the mark of KNOT 40"
    assert words("label mark", "KNOT 40", *both).startswith("the label reads 'CURLEW 3', KNOT 40 carries")


@pytest.mark.parametrize(
    ("value", "holds"), [(NUMBER, True), (f"UNIT No {NUMBER} REV E", True), (f"7{NUMBER}X", False)]
)
def test_a_listed_form_is_held_in_whole_words(value, holds):
    assert holds_listed_form([line(value)], INDEX) == holds


def test_the_nearest_line_says_how_far_off_a_number_is_and_its_sibling_how_near():
    column, row = column_of("service number"), KEYS.index("KNOT 40")
    own, other = fit(line(NUMBER)), fit(line("K31206/112"), line(NUMBER))
    assert own.deviance[row, column] == other.deviance[row, column] == pytest.approx(0, abs=0.01)
    assert own.suffix_margin[row, column] == other.suffix_margin[row, column] == 0
    assert fit(line("K58214/309")).suffix_margin[row, column] > 3
