"""The lines of one printed label, read by two readers and joined into rows."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from plugface.vision.geometry import as_polygon, cut_out, level_corners, map_back, side_lengths
from plugface.vision.observations import Character, Text
from plugface.vision.ocr.lone_signs import read_lone_signs
from plugface.vision.ocr.readers import LineReader, Reading, TesseractReader, read_boxes
from plugface.vision.ocr.text_boxes import TextBox, find_text

#: How far the second reader's word counts beside the first's, 0..1. Our choice, on drawn labels.
SECOND_READER_WEIGHT = 0.3

_FIND_SIDE_PX = 448  # a label is searched for lines at this size
_SECOND_READER_SIDE_PX = 1100
_WORD_STRIP_PX = 64
_WORD_PAD = 1 / 8  # of its height: paper that a word keeps on both sides
_SURE = 0.97  # lines that read better than this need no second reader
_HOPELESS = 0.4  # nor do lines that read worse than this: bars, scratches
# Between words of one line, in heights of their boxes, which reach some way beyond the ink. On real
# photographs of the training and calibration parts all of 36 gaps from 0.4 to 1.4 lay between two lines, of
# 13 smaller ones 10 (2026-11-30).
_MAX_GAP = 0.4
# A sign or two behind figures are their suffix, though they are set wide. Our choice.
_MAX_SUFFIX_GAP, _SUFFIX_SIGNS, _SUFFIX_FIGURES = 1.4, 2, 4
# A box that is long for its height is parted at gaps in its ink, in its heights: what two boxes reach over
# their ink is added. In a line set wide every gap is: one between columns is so many times as wide as the
# others. What is narrow is a sign that stays with its line. Our choice.
_MIN_PARTED, _PARTING_GAP, _OVER_OTHERS, _MIN_PART = 4.0, 0.7, 2.5, 1.2


def read_label(
    grey: np.ndarray,
    corners: np.ndarray,
    reader: LineReader,
    second: TesseractReader | None = None,
    find: Callable[..., tuple[TextBox, ...]] = find_text,
) -> tuple[Text, ...]:
    """Read every line of a printed label, whichever way up it is.

    Parameters
    ----------
    grey : uint8 ndarray, shape (H, W)
        The photo.
    corners : ndarray, shape (4, 2), photo pixels
        The label, as `quad_of` gives it.
    reader : LineReader
    second : TesseractReader, optional
        Asked where the first is in doubt.
    find : callable
        Stands in for `find_text`.

    Returns
    -------
    texts : tuple of Text, photo pixels
        In reading order. Words of one row that stand close are one text ("KD 4162 04").
    """
    scale = max(1.0, 2 * _FIND_SIDE_PX / max(*side_lengths(corners), 1.0)) if grey.size else 1.0
    level, to_photo = cut_out(grey, corners, scale=min(scale, 2.0), margin=0.04, max_side=2 * _FIND_SIDE_PX)
    boxes = [
        TextBox(level_corners(map_back(box.corners, to_photo)), box.score)
        for box in find(level, max_side=_FIND_SIDE_PX)
    ]
    texts = read_boxes(grey, part_boxes(grey, boxes), reader)
    texts = [_read_words_alone(grey, text, reader) if _in_doubt(text) else text for text in texts]
    rows = find_rows([*texts, *read_lone_signs(grey, corners, texts, reader)])
    if second is not None and any(_in_doubt(text) for text in texts):
        rows = _ask_second(grey, corners, rows, second)
    return tuple(joined for row in rows for joined in join_row(row))


def _in_doubt(text: Text) -> bool:
    """Whether a line that may be a number reads well enough to matter and not well enough to be sure."""
    figures = sum(c.isdigit() for c in text.value)
    return figures >= 2 and _HOPELESS < text.confidence < _SURE


def _read_words_alone(grey: np.ndarray, text: Text, reader: LineReader) -> Text:
    """A doubtful line with each of its words sharpened and read once more by itself.

    Among figures a reader takes a lone letter for a figure: a suffix B behind a number became an 8 in a
    training photo, and a B at 0.77 to 0.98 by itself, however it was cut out.
    """
    words = [(m.start(), m.end()) for m in re.finditer(r"\S+", text.value)]
    if len(words) < 2 or len(text.characters) != len(text.value):
        return text
    strip, _ = cut_out(grey, np.asarray(text.polygon, np.float32), height_px=_WORD_STRIP_PX)
    soft = cv2.GaussianBlur(strip, (0, 0), _WORD_STRIP_PX / 16)
    crisp = cv2.addWeighted(strip, 2.2, soft, -1.2, 0)  # blur is what makes most lines doubtful
    alone = reader.read_strips([np.ascontiguousarray(crisp[:, a:b]) for a, b in find_words(strip)])
    characters = list(text.characters)
    for i, k in _same_words([b - a for a, b in words], [len(reading.value) for reading in alone]):
        for at, character in enumerate(alone[k].characters, words[i][0]):
            characters[at] = pool_characters(characters[at], character, 0.5)
    reading = Reading.of(characters, text.method)
    return replace(reading.placed(np.array(text.polygon), text.kind), polygon=text.polygon)


def _same_words(lengths: Sequence[int], others: Sequence[int]) -> list[tuple[int, int]]:
    """Pairs of words from both ends of a line, as far as their lengths agree."""
    pairs: list[tuple[int, int]] = []
    while len(pairs) < min(len(lengths), len(others)):
        k = len(pairs) + 1
        if lengths[-k] != others[-k]:
            break
        pairs.append((len(lengths) - k, len(others) - k))
    for k in range(min(len(lengths), len(others)) - len(pairs)):
        if lengths[k] != others[k]:
            break
        pairs.append((k, k))
    return pairs


def find_words(strip: np.ndarray) -> list[tuple[int, int]]:
    """Where the words of a level printed line stand, from the gaps in its ink.

    Parameters
    ----------
    strip : uint8 ndarray, shape (h, w)

    Returns
    -------
    places : list of (first column, last column + 1)
        From left to right, with half a gap of paper on both sides. Gaps of a quarter of the strip's height
        count; characters of one word stand closer.
    """
    height, width = strip.shape
    smooth = cv2.GaussianBlur(strip, (0, 0), height / 40)
    limit, _ = cv2.threshold(smooth, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    light = smooth > limit
    ink = light if light.mean() < 0.5 else ~light
    inked = ink[height // 6 : height - height // 6].mean(axis=0) > 0.04
    columns = np.flatnonzero(inked)
    if not len(columns):
        return []
    breaks = np.flatnonzero(np.diff(columns) > height / 4)
    starts, ends = columns[np.append(0, breaks + 1)], columns[np.append(breaks, -1)] + 1
    pad = round(_WORD_PAD * height)
    return [(max(0, int(a) - pad), min(width, int(b) + pad)) for a, b in zip(starts, ends, strict=True)]


def part_boxes(grey: np.ndarray, boxes: Sequence[TextBox]) -> list[TextBox]:
    """Boxes that hold two lines of one row, such as two columns, parted where the paper between them is wide.

    Parameters
    ----------
    grey : uint8 ndarray, shape (H, W)
        The photo.
    boxes : sequence of TextBox, photo pixels

    Returns
    -------
    parted : list of TextBox, photo pixels
        Those with no such gap as they are.
    """
    return [part for box in boxes for part in _parts_of(grey, box)]


def _parts_of(grey: np.ndarray, box: TextBox) -> list[TextBox]:
    length, height = box.size
    if length < _MIN_PARTED * height:
        return [box]
    strip, to_photo = cut_out(grey, box.corners, height_px=_WORD_STRIP_PX)
    words = find_words(strip)
    gaps = np.array([after - before for (_, before), (after, _) in pairwise(words)]) / _WORD_STRIP_PX
    gaps += 2 * _WORD_PAD
    wide = gaps > _PARTING_GAP
    if not wide.all():
        wide &= gaps > _OVER_OTHERS * np.median(gaps[~wide])
    columns: list[tuple[int, int]] = []
    for left, right in _stretches(words, wide):
        if columns and min(np.ptp(columns[-1]), right - left) < _MIN_PART * _WORD_STRIP_PX:
            columns[-1] = (columns[-1][0], right)
        else:
            columns.append((left, right))
    if len(columns) < 2:
        return [box]
    return [replace(box, corners=map_back(_frame_of(*ends), to_photo).astype(np.float32)) for ends in columns]


def _stretches(words: Sequence[tuple[int, int]], wide: np.ndarray) -> list[tuple[int, int]]:
    """First and last column of each run of words between gaps that are wide, (n_words - 1) of them."""
    ends = [*np.flatnonzero(wide), len(words) - 1] if words else []
    return [(words[a + 1][0], words[b][1]) for a, b in pairwise([-1, *ends])]


def _frame_of(left: float, right: float) -> np.ndarray:
    """Corners of a stretch of a word strip, (4, 2)."""
    return np.array([(left, 0), (right, 0), (right, _WORD_STRIP_PX), (left, _WORD_STRIP_PX)], float)


def find_rows(texts: Sequence[Text]) -> list[list[Text]]:
    """Sort texts that share one direction into rows from the top, each from left to right."""
    if not texts:
        return []
    right, down = _axes(texts)
    rows: list[list[Text]] = []
    for text in sorted(texts, key=lambda t: float(_centre(t) @ down)):
        row = next((r for r in rows if _same_row(r[-1], text, down)), None)
        if row is None:
            rows.append([text])
        else:
            row.append(text)
    return [sorted(row, key=lambda t: float(_centre(t) @ right)) for row in rows]


def _axes(texts: Sequence[Text]) -> tuple[np.ndarray, np.ndarray]:
    sides = np.sum([np.subtract(t.polygon[1], t.polygon[0]) for t in texts], axis=0)
    right = sides / max(float(np.linalg.norm(sides)), 1e-9)
    return right, np.array([-right[1], right[0]])


def _centre(text: Text) -> np.ndarray:
    return np.mean(text.polygon, axis=0)


def _same_row(a: Text, b: Text, down: np.ndarray) -> bool:
    apart = abs(float((_centre(a) - _centre(b)) @ down))
    return apart < 0.5 * min(a.height_px, b.height_px)


def join_row(row: Sequence[Text]) -> list[Text]:
    """Join neighbours of a row that are of one size and stand close, as the words of a line do, and a suffix
    with what stands before it; columns, captions and values stay apart."""
    joined: list[Text] = []
    for text in row:
        if joined and _is_next_word(joined[-1], text):
            joined[-1] = _join(joined[-1], text)
        else:
            joined.append(text)
    return joined


def _is_next_word(a: Text, b: Text) -> bool:
    gap = float(np.linalg.norm(np.subtract(b.polygon[0], a.polygon[1])))
    ratio = a.height_px / max(b.height_px, 1e-6)
    most = _MAX_SUFFIX_GAP if _is_suffix(b, a) else _MAX_GAP
    return gap < most * max(a.height_px, b.height_px) and 0.7 < ratio < 1.4


def _is_suffix(sign: Text, figures: Text) -> bool:
    """Whether one text is a sign or two that may belong to the figures before it."""
    return len(sign.value) <= _SUFFIX_SIGNS and sum(c.isdigit() for c in figures.value) >= _SUFFIX_FIGURES


def _join(a: Text, b: Text) -> Text:
    reading = Reading.of([*a.characters, Character(((" ", 1.0),)), *b.characters], a.method)
    corners = np.array([a.polygon[0], b.polygon[1], b.polygon[2], a.polygon[3]])
    return replace(reading.placed(corners, a.kind), polygon=as_polygon(corners))


def _ask_second(
    grey: np.ndarray, corners: np.ndarray, rows: list[list[Text]], second: TesseractReader
) -> list[list[Text]]:
    """Let a second reader read the whole label upright, and pool what both say of each character."""
    right, _ = _axes([text for row in rows for text in row])
    upright = max(range(4), key=lambda q: float(_top_side(np.roll(corners, -q, axis=0)) @ right))
    turned = np.roll(corners, -upright, axis=0)
    height = float(np.median([text.height_px for row in rows for text in row]))
    scale = min(40.0 / max(height, 1.0), _SECOND_READER_SIDE_PX / max(*side_lengths(turned), 1.0))
    level, to_photo = cut_out(grey, turned, scale=scale, margin=0.02)
    lines = second.read_lines(level)
    placed = [(map_back(np.array(line.polygon), to_photo).mean(axis=0), line) for line in lines]
    _, down = _axes([text for row in rows for text in row])
    return [_pool_row(row, placed, down) for row in rows]


def _top_side(corners: np.ndarray) -> np.ndarray:
    side = corners[1] - corners[0]
    return side / max(float(np.linalg.norm(side)), 1e-9)


def _pool_row(row: list[Text], placed: list[tuple[np.ndarray, Text]], down: np.ndarray) -> list[Text]:
    centre = np.mean([_centre(text) for text in row], axis=0)
    height = max(text.height_px for text in row)
    near = [(abs(float((point - centre) @ down)), line) for point, line in placed]
    near = [item for item in near if item[0] < 0.5 * height]
    if not near:
        return row
    line = min(near, key=lambda item: item[0])[1]
    theirs = [c for c in line.characters if c.options[0][0] != " "]
    ours = [
        (i, k) for i, text in enumerate(row) for k, c in enumerate(text.characters) if c.options[0][0] != " "
    ]
    pairs = align_strings(
        "".join(row[i].characters[k].options[0][0] for i, k in ours), "".join(c.options[0][0] for c in theirs)
    )
    pooled = [list(text.characters) for text in row]
    for a, b in pairs:
        i, k = ours[a]
        pooled[i][k] = pool_characters(pooled[i][k], theirs[b], SECOND_READER_WEIGHT)
    method = f"{row[0].method} and {line.method}"
    return [
        replace(
            Reading.of(characters, method).placed(np.array(text.polygon), text.kind), polygon=text.polygon
        )
        for text, characters in zip(row, pooled, strict=True)
    ]


def pool_characters(first: Character, second: Character, weight: float) -> Character:
    """Weighted mean of what two readers say of one character (a linear opinion pool, Stone 1961).

    Parameters
    ----------
    first, second : Character
    weight : float, 0..1
        Of the second.

    Returns
    -------
    pooled : Character
    """
    shares: dict[str, float] = {}
    for character, part in ((first, 1.0 - weight), (second, weight)):
        for value, share in character.options:
            shares[value] = shares.get(value, 0.0) + part * share
    ranked = sorted(shares.items(), key=lambda option: -option[1])
    return Character(tuple(ranked[:5]))


def align_strings(a: str, b: str) -> list[tuple[int, int]]:
    """Index pairs of characters that stand for one another, by the least number of edits.

    Parameters
    ----------
    a, b : str

    Returns
    -------
    pairs : list of (int, int)
        Indices into `a` and `b`, rising.

    References
    ----------
    Wagner & Fischer, J. ACM 21 (1974) 168-173.
    """
    cost = np.zeros((len(a) + 1, len(b) + 1), int)
    cost[:, 0], cost[0, :] = np.arange(len(a) + 1), np.arange(len(b) + 1)
    for i, x in enumerate(a, 1):
        for j, y in enumerate(b, 1):
            cost[i, j] = min(cost[i - 1, j - 1] + (x != y), cost[i - 1, j] + 1, cost[i, j - 1] + 1)
    pairs, i, j = [], len(a), len(b)
    while i and j:
        if cost[i, j] == cost[i - 1, j - 1] + (a[i - 1] != b[j - 1]):
            i, j = i - 1, j - 1
            pairs.append((i, j))
        elif cost[i, j] == cost[i - 1, j] + 1:
            i -= 1
        else:
            j -= 1
    return pairs[::-1]
