"""From a classifier's log odds to probabilities that mean what they say.

References
----------
Platt, Advances in Large Margin Classifiers (1999): a sigmoid with two parameters, safe with few cases.
Expected calibration error: Naeini, Cooper & Hauskrecht, AAAI 2015, with bins of equal width.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Calibration:
    """probability = sigmoid(slope * log odds + offset)."""

    slope: float = 1.0
    offset: float = 0.0
    n: int = 0  # pairs it was fitted to

    def __post_init__(self) -> None:
        if not (np.isfinite(self.slope) and self.slope > 0 and np.isfinite(self.offset)):
            raise ValueError(
                f"calibration needs a rising, finite sigmoid, got {self.slope!r}, {self.offset!r}"
            )


def fit_calibration(log_odds: np.ndarray, true: np.ndarray, weights: np.ndarray | None = None) -> Calibration:
    """Sigmoid fitted to held-back pairs.

    Parameters
    ----------
    log_odds : float ndarray, shape (n,)
    true : bool ndarray, shape (n,)
    weights : float ndarray, shape (n,), optional
        How much each pair counts.

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

    # A weak pull (C=1) keeps the slope finite where the held-back pairs happen to be separable.
    fitted = LogisticRegression(C=1.0).fit(np.asarray(log_odds)[:, None], true, weights)
    slope = max(float(fitted.coef_[0, 0]), 1e-3)
    return Calibration(slope=slope, offset=float(fitted.intercept_[0]), n=len(true))


def apply_calibration(log_odds: np.ndarray, calibration: Calibration) -> np.ndarray:
    """Probabilities of single pairs, same shape."""
    # 1 / (1 + exp(-x)) without overflow.
    return np.exp(-np.logaddexp(0.0, -(calibration.slope * log_odds + calibration.offset)))


def reliability_bins(probability: np.ndarray, right: np.ndarray, n_bins: int = 10) -> np.ndarray:
    """Mean probability, share right and count in each bin of equal width.

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
    """Mean distance of probability and share right, weighed by bin count; 0..1."""
    bins = reliability_bins(probability, right, n_bins)
    used = bins[:, 2] > 0
    gap = np.abs(bins[used, 0] - bins[used, 1])
    return float(np.sum(gap * bins[used, 2]) / bins[used, 2].sum())
