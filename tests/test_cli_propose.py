"""`plugface catalogue propose`: a draft that is true, and says what it does not know."""

import json
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from plugface.cli.commands.propose import LEFT_OUT, read_draft
from plugface.cli.present.proposal_text import DraftText, Known, draft_family
from plugface.models.catalogue.entries import compile_pattern, load_catalogue
from plugface.models.catalogue.proposal import SeenLabel, SeenPlug, Sighting
from plugface.vision import observe as eyes

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"

#: The family that is drafted, and those that name it or one another in pairing.
GONE = ("redshank_*", "sanderling_*", "dunlin_1.toml", "auk_*", "plover_*")


@pytest.fixture
def without_redshank_2(tmp_path):
    """The demo's catalogue before REDSHANK 2 was entered, and what it belongs with."""
    folder = tmp_path / "own"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns(*GONE))
    return folder


@pytest.fixture
def redshank_2(seen_as, plain_photo, monkeypatch):
    """Photos on which a REDSHANK 2 is seen, upright."""
    seen_as(faultless=True, front=("REDSHANK 2", "home", "front"), back=("REDSHANK 2", "home", "back"))
    look = eyes.observe

    def upright(photo, **words):
        seen = look(photo, **words)
        units = tuple(replace(unit, up_deg=90.0, other_order=None) for unit in seen.units)
        return replace(seen, units=units)

    monkeypatch.setattr(eyes, "observe", upright)
    return plain_photo("front.jpg"), plain_photo("back.jpg")


WHOLE = (
    "--guess",
    "--controls",
    "gearbox",
    "--years",
    "2004-2009",
    "--maker",
    "Marrow & Finch",
    "--size",
    "128x104x38",
)


#: A unit of which everything was seen.
SEEN = Sighting(
    plugs=(SeenPlug("BK", 0.9, None, "L", 0.9, (3, 13), (0.0, 0.0), upright=False),),
    either_way_up=False,
    face_mm=None,
    body_colour=None,
    fins=None,
    marks=(),
    label=SeenLabel(number="KD4115/36"),
    hazard_colours=(),
)


def draft_of(sighting: Sighting, **words) -> DraftText:
    known = Known("KNOT 4", "unknown", "engine", (2000, 2005), (190.0, 110.0, 40.0))
    return draft_family(sighting, known, ["a.jpg"], date(2026, 1, 1), guess=True, **words)


def test_a_barcode_that_says_no_number_is_a_comment():
    # A payload may hold anything, the end of a line too.
    draft = draft_of(replace(SEEN, label=SeenLabel(number="KD4115/36", other_payload="9988\nkey = 3")))
    family, faults = read_draft(draft)
    assert (faults, family.label.barcode) == ((), "none")
    assert 'no number that is printed: "9988\\nkey = 3"\n' in draft.text


def test_a_colour_that_no_photo_shows_is_missing():
    grey = replace(SEEN.plugs[0], colour_share=1 / 12)
    draft = draft_of(replace(SEEN, plugs=(grey,)))
    assert draft.missing == ("connectors no. 1, colour",)
    assert read_draft(draft)[0] is None
    assert '\n# colour = "BK"' in draft.text


def test_an_order_that_may_be_the_reverse_is_missing():
    assert draft_of(SEEN).missing == ()
    (missing,) = draft_of(replace(SEEN, either_way_up=True)).missing
    assert "which way is up" in missing


def test_a_drafts_pattern_takes_no_number_of_another_family():
    families = load_catalogue(DEMO).families
    sighting = replace(SEEN, label=SeenLabel(number="K44999/123"))
    alone, beside = (read_draft(draft_of(sighting, families=among))[0] for among in ((), families))
    listed = [number for f in families for v in f.variants for number in v.service_numbers]
    taken = [
        [number for number in listed if compile_pattern(family.label.service_number).fullmatch(number)]
        for family in (alone, beside)
    ]
    assert (len(taken[0]) > 0, taken[1]) == (True, [])
    assert compile_pattern(beside.label.service_number).fullmatch("K44999/123")


def test_what_was_not_seen_is_a_comment_and_said(run, redshank_2, without_redshank_2):
    said = run("catalogue", "propose", *redshank_2, "--catalogue", without_redshank_2)
    assert said.code == 1
    assert "Not a valid entry yet" in said.err
    assert '\nkey = "REDSHANK 2"' in said.out
    assert '\n# controls = "engine"' in said.out
    assert "\n# years = " in said.out
    assert "\nservice_number = '^K" in said.out


def test_with_what_a_person_knows_it_becomes_an_entry_of_the_catalogue(run, redshank_2, without_redshank_2):
    said = run("catalogue", "propose", *redshank_2, *WHOLE, "--into", without_redshank_2)
    assert said.code == 0, said.err
    assert "GUESS" in (without_redshank_2 / "redshank_2.toml").read_text()
    assert "Guessed, so measure or look up" in said.err
    assert "2 plugs were seen: count them on the unit." in said.err
    family = load_catalogue(without_redshank_2).by_key["REDSHANK 2"]
    true = load_catalogue(DEMO).by_key["REDSHANK 2"]
    assert [(c.colour, c.size) for c in family.connectors] == [(c.colour, c.size) for c in true.connectors]
    # Round a corner: each header looks out of its own edge.
    assert [(c.edge, c.opens) for c in family.connectors] == [("top", "sideways"), ("right", "sideways")]
    (read,), (known,) = family.variants[0].service_numbers[:1], true.variants[0].service_numbers[:1]
    # One character may be misread on this photo, a draft's reader is told to correct it.
    assert len(read) == len(known)
    assert sum(a == b for a, b in zip(read, known, strict=True)) >= 9
    again = run("catalogue", "propose", *redshank_2, *WHOLE, "--into", without_redshank_2)
    assert again.code == 2  # nothing is overwritten


