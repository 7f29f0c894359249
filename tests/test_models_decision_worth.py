"""What a lot is worth: against examples worked by hand, and against simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import Value, load_catalogue
from plugface.models.decision import worth
from plugface.models.decision.answers import Candidate, Decision, VariantChance
from plugface.models.decision.worth import Chance, price_unit, total_worth, worth_of_a_look

DEMO = load_catalogue(demo_folder() / "marrow_finch")


def chance(value: float, probability: float = 1.0, core: float = 0.0) -> Chance:
    """One thing of one value."""
    return Chance("X", probability, ((value, 1.0),), core)


def test_two_units_by_hand():
    # Each is worth 100 or nothing, as likely: 0, 100, 200 with 1/4, 1/2, 1/4. Ten per cent lie at 0, and
    # ninety are reached only with 200.
    total = total_worth([[chance(100, 0.5)], [chance(100, 0.5)]])
    assert (total.expected, total.low, total.high) == (100, 0, 200)


def test_three_units_of_different_value_by_hand():
    # 30 for certain; 50 (0.9) or 0; 20 (0.8) or 5 (0.2). Sums: 35 (.02), 50 (.08), 85 (.18), 100 (.72).
    units = [[chance(30)], [chance(50, 0.9)], [chance(20, 0.8), chance(5, 0.2)]]
    total = total_worth(units)
    assert total.expected == pytest.approx(30 + 45 + 17)
    assert (total.low, total.high) == (50, 100)


def test_nothing_is_worth_nothing():
    assert total_worth([]) == worth.Total(0, 0, 0)
    assert total_worth([[]]) == worth.Total(0, 0, 0)
    assert worth_of_a_look([]) == 0


def test_more_than_certain_is_refused():
    with pytest.raises(ValueError, match="more than 1"):
        total_worth([[chance(1, 0.7), chance(2, 0.7)]])


chances = st.lists(
    st.builds(chance, st.floats(0, 900).map(lambda x: round(x, 2)), st.floats(0.01, 0.3), st.floats(0, 9)),
    max_size=3,
)


@given(st.lists(chances, min_size=1, max_size=6), st.sampled_from([50, 10_000]))
def test_the_mean_is_kept_whatever_the_grid(units, steps):
    before, worth.MAX_STEPS = worth.MAX_STEPS, steps
    try:
        total = total_worth(units)
    finally:
        worth.MAX_STEPS = before
    assert total.expected == pytest.approx(sum(c.probability * c.value for unit in units for c in unit))
    assert (
        0 <= total.low <= total.high <= sum(max([c.value for c in u], default=0) for u in units) * 1.05 + 0.01
    )


def test_the_interval_agrees_with_simulation():
    # 40 units of two to four chances each; 200,000 lots drawn. The standard error of a 10 % quantile there is
    # below 0.4 % of the spread, so 2 % is wide.
    draw = np.random.default_rng(4)
    units = []
    for _ in range(40):
        shares = draw.dirichlet(np.ones(4))[:3]
        units.append(
            [
                Chance("x", float(share), ((float(draw.integers(5, 400)), 0.8), (7.5, 0.2)), 2.0)
                for share in shares
            ]
        )
    total = total_worth(units)
    sums = np.zeros(200_000)
    for unit in units:
        values = [amount for c in unit for amount, _ in c.amounts] + [0.0]
        masses = [c.probability * share for c in unit for _, share in c.amounts]
        sums += draw.choice(values, size=len(sums), p=[*masses, 1 - sum(masses)])
    spread = np.quantile(sums, 0.9) - np.quantile(sums, 0.1)
    assert abs(total.expected - sums.mean()) < 0.01 * spread
    assert abs(total.low - np.quantile(sums, 0.1)) < 0.02 * spread
    assert abs(total.high - np.quantile(sums, 0.9)) < 0.02 * spread
    assert np.mean((sums >= total.low) & (sums <= total.high)) == pytest.approx(0.8, abs=0.01)


def test_what_a_look_is_worth_by_hand():
    # 100 with 0.6, or 40 with 0.3; cores 10 and 10. Sold as the first: 0.6 x 100 + 0.3 x 10 = 63. Known: 60 +
    # 12 = 72. A look is worth 9.
    unit = [chance(100, 0.6, core=10), chance(40, 0.3, core=10)]
    assert worth_of_a_look(unit) == pytest.approx(9)
    assert worth_of_a_look([chance(100, 1.0, core=10)]) == 0  # nothing to find out
    # The less likely one is so much dearer that it is offered as that: 0.2 x 1000 + 0.8 x 1 against 0.8 x 20.
    dear = [chance(20, 0.8, core=1), chance(1000, 0.2, core=1)]
    assert worth_of_a_look(dear) == pytest.approx(0.8 * 20 + 200 - (200 + 0.8))


@given(chances)
def test_a_look_is_never_worth_less_than_nothing_nor_more_than_the_unit(unit):
    assert 0 <= worth_of_a_look(unit) <= sum(c.probability * c.value for c in unit) + 1e-9


def valued(works: float = 1.0, locked: float = 12) -> object:
    """The demo's catalogue with worth: DUNLIN 6 first and south 80, second (locked) 12, core 5."""
    usable = Value(usable=80, core=5)
    table = {"first": usable, "second": Value(locked=locked, core=5), "south": usable}
    families = [
        family.model_copy(
            update={"variants": tuple(v.model_copy(update={"value": table[v.key]}) for v in family.variants)}
        )
        if family.key == "DUNLIN 6"
        else family
        for family in DEMO.families
    ]
    head = DEMO.head.model_copy(update={"currency": "EUR", "works": works})
    copy = DEMO.model_copy(update={"families": tuple(families), "head": head})
    copy.__dict__.pop("by_key", None)  # a copy takes along what was worked out of the families before
    return copy


