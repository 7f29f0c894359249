"""Units out of maps that are drawn here, as a faultless network would give them."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.instances import AGREED, find_instances, join_votes
from plugface.vision.detection.units import CLUSTERING, VERIFIED, find_units, verify_units
from plugface.vision.detection.verifier import SecondLook

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
    own = maps.cells_of(unit.polygon)
    assert (own & unit.instance.cells).sum() > 0.93 * (own | unit.instance.cells).sum()
    finer = replace(maps, to_photo=np.array([[0.5, 0, 160], [0, 0.5, 120]]))
    expected = draw_maps([(320, 240, 320, 200, turn_deg)])
    (large,) = find_units(expected)
    cells = finer.cells_of(unit.polygon)
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


# A sixth of a unit's width across and a third along: of the votes that miss by 15 half agree, of those by 25
# fewer than the four tenths that settle what touches; a single unit of twice the length is one by any.
@pytest.mark.parametrize(
    ("boxes", "miss", "expected"),
    [
        ([(150, 150, 160, 100, 0), (310, 150, 160, 100, 0)], 15, 2),
        ([(150, 150, 160, 100, 0), (310, 150, 160, 100, 0)], 25, 1),
        ([(230, 150, 320, 100, 0)], 30, 1),
    ],
)
def test_doubtful_votes_part_what_touches_where_they_settle_it_and_leave_whole_what_is_one(
    draw_maps, boxes, miss, expected
):
    maps = draw_maps(boxes)
    maps.unit_shape[:2] += np.random.default_rng(11).normal(0, miss, maps.unit_shape[:2].shape)
    fine, mask = maps.masks["unit"], maps.coarse_masks["unit"]
    assert cv2.connectedComponents((fine > 0.5).astype(np.uint8), connectivity=4)[0] == 2  # and the ground
    assert np.mean([i.agreement for i in join_votes(mask, maps.unit_shape)]) < AGREED
    found = find_instances(fine, mask, maps.unit_shape, parting=CLUSTERING, least_cells=20)
    assert len(found) == expected


def test_units_of_a_full_pallet_are_all_found(draw_maps):
    boxes = [(80 + 160 * x, 60 + 120 * y, 150, 110, 0) for x in range(4) for y in range(4)]
    assert len(find_units(draw_maps(boxes))) == len(boxes)


def test_a_shadow_whose_votes_scatter_is_no_part_of_the_unit_beside_it(draw_maps):
    maps = draw_maps([(250, 240, 300, 160, 0)])
    cells = (slice(40, 80), slice(100, 115))  # from the unit's right edge on: a tenth of it
    for mask, share in ((maps.masks["unit"], 2), (maps.coarse_masks["unit"], 1)):
        mask[tuple(slice(s.start * share, s.stop * share) for s in cells)] = 0.9
    way = np.random.default_rng(2).uniform(0, 2 * np.pi, (40, 15))
    maps.unit_shape[:2, *cells] = 600 * np.cos(way), 600 * np.sin(way)  # far off, each elsewhere
    maps.unit_shape[[2, 4], *cells] = 40
    (unit,) = find_units(maps)
    assert max(x for x, _ in unit.polygon) == pytest.approx(400, abs=4)


def test_what_lies_beside_a_unit_tells_nothing_of_it(draw_maps):
    maps = draw_maps([(320, 240, 200, 120, 0)])
    on = maps.coarse_masks["unit"] > 0
    others = {
        "face": np.where(on, 0.9, 0.1),
        "axis": np.where(on, maps.axis, -maps.axis),
        "fins": np.where(on, maps.fins, maps.fins[::-1]),
    }
    (unit,) = find_units(replace(maps, **others))
    assert unit.front == pytest.approx(0.9, abs=1e-5)
    assert unit.axis == pytest.approx((-0.95, 0.0))
    assert max(unit.fins, key=unit.fins.get) == "none"


@dataclass(frozen=True)
class _Saying:
    """A verifier that says the same of everything: the logit that it is a unit."""

    logit: float

    def verify(self, rgb, outlines):
        """As `Verifier`."""
        n = len(outlines)
        said = np.tile((0.0, self.logit), (n, 1))
        return SecondLook(said, np.zeros((n, 4, 2)), np.full((n, 12), np.log(1 / 12)))


def test_a_second_look_weighs_less_where_the_first_was_surer(draw_maps):
    (unit,) = find_units(draw_maps([(320, 240, 300, 160, 0)]))
    found = [replace(unit, confidence=share) for share in (0.99, 0.75)]
    picture = np.zeros((480, 640, 3), np.uint8)
    constant, of_second, of_first = VERIFIED
    between = (np.log(0.99 / 0.01) + np.log(0.75 / 0.25)) / 2  # the first look's log odds
    kept, others = verify_units(found, picture, 1.0, _Saying(-(constant + of_first * between) / of_second))
    assert [unit.confidence for unit in kept] == [0.99]
    assert [other.found.confidence for other in others] == [0.75]
    assert verify_units(found, picture, 1.0, _Saying(9.0))[1] == []
    assert verify_units(found, picture, 1.0, _Saying(-9.0))[0] == []
