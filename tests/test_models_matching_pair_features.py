"""What the classifier sees of a family beside its rivals."""

import numpy as np
import pytest
from plugface.models.matching.fusion import FusedFit
from plugface.models.matching.pair_features import PAIR_FEATURES, describe_pairs
from plugface.models.matching.rules import column_of, rule_names


def fused(*totals: float) -> FusedFit:
    log_odds = np.zeros((len(totals), len(rule_names())))
    log_odds[:, column_of("plugs")] = totals
    none = np.zeros_like(log_odds)
    return FusedFit(log_odds, np.ones(len(rule_names())), none, none)


def margins(*totals: float) -> list[float]:
    table = describe_pairs(fused(*totals), np.ones(len(rule_names())), unknown=0.1)
    return table[:, PAIR_FEATURES.index("margin")].tolist()


def test_the_margin_is_against_the_best_rival_and_not_against_oneself():
    assert margins(5.0, 3.0, 1.0) == pytest.approx([2.0, -2.0, -4.0])


def test_the_worst_rule_is_the_one_that_fits_worst():
    one = fused(5.0, 3.0)
    one.log_odds[0, column_of("cast mark")] = -7.0
    table = describe_pairs(one, np.ones(len(rule_names())), unknown=0.1)
    assert table[0, PAIR_FEATURES.index("worst")] == pytest.approx(-7.0)
