"""The front door: one call from photos of any kind to an answer, and everything to JSON and back."""

import io
import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import plugface
import pytest
from PIL import Image, ImageOps
from plugface.cli.evaluation.truth import read_truth
from plugface.codec import (
    FORMAT,
    UnknownFormat,
    read_decision,
    read_observations,
    write_decision,
    write_observations,
)
from plugface.models.learning.classifier import default_model_path
from plugface.models.learning.model_error import ModelError

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "training_data_demo"


@pytest.fixture(scope="module")
def catalogue():
    return plugface.load_catalogue(DEMO / "marrow_finch")


@pytest.fixture(scope="module")
def answer(catalogue, promised_photo):
    return plugface.analyse([promised_photo], catalogue)


def test_a_notebook_needs_three_lines(answer, promised_photo):
    assert answer.decision.verdict == "identified"
    assert answer.units[0].connectors
    assert answer.photos == (promised_photo,)


def test_path_bytes_file_and_array_give_the_same_observations(promised_photo):
    pixels = np.asarray(ImageOps.exif_transpose(Image.open(promised_photo)).convert("RGB"))  # upright
    sources = [
        str(promised_photo),
        promised_photo,
        promised_photo.read_bytes(),
        io.BytesIO(promised_photo.read_bytes()),
    ]
    seen = [plugface.observe(source, read_text=False) for source in sources]
    assert seen[1:] == seen[:-1]
    of_pixels = plugface.observe(pixels, read_text=False)
    # Decoded by another library: what it rounds otherwise may move a corner by a pixel and a share by 2 %.
    plugs, again = (s.units[0].connectors for s in (seen[0], of_pixels))
    assert len(plugs) == len(again) > 0
    for one, other in zip(plugs, again, strict=True):
        assert np.asarray(other.polygon) == pytest.approx(np.asarray(one.polygon), abs=1.0)
        assert other.colour == pytest.approx(one.colour, abs=0.02)


def test_a_pallet_is_refused_by_the_library_itself(catalogue):
    pallet = next(row for row in read_truth(DEMO, "calibration") if row.view == "pallet")

    def look(photo, shades):
        return plugface.observe(photo, shades=shades, read_text=False)  # a second for each unit's label

    with pytest.raises(plugface.SeveralUnits, match=r"shows \d+ units"):
        plugface.analyse([DEMO / pallet.photo], catalogue, look=look)


def test_a_model_may_be_made_while_the_photos_are_looked_at(answer, catalogue, promised_photo):
    def look(photo, shades):
        return answer.observations[0]

    def broken():
        raise ModelError("model.json", "it is none")

    made = plugface.analyse(
        [promised_photo], catalogue, look=look, model=lambda: plugface.load_model(default_model_path())
    )
    assert made.decision == answer.decision
    with pytest.raises(ModelError, match="it is none"):
        plugface.analyse([promised_photo], catalogue, look=look, model=broken)


def test_an_answer_goes_to_json_and_back(answer, catalogue):
    again = plugface.read_answer(plugface.write_answer(answer), catalogue)
    assert again.decision == answer.decision
    assert again.observations == answer.observations
    assert again.chosen == answer.chosen


def test_what_an_older_version_wrote_is_read(answer):
    document = json.loads(write_observations(answer.observations[0]))
    del document["format"]
    for unit in document["units"]:
        for text in unit["texts"]:
            text["way"] = text.pop("flip_evidence")
    for fault in document["quality"]["faults"]:
        fault["words"] = fault.pop("message")
    assert read_observations(json.dumps(document)) == answer.observations[0]
    old = {"verdict": "unreadable", "words": "Nothing to see.", "candidates": [], "variant_words": "x"}
    decision = read_decision(json.dumps(old))
    assert (decision.message, decision.variant_message) == ("Nothing to see.", "x")
    kept = json.loads(write_decision(answer.decision))
    del kept["together"]  # of families beyond the candidates an older version knew nothing
    second = answer.decision.candidates[1]
    kept["families"] = [second.family, "one that is not among the candidates"]
    assert read_decision(json.dumps(kept)).together == second.probability


def test_what_a_later_version_wrote_is_refused():
    with pytest.raises(UnknownFormat, match=f"format {FORMAT + 1}"):
        read_observations(json.dumps({"format": FORMAT + 1}))


@pytest.mark.parametrize("rgb", [np.zeros((64, 64, 4), np.uint8), np.zeros((64, 64, 3))])
def test_pixels_of_another_kind_are_refused(rgb):
    with pytest.raises(ValueError, match="uint8 of shape"):
        plugface.open_photo(rgb)


def test_importing_the_front_door_loads_no_network_and_no_picture_library():
    program = (
        "import sys, plugface; plugface.load_catalogue; print([n for n in sys.argv[1:] if n in sys.modules])"
    )
    heavy = ("cv2", "onnxruntime", "PIL", "sklearn", "plugface.vision.observe")
    ran = subprocess.run([sys.executable, "-c", program, *heavy], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_every_name_of_the_front_door_is_there():
    assert [name for name in plugface.__all__ if not hasattr(plugface, name)] == []
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = plugface.nothing


def test_the_session_in_the_readme_runs_as_it_stands(monkeypatch):
    (session,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    monkeypatch.chdir(ROOT)  # its paths are those of a checkout
    names: dict = {}
    exec(session, names)
    answer = names["answer"]
    (shown,) = answer.photos
    truth = next(row for row in read_truth(DEMO) if Path(row.photo).name == Path(shown).name).units[0]
    assert answer.decision.families == (truth.family,)
    assert names["seen"].photo_sha256 == answer.observations[0].photo_sha256
    assert plugface.read_answer(names["text"], names["catalogue"]).decision == answer.decision
