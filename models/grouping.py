"""Which photos show the same unit, by the first of six rules that applies, and by which one.

1. Sub-folder: the photos of one sub-folder are one unit, unless the file names in it speak of several units
   or it holds more than `MAX_PHOTOS`: then it is a pile, and the other rules decide. `1_front`, `2_label`
   only count its photos.
2. File name: what stands before a view (`_front`, ` back`, `-label`) is the unit: `crate7_front.jpg` and
   `crate7_back.jpg`. A short number (`_1`, `_02`) may as well count units: what stands before it parts
   photos, and joins none; and where a front or back comes twice, the number behind it (`ecu_front_2`) is
   part of the unit. Names that cameras give (`IMG_0042`), and views alone (`front_1`), say nothing.
3. Id card: photos that show the same QR or Data Matrix code, lying beside the unit or on our own bin label.
   A card that was taken for a unit is none.
4. Time gap and appearance: photos taken in a row, until a pause, until a face comes up that the unit has
   shown already, until the housings differ in colour, or a mark or number names another family. A close-up
   between two units goes to the one that it is clearly nearer to in time, or to the one before where
   close-ups end the rows of photos, to the one after where they begin them; where neither tells, or both
   disagree, it stays alone. The clock is the camera's, else the one in the file's name, else the file's own;
   the last two only where they cannot be times of copying.
5. Same code: a close-up and the one unit of the lot whose label bears the same barcode.
6. Order of names and appearance, for photos without a usable time, as messengers forward them: names that
   count up by one, faces that take turns, housings that do not differ, no mark or number of another family.
   Where a photo could as well belong to the unit before it as to the one after it, it stays alone; so
   does a close-up between two units, unless close-ups begin the rows of photos, or end them.

What no rule joins stands alone. To merge two units is the worse mistake (their evidence would be fused into
one answer), so every rule parts in doubt. A photo with several units gives one unit for each of them.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby, pairwise
from pathlib import PurePosixPath
from statistics import median

from plugface.models.decision.donor import hide_vins
from plugface.models.id_cards import is_card, is_square
from plugface.models.unit_choice import NoUnit, UnitChoice, UnitIndex, to_part
from plugface.vision.observations import Observations, polygon_area

#: More photos than this are never one unit. Our choice: nobody takes more of one controller.
MAX_PHOTOS = 12

#: Longest pause within one unit, seconds. Our choice; turning a unit over and aiming again takes 5 to 30 s.
PAUSE_S = 90.0

#: Which unit a close-up is of is told only by a pause longer than this, seconds, and so many times as long as
#: that on its other side. Our choice; turning a unit over and aiming again takes no longer.
TURN_S, CLEAR_PAUSE = 30.0, 3.0

#: Files whose times follow each other faster than this were copied, not taken. Our choice.
COPYING_S = 2.0

#: Housings whose colours share less of their probability than this are two. Our choice.
MIN_SHARED = 0.2

#: One face comes first where so many times more pairs begin with it than with the other; and close-ups come
#: first where so many times more rows of photos begin with one than end with one. Tried, for faces, on ten
#: units of the demo's training split, front and back each, with photos left out by chance 500 times over: of
#: the units put together 0.2 % were of two where one photo in twenty was missing, 0.6 % of one in ten, 4 % of
#: one in five (2026-11).
CLEAR_HABIT = 3

#: Methods of a unit that is one photo which nothing joins to another one.
ALONE, ALONE_UNTIMED = "single photo", "single photo (no usable time)"

#: Method of a unit by its photos' names; they may be spelled in two ways.
BY_NAME = "file name"

#: The largest unit of a photo counts as the only one meant when it has this many times the area of the next.
LONE_UNIT_AREA = 3.0

#: A plug's colour contradicts another photo's only from this share on; below it stands as "?". Our choice.
SURE_COLOUR = 0.7
UNSURE = "?"

#: What our own bin labels say before the unit's key.
LABEL_PREFIX = "plugface:"

_FACES = frozenset({"front", "back", "rear"})  # one that comes twice may be another unit's
_VIEWS = (
    r"front|back|rear|(?:left|right)[ _.\-]side|side|top|bottom|(?:type|service)[ _.\-](?:label|plate)|label"
    r"|plate|plug|plugs|close|closeup|close-up|detail|donor|card"
)
_NAMED = re.compile(
    rf"^(?P<unit>.*?\w)[ _.\-]+"
    rf"(?:(?P<view>{_VIEWS})(?:[ _.\-]*(?P<number>\d{{1,2}}))?|(?P<count>\d{{1,2}}))$",
    re.I,
)
_VIEW_ALONE = re.compile(rf"(?:{_VIEWS})(?:[ _.\-]*\d{{1,2}})?", re.I)
_STAMP = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)\D{1,6}([0-2]\d)[-_.:]?([0-5]\d)[-_.:]?([0-5]\d)"
)
_CAMERA = re.compile(
    r"^(img|dsc[fn]?|pxl|mvimg|vid|pano|p|image|photo|picture|pic|scan|unit|whatsapp image)\b", re.I
)


@dataclass(frozen=True)
class UnitSummary:
    """What grouping needs to know of one unit in one photo."""

    part: int  # index into Observations.units
    front: float  # share 0..1
    plugs: tuple[str, ...]  # colours, sorted; "?" where the colour is not sure
    body: dict[str, float] = field(default_factory=dict)  # posterior of the housing's colour, or empty


@dataclass(frozen=True)
class PhotoSummary:
    """What grouping needs to know of one photo."""

    path: str  # below the photos' folder, "/" between its parts
    sha256: str
    taken_at: datetime | None = None
    by_camera: bool = False  # False: the file's time, which copying may have changed
    ids: tuple[str, ...] = ()
    units: tuple[UnitSummary, ...] = ()
    usable: bool = True
    codes: tuple[str, ...] = ()  # payloads on labels, which may be the same on two units
    families: frozenset[str] = frozenset()  # those that a mark, number or code in it names without fault


@dataclass(frozen=True)
class Group:
    """Photos of one unit; `parts` says which unit of each photo is meant."""

    key: str  # the same for the same photos in every run
    method: str
    shots: tuple[PhotoSummary, ...]
    parts: tuple[UnitChoice, ...]
    findings: tuple[str, ...] = ()


def make_shot(
    path: str,
    seen: Observations,
    units: Sequence[int],
    *,
    taken_at: datetime | None = None,
    by_camera: bool = False,
    is_service_number: Callable[[str], bool] = lambda _: False,
    families: frozenset[str] = frozenset(),
) -> PhotoSummary:
    """Keep of one photo's observations what grouping needs.

    Parameters
    ----------
    path : str
    seen : Observations
    units : sequence of int
        Indices of what counts as a unit of its own.
    taken_at : datetime or None
    by_camera : bool
    is_service_number : callable
        Says whether a code's payload is a number of the catalogue: a label's own code is no id card.
    families : frozenset of str
        What the catalogue makes of its texts and codes: two photos that name different families are of two
        units.

    Returns
    -------
    summary : PhotoSummary
    """
    summaries = tuple(
        UnitSummary(
            part=index,
            front=seen.units[index].face.get("front", 0.0),
            plugs=tuple(sorted(_sure_colour(c.colour) for c in seen.units[index].connectors)),
            body=body.colour if (body := seen.units[index].body) else {},
        )
        for index in sorted(units, key=lambda index: -polygon_area(seen.units[index].polygon))
        if not is_card(seen.units[index])
    )
    areas = [polygon_area(seen.units[summary.part].polygon) for summary in summaries]
    on_units = [code for unit in seen.units for code in unit.codes]
    ids = {code.payload for code in [*seen.codes, *on_units] if code.payload.startswith(LABEL_PREFIX)}
    beside = [*seen.codes, *(code for unit in seen.units if is_card(unit) for code in unit.codes)]
    ids |= {
        code.payload
        for code in beside
        if is_square(code) and not is_service_number("".join(code.payload.split()))
    }
    lone = len(areas) > 1 and areas[0] >= LONE_UNIT_AREA * areas[1]
    return PhotoSummary(
        path,
        seen.photo_sha256,
        taken_at,
        by_camera,
        tuple(sorted(ids)),
        summaries[:1] if lone else summaries,
        seen.quality.usable,
        tuple(sorted({code.payload for code in [*seen.codes, *on_units]} - ids)),
        families,
    )


def group_shots(shots: Iterable[PhotoSummary]) -> list[Group]:
    """Put every photo into exactly one group, or into one group for each of its units.

    Parameters
    ----------
    shots : iterable of PhotoSummary
        Each photo once.

    Returns
    -------
    groups : list of Group
        In the order of their first photo's path.
    """
    rest = sorted(shots, key=lambda shot: _natural(shot.path))
    groups: list[Group] = []
    for rule in (_by_folder, _by_name, _by_id):
        found, rest = rule(rest)
        for group in found:
            groups += _part_crowded(group)
    crowded = [shot for shot in rest if len(shot.units) > 1]
    for shot in crowded:
        groups += _part_crowded(_group("photo", shot.sha256[:16], "single photo", [shot]))
    groups += _by_time([shot for shot in rest if len(shot.units) <= 1])
    return sorted(
        _with_findings(groups),
        key=lambda group: (_natural(group.shots[0].path), max(to_part(group.parts[0]), 0)),
    )


def stands_alone(method: str) -> bool:
    """Whether a unit's method says that it is one photo which nothing joins to another one."""
    return method in (ALONE, ALONE_UNTIMED)


