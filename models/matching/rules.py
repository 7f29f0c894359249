"""Matching rules: what each kind of evidence in one view says about every family.

A rule compares the view with the family's catalogue entry and gives a log likelihood ratio in nats against
'some other unit'. It describes how well the entry fits, never which family it is, so whatever is learned on
top of these numbers holds for a catalogue that was never seen. Zero means that nothing was seen, or that it
tells nothing. The probabilities are those of error_model.py.
"""

from dataclasses import dataclass

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex, Strings, compact
from plugface.models.matching.alignment import best_match, gap_costs, measure_match, score_alignments
from plugface.models.matching.error_model import FINS, ErrorModel
from plugface.models.matching.label_fields import matching_run, number_lines, strip_others
from plugface.models.matching.payloads import holds_number, name_rows
from plugface.models.matching.text_fit import (
    FLOOR_NATS,
    WORST_SHORTFALL,
    measure_shortfall,
    measure_suffix_margin,
    score_strings,
)
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import COLOUR_CODES, Text

#: Rules in the order of the columns of every evidence array.
RULES = (
    "plugs",
    "cast mark",
    "label mark",
    "service number",
    "number pattern",
    "barcode",
    "outline",
    "body colour",
    "fins",
)


#: Method of a unit that was not outlined: everything in the photo was taken for its own.
WHOLE_PHOTO = "whole photo"


@dataclass(frozen=True)
class ViewFit:
    """One view against all families."""

    log_odds: np.ndarray  # float (n_families, n_rules), nats
    measured: np.ndarray  # float (n_rules,), 0..1: how much of this rule's evidence the view holds
    shortfall: np.ndarray  # float (n_families, n_rules), nats >= 0: below an entry that fits to perfection
    sibling: np.ndarray  # the same, below one that differs in the last figures of its mark or number alone


