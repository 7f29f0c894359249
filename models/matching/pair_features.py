"""What the classifier sees of one (unit, family) pair: how well it fits, and how much better than its
rivals."""

import numpy as np
from plugface.models.decision.answers import MAX_LOOK_ALIKES
from plugface.models.matching.fusion import FusedFit, stack_fits
from plugface.models.matching.rules import ViewFit, rule_names

#: A family's evidence is never taken for more than this, so that one rule cannot shout the others down; nats.
CLIP_NATS = 25.0

#: Evidence tells one thing surely from another only from these odds on; nats (20 to 1, our choice).
SURE_NATS = 3.0

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


def weighted_log_odds(fit: FusedFit | ViewFit, weights: np.ndarray) -> np.ndarray:
    """Evidence of each rule, weighted, shape (n_families, n_rules), nats.

    Parameters
    ----------
    fit : FusedFit or ViewFit
        Of one unit, or of several stacked; of one view.
    weights : float ndarray, shape (n_rules,)

    Returns
    -------
    weighed : float ndarray, shape (..., n_families, n_rules), nats
    """
    return np.clip(fit.log_odds, -CLIP_NATS, CLIP_NATS) * weights


def log_share(total: np.ndarray, unknown: float) -> np.ndarray:
    """Log odds of each family against all others and 'none of these', shape (n_families,).

    The prior share `unknown` goes to 'none', the rest evenly to the families: what a large catalogue costs.

    Parameters
    ----------
    total : float ndarray, shape (..., n_families), nats
    unknown : float
        Prior share of units outside the catalogue.

    Returns
    -------
    log_odds : float ndarray, shape (..., n_families), nats
    """
    prior = total + np.log((1.0 - unknown) / total.shape[-1])
    none = np.full((*total.shape[:-1], 1), np.log(unknown))
    everything = np.concatenate([prior, none], axis=-1)
    mass = np.exp(everything - everything.max(axis=-1, keepdims=True))
    own = mass[..., :-1]
    rest = np.maximum(mass.sum(axis=-1, keepdims=True) - own, 1e-30)
    return np.log(np.maximum(own, 1e-30)) - np.log(rest)


def find_look_alikes(fused: FusedFit, weights: np.ndarray) -> list[int]:
    """Rows of the best family and of those that what was seen does not surely tell from it, best first.

    Fewer than two, or more than MAX_LOOK_ALIKES: none, for then there is nothing to say of them together.

    Parameters
    ----------
    fused : FusedFit
    weights : float ndarray, shape (n_rules,)

    Returns
    -------
    rows : list of int
    """
    return look_alikes_of_each(stack_fits([fused]), weights)[0]


def look_alikes_of_each(several: FusedFit, weights: np.ndarray) -> list[list[int]]:
    """As `find_look_alikes`, for each of several units that are stacked.

    Parameters
    ----------
    several : FusedFit
    weights : float ndarray, shape (n_rules,)

    Returns
    -------
    rows : list of list of int
    """
    total = weighted_log_odds(several, weights).sum(axis=-1)
    near = (total > total.max(axis=-1, keepdims=True) - SURE_NATS).sum(axis=-1).tolist()
    return [
        np.argsort(-own, kind="stable")[:many].tolist() if 2 <= many <= MAX_LOOK_ALIKES else []
        for own, many in zip(total, near, strict=True)
    ]


def describe_pairs(fused: FusedFit, weights: np.ndarray, unknown: float) -> np.ndarray:
    """Features of every family, columns as in PAIR_FEATURES.

    Parameters
    ----------
    fused : FusedFit
        Of one unit, or of several stacked.
    weights : float ndarray, shape (n_rules,)
    unknown : float
        Prior share of units outside the catalogue.

    Returns
    -------
    features : float ndarray, shape (..., n_families, n_features)
    """
    weighed = weighted_log_odds(fused, weights)
    total = weighed.sum(axis=-1)
    order = np.sort(total, axis=-1)
    best, second = order[..., -1:], order[..., -2:-1] if total.shape[-1] > 1 else -CLIP_NATS
    rival = np.where(total == best, second, best)
    column = {name: place for place, name in enumerate(rule_names())}
    plugs, cast, label, number = (
        column[name] for name in ("plugs", "cast mark", "label mark", "service number")
    )
    features = np.empty((*total.shape, len(PAIR_FEATURES)))
    features[..., 0] = np.clip(log_share(total, unknown), -20, 20)
    features[..., 1] = np.clip(total, -20, 40)
    features[..., 2] = np.clip(total - rival, -20, 20)
    features[..., 3] = weighed.min(axis=-1)
    features[..., 4:7] = np.minimum(fused.deviance[..., [plugs, cast, number]], 30)
    features[..., 7:10] = np.minimum(fused.suffix_margin[..., [cast, label, number]], 30)
    features[..., 10:] = fused.measured[..., None, [plugs, cast, number, column["barcode"]]]
    return features
