"""Contradictions: what is said of each, and which families are named as its sides."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_families
from plugface.models.decision.findings import find_broken, find_contradictions, find_untaught, name_sides
from plugface.models.identify import identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.pooling import pool_views
from plugface.models.unit_choice import gather_views
from plugface.vision.observations import Code, Text

#: What is drawn shows all plugs and the whole label, each as it is listed or nearly so.
FAULTLESS = replace(ErrorModel(), miss=0.0, extra=0.0, face_wrong=0.0, label_found=1.0, line_read=1.0)


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(Path(__file__).parents[1] / "training_data_demo" / "marrow_finch")


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


def printed(value: str) -> Text:
    return Text((), value, 0.99, "printed", 20.0)


def cast(value: str) -> Text:
    return Text((), value, 0.99, "cast", 20.0)


def number(catalogue, key: str) -> str:
    return catalogue.by_key[key].variants[0].service_numbers[0]


def photo(catalogue, key: str, view: str, *texts: Text, plugs: bool = True, codes=()):
    """One face of a unit with these lines on it and no others."""
    family = catalogue.by_key[key]
    rng = np.random.default_rng(sum(f"{key} {view}".encode()))
    seen = draw_observations(family, family.variants[0], view, FAULTLESS, rng)
    if not seen.units:
        return replace(seen, texts=texts, codes=codes)
    unit = replace(seen.units[0], texts=texts, codes=codes, body=None)
    return replace(seen, units=(unit if plugs else replace(unit, connectors=(), other_order=None),))


def contradictions(photos, catalogue, model) -> tuple[dict[str, str], set[str]]:
    """What is said, by its name, and the families that are named as sides."""
    index = index_families(catalogue.families)
    pooled = pool_views(gather_views(photos), index, model)
    told = (pooled.views, pooled.fits, index, model.weights, model.noise)
    return (
        {finding.name: finding.message for finding in find_contradictions(*told)},
        {index.families[row].key for row in name_sides(*told)},
    )


@pytest.mark.parametrize(
    ("second", "name", "said"),
    [
        ("front", "two units given as one", "photo 1 (front) says KNOT 40; photo 2 (front) says CURLEW 3."),
        ("back", "views disagree", "photo 1 (front) says KNOT 40; photo 2 (back) says CURLEW 3:"),
        ("label close-up", "views disagree", "photo 1 (front) says KNOT 40; photo 2 (close-up) says CURLEW"),
    ],
)
def test_only_two_photos_of_one_face_are_two_units(catalogue, model, second, name, said):
    other = photo(catalogue, "CURLEW 3", second, printed("CURLEW 3"), printed(number(catalogue, "CURLEW 3")))
    shots = [photo(catalogue, "KNOT 40", "front", cast("KNOT 40")), other]
    found, sides = contradictions(shots, catalogue, model)
    assert found[name].startswith(said)
    assert len({"views disagree", "two units given as one"} & found.keys()) == 1
    assert sides == {"KNOT 40", "CURLEW 3"}
    message = identify(shots, catalogue, model, advise=False).message
    assert message.startswith("Two different units were given as one.") == (second == "front")


@pytest.mark.parametrize("mark", ["AUK 11", "PLOVER 7"])  # the label outweighs the one, the other it
def test_a_label_of_another_family_than_the_casting_is_said_and_both_are_named(catalogue, model, mark):
    shot = photo(catalogue, "AUK 11", "back", cast(mark), printed("CURLEW 3"), plugs=False)
    found, sides = contradictions([shot], catalogue, model)
    said = f"The casting says {mark}, the label says CURLEW 3: re-labelled or re-cased."
    assert found["label and casting disagree"] == said
    assert "writing disagrees" not in found  # an outline shows that both are on one unit
    assert sides == {mark, "CURLEW 3"}


@pytest.mark.parametrize(
    ("mark", "named"),
    [
        ("PLOVER 7", {"PLOVER 7"}),
        ("CURLEW 3", {"CURLEW 3"}),
        ("SANDERLING 9", {"SANDERLING 9", "SANDERLING 9 marine"}),
    ],
)
def test_plugs_of_one_family_under_the_mark_of_another_are_never_accepted(catalogue, model, mark, named):
    """Whether a sibling's mark differs in one figure, or two families share the mark, makes no difference."""
    shots = [photo(catalogue, "KNOT 40", "front", cast(mark))]
    found, sides = contradictions(shots, catalogue, model)
    said = f"The casting says {' or '.join(sorted(named))}, all that was seen together says KNOT 40: re-cased"
    assert found["casting and the rest disagree"].startswith(said)
    assert sides == {"KNOT 40", *named}
    assert identify(shots, catalogue, model, advise=False).verdict == "ambiguous"


