"""Why: one sentence for each rule that speaks for or against a family, from the view where it speaks
loudest.

What is shown is the lead over one rival: over the best other family or, where that is more probable, over
some other unit. So the numbers of a family sum to its lead, and the sum has the sign of the answer.
"""

import math
from dataclasses import dataclass

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex, index_alone, index_part
from plugface.models.decision.answers import Evidence
from plugface.models.matching import rules
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.fusion import FusedFit
from plugface.models.matching.pair_features import weighted_log_odds
from plugface.models.matching.rules import ViewFit
from plugface.models.unit_choice import UnitView

#: Rules that move the odds by less than this are not worth a sentence; nats.
QUIET_NATS = 0.2
#: A sum that is off by more than this is another answer; nats (odds doubled or halved, our choice).
DOUBLES_NATS = math.log(2.0)

#: Names of what is no rule: reasons too small to be told one by one, what holds before anything is seen, and
#: how often fits like this one were right.
SMALLER, BEFORE, EXPERIENCE = "smaller reasons", "before anything is seen", "experience"


@dataclass(frozen=True)
class Seen:
    """All that evidence is told from: the views, their fits in the same order, and what they are held to."""

    index: CatalogueIndex
    views: tuple[UnitView, ...]
    fits: list[ViewFit]
    fused: FusedFit
    weights: np.ndarray
    noise: ErrorModel


def choose_rival(row: int, families: np.ndarray, unknown: float) -> int | None:
    """The family that `row` is held against: the most probable other; None for some other unit.

    One that is just as probable is passed over: nothing that was seen tells the two apart, so there is no
    reason to show.

    Parameters
    ----------
    row : int
    families : float ndarray, shape (n_families,)
        Probabilities.
    unknown : float
        Probability that it is none of these.

    Returns
    -------
    rival : int or None
    """
    others = np.where(np.isclose(families, families[row], rtol=1e-6, atol=0.0), -1.0, families)
    best = int(others.argmax())
    return best if len(families) > 1 and others[best] > unknown else None


def explain(row: int, rival: int | None, seen: Seen, lead: float) -> tuple[Evidence, ...]:
    """Reasons that the family in `row` leads its rival by or falls behind, the weightiest first.

    Parameters
    ----------
    row : int
        Index of the family.
    rival : int or None
        As `choose_rival` gives it.
    seen : Seen
    lead : float
        By how much the family is more probable than its rival, nats. Where the reasons together say the
        opposite, or another thing than that of a family that falls behind some other unit, what fits like
        this one turned out to be stands as a reason of its own.

    Returns
    -------
    evidence : tuple of Evidence
        Their weights sum to the lead that the reasons give.
    """
    index, fits = seen.index, seen.fits
    weighed = weighted_log_odds(seen.fused, seen.weights)
    own, other = weighed[row], np.zeros(len(rules.RULES)) if rival is None else weighed[rival]
    alone = index_alone(index.families[row])
    evidence, small = [], 0.0
    key = "" if rival is None else index.families[rival].key
    for column, rule in enumerate(rules.RULES):
        gap = float(own[column] - other[column])
        if abs(gap) < QUIET_NATS:
            small += gap
            continue
        odds = [f.log_odds[:, column] for f in fits]
        gaps = [abs(o[row] - (0.0 if rival is None else o[rival])) for o in odds]
        loudest = max(range(len(fits)), key=lambda k: fits[k].measured[column] * gaps[k])
        agrees = own[column] > QUIET_NATS or (gap > 0 and own[column] > -QUIET_NATS)
        view = seen.views[loudest]
        if rule.quote is not None:
            # What puts a family behind is what was read of another: of its rival, or of any.
            ahead = row if gap > 0 else rival
            view = rule.quote(view, index if ahead is None else index_part(index, [ahead]), seen.noise)
        words = rule.explain(alone, view, seen.noise, agrees)
        if agrees != (gap > 0):
            words += f"; {key} fits {'worse' if gap > 0 else 'better'}"
        evidence.append(Evidence(rule.name, words, gap, view.photo))
    if rival is None:
        n, unknown = len(index.families), seen.noise.unknown
        prior = math.log((1.0 - unknown) / n / unknown)
        evidence.append(Evidence(BEFORE, f"it is one of the {n} families of the catalogue", prior))
    if abs(small) >= 0.05:
        evidence.append(Evidence(SMALLER, "smaller reasons together", small))
    total = sum(e.weight for e in evidence)
    # Those behind some other unit are read beside each other: a better sum is never the less probable.
    apart = rival is None and lead < 0 and abs(lead - total) > DOUBLES_NATS
    if apart or (total * lead <= 0 and abs(lead) >= QUIET_NATS):
        words = "units that were checked and fitted like this one, taken together"
        evidence.append(Evidence(EXPERIENCE, words, lead - total))
    return tuple(sorted(evidence, key=lambda e: -abs(e.weight)))


def lead_of(probability: float, rival: float) -> float:
    """Lead of one probability over another, nats; neither counts as less than one in 10^12.

    Parameters
    ----------
    probability, rival : float, 0..1

    Returns
    -------
    lead : float, nats
    """
    return math.log(max(probability, 1e-12)) - math.log(max(rival, 1e-12))
