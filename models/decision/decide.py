"""The decision over weighed evidence.

Which mistake costs more: a confident wrong answer, by far (costs.py). So a family is accepted only when its
probability makes that cheaper than a second look, one variant only when the views can tell variants apart,
and no contradiction stands. Everything else is said as a set, with its reason.
"""

from dataclasses import replace

import numpy as np
from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import index_alone, index_part
from plugface.models.decision.answers import (
    MAX_LOOK_ALIKES,
    NOT_LISTED,
    TWO_UNITS,
    TWO_VARIANTS,
    Candidate,
    Decision,
    Evidence,
    Finding,
    NextPhoto,
    SwapFit,
    VariantChance,
    Verdict,
    has_contradiction,
    is_one_of_few,
)
from plugface.models.decision.cautions import LOCKED, LOCKED_OPEN, list_cautions
from plugface.models.decision.conformal import keep_answers
from plugface.models.decision.costs import Costs
from plugface.models.decision.donor import keep_donors_out
from plugface.models.decision.findings import (
    find_broken,
    find_contradictions,
    find_untaught,
    name_sides,
    rests_on_number,
)
from plugface.models.decision.label_reading import reads_listed_number
from plugface.models.decision.next_photo import choose_next_photo, photo_of_all
from plugface.models.decision.pairing import Needs, fit_variant, join_fits, list_partners, rules_family_out
from plugface.models.decision.variants import VariantPosterior, explain_variant, named_by
from plugface.models.learning.classifier import Model
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.evidence import Seen, choose_rival, explain, lead_of
from plugface.models.matching.label_fields import number_lines
from plugface.models.matching.pair_features import SURE_NATS, find_look_alikes
from plugface.models.matching.plug_rule import fits_turned
from plugface.models.matching.pooling import PooledEvidence, expected_cost, variants_of
from plugface.models.matching.rules import WHOLE_PHOTO, column_of, columns_of_witness
from plugface.models.matching.text_fit import FLOOR_NATS, score_lines
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import best_colour

#: Candidates shown at most.
SHOWN = 5

#: A family as probable as that is told where the colours of its plugs cannot be (our choice).
POSSIBLE = 0.01

#: What is said of the variant where numbers or payloads of two were read.
RIVAL_NUMBERS = "Numbers of different variants were read: the label does not tell them apart."
#: From here on a number is said to be read clearly and listed for no variant.
UNLISTED = 0.5
#: A family that a number alone names is not accepted where it is as probable as that that the number is an
#: unlisted one of the kind, nor where what was read is surely not quite a listed one (`SURE_NATS`); our
#: choice. Of 14 such answers to the demo's training and calibration photos, all right, it asks again in four.
UNLISTED_ALONE = 0.05

#: Of the best: a family as probable as that is named beside it, whatever the level of sets (our choice).
#: Where the level was fitted at most two families look alike; of four it would name one.
A_QUARTER_AS_PROBABLE = 0.25


