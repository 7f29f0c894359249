"""plugface codes: access codes of the yard page that are bound to a name, made and revoked as it serves."""

from pathlib import Path
from typing import Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say

Lot = Annotated[
    str | None,
    typer.Option(
        "--lot", metavar="NAME", help="Name of the lot; not needed where there is one.", show_default=False
    ),
]
Name = Annotated[
    str, typer.Argument(metavar="NAME", help="Of the person, or of the phone.", show_default=False)
]


def add(
    name: Name,
    lot: Lot = None,
    folder: options.YardFolder = None,
    show_codes: options.ShowCodes = False,
) -> None:
    """Make an access code for one person or one phone. What they confirm names them.

    The page may be running; the lot must have been served once. The code is written to access-codes.txt in
    the yard's folder, for its owner's eyes alone.

    Exit code: 0, or 2 when there is no such lot, or the name has a code already.
    """
    from plugface.cli.web.access import split_code
    from plugface.cli.web.codes import CodeFile, add_code

    name = " ".join(name.split())
    if not name or len(name) > 80 or not name.isprintable():
        raise typer.BadParameter("a name has 1 to 80 signs, all of which can be printed")
    with _open(folder) as yard:
        entry = yard.find_lot(lot)
        code = add_code(yard.queue, entry, name)
        yard.record("code made", entry.key, f"{name}, {split_code(code)[0]}")
        file = CodeFile(yard.folder)
        file.add(entry.name, name, code)
    shown = f"access code {code}" if show_codes else f"the access code is in {file.path}"
    say(f'{name}, lot "{entry.name}": {shown}')


def list_codes(lot: Lot = None, folder: options.YardFolder = None) -> None:
    """List the names that have, or had, an access code; the codes themselves are kept nowhere.

    Exit code: 0, or 2 when there is no such lot.
    """
    from plugface.cli.present.screen import Screen
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for heading in ("name", "lot", "begins with", "made (UTC)", "revoked (UTC)"):
        table.add_column(heading, overflow="fold")
    with _open(folder) as yard:
        for entry in [yard.find_lot(lot)] if lot else yard.queue.lots():
            for code in yard.queue.codes(entry):
                table.add_row(code.name, entry.name, code.key, code.created_at[:19], code.revoked_at[:19])
    if table.row_count:
        Screen().print(table)
    else:
        say("No name has an access code of its own; `plugface codes add NAME` makes one.")


def revoke(name: Name, lot: Lot = None, folder: options.YardFolder = None) -> None:
    """End one person's access code. They are out at once, on every phone; nobody else is.

    Exit code: 0, or 2 when there is no such lot, or the name has no code.
    """
    from plugface.cli.web.codes import CodeFile, revoke_code

    with _open(folder) as yard:
        entry = yard.find_lot(lot)
        code = revoke_code(yard.queue, entry, name)
        yard.record("code revoked", entry.key, f"{code.name}, {code.key}")
        CodeFile(yard.folder).drop(code.key)
    say(f'{code.name}, lot "{entry.name}": the access code is of no use any more')


def _open(folder: Path | None) -> "_Yard":
    from plugface.cli.settings import yard_folder

    return _Yard(folder or yard_folder())


class _Yard:
    """The queue and the ledger of a yard's folder, beside a page that may be serving from it."""

    def __init__(self, folder: Path) -> None:
        from plugface.cli.web.limits import Limits
        from plugface.cli.web.queue import Queue, YardError

        file = folder / "queue.sqlite"
        if not file.is_file():
            raise YardError(
                str(folder), "no page has served from it yet", "Start `plugface serve` once, or name --folder"
            )
        self.folder, self.queue = folder, Queue(file, Limits())

    def __enter__(self) -> "_Yard":
        return self

    def __exit__(self, *_: object) -> None:
        self.queue.close()

    def find_lot(self, name: str | None):
        """The lot of this name; without one the only lot that needs a code."""
        from plugface.cli.web.queue import YardError

        lots = [lot for lot in self.queue.lots() if lot.code is not None]
        found = lots if name is None else [lot for lot in lots if lot.name == name]
        if len(found) == 1:
            return found[0]
        names = ", ".join(lot.name for lot in lots) or "none"
        problem = "it has several lots with a code" if found else "it has no such lot with a code"
        raise YardError(str(self.folder), problem, f"Name one with --lot: {names}")

    def record(self, act: str, lot: str, about: str) -> None:
        """Write down that the owner of the machine did something to a code."""
        from plugface.cli.store.acts import account, record_act
        from plugface.cli.store.ledger import Ledger

        ledger = Ledger(self.folder / "ledger.sqlite")
        with ledger.transaction() as session:
            record_act(session, act, who=account(), lot=lot, about=about)
        ledger.close()