@pytest.mark.parametrize("read", ["KNOT 40", "KNOT 4", "KNOT 41", "SANDERLING 9", "AUK"])
def test_a_mark_that_names_its_own_or_none_surely_contradicts_no_plugs(catalogue, model, read):
    key = "SANDERLING 9 marine" if read == "SANDERLING 9" else "KNOT 40"
    found, _ = contradictions([photo(catalogue, key, "front", cast(read))], catalogue, model)
    assert not found


def under_the_name_of(catalogue, of: str, name: str):
    """A front with one family's plugs, and mark and number of another: lid and label were swapped."""
    return photo(catalogue, of, "front", cast(name), printed(number(catalogue, name)))


@pytest.mark.parametrize("name", ["AUK 11", "CURLEW 3", "REDSHANK 2", "SANDERLING 9"])
def test_plugs_that_surely_name_another_family_contradict_mark_and_number(catalogue, model, name):
    shots = [under_the_name_of(catalogue, "GANNET 8", name)]
    found, sides = contradictions(shots, catalogue, model)
    said = "The plugs say GANNET 8, all that was seen together says "
    assert found["plugs and the rest disagree"].startswith(said)
    assert {"GANNET 8", name} <= sides
    decision = identify(shots, catalogue, model, advise=False)
    assert decision.verdict == "ambiguous"
    assert "GANNET 8" in decision.families


@pytest.mark.parametrize(("of", "colour"), [("GANNET 8", "OG (orange)"), ("PUFFIN 2", "YE (yellow)")])
@pytest.mark.parametrize("name", ["AUK 11", "CURLEW 3", "REDSHANK 2"])
def test_a_hazards_plugs_of_no_listed_family_contradict_mark_and_number(catalogue, model, of, colour, name):
    shots = [under_the_name_of(catalogue, of, name)]
    families = tuple(family for family in catalogue.families if family.key != of)
    shop = catalogue.model_copy(update={"families": families, "sha256": "without it"})
    found, _ = contradictions(shots, shop, model)
    said = f"All that was seen together says {name}, which has no {colour} plug, and one is seen: re-labelled"
    assert found["plugs and the rest disagree"].startswith(said)
    assert identify(shots, shop, model, advise=False).verdict == "ambiguous"


def test_a_plug_that_may_be_orange_contradicts_nothing(catalogue, model):
    (shot,) = [under_the_name_of(catalogue, "CURLEW 3", "CURLEW 3")]
    (unit,) = shot.units
    for share, said in ((0.5, False), (0.95, True)):
        even = dict.fromkeys(model.noise.taught, (1 - share) / (len(model.noise.taught) - 1))
        stray = replace(unit.connectors[0], colour=even | {"OG": share}, place=(0.4, 0.4), pins=None)
        seen = replace(shot, units=(replace(unit, connectors=(*unit.connectors, stray), other_order=None),))
        assert ("plugs and the rest disagree" in contradictions([seen], catalogue, model)[0]) == said


def test_a_units_own_plugs_contradict_nothing(catalogue, model):
    for family in catalogue.families:
        line = printed(number(catalogue, family.key))
        shot = photo(catalogue, family.key, "front", *(cast(mark.text) for mark in family.marks), line)
        (unit,) = shot.units
        assert len(unit.connectors) == len(family.connectors)
        named = zip(unit.connectors, family.connectors, strict=True)
        plugs = tuple(
            replace(seen, colour={**dict.fromkeys(seen.colour, 0.0), own.colour: 1.0}) for seen, own in named
        )
        own = replace(shot, units=(replace(unit, connectors=plugs),))
        assert "plugs and the rest disagree" not in contradictions([own], catalogue, model)[0]


def test_a_number_that_two_families_list_speaks_for_either(catalogue, model):
    """Where the plugs are those of one of them it contradicts nothing."""
    other = catalogue.by_key["CURLEW 3"]
    both = (number(catalogue, "KNOT 40"), *other.variants[0].service_numbers)
    shared = other.variants[0].model_copy(update={"service_numbers": both})
    changed = other.model_copy(update={"variants": (shared, *other.variants[1:])})
    families = tuple(changed if f is other else f for f in catalogue.families)
    shop = catalogue.model_copy(update={"families": families, "sha256": "a number of two"})
    line = printed(number(catalogue, "KNOT 40"))
    shots = [photo(shop, "KNOT 40", "front", cast("KNOT 40")), photo(shop, "KNOT 40", "back", line)]
    assert contradictions(shots, shop, model)[0] == {}


