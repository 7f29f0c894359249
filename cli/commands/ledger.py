"""plugface ledger: look into a ledger, and hand its rows to another program."""

import json
from pathlib import Path
from typing import Annotated

import typer
from plugface.cli.errors import named
from plugface.cli.present.terminal import Screen, percent
from plugface.cli.store.acts import account, list_acts, record_act
from plugface.cli.store.exports import format_of, write_rows
from plugface.cli.store.ledger import Ledger, LedgerError, Lot, default_ledger, list_units
from rich.table import Table
from sqlalchemy import func, select

#: Column of the ledger -> heading in the terminal; an export has them all.
SHOWN = {
    "unit": "unit",
    "bin": "bin",
    "probability": "sure",
    "photos": "photos",
    "true_family": "found to be",
}

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
    ledger = open_existing(where)
    with ledger.reading() as session:
        _check_lot(session, ledger, lot)
        columns, rows = list_units(session, lot)
        if as_json:
            from plugface.cli.present.schemas import ledger_unit_head

            head = ledger_unit_head()
            for row in rows:
                typer.echo(json.dumps(head | dict(zip(columns, row, strict=True)), ensure_ascii=False))
            return
        table = Table(box=None, pad_edge=False)
        for heading in SHOWN.values():
            table.add_column(heading, overflow="fold")
        count = 0
        for row in rows:
            count += 1
            if count <= limit:
                table.add_row(*(_cell(getattr(row, column)) for column in SHOWN))
    console = Screen()
    console.print(table)
    if count > limit:
        console.print(f"{count - limit} more; use --limit, or `plugface ledger export`.")


def export(
    out: Annotated[
        Path, typer.Argument(metavar="FILE", help="Ends in .csv, .jsonl or .xlsx.", show_default=False)
    ],
    where: Where = None,
    lot: LotKey = None,
) -> None:
    """Write the units of a ledger to a file for a spreadsheet or another program.

    Exit code: 0, or 2 when there is no such ledger or lot, or the file cannot be written.
    """
    try:
        form = format_of(out)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    ledger = open_existing(where)
    part = out.with_name(f".{out.name}.part")
    try:
        with ledger.reading() as session, named(out), part.open("wb") as file:
            _check_lot(session, ledger, lot)
            columns, rows = list_units(session, lot)
            count = write_rows(columns, rows, file, form)
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)
    with ledger.transaction() as session:
        record_act(session, "export", who=account(), lot=lot or "", about=out.name, facts={"units": count})
    ledger.close()
    typer.echo(f"{count} units written to {out}")


def verify(where: Where = None) -> None:
    """Compare every row of a ledger with its hash chain: what was changed, taken out or slipped in is named.

    Exit code: 0 when every row is as it was written, 1 when one is not, 2 when there is no such ledger.
    """
    ledger = open_existing(where)
    found = ledger.verify()
    ledger.close()
    for problem in found.problems:
        typer.echo(problem, err=True)
    if found.problems:
        typer.echo("The ledger is not as plugface wrote it. Compare it with a backup.", err=True)
        raise typer.Exit(1)
    typer.echo(f"Every row fits. {found.links} links; the last one is {found.head}.")


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
    ledger = open_existing(where)
    with ledger.reading() as session:
        entries = list_acts(session, lot)
        if not entries:
            _check_lot(session, ledger, lot)
    ledger.close()
    if as_json:
        from plugface.cli.present.ledger_schemas import ledger_act_out

        for entry in entries:
            typer.echo(ledger_act_out(entry).model_dump_json())
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("when (UTC)", "what", "who", "lot", "about", ""):
        table.add_column(heading, overflow="fold")
    for entry in entries:
        facts = ", ".join(f"{name} {value}" for name, value in entry.facts.items() if value not in ("", None))
        table.add_row(entry.made_at[:19], entry.act, entry.who, entry.lot, entry.about, facts)
    Screen().print(table)


def open_existing(where: str | None) -> Ledger:
    """Open a ledger that must be there already.

    Raises
    ------
    LedgerError
        If it is not.
    """
    place = where or str(default_ledger())
    if "://" not in place:
        path = Path(place) / "ledger.sqlite" if Path(place).is_dir() else Path(place)
        if not path.is_file():
            raise LedgerError(
                str(path), "there is no such ledger", "Name a run folder or a ledger with --ledger"
            )
        place = str(path)
    return Ledger(place)


def _check_lot(session, ledger: Ledger, lot: str | None) -> None:
    if lot is not None and not session.scalar(select(func.count()).select_from(Lot).filter_by(key=lot)):
        known = ", ".join(session.scalars(select(Lot.key).order_by(Lot.id.desc()).limit(5)))
        raise LedgerError(ledger.name, f'it has no lot "{lot}"', f"The latest lots are: {known or 'none'}")


def _cell(value: object) -> str:
    if value is None:
        return ""
    return percent(value) if isinstance(value, float) else str(value)
