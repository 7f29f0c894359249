"""The truth stands in the place of what was seen, of the stages that were asked for and of no other."""

from dataclasses import replace

import pytest
from plugface.cli.evaluation.ceiling import STAGES, Way, judge_way, list_ways, table_row, with_truth
from plugface.cli.evaluation.truth import TruePhoto
from plugface.cli.settings import default_catalogue
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import place_plugs
from plugface.models.decision.answers import Candidate, Decision
from plugface.models.learning.metrics import Case
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import Code, Connector, Observations, Quality, Text, Unit, WhiteBalance

FAMILY = load_catalogue(default_catalogue()).by_key["DUNLIN 1"]  # VT-M WH-M GN-S
UNIT_BOX = [[0, 0], [400, 0], [400, 200], [0, 200]]
BOXES = [[[x, 40], [x + 80, 40], [x + 80, 80], [x, 80]] for x in (20, 140, 260)]


def line(kind, value, top, height_px=20.0, visible=1.0):
    corners = [[20, top], [200, top], [200, top + height_px], [20, top + height_px]]
    role = "mark" if kind == "cast" else "other"
    return {"kind": kind, "role": role, "value": value, "polygon": corners, "height_px": height_px} | {
        "visible": visible
    }


def row(texts=(), visible=(1.0, 1.0, 1.0)):
    plugs = [
        {"index": k, "colour": c.colour, "size": c.size, "pins": list(c.pins), "polygon": BOXES[k]}
        | {"visible": visible[k], "missing": k == 2, "mated": False}
        for k, c in enumerate(FAMILY.connectors)
    ]
    code = {"symbology": "QR", "payload": "K1", "polygon": BOXES[0], "module_px": 1.5, "visible": 1.0}
    unit = {"face": "front", "polygon": UNIT_BOX, "up_deg": 90.0, "body": {"colour": "GY", "fins": "all"}}
    return {"units": [unit | {"connectors": plugs, "texts": list(texts), "codes": [code]}]}


def plug(box, colour):
    sizes = {"S": 0.0, "M": 0.0, "L": 1.0}
    colours = dict.fromkeys(COLOUR_CODES, 0.0) | {colour: 1.0}
    return Connector(tuple(map(tuple, box)), colours, sizes, None, 0.9, pins=(2, 2), place=(0.0, 0.0))


def read(value, kind, top, height_px=20.0):
    corners = ((20.0, top), (200.0, top), (200.0, top + height_px), (20.0, top + height_px))
    return Text(corners, value, 0.9, kind, height_px)


def seen(**changes):
    """Upside down: all three plugs, the last with a wrong colour, in the order of the other way round."""
    unit = Unit(
        polygon=tuple(map(tuple, UNIT_BOX)),
        confidence=0.9,
        face={"front": 0.4, "back": 0.6},
        connectors=tuple(plug(BOXES[k], colour) for k, colour in ((2, "BU"), (1, "WH"), (0, "VT"))),
        up_deg=270.0,
        up_confidence=0.1,
        other_order=(2, 1, 0),
    )
    quality = Quality(640, 480, 0.5, 0.0, 1.0)
    balance = WhiteBalance((1.0, 1.0, 1.0), "none", 0.0)
    return Observations("0" * 64, quality, balance, units=(replace(unit, **changes),))


def true(stages, photo=None, shown=None, **least):
    found = with_truth(shown or seen(), photo or row(), Way("", frozenset(stages), **least), FAMILY)
    return found.units[0]


def colours(unit):
    return [max(c.colour, key=c.colour.__getitem__) for c in unit.connectors]


def test_without_a_stage_nothing_is_changed_and_an_unknown_stage_is_refused():
    assert with_truth(seen(), row(), Way(""), FAMILY) == seen()
    with pytest.raises(ValueError, match="there are no stages"):
        Way("", frozenset({"colour"}))


def test_true_plugs_stand_in_the_order_that_was_seen():
    unit = true({"plugs"})
    assert colours(unit) == ["GN", "WH", "VT"]
    assert unit.other_order == (2, 1, 0)
    assert [c.broken for c in unit.connectors] == [True, False, False]
    assert unit.connectors[0].size == {"S": 1.0, "M": 0.0, "L": 0.0}
    assert unit.connectors[1].pins == FAMILY.connectors[1].pins  # counted in the photo too
    assert unit.face["front"] == 0.4


