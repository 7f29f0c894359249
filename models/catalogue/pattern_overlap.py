"""Which service-number patterns accept the same number, with the shortest such number as proof.

Each pattern becomes a nondeterministic automaton (Thompson, CACM 11 (1968) 419-422). All of them are then
walked together, breadth first, by the subset construction; a set with only one pattern left is dropped,
so the walk over a catalogue whose families differ early is short.
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from string import ascii_uppercase, digits

#: States that are looked at before the walk gives up. Our choice: 2,000 families that differ early need about
#: 20,000; the limit is a few seconds.
MAX_VISITS = 200_000

#: States of one automaton; a pattern within the allowed length can count this high only by nested repetition.
MAX_STATES = 5_000

#: Groups within groups that are followed.
MAX_DEPTH = 20

Ranges = tuple[tuple[int, int], ...]  # code points, both ends included

_ANY: Ranges = ((0x20, 0x7E),)  # a number on a label is printable ASCII
_CLASSES: dict[str, Ranges] = {
    "d": ((0x30, 0x39),),
    "w": ((0x30, 0x39), (0x41, 0x5A), (0x5F, 0x5F), (0x61, 0x7A)),
    "s": ((0x20, 0x20),),
}


class Unsupported(ValueError):
    """A pattern with something that is not followed here (flags, Unicode classes, word boundaries)."""


@dataclass(frozen=True)
class Overlap:
    """All `members` (positions in the input) accept `example`."""

    members: tuple[int, ...]
    example: str


@dataclass
class Automaton:
    """States by number: where each leads on a character, and where without one."""

    steps: list[list[tuple[Ranges, int]]] = field(default_factory=list)
    empty: list[list[int]] = field(default_factory=list)
    first: int = 0
    last: int = 0

    def state(self) -> int:
        """Add a state and give its number."""
        if len(self.steps) >= MAX_STATES:
            raise Unsupported("it repeats too much")
        self.steps.append([])
        self.empty.append([])
        return len(self.steps) - 1

    def closure(self, states: set[int]) -> set[int]:
        """The states with all that are reached without a character."""
        found, todo = set(states), list(states)
        while todo:
            new = set(self.empty[todo.pop()]) - found
            found |= new
            todo += new
        return found


def find_overlaps(patterns: Sequence[str]) -> tuple[tuple[Overlap, ...], bool]:
    """Groups of patterns that accept a common text of printable ASCII.

    Parameters
    ----------
    patterns : sequence of str, length n_patterns
        RE2 syntax; each must cover the whole text. Patterns for which `parse_pattern` raises are left out.

    Returns
    -------
    overlaps : tuple of Overlap
        Every pair that overlaps is in one of them; each has a shortest common text of its group.
    complete : bool
        False when the walk was given up; there may be more overlaps then.
    """
    automata = _parse_all(patterns)
    start = frozenset((index, s) for index, auto in automata.items() for s in auto.closure({auto.first}))
    groups: list[tuple[set[int], str]] = []
    seen, queue, visits = {start}, deque([(start, "")]), 0
    while queue:
        states, text = queue.popleft()
        visits += len(states)
        if visits > MAX_VISITS:
            return _as_overlaps(groups, patterns), False
        accepting = {index for index, state in states if state == automata[index].last}
        if len(accepting) > 1 and not any(accepting <= group for group, _ in groups):
            groups.append((accepting, text))
        for char, following in _following(states, automata):
            if len({index for index, _ in following}) > 1 and following not in seen:
                seen.add(following)
                queue.append((following, text + char))
    return _as_overlaps(groups, patterns), True


def _parse_all(patterns: Sequence[str]) -> dict[int, "Automaton"]:
    """Automata by position. Of equal patterns one stands for all, with a second so that they meet."""
    automata: dict[int, Automaton] = {}
    times: dict[str, int] = {}
    for index, pattern in enumerate(patterns):
        times[pattern] = times.get(pattern, 0) + 1
        if times[pattern] <= 2:
            with suppress(Unsupported):
                automata[index] = parse_pattern(pattern)
    return automata


def _as_overlaps(groups: list[tuple[set[int], str]], patterns: Sequence[str]) -> tuple[Overlap, ...]:
    """Groups with all positions of their patterns."""
    places: dict[str, list[int]] = {}
    for index, pattern in enumerate(patterns):
        places.setdefault(pattern, []).append(index)
    return tuple(
        Overlap(tuple(sorted({place for index in group for place in places[patterns[index]]})), text)
        for group, text in groups
    )


def parse_pattern(pattern: str) -> Automaton:
    """Automaton of a pattern.

    Raises
    ------
    Unsupported
        If the pattern uses anything but literals, classes, groups, alternatives, repetition and the anchors
        at its two ends.
    """
    parser = _Parser(pattern, Automaton())
    parser.auto.first, parser.auto.last = parser.alternatives()
    if parser.rest():
        raise Unsupported(f"unexpected {parser.rest()!r}")
    return parser.auto


class _Parser:
    """Recursive descent over the subset of RE2 syntax that service numbers need."""

    def __init__(self, pattern: str, auto: Automaton, depth: int = 0) -> None:
        self.text, self.at, self.auto, self.depth = pattern, 0, auto, depth

    def rest(self) -> str:
        return self.text[self.at :]

    def take(self, wanted: str) -> bool:
        if self.text.startswith(wanted, self.at):
            self.at += len(wanted)
            return True
        return False

    def alternatives(self) -> tuple[int, int]:
        first, last = self.auto.state(), self.auto.state()
        while True:
            begin, end = self.sequence()
            self.auto.empty[first].append(begin)
            self.auto.empty[end].append(last)
            if not self.take("|"):
                return first, last

    def sequence(self) -> tuple[int, int]:
        first = last = self.auto.state()
        while self.rest() and self.rest()[0] not in "|)":
            if self.depth == 0 and (self.starts_with_anchor(first == last) or self.ends_with_anchor()):
                continue
            begin, end = self.repeated()
            self.auto.empty[last].append(begin)
            last = end
        return first, last

    def starts_with_anchor(self, at_start: bool) -> bool:
        return at_start and (self.take("^") or self.take("\\A"))

    def ends_with_anchor(self) -> bool:
        anchor = next((a for a in ("$", "\\z") if self.rest().startswith(a)), "")
        return bool(anchor) and self.rest()[len(anchor) :][:1] in ("", "|") and self.take(anchor)

    def repeated(self) -> tuple[int, int]:
        begin_at = self.at
        begin, end = self.atom()
        atom_text = self.text[begin_at : self.at]
        least, most = self.counts()
        if (least, most) == (1, 1):
            return begin, end
        first = last = self.auto.state()
        copies = [self.copy(atom_text) for _ in range(max(least, 1) if most is None else most)]
        exits = [first] if least == 0 else []
        for number, (copy_begin, copy_end) in enumerate(copies, start=1):
            self.auto.empty[last].append(copy_begin)
            last = copy_end
            if number >= least:
                exits.append(copy_end)
        if most is None:
            self.auto.empty[copies[-1][1]].append(copies[-1][0])
        done = self.auto.state()
        for state in exits:
            self.auto.empty[state].append(done)
        return first, done

    def copy(self, atom_text: str) -> tuple[int, int]:
        """Build the same atom again: repetition is written out."""
        return _Parser(atom_text, self.auto, self.depth).atom()

    def counts(self) -> tuple[int, int | None]:
        least = 1
        most: int | None = 1
        for sign, limits in (("*", (0, None)), ("+", (1, None)), ("?", (0, 1))):
            if self.take(sign):
                least, most = limits
                break
        else:
            if self.rest()[:1] == "{" and "}" in self.rest():
                inside = self.rest()[1 : self.rest().index("}")]
                low, comma, high = inside.partition(",")
                if not low.isdigit() or not (high.isdigit() or not high):
                    raise Unsupported(f"{{{inside}}}")
                self.at += len(inside) + 2
                least, most = int(low), int(high) if high else None if comma else int(low)
        self.take("?")  # lazy or greedy: the accepted texts are the same
        if self.rest()[:1] in ("*", "+", "{"):
            raise Unsupported("a repetition of a repetition")
        return least, most

    def atom(self) -> tuple[int, int]:
        if self.take("("):
            if self.take("?P<") or self.take("?<"):
                self.at = self.text.index(">", self.at) + 1
            elif self.take("?") and not self.take(":"):
                raise Unsupported("flags")
            self.depth += 1
            if self.depth > MAX_DEPTH:
                raise Unsupported("groups within groups too deep")
            begin, end = self.alternatives()
            self.depth -= 1
            if not self.take(")"):
                raise Unsupported("an open group")
            return begin, end
        begin, end = self.auto.state(), self.auto.state()
        self.auto.steps[begin].append((self.single(), end))
        return begin, end

    def single(self) -> Ranges:
        """One character's worth of pattern, as ranges."""
        char = self.rest()[0]
        self.at += 1
        if char == ".":
            return _ANY
        if char == "\\":
            return self.escape()
        if char == "[":
            return self.bracket()
        if char in "^$*+?{":
            raise Unsupported(f"{char} in this place")
        return ((ord(char), ord(char)),)

    def escape(self) -> Ranges:
        char = self.rest()[:1]
        self.at += 1
        if char.lower() in _CLASSES:
            ranges = _CLASSES[char.lower()]
            return ranges if char.islower() else _inverse(ranges)
        if not char or char.isalnum():
            raise Unsupported(f"\\{char}")
        return ((ord(char), ord(char)),)

    def bracket(self) -> Ranges:
        inverse = self.take("^")
        ranges: list[tuple[int, int]] = []
        while not self.take("]") or not ranges:
            if self.rest().startswith("[:") or not self.rest():
                raise Unsupported("a named class")
            low = self.escape() if self.take("\\") else self.plain()
            if self.rest()[:1] == "-" and self.rest()[1:2] not in ("]", "") and len(low) == 1:
                self.at += 1
                high = self.escape() if self.take("\\") else self.plain()
                low = ((low[0][0], high[0][1]),)
            ranges += low
        return _inverse(tuple(ranges)) if inverse else tuple(ranges)

    def plain(self) -> Ranges:
        char = self.rest()[0]
        self.at += 1
        return ((ord(char), ord(char)),)


