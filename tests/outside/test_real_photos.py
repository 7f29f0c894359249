"""Real photographs: single stages read what is really there, and none is taken for a known controller.

They come with packages that are installed for other reasons: scikit-learn (china, flower), scikit-image
and imagecorruptions (frost). One is kept here: photos/book_label.jpg, the corner of a
book with an EAN-13 code, cut out of doc/tutorials/others/images/barcode_book.jpg in the sources of OpenCV
(opencv-python-headless 4.11.0.86 on PyPI; Apache-2.0). No package is known to us that carries real photos
of automotive connectors.
"""

import json
import re
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from plugface.vision.barcodes import find_stripes, read_codes
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo

PHOTOS = (
    *(f"sklearn/datasets/images/{name}" for name in ("china.jpg", "flower.jpg")),
    *(f"skimage/data/{name}.png" for name in ("astronaut", "brick", "camera", "chelsea", "coffee", "coins")),
    *(
        f"skimage/data/{name}.png"
        for name in ("grass", "gravel", "moon", "motorcycle_left", "motorcycle_right")
    ),
    *(f"skimage/data/{name}" for name in ("page.png", "text.png", "rocket.jpg", "hubble_deep_field.jpg")),
    *(f"imagecorruptions/frost/{name}" for name in ("frost1.png", "frost4.jpg", "frost5.jpg", "frost6.jpg")),
)


def _find(name: str) -> Path | None:
    """A photo of a package; None where this build of it carries none."""
    package, _, inside = name.partition("/")
    found = find_spec(package)
    photo = Path(found.submodule_search_locations[0]) / inside if found else Path(inside)
    return photo if photo.exists() else None


def _path(name: str) -> Path:
    return _find(name) or pytest.skip(f"{name} is not there")


def test_a_real_photo_of_something_else_is_never_identified(run, some):
    """Nor is any part of it, where it is taken for several units.

    Nor is any taken for a unit with plugs, as measured on 2026-11-26 with a network that had seen other real
    photos of other things: each would ask a person to look, as the README's limits say.
    """
    photos = some(filter(None, map(_find, PHOTOS)), 5, 11)
    assert len(photos) >= 5
    for path in photos:
        said = [run("identify", path, "--json")]
        if said[0].code == 2:
            several = re.search(r"shows (\d+) units", said[0].err)
            assert several, said[0].err
            numbers = range(1, int(several[1]) + 1)
            said = [run("identify", path, "--unit", number, "--json") for number in numbers]
        answers = [json.loads(one.out) for one in said]
        assert [answer["decision"]["verdict"] for answer in answers].count("identified") == 0, path
        units = [photo["unit"] for answer in answers for photo in answer["photos"]]
        assert not any(unit["connectors"] for unit in units if unit), path


def _read(photo: Path) -> list[str]:
    """Every line of text, on units or beside them."""
    seen = observe(decode_photo(photo.read_bytes()))
    return [text.value for text in (*seen.texts, *(text for unit in seen.units for text in unit.texts))]


def test_a_photographed_page_is_read_to_the_letter():
    """scikit-image's page.png; what it says was read by eye."""
    assert _read(_path("skimage/data/page.png")) == [
        "Region-based segmentation",
        "Let us first determine markers of the coins and the",
        "background. These markers are pixels that we can label",
        "unambiguously as either object or background. Here,",
        "the markers are found at the two extreme parts of the",
        "histogram of grey values:",
        ">>> markers = np.zeros_like(coins)",
    ]


BOOK = Path(__file__).parent / "photos" / "book_label.jpg"


def test_a_printed_number_is_read_on_a_slanted_real_label():
    number = next(line for line in _read(BOOK) if line.endswith("27946-0"))
    assert number == "ISBN 978-7-115-27946-0"
    digits = [int(c) for c in number if c.isdigit()]
    # ISO 2108 and GS1 (from memory): weights 1 and 3 in turn, the sum divides by 10.
    assert sum(d * (3 if k % 2 else 1) for k, d in enumerate(digits)) % 10 == 0


def test_the_bars_of_a_real_code_are_found_and_no_code_is_made_up():
    """Where zxing-cpp, asked for all kinds, finds an EAN-13; that kind is not among those we read."""
    photo = decode_photo(BOOK.read_bytes())
    (code,) = zxingcpp.read_barcodes(photo.grey)
    assert (code.text, code.format) == ("9787115279460", zxingcpp.BarcodeFormat.EAN13)
    place = code.position
    corners = (place.top_left, place.top_right, place.bottom_right, place.bottom_left)
    middle = np.mean([(corner.x, corner.y) for corner in corners], axis=0)
    strongest = find_stripes(photo.grey)[0]
    # Half the height of the bars: both are middles of the same stripes, the one of a scan line.
    assert np.linalg.norm(strongest.mean(axis=0) - middle) < 62
    assert read_codes(photo.rgb) == ()
