"""What the verifier's logits are worth: of a plug on no unit, of one on a unit, and of a unit.

    python -m plugface.cli.evaluation.fit_verifier --photos PHOTOS

PHOTOS holds the index's real photographs, ID.jpg or ID.png; those of the calibration part are looked at.
Whatever the segmenter takes for a housing is one case of a plug, or of a housed plug where it lies on an
outlined unit; whatever it takes for a unit one of a unit; what nobody can tell (an annotator's doubt, an
overlap that is neither the same nor another thing, plugs on a bare board) is left out. Prints for each the
constant and the weight of a logistic regression, and for least confidences how many are found and how many
other things are called one. Of a unit and a housed plug the segmenter's own log odds count as well, and the
demo's calibration photos for RENDERED_CASE of a real one each.
"""

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal, cast, get_args

import numpy as np
from plugface.cli.evaluation.collect_patches import OTHER, SAME, files_by_id
from plugface.cli.evaluation.measure_real import read_truth
from plugface.cli.evaluation.measure_vision import models_of, overlap, read_rows
from plugface.cli.settings import demo_folder
from plugface.vision import observe as looking
from plugface.vision.detection import connectors
from plugface.vision.detection.verifier import log_odds
from plugface.vision.observe import observe
from plugface.vision.photo import UnreadablePhoto, decode_photo
from sklearn.linear_model import LogisticRegression

#: What a rendered unit counts for beside a real one. Our choice: rendered ones are many and all alike.
RENDERED_CASE = 0.3
Question = Literal["plug", "housed plug", "unit"]
MIN_CONFIDENCES = (0.2, 0.3, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9)


@dataclass(frozen=True)
class Case:
    """One thing that the segmenter took for a housing, or for a unit."""

    photo: str
    question: Question
    confidence: float  # the segmenter's
    logit: float  # the verifier's
    true: bool | None  # None where nobody can tell
    which: int = -1  # of the photo's plugs, or units, where it is one
    rendered: bool = False


@dataclass(frozen=True)
class Sight:
    """What the verifier was asked in one photo, and its answer."""

    question: Question
    outline: np.ndarray  # photo pixels
    confidence: float
    logit: float


def main() -> None:
    """Collect cases, fit, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=Path, nargs="+", required=True, help="folders of real photographs")
    parser.add_argument("--weights", type=Path, help="folder with other networks")
    parser.add_argument("--cases", type=Path, help="file to keep the cases in, or to take them from")
    options = parser.parse_args()
    if options.cases and options.cases.is_file():
        cases = [Case(**row) for row in json.loads(options.cases.read_text())]
    else:
        cases = [*collect(options.photos, options.weights), *collect_demo(options.weights)]
        if options.cases:
            options.cases.write_text(json.dumps([asdict(case) for case in cases]))
    for question in get_args(Question):
        told = [case for case in cases if case.question == question and case.true is not None]
        constant, *slopes = fit(told)
        print(f"{question}: VERIFIED =", tuple(round(value, 2) for value in (constant, *slopes)))
        chance = [1 / (1 + np.exp(-constant - np.dot(slopes, evidence(case)))) for case in told]
        rendered = [value for case, value in zip(told, chance, strict=True) if case.rendered and case.true]
        if rendered:
            print("rendered:", {least: sum(v >= least for v in rendered) for least in MIN_CONFIDENCES})
        chance = [value for case, value in zip(told, chance, strict=True) if not case.rendered]
        told = [case for case in told if not case.rendered]
        print(f"{sum(case.true is True for case in told)} sights of it, {len(told)} cases")
        for name, values in (("verifier", chance), ("segmenter alone", [case.confidence for case in told])):
            for least in MIN_CONFIDENCES:
                kept = [case for case, value in zip(told, values, strict=True) if value >= least]
                found = {(case.photo, case.which) for case in kept if case.true}
                others = sum(not case.true for case in kept)
                print(f"{name}, {least:.2f}: {len(found)} found, {others} sights of none")


def collect(folders: list[Path], weights: Path | None) -> Iterator[Case]:
    """Cases of the index's calibration part.

    Parameters
    ----------
    folders : list of Path
        Of photographs.
    weights : Path or None
        Folder with other networks.
    """
    files = files_by_id(folders)
    for row in read_truth(demo_folder() / "real" / "truth.jsonl", "calibration"):
        if row["id"] not in files:
            continue
        file = files[row["id"]]
        try:
            photo = decode_photo(file.read_bytes(), name=file.name)
        except (UnreadablePhoto, OSError) as error:
            print(f"left out {row['id']}: {error}", file=sys.stderr)
            continue
        plugs: list[np.ndarray] = []
        doubts: list[np.ndarray] = []
        for plug in row.get("plugs", []):
            (plugs if plug.get("sure", True) else doubts).append(np.asarray(plug["polygon"], np.float32))
        units = [np.asarray(unit["polygon"], np.float32) for unit in row.get("units", [])]
        with heard() as sights:
            observe(photo, read_text=False, models=models_of(weights, None))
        for sight in sights:
            if sight.question != "unit" and row.get("view") == "board":
                continue  # nobody drew a bare board's headers
            true = judge(sight.outline, *((units, []) if sight.question == "unit" else (plugs, doubts)))
            yield Case(row["id"], sight.question, sight.confidence, sight.logit, *true)


def collect_demo(weights: Path | None) -> Iterator[Case]:
    """What is taken for a unit, and for a plug on one, in the demo's calibration photos.

    Parameters
    ----------
    weights : Path or None
        Folder with other networks.
    """
    for row in read_rows(demo_folder(), "calibration"):
        photo = decode_photo((demo_folder() / row["photo"]).read_bytes(), name=row["photo"])
        units = [np.asarray(unit["polygon"], np.float32) for unit in row["units"]]
        plugs: list[np.ndarray] = []
        stumps: list[np.ndarray] = []
        for plug in (plug for unit in row["units"] for plug in unit["connectors"]):
            (stumps if plug["missing"] else plugs).append(np.asarray(plug["polygon"], np.float32))
        with heard() as sights:
            observe(photo, read_text=False, models=models_of(weights, None))
        for sight in sights:
            if sight.question != "plug":
                true = judge(sight.outline, *((units, []) if sight.question == "unit" else (plugs, stumps)))
                yield Case(row["id"], sight.question, sight.confidence, sight.logit, *true, rendered=True)


def evidence(case: Case) -> list[float]:
    """What tells of a case: the logit, and but of a loose plug the segmenter's own log odds."""
    return [case.logit] if case.question == "plug" else [case.logit, log_odds(case.confidence)]


