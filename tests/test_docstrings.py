"""Public docstrings of the library say what goes in and what comes out, by numpydoc's own validation."""

import ast
from pathlib import Path

import pytest
from numpydoc.hooks.validate_docstrings import parse_config, process_file

ROOT = Path(__file__).parents[1]
FILES = sorted(
    path
    for folder in ("vision", "models", "cli/front_door")
    for path in (ROOT / folder).rglob("*.py")
    if path.read_text(encoding="utf-8").strip()
)

#: Asked of functions that take two things or more.
_SECTIONS = {"PR01", "RT01", "YD01"}


def faults(path: Path) -> list[str]:
    arity, inner = {}, set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            inner |= {
                one.lineno for one in ast.walk(node) if one is not node and isinstance(one, ast.FunctionDef)
            }
            names = [one.arg for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
            for line in range(node.lineno, node.body[0].lineno + 1):
                arity[line] = len(set(names) - {"self", "cls"})
    found = []
    for place, name, check, message in process_file(path, parse_config(ROOT)):
        line = int(place.rsplit(":", 1)[1])
        if line not in inner and (check not in _SECTIONS or arity.get(line, 0) >= 2):
            found.append(f"{place} {name}: {check} {message}")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_public_functions_say_what_they_take_and_give(path):
    assert faults(path) == []


def test_a_function_without_its_sections_is_noticed(tmp_path):
    path = tmp_path / "room.py"
    path.write_text('"""A room."""\n\n\ndef mix(a, b):\n    """Mix both."""\n    return a + b\n')
    assert [fault.split()[2] for fault in faults(path)] == ["PR01", "RT01"]
    sections = "Parameters\n    ----------\n    b, a : int\n\n    Returns\n    -------\n    sum : int\n    "
    path.write_text(
        f'"""A room."""\n\n\ndef mix(a, b):\n    """Mix both.\n\n    {sections}"""\n    return a + b\n'
    )
    assert [fault.split()[2] for fault in faults(path)] == ["PR03"]
