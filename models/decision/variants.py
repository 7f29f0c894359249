"""Which variant of a family: by service number, suffix, barcode and the donor's year; the front tells
nothing.

Each hint is a log likelihood ratio as in rules.py. A number or suffix that is clean but listed nowhere is a
hypothesis of its own ('unlisted'), so it takes probability from every listed variant instead of being mended
into one.
"""

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from plugface.models.catalogue.entries import Family, Variant, compile_pattern
from plugface.models.catalogue.index import Strings, compact, index_variants
from plugface.models.decision.answers import Evidence
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.label_fields import (
    LINKS,
    REVISION_WORDS,
    Run,
    cut_text,
    is_below_or_right,
    join_split,
    looks_like_number,
    matching_run,
    number_lines,
    runs_of,
    strip_others,
    without_captioned,
)
from plugface.models.matching.payloads import list_stretches, revision_of
from plugface.models.matching.text_fit import best_string, score_lines
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
#: A reading that parts two variants by less does not tell them apart; nats (20 to 1, our choice).
TELLING_NATS = 3.0
#: The worst that a number can score; nats.
FLOOR = -20.0


@dataclass(frozen=True)
class VariantPosterior:
    """Probabilities of n_variants given the family, and of a number or suffix that none of them lists."""

    chances: np.ndarray  # float (n_variants,); what they leave to 1 is that of an unlisted number or suffix
    unlisted: float  # that rest; 0 where nothing was read of either: then no finding speaks of one
    read: str  # what was read of number and suffix, "" if nothing
    hints: tuple["Hint", ...] = ()
    rivals: tuple["Claim", ...] = ()  # two numbers or payloads that are of different variants, or none

    @property
    def telling(self) -> str:
        """What was read that parts the best variant from the next, or all that was read."""
        first, second = np.argsort(-self.chances, kind="stable")[:2] if len(self.chances) > 1 else (0, 0)
        told = [h.read for h in self.hints if h.read and h.odds[first] - h.odds[second] >= TELLING_NATS]
        return ", ".join(dict.fromkeys(told)) or self.read


Kind = Literal["service number", "suffix", "barcode", "donor's year", "before anything is seen"]


@dataclass(frozen=True)
class Claim:
    """A number or payload that was read as some variants list it."""

    read: str
    variants: frozenset[int]  # their places in the family


@dataclass(frozen=True)
class Hint:
    """What one kind of reading says of every variant."""

    kind: Kind
    read: str
    odds: np.ndarray  # float (n_variants + 1,), nats; the last: a number or suffix that none of them lists
    photo: int | None = None


def judge_variants(
    family: Family, views: tuple[UnitView, ...], noise: ErrorModel, donor_years: tuple[int, ...] = ()
) -> VariantPosterior:
    """Posterior over a family's variants, all equally likely beforehand.

    Parameters
    ----------
    family : Family
    views : tuple of UnitView
    noise : ErrorModel
    donor_years : tuple of int
        Model years that a type plate beside the unit says; empty: none.

    Returns
    -------
    posterior : VariantPosterior
    """
    return judge_heard(family, hear(family, views, noise), noise, donor_years)


@dataclass(frozen=True)
class Heard:
    """What one view says of the variants of one family."""

    photo: int
    told: dict[Kind, "Told"]


def hear(family: Family, views: Sequence[UnitView], noise: ErrorModel) -> tuple[Heard, ...]:
    """What each view says of a family's variants; views are joined by `judge_heard`.

    Parameters
    ----------
    family : Family
    views : sequence of UnitView
    noise : ErrorModel

    Returns
    -------
    heard : tuple of Heard, one a view
    """
    told: list[dict[Kind, Told]] = [{} for _ in views]
    for kind, judge in _JUDGES.items():
        for own, said in zip(told, judge(family, views, noise), strict=True):
            own[kind] = said
    return tuple(Heard(view.photo, own) for view, own in zip(views, told, strict=True))


