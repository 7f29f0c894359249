"""What a catalogue cannot tell apart, before any photo is taken: confusion expected from simulated units."""

from dataclasses import dataclass

import numpy as np

from models.answers import View
from models.catalogue import Catalogue, Family
from models.catalogue_index import index_families
from models.classifier import Model, predict
from models.costs import Costs
from models.fusion import fuse_views
from models.noise import ObservationNoise
from models.rules import fit_view
from models.simulate import draw_observations
from models.variants import judge_variants
from models.views import gather_views

#: View sets that are played through.
VIEW_SETS: dict[str, tuple[View, ...]] = {
    "front": ("front",),
    "back": ("back",),
    "both": ("front", "back"),
}

#: A pair is worth a word of advice from this expected share of confusion on (our choice).
ADVICE_SHARE = 0.02


@dataclass(frozen=True)
class Confusion:
    """Mean probability that a unit of one variant (row) gets for each variant (column)."""

    names: tuple[str, ...]  # "FAMILY VARIANT", rows and columns
    share: np.ndarray  # float (n, n); a row sums to 1 less what 'none of these' and unlisted numbers get
    accepted_wrong: float  # share of draws in which a wrong family or variant would be accepted


@dataclass(frozen=True)
class Separability:
    """Expected confusion by view set, and what to do about it."""

    front: Confusion
    back: Confusion
    both: Confusion
    advice: tuple[str, ...]


def separability(
    catalogue: Catalogue, model: Model, seed: int, draws: int = 20, noise: ObservationNoise | None = None
) -> Separability:
    """Draw units of every variant and see what they would be taken for.

    Parameters
    ----------
    catalogue : Catalogue
    model : Model
        Its noise is used unless another is given.
    seed : int
    draws : int
        Units drawn for each variant and view set.
    """
    noise = noise or model.noise
    tables = {
        name: _confuse(catalogue.families, views, model, noise, np.random.default_rng([seed, k]), draws)
        for k, (name, views) in enumerate(VIEW_SETS.items())
    }
    return Separability(**tables, advice=_advise(catalogue, tables))


def _confuse(families: tuple[Family, ...], views, model: Model, noise, rng, draws: int) -> Confusion:
    index, costs = index_families(families), Costs()
    columns = [(f, v) for f in families for v in f.variants]
    share, wrong = np.zeros((len(columns), len(columns))), 0
    start = np.cumsum([0] + [len(f.variants) for f in families])
    for row, (family, variant) in enumerate(columns):
        seen = [
            gather_views([draw_observations(family, variant, v, noise, rng) for v in views])
            for _ in range(draws)
        ]
        cases = [fuse_views([fit_view(view, index, noise) for view in unit]) for unit in seen]
        for unit, posterior in zip(seen, predict(model, cases), strict=True):
            chances = np.zeros(len(columns))
            for k in np.flatnonzero(posterior.families > 1e-4):
                judged = judge_variants(families[k], unit, noise)
                chances[start[k] : start[k + 1]] = posterior.families[k] * judged.chances
            share[row] += chances / draws
            best = int(chances.argmax())
            wrong += chances[best] >= costs.accept_at and best != row
    names = tuple(f"{f.key} {v.key}" for f, v in columns)
    return Confusion(names, share, wrong / (draws * len(columns)))


def _advise(catalogue: Catalogue, tables: dict[str, Confusion]) -> tuple[str, ...]:
    """One sentence for each pair that the front cannot tell apart, and what would."""
    names = tables["front"].names
    owner = [f.key for f in catalogue.families for _ in f.variants]
    advice = []
    for a in range(len(names)):
        for b in range(a + 1, len(names)):
            mixed = {k: max(t.share[a, b], t.share[b, a]) for k, t in tables.items()}
            if mixed["front"] < ADVICE_SHARE:
                continue
            second = names[b] if owner[a] != owner[b] else names[b].removeprefix(owner[b]).strip()
            pair = f"{names[a]} and {second}"
            told = min(mixed, key=mixed.__getitem__)
            if mixed[told] > 0.5 * mixed["front"]:
                advice.append(f"{pair}: neither front nor back tells them apart reliably; add what does.")
            elif owner[a] == owner[b]:
                advice.append(f"{pair}: back label needed.")
            else:
                advice.append(f"{pair}: the front mixes them up in {mixed['front']:.0%}; back label needed.")
    return tuple(advice)
