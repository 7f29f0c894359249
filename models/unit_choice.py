"""Which unit of each photo is meant, and what of the photo belongs to it: the one place that says so."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from plugface.models.id_cards import is_card
from plugface.vision.observations import (
    MIN_AREA_RATIO,
    Code,
    Connector,
    Observations,
    Text,
    Unit,
    best_colour,
    polygon_area,
)

#: A second thing counts as another unit from this confidence on, where it is not tiny beside the largest: a
#: lid beside the unit should not stop the answer, and a second controller must. One step of 0.05 below what
#: every unit reaches (2026-11-29): 0.77 on the demo's golden photos. It is less than what the segmenter's
#: units have at least, so all of them count; a network that is surer of its units may raise it. Rather lower
#: than higher: a lid taken for a unit costs a question, a controller passed over may cost a wrong answer.
OTHER_UNIT_CONFIDENCE = 0.7


@dataclass(frozen=True)
class UnitIndex:
    """The unit at this place of `Observations.units`."""

    index: int

    def __post_init__(self) -> None:
        if self.index < 0:
            raise ValueError(f"index must be 0 or more, got {self.index}")


@dataclass(frozen=True)
class NoUnit:
    """No unit was found: the photo is read as a close-up of a label or of a donor's plate."""


@dataclass(frozen=True)
class MostProminent:
    """The surest and largest thing that counts as a unit; `NoUnit` where nothing does."""


UnitChoice = UnitIndex | NoUnit | MostProminent


class SeveralUnits(Exception):
    """A photo that shows several units where one was asked for: which photo, and where each unit is."""

    def __init__(self, photo: str, places: Sequence[str]) -> None:
        self.photo, self.places = photo, tuple(places)
        listed = "; ".join(f"{number} {place}" for number, place in enumerate(self.places, start=1))
        self.remedy = "Add --unit N for one of them, or take the whole photo with `plugface sort`"
        super().__init__(f"{photo} shows {len(self.places)} units: {listed}. {self.remedy}.")


class NoSuchUnit(Exception):
    """A number given with --unit that the photo does not have."""

    def __init__(self, photo: str, asked: int, n_units: int) -> None:
        self.photo, self.asked, self.n_units = photo, asked, n_units
        there = {0: "no unit was found there", 1: "one unit was found there"}
        found = there.get(n_units, f"{n_units} units were found there")
        self.remedy = "Leave out --unit to see what there is"
        super().__init__(f"{photo} has no unit {asked}: {found}. {self.remedy}.")


class UnitInSeveral(Exception):
    """A number given with --unit where several photos show several units each: it can mean only one's."""

    def __init__(self, unit: int, photos: Sequence[str]) -> None:
        self.unit, self.photos = unit, tuple(photos)
        self.remedy = "Keep one of them beside the photos of that unit, or take all with `plugface sort`"
        super().__init__(
            f"{', '.join(self.photos)} each show several units, and number {unit} of one need not be number "
            f"{unit} of another. {self.remedy}."
        )


class UnitGone(Exception):
    """A unit of the ledger that is not found in its photo any more by the version that looked last."""

    def __init__(self, part: int, n_units: int) -> None:
        self.part, self.n_units = part, n_units
        super().__init__(
            f"unit {part + 1} of the photo is not found there any more ({n_units} are). Take the photo again"
        )


@dataclass(frozen=True)
class UnitView:
    """One unit as one photo shows it; `unit` is None where only text or codes were found (a close-up)."""

    photo: int
    sha256: str
    usable: bool
    unit: Unit | None
    texts: tuple[Text, ...]  # on the unit, or anywhere when the photo has no unit
    codes: tuple[Code, ...]
    outside: tuple[Text, ...] = ()  # beside every unit: a donor's plate
    loose: tuple[Connector, ...] = ()  # plugs on no unit; of a unit among several, none

    @property
    def plugs(self) -> tuple[Connector, ...]:
        """All that may be the unit's: those on it, then those on no unit."""
        return (*(self.unit.connectors if self.unit else ()), *self.loose)

    @property
    def front(self) -> float:
        """Share 0..1: how surely the plug face is seen."""
        return self.unit.face.get("front", 0.0) if self.unit else 0.0


