"""How well a line of text, as read, fits strings it could be: a noisy-channel edit distance.

Every reading is compared with every string through the probabilities of error_model.py: a character read for
another, lost or added. The result is a log likelihood ratio against 'some other text', so a clean reading
that differs in one character loses to a string that agrees, and is never mended into a catalogued one.

References
----------
Ristad & Yianilos, IEEE PAMI 20 (1998), stochastic edit distance; here the best path, not their sum.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from plugface.models.catalogue.index import Strings
from plugface.models.matching.error_model import ALPHABET, ErrorModel
from plugface.vision.observations import Character, Text

#: From so many strings on, the rows of a table are compared one by one: along its first axis numpy is slow.
_MANY = 64
#: The worst that a string can score; nats.
FLOOR_NATS = -20.0
#: The farthest that a string is said to be from what was read; nats.
MAX_DEVIANCE = 30.0

_FIGURES = 10  # come first in the alphabet
_PLACES = {character: place for place, character in enumerate(ALPHABET)}


def place_characters(text: Text) -> dict[int, Character]:
    """A line's characters by their places in its value: a reader gives one for each sign of it, or one for
    each that is no space; none where it gave another number."""
    letters = [i for i, c in enumerate(text.value) if not c.isspace()]
    for places in (letters, range(len(text.value))):
        if len(text.characters) == len(places):
            return dict(zip(places, text.characters, strict=True))
    return {}


@lru_cache(maxsize=256)
def read_characters(text: Text) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A reading as distributions over the alphabet; kept for the lines asked for last, so not to be changed.

    Returns
    -------
    seen : float ndarray, shape (n_characters, 36)
        Capitals and digits alone; spaces and punctuation are dropped.
    starts, ends : bool ndarray, shape (n_characters,)
        Where a word begins or ends.
    """
    spaced = [c.upper() for c in text.value]  # one by one: a ligature has two capitals, and is none of ours
    kept = [i for i, c in enumerate(spaced) if c in _PLACES]
    options = {i: character.options for i, character in place_characters(text).items()}
    seen = np.zeros((len(kept), len(ALPHABET)))
    for row, i in enumerate(kept):
        fallback = ((spaced[i], max(text.confidence, 0.3)),)
        for value, share in options.get(i, fallback):
            if value.upper() in _PLACES:
                seen[row, _PLACES[value.upper()]] += share
        total = seen[row].sum()
        seen[row] = seen[row] / total if total > 1 else seen[row] + (1.0 - total) / len(ALPHABET)
    starts = np.array([k == 0 or kept[k - 1] != i - 1 for k, i in enumerate(kept)], dtype=bool)
    ends = np.append(starts[1:], True) if kept else starts
    return seen, starts, ends


def score_strings(text: Text, strings: Strings, noise: ErrorModel) -> np.ndarray:
    """Log likelihood ratio of a line holding each string as whole words.

    Parameters
    ----------
    text : Text
    strings : Strings, n_strings of them
    noise : ErrorModel

    Returns
    -------
    log_odds : float ndarray, shape (n_strings,), nats; at least FLOOR_NATS
    """
    return score_lines([text], strings, noise)[0]


def score_lines(texts: Sequence[Text], strings: Strings, noise: ErrorModel) -> np.ndarray:
    """As `score_strings`, several lines in one go.

    Parameters
    ----------
    texts : sequence of Text, n_texts of them
    strings : Strings, n_strings of them
    noise : ErrorModel

    Returns
    -------
    log_odds : float ndarray, shape (n_texts, n_strings), nats; at least FLOOR_NATS
    """
    scores = np.full((len(texts), len(strings.codes)), FLOOR_NATS)
    read = [place for place, text in enumerate(texts) if len(read_characters(text)[0])]
    odds = [_character_odds(read_characters(texts[k])[0], noise, texts[k].kind) for k in read]
    ways = [[_plainly(own, read_characters(texts[k])[1])] for k, own in zip(read, odds, strict=True)]
    found = _align([texts[k] for k in read], strings, noise, odds, ways)
    scores[read] = np.maximum(found[:, 0], FLOOR_NATS)
    return scores


