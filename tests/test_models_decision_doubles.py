"""What may count twice in a lot, and what is surely two units."""

import time

import pytest
from plugface.models.decision.doubles import CountedUnit, find_doubles


def unit(key: str, faces: str, photo: str = "", families: str = "AUK", **how) -> CountedUnit:
    """One unit; `faces` as "F", "B", "FB" or ""."""
    shown = {"F": "front", "B": "back"}
    return CountedUnit(
        key, frozenset(families.split()), frozenset(shown[f] for f in faces), frozenset({photo or key}), **how
    )


LONE = unit("a", "F", alone=True)
BOTH = {"a": ("b",), "b": ("a",)}


def test_a_lot_of_single_fronts_is_not_compared_pair_by_pair():
    lot = [unit(f"u{n}", "F", alone=True) for n in range(20_000)]  # as pairs: more than two minutes
    lot.append(unit("back", "B", families="DUNLIN", alone=True))
    started = time.process_time()
    assert find_doubles(lot) == {}
    assert time.process_time() - started < 10


@pytest.mark.parametrize(
    ("units", "doubles"),
    [
        ([LONE, unit("b", "B", alone=True)], BOTH),
        ([LONE, unit("b", "F", alone=True)], {}),  # two fronts are two units
        ([LONE, unit("b", "B", families="DUNLIN", alone=True)], {}),
        ([LONE, unit("b", "B", families="DUNLIN AUK", alone=True)], BOTH),
        ([unit("a", "B", alone=True), unit("b", "FB")], {}),  # that unit has a back already
        ([unit("a", "B", alone=True), unit("b", "F")], {"a": ("b",)}),
        ([unit("a", "", alone=True), unit("b", "FB")], {"a": ("b",)}),  # a close-up of either's label
        ([unit("a", "F"), unit("b", "B")], {}),  # something put both together
        ([unit("a", "F", "p", crowded=True), unit("b", "F", "p", crowded=True)], {}),  # side by side
        ([unit("a", "F", "p", crowded=True), unit("b", "FB")], {"a": ("b",)}),
        ([LONE, unit("b", "F", "p", crowded=True)], BOTH),  # of an overview the face says nothing
        ([unit("a", "FB", serials={"8691"}), unit("b", "FB", serials={"8691"})], BOTH),  # whatever joined
        ([unit("a", "FB", serials={"8691"}), unit("b", "FB", serials={"8690"})], {}),
        ([unit("a", "F", "p", serials={"8691"}), unit("b", "B", "p", serials={"8691"})], {}),  # side by side
        ([unit(key, "F", serials={"8691"}) for key in "abcde"], {}),  # a number of their kind
        ([unit("a", "F", families="", alone=True), unit("b", "B", families="", alone=True)], {}),
    ],
)
def test_what_may_count_twice(units, doubles):
    assert find_doubles(units) == doubles
