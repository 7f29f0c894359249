"""What a catalogue cannot tell apart, expected from simulated units."""

from dataclasses import replace
from pathlib import Path

import pytest

from models.catalogue import load_catalogue
from models.classifier import default_model_path, load_model
from models.separability import separability


@pytest.fixture(scope="module")
def result():
    catalogue = load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")
    keys = ("SKUA 2", "TERN 2", "TERN 4", "GANNET 8")
    few = replace_families(catalogue, tuple(f for f in catalogue.families if f.key in keys))
    return separability(few, load_model(default_model_path()), seed=1, draws=8)


def replace_families(catalogue, families):
    return catalogue.model_copy(update={"families": families})


def test_look_alike_revisions_are_mixed_by_the_front_and_told_by_the_back(result):
    r2, r3 = (result.front.names.index(f"SKUA 2 {k}") for k in ("R2", "R3"))
    # Equal fronts: each revision gets half of what the family gets.
    assert result.front.share[r2, r3] == pytest.approx(result.front.share[r2, r2], abs=1e-9)
    assert result.back.share[r2, r3] < 0.25
    assert "SKUA 2 R2 and R3: back label needed." in result.advice


def test_rows_never_exceed_one_and_nothing_wrong_is_accepted_from_the_front(result):
    for table in (result.front, result.back, result.both):
        assert table.share.shape == (len(table.names),) * 2
        assert (table.share.sum(axis=1) <= 1.0 + 1e-9).all()
    assert result.front.accepted_wrong == 0.0


def test_unlike_families_need_no_advice(result):
    assert not any("GANNET" in sentence for sentence in result.advice)


def test_more_noise_separates_less():
    catalogue = load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")
    few = replace_families(catalogue, catalogue.families[:4])
    model = load_model(default_model_path())
    blind = replace(model.noise, mark_read=0.0, miss=0.4)
    clear = separability(few, model, seed=2, draws=6).front.share.trace()
    assert separability(few, model, seed=2, draws=6, noise=blind).front.share.trace() < clear
