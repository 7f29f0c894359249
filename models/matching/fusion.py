"""Several views of one unit as one body of evidence, their dependence respected.

Two photos of the same face share what is wrong with the unit (a faded plug, a torn label), so the second is
not worth as much as the first. With k views of one rule and correlation rho between them, their mean counts
k / (1 + (k - 1) rho) times, as for the mean of equally correlated measurements. Each rule states its rho;
they are assumed, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from plugface.models.matching import rules
from plugface.models.matching.rules import ViewFit


@dataclass(frozen=True)
class FusedFit:
    """All views against all families."""

    log_odds: np.ndarray  # float (n_families, n_rules), nats
    measured: np.ndarray  # float (n_rules,), 0..1
    deviance: np.ndarray  # float (n_families, n_rules), nats
    suffix_margin: np.ndarray  # float (n_families, n_rules), nats

    def without(self, rows: Sequence[int]) -> "FusedFit":
        """The same views, as if these families were not in the catalogue.

        Parameters
        ----------
        rows : sequence of int

        Returns
        -------
        fused : FusedFit
        """
        log_odds, deviance, suffix_margin = (
            np.delete(of_all, rows, 0) for of_all in (self.log_odds, self.deviance, self.suffix_margin)
        )
        return FusedFit(log_odds, self.measured, deviance, suffix_margin)


def fuse_views(fits: list[ViewFit]) -> FusedFit:
    """Weighted mean over the views that measured a rule, times the effective number of views."""
    log_odds = np.stack([f.log_odds for f in fits])  # (n_views, n_families, n_rules)
    measured = np.stack([f.measured for f in fits])  # (n_views, n_rules)
    total = measured.sum(axis=0)
    share = measured / np.maximum(total, 1e-9)
    number = np.maximum(total, 1.0)
    correlation = np.array([rule.correlation for rule in rules.RULES])
    effective = number / (1.0 + (number - 1.0) * correlation)
    fused = np.einsum("vfr,vr->fr", log_odds, share) * effective
    deviance = np.einsum("vfr,vr->fr", np.stack([f.deviance for f in fits]), share)
    suffix_margin = np.einsum("vfr,vr->fr", np.stack([f.suffix_margin for f in fits]), share) * effective
    return FusedFit(fused, measured.max(axis=0), deviance, suffix_margin)
