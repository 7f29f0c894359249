"""`plugface catalogue propose`: a draft that is true, and says what it does not know."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from plugface.models.catalogue.entries import load_catalogue
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


def test_what_was_not_seen_is_a_comment_and_said(run, redshank_2, without_redshank_2):
    said = run("catalogue", "propose", *redshank_2, "--catalogue", without_redshank_2)
    assert said.code == 1
    assert "Not a valid entry yet" in said.err
    assert '\nkey = "REDSHANK 2"' in said.out
    assert '\n# controls = "engine"' in said.out
    assert "\n# years = " in said.out
    assert "\nservice_number = '^(?P<number>" in said.out


def test_with_what_a_person_knows_it_becomes_an_entry_of_the_catalogue(run, redshank_2, without_redshank_2):
    said = run("catalogue", "propose", *redshank_2, *WHOLE, "--into", without_redshank_2)
    assert said.code == 0, said.err
    assert "GUESS" in (without_redshank_2 / "redshank_2.toml").read_text()
    assert "Guessed, so measure or look up" in said.err
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
    assert "has it already: REDSHANK 2" in said.err or 'has a family "REDSHANK 2" already' in said.err


def test_a_hazard_is_never_drafted_as_a_controller(run, seen_as, plain_photo):
    hazard = next(f for f in load_catalogue(DEMO).families if f.hazard != "none")
    seen_as(faultless=True, front=(hazard.key, hazard.variants[0].key, "front"))
    said = run("catalogue", "propose", plain_photo("front.jpg"), *WHOLE)
    assert '\ncontrols = "other"' in said.out
    assert f'\nhazard = "{hazard.hazard}"' in said.out
    assert "licensed" in said.err


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


def test_a_photo_that_is_not_there(run, tmp_path):
    assert run("catalogue", "propose", tmp_path / "nowhere.jpg").code == 2
