"""Hold what 60 photos of the calibration split give at each stage: it may get better, not worse.

    python -m plugface.cli.evaluation.golden            # counts now beside those held; 1 if any is worse
    python -m plugface.cli.evaluation.golden --record   # the same, then hold the counts of now

Held are the counts of each photo and, beside them, what was seen in it, so that a test can hold all verdicts
without looking at one photo. The photos are spread evenly over the split; each is decided by itself, and one
of several units is not decided.
"""

import argparse
import json
import os
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from plugface.cli.evaluation import measure_text, measure_vision, real_ratchet
from plugface.cli.evaluation.kept_observations import Look, observe_all
from plugface.cli.evaluation.measure_vision import Tally, read_rows
from plugface.cli.settings import cache_folder, default_catalogue, demo_folder
from plugface.codec import read_observations, write_observations
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.identify import identify
from plugface.models.learning.classifier import Model, default_model_path, load_model
from plugface.models.unit_choice import MostProminent
from plugface.vision.observations import Observations

N_PHOTOS = 60

#: Counts of each stage, and whether more of it is better.
VISION_STAGES = {
    "units": True,
    "plugs": True,
    "colours": True,
    "orders": True,
    "lines": True,
    "codes": True,
    "things called a unit": False,
    "things called a plug": False,
    "codes misread": False,
}
MODEL_STAGES = {"verdicts": True, "variants": True, "accepted and wrong": False}
STAGES = VISION_STAGES | MODEL_STAGES

Counts = dict[str, int]


def golden_folder() -> Path:
    """Where the counts and what was seen are held: beside the tests."""
    return demo_folder().parent / "tests" / "golden"


def choose_rows() -> list[dict]:
    """Truth of the golden set's photos: spread evenly over the calibration split."""
    rows = read_rows(demo_folder(), "calibration")
    return [rows[int(k)] for k in np.linspace(0, len(rows) - 1, N_PHOTOS)]


def count_seen(seen: Observations, row: dict) -> Counts:
    """What is right and wrong in one photo's observations, by stage."""
    tally = Tally()
    measure_vision.score_photo(seen, row, tally)
    texts = [text for unit in seen.units for text in unit.texts] + list(seen.texts)
    codes = [code for unit in seen.units for code in unit.codes] + list(seen.codes)
    read: dict[str, int] = {"lines": 0, "codes": 0, "codes misread": 0}
    for name, scores in measure_text.score_photo(row, texts, codes).items():
        right = sum(int(one) for one, _ in scores)
        if name == "codes that are wrong":
            read["codes misread"] += right
        elif name.startswith("code"):
            read["codes"] += right
        elif "characters" not in name:
            read["lines"] += right
    of = tally.counts.get
    return {
        "units": of("unit recalled", 0),
        "plugs": of("connector hit", 0),
        "colours": of("colour right", 0),
        "orders": of("order right", 0),
        "things called a unit": of("unit found", 0) - of("unit precise", 0),
        "things called a plug": of("connector found", 0) - of("connector hit", 0),
        **read,
    }


def count_decided(seen: Observations, row: dict, catalogue: Catalogue, model: Model) -> Counts:
    """Whether one photo's verdict and variant are right; nothing of several units.

    A verdict is right that names the family of a known unit, or names none for what the catalogue does not
    hold. To be unsure of a known unit is not right, and it is not wrong either.
    """
    none = dict.fromkeys(MODEL_STAGES, 0)
    if len(row["units"]) > 1:
        return none
    decision = identify([seen], catalogue, model, chosen=[MostProminent()], advise=False)
    truth = row["units"][0] if row["units"] else None
    known = truth is not None and truth["known"] and truth["family"] in catalogue.by_key
    named = decision.families[0] if decision.verdict == "identified" else None
    right = named == (truth["family"] if truth and known else None)
    variant = truth is not None and known and right and decision.variants == (truth["variant"],)
    return {"verdicts": int(right), "variants": int(variant), "accepted and wrong": int(bool(named) > right)}


def count_all(seen: dict[str, Observations], rows: Iterable[dict]) -> dict[str, Counts]:
    """Counts of every stage for each photo, by its path."""
    catalogue, model = load_catalogue(default_catalogue()), load_model(default_model_path())
    return {
        row["photo"]: count_seen(seen[row["photo"]], row)
        | count_decided(seen[row["photo"]], row, catalogue, model)
        for row in rows
    }


def add_up(counts: dict[str, Counts], photos: Iterable[str] | None = None) -> Counts:
    """Totals by stage, over all photos or those named."""
    chosen = counts if photos is None else {photo: counts[photo] for photo in photos}
    return {stage: sum(one.get(stage, 0) for one in chosen.values()) for stage in STAGES}


def find_worse(now: Counts, held: Counts) -> list[str]:
    """Stages that are worse than held, in words."""
    return real_ratchet.find_worse(now, held, STAGES)


def read_held() -> dict[str, Counts]:
    """The counts of each photo as they were recorded; empty where none were."""
    try:
        return json.loads((golden_folder() / "counts.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}


def read_seen() -> dict[str, Observations]:
    """What was seen in each photo when the counts were recorded."""
    lines = (golden_folder() / "observations.jsonl").read_text(encoding="utf-8").splitlines()
    documents = [json.loads(line) for line in lines]
    return {one["photo"]: read_observations(json.dumps(one["seen"])) for one in documents}


def record(seen: dict[str, Observations], counts: dict[str, Counts]) -> None:
    """Hold the counts of now, and what was seen."""
    folder = golden_folder()
    folder.mkdir(parents=True, exist_ok=True)
    lines = [f"{json.dumps(photo)}: {json.dumps(counts[photo])}" for photo in counts]
    (folder / "counts.json").write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    kept = [
        json.dumps({"photo": photo, "seen": json.loads(write_observations(seen[photo]))}) for photo in counts
    ]
    (folder / "observations.jsonl").write_text("\n".join(kept) + "\n", encoding="utf-8")


def main(words: list[str] | None = None) -> None:
    """Print old and new counts; hold the new ones if asked."""
    parser = argparse.ArgumentParser(prog="golden", description=__doc__.split("\n")[0])
    parser.add_argument("--record", action="store_true", help="hold the counts of now")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes that look")
    options = parser.parse_args(words)
    rows = choose_rows()
    looks = {row["photo"]: Look(demo_folder() / row["photo"]) for row in rows}
    found = observe_all(looks.values(), cache_folder(), workers=options.workers)
    seen = {photo: found[look] for photo, look in looks.items()}
    counts, held = count_all(seen, rows), read_held()
    now, before = add_up(counts), add_up(held)
    print(f"{len(rows)} photos{'':14s}   old   new")
    for stage in STAGES:
        print(f"{stage:24s} {before[stage] if held else '-':>5} {now[stage]:>5}")
    for photo in counts:
        for line in find_worse(counts[photo], held.get(photo, {})):
            print(f"{photo}: {line}")
    if options.record:
        record(seen, counts)
        print(f"held in {golden_folder()}")
        return
    worse = find_worse(now, before) if held else ["nothing is held yet; record first"]
    for line in worse:
        print(f"worse: {line}")
    if worse:
        sys.exit(1)


if __name__ == "__main__":
    main()
