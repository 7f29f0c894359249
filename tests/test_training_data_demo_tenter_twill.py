"""The maker kept for testing: a clean catalogue with every hard situation, and numbers of its own format."""

import re

import pytest
from plugface.demo.studio import part_numbers
from plugface.demo.studio.families import CATALOGUES, catalogue
from plugface.models.catalogue.check import check_catalogue
from plugface.models.catalogue.entries import compile_pattern

OWN = catalogue("tenter_twill")
NUMBERS = [n for f in OWN.families for v in f.variants for n in v.service_numbers]


def plugs(key):
    return [(c.colour, c.size) for c in OWN.by_key[key].connectors]


def test_the_catalogue_has_notes_alone():
    assert {problem.severity for problem in check_catalogue(OWN)} == {"note"}
    assert OWN.head.invented
    assert {family.maker for family in OWN.families} == {"Tenter & Twill"}
    assert (len(OWN.families), sum(len(f.variants) for f in OWN.families)) == (5, 8)


def test_one_colour_is_all_that_two_families_differ_by():
    one, other = OWN.by_key["SHUTTLE 3"], OWN.by_key["SHUTTLE 9"]
    assert one.body == other.body
    differ = [
        set(a.model_dump().items()) ^ set(b.model_dump().items())
        for a, b in zip(one.connectors, other.connectors, strict=True)
    ]
    assert [{key for key, _ in d} for d in differ] == [set(), set(), {"colour"}]


def test_order_is_all_that_two_families_differ_by():
    assert OWN.by_key["HEDDLE 4"].body == OWN.by_key["HEDDLE 7"].body
    assert sorted(plugs("HEDDLE 4")) == sorted(plugs("HEDDLE 7"))
    assert plugs("HEDDLE 4") != plugs("HEDDLE 7")


def test_a_suffix_alone_tells_a_locked_revision():
    usable, locked = OWN.by_key["HEDDLE 4"].variants
    assert usable.service_numbers == locked.service_numbers
    assert not set(usable.suffixes) & set(locked.suffixes)
    assert (usable.status, locked.status) == ("usable", "locked")


def test_the_gearbox_unit_and_its_engine_units_must_come_from_one_donor():
    (rule,) = OWN.by_key["BOBBIN 5"].pairing
    assert rule.donors == ("SHUTTLE 3", "SHUTTLE 9")
    assert all(OWN.by_key[key].pairing[0].donors == ("BOBBIN 5",) for key in rule.donors)


@pytest.mark.parametrize("number", NUMBERS)
def test_numbers_have_a_format_that_no_other_maker_prints(number):
    def shape(text):
        return re.sub(r"\d", "D", re.sub(r"[A-Z]", "A", text))

    assert shape(number) == "DDADDD.AD"
    assert not number.startswith("0")
    drawn = {form.replace("N", "D") for form in part_numbers.FORMATS}
    others = [f for name in CATALOGUES if name != "tenter_twill" for f in catalogue(name).families]
    printed = {shape(n) for f in others for v in f.variants for n in v.service_numbers}
    assert shape(number) not in drawn | printed
    assert not any(compile_pattern(f.label.service_number).fullmatch(number) for f in others)


def test_crank_wheels_have_teeth_of_the_scenario():
    teeth = {v.crank_teeth for f in OWN.families for v in f.variants if f.controls != "gearbox"}
    assert teeth == {24, 32, 48}