@dataclass(frozen=True)
class ObservedUnit:
    """Photos of one unit with what it truly is; family None: in no family of the catalogue.

    `chosen` says which unit of each photo is meant; without it, the most prominent one of each.
    """

    unit_id: str
    observations: tuple[Observations, ...]
    family: str | None
    variant: str | None = None
    chosen: tuple[UnitChoice, ...] | None = None


def list_units(seen: Observations) -> list[int]:
    """Places in `seen.units` of what counts as a unit of its own; the surest one always does.

    A card with an id never does. Where no card and no unit is, the list is empty.
    """
    areas = {index: polygon_area(unit.polygon) for index, unit in enumerate(seen.units) if not is_card(unit)}
    if not areas:
        return []
    largest = max(areas.values())
    credible = [
        index
        for index, area in areas.items()
        if seen.units[index].confidence >= OTHER_UNIT_CONFIDENCE and area >= MIN_AREA_RATIO * largest
    ]
    surest = most_prominent(seen)
    assert surest is not None  # not all are cards
    return credible or [surest]


def most_prominent(seen: Observations) -> int | None:
    """Place of the unit with the largest confidence times area; None where there is none but cards."""
    places = [index for index, unit in enumerate(seen.units) if not is_card(unit)]
    return max(
        places,
        key=lambda index: seen.units[index].confidence * polygon_area(seen.units[index].polygon),
        default=None,
    )


def choose_units(
    names: Sequence[str], observations: Sequence[Observations], unit: int | None = None
) -> tuple[UnitChoice, ...]:
    """Which unit of each photo is meant, where all photos show one unit.

    Parameters
    ----------
    names : sequence of str, length n
        What to call the photos in an error.
    observations : sequence of Observations, length n
    unit : int, optional
        1-based number for the one photo that shows several units, as `SeveralUnits` lists them.

    Returns
    -------
    chosen : tuple of UnitIndex or NoUnit, length n

    Raises
    ------
    SeveralUnits
        If a photo shows several units and `unit` was not given.
    UnitInSeveral
        If `unit` was given and more than one photo shows several.
    NoSuchUnit
        If `unit` is not in the photo that shows several, or no photo shows several and it is not 1.
    """
    found = [list_units(seen) for seen in observations]
    crowded = [place for place, candidates in enumerate(found) if len(candidates) > 1]
    if crowded and unit is None:
        name, seen, candidates = names[crowded[0]], observations[crowded[0]], found[crowded[0]]
        raise SeveralUnits(name, [_place(seen, seen.units[index]) for index in candidates])
    if unit is not None and len(crowded) > 1:
        raise UnitInSeveral(unit, [names[place] for place in crowded])
    meant = crowded[0] if crowded else 0
    if unit is not None and unit != 1 and unit > len(found[meant]):
        raise NoSuchUnit(names[meant], unit, len(found[meant]))
    numbers = [unit if unit is not None and place == meant else 1 for place in range(len(found))]
    return tuple(
        UnitIndex(candidates[number - 1]) if candidates else NoUnit()
        for candidates, number in zip(found, numbers, strict=True)
    )


def to_part(choice: UnitChoice) -> int:
    """A choice as a ledger keeps it: the place of the unit, -1 for none.

    Raises
    ------
    ValueError
        For `MostProminent`, which says nothing that could be kept.
    """
    match choice:
        case UnitIndex(index):
            return index
        case NoUnit():
            return -1
    raise ValueError("only a unit's place, or that there is none, can be kept")


def from_part(part: int, seen: Observations) -> UnitChoice:
    """What a ledger's `part` means in this look at the photo.

    Parameters
    ----------
    part : int
        Place of the unit in the photo; -1 where none was found.
    seen : Observations

    Returns
    -------
    choice : UnitChoice

    Raises
    ------
    UnitGone
        If this look, by another version, finds fewer units in the photo: its neighbour is not the unit.
    """
    if part < 0:
        return NoUnit()
    if part >= len(seen.units):
        raise UnitGone(part, len(seen.units))
    return UnitIndex(part)


