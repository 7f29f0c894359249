"""Split conformal sets against theory and against another library."""

import numpy as np
import pytest
from mapie.metrics.classification import classification_coverage_score
from scipy.stats import beta, betabinom

from models.conformal import coverage_range, fit_conformal, keep_answers


def test_quantile_is_the_stated_order_statistic():
    # 19 cases at 95 %: ceil(20 * 0.95) = 19, the largest score.
    scores = np.linspace(0.0, 0.18, 19)
    assert fit_conformal(1.0 - scores, 0.95).quantile == pytest.approx(0.18)
    # 18 are too few, so everything must be kept.
    assert fit_conformal(1.0 - scores[:18], 0.95).quantile == 1.0


def test_coverage_over_many_calibrations_follows_the_beta_law():
    rng = np.random.default_rng(0)
    n, level = 60, 0.9
    covered = []
    for _ in range(400):
        conformal = fit_conformal(1.0 - rng.random(n), level)
        covered.append(conformal.quantile)  # scores are uniform: the quantile is the coverage
    law = beta(n + 1 - 6, 6)  # floor(61 * 0.1) = 6
    # 4 standard errors of a mean of 400.
    assert np.mean(covered) == pytest.approx(law.mean(), abs=4 * law.std() / 20)
    assert np.std(covered) == pytest.approx(law.std(), rel=0.15)


def test_range_holds_its_trust_and_narrows_with_calibration():
    low, high = coverage_range(200, 300, 0.95)
    law = betabinom(300, 201 - 10, 10)
    assert law.cdf(high * 300) - law.cdf(low * 300 - 1) >= 0.99
    wide = coverage_range(40, 300, 0.95)
    assert wide[0] < low < 0.95 < high
    assert coverage_range(10, 300, 0.95) == (1.0, 1.0)


def test_coverage_of_sets_agrees_with_mapie():
    rng = np.random.default_rng(1)
    probabilities = rng.dirichlet(np.full(5, 0.4), 500)
    truth = np.array([rng.choice(5, p=p) for p in probabilities])
    of_truth = probabilities[np.arange(500), truth]
    conformal = fit_conformal(of_truth[:250], 0.9)
    sets = keep_answers(probabilities[250:], conformal)
    ours = sets[np.arange(250), truth[250:]].mean()
    theirs = classification_coverage_score(truth[250:], sets[:, :, None])
    assert ours == pytest.approx(float(np.ravel(theirs)[0]))
    low, high = coverage_range(250, 250, 0.9)
    assert low <= ours <= high
