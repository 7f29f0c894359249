"""Drawing what a photo may show."""

from bisect import bisect_right
from dataclasses import replace

import numpy as np
import pytest
from plugface.models.learning.simulate import _choose, _pick
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
