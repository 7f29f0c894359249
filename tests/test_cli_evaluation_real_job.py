"""The whole job on real modules, on made-up observations: what is proposed, asked and counted."""

import json

from plugface.cli.evaluation.real_job import (
    Outcome,
    choose_annotated,
    correct_sighting,
    propose_kind,
    run_job,
    tell,
)
from plugface.cli.settings import demo_folder
from plugface.demo.real.records import read_index, read_truth
from plugface.models.catalogue.proposal import SeenLabel, Sighting
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import SIZE_CLASSES, Connector, Observations, Quality, Unit, WhiteBalance

KINDS = json.loads((demo_folder() / "real" / "kinds.json").read_text(encoding="utf-8"))
KIND = {
    "from": "p1",
    "others": ["p2"],
    "size": [180, 90],
    "plugs": [
        {"colour": "GY", "size": "L", "place": [-0.25, 0.0], "upright": False},
        {"colour": "OG", "size": "M", "place": [0.25, 0.0], "upright": True},
    ],
}


def box(x, y, width, height):
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def observed(*units):
    quality = Quality(width_px=1000, height_px=800, median_luma=0.4, burnt_share=0.0, blur_px=0.5)
    return Observations("0" * 64, quality, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0), tuple(units))


def unit(polygon, confidence=0.95):
    colours = {code: 0.9 if code == "BK" else 0.1 / 11 for code in COLOUR_CODES}
    seen = Connector(
        box(200, 200, 90, 40), colours, dict.fromkeys(SIZE_CLASSES, 1 / 3), 0.1, 0.9, place=(0, 0)
    )
    return Unit(polygon, confidence, {"front": 0.9, "back": 0.1}, connectors=(seen,))


def test_a_persons_plugs_stand_in_place_of_those_seen():
    sighting = Sighting((), True, None, None, None, (), SeenLabel(), ())
    corrected = correct_sighting(sighting, KIND)
    assert [(plug.colour, plug.size, plug.upright) for plug in corrected.plugs] == [
        ("GY", "L", False),
        ("OG", "M", True),
    ]
    assert not corrected.either_way_up


def test_an_entry_is_whole_where_nothing_was_read():
    family, faults = propose_kind("M01", KIND, observed(unit(box(100, 100, 500, 300))))
    assert faults == ()
    assert family.key == "M01"
    assert [(c.colour, c.size, c.at_mm) for c in family.connectors] == [
        ("GY", "L", (-45.0, 0.0)),
        ("OG", "M", (45.0, 0.0)),
    ]


def test_the_unit_that_a_person_outlined_is_asked_for():
    left, right = box(0, 0, 400, 300), box(500, 0, 400, 300)
    row = {"units": [{"polygon": right}]}
    assert choose_annotated(observed(unit(left), unit(right)), row) == (2, True)
    assert choose_annotated(observed(unit(left)), row) == (None, False)
    assert choose_annotated(observed(), row) == (None, False)


def test_a_missing_photo_is_said_and_the_rest_goes_on(tmp_path):
    (tmp_path / "p2.png").write_bytes(b"no picture")
    outcomes, said = run_job(tmp_path, {"kinds": {"M01": KIND}, "unknown": ["p3"]}, {})
    assert outcomes == []
    assert [line.split(":")[0] for line in said] == ["p1", "M01", "p2", "p3"]


def test_what_is_wrong_is_counted_as_wrong():
    outcomes = [
        Outcome("a", "M01", "test", "M01", "M01", ""),
        Outcome("b", "M01", "test", "M02", "M02", ""),
        Outcome("c", "M02", "test", "M02", None, "ambiguous; the unit outlined"),
        Outcome("d", None, "test", "M02", "M02", ""),
        Outcome("e", None, "test", None, None, "unreadable; the unit not outlined"),
    ]
    told = "\n".join(tell(outcomes))
    assert "accepted and wrong        1 of 3 (33%)" in told
    assert "unknown accepted        1 of 2 (50%)" in told
    assert "right family first        2 of 3 (67%)" in told
    assert "accepted                  1 of 3 (33%)" in told
    assert "stopped: 1 x ambiguous" in told


def test_there_are_kinds_enough_and_each_photo_is_known():
    truth, ids = read_truth(), {row.id for row in read_index()}
    repositories = {row.id: row.repository for row in read_index()}
    asked = [name for kind in KINDS["kinds"].values() for name in (kind["from"], *kind["others"])]
    assert len(KINDS["kinds"]) >= 15
    assert all(kind["others"] for kind in KINDS["kinds"].values())
    assert len(set(asked)) == len(asked)
    assert {*asked, *KINDS["unknown"]} <= ids
    assert all(truth[name]["units"] for name in (*asked, *KINDS["unknown"]))
    assert not {repositories[name] for name in asked} & {repositories[name] for name in KINDS["unknown"]}
