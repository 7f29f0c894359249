"""How answers hold while a catalogue grows, in figures from simulated units.

    python -m plugface.cli.evaluation.measure_growth

One invented catalogue is taken at 14, 25, 50, 75 and 100 families (it grows in the order its families were
invented, look-alikes side by side), and units of every variant are answered from the front alone and from
front and back, beside as many unknown ones. Two models are compared: the one in use, and the same one
calibrated again at each size with a few confirmed units of each family, as `plugface learn` would.

The sizes follow a published study of used automotive cores that grew from 14 to 100 classes within a year
(from memory, no source at hand). Figures on simulated observations cannot be held against one on photos.
"""

import argparse
from collections.abc import Sequence

import numpy as np
from plugface.cli.present.terminal import percent
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.decision.answers import View
from plugface.models.identify import identify
from plugface.models.learning.classifier import Model
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.metrics import Case, share
from plugface.models.learning.simulate import draw_observations
from plugface.models.learning.training import calibrate
from plugface.models.unit_choice import ObservedUnit
from rich.console import Console
from rich.table import Table

SIZES = (14, 25, 50, 75, 100)
VIEWS: dict[str, tuple[View, ...]] = {"front": ("front",), "front and back": ("front", "back")}


def grow(whole: Catalogue, size: int) -> Catalogue:
    """The catalogue as it was when it had its first `size` families."""
    return whole.model_copy(update={"families": whole.families[:size], "sha256": f"{whole.sha256}-{size}"})


def cases_of(
    families: Sequence[Family], known: bool, catalogue: Catalogue, model: Model, views, rng, units: int
) -> list[Case]:
    """Answers for `units` simulated units of each family."""
    cases = []
    for family in families:
        for k in range(units):
            variant = family.variants[int(rng.integers(len(family.variants)))]
            seen = [draw_observations(family, variant, view, model.noise, rng) for view in views]
            cases.append(
                Case(
                    unit_id=f"{family.key} {k}",
                    views=tuple(views),
                    family=family.key if known else None,
                    variant=variant.key if known else None,
                    decision=identify(seen, catalogue, model, advise=False),
                )
            )
    return cases


def confirmed_units(catalogue: Catalogue, model: Model, rng, units: int) -> list[ObservedUnit]:
    """`units` simulated units of each family with their truth, from front and back."""
    found = []
    for family in catalogue.families:
        for k in range(units):
            variant = family.variants[k % len(family.variants)]
            seen = tuple(draw_observations(family, variant, v, model.noise, rng) for v in ("front", "back"))
            found.append(ObservedUnit(f"{family.key} {k}", seen, family.key, variant.key))
    return found


def measure_growth(
    model: Model, sizes: Sequence[int] = SIZES, *, seed: int = 1, units: int = 2, confirmed: int = 2
) -> list[tuple[int, str, str, list[float | None]]]:
    """Figures for each size, model and set of views.

    Parameters
    ----------
    units : int
        Simulated units of each family that are answered; as many unknown ones in all.
    confirmed : int
        Simulated units of each family that the second model is calibrated with.

    Returns
    -------
    rows : list of (families, model, views, figures)
        Figures as in `FIGURES`: shares of units.
    """
    whole, unknown = invent_catalogue(max(sizes), seed), invent_catalogue(max(sizes), seed + 1000)
    rows = []
    for size in sizes:
        catalogue = grow(whole, size)
        held = confirmed_units(catalogue, model, np.random.default_rng([seed, size]), confirmed)
        models = {"as it came": model, "calibrated again": calibrate(model, held, catalogue)}
        for name, one in models.items():
            for caption, views in VIEWS.items():
                rng = np.random.default_rng([seed, size, len(views)])
                known = cases_of(catalogue.families, True, catalogue, one, views, rng, units)
                foreign = cases_of(unknown.families[:size], False, catalogue, one, views, rng, units)
                rows.append((size, name, caption, figures_of(known, foreign)))
    return rows


FIGURES = ("family right", "variant right", "accepted", "wrong", "unknown accepted")


def figures_of(known: list[Case], unknown: list[Case]) -> list[float | None]:
    """Shares in the order of FIGURES."""
    return [
        share("", known, lambda c: c.right).value,
        share("", known, lambda c: c.variant_right).value,
        share("", known, lambda c: c.accepted).value,
        share("", known, lambda c: c.wrongly_accepted).value,
        share("", unknown, lambda c: c.accepted).value,
    ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m plugface.cli.evaluation.measure_growth", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--units", type=int, default=2, help="simulated units of each family")
    parser.add_argument("--confirmed", type=int, default=2, help="confirmed units of each family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    asked = parser.parse_args()
    model = default_model()
    table = Table(box=None, padding=(0, 1), pad_edge=False)
    for caption in ("families", "model", "photos", *FIGURES):
        table.add_column(caption, justify="left" if caption in ("model", "photos") else "right")
    rows = measure_growth(model, asked.sizes, seed=asked.seed, units=asked.units, confirmed=asked.confirmed)
    for size, name, views, figures in rows:
        shown = ["" if value is None else percent(value) for value in figures]
        table.add_row(str(size), name, views, *shown)
    console = Console(highlight=False)
    console.print(table)
    console.print(
        f"Model {model.version}; errors of observation: {model.noise.basis}; "
        f"{asked.units} units of each family, as many unknown ones."
    )


if __name__ == "__main__":
    main()
