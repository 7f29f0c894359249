"""What an error means to the outside: one table for exit code, HTTP status and hint.

Exit codes: 0 the answer is there; 1 the command says what its own help says 1 means; 2 the input or the
request cannot be used; 70 a fault of plugface itself (EX_SOFTWARE of BSD sysexits.h).
"""

import json
import os
import re
import sys
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from plugface.cli.present.plain_text import say, say_json
from plugface.cli.version import installed_version


class Known(NamedTuple):
    """How one class of error leaves the program."""

    exit_code: int
    http_status: int
    hint: str  # used where the error itself does not say what to do


# By dotted name, so that explaining an error imports nothing. Subclasses are found through their bases.
KNOWN = {
    "plugface.cli.evaluation.corruptions.CorruptionsMissing": Known(
        2, 501, "Run it from a checkout with `uv run`."
    ),
    "plugface.cli.commands.options.UnknownFamily": Known(2, 422, "Write the key as the catalogue does."),
    "plugface.cli.store.ledger.LedgerError": Known(
        2, 503, "Check the path of the ledger and who may write there."
    ),
    "plugface.cli.store.chain.ChainBroken": Known(2, 503, "See what `plugface ledger verify` names."),
    "plugface.cli.store.parcel.BackupError": Known(2, 409, "Name another backup or another place."),
    "plugface.cli.present.report.provenance.NoManifest": Known(
        2, 422, "Name a report or an export that plugface wrote."
    ),
    "plugface.cli.present.report.provenance.LedgerNotFound": Known(
        2, 404, "Name the ledger that it was written from with --ledger."
    ),
    "plugface.cli.store.sheets.SheetError": Known(2, 422, "Save the list again as .xlsx or .csv."),
    "plugface.cli.present.sheet_columns.BadCell": Known(2, 422, "Correct the cell."),
    "plugface.cli.present.drawn_file.PictureError": Known(2, 422, "Name another file for the picture."),
    "plugface.codec.UnknownFormat": Known(2, 422, "Read it with the version that wrote it, or a later one."),
    "plugface.models.unit_choice.UnitGone": Known(2, 422, "Take the photo again."),
    "plugface.models.unit_choice.NoSuchUnit": Known(2, 422, "Leave out --unit to see what there is."),
    "plugface.models.unit_choice.SeveralUnits": Known(
        2, 422, "Add --unit N for one of them, or sort them all."
    ),
    "plugface.models.unit_choice.UnitInSeveral": Known(2, 422, "Keep one of these photos, or sort them all."),
    "plugface.cli.evaluation.truth.TruthMissing": Known(2, 404, "Run it from a checkout of the project."),
    "plugface.cli.limited_process.Stopped": Known(2, 422, "Save it again as an ordinary JPEG."),
    "plugface.cli.lot.run_folder.RunError": Known(2, 409, "Name another folder with --out."),
    "plugface.cli.lot.scan.FolderError": Known(2, 404, "Name the folder that holds the photos."),
    "plugface.cli.lot.parallel.ClusterError": Known(
        2, 503, "Check the cluster and run the same command again."
    ),
    "plugface.cli.lot.worker.WorkerError": Known(
        2, 503, "Show it what it lacks and run the same command again."
    ),
    "plugface.cli.web.worker_pool.WorkerLost": Known(2, 503, "Take the photo again."),
    "plugface.cli.web.queue.YardError": Known(2, 503, "Name another --folder."),
    "plugface.cli.web.settings.SettingsError": Known(2, 422, "Correct the settings and start again."),
    "plugface.cli.web.refusals.Refused": Known(2, 422, "See what the page says."),
    "plugface.cli.web.words.WordsError": Known(2, 422, "Correct the file and start again."),
    "plugface.models.catalogue.entries.CatalogueError": Known(2, 422, "Correct the entry and run again."),
    "plugface.models.learning.model_error.ModelError": Known(2, 503, "Install plugface again."),
    "plugface.models.decision.opinion.ClaimError": Known(
        2, 422, "Write it as the catalogue does: KEY or KEY:VARIANT."
    ),
    "plugface.vision.onnx.BrokenNetwork": Known(2, 503, "Install plugface again."),
    "plugface.vision.photo.UnreadablePhoto": Known(2, 422, "Send the photo again, straight from the camera."),
    "builtins.FileNotFoundError": Known(2, 404, "Check the path."),
    "builtins.FileExistsError": Known(2, 409, "Choose another place, or move what is there."),
    "builtins.IsADirectoryError": Known(2, 422, "Name a file, not a folder."),
    "builtins.NotADirectoryError": Known(2, 422, "Name a folder, not a file."),
    "builtins.PermissionError": Known(2, 403, "Check who may read or write there."),
    "builtins.OSError": Known(2, 503, "Check the disk and the path."),
}

