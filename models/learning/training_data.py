"""Learning from units whose truth a person has confirmed: what is learned from, and what judges the result.

Which part a unit belongs to hangs on the bytes of its photos alone. A unit that is held back once is held
back in every later run, so no model is ever judged by what it, or the one before it, has learned.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.index import index_catalogue
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import settle
from plugface.models.learning.classifier import Model
from plugface.models.matching.pooling import PooledEvidence, pool_views
from plugface.models.unit_choice import ObservedUnit, gather_views

Part = Literal["learn", "calibrate", "judge"]

#: Share of units that are learned from, and that calibrate; the rest judges. Our choice.
LEARN_SHARE, CALIBRATE_SHARE = 0.5, 0.25

#: Fewer calibrating cases than this leave the calibration to simulated units. At the stated level of 95 % a
#: conformal set needs 19 cases to leave anything out; twice that, so that one case does not decide.
MIN_CALIBRATION = 40


def part_of(photo_hashes: Iterable[str]) -> Part:
    """The part a unit belongs to, whatever the order of its photos.

    Parameters
    ----------
    photo_hashes : iterable of str
        SHA-256 of its photos' bytes. The least one decides, so that photos added later seldom move a unit.
    """
    digest = hashlib.sha256(min(photo_hashes).encode()).digest()
    place = int.from_bytes(digest[:8]) / 2**64
    if place < LEARN_SHARE:
        return "learn"
    return "calibrate" if place < LEARN_SHARE + CALIBRATE_SHARE else "judge"


def merge_catalogues(own: Catalogue, other: Catalogue) -> Catalogue:
    """Both catalogues' families as one; of two families with one key the first catalogue's is kept.

    The classifier knows no family by name, so units of two catalogues can teach it together.

    Parameters
    ----------
    own, other : Catalogue

    Returns
    -------
    merged : Catalogue
    """
    if own.sha256 == other.sha256:
        return own
    added = tuple(family for family in other.families if family.key not in own.by_key)
    digest = hashlib.sha256(f"{own.sha256} {other.sha256}".encode()).hexdigest()
    return Catalogue(head=own.head, families=own.families + added, sha256=digest)


@dataclass(frozen=True)
class Judgement:
    """How a model does on held-back units; a case is a unit by each of its photos, and by all together."""

    cases: int = 0
    known: int = 0  # cases whose family the catalogue holds
    right: int = 0  # of those: the most probable family is the true one
    accepted: int = 0
    accepted_wrong: int = 0
    log_loss: float = 0.0  # sum over cases of -ln(probability of the truth), nats
    cost: float = 0.0  # sum of what the decisions cost, in second looks (see costs.py)

    def __add__(self, other: "Judgement") -> "Judgement":
        return Judgement(*(getattr(self, n) + getattr(other, n) for n in self.__dataclass_fields__))


def judge(model: Model, units: Sequence[ObservedUnit], catalogue: Catalogue) -> Judgement:
    """Hold a model against units it has not learned from.

    Parameters
    ----------
    model : Model
    units : sequence of ObservedUnit
    catalogue : Catalogue
        Of these units; a unit in none of its families must be told from all of them.

    Returns
    -------
    judgement : Judgement
    """
    index, costs = index_catalogue(catalogue), catalogue.costs
    keys = [family.key for family in catalogue.families]
    total = Judgement()
    for unit in units:
        views = gather_views(unit.observations, unit.chosen)
        truth = keys.index(unit.family) if unit.family in keys else -1
        for case in [(view,) for view in views] + ([views] if len(views) > 1 else []):
            total += _judge_case(pool_views(case, index, model), model, costs, truth)
    return total


def _judge_case(pooled: PooledEvidence, model: Model, costs: Costs, truth: int) -> Judgement:
    families, unknown = pooled.posterior.families, pooled.posterior.unknown
    verdict, _ = settle(pooled, model, costs)
    accepted, right = verdict == "identified", int(families.argmax()) == truth
    if accepted:
        cost = 0.0 if right else costs.wrong_accept
    elif verdict == "not_in_catalogue":
        cost = 0.0 if truth < 0 else costs.wrong_refusal
    else:
        cost = costs.second_look
    true_probability = unknown if truth < 0 else families[truth]
    return Judgement(
        cases=1,
        known=int(truth >= 0),
        right=int(right),
        accepted=int(accepted),
        accepted_wrong=int(accepted and not right),
        log_loss=-float(np.log(max(true_probability, 1e-6))),
        cost=cost,
    )


def find_worse(before: Judgement, after: Judgement) -> tuple[str, ...]:
    """Reasons not to replace a model by another one, judged on the same cases; none if it is no worse.

    Parameters
    ----------
    before, after : Judgement

    Returns
    -------
    reasons : tuple of str

    Raises
    ------
    ValueError
        If the two were not judged on as many cases.
    """
    if before.cases != after.cases:
        raise ValueError(f"judged on {before.cases} and {after.cases} cases; they must be the same")
    if not after.cases:
        return ("no unit is held back, so nothing shows that it is no worse",)
    reasons = []
    if after.accepted_wrong > before.accepted_wrong:
        reasons.append(f"it accepts a wrong family {after.accepted_wrong} times, not {before.accepted_wrong}")
    if after.log_loss > before.log_loss + 1e-9 * before.cases:
        reasons.append(
            f"it gives the truth less probability (log loss {after.log_loss / after.cases:.3f}, "
            f"not {before.log_loss / before.cases:.3f})"
        )
    if after.cost > before.cost:
        reasons.append(
            f"its decisions cost more ({after.cost / after.cases:.2f} second looks a case, "
            f"not {before.cost / before.cases:.2f})"
        )
    return tuple(reasons)
