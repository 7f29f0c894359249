"""The observation types and the order in which connectors are read."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.vision.observations import Connector, reading_order

# Tenths of a millimetre as whole numbers, so that moved and scaled copies are exact.
CONNECTORS = st.lists(
    st.tuples(st.integers(-1500, 1500), st.integers(-1500, 1500), st.integers(160, 800)), max_size=8
)


def test_one_row_is_read_from_left_to_right():
    assert reading_order([(113, -12), (-105, -12), (45, -11), (-30, -12)], [20, 24, 24, 24]) == (1, 3, 2, 0)


def test_upper_row_comes_first_whatever_its_x():
    assert reading_order([(-40, -25), (40, 13)], [28, 28]) == (1, 0)


def test_two_plugs_on_the_long_edge_come_before_the_turned_one_round_the_corner():
    # The third stands upright: 60 high, its centre 68 below the others, whose height is 26.
    assert reading_order([(92, -10), (16, 58), (-68, 58)], [60, 26, 26]) == (2, 1, 0)


def test_the_smaller_housing_decides_whether_two_stand_in_one_row():
    # 12 apart: less than half of 28, but not less than half of 20.
    assert reading_order([(0, 0), (-30, -12)], [28, 28]) == (1, 0)
    assert reading_order([(0, 0), (-30, -12)], [28, 20]) == (0, 1)


def test_nothing_and_one():
    assert reading_order([], []) == ()
    assert reading_order([(3.0, 4.0)], [1.0]) == (0,)


def test_lengths_must_agree():
    with pytest.raises(ValueError, match="2 centres need as many heights, got 1"):
        reading_order([(0, 0), (1, 1)], [5])


@given(CONNECTORS)
def test_order_names_every_connector_once_and_is_stable(connectors):
    points, heights = [(x, y) for x, y, _ in connectors], [h for _, _, h in connectors]
    order = reading_order(points, heights)
    assert sorted(order) == list(range(len(points)))
    again = reading_order([points[i] for i in order], [heights[i] for i in order])
    assert [points[order[i]] for i in again] == [points[i] for i in order]


@given(CONNECTORS, st.integers(-9999, 9999), st.integers(-9999, 9999), st.sampled_from([1, 2, 8]))
def test_order_does_not_depend_on_place_or_scale(connectors, dx, dy, scale):
    points, heights = [(x, y) for x, y, _ in connectors], [h for _, _, h in connectors]
    moved = [(scale * x + dx, scale * y + dy) for x, y in points]
    assert reading_order(moved, [scale * h for h in heights]) == reading_order(points, heights)


@given(CONNECTORS)
def test_a_connector_far_below_the_others_is_read_last(connectors):
    points, heights = [(x, y) for x, y, _ in connectors], [h for _, _, h in connectors]
    assert reading_order([*points, (0, -9000)], [*heights, 800])[-1] == len(points)


def test_a_posterior_must_sum_to_one():
    with pytest.raises(ValueError, match="colour must sum to 1"):
        Connector(polygon=(), colour={"BK": 0.5}, size={"L": 1.0}, size_ratio=0.3, confidence=0.9)
