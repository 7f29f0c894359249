"""What perfect seeing would reach: the truth put in the place of one stage of what was seen at a time.

    python -m plugface.cli.evaluation.ceiling            # units of the calibration split, the matcher in use
    python -m plugface.cli.evaluation.ceiling --misses   # also what stays open where all is true

Cases are those of `plugface evaluate`: each known unit by each of its photos alone, and by all together. What
is not in view stays unseen: plugs by MIN_VISIBLE, writing and codes by IN_VIEW. Nothing is measured on other
splits, for what is found here is for choosing what to mend.
"""

import argparse
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from plugface.cli.commands.evaluate import judge_case
from plugface.cli.evaluation.kept_observations import Look, observe_all
from plugface.cli.evaluation.measure_text import IN_VIEW, READABLE_MODULE_PX, READABLE_PX, lies_at
from plugface.cli.evaluation.measure_vision import MIN_VISIBLE, match, read_rows
from plugface.cli.evaluation.truth import TruePhoto, group_by_unit, read_truth
from plugface.cli.settings import cache_folder, default_catalogue, demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Family, load_catalogue
from plugface.models.catalogue.index import place_plugs
from plugface.models.learning.classifier import load_model
from plugface.models.learning.metrics import Case, sees_both
from plugface.models.unit_choice import most_prominent
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.order import (
    ORIENTATION_RESOLVED,
    order_connectors,
    other_reading,
    place_in_unit,
)
from plugface.vision.observations import (
    SIZE_CLASSES,
    Body,
    Code,
    Connector,
    Observations,
    Polygon,
    Text,
    Unit,
)

#: What can be taken from the truth.
STAGES = ("outline", "plugs", "order", "places", "marks", "labels", "codes")

#: Confidence of a true line; a reader never says 1.
_SURE = 0.99


@dataclass(frozen=True)
class Way:
    """One way to see: which stages are true, and from which size on writing and codes are."""

    name: str
    stages: frozenset[str] = frozenset()
    least_px: float = 0.0
    least_module_px: float = 0.0

    def __post_init__(self) -> None:
        if unknown := self.stages - set(STAGES):
            raise ValueError(f"there are no stages {sorted(unknown)}; known are {list(STAGES)}")


def list_ways() -> list[Way]:
    """As seen; each stage true; all; all but each."""
    words = {
        "outline": "outline, face, body",
        "plugs": "plugs: which, colour, size",
        "order": "their order, way up",
        "places": "where on the face they stand",
        "marks": "cast marks",
        "labels": "printed lines",
        "codes": "barcodes",
    }
    everything = frozenset(STAGES)
    ways = [Way("as seen")]
    for stage, said in words.items():
        if stage in ("marks", "labels", "codes"):
            ways.append(_readable(f"{said}, readable", frozenset({stage})))
            said = f"{said}, any size"
        ways.append(Way(said, frozenset({stage})))
    ways.append(Way("plugs and order", frozenset({"plugs", "order"})))
    ways.append(_readable("all, writing where readable", everything))
    ways += [_readable(f"... but {said} as seen", everything - {stage}) for stage, said in words.items()]
    return [*ways, Way("all, writing of any size", everything)]


def _readable(name: str, stages: frozenset[str]) -> Way:
    return Way(name, stages, READABLE_PX, READABLE_MODULE_PX)


def with_truth(seen: Observations, row: dict, way: Way, family: Family) -> Observations:
    """What was seen in a photo of one unit, with the truth in place of the stages that the way names.

    Parameters
    ----------
    seen : Observations
    row : dict
        The photo's row of the truth file, with one unit.
    way : Way
    family : Family
        Of that unit: it says where on the face each plug stands.

    Returns
    -------
    seen : Observations
        Where no unit was outlined and the outline is not made true, there are still no plugs on it.
    """
    (truth,) = row["units"]
    if "outline" in way.stages:
        seen = _with_outline(seen, truth)
    if "marks" in way.stages:
        seen = _with_lines(seen, truth, way.least_px, lambda kind: kind == "cast")
    if "labels" in way.stages:
        seen = _with_lines(seen, truth, way.least_px, lambda kind: kind != "cast")
    if "codes" in way.stages:
        seen = _with_codes(seen, truth, way.least_module_px)
    place = most_prominent(seen)
    if place is None or truth["face"] != "front" or not way.stages & {"plugs", "order", "places"}:
        return seen
    return _with_unit(seen, place, _with_plugs(seen.units[place], truth, way.stages, family))


def _with_unit(seen: Observations, place: int, unit: Unit) -> Observations:
    return replace(seen, units=(*seen.units[:place], unit, *seen.units[place + 1 :]))


def _polygon(corners: Iterable[Sequence[float]]) -> Polygon:
    return tuple((float(x), float(y)) for x, y in corners)


def _surely(code: str, codes: Iterable[str]) -> dict[str, float]:
    return {one: float(one == code) for one in codes}