def judge_heard(
    family: Family, heard: Sequence[Heard], noise: ErrorModel, donor_years: tuple[int, ...] = ()
) -> VariantPosterior:
    """As `judge_variants`, where what each view says is known already.

    Parameters
    ----------
    family : Family
    heard : sequence of Heard, one a view
    noise : ErrorModel
    donor_years : tuple of int

    Returns
    -------
    posterior : VariantPosterior
    """
    by_source = _odds_by_source(family, heard, noise, donor_years)
    hints: list[Hint] = []
    for source, odds in by_source.items():
        if source not in _JUDGES:
            words = " or ".join(map(str, donor_years)) if source == "donor's year" else ""
            hints.append(Hint(source, words, odds))
            continue
        own = [line for one in heard for line in one.told[source].read]
        told = [(said, one.photo) for one in heard if (said := one.told[source].odds) is not None]
        photo = max(told, key=lambda pair: float(np.ptp(pair[0][:-1])))[1]
        hints.append(Hint(source, ", ".join(dict.fromkeys(own)), odds, photo))
    lines = [line for kind in _JUDGES for one in heard for line in one.told[kind].read]
    mass = _shares(by_source)
    unlisted = float(mass[-1]) if any(kind in by_source for kind in _JUDGES) else 0.0
    read = " ".join(dict.fromkeys(lines))
    return VariantPosterior(mass[:-1], unlisted, read, tuple(hints), _find_rivals(heard))


def best_chance(
    family: Family, heard: Sequence[Heard], noise: ErrorModel, donor_years: tuple[int, ...] = ()
) -> float:
    """Of the likeliest variant, as `judge_heard` gives it, without the words.

    Parameters
    ----------
    family : Family
    heard : sequence of Heard, one a view
    noise : ErrorModel
    donor_years : tuple of int

    Returns
    -------
    chance : float
    """
    return float(_shares(_odds_by_source(family, heard, noise, donor_years))[:-1].max())


def _odds_by_source(
    family: Family, heard: Sequence[Heard], noise: ErrorModel, donor_years: tuple[int, ...]
) -> dict[Kind, np.ndarray]:
    """Log odds of each variant and of an unlisted one, by what tells them; nothing of what was not read."""
    before = np.zeros(len(family.variants) + 1)
    before[-1] = np.log(noise.number_unlisted)
    by_source: dict[Kind, np.ndarray] = {"before anything is seen": before}
    for kind in _JUDGES:
        told = [odds for one in heard if (odds := one.told[kind].odds) is not None]
        if told:
            effective = len(told) / (1.0 + (len(told) - 1.0) * LABEL_CORRELATION)
            by_source[kind] = np.mean(told, axis=0) * effective
    if rivals := _find_rivals(heard):
        # Each is listed, so none stands for a variant that is not, and which is the unit's own nobody knows.
        level = np.full(len(before), FLOOR)
        level[sorted(named_by(rivals))] = 0.0
        by_source |= {kind: level for kind in _CLAIMING if kind in by_source}
    if donor_years:
        by_source["donor's year"] = np.append([_year_odds(v, donor_years) for v in family.variants], 0.0)
    return by_source


def named_by(claims: Iterable[Claim]) -> frozenset[int]:
    """Places of all variants that one of the claims names."""
    return frozenset(place for claim in claims for place in claim.variants)


def _find_rivals(heard: Sequence[Heard]) -> tuple[Claim, ...]:
    """The first two claims that no variant fits both of, whichever photos they are in; or none."""
    claims = [claim for one in heard for kind in _CLAIMING for claim in one.told[kind].claims]
    for k, claim in enumerate(claims):
        for other in claims[:k]:
            if claim.variants.isdisjoint(other.variants):
                return (other, claim)
    return ()


def _shares(by_source: dict[Kind, np.ndarray]) -> np.ndarray:
    total = np.sum(list(by_source.values()), axis=0)
    mass = np.exp(total - total.max())
    return mass / mass.sum()


