"""How the verifier is shown plugs in training: what is said of a look is true of the picture."""

import math
import random
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plugface.demo.studio.shades import ANCHORS, to_linear
from plugface.demo.verifier_draws import (
    CONTEXT,
    PATCH_CONTEXT,
    draw,
    draw_dye,
    encode,
    look,
    place_of,
    shared_with,
)
from plugface.vision.detection import verifier
from plugface.vision.geometry import overlap

WIDTH, HEIGHT = 1 / PATCH_CONTEXT, 0.4 / PATCH_CONTEXT
ROW = {
    "outline": [(100, 100), (200, 100), (200, 140), (100, 140)],
    "plugs": [{"outline": [], "colour": None}],
    "unclear": [],
    "complete": True,
    "plug": True,
}


def _box(x: float, y: float, width: float, height: float, degrees: float = 0.0) -> list:
    return cv2.boxPoints(((x, y), (width, height), degrees)).tolist()


def _place(*plugs, **known):
    row = ROW | {"plugs": [{"outline": plug, "colour": "GN"} for plug in plugs]} | known
    return place_of(row)


ON_IT = _place(_box(0, 0, WIDTH, HEIGHT))


@given(
    middle=st.tuples(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1)),
    sides=st.tuples(st.floats(0.3, 1.0), st.floats(0.1, 1.0)),
    degrees=st.floats(-44.0, 44.0),
)
def test_a_rectangle_is_said_as_the_verifier_understands_it(middle, sides, degrees):
    square = np.array([(10.0, 20.0), (110.0, 20.0), (110.0, 120.0), (10.0, 120.0)])
    placed = verifier._placed(encode((middle, sides, degrees)), square)
    expected = cv2.boxPoints((middle, sides, degrees)) * 100 + (60, 70)
    assert np.abs(placed[:, None] - expected[None]).max(2).min(1).max() < 1e-2
    assert verifier.CONTEXT == CONTEXT


def test_a_rectangle_shares_all_of_itself_and_half_of_one_twice_as_high():
    one, twice = encode(((0, 0), (0.8, 0.3), 0.0)), encode(((0, 0), (0.8, 0.6), 0.0))
    assert shared_with(one, one) == pytest.approx(1)
    assert shared_with(one, twice) == pytest.approx(0.5)


@settings(deadline=None)
@given(seed=st.integers(0, 2**31))
def test_the_place_that_is_asked_for_is_that_of_the_plug_in_the_picture(seed):
    """Turned back by the look's own matrix the answer is the plug again, but for how far it was drawn out."""
    place = _place(_box(0.02, -0.01, WIDTH * 0.9, HEIGHT * 1.1, 7.0))
    drawn = draw(place, np.random.default_rng(seed), far_off=0.5)
    if not np.isfinite(drawn.box[0]):
        assert drawn.shared < 0.25
        return
    square = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    said = verifier._placed(drawn.box, square) @ drawn.affine[:, :2].T + drawn.affine[:, 2]
    # A tenth drawn out and turned by a sixth, a rectangle is one no more.
    assert overlap(said * 500, place.plugs[0] * 1000) > 0.8


@pytest.mark.parametrize(
    ("shift", "plug", "placed"), [(0.0, 1.0, True), (0.4, (0.6 / 1.4 - 0.2) / 0.4, True), (1.2, 0.0, False)]
)
def test_how_much_of_the_outline_is_plug_is_what_the_network_shall_say(shift, plug, placed):
    looked = look(ON_IT, np.array((shift * WIDTH, 0.0)), (WIDTH, HEIGHT))
    assert looked.plug == pytest.approx(plug, abs=1e-3)
    assert bool(np.isfinite(looked.box).all()) == placed
    assert looked.colour == ("GN" if shift == 0.0 else None)


def test_of_the_plugs_in_view_the_one_that_is_outlined_counts():
    beside = _place(_box(0.3, 0, WIDTH, HEIGHT), _box(0, 0, WIDTH, HEIGHT))
    looked = look(beside, np.zeros(2), (WIDTH, HEIGHT))
    np.testing.assert_allclose(looked.box[:2], 0, atol=1e-6)
    assert looked.plug == 1.0


