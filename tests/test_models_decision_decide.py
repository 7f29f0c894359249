"""The answer as a whole, on simulated observations of the demo catalogue's entries."""

import math
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from plugface.cli.evaluation.label_laboratory import Print, read_faultlessly
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.catalogue.index import compact, index_families
from plugface.models.decision.answers import Candidate, Decision, Finding
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import percent
from plugface.models.decision.findings import rests_on_number
from plugface.models.decision.next_photo import choose_next_photo
from plugface.models.decision.opinion import ClaimError, _Claim, _judge, give_opinion
from plugface.models.decision.placement import assign_place, standing
from plugface.models.identify import Needs, identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.evidence import lead_of
from plugface.models.matching.pooling import pool_views
from plugface.models.unit_choice import gather_views
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import Character, Code, Connector, Fault, Observations, Text, Unit

#: Everything is read, nothing is mistaken: what remains is what the decision makes of it.
CLEAN = replace(
    ErrorModel(),
    miss=0.0,
    extra=0.0,
    turn_unknown=0.0,
    face_wrong=0.0,
    mark_read=1.0,
    label_found=1.0,
    line_read=1.0,
    barcode_read=1.0,
    label_torn=0.0,
    kind_wrong=0.0,
    colour=tuple(tuple(float(a == b) for b in range(12)) for a in range(12)),
    size=tuple(tuple(float(a == b) for b in range(3)) for a in range(3)),
    character=tuple(tuple(float(a == b) for b in range(36)) for a in range(36)),
    character_lost=0.0,
    character_added=0.0,
    mark_wrong=0.0,
    mark_lost=0.0,
    mark_added=0.0,
    mark_elsewhere=0.0,
    mark_unsure=0.0,
    mark_cut=0.0,
)


#: The same answer without the next photo, which takes nearly all of the time.
answer = partial(identify, advise=False)


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


def photos(catalogue, family, variant, *views, seed=0, noise=CLEAN):
    entry = catalogue.by_key[family]
    chosen = next(v for v in entry.variants if v.key == variant) if variant else entry.variants[0]
    rng = np.random.default_rng(seed)
    return [draw_observations(entry, chosen, view, noise, rng) for view in views]


#: Revisions of KNOT 40 under one number: fronts and numbers are the same, and F is locked.
REVISIONS = ("E", "F", "G")


@pytest.mark.parametrize("revision", REVISIONS)
def test_look_alike_variants_are_never_accepted_from_the_front(catalogue, model, revision):
    for seed in range(8):
        decision = identify(photos(catalogue, "KNOT 40", revision, "front", seed=seed), catalogue, model)
        assert decision.candidates[0].family == "KNOT 40"
        assert set(decision.variants) == {*REVISIONS, "north"}
        assert decision.next_photo.view in ("back", "label close-up")
        assert any(c.name == "locked" for c in decision.cautions)


@pytest.mark.parametrize("revision", REVISIONS)
def test_the_label_settles_the_variant(catalogue, model, revision):
    shots = photos(catalogue, "KNOT 40", revision, "front", "back", "label close-up", seed=1)
    decision = identify(shots, catalogue, model)
    assert (decision.verdict, decision.families, decision.variants) == (
        "identified",
        ("KNOT 40",),
        (revision,),
    )
    assert any(c.name == "locked" for c in decision.cautions) == (revision == "F")


def test_what_the_variant_is_told_by_is_quoted_and_its_caption_is_not(catalogue, model):
    front, _ = photos(catalogue, "KNOT 40", "F", "front", "back")
    (back,) = photos(catalogue, "KNOT 40", "F", "back", seed=1)
    lines = ("UNIT No", "K58214/302", "REV", "F")  # a box each, read line by line
    unit = replace(back.units[0], texts=tuple(written(line) for line in lines), codes=())
    decision = identify([front, replace(back, units=(unit,))], catalogue, model)
    assert decision.candidates[0].variants[0].key == "F"
    told = [e.message for e in decision.candidates[0].variants[0].evidence]
    assert any(message.startswith("'F' was read") for message in told)
    assert not any("REV" in message or "''" in message for message in told)
    assert decision.variant_message.startswith("'F'")


@pytest.mark.parametrize("shows", [("front", "back"), ("back",)])
def test_for_a_mark_and_against_all_others_the_line_is_quoted_that_was_read_as_one(catalogue, model, shows):
    *front, back = photos(catalogue, "AUK 11", None, *shows)
    beside = ("MARROW & FINCH", "UNIT No", "S/N 42508749", "REV B", "01/08", "12 V")
    unit = replace(back.units[0], texts=tuple(written(line) for line in (*beside, "AUK 11")), codes=())
    decision = answer([*front, replace(back, units=(unit,))], catalogue, model)
    told = [(c.family, e.message) for c in decision.candidates for e in c.evidence if e.rule == "label mark"]
    assert len(told) == len(decision.candidates) == 5
    for family, message in told:
        of_it = "the mark of AUK 11" if family == "AUK 11" else f"{family} carries"
        assert message.startswith(f"the label reads 'AUK 11', {of_it}")


def test_every_family_is_found_by_front_and_back(catalogue, model):
    for family in catalogue.families:
        for variant in family.variants:
            decision = answer(photos(catalogue, family.key, variant.key, "front", "back"), catalogue, model)
            assert decision.candidates[0].family == family.key
            assert decision.verdict != "identified" or decision.families == (family.key,)
            assert sum(c.probability for c in decision.candidates) <= 1.0 + 1e-9


def test_with_the_usual_noise_nothing_wrong_is_accepted_and_most_is_found(catalogue, model):
    found, accepted = [], []
    for seed in range(40):
        family = catalogue.families[seed % len(catalogue.families)]
        shots = photos(catalogue, family.key, None, "front", "back", seed=seed, noise=ErrorModel())
        decision = answer(shots, catalogue, model)
        found.append(bool(decision.candidates) and decision.candidates[0].family == family.key)
        accepted.append(decision.verdict == "identified")
        assert not accepted[-1] or decision.families == (family.key,)
    # Seen 2026-11-25 with this model: 60 of 60 found, 49 accepted; the limits leave room for another model.
    assert np.mean(found) >= 0.9
    assert np.mean(accepted) >= 0.5


@pytest.mark.parametrize(("family", "name"), [("GANNET 8", "high voltage"), ("PUFFIN 2", "restraint")])
def test_a_hazard_is_never_a_controller_and_its_caution_comes_first(catalogue, model, family, name):
    decision = identify(
        photos(catalogue, family, None, "front", "back"), catalogue, model, needs=Needs(throttle="cable")
    )
    assert decision.candidates[0].family == family
    assert decision.cautions[0].name == name
    assert decision.cautions[-1].name == "general"
    assert decision.fit.serves == "no"
    assert decision.verdict != "identified" or "not a controller" in decision.message


