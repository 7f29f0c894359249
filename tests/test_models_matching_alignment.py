"""Alignment against brute force and against hand-worked costs."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from plugface.models.catalogue.index import index_families
from plugface.models.learning.invent import invent_catalogue
from plugface.models.matching.alignment import align, gap_costs, measure_match, score_alignments
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rules import column_of, fit_view
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Connector, Unit

NOISE = ErrorModel()
SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def brute_force(odds, log_miss, log_extra):
    """Best over all order-keeping partial matchings, written out."""
    n, m = odds.shape
    best = -np.inf
    for k in range(min(n, m) + 1):
        for rows in combinations(range(n), k):
            for columns in combinations(range(m), k):
                extra = sum(log_extra[i] for i in range(n) if i not in rows)
                score = sum(odds[i, j] for i, j in zip(rows, columns, strict=True))
                best = max(best, score + extra + (m - k) * log_miss)
    return best


sizes = st.tuples(st.integers(1, 4), st.integers(1, 4))


@settings(max_examples=150, deadline=None)
@given(sizes.flatmap(lambda s: arrays(float, s, elements=st.floats(-8, 6))), st.floats(-6, -0.5))
def test_alignment_equals_brute_force(odds, log_miss):
    log_extra = np.linspace(-3.0, -1.0, len(odds))
    found = align(odds, log_miss, log_extra)
    # 1e-9: sums of a few numbers below 10 in another order.
    assert found.score == pytest.approx(brute_force(odds, log_miss, log_extra), abs=1e-9)
    told = sum(odds[i, j] for i, j in found.pairs) + len(found.missed) * log_miss
    assert told + sum(log_extra[i] for i in found.extra) == pytest.approx(found.score, abs=1e-9)
    assert list(found.pairs) == sorted(found.pairs)


def test_many_families_score_as_each_alone():
    families = invent_catalogue(12, 3).families
    seen = (plug("GY", "L"), plug("BK", "M"), plug("WH", "S"))
    index = index_families(families)
    miss, extra = gap_costs(seen, NOISE)
    together = score_alignments(measure_match(seen, index, NOISE), index.counts, miss, extra)
    for row, family in enumerate(families):
        alone = measure_match(seen, index_families((family,)), NOISE)[0]
        assert align(alone, miss, extra).score == pytest.approx(together[row], abs=1e-9)


def test_a_missed_plug_costs_its_probability_and_no_more():
    family = next(f for f in invent_catalogue(40, 1).families if len(f.connectors) == 3)
    index = index_families((family,))
    whole = tuple(plug(c.colour, c.size) for c in family.connectors)
    odds = measure_match(whole, index, NOISE)[0]
    miss, extra = gap_costs(whole, NOISE)
    best = align(odds, miss, extra)
    without = align(odds[[0, 2]], miss, extra[[0, 2]])
    assert best.score - without.score == pytest.approx(odds[1, 1] - np.log(NOISE.miss))
    assert without.missed == (1,)


def test_nothing_seen_costs_every_plug():
    assert align(np.zeros((0, 3)), -2.0, np.zeros(0)).score == pytest.approx(-6.0)


def plug(colour: str, size: str) -> Connector:
    return Connector(SQUARE, {colour: 1.0}, {size: 1.0}, 0.3, 1.0)


@pytest.mark.parametrize(("method", "sought"), [("whole photo", 0.0), ("segmenter", 1.0)])
def test_no_plugs_say_nothing_where_none_were_sought(method, sought):
    index = index_families(invent_catalogue(6, 1).families)
    unit = Unit(SQUARE, 0.9, {"front": 1.0, "back": 0.0}, method=method)
    fit = fit_view(UnitView(0, "", True, unit, (), ()), index, NOISE)
    assert fit.measured[column_of("plugs")] == sought
    assert np.any(fit.log_odds[:, column_of("plugs")] != 0) == bool(sought)
