"""Make the model that comes with the program: `python -m plugface.cli.evaluation.train_matcher`.

With `--check` it trains nothing: it says whether that model was trained on what is seen in the photos today,
and leaves with 1 where it was not. Then `plugface learn` with nothing new gives another model.

It learns from the demo's training split and simulated units. It is calibrated on the calibration split, and
on the training split by trees that had not seen the unit. The test split and the photos of the makers for
testing alone are not looked at.
"""

import argparse
import hashlib
import os
import sys
from collections.abc import Iterable
from dataclasses import replace
from itertools import count
from pathlib import Path

from plugface.cli.evaluation.kept_observations import Look, observe_all
from plugface.cli.evaluation.truth import group_by_unit, read_truth
from plugface.cli.settings import N_SIMULATED, Split, cache_folder, default_catalogue, demo_folder
from plugface.codec import write_observations
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.learning.classifier import Model, default_model_path, load_model, save_model
from plugface.models.learning.training import Told, train_crossed
from plugface.models.matching.error_model_fit import fit_error_model
from plugface.models.unit_choice import ObservedUnit
from rich.console import Console

#: Of three (at noon of 2026-11-30, and again in its evening, on what was seen then) that with which most
#: cases are accepted by trees that had not seen their unit.
SEED = 20261130


def observed_units(
    folder: Path, split: Split, catalogue: Catalogue, workers: int, tell: Told = lambda *_: None
) -> list[ObservedUnit]:
    """Units of a split with what is seen in their photos; unknown ones and photos of none have no family."""
    groups = group_by_unit(read_truth(folder, split))
    looks = {row: Look(folder / row.photo) for group in groups.values() for row in group}
    counted = count(1)
    seen = observe_all(
        looks.values(),
        cache_folder(),
        workers=workers,
        done=lambda: tell(f"looking at the {split} photos", next(counted), len(looks)),
    )
    units = []
    for unit_id, group in groups.items():
        truth = group[0].units[0] if group[0].units else None
        known = truth is not None and truth.known and truth.family in catalogue.by_key
        units.append(
            ObservedUnit(
                unit_id=unit_id,
                observations=tuple(seen[looks[row]] for row in group),
                family=truth.family if truth and known else None,
                variant=truth.variant if truth and known else None,
            )
        )
    return units


def digest_looks(units: Iterable[ObservedUnit]) -> str:
    """SHA-256 of what was seen in the photos of these units, whatever their order."""
    seen = sorted(write_observations(one) for unit in units for one in unit.observations)
    return hashlib.sha256("\n".join(seen).encode()).hexdigest()


def say_looks(model: Model, demo: Iterable[ObservedUnit]) -> Model:
    """The same model; what it says of itself holds what was seen in the demo's photos when it was made."""
    return replace(model, about={**model.about, "demo_looks_sha256": digest_looks(demo)})


def is_seen_otherwise(former: Model, model: Model) -> bool:
    """Whether the demo's photos were seen otherwise when the former was made, or it does not say how."""
    return former.about.get("demo_looks_sha256") != model.about["demo_looks_sha256"]


def check_default(workers: int) -> bool:
    """Whether the model that comes along was trained on what is seen today; says so."""
    catalogue, model = load_catalogue(default_catalogue()), load_model(default_model_path())
    splits: tuple[Split, ...] = ("train", "calibration")
    units = [u for split in splits for u in observed_units(demo_folder(), split, catalogue, workers)]
    good = not is_seen_otherwise(model, say_looks(model, units))
    state = "was trained on" if good else "was not trained on"
    print(f"Model {model.version} {state} what is seen in the demo's photos today.")
    return good


def train_default(workers: int) -> None:
    """Train, calibrate and save; say what was used."""
    console = Console(stderr=True, highlight=False)
    catalogue = load_catalogue(default_catalogue())
    console.print("Looking at the training and calibration photos")
    learned = observed_units(demo_folder(), "train", catalogue, workers)
    held_back = observed_units(demo_folder(), "calibration", catalogue, workers)
    console.print(f"Training on {len(learned)} units, calibrating on {len(held_back)}")
    # The segmenter learned from the training photos: how it errs is measured on others.
    noise = fit_error_model(held_back, catalogue)
    model = train_crossed(learned, held_back, catalogue, SEED, noise=noise, n_simulated=N_SIMULATED)
    save_model(say_looks(model, learned + held_back), default_model_path())
    console.print(f"Saved {default_model_path()}")


def main() -> None:
    """Train, or check; a question for help does neither."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="train nothing: was it trained on today's looks")
    asked, workers = parser.parse_args(), os.cpu_count() or 1
    if not asked.check:
        train_default(workers)
    elif not check_default(workers):
        sys.exit(1)


if __name__ == "__main__":
    main()
