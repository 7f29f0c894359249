"""Which variant of a family: by service number, suffix, barcode and the donor's year; the front tells
nothing.

Each hint is a log likelihood ratio as in rules.py. A number or suffix that is clean but listed nowhere is a
hypothesis of its own ('unlisted'), so it takes probability from every listed variant instead of being mended
into one.
"""

import math
import re
from dataclasses import dataclass, replace

import numpy as np
from plugface.models.catalogue.entries import Family, Variant, compile_pattern
from plugface.models.catalogue.index import Strings, compact, strings_of
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rules import looks_like_number, words_of
from plugface.models.matching.text_fit import best_string, place_characters, score_strings
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Text

#: Correlation of two readings of one label (assumed, no source); see fusion.py for the formula.
LABEL_CORRELATION = 0.5

#: A donor's year outside the variant's years still happens: plates and units are swapped (assumed, no
#: source).
YEAR_OUTSIDE = 0.05

#: A suffix read in its place, one read by itself, and a barcode's suffix against the wrong variant (assumed,
#: no source).
PLACED_SUFFIX, LOOSE_SUFFIX = 0.95, 0.5
#: So many last characters of a listed number stand for it, where the first ones are lost. Our choice.
MIN_TAIL = 6
BARCODE_NATS = math.log(0.99 / 1e-3)


@dataclass(frozen=True)
class VariantPosterior:
    """Probabilities of n_variants given the family, and of a number or suffix that none of them lists."""

    chances: np.ndarray  # float (n_variants,); with `unlisted` they sum to 1
    unlisted: float
    read: str  # what was read of number and suffix, "" if nothing


def judge_variants(
    family: Family, views: tuple[UnitView, ...], noise: ErrorModel, donor_years: tuple[int, ...] = ()
) -> VariantPosterior:
    """Posterior over a family's variants, all equally likely beforehand."""
    total = np.zeros(len(family.variants) + 1)
    total[-1] = np.log(noise.number_unlisted)
    lines: list[str] = []
    heard = False
    for judge in (_numbers, _suffixes, _barcodes):
        told = [hint for view in views if (hint := judge(family, view, noise, lines)) is not None]
        if told:
            heard = True
            effective = len(told) / (1.0 + (len(told) - 1.0) * LABEL_CORRELATION)
            total += np.mean(told, axis=0) * effective
    if donor_years:
        total[:-1] += [_year_odds(v, donor_years) for v in family.variants]
    mass = np.exp(total - total.max())
    mass /= mass.sum()
    return VariantPosterior(mass[:-1], float(mass[-1]) if heard else 0.0, " ".join(lines))


def _year_odds(variant: Variant, years: tuple[int, ...]) -> float:
    first, last = variant.years
    return 0.0 if any(first <= year <= last for year in years) else math.log(YEAR_OUTSIDE)


def _per_variant(scores: np.ndarray, strings: Strings, n: int) -> np.ndarray:
    best = np.full(n, -20.0)
    for score, owners in zip(scores, strings.owners, strict=True):
        best[list(owners)] = np.maximum(best[list(owners)], score)
    return best


def _numbers(family: Family, view: UnitView, noise: ErrorModel, read: list[str]) -> np.ndarray | None:
    lines = [t for t in view.texts if looks_like_number(t)]
    strings = strings_of([(n, i) for i, v in enumerate(family.variants) for n in v.service_numbers])
    if not lines or not strings.values:
        return None
    scores = np.max([score_strings(t, strings, noise) for t in lines], axis=0)
    known = _per_variant(scores, strings, len(family.variants))
    pattern = compile_pattern(family.label.service_number)
    fitting = [t for t in lines if any(pattern.fullmatch(run) for run in words_of(t))]
    clean = max((_clean_number(t, pattern, noise) for t in fitting), default=-20.0)
    odds = np.append(known, clean)
    _remember(read, fitting[:1])
    return np.logaddexp(np.log(noise.number_elsewhere), np.log(1 - noise.number_elsewhere) + odds)


def _clean_number(text: Text, pattern, noise: ErrorModel) -> float:
    """What a number that was read without fault would score: its share of the line, at any of its words."""
    whole, words = max(len(compact(text.value)), 1), len(text.value.split())
    longest = max(len(run) for run in words_of(text) if pattern.fullmatch(run))
    return best_string(text, noise) * min(longest / whole, 1.0) - math.log(words)