def _with_outline(seen: Observations, truth: dict) -> Observations:
    """The true unit alone, with what was seen on the one that counts; what lay beside it where none did."""
    place = most_prominent(seen)
    polygon = _polygon(truth["polygon"])
    _, (width, height), _ = cv2.minAreaRect(np.asarray(polygon, np.float32))
    body = Body(
        max(width, height) / max(min(width, height), 1e-6),
        _surely(truth["body"]["colour"], COLOUR_CODES),
        _surely(truth["body"]["fins"], ("none", "half", "all")),
    )
    if place is None:
        outline = np.asarray(polygon, np.float32)
        on_it = [t for t in seen.texts if cv2.pointPolygonTest(outline, _middle(t.polygon), False) >= 0]
        unit = Unit(polygon, 1.0, {"front": 0.5, "back": 0.5}, texts=tuple(on_it), codes=seen.codes)
        unit = replace(unit, up_deg=truth["up_deg"], connectors=seen.loose)
        seen = replace(
            seen, texts=tuple(t for t in seen.texts if t not in on_it), codes=(), loose=(), units=(unit,)
        )
        place = 0
    unit = replace(seen.units[place], polygon=polygon, confidence=1.0, body=body, method="truth")
    if truth["face"] in ("front", "back"):  # one that stands on an edge shows neither
        unit = replace(unit, face=_surely(truth["face"], ("front", "back")))
    return replace(seen, units=(unit,))


def _middle(polygon: Polygon) -> tuple[float, float]:
    x, y = np.mean(polygon, axis=0)
    return float(x), float(y)


def _with_plugs(unit: Unit, truth: dict, stages: frozenset[str], family: Family) -> Unit:
    """The unit with true plugs, or with those found in true order or at their true places, or all of it."""
    in_view = [c for c in truth["connectors"] if c["visible"] >= MIN_VISIBLE and len(c["polygon"]) >= 3]
    connectors = [_true_plug(c, unit) for c in in_view] if "plugs" in stages else list(unit.connectors)
    up_deg, certainty = unit.up_deg or 0.0, unit.up_confidence
    if "order" in stages:
        up_deg, certainty = truth["up_deg"], 1.0
    polygons = [c.polygon for c in connectors]
    true_of = {i: in_view[j]["index"] for i, j in match(polygons, [c["polygon"] for c in in_view])}
    order = list(order_connectors(polygons, up_deg, unit.polygon))
    if "order" in stages:
        # What is no plug stays in its row; the plugs stand as the catalogue lists them.
        slots = [k for k, i in enumerate(order) if i in true_of]
        for k, i in zip(slots, sorted(true_of, key=true_of.__getitem__), strict=True):
            order[k] = i
    other = None
    if certainty < ORIENTATION_RESOLVED and len(order) > 1:
        other = other_reading(polygons, tuple(order), up_deg, unit.polygon)
    places = place_plugs(family)
    # Seen the wrong way up, a true place is turned with the plugs.
    sign = 1.0 if abs((up_deg - truth["up_deg"] + 180) % 360 - 180) <= 90 else -1.0

    def placed(i: int) -> Connector:
        place = place_in_unit(polygons[i], unit.polygon, up_deg)
        if "places" in stages and i in true_of:
            x, y = sign * places[true_of[i]]
            place = (float(x), float(y))
        return replace(connectors[i], place=place)

    return replace(
        unit,
        connectors=tuple(placed(i) for i in order),
        up_deg=up_deg,
        up_confidence=certainty,
        other_order=other,
    )


def _true_plug(true: dict, unit: Unit) -> Connector:
    """A plug as it is; its pins only where they were counted, for few photos show them."""
    polygon = _polygon(true["polygon"])
    found = match([polygon], [c.polygon for c in unit.connectors])
    counted = bool(found) and unit.connectors[found[0][1]].pins is not None
    return Connector(
        polygon,
        _surely(true["colour"], COLOUR_CODES),
        _surely(true["size"], SIZE_CLASSES),
        size_ratio=None,
        confidence=1.0,
        pins=(true["pins"][0], true["pins"][1]) if counted else None,
        mated=true["mated"],
        broken=true["missing"],
        method="truth",
    )


def _with_lines(
    seen: Observations, truth: dict, least_px: float, of_kind: Callable[[str], bool]
) -> Observations:
    """True lines of some kinds in place of what was read of them; what is written nowhere goes."""
    lines = [t for t in truth["texts"] if t["visible"] > 0 and len(t["polygon"]) == 4]
    true = [
        t
        for t in lines
        if of_kind(t["kind"]) and t["value"] and t["visible"] >= IN_VIEW and t["height_px"] >= least_px
    ]

    def stays(text: Text, on_unit: bool) -> bool:
        near = [t for t in lines if lies_at(text, t["polygon"]) or _covers(text, t["polygon"])]
        if near:
            return not any(t in true for t in near)
        return not (on_unit and of_kind(text.kind))

    read = tuple(
        Text(_polygon(t["polygon"]), t["value"], _SURE, t["kind"], t["height_px"], method="truth")
        for t in true
    )
    place = most_prominent(seen)
    beside = tuple(text for text in seen.texts if stays(text, on_unit=False))
    if place is None:
        return replace(seen, texts=(*beside, *read))
    unit = seen.units[place]
    kept = tuple(text for text in unit.texts if stays(text, on_unit=True))
    return _with_unit(replace(seen, texts=beside), place, replace(unit, texts=(*kept, *read)))


