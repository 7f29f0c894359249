"""A catalogue as arrays, so that all families are compared in one step."""

import re
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from plugface.models.catalogue.entries import Catalogue, Family, compact, compile_pattern
from plugface.models.matching.error_model import ALPHABET, FINS
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import SIZE_CLASSES

_FORMS = str.maketrans({c: "9" if c.isdigit() else "A" for c in ALPHABET})


@lru_cache(maxsize=4096)
def form_of(text: str) -> str:
    """The form of a number: 9 for each figure, A for each letter.

    >>> form_of("PK 2104/16")
    'AA999999'
    """
    return compact(text).translate(_FORMS)


#: Stands among the forms of numbers where one that is listed could be a day: then no day is told from them.
DATE_LIKE = "day"
_DAY = re.compile(r"[0-3]?\d[0-3]?\d(?:19|20)\d\d|(?:19|20)\d\d[01]?\d[0-3]?\d")


def list_forms(numbers: Iterable[str]) -> frozenset[str]:
    """Forms of those of some numbers that are long enough to be told by their form.

    Parameters
    ----------
    numbers : iterable of str
        Compact.

    Returns
    -------
    forms : frozenset of str
        As `form_of` gives them, and `DATE_LIKE` where one of the numbers could be a day.
    """
    long_enough = [number for number in numbers if len(number) >= MIN_NUMBER]
    days = {DATE_LIKE} if any(_DAY.fullmatch(number) for number in long_enough) else set()
    return frozenset(map(form_of, long_enough)) | days


#: A shorter text than this names no family by a number, nor by the form of one (our choice).
MIN_NUMBER = 5

#: As many figures at the end of a mark or number tell families of a kind apart (common practice, no source).
LAST_FIGURES = 3


@dataclass(frozen=True)
class Strings:
    """Many short strings as one padded array of alphabet indices."""

    values: tuple[str, ...]
    codes: np.ndarray  # int (n_strings, longest), padded with 0
    lengths: np.ndarray  # int (n_strings,)
    owners: tuple[tuple[int, ...], ...]  # families that have this string
    last: np.ndarray  # bool (n_strings, longest): the figures it ends in, which tell families of a kind apart

    @cached_property
    def owned(self) -> tuple[np.ndarray, np.ndarray]:
        """Each string with each of its owners: places of the strings, and the owners."""
        counts = [len(owners) for owners in self.owners]
        owners = [owner for owners in self.owners for owner in owners]
        return np.repeat(np.arange(len(counts)), counts), np.array(owners, dtype=int)


#: In the place of a plug's colour: it has none that anything could be said of.
BLANK = len(COLOUR_CODES)


@dataclass(frozen=True)
class CatalogueIndex:
    """Arrays over n_families; M is the largest number of connectors."""

    families: tuple[Family, ...]
    counts: np.ndarray  # int (n_families,)
    colour: np.ndarray  # int (n_families, M), row of the table of colours or BLANK; 0 beyond the count
    size: np.ndarray  # int (n_families, M)
    pins: np.ndarray  # int (n_families, M, 2)
    place: np.ndarray  # float (n_families, M, 2), as `place_plugs` gives them
    log_aspect: np.ndarray  # float (n_families,)
    body_colour: np.ndarray  # int (n_families, 2): body, lid
    fins: np.ndarray  # int (n_families,)
    marks: Strings
    marked: bool  # a family of the catalogue has a mark
    numbers: Strings
    patterns: tuple[tuple[Any, tuple[int, ...]], ...]  # compiled once each, with the families that use it
    number_rows: dict[str, tuple[int, ...]]  # families by number, compact; of all numbers that are listed
    number_forms: frozenset[str]  # of all numbers that are listed, see `form_of`
    payload_patterns: tuple[tuple[Any, tuple[int, ...]], ...]  # as `patterns`, of barcodes' payloads

    @property
    def n_families(self) -> int:
        """Number of families."""
        return len(self.families)

    def without_colours(self, taught: int) -> "CatalogueIndex | None":
        """The same with no colour on plugs whose colour is none of the first so many rows of the table; None
        where there is no such plug."""
        untaught = self.colour >= taught
        return replace(self, colour=np.where(untaught, BLANK, self.colour)) if untaught.any() else None


