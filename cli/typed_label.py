"""What a person typed from a label, or a handheld scanner sent, as if it had been read from a photo of it."""

import hashlib
import re
from collections.abc import Sequence

from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.index import CatalogueIndex, compact, form_of, index_catalogue
from plugface.models.matching.label_fields import find_form, strip_others
from plugface.models.matching.payloads import name_alone, name_rows, split_payload
from plugface.vision.observations import Code, Observations, Quality, Text, WhiteBalance

_GLUE = re.compile(r"(?<=\w)[^\w\s]+(?=\w)")
#: A slip of the finger: one sign in a hundred is another one (our choice).
RIGHT_SIGNS = 0.99
_FAULTLESS = Quality(width_px=1000, height_px=800, median_luma=0.5, burnt_share=0.0, blur_px=0.5)


def typed_label(lines: Sequence[str], payloads: Sequence[str]) -> Observations:
    """A close-up of which every line and code was read without fault.

    Parameters
    ----------
    lines : sequence of str
        As they are printed. A slip of the finger is possible; and what a camera reads for one another is
        held for one another here, too, for rules know no other way that signs err.
    payloads : sequence of str
        What barcodes hold.
    """
    texts = tuple(map(_typed_text, lines))
    codes = tuple(Code((), "Data Matrix", payload, "verified") for payload in payloads)
    digest = hashlib.sha256("\n".join([*lines, *payloads]).encode()).hexdigest()
    return Observations(
        digest, _FAULTLESS, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0), texts=texts, codes=codes
    )


def _typed_text(line: str) -> Text:
    return Text((), line, RIGHT_SIGNS, "printed", 32.0)


def look_at_typed(entries: Sequence[str], catalogue: Catalogue) -> Observations:
    """The same for entries of one field, of which nobody says what they are.

    A scanner sends a whole payload without a space, with prefixes or identifiers around the number; whatever
    else there is counts as a line that was typed, and so does what has the form of a listed number: it may be
    one with a slip in its first letter. So does a number right behind the caption of a date or a serial, for
    payloads know no captions.
    """
    index = index_catalogue(catalogue)
    entries = [_with_caption_apart(entry, index) for entry in entries]
    payloads = [
        entry
        for entry in entries
        if not any(sign.isspace() for sign in entry)
        and compact(entry) not in index.number_rows
        and (
            name_rows(entry, index)
            or (form_of(entry) not in index.number_forms and name_alone(entry, index))
            or any(field.named for field in split_payload(entry))
        )
    ]
    return typed_label([entry for entry in entries if entry not in payloads], payloads)


def _with_caption_apart(entry: str, index: CatalogueIndex) -> str:
    """An entry with a space in place of the signs by which such a caption touches a number."""
    for glue in _GLUE.finditer(entry):
        rest = entry[glue.end() :]
        apart, number = f"{entry[: glue.start()]} {rest}", find_form(rest, index.number_forms)
        behind = number is not None and number.start == 0
        if behind and strip_others(_typed_text(apart), index.number_forms) is None:
            return apart
    return entry