def test_a_draft_that_is_not_whole_does_not_break_the_catalogue(run, redshank_2, without_redshank_2):
    said = run("catalogue", "propose", *redshank_2, "--into", without_redshank_2)
    assert said.code == 1
    assert (without_redshank_2 / "redshank_2.toml.draft").is_file()
    assert "REDSHANK 2" not in load_catalogue(without_redshank_2).by_key


def test_a_family_that_is_there_already_is_named(run, redshank_2):
    said = run("catalogue", "propose", *redshank_2, "--catalogue", DEMO)
    assert "has it already: REDSHANK 2 (over 99.9 %)" in said.err
    assert 'has a family "REDSHANK 2" already' in said.err


def test_photos_of_two_units_are_said_to_contradict_each_other(run, seen_as, plain_photo):
    seen_as(faultless=True, front=("REDSHANK 2", "home", "front"), back=("KNOT 40", "E", "back"))
    said = run("catalogue", "propose", plain_photo("front.jpg"), plain_photo("back.jpg"), "--catalogue", DEMO)
    assert "REDSHANK 2; photo 2" in said.err
    assert "two different units in the photos" in said.err


@pytest.mark.parametrize("key", ["KNOT 40", "***", "catalogue"])
def test_a_name_that_is_taken_or_is_none_is_refused(run, redshank_2, without_redshank_2, key):
    # A second family of one name would make the catalogue unreadable, whatever its file is called.
    (without_redshank_2 / "knot_40.toml").rename(without_redshank_2 / "other.toml")
    before = sorted(without_redshank_2.iterdir())
    said = run("catalogue", "propose", *redshank_2, *WHOLE, "--key", key, "--into", without_redshank_2)
    assert said.code == 2
    assert ("already" if key == "KNOT 40" else "letter or a digit") in said.err
    assert sorted(without_redshank_2.iterdir()) == before
    shown = run("catalogue", "propose", *redshank_2, *WHOLE, "--key", key, "--catalogue", without_redshank_2)
    assert shown.code == (1 if key == "KNOT 40" else 0)


def test_a_hazard_is_never_drafted_as_a_controller(run, seen_as, plain_photo):
    hazard = next(f for f in load_catalogue(DEMO).families if f.hazard != "none")
    seen_as(faultless=True, front=(hazard.key, hazard.variants[0].key, "front"))
    said = run("catalogue", "propose", plain_photo("front.jpg"), *WHOLE)
    assert '\ncontrols = "other"' in said.out
    assert f'\nhazard = "{hazard.hazard}"' in said.out
    assert "licensed" in said.err


def test_a_grey_photo_warns_of_colours_that_it_hides(run, redshank_2, without_redshank_2, monkeypatch):
    look = eyes.observe

    def grey(photo, **words):
        seen = look(photo, **words)
        units = []
        for unit in seen.units:
            plugs = [replace(c, colour=dict.fromkeys(c.colour, 1 / len(c.colour))) for c in unit.connectors]
            units.append(replace(unit, connectors=tuple(plugs)))
        return replace(seen, units=tuple(units))

    monkeypatch.setattr(eyes, "observe", grey)
    said = run("catalogue", "propose", *redshank_2, *WHOLE, "--into", without_redshank_2)
    assert said.code == 1
    assert "without their colours" in said.err.partition("Not a valid entry yet")[0]
    assert (without_redshank_2 / "redshank_2.toml.draft").is_file()


def test_a_photo_that_may_be_upside_down_gives_no_whole_entry(
    run, redshank_2, without_redshank_2, monkeypatch
):
    look = eyes.observe

    def either(photo, **words):
        seen = look(photo, **words)
        units = (replace(u, other_order=tuple(reversed(range(len(u.connectors))))) for u in seen.units)
        return replace(seen, units=tuple(units))

    monkeypatch.setattr(eyes, "observe", either)
    said = run("catalogue", "propose", *redshank_2, *WHOLE, "--into", without_redshank_2)
    assert said.code == 1
    assert "which way is up" in said.err
    assert "valid entry. Correct it" not in said.err
    assert (without_redshank_2 / "redshank_2.toml.draft").is_file()


def test_json_says_what_is_missing(run, redshank_2, without_redshank_2):
    document = json.loads(
        run("catalogue", "propose", *redshank_2, "--catalogue", without_redshank_2, "--json").out
    )
    assert document["kind"] == "catalogue propose"
    assert not document["valid"]
    assert {"controls", "variants no. 1, years"} <= set(document["missing"])
    assert document["family"] == "REDSHANK 2"


def test_a_photo_of_nothing_gives_an_empty_draft(run, plain_photo):
    said = run("catalogue", "propose", plain_photo("grey.jpg"))
    assert said.code == 1
    assert "connectors" in said.err
    assert "# No plug was seen." in said.out


def test_a_donors_number_is_left_out_of_a_draft_and_that_is_said(run, redshank_2, plain_photo, type_plate):
    plain = run("catalogue", "propose", redshank_2[1])
    said = run("catalogue", "propose", plain_photo("plate.jpg"), redshank_2[1])
    assert type_plate not in said.out + said.err
    assert 'service_numbers = ["' in said.out  # the unit's own, by its back
    assert (LEFT_OUT in said.err, LEFT_OUT in plain.err) == (True, False)


def test_a_photo_that_is_not_there(run, tmp_path):
    assert run("catalogue", "propose", tmp_path / "nowhere.jpg").code == 2
