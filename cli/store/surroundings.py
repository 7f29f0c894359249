"""What lies beside a ledger and belongs to it: the yard page's queue and photos, or a run's small pictures.

yard folder    queue.sqlite, photos/AB/ABCD...jpg with .shown.jpg and .small.jpg
run folder     run.json, catalogue/, thumbs/ABCD...jpg, report.html, labels.html, report.pdf,
               units.xlsx
"""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

from plugface.cli.store.ledger import Ledger, LedgerError
from plugface.cli.store.locks import KEEPING, lock_folder

#: Pages and the sheet that a run makes of its ledger and that show what is in it.
PAGES = ("report.html", "labels.html", "report.pdf", "units.xlsx")

#: Tables of the queue that name units, each before what it names.
_OF_UNITS = ("answers", "photos")

#: What a unit's columns hold, as SQL, when nothing is left of it but its number.
_EMPTY = {
    "state": "'new'", "claimed": "''", "needs": "'{}'", "typed": "'[]'", "problem": "''", "attempts": "0",
    "sender": "'[]'", "owner": "''", "asked_at": "''",
}  # fmt: skip


class Kept(LedgerError):
    """A folder that is being copied, or deleted from, by somebody else at this moment."""


class Surroundings:
    """The folder of an SQLite ledger.

    Parameters
    ----------
    folder : Path or None
        None: the ledger is no file, so that nothing lies beside it.
    """

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.queue_file = folder / "queue.sqlite" if folder else None
        self.has_queue = bool(self.queue_file and self.queue_file.is_file())
        self.is_run = bool(folder and (folder / "run.json").is_file())

    @classmethod
    def of(cls, ledger: Ledger) -> "Surroundings":
        """What lies beside this ledger."""
        file = ledger.engine.url.database
        return cls(Path(file).parent if ledger.engine.dialect.name == "sqlite" and file else None)

    @contextmanager
    def held(self) -> Iterator[None]:
        """Keep the yard page and sorting out of the folder meanwhile.

        Raises
        ------
        LedgerError
            If one of them is at work there.
        """
        if not (self.has_queue or self.is_run):
            yield
            return
        assert self.folder is not None  # or there would be neither
        try:
            lock = lock_folder(self.folder)
        except BlockingIOError:
            raise LedgerError(
                str(self.folder), "another plugface is at work in it", "End that one first and run again"
            ) from None
        with lock:
            yield

    @contextmanager
    def kept(self) -> Iterator[None]:
        """Keep away whoever else copies what is here, or deletes from it: a copy must be of one state.

        Raises
        ------
        Kept
            If somebody does.
        """
        if self.folder is None:
            yield
            return
        try:
            lock = lock_folder(self.folder, KEEPING)
        except BlockingIOError:
            raise Kept(
                str(self.folder), "it is being backed up, or deleted from", "Run again once that has ended"
            ) from None
        with lock:
            yield

    @contextmanager
    def queue(self) -> Iterator[sqlite3.Connection]:
        """The queue, in one transaction that is kept when the block ends well; what is deleted is zeroed."""
        assert self.queue_file is not None  # as `has_queue` says
        db = sqlite3.connect(self.queue_file, timeout=30, isolation_level=None)
        db.row_factory = sqlite3.Row
        try:
            for pragma in ("secure_delete=ON", "synchronous=FULL", "foreign_keys=ON"):
                db.execute(f"PRAGMA {pragma}")
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
            except BaseException:
                db.execute("ROLLBACK")
                raise
            db.execute("COMMIT")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        except sqlite3.Error as error:
            raise LedgerError(
                str(self.queue_file), f"the queue cannot be written ({error})", "Check it and run again"
            ) from None
        finally:
            db.close()

    def queue_or_none(self):
        """As `queue`; None in its place where there is none."""
        return self.queue() if self.has_queue else nullcontext(None)

    def files_of(self, sha256: str) -> list[Path]:
        """The files of a photo that are there."""
        if self.folder is None:
            return []
        shelf = self.folder / "photos" / sha256[:2]
        names = [shelf / f"{sha256}{ending}" for ending in (".jpg", ".shown.jpg", ".small.jpg")]
        return [file for file in (*names, self.folder / "thumbs" / f"{sha256}.jpg") if file.is_file()]

    def all_files(self) -> Iterator[tuple[Path, str]]:
        """(file, SHA-256 of the photo it should belong to) of everything in the photos' folders."""
        if self.folder is None or not (self.has_queue or self.is_run):
            return
        for pattern in ("photos/??/*", "thumbs/*"):
            for file in sorted(self.folder.glob(pattern)):
                yield file, "" if file.name.endswith(".part") else file.name.partition(".")[0]

    def drop_files(self, hashes: Iterable[str]) -> int:
        """Delete the files of photos; says how many."""
        files = [file for sha256 in hashes for file in self.files_of(sha256)]
        for file in files:
            file.unlink(missing_ok=True)
        return len(files)

    def drop_pages(self) -> list[str]:
        """Delete the pages a run made, which still show what is gone; gives their names."""
        if not self.is_run:
            return []
        assert self.folder is not None  # a run has one
        gone = [name for name in PAGES if (self.folder / name).is_file()]
        for name in gone:
            (self.folder / name).unlink()
        return gone

    def old_copies(self) -> list[Path]:
        """Copies that still hold what is deleted: ledgers before a migration, sheets that were changed."""
        if self.folder is None:
            return []
        sheets = self.folder.glob("units.kept-*.xlsx") if self.is_run else ()
        return sorted([*self.folder.glob("*.sqlite.before-*"), *sheets])


