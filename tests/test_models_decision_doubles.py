"""What may count twice in a lot, and what is surely two units."""

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
        ([unit("a", "F", families="", alone=True), unit("b", "B", families="", alone=True)], {}),
    ],
)
def test_what_may_count_twice(units, doubles):
    assert find_doubles(units) == doubles
