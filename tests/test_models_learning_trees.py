"""The trees as plain numbers against scikit-learn, which grew them."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.models.learning.calibration import Calibration, calibrated_log_odds
from plugface.models.learning.training import MONOTONE, export_trees
from plugface.models.learning.trees import LEAF, Trees
from scipy.special import expit
from sklearn.ensemble import HistGradientBoostingClassifier

N_FEATURES = len(MONOTONE)


@cache
def grown_as(kind: str) -> HistGradientBoostingClassifier:
    """One of `KINDS`, grown when it is first asked for."""
    return grow(**KINDS[kind])


def grow(seed: int, n: int = 600, **settings) -> HistGradientBoostingClassifier:
    """An ensemble of the kind that training.py grows, on random data with whole and repeated values in it."""
    rng = np.random.default_rng(seed)
    features = rng.uniform(-20, 20, (n, N_FEATURES))
    features[:, 7:] = rng.integers(0, 2, (n, N_FEATURES - 7))
    true = features[:, 0] + features[:, 1] * features[:, 7] + rng.normal(0, 6, n) > 0
    usual = {"max_iter": 30, "max_leaf_nodes": 8, "min_samples_leaf": 10, "monotonic_cst": MONOTONE}
    return HistGradientBoostingClassifier(**{**usual, **settings}, random_state=seed).fit(features, true)


KINDS = {
    "usual": {"seed": 0},
    "free": {"seed": 1, "monotonic_cst": None, "max_leaf_nodes": 31},
    "one tree": {"seed": 2, "max_iter": 1},
    "few cases": {"seed": 3, "n": 25},
}


@given(st.sampled_from(sorted(KINDS)), st.integers(0, 2**32 - 1), st.sampled_from([0.1, 5.0, 30.0, 1e6]))
def test_the_numbers_equal_scikit_learn(kind, seed, reach):
    grown = grown_as(kind)
    rng = np.random.default_rng(seed)
    features = rng.uniform(-reach, reach, (40, N_FEATURES))
    features[::3] = np.round(features[::3])  # whole values, on which limits can lie
    score = export_trees(grown).score(features)
    # 1e-9: the same additions of at most 120 numbers below 10, in another order.
    np.testing.assert_allclose(score, grown.decision_function(features), rtol=0, atol=1e-9)
    probability = expit(calibrated_log_odds(score, Calibration()))
    np.testing.assert_allclose(probability, grown.predict_proba(features)[:, 1], rtol=0, atol=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_exactly_on_a_limit_it_turns_the_same_way(kind):
    grown = grown_as(kind)
    trees = export_trees(grown)
    limits = trees.number[trees.feature != LEAF]
    if not len(limits):
        pytest.skip("this one has leaves alone")
    features = np.tile(limits[:200, None], (1, N_FEATURES))
    np.testing.assert_allclose(trees.score(features), grown.decision_function(features), rtol=0, atol=1e-9)


def test_they_come_back_from_json_the_same():
    import json

    trees = export_trees(grown_as("usual"))
    back = Trees.from_json(json.loads(json.dumps(trees.to_json())))
    features = np.random.default_rng(5).normal(0, 10, (50, N_FEATURES))
    np.testing.assert_array_equal(trees.score(features), back.score(features))


def test_a_tree_worked_by_hand():
    # One tree: is column 1 at most 2.5? Then 0.5, else -0.25; before it, 1.
    trees = Trees(1.0, *map(np.array, ([0], [1, LEAF, LEAF], [2.5, 0.5, -0.25], [1, 1, 2], [2, 1, 2])))
    np.testing.assert_array_equal(trees.score(np.array([[0, 2.5], [0, 2.6]])), [1.5, 0.75])
    assert trees.score(np.zeros((0, 2))).shape == (0,)


@pytest.mark.parametrize("features", [np.zeros(3), np.zeros((2, 1)), np.array([[0.0, np.nan]])])
def test_features_of_wrong_shape_or_not_finite_are_refused(features):
    trees = Trees(1.0, *map(np.array, ([0], [1, LEAF, LEAF], [2.5, 0.5, -0.25], [1, 1, 2], [2, 1, 2])))
    with pytest.raises(ValueError, match="features"):
        trees.score(features)


@pytest.mark.parametrize(
    ("left", "right"),
    [([1, 1, 2], [0, 1, 2]), ([1, 0, 2], [2, 1, 2]), ([1, 1, 2], [3, 1, 2]), ([1, 1], [2, 1])],
)
def test_branches_that_would_never_end_are_refused(left, right):
    columns = map(np.array, ([0], [1, LEAF, LEAF], [2.5, 0.5, -0.25], left, right))
    with pytest.raises(ValueError, match="tree"):
        Trees(1.0, *columns)