def explain_variant(
    family: Family, place: int, posterior: VariantPosterior
) -> tuple[tuple[Evidence, ...], str]:
    """Reasons that one variant leads its best rival by or falls behind, and that rival's key.

    Parameters
    ----------
    family : Family
    place : int
        Of the variant in the family.
    posterior : VariantPosterior
        As `judge_variants` gives it for the same views.

    Returns
    -------
    evidence : tuple of Evidence
        The weightiest first; they sum to its lead.
    rival : str
        Empty where the rival is a variant that is not listed, or where there is none.
    """
    mine = family.variants[place]
    # Held against the best other that is listed; against one that is not where that is likelier than this.
    unlisted = posterior.unlisted if posterior.unlisted > posterior.chances[place] else -1.0
    chances = np.append(posterior.chances, unlisted)
    chances[place] = -1.0
    other = int(chances.argmax())
    if chances[other] < 0.0:
        return (), ""
    rival = family.variants[other].key if other < len(family.variants) else ""
    evidence = []
    for hint in posterior.hints:
        lead = float(hint.odds[place] - hint.odds[other])
        if abs(lead) >= 0.05:
            words = _hint_words(hint, mine, rival, lead > 0)
            evidence.append(Evidence(hint.kind, words, lead, hint.photo))
    return tuple(sorted(evidence, key=lambda e: -abs(e.weight))), rival


def _hint_words(hint: Hint, mine: Variant, rival: str, leads: bool) -> str:
    listed = {"service number": mine.service_numbers, "suffix": mine.suffixes}.get(hint.kind, ())
    has = f" ({' or '.join(listed)})" if listed else ""
    if hint.kind == "donor's year":
        first, last = mine.years
        return f"the donor's plate says {hint.read}, {mine.key} was fitted {first} to {last}"
    if hint.kind == "before anything is seen":
        return "a number that no variant lists is rare"
    if leads and rival and hint.read in listed:
        return f"'{hint.read}' was read, the {hint.kind} of {mine.key}, not of {rival}"
    rival = rival or "a variant that is not listed"
    if not hint.read:
        fits = "better" if leads else "worse"
        return f"what was made out of the {hint.kind} fits {mine.key}{has} {fits} than {rival}"
    return f"'{hint.read}' was read, which fits {mine.key}{has} {'better' if leads else 'worse'} than {rival}"


@dataclass(frozen=True)
class Told:
    """What one kind of reading says in one view."""

    odds: np.ndarray | None = None  # float (n_variants + 1,), nats: of each variant and of none listed
    read: tuple[str, ...] = ()
    claims: tuple[Claim, ...] = ()


_NOTHING = Told()


def _year_odds(variant: Variant, years: tuple[int, ...]) -> float:
    first, last = variant.years
    return 0.0 if any(first <= year <= last for year in years) else math.log(YEAR_OUTSIDE)


def _per_variant(scores: np.ndarray, strings: Strings, n: int) -> np.ndarray:
    best = np.full(n, -20.0)
    for score, owners in zip(scores, strings.owners, strict=True):
        best[list(owners)] = np.maximum(best[list(owners)], score)
    return best


def _numbers(family: Family, views: Sequence[UnitView], noise: ErrorModel) -> list[Told]:
    """Of several lines that may be the number, the one that is nearest to a listed one is it."""
    written = index_variants(family)
    strings, found = written.numbers, [_NOTHING for _ in views]
    lines_of = [number_lines(view.texts, written.number_forms) if strings.values else [] for view in views]
    scores = score_lines([line for lines in lines_of for line in lines], strings, noise)
    pattern = compile_pattern(family.label.service_number)
    before = 0
    for place, lines in enumerate(lines_of):
        known = scores[before : before + len(lines)]
        before += len(lines)
        if not lines:
            continue
        clean = [_clean_number(line, pattern, noise) for line in lines]
        nearest = max(range(len(lines)), key=lambda k: (known[k].max() - max(clean[k], 0.0), known[k].max()))
        # What tells is quoted: the nearest line, else the first that has the form of a number.
        runs = (matching_run(lines[k], pattern) for k in (nearest, *range(len(lines))))
        quoted = next((run.value for run in runs if run is not None), None)
        odds = np.append(_per_variant(known[nearest], strings, len(family.variants)), clean[nearest])
        odds = np.logaddexp(np.log(noise.number_elsewhere), np.log(1 - noise.number_elsewhere) + odds)
        found[place] = Told(odds, () if quoted is None else (quoted,), _claims_of(lines, known, strings))
    return found


