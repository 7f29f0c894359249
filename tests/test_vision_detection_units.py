"""Units out of maps that are drawn here, as a faultless network would give them."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.instances import AGREED, find_instances, join_votes
from plugface.vision.detection.units import CLUSTERING, find_units

H, W = 480, 640


def _overlap(polygon, box) -> float:
    """IoU of a polygon and a turned rectangle, by counting pixels."""
    masks = []
    for points in (np.asarray(polygon), cv2.boxPoints(((box[0], box[1]), (box[2], box[3]), box[4]))):
        mask = np.zeros((H, W), np.uint8)
        cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 1)
        masks.append(mask > 0)
    return (masks[0] & masks[1]).sum() / (masks[0] | masks[1]).sum()


@pytest.mark.parametrize("noise", [0.0, 3.0])
def test_touching_units_come_apart(draw_maps, noise):
    boxes = [(150, 150, 160, 100, 0), (312, 150, 160, 100, 0), (230, 300, 180, 120, 30)]
    units = find_units(draw_maps(boxes, noise=noise))
    assert len(units) == 3
    for box in boxes:
        # Half a cell along the border costs this much on units of this size.
        assert max(_overlap(unit.polygon, box) for unit in units) > 0.88


def test_a_unit_lying_on_another_does_not_join_it(draw_maps):
    boxes = [(250, 240, 300, 160, 10), (380, 260, 150, 110, 70)]
    units = find_units(draw_maps(boxes))
    assert len(units) == 2
    assert max(_overlap(unit.polygon, boxes[1]) for unit in units) > 0.85


def test_a_unit_cut_in_two_by_something_across_is_one(draw_maps):
    maps = draw_maps([(320, 240, 300, 160, 0)])
    maps.masks["unit"][:, 155:165] = 0
    assert len(find_units(maps)) == 1


def test_what_is_one_pixel_wide_is_outlined_too(draw_maps):
    maps = draw_maps([(320, 240, 300, 160, 0)])
    line = np.zeros_like(maps.masks["unit"])
    line[120, 100:220] = 0.9  # its contour has no area
    (unit,) = find_units(replace(maps, masks={**maps.masks, "unit": line}))
    assert len(unit.polygon) == 4
    assert all(abs(y - 241) < 2 and 195 < x < 445 for x, y in unit.polygon)


@pytest.mark.parametrize("turn_deg", [0, 30])
def test_a_unit_lies_on_the_same_cells_in_other_maps_of_the_photo(draw_maps, turn_deg):
    """In maps of a picture twice as fine that begins elsewhere, too."""
    maps = draw_maps([(320, 240, 160, 100, turn_deg)])
    (unit,) = find_units(maps)
    own = unit.cells_in(maps)
    assert (own & unit.instance.cells).sum() > 0.93 * (own | unit.instance.cells).sum()
    finer = replace(maps, to_photo=np.array([[0.5, 0, 160], [0, 0.5, 120]]))
    expected = draw_maps([(320, 240, 320, 200, turn_deg)])
    (large,) = find_units(expected)
    cells = unit.cells_in(finer)
    assert (cells & large.instance.cells).sum() > 0.93 * (cells | large.instance.cells).sum()


def test_polygons_are_in_photo_pixels(draw_maps):
    (unit,) = find_units(draw_maps([(320, 240, 300, 160, 0)], to_photo=6.3))
    xs = [x for x, _ in unit.polygon]
    assert min(xs) == pytest.approx(170 * 6.3, abs=3 * 6.3)
    assert max(xs) == pytest.approx(470 * 6.3, abs=3 * 6.3)


def test_what_a_unit_is_said_to_be(draw_maps):
    (unit,) = find_units(draw_maps([(320, 240, 300, 160, 0)]))
    assert unit.front == pytest.approx(0.9, abs=1e-5)
    assert unit.axis == pytest.approx((-0.95, 0.0))
    assert max(unit.fins, key=unit.fins.get) == "none"
    assert unit.confidence > 0.9


def test_a_housing_has_the_colour_of_its_own_cells_but_for_its_plugs(draw_maps):
    # White where the housing is, black around it, and green where its plug is.
    maps = draw_maps([(420, 320, 200, 120, 0)], [(420, 320, 60, 40, 0)])
    codes = np.full(maps.body_colour.shape[1:], COLOUR_CODES.index("BK"))
    codes[maps.coarse_masks["unit"] > 0] = COLOUR_CODES.index("WH")
    codes[maps.coarse_masks["connector"] > 0] = COLOUR_CODES.index("GN")
    shares = np.where(np.arange(len(COLOUR_CODES))[:, None, None] == codes, 0.9, 0.1 / 11)
    (unit,) = find_units(replace(maps, body_colour=np.log(shares).astype(np.float32)))
    # 0.9 is what each cell says; those at the plug's edge are half housing.
    assert unit.body_colour["WH"] == pytest.approx(0.9, abs=0.02)


def test_specks_and_nothing_are_no_units(draw_maps):
    assert find_units(draw_maps([])) == []
    assert find_units(draw_maps([(320, 240, 12, 8, 0)])) == []


def test_votes_that_agree_on_nothing_make_no_instance():
    rng = np.random.default_rng(5)
    shape = rng.normal(0, 200, (5, 60, 80))
    shape[[2, 4]] = 40
    shape[3] = 0
    mask = np.where(rng.random((60, 80)) < 0.05, 0.9, 0.0)
    assert all(instance.seen < 0.5 for instance in join_votes(mask, shape))


def test_doubtful_votes_part_what_touches_and_leave_whole_what_is_one(draw_maps):
    rng = np.random.default_rng(11)
    touching = draw_maps([(150, 150, 160, 100, 0), (312, 150, 160, 100, 0)])
    single = draw_maps([(230, 150, 322, 100, 0)])
    for maps, expected in ((touching, 2), (single, 1)):
        # A third of a unit's width: many votes miss by more than the half deviation that counts as agreeing.
        maps.unit_shape[:2] += rng.normal(0, 30, maps.unit_shape[:2].shape).astype(np.float32)
        fine, mask = maps.masks["unit"], maps.coarse_masks["unit"]
        assert np.mean([i.agreement for i in join_votes(mask, maps.unit_shape)]) < AGREED
        found = find_instances(fine, mask, maps.unit_shape, parting=CLUSTERING, least_cells=20)
        assert len(found) == expected
