"""Units of a lot that may be one unit, counted twice: photos that nothing joined, of faces that go together.

They are kept apart, for joining two units into one answer is the worse mistake, and so must be said: one unit
may never count in two bins, or be half of two pairs, without a word.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class LoneUnit:
    """One unit whose only photo nothing joined to another."""

    key: str
    families: frozenset[str]  # those that remain
    face: str  # "front", "back" or "" where no unit was outlined


def find_doubles(units: Sequence[LoneUnit]) -> dict[str, tuple[str, ...]]:
    """Which lone units may show a unit that counts already under another key.

    Parameters
    ----------
    units : sequence of LoneUnit

    Returns
    -------
    doubles : dict
        Key -> keys of the lone units that show another face of what may be the same family, as far as each
        has any. Of two photos of one face nothing is said: they are two units unless somebody photographed
        one twice, which no photo tells.
    """
    found = {
        unit.key: tuple(
            other.key
            for other in units
            if other.key != unit.key and other.face != unit.face and other.families & unit.families
        )
        for unit in units
    }
    return {key: others for key, others in found.items() if others}