def in_a_crowd(method: str) -> bool:
    """Whether a unit's method says that it is one of several in a photo."""
    return method.startswith("one of ")


def name_time(path: str) -> datetime | None:
    """The time that a file's name tells (`20261128_101112`, `2026-11-28 at 10.11.12`), or None.

    A camera writes when the photo was taken, a messenger when it was sent.
    """
    match = _STAMP.search(PurePosixPath(path).stem)
    try:
        # The pattern has six groups, so that no figure falls on the time zone.
        return datetime(*map(int, match.groups())) if match else None  # type: ignore[arg-type]
    except ValueError:
        return None


def name_unit(path: str) -> str | None:
    """The unit that a file name speaks of, by the file-name rule; None where the name says nothing."""
    match = _read_name(path)
    return match["unit"] if match and match["view"] else None


def choose_paths(paths: Mapping[int, Sequence[str]]) -> dict[int, str]:
    """The path that each photo goes by where the same bytes lie under several.

    It is the one whose name or folder says the same unit as most other photos' do: a copy elsewhere takes no
    photo away from its unit.

    Parameters
    ----------
    paths : mapping
        Number of a photo -> where it lies; the first counts where none says more than another.
    """
    said = {photo: [_said_unit(path) for path in several] for photo, several in paths.items()}
    mates = Counter(unit for units in said.values() for unit in set(units))

    def worth(place: tuple[str, str | None]) -> tuple[bool, int]:
        unit = place[1]
        return unit is not None, mates[unit] if mates[unit] <= MAX_PHOTOS else 0

    return {
        photo: max(zip(several, said[photo], strict=True), key=worth)[0] for photo, several in paths.items()
    }