def answer(probability: float, *variants: tuple[str, float]) -> Decision:
    """An answer with DUNLIN 6 first and another family for the rest."""
    told = tuple(VariantChance(key, share) for key, share in variants)
    candidates = (
        Candidate("DUNLIN 6", 1.0, probability, (), told),
        Candidate("CURLEW 3", 0.0, 1 - probability),
    )
    return Decision("ambiguous", "", candidates, ("DUNLIN 6", "CURLEW 3"))


def test_a_unit_is_priced_by_variant_and_state():
    (currency, unit), *more = price_unit(answer(0.9, ("first", 0.7), ("second", 0.3)), valued()).items()
    assert (currency, more) == ("EUR", [])  # CURLEW 3 has no value and counts nothing
    assert {c.name: (round(c.probability, 3), c.value) for c in unit} == {
        "DUNLIN 6 first": (0.63, 80),
        "DUNLIN 6 second": (0.27, 12),
    }
    # One in four does not work and is worth its core: 0.75 x 80 + 0.25 x 5.
    unit = price_unit(answer(0.9, ("first", 1.0)), valued(works=0.75))["EUR"]
    assert unit[0].value == pytest.approx(61.25)


def test_what_a_person_found_counts_for_certain():
    unit = price_unit(answer(0.4, ("first", 1.0)), valued(), confirmed=("DUNLIN 6", "second"))["EUR"]
    assert [(c.name, c.probability, c.value) for c in unit] == [("DUNLIN 6 second", 1.0, 12)]
    assert price_unit(answer(0.9, ("first", 1.0)), valued(), confirmed=("", "")) == {}
    either = price_unit(answer(0.9), valued(), confirmed=("DUNLIN 6", ""))["EUR"]
    assert sum(c.probability for c in either) == pytest.approx(1)


def test_what_was_told_of_variants_parts_them_where_a_person_found_the_family_alone():
    told = answer(0.4, ("first", 0.6), ("second", 0.2), ("south", 0.2))
    unit = price_unit(told, valued(), confirmed=("DUNLIN 6", ""))["EUR"]
    assert {c.name: c.probability for c in unit} == pytest.approx(
        {"DUNLIN 6 first": 0.6, "DUNLIN 6 second": 0.2, "DUNLIN 6 south": 0.2}
    )


def test_no_core_is_worth_more_than_the_unit():
    # Where none works, a unit that is usable is worth its core; a core above a locked unit's worth is that.
    (dear,) = price_unit(answer(1.0, ("second", 1.0)), valued(locked=3))["EUR"]
    assert (dear.value, dear.core) == (3, 3)


def test_amounts_that_are_no_whole_hundredths_keep_their_interval():
    # A hundred units of 0.004 for certain: rounded to hundredths first, they would be worth nothing.
    total = total_worth([[chance(0.004)]] * 100 + [[chance(1)]])
    assert (total.low, total.high) == pytest.approx((1.4, 1.4), abs=0.001)


def test_a_catalogue_without_values_prices_nothing():
    assert price_unit(answer(0.9, ("first", 1.0)), DEMO) == {}
