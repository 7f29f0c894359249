"""What a larger catalogue costs: seconds to load it and to answer one photo.

    python -m plugface.cli.evaluation.bench_scale

Invented catalogues of growing size are written as TOML files, read again, and asked about simulated photos;
nothing is looked at, so the time of an answer is all that the catalogue adds to a photo. The first answer
after loading also builds the arrays (index) that all later ones use.
"""

import argparse
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import rtoml
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.catalogue.index import index_catalogue
from plugface.models.decision.answers import View
from plugface.models.identify import identify
from plugface.models.learning.classifier import Model
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from rich.console import Console
from rich.table import Table

SIZES = (14, 50, 100, 250, 500, 1000, 2000)
GOAL_FAMILIES, GOAL_LOAD_S, GOAL_ANSWER_S = 2000, 0.4, 0.1


class Cost(NamedTuple):
    """Seconds for a catalogue of one size; medians."""

    families: int
    load_s: float
    index_s: float
    front_s: float
    back_s: float


def write_catalogue(catalogue: Catalogue, folder: Path) -> None:
    """Write a catalogue as its folder of files."""
    folder.mkdir(parents=True)
    entries = {"catalogue": catalogue.head} | {
        f"family_{number:05d}": family for number, family in enumerate(catalogue.families)
    }
    for name, entry in entries.items():
        plain = entry.model_dump(mode="json", exclude_none=True)
        (folder / f"{name}.toml").write_text(rtoml.dumps(plain), encoding="utf-8")


def measure_cost(n_families: int, folder: Path, model: Model, *, photos: int = 10, seed: int = 1) -> Cost:
    """Seconds for one size of catalogue.

    Parameters
    ----------
    folder : Path
        Where the catalogue is written to; must not exist.
    photos : int
        Simulated photos that are answered, of each face.
    """
    write_catalogue(invent_catalogue(n_families, seed), folder)
    loads = []
    for _ in range(3):
        started = time.perf_counter()
        catalogue = load_catalogue(folder)
        loads.append(time.perf_counter() - started)
    started = time.perf_counter()
    index_catalogue(catalogue)
    indexed = time.perf_counter() - started
    rng = np.random.default_rng(seed)
    spent: dict[View, list[float]] = {"front": [], "back": []}
    for view, times in spent.items():
        for _ in range(photos):
            family = catalogue.families[int(rng.integers(n_families))]
            seen = draw_observations(family, family.variants[0], view, model.noise, rng)
            started = time.perf_counter()
            identify([seen], catalogue, model)
            times.append(time.perf_counter() - started)
    return Cost(n_families, statistics.median(loads), indexed, *map(statistics.median, spent.values()))


def draw_curve(costs: Sequence[Cost], path: Path) -> None:
    """Growth curve as PNG: seconds against families, both logarithmic, with the two goals."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6, 4.4), layout="constrained")
    axes = figure.add_subplot()
    sizes = [cost.families for cost in costs]
    for name, caption in (("load_s", "load"), ("front_s", "answer, front"), ("back_s", "answer, back")):
        axes.loglog(sizes, [getattr(cost, name) for cost in costs], marker="o", label=caption)
    for goal, caption in ((GOAL_LOAD_S, "load in under 0.4 s"), (GOAL_ANSWER_S, "answer in under 0.1 s")):
        axes.plot([GOAL_FAMILIES], [goal], marker="v", linestyle="", color="0.3")
        axes.annotate(caption, (GOAL_FAMILIES, goal), ha="right", va="bottom", fontsize=8)
    axes.set_xlabel("families in the catalogue")
    axes.set_ylabel("seconds")
    axes.legend()
    figure.savefig(path, dpi=150)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m plugface.cli.evaluation.bench_scale", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--photos", type=int, default=10)
    parser.add_argument("--picture", type=Path, help="growth curve (.png)")
    asked = parser.parse_args()
    model, costs = default_model(), []
    table = Table(box=None, padding=(0, 2), pad_edge=False)
    for caption in ("families", "load s", "index s", "answer s, front", "answer s, back"):
        table.add_column(caption, justify="right")
    with tempfile.TemporaryDirectory() as scratch:
        measure_cost(14, Path(scratch) / "warm", model, photos=2)  # imports and caches are no one's growth
        for size in asked.sizes:
            costs.append(measure_cost(size, Path(scratch) / str(size), model, photos=asked.photos))
            table.add_row(str(size), *(f"{seconds:.3f}" for seconds in costs[-1][1:]))
    Console(highlight=False).print(table)
    if asked.picture:
        draw_curve(costs, asked.picture)
        print(f"Growth curve: {asked.picture}")


if __name__ == "__main__":
    main()