def strings_of(pairs: list[tuple[str, int]]) -> Strings:
    """Distinct compact strings with their owners; empty ones are left out."""
    owners: dict[str, list[int]] = {}
    for value, owner in pairs:
        if short := compact(value):
            owners.setdefault(short, []).append(owner)
    values = tuple(owners)
    lengths = np.array([len(v) for v in values], dtype=int)
    codes = np.zeros((len(values), int(lengths.max(initial=0))), dtype=int)
    last = np.zeros(codes.shape, dtype=bool)
    for row, value in enumerate(values):
        codes[row, : len(value)] = [ALPHABET.index(c) for c in value]
        body = value[:-LAST_FIGURES] + value[-LAST_FIGURES:].rstrip("0123456789")
        last[row, len(body) : len(value)] = True
    return Strings(values, codes, lengths, tuple(tuple(sorted(set(o))) for o in owners.values()), last)


@dataclass(frozen=True)
class VariantStrings:
    """What tells the variants of one family apart in writing; the owners are places of variants."""

    numbers: Strings
    number_forms: frozenset[str]  # of those that are long enough to be told by their form
    suffixes: Strings
    longest_suffix: int


#: The families asked for last with their variants' strings; compared by identity, as a family never changes.
_variants: dict[int, tuple[Family, VariantStrings]] = {}
_KEPT_VARIANTS = 256


def index_variants(family: Family) -> VariantStrings:
    """Strings of a family's variants; remembered, for one answer asks for them some dozens of times."""
    known = _variants.get(id(family))
    if known is not None and known[0] is family:
        return known[1]
    numbers = strings_of([(n, i) for i, v in enumerate(family.variants) for n in v.service_numbers])
    made = VariantStrings(
        numbers,
        list_forms(numbers.values),
        strings_of([(s, i) for i, v in enumerate(family.variants) for s in v.suffixes]),
        max((len(compact(s)) for v in family.variants for s in v.suffixes), default=1),
    )
    if len(_variants) >= _KEPT_VARIANTS:
        _variants.clear()
    _variants[id(family)] = (family, made)
    return made


#: The catalogues used last with their arrays; compared by identity, as a catalogue never changes once read.
_recent: deque[tuple[Catalogue, CatalogueIndex]] = deque(maxlen=4)


def index_catalogue(catalogue: Catalogue) -> CatalogueIndex:
    """Arrays of a catalogue; remembered for the catalogues used last."""
    for known, index in _recent:
        if known is catalogue:
            return index
    index = index_families(catalogue.families)
    _recent.append((catalogue, index))
    return index


def name_families(index: CatalogueIndex, texts: Iterable[str], payloads: Iterable[str]) -> frozenset[str]:
    """Keys of the families that a text or payload names whole: a listed number, alone or with a suffix behind
    it, or a mark. What is read with a fault names none.

    Parameters
    ----------
    index : CatalogueIndex
    texts, payloads : iterable of str

    Returns
    -------
    keys : frozenset of str
    """
    marks: dict[str, set[int]] = {}
    for row, family in enumerate(index.families):
        for mark in family.marks:
            marks.setdefault(compact(mark.text), set()).add(row)
    rows: set[int] = set()
    for word in (*texts, *payloads):
        value = compact(word)
        rows |= marks.get(value, set())
        for end in range(len(value), MIN_NUMBER - 1, -1):
            if value[:end] in index.number_rows:
                rows |= set(index.number_rows[value[:end]])
                break
    return frozenset(index.families[row].key for row in rows)


#: The families explained last, each with its own arrays; by identity, as `_variants`.
_alone: dict[int, tuple[Family, CatalogueIndex]] = {}


def index_alone(family: Family) -> CatalogueIndex:
    """Arrays of one family alone; remembered, for every explanation of it asks for them."""
    known = _alone.get(id(family))
    if known is not None and known[0] is family:
        return known[1]
    made = index_families((family,))
    if len(_alone) >= _KEPT_VARIANTS:
        _alone.clear()
    _alone[id(family)] = (family, made)
    return made