def _read_name(path: str) -> re.Match[str] | None:
    """A file name as what stands before a view or a number, and which; None where it says nothing."""
    stem = PurePosixPath(path).stem
    match = _NAMED.match(stem)
    if match is None or _VIEW_ALONE.fullmatch(stem) or _VIEW_ALONE.fullmatch(match["unit"]):
        return None
    camera = _CAMERA.match(match["unit"]) or not re.search(r"[^\W_]", match["unit"])
    if match["view"] is None and (camera or match["unit"].isdigit() or name_time(path)):
        return None
    return match


def _said_unit(path: str) -> str | None:
    """What name or folder say of the unit, read from one path alone."""
    folder = str(PurePosixPath(path).parent)
    return _full_name(path) or (None if folder == "." else f"{folder}/")


def _group(kind: str, name: str, method: str, shots: Sequence[PhotoSummary]) -> Group:
    parts = tuple(UnitIndex(shot.units[0].part) if shot.units else NoUnit() for shot in shots)
    return Group(f"{kind}:{name}", method, tuple(shots), parts)


def _by_folder(shots: list[PhotoSummary]) -> tuple[list[Group], list[PhotoSummary]]:
    groups, rest = [], []
    for folder, inside in _gather(shots, lambda shot: str(PurePosixPath(shot.path).parent)).items():
        names = [match for shot in inside if (match := _read_name(shot.path))]
        several = len({match["unit"].casefold() for match in names}) > 1 and not _are_counted(names)
        if folder == "." or len(inside) > MAX_PHOTOS or several:
            rest += inside
        else:
            groups.append(_group("folder", folder, "sub-folder", inside))
    return groups, rest


