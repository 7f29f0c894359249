"""What a command does not use it does not load: a help page and a short list come at once."""

import ast
import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from plugface.cli.main import COMMANDS
from plugface.cli.store.confirmations import Truth, confirm_unit
from plugface.cli.store.ledger import Ledger, list_units, record_lot, record_unit
from plugface.cli.store.unit_rows import quick_rows

#: What takes longest to load, or is for one task alone.
HEAVY = (
    "alembic",
    "cv2",
    "fastapi",
    "matplotlib",
    "numpy",
    "onnxruntime",
    "PIL",
    "scipy",
    "skimage",
    "sklearn",
    "sqlalchemy",
)

#: Seconds of the processor. Measured 2026-11 on a busy machine: 0.2 for help, 0.3 for a list of 28 units.
MAX_S = 1.0

_PROBE = """
import json, resource, sys
sys.argv = ["plugface", *json.loads(sys.argv[1])]
from plugface.cli.main import main
try:
    main()
except SystemExit as end:
    code = end.code
used = resource.getrusage(resource.RUSAGE_SELF)
heavy = [name for name in json.loads(sys.argv[0] and HEAVY) if name in sys.modules]
print(json.dumps([code or 0, used.ru_utime + used.ru_stime, heavy, len(sys.modules)]), file=sys.stderr)
"""

#: A command's help over that of plugface itself: modules loaded, which are most of its time. At most
#: 1.16 where nothing but the command is loaded (2026-11); with pydantic it is 1.5 and more, and the time 2.3.
MAX_MODULES = 1.25


def probe(*words: object) -> tuple[str, int, float, list[str]]:
    """Run a command in a process of its own: stdout, exit code, seconds of processor, heavy modules."""
    said, code, seconds, loaded, _ = run_probe(*words)
    return said, code, seconds, loaded


def run_probe(*words: object) -> tuple[str, int, float, list[str], int]:
    """The same, and how many modules were loaded."""
    program = f"HEAVY = {json.dumps(json.dumps(HEAVY))}\n{_PROBE}"
    given = json.dumps([str(word) for word in words])
    done = subprocess.run([sys.executable, "-c", program, given], capture_output=True, text=True, check=True)
    code, seconds, loaded, modules = json.loads(done.stderr.splitlines()[-1])
    return done.stdout, code, seconds, loaded, modules


@cache
def modules_of_the_plain_help() -> int:
    """Modules loaded by `plugface --help`."""
    return run_probe("--help")[-1]


def test_help_loads_nothing_heavy(some) -> None:
    for command in ["", *some(COMMANDS, 12)]:
        said, code, seconds, loaded, modules = run_probe(*command.split(), "--help")
        assert code == 0, command
        assert "Usage:" in said, command
        assert not loaded, command
        assert modules < MAX_MODULES * modules_of_the_plain_help(), command
        assert seconds < MAX_S, command


def test_needs_and_a_check_of_a_catalogue_load_nothing_heavy(demo_folder) -> None:
    said, code, _, loaded = probe("needs", "--throttle", "cable", "--catalogue", demo_folder)
    assert (code, loaded) == (0, [])
    assert "AUK 11" in said
    said, code, _, loaded = probe("catalogue", "check", demo_folder)
    assert (code, loaded) == (0, [])


def test_a_schema_and_a_label_tried_as_text_load_nothing_of_ledgers_and_photos(demo_folder) -> None:
    said, code, _, loaded = probe("schema")
    assert code == 0
    assert '"ledger audit"' in said
    assert set(loaded) <= {"numpy"}  # with the rules of partners
    said, code, _, loaded = probe("catalogue", "try", "UNIT No K58214/302", "--catalogue", demo_folder)
    assert code == 0
    assert "By the label alone: KNOT 40" in said
    assert set(loaded) <= {"numpy"}


def test_an_answer_loads_nothing_of_training_reports_and_ledgers(demo_folder, choose_photos) -> None:
    (photo,) = choose_photos()
    said, code, _, loaded = probe("identify", photo, "--catalogue", demo_folder)
    assert code == 0
    assert "Catalogue: Marrow & Finch" in said
    assert set(loaded) <= {"cv2", "numpy", "onnxruntime", "PIL"}  # what a photo is looked at with


@pytest.fixture
def demo_folder() -> Path:
    """The invented catalogue."""
    return Path(__file__).parent.parent / "training_data_demo" / "marrow_finch"


def fill(file: Path) -> Ledger:
    """A ledger of 28 units, of which one is confirmed."""
    ledger = Ledger(file)
    with ledger.transaction() as session:
        lot = record_lot(session, "pallet", name="pallet", source="")
        for number in range(28):
            record_unit(session, lot, f"U-{number:02}", method="sub-folder", group_key=str(number))
    confirm_unit(ledger, "U-03", Truth("KNOT 40", "F", "kim"))
    confirm_unit(ledger, "U-04", Truth("", "", "kim"))
    return ledger


def test_a_worker_that_looks_loads_nothing_that_decides() -> None:
    code = "import sys, plugface.cli.lot.worker; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = done.stdout.split()
    assert "plugface.models.unit_choice" in loaded
    deciding = {f"plugface.models.decision.{name}" for name in ("decide", "opinion")}
    assert not {*deciding, "plugface.models.matching.pooling", "sqlalchemy"} & set(loaded)


