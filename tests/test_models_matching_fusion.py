"""Several views of one unit are worth more than one and less than as many unknown ones."""

import numpy as np
import pytest
from plugface.models.matching.fusion import fuse_each, fuse_views
from plugface.models.matching.rules import ViewFit, column_of, rule_names

#: By name, as the module states them: assumed, no source.
RHO = {
    "plugs": 0.8,
    "cast mark": 0.5,
    "label mark": 0.5,
    "service number": 0.5,
    "number pattern": 0.8,
    "barcode": 0.9,
    "outline": 0.8,
    "body colour": 0.9,
    "fins": 0.8,
}


def view(value: float, measured: float = 1.0) -> ViewFit:
    shape = (2, len(RHO))
    return ViewFit(np.full(shape, value), np.full(len(RHO), measured), np.zeros(shape), np.zeros(shape))


@pytest.mark.parametrize("rule", rule_names())
@pytest.mark.parametrize("k", [1, 2, 4])
def test_k_equal_views_count_as_equally_correlated_measurements_do(rule, k):
    # Their mean counts k / (1 + (k - 1) rho) times; rho of the rule itself, not of its neighbour.
    fused = fuse_views([view(1.0)] * k)
    assert fused.log_odds[0, column_of(rule)] == pytest.approx(k / (1 + (k - 1) * RHO[rule]))
    assert fused.log_odds[0, column_of(rule)] < k or k == 1


def test_a_view_that_did_not_measure_a_rule_does_not_dilute_it():
    fused = fuse_views([view(3.0), view(-9.0, measured=0.0)])
    assert fused.log_odds == pytest.approx(np.full((2, len(RHO)), 3.0))


def test_several_units_fused_at_once_are_as_each_alone():
    """Of one view and of two, in turn, as photos that might be taken are with a donor's plate among them."""
    rng = np.random.default_rng(3)
    shape = (4, len(rule_names()))

    def drawn() -> ViewFit:
        return ViewFit(
            rng.normal(size=shape), rng.uniform(size=shape[1]), rng.normal(size=shape), rng.normal(size=shape)
        )

    known = drawn()
    units = [[known, drawn()], [known], [known, drawn()], [known], [drawn(), known]]
    for fits, fused in zip(units, fuse_each(units), strict=True):
        alone = fuse_views(fits)
        share = sum(f.measured for f in fits)
        mean = sum(f.deviance * f.measured for f in fits) / share
        np.testing.assert_allclose(fused.deviance, mean, rtol=0, atol=1e-12)
        for name in ("log_odds", "measured", "deviance", "suffix_margin"):
            np.testing.assert_allclose(getattr(fused, name), getattr(alone, name), rtol=0, atol=1e-12)