def _claims_of(lines: Sequence[Text], scores: np.ndarray, strings: Strings) -> tuple[Claim, ...]:
    """Numbers that stand in the lines as listed, and are surely read; of those that overlap the longest.

    Two columns of a label can be read as one line, so that a line may hold several.
    """
    listed = {value: place for place, value in enumerate(strings.values)}
    claims = []
    for line, score in zip(lines, scores, strict=True):
        held = [run for run in runs_of(line.value) if run.whole_words and compact(run.value) in listed]
        taken = _longest_apart(held)
        places = [listed[compact(run.value)] for run in taken]
        rivals = np.delete(score, places)  # what it may have been misread from
        claims += [
            Claim(run.value, frozenset(strings.owners[place]))
            for run, place in zip(taken, places, strict=True)
            if score[place] - rivals.max(initial=-np.inf) >= TELLING_NATS
        ]
    return tuple(claims)


def _longest_apart(runs: Iterable[Run]) -> list[Run]:
    """Of runs that overlap the longest."""
    taken: list[Run] = []
    for run in sorted(runs, key=lambda run: -len(compact(run.value))):
        if all(run.end <= other.start or run.start >= other.end for other in taken):
            taken.append(run)
    return taken


def _clean_number(text: Text, pattern, noise: ErrorModel) -> float:
    """What a number that was read without fault would score: its share of the line, at any of its words."""
    run = matching_run(text, pattern)
    if run is None:
        return FLOOR
    whole, words = max(len(compact(text.value)), 1), len(text.value.split())
    return best_string(text, noise) * min(len(compact(run.value)) / whole, 1.0) - math.log(words)


def _suffix_words(family: Family, view: UnitView) -> list[tuple[Text, Text, float]]:
    """Where a suffix may stand: the line, the word, and how surely that word is the suffix.

    It has a field of its own behind or under its caption, or follows the number; what else stands in that
    line, such as a mark, comes behind it. Where it is found in its place, what stands by itself is none.
    Where it is found nowhere else, it may stand before the number.
    """
    if not family.label.suffix:
        return []
    view = replace(view, texts=without_captioned(view.texts, index_variants(family).number_forms))
    caption, pattern = compact(family.label.suffix_caption), compile_pattern(family.label.suffix)
    number = compile_pattern(family.label.service_number)
    captions = [t for t in view.texts if _is_caption(compact(t.value), caption)]
    found = []
    lines = (*view.texts, *join_split(view.texts, index_variants(family).number_forms))
    parts = [(line, part) for line in lines for part in _part_at_numbers(line, family)]
    for line, text in parts:
        words = text.value.upper().split()
        if not words or (text.kind == "cast" and not looks_like_number(text)):
            continue
        placed = (
            _placed_word(text, words, caption, family)
            or _behind_number(text, number, pattern)
            or _last_word(text, words, pattern, caption)
        )
        if placed is not None:
            found.append((line, placed, PLACED_SUFFIX))
        elif len(words) == 1 and pattern.fullmatch(compact(words[0])):
            boxed = any(c is not text and is_below_or_right(c, text) for c in captions)
            found.append((line, text, PLACED_SUFFIX if boxed else LOOSE_SUFFIX))
        elif len(words) == 2 and pattern.fullmatch(words[1]) and words[0].strip(".:#").isalpha():
            found.append((line, _word(text, 1), LOOSE_SUFFIX))
    surest = max((sure for _, _, sure in found), default=0.0)
    return [one for one in found if one[2] == surest] or _before_numbers(view.texts, number, family)


def _part_at_numbers(line: Text, family: Family) -> list[Text]:
    """A line in parts, each with one listed number of the family: every number has a suffix of its own."""
    listed, whole = index_variants(family).numbers.values, compact(line.value)
    if sum(whole.count(number) for number in listed) < 2:
        return [line]
    held = [run for run in runs_of(line.value) if compact(run.value) in listed]
    starts = sorted(run.start for run in _longest_apart(held))
    edges = [0, *starts[1:], len(line.value)]
    return [cut_text(line, start, end) for start, end in pairwise(edges)]


def _is_caption(word: str, caption: str) -> bool:
    return word in REVISION_WORDS or bool(caption and word == caption)