def fit_lines(
    texts: Sequence[Text], strings: Strings, noise: ErrorModel
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How well each string fits each line, how far it is from it, and how much better a sibling would fit.

    Parameters
    ----------
    texts : sequence of Text, n_texts of them
    strings : Strings, n_strings of them
    noise : ErrorModel

    Returns
    -------
    log_odds : float ndarray, shape (n_texts, n_strings), nats
        As `score_strings`.
    deviance : float ndarray, the same shape, nats, 0 or more; at most MAX_DEVIANCE
        How far each string is from the words of the line that it fits best, as they were read. Words beside
        them do not count: a number is no worse for standing in one line with a mark.
    better : float ndarray, the same shape, nats, 0 or more; at most MAX_DEVIANCE
        How much better than each string one would fit that differs from it in its last figures alone. A mark
        that was read with another figure is not that string with a slip: a family of the same kind may be
        missing from the catalogue. None where neither fits better than some other text: a line that is no
        mark has no sibling of one.
    """
    shape = (len(texts), len(strings.codes))
    plain, far, better = np.full(shape, FLOOR_NATS), np.full(shape, MAX_DEVIANCE), np.zeros(shape)
    read = [place for place, text in enumerate(texts) if len(read_characters(text)[0])]
    odds = [_character_odds(read_characters(texts[k])[0], noise, texts[k].kind) for k in read]
    ways = [
        [_plainly(own, read_characters(texts[k])[1]), _below_best(own), *_with_siblings(own)]
        for k, own in zip(read, odds, strict=True)
    ]
    found = _align([texts[k] for k in read], strings, noise, odds, ways)
    plain[read] = np.maximum(found[:, 0], FLOOR_NATS)
    far[read] = np.clip(-found[:, 1], 0.0, MAX_DEVIANCE)
    better[read] = _margin(found[:, 2], found[:, 3])
    return plain, far, better


@dataclass(frozen=True)
class _Way:
    """One way to hold strings against a line."""

    taken: np.ndarray  # (n_characters,), what is taken off each character, read or added
    search: float  # what starting at one of the words costs
    free: bool = False  # the last figures may be any


def _plainly(odds: np.ndarray, starts: np.ndarray) -> _Way:
    # Any word could be the first: what looking in several places costs.
    return _Way(np.zeros(len(odds)), -np.log(starts.sum()))


def _below_best(odds: np.ndarray) -> _Way:
    return _Way(odds.max(axis=1), 0.0)


def _with_siblings(odds: np.ndarray) -> tuple[_Way, _Way]:
    none = np.zeros(len(odds))
    return _Way(none, 0.0), _Way(none, 0.0, free=True)


def _margin(own: np.ndarray, any_last: np.ndarray) -> np.ndarray:
    better = np.maximum(any_last, 0.0) - np.maximum(own, 0.0)
    return np.clip(better, 0.0, MAX_DEVIANCE)


def _align(
    texts: Sequence[Text],
    strings: Strings,
    noise: ErrorModel,
    odds: Sequence[np.ndarray],
    ways: Sequence[Sequence[_Way]],
) -> np.ndarray:
    """Best path of each string through whole words of each line, shape (n_texts, n_ways, n_strings), nats.

    Parameters
    ----------
    texts : n_texts of them, each with a character at least
    odds : for each line (n_characters, 36), of reading each character for each true one
    ways : for each line n_ways of them
    """
    n_strings, n_ways = len(strings.codes), len(ways[0]) if ways else 4
    best = np.empty((len(texts), n_ways, n_strings))
    # For few strings the steps cost more than the numbers, so lines go together; for many, one by one.
    order = sorted(range(len(texts)), key=lambda k: -len(odds[k]))
    groups = [order] if n_strings < _MANY else [[k] for k in order]
    for group in groups:
        if group:
            best[group] = _align_together(
                [texts[k] for k in group], strings, noise, [odds[k] for k in group], [ways[k] for k in group]
            )
    return best


def _align_together(texts, strings: Strings, noise: ErrorModel, odds, ways) -> np.ndarray:
    """As `_align`, of lines of which none is longer than the one before it."""
    n_strings, longest = strings.codes.shape
    counts = np.array([len(own) for own in odds])
    shape = (len(texts), len(ways[0]), longest + 1, n_strings)
    best = np.full((*shape[:2], n_strings), -np.inf)
    # Where a word begins right behind a character, and where one ends, (n_characters, n_texts).
    starts, ends = np.zeros((2, counts[0], len(texts)), dtype=bool)
    # At each place within the string, from either end, it may be cut off; where nothing is, that costs all.
    at = np.arange(longest + 1)[:, None]
    within = (at > 0) & (at < strings.lengths)
    all_lost = np.empty((len(texts), 1, longest + 1, 1))
    cuts = np.empty((len(texts), 1, longest + 1, n_strings))
    # What each character costs or brings at each place, for all of them at once.
    more = np.empty((counts[0], *shape[:2], 1, 1))
    fitting = np.empty((counts[0], *shape[:2], longest, n_strings))
    codes, free = strings.codes.T, [k for k, way in enumerate(ways[0]) if way.free]
    for line, (text, own) in enumerate(zip(texts, odds, strict=True)):
        n = counts[line]
        begin, end = read_characters(text)[1:]
        starts[: n - 1, line], ends[:n, line] = begin[1:], end
        lost, added = np.log(noise.of_kind(text.kind)[1:])
        all_lost[line, 0] = lost * at
        with np.errstate(divide="ignore"):
            cut = np.log(noise.cut_of_kind(text.kind) / 2 / np.maximum(strings.lengths - 1, 1))
        cuts[line, 0] = np.where(within, cut, -np.inf)
        taken = np.array([way.taken for way in ways[line]]).T[:, :, None, None]  # (n, n_ways, 1, 1)
        more[:n, line] = added - taken
        fitting[:n, line] = own[:, codes][:, None] - taken
        for k in free:
            fitting[:n, line, k][:, strings.last.T] = own[:, :_FIGURES].max(axis=1)[:, None]
    search = np.array([[way.search for way in own] for own in ways])[:, :, None, None]
    columns = np.arange(n_strings)
    before = np.maximum(np.broadcast_to(all_lost + search, shape), cuts + search)
    for i, active in enumerate((counts > np.arange(counts[0])[:, None]).sum(axis=1)):
        before, lines = before[:active], slice(active)
        table = before + more[i, lines]
        if starts[i].any():
            first = starts[i, lines]
            table[first, :, 0] = np.maximum(table[first, :, 0], search[lines][first, :, 0])
        fits = fitting[i, lines]
        fits += before[:, :, :-1]
        np.maximum(table[:, :, 1:], fits, out=table[:, :, 1:])
        # Losing characters up to each place: a running maximum once what all of them cost is taken off.
        table -= all_lost[lines]
        if n_strings < _MANY:
            np.maximum.accumulate(table, axis=2, out=table)
        else:
            for row in range(1, longest + 1):
                np.maximum(table[:, :, row], table[:, :, row - 1], out=table[:, :, row])
        table += all_lost[lines]
        if ends[i].any():
            last = ends[i, lines]
            done, cut = (table, cuts[lines]) if last.all() else (table[last], cuts[lines][last])
            reached = np.maximum(done[:, :, strings.lengths, columns], (done + cut).max(axis=2))
            best[lines][last] = np.maximum(best[lines][last], reached)
        before = table
    return best


def best_string(text: Text, noise: ErrorModel) -> float:
    """Log likelihood ratio that a string equal to the line as read would have; nats.

    Parameters
    ----------
    text : Text
    noise : ErrorModel

    Returns
    -------
    score : float, nats
    """
    seen, _, _ = read_characters(text)
    return float(_character_odds(seen, noise, text.kind).max(axis=1).sum()) if len(seen) else 0.0


def _character_odds(seen: np.ndarray, noise: ErrorModel, kind: str) -> np.ndarray:
    """Ratio of each true character against chance, shape (n_characters, 36), nats."""
    return np.log(len(ALPHABET) * (seen @ noise.of_kind(kind)[0].T) + 1e-9)
