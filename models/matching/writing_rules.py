"""The rules of what is written: cast marks, marks and numbers on labels, barcodes."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex, Strings, compact
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.label_fields import (
    find_form,
    looks_like_number,
    matching_run,
    number_lines,
    strip_others,
)
from plugface.models.matching.payloads import holds_number, name_rows
from plugface.models.matching.rule import WHOLE_PHOTO, Column, Explain, FitAll, Quote, Rule, nothing, soften
from plugface.models.matching.text_fit import (
    FLOOR_NATS,
    MAX_DEVIANCE,
    fit_lines,
    score_lines,
    score_strings,
)
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Text


def owned_maximum(scores: np.ndarray, strings: Strings, n_families: int, floor: float) -> np.ndarray:
    """Largest score among each family's strings.

    Parameters
    ----------
    scores : float ndarray, shape (n_strings,)
    strings : Strings
    n_families : int
    floor : float
        For a family without any.

    Returns
    -------
    best : float ndarray, shape (n_families,)
    """
    best = np.full(n_families, floor)
    places, owners = strings.owned
    np.maximum.at(best, owners, scores[places])
    return best


def _fit_lines(
    wanted: Sequence[Sequence[Text]], strings: Strings, index: CatalogueIndex, noise: ErrorModel
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """For each view, of whose lines there is one at least: the best line for each family, how far the closest
    line is from what was read there, and how much better a sibling of the family would fit the line that fits
    it best."""
    fitted = fit_lines([text for texts in wanted for text in texts], strings, noise)
    edges = np.cumsum([len(texts) for texts in wanted])[:-1]
    views = zip(*(np.split(of_all, edges) for of_all in fitted), strict=True)
    return [_of_families(scores, short, better, strings, index) for scores, short, better in views]


def _of_families(scores, short, better, strings: Strings, index: CatalogueIndex):
    deviance = short.min(axis=0)
    best = owned_maximum(scores.max(axis=0), strings, index.n_families, FLOOR_NATS)
    suffix_margin = -owned_maximum(
        -better[scores.argmax(axis=0), np.arange(len(strings.codes))], strings, index.n_families, -np.inf
    )
    return (
        best,
        -owned_maximum(-deviance, strings, index.n_families, -MAX_DEVIANCE),
        np.where(
            np.isfinite(suffix_margin), suffix_margin, 0.0
        ),  # a family without a string has no sibling either
    )


def doubt_kind(view: UnitView, noise: ErrorModel) -> float:
    """Probability that a line's kind, cast or printed, was told wrongly.

    Where no outline of a unit was found, none of a label was either: the kind is then a guess from light and
    shade, worth nothing before someone has measured it.

    Parameters
    ----------
    view : UnitView
    noise : ErrorModel

    Returns
    -------
    chance : float, 0..1
    """
    return 0.5 if view.unit is None or view.unit.method == WHOLE_PHOTO else noise.kind_wrong


def _marks(views: Sequence[UnitView], index: CatalogueIndex, noise: ErrorModel, *, kind: str) -> list[Column]:
    """A cast text is mostly the mark; a printed line seldom is, so there only a hit speaks."""
    wanted = [_mark_lines(view, index, kind) for view in views]
    found = [nothing(index) for _ in views]
    seen = [place for place, texts in enumerate(wanted) if texts and index.marked]
    if not seen:
        return found
    unmarked = np.array([not family.marks for family in index.families])
    fitted = _fit_lines([wanted[place] for place in seen], index.marks, index, noise)
    for place, (best, deviance, suffix_margin) in zip(seen, fitted, strict=True):
        texts = wanted[place]
        if kind == "printed":
            odds = soften(best - np.log(len(texts)), 0.5) - np.log(0.5)
            found[place] = Column(odds, suffix_margin=suffix_margin)
            continue
        sure = max(text.confidence for text in texts)
        chance = (1.0 - noise.elsewhere(sure)) * (1.0 - doubt_kind(views[place], noise))
        odds = np.where(unmarked, np.log(1.0 - chance), soften(best, chance))
        found[place] = Column(odds, deviance=deviance, suffix_margin=suffix_margin)
    return found


def _mark_lines(view: UnitView, index: CatalogueIndex, kind: str) -> list[Text]:
    texts = [t for t in view.texts if t.kind == kind and len(compact(t.value)) >= 3]
    if kind == "printed":  # a date or a serial is no mark
        texts = [t for t in texts if strip_others(t, index.number_forms) is not None]
    return texts


def _nearest(texts: list[Text], strings: Strings, noise: ErrorModel) -> Text:
    """The line that is nearest to one of the strings; of one line there is nothing to find out."""
    if len(texts) == 1:
        return texts[0]
    scores = score_lines(texts, strings, noise).max(axis=1, initial=FLOOR_NATS)
    return texts[int(scores.argmax())]


def _mark_quote(kind: str) -> Quote:
    def quote(view: UnitView, held: CatalogueIndex, noise: ErrorModel) -> UnitView:
        texts = _mark_lines(view, held, kind)
        return replace(view, texts=(_nearest(texts, held.marks, noise),) if texts else ())

    return quote


def _mark_words(kind: str) -> Explain:
    def words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
        texts = [t for t in view.texts if t.kind == kind and len(compact(t.value)) >= 3]
        marks = " or ".join(m.text for m in alone.families[0].marks) or "no mark"
        place = "the cast mark" if kind == "cast" else "the label"
        if not texts:
            return f"{place} was not read"
        best = _nearest(texts, alone.marks, noise)
        if compact(best.value) in alone.marks.values:
            return f"{place} reads '{best.value}', the mark of {alone.families[0].key}"
        return f"{place} reads '{best.value}', {alone.families[0].key} carries {marks}"

    return words


def holds_listed_form(texts: Iterable[Text], index: CatalogueIndex) -> bool:
    """Whether a line holds, in whole words, what a number pattern of the catalogue matches fully.

    Parameters
    ----------
    texts : iterable of Text
    index : CatalogueIndex

    Returns
    -------
    holds : bool
    """
    left = [line for text in texts if (line := strip_others(text, index.number_forms)) is not None]
    runs = (matching_run(line, pattern) for line in left for pattern, _ in index.patterns)
    return any(run is not None and run.whole_words for run in runs)


def without_foreign_numbers(texts: Iterable[Text], index: CatalogueIndex) -> tuple[Text, ...]:
    """Lines but for those that look like a number and hold none of a form that the catalogue lists.

    Parameters
    ----------
    texts : iterable of Text
    index : CatalogueIndex

    Returns
    -------
    kept : tuple of Text
    """
    return tuple(
        text
        for text in texts
        if text.kind == "cast" or find_form(text.value, index.number_forms) or not looks_like_number(text)
    )


def _numbers(views: Sequence[UnitView], index: CatalogueIndex, noise: ErrorModel) -> list[Column]:
    """A printed line mostly is the number; one that was taken for casting is print with the chance of that
    slip."""
    wanted = [number_lines(view.texts, index.number_forms) for view in views]
    found = [nothing(index) for _ in views]
    seen = [place for place, texts in enumerate(wanted) if texts and index.number_rows]
    fitted = _fit_lines([wanted[place] for place in seen], index.numbers, index, noise) if seen else []
    for place, (best, deviance, suffix_margin) in zip(seen, fitted, strict=True):
        texts = wanted[place]
        printed = 1.0 if any(t.kind != "cast" for t in texts) else doubt_kind(views[place], noise)
        odds = soften(best - np.log(len(texts)), (1.0 - noise.number_elsewhere) * printed)
        found[place] = Column(odds, printed, deviance * printed, suffix_margin)
    return found


def _number_words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
    # Another family's numbers may have made a line a number; then any line may be the nearest.
    texts = number_lines(view.texts, alone.number_forms) or list(view.texts)
    best = _nearest(texts, alone.numbers, noise)
    key = alone.families[0].key
    if any(number in compact(best.value) for number in alone.numbers.values):
        return f"the label reads '{best.value}', a service number of {key}"
    nearest = alone.numbers.values[int(score_strings(best, alone.numbers, noise).argmax())]
    if for_it:
        listed = (n for v in alone.families[0].variants for n in v.service_numbers if compact(n) == nearest)
        printed = next(listed, nearest)
        return f"the label reads '{best.value}', close to {printed} of {key} but not the same"
    return f"the label reads '{best.value}', no number of {key}"


def _pattern(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """Does any printed line hold what the family's number pattern matches whole? One in four does by
    chance."""
    texts = [t for t in number_lines(view.texts, index.number_forms) if t.kind != "cast"]
    if not texts:
        return nothing(index)
    matched = np.zeros(index.n_families, dtype=bool)
    for pattern, rows in index.patterns:
        if any(matching_run(text, pattern) for text in texts):
            matched[list(rows)] = True
    right = noise.line_read * (1.0 - noise.number_elsewhere)
    return Column(np.where(matched, float(np.log(right / 0.25)), float(np.log((1.0 - right) / 0.75))))


def _pattern_words(alone, view: UnitView, noise, for_it: bool) -> str:
    does = "has" if for_it else "does not have"
    return f"a number on the label {does} the form of {alone.families[0].key}'s service numbers"


def _barcode(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """A decoded payload that holds a listed number as a whole field. Its check leaves next to no room for
    misreading; 1 label in 100 sits on the wrong unit (assumed, no source).

    A payload without anything that could be a number, a serial alone say, tells nothing.
    """
    payloads = [c.payload for c in view.codes if len(compact(c.payload)) >= 4]
    named = frozenset(row for payload in payloads for row in name_rows(payload, index))
    if not named and not any(holds_number(payload, index) for payload in payloads):
        return nothing(index)
    rows = np.zeros(index.n_families, dtype=bool)
    rows[list(named)] = True
    return Column(np.where(rows, float(np.log(0.99 / 1e-4)), float(np.log(0.3))))


def _barcode_words(alone, view: UnitView, noise, for_it: bool) -> str:
    payloads = [c.payload for c in view.codes]
    payload = next((p for p in payloads if name_rows(p, alone)), next(iter(payloads), ""))
    does = "holds" if for_it else "does not hold"
    return f"the barcode reads {payload}, which {does} a number of {alone.families[0].key}"


def _together(
    name: str,
    fit_all: FitAll,
    explain: Explain,
    correlation: float,
    witness: Literal["label", "casting"],
    quote: Quote | None = None,
) -> Rule:
    """A rule that compares the lines of all views in one go."""

    def fit(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
        return fit_all([view], index, noise)[0]

    return Rule(name, fit, explain, correlation, witness, fit_all, quote)


def _marks_of(name: str, kind: str, witness: Literal["label", "casting"]) -> Rule:
    return _together(name, partial(_marks, kind=kind), _mark_words(kind), 0.5, witness, _mark_quote(kind))


#: Two readings of one text err together less often than two views of one faded plug; a decoded barcode is the
#: same one every time (assumed, no source).
RULES = (
    _marks_of("cast mark", "cast", "casting"),
    _marks_of("label mark", "printed", "label"),
    _together("service number", _numbers, _number_words, 0.5, "label"),
    Rule("number pattern", _pattern, _pattern_words, correlation=0.8),
    Rule("barcode", _barcode, _barcode_words, correlation=0.9, witness="label"),
)
