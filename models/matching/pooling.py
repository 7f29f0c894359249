"""One unit weighed against a whole catalogue: everything the answer is built from."""

from dataclasses import dataclass, field, fields

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex
from plugface.models.decision.costs import Costs
from plugface.models.decision.donor import read_donor_years
from plugface.models.decision.variants import Heard, VariantPosterior, hear, judge_heard
from plugface.models.learning.classifier import Model, Posterior, predict
from plugface.models.matching.fusion import FusedFit, fuse_views
from plugface.models.matching.rules import ViewFit, fit_unit
from plugface.models.unit_choice import UnitView

_RULED_OUT = 1e-6


@dataclass(frozen=True)
class PooledEvidence:
    """Views, their fits, and the probabilities over n_families."""

    views: tuple[UnitView, ...]
    fits: list[ViewFit]
    index: CatalogueIndex
    fused: FusedFit
    posterior: Posterior
    donor_years: tuple[int, ...]
    #: What the views say of the variants of the families that were asked about, by their rows.
    heard: dict[int, tuple[Heard, ...]] = field(default_factory=dict, compare=False, repr=False)

    @property
    def ranked(self) -> np.ndarray:
        """Rows of the families, best first, those that are as good as ruled out by their evidence.

        Trees say next to the same of everything that fits badly; ties keep the catalogue's order.
        """
        return np.lexsort(
            (-self.fused.log_odds.sum(axis=1), -np.maximum(self.posterior.families, _RULED_OUT))
        )


def pool_views(views: tuple[UnitView, ...], index: CatalogueIndex, model: Model) -> PooledEvidence:
    """Fit every view, fuse, predict.

    Parameters
    ----------
    views : tuple of UnitView
    index : CatalogueIndex
    model : Model

    Returns
    -------
    pooled : PooledEvidence

    Notes
    -----
    How a plug looks in a colour that vision was not taught, nobody knows: it passes for what is seen, or its
    colour says nothing. Each is held for as probable, so that what is accepted holds either way. By the first
    alone its family would be accepted as if the colour agreed, by the second one that has the colour seen.
    """
    fits = fit_unit(views, index, model.noise)
    fused = fuse_views(fits)
    (posterior,) = predict(model, [fused])
    blank = index.without_colours(len(model.noise.taught))
    if blank is not None:
        (other,) = predict(model, [fuse_views(fit_unit(views, blank, model.noise))])
        posterior = Posterior(
            *(0.5 * (getattr(posterior, f.name) + getattr(other, f.name)) for f in fields(Posterior))
        )
    return PooledEvidence(views, fits, index, fused, posterior, read_donor_years(views))


def variants_of(pooled: PooledEvidence, row: int, model: Model) -> VariantPosterior:
    """Which variant it is, should it be the family in `row`.

    Parameters
    ----------
    pooled : PooledEvidence
    row : int
    model : Model

    Returns
    -------
    posterior : VariantPosterior
    """
    return judge_heard(
        pooled.index.families[row], heard_of(pooled, row, model), model.noise, pooled.donor_years
    )


def heard_of(pooled: PooledEvidence, row: int, model: Model) -> tuple[Heard, ...]:
    """What each view says of the variants of the family in `row`; worked out once.

    Parameters
    ----------
    pooled : PooledEvidence
    row : int
    model : Model

    Returns
    -------
    heard : tuple of Heard, one a view
    """
    if row not in pooled.heard:
        family = pooled.index.families[row]
        pooled.heard[row] = hear(family, pooled.views, model.noise)
    return pooled.heard[row]


def expected_cost(posterior: Posterior, variant_chance: float, costs: Costs) -> float:
    """Cost of the cheapest actions on family and variant, in second looks.

    Parameters
    ----------
    posterior : Posterior
    variant_chance : float
        Probability of the best variant, if the best family is right.
    costs : Costs

    Returns
    -------
    cost : float, second looks
    """
    best = float(posterior.families.max(initial=0.0))
    return costs.of_family(best, posterior.unknown) + costs.of_variant(variant_chance)