def _are_counted(names: list[re.Match[str]]) -> bool:
    """Whether numbers or letters before views count photos, as `1_front` and `2_label`: none comes twice.

    A label alone may come twice beside a front or back, for a unit often has two.
    """
    counts = [match["unit"].casefold() for match in names]
    views = [(match["view"] or "").casefold() for match in names]
    short = all(count.isdecimal() or len(count) == 1 for count in counts) and all(views)
    second_label = views.count("label") == 2 and not _FACES.isdisjoint(views)
    return short and len(set(counts)) == len(set(views)) + second_label == len(names)


def _by_name(shots: list[PhotoSummary]) -> tuple[list[Group], list[PhotoSummary]]:
    groups: list[Group] = []
    rest: list[PhotoSummary] = []
    for key, named in _gather(shots, lambda shot: _full_name(shot.path)).items():
        if key is None:
            rest += named
            continue
        # One of its spellings, always the same: the key stands in ledgers.
        key = min(str(PurePosixPath(shot.path).parent / (name_unit(shot.path) or "")) for shot in named)
        for number, inside in _by_number(named).items():
            if len(inside) > MAX_PHOTOS:
                rest += inside
            else:
                groups.append(_group("name", f"{key}{number}", BY_NAME, inside))
    return groups, rest


def _by_number(shots: list[PhotoSummary]) -> dict[str, list[PhotoSummary]]:
    """Photos of one name, by the number behind their views where a face comes twice: it counts units then."""
    names = {shot.sha256: match for shot in shots if (match := _read_name(shot.path))}
    views = Counter(match["view"].casefold() for match in names.values())
    if all(views[face] <= 1 for face in _FACES):
        return {"": shots}
    # No name of a unit ends in a bracket: "knot 1 front" stays apart from "knot front 1".
    return _gather(shots, lambda shot: f" ({int(n)})" if (n := names[shot.sha256]["number"]) else "")


def _full_name(path: str) -> str | None:
    """Folder and unit of a file name, in whichever case the unit is written."""
    unit = name_unit(path)
    return None if unit is None else str(PurePosixPath(path).parent / unit.casefold())


def _names_differ(a: str, b: str) -> bool:
    """Whether folder and what stands before views or numbers in two names are of two units."""
    one, other = _read_name(a), _read_name(b)
    if one is None or other is None:
        return False
    return (
        one["unit"].casefold() != other["unit"].casefold()
        or PurePosixPath(a).parent != PurePosixPath(b).parent
    )


