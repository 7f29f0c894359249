"""Shells like real ones: drawn in the shares promised, fitting their bodies, one frame for each opening."""

from collections import Counter

import numpy as np
import pytest
from plugface.demo.studio import wild
from plugface.demo.studio.families import catalogue
from plugface.demo.studio.footprint import connector_size_mm, label_room_mm, seen_size_mm
from plugface.demo.studio.shots import SPLITS
from plugface.demo.studio.wild_shells import LAYOUTS
from plugface.models.catalogue.entries import Connector
from pydantic import ValidationError

MANY = 400


@pytest.fixture(scope="module")
def families():
    return [wild.random_family(seed) for seed in range(MANY)]


def _boxes(family):
    for connector in family.connectors:
        half = np.array(seen_size_mm(connector)) / 2
        yield connector, np.subtract(connector.at_mm, half), np.add(connector.at_mm, half)


def test_shares_of_drawn_families_are_those_promised(families):
    shares = Counter()
    for family in families:
        plugs = family.connectors
        shares["sideways"] += any(c.opens == "sideways" for c in plugs)
        shares["moulding"] += any(c.moulding for c in plugs)
        shares["dark"] += all(c.colour in ("BK", "GY") for c in plugs)
    # Half, a third or a little more, and more than half; three deviations of 400 draws are 0.075.
    assert 0.4 < shares["sideways"] / MANY < 0.6
    assert 0.3 < shares["moulding"] / MANY < 0.5
    assert 0.5 < shares["dark"] / MANY < 0.75


def test_every_feature_material_lock_and_edge_is_drawn(families):
    bodies = [family.body for family in families]
    plugs = [c for family in families for c in family.connectors]
    assert {f for body in bodies for f in body.features} == {
        "pressed", "finned all round", "ribs", "glued cover", "potted", "hose stub", "cable glands"
    }  # fmt: skip
    assert len({body.material for body in bodies}) == 6
    assert {c.lock for c in plugs} >= {"latch", "lever", "slide"}
    assert {c.edge for c in plugs if c.opens == "sideways"} == {"top", "bottom", "left", "right"}
    assert max(len(family.connectors) for family in families) <= 12  # part numbers of connectors end at 12
    assert sum(LAYOUTS.values()) == 100


def test_drawn_headers_stand_clear_of_each_other(families):
    for family in families:
        boxes = list(_boxes(family))
        for i, (_, low, high) in enumerate(boxes):
            for _, other_low, other_high in boxes[:i]:
                apart = (low >= other_high - 0.2) | (other_low >= high - 0.2)
                assert apart.any(), family.key


def test_a_header_that_opens_sideways_reaches_over_its_edge_and_is_held_by_the_body(families):
    for family in families:
        half = np.array(family.body.size_mm[:2]) / 2
        for connector, low, high in _boxes(family):
            if connector.opens == "up":
                assert (abs(np.array([low, high])) < half + 0.5).all(), family.key
                continue
            axis, sign = {"right": (0, 1), "left": (0, -1), "top": (1, 1), "bottom": (1, -1)}[connector.edge]
            near, far = sorted(sign * np.array([low[axis], high[axis]]))
            assert far > half[axis]
            assert near < half[axis] + 0.5
            assert high[1 - axis] < half[1 - axis]
            assert family.body.size_mm[2] >= connector_size_mm(connector)[1] - 0.5  # rounded to whole mm


def test_plugs_fill_from_a_sixth_to_nine_tenths_of_an_edge(families):
    shares = []
    for family in families:
        for edge, axis in (("top", 0), ("bottom", 0), ("left", 1), ("right", 1)):
            ends = [
                e for c, low, high in _boxes(family) if c.opens == "sideways" and c.edge == edge
                for e in (low[axis], high[axis])
            ]  # fmt: skip
            if ends:
                shares.append((max(ends) - min(ends)) / family.body.size_mm[axis])
    assert min(shares) < 0.3
    assert max(shares) > 0.75
    assert max(shares) < 0.95


def test_a_sideways_header_without_an_edge_is_refused():
    with pytest.raises(ValidationError, match="names no edge"):
        Connector(colour="BK", size="M", pins=(3, 8), at_mm=(0, 0), opens="sideways")


def test_the_seen_size_turns_with_the_edge():
    plug = Connector(colour="BK", size="L", pins=(4, 14), at_mm=(0, 0))
    long, wide, tall = connector_size_mm(plug)
    assert seen_size_mm(plug) == (long, wide)
    assert seen_size_mm(plug.model_copy(update={"turn_deg": 90.0})) == (wide, long)
    assert seen_size_mm(plug.model_copy(update={"opens": "sideways", "edge": "top"})) == (long, tall)
    assert seen_size_mm(plug.model_copy(update={"opens": "sideways", "edge": "left"})) == (tall, long)


def test_label_room_is_clear_of_plugs(families):
    for family in families:
        width, height = label_room_mm(family)
        assert width <= family.body.size_mm[0]
        assert height <= family.body.size_mm[1]


def test_no_chance_family_and_no_trained_maker_has_a_shell_of_the_maker_kept_for_testing(families):
    pytest.importorskip("bpy")  # the words stand beside the geometry, which is written for the renderer
    from plugface.demo.studio.outside_shells import WORDS, is_outside

    unknown = [wild.unknown_family(key) for split in SPLITS for key in wild.unknown_families(split)]
    trained = catalogue("marrow_finch").families
    dyed = [wild.dye(family, seed) for seed, family in enumerate(trained)]
    for family in (*families, *unknown, *trained, *dyed):
        assert not set(WORDS) & set(family.body.features), family.key
        assert not is_outside(family), family.key
    kept = catalogue("tenter_twill").families
    assert set(WORDS) == {word for family in kept for word in family.body.features}
    assert all(is_outside(family) for family in kept)