_UNKNOWN = Known(70, 500, "This is a fault of plugface, not of your input.")


@dataclass(frozen=True)
class Explained:
    """One error in words, with its facts; `unforeseen` means that it is our fault."""

    message: str  # one line: where, what, what to do
    hint: str
    exit_code: int
    http_status: int
    facts: dict[str, Any] = field(default_factory=dict)
    unforeseen: bool = False


def explain(error: BaseException) -> Explained:
    """Say what an error means, in one line and as facts.

    The facts are the attributes of our own classes (file, key, problem, remedy), and path and reason of the
    system's.
    """
    known = next((KNOWN[name] for name in map(_dotted, type(error).__mro__) if name in KNOWN), None)
    if known is None:
        words = f"unexpected error ({_one_line(f'{type(error).__name__}: {error}')})"
        return Explained(f"{words}.", _UNKNOWN.hint, _UNKNOWN.exit_code, _UNKNOWN.http_status, {}, True)
    if isinstance(error, OSError):
        facts = {"file": str(error.filename or ""), "problem": error.strerror or str(error)}
        where = f"{facts['file']}: " if facts["file"] else ""
        message, hint = f"{where}{facts['problem'].lower()}. {known.hint}", known.hint
    else:
        facts = {name: value for name, value in vars(error).items() if not name.startswith("_")}
        message, hint = str(error), str(facts.get("remedy") or facts.get("advice") or known.hint)
    return Explained(_one_line(message), hint, known.exit_code, known.http_status, facts)


@contextmanager
def named(path: Path) -> Iterator[None]:
    """While a file is written: have an error of the system name it.

    A full disk says only that it is full, and a folder that is read-only names the part that is begun first.
    """
    try:
        yield
    except OSError as error:
        begun = path.with_name(f".{path.name}.part")
        error.filename = str(path) if error.filename in (None, str(begun)) else error.filename
        raise


def report(error: BaseException, *, as_json: bool) -> int:
    """Print one line on stderr (with `as_json` also a document on stdout) and give the exit code.

    The traceback of an unforeseen error goes to a log file, whose path is in the line.
    """
    said = explain(error)
    message = said.message
    if said.unforeseen:
        message += f" The whole trace is in {_log(error)}; please report it."
    say(f"error: {mask_passwords(message)}", err=True)
    if as_json:
        with suppress(OSError):  # it may be what went wrong: a full disk under the output
            say_document(said)
    return said.exit_code


def say_document(said: Explained) -> None:
    """Print an error's JSON document on stdout."""
    say_json(json.dumps(document(said), ensure_ascii=False, indent=2, default=str))


def document(said: Explained) -> dict[str, Any]:
    """The JSON shape of an error (`ErrorOut` in present/schemas.py), built without the library."""
    return {
        "version": 2,
        "plugface": installed_version(),
        "kind": "error",
        "error": mask_passwords(said.message),
        "hint": mask_passwords(said.hint),
        "facts": json.loads(mask_passwords(json.dumps(said.facts, default=str))),
    }


def _log(error: BaseException) -> str:
    """Append the trace to the user's log, or to one in the temporary folder where there can be none."""
    import platformdirs

    entry = f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} plugface {installed_version()} {sys.argv[1:]}\n"
    entry = mask_passwords(entry + "".join(traceback.format_exception(error)) + "\n")
    for folder in (platformdirs.user_log_path("plugface"), Path(tempfile.gettempdir())):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with open(folder / "plugface.log", "a", encoding="utf-8", opener=_open_private) as log:
                os.chmod(log.name, 0o600)  # also one that an older plugface made
                log.write(entry)
            return str(folder / "plugface.log")
        except OSError:
            continue
    say(entry, err=True)
    return "the lines above (no log could be written)"


def _open_private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def mask_passwords(text: str) -> str:
    """The same text without passwords in addresses such as a ledger's."""
    return re.sub(r"(\w://[^\s:/@'\"]*):(?:[^\s/'\"]+|[^\s@'\"]+)@", r"\1:***@", text)


def _dotted(cls: type) -> str:
    return f"{cls.__module__}.{cls.__qualname__}"


def _one_line(text: str) -> str:
    """Without line breaks, and without what a terminal would take for an order."""
    text = " ".join(text.split())
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)