def _by_id(shots: list[PhotoSummary]) -> tuple[list[Group], list[PhotoSummary]]:
    groups, rest = [], []
    for payload, inside in _gather(shots, lambda shot: shot.ids[0] if len(shot.ids) == 1 else None).items():
        if payload is None or len(inside) > MAX_PHOTOS:
            rest += inside
        else:
            groups.append(_group("id", payload, "id card", inside))
    return groups, rest


def _by_time(shots: list[PhotoSummary]) -> list[Group]:
    groups, untimed = [], []
    for clock, dated in _clocks(shots):
        if clock != "camera time" and _were_copied([when for when, _ in dated]):
            untimed += [shot for _, shot in dated]
            continue
        rows = _until_a_pause(dated)
        label_first = _label_habit([[shot for _, shot in row] for row in rows])
        groups += [_timed(run, clock) for row in rows for run in _runs(row, label_first)]
    untimed += [shot for shot in shots if not shot.taken_at and name_time(shot.path) is None]
    return groups + _by_look(sorted(untimed, key=lambda shot: _natural(shot.path)))


def _clocks(shots: list[PhotoSummary]) -> Iterable[tuple[str, list[tuple[datetime, PhotoSummary]]]]:
    """Each clock with the photos that go by it, in its order."""
    by_clock: dict[str, list[tuple[datetime, PhotoSummary]]] = {}
    for shot in shots:
        said = None if shot.by_camera else name_time(shot.path)
        clock = "time in its name" if said else "camera time" if shot.by_camera else "file time"
        when = said or shot.taken_at
        if when:
            by_clock.setdefault(clock, []).append((when.replace(tzinfo=None), shot))
    for clock in ("camera time", "time in its name", "file time"):
        yield clock, sorted(by_clock.get(clock, []), key=lambda pair: pair[0])


def _timed(run: list[PhotoSummary], clock: str) -> Group:
    if len(run) == 1:
        return _group("photo", run[0].sha256[:16], ALONE, run)
    return _group("time", run[0].sha256[:16], f"time gap and appearance ({clock})", run)


def _were_copied(dated: list[datetime]) -> bool:
    gaps = [(b - a).total_seconds() for a, b in pairwise(dated)]
    return bool(gaps) and median(gaps) < COPYING_S


def _until_a_pause(dated: list[tuple[datetime, PhotoSummary]]) -> list[list[tuple[datetime, PhotoSummary]]]:
    rows: list[list[tuple[datetime, PhotoSummary]]] = []
    for when, shot in dated:
        if rows and (when - rows[-1][-1][0]).total_seconds() <= PAUSE_S:
            rows[-1].append((when, shot))
        else:
            rows.append([(when, shot)])
    return rows


def _label_habit(rows: list[list[PhotoSummary]]) -> bool | None:
    """Whether close-ups come before their unit's other photos; None where the ends of rows do not say so."""
    ends = [(not row[0].units, not row[-1].units) for row in rows if any(shot.units for shot in row)]
    first, last = (sum(each) for each in zip(*ends, strict=True)) if ends else (0, 0)
    if first == last or max(first, last) < CLEAR_HABIT * min(first, last):
        return None
    return first > last


def _runs(row: list[tuple[datetime, PhotoSummary]], label_first: bool | None) -> list[list[PhotoSummary]]:
    """Units of one row of photos, in the order of their times."""
    runs: list[list[PhotoSummary]] = [[]]
    in_doubt = False  # close-ups stay alone until the next view
    for at, (_, shot) in enumerate(row):
        goes_on = not in_doubt and _goes_on(runs[-1], shot)
        if shot.units:
            in_doubt = False
        elif goes_on and any(earlier.units for earlier in runs[-1]):
            side = _side(row, at, runs[-1], label_first)
            goes_on, in_doubt = side == "before", side == "neither"
        if goes_on:
            runs[-1].append(shot)
        else:
            runs.append([shot])
    return [run for run in runs if run]