def _covers(text: Text, polygon: list[list[float]]) -> bool:
    """Whether the middle of a true line lies within a text as read: two lines read as one row."""
    outline = np.asarray(text.polygon, np.float32)
    return len(outline) >= 3 and cv2.pointPolygonTest(outline, _middle(_polygon(polygon)), False) >= 0


def _with_codes(seen: Observations, truth: dict, least_module_px: float) -> Observations:
    """True codes beside those that were decoded right; misread ones go."""
    payloads = {c["payload"] for c in truth["codes"]}
    asked = [c for c in truth["codes"] if c["visible"] >= IN_VIEW and c["module_px"] >= least_module_px]
    true = [
        Code(_polygon(c["polygon"]), c["symbology"], c["payload"], "verified", c["module_px"], "truth")
        for c in asked
    ]
    place = most_prominent(seen)
    there = seen.codes if place is None else seen.units[place].codes
    right = [code for code in there if code.payload in payloads]
    held = {code.payload for code in right}
    codes = (*right, *(code for code in true if code.payload not in held))
    if place is None:
        return replace(seen, codes=codes)
    return _with_unit(seen, place, replace(seen.units[place], codes=codes))


def judge_way(
    way: Way,
    groups: dict[str, list[TruePhoto]],
    rows: dict[str, dict],
    looked: dict[str, Observations],
    families: Mapping[str, Family],
    decide: Callable[[str, list[TruePhoto], list[Observations]], Case],
) -> list[Case]:
    """Each unit by each of its photos alone, and by all together, seen in one way."""
    cases = []
    for unit_id, group in groups.items():
        family = families[group[0].units[0].family]
        seen = [with_truth(looked[one.photo], rows[one.photo], way, family) for one in group]
        cases += [decide(unit_id, [one], [its]) for one, its in zip(group, seen, strict=True)]
        if len(group) > 1:
            cases.append(decide(unit_id, group, seen))
    return cases


#: Columns of the table, and which cases each holds.
COLUMNS: dict[str, Callable[[Case], bool]] = {
    "front": lambda c: c.views == ("front",),
    "oblique": lambda c: c.views == ("oblique",),
    "back": lambda c: c.views == ("back",),
    "label": lambda c: c.views == ("label",),
    "front+back": sees_both,
    "all": lambda c: True,
}


def table_row(cases: Sequence[Case]) -> list[str]:
    """For each column how many are right first, accepted, accepted and wrong; then the share accepted."""
    cells = []
    for holds in COLUMNS.values():
        own = [case for case in cases if holds(case)]
        accepted = sum(case.accepted for case in own)
        wrong = sum(case.wrongly_accepted for case in own)
        cells.append(f"{sum(case.right for case in own)}/{accepted}/{wrong}")
    share = sum(case.accepted for case in cases) / max(len(cases), 1)
    return [*cells, f"{100 * share:.1f} %"]


def main(words: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="ceiling", description=__doc__.split("\n")[0])
    parser.add_argument("--matcher", type=Path, help="decide with this model.json; default: the one in use")
    parser.add_argument("--misses", action="store_true", help="what stays open where all is true")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes that look")
    options = parser.parse_args(words)
    folder, catalogue = demo_folder(), load_catalogue(default_catalogue())
    model = load_model(options.matcher) if options.matcher else default_model()
    rows = {row["photo"]: row for row in read_rows(folder, "calibration")}
    units = group_by_unit(read_truth(folder, "calibration"))
    groups = {name: group for name, group in units.items() if group[0].units and group[0].units[0].known}
    looks = {one.photo: Look(folder / one.photo) for group in groups.values() for one in group}
    found = observe_all(looks.values(), cache_folder(), workers=options.workers)
    looked = {photo: found[look] for photo, look in looks.items()}

    def decide(unit_id: str, photos: list[TruePhoto], seen: list[Observations]) -> Case:
        return judge_case(unit_id, photos, seen, catalogue, model)

    print(f"{len(looks)} photos of {len(groups)} known units, calibration split; matcher {model.version}")
    print("right first/accepted/accepted and wrong; last the share accepted")
    for number, way in enumerate(list_ways()):
        cases = judge_way(way, groups, rows, looked, catalogue.by_key, decide)
        if number == 0:
            sizes = [f"of {sum(map(holds, cases))}" for holds in COLUMNS.values()]
            _say("", COLUMNS)
            _say("", sizes)
        _say(way.name, table_row(cases))
    if options.misses:
        for case in cases:
            if not case.accepted:
                views, best = "+".join(case.views), case.best or "nothing"
                print(f"{case.unit_id} {views}: {case.family}, best {best} {case.probability:.3f}")


def _say(name: str, cells: Iterable[str]) -> None:
    print(f"{name:46s}" + "".join(f"{cell:>12s}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
