"""From a classifier's log odds to probabilities that mean what they say.

References
----------
Kull, Silva Filho & Flach, "Beta calibration", AISTATS 2017: three parameters, safe with few cases. Beside
Platt's sigmoid (1999) it has a slope of its own for doubtful and for sure answers, so that what goes wrong
among the doubtful does not make the sure ones modest.
Expected calibration error: Naeini, Cooper & Hauskrecht, AAAI 2015, with bins of equal width.
Its size by chance: consistency resampling, Broecker & Smith, Weather and Forecasting 22 (2007).
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Calibration:
    """log odds of the answer = low * ln p - high * ln(1 - p) + offset, with p = sigmoid(log odds given)."""

    low: float = 1.0
    high: float = 1.0
    offset: float = 0.0
    n: int = 0  # pairs it was fitted to

    def __post_init__(self) -> None:
        finite = np.isfinite([self.low, self.high, self.offset]).all()
        if not (finite and self.low > 0 and self.high > 0):
            raise ValueError(
                f"calibration needs a rising, finite curve, got {self.low!r}, {self.high!r}, {self.offset!r}"
            )


def fit_calibration(log_odds: np.ndarray, true: np.ndarray, weights: np.ndarray | None = None) -> Calibration:
    """Curve fitted to held-back pairs.

    Parameters
    ----------
    log_odds : float ndarray, shape (n,)
    true : bool ndarray, shape (n,)
    weights : float ndarray, shape (n,), optional
        How much each pair counts.

    Returns
    -------
    calibration : Calibration

    Raises
    ------
    ValueError
        If all pairs are true or all are false: there is nothing to fit.
    """
    true = np.asarray(true, dtype=bool)
    if true.all() or not true.any():
        raise ValueError("calibration needs true and false pairs, got only one kind; add units to the split")
    # Imported here alone: answering needs no scikit-learn, and importing it takes over a second.
    from sklearn.linear_model import LogisticRegression

    # A weak pull (C=1) keeps the slopes finite where the held-back pairs happen to be separable.
    fitted = LogisticRegression(C=1.0, max_iter=1000).fit(_logarithms(log_odds), true, weights)
    low, high = (max(float(slope), 1e-3) for slope in fitted.coef_[0])
    return Calibration(low=low, high=high, offset=float(fitted.intercept_[0]), n=len(true))


def calibrated_log_odds(log_odds: np.ndarray, calibration: Calibration) -> np.ndarray:
    """Log odds of single pairs being true, same shape.

    Parameters
    ----------
    log_odds : float ndarray, any shape
    calibration : Calibration

    Returns
    -------
    calibrated : float ndarray, same shape
    """
    return _logarithms(log_odds) @ np.array([calibration.low, calibration.high]) + calibration.offset


def _logarithms(log_odds: np.ndarray) -> np.ndarray:
    """ln p and -ln(1 - p) of p = sigmoid(log odds), shape (..., 2)."""
    odds = np.asarray(log_odds, dtype=float)
    return np.stack([-np.logaddexp(0.0, -odds), np.logaddexp(0.0, odds)], axis=-1)


def reliability_bins(probability: np.ndarray, right: np.ndarray, n_bins: int = 10) -> np.ndarray:
    """Mean probability, share right and count in each bin of equal width.

    Parameters
    ----------
    probability : float ndarray, shape (n,)
    right : bool ndarray, shape (n,)
    n_bins : int

    Returns
    -------
    bins : float ndarray, shape (n_bins, 3); NaN means in an empty bin.
    """
    probability, right = np.asarray(probability, dtype=float), np.asarray(right, dtype=float)
    # Bins are open on the left, as in most published code, so that 0.1 falls into the first.
    place = np.clip(np.ceil(probability * n_bins).astype(int) - 1, 0, n_bins - 1)
    count = np.bincount(place, minlength=n_bins).astype(float)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(place, probability, n_bins) / count
        share = np.bincount(place, right, n_bins) / count
    return np.stack([mean, share, count], axis=1)


def expected_calibration_error(probability: np.ndarray, right: np.ndarray, n_bins: int = 10) -> float:
    """Mean distance of probability and share right, weighed by bin count; 0..1.

    Parameters
    ----------
    probability : float ndarray, shape (n,)
    right : bool ndarray, shape (n,)
    n_bins : int

    Returns
    -------
    error : float, 0..1
    """
    bins = reliability_bins(probability, right, n_bins)
    used = bins[:, 2] > 0
    gap = np.abs(bins[used, 0] - bins[used, 1])
    return float(np.sum(gap * bins[used, 2]) / bins[used, 2].sum())


def error_by_chance(probability: np.ndarray, n_draws: int = 2000) -> tuple[float, float]:
    """Calibration error that probabilities without fault would show on as many cases.

    Parameters
    ----------
    probability : float ndarray, shape (n,)
    n_draws : int

    Returns
    -------
    mean, high : float
        Over `n_draws` sets of cases drawn right with their own probability; 95 in 100 lie below `high`.
    """
    probability = np.asarray(probability, dtype=float)
    right = np.random.default_rng(0).random((n_draws, len(probability))) < probability
    errors = [expected_calibration_error(probability, drawn) for drawn in right]
    return float(np.mean(errors)), float(np.percentile(errors, 95))