def decide(
    pooled: PooledEvidence,
    catalogue: Catalogue,
    model: Model,
    *,
    needs: Needs | None = None,
    costs: Costs | None = None,
    advise: bool = True,
) -> Decision:
    """The answer for one unit; see the module's text for what is accepted when.

    Parameters
    ----------
    pooled : PooledEvidence
    catalogue : Catalogue
    model : Model
    needs : Needs, optional
        What the swap asks for.
    costs : Costs, optional
        In place of the catalogue's.
    advise : bool
        Whether to work out which photo would help most: nearly all of the time goes into that, so who does
        not show it leaves it out.

    Returns
    -------
    decision : Decision
    """
    costs = costs or catalogue.costs
    index, posterior = pooled.index, pooled.posterior
    ranked = pooled.ranked
    best = float(posterior.families[ranked[0]])
    verdict, findings = settle(pooled, model, costs)
    contradicted = has_contradiction(findings)
    rows = _answer_set(pooled, verdict, model, costs, contradicted)
    lead = rows[0] if rows else int(ranked[0])
    family, variants = index.families[lead], variants_of(pooled, lead, model)
    findings += (*_unlisted(family, variants), *_two_variants(family, variants)) if rows else ()
    findings += find_broken(pooled.views)
    if verdict != "unreadable":
        possible = [index.families[r] for r in np.flatnonzero(posterior.families >= POSSIBLE)]
        findings += find_untaught(possible, pooled.views, model.noise)
    remaining, variant_message = settle_variant(family, variants, pooled, verdict, costs)
    named = [index.families[r] for r in rows]
    # Where it is surely one of few, what follows from each of them counts.
    together = float(posterior.families[rows].sum())
    closed = is_one_of_few(len(rows), together, costs, contradicted=contradicted)
    counted = named if closed or contradicted else named[:1]
    unreadable = verdict == "unreadable"
    doubted = verdict == "ambiguous" and costs.accepts(best) and _told_by_unlisted_number(pooled, model)
    # Where nothing was read, every family keeps its share of the catalogue: no reason to warn of any.
    likely = named + [
        index.families[r] for r in _likely_hazards(pooled, costs) if not unreadable and r not in rows
    ]
    # Whoever is told to leave it alone is not asked to turn it round for a photo: nor where it is a hazard
    # more likely than not.
    hazards = [r for r, listed in enumerate(index.families) if listed.hazard != "none"]
    dangerous = (verdict == "identified" and family.hazard != "none") or float(
        posterior.families[hazards].sum()
    ) > 0.5
    nothing = nothing_seen(pooled.views)
    parted = any(f.name == TWO_UNITS for f in findings)
    settled = verdict == "identified" and len(remaining) == 1
    # No photo tells which of two numbers is the unit's own: a person has to look at the label.
    labels_differ = verdict == "identified" and bool(variants.rivals)
    now = expected_cost(posterior, float(variants.chances.max()), costs)
    torn = unreadable and _usable(pooled) and _something_seen(pooled) and posterior.unknown >= costs.refuse_at
    # Where refusing or accepting would be cheap and is not allowed, a second look is what there is to pay.
    now = max(now, costs.second_look) if unreadable or doubted else now
    decision = Decision(
        verdict=verdict,
        message=_message(
            verdict,
            named,
            findings,
            best=best,
            unknown=posterior.unknown,
            together=together,
            closed=closed,
            torn=torn,
            nothing=nothing,
            unlisted=_nearest_number(pooled, lead, model) if doubted else "",
        ),
        candidates=() if unreadable else _candidates(pooled, model),
        families=tuple(family.key for family in named),
        together=together,
        variants=() if unreadable or verdict == "not_in_catalogue" else tuple(remaining),
        variant_message="" if unreadable or verdict == "not_in_catalogue" else variant_message,
        cautions=list_cautions(
            pooled.views,
            likely,
            catalogue,
            _locked_words(counted, remaining),
            costs,
            len(model.noise.taught),
            max(len(counted), 1),
        ),
        findings=findings,
        next_photo=None
        if settled or verdict == "not_in_catalogue" or not advise or dangerous or parted or labels_differ
        else _photo_of_whole(pooled.views, now)
        if nothing or (unreadable and shows_plugs_alone(pooled.views))
        else choose_next_photo(pooled, model, costs, now, variants_open=verdict == "identified"),
        partners=list_partners(family, needs.gearbox if needs else None) if verdict == "identified" else (),
        fit=_fit(likely, family, remaining, needs, verdict, catalogue, variants.unlisted >= UNLISTED),
        unknown_probability=posterior.unknown,
        catalogue_sha256=catalogue.sha256,
        model_version=model.version,
        costs=costs,
        turned=_turned(named, pooled.views, model.noise),
    )
    return keep_donors_out(decision, pooled.views, index.families)


