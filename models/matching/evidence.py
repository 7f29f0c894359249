"""Why: one sentence for each rule that speaks for or against a family, from the view where it speaks
loudest.

What is shown is the lead over one rival: over the best other family or, where that is more probable, over
some other unit. So the numbers of a family sum to its lead, and the sum has the sign of the answer.
"""

import math
from dataclasses import dataclass

import numpy as np
from plugface.models.catalogue.entries import Family
from plugface.models.catalogue.index import CatalogueIndex, compact, index_families
from plugface.models.decision.answers import Evidence
from plugface.models.matching.alignment import align, gap_costs, measure_match
from plugface.models.matching.error_model import FINS, ErrorModel
from plugface.models.matching.fusion import FusedFit
from plugface.models.matching.label_fields import number_lines
from plugface.models.matching.pair_features import weigh
from plugface.models.matching.payloads import name_rows
from plugface.models.matching.rules import RULES, ViewFit
from plugface.models.matching.text_fit import score_strings
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import COLOUR_CODES, best_colour

#: Rules that move the odds by less than this are not worth a sentence; nats.
QUIET_NATS = 0.2

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


def choose_rival(row: int, families: np.ndarray, unlike: float) -> int | None:
    """The family that `row` is held against: the most probable other; None for some other unit.

    Parameters
    ----------
    row : int
    families : float ndarray, shape (n_families,)
        Probabilities.
    unlike : float
        Probability that it is none of these.
    """
    others = np.where(np.arange(len(families)) == row, -1.0, families)
    best = int(others.argmax())
    return best if len(families) > 1 and others[best] > unlike else None


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
        opposite, what fits like this one turned out to be stands as a reason of its own.

    Returns
    -------
    evidence : tuple of Evidence
        Their weights sum to the lead that the reasons give.
    """
    index, fits = seen.index, seen.fits
    weighed = weigh(seen.fused, seen.weights)
    own, other = weighed[row], np.zeros(len(RULES)) if rival is None else weighed[rival]
    alone = index_families((index.families[row],))
    key = "" if rival is None else index.families[rival].key
    evidence, small = [], 0.0
    for column, rule in enumerate(RULES):
        gap = float(own[column] - other[column])
        if abs(gap) < QUIET_NATS:
            small += gap
            continue
        odds = [f.log_odds[:, column] for f in fits]
        gaps = [abs(o[row] - (0.0 if rival is None else o[rival])) for o in odds]
        loudest = max(range(len(fits)), key=lambda k: fits[k].measured[column] * gaps[k])
        agrees = own[column] > QUIET_NATS or (gap > 0 and own[column] > -QUIET_NATS)
        words = _WORDS[rule](alone, seen.views[loudest], seen.noise, agrees)
        if agrees != (gap > 0):
            words += f"; {key} fits {'worse' if gap > 0 else 'better'}"
        evidence.append(Evidence(rule, words, gap, seen.views[loudest].photo))
    if rival is None:
        n, unlike = len(index.families), seen.noise.unlike
        prior = math.log((1.0 - unlike) / n / unlike)
        evidence.append(Evidence(BEFORE, f"it is one of the {n} families of the catalogue", prior))
    if abs(small) >= 0.05:
        evidence.append(Evidence(SMALLER, "smaller reasons together", small))
    total = sum(e.weight for e in evidence)
    if total * lead <= 0 and abs(lead) >= QUIET_NATS:
        words = "units that were checked and fitted like this one, taken together"
        evidence.append(Evidence(EXPERIENCE, words, lead - total))
    return tuple(sorted(evidence, key=lambda e: -abs(e.weight)))


def lead_of(probability: float, rival: float) -> float:
    """Lead of one probability over another, nats; neither counts as less than one in 10^12."""
    return math.log(max(probability, 1e-12)) - math.log(max(rival, 1e-12))


def _plug_words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
    family, connectors = alone.families[0], view.unit.connectors
    wanted = " ".join(f"{c.colour}-{c.size}" for c in family.connectors)
    if not connectors:
        return f"no plug was found; {family.key} has {wanted}"
    readings = [connectors]
    if view.unit.other_order:
        readings.append(tuple(connectors[i] for i in view.unit.other_order))
    tries = [
        (align(measure_match(r, alone, noise, turned=k > 0)[0], *gap_costs(r, noise)), r)
        for k, r in enumerate(readings)
    ]
    best, reading = max(tries, key=lambda pair: pair[0].score)
    seen = " ".join(f"{best_colour(c.colour) or '?'}-{_top(c.size)}" for c in reading)
    slips = [_slip(reading[i], family, j) for i, j in best.pairs]
    slips += [f"plug {j + 1} ({family.connectors[j].colour}) was not found" for j in best.missed]
    extra = [best_colour(reading[i].colour) for i in best.extra]
    slips += [f"one {colour} plug too many" if colour else "one plug too many" for colour in extra]
    slips = [slip for slip in slips if slip]
    if slips:
        return f"plugs seen {seen}, {family.key} has {wanted}: {'; '.join(slips)}"
    if not any(best_colour(c.colour) for c in reading):
        return f"plugs {seen} agree with {family.key} in number and size; their colours are not known"
    return f"plugs {seen} agree with {family.key} in number, order, colour and size"


def _slip(connector, family: Family, j: int) -> str:
    known, slips = family.connectors[j], []
    colour = best_colour(connector.colour)
    if colour is not None and colour != known.colour:
        slips.append(f"{colour} for {known.colour}")
    if _top(connector.size) != known.size:
        slips.append(f"size {_top(connector.size)} for {known.size}")
    if connector.pins and tuple(connector.pins) != known.pins:
        slips.append("{}x{} pins for {}x{}".format(*connector.pins, *known.pins))
    return f"plug {j + 1} " + ", ".join(slips) if slips else ""


def _top(posterior: dict[str, float]) -> str:
    return max(posterior, key=posterior.__getitem__)


def _text_words(kind: str):
    def words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
        texts = [t for t in view.texts if t.kind == kind and len(compact(t.value)) >= 3]
        marks = " or ".join(m.text for m in alone.families[0].marks) or "no mark"
        place = "the cast mark" if kind == "cast" else "the label"
        if not texts:
            return f"{place} was not read"
        best = max(texts, key=lambda t: score_strings(t, alone.marks, noise).max(initial=-20.0))
        if compact(best.value) in alone.marks.values:
            return f"{place} reads '{best.value}', the mark of {alone.families[0].key}"
        return f"{place} reads '{best.value}', {alone.families[0].key} carries {marks}"

    return words


def _number_words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
    # Another family's numbers may have made a line a number; then any line may be the nearest.
    texts = number_lines(view.texts, alone.number_forms) or list(view.texts)
    best = max(texts, key=lambda t: score_strings(t, alone.numbers, noise).max(initial=-20.0))
    key = alone.families[0].key
    if any(number in compact(best.value) for number in alone.numbers.values):
        return f"the label reads '{best.value}', a service number of {key}"
    nearest = alone.numbers.values[int(score_strings(best, alone.numbers, noise).argmax())]
    if for_it:
        return f"the label reads '{best.value}', close to {nearest} of {key} but not the same"
    return f"the label reads '{best.value}', no number of {key}"


def _pattern_words(alone, view: UnitView, noise, for_it: bool) -> str:
    does = "has" if for_it else "does not have"
    return f"a number on the label {does} the form of {alone.families[0].key}'s service numbers"


def _barcode_words(alone, view: UnitView, noise, for_it: bool) -> str:
    payloads = [c.payload for c in view.codes]
    payload = next((p for p in payloads if name_rows(p, alone)), next(iter(payloads), ""))
    does = "holds" if for_it else "does not hold"
    return f"the barcode reads {payload}, which {does} a number of {alone.families[0].key}"


def _outline_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    known = float(np.exp(alone.log_aspect[0]))
    does = "fits" if for_it else "does not fit"
    return f"the outline is {view.unit.body.aspect:.1f} times as long as wide, which {does} {known:.1f}"


def _body_colour_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    known = "/".join(dict.fromkeys(COLOUR_CODES[c] for c in alone.body_colour[0]))
    return f"the body looks {_top(view.unit.body.colour)}, the entry says {known}"


def _fins_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    return f"fins seen: {_top(view.unit.body.fins)}; the entry says {FINS[alone.fins[0]]}"


_WORDS = {
    "plugs": _plug_words,
    "cast mark": _text_words("cast"),
    "label mark": _text_words("printed"),
    "service number": _number_words,
    "number pattern": _pattern_words,
    "barcode": _barcode_words,
    "outline": _outline_words,
    "body colour": _body_colour_words,
    "fins": _fins_words,
}
