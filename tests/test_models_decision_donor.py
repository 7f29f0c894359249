"""Donor plates: years only from numbers that pass their check, and no number in words."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import compact, load_catalogue
from plugface.models.decision.answers import Candidate, Decision, Evidence, Finding, VariantChance
from plugface.models.decision.donor import (
    HIDDEN,
    hide_vins,
    keep_donors_out,
    listed_numbers,
    may_hold_vin,
    read_donor_years,
    without_donors,
)
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Code, Text, Unit

#: Nobody's, with a right check digit (tests/outside/test_vehicle_numbers.py holds that rule to the outside).
VIN = "0AUKDUNL3K0001234"


def plate(value: str) -> tuple[UnitView, ...]:
    text = Text((), value, 0.9, "printed", 20.0)
    return (UnitView(0, "a", True, None, (), (), (text,)),)


def test_a_number_that_fails_its_check_tells_nothing():
    assert read_donor_years(plate("VIN " + "1" * 17)) == (2001, 2031)
    assert read_donor_years(plate("2" + "1" * 16)) == ()
    assert read_donor_years(plate("AUK 11")) == ()


@pytest.mark.parametrize("line", [VIN, f"VIN {VIN}", f"VIN:{VIN}", f"*{VIN}*", "0AUK DUNL3K0 001234"])
def test_a_plate_is_read_as_it_is_printed(line):
    assert read_donor_years(plate(line)) == (1989, 2019)


@pytest.mark.parametrize(
    "line",
    [
        "NO. K27418/052 S/N 1948774",  # within it stand 17 signs with a right check digit
        f"X{VIN}",
        f"{VIN}7",
        "1948774 11111111118",
        "11111 111111 111111",  # figures alone in several words are numbers beside each other
        f"{VIN[:-1]}Z",  # its end is no figure
    ],
)
def test_what_is_no_word_of_its_own_is_no_plate(line):
    assert read_donor_years(plate(line)) == ()


@pytest.mark.parametrize(
    ("line", "may"),
    [
        (f"VIN {VIN}", True),
        ("0AUKDUNL7K0001234", True),  # a wrong check digit: it need not have one
        ("0AUK DUNL7K0 001234", True),
        ("TYPE 4711 0AUKDUNL7K0001234", True),
        ("TYPE 4711 0AUK DUNL7K0 001234", False),  # within a line words of 17 signs come about by chance
        ("2" + "1" * 16, False),
        ("20481-0337", False),
        ("0AUKDUNL3K000I234", True),  # a sign misread, lost or read twice: it is somebody's all the same
        ("0AUKDUNL3K000123", True),
        ("0AUKDUNL3K00012344", True),
        ("PART NUMBER 5820331", False),  # 17 signs, but a caption is none of a plate's groups
        ("K58214302E", False),
    ],
)
def test_what_has_the_form_of_a_number_may_be_one(line, may):
    assert may_hold_vin(line) == may


@given(st.integers(0, 999), st.integers(50, 59), st.sampled_from("ABCDEF"), st.integers(0, 10**8 - 1))
def test_a_label_s_line_is_never_a_plate(middle, end, revision, serial):
    line = f"P/N K27{middle:03d}/0{end} REV {revision} S/N {serial:08d}"
    assert read_donor_years(plate(line)) == ()


@pytest.mark.parametrize(
    ("said", "line", "kept"),
    [
        (f"'{VIN}' was read", VIN, f"'{HIDDEN}' was read"),
        (f"holds {VIN.lower()}.", f"VIN {VIN}", f"holds {HIDDEN}."),
        ("'0AUK DUNL3K0 001234' was read", "0AUK DUNL3K0 001234", f"'{HIDDEN}' was read"),
        ("'0AUKDUNL3K00012 34' was read", "0AUKDUNL3K00012 34", f"'{HIDDEN}' was read"),  # the whole of it
        (f"{VIN} and {VIN[:-1]}", f"{VIN[:-1]} {VIN}", f"{HIDDEN} and {HIDDEN}"),
        (f"'{VIN}' was read", "K27418/052", f"'{VIN}' was read"),  # nobody read it as a donor's
        (f"X{VIN} and {VIN}7", VIN, f"X{VIN} and {VIN}7"),  # within a longer word it is another number
        ("'K27418052S1948774' was read", "K27418052S1948774", "'K27418052S1948774' was read"),
        ("'K27418052S1948774' was read", "'K27418053S1948774'", "'K27418052S1948774' was read"),
    ],
)
def test_words_say_no_number_that_may_be_a_donors(said, line, kept):
    assert hide_vins(said, [line], frozenset({"K27418052"})) == kept


def test_no_words_of_an_answer_quote_a_donors_number():
    """Those of its findings, reasons and variants as well; what stands on a unit is its own."""
    (family, *_) = load_catalogue(demo_folder() / "marrow_finch").families
    words = f"'{VIN}' was read"
    reason = Evidence("number", words, 1.0)
    chance = VariantChance("early", 0.9, (reason,))
    decision = Decision("ambiguous", words, (Candidate("A", 1.0, 0.9, (reason,), (chance,)),))
    decision = replace(decision, variant_message=words, findings=(Finding("writing disagrees", words),))
    text, code = Text((), VIN, 0.9, "printed", 20.0), Code((), "Code 39", VIN, "verified")
    on_unit = Unit(((0, 0), (9, 0), (9, 9), (0, 9)), 0.9, {"front": 1.0})
    for texts, codes in (((text,), ()), ((), (code,))):
        alone = UnitView(0, "a", True, None, texts, codes)
        said = repr(keep_donors_out(decision, (alone,), [family]))
        assert (said.count(VIN), said.count(HIDDEN)) == (0, 5)
        assert keep_donors_out(decision, (replace(alone, unit=on_unit),), [family]) is decision


def test_views_lose_what_may_be_a_donors_on_no_unit_alone():
    own = Text((), "K27418/052", 0.9, "printed", 20.0)
    plate, code = Text((), VIN, 0.9, "printed", 20.0), Code((), "Code 39", VIN, "verified")
    alone = UnitView(0, "a", True, None, (own, plate), (code,))
    on_unit = replace(alone, unit=Unit(((0, 0), (9, 0), (9, 9), (0, 9)), 0.9, {"front": 1.0}))
    assert without_donors((alone, on_unit)) == (replace(alone, texts=(own,), codes=()), on_unit)


def test_numbers_that_are_listed_are_no_donors():
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    variant = next(v for family in catalogue.families for v in family.variants if v.suffixes)
    number, suffix = compact(variant.service_numbers[0]), compact(variant.suffixes[0])
    assert {number, number + suffix} <= listed_numbers(catalogue.families)
