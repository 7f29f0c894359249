"""The photograph of a good unit that an entry may name, small enough to stand beside an answer."""

import io
from pathlib import Path

from PIL import Image
from plugface.models.catalogue.entries import Catalogue, Family

#: Long side in pixels, enough to compare plugs by (our choice).
LONG_SIDE_PX = 800


def read_reference(folder: Path, family: Family) -> bytes | None:
    """The first of a family's photos as a small JPEG without place and camera; None where there is none.

    A photo that is not there or cannot be read is passed over: `plugface catalogue check` names it, and the
    drawing takes its place.
    """
    from plugface.analysis import UnreadablePhoto, open_photo  # loads what looks at photos

    for name in family.photos:
        path = folder / name
        try:
            if not path.resolve().is_relative_to(folder.resolve()):  # a link that leads out
                continue
            pixels = open_photo(path).reduced(LONG_SIDE_PX)
        except (OSError, UnreadablePhoto):
            continue
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "JPEG", quality=82)
        return out.getvalue()
    return None


def read_references(folder: Path, catalogue: Catalogue) -> dict[str, bytes]:
    """Those of all families that have one, by the family's key."""
    found = {family.key: read_reference(folder, family) for family in catalogue.families if family.photos}
    return {key: photo for key, photo in found.items() if photo is not None}
