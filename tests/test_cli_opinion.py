import json

import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.opinion import ClaimError, read_claim


@pytest.mark.parametrize(
    ("claimed", "expected"),
    [
        ("DUNLIN 6", {"agrees", "cannot tell"}),  # how sure is the shipped model's affair, against it never
        ("CURLEW 5", {"disagrees"}),
        ("dunlin 6:south", {"agrees", "cannot tell"}),
    ],
)
def test_a_claim_is_judged_with_reasons(run, plain_photo, seen_as, claimed, expected) -> None:
    seen_as(front=("DUNLIN 6", "south", "front"), back=("DUNLIN 6", "south", "back"))
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
    said = run("opinion", tmp_path / "missing.jpg", "--claimed", "KNIT 40")
    assert said.code == 2
    assert "KNOT 40" in said.err


def test_a_variant_is_not_judged_by_its_familys_figure(run, plain_photo, seen_as) -> None:
    """The four variants of KNOT 40 have one front; the label tells them apart."""
    seen_as(faultless=True, front=("KNOT 40", "F", "front"), back=("KNOT 40", "F", "back"))
    front, back = plain_photo("front.jpg"), plain_photo("back.jpg")
    alone = json.loads(run("opinion", front, "--claimed", "KNOT 40:E", "--json").out)
    assert alone["opinion"] == "cannot tell"
    assert 0.2 < alone["probability"] < 0.3  # one of four
    assert f"{100 * alone['probability']:.1f} %" in alone["message"]
    whole = json.loads(run("opinion", front, back, "--claimed", "KNOT 40:E", "--json").out)
    assert whole["opinion"] == "disagrees"
    assert whole["probability"] < 0.01
    suffix = next(e for e in whole["evidence_against"] if e["rule"] == "suffix")
    assert "'F'" in suffix["message"]
    words = " ".join(run("opinion", front, back, "--claimed", "KNOT 40:E").out.split())
    assert "Against it: nothing" not in words
    assert "It is a KNOT 40, but not E" in words
    assert "apart surely enough" not in words
    against = words.partition("Against it")[2].partition("Without it")[0]
    assert "'F' was read, which fits E (E) worse than F" in against
    assert "behind KNOT 40 F" in against
    assert "in nats" in against


def test_the_reasons_shown_sum_to_the_lead_that_is_shown(run, plain_photo, seen_as) -> None:
    import re

    seen_as(front=("DUNLIN 6", "south", "front"), back=("DUNLIN 6", "south", "back"))
    photos = plain_photo("front.jpg"), plain_photo("back.jpg")
    decision = json.loads(run("identify", *photos, "--json").out)["decision"]
    for candidate in decision["candidates"]:
        assert abs(sum(e["weight"] for e in candidate["evidence"]) - candidate["lead"]) < 0.01
    first, second = decision["candidates"][:2]
    assert second["rival"] == first["family"]
    assert first["lead"] > 0 > second["lead"]
    said = run("identify", *photos).out
    assert "Evidence, in nats" in said
    block = said.partition(f" {second['family']}  ")[2].partition("in sum, behind")[0]
    shown = [float(n) for n in re.findall(r"^ *([+-]\d+\.\d)(?= )", block, re.M)]
    assert len(shown) > 1
    *reasons, total = shown
    assert abs(sum(reasons) - total) <= 0.05 * len(reasons) + 0.05  # each is rounded
    assert f"{total:+.1f}" == f"{second['lead']:+.1f}"


def test_a_familys_name_may_hold_a_colon() -> None:
    demo = load_catalogue(demo_folder() / "marrow_finch")
    keys = {"KNOT 40": "K:40", "KNOT 41": "K"}
    families = tuple(f.model_copy(update={"key": keys.get(f.key, f.key)}) for f in demo.families)
    catalogue = demo.model_copy(update={"families": families})
    read = {
        claimed: read_claim(claimed, catalogue) for claimed in ("k:40", "K:40:e", "K", "K:Home", "AUK 11")
    }
    assert {claimed: (family.key, variant) for claimed, (family, variant) in read.items()} == {
        "k:40": ("K:40", None),
        "K:40:e": ("K:40", "E"),
        "K": ("K", None),
        "K:Home": ("K", "home"),
        "AUK 11": ("AUK 11", None),
    }
    with pytest.raises(ClaimError, match='there is no family "GULL"; near: '):
        read_claim("GULL:A", catalogue)
    with pytest.raises(ClaimError, match='K:40 has no variant "Z"'):
        read_claim("K:40:Z", catalogue)
