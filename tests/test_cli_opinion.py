import json

import pytest


@pytest.mark.parametrize(
    ("claimed", "expected"),
    [
        ("HERON 3", {"agrees", "cannot tell"}),  # how sure is the shipped model's affair, against it never
        ("SKUA 1", {"disagrees"}),
        ("heron 3:home", {"agrees", "cannot tell"}),
    ],
)
def test_a_claim_is_judged_with_reasons(run, plain_photo, seen_as, claimed, expected) -> None:
    seen_as(front=("HERON 3", "home", "front"), back=("HERON 3", "home", "back"))
    photos = plain_photo("front.jpg"), plain_photo("back.jpg")
    document = json.loads(run("opinion", *photos, "--claimed", claimed, "--json").out)
    assert document["kind"] == "opinion"
    assert document["opinion"] in expected
    reasons = document["evidence_against" if document["opinion"] == "disagrees" else "evidence_for"]
    assert reasons
    said = run("opinion", *photos, "--claimed", claimed)
    assert said.code == 0
    assert document["opinion"].upper() in said.out
    assert "For the claim" in said.out
    assert "Against it" in said.out


def test_a_claim_that_is_not_in_the_catalogue_is_refused_before_any_photo_is_read(run, tmp_path) -> None:
    said = run("opinion", tmp_path / "missing.jpg", "--claimed", "TURN 4")
    assert said.code == 2
    assert "TERN 4" in said.err
