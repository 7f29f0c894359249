"""The sigmoid against a known truth, and figures of empty bins."""

import numpy as np
import pytest
from scipy.special import expit

from models.calibration import (
    apply_calibration,
    expected_calibration_error,
    fit_calibration,
)


@pytest.fixture
def said_and_right():
    rng = np.random.default_rng(3)
    said = rng.random(2000)
    return said, rng.random(2000) < said**1.5


def test_sigmoid_finds_the_slope_it_was_drawn_with():
    rng = np.random.default_rng(4)
    odds = rng.normal(0, 3, 8000)
    fitted = fit_calibration(odds, rng.random(8000) < expit(0.5 * odds - 1.0))
    # 4 standard errors at this size are about 0.05.
    assert fitted.slope == pytest.approx(0.5, abs=0.05)
    assert fitted.offset == pytest.approx(-1.0, abs=0.15)
    assert (np.diff(apply_calibration(np.sort(odds), fitted)) >= 0).all()


def test_one_kind_of_pair_is_refused_with_a_sentence():
    with pytest.raises(ValueError, match="only one kind"):
        fit_calibration(np.zeros(5), np.ones(5, dtype=bool))


def test_empty_bins_count_nothing():
    assert expected_calibration_error(np.array([1.0, 1.0]), np.array([True, True])) == 0.0
