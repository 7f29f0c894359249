"""plugface ledger backup, restore, delete, sweep: keeping what must be kept, and no more."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands.ledger import Where, open_existing
from plugface.cli.present.plain_text import say

if TYPE_CHECKING:  # what opens a ledger is loaded when one is opened: a help page comes at once
    from plugface.cli.store.deletion import Doomed
    from plugface.cli.store.ledger import Ledger

Place = Annotated[
    Path, typer.Argument(metavar="FILE|DIR", help="Ends in .tar, or a folder.", show_default=False)
]
Who = Annotated[
    str | None,
    typer.Option("--who", help="Your name; without it the account's.", show_default=False),
]
Yes = Annotated[bool, typer.Option("--yes", help="Do it; without this it is only said what would be done.")]


def backup(
    place: Place,
    where: Where = None,
    lot: Annotated[
        str | None, typer.Option("--lot", help="This lot alone, to be moved.", show_default=False)
    ] = None,
    who: Who = None,
) -> None:
    """Copy ledger, queue and photos together into a new folder or .tar file, also while the page serves.

    With --lot that lot alone, to be taken in elsewhere by `restore --into`; it stays here, too.

    Exit code: 0, 1 when a photo's file is gone or damaged and the rest is backed up, 2 when nothing is.
    """
    from plugface.cli.store.acts import account
    from plugface.cli.store.backup import back_up
    from plugface.cli.store.lot_move import send_lot

    ledger = open_existing(where)
    name = account() if who is None else who
    with closing(ledger):
        if lot is not None:
            sent = send_lot(ledger, lot, place, who=name)
            say(f"Lot {lot}: {sent.units} units, {sent.photos} photos written to {place}.")
            say(f"It is here, too, until `plugface ledger delete --lot {lot}`.")
            _warn(sent.faults)
            return
        done = back_up(ledger, place, who=name)
    say(f"{done.files} files written to {place}. The last link is {done.head}.")
    _warn(done.faults)


def restore(
    place: Place,
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[FOLDER]", help="New or empty folder for it.", show_default=False),
    ] = None,
    into: Annotated[
        str | None,
        typer.Option(
            "--into", metavar="WHERE", help="Ledger that takes a lot in.", show_default=False
        ),
    ] = None,
    who: Who = None,
) -> None:  # fmt: skip
    """Put a backup into a new folder, or a lot that was sent into a ledger that is there.

    Every file is compared with its hash and every row with the hash chain before anything is put in place.
    Nothing is ever overwritten.

    Exit code: 0, 1 when photos were gone or damaged already when it was written, 2 when it cannot be used.
    """
    from plugface.cli.store.acts import account
    from plugface.cli.store.backup import restore as put_back
    from plugface.cli.store.lot_move import take_in_lot

    if (folder is None) == (into is None):
        raise typer.BadParameter("name a folder, or a ledger with --into")
    name = account() if who is None else who
    if into is None:
        assert folder is not None  # one of the two is named
        done = put_back(place, folder, who=name)
        say(f"{done.files} files in {folder}, every hash right. The last link was {done.head}.")
        _warn(done.faults)
        return
    with closing(open_existing(into)) as ledger:
        moved = take_in_lot(place, ledger, who=name)
    say(f"Lot {moved.lot}: {moved.units} units, {moved.photos} photos taken in.")
    if moved.name:
        say(f'On the yard page it is "{moved.name}", with the access code it had.')
    _warn(moved.faults)


def _warn(faults: tuple[str, ...]) -> None:
    for fault in faults:
        say(fault, err=True)
    if faults:
        raise typer.Exit(1)


def delete_rows(
    where: Where = None,
    lot: Annotated[
        str | None, typer.Option("--lot", help="Delete this lot, or only look there.", show_default=False)
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="Delete this unit.", show_default=False)] = None,
    photo: Annotated[
        str | None,
        typer.Option(
            "--photo", metavar="SHA256", help="Delete this photo, from every lot.", show_default=False
        ),
    ] = None,
    plates: Annotated[
        bool, typer.Option("--plates", help="Delete donors' numbers read beside units, and nothing else.")
    ] = False,
    why: Annotated[str, typer.Option("--why", help="Reason, which stays with the tombstones.")] = "",
    who: Who = None,
    yes: Yes = False,
) -> None:
    """Delete a lot, a unit or a photo with all that hangs on it, or donors' numbers alone.

    What is deleted is gone from the ledger, the yard page's queue and the yard's disk. That it was deleted
    stays: who, when, why, and a hash of each row, so that `plugface ledger verify` still holds. Photos that
    `plugface sort` was given lie in your own folder and are left there; sorted again they come back.

    Exit code: 0, or 2 when there is no such thing, or plugface is at work in the folder.
    """
    from plugface.cli.store.acts import account
    from plugface.cli.store.deletion import doom_lot, doom_photo, doom_unit

    if sum(map(bool, (unit, photo, plates))) > 1 or not (lot or unit or photo or plates):
        raise typer.BadParameter("name one of --lot, --unit, --photo, --plates")
    if photo and lot:
        raise typer.BadParameter("--photo goes from every lot that has it; leave out --lot")
    ledger = open_existing(where)
    name = account() if who is None else who
    if plates:
        _delete_plates(ledger, lot, name, why, yes)
    else:
        doomed = (
            doom_unit(ledger, unit, lot)
            if unit
            else doom_photo(ledger, photo)
            if photo
            else doom_lot(ledger, lot or "")  # it is named where neither of the others is
        )
        _delete(ledger, doomed, name, why, yes)
    ledger.close()


def sweep(
    where: Where = None,
    keep_days: Annotated[
        int | None,
        typer.Option(
            "--keep-days", min=1, metavar="N",
            help="Delete units about which nothing was recorded for so long.", show_default=False,
        ),
    ] = None,
    missing: Annotated[
        bool, typer.Option("--missing", help="Also delete the rows of photos whose file is gone.")
    ] = False,
    who: Who = None,
    yes: Yes = False,
) -> None:  # fmt: skip
    """Delete what is past its time, and files that no row names.

    Exit code: 0, 1 when photos' files are gone and their rows stay, 2 when there is no such ledger, or
    plugface is at work in its folder.
    """
    from plugface.cli.store.acts import account, record_act
    from plugface.cli.store.deletion import doom_older_than, doom_photo, find_orphans
    from plugface.cli.store.surroundings import Surroundings

    ledger = open_existing(where)
    name = account() if who is None else who
    if keep_days is not None:
        before = (datetime.now(UTC) - timedelta(days=keep_days)).isoformat(timespec="milliseconds")
        doomed = doom_older_than(ledger, before.replace("+00:00", "Z"))
        if doomed.rows.get("units") or doomed.queue_units:
            _delete(ledger, doomed, name, f"kept for {keep_days} days", yes)
        else:
            say(f"No unit is older than {keep_days} days.")
    orphans = find_orphans(ledger)
    if orphans.files:
        say(f"{len(orphans.files)} files that no row names {'are deleted' if yes else 'would be deleted'}.")
    if yes and orphans.files:
        around = Surroundings.of(ledger)
        with around.held(), around.kept():
            for file in orphans.files:
                file.unlink(missing_ok=True)
            with ledger.transaction() as session:
                record_act(session, "sweep", who=name, facts={"files": len(orphans.files)})
    for sha256 in orphans.missing:
        if missing:
            _delete(ledger, doom_photo(ledger, sha256), name, "its file is gone", yes)
        else:
            say(f"The file of photo {sha256} is gone.", err=True)
    ledger.close()
    if orphans.missing and not (missing and yes):
        say("Put them back from a backup, or delete their rows with --missing.", err=True)
        raise typer.Exit(1)
    if not (keep_days or orphans.files or orphans.missing):
        say("No file without a row, no row without a file.")


def _delete(ledger: Ledger, doomed: Doomed, who: str, why: str, yes: bool) -> None:
    from plugface.cli.store.deletion import delete

    counts = delete(ledger, doomed, who=who, why=why) if yes else doomed.counts()
    _say(ledger, doomed.about, counts, yes)


def _delete_plates(ledger: Ledger, lot: str | None, who: str, why: str, yes: bool) -> None:
    from plugface.cli.store.deletion import delete_plates, doom_plates

    if yes:
        counts = delete_plates(ledger, lot, who=who, why=why)
    else:
        planned = doom_plates(ledger, lot)
        counts = {"texts": planned.texts, "looks": len(planned.looks)}
    _say(ledger, "donors' numbers", counts, yes)
    say("The photos still show what is in the picture; --photo deletes one.")


def _say(ledger: Ledger, about: str, counts: dict[str, int], done: bool) -> None:
    from plugface.cli.store.surroundings import Surroundings

    listed = ", ".join(f"{count} {name}" for name, count in counts.items() if count) or "nothing"
    say(f"{about}: {listed} {'deleted' if done else 'would be deleted; add --yes to do it'}.")
    for copy in Surroundings.of(ledger).old_copies() if done else ():
        say(f"An older copy still holds it: {copy}", err=True)
