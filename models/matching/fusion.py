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
    """All views against all families; or those of several units against as many each, stacked in front."""

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
    return fuse_each([fits])[0]


def fuse_each(units: Sequence[list[ViewFit]]) -> list[FusedFit]:
    """As `fuse_views` for each of several units against as many families; those of as many views together."""
    fused: list[FusedFit | None] = [None] * len(units)
    for n_views in {len(fits) for fits in units}:
        places = [k for k, fits in enumerate(units) if len(fits) == n_views]
        several = _fuse([units[k] for k in places])
        for row, place in enumerate(places):
            fused[place] = FusedFit(
                several.log_odds[row],
                several.measured[row],
                several.deviance[row],
                several.suffix_margin[row],
            )
    return [one for one in fused if one is not None]


def stack_fits(cases: Sequence[FusedFit]) -> FusedFit:
    """Several units against as many families each as one, units in front."""
    return FusedFit(
        np.stack([case.log_odds for case in cases]),
        np.stack([case.measured for case in cases]),
        np.stack([case.deviance for case in cases]),
        np.stack([case.suffix_margin for case in cases]),
    )


def _fuse(units: list[list[ViewFit]]) -> FusedFit:
    log_odds, measured, deviance, suffix_margin = (
        np.stack([np.stack([getattr(f, name) for f in fits]) for fits in units])
        for name in ("log_odds", "measured", "deviance", "suffix_margin")
    )  # (n_units, n_views, n_families, n_rules); of `measured` (n_units, n_views, n_rules)
    total = measured.sum(axis=1)
    share = measured / np.maximum(total, 1e-9)[:, None]
    number = np.maximum(total, 1.0)
    correlation = np.array([rule.correlation for rule in rules.RULES])
    effective = (number / (1.0 + (number - 1.0) * correlation))[:, None]
    return FusedFit(
        np.einsum("uvfr,uvr->ufr", log_odds, share) * effective,
        measured.max(axis=1),
        np.einsum("uvfr,uvr->ufr", deviance, share),
        np.einsum("uvfr,uvr->ufr", suffix_margin, share) * effective,
    )