def _side(
    row: list[tuple[datetime, PhotoSummary]], at: int, run: list[PhotoSummary], label_first: bool | None
) -> str:
    """Which unit a close-up behind a view is of: the run's "before" it, one "after" it, or "neither"."""
    start = next(i for i in reversed(range(at)) if row[i][1].units)  # the view before it
    end = next((i for i in range(at, len(row)) if row[i][1].units), None)  # the view after it
    begins = {label_first} - {None}
    after = None
    if end is not None:
        after = row[end][1]
        pauses = [(row[i + 1][0] - row[i][0]).total_seconds() for i in (start, end - 1)]
        if max(pauses) > TURN_S and max(pauses) >= CLEAR_PAUSE * min(pauses):
            begins.add(pauses[0] > pauses[1])
    if begins == {True}:
        return "after"
    same = after is not None and _goes_on(run, after)  # one unit shown on both sides of it
    other = after is not None and (
        _names_differ(row[at][1].path, after.path) or _families_differ(row[at][1], after)
    )
    return "before" if begins == {False} or same or other else "neither"


def _goes_on(run: list[PhotoSummary], shot: PhotoSummary) -> bool:
    """Whether `shot` may still show the unit of the run."""
    if len(run) >= MAX_PHOTOS:
        return False
    if any(_names_differ(earlier.path, shot.path) or _families_differ(earlier, shot) for earlier in run):
        return False
    if not shot.units:
        return True  # a close-up
    now = shot.units[0]
    for earlier in run:
        for before in earlier.units:
            same_face = (before.front >= 0.5) == (now.front >= 0.5)
            if same_face and earlier.usable:
                return False
            if _housings_differ(before, now):
                return False
    return True


def _families_differ(a: PhotoSummary, b: PhotoSummary) -> bool:
    return bool(a.families and b.families) and not a.families & b.families


def _housings_differ(a: UnitSummary, b: UnitSummary) -> bool:
    return bool(a.body and b.body) and _overlap(a.body, b.body) < MIN_SHARED


def _by_look(shots: list[PhotoSummary]) -> list[Group]:
    """Photos without a usable time, in the order of their names."""
    groups, rest = _by_code(shots)
    rows = _in_a_row(rest)
    label_first = _label_habit(rows)
    for row in rows:
        groups += _by_turns(row, label_first)
    return groups


def _by_code(shots: list[PhotoSummary]) -> tuple[list[Group], list[PhotoSummary]]:
    """A close-up belongs to the one unit that bears its code; two units of one number decide nothing."""
    bearers = _gather([(code, shot) for shot in shots for code in shot.codes], lambda pair: pair[0])
    joined: dict[str, list[PhotoSummary]] = {}
    for shot in shots:
        owners = {
            owner.sha256: owner
            for code in shot.codes
            for _, owner in bearers[code]
            if owner.units and not shot.units and not _names_differ(owner.path, shot.path)
        }
        if len(owners) == 1:
            joined.setdefault(next(iter(owners)), []).append(shot)
    groups, used = [], set()
    for owner in shots:
        if owner.sha256 in joined and len(joined[owner.sha256]) < MAX_PHOTOS:
            group = [owner, *joined[owner.sha256]]
            groups.append(_group("code", owner.sha256[:16], "same code on label and close-up", group))
            used |= {shot.sha256 for shot in group}
    return groups, [shot for shot in shots if shot.sha256 not in used]


def _in_a_row(shots: list[PhotoSummary]) -> list[list[PhotoSummary]]:
    """Photos in runs whose names count up by one."""
    rows: list[list[PhotoSummary]] = []
    for shot in shots:
        if rows and _follows(rows[-1][-1].path, shot.path):
            rows[-1].append(shot)
        else:
            rows.append([shot])
    return rows