def _likely_hazards(pooled: PooledEvidence, costs: Costs) -> list[int]:
    """Rows of the hazardous families to warn of, best first, however many others are likelier.

    Where those of one kind are likely enough together and none is by itself, the likeliest of them.
    """
    families, ranked = pooled.index.families, pooled.ranked
    hazards = [r for r in map(int, ranked) if families[r].hazard != "none"]
    warned: set[int] = set()
    for kind in {families[r].hazard for r in hazards}:
        of_kind = [r for r in hazards if families[r].hazard == kind]
        chances = pooled.posterior.families[of_kind]
        if chances.sum() >= costs.caution_at:
            warned |= {
                of_kind[0],
                *(r for r, c in zip(of_kind, chances, strict=True) if c >= costs.caution_at),
            }
    return [r for r in hazards if r in warned]


def _turned(named: list[Family], views: tuple[UnitView, ...], noise: ErrorModel) -> tuple[str, ...]:
    """Photos whose plugs are to be shown in their other order: that in which the evidence counts them."""
    if len(named) != 1:
        return ()
    alone = index_alone(named[0])
    return tuple(view.sha256 for view in views if fits_turned(view, alone, noise))


#: What is said of the variant where the family has one, and where what was read leaves several.
ONE_VARIANT = "{family} has one variant in this catalogue."
VARIANT_OPEN = "What was read of the label does not tell them apart surely enough."

NOTHING_SEEN = "No controller seen: no unit is outlined on these photos, and nothing on them can be read."


def nothing_seen(views: tuple[UnitView, ...]) -> bool:
    """Whether no photo shows a unit, or anything written that a label or a plate would carry."""
    return not any(view.unit or view.texts or view.codes or view.outside for view in views)


def shows_plugs_alone(views: tuple[UnitView, ...]) -> bool:
    """Whether every photo is a close-up of plugs, round which no unit is outlined."""
    return bool(views) and all(view.unit is None and view.loose for view in views)


def _photo_of_whole(views: tuple[UnitView, ...], now: float) -> NextPhoto:
    """The photo of all, with what of plugs was seen: the same plugs may be in several close-ups."""
    photo = photo_of_all(now)
    plugs = max((view.loose for view in views), key=len, default=())
    if not plugs:
        return photo
    named = ", ".join(
        f"{best_colour(plug.colour) or '?'} {max(plug.size, key=plug.size.__getitem__)}" for plug in plugs
    )
    seen = f"one plug ({named})" if len(plugs) == 1 else f"{len(plugs)} plugs ({named})"
    return replace(photo, message=f"A close-up of {seen}, perhaps not all of them. {photo.message}")


def settle(pooled: PooledEvidence, model: Model, costs: Costs) -> tuple[Verdict, tuple[Finding, ...]]:
    """The verdict and the contradictions that it respects: what every judge of decisions goes by.

    Parameters
    ----------
    pooled : PooledEvidence
    model : Model
    costs : Costs

    Returns
    -------
    verdict : str
    contradictions : tuple of Finding
    """
    index, best = pooled.index, float(pooled.posterior.families.max(initial=0.0))
    findings = find_contradictions(pooled.views, pooled.fits, index, model.weights, model.noise)
    verdict = _verdict(pooled, best, findings, costs)
    if verdict == "identified" and _told_by_unlisted_number(pooled, model):
        verdict = "ambiguous"
    return verdict, findings


def _told_by_unlisted_number(pooled: PooledEvidence, model: Model) -> bool:
    """Whether the leading family is told by a number alone that may well be none of its own.

    It is then the family whose number is nearest to what was read, and no more: nothing clear is mended.
    """
    row = int(pooled.ranked[0])
    if not rests_on_number(pooled.fits, row, model.weights, model.noise):
        return False
    own = index_part(pooled.index, [row])
    if any(reads_listed_number(view, own) for view in pooled.views):
        return False
    off = float(pooled.fused.deviance[row, column_of("service number")])
    return off >= SURE_NATS or variants_of(pooled, row, model).unlisted >= UNLISTED_ALONE


def _nearest_number(pooled: PooledEvidence, row: int, model: Model) -> str:
    """The line, as it was read, that is nearest to a number of the family in `row`."""
    own = index_part(pooled.index, [row])
    lines = [line for view in pooled.views for line in number_lines(view.texts, own.number_forms)]
    scores = score_lines(lines, own.numbers, model.noise).max(axis=1, initial=FLOOR_NATS)
    return lines[int(scores.argmax())].value if lines else "what was read"