def _inverse(ranges: Ranges) -> Ranges:
    """The printable ASCII that is in none of the ranges."""
    result, low = [], _ANY[0][0]
    for begin, end in sorted(ranges):
        if begin > low:
            result.append((low, begin - 1))
        low = max(low, end + 1)
    return tuple(result) + (((low, _ANY[0][1]),) if low <= _ANY[0][1] else ())


def _following(
    states: frozenset[tuple[int, int]], automata: dict[int, Automaton]
) -> list[tuple[str, frozenset[tuple[int, int]]]]:
    """Each distinct following set with a character that leads there, digits and capitals preferred."""
    moves = [(ranges, i, target) for i, state in states for ranges, target in automata[i].steps[state]]
    cuts = sorted({edge for ranges, _, _ in moves for low, high in ranges for edge in (low, high + 1)})
    # Characters between two neighbouring cuts lead to the same set, so one of them is enough.
    one_each: dict[int, int] = {}
    for code in [*map(ord, digits + ascii_uppercase), *cuts]:
        if _ANY[0][0] <= code <= _ANY[0][1]:
            one_each.setdefault(bisect_right(cuts, code), code)
    reached: dict[frozenset[tuple[int, int]], str] = {}
    for code in one_each.values():
        targets: dict[int, set[int]] = {}
        for ranges, index, target in moves:
            if any(low <= code <= high for low, high in ranges):
                targets.setdefault(index, set()).add(target)
        following = frozenset((i, s) for i, set_ in targets.items() for s in automata[i].closure(set_))
        reached.setdefault(following, chr(code))
    return [(char, following) for following, char in reached.items()]
