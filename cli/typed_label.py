"""What a person typed from a label, or a handheld scanner sent, as if it had been read from a photo of it."""

import hashlib
from collections.abc import Sequence

from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.index import compact, index_catalogue
from plugface.models.matching.payloads import name_rows, split_payload
from plugface.vision.observations import Code, Observations, Quality, Text, WhiteBalance

_FAULTLESS = Quality(width_px=1000, height_px=800, median_luma=0.5, burnt_share=0.0, blur_px=0.5)


def typed_label(lines: Sequence[str], payloads: Sequence[str]) -> Observations:
    """A close-up of which every line and code was read without fault.

    Parameters
    ----------
    lines : sequence of str
        As they are printed; a slip of the finger is as possible as a misreading.
    payloads : sequence of str
        What barcodes hold.
    """
    texts = tuple(Text((), line, 0.97, "printed", 32.0) for line in lines)
    codes = tuple(Code((), "Data Matrix", payload, "verified") for payload in payloads)
    digest = hashlib.sha256("\n".join([*lines, *payloads]).encode()).hexdigest()
    return Observations(
        digest, _FAULTLESS, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0), texts=texts, codes=codes
    )


def look_at_typed(entries: Sequence[str], catalogue: Catalogue) -> Observations:
    """The same for entries of one field, of which nobody says what they are.

    A scanner sends a whole payload without a space, with prefixes or identifiers around the number; whatever
    else there is counts as a line that was typed.
    """
    index = index_catalogue(catalogue)
    payloads = [
        entry
        for entry in entries
        if not any(sign.isspace() for sign in entry)
        and compact(entry) not in index.number_rows
        and (name_rows(entry, index) or any(field.named for field in split_payload(entry)))
    ]
    return typed_label([entry for entry in entries if entry not in payloads], payloads)
