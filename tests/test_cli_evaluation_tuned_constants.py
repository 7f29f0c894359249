"""The table of tuned constants names all of them, and prints the values that the code has."""

import ast
import re
from importlib import import_module
from pathlib import Path

import pytest
from plugface.cli.evaluation import tuned_constants
from plugface.cli.evaluation.tuned_constants import (
    CONSTANTS,
    Constant,
    find_by_looking,
    find_cheap,
    find_other_unit_confidence,
    list_constants,
)

ROOT = Path(__file__).parents[1]
TUNED = re.compile(r"chosen on|calibration (split|splits|part)")


def speaking_constants():
    """(module, name) of each constant whose comment says that it was chosen on photos."""
    for path in [*ROOT.glob("vision/**/*.py"), *ROOT.glob("models/**/*.py")]:
        lines = path.read_text(encoding="utf-8").splitlines()
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in ast.parse("\n".join(lines)).body:
            if not isinstance(node, ast.Assign | ast.AnnAssign):
                continue
            first = node.lineno - 1
            while first and lines[first - 1].startswith("#"):
                first -= 1
            comment = " ".join(line.lstrip("#: ") for line in lines[first : node.lineno - 1])
            comment += lines[node.lineno - 1].partition("#")[2]
            if not TUNED.search(comment.lower()):
                continue
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for name in [n for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]:
                yield module, name.id


def test_no_constant_that_was_chosen_on_photos_is_missing_from_the_table():
    listed = {(one.module, one.name) for one in CONSTANTS}
    found = set(speaking_constants())
    assert len(found) >= 8
    assert found - listed == set()


def test_what_is_printed_as_stored_is_what_the_code_has():
    for one, line in zip(CONSTANTS, list_constants(), strict=True):
        value = getattr(import_module(f"plugface.{one.module}"), one.name)
        assert line.name == f"{one.module}.{one.name}"
        if isinstance(value, int | float):
            assert float(line.stored) == pytest.approx(value, rel=1e-5)
        else:
            assert line.stored == f"{value.seen:g}/{value.held:g}/{value.settled:g}"
        assert (one.means == "none") == bool(one.reason), "what cannot be found again says why"
        assert (one.means == "look") == bool(one.tried)


def test_the_cheap_part_measures_a_small_sample():
    lines = {line.name: line for line in find_cheap(12)}
    assert lines["models.unit_choice.OTHER_UNIT_CONFIDENCE"].found.startswith("0.")
    assert "cases" in lines["error model miss"].how
    assert "assumed" in lines["error model unlike"].how


def test_the_least_confidence_of_a_true_unit_sets_the_threshold():
    from plugface.cli.evaluation import golden

    rows = golden.choose_rows()
    seen = golden.read_seen()
    value, _ = find_other_unit_confidence(seen, rows)
    # One step lower than its rule gives on these photos: what is stored may rather stop at a thing beside the
    # unit than pass over a second controller.
    stored = tuned_constants.CONSTANTS[0].stored
    assert value - 0.05 - 1e-9 <= stored <= value, "the stored value follows its rule"


def test_looking_sets_the_value_where_it_is_read_and_puts_it_back(monkeypatch):
    from plugface.cli.evaluation import golden
    from plugface.vision import observe as module

    given, held = [], module.WHOLE_PX
    rows = golden.choose_rows()[:1]
    seen = golden.read_seen()[rows[0]["photo"]]

    def look(photo, *, read_text):
        given.append(module.WHOLE_PX)
        return seen

    one = Constant("vision.observe", "WHOLE_PX", "", "look", tried=(448, 576))
    best, scores = find_by_looking(one, rows, look)
    assert given == [held, 448, 576]
    assert held == module.WHOLE_PX
    assert best == f"{held:g}"  # of equals the stored one
    assert [value in scores for value in (f"{held:g}: ", "448: ", "576: ")] == [True] * 3