def _verdict(pooled: PooledEvidence, best: float, findings: tuple[Finding, ...], costs: Costs) -> Verdict:
    """What to say. Where nothing stands out and refusing is too dear as well, or rests on writing alone, the
    photos do not allow an answer."""
    hopeless = best <= 1.0 - costs.refuse_at
    if not _usable(pooled):
        return "ambiguous" if costs.accepts(best) else "unreadable"
    if not _something_seen(pooled):
        return "unreadable"
    if has_contradiction(findings):
        return "ambiguous"
    if costs.accepts(best):
        return "identified"
    if costs.refuses(pooled.posterior.unknown):
        # With a listed number on it it is neither plainly none of these, nor was nothing read.
        if any(reads_listed_number(view, pooled.index) for view in pooled.views):
            return "ambiguous"
        return "not_in_catalogue" if _may_refuse(pooled) else "unreadable"
    return "unreadable" if hopeless else "ambiguous"


def _usable(pooled: PooledEvidence) -> bool:
    """Whether a photo allows an answer: none of its faults forbids one, or a listed number is read on it."""
    return any(view.usable or reads_listed_number(view, pooled.index) for view in pooled.views)


def _may_refuse(pooled: PooledEvidence) -> bool:
    """Whether something was seen whole that no unit of the catalogue would show: plugs, or a barcode on it.

    A line of writing may be what is left of a torn or soiled label, or stand on something else than the unit.
    Plugs are counted, and a barcode's check holds for all of it or not at all.
    """
    outlined = [view for view in pooled.views if view.unit and view.unit.method != WHOLE_PHOTO]
    plugs = any(view.unit and view.unit.connectors and view.front >= 0.5 for view in outlined)
    return plugs or any(code.check == "verified" for view in outlined for code in view.codes)


def _something_seen(pooled: PooledEvidence) -> bool:
    """A unit with plugs or writing, or writing alone that a label would carry; a stray cast-like line is
    not."""
    if pooled.fused.measured[columns_of_witness("label")].any():
        return True
    return any(view.unit is not None and (view.unit.connectors or view.texts) for view in pooled.views)


def _answer_set(
    pooled: PooledEvidence, verdict: Verdict, model: Model, costs: Costs, contradicted: bool
) -> list[int]:
    """Rows of the answer: the accepted family; each side of a contradiction; the look-alikes of which it is
    surely one; the conformal set (at least the best, and whatever is a quarter as probable); or none.
    """
    ranked = pooled.ranked
    if verdict == "identified":
        return [int(ranked[0])]
    if verdict != "ambiguous":
        return []
    if contradicted:
        return name_sides(pooled.views, pooled.fits, pooled.index, model.weights, model.noise)
    alike = find_look_alikes(pooled.fused, model.weights)
    if alike and costs.accepts(float(pooled.posterior.families[alike].sum())):
        return [int(r) for r in ranked if r in alike]
    probable = pooled.posterior.families
    kept = keep_answers(probable, model.conformal) | (probable >= A_QUARTER_AS_PROBABLE * probable[ranked[0]])
    return [int(r) for r in ranked if kept[r]]


def _unlisted(family: Family, variants: VariantPosterior) -> tuple[Finding, ...]:
    if variants.unlisted < UNLISTED:
        return ()
    words = f"'{variants.read}' is read clearly and is in no variant of {family.key}"
    return (Finding(NOT_LISTED, f"{words}: a new variant, or another family."),)


def _two_variants(family: Family, variants: VariantPosterior) -> tuple[Finding, ...]:
    if not variants.rivals:
        return ()
    said = " and ".join(f"'{one.read}' ({_listed_keys(family, one.variants)})" for one in variants.rivals)
    words = f"{said} were both read, and no variant of {family.key} has both"
    return (Finding(TWO_VARIANTS, f"{words}: re-labelled, or two units' labels. Look at the label by hand."),)


def _listed_keys(family: Family, places: frozenset[int]) -> str:
    return " or ".join(family.variants[k].key for k in sorted(places)[:3])


