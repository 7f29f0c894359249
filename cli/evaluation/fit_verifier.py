"""What the verifier's logit of a loose plug is worth, from real photographs.

    python -m plugface.cli.evaluation.fit_verifier --photos PHOTOS

PHOTOS holds the index's real photographs, ID.jpg or ID.png; those of the calibration part are looked at.
Whatever the segmenter takes for a housing where no unit is outlined is one case; what nobody can tell (an
annotator's doubt, an overlap that is neither the same nor another thing, a bare board) is left out. Prints
the constant and the weight of a logistic regression, and for least confidences how many plugs are found and
how many other things are called one.
"""

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from plugface.cli.evaluation.collect_patches import DEMO, OTHER, SAME, files_by_id
from plugface.cli.evaluation.measure_real import read_truth
from plugface.cli.evaluation.measure_vision import models_of, overlap
from plugface.vision.detection import connectors
from plugface.vision.observe import observe
from plugface.vision.photo import UnreadablePhoto, decode_photo
from sklearn.linear_model import LogisticRegression

LEAST = (0.3, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9)


@dataclass(frozen=True)
class Case:
    """One thing that the segmenter took for a loose housing."""

    photo: str
    confidence: float  # the segmenter's
    logit: float  # the verifier's
    plug: bool | None  # None where nobody can tell
    which: int = -1  # of the photo's plugs, where it is one


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
        cases = list(collect(options.photos, options.weights))
        if options.cases:
            options.cases.write_text(json.dumps([asdict(case) for case in cases]))
    told = [case for case in cases if case.plug is not None]
    fitted = fit(told)
    print("VERIFIED =", tuple(round(value, 2) for value in fitted))
    chance = [1 / (1 + np.exp(-fitted[0] - fitted[1] * case.logit)) for case in told]
    print(f"{sum(case.plug is True for case in told)} sights of plugs, {len(told)} cases")
    for name, values in (("verifier", chance), ("segmenter alone", [case.confidence for case in told])):
        for least in LEAST:
            kept = [case for case, value in zip(told, values, strict=True) if value >= least]
            plugs = {(case.photo, case.which) for case in kept if case.plug}
            print(f"{name}, {least:.2f}: {len(plugs)} plugs, {sum(not c.plug for c in kept)} sights of none")


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
    for row in read_truth(DEMO / "real" / "truth.jsonl", "calibration"):
        if row.get("view") == "board" or row["id"] not in files:
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
        with heard() as sights:
            observe(photo, read_text=False, models=models_of(weights, None))
        for outline, confidence, logit in sights:
            yield Case(row["id"], confidence, logit, *judge(outline, plugs, doubts))


def fit(cases: list[Case]) -> tuple[float, float]:
    """Constant and weight of the log odds that a case is a plug.

    Parameters
    ----------
    cases : list of Case
        Those of which is known what they are.
    """
    model = LogisticRegression(C=1e3)
    model.fit([[case.logit] for case in cases], [case.plug for case in cases])
    return float(model.intercept_[0]), float(model.coef_[0, 0])


def judge(outline: np.ndarray, plugs: list[np.ndarray], doubts: list[np.ndarray]) -> tuple[bool | None, int]:
    """Whether an outline is that of a plug, and which; None where nobody can tell.

    Parameters
    ----------
    outline, plugs, doubts
        Polygons of one photo: a found one, those annotated surely, and the others.
    """
    overlaps = [overlap(outline, plug) for plug in plugs]
    if max(overlaps, default=0.0) >= SAME:
        return True, int(np.argmax(overlaps))
    if max([*overlaps, *(overlap(outline, doubt) for doubt in doubts)], default=0.0) >= OTHER:
        return None, -1
    return False, -1


@contextmanager
def heard() -> Iterator[list[tuple[np.ndarray, float, float]]]:
    """Inside, whatever is looked at again is written down: outline in the photo, confidence, logit."""
    sights: list[tuple[np.ndarray, float, float]] = []
    look_again = connectors.look_again

    def listen(maps, found, rgb, to_rgb, verifier):
        class Listening:
            def verify(self, rgb, outlines):
                logits = verifier.verify(rgb, outlines)
                sights.extend(
                    (np.asarray(outline) / to_rgb, confidence, float(logit))
                    for outline, confidence, logit in zip(outlines, asked, logits, strict=True)
                )
                return logits

        asked = [confidence for _, confidence in found if confidence >= connectors.LEAST_LOOKED_AT]
        return look_again(maps, found, rgb, to_rgb, Listening())

    connectors.look_again = listen
    try:
        yield sights
    finally:
        connectors.look_again = look_again


if __name__ == "__main__":
    main()
