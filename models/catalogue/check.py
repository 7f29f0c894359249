"""What is wrong, or merely weak, in a catalogue that reads well: geometry, numbers, partners, look-alikes.

`error`: the entry contradicts itself or another one. `warning`: plugface will be less sure than it could be.
`note`: worth knowing before money changes hands.
"""

import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import combinations, product
from string import ascii_uppercase, digits
from typing import Literal

from plugface.models.catalogue.entries import (
    HOUSING_MM,
    Catalogue,
    Connector,
    Family,
    Mark,
    Variant,
    compact,
    compile_pattern,
)
from plugface.models.catalogue.pattern_overlap import Unsupported, find_overlaps, parse_pattern
from plugface.models.catalogue.shades import find_shade_problems
from plugface.vision.colour_table import UNTAUGHT_CODES, name_colour, passes_for
from plugface.vision.observations import reading_order

Severity = Literal["error", "warning", "note"]

#: A centre nearer than this share of the smaller height to the limit between two rows is called fragile: the
#: vision stage places a centre to about a tenth of a housing's height (our estimate, not measured).
FRAGILE_SHARE = 0.12

#: Bodies whose sides all agree within this share look alike on a photo without a scale (our choice).
ALIKE_SHARE = 0.12

#: In a larger catalogue no near name is looked for: a comparison with every name takes too long.
SUGGEST_AMONG = 300

#: No cast letter is narrower than this share of its height (our choice; the narrowest common faces have 0.4).
NARROWEST_LETTER = 0.4


@dataclass(frozen=True)
class Problem:
    """One finding of the check."""

    severity: Severity
    rule: str
    family: str  # "" where it concerns the whole catalogue
    file: str
    key: str
    message: str
    remedy: str


Found = tuple[Severity, str, str, str, str]  # severity, rule, key, words, mend


def check_catalogue(catalogue: Catalogue) -> tuple[Problem, ...]:
    """Everything the rules of this module find, errors first, then in the order of the files.

    Time grows with the number of families, not with the number of their pairs.
    """
    files = dict(zip((f.key for f in catalogue.families), catalogue.files, strict=False))
    found: list[Problem] = []
    for family in catalogue.families:
        for rule in FAMILY_RULES:
            found += [
                Problem(s, r, family.key, files.get(family.key, ""), *rest) for s, r, *rest in rule(family)
            ]
    for across in CATALOGUE_RULES:
        for key, (s, r, *rest) in across(catalogue):
            found.append(Problem(s, r, key, files.get(key, ""), *rest))
    rank = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(found, key=lambda problem: rank[problem.severity]))


#: Words that say "of no family" in a trial's sheet, and could not be told from a family of that name.
NO_FAMILY = ("none", "-", "not in catalogue", "unknown")


def check_names(family: Family) -> Iterator[Found]:
    """A family's name means it and nothing else, and a mark says something."""
    if family.key.casefold() in NO_FAMILY:
        yield (
            "error", "name", "key", f'"{family.key}" means a unit of no family', "Give it another name",
        )  # fmt: skip
    for number, mark in enumerate(family.marks, start=1):
        if not mark.text:
            yield (
                "error", "name", f"marks no. {number}", "it says nothing",
                "Write what is cast there, or leave the mark out",
            )  # fmt: skip


