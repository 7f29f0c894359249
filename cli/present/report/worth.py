"""The worth of a lot for people: totals by currency, and where a look by hand pays most."""

from collections.abc import Sequence
from dataclasses import dataclass

from plugface.cli.present.report.rows import UnitRow
from plugface.models.catalogue.entries import Catalogue
from plugface.models.decision.worth import Total, price_unit, total_worth, worth_of_a_look

#: Units named as those where a look by hand pays most.
MAX_LOOKS = 12


@dataclass(frozen=True)
class UnitWorth:
    """One unit in one currency."""

    key: str
    expected: float
    look: float  # expected value of perfect information


@dataclass(frozen=True)
class LotWorth:
    """A lot in one currency."""

    currency: str
    total: Total
    units: tuple[UnitWorth, ...]  # those that may be worth something, in the lot's order
    uncounted: int  # units that are nothing the catalogue gives a value for

    @property
    def looks(self) -> tuple[UnitWorth, ...]:
        """Where a look by hand moves the total most, the best first."""
        best = sorted(self.units, key=lambda unit: (-unit.look, unit.key))
        return tuple(unit for unit in best[:MAX_LOOKS] if round(unit.look, 2) > 0)


def value_lot(rows: Sequence[UnitRow], catalogue: Catalogue) -> list[LotWorth]:
    """What a lot is worth by its answers and what was confirmed; empty where the catalogue has no values."""
    priced: dict[str, dict[str, tuple]] = {}
    for row in rows:
        truth = (row.confirmed.family, row.confirmed.variant) if row.confirmed else None
        if row.decision is None:
            continue
        for currency, chances in price_unit(row.decision, catalogue, confirmed=truth).items():
            priced.setdefault(currency, {})[row.unit.key] = chances
    return [
        LotWorth(
            currency,
            total_worth(list(units.values())),
            tuple(
                UnitWorth(key, sum(c.probability * c.value for c in chances), worth_of_a_look(chances))
                for key, chances in units.items()
            ),
            len(rows) - len(units),
        )
        for currency, units in sorted(priced.items())
    ]


def say_worth(lots: Sequence[LotWorth]) -> list[str]:
    """The totals as sentences for terminal and report."""
    said = []
    for lot in lots:
        total, name = lot.total, f" {lot.currency}" if lot.currency else ""
        words = (
            f"Worth about {total.expected:,.0f}{name}; with 80 % between {total.low:,.0f} and "
            f"{total.high:,.0f}{name}, by the catalogue's values and how sure each answer is."
        )
        if lot.uncounted:
            words += f" {lot.uncounted} of the units may be nothing that has a value, and count nothing."
        said.append(words)
        if lot.looks:
            first = ", ".join(f"{unit.key} ({unit.look:,.0f}{name})" for unit in lot.looks[:3])
            said.append(f"A look by hand pays most at {first}.")
    return said
