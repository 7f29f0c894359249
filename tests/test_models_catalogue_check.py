"""Findings beyond the schema. Each case changes one thing in a catalogue without findings."""

from pathlib import Path

import pytest
from plugface.models.catalogue.check import check_catalogue, narrow_pattern
from plugface.models.catalogue.entries import Catalogue, Value, compile_pattern, load_catalogue

DEMO = Path(__file__).parents[1] / "training_data_demo"
CATALOGUE = load_catalogue(DEMO / "marrow_finch")


def changed(of, /, **update):
    """The demo with one family changed."""
    families = [f.model_copy(update=update) if f.key == of else f for f in CATALOGUE.families]
    return CATALOGUE.model_copy(update={"families": tuple(families)})


def found(catalogue, rule):
    return [p for p in check_catalogue(catalogue) if p.rule == rule]


def moved(key, number, **update):
    """The plugs of a family with one changed."""
    plugs = list(CATALOGUE.by_key[key].connectors)
    plugs[number - 1] = plugs[number - 1].model_copy(update=update)
    return tuple(plugs)


def variant(key, number, **update):
    variants = list(CATALOGUE.by_key[key].variants)
    variants[number - 1] = variants[number - 1].model_copy(update=update)
    return tuple(variants)


@pytest.mark.parametrize(
    ("maker", "warned"), [("marrow_finch", ["SANDERLING 9"]), ("pell_works/catalogue", [])]
)
def test_the_demo_has_notes_and_one_pair_that_the_label_alone_tells_apart(maker, warned):
    problems = check_catalogue(load_catalogue(DEMO / maker))
    assert {p.severity for p in problems if p.rule != "look-alikes"} == {"note"}
    alike = [p for p in problems if p.rule == "look-alikes"]
    assert [(p.severity, p.family) for p in alike] == [("warning", key) for key in warned]
    assert all("SANDERLING 9 marine" in p.message for p in alike)


def test_wrong_order_is_said_with_the_right_one():
    plugs = CATALOGUE.by_key["AUK 11"].connectors
    (problem,) = found(changed("AUK 11", connectors=plugs[::-1]), "canonical order")
    assert problem.severity == "error"
    assert "no. 5 (BK-L), no. 4 (BN-M), no. 3 (BN-M), no. 2 (GY-S), no. 1 (BK-M)" in problem.message
    assert problem.file == "auk_11.toml"


def test_an_order_that_hangs_by_a_hair_is_a_warning():
    # Middle of the class: M is 23 mm high, S 19; the limit is 9.5 mm, 9 mm apart is still one row.
    plugs = moved("PUFFIN 2", 2, at_mm=(27.5, 39.8))
    (problem,) = found(changed("PUFFIN 2", connectors=plugs), "fragile order")
    assert problem.severity == "warning"
    assert "stand 9 mm apart" in problem.message


def test_a_plug_past_the_edge_and_two_on_one_place():
    # KNOT 40's face is 204 mm wide; a plug of class M is 35 mm or more.
    (outside,) = found(changed("KNOT 40", connectors=moved("KNOT 40", 3, at_mm=(90, 44))), "outside the body")
    assert (outside.severity, outside.key) == ("error", "connectors no. 3")
    (over,) = found(changed("KNOT 40", connectors=moved("KNOT 40", 3, at_mm=(0, 44))), "one on the other")
    assert over.key == "connectors no. 2 and connectors no. 3"


def test_a_plug_that_looks_out_of_an_edge_may_stand_out_past_it():
    assert not found(CATALOGUE, "outside the body")
    upwards = moved("CURLEW 3", 1, opens="up")
    (problem,) = found(changed("CURLEW 3", connectors=upwards), "outside the body")
    assert problem.key == "connectors no. 1"


def test_a_turned_plug_takes_its_length_upwards():
    # Upright, 20 mm of an M plug at x = 90 stay on the 204 mm face; lying, 35 mm reach past 102.
    for turn_deg, outside in ((90.0, []), (0.0, ["connectors no. 3"])):
        plugs = moved("KNOT 40", 3, at_mm=(90, 44), turn_deg=turn_deg)
        assert [p.key for p in found(changed("KNOT 40", connectors=plugs), "outside the body")] == outside


