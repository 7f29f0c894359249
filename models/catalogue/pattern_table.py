"""A pattern as a table that is walked sign by sign, for programs that have no RE2.

A regular expression of another kind could be made slow by a text, or read a pattern otherwise. The table is
the deterministic automaton of the same pattern (subset construction; Rabin & Scott, IBM J. 3 (1959) 114-125):
one step for each sign, whatever the text.
"""

from dataclasses import dataclass
from itertools import pairwise

from plugface.models.catalogue.pattern_overlap import Unsupported, parse_pattern

#: States of a table; a number's pattern needs about as many as it has signs. Our choice.
MAX_TABLE = 200


@dataclass(frozen=True)
class PatternTable:
    """States by number, the first one is 0."""

    steps: tuple[tuple[tuple[int, int, int], ...], ...]  # of each: first and last code point, where it leads
    ends: tuple[int, ...]  # states in which a text is matched whole

    def matches(self, text: str) -> bool:
        """Whether the pattern covers the whole text."""
        state = 0
        for sign in map(ord, text):
            found = next((to for low, high, to in self.steps[state] if low <= sign <= high), None)
            if found is None:
                return False
            state = found
        return state in self.ends


def tabulate_pattern(pattern: str) -> PatternTable | None:
    """The table of a pattern; None where `parse_pattern` cannot follow it, or it needs too many states.

    A point stands for printable ASCII alone there.
    """
    try:
        auto = parse_pattern(pattern)
    except (Unsupported, ValueError, IndexError):
        return None
    states = [frozenset(auto.closure({auto.first}))]
    places = {states[0]: 0}
    steps = []
    for state in states:  # grows while it is walked
        moves = [(low, high, to) for s in state for ranges, to in auto.steps[s] for low, high in ranges]
        cuts = sorted({edge for low, high, _ in moves for edge in (low, high + 1)})
        here: list[tuple[int, int, int]] = []
        for low, beyond in pairwise(cuts):
            reached = frozenset(auto.closure({to for a, b, to in moves if a <= low <= b}))
            if not reached:
                continue
            if reached not in places:
                if len(states) >= MAX_TABLE:
                    return None
                places[reached] = len(states)
                states.append(reached)
            here.append((low, beyond - 1, places[reached]))
        steps.append(tuple(here))
    return PatternTable(tuple(steps), tuple(k for k, state in enumerate(states) if auto.last in state))
