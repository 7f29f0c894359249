"""What a barcode's payload says, field by field, as the standards of such labels split it.

References
----------
GS1 General Specifications, section 3: application identifiers, here those with a fixed length and those that
bear an item's number. ANSI MH10.8.2 (ISO/IEC 15418): data identifiers. ISO/IEC 15434: the envelope `[)>` and
its separators. All from memory.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from plugface.models.catalogue.index import MIN_NUMBER, CatalogueIndex, compact, form_of
from plugface.models.matching.label_fields import MAX_PIECES

Meaning = Literal["number", "suffix", "other", "unknown"]

_GS, _RS, _EOT = "\x1d", "\x1e", "\x04"
# Decoders show control characters as their pictures or by name.
_SHOWN = {"␝": _GS, "␞": _RS, "␄": _EOT, "<GS>": _GS, "<RS>": _RS, "<EOT>": _EOT, "{GS}": _GS, "{RS}": _RS}

# GS1 application identifiers of fixed length: identifier -> length of the value.
_FIXED = {"00": 18, "01": 14, "02": 14, "20": 2} | {str(n): 6 for n in range(11, 20)}
_ITEM_IDENTIFIERS = {
    "240": "additional item number",
    "241": "customer's part number",
    "242": "made-to-order number",
}
_OTHER_IDENTIFIERS = {
    "00": "shipping unit",
    "01": "trade item number",
    "02": "trade items contained",
    "10": "batch",
    "11": "production date",
    "12": "due date",
    "13": "packaging date",
    "15": "best before",
    "16": "sell by",
    "17": "expiry date",
    "21": "serial",
    "30": "count",
    "37": "count",
    "250": "secondary serial",
}
# Categories of data identifiers by their letter.
_CATEGORIES = {
    "S": "serial",
    "T": "lot",
    "Q": "quantity",
    "D": "date",
    "V": "supplier",
    "L": "place",
    "K": "order",
}
_DATA_IDENTIFIER = re.compile(r"(\d{0,3}[A-Z])(.+)", re.DOTALL)
# What begins a serial, a lot, a quantity or a date in a code without an envelope: at its front, and for a
# serial behind a sign too (common practice, no source).
_NO_NUMBER = re.compile(r"^\d?[SQTD](?=\d)|(?<![^\W_])(?:S(?=\d)|(?:S/?N|SER(?:IAL)?)[-.:#= ]*(?=\w))")
_ALONE = re.compile(r"(\d?[SQTD])[0-9]{5,}")
_BRACKETED = re.compile(r"\((\d{2,4})\)([^(]*)")
_SYMBOLOGY = re.compile(r"^\][A-Za-z]\d")


@dataclass(frozen=True)
class PayloadField:
    """One field of a payload."""

    value: str
    meaning: Meaning = "unknown"
    named: str = ""  # "1P supplier's part number", "" where no standard names it


@dataclass(frozen=True)
class Stretch:
    """A stretch of a field that may be a number, and what stands right behind it in the field."""

    number: str  # compact
    printed: str  # as the field has it, with its signs
    rests: tuple[str, ...]  # compact, what follows in the field up to each of its borders; the longest first
    named: bool  # a standard names the field as the item's number


def split_payload(payload: str) -> tuple[PayloadField, ...]:
    """Fields of a payload; one where it is not built of several.

    >>> [f.value for f in split_payload("[)>␞06␝1P58203317␝2PAA␝S0004␞␄")]
    ['58203317', 'AA', '0004']
    """
    text = _SYMBOLOGY.sub("", payload.strip())
    for shown, control in _SHOWN.items():
        text = text.replace(shown, control)
    text = text.strip(_GS + _EOT)
    if _BRACKETED.match(text):
        return tuple(_gs1_field(m[1], m[2].strip()) for m in _BRACKETED.finditer(text))
    envelope = re.match(rf"\[\)>{_RS}?(\d\d){_GS}?", text)
    if envelope:
        body = text[envelope.end() :].strip(_RS + _EOT + _GS)
        parts = [part for part in re.split(f"[{_GS}{_RS}]", body) if part]
        if envelope[1] == "05":
            return tuple(
                field for part in parts for field in _read_identifiers(part) or (PayloadField(part),)
            )
        return tuple(_data_field(part) for part in parts)
    if _GS in text:
        parts = [part for part in text.split(_GS) if part]
        read = [_read_identifiers(part) for part in parts]
        if all(read):
            return tuple(field for fields in read for field in fields)
        fields = [_data_field(part) for part in parts]
        # Without an envelope a first letter may as well be the number's own, where nothing else is named one.
        if fields[0].meaning == "other" and all(field.meaning != "number" for field in fields):
            fields[0] = PayloadField(parts[0])
        return tuple(fields)
    return (PayloadField(text),) if text else ()


def _gs1_field(identifier: str, value: str) -> PayloadField:
    if identifier in _ITEM_IDENTIFIERS:
        return PayloadField(value, "number", f"({identifier}) {_ITEM_IDENTIFIERS[identifier]}")
    if identifier in _OTHER_IDENTIFIERS:
        return PayloadField(value, "other", f"({identifier}) {_OTHER_IDENTIFIERS[identifier]}")
    return PayloadField(value, "unknown", f"({identifier})")


def _read_identifiers(part: str) -> tuple[PayloadField, ...]:
    """Fields of a stretch without separators by application identifiers; empty where it is none."""
    fields = []
    while part:
        identifier = next(
            (part[:n] for n in (3, 2) if part[:n] in _ITEM_IDENTIFIERS or part[:n] in _OTHER_IDENTIFIERS),
            None,
        ) or (part[:2] if re.match(r"9[0-9]|20", part) else None)
        if identifier is None:
            return ()
        length = _FIXED.get(identifier, len(part))
        value = part[len(identifier) :][:length]
        if not value or (identifier in _FIXED and len(value) < length):
            return ()
        fields.append(_gs1_field(identifier, value))
        part = part[len(identifier) + len(value) :]
    return tuple(fields)


def _data_field(part: str) -> PayloadField:
    found = _DATA_IDENTIFIER.fullmatch(part)
    if not found:
        return PayloadField(part)
    identifier, value = found[1], found[2]
    letter = identifier[-1]
    if identifier == "2P":
        return PayloadField(value, "suffix", "2P revision")
    if letter == "P":
        who = {"P": "customer's", "1P": "supplier's"}.get(identifier, "another")
        return PayloadField(value, "number", f"{identifier} {who} part number")
    if letter in _CATEGORIES:
        return PayloadField(value, "other", f"{identifier} {_CATEGORIES[letter]}")
    return PayloadField(part)


def list_stretches(payload: str) -> Iterator[Stretch]:
    """Every stretch of a payload that may be a number as a whole field.

    It begins and ends at an end of a field, at a sign, or where letters and figures meet, so that no figure
    is cut off a longer number; nor does it begin with a letter that a figure stands before, unless the two
    are a data identifier. What a standard names as something else is left out, and so is what begins right
    behind a serial's, a lot's, a quantity's or a date's identifier.
    """
    for field in split_payload(payload):
        if field.meaning in ("number", "unknown"):
            value = field.value.upper()
            pieces = _borders(value)
            bare = _without_identifier(value) if field.meaning == "unknown" else []
            cut = {at for at in pieces if value[at - 1 : at].isdigit() and value[at : at + 1].isalpha()}
            if field.meaning == "unknown":
                marks = _NO_NUMBER.finditer(value)
                cut.update(at for mark in marks for at in range(mark.start() + 1, mark.end() + 1))
            for start in sorted(({*pieces} - cut) | {*bare}):
                for k, end in enumerate(pieces):
                    number = compact(value[start:end]) if end > start else ""
                    if len(number) >= MIN_NUMBER:
                        rests = tuple(compact(value[end:stop]) for stop in reversed(pieces[k + 1 :]))
                        yield Stretch(number, value[start:end].strip(), rests, field.meaning == "number")


def _without_identifier(value: str) -> list[int]:
    """Where a number begins behind the data identifier of a single field, or none."""
    found = re.match(r"\d{0,2}P(?=\w)", value)
    return [found.end()] if found else []


def _borders(value: str) -> list[int]:
    """Where a piece of letters or of figures begins or ends; of two places that signs part, the second."""
    pieces = [m.span() for m in re.finditer(r"[^\W\d_]+|\d+", value)][:MAX_PIECES]
    places = sorted({edge for span in pieces for edge in span})
    if not places:  # signs alone
        return []
    nexts = [*places[1:], None]
    return [a for a, b in zip(places, nexts, strict=True) if b is None or compact(value[a:b])]


def revision_of(payload: str) -> str:
    """The revision that a standard names in a payload, "" where there is none."""
    return next((compact(f.value) for f in split_payload(payload) if f.meaning == "suffix"), "")


def serials_of(payload: str) -> frozenset[str]:
    """Serials that a standard names in a payload, compact."""
    named = [field.value for field in split_payload(payload) if field.named.endswith(" serial")]
    return frozenset(serial for serial in map(compact, named) if len(serial) >= MIN_NUMBER)


def name_rows(payload: str, index: CatalogueIndex) -> frozenset[int]:
    """Rows of the families that list a number of this payload; of numbers within one another the longest.

    A family whose entry gives a pattern for the whole payload is asked by that first.

    Parameters
    ----------
    payload : str
    index : CatalogueIndex

    Returns
    -------
    rows : frozenset of int
    """
    rows: set[int] = set()
    for pattern, owners in index.payload_patterns:
        if found := pattern.fullmatch("".join(payload.split())):
            rows |= set(index.number_rows.get(compact(found["number"] or ""), ())) & set(owners)
    if rows:
        return frozenset(rows)
    hits = {
        s.number: index.number_rows[s.number]
        for s in list_stretches(payload)
        if s.number in index.number_rows
    }
    return frozenset(
        row
        for number, owners in hits.items()
        if not any(number != other and number in other for other in hits)
        for row in owners
    )


def holds_number(payload: str, index: CatalogueIndex) -> bool:
    """Whether a payload holds what may be a service number: of the form of one that is listed, or named so by
    a standard, or what a catalogue's pattern for payloads takes for one.

    Parameters
    ----------
    payload : str
    index : CatalogueIndex

    Returns
    -------
    holds : bool
    """
    if any(pattern.fullmatch("".join(payload.split())) for pattern, _ in index.payload_patterns):
        return True
    return any(
        s.named or (form_of(s.number) in index.number_forms and not _is_none(s.printed, index))
        for s in list_stretches(payload)
    )


def _is_none(printed: str, index: CatalogueIndex) -> bool:
    """A serial, a lot, a quantity or a date by its identifier, where no listed number begins with that and no
    sign parts what stands behind it, as signs part a number that is printed."""
    mark = _NO_NUMBER.match(printed)
    if mark is None or not printed[mark.end() :].isalnum():
        return False
    return not any(number.startswith(compact(mark[0])) for number in index.number_rows)


def name_alone(payload: str, index: CatalogueIndex) -> str:
    """What a code of one field is by its identifier, as "S serial"; "" where it may be a number, or is short.

    Parameters
    ----------
    payload : str
    index : CatalogueIndex

    Returns
    -------
    named : str
    """
    found = _ALONE.fullmatch(payload.strip().upper())
    if not found or name_rows(payload, index) or holds_number(payload, index):
        return ""
    return f"{found[1]} {_CATEGORIES[found[1][-1]]}"
