"""A trial on a shop's own units: what is answered from their photos, beside what they really are.

Here a case is one unit by all its photos, for that is how a shop asks. Nothing is learned from them.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from plugface.analysis import Answer, UnreadablePhoto, decide_observed, known_shades, observe_photos
from plugface.cli.evaluation.kept_observations import Look, observe_all
from plugface.cli.limited_photo import read_photo
from plugface.cli.lot.parallel import WorkerFailed, map_unordered
from plugface.cli.store.confirmations import Confirmed
from plugface.cli.store.learned_model import default_model
from plugface.cli.store.sheets import Cell, SheetError, read_sheets
from plugface.codec import read_observations, write_observations
from plugface.models.catalogue.check import NO_FAMILY
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.learning.calibration import error_by_chance, expected_calibration_error
from plugface.models.learning.metrics import Case, wilson_interval
from plugface.models.unit_choice import NoSuchUnit, SeveralUnits, UnitChoice, UnitInSeveral
from plugface.vision.observations import Observations

#: Columns of a truth sheet; others are a shop's own and are not read.
COLUMNS = ("photo", "family", "variant", "unit")

#: Limits of stated probability that units are put together by, to compare what was said with what was right.
SAID_LIMITS = (0.0, 0.5, 0.8, 0.95, 0.995, 1.0)


@dataclass(frozen=True)
class TrueUnit:
    """One unit of a shop: its photos and what it is; family None: in none of the catalogue's."""

    name: str
    photos: tuple[Path, ...]
    family: str | None
    variant: str | None
    observations: tuple[Observations, ...] = ()  # where it was looked at already
    chosen: tuple[UnitChoice, ...] | None = None  # which unit of each photo, where that is known

    @property
    def truth(self) -> str:
        """What it is, in words."""
        return " ".join(filter(None, (self.family, self.variant))) or "in no family of the catalogue"


@dataclass(frozen=True)
class Outcome:
    """One unit's answer beside its truth."""

    unit: TrueUnit
    answer: Answer

    @property
    def case(self) -> Case:
        """The same as the figures take it."""
        decision = self.answer.decision
        named = decision.variants[0] if len(decision.variants) == 1 else None
        # Where nobody knows the variant, the one that is named is not held against the answer.
        return Case(self.unit.name, (), self.unit.family, self.unit.variant or named, decision)

    @property
    def said(self) -> str:
        """The family that leads, with the variant where one was named; empty where no family was."""
        decision = self.answer.decision
        variant = decision.variants[0] if self.case.accepted and len(decision.variants) == 1 else None
        return " ".join(filter(None, (self.case.best, variant)))

    @property
    def miss(self) -> str:
        """What is wrong with the answer, in words; empty where nothing is.

        "Not sure" is no miss while the true family leads: it costs a second look and misleads nobody.
        """
        case, decision = self.case, self.answer.decision
        if case.wrongly_accepted and case.family != decision.families[0]:
            return "accepted, and wrong"
        if case.wrongly_accepted:
            return "accepted with a wrong variant"
        if case.family is not None and decision.verdict == "not_in_catalogue":
            return "sent away, and the catalogue holds it"
        if case.family is not None and case.best != case.family:
            return (
                "not accepted, and another family leads" if decision.candidates else "nothing was recognised"
            )
        return ""


@dataclass(frozen=True)
class Rate:
    """A count out of so many, with the 95 % interval of Wilson about its share."""

    name: str
    count: int
    of: int
    meaning: str = ""

    @property
    def share(self) -> float | None:
        """The share; None where there was nothing to count."""
        return self.count / self.of if self.of else None

    @property
    def interval(self) -> tuple[float, float]:
        """What the share may be on further units like these."""
        return wilson_interval(self.count, self.of)


@dataclass(frozen=True)
class Said:
    """Units whose leading family was given about as much probability."""

    low: float
    high: float
    mean: float  # probability stated, mean
    right: Rate

    @property
    def honest(self) -> bool:
        """Whether what was said lies within the interval of what was right."""
        low, high = self.right.interval
        return low <= self.mean <= high