def test_what_the_plugs_say_stands_beside_a_number_that_they_rule_out(catalogue, model):
    line = printed(number(catalogue, "AUK 11"))
    found, sides = contradictions([photo(catalogue, "KNOT 40", "front", line)], catalogue, model)
    said = "'K27418/052' is a number of AUK 11, all but the label says KNOT 40: re-labelled"
    assert found["number and the rest disagree"].startswith(said)
    assert sides == {"AUK 11", "KNOT 40"}


def test_the_castings_family_is_a_side_where_its_mark_may_be_misread_for_the_labels(catalogue, model):
    """The marks are alike, so that casting and all the rest are no contradiction: casting and label are."""
    lines = [cast("AUK 11"), printed(number(catalogue, "AUK 12"))]
    shot = photo(catalogue, "AUK 11", "front", *lines, plugs=False)
    found, sides = contradictions([shot], catalogue, model)
    assert set(found) == {"label and casting disagree"}
    assert sides == {"AUK 11", "AUK 12"}


@pytest.mark.parametrize("code", [True, False])
def test_writing_of_two_families_in_a_close_up_is_a_contradiction(catalogue, model, code):
    """Nothing outlines a unit there, so that nothing shows that both stand on one."""
    other = number(catalogue, "CURLEW 3")
    codes = (Code((), "Code 128", other, "verified"),) if code else ()
    lines = [cast("AUK 11")] if code else [cast("AUK 11"), printed(other)]
    shots = [photo(catalogue, "CURLEW 3", "label close-up", *lines, codes=codes)]
    found, sides = contradictions(shots, catalogue, model)
    assert found["writing disagrees"] == (
        "'AUK 11' (AUK 11) and 'K31206/112' (CURLEW 3) are in one photo, "
        "and no outline shows that both are on one unit."
    )
    assert sides == {"AUK 11", "CURLEW 3"}
    assert identify(shots, catalogue, model, advise=False).verdict == "ambiguous"


@pytest.mark.parametrize(
    ("read", "found"),
    [
        ("K27418/052", False),
        ("K27418/052B", False),  # the suffix is printed and not encoded
        ("K274I8/052", False),  # misread
        ("K27463/055", True),
        ("K27418/05", False),  # its end is torn off
    ],
)
def test_a_barcode_contradicts_a_clean_number_that_it_does_not_hold(catalogue, model, read, found):
    code = Code((), "Code 128", "K27418/052", "verified")
    shot = photo(catalogue, "AUK 11", "back", printed(read), codes=(code,))
    said = contradictions([shot], catalogue, model)[0].get("barcode and print disagree", "")
    assert said.startswith("The barcode holds K27418/052, the print reads 'K27463/055'") == found
    assert bool(said) == found


def test_a_broken_plug_is_said_with_its_photo_wherever_it_is(catalogue):
    whole = photo(catalogue, "AUK 11", "front")
    (unit,) = whole.units
    first, second, *others = unit.connectors
    stump = replace(second, colour={"BN": 1.0}, broken=True)
    unit = replace(unit, connectors=(first, stump, *others))
    damaged = replace(whole, photo_sha256="b" * 64, units=(unit,))
    (finding,) = find_broken(gather_views([whole, damaged]))
    assert finding.message == ("plug 2 (BN) in photo 2 seems to have broken off: look at it before paying.")


def test_a_colour_that_was_not_taught_is_said_where_plugs_are_seen(catalogue):
    knot = catalogue.by_key["KNOT 40"]  # a plug of it has the last colour of the table
    noise = replace(ErrorModel(), colour=tuple(row[:11] for row in ErrorModel().colour[:11]))
    front, back = photo(catalogue, "KNOT 40", "front"), photo(catalogue, "KNOT 40", "back", plugs=False)
    plugs = tuple(replace(plug, colour={"GN": 1.0}) for plug in front.units[0].connectors)
    seen = replace(front, units=(replace(front.units[0], connectors=plugs),))
    (finding,) = find_untaught([knot], gather_views([seen, back]), noise)
    assert finding.message.startswith("Plug colour TQ (turquoise): ")
    assert finding.message.endswith("speaks neither for nor against KNOT 40.")
    assert find_untaught([knot], gather_views([back]), noise) == ()
