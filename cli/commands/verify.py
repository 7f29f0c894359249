"""plugface verify: whether a report or an export still says what its ledger says."""

from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.commands.ledger import open_existing
from plugface.cli.present.plain_text import say, say_json
from plugface.cli.store.places import default_ledger


def verify(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="report.html, or an export with its manifest beside it.", show_default=False
        ),
    ],
    where: Annotated[
        str | None,
        typer.Option(
            "--ledger",
            metavar="WHERE",
            help="Run folder, SQLite file or database URL; without it the ledger beside FILE, else your own.",
            show_default=False,
        ),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Compare a report or an export with its ledger: hashes, hash chain, and every row that is shown.

    This shows change, not authorship: nothing is signed by a key.

    Exit code: 0 when all agrees, 1 when anything differs, 2 when the file carries no manifest, or the ledger
    that it was written from was not found.
    """
    from plugface.cli.present.report.provenance import LedgerNotFound, compare_bytes, compare_file

    beside = file.parent / "ledger.sqlite"
    place = where or (str(beside) if beside.is_file() else None)
    if place is None and not _is_from_own_ledger(file):
        # Compared with a ledger that it has nothing to do with, all of it would look forged.
        found, name = compare_bytes(file), ""
        if not found.differs:
            raise LedgerNotFound(str(file))
        found.notes.append(LedgerNotFound(str(file)).problem)
    else:
        with closing(open_existing(place)) as ledger:
            found, name = compare_file(file, ledger), ledger.name
    if as_json:
        from plugface.cli.present.ledger_schemas import verify_out

        say_json(verify_out(file, name, found).model_dump_json(indent=2))
    else:
        for word, lines in (("agrees ", found.agrees), ("DIFFERS", found.differs), ("note   ", found.notes)):
            for line in lines:
                say(f"{word}  {line}")
        say("This shows change, not authorship: whoever can write both could have made both.")
    if found.differs:
        told = len(found.differs) + len(found.agrees)
        other = name or "its manifest"
        say(f"{file} does not agree with {other}: {len(found.differs)} of {told} lines differ.", err=True)
        raise typer.Exit(1)


def _is_from_own_ledger(file: Path) -> bool:
    """Whether a file was written from the ledger in the user's data folder."""
    from plugface.cli.present.report.provenance import names_link_of

    if not default_ledger().is_file():
        return False
    with closing(open_existing(None)) as ledger:
        return names_link_of(file, ledger)
