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
        they are two units unless somebody photographed one twice, which no photo tells.
    """
    found = {
        unit.key: tuple(other.key for other in units if _may_be_one(unit, other))
        for unit in units
        if unit.alone or unit.crowded
    }
    return {key: others for key, others in found.items() if others}


def _may_be_one(unit: CountedUnit, other: CountedUnit) -> bool:
    if unit.key == other.key or unit.photos & other.photos or not unit.families & other.families:
        return False
    return unit.crowded or other.crowded or not unit.faces & other.faces
