"""Where headers stand: mouths look out of their edge, bays of a moulding tile it; lures are in the truth."""

import itertools
import json

import numpy as np
import pytest

pytest.importorskip("bpy")  # the geometry is written for the renderer

from plugface.demo.studio import plan, wild
from plugface.demo.studio.frames import OUTWARD, Frame
from plugface.demo.studio.headers import lay_bays
from plugface.demo.studio.shells import is_detailed
from plugface.demo.studio.truth import truth_row


def _families():
    return [f for f in map(wild.random_family, range(160)) if is_detailed(f)]


@pytest.mark.parametrize("edge", sorted(OUTWARD))
def test_a_frame_at_an_edge_looks_out_of_it_and_shows_its_near_side_to_the_front(edge):
    frame = Frame.on_edge(edge, (10.0, 20.0), 3.0)
    assert frame.direction((0, 0, 1)).tolist() == [*OUTWARD[edge], 0.0]
    assert frame.direction((0, -1, 0)).tolist() == [0.0, 0.0, 1.0]
    assert np.linalg.det(np.array(frame.axes)) == pytest.approx(1.0)  # else faces would be inside out
    assert frame.to_body([(0, 0, 0)]).tolist() == [[10.0, 20.0, 3.0]]


def test_sideways_mouths_lie_outside_the_body_and_their_feet_within():
    for family in _families():
        half = np.array(family.body.size_mm) / 2
        for bay in lay_bays(family, lambda x, y, top=half[2]: top, 0.0):
            if bay.connector.opens == "up":
                continue
            axis = 0 if bay.connector.edge in ("left", "right") else 1
            foot, mouth = abs(bay.frame.to_body([(0, 0, 0), (0, 0, bay.tall)])[:, axis])
            assert foot <= half[axis] + 0.1
            assert mouth > half[axis]
            assert bay.bare_from == pytest.approx(max(half[axis] - foot, 0.0), abs=0.06)


def test_bays_of_a_moulding_meet_and_do_not_overlap():
    seen = 0
    for family in _families():
        groups: dict[str, list] = {}
        for bay in lay_bays(family, lambda x, y: 0.0, 0.0):
            if bay.connector.moulding:
                groups.setdefault(bay.connector.moulding, []).append(bay)
        for bays in groups.values():
            along = bays[0].frame.direction((1, 0, 0))
            spans = sorted(
                tuple(float(bay.frame.to_body([(u, 0, 0)])[0] @ along) for u in (bay.cell[0], bay.cell[2]))
                for bay in bays
            )
            for (_, end), (start, _) in itertools.pairwise(spans):
                assert start == pytest.approx(end, abs=0.15)  # positions are rounded to a tenth
                seen += 1
            for bay in bays:
                assert bay.cell[0] <= -bay.long / 2 + 0.15
                assert bay.cell[2] >= bay.long / 2 - 0.15
    assert seen > 20


def test_shells_that_ask_for_nothing_new_are_built_as_they_were():
    old = [wild.unknown_family(key) for key in ("ORLOP", "MARL", "LATCHET")]
    assert not any(is_detailed(family) for family in old)


def test_the_catalogues_stand_in_shells_like_real_ones():
    from plugface.demo.studio.families import catalogue

    for source in ("marrow_finch", "pell_works"):
        new = [is_detailed(family) for family in catalogue(source).families]
        assert sum(new) > 0.8 * len(new), source


def test_lures_are_in_the_truth_and_are_no_connectors():
    shot = plan.wild_shots(1)[0]
    square = [(0.0, 0.0, 0.0), (0.1, 0.0, 0.0), (0.1, 0.1, 0.0), (0.0, 0.1, 0.0)]
    view = {"axes": np.eye(3).tolist(), "eye": [0.05, 0.05, 1.0], "focal_px": 500.0}
    unit = {"outline": square, "up": square[:2], "connectors": [], "texts": [], "codes": []}
    units = [{**unit, "lures": [{"kind": "recess", "points": square}]}, *[unit] * (len(shot.units) - 1)]
    index = np.full((shot.height, shot.width), 32, np.uint16)
    row = truth_row(shot, {"view": view, "units": units}, index)["units"][0]
    json.dumps(row)
    assert [(lure["kind"], lure["visible"]) for lure in row["lures"]] == [("recess", 1.0)]
    assert row["connectors"] == []
    if len(shot.units) > 1:
        other = truth_row(shot, {"view": view, "units": units}, index)["units"][1]
        assert "lures" not in other
