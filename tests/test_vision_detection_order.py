"""The canonical order must not depend on how the phone was held."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.vision.detection.order import (
    ORIENTATION_RESOLVED,
    order_connectors,
    other_reading,
    own_frame,
    place_in_unit,
    resolve_orientation,
)

# Three housings in a row over one below, in a unit's own frame: centre x, y (up), width, height.
HOUSINGS = [(-40, 20, 30, 14), (0, 21, 30, 14), (40, 20, 20, 10), (10, -20, 50, 16)]
UNIT = [(-60, 40), (60, 40), (60, -40), (-60, -40)]


def _in_picture(points, up_deg: float):
    """Own frame (y up) to picture (y down), turned so that up points at `up_deg`."""
    turn = np.radians(up_deg - 90)
    x, y = np.asarray(points, float).T
    return tuple(
        zip(
            (x * np.cos(turn) - y * np.sin(turn) + 300).tolist(),
            (-(x * np.sin(turn) + y * np.cos(turn)) + 200).tolist(),
            strict=True,
        )
    )


def _polygons(up_deg: float, slope: float = 0.0):
    corners = [
        [(x - w / 2, y + h / 2), (x + w / 2, y + h / 2), (x + w / 2, y - h / 2), (x - w / 2, y - h / 2)]
        for x, y, w, h in HOUSINGS
    ]
    return [_in_picture([(x, y + slope * x) for x, y in c], up_deg) for c in corners]


def _box(width, height, turn_deg, centre):
    """Corners (4, 2) on the unit, y up."""
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)]) * (width / 2, height / 2) @ rotation.T + centre


@given(st.floats(0, 360))
def test_order_is_the_same_at_every_turn(up_deg):
    assert order_connectors(_polygons(up_deg), up_deg) == (0, 1, 2, 3)


@given(st.floats(0, 360), st.permutations(range(4)))
def test_order_does_not_depend_on_which_was_found_first(up_deg, shuffled):
    polygons = _polygons(up_deg)
    order = order_connectors([polygons[i] for i in shuffled], up_deg)
    assert [shuffled[i] for i in order] == [0, 1, 2, 3]


@given(st.floats(0, 360), st.floats(-14, 14))
def test_a_row_stays_a_row_where_up_is_some_degrees_off(up_deg, off_deg):
    assert order_connectors(_polygons(up_deg), up_deg + off_deg) == (0, 1, 2, 3)


@given(st.floats(0, 360), st.floats(-0.25, 0.25))
def test_a_row_seen_aslant_is_read_from_its_own_left(up_deg, slope):
    """As perspective does, each housing farther to the right stands higher or lower by `slope`."""
    assert order_connectors(_polygons(up_deg, slope), up_deg) == (0, 1, 2, 3)


@given(st.floats(0, 360))
def test_a_seated_plug_that_lies_askew_does_not_turn_its_row(up_deg):
    boxes = ((20, 12, 0, (-50, 20)), (50, 30, -25, (0, 20)), (20, 12, 0, (52, 20)))
    polygons = [_in_picture(_box(*box), up_deg) for box in boxes]
    assert order_connectors(polygons, up_deg) == (0, 1, 2)


@given(st.floats(0, 360))
def test_of_two_plugs_the_one_that_lies_askew_does_not_turn_the_row_on_a_straight_unit(up_deg):
    # Along the edges of the second its middle lies higher than that of the first.
    boxes = ((26, 20, 0, (-55, 0)), (70, 24, -15, (25, 0)), (160, 90, 0, (0, 0)))
    *polygons, unit = (_in_picture(_box(*box), up_deg) for box in boxes)
    assert order_connectors(polygons, up_deg, unit) == (0, 1)
    assert order_connectors(polygons, up_deg) == (1, 0)  # the edges of the two alone do not tell
    assert other_reading(polygons, (0, 1), up_deg, unit) == (1, 0)  # upside down the unit tells as well


@given(st.floats(0, 360))
def test_the_box_round_a_round_plug_does_not_turn_its_row(up_deg):
    """Its sides are nearly equal, so that its box lies as the outline's corners happen to be."""
    boxes = ((50, 48, -30, (-60, 0)), (20, 8, 0, (0, 0)), (26, 8, 0, (60, 0)))
    polygons = [_in_picture(_box(*box), up_deg) for box in boxes]
    assert order_connectors(polygons, up_deg) == (0, 1, 2)


