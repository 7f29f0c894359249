"""The command line as a whole: every command is there, and nothing heavy is loaded before it is needed."""

import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
from plugface.cli import main
from plugface.cli.main import COMMANDS, GROUPS

ROOT = Path(__file__).parents[1]


def run(monkeypatch, capsys, *args):
    monkeypatch.setattr(sys, "argv", ["plugface", *args])
    with pytest.raises(SystemExit) as left:
        main.main()
    out = capsys.readouterr()
    return left.value.code or 0, out.out, out.err


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_there_with_its_help(name, monkeypatch, capsys):
    module, function = COMMANDS[name].where.split(":")
    assert getattr(import_module(module), function).__doc__
    code, out, _ = run(monkeypatch, capsys, *name.split(), "--help")
    assert code == 0
    assert out.startswith(f"Usage: plugface {name} ")


def test_every_group_has_a_command_and_a_line():
    assert {name.split()[0] for name in COMMANDS if " " in name} == set(GROUPS)


def test_the_list_has_every_command(monkeypatch, capsys):
    _, out, _ = run(monkeypatch, capsys, "--help")
    for name in COMMANDS:
        assert f"  {name.split()[0]} " in out


HEAVY = (
    "cv2",
    "numpy",
    "onnxruntime",
    "pydantic",
    "PIL",
    "rich",
    "sqlalchemy",
    "fastapi",
    "sklearn",
    "matplotlib",
)


def loaded(*words: str) -> set[str]:
    """Which of the heavy packages a command has loaded when it leaves."""
    code = (
        "import contextlib, io, sys\nfrom plugface.cli import main\nsys.argv = ['plugface', *sys.argv[1:]]\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n    main.main()\n"
        f"print(*[m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


@pytest.mark.parametrize("words", [["--help"], ["ledger", "--help"], ["confirm", "--help"], ["serve", "-h"]])
def test_help_loads_nothing_heavy(words):
    assert loaded(*words) == set()


@pytest.mark.parametrize("words", [["--help"], ["codes", "-h"], ["catalogue", "show", "--help"]])
def test_help_is_what_the_command_line_itself_would_print(words, monkeypatch, capsys):
    said = run(monkeypatch, capsys, *words)
    monkeypatch.setattr(main, "print_help", lambda root, words: False)
    assert said == run(monkeypatch, capsys, *words)


@pytest.mark.parametrize("words", [["needs", "--year", "1994"], ["catalogue", "check"]])
def test_what_looks_at_no_photo_loads_no_network(words):
    assert loaded(*words) & {"cv2", "onnxruntime", "sqlalchemy", "fastapi", "sklearn", "matplotlib"} == set()


def test_no_additions_to_pydantic_are_searched_for():
    code = (
        "import importlib.metadata, sys\nfrom plugface.cli import main\n"
        "searched = []\nplain = importlib.metadata.distributions\n"
        "importlib.metadata.distributions = lambda **k: searched.append(k) or plain(**k)\n"
        "sys.argv = ['plugface', 'needs', '--year', '1994']\n"
        "try:\n    main.main()\nexcept SystemExit:\n    pass\n"
        "assert 'pydantic' in sys.modules\nsys.exit(bool(searched))"
    )
    own = {name: value for name, value in os.environ.items() if name != "PYDANTIC_DISABLE_PLUGINS"}
    assert (
        subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, env=own).returncode == 0
    )


def test_a_near_miss_is_named(monkeypatch, capsys):
    code, _, err = run(monkeypatch, capsys, "catalogue", "chek")
    assert code == 2
    assert "Did you mean 'check'?" in err


def test_version(monkeypatch, capsys):
    code, out, _ = run(monkeypatch, capsys, "--version")
    assert (code, out.startswith("plugface ")) == (0, True)


def test_an_error_ends_as_one_line(monkeypatch, capsys, tmp_path):
    (tmp_path / "gull_3.toml").write_text("")
    code, _, err = run(monkeypatch, capsys, "catalogue", "new", str(tmp_path), "--defaults")
    assert code == 2
    assert err == (
        f"error: {tmp_path / 'gull_3.toml'}: there is such a file already. "
        "Choose another place, or move what is there.\n"
    )
