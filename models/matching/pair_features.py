"""What the classifier sees of one (unit, family) pair: how well it fits, and how much better than its
rivals."""

import numpy as np
from plugface.models.matching.fusion import FusedFit
from plugface.models.matching.rules import column_of

#: A family's evidence is never taken for more than this, so that one rule cannot shout the others down; nats.
CLIP_NATS = 25.0

PAIR_FEATURES = (
    "share",  # log odds of the family among all families and 'none of these'
    "total",  # weighed sum of the rules
    "margin",  # against the best rival
    "worst",  # the rule that fits worst
    "plugs short",  # below a perfect fit
    "cast mark short",
    "number short",
    "cast mark's sibling short",  # below a family that differs in the last figures of its mark
    "label mark's sibling short",
    "number's sibling short",
    "sees plugs",
    "sees mark",
    "sees number",
    "sees barcode",
)


def weigh(fused: FusedFit, weights: np.ndarray) -> np.ndarray:
    """Evidence of each rule after weighing, shape (n_families, n_rules), nats.

    Parameters
    ----------
    fused : FusedFit
    weights : float ndarray, shape (n_rules,)

    Returns
    -------
    weighed : float ndarray, shape (n_families, n_rules), nats
    """
    return np.clip(fused.log_odds, -CLIP_NATS, CLIP_NATS) * weights


def log_share(total: np.ndarray, unknown: float) -> np.ndarray:
    """Log odds of each family against all others and 'none of these', shape (n_families,).

    The prior share `unknown` goes to 'none', the rest evenly to the families: what a large catalogue costs.

    Parameters
    ----------
    total : float ndarray, shape (n_families,), nats
    unknown : float
        Prior share of units outside the catalogue.

    Returns
    -------
    log_odds : float ndarray, shape (n_families,), nats
    """
    prior = total + np.log((1.0 - unknown) / len(total))
    everything = np.append(prior, np.log(unknown))
    peak = everything.max()
    mass = np.exp(everything - peak)
    rest = np.maximum(mass.sum() - mass[:-1], 1e-30)
    return np.log(np.maximum(mass[:-1], 1e-30)) - np.log(rest)


def describe_pairs(fused: FusedFit, weights: np.ndarray, unknown: float) -> np.ndarray:
    """Features of every family, shape (n_families, n_features), columns as in PAIR_FEATURES.

    Parameters
    ----------
    fused : FusedFit
    weights : float ndarray, shape (n_rules,)
    unknown : float
        Prior share of units outside the catalogue.

    Returns
    -------
    features : float ndarray, shape (n_families, n_features)
    """
    weighed = weigh(fused, weights)
    total = weighed.sum(axis=1)
    order = np.sort(total)
    best, second = order[-1], order[-2] if len(order) > 1 else -CLIP_NATS
    rival = np.where(total == best, second, best)
    flags = [fused.measured[column_of(r)] for r in ("plugs", "cast mark", "service number", "barcode")]
    columns = [
        np.clip(log_share(total, unknown), -20, 20),
        np.clip(total, -20, 40),
        np.clip(total - rival, -20, 20),
        weighed.min(axis=1),
        *(np.minimum(fused.deviance[:, column_of(r)], 30) for r in ("plugs", "cast mark", "service number")),
        *(
            np.minimum(fused.suffix_margin[:, column_of(r)], 30)
            for r in ("cast mark", "label mark", "service number")
        ),
        *(np.full(len(total), flag) for flag in flags),
    ]
    return np.stack(columns, axis=1)
