"""Which photos show the same unit, by the first of four rules that applies, and by which one.

1. Sub-folder: the photos of one sub-folder are one unit, unless the file names in it speak of several units
   or it holds more than `MAX_PHOTOS`: then it is a pile, and the other rules decide.
2. File name: what stands before a view (`_front`, ` back`, `-label`) or a short number (`_1`, `_02`) is the
   unit: `crate7_front.jpg` and `crate7_back.jpg`. Names that cameras give (`IMG_0042`) say nothing.
3. Id card: photos that show the same QR or Data Matrix code, lying beside the unit or on our own bin label.
   A card that was taken for a unit is none.
4. Time gap and appearance: photos taken in a row, until a pause, until a face comes up that the unit has
   shown already, or until the housings differ in colour. File times are used only where they cannot be
   copying times.

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

from plugface.models.id_cards import is_card, is_square
from plugface.models.unit_choice import NoUnit, UnitChoice, UnitIndex, to_part
from plugface.vision.observations import Observations, polygon_area

#: More photos than this are never one unit. Our choice: nobody takes more of one controller.
MAX_PHOTOS = 12

#: Longest pause within one unit, seconds. Our choice; turning a unit over and aiming again takes 5 to 30 s.
PAUSE_S = 90.0

#: Files whose times follow each other faster than this were copied, not taken. Our choice.
COPYING_S = 2.0

#: The largest unit of a photo counts as the only one meant when it has this many times the area of the next.
LONE_UNIT_AREA = 3.0

#: A plug's colour contradicts another photo's only from this share on; below it stands as "?". Our choice.
SURE_COLOUR = 0.7
UNSURE = "?"

#: What our own bin labels say before the unit's key.
LABEL_PREFIX = "plugface:"

_VIEWS = "front|back|rear|side|top|bottom|label|plate|plug|plugs|close|closeup|close-up|detail|donor|card"
_NAMED = re.compile(
    rf"^(?P<unit>.*?\w)[ _.\-]+(?:(?P<view>{_VIEWS})(?:[ _.\-]*\d{{1,2}})?|(?P<count>\d{{1,2}}))$", re.I
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


def name_unit(path: str) -> str | None:
    """The unit that a file name speaks of, by the file-name rule; None where the name says nothing."""
    stem = PurePosixPath(path).stem
    match = _NAMED.match(stem)
    if match is None:
        return None
    camera = _CAMERA.match(match["unit"]) or not re.search(r"[^\W_]", match["unit"])
    if match["view"] is None and (camera or match["unit"].isdigit()):
        return None
    return match["unit"]


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
        names = {name_unit(shot.path) for shot in inside} - {None}
        if folder == "." or len(inside) > MAX_PHOTOS or len(names) > 1:
            rest += inside
        else:
            groups.append(_group("folder", folder, "sub-folder", inside))
    return groups, rest


def _by_name(shots: list[PhotoSummary]) -> tuple[list[Group], list[PhotoSummary]]:
    groups, rest = [], []
    for key, inside in _gather(shots, lambda shot: _full_name(shot.path)).items():
        if key is None or len(inside) > MAX_PHOTOS:
            rest += inside
        else:
            groups.append(_group("name", key, "file name", inside))
    return groups, rest


def _full_name(path: str) -> str | None:
    unit = name_unit(path)
    return None if unit is None else str(PurePosixPath(path).parent / unit)


def _by_id(shots: list[PhotoSummary]) -> tuple[list[Group], list[PhotoSummary]]:
    groups, rest = [], []
    for payload, inside in _gather(shots, lambda shot: shot.ids[0] if len(shot.ids) == 1 else None).items():
        if payload is None or len(inside) > MAX_PHOTOS:
            rest += inside
        else:
            groups.append(_group("id", payload, "id card", inside))
    return groups, rest


def _by_time(shots: list[PhotoSummary]) -> list[Group]:
    groups = []
    for by_camera in (True, False):
        dated = sorted((s for s in shots if s.taken_at and s.by_camera == by_camera), key=_time_of)
        if not by_camera and _were_copied(dated):
            groups += [
                _group("photo", shot.sha256[:16], "single photo (no usable time)", [shot]) for shot in dated
            ]
            continue
        run: list[PhotoSummary] = []
        for shot in dated:
            if run and not _goes_on(run, shot):
                groups.append(_timed(run))
                run = []
            run.append(shot)
        if run:
            groups.append(_timed(run))
    groups += [
        _group("photo", s.sha256[:16], "single photo (no usable time)", [s]) for s in shots if not s.taken_at
    ]
    return groups


def _time_of(shot: PhotoSummary) -> datetime:
    assert shot.taken_at is not None  # only photos with a time are put in order
    return shot.taken_at


def _timed(run: list[PhotoSummary]) -> Group:
    if len(run) == 1:
        return _group("photo", run[0].sha256[:16], "single photo", run)
    clock = "camera time" if run[0].by_camera else "file time"
    return _group("time", run[0].sha256[:16], f"time gap and appearance ({clock})", run)


def _were_copied(dated: list[PhotoSummary]) -> bool:
    gaps = [(_time_of(b) - _time_of(a)).total_seconds() for a, b in pairwise(dated)]
    return bool(gaps) and median(gaps) < COPYING_S


def _goes_on(run: list[PhotoSummary], shot: PhotoSummary) -> bool:
    """Whether `shot` still shows the unit of the run."""
    if (_time_of(shot) - _time_of(run[-1])).total_seconds() > PAUSE_S or len(run) >= MAX_PHOTOS:
        return False
    if not shot.units:
        return True  # a close-up
    now = shot.units[0]
    for earlier in run:
        for before in earlier.units:
            same_face = (before.front >= 0.5) == (now.front >= 0.5)
            if same_face and earlier.usable:
                return False
            if before.body and now.body and _overlap(before.body, now.body) < 0.2:
                return False
    return True


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
        found.append(Group(group.key, group.method, group.shots, group.parts, tuple(words)))
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