def test_a_number_that_the_label_cannot_bear():
    for number, words in (("K47510/261", "does not match the label pattern"), ("K44510 /261", "has spaces")):
        variants = variant("DUNLIN 6", 1, service_numbers=(number,))
        (problem,) = found(changed("DUNLIN 6", variants=variants), "unreachable variant")
        assert problem.severity == "error"
        assert words in problem.message


def test_small_letters_in_a_pattern_are_never_read():
    small = CATALOGUE.by_key["AUK 11"].label.model_copy(update={"service_number": r"^k27\d{3}/05\d$"})
    variants = tuple(
        v.model_copy(update={"service_numbers": tuple(n.lower() for n in v.service_numbers)})
        for v in CATALOGUE.by_key["AUK 11"].variants
    )
    problems = found(changed("AUK 11", label=small, variants=variants), "unreachable variant")
    assert [p.remedy for p in problems] == ["Write the pattern in capitals"] * 2
    assert "K27418/052" in problems[0].message
    label = CATALOGUE.by_key["DUNLIN 6"].label.model_copy(update={"suffix": "^[a-d]$"})
    variants = variant("DUNLIN 6", 2, suffixes=("c",))
    problems = found(changed("DUNLIN 6", label=label, variants=variants), "unreachable variant")
    assert any('"C" does not match the suffix pattern ^[a-d]$' in p.message for p in problems)


def test_things_that_overlap_are_mended_by_what_they_have():
    mark = CATALOGUE.by_key["AUK 11"].marks[0]
    above = mark.model_copy(update={"text": "TWO", "at_mm": (mark.at_mm[0], mark.at_mm[1] + 1)})
    (problem,) = found(changed("AUK 11", marks=(mark, above)), "one on the other")
    assert (problem.key, problem.remedy) == ("marks no. 1 and marks no. 2", "Correct at_mm or height_mm")
    on_plug = mark.model_copy(update={"at_mm": CATALOGUE.by_key["AUK 11"].connectors[0].at_mm})
    (problem,) = found(changed("AUK 11", marks=(on_plug,)), "one on the other")
    assert problem.remedy == "Correct at_mm, the plug's size or turn_deg, or the mark's height_mm"


def test_suffixes_that_cannot_be_read():
    (problem,) = found(
        changed("DUNLIN 6", variants=variant("DUNLIN 6", 2, suffixes=("3",))), "unreachable variant"
    )
    assert '"3" does not match the suffix pattern' in problem.message
    label = CATALOGUE.by_key["DUNLIN 6"].label.model_copy(update={"suffix": ""})
    problems = found(changed("DUNLIN 6", label=label), "unreachable variant")
    assert ["no suffix pattern" in p.message for p in problems] == [True, True]
    assert {p.remedy for p in problems} == {"Add a line to [label] such as: suffix = '^[ABC]$'"}
    longer = (*CATALOGUE.by_key["DUNLIN 6"].variants[:1], *variant("DUNLIN 6", 2, suffixes=("C1",))[1:])
    problems = found(changed("DUNLIN 6", label=label, variants=longer), "unreachable variant")
    assert {p.remedy.partition("suffix = ")[2] for p in problems} == {"'^(?:A|B|C1)$'"}


def test_variants_that_nothing_tells_apart():
    (problem,) = found(changed("DUNLIN 6", variants=variant("DUNLIN 6", 2, suffixes=())), "variants alike")
    assert problem.severity == "error"
    assert "K44510/261" in problem.message


def test_locked_and_usable_behind_one_front_is_noted():
    words = [p.message for p in found(CATALOGUE, "label needed") if p.family == "DUNLIN 6"]
    assert words == ["they differ by the suffix on the label alone (A/B or C); one of them is locked"]