def _follows(before: str, after: str) -> bool:
    """Whether the second name is the next one after the first: `a_3`, `a_4`; also `a`, `a (1)`."""
    a, b = (PurePosixPath(path) for path in (before, after))
    if a.parent != b.parent or _names_differ(before, after):
        return False
    if b.stem in (f"{a.stem} (1)", f"{a.stem}(1)"):
        return True
    one, two = (re.split(r"(\d+)", path.stem) for path in (a, b))
    if len(one) != len(two) or one[::2] != two[::2]:
        return False
    first = next(
        ((int(x), int(y)) for x, y in zip(one[1::2], two[1::2], strict=True) if int(x) != int(y)), None
    )
    return first is not None and first[1] == first[0] + 1


def _by_turns(row: list[PhotoSummary], label_first: bool | None) -> list[Group]:
    """Pairs of faces within photos whose names count up, each with the close-ups before or behind it.

    Where faces take turns an even number of times, each pair is a unit. A run may have a photo too many at
    its ends: that is told by housings, marks and numbers that contradict each other within a pair, else by
    the face that nearly all other runs begin with; in an odd run, where neither tells, all stay alone.
    Where nothing says whether close-ups come first, only those between the faces of a pair are of its unit.
    """
    blocks: list[list[PhotoSummary]] = []  # a view of a face, then the close-ups on that side of it
    early = []  # close-ups that no view stands before, or where they come first, behind
    for shot in reversed(row) if label_first else row:
        if shot.units:
            blocks.append([shot])
        elif blocks and len(blocks[-1]) < MAX_PHOTOS // 2:
            blocks[-1].append(shot)
        else:
            early.append(shot)
    runs: list[list[list[PhotoSummary]]] = []
    for block in reversed(blocks) if label_first else blocks:
        begins = label_first and len(block) > 1
        if runs and not begins and _is_front(runs[-1][-1]) != _is_front(block):
            runs[-1].append(block)
        else:
            runs.append([block])
    habit = _habit(runs)
    units = [[shot] for shot in early]
    for run in runs:
        units += _pairs(run, habit, label_first)
    units = [sorted(unit, key=lambda shot: _natural(shot.path)) for unit in units]
    if label_first is None:
        for unit in list(units):
            while len(unit) > 1 and not unit[-1].units:
                units.append([unit.pop()])
    return [
        _group("order", unit[0].sha256[:16], "order of names and appearance", unit)
        if len(unit) > 1
        else _group("photo", unit[0].sha256[:16], ALONE_UNTIMED, unit)
        for unit in units
    ]


def _habit(runs: list[list[list[PhotoSummary]]]) -> bool | None:
    """Whether whoever took the photos begins with the front; None where the even runs do not say so."""
    votes: Counter[bool] = Counter()
    for run in runs:
        if len(run) % 2 == 0:
            votes[_is_front(run[0])] += len(run) // 2
    return next((front for front in votes if votes[front] >= CLEAR_HABIT * votes[not front]), None)


def _pairs(
    run: list[list[PhotoSummary]], front_first: bool | None, label_first: bool | None
) -> list[list[PhotoSummary]]:
    """Units of one run of faces that take turns; `front_first` is how the other runs begin, None: unknown."""
    if len(run) == 1:
        return list(run)

    def differ(i: int) -> bool:  # close-ups behind the pair may be of the next unit
        return _blocks_differ(run[i], run[i + 1][:1] if label_first is None else run[i + 1])

    fits = [offset for offset in (0, 1) if not any(differ(i) for i in range(offset, len(run) - 1, 2))]
    if len(fits) == 1:  # what contradicts tells more than a habit
        start = fits[0]
    elif front_first is not None:
        start = int(_is_front(run[0]) != front_first)
    elif len(run) % 2:
        return list(run)
    else:
        start = 0
    units = [run[0]] * start
    for i in range(start, len(run), 2):
        pair = run[i : i + 2]
        units += [pair[0] + pair[1]] if len(pair) == 2 and not differ(i) else pair
    return units


