"""Pairing and swap fit on the demo catalogue."""

from pathlib import Path

import pytest
from plugface.models.catalogue.entries import Catalogue, Pairing, load_catalogue
from plugface.models.decision.answers import SwapFit
from plugface.models.decision.pairing import (
    Needs,
    fit_variant,
    join_fits,
    list_locked,
    list_partners,
    list_serving,
    rules_family_out,
)


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


def test_a_locked_revision_that_would_serve_is_told_apart_from_one_that_would_not(catalogue):
    assert ("DUNLIN 6", "second") in list_locked(catalogue, Needs(gearbox="automatic"))
    assert not list_locked(catalogue, Needs(crank_teeth=399))


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


def rule(*families, donors=()):
    return Pairing(families=families, same_donor=donors, why="Because.")


def paired(catalogue, ours, theirs):
    """What AUK 11 is told with PLOVER 7 in hand, by the pairing tables of both."""
    tables = {"AUK 11": ours, "PLOVER 7": theirs}
    families = (f.model_copy(update={"pairing": tables.get(f.key, f.pairing)}) for f in catalogue.families)
    changed = Catalogue(head=catalogue.head, families=tuple(families), sha256=f"{ours} {theirs}")
    auk = changed.by_key["AUK 11"]
    return fit_variant(auk, auk.variants[0], Needs(partner="PLOVER 7"), changed)


@pytest.mark.parametrize(
    ("ours", "theirs", "serves", "said"),
    [
        ([rule("PLOVER 7")], [rule("AUK 11")], "yes", "pairs with the PLOVER 7"),
        ([rule("PLOVER 7")], [rule("AUK 11", donors=("AUK 11",))], "unknown", "same donor"),
        ([rule("PLOVER 7", donors=("PLOVER 7",))], [rule("AUK 11")], "unknown", "same donor"),
        # Several tables mean OR: one that asks for no donor is enough.
        ([rule("PLOVER 7", donors=("PLOVER 7",)), rule("PLOVER 7")], [], "yes", "pairs with the PLOVER 7"),
        ([], [rule("AUK 11")], "yes", "pairs with the PLOVER 7"),
        ([], [rule("AUK 12")], "no", "the PLOVER 7 in hand must be used with AUK 12"),
        ([rule("DUNLIN 1")], [rule("AUK 11")], "yes", "pairs with the PLOVER 7"),
        ([rule("DUNLIN 1")], [], "no", "it must be used with DUNLIN 1, not with PLOVER 7"),
        ([], [], "unknown", "no pairing for it"),
    ],
)
def test_a_pair_is_asked_of_both_sides_and_the_stricter_counts(catalogue, ours, theirs, serves, said):
    fit = paired(catalogue, tuple(ours), tuple(theirs))
    assert fit.serves == serves
    assert said in " ".join((*fit.reasons, *fit.unknown))


def test_a_gearbox_unit_does_not_serve_where_no_engine_unit_that_it_needs_does(catalogue):
    dunlin = catalogue.by_key["DUNLIN 6"]
    usable = next(v for v in dunlin.variants if v.status == "usable")
    engines = [catalogue.by_key[key] for table in dunlin.pairing for key in table.families]
    throttles = {v.throttle for engine in engines for v in engine.variants if v.status != "locked"}
    teeth = {v.crank_teeth for engine in engines for v in engine.variants if v.status != "locked"}
    assert fit_variant(dunlin, usable, Needs(gearbox="automatic"), catalogue).serves == "yes"
    missing = next(n for n in (24, 32, 48, 36) if n not in teeth)
    fit = fit_variant(dunlin, usable, Needs(gearbox="automatic", crank_teeth=missing), catalogue)
    assert fit.serves == "no"
    assert "which it must be used with, serves the swap" in " ".join(fit.reasons)
    for throttle in {"cable", "electronic"} - throttles:
        in_hand = Needs(gearbox="automatic", throttle=throttle, partner=engines[0].key)
        fit = fit_variant(dunlin, usable, in_hand, catalogue)
        assert fit.serves == "no"
        assert f"no variant of the {engines[0].key} in hand serves the swap" in fit.reasons
    served = {key for key, _, _ in list_serving(catalogue, Needs(gearbox="automatic", crank_teeth=missing))}
    assert "DUNLIN 6" not in served


