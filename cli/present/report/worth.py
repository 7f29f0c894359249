"""The worth of a lot for people: totals by currency, and where a look by hand pays most."""

from collections.abc import Container, Sequence
from dataclasses import dataclass

from plugface.cli.present.report.rows import UnitRow
from plugface.models.catalogue.entries import Catalogue
from plugface.models.decision.answers import Decision
from plugface.models.decision.worth import Total, price_unit, total_worth, worth_of_a_look

#: Units named as those where a look by hand pays most.
MAX_LOOKS = 12

#: What stands for the answer of a unit that was confirmed without one.
_NONE = Decision("unreadable", "", ())


@dataclass(frozen=True)
class UnitWorth:
    """One unit in one currency."""

    key: str
    expected: float
    look: float  # expected value of perfect information

    @property
    def look_words(self) -> str:
        """What a look is worth, never 0 where it is worth anything."""
        return f"{self.look:,.0f}" if self.look >= 1 else f"{self.look:.2f}"


@dataclass(frozen=True)
class LotWorth:
    """A lot in one currency."""

    currency: str
    total: Total
    units: tuple[UnitWorth, ...]  # those that may be worth something, in the lot's order
    uncounted: int  # units of the lot that are nothing the catalogue gives a value for in any currency
    twice: bool = False  # one of `units` may be a unit that counts already

    @property
    def looks(self) -> tuple[UnitWorth, ...]:
        """Where a look by hand moves the total most, the best first."""
        best = sorted(self.units, key=lambda unit: (-unit.look, unit.key))
        return tuple(unit for unit in best[:MAX_LOOKS] if round(unit.look, 2) > 0)


def value_lot(rows: Sequence[UnitRow], catalogue: Catalogue, doubles: Container[str] = ()) -> list[LotWorth]:
    """What a lot is worth by its answers and what was confirmed; empty where the catalogue has no values.

    A currency in which the lot is worth less than half a unit of it is left out. `doubles` are keys of units
    that may count already.
    """
    priced: dict[str, dict[str, tuple]] = {}
    for row in rows:
        truth = (row.confirmed.family, row.confirmed.variant) if row.confirmed else None
        if row.decision is None and truth is None:
            continue
        for currency, chances in price_unit(row.decision or _NONE, catalogue, confirmed=truth).items():
            priced.setdefault(currency, {})[row.unit.key] = chances
    totals = {currency: total_worth(list(units.values())) for currency, units in sorted(priced.items())}
    totals = {currency: total for currency, total in totals.items() if round(total.expected) > 0}
    counted = {key for currency in totals for key in priced[currency]}
    return [
        LotWorth(
            currency,
            total,
            tuple(
                UnitWorth(key, sum(c.probability * c.value for c in chances), worth_of_a_look(chances))
                for key, chances in priced[currency].items()
            ),
            len(rows) - len(counted),
            any(key in doubles for key in priced[currency]),
        )
        for currency, total in totals.items()
    ]


def say_worth(lots: Sequence[LotWorth]) -> list[str]:
    """The totals as sentences for terminal and report."""
    said = []
    for lot in lots:
        total, name = lot.total, f" {lot.currency}" if lot.currency else ""
        words = (
            f"Worth about {total.expected:,.0f}{name}{_interval(total, name)}, by the catalogue's values and "
            "how sure each answer is."
        )
        if lot.uncounted and lot is lots[-1]:  # they are the same in each
            words += f" {lot.uncounted} of the units may be nothing that has a value, and count nothing."
        if lot.twice:
            words += " A unit that may count already is in it twice."
        said.append(words)
        if lot.looks:
            first = ", ".join(f"{unit.key} ({unit.look_words}{name})" for unit in lot.looks[:3])
            said.append(f"A look by hand pays most at {first}.")
    return said


def _interval(total: Total, name: str) -> str:
    """The interval of 80 %; the expected value lies outside where it counts what is rare and far off."""
    expected, low, high = round(total.expected), round(total.low), round(total.high)
    span = f"{low:,}{name}" if low == high else f"between {low:,} and {high:,}{name}"
    if low <= expected <= high:
        return f"; with 80 % {span}"
    return f" on average; with 80 % {span}, seldom far {'less' if expected < low else 'more'}"
