"""One unit weighed against a whole catalogue: everything the answer is built from."""

from dataclasses import dataclass

import numpy as np

from models.catalogue_index import CatalogueIndex
from models.classifier import Model, Posterior, predict
from models.costs import Costs
from models.donor import read_donor_years
from models.fusion import FusedFit, fuse_views
from models.rules import ViewFit, fit_view
from models.variants import VariantPosterior, judge_variants
from models.views import UnitView


@dataclass(frozen=True)
class Weighing:
    """Views, their fits, and the probabilities over n_families."""

    views: tuple[UnitView, ...]
    fits: list[ViewFit]
    index: CatalogueIndex
    fused: FusedFit
    posterior: Posterior
    donor_years: tuple[int, ...]

    @property
    def ranked(self) -> np.ndarray:
        """Rows of the families, best first; ties keep the catalogue's order."""
        return np.lexsort((-self.posterior.scores, -self.posterior.families))


def weigh_views(views: tuple[UnitView, ...], index: CatalogueIndex, model: Model) -> Weighing:
    """Fit every view, fuse, predict."""
    fits = [fit_view(view, index, model.noise) for view in views]
    fused = fuse_views(fits)
    return Weighing(views, fits, index, fused, predict(model, [fused])[0], read_donor_years(views))


def variants_of(weighing: Weighing, row: int, model: Model) -> VariantPosterior:
    """Which variant it is, should it be the family in `row`."""
    return judge_variants(weighing.index.families[row], weighing.views, model.noise, weighing.donor_years)


def expected_cost(posterior: Posterior, variant_chance: float, costs: Costs) -> float:
    """Cost of the cheapest actions on family and variant, in second looks."""
    best = float(posterior.families.max(initial=0.0))
    return costs.of_family(best, posterior.unlike) + costs.of_variant(variant_chance)