def settle_variant(
    family: Family, posterior: VariantPosterior, pooled: PooledEvidence, verdict: Verdict, costs: Costs
) -> tuple[list[str], str]:
    """Keys that remain, best first, and why. A front alone never settles look-alike variants.

    Parameters
    ----------
    family : Family
    posterior : VariantPosterior
        Of its variants.
    pooled : PooledEvidence
    verdict : str
        What is said of the family.
    costs : Costs

    Returns
    -------
    remaining : list of str
    why : str
    """
    order = np.argsort(-posterior.chances, kind="stable")
    keys = [family.variants[k].key for k in order]
    if posterior.unlisted >= UNLISTED:
        return keys, "The number that was read is listed for none of the variants."
    if posterior.rivals:
        named = named_by(posterior.rivals)
        return [family.variants[k].key for k in order if k in named], RIVAL_NUMBERS
    if len(keys) == 1:
        return keys, ONE_VARIANT.format(family=family.key)
    heard = bool(posterior.read) or bool(pooled.donor_years)
    if verdict == "identified" and bool(posterior.read) and costs.accepts(posterior.chances[order[0]]):
        return keys[:1], f"'{posterior.telling}' tells it from the others."
    kept = [family.variants[k].key for k in order if posterior.chances[k] >= (1.0 - costs.accept_at)]
    if posterior.read and len(kept) == 1:
        if posterior.unlisted > 1.0 - costs.refuse_at:
            words = f"'{posterior.telling}' fits {kept[0]} best; a variant that is not listed may have it too"
            return keys, f"{words} ({percent(posterior.unlisted)})."
        return kept, f"'{posterior.telling}' rules the others out."
    if not heard:
        return (
            keys,
            "The views given show the same on all of them; the label tells, so photograph it close up.",
        )
    return kept or keys, VARIANT_OPEN


def _candidates(pooled: PooledEvidence, model: Model) -> tuple[Candidate, ...]:
    index, posterior = pooled.index, pooled.posterior
    candidates = []
    for row in map(int, pooled.ranked[:SHOWN]):
        family, variants = index.families[row], variants_of(pooled, row, model)
        total = max(float(variants.chances.sum()), 1e-12)
        chances = [
            VariantChance(v.key, float(c) / total, *explain_variant(family, place, variants))
            for place, (v, c) in enumerate(zip(family.variants, variants.chances, strict=True))
        ]
        evidence, rival = explain_family(pooled, row, model)
        candidates.append(
            Candidate(
                family=family.key,
                score=float(posterior.scores[row]),
                probability=float(posterior.families[row]),
                evidence=evidence,
                variants=tuple(sorted(chances, key=lambda c: -c.probability)),
                rival=rival,
            )
        )
    return tuple(candidates)


def explain_family(pooled: PooledEvidence, row: int, model: Model) -> tuple[tuple[Evidence, ...], str]:
    """Reasons for and against the family in `row`, and the key of the rival that they hold it against.

    Parameters
    ----------
    pooled : PooledEvidence
    row : int
    model : Model

    Returns
    -------
    evidence : tuple of Evidence
        Sums to its lead, which has the sign of the difference in probability.
    rival : str
        Empty: some other unit.
    """
    posterior, index = pooled.posterior, pooled.index
    rival = choose_rival(row, posterior.families, posterior.unknown)
    against = posterior.unknown if rival is None else float(posterior.families[rival])
    seen = Seen(index, pooled.views, pooled.fits, pooled.fused, model.weights, model.noise)
    evidence = explain(row, rival, seen, lead_of(float(posterior.families[row]), against))
    return evidence, "" if rival is None else index.families[rival].key


def _locked_words(families: list[Family], remaining: list[str]) -> str:
    """Of the first family's variants those that remain count; of the others all: none is ruled out."""
    kept = [[v for v in f.variants if k or v.key in remaining] for k, f in enumerate(families)]
    locked = [[v.key for v in variants if v.status == "locked"] for variants in kept]
    if not any(locked):
        return ""
    named = (f"{f.key} {' and '.join(of_it)}" for f, of_it in zip(families, locked, strict=True) if of_it)
    every = sum(map(len, locked)) == sum(map(len, kept))
    return (LOCKED if every else LOCKED_OPEN).format(which=" and ".join(named))


