"""plugface ledger: look into a ledger, and hand its rows to another program."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.errors import named
from plugface.cli.present.plain_text import say, say_json
from plugface.cli.settings import default_catalogue
from plugface.cli.store.exports import format_of, write_for_people, write_rows
from plugface.cli.store.places import default_ledger
from plugface.cli.store.unit_rows import NAMES_A_FAMILY, quick_rows

if TYPE_CHECKING:
    from plugface.cli.store.ledger import Ledger
    from plugface.models.catalogue.entries import Catalogue

#: Heading in the terminal -> columns of the ledger that stand under it; an export has them all.
SHOWN = {
    "unit": ("unit",),
    "bin": ("bin",),
    "sure": ("probability",),
    "photos": ("photos",),
    "found to be": ("true_family", "true_variant"),
}

#: What stands for a unit that a person found in no family.
NOT_IN_CATALOGUE = "not in catalogue"

Where = Annotated[
    str | None,
    typer.Option(
        "--ledger",
        metavar="WHERE",
        help="Run folder, SQLite file or database URL; without it the one in the user's data folder.",
        show_default=False,
    ),
]
LotKey = Annotated[str | None, typer.Option("--lot", help="Only this lot.", show_default=False)]


def list_rows(
    where: Where = None,
    lot: LotKey = None,
    limit: Annotated[int, typer.Option("--limit", min=1, help="Print at most this many units.")] = 200,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object a line (see `plugface schema`), no limit.")
    ] = False,
) -> None:
    """List the units of a ledger with what was proposed and what was found to be true.

    Exit code: 0, or 2 when there is no such ledger or lot.
    """
    with _rows(where, lot) as (columns, rows):
        if as_json:
            from plugface.cli.present.schemas import ledger_unit_head

            head = ledger_unit_head()
            for row in rows:
                say_json(json.dumps(head | dict(zip(columns, row, strict=True)), ensure_ascii=False))
            return
        _print_rows(columns, rows, limit)


def _print_rows(columns: Sequence[str], rows: Iterable[Sequence], limit: int) -> None:
    from plugface.cli.present.screen import Screen
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for heading in SHOWN:
        # A unit is named by its whole key: broken in two it cannot be copied.
        table.add_column(heading, overflow="fold", no_wrap=heading == "unit")
    count = 0
    for row in rows:
        count += 1
        if count <= limit:
            values = dict(zip(columns, row, strict=True))
            if values["verdict"] not in NAMES_A_FAMILY:
                values["probability"] = None
            table.add_row(*(_cells([values[column] for column in parts]) for parts in SHOWN.values()))
    console = Screen()
    console.print(table)
    if count > limit:
        console.print(f"{count - limit} more; use --limit, or `plugface ledger export`.")


@contextmanager
def _rows(where: str | None, lot: str | None) -> Iterator[tuple[Sequence[str], Iterable[Sequence]]]:
    """Columns and rows of a ledger that must be there; an SQLite file is read without what writing needs."""
    place = where or str(default_ledger())
    file = Path(place) / "ledger.sqlite" if Path(place).is_dir() else Path(place)
    if "://" not in place and file.is_file():
        with quick_rows(file, lot) as found:
            if found is not None:
                yield found
                return
    from plugface.cli.store.ledger import list_units

    ledger = open_existing(where)
    with ledger.reading() as session:
        _check_lot(session, ledger, lot)
        yield list_units(session, lot)


def export(
    out: Annotated[
        Path, typer.Argument(metavar="FILE", help="Ends in .xlsx, .csv or .jsonl.", show_default=False)
    ],
    where: Where = None,
    lot: LotKey = None,
    catalogue: options.CatalogueFolder = None,
    raw: Annotated[
        bool, typer.Option("--raw", help="The ledger's own columns, as .jsonl always has them.")
    ] = False,
) -> None:
    """Write the units of a ledger to a file: .xlsx and .csv for people, .jsonl for another program.

    For people there is a row a unit, in the words of the report: photos, service number and suffix as read,
    donors, pair, stock code, what was confirmed, and what it is worth where the catalogue says so. Donors and
    the like come from the run's own catalogue, or from the one that is named.

    Beside it FILE.manifest.json says with which weights, model and catalogue they were made; `plugface verify
    FILE` compares both with the ledger.

    A file that was changed since, or that plugface did not write, is left alone.

    Exit code: 0, or 2 when there is no such ledger or lot, or the file cannot be written.
    """
    from plugface.cli.present.report.provenance import check_unchanged

    try:
        form = format_of(out)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    check_unchanged(out)
    ledger = open_existing(where)
    part = out.with_name(f".{out.name}.part")
    said: list[str] = []
    try:
        from plugface.cli.present.report.provenance import (
            make_manifest,
            manifest_path,
            write_export_manifest,
        )
        from plugface.cli.store.acts import account, record_act
        from plugface.cli.store.ledger import list_units

        with ledger.reading() as session, named(out), part.open("wb") as file:
            _check_lot(session, ledger, lot)
            if raw or form == "jsonl":
                columns, rows = list_units(session, lot)
                count = write_rows(columns, rows, file, form)
            else:
                from plugface.cli.present.report.rows import say_twice
                from plugface.cli.present.report.sheet import list_lots, sheet_of
                from plugface.cli.present.report.worth import say_worth

                lines, worth = list_lots(session, lot, _catalogue_of(where, catalogue))
                count = write_for_people(sheet_of(lines, worth), file, form)
                said = say_worth(worth)
                if worth and lot is None:
                    said += say_twice(session)
            manifest = make_manifest(session, "export", lot)
        with named(manifest_path(out)):
            written, beside = write_export_manifest(part, out, manifest, count)
        # What cannot be written down is not handed out; and a file and its manifest change together.
        with ledger.transaction() as session:
            record_act(
                session,
                "export",
                who=account(),
                lot=lot or "",
                about=out.name,
                facts={"units": count, "sha256": written["file_sha256"]},
            )
        beside.replace(manifest_path(out))
        part.replace(out)
    finally:
        for left in (part, out.with_name(f".{out.name}.manifest.json.part")):
            left.unlink(missing_ok=True)
    ledger.close()
    say(f"{count} units written to {out}, what they were made with to {manifest_path(out).name}")
    for words in said:
        say(words)


def _catalogue_of(where: str | None, named_one: Path | None) -> Catalogue:
    """The catalogue that is named, else the one that the run keeps, else the usual one."""
    from plugface.cli.lot.run_folder import snapshot
    from plugface.models.catalogue.entries import load_catalogue

    if named_one is not None:
        return load_catalogue(named_one)
    place = Path(where) if where is not None and "://" not in where else default_ledger().parent
    kept = snapshot(place if place.is_dir() else place.parent)
    return load_catalogue(kept if (kept / "catalogue.toml").is_file() else default_catalogue())


def verify(where: Where = None) -> None:
    """Compare every row of a ledger with its hash chain: what was changed, taken out or slipped in is named.

    Exit code: 0 when every row is as it was written, 1 when one is not, 2 when there is no such ledger.
    """
    ledger = open_existing(where)
    found = ledger.verify()
    ledger.close()
    for problem in found.problems:
        say(problem, err=True)
    if found.problems:
        say("The ledger is not as plugface wrote it. Compare it with a backup.", err=True)
        raise typer.Exit(1)
    say(
        f"Every row is as it was written: {found.links} links of the hash chain fit their rows."
        f" The last link is {found.head}; kept elsewhere, it shows later whether the chain was made anew."
    )


def audit(
    where: Where = None,
    lot: LotKey = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object a line (see `plugface schema`).")
    ] = False,
) -> None:
    """Who did what: entries and codes, confirmations, exports, deletions, backups, lots moved.

    Exit code: 0, or 2 when there is no such ledger or lot.
    """
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.acts import list_acts
    from rich.table import Table

    ledger = open_existing(where)
    with ledger.reading() as session:
        entries = list_acts(session, lot)
        if not entries:
            _check_lot(session, ledger, lot)
    ledger.close()
    if as_json:
        from plugface.cli.present.ledger_schemas import ledger_act_out

        for entry in entries:
            say_json(ledger_act_out(entry).model_dump_json())
        return
    table = Table(box=None, pad_edge=False)
    table.add_column("when (UTC)", no_wrap=True)
    for heading in ("what", "who", "lot", "about", ""):
        table.add_column(heading, overflow="fold", no_wrap=heading == "about")
    for entry in entries:
        facts = ", ".join(f"{name} {value}" for name, value in entry.facts.items() if value not in ("", None))
        table.add_row(entry.made_at[:19], entry.act, entry.who, entry.lot, entry.about, facts)
    Screen().print(table)


def open_existing(where: str | None) -> Ledger:
    """Open a ledger that must be there already.

    Raises
    ------
    LedgerError
        If it is not, or is empty or another program's file.
    """
    from plugface.cli.store.ledger import Ledger

    place = where or str(default_ledger())
    if "://" not in place and Path(place).is_dir():
        place = str(Path(place) / "ledger.sqlite")
    return Ledger(place, start=False)


def _check_lot(session, ledger: Ledger, lot: str | None) -> None:
    from plugface.cli.store.ledger import LedgerError, Lot
    from sqlalchemy import func, select

    if lot is not None and not session.scalar(select(func.count()).select_from(Lot).filter_by(key=lot)):
        known = ", ".join(session.scalars(select(Lot.key).order_by(Lot.id.desc()).limit(5)))
        raise LedgerError(ledger.name, f'it has no lot "{lot}"', f"The latest lots are: {known or 'none'}")


def _cells(values: Sequence[object]) -> str:
    """One or more columns as one cell; a family that is confirmed to be none says so."""
    from plugface.cli.present.screen import percent

    if values and values[0] == "":
        return NOT_IN_CATALOGUE if len(values) > 1 else ""
    return " ".join(percent(v) if isinstance(v, float) else str(v) for v in values if v not in (None, ""))
