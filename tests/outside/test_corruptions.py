"""The main job, from the file to the answer, under the 15 published corruptions of photos.

Source: Hendrycks & Dietterich, "Benchmarking Neural Network Robustness to Common Corruptions and
Perturbations" (ICLR 2019), as the package imagecorruptions has them. What they do to the whole test split is
measured by `plugface evaluate --corruptions`; this holds two photos of the calibration split, each under five
of them where PLUGFACE_TEST_ALL is set, else under four.
"""

import json

import numpy as np
import pytest
from PIL import Image
from plugface.cli.evaluation.corruptions import CORRUPTIONS, corrupt
from plugface.cli.evaluation.truth import read_truth
from plugface.cli.settings import demo_folder
from plugface.vision.photo import decode_photo


def _front_of(family: str):
    """The first front of one unit of a family in the calibration split."""
    rows = read_truth(demo_folder(), "calibration")
    return next(row for row in rows if row.view == "front" and [u.family for u in row.units] == [family])


# Plugs on the face, and out of an edge; each corruption of one of the two, for to look takes over a second.
@pytest.mark.parametrize(
    ("family", "corruptions"), [("KNOT 41", CORRUPTIONS[::2]), ("DUNLIN 1", CORRUPTIONS[1::2])]
)
def test_a_corrupted_front_is_still_identified_or_left_open_and_never_wrong(
    run, tmp_path, some, family, corruptions
):
    corruptions = some(corruptions, 4, 5)
    row = _front_of(family)
    rgb = decode_photo((demo_folder() / row.photo).read_bytes()).rgb
    said = {}
    for corruption in corruptions:
        path = tmp_path / f"{corruption}.png"
        Image.fromarray(np.uint8(corrupt(rgb, corruption, 3, seed=1))).save(path, compress_level=1)
        said[corruption] = json.loads(run("identify", path, "--json").out)["decision"]
    accepted = {c: d["family"] for c, d in said.items() if d["verdict"] == "identified"}
    assert len(said) == len(corruptions)
    assert set(accepted.values()) == {family}  # one at least, and none wrong


def test_all_published_corruptions_are_known():
    assert len(set(CORRUPTIONS)) == 15