def test_a_plug_that_is_hidden_stays_unseen():
    assert colours(true({"plugs", "order"}, row(visible=(1.0, 0.1, 1.0)))) == ["VT", "GN"]


def test_true_order_leaves_colours_and_what_is_no_plug_as_seen():
    lure = plug([[340, 150], [380, 150], [380, 190], [340, 190]], "RD")
    unit = true({"order"}, shown=seen(connectors=(*seen().units[0].connectors, lure), other_order=None))
    assert colours(unit) == ["VT", "WH", "BU", "RD"]
    assert (unit.other_order, unit.up_deg, unit.up_confidence) == (None, 90.0, 1.0)
    assert unit.connectors[0].place == pytest.approx((-0.35, 0.2))


def test_true_places_are_the_catalogues_whichever_way_up():
    x, y = place_plugs(FAMILY)[0]
    assert true({"places"}).connectors[2].place == pytest.approx((-x, -y))
    assert true({"places", "order"}).connectors[0].place == pytest.approx((x, y))


def test_lines_are_replaced_by_kind_and_size():
    photo = row([line("cast", "DUNLIN 1", 100), line("printed", "REV A", 140, 8.0)])
    shown = seen(
        texts=(
            read("DUMLIN 7", "cast", 102.0),
            read("REW A", "printed", 141.0, 8.0),
            read("made up", "cast", 170.0),
        )
    )
    assert [t.value for t in true({"marks"}, photo, shown).texts] == ["REW A", "DUNLIN 1"]
    assert [t.value for t in true({"labels"}, photo, shown, least_px=12.0).texts] == [
        "DUMLIN 7",
        "REW A",
        "made up",
    ]
    assert [t.value for t in true({"labels"}, photo, shown).texts] == ["DUMLIN 7", "made up", "REV A"]
    hidden = row([line("cast", "DUNLIN 1", 100, visible=0.5)])
    assert [t.value for t in true({"marks"}, hidden, shown).texts] == ["DUMLIN 7", "REW A"]


def test_codes_are_true_from_a_size_on():
    wrong = Code(tuple(map(tuple, BOXES[1])), "QR", "K7", "verified")
    assert [c.payload for c in true({"codes"}, shown=seen(codes=(wrong,))).codes] == ["K1"]
    assert true({"codes"}, shown=seen(codes=(wrong,)), least_module_px=2.0).codes == ()


def test_a_unit_that_was_not_outlined_gets_plugs_only_with_its_outline():
    nothing = replace(seen(), units=(), texts=(read("DUNLIN 1", "cast", 100.0), read("far", "cast", 300.0)))
    assert with_truth(nothing, row(), Way("", frozenset({"plugs", "order"})), FAMILY) == nothing
    found = with_truth(nothing, row(), Way("", frozenset({"outline", "plugs", "order"})), FAMILY)
    assert colours(found.units[0]) == ["VT", "WH", "GN"]
    assert found.units[0].face == {"front": 1.0, "back": 0.0}
    assert [t.value for t in found.units[0].texts] == ["DUNLIN 1"]
    assert [t.value for t in found.texts] == ["far"]


def test_every_stage_is_tried_alone_and_left_out_once():
    stages = [way.stages for way in list_ways()]
    assert all(frozenset({stage}) in stages for stage in STAGES)
    assert all(frozenset(STAGES) - {stage} in stages for stage in STAGES)


def test_cases_and_cells():
    unit = {"unit_id": "U", "maker": "", "family": "DUNLIN 1", "variant": "x", "known": True, "face": "front"}
    photos = [
        TruePhoto(photo=p, sha256="", split="calibration", set="", view=p, units=[unit | {"polygon": []}])
        for p in ("front", "back")
    ]

    def decide(unit_id, own, found):
        assert len(own) == len(found)
        views = tuple(one.view for one in own)
        verdict = "identified" if len(own) > 1 else "ambiguous"
        best = Candidate("CURLEW 3", 1.0, 1.0)
        return Case(unit_id, views, "DUNLIN 1", "x", Decision(verdict, "", (best,), ("CURLEW 3",)))

    both = {p.photo: seen() for p in photos}
    rows = {p.photo: row() for p in photos}
    cases = judge_way(Way(""), {"U": photos}, rows, both, {"DUNLIN 1": FAMILY}, decide)
    assert table_row(cases) == ["0/0/0", "0/0/0", "0/0/0", "0/0/0", "0/1/1", "0/1/1", "33.3 %"]
