"""Every tuned constant of vision/ and models/: where it came from, and what its photos give for it now.

    python -m plugface.cli.evaluation.tuned_constants                    # from what is stored, seconds
    python -m plugface.cli.evaluation.tuned_constants --split            # from the whole calibration split
    python -m plugface.cli.evaluation.tuned_constants --look 12 --most 3 # tries neighbours on 12 photos
    python -m plugface.cli.evaluation.tuned_constants --train            # trains the matcher again, minutes

Stored values are read from the code. Nothing is written: a difference is shown for a person to judge. What
has no rule here that gives it again says why.
"""

import argparse
import os
from collections.abc import Callable, Iterable
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from importlib import import_module
from typing import Any, Literal

import numpy as np
from plugface.cli.evaluation import golden, measure_vision
from plugface.cli.evaluation.measure_vision import Tally, match
from plugface.cli.evaluation.train_matcher import N_SIMULATED, SEED, observed_units
from plugface.cli.settings import default_catalogue, demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.training import calibrate, train
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.error_model_fit import fit_error_model
from plugface.models.unit_choice import ObservedUnit
from plugface.vision.detection.instances import Clustering
from plugface.vision.observations import Observations
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo

Means = Literal["observations", "look", "none"]

_OUR_RENDERS = "its renders of drawn units are held back and are not in the project"
_REAL = "its real photographs are not in the project; `measure_real` with them gives the figures"
_COUNTED = "counted once on marks and labels, with a reader opened up; no rule chooses it"
_OURS = "our choice, as its comment says; no photos chose it"
_ALIKE = "all values tried do equally well on these photos"


@dataclass(frozen=True)
class Constant:
    """One tuned constant: its module without `plugface.`, its name, how it was chosen and how it is found."""

    module: str
    name: str
    source: str
    means: Means
    reason: str = ""  # why it cannot be found again
    #: Neighbours that are tried beside the stored value, where it is found by looking.
    tried: tuple[Any, ...] = ()
    #: Module whose name is read while looking; by default its own.
    read_in: str = ""

    @property
    def stored(self) -> Any:
        """The code's value."""
        return getattr(import_module(f"plugface.{self.module}"), self.name)


def _clusterings(stored: Clustering) -> tuple[Clustering, ...]:
    return tuple(
        replace(stored, seen=stored.seen + step, settled=stored.settled + step) for step in (-0.2, 0.2)
    )


#: All of them; a test looks for comments that speak of a calibration and whose constant is not here.
CONSTANTS = (
    Constant(
        "models.unit_choice",
        "OTHER_UNIT_CONFIDENCE",
        "largest multiple of 0.05 that the surest unit of every photo of the calibration split reaches",
        "observations",
    ),
    Constant(
        "vision.detection.units",
        "MIN_CONFIDENCE",
        "calibration split; here the mean F1 of units and plugs decides among neighbours",
        "look",
        tried=(0.5, 0.8),
    ),
    Constant(
        "vision.detection.units",
        "CLUSTERING",
        "the same",
        "look",
        tried=_clusterings(Clustering(0.4, 0.05, 0.4)),
    ),
    Constant(
        "vision.detection.connectors",
        "MIN_CONFIDENCE",
        "no source stated in the code; here as before",
        "look",
        tried=(0.25, 0.5),
    ),
    Constant(
        "vision.detection.connectors",
        "CLUSTERING",
        "the same",
        "look",
        tried=_clusterings(Clustering(0.6, 0.15, 0.6)),
    ),
    Constant(
        "vision.observations",
        "MIN_AREA_RATIO",
        "the same",
        "look",
        tried=(0.03, 0.12),
        read_in="vision.observe",
    ),
    Constant("vision.observe", "WHOLE_PX", "the same", "look", tried=(448, 576)),
    Constant("vision.observe", "CLOSE_PX", "the same", "look", tried=(320, 448)),
    Constant(
        "vision.colour.naming",
        "TEMPERATURE",
        "least at which 0.5 % of drawn housings are wrong with more than 0.9",
        "none",
        _OUR_RENDERS,
    ),
    Constant(
        "vision.colour.naming", "UNANCHORED_SHARE", "grey and white plugs painted over", "none", _OUR_RENDERS
    ),
    Constant(
        "vision.detection.connectors", "MIN_LOOSE_CONFIDENCE", "real photographs, calibration", "none", _REAL
    ),
    Constant(
        "vision.detection.order", "_NEARLY_LEVEL_DEG", "true outlines and renders", "none", _OUR_RENDERS
    ),
    Constant("vision.quality", "DARK_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "BURNT_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "GLARE_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "BLUR_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "SMALL_LIMIT_PX", "our choice", "none", _OURS),
    Constant("vision.quality", "COLOURLESS_LIMIT", "demo and 57 real photos", "none", _REAL),
    Constant("vision.quality", "TINTED_LIMIT", "demo and 57 real photos", "none", _REAL),
    Constant("vision.quality", "STRONG_TINT", "our choice", "none", _OURS),
    Constant("vision.ocr.unit_texts", "MIN_CONFIDENCE", "readings of bars and rims", "none", _COUNTED),
    Constant("vision.ocr.unit_texts", "_ENDS", "marks, training and calibration", "none", _COUNTED),
    Constant("vision.ocr.label_text", "SECOND_READER_WEIGHT", "our choice, on drawn labels", "none", _OURS),
    Constant("vision.ocr.cast_marks", "_SETTLES", "38 marks, calibration", "none", _COUNTED),
    Constant("vision.ocr.cast_marks", "_SETTLES_LENGTH", "38 marks, calibration", "none", _COUNTED),
    Constant("vision.ocr.cast_marks", "_TELLS_WAY", "446 marks", "none", _COUNTED),
    Constant("vision.ocr.text_boxes", "STUBBY", "our choice", "none", _OURS),
    Constant("vision.ocr.text_boxes", "_TWO_TONES", "drawn labels and relief", "none", _COUNTED),
    Constant(
        "models.learning.training",
        "SIMULATED_BESIDE",
        "calibration and 8,000 simulated units",
        "none",
        "each value tried takes a training; `train_matcher` makes one",
    ),
    Constant(
        "models.learning.training",
        "OBSERVED_WEIGHT",
        "calibration and 8,000 simulated units",
        "none",
        "each value tried takes a training; `train_matcher` makes one",
    ),
)


