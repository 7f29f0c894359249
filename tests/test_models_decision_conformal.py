"""Split conformal sets: which order statistic is the threshold, and what share it covers."""

from itertools import combinations

import numpy as np
import pytest
from plugface.models.decision.conformal import coverage_range, fit_conformal


def test_quantile_is_the_stated_order_statistic():
    # 19 cases at 95 %: ceil(20 * 0.95) = 19, the largest score.
    scores = np.linspace(0.0, 0.18, 19)
    assert fit_conformal(1.0 - scores, 0.95).quantile == pytest.approx(0.18)
    # 18 are too few, so everything must be kept.
    assert fit_conformal(1.0 - scores[:18], 0.95).quantile == 1.0


@pytest.mark.parametrize(("n", "n_test", "level"), [(3, 2, 0.5), (4, 3, 0.8), (9, 2, 0.7)])
def test_the_range_of_coverage_is_that_of_all_orders_of_exchangeable_cases(n, n_test, level):
    """Scores are the ranks 0, 1, 2...; every choice of those that are tested is as likely."""
    covered = []
    for tested in combinations(range(n + n_test), n_test):
        kept = [rank for rank in range(n + n_test) if rank not in tested]
        quantile = (n + n_test) * fit_conformal(1.0 - np.array(kept) / (n + n_test), level).quantile
        covered.append(sum(rank <= quantile + 1e-9 for rank in tested))
    law = np.cumsum(np.bincount(covered, minlength=n_test + 1)) / len(covered)
    for trust in (0.2, 0.5, 0.8, 0.95):
        tail = (1.0 - trust) / 2.0
        low, high = (int(np.searchsorted(law, share)) / n_test for share in (tail, 1.0 - tail))
        assert coverage_range(n, n_test, level, trust) == (low, high)


def test_with_too_few_cases_for_the_level_all_is_covered():
    assert coverage_range(18, 100, 0.95) == (1.0, 1.0)
    assert coverage_range(19, 100, 0.95)[0] < 1.0
