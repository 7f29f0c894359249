"""Pairing and swap fit on the demo catalogue."""

from pathlib import Path

import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.pairing import Needs, fit_variant, join_fits, list_partners, list_serving


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")


def variant(catalogue, family, key):
    entry = catalogue.by_key[family]
    return entry, next(v for v in entry.variants if v.key == key)


def test_a_locked_revision_never_serves(catalogue):
    entry, second = variant(catalogue, "DUNLIN 6", "second")
    fit = fit_variant(entry, second, Needs(gearbox="automatic"))
    assert fit.serves == "no"
    assert "locked" in " ".join(fit.reasons)


def test_an_injector_driver_needs_the_same_donor_and_says_so(catalogue):
    (rule,) = list_partners(catalogue.by_key["PLOVER 7"])
    assert rule.same_donor
    assert set(rule.families) == {"AUK 11", "AUK 12"}
    entry, only = variant(catalogue, "PLOVER 7", "only")
    fit = fit_variant(entry, only, Needs(partner="AUK 11"))
    assert fit.serves == "unknown"
    assert "same donor" in " ".join(fit.unknown)
    assert fit_variant(entry, only, Needs(partner="CURLEW 5")).serves == "no"
    # By itself it runs nothing; beside an engine unit the throttle is that one's matter.
    assert fit_variant(entry, only, Needs(throttle="cable")).serves == "no"
    assert fit_variant(entry, only, Needs(throttle="cable", partner="AUK 11")).serves == "unknown"
    listed = {row[0] for row in list_serving(catalogue, Needs(partner="AUK 11"))}
    assert "PLOVER 7" in listed
    assert "PLOVER 7" not in {row[0] for row in list_serving(catalogue, Needs(throttle="cable"))}


def test_throttle_decides_between_variants_and_a_set_stays_open(catalogue):
    entry = catalogue.by_key["AUK 11"]
    fits = {v.throttle: fit_variant(entry, v, Needs(throttle="cable")) for v in entry.variants}
    assert fits["cable"].serves == "yes"
    assert fits["electronic"].serves == "no"
    assert join_fits(fits).serves == "unknown"
    assert join_fits({"cable": fits["cable"]}).serves == "yes"


def test_a_manual_gearbox_has_no_use_for_a_gearbox_unit(catalogue):
    entry, first = variant(catalogue, "DUNLIN 6", "first")
    assert fit_variant(entry, first, Needs(gearbox="manual")).serves == "no"


@pytest.mark.parametrize("partner", ["KNOT 40", "KNOT 41", "CURLEW 5"])
def test_a_gearbox_unit_serves_its_own_engine_units_and_no_rival_of_theirs(catalogue, partner):
    entry, home = variant(catalogue, "REDSHANK 2", "home")
    assert fit_variant(entry, home, Needs(partner=partner)).serves == "no"
    assert fit_variant(entry, home, Needs(partner="SANDERLING 9 marine")).serves == "yes"


def test_years_outside_are_refused_with_the_years(catalogue):
    entry, first = variant(catalogue, "DUNLIN 6", "first")
    fit = fit_variant(entry, first, Needs(year=1999))
    assert fit.serves == "no"
    assert "2001 to 2003" in fit.reasons[0]


def test_the_list_holds_no_hazard_and_nothing_locked_and_sure_ones_first(catalogue):
    rows = list_serving(catalogue, Needs(throttle="electronic"))
    keys = {row[0] for row in rows}
    assert keys
    assert not keys & {"GANNET 8", "PUFFIN 2"}
    for family, key, fit in rows:
        assert variant(catalogue, family, key)[1].status != "locked"
        assert fit.serves in ("yes", "unknown")
    answers = [row[2].serves for row in rows]
    assert answers == sorted(answers, key=["yes", "unknown"].index)


def test_the_same_donor_may_be_asked_of_one_partner(catalogue):
    entry, only = variant(catalogue, "PLOVER 7", "only")
    rule = entry.pairing[0].model_copy(update={"same_donor": ("AUK 11",)})
    entry = entry.model_copy(update={"pairing": (rule,)})
    assert "AUK 11 from the same donor or AUK 12" in list_partners(entry)[0].message
    assert "same donor" in " ".join(fit_variant(entry, only, Needs(partner="AUK 11")).unknown)
    assert fit_variant(entry, only, Needs(partner="AUK 12")).serves == "yes"
