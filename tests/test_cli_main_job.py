"""The main job on shipped photos, with nothing replaced: from the file to the answer."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from plugface.cli.evaluation.truth import TruePhoto, read_truth
from plugface.cli.settings import demo_folder


def truth_of(path: Path) -> TruePhoto:
    return next(row for row in read_truth(demo_folder()) if Path(row.photo).name == path.name)


def test_the_photo_in_the_readme_is_answered_as_the_readme_promises(run, promised_photo) -> None:
    said = run("identify", promised_photo, "--json")
    assert said.code == 0, said.err
    decision = json.loads(said.out)["decision"]
    assert decision["verdict"] == "identified"
    assert decision["family"] == truth_of(promised_photo).units[0].family


def shipped(view: str, n: int) -> list[TruePhoto]:
    """The first photos of one unit alone in the calibration split; the test split stays unseen."""
    rows = read_truth(demo_folder(), "calibration")
    return [row for row in rows if row.view == view and len(row.units) == 1 and row.units[0].known][:n]


def decide(run, row: TruePhoto) -> dict:
    return json.loads(run("identify", demo_folder() / row.photo, "--json").out)["decision"]


def test_shipped_labels_lead_to_their_family(run, some) -> None:
    *rows, slanted = shipped("label", 4)
    assert len(rows) == 3
    rows = some([*rows, slanted], 2)
    decisions = [decide(run, row) for row in rows]
    leading = [d["candidates"][0]["family"] if d["candidates"] else None for d in decisions]
    right = [said == row.units[0].family for said, row in zip(leading, rows, strict=True)]
    assert sum(right) >= len(rows) - (slanted in rows)  # as on 2026-11-25; it lies too slanted to be read


def test_no_shipped_front_is_accepted_as_a_wrong_family(run) -> None:
    """On what was seen in them, the golden set holds all 60 photos to that."""
    for row in shipped("front", 2):
        assert decide(run, row)["family"] in {None, row.units[0].family}, row.photo


@pytest.mark.parametrize("shade", [0, 255])
def test_a_photo_of_nothing_names_no_family(run, tmp_path, shade: int) -> None:
    path = tmp_path / "nothing.jpg"
    Image.fromarray(np.full((600, 800, 3), shade, np.uint8)).save(path)
    said = run("identify", path, "--json")
    assert said.code == 0, said.err
    decision = json.loads(said.out)["decision"]
    assert decision["family"] is None
    assert decision["verdict"] in {"unreadable", "not_in_catalogue"}


def test_a_photo_of_no_controller_names_no_family(run) -> None:
    empty = next(row for row in read_truth(demo_folder()) if row.view == "decoy" and not row.units)
    decision = json.loads(run("identify", demo_folder() / empty.photo, "--json").out)["decision"]
    assert decision["family"] is None
