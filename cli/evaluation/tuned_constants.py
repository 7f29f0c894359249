"""Every tuned constant of vision/ and models/: where it came from, and what its photos give for it now.

    python -m plugface.cli.evaluation.tuned_constants                    # from what is stored, seconds
    python -m plugface.cli.evaluation.tuned_constants --split            # from the whole calibration split
    python -m plugface.cli.evaluation.tuned_constants --look             # tries neighbours on the whole split
    python -m plugface.cli.evaluation.tuned_constants --look 12 --only WHOLE_PX TEMPERATURE
    python -m plugface.cli.evaluation.tuned_constants --train            # trains the matcher again, minutes

Stored values are read from the code. No code is written: a difference is shown for a person to judge. What
has no rule here that gives it again says why. Looking takes four processor seconds a photo for all constants;
what was counted is kept in the user's cache, so a run that was cut off, or ended by `--minutes`, goes on.
"""

import argparse
import math
import os
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from importlib import import_module
from pathlib import Path
from typing import Any, Literal

import numpy as np
from plugface.cli.evaluation import constant_trials, golden, measure_vision
from plugface.cli.evaluation.constant_trials import Criterion, Trial, Tried
from plugface.cli.evaluation.measure_vision import match
from plugface.cli.evaluation.train_matcher import N_SIMULATED, SEED, observed_units
from plugface.cli.settings import cache_folder, default_catalogue, demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.training import train_crossed
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.error_model_fit import fit_error_model
from plugface.models.matching.rules import rule_names
from plugface.models.unit_choice import ObservedUnit
from plugface.vision.detection.instances import Clustering
from plugface.vision.observations import Observations

Means = Literal["observations", "look", "none"]

_OUR_RENDERS = "its renders of drawn units are held back and are not in the project"
_REAL = "its real photographs are not in the project; `measure_real` with them gives the figures"
_VERIFIER = "its real photographs are not in the project; `fit_verifier` with them gives it"
_COUNTED = "counted once on marks and labels, with a reader opened up; no rule chooses it"
_OURS = "our choice, as its comment says; no photos chose it"
_ALIKE = "all values tried do equally well on these photos"

_UNITS = Criterion("F1 of units", constant_trials.score_units)
_PLUGS = Criterion("F1 of plugs", constant_trials.score_plugs)
_BOTH = Criterion("mean F1 of units and plugs", constant_trials.score_both)
_SURE_AND_WRONG = Criterion(
    "least at which 0.5 % of the housings found are wrong with more than 0.9",
    constant_trials.score_sure_and_wrong,
    limit=0.005,
)


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
    #: What chooses among them.
    criterion: Criterion = _BOTH

    @property
    def stored(self) -> Any:
        """The code's value."""
        return getattr(import_module(f"plugface.{self.module}"), self.name)

    @property
    def full_name(self) -> str:
        """Module and name."""
        return f"{self.module}.{self.name}"

    @property
    def trials(self) -> tuple[Trial, ...]:
        """The neighbours, where they are read."""
        others = [value for value in dict.fromkeys(self.tried) if value != self.stored]
        return tuple(Trial(self.read_in or self.module, self.name, value) for value in others)


def _clusterings(stored: Clustering) -> tuple[Clustering, ...]:
    return tuple(
        replace(stored, seen=stored.seen + step, settled=stored.settled + step) for step in (-0.2, 0.2)
    )