def _placed_word(text: Text, words: list[str], caption: str, family: Family) -> Text | None:
    """The word behind the suffix's caption, in a word of its own or in one with it."""
    at = _behind(caption, family, words)
    if at is not None:
        return _word(text, at)
    longest = index_variants(family).longest_suffix
    for k, word in enumerate(words):
        begun = re.match(r"([A-Z]+)[.:#=-]+(?=\w)", word)
        if begun and _is_caption(begun[1], caption):
            return _word(text, k, begun[1])
        if (
            _is_caption(compact(word), caption)
            and k + 1 < len(words)
            and len(compact(words[k + 1])) <= longest
        ):
            return _word(text, k + 1)
    if len(words) == 1 and caption and compact(words[0]).startswith(caption) and compact(words[0]) != caption:
        return _word(text, 0, caption)
    return None


def _behind_number(text: Text, number, suffix) -> Text | None:
    """What stands right behind a service number and can be a suffix, in the same word or the next."""
    run = matching_run(text, number)
    if run is None:
        return None
    rest = text.value[run.end :]
    found = re.match(r"[\s./:#=-]*([^\W_]+)", rest)
    if not found or not suffix.fullmatch(found[1].upper()):
        return None
    return cut_text(text, run.end + found.start(1), run.end + found.end(1))


def _before_numbers(texts: Iterable[Text], number, family: Family) -> list[tuple[Text, Text, float]]:
    """Suffixes that a line begins with, right before its number, as `_suffix_words` has them.

    What none lists, goes on with a caption or is part of a mark is none. Where anything else stands before
    it, it may be the year of a date, a unit, the end of a serial or of a caption.
    """
    written = index_variants(family)
    captions = LINKS | {word for mark in family.marks for word in mark.text.upper().split()}
    found = []
    for text in texts:
        left = strip_others(text, written.number_forms)
        if left is None or not text.value.strip().startswith(left.value.strip()):
            continue
        run = matching_run(left, number)
        word = re.fullmatch(r"\s*([^\W_]+)[\s./:#=-]*", left.value[: run.start]) if run else None
        if word and word[1].upper() in {*written.suffixes.values} - captions:
            found.append((text, cut_text(left, word.start(1), word.end(1)), LOOSE_SUFFIX))
    return found


def _last_word(text: Text, words: list[str], suffix, caption: str) -> Text | None:
    """The end of a line whose number was misread, where a suffix has no field of its own."""
    if caption or len(words) < 2 or not suffix.fullmatch(words[-1]) or not looks_like_number(text):
        return None
    return _word(text, len(words) - 1)


def place_suffixes(family: Family, view: UnitView, *, alone: bool = False) -> list[tuple[Text, str]]:
    """What was read in the place of a suffix and can be one of this family, with the line it stands in.

    Parameters
    ----------
    family : Family
    view : UnitView
    alone : bool
        Where nothing is in its place, what stands by itself too.

    Returns
    -------
    suffixes : list of (Text, str)
    """
    pattern = compile_pattern(family.label.suffix)
    words = [
        (text, word.value.upper())
        for text, word, sure in _suffix_words(family, view)
        if alone or sure == PLACED_SUFFIX
    ]
    return [(text, word) for text, word in words if pattern.fullmatch(word)]


def _behind(caption: str, family: Family, words: list[str]) -> int | None:
    """Place of the word right behind the caption, or where there is none behind a service number, if it is
    short enough for a suffix. The first figures of the number may be torn off or hidden.

    It need not look like a suffix: a letter may have been read as the figure it resembles.
    """
    number = compile_pattern(family.label.service_number)
    listed = [compact(n) for v in family.variants for n in v.service_numbers]
    longest = index_variants(family).longest_suffix

    def ends(place: int) -> bool:
        if caption:
            return compact(words[place - 1]) == caption
        joined = ("".join(words[start:place]) for start in range(place))
        return any(number.fullmatch(run) or _is_tail(run, listed) for run in joined)

    places = range(1, len(words))
    return next((at for at in places if len(compact(words[at])) <= longest and ends(at)), None)


def _is_tail(run: str, numbers: list[str]) -> bool:
    return len(compact(run)) >= MIN_TAIL and any(number.endswith(compact(run)) for number in numbers)


def _suffixes(family: Family, views: Sequence[UnitView], noise: ErrorModel) -> list[Told]:
    strings, told = index_variants(family).suffixes, [_NOTHING for _ in views]
    words_of = [_suffix_words(family, view) if strings.values else [] for view in views]
    scores = iter(score_lines([word for words in words_of for _, word, _ in words], strings, noise))
    for place, words in enumerate(words_of):
        if words:
            told[place] = _judge_suffixes(family, [(next(scores), *found) for found in words], noise)
    return told


