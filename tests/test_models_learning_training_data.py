"""Which units teach and which judge, and when a model is worse than another."""

from dataclasses import replace

import numpy as np
import pytest
from plugface.models.learning.calibration import Calibration
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.learning.training_data import Judgement, find_worse, judge, merge_catalogues, part_of
from plugface.models.unit_choice import ObservedUnit


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


@pytest.fixture(scope="module")
def catalogue():
    return invent_catalogue(10, 5)


def units(catalogue, noise, n, seed, *, family=lambda key: key):
    rng = np.random.default_rng(seed)
    out = []
    for k in range(n):
        entry = catalogue.families[k % len(catalogue.families)]
        shots = tuple(draw_observations(entry, entry.variants[0], v, noise, rng) for v in ("front", "back"))
        out.append(ObservedUnit(str(k), shots, family(entry.key), entry.variants[0].key))
    return out


def test_the_part_hangs_on_the_photos_and_not_on_their_order():
    assert part_of(["b", "a"]) == part_of(["a", "b"]) == part_of(["a"])
    parts = [part_of([str(k)]) for k in range(4000)]
    # Half, a quarter, a quarter; 4000 draws stray by less than 2.5 % (3 standard deviations).
    for part, share in (("learn", 0.5), ("calibrate", 0.25), ("judge", 0.25)):
        assert parts.count(part) / 4000 == pytest.approx(share, abs=0.025)


def test_merging_keeps_the_first_of_two_families_with_one_key(catalogue):
    other = invent_catalogue(4, 9)
    clash = other.families[0].model_copy(update={"key": catalogue.families[0].key, "maker": "another"})
    other = other.model_copy(update={"families": (clash, *other.families[1:])})
    both = merge_catalogues(catalogue, other)
    assert len(both.families) == 10 + 3
    assert both.by_key[clash.key].maker == catalogue.families[0].maker
    assert both.sha256 not in (catalogue.sha256, other.sha256)
    assert merge_catalogues(catalogue, catalogue) is catalogue


def test_judging_counts_each_photo_alone_and_both_together(model, catalogue):
    judged = judge(model, units(catalogue, model.noise, 10, 1), catalogue)
    assert (judged.cases, judged.known) == (30, 30)
    assert judged.right >= 24
    assert judged.cost >= judged.cases - judged.accepted  # every case that is not accepted costs a look


def test_an_unknown_unit_is_right_only_as_none_of_these(model, catalogue):
    unknown = units(invent_catalogue(5, 77), model.noise, 5, 2, family=lambda key: None)
    judged = judge(model, unknown, catalogue)
    assert (judged.known, judged.right) == (0, 0)
    assert judged.accepted_wrong == judged.accepted


def test_a_model_that_is_sure_of_anything_is_worse(model, catalogue):
    held = units(catalogue, model.noise, 20, 3)
    blind = replace(model, calibration=Calibration(low=0.001, high=0.001, offset=-1.0, n=1))
    before, after = judge(model, held, catalogue), judge(blind, held, catalogue)
    assert find_worse(before, before) == ()
    assert any("log loss" in reason for reason in find_worse(before, after))
    assert after.accepted == 0


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (Judgement(10, 10, 9, 8, 1, 2.0, 202.0), "accepts a wrong family 1 times, not 0"),
        (Judgement(10, 10, 9, 8, 0, 2.5, 2.0), "log loss 0.250, not 0.200"),
        (Judgement(10, 10, 9, 5, 0, 2.0, 5.0), "0.50 second looks a case, not 0.20"),
    ],
)
def test_each_way_of_being_worse_has_its_words(after, said):
    (*_, last) = reasons = find_worse(Judgement(10, 10, 9, 8, 0, 2.0, 2.0), after)
    assert said in "; ".join(reasons), last


def test_nothing_held_back_proves_nothing():
    assert find_worse(Judgement(), Judgement())
    with pytest.raises(ValueError, match="must be the same"):
        find_worse(Judgement(cases=1), Judgement(cases=2))