def test_an_outline_higher_than_wide_is_shown_lying():
    looked = look(ON_IT, np.zeros(2), (HEIGHT, WIDTH))
    across = looked.affine[:, 0]
    assert abs(across[1]) > 100 * abs(across[0])
    assert np.hypot(*across) == pytest.approx(WIDTH * CONTEXT)


def test_a_mirrored_look_shows_the_plug_on_the_other_side():
    plain, mirrored = (look(ON_IT, np.array((0.05, 0)), (WIDTH, HEIGHT), mirrored=m) for m in (False, True))
    assert np.linalg.det(plain.affine[:, :2]) > 0 > np.linalg.det(mirrored.affine[:, :2])
    assert plain.box[0] == pytest.approx(-mirrored.box[0], abs=1e-6)
    assert plain.box[0] < -1


@pytest.mark.parametrize(
    ("known", "shift", "untold"),
    [
        ({"unclear": [_box(0.0, 0.0, WIDTH, HEIGHT)]}, 0.0, True),
        ({"unclear": [_box(0.4, 0.0, WIDTH, HEIGHT)]}, 0.0, False),
        ({"complete": False}, 0.0, True),
        ({"complete": False, "plug": False}, 0.0, False),
        ({"plug": None}, 0.0, True),
    ],
)
def test_of_what_nobody_can_tell_nothing_is_said(known, shift, untold):
    looked = look(_place(**known), np.array((shift, 0.0)), (WIDTH, HEIGHT))
    assert math.isnan(looked.plug) == untold


def test_a_plug_that_is_seen_is_one_whatever_else_is_unclear():
    unclear = replace(ON_IT, complete=False, unclear=ON_IT.plugs)
    assert look(unclear, np.zeros(2), (WIDTH, HEIGHT)).plug == 1.0


def test_the_outline_that_is_dyed_is_the_plug_in_the_picture():
    looked = look(_place(_box(0.05, 0.02, WIDTH, HEIGHT)), np.zeros(2), (WIDTH, HEIGHT), turn=0.1)
    in_patch = looked.outline @ looked.affine[:, :2].T + looked.affine[:, 2] / 2
    assert overlap(in_patch * 1000, np.array(_box(0.05, 0.02, WIDTH, HEIGHT)) * 1000) > 0.99


def _dyes(colour: str, count: int = 400) -> list:
    looked = replace(look(ON_IT, np.zeros(2), (WIDTH, HEIGHT)), colour=colour)
    rng = random.Random(1)
    return [dyed for _ in range(count) if (dyed := draw_dye(looked, rng)) is not None]


def test_white_plugs_are_shown_in_all_colours_and_half_of_them_stay():
    dyes = _dyes("WH")
    assert {code for code, _ in dyes} == set(ANCHORS)
    assert 160 < len(dyes) < 240  # 200 give or take four deviations of a coin thrown 400 times


def test_a_white_plug_that_is_dyed_grey_gives_as_much_of_its_light_as_grey_does():
    white, grey = (np.mean([to_linear(anchor) for anchor in ANCHORS[code]], 0) for code in ("WH", "GY"))
    gains = np.array([gain for code, gain in _dyes("WH", 4000) if code == "GY"])
    # A shade is up to 15 % darker or 12 % lighter than the anchors, whose own mean it stays near.
    np.testing.assert_allclose(gains.mean(0), grey / white, rtol=0.08)


@pytest.mark.parametrize("colour", ["BK", "BU", "GN", "BN"])
def test_no_light_is_invented_for_a_dark_plug(colour):
    assert not _dyes(colour)


def test_what_has_no_colour_is_not_dyed():
    assert not _dyes(None)
    assert not [
        dyed
        for _ in range(50)
        if (dyed := draw_dye(look(_place(), np.zeros(2), (WIDTH, HEIGHT)), random.Random()))
    ]
