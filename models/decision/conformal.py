"""Split conformal prediction: sets that hold the truth at a stated level, whatever the classifier is.

References
----------
Vovk, Gammerman & Shafer, Algorithmic Learning in a Random World (2005); Vovk, "Conditional validity of
inductive conformal predictors", ACML 2012: given the calibration data, coverage is beta distributed, so the
number covered among n_test cases is beta-binomial. Both need cases that are exchangeable, one per unit.
"""

from dataclasses import dataclass
from math import ceil, floor

import numpy as np


@dataclass(frozen=True)
class Conformal:
    """A threshold on 1 - probability, learned from n calibration cases."""

    quantile: float  # keep an answer whose 1 - probability is at most this
    n: int
    level: float

    def __post_init__(self) -> None:
        if not (0.0 <= self.quantile <= 1.0 and 0.0 < self.level < 1.0 and self.n >= 0):
            raise ValueError(
                f"no such conformal threshold: {self.quantile!r} of {self.n!r} at {self.level!r}"
            )


def fit_conformal(truth_probability: np.ndarray, level: float = 0.95) -> Conformal:
    """Threshold from the probabilities that the calibration cases gave to their truth.

    Parameters
    ----------
    truth_probability : float ndarray, shape (n,)
    level : float, in (0, 1)

    Returns
    -------
    conformal : Conformal

    Notes
    -----
    The ceil((n + 1) level)-th smallest score; with too few cases for the level everything is kept.
    """
    scores = np.sort(1.0 - np.asarray(truth_probability, dtype=float))
    rank = ceil((len(scores) + 1) * level - 1e-9)
    quantile = float(scores[rank - 1]) if rank <= len(scores) else 1.0
    return Conformal(quantile=quantile, n=len(scores), level=level)


def keep_answers(probabilities: np.ndarray, conformal: Conformal) -> np.ndarray:
    """Which answers belong to the set, bool, same shape.

    Parameters
    ----------
    probabilities : float ndarray, any shape
    conformal : Conformal

    Returns
    -------
    kept : bool ndarray, same shape
    """
    return 1.0 - np.asarray(probabilities) <= conformal.quantile + 1e-12


def coverage_range(n: int, n_test: int, level: float, trust: float = 0.99) -> tuple[float, float]:
    """Range of the share covered among n_test cases that theory allows with probability `trust`.

    Parameters
    ----------
    n : int
        Calibration cases.
    n_test : int
    level : float
    trust : float
        Central probability of the range.

    Returns
    -------
    low, high : float, shares
    """
    # Imported here alone: answering needs no scipy, and importing it takes half a second.
    from scipy.stats import betabinom

    missed = floor((n + 1) * (1.0 - level) + 1e-9)
    if missed == 0:
        return 1.0, 1.0
    law = betabinom(n_test, n + 1 - missed, missed)
    tail = (1.0 - trust) / 2.0
    return float(law.ppf(tail)) / n_test, float(law.ppf(1.0 - tail)) / n_test
