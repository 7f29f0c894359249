"""Real photographs with no controller in them: never taken for one of the catalogue.

They come with scikit-learn (china, flower), scikit-image (coffee, a cat, a motorcycle, gravel, coins, a page
of text) and matplotlib (a portrait), which are installed for other reasons; none is kept here. No package is
known to us that carries real photographs of plastic connectors.
"""

import json
from importlib.util import find_spec
from pathlib import Path

import pytest

PHOTOS = (
    "sklearn/datasets/images/china.jpg",
    "sklearn/datasets/images/flower.jpg",
    "skimage/data/coffee.png",
    "skimage/data/chelsea.png",
    "skimage/data/motorcycle_left.png",
    "skimage/data/gravel.png",
    "skimage/data/coins.png",
    "skimage/data/page.png",
    "matplotlib/mpl-data/sample_data/grace_hopper.jpg",
)


@pytest.mark.parametrize("name", PHOTOS)
def test_a_real_photo_of_something_else_is_never_identified(run, name):
    package, _, inside = name.partition("/")
    photo = Path(find_spec(package).submodule_search_locations[0]) / inside
    if not photo.exists():
        pytest.skip(f"this build of {package} carries no {inside}")
    said = run("identify", photo, "--json")
    if said.code == 2:  # too small a photo is refused before anything is looked for
        return
    decision = json.loads(said.out)["decision"]
    assert decision["verdict"] != "identified"