def gather_views(
    observations: Sequence[Observations], chosen: Sequence[UnitChoice] | None = None
) -> tuple[UnitView, ...]:
    """Views of one unit, one per photo; the same photo given twice counts once.

    Parameters
    ----------
    observations : sequence of Observations, length n
    chosen : sequence of UnitChoice, length n, optional
        Which unit of each photo; without it, the most prominent one of each.

    Returns
    -------
    views : tuple of UnitView

    Raises
    ------
    ValueError
        If `chosen` has another length or names a unit that the photo does not have.
    """
    picks = list(chosen) if chosen is not None else [MostProminent()] * len(observations)
    if len(picks) != len(observations):
        raise ValueError(f"chosen must have one entry per photo ({len(observations)}), got {len(picks)}")
    views, seen = [], set()
    for photo, (seen_there, pick) in enumerate(zip(observations, picks, strict=True)):
        key = (seen_there.photo_sha256, pick)
        if key not in seen:
            seen.add(key)
            views.append(_view(photo, seen_there, pick))
    return tuple(views)


def chosen_unit(seen: Observations, choice: UnitChoice) -> Unit | None:
    """The unit that is meant; None where the photo is read as a close-up.

    Parameters
    ----------
    seen : Observations
    choice : UnitChoice

    Returns
    -------
    unit : Unit or None

    Raises
    ------
    ValueError
        If the photo has no unit at the place chosen.
    """
    match choice:
        case NoUnit():
            return None
        case MostProminent():
            index = most_prominent(seen)
            return None if index is None else seen.units[index]
        case UnitIndex(index):
            if index >= len(seen.units):
                raise ValueError(f"the photo has {len(seen.units)} units, there is no unit {index + 1}")
            return seen.units[index]
    raise TypeError(f"a UnitIndex, NoUnit or MostProminent is wanted, got {choice!r}")


def turn_plugs(unit: Unit) -> Unit:
    """The unit held the other way up: its plugs in their other order; as it is where it has none."""
    other = unit.other_order
    if other is None:
        return unit
    return replace(
        unit,
        connectors=tuple(unit.connectors[i] for i in other),
        other_order=tuple(other.index(i) for i in range(len(other))),
        up_deg=None if unit.up_deg is None else (unit.up_deg + 180) % 360,
    )


def _view(photo: int, seen: Observations, choice: UnitChoice) -> UnitView:
    try:
        unit = chosen_unit(seen, choice)
    except ValueError as error:
        raise ValueError(f"photo {photo + 1}: {error}") from None
    common: dict[str, Any] = {"photo": photo, "sha256": seen.photo_sha256, "usable": seen.quality.usable}
    if unit is None or len(list_units(seen)) <= 1:  # beside several, it may be another's or nobody's
        common["loose"] = seen.loose
    if unit is None:
        return UnitView(**common, unit=None, texts=seen.texts, codes=seen.codes, outside=seen.texts)
    return UnitView(**common, unit=unit, texts=unit.texts, codes=unit.codes, outside=seen.texts)


def _place(seen: Observations, unit: Unit) -> str:
    xs, ys = [x for x, _ in unit.polygon], [y for _, y in unit.polygon]
    x, y = (min(xs) + max(xs)) / 2 / seen.quality.width_px, (min(ys) + max(ys)) / 2 / seen.quality.height_px
    across = "left" if x < 0.4 else "right" if x > 0.6 else "middle"
    down = "top" if y < 0.4 else "bottom" if y > 0.6 else "middle"
    plugs = " ".join(best_colour(c.colour) or "?" for c in unit.connectors)
    where = (
        "in the middle"
        if across == down
        else f"{down} {across}".replace("middle ", "").replace(" middle", "")
    )
    return f"{where} ({f'plugs {plugs}' if plugs else 'no plugs seen'})"
