"""The maker kept for testing: headers stand as the catalogue says, truth outlines are those of meshes."""

import dataclasses
import json
import math

import numpy as np
import pytest

pytest.importorskip("bpy")  # the geometry is written for the renderer

from plugface.demo.studio import outside_headers, plan
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.faces import Rect
from plugface.demo.studio.families import catalogue, unit_spec
from plugface.demo.studio.labels import write_textures
from plugface.demo.studio.outside_shells import largest_free
from plugface.demo.studio.units import build_unit

FAMILIES = catalogue("tenter_twill").by_key


def bays_of(key):
    top = FAMILIES[key].body.size_mm[2] / 2
    return outside_headers.lay_bays(FAMILIES[key], lambda x, y: top, 0.0), top


def test_slanted_headers_look_down_the_face_and_stand_in_one_plane_above_it():
    bays, top = bays_of("SHUTTLE 3")
    outward = bays[0].frame.direction((0, 0, 1.0))
    assert outward[1] < 0  # towards the bottom, as the catalogue's edge says
    assert math.degrees(math.acos(outward[2])) == pytest.approx(40.0)
    feet = np.concatenate(
        [bay.frame.to_body([(0, v, 0.0) for v in (-bay.wide / 2, bay.wide / 2)]) for bay in bays]
    )
    assert np.ptp(feet @ outward) == pytest.approx(0.0, abs=1e-9)
    assert feet[:, 2].min() > top
    for bay in bays:
        assert np.linalg.det(np.array(bay.frame.axes)) == pytest.approx(1.0)  # else faces are inside out
        middle = bay.frame.to_body([(0, 0, bay.tall / 2)])[0]
        assert middle[:2] == pytest.approx(bay.connector.at_mm)


def test_back_to_back_headers_look_out_of_one_block_to_both_sides_clear_of_the_face():
    bays, top = bays_of("HEDDLE 4")
    assert [bay.frame.direction((0, 0, 1.0))[1] for bay in bays] == [1.0, 1.0, -1.0]
    backs = [bay.frame.origin[1] for bay in bays]
    assert 4 < min(backs[:2]) - backs[2] < 14  # what stands between their backs is the block
    for bay in bays:
        assert bay.frame.origin[2] - bay.wide / 2 > top
        assert abs(bay.frame.to_body([(0, 0, bay.tall)])[0, 1]) < FAMILIES["HEDDLE 4"].body.size_mm[1] / 2


def test_round_headers_are_as_wide_as_they_are_long_and_clear_of_each_other():
    bays, _ = bays_of("BOBBIN 5")
    assert all(bay.wide == bay.long for bay in bays)
    apart = math.dist(bays[0].connector.at_mm, bays[1].connector.at_mm)
    assert apart > sum(bay.long / 2 for bay in bays) + 6


@pytest.mark.parametrize("key", ["SHUTTLE 3", "BOBBIN 5", "HEDDLE 4"])
def test_truth_outlines_are_those_of_what_was_built(key, tmp_path):
    family = FAMILIES[key]
    unit = plan._draw_unit("T1", "tenter_twill", family, family.variants[0], False)
    spec = unit_spec(dataclasses.replace(unit, missing=(), seated=None))
    bpy.ops.wm.read_factory_settings(use_empty=True)
    write_textures(spec, tmp_path)
    built = build_unit(spec, tmp_path)
    json.dumps([c.points.tolist() for c in built.connectors])
    for connector in built.connectors:
        meshes = [x for x in built.root.children_recursive if x.pass_index == connector.index + 1]
        seen = np.concatenate(
            [[v.co[:] for v in x.data.vertices] for x in meshes if x.name.startswith("header")]
        )
        for axis in range(3):
            # Lugs and ribs of up to 3.5 mm stand out of the outline; nothing of it is empty.
            assert seen[:, axis].min() > connector.points[:, axis].min() - 0.0035
            assert seen[:, axis].max() < connector.points[:, axis].max() + 0.0035
            assert np.ptp(seen[:, axis]) > np.ptp(connector.points[:, axis]) - 0.0005
    # The body's outline goes round its corners and holds every connector.
    size = np.array(family.body.size_mm) / 1000
    flat = built.outline_points[:, :2]
    assert (np.ptp(flat, axis=0) >= size[:2] - 1e-6).all()
    if "drum" in family.body.features:
        assert np.hypot(*flat.T).max() < size[0] / 2 + 0.016  # no square corners, ears alone stand out


def test_the_largest_free_rectangle_is_clear_of_what_is_taken_and_no_larger_one_is():
    room, block = Rect(0, 0, 100, 60), Rect(40, 0, 60, 38)
    found = largest_free(room, [block], margin=0.0)
    assert not found.meets(block)
    assert found.area == max(40 * 60, 22 * 100)
    within = largest_free(Rect(-50, -50, 50, 50), [], lambda x, y: np.hypot(x, y) < 40)
    assert max(math.hypot(x, y) for x in (within.x0, within.x1) for y in (within.y0, within.y1)) < 40
    assert within.area > 0.9 * 2 * 40**2  # the square in the circle
    assert largest_free(room, [room]).area == 0