def check_names_apart(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """No two families have names that differ in large and small letters alone."""
    first: dict[str, str] = {}
    for family in catalogue.families:
        other = first.setdefault(family.key.casefold(), family.key)
        if other != family.key:
            yield (
                family.key,
                (
                    "error", "name", "key", f'"{family.key}" and "{other}" differ in large and small letters '
                    "alone, which nobody need type right", "Give one of them another name",
                ),
            )  # fmt: skip


def check_order(family: Family) -> Iterator[Found]:
    """Connectors stand in canonical order, and would so if they were seen a little higher or lower."""
    points = [connector.at_mm for connector in family.connectors]
    heights = [top - bottom for _, bottom, _, top in (_box(c, share=0.5) for c in family.connectors)]
    order = reading_order(points, heights)
    if order != tuple(range(len(points))):
        right = ", ".join(f"no. {i + 1} ({_plug(family.connectors[i])})" for i in order)
        yield (
            "error", "canonical order", "connectors",
            f"not row by row from the top, each row from left to right; by at_mm the order is {right}",
            "List them so, or correct at_mm",
        )  # fmt: skip
        return
    for (i, (_, y0)), (j, (_, y1)) in combinations(enumerate(points), 2):
        limit = min(heights[i], heights[j]) / 2
        if abs(abs(y0 - y1) - limit) < FRAGILE_SHARE * 2 * limit:
            yield (
                "warning", "fragile order", "connectors",
                f"no. {i + 1} and no. {j + 1} stand {abs(y0 - y1):g} mm apart in height, near the limit "
                f"between one row and two ({limit:g} mm); on a photo their order may come out either way",
                "Measure at_mm again; if it is right, lean on the mark and the label",
            )  # fmt: skip


#: What can be wrong where two things overlap, by what they are; plugs come first.
_APART = {
    ("connectors", "connectors"): "Correct at_mm, size or turn_deg",
    ("connectors", "marks"): "Correct at_mm, the plug's size or turn_deg, or the mark's height_mm",
    ("marks", "marks"): "Correct at_mm or height_mm",
}


def check_geometry(family: Family) -> Iterator[Found]:
    """Connectors and marks stand on the face and clear of each other, at the least size of their class."""
    half_w, half_h = family.body.size_mm[0] / 2, family.body.size_mm[1] / 2
    boxes = [(f"connectors no. {i}", _box(c)) for i, c in enumerate(family.connectors, start=1)]
    boxes += [(f"marks no. {i}", _mark_box(m)) for i, m in enumerate(family.marks, start=1)]
    out = {f"connectors no. {i}" for i, c in enumerate(family.connectors, start=1) if c.opens == "sideways"}
    for key, (x0, y0, x1, y1) in boxes:
        if key in out:  # it looks out of the edge, and may stand out past it
            continue
        if x0 < -half_w or y0 < -half_h or x1 > half_w or y1 > half_h:
            yield (
                "error", "outside the body", key,
                f"it reaches past the edge of the {2 * half_w:g} x {2 * half_h:g} mm face",
                "at_mm counts from the middle of the face, x to the right and y up; correct it or size_mm",
            )  # fmt: skip
    for (key, a), (other, b) in combinations(boxes, 2):
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]:
            yield (
                "error", "one on the other", f"{key} and {other}",
                "they overlap",
                _APART[key.split()[0], other.split()[0]],
            )  # fmt: skip


def _suffix_pattern(family: Family) -> str:
    """A pattern that takes the suffixes of a family and no other."""
    suffixes = sorted({suffix for variant in family.variants for suffix in variant.suffixes})
    if suffixes and all(len(suffix) == 1 and suffix.isalnum() for suffix in suffixes):
        return f"^[{''.join(suffixes)}]$"
    return f"^(?:{'|'.join(map(re.escape, suffixes))})$"