def test_partners():
    rule = CATALOGUE.by_key["PLOVER 7"].pairing[0]

    def with_partner(name):
        return changed("PLOVER 7", pairing=(rule.model_copy(update={"families": (name,)}),))

    (unknown,) = found(with_partner("AUK 13"), "unknown partner")
    assert unknown.remedy.startswith('Did you mean "AUK')
    assert found(with_partner("GANNET 8"), "partner")[0].message.startswith("GANNET 8 is a high voltage unit")
    assert found(with_partner("PLOVER 7"), "partner")[0].message == "it is paired with itself"
    # What a gearbox unit needs, its engine unit may need for an automatic gearbox alone.
    for controls, told in (("gearbox", True), ("engine", False)):
        needs = rule.model_copy(update={"families": ("CURLEW 5",)})
        (problem,) = found(changed("PLOVER 7", pairing=(needs,), controls=controls), "one-sided pairing")
        assert problem.severity == "warning"
        assert ('gearbox = "automatic"' in problem.remedy) == told


def test_hazards():
    orange = found(changed("GANNET 8", hazard="none"), "hazard")
    assert "UN Regulation No. 100; ISO 6469-3" in orange[0].message
    yellow = found(changed("PUFFIN 2", hazard="none"), "hazard")
    assert "common practice, no source" in yellow[0].message
    (error,) = found(changed("GANNET 8", controls="engine"), "hazard")
    assert error.severity == "error"
    (uncautioned,) = found(changed("GANNET 8", cautions=()), "hazard")
    assert uncautioned.key == "cautions"


def test_one_number_in_two_families():
    number = CATALOGUE.by_key["AUK 11"].variants[0].service_numbers
    problems = check_catalogue(changed("AUK 12", variants=variant("AUK 12", 1, service_numbers=number)))
    twice = [p for p in problems if p.rule == "number used twice"]
    assert [(p.severity, p.message) for p in twice] == [("error", "K27418/052 stands in AUK 12 too")]


def test_one_number_in_two_families_with_other_signs():
    twins = changed("AUK 12", variants=variant("AUK 12", 1, service_numbers=("K27418-052",)))
    (twice,) = found(twins, "number used twice")
    assert twice.message == "K27418/052 stands in AUK 12 too as K27418-052"


def test_a_number_that_is_another_familys_with_its_suffix():
    base, suffixed = CATALOGUE.by_key["AUK 11"], "K27418/052-C"
    owner = variant("AUK 11", 1, suffixes=("C",))
    assert not found(changed("AUK 11", variants=owner), "number with a suffix")
    both = changed("AUK 12", variants=variant("AUK 12", 1, service_numbers=(suffixed,)))
    families = [f.model_copy(update={"variants": owner}) if f.key == base.key else f for f in both.families]
    (twice,) = found(both.model_copy(update={"families": tuple(families)}), "number with a suffix")
    assert (twice.severity, twice.family) == ("error", "AUK 12")
    assert twice.message == f"{suffixed} is K27418/052 with the suffix C of AUK 11 {owner[0].key}"


def test_overlapping_patterns_come_with_an_example():
    label = CATALOGUE.by_key["AUK 12"].label.model_copy(update={"service_number": r"^K27\d{3}/\d{3}$"})
    (problem,) = found(changed("AUK 12", label=label), "patterns overlap")
    assert problem.severity == "warning"
    assert problem.message == '"K27000/050" would match AUK 12 too'
    # One that would do is named for the pattern that is too wide; AUK 11's lets no number of AUK 12 in.
    assert "AUK 11" not in problem.remedy
    proposed = problem.remedy.partition("such as AUK 12 ")[2].strip("'")
    narrowed = label.model_copy(update={"service_number": proposed})
    assert not found(changed("AUK 12", label=narrowed), "patterns overlap")


@pytest.mark.parametrize(
    ("numbers", "others", "pattern"),
    [
        (["W6120-48"], ["W6133-07", "W7201-90"], r"^W612\d\-\d{2}$"),
        (["W6120-48", "W6121-09"], ["W6133-07"], r"^W612\d\-\d{2}$"),
        (["48AK6120"], ["51AK6120"], r"^4\d[A-Z]{2}\d{4}$"),
        (["W6120-48", "W6133-07"], ["W6120-51"], ""),  # what they share, another's begins with
        (["W6120-48", "W6120"], [], ""),  # of two makes
        ([], ["W6120"], ""),
    ],
)
def test_a_narrow_pattern_takes_what_is_listed_and_nothing_of_others(numbers, others, pattern):
    assert narrow_pattern(numbers, others) == pattern
    if pattern:
        made = compile_pattern(pattern)
        assert all(made.fullmatch(number) for number in numbers)
        assert not any(made.fullmatch(number) for number in others)