def _suffix_words(family: Family, view: UnitView) -> list[tuple[Text, Text, float]]:
    """Where a suffix may stand: the line, the word, and how surely that word is the suffix.

    It has a field of its own behind its caption, or follows the number; what else stands in that line, such
    as a mark, comes behind it.
    """
    if not family.label.suffix:
        return []
    caption, pattern = compact(family.label.suffix_caption), compile_pattern(family.label.suffix)
    found = []
    for text in view.texts:
        words = text.value.upper().split()
        if not words or (text.kind == "cast" and not looks_like_number(text)):
            continue
        at = _behind(caption, family, words)
        if at is None and not caption and len(words) > 1:
            at = len(words) - 1 if pattern.fullmatch(words[-1]) and looks_like_number(text) else None
        if at is not None:
            found.append((text, _word(text, at), PLACED_SUFFIX))
        elif len(words) == 1 and pattern.fullmatch(words[0]):
            found.append((text, text, LOOSE_SUFFIX))
        elif len(words) == 1 and caption and compact(words[0]).startswith(caption):
            found.append((text, _word(text, 0, caption), PLACED_SUFFIX))
    return found


def read_suffixes(family: Family, view: UnitView) -> list[str]:
    """What was read in the place of a suffix and can be one of this family; not what stands by itself."""
    pattern = compile_pattern(family.label.suffix)
    words = [word.value.upper() for _, word, sure in _suffix_words(family, view) if sure == PLACED_SUFFIX]
    return [word for word in words if pattern.fullmatch(word)]


def _behind(caption: str, family: Family, words: list[str]) -> int | None:
    """Place of the word right behind the caption, or where there is none behind a service number, if it is
    short enough for a suffix. The first figures of the number may be torn off or hidden.

    It need not look like a suffix: a letter may have been read as the figure it resembles.
    """
    number = compile_pattern(family.label.service_number)
    listed = [compact(n) for v in family.variants for n in v.service_numbers]
    longest = max((len(compact(s)) for v in family.variants for s in v.suffixes), default=1)

    def ends(place: int) -> bool:
        if caption:
            return compact(words[place - 1]) == caption
        joined = ("".join(words[start:place]) for start in range(place))
        return any(number.fullmatch(run) or _is_tail(run, listed) for run in joined)

    places = range(1, len(words))
    return next((at for at in places if len(compact(words[at])) <= longest and ends(at)), None)


def _is_tail(run: str, numbers: list[str]) -> bool:
    return len(compact(run)) >= MIN_TAIL and any(number.endswith(compact(run)) for number in numbers)


def _remember(read: list[str], lines: list[Text]) -> None:
    read += [line.value for line in lines if line.value not in read]


def _suffixes(family: Family, view: UnitView, noise: ErrorModel, read: list[str]) -> np.ndarray | None:
    found = _suffix_words(family, view)
    listed = [(s, i) for i, v in enumerate(family.variants) for s in v.suffixes]
    strings = strings_of(listed)
    if not found or not strings.values:
        return None
    _remember(read, [line for line, _, _ in found[:1]])
    pattern = compile_pattern(family.label.suffix)
    total = np.full(len(family.variants) + 1, -20.0)
    open_ended = [i for i, v in enumerate(family.variants) if not v.suffixes]
    for _, word, sure in found:
        known = _per_variant(score_strings(word, strings, noise), strings, len(family.variants))
        # What the maker's suffixes cannot be was misread: it is no suffix of its own.
        clean = best_string(word, noise) if pattern.fullmatch(word.value.upper()) else known.max()
        odds = np.append(known, clean)
        odds[open_ended] = odds[-1] - np.log(10.0)  # any suffix will do: as likely as one in ten
        total = np.maximum(total, np.logaddexp(np.log(1 - sure), np.log(sure) + odds))
    return total


def _word(text: Text, place: int, caption: str = "") -> Text:
    """One word of a line, without the caption it begins with, with its own characters' alternatives where the
    reader gave them."""
    start, end = [m.span() for m in re.finditer(r"\S+", text.value)][place]
    if caption:
        rest = text.value[start:end][len(caption) :]
        start = end - len(rest.lstrip(".:-#"))
    placed = place_characters(text)
    characters = tuple(placed[i] for i in range(start, end)) if placed else ()
    return replace(text, value=text.value[start:end], characters=characters)


def _barcodes(family: Family, view: UnitView, noise: ErrorModel, read: list[str]) -> np.ndarray | None:
    told = None
    for code in view.codes:
        hits = [_payload_names(compact(code.payload), v) for v in family.variants]
        if any(hits):
            read.append(code.payload)
            told = np.append(np.where(hits, BARCODE_NATS, 0.0), 0.0)
    return told


def _payload_names(payload: str, variant: Variant) -> bool:
    """The payload is this variant's number, alone or followed by one of its suffixes."""
    for number in map(compact, variant.service_numbers):
        if payload.startswith(number):
            rest = payload[len(number) :]
            return not rest or not variant.suffixes or rest in {compact(s) for s in variant.suffixes}
    return False
