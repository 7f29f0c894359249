"""Findings beyond the schema. Each case changes one thing in a catalogue without findings."""

from pathlib import Path

import pytest
from plugface.models.catalogue.check import check_catalogue
from plugface.models.catalogue.entries import Catalogue, Value, load_catalogue

DEMO = Path(__file__).parents[1] / "training_data_demo"
CATALOGUE = load_catalogue(DEMO / "marrow_finch")


def changed(key, **update):
    """The demo with one family changed."""
    families = [f.model_copy(update=update) if f.key == key else f for f in CATALOGUE.families]
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


@pytest.mark.parametrize("maker", ["marrow_finch", "pell_works/catalogue"])
def test_the_demo_has_notes_alone(maker):
    assert {p.severity for p in check_catalogue(load_catalogue(DEMO / maker))} == {"note"}


def test_wrong_order_is_said_with_the_right_one():
    plugs = CATALOGUE.by_key["PETREL 5"].connectors
    (problem,) = found(changed("PETREL 5", connectors=plugs[::-1]), "canonical order")
    assert problem.severity == "error"
    assert "no. 3 (GY-L), no. 2 (GN-L), no. 1 (BK-L)" in problem.message
    assert problem.file == "petrel_5.toml"


def test_an_order_that_hangs_by_a_hair_is_a_warning():
    # Middle of the class: M is 23 mm high, S 19; the limit is 9.5 mm, 9 mm apart is still one row.
    (problem,) = found(changed("SKUA 2", connectors=moved("SKUA 2", 2, at_mm=(30, -25))), "fragile order")
    assert problem.severity == "warning"
    assert "stand 9 mm apart" in problem.message


def test_a_plug_past_the_edge_and_two_on_one_place():
    (outside,) = found(changed("SKUA 2", connectors=moved("SKUA 2", 2, at_mm=(70, -34))), "outside the body")
    assert (outside.severity, outside.key) == ("error", "connectors no. 2")
    (over,) = found(changed("SKUA 2", connectors=moved("SKUA 2", 2, at_mm=(-25, -34))), "one on the other")
    assert over.key == "connectors no. 1 and connectors no. 2"


def test_a_turned_plug_takes_its_length_upwards():
    # 55 mm upright at y = -10 stays on the 165 mm face; 55 mm lying at x = 92 reaches past 115.
    plugs = moved("PETREL 5", 3, turn_deg=0.0)
    assert [p.key for p in found(changed("PETREL 5", connectors=plugs), "outside the body")] == [
        "connectors no. 3"
    ]


def test_a_number_that_the_label_cannot_bear():
    for number, words in (("739160723", "does not match the label pattern"), ("734 160 723", "has spaces")):
        (problem,) = found(
            changed("SKUA 2", variants=variant("SKUA 2", 1, service_numbers=(number,))), "unreachable variant"
        )
        assert problem.severity == "error"
        assert words in problem.message


def test_suffixes_that_cannot_be_read():
    (problem,) = found(
        changed("SKUA 2", variants=variant("SKUA 2", 2, suffixes=("3",))), "unreachable variant"
    )
    assert '"3" does not match the suffix pattern' in problem.message
    label = CATALOGUE.by_key["SKUA 2"].label.model_copy(update={"suffix": ""})
    problems = found(changed("SKUA 2", label=label), "unreachable variant")
    assert ["no suffix pattern" in p.message for p in problems] == [True, True]


def test_variants_that_nothing_tells_apart():
    (problem,) = found(changed("SKUA 2", variants=variant("SKUA 2", 2, suffixes=())), "variants alike")
    assert problem.severity == "error"
    assert "734160723" in problem.message


def test_locked_and_usable_behind_one_front_is_noted():
    words = [p.message for p in found(CATALOGUE, "label needed") if p.family == "SKUA 2"]
    assert words == ["they differ by the suffix on the label alone (R2 or R3); one of them is locked"]


def test_partners():
    rule = CATALOGUE.by_key["SKUA 4"].pairing[0]

    def with_partner(name):
        return changed("SKUA 4", pairing=(rule.model_copy(update={"families": (name,)}),))

    (unknown,) = found(with_partner("TERN 3"), "unknown partner")
    assert unknown.remedy.startswith('Did you mean "TERN')
    assert found(with_partner("GANNET 8"), "partner")[0].message.startswith("GANNET 8 is a high voltage unit")
    assert found(with_partner("SKUA 4"), "partner")[0].message == "it is paired with itself"
    assert found(with_partner("PETREL 5"), "one-sided pairing")[0].severity == "warning"


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
    number = CATALOGUE.by_key["TERN 2"].variants[0].service_numbers
    problems = check_catalogue(changed("TERN 4", variants=variant("TERN 4", 1, service_numbers=number)))
    twice = [p for p in problems if p.rule == "number used twice"]
    assert [(p.severity, p.message) for p in twice] == [("error", "738220321 stands in TERN 4 too")]


def test_overlapping_patterns_come_with_an_example():
    label = CATALOGUE.by_key["TERN 4"].label.model_copy(update={"service_number": r"^738\d{6}$"})
    (problem,) = found(changed("TERN 4", label=label), "patterns overlap")
    assert problem.severity == "warning"
    assert problem.message == '"738000320" would match TERN 4 too'


def test_families_that_only_the_label_tells_apart_and_those_that_nothing_does():
    twin = CATALOGUE.by_key["TERN 2"].model_copy(update={"key": "TERN 3"})
    (same,) = found(CATALOGUE.model_copy(update={"families": (*CATALOGUE.families, twin)}), "look-alikes")
    assert same.severity == "error"
    label = twin.label.model_copy(update={"service_number": r"^738\d{3}33\d$"})
    twin = twin.model_copy(update={"label": label})
    (alike,) = found(CATALOGUE.model_copy(update={"families": (*CATALOGUE.families, twin)}), "look-alikes")
    assert alike.severity == "warning"
    body = twin.body.model_copy(update={"size_mm": (120.0, 130.0, 42.0)})
    other = twin.model_copy(update={"body": body})
    assert not found(CATALOGUE.model_copy(update={"families": (*CATALOGUE.families, other)}), "look-alikes")


def test_no_mark_means_two_ways_up():
    (problem,) = found(changed("TERN 4", marks=()), "no mark")
    assert "BN-L BN-M WH-S may be read as WH-S BN-M BN-L" in problem.message
    (problem,) = found(changed("TERN 1", marks=()), "no mark")
    assert "may be read" not in problem.message  # WH-S BK-L WH-S is the same both ways


def test_an_empty_catalogue_and_errors_first():
    assert check_catalogue(Catalogue(head=CATALOGUE.head, families=())) == ()
    severities = [p.severity for p in check_catalogue(changed("SKUA 2", marks=(), hazard="restraint"))]
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