def asked_units(db: sqlite3.Connection) -> set[tuple[str, str]]:
    """(lot, id) of the units that wait for an answer or are being looked at."""
    found = db.execute("SELECT lot, id FROM units WHERE state IN ('waiting', 'working')")
    return {(row[0], row[1]) for row in found}


def drop_queue_units(db: sqlite3.Connection, units: Iterable[tuple[str, str]]) -> int:
    """Delete units, as (lot, id), with their photos and answers from the queue; says how many.

    The last unit of a lot stays as an empty one, so that its number is not given to another.
    """
    count = 0
    there = {row["name"] for row in db.execute("PRAGMA table_info(units)")}  # an older queue lacks some
    emptied = ", ".join(f"{column} = {value}" for column, value in _EMPTY.items() if column in there)
    for lot, unit in units:
        for table in _OF_UNITS:
            db.execute(f"DELETE FROM {table} WHERE lot = ? AND unit = ?", (lot, unit))
        newest = db.execute("SELECT max(number) FROM units WHERE lot = ?", (lot,)).fetchone()[0]
        count += db.execute(
            f"UPDATE units SET {emptied} WHERE lot = ? AND id = ? AND number = ?", (lot, unit, newest)
        ).rowcount
        count += db.execute(
            "DELETE FROM units WHERE lot = ? AND id = ? AND number < ?", (lot, unit, newest)
        ).rowcount
    return count


def drop_queue_photo(db: sqlite3.Connection, sha256: str) -> None:
    """Delete a photo from every unit of the queue, with the answers that it had a part in."""
    units = db.execute("SELECT lot, unit FROM photos WHERE sha256 = ?", (sha256,)).fetchall()
    db.execute("DELETE FROM photos WHERE sha256 = ?", (sha256,))
    for lot, unit in units:
        db.execute("DELETE FROM answers WHERE lot = ? AND unit = ?", (lot, unit))
        left = db.execute("SELECT count(*) FROM photos WHERE lot = ? AND unit = ?", (lot, unit)).fetchone()[0]
        if left:  # the others are looked at again, without it
            db.execute(
                "UPDATE units SET state = 'waiting', turn = turn + 1, ready = 0, attempts = 0, problem = ''"
                " WHERE lot = ? AND id = ?",
                (lot, unit),
            )
        else:
            drop_queue_units(db, [(lot, unit)])


def drop_queue_lot(db: sqlite3.Connection, lot: str) -> int:
    """Delete a lot with its codes and all its units from the queue; says how many units."""
    count = db.execute("SELECT count(*) FROM units WHERE lot = ?", (lot,)).fetchone()[0]
    for table in (*_OF_UNITS, "units", "tokens", *(["codes"] if has_codes(db) else [])):
        db.execute(f"DELETE FROM {table} WHERE lot = ?", (lot,))
    db.execute("DELETE FROM lots WHERE key = ?", (lot,))
    return count


def has_codes(db: sqlite3.Connection) -> bool:
    """Whether a queue knows codes of names; one that was made before them and not opened since does not."""
    return db.execute("SELECT 1 FROM sqlite_master WHERE name = 'codes'").fetchone() is not None


def change_queue_answers(
    db: sqlite3.Connection, change: Callable[[object], object], lot: str | None = None
) -> int:
    """Rewrite the documents of answers; says how many became different."""
    count = 0
    query = "SELECT rowid AS number, lot, document FROM answers"
    for row in db.execute(query).fetchall():
        if lot is not None and row["lot"] != lot:
            continue
        document = json.loads(row["document"])
        changed = json.dumps(change(document), ensure_ascii=False)
        if json.loads(changed) != json.loads(row["document"]):
            db.execute("UPDATE answers SET document = ? WHERE rowid = ?", (changed, row["number"]))
            count += 1
    return count