def fit_view(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> ViewFit:
    """All rules on one view, columns as in RULES.

    Parameters
    ----------
    view : UnitView
    index : CatalogueIndex
    noise : ErrorModel

    Returns
    -------
    fit : ViewFit
    """
    columns = (
        _plugs(view, index, noise),
        _mark(view, "cast", index, noise),
        _mark(view, "printed", index, noise),
        _number(view, index, noise),
        _pattern(view, index, noise),
        _barcode(view, index),
        _outline(view, index, noise),
        _body_colour(view, index, noise),
        _fins(view, index, noise),
    )
    none = np.zeros(index.n_families)
    return ViewFit(
        log_odds=np.stack([c.log_odds for c in columns], axis=1),
        measured=np.array([c.measured for c in columns]),
        shortfall=np.stack([none if c.shortfall is None else c.shortfall for c in columns], axis=1),
        sibling=np.stack([none if c.sibling is None else c.sibling for c in columns], axis=1),
    )


@dataclass(frozen=True)
class Column:
    """One rule of one view; `shortfall` is left out where no perfect fit can be named, and `sibling` where
    there are no figures."""

    log_odds: np.ndarray
    measured: float = 1.0
    shortfall: np.ndarray | None = None
    sibling: np.ndarray | None = None


def _nothing(index: CatalogueIndex) -> Column:
    return Column(np.zeros(index.n_families), 0.0)


def _plugs(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """Best alignment if the plug face is seen; nothing if it is the back: both, weighed by the face."""
    if view.unit is None or view.front < 0.01:
        return _nothing(index)
    connectors, other = view.unit.connectors, view.unit.other_order
    if not connectors and view.unit.method == WHOLE_PHOTO:  # nothing was outlined, so no plugs were sought
        return _nothing(index)
    miss, extra = gap_costs(connectors, noise)
    if connectors:
        score = score_alignments(measure_match(connectors, index, noise), index.counts, miss, extra)
    else:
        score = miss * index.counts
    if other and connectors:
        turned = tuple(connectors[i] for i in other)
        odds = measure_match(turned, index, noise, turned=True)
        second = score_alignments(odds, index.counts, miss, extra[list(other)])
        score = np.logaddexp(score, second) - np.log(2.0)
    shortfall = np.maximum(best_match(connectors, noise) - score, 0.0) * view.front
    log_odds = np.logaddexp(np.log(view.front) + score, np.log(max(1.0 - view.front, 1e-3)))
    return Column(log_odds, view.front, shortfall)


def _soften(log_odds: np.ndarray, chance: float) -> np.ndarray:
    """The line is what the rule takes it for with probability `chance`, else it tells nothing."""
    return np.logaddexp(np.log(1.0 - chance), np.log(chance) + log_odds)


def owned_maximum(scores: np.ndarray, strings: Strings, n_families: int, floor: float) -> np.ndarray:
    """Largest score among each family's strings, shape (n_families,); `floor` for a family without any.

    Parameters
    ----------
    scores : float ndarray, shape (n_strings,), nats
    strings : Strings, n_strings of them
    n_families : int
    floor : float, nats

    Returns
    -------
    largest : float ndarray, shape (n_families,), nats
    """
    best = np.full(n_families, floor)
    for score, owners in zip(scores, strings.owners, strict=True):
        for owner in owners:
            best[owner] = max(best[owner], score)
    return best


def _fit_lines(
    texts: list[Text], strings: Strings, index: CatalogueIndex, noise: ErrorModel
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Best line for each family, how far the closest line is from what was read there, and how much better a
    sibling of the family would fit the line that fits it best."""
    scores = np.array([score_strings(text, strings, noise) for text in texts])
    shortfall = np.array([measure_shortfall(text, strings, noise) for text in texts]).min(axis=0)
    best = owned_maximum(scores.max(axis=0), strings, index.n_families, FLOOR_NATS)
    better = np.array([measure_suffix_margin(text, strings, noise) for text in texts])
    sibling = -owned_maximum(
        -better[scores.argmax(axis=0), np.arange(len(strings.codes))], strings, index.n_families, -np.inf
    )
    return (
        best,
        -owned_maximum(-shortfall, strings, index.n_families, -WORST_SHORTFALL),
        np.where(np.isfinite(sibling), sibling, 0.0),  # a family without a string has no sibling either
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
    doubt : float, 0..1
    """
    return 0.5 if view.unit is None or view.unit.method == WHOLE_PHOTO else noise.kind_wrong


def _mark(view: UnitView, kind: str, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """A cast text is mostly the mark; a printed line seldom is, so there only a hit speaks."""
    texts = [t for t in view.texts if t.kind == kind and len(compact(t.value)) >= 3]
    if kind == "printed":  # a date or a serial is no mark
        texts = [t for t in texts if strip_others(t, index.number_forms) is not None]
    if not texts or not index.marks.values:
        return _nothing(index)
    best, shortfall, sibling = _fit_lines(texts, index.marks, index, noise)
    if kind == "printed":
        return Column(_soften(best - np.log(len(texts)), 0.5) - np.log(0.5), sibling=sibling)
    unmarked = np.array([not family.marks for family in index.families])
    sure = max(text.confidence for text in texts)
    chance = (1.0 - noise.elsewhere(sure)) * (1.0 - doubt_kind(view, noise))
    odds = np.where(unmarked, np.log(1.0 - chance), _soften(best, chance))
    return Column(odds, shortfall=shortfall, sibling=sibling)


def _number(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """A printed line mostly is the number; one that was taken for casting is print with the chance of that
    slip."""
    texts = number_lines(view.texts, index.number_forms)
    if not texts or not index.numbers.values:
        return _nothing(index)
    best, shortfall, sibling = _fit_lines(texts, index.numbers, index, noise)
    printed = 1.0 if any(t.kind != "cast" for t in texts) else doubt_kind(view, noise)
    chance = (1.0 - noise.number_elsewhere) * printed
    return Column(_soften(best - np.log(len(texts)), chance), printed, shortfall * printed, sibling)


def _pattern(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """Does any printed line hold what the family's number pattern matches whole? One in four does by
    chance."""
    texts = [t for t in number_lines(view.texts, index.number_forms) if t.kind != "cast"]
    if not texts:
        return _nothing(index)
    matched = np.zeros(index.n_families, dtype=bool)
    for pattern, rows in index.patterns:
        if any(matching_run(text, pattern) for text in texts):
            matched[list(rows)] = True
    right = noise.line_read * (1.0 - noise.number_elsewhere)
    return Column(np.where(matched, float(np.log(right / 0.25)), float(np.log((1.0 - right) / 0.75))))


def _barcode(view: UnitView, index: CatalogueIndex) -> Column:
    """A decoded payload that holds a listed number as a whole field. Its check leaves next to no room for
    misreading; 1 label in 100 sits on the wrong unit (assumed, no source).

    A payload without anything that could be a number, a serial alone say, tells nothing.
    """
    payloads = [c.payload for c in view.codes if len(compact(c.payload)) >= 4]
    named = frozenset(row for payload in payloads for row in name_rows(payload, index))
    if not named and not any(holds_number(payload, index) for payload in payloads):
        return _nothing(index)
    rows = np.zeros(index.n_families, dtype=bool)
    rows[list(named)] = True
    return Column(np.where(rows, float(np.log(0.99 / 1e-4)), float(np.log(0.3))))


def _outline(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """Long to short side, log-normal; other units are taken as normal(0.45, 0.35) in the logarithm."""
    if view.unit is None or view.unit.body is None:
        return _nothing(index)
    seen = np.log(max(view.unit.body.aspect, 1.0))
    known = _log_normal(seen, index.log_aspect, noise.aspect_sd)
    return Column(_soften(known - _log_normal(seen, 0.45, 0.35), 0.9))


def _log_normal(x: float, mean, sd: float):
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd)


def _body_colour(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """The colour that is seen is the body's or the lid's; either counts."""
    if view.unit is None or view.unit.body is None or not view.unit.body.colour:
        return _nothing(index)
    seen = np.array([view.unit.body.colour.get(k, 0.0) for k in COLOUR_CODES])
    spread = noise.body_colour_right * seen + (1.0 - noise.body_colour_right) / len(COLOUR_CODES)
    # Bodies are grey or black far more often than one in twelve; half the ratio's logarithm allows for that.
    return Column(0.5 * np.log(len(COLOUR_CODES) * spread[index.body_colour].max(axis=1)))


def _fins(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    if view.unit is None or view.unit.body is None or not view.unit.body.fins:
        return _nothing(index)
    seen = np.array([view.unit.body.fins.get(k, 0.0) for k in FINS])
    spread = noise.fins_right * seen + (1.0 - noise.fins_right) / len(FINS)
    return Column(np.log(len(FINS) * spread[index.fins]))
