"""Why: one sentence for each rule that speaks for or against a family, from the view where it speaks
loudest."""

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex, index_families
from plugface.models.decision.answers import Evidence
from plugface.models.matching import rules
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.fusion import FusedFit
from plugface.models.matching.pair_features import weigh
from plugface.models.matching.rules import ViewFit
from plugface.models.unit_choice import UnitView

#: Rules that move the odds by less than this are not worth a sentence; nats.
QUIET_NATS = 0.2


def explain(
    row: int,
    index: CatalogueIndex,
    views: tuple[UnitView, ...],
    fits: list[ViewFit],
    fused: FusedFit,
    weights: np.ndarray,
    noise: ErrorModel,
) -> tuple[Evidence, ...]:
    """Evidence for and against the family in `row`, the weightiest first.

    Parameters
    ----------
    row : int
        Index of the family.
    views, fits : the views and their fits, in the same order
    """
    weighed = weigh(fused, weights)[row]
    alone = index_families((index.families[row],))
    evidence = []
    for column, rule in enumerate(rules.RULES):
        if abs(weighed[column]) < QUIET_NATS:
            continue
        loudest = max(
            range(len(fits)), key=lambda k: fits[k].measured[column] * abs(fits[k].log_odds[row, column])
        )
        words = rule.explain(alone, views[loudest], noise, weighed[column] > 0)
        evidence.append(Evidence(rule.name, words, float(weighed[column]), views[loudest].photo))
    return tuple(sorted(evidence, key=lambda e: -abs(e.weight)))