def _judge_suffixes(family: Family, found: list[tuple[np.ndarray, Text, Text, float]], noise) -> Told:
    """Of one view: scores, line, word and how surely it is the suffix, of each that may be one."""
    strings, pattern = index_variants(family).suffixes, compile_pattern(family.label.suffix)
    total = np.full(len(family.variants) + 1, -20.0)
    told = []
    open_ended = [i for i, v in enumerate(family.variants) if not v.suffixes]
    for score, _, word, sure in found:
        known = _per_variant(score, strings, len(family.variants))
        # What the maker's suffixes cannot be was misread: it is no suffix of its own.
        clean = best_string(word, noise) if pattern.fullmatch(word.value.upper()) else known.max()
        odds = np.append(known, clean)
        odds[open_ended] = odds[-1] - np.log(10.0)  # any suffix will do: as likely as one in ten
        odds = np.logaddexp(np.log(1 - sure), np.log(sure) + odds)
        told.append((float(np.ptp(odds[:-1])), word))
        total = np.maximum(total, odds)
    # The word that tells most is quoted.
    return Told(total, (max(told, key=lambda pair: pair[0])[1].value,))


def _word(text: Text, place: int, caption: str = "") -> Text:
    """One word of a line, without the caption it begins with, with its own characters' alternatives where the
    reader gave them."""
    start, end = [m.span() for m in re.finditer(r"\S+", text.value)][place]
    if caption:
        rest = text.value[start:end][len(caption) :]
        start = end - len(rest.lstrip(".:-#="))
    return cut_text(text, start, end)


def _barcodes(family: Family, views: Sequence[UnitView], noise: ErrorModel) -> list[Told]:
    found = []
    for view in views:
        claims = [
            Claim(code.payload, frozenset(np.flatnonzero(hits).tolist()))
            for code in view.codes
            if any(hits := payload_names(code.payload, family))
        ]
        odds = np.zeros(len(family.variants) + 1)
        odds[sorted(named_by(claims))] = BARCODE_NATS
        read = tuple(claim.read for claim in claims)
        found.append(Told(odds, read, tuple(claims)) if claims else _NOTHING)
    return found


def payload_names(payload: str, family: Family) -> list[bool]:
    """Which variants' number the payload holds as a whole field, alone or with one of their suffixes.

    Parameters
    ----------
    payload : str
        Of a barcode.
    family : Family

    Returns
    -------
    named : list of bool
        In the order of the family's variants.
    """
    return [any(_is_of(variant, *held) for held in _held(payload, family)) for variant in family.variants]


def _held(payload: str, family: Family) -> list[tuple[str, str]]:
    """Numbers of the family in a payload, compact, each with the suffix behind it or ""."""
    own, spaceless = family.label.payload_pattern, "".join(payload.split())
    if own and (found := compile_pattern(own).fullmatch(spaceless)):
        suffix = found["suffix"] if "suffix" in found.re.groupindex else ""
        return [(compact(found["number"] or ""), compact(suffix or ""))]
    listed = {compact(n) for v in family.variants for n in v.service_numbers}
    suffix = compile_pattern(family.label.suffix) if family.label.suffix else None
    revision = revision_of(payload)
    held = []
    for stretch in list_stretches(payload):
        if stretch.number in listed:
            behind = (rest for rest in stretch.rests if suffix is not None and suffix.fullmatch(rest))
            held.append((stretch.number, next(behind, revision)))
    return held


def _is_of(variant: Variant, number: str, suffix: str) -> bool:
    if number not in {compact(n) for n in variant.service_numbers}:
        return False
    return not suffix or not variant.suffixes or suffix in {compact(s) for s in variant.suffixes}


#: Kinds of reading that name variants outright.
_CLAIMING: tuple[Kind, ...] = ("service number", "barcode")
_JUDGES: dict[Kind, Callable[[Family, Sequence[UnitView], ErrorModel], list[Told]]] = {
    "service number": _numbers,
    "suffix": _suffixes,
    "barcode": _barcodes,
}
