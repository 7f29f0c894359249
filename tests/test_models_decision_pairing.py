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
    entry, r3 = variant(catalogue, "SKUA 2", "R3")
    fit = fit_variant(entry, r3, Needs(gearbox="automatic"))
    assert fit.serves == "no"
    assert "locked" in " ".join(fit.reasons)


def test_a_gearbox_unit_needs_the_same_donor_and_says_so(catalogue):
    (rule,) = list_partners(catalogue.by_key["SKUA 4"])
    assert rule.same_donor
    assert set(rule.families) == {"TERN 2", "TERN 4"}
    entry, first = variant(catalogue, "SKUA 4", "first")
    fit = fit_variant(entry, first, Needs(partner="TERN 2"))
    assert fit.serves == "unknown"
    assert "same donor" in " ".join(fit.unknown)
    assert fit_variant(entry, first, Needs(partner="PETREL 5")).serves == "no"


def test_throttle_decides_between_variants_and_a_set_stays_open(catalogue):
    entry = catalogue.by_key["PETREL 5"]
    fits = {v.throttle: fit_variant(entry, v, Needs(throttle="cable")) for v in entry.variants}
    assert fits["cable"].serves == "yes"
    assert fits["electronic"].serves == "no"
    assert join_fits(fits).serves == "unknown"
    assert join_fits({"cable": fits["cable"]}).serves == "yes"


def test_a_manual_gearbox_has_no_use_for_a_gearbox_unit(catalogue):
    entry, r2 = variant(catalogue, "SKUA 2", "R2")
    assert fit_variant(entry, r2, Needs(gearbox="manual")).serves == "no"


def test_years_outside_are_refused_with_the_years(catalogue):
    entry, r2 = variant(catalogue, "SKUA 2", "R2")
    fit = fit_variant(entry, r2, Needs(year=1999))
    assert fit.serves == "no"
    assert "2003 to 2006" in fit.reasons[0]


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
    entry, r2 = variant(catalogue, "SKUA 4", "first")
    rule = entry.pairing[0].model_copy(update={"same_donor": ("TERN 2",)})
    entry = entry.model_copy(update={"pairing": (rule,)})
    assert "TERN 2 from the same donor or TERN 4" in list_partners(entry)[0].message
    assert "same donor" in " ".join(fit_variant(entry, r2, Needs(partner="TERN 2")).unknown)
    assert fit_variant(entry, r2, Needs(partner="TERN 4")).serves == "yes"
