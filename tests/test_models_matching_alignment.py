"""Alignment against brute force and against hand-worked costs."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from plugface.models.catalogue.index import index_families
from plugface.models.learning.invent import invent_catalogue
from plugface.models.matching.alignment import align, best_match, gap_costs, measure_match, score_alignments
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rules import column_of, fit_view
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Connector, Unit
from scipy.stats import multivariate_normal

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


def in_place(family, index, noise, shift):
    """Plugs of a family, surely seen, where its entry has them but for one shift; and how they align."""
    places = index.place[0, : len(family.connectors)] + shift
    seen = tuple(
        replace(plug(c.colour, c.size), place=tuple(at.tolist()))
        for c, at in zip(family.connectors, places, strict=True)
    )
    return seen, align(measure_match(seen, index, noise)[0], *gap_costs(seen, noise))


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_places_are_normal_about_the_entry_with_one_shift_for_all(n):
    noise = replace(NOISE, place_wild=0.0)
    # Plugs of one kind each, so that which is which is certain and the density has a closed form.
    family = next(
        f
        for seed in range(40)
        for f in invent_catalogue(40, seed).families
        if len(f.connectors) == n and len({(c.colour, c.size) for c in f.connectors}) == n
    )
    index = index_families((family,))
    shift = (0.2, -0.25)
    seen, found = in_place(family, index, noise, shift)
    bare = tuple(replace(c, place=None) for c in seen)
    without = align(measure_match(bare, index, noise)[0], *gap_costs(bare, noise))
    covariance = noise.place_sd**2 * np.eye(n) + noise.place_shift**2
    expected = sum(multivariate_normal(cov=covariance).logpdf([s] * n) for s in shift)
    # 0.2 nats: another plug of the unit has some small share in a place that lies near its own.
    assert found.score - without.score == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.17, 0.1)])
def test_an_entry_that_agrees_with_all_places_but_for_a_shift_reaches_what_can_be_reached(shift):
    for seed in (5, 6, 7):
        for family in invent_catalogue(12, seed).families:
            index, n = index_families((family,)), len(family.connectors)
            seen, found = in_place(family, index, NOISE, shift)
            # Of the normal density with one covariance: what the shift costs over no shift.
            cost = 0.5 * n * np.square(shift).sum() / (NOISE.place_sd**2 + n * NOISE.place_shift**2)
            assert found.score == pytest.approx(best_match(seen, NOISE) - cost, abs=0.3)


def test_a_unit_read_half_a_turn_round_is_held_against_places_turned_round():
    family = next(f for f in invent_catalogue(20, 3).families if len(f.connectors) == 4)
    index = index_families((family,))
    seen, upright = in_place(family, index, NOISE, (0.1, -0.05))
    turned = tuple(replace(c, place=(-c.place[0], -c.place[1])) for c in seen)
    there = measure_match(seen, index, NOISE)
    assert measure_match(turned, index, NOISE, turned=True) == pytest.approx(there)
    assert upright.score > align(measure_match(turned, index, NOISE)[0], *gap_costs(seen, NOISE)).score + 1


def test_a_shift_of_all_plugs_does_not_make_a_unit_another_that_is_turned_round():
    """Six plugs in two rows, and the same with each row mirrored: seen from the side, the way up not told."""
    from plugface.cli.settings import demo_folder
    from plugface.models.catalogue.entries import load_catalogue

    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    families = [catalogue.by_key[key] for key in ("KNOT 40", "KNOT 41")]
    for k, family in enumerate(families):
        alone = index_families((family,))
        for shift in ((0.0, 0.0), (0.0, 0.2), (0.0, -0.2), (0.15, 0.1)):
            seen, _ = in_place(family, alone, NOISE, shift)
            unit = Unit(
                SQUARE, 0.9, {"front": 1.0, "back": 0.0}, connectors=seen, other_order=(5, 4, 3, 2, 1, 0)
            )
            fit = fit_view(UnitView(0, "", True, unit, (), ()), index_families(families), NOISE)
            odds = fit.log_odds[:, column_of("plugs")]
            assert odds[k] > odds[1 - k] + np.log(20), shift


@pytest.mark.parametrize(("method", "sought"), [("whole photo", 0.0), ("segmenter", 1.0)])
def test_no_plugs_say_nothing_where_none_were_sought(method, sought):
    index = index_families(invent_catalogue(6, 1).families)
    unit = Unit(SQUARE, 0.9, {"front": 1.0, "back": 0.0}, method=method)
    fit = fit_view(UnitView(0, "", True, unit, (), ()), index, NOISE)
    assert fit.measured[column_of("plugs")] == sought
    assert np.any(fit.log_odds[:, column_of("plugs")] != 0) == bool(sought)
