"""A second opinion on a claim: does what is seen agree with what the seller says it is?"""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import index_catalogue
from plugface.models.decision.answers import Decision, Evidence, NextPhoto
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import decide, percent
from plugface.models.decision.pairing import Needs
from plugface.models.learning.classifier import Model
from plugface.models.matching.evidence import explain
from plugface.models.matching.pooling import pool_views, variants_of
from plugface.models.unit_choice import UnitChoice, gather_views
from plugface.vision.observations import Observations

#: Reasons shown on each side.
REASONS = 4


class ClaimError(ValueError):
    """A claim that names nothing in the catalogue: what was asked, what there is."""


@dataclass(frozen=True)
class Opinion:
    """What to think of a claim."""

    verdict: Literal["agrees", "disagrees", "cannot tell"]
    message: str
    for_claim: tuple[Evidence, ...]
    against_claim: tuple[Evidence, ...]
    next_photo: NextPhoto | None
    decision: Decision


def read_claim(claimed: str, catalogue: Catalogue) -> tuple[Family, str | None]:
    """Family and variant key of 'KEY' or 'KEY:VARIANT'; case and outer spaces do not matter.

    Parameters
    ----------
    claimed : str
    catalogue : Catalogue

    Returns
    -------
    family : Family
    variant : str or None
        None where the claim names a family alone.

    Raises
    ------
    ClaimError
        With the nearest keys.
    """
    key, _, variant = (part.strip() for part in claimed.partition(":"))
    families = {f.key.casefold(): f for f in catalogue.families}
    family = families.get(key.casefold())
    if family is None:
        near = get_close_matches(key.casefold(), families, n=3, cutoff=0.4) or list(families)[:3]
        raise ClaimError(f'there is no family "{key}"; near: {", ".join(families[k].key for k in near)}')
    if not variant:
        return family, None
    known = {v.key.casefold(): v.key for v in family.variants}
    if variant.casefold() not in known:
        raise ClaimError(f'{family.key} has no variant "{variant}"; it has {", ".join(known.values())}')
    return family, known[variant.casefold()]


def give_opinion(
    observations: list[Observations],
    catalogue: Catalogue,
    model: Model,
    claimed: str,
    *,
    chosen: Sequence[UnitChoice] | None = None,
    costs: Costs | None = None,
    needs: Needs | None = None,
) -> Opinion:
    """Agrees, disagrees or cannot tell, with the strongest evidence on both sides.

    Parameters
    ----------
    observations : list of Observations
        One per photo, all of one unit.
    catalogue : Catalogue
    model : Model
    claimed : str
        KEY or KEY:VARIANT.
    chosen : sequence of UnitChoice, optional
        Which unit of each photo; without it the most prominent one.
    costs : Costs, optional
        In place of the catalogue's.
    needs : Needs, optional
        What the swap asks for.

    Returns
    -------
    opinion : Opinion

    Raises
    ------
    ClaimError
        If the claim names nothing in the catalogue.
    """
    costs = costs or catalogue.costs
    family, variant = read_claim(claimed, catalogue)
    views = gather_views(observations, chosen)
    if not views:
        raise ClaimError("a claim needs at least one photo to be judged by")
    weighing = pool_views(views, index_catalogue(catalogue), model)
    decision = decide(weighing, catalogue, model, needs=needs, costs=costs)
    row = next(k for k, f in enumerate(weighing.index.families) if f.key == family.key)
    evidence = explain(row, weighing.index, views, weighing.fits, weighing.fused, model.weights, model.noise)
    chance = float(weighing.posterior.families[row])
    judged = variants_of(weighing, row, model)
    of_variant = dict(zip((v.key for v in family.variants), judged.chances, strict=True))
    name = family.key if variant is None else f"{family.key} {variant}"
    verdict, words = _judge(decision, family, variant, chance, of_variant, name, costs)
    return Opinion(
        verdict=verdict,
        message=words,
        for_claim=tuple(e for e in evidence if e.weight > 0)[:REASONS],
        against_claim=tuple(e for e in evidence if e.weight < 0)[:REASONS],
        next_photo=decision.next_photo if verdict == "cannot tell" else None,
        decision=decision,
    )


def _judge(
    decision: Decision, family: Family, variant, chance: float, of_variant: dict, name: str, costs: Costs
):
    if decision.verdict == "unreadable":
        return "cannot tell", f"These photos do not show enough to judge the claim {name}."
    if decision.verdict == "identified" and decision.families[0] == family.key:
        if variant is None or decision.variants == (variant,):
            return "agrees", f"What is seen agrees with {name}."
        if variant not in decision.variants or of_variant[variant] <= 1.0 - costs.accept_at:
            return "disagrees", f"It is a {family.key}, but not {variant}: {decision.variant_message}"
        return (
            "cannot tell",
            f"It is a {family.key}; whether it is {variant} is not settled. {decision.variant_message}",
        )
    if decision.verdict == "identified":
        return "disagrees", f"What is seen is {decision.families[0]}, not {name}."
    if decision.verdict == "not_in_catalogue" or chance <= 1.0 - costs.accept_at:
        return "disagrees", f"What is seen does not fit {name} ({percent(chance)})."
    return "cannot tell", f"{name} is possible ({percent(chance)}), and so is something else."
