"""The rule of the plug face: connectors in order, their colours, sizes and pins."""

from dataclasses import replace

import numpy as np
from plugface.models.catalogue.entries import Family
from plugface.models.catalogue.index import BLANK, CatalogueIndex
from plugface.models.matching.alignment import (
    Alignment,
    align,
    best_match,
    gap_costs,
    measure_match,
    score_alignments,
)
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rule import WHOLE_PHOTO, Column, Rule, most_probable, nothing
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Connector, Unit, best_colour


def _plugs(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """Best alignment if the plug face is seen; nothing if it is the back: both, weighed by the face."""
    if view.unit is None or view.front < 0.01:
        return nothing(index)
    connectors = view.unit.connectors
    if not connectors and view.unit.method == WHOLE_PHOTO:  # nothing was outlined, so no plugs were sought
        return nothing(index)
    score = fitting = _score_face(view.unit, index, noise)
    blank = index.colour == BLANK
    if blank.any():  # no entry that fits better would explain what a plug without a colour looks like
        passing = np.where(blank, len(noise.taught), index.colour)
        fitting = _score_face(view.unit, replace(index, colour=passing), noise)
    deviance = np.maximum(best_match(connectors, noise) - fitting, 0.0) * view.front
    log_odds = np.logaddexp(np.log(view.front) + score, np.log(max(1.0 - view.front, 1e-3)))
    return Column(log_odds, view.front, deviance)


def _score_face(unit: Unit, index: CatalogueIndex, noise: ErrorModel) -> np.ndarray:
    """Best alignment of each family's plugs, nats; of both readings where it is open which is right."""
    connectors, other = unit.connectors, unit.other_order
    miss, extra = gap_costs(connectors, noise)
    if not connectors:
        return miss * index.counts
    odds = measure_match(connectors, index, noise)
    score = score_alignments(odds, index.counts, miss, extra)
    if other:
        turned = tuple(connectors[i] for i in other)
        odds = measure_match(turned, index, noise, turned=True)
        second = score_alignments(odds, index.counts, miss, extra[list(other)])
        score = np.logaddexp(score, second) - np.log(2.0)
    return score


def _align_readings(
    unit: Unit, alone: CatalogueIndex, noise: ErrorModel
) -> list[tuple[Alignment, tuple[Connector, ...]]]:
    """Plugs as they are and, where there is one, in their other order, each with its best alignment."""
    readings = [unit.connectors]
    if unit.other_order:
        readings.append(tuple(unit.connectors[i] for i in unit.other_order))
    return [
        (align(measure_match(r, alone, noise, turned=k > 0)[0], *gap_costs(r, noise)), r)
        for k, r in enumerate(readings)
    ]


def fits_turned(view: UnitView, alone: CatalogueIndex, noise: ErrorModel) -> bool:
    """Whether the unit's plugs fit a family better in their other order.

    Parameters
    ----------
    view : UnitView
    alone : CatalogueIndex
        Of that family alone.
    noise : ErrorModel

    Returns
    -------
    fits_turned : bool
    """
    if view.unit is None or not view.unit.other_order:
        return False
    (as_seen, _), (turned, _) = _align_readings(view.unit, alone, noise)
    return turned.score > as_seen.score


def _plug_words(alone: CatalogueIndex, view: UnitView, noise: ErrorModel, for_it: bool) -> str:
    assert view.unit is not None  # else the rule would have said nothing
    family, connectors = alone.families[0], view.unit.connectors
    wanted = " ".join(f"{c.colour}-{c.size}" for c in family.connectors)
    if not connectors:
        return f"no plug was found; {family.key} has {wanted}"
    best, reading = max(_align_readings(view.unit, alone, noise), key=lambda pair: pair[0].score)
    seen = " ".join(f"{best_colour(c.colour) or '?'}-{most_probable(c.size)}" for c in reading)
    slips = [_slip(reading[i], family, j, noise) for i, j in best.pairs]
    slips += [f"plug {j + 1} ({family.connectors[j].colour}) was not found" for j in best.missed]
    extra = [best_colour(reading[i].colour) for i in best.extra]
    slips += [f"one {colour} plug too many" if colour else "one plug too many" for colour in extra]
    slips = [slip for slip in slips if slip]
    untold = {c.colour for c in family.connectors}.difference(noise.taught, *(c.colour for c in reading))
    but = f"; how {' and '.join(sorted(untold))} looks was not taught yet" if untold else ""
    if slips:
        return f"plugs seen {seen}, {family.key} has {wanted}: {'; '.join(slips)}{but}"
    if not any(best_colour(c.colour) for c in reading):
        return f"plugs {seen} agree with {family.key} in number and size; their colours are not known"
    return f"plugs {seen} agree with {family.key} in number, order, colour and size{but}"


def _slip(connector: Connector, family: Family, j: int, noise: ErrorModel) -> str:
    known, slips = family.connectors[j], []
    colour = best_colour(connector.colour)
    if colour is not None and colour != known.colour and known.colour in (*noise.taught, *connector.colour):
        slips.append(f"{colour} for {known.colour}")
    if most_probable(connector.size) != known.size:
        slips.append(f"size {most_probable(connector.size)} for {known.size}")
    if connector.pins and tuple(connector.pins) != known.pins:
        slips.append("{}x{} pins for {}x{}".format(*connector.pins, *known.pins))
    return f"plug {j + 1} " + ", ".join(slips) if slips else ""


RULES = (Rule("plugs", _plugs, _plug_words, correlation=0.8),)
