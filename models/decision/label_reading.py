"""What a catalogue makes of a label's lines and codes, field by field, for the person who writes it."""

from collections.abc import Sequence, Set
from dataclasses import dataclass

from plugface.models.catalogue.entries import Catalogue, Family, compile_pattern
from plugface.models.catalogue.index import CatalogueIndex, compact, index_catalogue
from plugface.models.decision.variants import payload_names, place_suffixes
from plugface.models.matching.label_fields import (
    join_split,
    matching_run,
    number_lines,
    runs_of,
    without_captioned,
)
from plugface.models.matching.payloads import (
    holds_number,
    list_stretches,
    name_alone,
    name_rows,
    split_payload,
)
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Code, Text


def reads_listed_number(view: UnitView, index: CatalogueIndex) -> bool:
    """Whether a line or a code of a view holds a number of the catalogue, whole and without fault.

    What is dark, burnt or blurred as a whole may be plain where it counts: on the label.

    Parameters
    ----------
    view : UnitView
    index : CatalogueIndex

    Returns
    -------
    reads : bool
    """
    texts = without_captioned(view.texts, index.number_forms)
    lines = any(_listed_runs(text, index) for text in texts if text.kind == "printed")
    return lines or any(name_rows(code.payload, index) for code in view.codes)


@dataclass(frozen=True)
class FieldReading:
    """One field of a line or payload, and what the catalogue makes of it."""

    source: str  # the line or payload that it stands in
    field: str  # the part that is meant
    meaning: str  # "number", "suffix", "part of a number", "other" or "nothing"
    words: str


def read_label(
    texts: Sequence[Text], codes: Sequence[Code], catalogue: Catalogue
) -> tuple[FieldReading, ...]:
    """Every line and every code of a label, in order.

    Parameters
    ----------
    texts : sequence of Text
        Printed lines in reading order.
    codes : sequence of Code
    catalogue : Catalogue

    Returns
    -------
    readings : tuple of FieldReading
        One or more for each line and code; what says nothing is said too.
    """
    index = index_catalogue(catalogue)
    joined = join_split(texts, index.number_forms)
    left = without_captioned(texts, index.number_forms)
    of_label = {row for text in (*left, *joined) for row in _rows_listing(text, index)}
    of_label |= {row for code in codes for row in name_rows(code.payload, index)}
    found = []
    for text in (*texts, *(line for line in left if line not in texts)):
        found += _read_line(text, left, joined, index, of_label) if text in left else [_says_nothing(text)]
    found += [reading for text in joined for reading in _read_line(text, left, (), index, of_label)]
    return (*found, *(reading for code in codes for reading in _read_payload(code.payload, index)))


def numbers_of_others(views: Sequence[UnitView], catalogue: Catalogue, family: str) -> tuple[str, ...]:
    """Numbers that were read whole and without fault and that the catalogue lists, but not for this family.

    Parameters
    ----------
    views : sequence of UnitView
    catalogue : Catalogue
    family : str
        Its key; empty for none of the catalogue's.

    Returns
    -------
    words : tuple of str
        Each with who lists it.
    """
    index = index_catalogue(catalogue)
    found = {}
    for view in views:
        printed = [text for text in view.texts if text.kind == "printed"]
        for one in read_label(printed, view.codes, catalogue):
            rows = index.number_rows.get(compact(one.field), ()) if one.meaning == "number" else ()
            if rows and all(index.families[row].key != family for row in rows):
                found[compact(one.field)] = f"{one.field}, {one.words}"
    return tuple(found.values())


