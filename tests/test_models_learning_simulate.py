"""Drawing what a photo may show."""

from bisect import bisect_right
from dataclasses import replace

import numpy as np
import pytest
from plugface.models.catalogue.index import place_plugs
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import _choose, _pick, draw_observations
from plugface.models.matching.error_model import ErrorModel


def test_a_place_is_drawn_as_numpy_draws_it() -> None:
    chances = np.array([0.2, 0.0, 0.5, 0.3])
    ours, theirs = np.random.default_rng(5), np.random.default_rng(5)
    for _ in range(200):
        assert _choose(chances, ours) == theirs.choice(len(chances), p=chances)


@pytest.mark.parametrize("kind", ["cast", "printed"])
def test_characters_are_drawn_by_steps_as_by_shares(kind) -> None:
    noise = replace(ErrorModel(), mark_wrong=0.3)
    ours, theirs = np.random.default_rng(5), np.random.default_rng(5)
    for chances, steps in zip(noise.of_kind(kind)[0], noise.steps_of_kind(kind), strict=True):
        for _ in range(50):
            assert bisect_right(steps, ours.random()) == _choose(chances, theirs)


def test_one_of_several_is_picked_as_numpy_picks_it() -> None:
    ours, theirs = np.random.default_rng(5), np.random.default_rng(5)
    for values in (("a", "b", "c"), (-2, -1, 1, 2), ("alone",), tuple(range(36))) * 20:
        assert _pick(values, ours) == theirs.choice(values)


def test_plugs_are_moved_alike_and_never_out_of_the_outline() -> None:
    family = next(f for f in invent_catalogue(20, 3).families if len(f.connectors) >= 3)
    noise = replace(ErrorModel(), miss=0.0, extra=0.0, place_measured=1.0, place_sd=0.0, place_wild=0.0)
    noise = replace(noise, turn_unknown=0.0, face_wrong=0.0)
    shifts = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        (unit,) = draw_observations(family, family.variants[0], "front", noise, rng).units
        places = np.array([c.place for c in unit.connectors])
        assert np.abs(places).max() <= 0.5 + 1e-9
        off = places - place_plugs(family)
        assert off == pytest.approx(np.tile(off[0], (len(off), 1)))
        shifts.append(off[0])
    # 60 draws of sd 0.2, some cut off at the outline: below 0.05 would be no shift at all.
    assert np.std(shifts, axis=0).max() > 0.05