def check_label(family: Family) -> Iterator[Found]:
    """Every variant can be reached by what its label says, and no other variant stands in its way."""
    number_pattern = compile_pattern(family.label.service_number)
    suffix_pattern = compile_pattern(family.label.suffix) if family.label.suffix else None
    for i, variant in enumerate(family.variants, start=1):
        where = f'variants no. {i} ("{variant.key}")'
        for number in variant.service_numbers:
            if any(c.isspace() for c in number):
                yield (
                    "error", "unreachable variant", f"{where}, service_numbers",
                    f'"{number}" has spaces',
                    f'Write "{"".join(number.split())}"',
                )  # fmt: skip
            elif not number_pattern.fullmatch(number):
                yield (
                    "error", "unreachable variant", f"{where}, service_numbers",
                    f'"{number}" does not match the label pattern {family.label.service_number}',
                    "Correct the number or the pattern",
                )  # fmt: skip
            elif not number_pattern.fullmatch(number.upper()):
                yield _small_letters(
                    f"{where}, service_numbers", number, "label", family.label.service_number
                )
        if variant.suffixes and suffix_pattern is None:
            yield (
                "error", "unreachable variant", f"{where}, suffixes",
                "it has suffixes, and the label has no suffix pattern, so none is ever read",
                f"Add a line to [label] such as: suffix = '{_suffix_pattern(family)}'",
            )  # fmt: skip
        for suffix in variant.suffixes if suffix_pattern is not None else ():
            if suffix_pattern is not None and not suffix_pattern.fullmatch(suffix):
                yield (
                    "error", "unreachable variant", f"{where}, suffixes",
                    f'"{suffix}" does not match the suffix pattern {family.label.suffix}',
                    "Correct the suffix or the pattern",
                )  # fmt: skip
            elif suffix_pattern is not None and not suffix_pattern.fullmatch(suffix.upper()):
                yield _small_letters(f"{where}, suffixes", suffix, "suffix", family.label.suffix)
    if family.label.barcode_payload == "number and suffix" and not family.label.suffix:
        yield (
            "warning", "label", "label, barcode_payload",
            "it promises a suffix, and no suffix pattern says how that reads",
            'Add suffix = \'...\' or write barcode_payload = "number"',
        )  # fmt: skip
    yield from _check_shadows(family)


def _small_letters(where: str, written: str, kind: str, pattern: str) -> Found:
    return (
        "error", "unreachable variant", where,
        f'labels are read in capitals, and "{written.upper()}" does not match the {kind} pattern {pattern}',
        "Write the pattern in capitals",
    )  # fmt: skip


def _check_shadows(family: Family) -> Iterator[Found]:
    keys = [variant.key for variant in family.variants]
    for key in sorted({key for key in keys if keys.count(key) > 1}):
        yield "error", "variant key", "variants", f'two variants are called "{key}"', "Give each its own key"
    for (i, a), (j, b) in combinations(enumerate(family.variants, start=1), 2):
        shared = sorted(set(a.service_numbers) & set(b.service_numbers))
        if not shared:
            continue
        where = f'variants no. {i} ("{a.key}") and no. {j} ("{b.key}")'
        if not a.suffixes or not b.suffixes or set(a.suffixes) & set(b.suffixes):
            yield (
                "error", "variants alike", where,
                f"both have the number {shared[0]} and may bear the same suffix: nothing tells them apart",
                "Give each its own suffixes, or make them one variant and say in `changed` what is not known",
            )  # fmt: skip
        else:
            locked = "; one of them is locked" if [a.status, b.status].count("locked") == 1 else ""
            yield (
                "note", "label needed", where,
                f"they differ by the suffix on the label alone ({_suffixes(a)} or {_suffixes(b)}){locked}",
                "Ask for a photo of the label before deciding",
            )  # fmt: skip


def check_hazard(family: Family) -> Iterator[Found]:
    """Warning colours agree with the declared hazard, and a hazardous unit is nobody's controller."""
    colours = {c.colour for c in family.connectors if c.colour not in family.harmless_colours}
    if "OG" in colours and family.hazard != "high voltage":
        yield (
            "warning", "hazard", "hazard",
            "it has an orange plug; orange marks high-voltage cables (UN Regulation No. 100; ISO 6469-3), "
            "and that plugs are orange is common practice",
            'Write hazard = "high voltage", or, if you are sure that it is none, harmless_colours = ["OG"]',
        )  # fmt: skip
    if "YE" in colours and family.hazard != "restraint":
        yield (
            "warning", "hazard", "hazard",
            "it has a yellow plug, which can mark a restraint unit (common practice, no source)",
            'Write hazard = "restraint", or, if you are sure that it is none, harmless_colours = ["YE"]',
        )  # fmt: skip
    if family.hazard != "none" and (family.controls != "other" or family.pairing):
        key = "controls" if family.controls != "other" else "pairing"
        yield (
            "error", "hazard", key,
            f"a {family.hazard.replace(' ', '-')} unit must never be proposed as a controller for a swap",
            'Write controls = "other" and leave out [[pairing]]',
        )  # fmt: skip
    if family.hazard != "none" and not family.cautions:
        yield (
            "warning",
            "hazard",
            "cautions",
            "a hazard without a caution",
            "Say who may handle it, and what not to do",
        )