@pytest.mark.parametrize(
    ("size", "step", "order"),
    [
        ((60, 10), (-15, -14), (0, 1, 2)),  # wide ones below each other: their heights tell, not their widths
        ((10, 60), (-15, -14), (2, 1, 0)),  # tall ones beside each other
        ((12, 10), (-22, -16), (0, 1, 2)),  # lines between them at 36 degrees: no row runs so
    ],
)
@given(up_deg=st.floats(0, 360))
def test_in_a_flight_of_steps_the_height_of_a_housing_tells_its_row(size, step, order, up_deg):
    boxes = [_box(*size, 0, np.multiply(step, k)) for k in range(3)]
    assert order_connectors([_in_picture(box, up_deg) for box in boxes], up_deg) == order


def test_the_other_reading_is_the_unit_on_its_head():
    polygons = _polygons(90)
    order = order_connectors(polygons, 90)
    assert other_reading(polygons, order, 90) == (3, 2, 1, 0)


def test_no_connectors_have_no_order():
    assert order_connectors([], 90) == ()


@given(st.floats(0, 360))
def test_places_are_in_the_units_own_frame(up_deg):
    x, y = place_in_unit(_polygons(up_deg)[0], _in_picture(UNIT, up_deg), up_deg)
    assert x == pytest.approx(-40 / 120, abs=1e-6)
    assert y == pytest.approx(20 / 80, abs=1e-6)


def test_own_frame_of_an_upright_unit_turns_y_up():
    np.testing.assert_allclose(own_frame(np.array([[3.0, 4.0]]), 90), [[3, -4]], atol=1e-9)


LYING = ((0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0))


def _turned(turn_deg):
    turn = np.radians(turn_deg)
    outline = np.array(LYING) @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return tuple(map(tuple, outline))


def _axis(up_deg, length):
    return length * np.cos(np.radians(2 * up_deg)), length * np.sin(np.radians(2 * up_deg))


@pytest.mark.parametrize("turn_deg", [0.0, 31.0, 90.0, 200.0])
def test_an_unsure_shape_lies_with_its_longer_side_across(turn_deg):
    up_deg, confidence, _ = resolve_orientation((0.1, 0.02), _turned(turn_deg), None, 0.0)
    assert min((up_deg - 90 - turn_deg) % 180, (90 + turn_deg - up_deg) % 180) < 0.1
    assert confidence == 0  # which long side is up stays open


@pytest.mark.parametrize("standing_deg", [0.0, 20.0, 170.0])
def test_a_sure_axis_counts_more_than_the_outline(standing_deg):
    up_deg, confidence, _ = resolve_orientation(_axis(standing_deg, 0.8), LYING, None, 0.0)
    assert min((up_deg - standing_deg) % 180, (standing_deg - up_deg) % 180) < 1e-6
    assert confidence == 0


@pytest.mark.parametrize("way_deg", [90.0, 270.0])
def test_a_reading_tells_the_way_along_the_axis(way_deg):
    up_deg, confidence, method = resolve_orientation(_axis(90, 0.9), LYING, way_deg, 0.9)
    assert up_deg == pytest.approx(way_deg)
    assert confidence == pytest.approx(1)
    assert method == "shape and text"


def test_a_doubtful_reading_leaves_the_way_in_doubt():
    _, confidence, _ = resolve_orientation(_axis(90, 0.9), LYING, 270.0, 0.2)
    assert 0 < confidence < ORIENTATION_RESOLVED


def test_a_reading_across_the_axis_fixes_nothing():
    _, confidence, _ = resolve_orientation(_axis(90, 0.9), LYING, 0.0, 0.5)  # which counts 0.75
    assert confidence < ORIENTATION_RESOLVED
