"""Stated probabilities against theory and against other libraries.

Sources: Vovk, "Conditional validity of inductive conformal predictors" (ACML 2012); Naeini, Cooper &
Hauskrecht (AAAI 2015) for the expected calibration error, as MAPIE has it; scikit-learn's calibration curve.
"""

import numpy as np
import pytest
from plugface.models.decision.conformal import coverage_range, fit_conformal, keep_answers
from plugface.models.learning.calibration import expected_calibration_error, reliability_bins
from scipy.stats import beta, betabinom
from sklearn.calibration import calibration_curve


@pytest.fixture
def said_and_right():
    """Probabilities that were said and what came true, the first too sure of themselves."""
    rng = np.random.default_rng(3)
    said = rng.random(2000)
    return said, rng.random(2000) < said**1.5


def test_expected_calibration_error_agrees_with_mapie(said_and_right):
    """Naeini, Cooper & Hauskrecht 2015, ten bins of equal width."""
    from mapie.metrics.calibration import expected_calibration_error as mapie_error

    said, right = said_and_right
    theirs = mapie_error(right.astype(int), said, num_bins=10)
    # 1e-5: that library adds a small number to its bin counts.
    assert expected_calibration_error(said, right) == pytest.approx(theirs, abs=1e-5)


def test_reliability_bins_agree_with_scikit_learn(said_and_right):
    """The reliability diagram's points."""
    said, right = said_and_right
    share, mean = calibration_curve(right, said, n_bins=10, strategy="uniform")
    bins = reliability_bins(said, right)
    np.testing.assert_allclose(bins[:, 0], mean)
    np.testing.assert_allclose(bins[:, 1], share)
    assert bins[:, 2].sum() == 2000


def test_coverage_over_many_calibrations_follows_the_beta_law():
    """Vovk 2012: with n calibration cases coverage is Beta(n + 1 - l, l), l = floor((n + 1)(1 - level))."""
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
    """Vovk 2012: among n_test cases the number covered is beta-binomial, as scipy has it."""
    low, high = coverage_range(200, 300, 0.95)
    law = betabinom(300, 201 - 10, 10)
    assert law.cdf(high * 300) - law.cdf(low * 300 - 1) >= 0.99
    wide = coverage_range(40, 300, 0.95)
    assert wide[0] < low < 0.95 < high
    assert coverage_range(10, 300, 0.95) == (1.0, 1.0)


def test_coverage_of_sets_agrees_with_mapie():
    """The share of sets that hold the truth, as MAPIE counts it, and within what theory allows."""
    from mapie.metrics.classification import classification_coverage_score

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
