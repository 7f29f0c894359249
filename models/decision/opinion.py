"""A second opinion on a claim: does what is seen agree with what the seller says it is?"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import compact, index_catalogue
from plugface.models.decision.answers import CONTRADICTIONS, Decision, Evidence, NextPhoto
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import decide, explain_family, percent
from plugface.models.decision.donor import keep_donors_out
from plugface.models.decision.pairing import Needs
from plugface.models.decision.variants import VariantPosterior, explain_variant
from plugface.models.learning.classifier import Model
from plugface.models.matching.pair_features import SURE_NATS
from plugface.models.matching.pooling import pool_views, variants_of
from plugface.models.unit_choice import UnitChoice, gather_views
from plugface.vision.observations import Observations

OpinionVerdict = Literal["agrees", "disagrees", "cannot tell"]


class ClaimError(ValueError):
    """A claim that names nothing in the catalogue: what was asked, what there is."""


@dataclass(frozen=True)
class Opinion:
    """What to think of a claim."""

    verdict: OpinionVerdict
    message: str
    for_claim: tuple[Evidence, ...]
    against_claim: tuple[Evidence, ...]
    next_photo: NextPhoto | None
    decision: Decision
    probability: float = 0.0  # of the claim: of the family and, where one is claimed, of the variant
    leads: tuple[tuple[str, float], ...] = ()  # what family and variant are held against, and by how much


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
    families = {f.key.casefold(): f for f in catalogue.families}
    parts = [" ".join(part.split()) for part in claimed.split(":")]
    # A family's own name may hold a colon: the longest name that is one.
    splits = ((":".join(parts[:n]), ":".join(parts[n:])) for n in range(len(parts), 0, -1))
    key, variant = next(((k, v) for k, v in splits if k.casefold() in families), (parts[0], ""))
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
    pooled = pool_views(views, index_catalogue(catalogue), model)
    decision = decide(pooled, catalogue, model, needs=needs, costs=costs)
    row = next(k for k, f in enumerate(pooled.index.families) if f.key == family.key)
    evidence, rival = explain_family(pooled, row, model)
    chance = float(pooled.posterior.families[row])
    claim = _Claim(family, variant, chance)
    leads = [(rival or "some other unit", _sum(evidence))] if evidence else []
    if variant is not None:
        judged = variants_of(pooled, row, model)
        place = next(k for k, v in enumerate(family.variants) if v.key == variant)
        reasons, variant_rival = explain_variant(family, place, judged)
        if reasons:
            leads.append((f"{family.key} {variant_rival or 'of a variant not listed'}", _sum(reasons)))
        evidence = (*evidence, *reasons)
        claim = _Claim(family, variant, chance, float(judged.chances[place]), judged)
    verdict, words = _judge(decision, claim, costs)
    opinion = Opinion(
        verdict=verdict,
        message=words,
        for_claim=tuple(sorted((e for e in evidence if e.weight > 0), key=lambda e: -e.weight)),
        against_claim=tuple(sorted((e for e in evidence if e.weight < 0), key=lambda e: e.weight)),
        next_photo=decision.next_photo if verdict == "cannot tell" else None,
        decision=decision,
        probability=claim.probability,
        leads=tuple(leads),
    )
    return keep_donors_out(opinion, views, catalogue.families)


def _sum(evidence: Iterable[Evidence]) -> float:
    return sum(reason.weight for reason in evidence)


@dataclass(frozen=True)
class _Claim:
    """What is claimed, and how probable it is."""

    family: Family
    variant: str | None
    of_family: float
    of_variant: float = 1.0  # given the family
    judged: VariantPosterior | None = None

    @property
    def probability(self) -> float:
        return self.of_family * self.of_variant

    @property
    def is_open(self) -> bool:
        """Whether nothing speaks surely against the variant: of many each is improbable for a start."""
        fair = 1.0 / len(self.family.variants)
        return self.variant is not None and self.of_variant > fair * math.exp(-SURE_NATS)

    @property
    def name(self) -> str:
        return self.family.key if self.variant is None else f"{self.family.key} {self.variant}"


def _judge(decision: Decision, claim: _Claim, costs: Costs) -> tuple[OpinionVerdict, str]:
    """The verdict with its reason; headline, figure and lists follow from the same probability."""
    name, figure = claim.name, percent(claim.probability)
    if decision.verdict == "unreadable":
        return "cannot tell", f"These photos do not show enough to judge the claim {name}."
    contradicted = [f for f in decision.findings if f.name in CONTRADICTIONS]
    if contradicted and claim.family.key in decision.families:
        return "cannot tell", f"What was seen contradicts itself. {contradicted[0].message}"
    identified = decision.verdict == "identified" and decision.families[0] == claim.family.key
    if claim.probability <= 1.0 - costs.accept_at and not (identified and claim.is_open):
        if identified:
            said = f"It is {_a(claim.family.key)}, but not {claim.variant} ({figure})."
            return "disagrees", f"{said} {_why_not(claim)}".strip()
        if decision.verdict == "identified":
            return "disagrees", f"What is seen is {decision.families[0]}, not {name} ({figure})."
        return "disagrees", f"What is seen does not fit {name} ({figure})."
    if decision.verdict == "not_in_catalogue":
        none = f"in no family of this catalogue ({percent(decision.unknown_probability)})"
        return "disagrees", f"It is most likely {none}, not {name} ({figure})."
    if identified:
        settled = claim.variant is None or decision.variants == (claim.variant,)
        if settled and costs.accepts(claim.probability):
            return "agrees", f"What is seen agrees with {name} ({figure})."
        if settled:
            return "cannot tell", f"{name} is the likeliest ({figure}), not surely enough to agree."
        return "cannot tell", (
            f"It is {_a(claim.family.key)}; whether it is {claim.variant} is not settled ({figure}). "
            f"{_say_shared(claim)}{decision.variant_message}"
        )
    if claim.variant is None and costs.accepts(claim.probability):
        # And what keeps it from being accepted.
        return "cannot tell", f"{name} is the likeliest ({figure}). {decision.message}"
    if claim.probability >= 0.5:
        return "cannot tell", f"{name} is the likeliest ({figure}), not surely enough to agree."
    return "cannot tell", f"{name} is possible ({figure}), and so is something else."


def _say_shared(claim: _Claim) -> str:
    """The number or suffix that was read and that others have as well as the claimed variant.

    It speaks neither for the variant nor against it, so no list of reasons has it.
    """
    fields = {"service number": "service_numbers", "suffix": "suffixes"}
    shared = []
    for hint in claim.judged.hints if claim.judged else ():
        having = [
            variant.key
            for variant in claim.family.variants
            if hint.read
            and hint.kind in fields
            and compact(hint.read) in map(compact, getattr(variant, fields[hint.kind]))
        ]
        if claim.variant in having and len(having) > 1:
            shared.append((len(having), hint.read, having))
    if not shared:
        return ""
    n, read, having = min(shared)
    return f"'{read}' was read, which {' and '.join(having)} {'both' if n == 2 else 'all'} have. "


def _why_not(claim: _Claim) -> str:
    judged = claim.judged
    if judged is None or not judged.read:
        return ""
    if judged.unlisted >= 0.5:
        return f"'{judged.read}' was read, which none of its variants lists."
    best = claim.family.variants[int(judged.chances.argmax())].key
    return f"'{judged.telling}' was read, which is that of {best}."


def _a(key: str) -> str:
    """A key with the article that its first letter asks for; letters alone tell, the ear is not asked."""
    return f"{'an' if key[:1].upper() in 'AEIOU' else 'a'} {key}"
