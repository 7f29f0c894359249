"""Housings out of drawn maps and a drawn photo."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from plugface.vision.colour.naming import NamedShade
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.connectors import (
    Picture,
    find_candidates,
    find_connectors,
    find_loose_connectors,
    measure_housing,
)
from plugface.vision.detection.pins import count_pins
from plugface.vision.detection.units import find_units, verify_units
from plugface.vision.detection.verifier import SecondLook
from plugface.vision.geometry import overlap
from plugface.vision.observations import WhiteBalance

UNIT = (320, 240, 400, 240, 0)
HOUSINGS = [(200, 180, 100, 36, 0), (304, 180, 100, 36, 0), (420, 180, 60, 36, 0)]
PLAIN = WhiteBalance((1.0, 1.0, 1.0), "label paper", 0.9)


def _photo(colour=(45, 120, 70), scale: float = 1.0) -> np.ndarray:
    photo = np.full((round(480 * scale), round(640 * scale), 3), 120, np.uint8)
    for x, y, a, b, _ in HOUSINGS:
        for share, value in ((1.0, colour), (0.6, (15, 15, 15))):
            half = np.array([a, b]) * share / 2
            low, high = (np.array([x, y]) - half) * scale, (np.array([x, y]) + half) * scale
            cv2.rectangle(photo, tuple(map(int, low)), tuple(map(int, high)), value, -1)
    return photo


def test_neighbouring_housings_come_apart_and_have_their_colour_and_size(draw_maps):
    maps = draw_maps([UNIT], HOUSINGS)
    (unit,) = find_units(maps)
    found = sorted(find_connectors(maps, unit, Picture(_photo(), 1.0, PLAIN)), key=lambda c: c.polygon[0][0])
    assert len(found) == 3
    for connector in found:
        assert max(connector.colour, key=connector.colour.get) == "GN"
        assert max(connector.size, key=connector.size.get) == "L"
        assert not connector.mated
        assert not connector.broken
        assert connector.confidence > 0.8
    centres = sorted(float(np.mean([x for x, _ in c.polygon])) for c in found)
    assert centres == pytest.approx([200, 304, 420], abs=3)
    assert max(c.size_ratio for c in found) == pytest.approx(100 / 400, abs=0.02)


def test_a_stump_is_told_and_keeps_its_place_and_colour(draw_maps):
    maps = draw_maps([UNIT], HOUSINGS)
    maps.broken[:, 62:90] = 0.9  # the middle one, in quarters
    (unit,) = find_units(maps)
    found = sorted(find_connectors(maps, unit, Picture(_photo(), 1.0, PLAIN)), key=lambda c: c.polygon[0][0])
    assert [c.broken for c in found] == [False, True, False]
    assert max(found[1].colour, key=found[1].colour.get) == "GN"


def test_pixels_speak_against_a_network_that_is_unsure(draw_maps):
    maps = draw_maps([UNIT], HOUSINGS)
    maps.colour[:] = np.log(1 / 12)
    (unit,) = find_units(maps)
    for connector in find_connectors(maps, unit, Picture(_photo((230, 115, 30)), 1.0, PLAIN)):
        assert max(connector.colour, key=connector.colour.get) == "OG"


@pytest.mark.parametrize("scale", [0.5, 2.0])
def test_the_colour_is_measured_where_the_housing_lies_in_a_copy_of_another_size(draw_maps, scale):
    maps = draw_maps([UNIT], HOUSINGS)
    maps.colour[:] = np.log(1 / 12)  # the pixels alone tell
    (unit,) = find_units(maps)
    found = find_connectors(maps, unit, Picture(_photo((230, 115, 30), scale), scale, PLAIN))
    assert [max(c.colour, key=c.colour.get) for c in found] == ["OG"] * len(HOUSINGS)


def test_a_shade_that_was_measured_and_named_is_called_so(draw_maps):
    maps = draw_maps([UNIT], HOUSINGS)  # the network is 90 % sure of green
    (unit,) = find_units(maps)
    x, y, a, b, _ = HOUSINGS[0]
    corners = np.array([(x - a / 2, y - b / 2), (x + a / 2, y - b / 2), (x + a / 2, y + b / 2)])
    corners = np.vstack([corners, [(x - a / 2, y + b / 2)]])
    lab, spread = measure_housing(_photo((70, 105, 120)), corners, PLAIN)
    assert spread.max() < 1  # a plain colour
    named = (NamedShade("VT", tuple(map(float, lab))),)
    for connector in find_connectors(maps, unit, Picture(_photo((70, 105, 120)), 1.0, PLAIN, named)):
        assert max(connector.colour, key=connector.colour.get) == "VT"


def test_a_housing_beside_the_unit_is_not_the_units(draw_maps):
    maps = draw_maps([(200, 240, 200, 160, 0)], [(500, 240, 100, 40, 0)])
    (unit,) = find_units(maps)
    assert find_connectors(maps, unit, Picture(_photo(), 1.0, PLAIN)) == []


@dataclass(frozen=True)
class Shifting:
    """A verifier that is sure of every plug, that it lies lower by half its height, and of its colour."""

    code: str = "GN"
    share: float = 0.5

    def verify(self, rgb, outlines):
        """As `Verifier`."""
        outlines = [np.asarray(outline, float) for outline in outlines]
        down = [self.share * np.ptp(outline, 0)[1] for outline in outlines]
        said = [
            cv2.boxPoints(cv2.minAreaRect(np.float32(o + np.array((0, d)))))
            for o, d in zip(outlines, down, strict=True)
        ]
        colours = np.full((len(outlines), 12), np.log(1e-6))
        colours[:, COLOUR_CODES.index(self.code)] = 0
        n = len(outlines)
        return SecondLook(np.tile((9.0, -9.0), (n, 1)), np.reshape(said, (n, 4, 2)), colours)


def _middles(connectors) -> list[list[float]]:
    return sorted(np.mean(c.polygon, 0).round(0).tolist() for c in connectors)


def test_a_housing_lies_where_the_second_look_sees_it(draw_maps):
    """On a unit and on none; in a photo twice as large as its working copy."""
    maps = draw_maps([UNIT], HOUSINGS, to_photo=2.0)
    (unit,) = find_units(maps)
    picture = Picture(_photo(), 0.5, PLAIN)
    on_unit = find_connectors(maps, unit, picture, verifier=Shifting())
    loose = find_loose_connectors(maps, (), picture, verifier=Shifting())
    expected = [(2 * x, 2 * (y + 18)) for x, y, *_ in HOUSINGS]
    np.testing.assert_allclose(_middles(on_unit), expected, atol=4)
    np.testing.assert_allclose(_middles(loose), expected, atol=4)


def test_a_plug_that_another_picture_of_the_photo_shows_is_found_once(draw_maps):
    maps, larger = draw_maps([UNIT], HOUSINGS[:2]), draw_maps([UNIT], HOUSINGS)
    (unit,) = find_units(maps)
    still = Shifting(share=0.0)
    options = {"verifier": still, "beside": find_candidates(larger)}
    assert len(find_connectors(maps, unit, Picture(_photo(), 1.0, PLAIN), **options)) == len(HOUSINGS)
    options["beside"] = find_candidates(draw_maps([UNIT], [*HOUSINGS, (40, 440, 60, 30, 0)]))
    (loose,) = find_loose_connectors(maps, [unit], Picture(_photo(), 1.0, PLAIN), **options)
    np.testing.assert_allclose(np.mean(loose.polygon, 0), (40, 440), atol=2)


def test_a_plug_that_two_pictures_show_is_measured_in_the_one_that_shows_the_unit_best(draw_maps):
    maps, larger = draw_maps([UNIT], HOUSINGS), draw_maps([UNIT], HOUSINGS)
    maps.masks["connector"][:] *= 0.8  # so that the other picture's sight is the surer one
    larger.size[:] = np.log(1 / 3)
    (unit,) = find_units(maps)
    options = {"verifier": Shifting(share=0.0), "beside": find_candidates(larger)}
    found = find_connectors(maps, unit, Picture(_photo(), 1.0, PLAIN), **options)
    assert [max(c.size, key=c.size.get) for c in found] == ["L"] * len(HOUSINGS)
    assert min(c.size["L"] for c in found) > 0.8


def test_the_second_look_is_heard_on_colours(draw_maps):
    """The segmenter is 90 % sure of green; whoever says green too makes it surer, whoever says red less."""
    maps = draw_maps([UNIT], HOUSINGS)
    (unit,) = find_units(maps)
    sure = {}
    for code in ("GN", "RD"):
        found = find_connectors(maps, unit, Picture(_photo(), 1.0, PLAIN), verifier=Shifting(code, 0.0))
        sure[code] = [c.colour["GN"] for c in found]
    assert len(sure["GN"]) == len(HOUSINGS)
    assert min(sure["GN"]) > max(sure["RD"]) > 0.1


def test_what_passed_for_a_unit_is_a_plug_of_the_outline_and_colour_of_the_second_look(draw_maps):
    maps = draw_maps([UNIT])
    picture = Picture(np.full((480, 640, 3), 120, np.uint8), 1.0, replace(PLAIN, confidence=0.0))
    kept, none = verify_units(find_units(maps), picture.rgb, 1.0, Shifting("VT", 0.0))
    assert kept == []
    (plug,) = find_loose_connectors(maps, (), picture, verifier=Shifting(), no_units=none)
    assert overlap(plug.polygon, cv2.boxPoints((UNIT[:2], UNIT[2:4], 0))) > 0.9
    assert max(plug.colour, key=plug.colour.get) == "VT"


def _pins(rows: int, columns: int, pitch: int = 12) -> np.ndarray:
    """A housing with round pins; a seventh of it is wall on each side."""
    wall_x, wall_y = round(columns * pitch / 5), round(rows * pitch / 5)
    picture = np.full((rows * pitch + 2 * wall_y, columns * pitch + 2 * wall_x), 30, np.uint8)
    for row in range(rows):
        for column in range(columns):
            centre = (round(wall_x + (column + 0.5) * pitch), round(wall_y + (row + 0.5) * pitch))
            cv2.circle(picture, centre, 3, 200, -1, cv2.LINE_AA)
    return picture


@pytest.mark.parametrize(("rows", "columns"), [(3, 12), (2, 8), (4, 20)])
def test_pins_in_plain_view_are_counted(rows, columns):
    assert count_pins(_pins(rows, columns)) == (rows, columns)


def test_pins_are_not_guessed():
    rng = np.random.default_rng(2)
    assert count_pins(np.full((60, 200), 90, np.uint8)) is None
    assert count_pins(rng.integers(0, 255, (60, 200), np.uint8).astype(np.uint8)) is None
    assert count_pins(_pins(3, 12)[::4, ::4]) is None
    # What small sockets of any grid were taken for: halves of a cavity, on photos of both makers.
    assert count_pins(_pins(2, 2)) is None
