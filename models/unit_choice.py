"""Which part of each photo belongs to the unit in question."""

from dataclasses import dataclass

from plugface.vision.observations import Code, Observations, Text, Unit


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

    @property
    def front(self) -> float:
        """Share 0..1: how surely the plug face is seen."""
        return self.unit.face.get("front", 0.0) if self.unit else 0.0


@dataclass(frozen=True)
class ObservedUnit:
    """Photos of one unit with what it truly is; family None: in no family of the catalogue."""

    unit_id: str
    observations: tuple[Observations, ...]
    family: str | None
    variant: str | None = None
    chosen: tuple[int | None, ...] | None = None


def gather_views(
    observations: list[Observations], chosen: list[int | None] | None = None
) -> tuple[UnitView, ...]:
    """Views of one unit, one per photo; the same photo given twice counts once.

    Parameters
    ----------
    observations : list of Observations, length n
    chosen : list of int or None, length n, optional
        Index of the unit in each photo. None takes the most prominent one (confidence times area).

    Raises
    ------
    ValueError
        If `chosen` has another length or names a unit that the photo does not have.
    """
    picks = list(chosen) if chosen is not None else [None] * len(observations)
    if len(picks) != len(observations):
        raise ValueError(f"chosen must have one entry per photo ({len(observations)}), got {len(picks)}")
    views, seen = [], set()
    for photo, (seen_there, pick) in enumerate(zip(observations, picks, strict=True)):
        key = (seen_there.photo_sha256, pick)
        if key not in seen:
            seen.add(key)
            views.append(_view(photo, seen_there, pick))
    return tuple(views)


def _view(photo: int, seen: Observations, pick: int | None) -> UnitView:
    if pick is not None and not 0 <= pick < len(seen.units):
        raise ValueError(f"photo {photo + 1} has {len(seen.units)} units, there is no unit {pick + 1}")
    common = {"photo": photo, "sha256": seen.photo_sha256, "usable": seen.quality.usable}
    if not seen.units:
        return UnitView(**common, unit=None, texts=seen.texts, codes=seen.codes, outside=seen.texts)
    unit = seen.units[pick] if pick is not None else max(seen.units, key=_prominence)
    return UnitView(**common, unit=unit, texts=unit.texts, codes=unit.codes, outside=seen.texts)


def _prominence(unit: Unit) -> float:
    return unit.confidence * polygon_area(unit.polygon)


def polygon_area(polygon: tuple[tuple[float, float], ...]) -> float:
    """Area in square pixels (shoelace formula)."""
    shifted = polygon[1:] + polygon[:1]
    return 0.5 * abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(polygon, shifted, strict=True)))
