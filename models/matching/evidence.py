"""Why: one sentence for each rule that speaks for or against a family, from the view where it speaks
loudest."""

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
from plugface.vision.observations import COLOUR_CODES, Body

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
    index : CatalogueIndex
    views, fits : the views and their fits, in the same order
    fused : FusedFit
    weights : float ndarray, shape (n_rules,)
    noise : ErrorModel

    Returns
    -------
    evidence : tuple of Evidence
    """
    weighed = weigh(fused, weights)[row]
    alone = index_families((index.families[row],))
    evidence = []
    for column, rule in enumerate(RULES):
        if abs(weighed[column]) < QUIET_NATS:
            continue
        loudest = max(
            range(len(fits)), key=lambda k: fits[k].measured[column] * abs(fits[k].log_odds[row, column])
        )
        words = _WORDS[rule](alone, views[loudest], noise, weighed[column] > 0)
        evidence.append(Evidence(rule, words, float(weighed[column]), views[loudest].photo))
    return tuple(sorted(evidence, key=lambda e: -abs(e.weight)))


def _plug_words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
    assert view.unit is not None  # the rule measures nothing without one, and is then not spoken of
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
    seen = " ".join(f"{_top(c.colour)}-{_top(c.size)}" for c in reading)
    slips = [_slip(reading[i], family, j) for i, j in best.pairs]
    slips += [f"plug {j + 1} ({family.connectors[j].colour}) was not found" for j in best.missed]
    slips += [f"one {_top(reading[i].colour)} plug too many" for i in best.extra]
    slips = [slip for slip in slips if slip]
    if slips:
        return f"plugs seen {seen}, {family.key} has {wanted}: {'; '.join(slips)}"
    return f"plugs {seen} agree with {family.key} in number, order, colour and size"


def _slip(connector, family: Family, j: int) -> str:
    known, slips = family.connectors[j], []
    if _top(connector.colour) != known.colour:
        slips.append(f"{_top(connector.colour)} for {known.colour}")
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


def _body(view: UnitView) -> Body:
    body = view.unit.body if view.unit else None
    assert body is not None  # its rules measure nothing without one, and are then not spoken of
    return body


def _outline_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    known = float(np.exp(alone.log_aspect[0]))
    does = "fits" if for_it else "does not fit"
    return f"the outline is {_body(view).aspect:.1f} times as long as wide, which {does} {known:.1f}"


def _body_colour_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    known = "/".join(dict.fromkeys(COLOUR_CODES[c] for c in alone.body_colour[0]))
    return f"the body looks {_top(_body(view).colour)}, the entry says {known}"


def _fins_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    return f"fins seen: {_top(_body(view).fins)}; the entry says {FINS[alone.fins[0]]}"


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
