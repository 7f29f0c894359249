"""Drawing what a photo may show."""

import numpy as np
from plugface.models.learning.simulate import _choose, _pick


def test_a_place_is_drawn_as_numpy_draws_it() -> None:
    chances = np.array([0.2, 0.0, 0.5, 0.3])
    ours, theirs = np.random.default_rng(5), np.random.default_rng(5)
    for _ in range(200):
        assert _choose(chances, ours) == theirs.choice(len(chances), p=chances)


def test_one_of_several_is_picked_as_numpy_picks_it() -> None:
    ours, theirs = np.random.default_rng(5), np.random.default_rng(5)
    for values in (("a", "b", "c"), (-2, -1, 1, 2), ("alone",), tuple(range(36))) * 20:
        assert _pick(values, ours) == theirs.choice(values)