def check_swap_facts(family: Family) -> Iterator[Found]:
    """What a swap depends on is known."""
    if family.controls not in ("engine", "both"):
        return
    missing = {
        "throttle": [v.key for v in family.variants if v.throttle == "unknown"],
        "crank_teeth": [v.key for v in family.variants if v.crank_teeth is None],
    }
    named = [f"{fact} is not known for {', '.join(keys)}" for fact, keys in missing.items() if keys]
    if named:
        yield (
            "note", "swap facts", "variants", f"{'; '.join(named)}; whether it serves stays open",
            "Add what a unit shows when one has been measured",
        )  # fmt: skip


def check_mark(family: Family) -> Iterator[Found]:
    """A mark fixes which way is up; without one, plugs that read the same upside down are a trap."""
    if family.marks:
        return
    plugs = [_plug(connector) for connector in family.connectors]
    yield (
        "warning", "no mark", "marks",
        "without a cast mark the plugs alone say which way is up"
        + ("" if plugs == plugs[::-1] else f", and {' '.join(plugs)} may be read as {' '.join(plugs[::-1])}"),
        "Add the mark if there is one",
    )  # fmt: skip


def check_pairing(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """Partners exist, are controllers, and know of each other."""
    families = catalogue.by_key
    for family in catalogue.families:
        for i, rule in enumerate(family.pairing, start=1):
            where = f"pairing no. {i}, families"
            for partner in rule.families:
                if partner not in families:
                    near = _nearest(partner, families) if len(families) <= SUGGEST_AMONG else ""
                    remedy = f'Did you mean "{near}"?' if near else "Add a file for it, or leave it out"
                    yield (
                        family.key,
                        ("error", "unknown partner", where, f'no family is called "{partner}"', remedy),
                    )
                elif partner == family.key:
                    yield (
                        family.key,
                        ("error", "partner", where, "it is paired with itself", "Name the other unit"),
                    )
                elif families[partner].hazard != "none":
                    words = f"{partner} is a {families[partner].hazard} unit, never a partner in a swap"
                    yield family.key, ("error", "partner", where, words, "Leave it out")
                elif not any(family.key in other.families for other in families[partner].pairing):
                    alone = ' (with gearbox = "automatic", if a manual one needs none)'
                    yield family.key, (
                        "warning", "one-sided pairing", where,
                        f"{partner} does not name {family.key} in its turn",
                        f'Add "{family.key}" to the pairing of {partner}'
                        f"{alone if family.controls == 'gearbox' else ''}, or leave {partner} out here",
                    )  # fmt: skip


def narrow_pattern(numbers: Sequence[str], others: Iterable[str], patterns: Sequence[str] = ()) -> str:
    """The widest pattern of the make of some numbers that fits no other family's.

    Parameters
    ----------
    numbers : sequence of str
        Those of one family, as the catalogue lists them.
    others : iterable of str
        Those of the other families: none begins as this one's pattern does.
    patterns : sequence of str
        Those of other families, with which it has no number in common.

    Returns
    -------
    pattern : str
        RE2: the first characters as they are, behind them digits for digits and capitals for capitals. Empty
        where the numbers differ in make, or nothing that they begin with will do.

    Examples
    --------
    >>> narrow_pattern(["PK2104/16", "PK2105/09"], ["PK2233/01", "PK1871/40"])
    '^PK21\\\\d{2}/\\\\d{2}$'
    """
    if len({re.sub("[A-Z]", "A", re.sub("[0-9]", "0", number)) for number in numbers}) != 1:
        return ""
    alike = [len(set(signs)) == 1 for signs in zip(*numbers, strict=True)]
    shared = (*alike, False).index(False)
    begun = {number[:length] for number in others for length in range(1, shared + 1)}
    for length in range(1, shared + 1):
        head, tail = numbers[0][:length], numbers[0][length:]
        if head in begun:
            continue
        made = f"^{re.escape(head)}{''.join(map(_class, re.findall('[0-9]+|[A-Z]+|[^0-9A-Z]', tail)))}$"
        if not any(0 in overlap.members for overlap in find_overlaps([made, *patterns])[0]):
            return made
    return ""


def _class(run: str) -> str:
    one = r"\d" if run[0] in digits else "[A-Z]" if run[0] in ascii_uppercase else ""
    return one + (f"{{{len(run)}}}" if len(run) > 1 else "") if one else re.escape(run)


class _NarrowPatterns:
    """Patterns to write in place of those that let another family's listed number through, each made once."""

    def __init__(self, families: Sequence[Family]) -> None:
        self.families = families if len(families) <= SUGGEST_AMONG else ()
        self.numbers = [[n for v in f.variants for n in v.service_numbers] for f in self.families]
        self.made: dict[int, str] = {}

    def named(self, members: Sequence[int]) -> str:
        """The end of a sentence that names those of some families, three at most."""
        if not self.families:
            return ""
        named = [f"{self.families[i].key} '{self.of(i)}'" for i in members if self.of(i)]
        return f", such as {', '.join(named[:3])}" if named else ""

    def of(self, i: int) -> str:
        """The one for a family; empty where there is none, or its own is narrow."""
        if i not in self.made:
            self.made[i] = self._make(i)
        return self.made[i]

    def _make(self, i: int) -> str:
        own = self.numbers[i]
        others = [number for k, listed in enumerate(self.numbers) if k != i for number in listed]
        wide = [compile_pattern(family.label.service_number) for family in self.families]
        if not own or not any(wide[i].fullmatch(number) for number in others):
            return ""
        # Those that let this family's numbers in are too wide themselves.
        firm = [
            family.label.service_number
            for k, family in enumerate(self.families)
            if k != i and not any(wide[k].fullmatch(number) for number in own)
        ]
        return narrow_pattern(own, others, firm)


def pattern_beside(number: str, families: Sequence[Family]) -> str:
    """A pattern for a new family's number that fits none of these families'; empty where there is none.

    Parameters
    ----------
    number : str
    families : sequence of Family
        Those that the catalogue has.

    Returns
    -------
    pattern : str
    """
    others = [listed for family in families for v in family.variants for listed in v.service_numbers]
    patterns = [family.label.service_number for family in families]
    firm = [one for one in patterns if not compile_pattern(one).fullmatch(number)]
    return narrow_pattern([number], others, firm)


def narrow_patterns(families: Sequence[Family]) -> dict[str, str]:
    """For each family whose pattern lets another's listed number through, one to write in its place.

    Parameters
    ----------
    families : sequence of Family
        All of a catalogue.

    Returns
    -------
    patterns : dict of str to str
        By the family's key.
    """
    narrow = _NarrowPatterns(families)
    return {family.key: made for i, family in enumerate(narrow.families) if (made := narrow.of(i))}


def _check_suffixed(catalogue: Catalogue, owners: dict[str, dict[str, str]]) -> Iterator[tuple[str, Found]]:
    """No family's number is another's with its suffix behind it, which one label would say of both."""
    listed = ((family, variant) for family in catalogue.families for variant in family.variants)
    for family, variant in listed:
        for number, suffix in product(variant.service_numbers, variant.suffixes):
            for other, whole in owners.get(compact(number + suffix), {}).items():
                if other != family.key:
                    yield other, (
                        "error", "number with a suffix", "service_numbers",
                        f"{whole} is {number} with the suffix {suffix} of {family.key} {variant.key}",
                        "Look at the label again; where it says so, list the number without its suffix, and "
                        "that under suffixes",
                    )  # fmt: skip


def check_numbers(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """No service number points to two families, listed or merely possible."""
    owners: dict[str, dict[str, str]] = defaultdict(dict)  # by the number, compact: family, as written
    for family in catalogue.families:
        for variant in family.variants:
            for number in variant.service_numbers:
                owners[compact(number)].setdefault(family.key, number)
    for written in owners.values():
        if len(written) > 1:
            first, *others = written
            number = written[first]
            # Signs between letters and figures are not compared: they are lost in reading.
            ways = "".join(f" as {other}" for other in dict.fromkeys(written.values()) if other != number)
            yield first, (
                "error", "number used twice", "service_numbers",
                f"{number} stands in {', '.join(others)} too{ways}",
                "Leave it where it belongs; if both are true, it decides nothing and must not be listed",
            )  # fmt: skip
    yield from _check_suffixed(catalogue, owners)
    patterns = [family.label.service_number for family in catalogue.families]
    overlaps, complete = find_overlaps(patterns)
    narrow = _NarrowPatterns(catalogue.families)
    alike: dict[tuple[str, str], list[str]] = defaultdict(list)  # one mend is said once
    for overlap in overlaps:
        first, *others = (catalogue.families[i].key for i in overlap.members)
        mend = "Make the patterns as narrow as the numbers you have seen" + narrow.named(overlap.members)
        alike[first, mend].append(f'"{overlap.example}" would match {_listed(others)} too')
    for (first, mend), matches in alike.items():
        more = f"; and {len(matches) - 3:,} more such" if len(matches) > 3 else ""
        words = "; ".join(matches[:3]) + more
        yield first, ("warning", "patterns overlap", "label, service_number", words, mend)
    if not complete:
        words = "the patterns are too wide to be compared with each other in full"
        yield (
            "",
            (
                "warning",
                "patterns overlap",
                "",
                words,
                "Begin them with fixed digits where the numbers allow",
            ),
        )
    for family, pattern in zip(catalogue.families, patterns, strict=True):
        try:
            parse_pattern(pattern)
        except Unsupported as reason:
            words = f"it was not compared with those of other families ({reason})"
            yield (
                family.key,
                ("note", "patterns overlap", "label, service_number", words, "Write it more simply"),
            )


def check_look_alikes(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """Families that a photo of the front cannot tell apart, and whether the label can."""
    groups: dict[tuple, list[Family]] = defaultdict(list)
    for family in catalogue.families:
        plugs = tuple((c.colour, c.size, c.pins) for c in family.connectors)
        marks = tuple(sorted("".join(mark.text.upper().split()) for mark in family.marks))
        groups[plugs, marks].append(family)
    for first, *others in (cluster for group in groups.values() for cluster in _cluster(group)):
        if not others:
            continue
        named = f"same plugs, order and mark, and a like body, as {_listed([f.key for f in others])}"
        overlaps, _ = find_overlaps([family.label.service_number for family in (first, *others)])
        if overlaps:
            words = f'{named}; their labels may bear the same number ("{overlaps[0].example}")'
            remedy = "No photo tells them apart: add what differs, or make them one family"
            yield first.key, ("error", "look-alikes", "", words, remedy)
        else:
            remedy = "Only the label tells them apart: ask for a photo of it"
            yield first.key, ("warning", "look-alikes", "", named, remedy)


def check_currency(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """What a variant is worth is an amount of some currency."""
    if catalogue.head.currency:
        return
    for family in catalogue.families:
        bare = [v.key for v in family.variants if v.value is not None and not v.value.currency]
        if bare:
            named = ", ".join(f'"{key}"' for key in bare)
            yield (
                family.key,
                (
                    "warning", "currency", "variants, value",
                    f"the value of {named} names no currency, and catalogue.toml names none",
                    'Write one into catalogue.toml, such as currency = "EUR"; a lot is valued without a name '
                    "for its money until then",
                ),
            )  # fmt: skip


def check_shades(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """Shades of the catalogue's own have one code each and can be told apart."""
    for severity, key, words, remedy in find_shade_problems(catalogue):
        yield "", (severity, "shades", f"catalogue.toml, {key}", words, remedy)


def check_taught_colours(catalogue: Catalogue) -> Iterator[tuple[str, Found]]:
    """Every plug's colour is one that vision was taught, or of a shade that the catalogue names."""
    told = {shade.code for shade in catalogue.head.shades}
    for code in (code for code in UNTAUGHT_CODES if code not in told):
        keys = [f.key for f in catalogue.families if any(c.colour == code for c in f.connectors)]
        near = " or ".join(map(name_colour, passes_for(code)))
        if keys:
            yield (
                "",
                (
                    "warning", "colour not taught", "connectors",
                    f"plug colour {name_colour(code)}: the network that ships was not trained with it; plugs "
                    f"of that colour are given as {near or 'another'} until it is trained anew, and their "
                    f"colour speaks neither for nor against {_listed(keys)}",
                    "Lean on the mark and the label, or name its shade as measured on a photo: plugface "
                    f"catalogue colour --code {code}",
                ),
            )  # fmt: skip


FAMILY_RULES: tuple[Callable[[Family], Iterator[Found]], ...] = (
    check_names,
    check_order,
    check_geometry,
    check_label,
    check_hazard,
    check_mark,
    check_swap_facts,
)
CATALOGUE_RULES: tuple[Callable[[Catalogue], Iterator[tuple[str, Found]]], ...] = (
    check_names_apart,
    check_pairing,
    check_numbers,
    check_look_alikes,
    check_shades,
    check_taught_colours,
    check_currency,
)


def _box(connector: Connector, share: float = 0.0) -> tuple[float, float, float, float]:
    """Upright box about a turned housing as x0, y0, x1, y1 in mm; share 0 is the least size of its class."""
    long, wide = (least + share * (most - least) for least, most in HOUSING_MM[connector.size])
    turn = math.radians(connector.turn_deg)
    width = abs(long * math.cos(turn)) + abs(wide * math.sin(turn))
    height = abs(long * math.sin(turn)) + abs(wide * math.cos(turn))
    x, y = connector.at_mm
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _mark_box(mark: Mark) -> tuple[float, float, float, float]:
    """Least box of a mark as x0, y0, x1, y1 in mm."""
    width = NARROWEST_LETTER * mark.height_mm * len(mark.text)
    x, y = mark.at_mm
    return x - width / 2, y - mark.height_mm / 2, x + width / 2, y + mark.height_mm / 2


def _cluster(families: Sequence[Family]) -> list[list[Family]]:
    """Families in groups whose bodies look like the body of the first of the group."""
    clusters: list[list[Family]] = []
    for family in families:
        home = next((cluster for cluster in clusters if _bodies_alike(cluster[0], family)), None)
        if home is None:
            clusters.append([family])
        else:
            home.append(family)
    return clusters


def _bodies_alike(first: Family, second: Family) -> bool:
    a, b = first.body, second.body
    same = all(getattr(a, name) == getattr(b, name) for name in ("colour", "lid_colour", "fins"))
    return same and all(
        abs(p - q) <= ALIKE_SHARE * max(p, q) for p, q in zip(a.size_mm, b.size_mm, strict=True)
    )


def _nearest(name: str, names: Iterable[str]) -> str:
    return next(iter(get_close_matches(name, names, n=1)), "")


def _plug(connector: Connector) -> str:
    return f"{connector.colour}-{connector.size}"


def _suffixes(variant: Variant) -> str:
    return "/".join(variant.suffixes)


def _listed(keys: Sequence[str]) -> str:
    """Names in a sentence, no more than five."""
    shown = ", ".join(keys[:5])
    return f"{shown} and {len(keys) - 5} more" if len(keys) > 5 else shown