def place_plugs(family: Family) -> np.ndarray:
    """Where the middles of a family's plugs lie on what a photo's outline holds: the body and its plugs.

    A plug whose middle lies beyond an edge of the body begins at that edge and reaches as far again (our
    choice). The whole is larger than the body then, and its middle lies elsewhere.

    Parameters
    ----------
    family : Family

    Returns
    -------
    place : float ndarray, shape (n_connectors, 2)
        Shares of the whole's sides from its middle, x right, y up.
    """
    middles = np.array([c.at_mm for c in family.connectors], dtype=float).reshape(-1, 2)
    half = np.array(family.body.size_mm[:2]) / 2
    low = np.min([-half, *(2 * middles + half)], axis=0)
    high = np.max([half, *(2 * middles - half)], axis=0)
    return (middles - (low + high) / 2) / (high - low)


def index_families(families: tuple[Family, ...]) -> CatalogueIndex:
    """Arrays of some families, in the order given (M: largest number of connectors among them)."""
    most = max((len(f.connectors) for f in families), default=0)
    shape = (len(families), most)
    colour, size = np.zeros(shape, dtype=int), np.zeros(shape, dtype=int)
    pins, place = np.zeros((*shape, 2), dtype=int), np.zeros((*shape, 2))
    for row, family in enumerate(families):
        for column, connector in enumerate(family.connectors):
            colour[row, column] = COLOUR_CODES.index(connector.colour)
            size[row, column] = SIZE_CLASSES.index(connector.size)
            pins[row, column] = connector.pins
        place[row, : len(family.connectors)] = place_plugs(family)
    sides = np.array([f.body.size_mm[:2] for f in families], dtype=float).reshape(-1, 2)
    numbers = strings_of(
        [(n, row) for row, f in enumerate(families) for v in f.variants for n in v.service_numbers]
    )
    return CatalogueIndex(
        families=families,
        counts=np.array([len(f.connectors) for f in families], dtype=int),
        colour=colour,
        size=size,
        pins=pins,
        place=place,
        log_aspect=np.abs(np.log(sides[:, 0] / sides[:, 1])),
        body_colour=np.array(
            [
                [COLOUR_CODES.index(f.body.colour), COLOUR_CODES.index(f.body.lid_colour or f.body.colour)]
                for f in families
            ],
            dtype=int,
        ).reshape(-1, 2),
        fins=np.array([FINS.index(f.body.fins) for f in families], dtype=int),
        marks=strings_of([(m.text, row) for row, f in enumerate(families) for m in f.marks]),
        marked=any(f.marks for f in families),
        numbers=numbers,
        patterns=_patterns([(f.label.service_number, row) for row, f in enumerate(families)]),
        number_rows=dict(zip(numbers.values, numbers.owners, strict=True)),
        number_forms=list_forms(numbers.values),
        payload_patterns=_patterns(
            [(f.label.payload_pattern, row) for row, f in enumerate(families) if f.label.payload_pattern]
        ),
    )


def index_part(whole: CatalogueIndex, rows: Sequence[int]) -> CatalogueIndex:
    """Arrays of some families as part of their catalogue: a view fits each of them as it does in the whole.

    What a number looks like, and which numbers stand in the way of one another, hangs on all that are listed.

    Parameters
    ----------
    whole : CatalogueIndex
    rows : sequence of int
        Of the families, in the order wanted.

    Returns
    -------
    part : CatalogueIndex
    """
    part = index_families(tuple(whole.families[row] for row in rows))
    places = {row: place for place, row in enumerate(rows)}
    return replace(
        part,
        marked=whole.marked,
        number_rows=dict.fromkeys(whole.number_rows, ()) | part.number_rows,
        number_forms=whole.number_forms,
        payload_patterns=tuple(
            (pattern, tuple(places[row] for row in owners if row in places))
            for pattern, owners in whole.payload_patterns
        ),
    )


def _patterns(written: list[tuple[str, int]]) -> tuple[tuple[Any, tuple[int, ...]], ...]:
    users: dict[str, list[int]] = {}
    for pattern, row in written:
        users.setdefault(pattern, []).append(row)
    return tuple((compile_pattern(pattern), tuple(rows)) for pattern, rows in users.items())