@dataclass(frozen=True)
class Trial:
    """What came out, and what was left out and why."""

    outcomes: tuple[Outcome, ...]
    left_out: tuple[str, ...]

    @property
    def misses(self) -> tuple[Outcome, ...]:
        """The wrong ones, the dearest first."""
        rank = (
            "accepted, and wrong",
            "accepted with a wrong variant",
            "sent away, and the catalogue holds it",
        )
        wrong = [one for one in self.outcomes if one.miss]
        return tuple(sorted(wrong, key=lambda o: rank.index(o.miss) if o.miss in rank else len(rank)))

    @property
    def rates(self) -> tuple[Rate, ...]:
        """The figures that a shop decides by."""
        cases = [one.case for one in self.outcomes]
        known = [case for case in cases if case.family is not None]
        unknown = [case for case in cases if case.family is None]
        accepted = [case for case in cases if case.accepted]
        told = [
            one.case
            for one in self.outcomes
            if one.unit.variant is not None and len(one.answer.decision.variants) == 1
        ]

        def rate(name: str, of: Sequence[Case], holds: Callable[[Case], bool], meaning: str) -> Rate:
            return Rate(name, sum(map(holds, of)), len(of), meaning)

        return (
            rate("family right", known, lambda c: c.right, "the leading family is the true one"),
            rate("accepted", known, lambda c: c.accepted, "answered without a second look"),
            rate("accepted and wrong", cases, lambda c: c.wrongly_accepted, "the mistake that costs"),
            rate(
                "wrong among the accepted",
                accepted,
                lambda c: c.wrongly_accepted,
                "how far to trust a green answer",
            ),
            rate("variant right, where one is named", told, lambda c: c.variant_right, ""),
            rate("unknown accepted", unknown, lambda c: c.accepted, "in no family of the catalogue"),
        )

    @property
    def said(self) -> tuple[Said, ...]:
        """What was said beside what was right, by how sure it was."""
        cases = [one.case for one in self.outcomes if one.case.best is not None]
        rows = []
        for low, high in pairwise(SAID_LIMITS):
            inside = [c for c in cases if low < c.probability <= high or (low == 0.0 == c.probability)]
            if inside:
                mean = float(np.mean([c.probability for c in inside]))
                name = f"{100 * low:.1f} to {100 * high:.1f} %"
                right = Rate(name, sum(c.right for c in inside), len(inside))
                rows.append(Said(low, high, mean, right))
        return tuple(rows)

    @property
    def calibration_error(self) -> tuple[float, float] | None:
        """Mean distance of said and right, and what 95 in 100 faultless sets of as many would stay below."""
        cases = [one.case for one in self.outcomes if one.case.best is not None]
        if not cases:
            return None
        said = np.array([case.probability for case in cases])
        right = np.array([case.right for case in cases])
        return expected_calibration_error(said, right), error_by_chance(said)[1]


def read_truth_sheet(sheet: Path, folder: Path, catalogue: Catalogue) -> tuple[list[TrueUnit], list[str]]:
    """Units of a truth sheet, and what is wrong with its rows, a line each.

    Parameters
    ----------
    sheet : Path
        CSV or XLSX with the columns photo and family; variant and unit are read where they are. Photos with
        one name under unit show one unit; without that column each photo is a unit of its own. No photo
        stands in two rows.
    folder : Path
        Where the photos are.

    Raises
    ------
    SheetError
        If it cannot be read, has no such columns or one of them twice, or has one that is misspelled.
    """
    rows = read_sheets(sheet)[0].rows
    heads = [" ".join(str(cell or "").split()).lower() for cell in rows[0]] if rows else []
    _check_heads(sheet, heads)
    units: dict[str, TrueUnit] = {}
    row_of_photo: dict[Path, int] = {}
    row_of_unit: dict[str, int] = {}  # its first
    problems = []
    for number, row in enumerate(rows[1:], start=2):
        cells = {head: _cell(cell) for head, cell in zip(heads, row, strict=False) if head}
        if not any(cells.values()):
            continue
        try:
            one = _read_row(cells, folder, catalogue)
            path = one.photos[0].resolve()
            if path in row_of_photo:  # it would count as two views of a unit, or as two units
                raise ValueError(f'photo "{cells["photo"]}" stands in row {row_of_photo[path]} already')
            if one.name in units:
                one = _join(units[one.name], one, row_of_unit[one.name])
        except ValueError as problem:
            problems.append(f"{sheet.name}, row {number}: {problem}")
            continue
        units[one.name] = one
        row_of_photo[path] = number
        row_of_unit.setdefault(one.name, number)
    return list(units.values()), problems


