"""Donors' numbers in pictures: where they stand, and painting them over.

They may be personal data, and a report or a picture is handed on.
"""

from collections.abc import Sequence

from PIL import Image, ImageDraw
from plugface.cli.present.report.pairing import is_plate
from plugface.models.catalogue.entries import compact
from plugface.models.grouping import LABEL_PREFIX
from plugface.models.unit_choice import list_units
from plugface.vision.observations import Observations, Polygon

#: By how much of its height more is painted over than the outline of a line holds, which is cut close.
MARGIN = 0.3


def find_donor_numbers(seen: Observations, listed: frozenset[str]) -> list[Polygon]:
    """Where numbers that may be a donor's stand beside the units, written or in a type plate's barcode.

    Parameters
    ----------
    seen : Observations
    listed : frozenset of str
        Numbers of the catalogue, as `listed_numbers` gives them: none of them is one.

    Returns
    -------
    polygons : list of Polygon, pixels of the photo
    """
    beside_unit = bool(list_units(seen))
    codes = [code for code in seen.codes if not code.payload.startswith(LABEL_PREFIX)]
    beside = [(text.polygon, text.value) for text in seen.texts] + [(c.polygon, c.payload) for c in codes]
    own = [(polygon, words) for polygon, words in beside if compact(words) not in listed]
    return [polygon for polygon, words in own if is_plate(words, beside_unit)]


def paint_over(picture: Image.Image, hidden: Sequence[Polygon], scale: float) -> None:
    """Paint places of a photo black in a picture of it.

    Parameters
    ----------
    picture : Image.Image, RGB
        Changed in place.
    hidden : sequence of Polygon, pixels of the photo
    scale : float
        Pixels of the picture for one of the photo.
    """
    for polygon in hidden:
        xs, ys = zip(*polygon, strict=True)
        margin = MARGIN * (max(ys) - min(ys))
        box = min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin
        ImageDraw.Draw(picture).rectangle([v * scale for v in box], fill=(0, 0, 0))