def test_a_short_list_is_read_without_what_writing_needs(tmp_path) -> None:
    fill(tmp_path / "ledger.sqlite").close()
    said, code, seconds, loaded = probe("ledger", "list", "--ledger", tmp_path)
    assert (code, loaded) == (0, [])
    assert seconds < MAX_S
    lines = {line.split()[0]: line for line in said.splitlines()}
    assert len(lines) == 29
    assert "KNOT 40 F" in lines["U-03"]  # the confirmed variant, not the family alone
    assert "not in catalogue" in lines["U-04"]
    assert "KNOT" not in lines["U-05"]


def test_the_quick_list_says_what_the_ledger_says(tmp_path) -> None:
    ledger = fill(tmp_path / "ledger.sqlite")  # still open, with rows in its log
    for lot in (None, "pallet"):
        with ledger.reading() as session, quick_rows(tmp_path / "ledger.sqlite", lot) as found:
            columns, rows = list_units(session, lot)
            assert found is not None
            assert found[0] == columns
            assert [tuple(row) for row in rows] == list(found[1])


def test_what_is_no_ledger_or_no_lot_is_left_to_the_ledger_to_explain(tmp_path) -> None:
    fill(tmp_path / "ledger.sqlite").close()
    with quick_rows(tmp_path / "ledger.sqlite", "another") as found:
        assert found is None
    (tmp_path / "other.sqlite").write_bytes(b"nothing of the kind" * 100)
    with quick_rows(tmp_path / "other.sqlite", None) as found:
        assert found is None


CLI = Path(__file__).parent.parent / "cli"
COMMAND_FILES = [*sorted((CLI / "commands").glob("*.py")), CLI / "errors.py"]


@pytest.mark.parametrize("path", COMMAND_FILES, ids=lambda path: path.name)
def test_no_command_prints_what_others_wrote_as_it_is(path) -> None:
    # `say`, `say_json` and `Screen` show an escape sequence or rich markup in a name and do nothing it says.
    called = {
        ast.unparse(node.func)
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
    }
    assert not called & {"print", "Console", "typer.echo", "typer.secho", "rich.print"}


ESCAPE = "\x1b]0;taken\x07\x1b[31m"


def test_escape_sequences_in_a_catalogue_reach_no_terminal(demo_folder, tmp_path, run, monkeypatch) -> None:
    # A control character stands in TOML as an escape, so that any catalogue may bring one.
    folder = tmp_path / f"cat[red]{ESCAPE}"
    folder.mkdir()
    for file in demo_folder.glob("*.toml"):
        text = file.read_text("utf-8")
        text = text.replace('key = "AUK 11"', 'key = "AUK 11[red]"')  # a name has no control characters
        text = text.replace('maker = "', 'maker = "\\u001B]0;taken\\u0007[red]\\u009B31m')
        text = text.replace('name = "Marrow', 'name = "[/north]\\u001B[31mMarrow')
        (folder / file.name).write_text(text, "utf-8")
    sheets = {
        "catalogue check": (folder,),
        "needs": ("--throttle", "cable", "--catalogue", folder),
        "needs --json": ("--throttle", "cable", "--catalogue", folder),
        "catalogue colour": (folder,),
        "catalogue colour --name": (folder, "--name", "x\x1b[31m", "--code", "GN"),
        "catalogue try": ("NUMBER 1234", "--catalogue", folder),
        "catalogue separability": (folder, "--draws", "1", "--only", "AUK\x1b[31m"),
        "needs --partner": ("auk\x1b[31m", "--catalogue", folder),
        "opinion": ("missing\x1b[31m.jpg", "--claimed", "AUK\x1b[31m", "--catalogue", folder),
        "identify": ("missing[/x]\x1b[31m.jpg", "--catalogue", folder),
        "confirm": ("missing\x1b[31m", "--true", "AUK\x1b[31m", "--who", "kim", "--catalogue", folder),
        "sort": (tmp_path / "no\x1b[31m[/x]", "--out", tmp_path / "out", "--catalogue", folder),
        "ledger list": ("--ledger", f"{tmp_path}/no\x1b[31m"),
        "ledger export": (f"{tmp_path}/x\x1b[31m.txt",),
        "evaluate": ("--catalogue", folder, "--photos", f"{tmp_path}/no\x1b[31m"),
        "catalogue propose": ("missing\x1b[31m.jpg", "--catalogue", folder),
        "learn": ("--ledger", f"{tmp_path}/no\x1b[31m"),
        "serve": ("--catalogue", f"{tmp_path}/no\x1b[31m"),
    }
    for name, value in {"PATH": "", "HOME": str(tmp_path), "COLUMNS": "200"}.items():
        monkeypatch.setenv(name, value)
    shown = 0
    for command, words in sheets.items():
        done = run(*command.split(), *words)
        said = done.out + done.err
        assert done.code in (0, 1, 2), (command, said)
        assert said, command
        shown += "\N{REPLACEMENT CHARACTER}" in said
        assert not [sign for sign in said if sign in "\x1b\x07\x9b"], (command, said)
    assert shown >= 12  # most of them had something to hide