def _check_heads(sheet: Path, heads: list[str]) -> None:
    """Refuse a sheet whose columns cannot be told: one that is not read would change what is measured."""
    begin = 'Begin it with a row "photo, family, variant, unit"; variant and unit may be left out'
    missing = [name for name in COLUMNS[:2] if name not in heads]
    if missing:
        there = ", ".join(f'"{head}"' for head in heads if head)[:200] or "an empty first row"
        raise SheetError(str(sheet), f"it has no column {' and '.join(missing)}, but {there}", begin)
    for name in COLUMNS:
        if heads.count(name) > 1:
            raise SheetError(str(sheet), f"it has {heads.count(name)} columns {name}", "Leave one of them")
    for head in heads:
        near = get_close_matches(head, COLUMNS, n=1, cutoff=0.75)
        if near and head not in COLUMNS and near[0] not in heads:
            problem = f'its column "{head}" would not be read'
            raise SheetError(str(sheet), problem, f"Call it {near[0]}, or by a name less like that")


def _join(before: TrueUnit, one: TrueUnit, row: int) -> TrueUnit:
    """One more photo of a unit; what an earlier row left open, a later one may say."""
    said = None not in (before.variant, one.variant) and before.variant != one.variant
    if before.family != one.family or said:
        raise ValueError(f'unit "{one.name}" is {one.truth} here, and {before.truth} in row {row}')
    variant = before.variant or one.variant
    return TrueUnit(one.name, (*before.photos, *one.photos), one.family, variant)


def _cell(cell: Cell) -> str:
    return str(int(cell)) if isinstance(cell, float) and cell.is_integer() else str(cell or "").strip()


def _read_row(cells: dict[str, str], folder: Path, catalogue: Catalogue) -> TrueUnit:
    photo = cells.get("photo", "")
    if not photo:
        raise ValueError("it names no photo")
    path = _find_photo(folder, photo)
    said = cells.get("family", "")
    if not said:
        raise ValueError('it names no family; write "none" for a unit of no family of the catalogue')
    family, variant = _find(said, cells.get("variant", ""), catalogue)
    return TrueUnit(cells.get("unit") or photo, (path,), family, variant)


def _find_photo(folder: Path, photo: str) -> Path:
    """A photo by its name in a sheet; large or small letters, and Windows' strokes, do not matter."""
    asked = folder / photo.replace("\\", "/")
    for path in (folder / photo, asked):
        if _is_file(path):
            return path
    if asked.is_dir():
        raise ValueError(f'"{photo}" is a folder; name one photo a row')
    beside = [one for one in asked.parent.iterdir() if one.is_file()] if asked.parent.is_dir() else []
    alike = [one for one in beside if one.name.casefold() == asked.name.casefold()]
    if len(alike) == 1:
        return alike[0]
    names = {one.name.casefold(): one.name for one in sorted(beside)}
    near = get_close_matches(asked.name.casefold(), names, n=1)
    hint = f'; did you mean "{names[near[0]]}"?' if near else ""
    raise ValueError(f'there is no photo "{photo}" in {folder}{hint}')


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError as error:  # a name that no file can have
        raise ValueError(f'"{path.name[:40]}" cannot be a photo: {(error.strerror or "").lower()}') from None