@dataclass(frozen=True)
class Line:
    """What is printed of one number."""

    name: str
    stored: str
    found: str
    how: str


def list_constants(found: dict[tuple[str, str], str] | None = None) -> list[Line]:
    """Every constant of the table, with what was found of it or why nothing was."""
    found = found or {}
    lines = []
    for one in CONSTANTS:
        value = found.get((one.module, one.name)) or ("not looked" if one.means == "look" else "-")
        how = f"{one.source}; not found again: {one.reason}" if one.reason else one.source
        lines.append(Line(f"{one.module}.{one.name}", _show(one.stored), value, how))
    return lines


def _show(value: Any) -> str:
    if isinstance(value, Clustering):
        return "/".join(f"{getattr(value, f.name):g}" for f in fields(value))
    return f"{value:g}"


def find_other_unit_confidence(seen: dict[str, Observations], rows: Iterable[dict]) -> tuple[float, str]:
    """The largest multiple of 0.05 that every true unit of a photo of one reaches, and the two ranges.

    Parameters
    ----------
    seen : Observations by photo
    rows : iterable of dict
        Truth of these photos.

    Returns
    -------
    value : float
    ranges : str
        The least confidence of a true unit, and how many other things lie below the value.
    """
    true, other = [], []
    for row in rows:
        units = seen[row["photo"]].units
        pairs = match(
            [u.polygon for u in units], [u["polygon"] for u in row["units"] if len(u["polygon"]) > 2]
        )
        hit = {i for i, _ in pairs}
        other += [unit.confidence for i, unit in enumerate(units) if i not in hit]
        if len(row["units"]) == 1:
            true += [units[i].confidence for i in hit]
    if not true:
        return float("nan"), "no photo of one unit"
    value = np.floor(min(true) * 20 + 1e-9) / 20
    below = sum(one < value for one in other)
    return float(value), f"units from {min(true):.2f}, {below} of {len(other)} other things below"


def stored_units(seen: dict[str, Observations], rows: Iterable[dict]) -> list[ObservedUnit]:
    """Photos of one known unit as the error model takes them, each photo by itself."""
    known = [row for row in rows if len(row["units"]) == 1 and row["units"][0]["known"]]
    return [
        ObservedUnit(
            row["photo"], (seen[row["photo"]],), row["units"][0]["family"], row["units"][0]["variant"]
        )
        for row in known
    ]


def compare_error_models(stored: ErrorModel, found: ErrorModel) -> list[Line]:
    """Each number of the error model stored beside found; of a matrix the mean of its diagonal."""
    cases = dict(found.counted or ())
    lines = []
    for f in fields(ErrorModel):
        if f.name in ("basis", "counted"):
            continue
        values = [getattr(model, f.name) for model in (stored, found)]
        before, after = [
            f"{v if isinstance(v, float) else np.diag(np.asarray(v)).mean():.4f}" for v in values
        ]
        how = f"{cases[f.name]:g} cases" if f.name in cases else "assumed: these photos cannot show it"
        lines.append(Line(f"error model {f.name}", before, after, how))
    return lines