#: All of them; a test looks for comments that speak of a calibration and whose constant is not here.
CONSTANTS = (
    Constant(
        "models.unit_choice",
        "OTHER_UNIT_CONFIDENCE",
        "a step of 0.05 below what every unit reaches (0.77, on a golden photo)",
        "observations",
    ),
    Constant(
        "vision.detection.units",
        "MIN_CONFIDENCE",
        "calibration split, by the F1 of units; here among neighbours",
        "look",
        tried=(0.5, 0.6, 0.7, 0.8),
        criterion=_UNITS,
    ),
    Constant(
        "vision.detection.units",
        "CLUSTERING",
        "the same",
        "look",
        tried=_clusterings(Clustering(0.4, 0.05, 0.4)),
        criterion=_UNITS,
    ),
    Constant(
        "vision.detection.connectors",
        "MIN_CONFIDENCE",
        "calibration split, by the F1 of plugs; here among neighbours",
        "look",
        tried=(0.65, 0.75, 0.85, 0.9),
        criterion=_PLUGS,
    ),
    Constant(
        "vision.detection.connectors",
        "CLUSTERING",
        "calibration split; here by the F1 of plugs among neighbours",
        "look",
        tried=_clusterings(Clustering(0.6, 0.15, 0.6)),
        criterion=_PLUGS,
    ),
    Constant(
        "vision.observations",
        "MIN_AREA_RATIO",
        "calibration split; here by the F1 of units among neighbours",
        "look",
        tried=(0.03, 0.045, 0.09, 0.12),
        read_in="vision.observe",
        criterion=_UNITS,
    ),
    Constant(
        "vision.observe",
        "WHOLE_PX",
        "calibration split; here by the mean F1 of units and plugs",
        "look",
        tried=(448, 576),
    ),
    Constant(
        "vision.observe",
        "CLOSE_PX",
        "no source stated in the code; here by the mean F1 of units and plugs",
        "look",
        tried=(320, 448),
    ),
    Constant(
        "vision.colour.naming",
        "TEMPERATURE",
        "least at which 0.5 % of drawn housings are wrong with more than 0.9; here of the split's, whose "
        "families the network has learned: it may not be less, and may have to be more",
        "look",
        tried=(0.8, 1.0, 1.2, 1.4, 1.6),
        criterion=_SURE_AND_WRONG,
    ),
    Constant(
        "vision.colour.naming", "UNANCHORED_SHARE", "grey and white plugs painted over", "none", _OUR_RENDERS
    ),
    Constant(
        "vision.colour.naming", "WHITE_GREY_WEIGHT", "grey and white plugs painted over", "none", _OUR_RENDERS
    ),
    Constant(
        "vision.detection.connectors", "MIN_LOOSE_CONFIDENCE", "real photographs, calibration", "none", _REAL
    ),
    Constant("vision.detection.connectors", "VERIFIED", "real photographs, calibration", "none", _VERIFIER),
    Constant(
        "vision.detection.connectors",
        "MIN_VERIFIED_CONFIDENCE",
        "real photographs, calibration",
        "none",
        _VERIFIER,
    ),
    Constant("vision.detection.connectors", "ON_UNIT_VERIFIED", "both calibration splits", "none", _VERIFIER),
    Constant(
        "vision.detection.connectors", "MIN_ON_UNIT_VERIFIED", "both calibration splits", "none", _VERIFIER
    ),
    Constant("models.decision.findings", "SURE_COLOUR", "our choice", "none", _OURS),
    Constant("vision.detection.connectors", "REPEATED", "real photographs, calibration", "none", _REAL),
    Constant("vision.detection.connectors", "MIN_REPEATED", "real photographs, calibration", "none", _REAL),
    Constant("vision.detection.connectors", "_STAYS", "real photographs, calibration", "none", _REAL),
    Constant("vision.detection.connectors", "_TRACE", "both calibration splits", "none", _REAL),
    Constant("vision.detection.connectors", "_ALL_BUT_THE_SAME", "our choice", "none", _OURS),
    Constant("vision.detection.repeats", "MIN_LIKENESS", "real photographs, calibration", "none", _REAL),
    Constant("vision.detection.repeats", "SEARCHED_PX", "real photographs, calibration", "none", _REAL),
    Constant("vision.detection.repeats", "ACROSS", "both calibration splits", "none", _REAL),
    Constant("vision.detection.units", "VERIFIED", "both calibration splits", "none", _VERIFIER),
    Constant(
        "vision.detection.verifier", "_WORTH_TURNING", "real photographs, calibration", "none", _VERIFIER
    ),
    Constant(
        "vision.detection.units", "MIN_VERIFIED_CONFIDENCE", "both calibration splits", "none", _VERIFIER
    ),
    Constant(
        "vision.detection.units", "MIN_FINE_CONFIDENCE", "real photographs, calibration", "none", _VERIFIER
    ),
    Constant("vision.observe", "COARSE_PX", "real photographs, calibration", "none", _REAL),
    Constant("vision.observe", "FINE_PX", "real photographs, calibration", "none", _REAL),
    Constant("vision.detection.connectors", "VERIFIER_COLOUR", "both calibration splits", "none", _REAL),
    Constant(
        "vision.detection.segmenter",
        "N_AUGMENTATIONS",
        "calibration split",
        "none",
        "`measure_vision --augmentations 4 2 1` sets them side by side; speed decides too",
    ),
    Constant(
        "vision.detection.order", "_NEARLY_LEVEL_DEG", "true outlines and renders", "none", _OUR_RENDERS
    ),
    Constant("vision.quality", "DARK_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "BURNT_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "GLARE_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "BLUR_LIMIT", "our choice", "none", _OURS),
    Constant("vision.quality", "_FEWEST_EDGES", "train and calibration, demo and real", "none", _REAL),
    Constant("vision.quality", "_ONE_SHADE", "our choice", "none", _OURS),
    Constant("vision.quality", "SMALL_LIMIT_PX", "our choice", "none", _OURS),
    Constant("vision.quality", "COLOURLESS_LIMIT", "demo and 57 real photos", "none", _REAL),
    Constant("vision.quality", "TINTED_LIMIT", "demo and 57 real photos", "none", _REAL),
    Constant("vision.quality", "STRONG_TINT", "our choice", "none", _OURS),
    Constant("vision.ocr.unit_texts", "MIN_CONFIDENCE", "readings of bars and rims", "none", _COUNTED),
    Constant("vision.ocr.unit_texts", "_ENDS", "marks, training and calibration", "none", _COUNTED),
    Constant("vision.ocr.label_text", "SECOND_READER_WEIGHT", "our choice, on drawn labels", "none", _OURS),
    Constant("vision.ocr.label_text", "_MAX_GAP", "49 pairs, real training, calibration", "none", _REAL),
    Constant("vision.ocr.cast_marks", "_SETTLES", "38 marks, calibration", "none", _COUNTED),
    Constant("vision.ocr.cast_marks", "_SETTLES_LENGTH", "38 marks, calibration", "none", _COUNTED),
    Constant("vision.ocr.cast_marks", "_TELLS_WAY", "446 marks", "none", _COUNTED),
    Constant("vision.ocr.text_boxes", "STUBBY", "our choice", "none", _OURS),
    Constant("vision.ocr.text_boxes", "_TRACE", "small print, calibration", "none", _COUNTED),
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
        "OBSERVED_COUNT",
        "train and calibration, by cross-validation",
        "none",
        "each value tried takes sixteen trainings; `train_matcher` makes one model",
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
    if isinstance(value, tuple):
        return "/".join(f"{each:g}" for each in value)
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


def choose_constants(names: Sequence[str]) -> list[Constant]:
    """Those found by looking: all, or the ones named, by the end of their full name.

    Raises
    ------
    ValueError
        If none has such a name.
    """
    every = [one for one in CONSTANTS if one.means == "look"]
    chosen = []
    for one in every:
        if not names or any(f".{one.full_name}".endswith(f".{name}") for name in names):
            chosen.append(one)
    for name in names:
        if not any(f".{one.full_name}".endswith(f".{name}") for one in chosen):
            known = ", ".join(one.full_name for one in every)
            raise ValueError(f"no constant found by looking is called {name}; there are {known}")
    return chosen


def judge(constant: Constant, tried: Tried) -> Line:
    """What photos gave for a constant: its value by its own criterion, and the score of each."""
    tallies = {constant.stored: tried.tallies[None]}  # first, so that of equals it stays
    tallies |= {trial.value: tried.tallies[trial] for trial in constant.trials}
    of = constant.criterion
    scores = {value: of.score(tally) for value, tally in tallies.items()}
    best = of.choose(tallies)
    found = "none tried" if best is None else _show(best)
    if best is not None and of.limit is not None:
        found = f"{found} or more"
    shown = ", ".join(f"{_show(value)}: {score:.4f}" for value, score in scores.items())
    alike = "" if len(set(scores.values())) > 1 else f" ({_ALIKE})"
    seconds = sum(tried.seconds[trial] for trial in constant.trials)
    how = f"{of.words}: {shown}{alike}; {tried.photos} photos, {seconds:.0f} processor seconds"
    return Line(constant.full_name, _show(constant.stored), found, how)


def find_by_looking(
    constants: Sequence[Constant],
    rows: Sequence[dict],
    folder: Path,
    *,
    workers: int,
    minutes: float = math.inf,
) -> list[Line]:
    """Look at photos with the stored values and their neighbours; what each constant's criterion chooses.

    Parameters
    ----------
    constants : sequence of Constant
    rows : sequence of dict
        Truth of the photos.
    folder : Path
        With the photos that the rows name.
    workers : int
        Processes.
    minutes : float
        After these no more photos are begun.

    Returns
    -------
    lines : list of Line
    """
    tell = Progress()
    trials = dict.fromkeys(trial for one in constants for trial in one.trials)
    tried = constant_trials.try_on_photos(
        folder,
        rows,
        trials,
        kept=cache_folder(),
        workers=workers,
        minutes=minutes,
        done=lambda n: tell(f"looking with {len(trials) + 1} settings", n, len(rows)),
    )
    if tried.photos < len(rows):
        tell.say(f"{tried.photos} of {len(rows)} photos; the same command goes on with the rest")
    tell.say(f"as stored: {tried.seconds[None]:.0f} processor seconds")
    return [judge(one, tried) for one in constants]


class Progress:
    """Says on standard error how far a step is, every few seconds, and how long it took."""

    EVERY_S = 5.0

    def __init__(self) -> None:
        self.began = self.said = time.monotonic()

    def __call__(self, what: str, done: int, of: int) -> None:
        """Told what is being done, and how many of how many."""
        now = time.monotonic()
        if done >= of or now - self.said >= self.EVERY_S:
            self.said = now
            self.say(f"{what}: {done} of {of}")

    def say(self, words: str) -> None:
        """Say it, with the seconds since the beginning."""
        print(f"{time.monotonic() - self.began:6.0f} s  {words}", file=sys.stderr, flush=True)


def find_by_training(workers: int, n_simulated: int = N_SIMULATED) -> list[Line]:
    """Rule weights and the calibration curve of a matcher trained anew, beside those stored.

    Photos that were looked at before, by `train_matcher` say, are not looked at again.

    Parameters
    ----------
    workers : int
        Processes that look at photos.
    n_simulated : int
        Units drawn by chance to learn from.

    Returns
    -------
    lines : list of Line
    """
    tell = Progress()
    catalogue, stored = load_catalogue(default_catalogue()), load_model(default_model_path())
    learned = observed_units(demo_folder(), "train", catalogue, workers, tell)
    held_back = observed_units(demo_folder(), "calibration", catalogue, workers, tell)
    noise = fit_error_model(held_back, catalogue)
    found = train_crossed(
        learned, held_back, catalogue, SEED, noise=noise, n_simulated=n_simulated, tell=tell
    )
    tell.say("trained")
    pairs = zip(rule_names(), stored.weights, found.weights, strict=True)
    lines = [
        Line(f"rule weight {name}", f"{a:.4f}", f"{b:.4f}", "training split and simulated units")
        for name, a, b in pairs
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
    parser.add_argument(
        "--look",
        type=int,
        nargs="?",
        const=0,
        metavar="N",
        help="look at all photos, or at N spread evenly",
    )
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME", help="with --look: these constants")
    parser.add_argument("--minutes", type=float, default=math.inf, help="with --look: then begin no more")
    parser.add_argument("--train", action="store_true", help="train the matcher again; minutes")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes that look")
    asked = parser.parse_args()
    try:
        constants = choose_constants(asked.only)
    except ValueError as error:
        parser.error(str(error))
    if asked.look is None and not asked.train:
        lines = find_cheap()
        if asked.split:
            catalogue = load_catalogue(default_catalogue())
            units = observed_units(demo_folder(), "calibration", catalogue, asked.workers, Progress())
            model = fit_error_model(units, catalogue)
            lines = [line for line in lines if not line.name.startswith("error model")]
            lines += compare_error_models(load_model(default_model_path()).noise, model)
        _print(lines)
    if asked.look is not None:
        rows = spread(measure_vision.read_rows(demo_folder(), "calibration"), asked.look)
        _print(find_by_looking(constants, rows, demo_folder(), workers=asked.workers, minutes=asked.minutes))
    if asked.train:
        _print(find_by_training(asked.workers))


def spread(rows: list[dict], n: int) -> list[dict]:
    """So many rows, spread evenly, or all for 0; in an order in which the first ones are spread as well."""
    chosen = [rows[int(k)] for k in np.linspace(0, len(rows) - 1, min(n, len(rows)))] if n else rows
    return [chosen[int(k)] for k in np.random.default_rng(SEED).permutation(len(chosen))]


def _print(lines: Iterable[Line]) -> None:
    for line in lines:
        print(f"{line.name:48} stored {line.stored:14} found {line.found}  [{line.how}]", flush=True)


if __name__ == "__main__":
    main()