def test_a_narrow_pattern_keeps_out_of_other_patterns_too():
    assert narrow_pattern(["W6120-48"], ["W7201-90"], [r"^W612[1-4]-\d{2}$"]) == r"^W6120\-\d{2}$"
    assert narrow_pattern(["W6120-48"], ["W7201-90"], [r"^W\d{4}-\d{2}$"]) == ""


def test_families_that_only_the_label_tells_apart_and_those_that_nothing_does():
    def alike(twin):
        with_twin = CATALOGUE.model_copy(update={"families": (*CATALOGUE.families, twin)})
        return [p.severity for p in found(with_twin, "look-alikes") if p.family == "AUK 11"]

    twin = CATALOGUE.by_key["AUK 11"].model_copy(update={"key": "AUK 13"})
    assert alike(twin) == ["error"]
    label = twin.label.model_copy(update={"service_number": r"^K27\d{3}/07\d$"})
    twin = twin.model_copy(update={"label": label})
    assert alike(twin) == ["warning"]
    body = twin.body.model_copy(update={"size_mm": (230.0, 150.0, 34.0)})
    assert alike(twin.model_copy(update={"body": body})) == []


def test_no_mark_means_two_ways_up():
    (problem,) = found(changed("DUNLIN 1", marks=()), "no mark")
    assert "VT-M WH-M GN-S may be read as GN-S WH-M VT-M" in problem.message
    (problem,) = found(changed("PLOVER 7", marks=()), "no mark")
    assert "may be read" not in problem.message  # BN-L BN-L is the same both ways


def test_an_empty_catalogue_and_errors_first():
    assert check_catalogue(Catalogue(head=CATALOGUE.head, families=())) == ()
    severities = [p.severity for p in check_catalogue(changed("DUNLIN 6", marks=(), hazard="restraint"))]
    assert severities == sorted(severities, key=["error", "warning", "note"].index)
    assert len(set(severities)) == 3


def test_a_warning_colour_that_warns_of_nothing_is_settled_by_a_key():
    assert not found(changed("PUFFIN 2", hazard="none", harmless_colours=("YE",)), "hazard")
    assert found(changed("PUFFIN 2", hazard="none", harmless_colours=("OG",)), "hazard")


def test_a_value_without_a_currency_is_a_warning():
    family = next(f for f in CATALOGUE.families if len(f.variants) > 1)
    head = CATALOGUE.head.model_copy(update={"currency": ""})
    bare, named = Value(usable=80.0), Value(usable=90.0, currency="EUR")
    variants = (
        family.variants[0].model_copy(update={"value": bare}),
        *(v.model_copy(update={"value": named}) for v in family.variants[1:]),
    )
    only = family.model_copy(update={"variants": variants})
    without = CATALOGUE.model_copy(update={"head": head, "families": (only,)})
    (problem,) = found(without, "currency")
    assert (problem.severity, problem.family) == ("warning", family.key)
    assert f'the value of "{variants[0].key}" names no currency' in problem.message
    with_one = without.model_copy(update={"head": head.model_copy(update={"currency": "EUR"})})
    assert found(with_one, "currency") == []


@pytest.mark.parametrize("key", ["none", "Unknown", "-", "not in catalogue"])
def test_a_family_is_not_called_what_means_no_family(key):
    (problem,) = found(changed("DUNLIN 6", key=key), "name")
    assert (problem.severity, problem.message) == ("error", f'"{key}" means a unit of no family')


def test_families_whose_names_differ_in_large_and_small_letters_alone_are_an_error():
    (problem,) = found(changed("DUNLIN 6", key="Dunlin 1"), "name")
    assert (problem.severity, problem.family) == ("error", "Dunlin 1")
    assert '"Dunlin 1" and "DUNLIN 1" differ' in problem.message


def test_a_mark_that_says_nothing_is_an_error():
    mark = CATALOGUE.by_key["DUNLIN 6"].marks[0].model_copy(update={"text": ""})
    (problem,) = found(changed("DUNLIN 6", marks=(mark,)), "name")
    assert (problem.severity, problem.key, problem.message) == ("error", "marks no. 1", "it says nothing")
