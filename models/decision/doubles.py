"""Units of a lot that may be one unit, counted twice.

They are kept apart, for joining two units into one answer is the worse mistake, and so must be said: one unit
may never count in two bins, or be half of two pairs, without a word.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class CountedUnit:
    """One unit of a lot, as far as counting twice goes."""

    key: str
    families: frozenset[str]  # those that remain
    faces: frozenset[str]  # "front", "back"; empty where no unit was outlined
    photos: frozenset[str]  # what tells photos apart
    alone: bool = False  # nothing joined its only photo to another one
    crowded: bool = False  # one of several units in a photo: that photo may be an overview of the lot
    serials: frozenset[str] = frozenset()  # read on it, or named in its codes


#: What more units bear is no serial, but a number of their kind behind a serial's caption. Our choice.
MAX_BEARERS = 4


def find_doubles(units: Sequence[CountedUnit]) -> dict[str, tuple[str, ...]]:
    """Which units may show a unit that counts already under another key.

    Parameters
    ----------
    units : sequence of CountedUnit

    Returns
    -------
    doubles : dict
        Key of a unit that stands alone or in an overview -> keys of units that may be the same one: they may
        be of one family, in other photos, and show no face in common. An overview shows faces again that have
        photos of their own, so of its units the face says nothing. Of two photos of one face nothing is said:
        they are two units unless somebody photographed one twice, which no photo tells, but a serial that
        was read on both: then they may be one, whatever joined their photos and whatever they were taken for.
    """
    # Units of one kind are asked about together: a lot of a hundred thousand fronts is one kind.
    kinds: dict[tuple, list[tuple[int, CountedUnit]]] = {}
    bearers: dict[str, list[tuple[int, CountedUnit]]] = {}
    for at, unit in enumerate(units):
        kinds.setdefault((unit.families, unit.faces, unit.crowded), []).append((at, unit))
        for serial in unit.serials:
            bearers.setdefault(serial, []).append((at, unit))
    found = {}
    for unit in units:
        alike = [bearers[serial] for serial in unit.serials if len(bearers[serial]) <= MAX_BEARERS]
        if unit.alone or unit.crowded:
            alike += [several for several in kinds.values() if _may_be_one(unit, several[0][1])]
        others = {
            (at, other.key)
            for several in alike
            for at, other in several
            if unit.key != other.key and not unit.photos & other.photos
        }
        found[unit.key] = tuple(key for _, key in sorted(others))
    return {key: others for key, others in found.items() if others}


def _may_be_one(unit: CountedUnit, other: CountedUnit) -> bool:
    """Whether units of these two kinds may be one, by families and faces."""
    if not unit.families & other.families:
        return False
    return unit.crowded or other.crowded or not unit.faces & other.faces
