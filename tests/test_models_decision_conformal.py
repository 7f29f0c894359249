"""Split conformal sets: which order statistic is the threshold, and which answers are kept."""

import numpy as np
import pytest
from plugface.models.decision.conformal import fit_conformal


def test_quantile_is_the_stated_order_statistic():
    # 19 cases at 95 %: ceil(20 * 0.95) = 19, the largest score.
    scores = np.linspace(0.0, 0.18, 19)
    assert fit_conformal(1.0 - scores, 0.95).quantile == pytest.approx(0.18)
    # 18 are too few, so everything must be kept.
    assert fit_conformal(1.0 - scores[:18], 0.95).quantile == 1.0
