"""What stands on a label, told apart by what the catalogue knows: a number, its suffix, or something else.

Captions are of any wording and need not be listed. A number is known by its form, which is that of the
numbers in the catalogue, wherever it stands in a line. A date, a serial, a voltage or a 'made in' speaks of
no family: it is taken out of its line before anything is compared.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from plugface.models.catalogue.entries import compile_unsigned
from plugface.models.catalogue.index import DATE_LIKE, MIN_NUMBER, compact, form_of
from plugface.models.matching.text_fit import place_characters
from plugface.vision.observations import Text

#: Pieces of a line that are looked at; a line with more of them is prose. Our choice.
MAX_PIECES = 24

# What begins a field that is no service number, as print and its misreadings have it (common practice).
_OTHER = re.compile(
    r"(?:[S5][/\\|.]?N|SER|SERIAL|SERIAL[-.]?N[OR]|SNR|SERIENNR|SERIENNUMMER|SERIE|"
    r"DATE|DATUM|DATA|FECHA|MFD|MFG|BUILT|WEEK|WK|KW|YEAR|LOT|BATCH|CHARGE|QTY|MADE|ASSEMBLED)"
)
_OTHER_GLUED = re.compile(rf"(?:{_OTHER.pattern})[.:#=]+(?=\w)|(?:S/N|DATE|DATUM|SERIAL)(?=\d)")
# Of those the serial's, up to where it begins.
_SERIAL = re.compile(
    r"(?:[S5][/\\|.]?N|SER[A-Z]*|SNR)(?![A-Z])[-.:#= ]*(?:(?:N[OR]|NUM[A-Z]*)(?![A-Z])[-.:#= ]*)?"
)
_ORIGIN = {"MADE", "ASSEMBLED"}
_WHEN_OR_COUNT = set("DATE DATUM DATA FECHA MFD MFG BUILT WEEK WK KW YEAR QTY".split())  # noqa: SIM905
#: Words that go on with a caption.
LINKS = {"NO", "NR", "NUM", "NUMBER", "CODE", "OF", "IN", "NUMMER", "N"}
_DATE = re.compile(
    r"\d{1,2}[./-]\d{2}|\d{1,2}[./-](?:19|20)\d\d|\d{1,2}[./-]\d{1,2}[./-](?:\d\d|\d{4})|"
    r"(?:19|20)\d\d[./-]\d{1,2}(?:[./-]\d{1,2})?"
)
_FULL_DATE = re.compile(r"[0-3]?\d([./-])[0-3]?\d\1(?:19|20)\d\d|(?:19|20)\d\d([./-])[01]?\d\2[0-3]?\d")
_DAY = re.compile(
    rf"{_DATE.pattern}|(?:19|20)\d\d[./-]?[01]\d[./-]?[0-3]\d|[0-3]\d[./-]?[01]\d[./-]?(?:19|20)\d\d"
)
_UNITS = r"(?:V|VDC|V=|A|MA|W|KW|HZ|KHZ|MHZ|G|KG|MM|NM|BAR|KPA|OHM|°C|C|%)"
_QUANTITY = re.compile(rf"[-+<>~]?\d{{1,3}}(?:[.,]\d+)?(?:[.~-]+\d{{1,3}}(?:[.,]\d+)?)?{_UNITS}")
_BARE_QUANTITY = re.compile(r"[-+<>~]?\d{1,3}(?:[.,]\d+)?(?:[.~-]+\d{1,3}(?:[.,]\d+)?)?")
# Behind a space a lone letter may as well be a suffix; volts alone are common enough.
_UNIT = re.compile(r"(?:V|VDC|V=|MA|KW|HZ|KHZ|MHZ|KG|MM|NM|BAR|KPA|OHM|°C|%)")
#: Words that introduce a suffix where the catalogue names none (common practice, no source).
REVISION_WORDS = frozenset(
    "REV REVISION REVN ISSUE ISS IND INDEX SUFFIX EDITION ED VERSION VER LEVEL CHANGE".split()  # noqa: SIM905
)


@dataclass(frozen=True)
class Run:
    """Neighbouring pieces of a line, from one place in its value to another."""

    start: int
    end: int
    value: str  # capitals, without spaces
    whole_words: bool  # False: it begins or ends within a word

    @property
    def form(self) -> str:
        """Its form, as `form_of` has it."""
        return form_of(self.value)


@lru_cache(maxsize=1024)
def runs_of(value: str) -> tuple[Run, ...]:
    """Every run of neighbouring pieces of a line; the longest first from each start.

    Pieces end at spaces and signs, and where letters and figures meet.
    """
    pieces = [m.span() for m in re.finditer(r"[^\W\d_]+|\d+", value)][:MAX_PIECES]
    found = []
    for a, (start, _) in enumerate(pieces):
        for _, end in reversed(pieces[a:]):
            before, after = value[start - 1 : start], value[end : end + 1]
            whole = not before.isalnum() and not after.isalnum()
            found.append(Run(start, end, "".join(value[start:end].upper().split()), whole))
    return tuple(found)


@lru_cache(maxsize=1024)
def find_form(value: str, forms: frozenset[str]) -> Run | None:
    """The longest run of a line that has one of some forms; whole words go before parts of words.

    Parameters
    ----------
    value : str
    forms : frozenset of str
        As `form_of` writes them.

    Returns
    -------
    run : Run or None
    """
    hits = [run for run in runs_of(value) if run.form in forms]
    # Letters of other scripts have no form: of runs with one form, the one without them.
    return max(hits, key=lambda run: (run.whole_words, len(run.form), run.start, -run.end), default=None)


def cut_text(text: Text, start: int, end: int) -> Text:
    """Part of a line with its own characters' alternatives, where the reader gave them.

    Parameters
    ----------
    text : Text
    start, end : int
        Characters of its value, half-open.

    Returns
    -------
    part : Text
    """
    while start < end and text.value[start].isspace():
        start += 1
    while end > start and text.value[end - 1].isspace():
        end -= 1
    if (start, end) == (0, len(text.value)):
        return text
    placed = place_characters(text)
    kept = [i for i in range(start, end) if i in placed]
    return replace(text, value=text.value[start:end], characters=tuple(placed[i] for i in kept))


def join_texts(first: Text, second: Text) -> Text:
    """Two lines as one; alternatives stay where both lines have them for each sign that is no space.

    Parameters
    ----------
    first, second : Text

    Returns
    -------
    joined : Text
    """
    characters = []
    for text in (first, second):
        placed = place_characters(text)
        characters.append([placed[i] for i, c in enumerate(text.value) if not c.isspace() and i in placed])
    value = f"{first.value} {second.value}"
    both = characters[0] + characters[1]
    known = len(both) == sum(not c.isspace() for c in value)
    return replace(
        first,
        value=value,
        confidence=min(first.confidence, second.confidence),
        characters=tuple(both) if known else (),
    )


def _others(value: str, forms: frozenset[str]) -> Iterator[tuple[int, int]]:
    """Spans of a line that speak of something else than a service number."""
    words = [(m.start(), m.end(), m.group().upper()) for m in re.finditer(r"\S+", value)][:MAX_PIECES]
    number = find_form(value, forms)
    at = 0
    while at < len(words):
        start, end, word = words[at]
        bare = word.strip(".:#=,;()")
        glued = _OTHER_GLUED.match(word)
        safe = number is not None and number.start < end and start < number.end
        plain = len(bare) > 3 or "/" in bare  # two letters may be a number's own
        if glued or (_OTHER.fullmatch(bare) and (plain or not safe)):
            stop = _end_of_field(words, at, bare in _ORIGIN, number, glued is not None)
            yield start, words[stop - 1][1]
            at = stop
            continue
        after = words[at + 1][2] if at + 1 < len(words) else ""
        if (
            (not safe and _DATE.fullmatch(bare))
            or (DATE_LIKE not in forms and _FULL_DATE.fullmatch(bare))
            or (
                not safe
                and (_QUANTITY.fullmatch(bare) or (_BARE_QUANTITY.fullmatch(bare) and _UNIT.fullmatch(after)))
            )
        ):
            yield start, end
        at += 1


def _end_of_field(words, at: int, origin: bool, number: Run | None, glued: bool) -> int:
    """Index behind the last word of a field that begins at `at`."""
    stop = at + 1
    while stop < len(words) and words[stop][2].strip(".:#=") in LINKS:
        stop += 1
    first = stop
    while stop < len(words):
        start, _, word = words[stop]
        wordy = word.strip(".:#=,;").isalpha() and len(word.strip(".:#=,;")) > 1
        if origin != wordy:  # a land is words alone; a date or a serial ends where the next words begin
            break
        if number is not None and start == number.start and (stop > first or glued):
            break
        stop += 1
    return stop


@lru_cache(maxsize=1024)
def strip_others(text: Text, forms: frozenset[str]) -> Text | None:
    """A line without dates, serials, quantities and the place of make; None where nothing is left.

    The longest stretch between them that holds figures stays.

    Parameters
    ----------
    text : Text
    forms : frozenset of str
        Of the numbers that are listed: what has one stays.

    Returns
    -------
    rest : Text or None
    """
    spans = list(_others(text.value, forms))
    if not spans:
        return text
    edges = [0, *(edge for span in spans for edge in span), len(text.value)]
    parts = [cut_text(text, a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a < b]
    parts = [part for part in parts if compact(part.value)]
    numbered = [part for part in parts if find_form(part.value, forms) is not None]
    return max(numbered or parts, key=lambda p: sum(c.isdigit() for c in p.value), default=None)


@lru_cache(maxsize=1024)
def _is_others_caption(value: str) -> bool:
    """A line that is the caption of a date, a serial or a lot, and nothing else."""
    words = [bare for word in value.upper().split() if (bare := word.strip(".:#=,;()"))]
    return bool(words) and all(
        (_OTHER.fullmatch(word) and word not in _ORIGIN) or (place and word in LINKS)
        for place, word in enumerate(words)
    )


def find_serials(texts: Iterable[Text]) -> frozenset[str]:
    """Serials of one view, compact: what stands behind the caption of one, in its line or in the next one."""
    behind = pairwise([*(text.value for text in texts), ""])
    lines = [f"{line} {after}" if _is_others_caption(line) else line for line, after in behind]
    fields = [line[start:end].upper() for line in lines for start, end in _others(line, frozenset())]
    serials = {compact(field[caption.end() :]) for field in fields if (caption := _SERIAL.match(field))}
    return frozenset(serial for serial in serials if len(serial) >= MIN_NUMBER)


def without_captioned(texts: Iterable[Text], forms: frozenset[str]) -> tuple[Text, ...]:
    """Lines without the dates, serials and lots whose captions have a line or a box of their own.

    Such a caption belongs to the next line behind it or under it that begins with a figure, as if both were
    one line. What another caption stands nearer to is that one's: any line without figures may be one. What
    has the form of a listed number is no date and no count, nor a serial where nothing else has such a form:
    the serial was not read. Where that may be the serial as well, both stay. A second time nothing more is
    left out.

    Parameters
    ----------
    texts : iterable of Text
        Lines of one view, in reading order. Where places are unknown, the next line alone is near.
    forms : frozenset of str
        Of the numbers that are listed.

    Returns
    -------
    kept : tuple of Text
        Of a line with such a value what stands behind it.
    """
    lines = tuple(texts)
    captions = [k for k, line in enumerate(lines) if _is_others_caption(line.value)]
    if not captions:
        return lines
    worded = [
        k in captions or (not any(c.isdigit() for c in line.value) and len(compact(line.value)) > 1)
        for k, line in enumerate(lines)
    ]
    begun = {
        k for k, line in enumerate(lines) if any(c.isdigit() for c in line.value.strip().partition(" ")[0])
    }
    owned: dict[int, list[tuple[bool, float, int]]] = {}
    for k in sorted(begun.difference(captions)):
        line = lines[k]
        gaps = [(*_gap(lines[at], line, at + 1 == k), at) for at in range(len(lines)) if worded[at]]
        below, gap_px, nearest = min(gaps, key=lambda gap: gap[1])
        if np.isfinite(gap_px) and _may_be_its(lines[nearest].value, line.value, forms):
            owned.setdefault(nearest, []).append((below, gap_px, k))
    left: dict[int, Text | None] = dict(enumerate(lines))
    for k in captions:
        if k in owned:
            at = min(owned[k])[2]  # what stands in its line goes before what is nearer, but below
            rest = strip_others(join_texts(lines[k], lines[at]), forms)
            left[at] = rest and replace(rest, polygon=lines[at].polygon, height_px=lines[at].height_px)
    formed = {k: line for k, line in enumerate(lines) if find_form(line.value, forms)}
    # With a caption to spare, captions may stand below their values or ahead of them all: what has none of
    # its own may then be the serial.
    spare = any(
        worded[k] and k not in owned and k not in captions and strip_others(line, forms)
        for k, line in enumerate(lines)
    )
    loose = formed.keys() & begun - {k for values in owned.values() for *_, k in values}
    if (spare and loose) or not any(line and find_form(line.value, forms) for line in left.values()):
        left |= formed
    if tuple(left.values()) == lines:
        return lines
    # A caption that stayed would take another line the next time.
    return tuple(line for line in left.values() if line is not None and not _is_others_caption(line.value))


def without_others(texts: Iterable[Text], forms: frozenset[str]) -> list[Text | None]:
    """Lines without dates, serials and lots, whether their captions stand in the line or by themselves.

    Parameters
    ----------
    texts : iterable of Text
        As `without_captioned` takes them.
    forms : frozenset of str
        Of the numbers that are listed.

    Returns
    -------
    left : list of Text or None
        As `strip_others` leaves each line that `without_captioned` keeps.
    """
    return [strip_others(text, forms) for text in without_captioned(texts, forms)]


def _may_be_its(caption: str, value: str, forms: frozenset[str]) -> bool:
    """Whether a caption of a date or a count may have this value; any other may have any."""
    words = {word.strip(".:#=,;()") for word in caption.upper().split()}
    if find_form(value, forms) is None or not words <= _WHEN_OR_COUNT | LINKS:
        return True
    return _DAY.fullmatch(value.strip()) is not None


def _gap(caption: Text, value: Text, follows: bool) -> tuple[bool, float]:
    """Whether a value stands below its caption, and how far they are apart; infinitely where it cannot be its
    value."""
    if caption.kind != value.kind or not is_below_or_right(caption, value):
        return False, np.inf
    if len(caption.polygon) < 4 or len(value.polygon) < 4:
        return True, 0.0 if follows else np.inf
    a, b = np.asarray(caption.polygon, float), np.asarray(value.polygon, float)
    right = (a[1] - a[0]) / max(float(np.linalg.norm(a[1] - a[0])), 1e-9)
    axes = np.array([right, (-right[1], right[0])]).T
    a, b = a @ axes, b @ axes
    apart = np.maximum(b.min(axis=0) - a.max(axis=0), a.min(axis=0) - b.max(axis=0))
    below = b[:, 1].mean() > a[:, 1].max()
    return bool(below), float(np.hypot(*apart.clip(0.0)))


def looks_like_number(text: Text) -> bool:
    """A line that may hold a service number: six characters or more, at least half digits (our choice), once
    the words of a caption and what is plainly something else are taken off.

    Whether it was taken for casting or for print does not matter: that may be wrong.
    """
    left = strip_others(text, frozenset())
    return left is not None and (_is_figures(left.value) or _is_figures(_without_captions(left.value)))


def _is_figures(line: str) -> bool:
    value = compact(line)
    digits = sum(c.isdigit() for c in value)
    return len(value) >= 6 and digits >= 4 and digits * 2 >= len(value)


def _without_captions(line: str) -> str:
    """A line from its first word with a figure to its last one."""
    words = line.split()
    places = [k for k, word in enumerate(words) if any(c.isdigit() for c in word)]
    return " ".join(words[places[0] : places[-1] + 1]) if places else ""


def number_lines(texts: Iterable[Text], forms: frozenset[str]) -> list[Text]:
    """Lines that may hold a service number, each without what is something else beside it.

    Parameters
    ----------
    texts : iterable of Text
        Lines of one view, in reading order.
    forms : frozenset of str
        Forms of the numbers that are listed, as `form_of` gives them.

    Returns
    -------
    lines : list of Text
        A number that runs on in the next line is one text; one that stands within a word is cut out of it.
    """
    left, hits, joined = _find_numbers(texts, forms)
    lines = []
    for k, (line, hit) in enumerate(zip(left, hits, strict=True)):
        if k in joined:
            lines.append(joined[k])
        elif k - 1 in joined or line is None:
            continue
        elif hit is not None:
            lines.append(_from_number(line, hit))
        elif looks_like_number(line):
            lines.append(line)
    return lines


def _from_number(line: Text, number: Run) -> Text:
    """A line without the words of a caption before its number; where letters touch it, the number alone."""
    if not number.whole_words:
        return cut_text(line, number.start, number.end)
    if any(c.isdigit() for c in line.value[: number.start]):  # a mark, or a second number
        return line
    return cut_text(line, number.start, len(line.value))


def join_split(texts: Sequence[Text], forms: frozenset[str]) -> list[Text]:
    """Numbers that begin in one line and end in the next, each as one line.

    Parameters
    ----------
    texts : sequence of Text
    forms : frozenset of str
        Of the numbers that are listed.

    Returns
    -------
    joined : list of Text
    """
    _, _, joined = _find_numbers(texts, forms)
    return list(joined.values())


def _find_numbers(
    texts: Iterable[Text], forms: frozenset[str]
) -> tuple[list[Text | None], list[Run | None], dict[int, Text]]:
    """What is left of each line, where a listed form stands in it, and numbers that run on in the next."""
    left = without_others(texts, forms)
    hits = [find_form(line.value, forms) if line is not None else None for line in left]
    return left, hits, _split_numbers(left, hits, forms)


def _split_numbers(left: Sequence[Text | None], hits: Sequence[Run | None], forms) -> dict[int, Text]:
    """Numbers that begin in one line and end in the next, by the place of the first."""
    found: dict[int, Text] = {}
    for k, (first, second) in enumerate(pairwise(left)):
        if first is None or second is None or hits[k] or hits[k + 1] or k - 1 in found:
            continue
        if not _may_run_on(first, second):
            continue
        both = join_texts(first, second)
        run = find_form(both.value, forms)
        if run is not None and run.whole_words:  # neither line alone has one, so that it spans both
            found[k] = both
    return found


def _may_run_on(first: Text, second: Text) -> bool:
    """Both hold something, in print of about one size."""
    low, high = sorted((first.height_px, second.height_px))
    return (
        bool(compact(first.value) and compact(second.value))
        and first.kind == second.kind
        and low >= 0.6 * high
    )


def matching_run(text: Text, pattern) -> Run | None:
    """The longest run of a line that a number pattern matches whole; words before parts of words.

    Every start is tried, so that captions before it and a suffix behind it do not matter; each try is linear
    in the run. A stroke or dash of the pattern may be lost or read as another sign.

    Parameters
    ----------
    text : Text
    pattern : compiled RE2 pattern

    Returns
    -------
    run : Run or None
    """
    unsigned = compile_unsigned(pattern.pattern)
    return next(
        (
            run
            for run, bare in _long_runs(text.value)
            if pattern.fullmatch(run.value) or unsigned.fullmatch(bare)
        ),
        None,
    )


@lru_cache(maxsize=1024)
def _long_runs(value: str) -> tuple[tuple[Run, str], ...]:
    """Runs of a line that are long enough for a number, each with its value compact; the best first."""
    runs = [run for run in runs_of(value) if len(run.value) >= MIN_NUMBER]
    runs.sort(key=lambda run: (run.whole_words, len(run.value), -run.start), reverse=True)
    return tuple((run, compact(run.value)) for run in runs)


def is_below_or_right(caption: Text, value: Text) -> bool:
    """Whether a value stands where a box has it: behind its caption or under it. Unknown places count.

    Parameters
    ----------
    caption, value : Text

    Returns
    -------
    stands : bool
    """
    if len(caption.polygon) < 4 or len(value.polygon) < 4:
        return True
    a, b = np.asarray(caption.polygon, float), np.asarray(value.polygon, float)
    right = a[1] - a[0]
    right /= max(float(np.linalg.norm(right)), 1e-9)
    down = np.array([-right[1], right[0]])
    apart = b.mean(axis=0) - a.mean(axis=0)
    size = max(caption.height_px, value.height_px, 1.0)
    width = float(np.linalg.norm(a[1] - a[0]))
    across, along = float(apart @ right), float(apart @ down)
    behind = abs(along) < 0.7 * size and 0 < across < width + 4 * size
    under = 0 < along < 3 * size and abs(across) < width + 2 * size
    return behind or under
