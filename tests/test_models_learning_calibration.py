"""The curve against a known truth, and figures of empty bins."""

import numpy as np
import pytest
from plugface.models.learning.calibration import (
    Calibration,
    calibrated_log_odds,
    error_by_chance,
    expected_calibration_error,
    fit_calibration,
)
from scipy.special import expit


@pytest.fixture
def said_and_right():
    rng = np.random.default_rng(3)
    said = rng.random(2000)
    return said, rng.random(2000) < said**1.5


def test_the_curve_finds_the_slopes_it_was_drawn_with():
    rng = np.random.default_rng(4)
    odds = rng.normal(0, 3, 8000)
    doubtful, sure = np.log(expit(odds)), -np.log1p(-expit(odds))
    fitted = fit_calibration(odds, rng.random(8000) < expit(0.5 * doubtful + 0.8 * sure - 0.3))
    # 4 standard errors at this size.
    assert fitted.low == pytest.approx(0.5, abs=0.1)
    assert fitted.high == pytest.approx(0.8, abs=0.12)
    assert fitted.offset == pytest.approx(-0.3, abs=0.3)
    assert (np.diff(calibrated_log_odds(np.sort(odds), fitted)) >= 0).all()


def test_a_calibration_of_ones_changes_nothing():
    odds = np.linspace(-40, 40, 9)
    np.testing.assert_allclose(calibrated_log_odds(odds, Calibration()), odds, atol=1e-9)


def test_one_kind_of_pair_is_refused_with_a_sentence():
    with pytest.raises(ValueError, match="only one kind"):
        fit_calibration(np.zeros(5), np.ones(5, dtype=bool))


def test_empty_bins_count_nothing():
    assert expected_calibration_error(np.array([1.0, 1.0]), np.array([True, True])) == 0.0


def test_even_without_fault_there_is_an_error_of_the_size_that_tosses_give():
    mean, high = error_by_chance(np.full(400, 0.45))
    # One bin, so the mean distance of a share of 400 tosses from its chance: the half-normal law.
    deviation = np.sqrt(0.45 * 0.55 / 400)
    assert mean == pytest.approx(deviation * np.sqrt(2 / np.pi), rel=0.06)  # 2,000 draws: 1.7 % each side
    assert high == pytest.approx(1.96 * deviation, rel=0.08)


def test_sure_probabilities_leave_nothing_to_chance():
    assert error_by_chance(np.ones(30)) == (0.0, 0.0)
