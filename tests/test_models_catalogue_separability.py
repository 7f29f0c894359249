"""What a catalogue cannot tell apart, expected from simulated units."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue import separability as of_separability
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.separability import Confusion, family_shares, find_pairs, separability
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.unit_choice import gather_views

DEMO = Path(__file__).parent.parent / "training_data_demo" / "marrow_finch"
CATALOGUE = load_catalogue(DEMO)


@pytest.fixture(scope="module")
def result():
    keys = ("KNOT 40", "AUK 11", "AUK 12", "GANNET 8")
    few = replace_families(CATALOGUE, tuple(f for f in CATALOGUE.families if f.key in keys))
    return separability(few, load_model(default_model_path()), seed=1, draws=12)


def replace_families(catalogue, families):
    return catalogue.model_copy(update={"families": families})


def test_look_alike_revisions_are_mixed_by_the_front_and_told_by_the_back(result):
    e, f = (result.front.names.index(f"KNOT 40 {k}") for k in ("E", "F"))
    # Equal fronts: each revision gets as much of what the family gets as the other.
    assert result.front.share[e, f] == pytest.approx(result.front.share[e, e], abs=1e-9)
    assert result.back.share[e, f] < 0.25
    (advice,) = (sentence for sentence in result.advice if sentence.startswith("KNOT 40 E and F: "))
    assert "back label needed" in advice  # alone or together with the front, as the measured noise has it


def test_rows_never_exceed_one_and_nothing_wrong_is_accepted_from_the_front(result):
    for table in (result.front, result.back, result.both):
        assert table.share.shape == (len(table.names),) * 2
        assert (table.share.sum(axis=1) <= 1.0 + 1e-9).all()
    assert result.front.accepted_wrong == 0.0


def test_the_only_variant_of_a_family_is_accepted_with_it_as_identify_does():
    gannet = CATALOGUE.by_key["GANNET 8"]
    assert len(gannet.variants) == 1
    few = replace_families(CATALOGUE, (gannet,))
    found = separability(few, load_model(default_model_path()), seed=1, draws=12)
    assert found.front.accepted == found.front.family_accepted > 0.2


def test_both_views_are_of_the_units_whose_front_and_back_were_drawn_alone(monkeypatch):
    seen = []
    monkeypatch.setattr(of_separability, "gather_views", lambda unit: seen.append(unit) or gather_views(unit))
    few = replace_families(CATALOGUE, (CATALOGUE.by_key["GANNET 8"],))
    separability(few, load_model(default_model_path()), seed=1, draws=2)
    (front, back, both) = (seen[:2], seen[2:4], seen[4:])
    assert both == [[*one, *other] for one, other in zip(front, back, strict=True)]


def test_unlike_families_need_no_advice(result):
    assert not any("GANNET" in sentence for sentence in result.advice)


def test_families_are_the_mean_of_their_variants(result):
    keys, share = family_shares(result.front, result.owners)
    rows = [i for i, owner in enumerate(result.owners) if owner == "KNOT 40"]
    at = keys.index("KNOT 40")
    by_hand = sum(result.front.share[i, j] for i in rows for j in rows) / len(rows)
    assert share[at, at] == pytest.approx(by_hand)
    assert share.shape == (4, 4)
    assert share.sum() <= 4 + 1e-9


@pytest.mark.parametrize(
    ("front", "back", "both", "needed"),
    [
        (0.5, 0.01, 0.01, "back label needed"),
        (0.5, 0.08, 0.08, "back label needed"),  # an unread label leaves a little in doubt
        (0.5, 0.4, 0.05, "front and back label needed together"),
        (0.5, 0.4, 0.4, "neither front nor back tells them apart reliably: add what does"),
        (0.0, 0.1, 0.0, "front needed"),
    ],
)
def test_the_advice_follows_what_is_left_of_the_confusion(front, back, both, needed):
    # A catalogue of one family with two variants, and shares put in by hand.
    catalogue = load_catalogue(DEMO)
    knot = catalogue.by_key["KNOT 40"]
    knot = knot.model_copy(update={"variants": knot.variants[:2]})
    tables = {
        view: Confusion(("KNOT 40 E", "KNOT 40 F"), np.array([[1 - mixed, mixed], [0, 1]]), *4 * (0.0,))
        for view, mixed in (("front", front), ("back", back), ("both", both))
    }
    (pair,) = find_pairs(replace_families(catalogue, (knot,)), tables, ("KNOT 40", "KNOT 40"))
    assert pair.advice == f"KNOT 40 E and F: {needed}."


def test_only_the_families_asked_for_are_drawn_against_all():
    catalogue = load_catalogue(DEMO)
    few = replace_families(catalogue, catalogue.families[:4])
    steps = []
    found = separability(
        few, load_model(default_model_path()), 3, 2, only=("CURLEW 3",), done=lambda: steps.append(1)
    )
    drawn = [owner == "CURLEW 3" for owner in found.owners]
    assert len(steps) == 3 * sum(drawn)
    assert found.front.share[drawn].sum() > 0
    assert found.front.share[np.logical_not(drawn)].sum() == 0


def test_more_noise_separates_less():
    catalogue = load_catalogue(DEMO)
    few = replace_families(catalogue, catalogue.families[:4])
    model = load_model(default_model_path())
    blind = replace(model.noise, mark_read=0.0, miss=0.4)
    clear = separability(few, model, seed=2, draws=3).front.share.trace()
    assert separability(few, model, seed=2, draws=3, noise=blind).front.share.trace() < clear
