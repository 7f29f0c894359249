"""What a catalogue cannot tell apart, before any photo is taken: confusion expected from simulated units."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import index_families
from plugface.models.decision.answers import View
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import settle, settle_variant
from plugface.models.decision.variants import judge_variants
from plugface.models.learning.classifier import Model
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.pooling import pool_views, variants_of
from plugface.models.unit_choice import gather_views

#: View sets that are played through.
VIEW_SETS: dict[str, tuple[View, ...]] = {
    "front": ("front",),
    "back": ("back",),
    "both": ("front", "back"),
}

#: A pair is worth a word of advice from this expected share of confusion on (our choice).
ADVICE_SHARE = 0.02

#: From the back alone more is asked: a label that cannot be read leaves a few per cent to every family, which
#: says nothing about a pair (our choice, by the demo).
BACK_SHARE = 0.1

#: A view settles a pair when it leaves no more than this part of the other view's confusion (our choice).
SETTLED_PART = 0.5


@dataclass(frozen=True)
class Confusion:
    """Mean probability that a unit of one variant (row) gets for each variant (column)."""

    names: tuple[str, ...]  # "FAMILY VARIANT", rows and columns
    share: np.ndarray  # float (n, n); a row sums to 1 less what 'none of these' and unlisted numbers get
    accepted: float  # share of draws in which one variant would be accepted
    accepted_wrong: float  # share of draws in which a wrong family or variant would be accepted
    family_accepted: float  # share of draws in which the family would be accepted, as `identify` does
    family_wrong: float  # share of draws in which a wrong family would be


@dataclass(frozen=True)
class Pair:
    """Two families, or two variants of one, with the confusion to expect between them."""

    family: str  # whose variants they are; empty for two families
    first: str
    second: str
    front: float  # the larger of both directions: mean probability that one gets for the other
    back: float
    both: float
    needed: str  # what tells them apart

    @property
    def names(self) -> str:
        """Both names in as few words as it takes: "KNOT 40 E and F"."""
        return f"{self.family} {self.first} and {self.second}".strip()

    @property
    def advice(self) -> str:
        """One sentence for a person."""
        share, view = max((self.front, "the front"), (self.back, "the back"))
        lead = f"{view} alone mixes them up in {share:.0%}; " if not self.family else ""
        return f"{self.names}: {lead}{self.needed}."


@dataclass(frozen=True)
class Separability:
    """Expected confusion by view set, and what to do about it."""

    front: Confusion
    back: Confusion
    both: Confusion
    owners: tuple[str, ...]  # family of each row
    pairs: tuple[Pair, ...]  # those worth a word, the worst first

    @property
    def advice(self) -> tuple[str, ...]:
        """One sentence for each pair."""
        return tuple(pair.advice for pair in self.pairs)


def separability(
    catalogue: Catalogue,
    model: Model,
    seed: int,
    draws: int = 20,
    noise: ErrorModel | None = None,
    *,
    only: Collection[str] = (),
    done: Callable[[], object] = lambda: None,
) -> Separability:
    """Draw units of every variant and see what they would be taken for.

    Parameters
    ----------
    catalogue : Catalogue
    model : Model
        Its noise is used unless another is given.
    seed : int
    draws : int
        Units drawn for each variant; every view set has the same ones.
    noise : ErrorModel, optional
    only : collection of str
        Keys of the families whose units are drawn; empty: all. They are held against the whole catalogue.
    done : callable
        Called once for each variant and view set.

    Returns
    -------
    result : Separability
    """
    noise = noise or model.noise
    drawn = frozenset(only) or frozenset(catalogue.by_key)
    tables = {
        name: _confuse(
            catalogue.families,
            views,
            model,
            noise,
            seed,
            draws,
            drawn,
            done,
            catalogue.costs,
        )
        for name, views in VIEW_SETS.items()
    }
    owners = tuple(f.key for f in catalogue.families for _ in f.variants)
    return Separability(**tables, owners=owners, pairs=find_pairs(catalogue, tables, owners))


def _confuse(
    families: tuple[Family, ...], views, model, noise, seed: int, draws: int, drawn, done, costs: Costs
) -> Confusion:
    index, model = index_families(families), replace(model, noise=noise)
    # Every set has the same units: by a few draws two views would else look worse than one of them.
    rngs = {view: np.random.default_rng([seed, view == "back"]) for view in views}
    columns = [(f, v) for f in families for v in f.variants]
    share = np.zeros((len(columns), len(columns)))
    accepted, wrong, units = 0, 0, 0
    family_accepted, family_wrong = 0, 0
    start = np.cumsum([0] + [len(f.variants) for f in families])
    for row, (family, variant) in enumerate(columns):
        if family.key not in drawn:
            continue
        seen = [
            gather_views([draw_observations(family, variant, v, noise, rngs[v]) for v in views])
            for _ in range(draws)
        ]
        for unit in seen:
            pooled = pool_views(unit, index, model)
            posterior = pooled.posterior
            verdict, _ = settle(pooled, model, costs)
            if verdict == "identified":
                place = int(posterior.families.argmax())
                named, told = families[place], variants_of(pooled, place, model)
                family_accepted += 1
                family_wrong += named.key != family.key
                remaining, _ = settle_variant(named, told, pooled, verdict, costs)
                accepted += len(remaining) == 1
                wrong += len(remaining) == 1 and (named.key, remaining[0]) != (family.key, variant.key)
            chances = np.zeros(len(columns))
            for k in np.flatnonzero(posterior.families > 1e-4):
                judged = judge_variants(families[k], unit, noise)
                chances[start[k] : start[k + 1]] = posterior.families[k] * judged.chances
            share[row] += chances / draws
        units += draws
        done()
    names = tuple(f"{f.key} {v.key}" for f, v in columns)
    counts = (accepted, wrong, family_accepted, family_wrong)
    return Confusion(names, share, *(count / max(units, 1) for count in counts))


def family_shares(confusion: Confusion, owners: tuple[str, ...]) -> tuple[tuple[str, ...], np.ndarray]:
    """The same confusion between families, each the mean of its variants.

    Parameters
    ----------
    confusion : Confusion
        Between variants.
    owners : tuple of str
        Family of each variant, in the order of the table.

    Returns
    -------
    keys : tuple of str, length n_families
    share : float ndarray, shape (n_families, n_families)
    """
    keys = tuple(dict.fromkeys(owners))
    member = np.array([[owner == key for owner in owners] for key in keys], dtype=float)
    rows = (member / np.maximum(member.sum(axis=1, keepdims=True), 1.0)) @ confusion.share
    return keys, rows @ member.T


def find_pairs(
    catalogue: Catalogue, tables: dict[str, Confusion], owners: tuple[str, ...]
) -> tuple[Pair, ...]:
    """Pairs of families, and of variants of one family, that front or back alone would mix up.

    Parameters
    ----------
    catalogue : Catalogue
    tables : dict of str to Confusion
        By what was photographed.
    owners : tuple of str
        Family of each variant, in the order of the tables.

    Returns
    -------
    pairs : tuple of Pair
    """
    shares = {name: family_shares(table, owners)[1] for name, table in tables.items()}
    pairs = []
    for a, b in _worth_a_word(shares):
        pairs.append(_pair("", catalogue.families[a].key, catalogue.families[b].key, _mixed(shares, a, b)))
    shares = {name: table.share for name, table in tables.items()}
    start = 0
    for family in catalogue.families:
        for a, b in combinations(range(start, start + len(family.variants)), 2):
            mixed = _mixed(shares, a, b)
            if mixed["front"] >= ADVICE_SHARE or mixed["back"] >= BACK_SHARE:
                pairs.append(
                    _pair(family.key, family.variants[a - start].key, family.variants[b - start].key, mixed)
                )
        start += len(family.variants)
    return tuple(sorted(pairs, key=lambda pair: -max(pair.front, pair.back)))


def _worth_a_word(shares: dict[str, np.ndarray]) -> list[tuple[int, int]]:
    front, back = (np.triu(np.maximum(shares[v], shares[v].T), k=1) for v in ("front", "back"))
    rows, columns = np.nonzero((front >= ADVICE_SHARE) | (back >= BACK_SHARE))
    return list(zip(rows.tolist(), columns.tolist(), strict=True))


def _mixed(shares: dict[str, np.ndarray], a: int, b: int) -> dict[str, float]:
    return {name: float(max(share[a, b], share[b, a])) for name, share in shares.items()}


def _pair(family: str, first: str, second: str, mixed: dict[str, float]) -> Pair:
    return Pair(family, first, second, **mixed, needed=_needed(**mixed))


def _needed(front: float, back: float, both: float) -> str:
    """What would tell a pair apart, by what is left of the confusion."""
    if front < ADVICE_SHARE:
        return "front needed"
    if back < ADVICE_SHARE or back <= SETTLED_PART * front:
        return "back label needed"
    if both < ADVICE_SHARE or both <= SETTLED_PART * front:
        return "front and back label needed together"
    return "neither front nor back tells them apart reliably: add what does"