@pytest.mark.parametrize("throttle", ["cable", "electronic", None])
@pytest.mark.parametrize("teeth", [24, 32, 48, None])
@pytest.mark.parametrize("year", [1998, 2004, 2010, None])
def test_a_no_without_a_gearbox_is_a_no_with_either(catalogue, throttle, teeth, year):
    asked = [Needs(throttle, gearbox, teeth, year) for gearbox in (None, "automatic", "manual")]
    for family in catalogue.families:
        for one in family.variants:
            unsaid, *said = [fit_variant(family, one, needs, catalogue).serves for needs in asked]
            if unsaid == "no":
                assert said == ["no", "no"], (family.key, one.key)


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ("yes no", "some that remain serve, others do not"),
        ("yes no unknown", "some that remain serve, others do not"),
        ("yes unknown", "some that remain serve, of others it is not known"),
        ("no unknown", "some that remain do not serve, of others it is not known"),
    ],
)
def test_of_variants_that_remain_no_more_is_said_than_is_known(answers, said):
    fits = {word: SwapFit(word, (), ()) for word in answers.split()}
    assert join_fits(fits).unknown == (f"which variant it is: {said}",)


def with_entry(catalogue, family, **changed):
    """The catalogue with one family changed."""
    families = tuple(f.model_copy(update=changed) if f.key == family else f for f in catalogue.families)
    return Catalogue(head=catalogue.head, families=families, sha256=f"{family} {changed}")


def test_a_hazard_in_hand_is_no_part_for_a_swap(catalogue):
    live = with_entry(catalogue, "PLOVER 7", hazard="high voltage")
    auk = live.by_key["AUK 11"]
    fit = fit_variant(auk, auk.variants[0], Needs(partner="PLOVER 7"), live)
    assert fit.serves == "no"
    assert "the PLOVER 7 in hand is a high-voltage unit and no part for a swap" in fit.reasons


def test_a_partner_that_is_locked_in_every_variant_serves_no_swap(catalogue):
    dunlin = catalogue.by_key["DUNLIN 6"]
    usable = next(v for v in dunlin.variants if v.status == "usable")
    needs, changed = Needs(gearbox="automatic"), catalogue
    for key in {key for table in dunlin.pairing for key in table.families}:
        locked = tuple(v.model_copy(update={"status": "locked"}) for v in changed.by_key[key].variants)
        changed = with_entry(changed, key, variants=locked)
    assert fit_variant(dunlin, usable, needs, changed).serves == "no"
    # One that is listed nowhere may serve.
    only = (rule("GULL 77"), rule(*(key for table in dunlin.pairing for key in table.families)))
    dunlin = dunlin.model_copy(update={"pairing": only})
    assert fit_variant(dunlin, usable, needs, changed).serves == "yes"


def test_a_variant_of_which_nobody_knows_whether_it_is_locked_stays_open(catalogue):
    entry, first = variant(catalogue, "DUNLIN 6", "first")
    needs = Needs(gearbox="automatic")
    assert fit_variant(entry, first, needs).serves == "yes"
    fit = fit_variant(entry, first.model_copy(update={"status": "unknown"}), needs)
    assert (fit.serves, fit.unknown) == ("unknown", ("whether first is locked",))


def test_a_year_of_no_listed_variant_rules_no_family_out(catalogue):
    entry = catalogue.by_key["DUNLIN 6"]
    assert {fit_variant(entry, v, Needs(year=1999)).serves for v in entry.variants} == {"no"}
    assert not rules_family_out(entry, Needs(year=1999))
    assert rules_family_out(entry, Needs(year=1999, gearbox="manual"))


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