@contextmanager
def _set_to(constant: Constant, value: Any):
    """The constant at another value where it is read."""
    module = import_module(f"plugface.{constant.read_in or constant.module}")
    before = getattr(module, constant.name)
    setattr(module, constant.name, value)
    try:
        yield
    finally:
        setattr(module, constant.name, before)


def find_by_looking(
    constant: Constant, rows: list[dict], look: Callable[..., Observations] = observe
) -> tuple[str, str]:
    """Look at photos with the stored value and its neighbours; which is best, and the score of each.

    The score is the mean F1 of units and plugs. The stored value stays where none is better.
    """
    scores = {}
    for value in (constant.stored, *constant.tried):
        tally = Tally()
        with _set_to(constant, value):
            for row in rows:
                path = demo_folder() / row["photo"]
                photo = decode_photo(path.read_bytes(), name=path.name)
                measure_vision.score_photo(look(photo, read_text=False), row, tally)
        of = tally.counts.get
        units = 2 * of("unit recalled", 0) / max(of("unit true", 0) + of("unit found", 0), 1)
        scores[_show(value)] = float(np.nanmean([units, tally.f1("connector")]))
    best = max(scores, key=lambda value: scores[value])  # the first of equals is the stored one
    tried = ", ".join(f"{value}: {score:.3f}" for value, score in scores.items())
    alike = "" if len(set(scores.values())) > 1 else f" ({_ALIKE})"
    return best, tried + alike


def find_by_training(workers: int) -> list[Line]:
    """Rule weights and the calibration curve of a matcher trained anew, beside those stored."""
    catalogue, stored = load_catalogue(default_catalogue()), load_model(default_model_path())
    learned = observed_units(demo_folder(), "train", catalogue, workers)
    held_back = observed_units(demo_folder(), "calibration", catalogue, workers)
    noise = fit_error_model(held_back, catalogue)
    found = calibrate(
        train(learned, catalogue, SEED, noise=noise, n_simulated=N_SIMULATED), held_back, catalogue
    )
    pairs = zip(stored.weights, found.weights, strict=True)
    lines = [
        Line(f"rule weight {n}", f"{a:.4f}", f"{b:.4f}", "training split and simulated units")
        for n, (a, b) in enumerate(pairs, 1)
    ]
    for f in fields(stored.calibration):
        before, after = [f"{getattr(model.calibration, f.name)}" for model in (stored, found)]
        lines.append(Line(f"calibration {f.name}", before, after, "calibration split and simulated units"))
    return lines


def find_cheap(n_photos: int = golden.N_PHOTOS) -> list[Line]:
    """All that stored observations of the golden set give, with every other constant of the table."""
    rows, seen = golden.choose_rows()[:n_photos], golden.read_seen()
    value, ranges = find_other_unit_confidence(seen, rows)
    found = {("models.unit_choice", "OTHER_UNIT_CONFIDENCE"): f"{value:g} ({ranges})"}
    catalogue, stored = load_catalogue(default_catalogue()), load_model(default_model_path()).noise
    model = fit_error_model(stored_units(seen, rows), catalogue)
    return list_constants(found) + compare_error_models(stored, model)


def main() -> None:
    """Print every constant, stored beside found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", action="store_true", help="error model from the whole calibration split")
    parser.add_argument("--look", type=int, metavar="N", help="look anew at N photos, spread evenly")
    parser.add_argument("--most", type=int, help="with --look: try no more than so many constants")
    parser.add_argument("--train", action="store_true", help="train the matcher again; minutes")
    asked = parser.parse_args()
    workers = os.cpu_count() or 1
    lines = find_cheap()
    if asked.split:
        catalogue = load_catalogue(default_catalogue())
        model = fit_error_model(observed_units(demo_folder(), "calibration", catalogue, workers), catalogue)
        lines = [line for line in lines if not line.name.startswith("error model")]
        lines += compare_error_models(load_model(default_model_path()).noise, model)
    _print(lines)
    if asked.look:
        rows = measure_vision.read_rows(demo_folder(), "calibration")
        chosen = [rows[int(k)] for k in np.linspace(0, len(rows) - 1, asked.look)]
        for one in [c for c in CONSTANTS if c.means == "look"][: asked.most]:
            best, scores = find_by_looking(one, chosen)
            _print([Line(f"{one.module}.{one.name}", _show(one.stored), best, scores)])
    if asked.train:
        _print(find_by_training(workers))


def _print(lines: Iterable[Line]) -> None:
    for line in lines:
        print(f"{line.name:48} stored {line.stored:14} found {line.found}  [{line.how}]", flush=True)


if __name__ == "__main__":
    main()
