"""Ledger, queue and photos into a backup while the page serves, and back into a folder of their own.

The ledger is copied before the queue and the queue before the photos, in the opposite order to that in which
the page writes them: whatever the copied ledger names is in the copied queue, and whatever that names is on
the disk already. SQLite files are copied by SQLite's own online backup, each as one consistent state. Nothing
is deleted meanwhile: who would delete waits, or is told to.
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from plugface.cli.store.acts import record_act
from plugface.cli.store.chain import START
from plugface.cli.store.ledger import Ledger, LedgerError, now_utc
from plugface.cli.store.parcel import BackupError, ParcelReader, ParcelWriter, write_parcel
from plugface.cli.store.surroundings import PAGES, Surroundings
from plugface.cli.version import installed_version

_LEDGER, _QUEUE = "ledger.sqlite", "queue.sqlite"


@dataclass(frozen=True)
class BackedUp:
    """What came into a backup."""

    files: int
    head: str  # last link of its ledger
    faults: tuple[str, ...]  # photos that are missing or not as they were written, in words


def back_up(ledger: Ledger, place: Path, *, who: str) -> BackedUp:
    """Copy a ledger with all that lies beside it into a folder or .tar file that is not there yet.

    Raises
    ------
    LedgerError
        If it is no SQLite ledger, or does not fit its hash chain.
    BackupError
        If the place is taken.
    """
    if ledger.engine.dialect.name != "sqlite":
        raise LedgerError(
            ledger.name, "a ledger on a server is backed up by that server's own means", "Use pg_dump"
        )
    around = Surroundings.of(ledger)
    if place.exists():
        raise BackupError(str(place), "there is something there already", "Name another place")
    with around.kept():
        done = _write_whole(ledger, around, place, who)
        with ledger.transaction() as session:
            facts = {"files": done.files, "head": done.head, "faults": len(done.faults)}
            record_act(session, "backup", who=who, about=place.name, facts=facts)
    return done


def _write_whole(ledger: Ledger, around: Surroundings, place: Path, who: str) -> BackedUp:
    with ledger.transaction() as session:  # that it ended well is another row: it may be cut off
        record_act(session, "backup begun", who=who, about=place.name)
    about = {"kind": "whole", "plugface": installed_version(), "made_at": now_utc()}
    with write_parcel(place, about) as (parcel, said):
        head, rows = _copy_ledger(ledger, parcel)
        said |= {"head": head, "rows": rows}
        hashes = _copy_queue(around, parcel) if around.has_queue else None
        faults = _copy_files(around, parcel, hashes)
        said["faults"] = faults
    return BackedUp(len(parcel.files), head, tuple(faults))


def restore(place: Path, folder: Path, *, who: str) -> BackedUp:
    """Put a whole backup into a folder that is empty or not there yet.

    Nothing is put there before every file was compared with its hash and every row with the hash chain.

    Raises
    ------
    BackupError
        If it is no whole backup, is damaged, or the folder holds something.
    """
    folder = folder.resolve()
    there = folder.exists()  # then it may be a mounted disk or where somebody stands: it stays, and is filled
    part = folder / ".restore.part" if there else folder.with_name(f".{folder.name}.part")
    with closing(ParcelReader(place)) as parcel:
        if parcel.about.get("kind") != "whole":
            raise BackupError(str(place), "it holds one lot alone", "Name a ledger for it with --into")
        beside = (part, folder / "lost+found")  # a freshly formatted disk has that one
        if there and (not folder.is_dir() or any(entry not in beside for entry in folder.iterdir())):
            raise BackupError(str(folder), "there is something there already", "Name a new or empty folder")
        if part.exists():
            shutil.rmtree(part)
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            part.mkdir(mode=0o700)
            for name in parcel.files:
                parcel.copy(name, part / name)
            head = parcel.about["head"]
            _check_ledger(place, part / _LEDGER, folder / _LEDGER, head, who)
            if there:
                _move_up(part)
            else:
                part.replace(folder)
        finally:
            if part.exists():
                shutil.rmtree(part)
        return BackedUp(len(parcel.files), head, tuple(parcel.about.get("faults", ())))


def _move_up(part: Path) -> None:
    """Move what a folder holds into the one that it lies in, the ledger last: without it the rest is none."""
    with suppress(OSError):  # a disk may be somebody else's, or know no owners
        part.parent.chmod(0o700)
    for entry in sorted(part.iterdir(), key=lambda entry: entry.name == _LEDGER):
        entry.replace(part.parent / entry.name)


def _check_ledger(place: Path, file: Path, becomes: Path, head: str, who: str) -> None:
    """Hold a ledger that was put back against its chain; one of an older schema is brought up."""
    same_head = _last_link(file) == head  # asked before: bringing it up may add a link
    try:
        ledger = Ledger(file, becomes=becomes, start=False)
    except LedgerError as error:
        raise BackupError(str(place), f"its ledger cannot be used: {error.problem}", error.remedy) from None
    with closing(ledger):
        problems = ledger.verify().problems
        if problems or not same_head:
            problem = problems[0] if problems else "its last link is not the one that was listed"
            raise BackupError(
                str(place), f"its ledger is not as it was written: {problem}", "Use another one"
            )
        with ledger.transaction() as session:
            record_act(session, "restore", who=who, about=place.name, facts={"head": head})


def _last_link(file: Path) -> str:
    """Hash of a ledger's last link as the file was written; the chain's start where it has none."""
    with closing(sqlite3.connect(file)) as db, suppress(sqlite3.Error):  # no ledger, or one without a chain
        found = db.execute("SELECT sha256 FROM links ORDER BY id DESC LIMIT 1").fetchone()
        return found[0] if found else START
    return START


def _copy_ledger(ledger: Ledger, parcel: ParcelWriter) -> tuple[str, dict[str, int]]:
    database = ledger.engine.url.database
    assert database is not None  # it is a file
    with _copied(Path(database), parcel, _LEDGER) as file:
        with closing(Ledger(file)) as copy:
            found = copy.verify()
        if found.problems:
            raise LedgerError(
                ledger.name,
                f"it is not as plugface wrote it, so it is not backed up: {found.problems[0]}",
                "See `plugface ledger verify`; copy the folder by hand while nothing runs in it",
            )
        with closing(sqlite3.connect(file)) as db:
            db.execute("PRAGMA journal_mode=DELETE").fetchone()
            tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            rows = {name: db.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in tables}
        parcel.add(_LEDGER, file)
    return found.head, {name: count for name, count in rows.items() if not name.startswith("sqlite_")}


def _copy_queue(around: Surroundings, parcel: ParcelWriter) -> set[str]:
    """Copy the queue; gives the SHA-256 of every photo it names."""
    assert around.queue_file is not None  # asked for only where there is a queue
    with _copied(around.queue_file, parcel, _QUEUE) as file:
        with closing(sqlite3.connect(file)) as db:
            db.execute("PRAGMA journal_mode=DELETE").fetchone()
            hashes = {row[0] for row in db.execute("SELECT sha256 FROM photos")}
        parcel.add(_QUEUE, file)
    return hashes


@contextmanager
def _copied(source: Path, parcel: ParcelWriter, name: str) -> Iterator[Path]:
    """A copy of an SQLite file by its online backup, gone when the block ends."""
    file = parcel.scratch(name)
    try:
        with closing(sqlite3.connect(source, timeout=30)) as original:
            os.close(os.open(file, os.O_CREAT | os.O_WRONLY, 0o600))
            with closing(sqlite3.connect(file)) as target:
                try:
                    original.backup(target)
                except sqlite3.Error as error:
                    full = "no space left on device" if "full" in str(error) else f"not copied ({error})"
                    raise BackupError(str(parcel.becomes), f"{name}: {full}", "Make room and again") from None
        yield file
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            file.with_name(file.name + ending).unlink(missing_ok=True)


def _copy_files(around: Surroundings, parcel: ParcelWriter, hashes: set[str] | None) -> list[str]:
    """Copy what lies beside the ledger; gives what is wrong with photos.

    Parameters
    ----------
    hashes : set of str or None
        Photos that the queue names; None: there is no queue, and what is there is copied.
    """
    assert around.folder is not None  # the ledger is a file
    faults = []
    if hashes is None:
        names = ["run.json", *PAGES] if around.is_run else []
        files = [around.folder / name for name in names if (around.folder / name).is_file()]
        files += sorted((around.folder / "catalogue").glob("*.toml")) if around.is_run else []
        files += [file for file, sha256 in around.all_files() if sha256]
    else:
        files = []
        for sha256 in sorted(hashes):
            found = around.files_of(sha256)
            files += found
            if not found:
                faults.append(f"photo {sha256}: its file is gone")
    for file in files:
        name = file.relative_to(around.folder).as_posix()
        try:
            digest = parcel.add(name, file)
        except FileNotFoundError:  # swept or deleted meanwhile
            faults.append(f"{name}: it went away meanwhile")
            continue
        if name.startswith("photos/") and name.count(".") == 1 and digest != file.stem:
            faults.append(f"{name}: it is not as it was written")
    return faults