def _read_line(
    text: Text, texts: Sequence[Text], joined: Sequence[Text], index: CatalogueIndex, of_label: Set[int]
) -> list[FieldReading]:
    if any(text.value in both.value for both in joined):
        return [FieldReading(text.value, text.value, "part of a number", "it runs on in the next line")]
    lines = number_lines([text], index.number_forms)
    view = UnitView(photo=0, sha256="", usable=True, unit=None, texts=tuple(texts), codes=())
    found = []
    for line in lines:
        found += _numbers_of(line, text.value, index) or [
            FieldReading(
                text.value, line.value, "number", "it has the look of a number, and no family lists it"
            )
        ]
    suffixes: dict[str, list[str]] = {}
    named = {row for line in lines for row in _rows_listing(line, index)} or range(index.n_families)
    for row in sorted(named):
        family = index.families[row]
        # What stands by itself is a suffix of the families that the label names, and of no other.
        for line, suffix in place_suffixes(family, view, alone=row in of_label):
            if line == text:
                suffixes.setdefault(suffix, []).extend(_suffix_owners(family, suffix))
    for suffix, owners in suffixes.items():
        words = f"suffix of {_listed(owners)}" if owners else "no variant lists it"
        found.append(FieldReading(text.value, suffix, "suffix", words))
    return found or [_says_nothing(text)]


def _says_nothing(text: Text) -> FieldReading:
    return FieldReading(text.value, text.value, "nothing", "says nothing for or against a family")


def _suffix_owners(family: Family, suffix: str) -> list[str]:
    return [f"{family.key} {v.key}" for v in family.variants if suffix in v.suffixes]


def _listed_runs(line: Text, index: CatalogueIndex) -> list[str]:
    """Parts of a line that are a listed number, whatever spaces and strokes they are printed with."""
    return [run.value for run in runs_of(line.value) if compact(run.value) in index.number_rows]


def _rows_listing(line: Text, index: CatalogueIndex) -> set[int]:
    return {row for value in _listed_runs(line, index) for row in index.number_rows[compact(value)]}


def _numbers_of(line: Text, source: str, index: CatalogueIndex) -> list[FieldReading]:
    """Numbers that the families' patterns find in a line, each with who lists it."""
    formed: dict[str, list[Family]] = {}
    for family in index.families:
        run = matching_run(line, compile_pattern(family.label.service_number))
        if run is not None:
            formed.setdefault(run.value, []).append(family)
    if not formed:  # printed with other spaces or strokes than the pattern has: compared without them
        listed = _listed_runs(line, index)
        if listed:
            formed[max(listed, key=len)] = []
    found = []
    for number, families in formed.items():
        owners = [
            f"{f.key} {v.key}"
            for f in index.families
            for v in f.variants
            if compact(number) in map(compact, v.service_numbers)
        ]
        has_form = f"has the form of {_listed([f.key for f in families])}, and no variant lists it"
        words = f"listed for {_listed(owners)}" if owners else has_form
        found.append(FieldReading(source, number, "number", words))
    return found


def _read_payload(payload: str, index: CatalogueIndex) -> list[FieldReading]:
    rows = sorted(name_rows(payload, index))
    found = []
    held = {
        s.number: s.printed.rstrip(" -.,:;/|#=")
        for s in list_stretches(payload)
        if not {*index.number_rows.get(s.number, ())}.isdisjoint(rows)
    }
    # A family's own pattern may find a number that is no whole field.
    for number, printed in (held or {"": payload}).items() if rows else ():
        if any(number != other and number in other for other in held):
            continue
        owners = [
            f"{index.families[row].key} {variant.key}"
            for row in rows
            for variant, named in zip(
                index.families[row].variants, payload_names(payload, index.families[row]), strict=True
            )
            if named and (not number or number in map(compact, variant.service_numbers))
        ]
        words = f"listed for {_listed(owners)}" if owners else "its suffix is listed for no variant"
        found.append(FieldReading(payload, printed, "number", words))
    if not rows and holds_number(payload, index):
        found.append(FieldReading(payload, payload, "number", "no family lists a number that stands in it"))
    if alone := name_alone(payload, index):
        found.append(FieldReading(payload, payload, "other", alone))
    for field in split_payload(payload):
        if field.named:
            found.append(FieldReading(payload, field.value, field.meaning, field.named))
    return found or [FieldReading(payload, payload, "nothing", "holds no number, and says nothing")]


def _listed(names: Sequence[str], most: int = 6) -> str:
    shown = ", ".join(dict.fromkeys(names[:most]))
    return shown + (f" and {len(names) - most} more" if len(names) > most else "")
