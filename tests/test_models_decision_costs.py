"""Thresholds against the costs they are said to follow from."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.models.decision.costs import HAZARDOUS_PLUGS, Costs

COSTS = Costs()


def test_at_each_threshold_both_actions_cost_the_same():
    p = COSTS.accept_at
    assert (1 - p) * COSTS.wrong_accept == pytest.approx(COSTS.second_look)
    p = COSTS.refuse_at
    assert (1 - p) * COSTS.wrong_refusal == pytest.approx(COSTS.second_look)
    p = COSTS.caution_at
    assert (1 - p) * COSTS.needless_caution == pytest.approx(p * COSTS.missed_hazard)


@given(st.floats(0.01, 0.99))
def test_the_colour_threshold_is_where_bayes_rule_reaches_the_caution_threshold(share):
    # Written out anew: likelihood ratio of the posterior share against an even one, times the prior odds.
    ratio = (share / (1 - share)) / ((1 / 12) / (11 / 12))
    odds = ratio * HAZARDOUS_PLUGS / (1 - HAZARDOUS_PLUGS)
    chance = odds / (1 + odds)
    if abs(share - COSTS.colour_caution_at()) > 1e-9:
        assert (share > COSTS.colour_caution_at()) == (chance > COSTS.caution_at)


def test_an_even_posterior_never_warns_and_an_even_chance_always_does():
    assert 1 / 12 < COSTS.colour_caution_at() < 0.5
    assert Costs(missed_hazard=4000.0).colour_caution_at() < COSTS.colour_caution_at()


def test_the_cheapest_action_costs_at_most_a_second_look():
    for best in np.linspace(0, 1, 11):
        assert COSTS.of_family(best, 1 - best) <= COSTS.second_look
        assert COSTS.of_variant(best) <= COSTS.second_look
    assert COSTS.of_family(1.0, 0.0) == 0.0


@pytest.mark.parametrize(
    "wrong", [{"second_look": 0.0}, {"second_look": 30.0}, {"needless_caution": 0.0}, {"missed_hazard": 10.0}]
)
def test_costs_that_make_no_sense_are_refused(wrong):
    with pytest.raises(ValueError, match="must cost more"):
        Costs(**wrong)


@pytest.mark.parametrize(
    ("best", "unknown", "cost"),
    [
        (0.0, 0.9, 1.0),  # to look again is cheapest
        (0.999, 0.0, 0.1),  # accepted: one in a thousand is wrong
        (0.0, 0.999, 0.02),  # refused: one in a thousand is wrong
    ],
)
def test_the_cheapest_of_accepting_refusing_and_looking_again_is_what_it_costs(best, unknown, cost):
    costs = Costs(second_look=1.0, wrong_accept=100.0, wrong_refusal=20.0)
    assert costs.of_family(best, unknown) == pytest.approx(cost)