def _find(said: str, variant: str, catalogue: Catalogue) -> tuple[str | None, str | None]:
    if said.lower() in NO_FAMILY:
        return None, None
    by_name = {key.upper(): key for key in catalogue.by_key}
    key, colon, behind = said.partition(":")
    if colon and said.upper() not in by_name:
        said, variant = key.strip(), variant or behind.strip()
    if said.upper() not in by_name:
        near = get_close_matches(said.upper(), by_name, n=1)
        hint = f"; did you mean {by_name[near[0]]}?" if near else '; write "none" if the catalogue lacks it'
        raise ValueError(f'no family is called "{said}"{hint}')
    family = catalogue.by_key[by_name[said.upper()]]
    if not variant:
        return family.key, None
    for one in family.variants:
        if one.key.upper() == variant.upper():
            return family.key, one.key
    raise ValueError(
        f'{family.key} has no variant "{variant}"; it has {", ".join(v.key for v in family.variants)}'
    )


def confirmed_units(confirmed: Iterable[Confirmed], catalogue: Catalogue) -> tuple[list[TrueUnit], list[str]]:
    """The ledger's confirmed units by what was seen of them then, and which are left out."""
    units, problems = [], []
    for one in confirmed:
        unit = one.unit
        if unit.family is not None and unit.family not in catalogue.by_key:
            problems.append(f"{unit.unit_id}: the catalogue has no {unit.family} any more")
            continue
        photos = tuple(Path(path) for path in one.paths)
        units.append(
            TrueUnit(unit.unit_id, photos, unit.family, unit.variant, unit.observations, unit.chosen)
        )
    return units, problems


def run_trial(
    units: Sequence[TrueUnit],
    folder: Path,
    cache: Path,
    *,
    workers: int,
    done: Callable[[], object] = lambda: None,
) -> Trial:
    """Look at every unit and answer it; one that cannot be looked at is left out and said.

    Parameters
    ----------
    folder : Path
        Of the catalogue.
    cache : Path
        Where what was seen in a photo is kept, so that a second run does not look again.
    done : callable
        Called once for each unit.
    """
    catalogue = load_catalogue(folder)
    model = default_model()
    outcomes, left_out = {}, []
    tasks = [
        (number, unit.photos, folder, cache) for number, unit in enumerate(units) if not unit.observations
    ]
    seen = {number: unit.observations for number, unit in enumerate(units) if unit.observations}
    for (number, *_), result in map_unordered(_look, tasks, workers=workers):
        done()
        failed = isinstance(result, WorkerFailed)
        texts, problem = ([], f"{units[number].name}: {result}") if failed else result
        if problem:
            left_out.append(problem if failed else _about(units[number], problem))
        else:
            seen[number] = tuple(map(read_observations, texts))
    for number, observations in seen.items():
        unit = units[number]
        names = [str(photo) for photo in unit.photos] or [
            f"photo {k}" for k in range(1, len(observations) + 1)
        ]
        try:
            answer = decide_observed(names, observations, catalogue, model=model, chosen=unit.chosen)
        except SeveralUnits as several:
            # Its own advice is for commands that can be told which unit is meant.
            words = f"{several.photo} shows {len(several.places)} units. Cut it to the one that is meant"
            left_out.append(_about(unit, f"{words}, or leave it out of the sheet."))
            continue
        except (NoSuchUnit, UnitInSeveral) as gone:
            left_out.append(f"{unit.name}: {gone}")
            continue
        outcomes[number] = Outcome(unit, answer)
    return Trial(tuple(outcomes[number] for number in sorted(outcomes)), tuple(left_out))


def _about(unit: TrueUnit, words: str) -> str:
    """Words on a photo, with the unit's name where that is another than the photo's."""
    return words if unit.name in [photo.name for photo in unit.photos] else f"{unit.name}: {words}"


def _look(task: tuple[int, tuple[Path, ...], Path, Path]) -> tuple[list[str], str]:
    """What is seen in a unit's photos as text, or why they cannot be used."""
    _, photos, folder, cache = task
    shades = known_shades(load_catalogue(folder))
    try:
        if shades:  # what is kept in the cache was seen without them
            seen: Any = observe_photos(photos, shades, opener=read_photo)
        else:
            looks = [Look(photo) for photo in photos]
            found = observe_all(looks, cache)
            seen = [found[look] for look in looks]
    except (UnreadablePhoto, OSError) as problem:
        return [], str(problem)
    return [write_observations(one) for one in seen], ""