def test_an_orange_plug_warns_on_any_unit(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    unit = front.units[0]
    orange = replace(unit.connectors[0], colour={"OG": 0.9, "BN": 0.1})
    seen = replace(front, units=(replace(unit, connectors=(orange, *unit.connectors[1:])),))
    assert identify([seen], catalogue, model).cautions[0].name == "high voltage"
    doubtful = replace(unit.connectors[0], colour={"OG": 0.3, "BN": 0.7})
    seen = replace(front, units=(replace(unit, connectors=(doubtful, *unit.connectors[1:])),))
    assert identify([seen], catalogue, model).cautions[0].name != "high voltage"


@pytest.mark.parametrize(("code", "name"), [("OG", "high voltage"), ("YE", "restraint")])
def test_a_close_up_of_a_hazards_plug_warns_and_is_set_aside(catalogue, model, code, name):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    plug = Connector((), {code: 0.9, "BN": 0.1}, {"M": 1.0}, None, 0.9)
    close_up = replace(front, units=(), loose=(replace(plug, colour={"GN": 1.0}), plug))
    decision = answer([close_up], catalogue, model)
    assert (decision.verdict, decision.cautions[0].name) == ("unreadable", name)
    place = assign_place(decision, catalogue)
    assert (place.destination, place.bin) == ("hazard", f"HAZARD {name}")
    # Beside a unit that is named it is said all the same; the unit goes where it belongs.
    beside = replace(front, loose=(plug,))
    decision = answer([beside, *photos(catalogue, "AUK 11", None, "back", seed=1)], catalogue, model)
    assert (decision.verdict, decision.cautions[0].name) == ("identified", name)
    assert assign_place(decision, catalogue).destination != "hazard"
    doubtful = replace(front, units=(), loose=(replace(plug, colour={code: 0.3, "BN": 0.7}),))
    assert {c.name for c in answer([doubtful], catalogue, model).cautions} <= {"catalogue", "general"}


def test_of_plugs_without_a_unit_the_whole_face_is_asked_for_and_they_are_named(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    plugs = [
        Connector((), {code: 0.9, "BN": 0.1}, {size: 1.0}, None, 0.9)
        for code, size in (("GN", "M"), ("GY", "S"), ("GN", "L"))
    ]
    for texts in ((), (written("E"),)):  # a stray letter makes it no photo of a label
        close_up = replace(front, units=(), loose=tuple(plugs), texts=texts)
        nearer = replace(close_up, photo_sha256="b" * 64, loose=(plugs[0],))
        decision = identify([nearer, close_up], catalogue, model)
        assert (decision.verdict, decision.next_photo.view) == ("unreadable", "front")
        words = decision.next_photo.message
        assert words.startswith(
            "A close-up of 3 plugs (GN M, GY S, GN L), perhaps not all of them. Take a photo"
        )
        assert assign_place(decision, catalogue).message == words
    one = identify([replace(close_up, loose=(plugs[0],))], catalogue, model)
    assert one.next_photo.message.startswith("A close-up of one plug (GN M), perhaps not all")
    # Where a label beside a plug was read, what would help most is asked for.
    (label,) = photos(catalogue, "AUK 11", None, "label close-up")
    told = identify([replace(label, loose=(plugs[0],))], catalogue, model)
    assert told.verdict != "unreadable"
    assert told.next_photo == identify([label], catalogue, model).next_photo


def test_a_close_up_without_colours_says_that_they_could_not_be_judged(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    plug = Connector((), dict.fromkeys(COLOUR_CODES, 1 / 12), {"M": 1.0}, None, 0.9)
    close_up = replace(front, units=(), loose=(plug,))
    assert answer([close_up], catalogue, model).cautions[0].name == "colours unknown"
    # Another plug that lies beside in colour tells nothing of the unit's own.
    grey = replace(front.units[0], connectors=(plug,), other_order=None)
    coloured = replace(close_up, photo_sha256="b" * 64, loose=(replace(plug, colour={"GN": 1.0}),))
    decision = answer([replace(front, units=(grey,)), coloured], catalogue, model)
    assert decision.cautions[0].name == "colours unknown"


def test_two_units_in_the_photos_are_a_contradiction_not_an_answer(catalogue, model):
    shots = photos(catalogue, "AUK 11", None, "front") + photos(catalogue, "CURLEW 3", None, "back", seed=9)
    decision = identify(shots, catalogue, model)
    assert decision.verdict == "ambiguous"
    assert any(f.name == "views disagree" for f in decision.findings)
    assert set(decision.families) == {"AUK 11", "CURLEW 3"}


@pytest.mark.parametrize("kept", [("E", "G"), ("F",)])
def test_a_suffix_that_none_lists_makes_no_unit_serve_and_fills_no_bin(catalogue, model, kept):
    knot = catalogue.by_key["KNOT 40"]
    listed = knot.model_copy(update={"variants": tuple(v for v in knot.variants if v.key in kept)})
    families = tuple(listed if f is knot else f for f in catalogue.families)
    changed = Catalogue(head=catalogue.head, families=families, sha256=f"only {kept}")
    read = "F" if "E" in kept else "G"  # what is read may be locked, and what is listed may be
    shots = photos(catalogue, "KNOT 40", read, "front", "back")
    decision = identify(shots, changed, model, needs=Needs(throttle=knot.variants[0].throttle), advise=False)
    assert decision.verdict == "identified"
    assert [f.name for f in decision.findings] == ["number not listed"]
    assert decision.fit.serves == "unknown"
    assert "whether the variant that was read, and is not listed, serves" in decision.fit.unknown
    assert standing(decision, changed) == "variant open"
    assert assign_place(decision, changed).destination == "look-alike bench"
    in_hand = identify(shots, changed, model, needs=Needs(partner="AUK 11"), advise=False)
    assert in_hand.fit.serves == "no"  # whichever variant it is, both run the engine


def test_one_of_two_that_look_the_same_brings_the_cautions_of_both(catalogue, model):
    sisters = ("SANDERLING 9", "SANDERLING 9 marine")
    families = tuple(
        f.model_copy(update={"cautions": (f"mind the {f.key}",)}) if f.key in sisters else f
        for f in catalogue.families
    )
    changed = Catalogue(head=catalogue.head, families=families, sha256="sisters")
    decision = answer(photos(changed, "SANDERLING 9 marine", None, "front"), changed, model)
    assert set(decision.families) == set(sisters)
    assert decision.closed
    said = [caution.message for caution in decision.cautions if caution.name == "catalogue"]
    assert {f"{key}: mind the {key}" for key in sisters} <= set(said)


def test_of_many_variants_none_is_denied_where_nothing_tells_them_apart(catalogue, model):
    knot = catalogue.by_key["KNOT 40"]
    many = tuple(
        knot.variants[0].model_copy(
            update={"key": f"V{n}", "suffixes": (), "service_numbers": (f"K58{n:03d}/302",)}
        )
        for n in range(250)
    )
    families = tuple(f.model_copy(update={"variants": many}) if f is knot else f for f in catalogue.families)
    crowded = Catalogue(head=catalogue.head, families=families, sha256="many")
    shots = photos(crowded, "KNOT 40", "V7", "front")
    opinion = give_opinion(shots, crowded, model, "KNOT 40:V7")
    assert opinion.verdict == "cannot tell"
    back = photos(crowded, "KNOT 40", "V8", "front", "back")
    assert give_opinion(back, crowded, model, "KNOT 40:V7").verdict == "disagrees"


@pytest.mark.parametrize("turned", [False, True])
def test_of_two_units_each_is_warned_of_whichever_photo_came_first(catalogue, model, turned):
    shots = photos(catalogue, "KNOT 40", "F", "front") + photos(catalogue, "CURLEW 3", None, "front", seed=9)
    decision = answer(shots[::-1] if turned else shots, catalogue, model)
    assert set(decision.families) == {"KNOT 40", "CURLEW 3"}
    (caution,) = [caution for caution in decision.cautions if caution.name == "locked"]
    assert "KNOT 40 F" in caution.message


def test_barcode_against_print_is_a_finding(catalogue, model):
    (back,) = photos(catalogue, "AUK 11", None, "back")
    unit = back.units[0]
    other = catalogue.by_key["AUK 11"].variants[1].service_numbers[0]
    swapped = replace(unit, codes=(Code((), "Code 128", other, "verified"),))
    decision = identify([replace(back, units=(swapped,))], catalogue, model)
    (finding,) = [f for f in decision.findings if f.name == "barcode and print disagree"]
    assert finding.message.startswith("The barcode holds K27463/055, the print reads 'K27418/052'")


def test_an_answer_and_an_opinion_say_no_donors_number(catalogue, model):
    """A type plate close up, whose code and print differ by a misread figure."""
    shots = photos(catalogue, "AUK 11", None, "front", "label close-up")
    plate = Text((), "0AUKDUNL7K0081234", 0.99, "printed", 20.0)
    code = Code((), "Code 39", "0AUKDUNL7K0001234", "verified")
    shots[1] = replace(shots[1], texts=(plate,), codes=(code,))
    decision = answer(shots, catalogue, model)
    assert "holds a long number, the print reads 'a long number'" in " ".join(
        finding.message for finding in decision.findings
    )
    opinion = give_opinion(shots, catalogue, model, "AUK 11:early")
    for said in (decision, opinion):
        assert "0AUKDUNL" not in repr(said)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("where", ["two lines", "one line", "two photos", "two codes", "print and code"])
def test_numbers_of_two_variants_leave_both_open_and_are_a_finding(catalogue, model, where, turned):
    front, back = photos(catalogue, "AUK 11", None, "front", "back")
    numbers = [v.service_numbers[0] for v in catalogue.by_key["AUK 11"].variants][:: -1 if turned else 1]
    codes = [Code((), "Code 128", compact(number), "verified") for number in numbers]
    lines = [written(number) for number in numbers]

    def showing(texts, codes=()):
        return replace(back, units=(replace(back.units[0], texts=tuple(texts), codes=tuple(codes)),))

    given = {
        "two lines": [showing(lines)],
        "one line": [showing([written("  ".join(numbers))])],
        "two photos": [showing(lines[:1]), replace(showing(lines[1:]), photo_sha256="f" * 64)],
        "two codes": [showing([], codes)],
        "print and code": [showing(lines[:1], codes[1:])],
    }
    decision = answer([front, *given[where]], catalogue, model)
    assert decision.verdict == "identified"
    assert set(decision.variants) == {"early", "late"}
    (finding,) = [f for f in decision.findings if f.name == "label names two variants"]
    assert "(early)" in finding.message
    assert "(late)" in finding.message
    assert not [f for f in decision.findings if f.name == "number not listed"]  # both are


def test_a_doubtful_reading_of_another_number_is_no_second_number(catalogue, model):
    front, back = photos(catalogue, "AUK 11", None, "front", "back")
    first = a_number(catalogue, "AUK 11")
    twin = f"{first[:-1]}{(int(first[-1]) + 5) % 10}"  # as listed for the other variant, one figure off
    auk = catalogue.by_key["AUK 11"]
    variants = (auk.variants[0], auk.variants[1].model_copy(update={"service_numbers": (twin,)}))
    families = tuple(
        f.model_copy(update={"variants": variants}) if f is auk else f for f in catalogue.families
    )
    twins = Catalogue(head=catalogue.head, families=families, sha256="twins")
    signs = [Character(((sign, 1.0),)) for sign in twin[:-1]]
    halved = Character(((twin[-1], 0.5), (first[-1], 0.5)))
    far = replace(written(twin), characters=(*signs, halved))
    lines = (written(first), far)
    seen = replace(back, units=(replace(back.units[0], texts=lines, codes=()),))
    decision = answer([front, seen], twins, model)
    assert not [f for f in decision.findings if f.name == "label names two variants"]
    clear = replace(back, units=(replace(back.units[0], texts=(written(first), written(twin)), codes=()),))
    decision = answer([front, clear], twins, model)
    assert [f.name for f in decision.findings] == ["label names two variants"]


def test_no_photo_is_asked_for_where_two_numbers_need_a_hand(catalogue, model):
    front, back = photos(catalogue, "AUK 11", None, "front", "back")
    lines = tuple(written(v.service_numbers[0]) for v in catalogue.by_key["AUK 11"].variants)
    both = replace(back, units=(replace(back.units[0], texts=lines, codes=()),))
    assert identify([front, both], catalogue, model).next_photo is None
    alone = replace(back, units=(replace(back.units[0], texts=(), codes=()),))
    assert identify([front, alone], catalogue, model).next_photo is not None


def test_of_a_locked_and_a_usable_variant_s_codes_neither_wins(catalogue, model):
    shots = photos(catalogue, "KNOT 40", "E", "front", "back")
    codes = tuple(Code((), "Code 128", payload, "verified") for payload in ("K58214302F", "K58214302E"))
    back = replace(shots[1], units=(replace(shots[1].units[0], texts=(), codes=codes),))
    decision = answer([shots[0], back], catalogue, model)
    assert set(decision.variants) == {"E", "F"}
    assert any(caution.name == "locked" for caution in decision.cautions)


def test_one_number_read_twice_is_one(catalogue, model):
    front, back = photos(catalogue, "AUK 11", None, "front", "back")
    number = catalogue.by_key["AUK 11"].variants[0].service_numbers[0]
    code = Code((), "Code 128", compact(number), "verified")
    twice = replace(back.units[0], texts=(written(number), written(number)), codes=(code,))
    decision = answer([front, replace(back, units=(twice,))], catalogue, model)
    assert decision.variants == ("early",)
    assert not [f for f in decision.findings if f.name == "label names two variants"]


@pytest.mark.parametrize("line", ["PART NO", "S/N 004M1877", "FORMAT 12"])
@pytest.mark.parametrize("mark", ["RT", "M1", "AT 1"])
def test_a_short_mark_within_a_word_is_no_mark(catalogue, model, mark, line):
    family = catalogue.by_key["SANDERLING 9"]
    short = family.model_copy(update={"marks": (family.marks[0].model_copy(update={"text": mark}),)})
    families = tuple(short if f.key == "SANDERLING 9" else f for f in catalogue.families)
    changed = catalogue.model_copy(update={"families": families, "sha256": f"{mark} {line}"})
    front, back = photos(catalogue, "AUK 11", None, "front", "back")
    unit = replace(back.units[0], texts=(*back.units[0].texts, written(line)))
    decision = answer([front, replace(back, units=(unit,))], changed, model)
    assert decision.verdict == "identified"
    assert not [f for f in decision.findings if "disagree" in f.name]


def test_a_clean_unlisted_number_settles_no_variant(catalogue, model):
    front, back = photos(catalogue, "DUNLIN 6", "first", "front", "back")
    unit = back.units[0]
    texts = tuple(
        replace(t, value="K44999/269", characters=()) if t.value == "K44510/261" else t for t in unit.texts
    )
    assert texts != unit.texts
    seen = replace(back, units=(replace(unit, texts=texts, codes=()),))
    decision = identify([front, seen], catalogue, model)
    assert len(decision.variants) == 3
    assert any(f.name == "number not listed" for f in decision.findings)


@pytest.mark.parametrize(
    ("listed", "read"),
    [
        ("K27463/055", "K27460/055"),
        ("K31248/115", "K31246/115"),
        ("K31377/146", "K31370/145"),
        ("K27524/084", "K29524/084"),  # 7 and 9 are read for one another
    ],
)
def test_a_number_read_clearly_and_not_listed_names_no_family_by_itself(catalogue, model, listed, read):
    # Another family of the kind may be missing from the catalogue, and its number differs in as little.
    of_listed, of_read = (
        identify([read_faultlessly(Print((f"UNIT No {number}",), ()))], catalogue, model)
        for number in (listed, read)
    )
    assert of_listed.verdict == "identified"
    assert of_read.verdict == "ambiguous"
    assert of_read.families == of_listed.families  # the nearest is named, and that it is not it
    (family,) = of_read.families
    assert of_read.message.startswith("Not sure: ")
    assert (
        f" is close to a number of {family} and not the same: misread, a new variant, or" in of_read.message
    )
    assert of_read.next_photo is not None
    label = read_faultlessly(Print((f"UNIT No {read}",), ()))
    opinion = give_opinion([label], catalogue, model, family)
    assert opinion.verdict == "cannot tell"
    assert opinion.message.endswith(of_read.message)


def test_only_without_plugs_and_marks_does_a_family_rest_on_its_number(catalogue, model):
    index = index_families(catalogue.families)
    front, back = photos(catalogue, "DUNLIN 6", "first", "front", "back")
    number = replace(back.units[0], texts=(written("K44510/261"),), codes=())
    label = replace(back, units=(number,))
    for shots, rests in (([label], True), ([front, label], False), ([back], False)):  # the back has a mark
        pooled = pool_views(gather_views(shots), index, model)
        row = int(pooled.ranked[0])
        assert index.families[row].key == "DUNLIN 6"
        assert rests_on_number(pooled.fits, row, model.weights, model.noise) == rests


def test_an_unknown_unit_is_not_accepted(catalogue, model):
    unknown = invent_catalogue(12, 77)
    refused = 0
    for family in unknown.families:
        shots = photos(unknown, family.key, None, "front", "back")
        decision = identify(shots, catalogue, model)
        assert decision.verdict != "identified"
        if decision.verdict == "not_in_catalogue":
            refused += 1
            share = percent(decision.unknown_probability)
            assert decision.message == f"A unit, but none of the families in this catalogue ({share})."
            assert (decision.families, decision.variants, decision.next_photo) == ((), (), None)
    assert refused >= 8  # the rest may be called unsure, never accepted


def on_a_stranger(catalogue, seed, key, kind):
    """A front of a unit that no catalogue lists, and the same with a number of a family printed or encoded on
    it."""
    stranger = invent_catalogue(6, seed).families[0]
    front = draw_observations(stranger, stranger.variants[0], "front", CLEAN, np.random.default_rng(seed))
    (unit,) = front.units
    number = a_number(catalogue, key)
    code = Code((), "Data Matrix", number, "verified")
    laid = {"code": {"codes": (code,)}, "print": {"texts": (*unit.texts, written(number))}}[kind]
    return front, replace(front, units=(replace(unit, **laid),))


@pytest.mark.parametrize("kind", ["code", "print"])
@pytest.mark.parametrize("seed", [41, 42, 44, 46])
def test_a_listed_number_on_a_unit_that_fits_it_badly_is_a_contradiction(catalogue, model, seed, kind):
    bare, laid = on_a_stranger(catalogue, seed, "CURLEW 3", kind)
    assert answer([bare], catalogue, model).verdict == "not_in_catalogue"
    decision = answer([laid], catalogue, model)
    assert decision.verdict == "ambiguous"  # neither that family nor none of these
    (finding,) = [f for f in decision.findings if f.name == "number and the rest disagree"]
    assert "is a number of CURLEW 3, and plugs, casting and housing taken together speak" in finding.message
    assert decision.families == ("CURLEW 3",)
    assert decision.message.startswith("Not sure: what was seen contradicts itself.")


def test_a_unit_whose_code_holds_a_listed_number_is_not_called_none_of_these(catalogue, model):
    (back,) = photos(catalogue, "CURLEW 3", None, "back")
    serial = written("1,98 59770293")  # two lines of a scuffed label, read as one
    code = Code((), "Data Matrix", a_number(catalogue, "CURLEW 3"), "verified")
    seen = replace(back, units=(replace(back.units[0], body=None, texts=(serial,), codes=(code,)),))
    decision = answer([seen], catalogue, model)
    assert decision.unknown_probability >= Costs().refuse_at
    assert decision.verdict == "ambiguous"
    assert decision.families == ("CURLEW 3",)


def test_a_number_on_its_own_unit_contradicts_nothing(catalogue, model):
    for family in catalogue.families:
        front, back = photos(catalogue, family.key, None, "front", "back")
        decision = answer([front, back], catalogue, model)
        assert not [f for f in decision.findings if f.name == "number and the rest disagree"]


@pytest.mark.parametrize("seed", range(6))
def test_sums_against_some_other_unit_fit_the_probabilities_beside_them(catalogue, model, seed):
    stranger = invent_catalogue(6, seed + 40).families[0]
    shots = [
        draw_observations(stranger, stranger.variants[0], "front", ErrorModel(), np.random.default_rng(seed))
    ]
    decision = answer(shots, catalogue, model)
    leads = {c: lead_of(c.probability, decision.unknown_probability) for c in decision.candidates}
    others = [c for c in decision.candidates if c.rival == "" and leads[c] < 0]
    for candidate in others:
        lead = leads[candidate]
        # Within a doubling of the odds: more would be another answer, and two candidates change places.
        assert abs(sum(e.weight for e in candidate.evidence) - lead) <= math.log(2.0) + 1e-9
    assert others or decision.verdict == "unreadable" or decision.candidates[0].probability > 0.5


def test_of_what_is_accepted_the_reasons_are_what_was_seen(catalogue, model):
    for family in catalogue.families[:6]:
        decision = answer(photos(catalogue, family.key, None, "front", "back"), catalogue, model)
        assert decision.verdict == "identified"
        # That more is not believed than others like it turned out to be is no reason against it.
        assert "experience" not in [e.rule for e in decision.candidates[0].evidence]


def test_a_photo_that_is_too_dark_or_empty_gives_no_answer(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    dark = replace(front.quality, faults=(Fault("dark", 0.01, 0.1, "It is dark.", "Use light."),))
    for seen in (replace(front, quality=dark), replace(front, units=())):
        decision = identify([seen], catalogue, model)
        assert decision.verdict in ("unreadable", "ambiguous")
        assert decision.verdict != "identified"
    assert identify([], catalogue, model).verdict == "unreadable"
    empty = Catalogue(head=catalogue.head, families=())
    assert identify([front], empty, model).verdict == "not_in_catalogue"


def test_the_same_photo_twice_counts_once(catalogue, model):
    shots = photos(catalogue, "AUK 11", None, "front")
    once, twice = identify(shots, catalogue, model), identify(shots * 2, catalogue, model)
    assert once.candidates == twice.candidates


KNOT = Candidate("KNOT 40", 1.0, 0.999, ())
SETTLED = Decision("identified", "Words.", (KNOT,), ("KNOT 40",), ("F",))


@pytest.mark.parametrize(
    ("decision", "of_family", "of_variant", "verdict", "words"),
    [
        (SETTLED, 0.9999, 0.9999, "agrees", "agrees with KNOT 40 F"),
        (SETTLED, 0.96, 0.9999, "cannot tell", "not surely enough to agree"),  # less than an acceptance asks
        (replace(SETTLED, variants=("E", "F")), 0.9999, 0.9999, "cannot tell", "whether it is F is not"),
        (replace(SETTLED, findings=(Finding("views disagree", "Said."),)), 0.9999, 0.9999,
         "cannot tell", "contradicts itself. Said."),
        (Decision("not_in_catalogue", "Words.", (KNOT,), ()), 0.3, 0.9, "disagrees", "in no family"),
        (replace(SETTLED, verdict="ambiguous"), 0.3, 0.9, "cannot tell", "is possible"),
    ],
)  # fmt: skip
def test_what_is_thought_of_a_claim(catalogue, decision, of_family, of_variant, verdict, words):
    claim = _Claim(catalogue.by_key["KNOT 40"], "F", of_family, of_variant)
    said, message = _judge(decision, claim, catalogue.costs)
    assert said == verdict
    assert words in message


def test_a_second_opinion_agrees_disagrees_or_says_it_cannot_tell(catalogue, model):
    front = photos(catalogue, "KNOT 40", "F", "front", seed=1)
    whole = photos(catalogue, "KNOT 40", "F", "front", "back", "label close-up", seed=1)
    assert give_opinion(front, catalogue, model, "KNOT 40:E").verdict == "cannot tell"
    assert give_opinion(whole, catalogue, model, "knot 40:f").verdict == "agrees"
    assert give_opinion(whole, catalogue, model, "KNOT 40:E").verdict == "disagrees"
    shared = give_opinion([front[0], read_faultlessly(Print(("REV E",)))], catalogue, model, "KNOT 40:E")
    assert shared.verdict == "cannot tell"
    assert "'E' was read, which E and north both have." in shared.message
    assert "was read, which" not in give_opinion(front, catalogue, model, "KNOT 40:E").message
    wrong = give_opinion(whole, catalogue, model, "AUK 11")
    assert wrong.verdict == "disagrees"
    assert wrong.against_claim
    wrong = give_opinion(front, catalogue, model, "AUK 11")
    assert (wrong.verdict, wrong.next_photo) == ("disagrees", None)  # no photo would change it
    assert wrong.decision.next_photo is not None  # though one would tell the variant
    assert give_opinion(front, catalogue, model, "KNOT 40:E").next_photo == wrong.decision.next_photo
    with pytest.raises(ClaimError, match="KNOT 40"):
        give_opinion(front, catalogue, model, "KNOT 42")


def test_two_thousand_families_add_little_time(model):
    from time import process_time

    large = invent_catalogue(2000, 5)
    family = large.families[700]
    shots = photos(large, family.key, None, "front", "back")
    identify(shots, large, model)  # the arrays are made once
    started = process_time()
    decision = identify(shots, large, model)
    took = process_time() - started
    assert decision.candidates[0].family == family.key
    assert took < 2.0  # of processor time, for two photos; the goal is 0.2 s each


def test_evidence_names_rule_and_photo(catalogue, model):
    decision = identify(photos(catalogue, "KNOT 40", None, "front", "back"), catalogue, model)
    best = decision.candidates[0]
    assert {"plugs", "cast mark", "service number"} <= {e.rule for e in best.evidence}
    assert all(e.photo in (0, 1, None) and e.message for e in best.evidence)
    second = decision.candidates[1]
    assert any(e.weight < 0 for e in second.evidence)


def test_a_donor_plate_counts_for_the_variant_alone(catalogue, model):
    front = photos(catalogue, "AUK 11", None, "front", seed=2)[0]
    # Seventeen ones pass the rule's check; the tenth means 2001 or 2031.
    plate = Text((), "1" * 17, 0.99, "printed", 20.0)
    seen = Observations(front.photo_sha256, front.quality, front.white_balance, front.units, (plate,))
    told, untold = identify([seen], catalogue, model), identify([front], catalogue, model)
    assert told.candidates[0].probability == untold.candidates[0].probability
    assert {v.probability for v in untold.candidates[0].variants} == {0.5}
    within = [v.key for v in catalogue.by_key["AUK 11"].variants if v.years[0] <= 2001 <= v.years[1]]
    assert (told.candidates[0].variants[0].probability > 0.5) == (len(within) == 1)
    assert len(told.variants) == 2  # a plate beside the unit proves nothing about the unit


TWINS = ("SANDERLING 9", "SANDERLING 9 marine")  # one front, one mark: the label alone tells


@pytest.mark.parametrize("family", TWINS)
def test_families_that_look_the_same_are_said_together_with_what_tells_them(catalogue, model, family):
    for seed in range(4):
        decision = identify(photos(catalogue, family, None, "front", seed=seed), catalogue, model)
        assert decision.verdict == "ambiguous"
        assert decision.closed
        assert set(decision.families) == set(TWINS)
        assert decision.together >= decision.costs.accept_at
        assert decision.unknown_probability < 1 - decision.costs.accept_at
        assert decision.message == (
            f"One of these: {' or '.join(decision.families)}, together {percent(decision.together)}. "
            "Plugs and mark are the same: the label tells them apart."
        )
        assert decision.next_photo.view in ("back", "label close-up")
        told = identify(photos(catalogue, family, None, "front", "back", seed=seed), catalogue, model)
        assert (told.verdict, told.families, told.closed) == ("identified", (family,), False)


@pytest.mark.parametrize("quantile", [0.0, 1.0])
def test_which_families_are_said_together_does_not_hang_on_the_level_of_sets(catalogue, model, quantile):
    other = replace(model, conformal=replace(model.conformal, quantile=quantile))  # one family, or all
    decision = answer(photos(catalogue, "SANDERLING 9", None, "front"), catalogue, other)
    assert set(decision.families) == set(TWINS)


def test_many_families_are_never_said_to_be_one_of_these(catalogue, model):
    """However probable they are together: that helps nobody."""
    plain = catalogue.by_key["SANDERLING 9"]
    more = tuple(plain.model_copy(update={"key": f"SANDERLING {k}"}) for k in (20, 21))
    shop = Catalogue(head=catalogue.head, families=(*catalogue.families, *more), sha256="four of a kind")
    decision = answer(photos(catalogue, "SANDERLING 9", None, "front"), shop, model)
    assert decision.verdict == "ambiguous"
    assert len(decision.families) != 1
    assert not decision.closed
    assert "One of these" not in decision.message


def test_together_counts_each_family_of_the_answer_and_not_only_those_shown(catalogue, model):
    plain = catalogue.by_key["SANDERLING 9"]
    more = tuple(plain.model_copy(update={"key": f"SANDERLING {k}"}) for k in range(20, 25))
    shop = Catalogue(head=catalogue.head, families=(*catalogue.families, *more), sha256="seven of a kind")
    decision = answer(photos(catalogue, "SANDERLING 9", None, "front"), shop, model)
    assert len(decision.families) >= 6
    assert len(decision.candidates) == 5
    shown = sum(c.probability for c in decision.candidates)
    least = min(c.probability for c in decision.candidates)
    assert shown + 0.9 * least <= decision.together <= 1 - decision.unknown_probability


def test_of_families_said_together_the_worst_counts(catalogue, model):
    front = photos(catalogue, "SANDERLING 9", None, "front")
    marine = catalogue.by_key["SANDERLING 9 marine"]
    plain = identify(front, catalogue, model, needs=Needs(throttle="electronic"))
    assert plain.fit.serves == "unknown"  # one variant of the marine family has a cable throttle
    assert not any(c.name == "locked" for c in plain.cautions)
    shut = marine.model_copy(
        update={"variants": tuple(v.model_copy(update={"status": "locked"}) for v in marine.variants)}
    )
    others = tuple(shut if f is marine else f for f in catalogue.families)
    shop = Catalogue(head=catalogue.head, families=others, sha256="one locked")
    (locked,) = [c for c in identify(front, shop, model).cautions if c.name == "locked"]
    assert locked.message.startswith("SANDERLING 9 marine first and second is locked and is not ruled out")


def test_what_contradicts_itself_is_never_said_to_be_one_of_two(catalogue, model):
    front, back = photos(catalogue, "SANDERLING 9", None, "front", "back")
    unit = replace(back.units[0], texts=(written(a_number(catalogue, "AUK 11")),), codes=())
    decision = answer([front, replace(back, units=(unit,))], catalogue, model)
    assert not decision.closed
    assert "One of these" not in decision.message


def test_what_is_said_together_where_it_is_not_sure(catalogue, model):
    """A mark that is torn off behind its word leaves both CURLEWs, whose plugs differ in size alone."""
    (front,) = photos(catalogue, "CURLEW 3", None, "front")
    plug = replace(front.units[0].connectors[0], size={"S": 0.02, "M": 0.49, "L": 0.49}, pins=None)
    unit = replace(front.units[0], connectors=(plug,), texts=())
    decision = answer([replace(front, units=(unit,))], catalogue, model)
    assert set(decision.families) == {"CURLEW 3", "CURLEW 5"}
    assert not decision.closed
    assert decision.message == (
        f"Not sure: {' or '.join(decision.families)}, together {percent(decision.together)}. "
        "The plugs tell them apart, and the label."
    )


@pytest.mark.parametrize(
    "place", ["beside its own label", "on the front", "as a code", "over its own number"]
)
@pytest.mark.parametrize(("family", "other"), [("KNOT 40", "AUK 11"), ("SANDERLING 9", "CURLEW 3")])
def test_a_number_of_another_family_is_a_contradiction_and_said_first(catalogue, model, family, other, place):
    """The label's mark, its own number and all plugs outweigh one number that was stuck on: not enough."""
    shots = photos(catalogue, family, None, "front", "back", seed=3)
    number = a_number(catalogue, other)
    at = 0 if place == "on the front" else 1
    unit = shots[at].units[0]
    if place == "as a code":
        unit = replace(unit, codes=(*unit.codes, Code((), "Code 128", number, "verified")))
    elif place == "over its own number":
        own = a_number(catalogue, family)
        texts = [replace(t, value=t.value.replace(own, number), characters=()) for t in unit.texts]
        assert any(number in t.value for t in texts)
        unit = replace(unit, texts=tuple(texts), codes=())
    else:
        unit = replace(unit, texts=(*unit.texts, written(number)))
    shots[at] = replace(shots[at], units=(unit,))
    decision = answer(shots, catalogue, model)
    assert decision.verdict == "ambiguous"
    assert "number and the rest disagree" in [f.name for f in decision.findings]
    assert decision.message.startswith("Not sure: what was seen contradicts itself.")
    assert {family, other} <= set(decision.families)


def test_two_numbers_contradict_each_other_where_plugs_tell_nothing(catalogue, model):
    (back,) = photos(catalogue, "AUK 11", None, "back")
    lines = tuple(written(a_number(catalogue, key)) for key in ("AUK 11", "CURLEW 3"))
    unit = replace(back.units[0], texts=lines, codes=(), connectors=(), body=None)
    decision = answer([replace(back, units=(unit,))], catalogue, model)
    (finding,) = [f for f in decision.findings if f.name == "number and the rest disagree"]
    assert finding.message.startswith(
        "'K31206/112' is a number of CURLEW 3, 'K27418/052' is of AUK 11: re-labelled"
    )
    assert decision.verdict == "ambiguous"


def test_a_label_whose_number_is_not_of_its_mark_contradicts_itself(catalogue, model):
    (back,) = photos(catalogue, "CURLEW 3", None, "back")
    own, other = (a_number(catalogue, key) for key in ("CURLEW 3", "PLOVER 7"))
    # A caption that is misread into nearly a mark is none.
    for mark, number, found in (("CURLEW 3", other, True), ("CURLEW 3", own, False), ("UNIT 40", own, False)):
        lines = (written(f"MAKER {mark}"), written(number))
        unit = replace(back.units[0], texts=lines, codes=(), connectors=(), body=None)
        decision = answer([replace(back, units=(unit,))], catalogue, model)
        assert ("number and the rest disagree" in [f.name for f in decision.findings]) == found
        assert decision.verdict != "identified" or not found
        assert not found or set(decision.families) == {"CURLEW 3", "PLOVER 7"}


@pytest.mark.parametrize(("line", "found"), [("K31206/112", True), ("031206112", False)])
def test_a_serial_that_is_near_a_number_is_no_contradiction(catalogue, model, line, found):
    front, back = photos(catalogue, "KNOT 40", None, "front", "back")
    unit = replace(back.units[0], texts=(*back.units[0].texts, written(line)))
    names = [f.name for f in answer([front, replace(back, units=(unit,))], catalogue, model).findings]
    assert ("number and the rest disagree" in names) == found


def test_connectors_of_no_known_colour_do_not_break_it(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    even = dict.fromkeys(front.units[0].connectors[0].colour, 1 / 12)
    grey = tuple(
        Connector(c.polygon, even, {"S": 1 / 3, "M": 1 / 3, "L": 1 / 3}, 0.3, 0.0)
        for c in front.units[0].connectors
    )
    blank = replace(front.units[0], connectors=grey, texts=(), body=None)
    assert identify([replace(front, units=(blank,))], catalogue, model).verdict == "ambiguous"


def written(value: str, kind: str = "printed") -> Text:
    return Text((), value, 0.99, kind, 20.0)


def whole_photo(catalogue, *lines: Text, codes=()) -> Observations:
    """What is seen where no outline of a unit is found: writing, taken for that of one unit."""
    (front,) = photos(catalogue, "AUK 11", None, "front")
    bare = Unit(
        front.units[0].polygon,
        0.5,
        {"front": 0.5, "back": 0.5},
        texts=lines,
        codes=codes,
        method="whole photo",
    )
    return replace(front, units=(bare,))


def a_number(catalogue, key: str) -> str:
    return catalogue.by_key[key].variants[0].service_numbers[0]


@given(data=st.data())
def test_writing_of_two_families_in_one_photo_is_never_identified(catalogue, model, data):
    one, other = data.draw(st.permutations(catalogue.families))[:2]
    assume({m.text for m in one.marks}.isdisjoint(m.text for m in other.marks))  # else it agrees
    lines = []
    for family in (one, other):
        texts = [m.text for m in family.marks] + list(family.variants[0].service_numbers)
        for value in data.draw(st.lists(st.sampled_from(texts), min_size=1, max_size=3)):
            lines.append(written(value, data.draw(st.sampled_from(["cast", "printed"]))))
    order = data.draw(st.permutations(lines))
    decision = answer([whole_photo(catalogue, *order)], catalogue, model)
    assert decision.verdict != "identified"
    assert any(f.name == "writing disagrees" for f in decision.findings)
    for family in (one, other):
        twins = {f.key for f in catalogue.families if f.marks == family.marks}
        assert twins & set(decision.families)


def test_a_serial_below_its_caption_that_is_another_familys_number_contradicts_nothing(catalogue, model):
    own, serial = a_number(catalogue, "AUK 11"), a_number(catalogue, "CURLEW 3")
    label = [written(line) for line in ("UNIT No", own, "SERIAL NO", serial)]
    decision = answer([whole_photo(catalogue, *label)], catalogue, model)
    assert decision.findings == ()
    assert decision.families == ("AUK 11",)


def test_a_barcode_of_one_family_beside_the_mark_of_another_is_never_identified(catalogue, model):
    code = Code((), "Code 128", a_number(catalogue, "CURLEW 3"), "verified")
    decision = identify([whole_photo(catalogue, written("AUK 11", "cast"), codes=(code,))], catalogue, model)
    assert decision.verdict == "ambiguous"
    assert set(decision.families) == {"CURLEW 3", "AUK 11"}


def test_writing_that_agrees_is_no_contradiction(catalogue, model):
    lines = (written("AUK 11", "cast"), written(a_number(catalogue, "AUK 11")), written("SERIAL 02576769"))
    decision = identify([whole_photo(catalogue, *lines)], catalogue, model)
    assert not decision.findings
    assert decision.candidates[0].family == "AUK 11"


@pytest.mark.parametrize("kind", ["cast", "printed"])
def test_a_service_number_counts_whatever_it_was_taken_for(catalogue, model, kind):
    number = a_number(catalogue, "AUK 11")
    spaced = f"{number[:3]} {number[3:]} A"
    decision = identify([whole_photo(catalogue, written(spaced, kind))], catalogue, model)
    assert decision.candidates[0].family == "AUK 11"
    assert decision.verdict in ("identified", "ambiguous")
    assert not any(f.name == "number not listed" for f in decision.findings)


def test_an_unsure_reading_of_something_else_counts_for_little_and_a_sure_one_for_much(catalogue, model):
    said = {}
    for sure in (0.4, 0.98):
        (front,) = photos(catalogue, "GANNET 8", None, "front")
        other = Text((), "PLOVER 7", sure, "cast", 20.0)
        unit = replace(front.units[0], texts=(other,))
        decision = identify([replace(front, units=(unit,))], catalogue, model)
        assert decision.verdict != "identified"
        said[sure] = next(c.probability for c in decision.candidates if c.family == "GANNET 8")
    assert said[0.4] > said[0.98]


@pytest.mark.parametrize("family", ["AUK 11", "KNOT 40"])
def test_a_sure_mark_of_another_family_is_never_outvoted_by_plugs(catalogue, model, family):
    """Five or six plugs outweigh any mark by the odds alone."""
    (front,) = photos(catalogue, family, None, "front")
    unit = replace(front.units[0], texts=(written("PLOVER 7", "cast"),))
    decision = identify([replace(front, units=(unit,))], catalogue, model)
    assert decision.verdict == "ambiguous"
    assert set(decision.families) == {family, "PLOVER 7"}
    assert "casting and the rest disagree" in [f.name for f in decision.findings]


def test_a_plug_that_has_broken_off_is_a_finding_and_counts_in_the_answer(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    plugs = front.units[0].connectors
    unit = replace(front.units[0], connectors=(plugs[0], replace(plugs[1], broken=True), *plugs[2:]))
    decision = identify([replace(front, units=(unit,))], catalogue, model)
    assert (decision.verdict, decision.families) == ("identified", ("AUK 11",))
    assert [f.name for f in decision.findings] == ["plug broken off"]
    assert decision.findings[0].message.startswith("plug 2 (BN) seems to have broken off")


def test_a_clean_mark_of_a_sibling_that_is_not_listed_is_never_taken_for_one_that_is(catalogue, model):
    # Not KNOT 49: the reader takes a cast 0 for a 9 in some of a hundred, so that is no clean other figure.
    for family, sibling in (("AUK 11", 9), ("CURLEW 3", 9), ("DUNLIN 6", 9), ("KNOT 40", 3), ("PLOVER 7", 9)):
        (front,) = photos(catalogue, family, None, "front")
        unit = replace(front.units[0], texts=(written(f"{family[:-1]}{sibling}", "cast"),))
        decision = identify([replace(front, units=(unit,))], catalogue, model)
        assert decision.verdict != "identified", (family, decision.message)


@pytest.mark.parametrize(
    ("line", "least"),
    [
        ("K58214/302 G", 0.95),
        ("UNIT No K58214/302 REV G KNOT 40", 0.95),
        ("K58214-302 REV.G", 0.95),
        ("K58214/302 REV 6", 0.35),  # more than an even share of the three
    ],
)
def test_a_suffix_is_found_behind_the_number_whatever_follows(catalogue, model, line, least):
    (back,) = photos(catalogue, "KNOT 40", "G", "back")
    unit = replace(back.units[0], texts=(written(line),), codes=())
    decision = identify([replace(back, units=(unit,))], catalogue, model)
    (best,) = [v for v in decision.candidates[0].variants if v.key == "G"]
    # A 6 is a G more often than another letter, but not surely: no suffix of the maker's is a figure.
    assert best.probability > least
    assert (line[-1] != "6") or best.probability < 0.995


@pytest.mark.parametrize("left", [2, 5, 8])
def test_what_is_left_of_a_torn_label_yields_doubt_and_no_refusal(catalogue, model, left):
    for family in catalogue.families:
        (back,) = photos(catalogue, family.key, None, "back")
        torn = tuple(
            replace(t, value=t.value[: len(t.value) * left // 10], characters=()) for t in back.units[0].texts
        )
        for unit in (
            replace(back.units[0], texts=torn, codes=()),
            replace(whole_photo(catalogue).units[0], texts=torn),
        ):
            decision = identify([replace(back, units=(unit,))], catalogue, model)
            assert decision.verdict != "not_in_catalogue"
            assert decision.verdict != "identified" or decision.families == (family.key,)
            settled = decision.verdict == "identified" and len(decision.variants) == 1
            # What is likely a hazard is left alone, not turned round for another photo.
            assert settled or decision.next_photo is not None or family.hazard != "none"


def test_writing_alone_never_refuses_and_plugs_do(catalogue, model):
    unknown = invent_catalogue(12, 77)
    refused = 0
    for family in unknown.families:
        (back,) = photos(unknown, family.key, None, "back")
        unit = replace(back.units[0], codes=())
        decision = identify([replace(back, units=(unit,))], catalogue, model)
        assert decision.verdict in ("ambiguous", "unreadable")
        assert decision.next_photo is not None
        both = photos(unknown, family.key, None, "front", "back")
        refused += identify(both, catalogue, model).verdict == "not_in_catalogue"
    assert (
        refused >= 6
    )  # plugs and mark of an unknown unit are told from a catalogue of 14 more often than not


@pytest.mark.parametrize(("check", "verdict"), [("verified", "not_in_catalogue"), ("none", "unreadable")])
def test_a_barcode_refuses_only_where_its_check_held(catalogue, model, check, verdict):
    """In a shop that refuses from even chances on: at the usual costs a barcode is not enough."""
    family = invent_catalogue(12, 77).families[0]
    (back,) = photos(invent_catalogue(12, 77), family.key, None, "back")
    code = Code((), "Code 128", family.variants[0].service_numbers[0], check)
    unit = replace(back.units[0], connectors=(), codes=(code,))
    decision = identify([replace(back, units=(unit,))], catalogue, model, costs=Costs(wrong_refusal=2.0))
    assert decision.unknown_probability > 0.5
    assert decision.verdict == verdict
    if verdict == "not_in_catalogue":
        claimed, costs = decision.candidates[0].family, Costs(wrong_refusal=2.0)
        opinion = give_opinion([replace(back, units=(unit,))], catalogue, model, claimed, costs=costs)
        none = f"in no family of this catalogue ({percent(decision.unknown_probability)})"
        assert f"most likely {none}, not {claimed} (" in opinion.message


@pytest.mark.parametrize(
    ("family", "view"),
    [
        # By the assumed error rates the back would cost least on both, and neither pays.
        # Its revisions differ in the suffix alone, of which a close-up of the label leaves least open.
        ("KNOT 40", "label close-up"),
        # Its two variants were fitted in years that do not overlap, which no misreading can blur.
        ("AUK 11", "donor plate"),
        # A donor's plate would leave the family less open; the number on the label tells its variants apart.
        ("DUNLIN 1", "label close-up"),
    ],
)
def test_where_no_photo_pays_the_one_that_leaves_the_variant_least_open_is_asked_for(
    catalogue, model, family, view
):
    model = replace(model, noise=ErrorModel())  # measured ones differ with each network
    views = gather_views(photos(catalogue, family, None, "front"))
    pooled = pool_views(views, index_families(catalogue.families), model)
    # Nothing can be cheaper than a decision that costs nothing.
    advice = choose_next_photo(pooled, model, catalogue.costs, 0.0, variants_open=True)
    assert (advice.view, advice.gain) == (view, 0.0)
    assert choose_next_photo(pooled, model, catalogue.costs, 0.0, variants_open=False) is None


@pytest.mark.parametrize(("corners", "again"), [(((0, 0), (99, 0), (99, 20), (0, 20)), True), ((), False)])
def test_who_gave_the_label_already_is_told_what_to_do_differently(catalogue, model, corners, again):
    model = replace(model, noise=ErrorModel())
    front, label = photos(catalogue, "KNOT 40", None, "front")[0], read_faultlessly(Print(("K",), ()))
    label = replace(label, texts=tuple(replace(text, polygon=corners) for text in label.texts))
    pooled = pool_views(gather_views([front, label]), index_families(catalogue.families), model)
    advice = choose_next_photo(pooled, model, catalogue.costs, 0.0, variants_open=True)
    assert advice.view == "label close-up"
    # What was typed was no photo: one of the label is still new.
    assert ("once more, closer" in advice.message, "Take a photo" in advice.message) == (again, not again)


def dark(seen: Observations) -> Observations:
    fault = Fault("dark", 0.01, 0.1, "It is dark.", "Use light.")
    return replace(seen, quality=replace(seen.quality, faults=(fault,)))


def test_a_dark_photo_is_answered_where_a_listed_number_is_read_whole(catalogue, model):
    (back,) = photos(catalogue, "AUK 11", None, "back")
    back = replace(back, units=(replace(back.units[0], codes=()),))
    number = catalogue.by_key["AUK 11"].variants[0].service_numbers[0]
    assert [t for t in back.units[0].texts if number in t.value]
    assert answer([dark(back)], catalogue, model).verdict == "identified"
    misread = [replace(t, value=t.value.replace(number, f"{number[:-1]}?")) for t in back.units[0].texts]
    doubtful = replace(back, units=(replace(back.units[0], texts=tuple(misread)),))
    assert answer([dark(doubtful)], catalogue, model).verdict != "identified"
    coded = replace(doubtful.units[0], codes=(Code((), "QR", number, "verified"),))
    assert answer([dark(replace(doubtful, units=(coded,)))], catalogue, model).verdict == "identified"


def test_an_unreadable_photo_warns_of_no_family_but_of_every_orange_plug(catalogue, model):
    (front,) = photos(catalogue, "AUK 11", None, "front")
    nothing = replace(front, units=())
    plain = identify([dark(nothing)], catalogue, model)
    assert plain.verdict == "unreadable"
    assert {c.name for c in plain.cautions} <= {"catalogue", "general"}
    even = dict.fromkeys(COLOUR_CODES, 1 / 12)
    for colour, warns in (
        ({"OG": 0.9, "BN": 0.1}, True),
        ({"OG": 0.5, "RD": 0.5}, True),
        ({"OG": 0.3, "BN": 0.7}, False),
        (even, False),
    ):
        plug = Connector((), colour, {"M": 1.0}, 0.3, 0.05)
        unit = replace(front.units[0], connectors=(plug,), other_order=None, texts=(), body=None)
        decision = identify([dark(replace(front, units=(unit,)))], catalogue, model)
        assert decision.verdict == "unreadable"
        assert (decision.cautions[0].name == "high voltage") == warns


VIEWS = st.lists(
    st.sampled_from(["front", "back", "label close-up", "plug close-up", "donor plate"]),
    min_size=1,
    max_size=3,
)


@st.composite
def simulated(draw):
    """Photos of some unit of the demo with the usual noise, and a claim that is true, near or far."""
    catalogue = load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")
    family = draw(st.sampled_from(catalogue.families))
    variant = draw(st.sampled_from(family.variants))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    noise = draw(st.sampled_from([CLEAN, ErrorModel()]))
    seen = [draw_observations(family, variant, view, noise, rng) for view in draw(VIEWS)]
    claimed = draw(st.sampled_from([family, family, draw(st.sampled_from(catalogue.families))]))
    named = draw(st.sampled_from([None, *claimed.variants]))
    hidden = draw(st.booleans())  # the family may be missing from the catalogue
    return catalogue, seen, family, claimed, named, hidden


@given(case=simulated())
def test_headline_figure_and_reasons_agree(model, case):
    from plugface.cli.present.terminal import headline
    from plugface.models.decision.decide import percent

    catalogue, seen, family, claimed, named, hidden = case
    if hidden and claimed.key != family.key:
        left = tuple(f for f in catalogue.families if f.key != family.key)
        catalogue = Catalogue(head=catalogue.head, families=left, sha256=f"without {family.key}")
    claim = claimed.key if named is None else f"{claimed.key}:{named.key}"
    given_opinion = give_opinion(seen, catalogue, model, claim)
    decision, chance = given_opinion.decision, given_opinion.probability

    assert "; the best has" not in decision.message or len(decision.families) > 1
    # The claim: what is said, how sure it is, and the lists.
    assert all(e.weight > 0 for e in given_opinion.for_claim)
    assert all(e.weight < 0 for e in given_opinion.against_claim)
    if given_opinion.verdict == "agrees":
        assert decision.verdict == "identified"
        assert decision.costs.accepts(chance)
        assert given_opinion.for_claim
        assert all(lead > 0 for _, lead in given_opinion.leads)
    if given_opinion.verdict == "disagrees":
        assert chance <= 1 - decision.costs.refuse_at
        assert given_opinion.against_claim
        assert any(lead < 0 for _, lead in given_opinion.leads)
        assert "surely enough" not in given_opinion.message
    if given_opinion.verdict == "cannot tell" and not decision.findings and decision.verdict != "unreadable":
        assert percent(chance) in given_opinion.message
        assert chance > 1 - decision.costs.accept_at
    total = sum(e.weight for e in (*given_opinion.for_claim, *given_opinion.against_claim))
    assert total == pytest.approx(sum(lead for _, lead in given_opinion.leads), abs=1e-6)
    if named is not None and decision.families[:1] == (claimed.key,):
        (own,) = [c for c in decision.candidates if c.family == claimed.key]
        (of_it,) = [v for v in own.variants if v.key == named.key]
        told = {e.message for e in (*given_opinion.for_claim, *given_opinion.against_claim)}
        assert {e.message for e in of_it.evidence} <= told  # what was read of the suffix among it

    # The answer without the claim.
    for candidate in decision.candidates:
        others = [c for c in decision.candidates if c.family == candidate.rival]
        rival = others[0].probability if others else decision.unknown_probability
        if abs(candidate.probability - rival) > 0.2 and candidate.probability > 1e-9 and rival > 1e-9:
            assert (candidate.lead > 0) == (candidate.probability > rival)
        for variant in candidate.variants:
            against = [v.probability for v in candidate.variants if v.key == variant.rival]
            if against and abs(variant.probability - against[0]) > 0.05:
                lead = sum(e.weight for e in variant.evidence)
                assert (lead > 0) == (variant.probability > against[0])
    if decision.verdict == "ambiguous":
        unknown = decision.unknown_probability > decision.probability
        assert headline(decision, catalogue).startswith("in no family of this catalogue") == unknown
        if not decision.findings:
            assert ("in no family" in decision.message) == unknown
    if decision.verdict == "identified":
        assert percent(decision.probability) in decision.message
        entry = catalogue.by_key[decision.families[0]]
        if len(entry.variants) > 1 and len(decision.variants) == 1:
            assert "apart surely enough" not in decision.variant_message
            assert decision.candidates[0].variants[0].key == decision.variants[0]
            assert decision.candidates[0].variants[0].probability > 0.9
        assert headline(decision, catalogue).startswith(decision.candidates[0].family)


def test_what_is_most_probable_leads_the_headline(catalogue, model):
    """Half of what is drawn here is of no family: some land between refusing and naming."""
    from plugface.cli.present.terminal import headline

    led = 0
    for seed in range(60):
        strange = invent_catalogue(3, 900 + seed).families[0]
        rng = np.random.default_rng(seed)
        seen = [draw_observations(strange, strange.variants[0], "front", ErrorModel(), rng)]
        decision = answer(seen, catalogue, model)
        if decision.verdict == "ambiguous" and decision.unknown_probability > decision.probability:
            led += 1
            assert headline(decision, catalogue).startswith("in no family of this catalogue or ")
            assert decision.message.startswith("Not sure: most likely in no family of this catalogue (")
    assert led  # else nothing was tried