def _blocks_differ(a: list[PhotoSummary], b: list[PhotoSummary]) -> bool:
    return _housings_differ(a[0].units[0], b[0].units[0]) or any(
        _families_differ(one, other) for one in a for other in b
    )


def _is_front(block: list[PhotoSummary]) -> bool:
    return block[0].units[0].front >= 0.5


def _overlap(a: dict[str, float], b: dict[str, float]) -> float:
    """Shared mass of two posteriors, 0..1."""
    return sum(min(share, b.get(code, 0.0)) for code, share in a.items())


def _part_crowded(group: Group) -> list[Group]:
    """Give each unit of a photo that shows several a group of its own."""
    parted, lone = [], []
    for shot in group.shots:
        if len(shot.units) <= 1:
            lone.append(shot)
            continue
        for number, glimpse in enumerate(shot.units, start=1):
            method = f"one of {len(shot.units)} units in one photo"
            key = f"part:{shot.sha256[:16]}.{number}"
            parted.append(Group(key, method, (shot,), (UnitIndex(glimpse.part),)))
    if not parted:
        return [group]
    kind, name = group.key.split(":", 1)
    return parted + ([_group(kind, name, group.method, lone)] if lone else [])


def _with_findings(groups: list[Group]) -> list[Group]:
    """Say where an id or a look contradicts the grouping."""
    owners = _gather(
        [(payload, group.key) for group in groups for shot in group.shots for payload in shot.ids],
        lambda pair: pair[0],
    )
    found = []
    for group in groups:
        words = []
        ids = sorted({payload for shot in group.shots for payload in shot.ids})
        if len(ids) > 1 and not group.key.startswith("part:"):
            words.append(f"Two ids on one unit: {', '.join(ids)}.")
        for payload in ids:
            if len({key for _, key in owners[payload]}) > 1 and not group.key.startswith("part:"):
                words.append(f"The id {payload} also stands on another unit of this lot.")
        looks = {g.plugs for s in group.shots if s.usable for g in s.units if g.front >= 0.7 and g.plugs}
        if len(group.shots) > 1 and _differ(looks):
            listed = " against ".join(sorted(" ".join(plugs) for plugs in looks))
            words.append(f"Two different units under one {_noun(group.key)}? The plugs differ: {listed}.")
        # A card's id may be what a donor's plate says, and these words stand in the report.
        said = tuple(hide_vins(each, ids) for each in words)
        found.append(Group(group.key, group.method, group.shots, group.parts, said))
    return found


def _differ(looks: set[tuple[str, ...]]) -> bool:
    """Whether fronts cannot be of one unit: a plug too few is a miss, another colour is another unit."""
    for a in looks:
        for b in looks:
            fewer, more = sorted((list(a), list(b)), key=len)
            for colour in sorted(fewer, key=UNSURE.__eq__):  # the sure ones choose first
                match = next(
                    (c for c in (colour, UNSURE) if c in more), more[0] if colour == UNSURE else None
                )
                if match is None:
                    return True
                more.remove(match)
            if len(more) > 1:
                return True
    return False


def _noun(key: str) -> str:
    kind, name = key.split(":", 1)
    return {"folder": f"folder ({name})", "name": f"file name ({name})", "id": f"id ({name})"}.get(
        kind, "unit"
    )


def _sure_colour(posterior: dict[str, float]) -> str:
    code = max(posterior, key=posterior.__getitem__)
    return code if posterior[code] >= SURE_COLOUR else UNSURE


def _gather(items: Iterable, key: Callable) -> dict:
    gathered: dict = {}
    for item in items:
        gathered.setdefault(key(item), []).append(item)
    return gathered


def _natural(path: str) -> tuple[list[tuple[int, int, str]], str]:
    """Sort key that puts 9 before 10; the path itself breaks ties."""
    pieces = ((digits, "".join(chars)) for digits, chars in groupby(path, str.isdecimal))
    return [(0, int(text), "") if digits else (1, 0, text.casefold()) for digits, text in pieces], path