def fit(cases: list[Case]) -> tuple[float, ...]:
    """Constant and weights of the log odds that a case is what was asked for.

    Parameters
    ----------
    cases : list of Case
        Those of which is known what they are.
    """
    model = LogisticRegression(C=10)
    counted = [RENDERED_CASE if case.rendered else 1.0 for case in cases]
    model.fit([evidence(case) for case in cases], [case.true for case in cases], counted)
    return float(model.intercept_[0]), *map(float, model.coef_[0])


def judge(outline: np.ndarray, sure: list[np.ndarray], doubts: list[np.ndarray]) -> tuple[bool | None, int]:
    """Whether an outline is that of an annotated thing, and which; None where nobody can tell.

    Parameters
    ----------
    outline, sure, doubts
        Polygons of one photo: a found one, those annotated surely, and the others.
    """
    overlaps = [overlap(outline, thing) for thing in sure]
    if max(overlaps, default=0.0) >= SAME:
        return True, int(np.argmax(overlaps))
    if max([*overlaps, *(overlap(outline, doubt) for doubt in doubts)], default=0.0) >= OTHER:
        return None, -1
    return False, -1


@contextmanager
def heard() -> Iterator[list[Sight]]:
    """Inside, whatever is looked at again is written down, plugs and units."""
    sights: list[Sight] = []
    asked = connectors.look_again, looking.verify_units

    def look_again(found, picture, verifier, worth):
        own = [each.confidence for each in found if each.confidence >= connectors.MIN_LOOKED_AT]
        question: Question = "plug" if worth is connectors.VERIFIED else "housed plug"
        looked_at = asked[0](found, picture, verifier, worth)
        for each, confidence in zip(looked_at, own, strict=True):
            sights.append(
                Sight(question, np.asarray(each.outline, np.float32), confidence, cast(float, each.logit))
            )
        return looked_at

    def verify_units(found, rgb, to_rgb, verifier, *least):
        said = verifier.verify(rgb, [np.asarray(unit.polygon) * to_rgb for unit in found]).logits
        for unit, (_, logit) in zip(found, said, strict=True):
            outline = np.asarray(unit.polygon, np.float32)
            sights.append(Sight("unit", outline, unit.confidence, float(logit)))
        return asked[1](found, rgb, to_rgb, verifier, *least)

    connectors.look_again, looking.verify_units = look_again, verify_units
    try:
        yield sights
    finally:
        connectors.look_again, looking.verify_units = asked


if __name__ == "__main__":
    main()