def _fit(
    likely: list[Family],
    family: Family,
    remaining: list[str],
    needs: Needs | None,
    verdict: Verdict,
    catalogue: Catalogue,
    unlisted: bool,
) -> SwapFit | None:
    if needs is None or not likely:
        return None
    if verdict == "identified":
        chosen = [(family, v) for v in family.variants if v.key in remaining]
    else:
        chosen = [(f, v) for f in likely for v in f.variants]
    several = len({f.key for f, _ in chosen}) > 1
    joined = join_fits(
        {f"{f.key} {v.key}" if several else v.key: fit_variant(f, v, needs, catalogue) for f, v in chosen}
    )
    if verdict != "identified" or not unlisted or rules_family_out(family, needs, catalogue):
        return joined
    # What is read is no variant that the catalogue knows: locked or not, nobody has written it down.
    return SwapFit(
        "unknown", (), (*joined.unknown, "whether the variant that was read, and is not listed, serves")
    )


def _message(
    verdict: Verdict,
    families: list[Family],
    findings: tuple[Finding, ...],
    *,
    best: float,
    unknown: float,
    together: float,
    closed: bool,
    torn: bool,
    nothing: bool,
    unlisted: str,
) -> str:
    """The answer in one or two sentences.

    `families` are those of the answer, `best` the probability of the first of all, `together` that of those
    of the answer; `torn`: the writing alone speaks against the catalogue; `nothing`: no unit was seen;
    `unlisted`: the number that alone names the family and may be none of its own.
    """
    if nothing:
        return NOTHING_SEEN
    if torn:
        return (
            "No answer: the writing that was read fits no family of this catalogue, but a label can be torn "
            "or dirty. The plugs decide."
        )
    if verdict == "unreadable":
        return "No answer: nothing on these photos can be read well enough to name a controller."
    if verdict == "not_in_catalogue":
        return f"A unit, but none of the families in this catalogue ({percent(unknown)})."
    if verdict == "identified":
        family = families[0]
        if family.hazard != "none":
            what = f"a {family.hazard.replace(' ', '-')} unit, not a controller for a swap"
            return f"{family.key}: {what} ({percent(best)}). Leave it alone."
        return f"{family.key} ({percent(best)})."
    if any(f.name == TWO_UNITS for f in findings):
        return f"Two different units were given as one. {findings[0].message}"
    if any("disagree" in f.name for f in findings):
        return f"Not sure: what was seen contradicts itself. {findings[0].message}"
    names = " or ".join(f.key for f in families)
    if unlisted:
        words = f"'{unlisted}' is close to a number of {names} and not the same"
        return f"Not sure: {words}: misread, a new variant, or another family."
    if unknown > best:
        return (
            f"Not sure: most likely in no family of this catalogue ({percent(unknown)}); else {names}, "
            f"of which the best has {percent(best)}."
        )
    if closed:
        return f"One of these: {names}, together {percent(together)}. {tell_apart(families)}"
    if 2 <= len(families) <= MAX_LOOK_ALIKES:
        return f"Not sure: {names}, together {percent(together)}. {tell_apart(families)}"
    if len(families) == 1:
        return f"Not sure: {names}, {percent(best)}."
    return f"Not sure: {names}; the best has {percent(best)}."


def tell_apart(families: list[Family]) -> str:
    """What a person has to look at to tell families from each other, by what the catalogue says of them."""
    plugs = {tuple((c.colour, c.size) for c in f.connectors) for f in families}
    marks = {tuple(mark.text for mark in f.marks) for f in families}
    if len(plugs) > 1:
        return "The plugs tell them apart, and the label."
    if len(marks) > 1:
        return "The plugs are the same: the mark and the label tell them apart."
    return "Plugs and mark are the same: the label tells them apart."


def percent(probability: float) -> str:
    """A probability in a sentence, which never claims 0 or 100 per cent."""
    if probability > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"
