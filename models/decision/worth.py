"""What a lot is worth, as far as photos tell: expected value, 80 % interval, and the worth of a look by hand.

A unit's value hangs on what it is and on its state. What it is has the probabilities of its answer; the state
is the catalogue's word for the variant (usable, locked), and of usable ones the share that works in this
shop, the rest being worth their core. A unit in no family of the catalogue is counted as worth nothing.

The value of a lot is the sum over its units, taken as independent of each other; its distribution is the
convolution of theirs, exact to the step of the grid. Light or a scratch that misleads on one photo misleads
on the next one too, so that the true interval of a lot photographed in one go is somewhat wider.

References
----------
Howard, "Information value theory", IEEE Trans. Systems Science and Cybernetics 2 (1966): the expected value
of perfect information, here of what a unit is.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import gcd, isclose

import numpy as np
from plugface.models.catalogue.entries import Catalogue, Family, Variant
from plugface.models.decision.answers import Decision

#: Steps of the grid that a lot's value is laid on. Amounts in whole hundredths are exact up to here; a dearer
#: lot is rounded to its ten-thousandth, its mean is not. Our choice.
MAX_STEPS = 10_000

#: The interval holds this probability, half of the rest on either side.
INTERVAL = 0.8

#: Share of usable ones among units whose state the catalogue does not know (assumed, no source).
USABLE_OF_UNKNOWN = 0.5


@dataclass(frozen=True)
class Chance:
    """One thing that a unit may be."""

    name: str  # family and variant
    probability: float
    amounts: tuple[tuple[float, float], ...]  # value by state, probability of the state; sums to 1
    core: float  # what is left where it was sold as something else

    @property
    def value(self) -> float:
        """Expected over its states."""
        return sum(amount * share for amount, share in self.amounts)


@dataclass(frozen=True)
class Total:
    """What several units are worth together."""

    expected: float
    low: float  # so much or less with a probability of 10 %
    high: float  # so much or less with a probability of 90 %


def price_unit(
    decision: Decision, catalogue: Catalogue, *, confirmed: tuple[str, str] | None = None
) -> dict[str, tuple[Chance, ...]]:
    """What a unit may be and is worth then, by currency.

    Parameters
    ----------
    decision : Decision
        With probabilities of families, and of variants within each.
    catalogue : Catalogue
    confirmed : (family, variant), optional
        What a person found; an empty family is none of the catalogue's, an empty variant any of the family.

    Returns
    -------
    chances : dict
        Currency -> chances whose probabilities sum to 1 at most; the rest is worth nothing in that currency.
        Empty where the catalogue values nothing that the unit may be.
    """
    found: dict[str, list[Chance]] = {}
    for family, variant, probability in _what_it_may_be(decision, catalogue, confirmed):
        if variant.value is None or probability <= 0:
            continue
        currency = variant.value.currency or catalogue.head.currency
        amounts = _by_state(variant, catalogue.head.works)
        value = sum(amount * share for amount, share in amounts)
        core = min(_core(variant), value)
        found.setdefault(currency, []).append(
            Chance(f"{family.key} {variant.key}", probability, amounts, core)
        )
    return {currency: tuple(chances) for currency, chances in found.items()}


def _what_it_may_be(
    decision: Decision, catalogue: Catalogue, confirmed: tuple[str, str] | None
) -> Iterable[tuple[Family, Variant, float]]:
    if confirmed is not None:
        family = catalogue.by_key.get(confirmed[0])
        told = {c.family: {v.key: v.probability for v in c.variants} for c in decision.candidates}
        if family is not None:
            named = [v for v in family.variants if v.key == confirmed[1]] or list(family.variants)
            shares = _shares(named, told.get(family.key, {}))
            yield from ((family, variant, shares[variant.key]) for variant in named)
        return
    for candidate in decision.candidates:
        family = catalogue.by_key.get(candidate.family)
        if family is not None:
            shares = _shares(family.variants, {v.key: v.probability for v in candidate.variants})
            for variant in family.variants:
                yield family, variant, candidate.probability * shares[variant.key]


def _shares(variants: Sequence[Variant], told: Mapping[str, float]) -> dict[str, float]:
    """Probability of each variant given that it is one of these; equal where nothing tells them apart."""
    known = sum(told.get(variant.key, 0.0) for variant in variants)
    if known <= 0:
        return {variant.key: 1 / len(variants) for variant in variants}
    return {variant.key: told.get(variant.key, 0.0) / known for variant in variants}


def _core(variant: Variant) -> float:
    return (variant.value.core if variant.value else None) or 0.0


def _by_state(variant: Variant, works: float) -> tuple[tuple[float, float], ...]:
    """Value and probability of each state; what the catalogue leaves out of a state is worth the core."""
    core = _core(variant)
    usable = variant.value.usable if variant.value and variant.value.usable is not None else core
    locked = variant.value.locked if variant.value and variant.value.locked is not None else core
    good = {"usable": 1.0, "locked": 0.0, "unknown": USABLE_OF_UNKNOWN}[variant.status]
    states = ((usable, good * works), (core, good * (1 - works)), (locked, 1 - good))
    return tuple((amount, share) for amount, share in states if share > 0)


def total_worth(units: Sequence[Sequence[Chance]]) -> Total:
    """Expected value of several units in one currency, and the interval it lies in with 80 %.

    Parameters
    ----------
    units : sequence of sequences of Chance
        One per unit, the probabilities of each at most 1 together.

    Returns
    -------
    total : Total

    Raises
    ------
    ValueError
        If a unit's probabilities are more than 1 together.
    """
    outcomes = [_outcomes(chances) for chances in units]
    expected = sum(value * share for unit in outcomes for value, share in unit.items())
    most = sum(max(unit) for unit in outcomes)
    if most <= 0:
        return Total(0.0, 0.0, 0.0)
    step = _step({value for unit in outcomes for value in unit}, most)
    mass = np.ones(1)
    for unit in outcomes:
        mass = np.convolve(mass, _on_grid(unit, step))
    below = np.cumsum(mass)
    tail = (1 - INTERVAL) / 2
    # The last digits of a sum of many products must not push a quantile one step up.
    low, high = (int(np.searchsorted(below, share - 1e-9)) for share in (tail, 1 - tail))
    return Total(expected, low * step, high * step)


def _outcomes(chances: Sequence[Chance]) -> dict[float, float]:
    """Value -> probability, the rest being worth nothing."""
    found: dict[float, float] = {}
    for chance in chances:
        for amount, share in chance.amounts:
            found[amount] = found.get(amount, 0.0) + chance.probability * share
    rest = 1.0 - sum(found.values())
    if rest < -1e-6:
        raise ValueError(f"the probabilities of a unit sum to {1 - rest:.4f}, more than 1")
    found[0.0] = found.get(0.0, 0.0) + max(rest, 0.0)
    return found


def _step(values: Iterable[float], most: float) -> float:
    """The largest step on which all values lie; a coarser one where that would be too many steps."""
    hundredths = [round(value * 100) for value in values]
    if all(
        isclose(value * 100, whole, abs_tol=1e-6) for value, whole in zip(values, hundredths, strict=True)
    ):
        common = gcd(*hundredths) / 100
        if most / common <= MAX_STEPS:
            return common
    return most / MAX_STEPS


def _on_grid(unit: Mapping[float, float], step: float) -> np.ndarray:
    """A unit's distribution on the grid; a value between two steps is shared out, so that its mean stays."""
    mass = np.zeros(int(max(unit) / step + 1e-9) + 2)
    for value, share in unit.items():
        place = value / step
        left = int(place + 1e-9)
        right = max(place - left, 0.0)
        mass[left] += share * (1 - right)
        mass[left + 1] += share * right
    return mass


def worth_of_a_look(chances: Sequence[Chance]) -> float:
    """What it is worth to know for certain what one unit is, before it is sold.

    Without a look it is sold as what brings most in expectation: as one of the things that it may be, where
    whatever turns out to be another one comes back and brings its core, or as a core at once. With a look it
    is sold as what it is. The difference is the expected value of perfect information (Howard 1966); never
    negative.
    """
    cores = sum(chance.probability * chance.core for chance in chances)
    best = max((c.probability * (c.value - c.core) for c in chances), default=0.0)
    known = sum(chance.probability * chance.value for chance in chances)
    return max(known - cores - max(best, 0.0), 0.0)
