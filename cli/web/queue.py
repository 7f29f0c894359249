"""The durable queue: lots, their units with photos, what waits for an answer, and the answers.

One SQLite file, changed only in transactions that are on disk before they return (synchronous=FULL). A unit
is waiting, working, answered or failed. Each new photo or new request raises the unit's `turn` and sets it
waiting; an answer to an earlier turn is kept but does not end the waiting. What was being worked on when the
program ended waits again at the next start, so nothing that was accepted goes without an answer.

The ledger keeps what was proposed and confirmed, for good; this file keeps what the page needs to work.
"""

import itertools
import json
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from plugface.cli.store.ledger import now_utc
from plugface.cli.web.access import HashedCode
from plugface.cli.web.limits import Limits
from plugface.cli.web.refusals import Refused
from plugface.models.decision.answers import View

State = Literal["new", "waiting", "working", "answered", "failed"]

_TABLES = """
CREATE TABLE IF NOT EXISTS lots (
    key TEXT PRIMARY KEY, name TEXT NOT NULL UNIQUE, salt BLOB, digest BLOB, created_at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS tokens (
    digest TEXT PRIMARY KEY, lot TEXT NOT NULL REFERENCES lots(key), expires REAL NOT NULL);
CREATE TABLE IF NOT EXISTS units (
    lot TEXT NOT NULL REFERENCES lots(key), id TEXT NOT NULL, number INTEGER NOT NULL,
    claimed TEXT NOT NULL DEFAULT '', needs TEXT NOT NULL DEFAULT '{}',
    state TEXT NOT NULL DEFAULT 'new', turn INTEGER NOT NULL DEFAULT 0, ready REAL NOT NULL DEFAULT 0,
    attempts INTEGER NOT NULL DEFAULT 0, problem TEXT NOT NULL DEFAULT '', created_at TEXT NOT NULL,
    PRIMARY KEY (lot, id), UNIQUE (lot, number));
CREATE INDEX IF NOT EXISTS units_by_state ON units (state, ready);
CREATE TABLE IF NOT EXISTS photos (
    lot TEXT NOT NULL, unit TEXT NOT NULL, position INTEGER NOT NULL, sha256 TEXT NOT NULL,
    face TEXT NOT NULL, size_bytes INTEGER NOT NULL, accepted_at TEXT NOT NULL,
    PRIMARY KEY (lot, unit, position), UNIQUE (lot, unit, sha256),
    FOREIGN KEY (lot, unit) REFERENCES units(lot, id));
CREATE TABLE IF NOT EXISTS answers (
    lot TEXT NOT NULL, unit TEXT NOT NULL, turn INTEGER NOT NULL, document TEXT NOT NULL,
    overlays TEXT NOT NULL, verdict TEXT NOT NULL, headline TEXT NOT NULL, probability REAL NOT NULL,
    caution TEXT NOT NULL, made_at TEXT NOT NULL,
    PRIMARY KEY (lot, unit, turn), FOREIGN KEY (lot, unit) REFERENCES units(lot, id));
"""


class YardError(Exception):
    """A yard folder that cannot be used: which one, what is wrong, what mends it."""

    def __init__(self, folder: str, problem: str, remedy: str) -> None:
        self.folder, self.problem, self.remedy = folder, problem, remedy
        super().__init__(f"{folder}: {problem}. {remedy}.")


@dataclass(frozen=True)
class LotEntry:
    """One lot of the page."""

    key: str
    name: str
    code: HashedCode | None  # None: open, for this machine alone


@dataclass(frozen=True)
class PhotoEntry:
    """One accepted photo."""

    position: int
    sha256: str
    face: View
    size_bytes: int
    accepted_at: str


@dataclass(frozen=True)
class AnswerEntry:
    """One answer, as the page shows it."""

    turn: int
    document: str  # JSON, `ResultOut` in documents.py
    overlays: tuple[str, ...]  # SVG, one per photo
    verdict: str
    headline: str
    probability: float
    caution: str  # names of the cautions that come first, or empty
    made_at: str


@dataclass(frozen=True)
class UnitEntry:
    """One unit with its photos and its latest answer."""

    lot: str
    id: str
    number: int
    claimed: str
    needs: dict[str, Any]
    state: State
    turn: int
    problem: str
    created_at: str
    photos: tuple[PhotoEntry, ...]
    answer: AnswerEntry | None


@dataclass(frozen=True)
class Job:
    """One unit to be answered: the worker's copy, which later photos do not change."""

    unit: UnitEntry
    attempts: int  # this one included


class Queue:
    """The open queue of one yard folder; safe to use from several threads of one process.

    Parameters
    ----------
    file : Path
    limits : Limits
    clock : callable, optional
        Seconds since 1970, for what outlives the program.
    steady : callable, optional
        Seconds that never go back, for how long a unit waits: a clock that is set back must not hold it.

    Raises
    ------
    YardError
        If the file cannot be opened or is none of ours.
    """

    def __init__(
        self,
        file: Path,
        limits: Limits,
        clock: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self.limits, self._clock, self._steady = limits, clock, steady
        self._turn = itertools.count(1)
        self._turns: dict[str, int] = {}  # lot -> its latest turn at the workers
        self._writing, self._reading = threading.Lock(), threading.Lock()
        try:
            self._writer, self._reader = _connect(file), _connect(file)
            self._writer.executescript(_TABLES)
        except sqlite3.Error as error:
            raise YardError(str(file), f"it cannot be used ({error})", "Name another --folder") from None

    def close(self) -> None:
        """Let go of the file."""
        self._writer.close()
        self._reader.close()

    def recover(self) -> int:
        """After a start: what was in work waits again, and nothing is held any longer; says how many wait."""
        with self._write() as db:
            db.execute("UPDATE units SET state = 'waiting', ready = 0 WHERE state IN ('working', 'waiting')")
            db.execute("DELETE FROM tokens WHERE expires < ?", (self._clock(),))
            self._drop_empty(db)
            return db.execute("SELECT count(*) FROM units WHERE state = 'waiting'").fetchone()[0]

    # Lots and who may see them

    def add_lot(self, key: str, name: str, code: HashedCode | None) -> LotEntry:
        """Add a lot; where the name is there already, that one stays as it is."""
        with self._write() as db:
            db.execute(
                "INSERT INTO lots VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                (key, name, code and code.salt, code and code.digest, now_utc()),
            )
            row = db.execute("SELECT * FROM lots WHERE name = ?", (name,)).fetchone()
        return _lot(row)

    def change_code(self, key: str, code: HashedCode) -> None:
        """Give a lot another code; whoever came in with the old one is out."""
        with self._write() as db:
            db.execute("UPDATE lots SET salt = ?, digest = ? WHERE key = ?", (code.salt, code.digest, key))
            db.execute("DELETE FROM tokens WHERE lot = ?", (key,))

    def lot(self, *, key: str = "", name: str = "") -> LotEntry | None:
        """The lot with this key or name."""
        with self._read() as db:
            row = db.execute("SELECT * FROM lots WHERE key = ? OR name = ?", (key, name)).fetchone()
        return row and _lot(row)

    def add_token(self, digest: str, lot: str) -> float:
        """Remember a token that opens a lot; gives the time at which it ends, seconds since 1970."""
        expires = self._clock() + self.limits.session_days * 86_400
        with self._write() as db:
            db.execute("INSERT INTO tokens VALUES (?, ?, ?)", (digest, lot, expires))
        return expires

    def drop_token(self, digest: str) -> None:
        """Forget a token."""
        with self._write() as db:
            db.execute("DELETE FROM tokens WHERE digest = ?", (digest,))

    def lot_of_token(self, digest: str) -> LotEntry | None:
        """The lot a token opens, while it does."""
        with self._read() as db:
            row = db.execute(
                "SELECT lots.* FROM tokens JOIN lots ON lots.key = tokens.lot"
                " WHERE tokens.digest = ? AND tokens.expires > ?",
                (digest, self._clock()),
            ).fetchone()
        return row and _lot(row)

    # Taking in

    def describe(self, lot: str, unit: str, claimed: str, needs: dict[str, str | int]) -> UnitEntry:
        """Say what a unit is claimed to be and what it is wanted for; adds the unit where it is new.

        Raises
        ------
        Refused
        """
        text = json.dumps(needs, sort_keys=True)
        with self._write() as db:
            row = self._ensure(db, lot, unit)
            if (row["claimed"], row["needs"]) != (claimed, text):
                db.execute(
                    "UPDATE units SET claimed = ?, needs = ? WHERE lot = ? AND id = ?",
                    (claimed, text, lot, unit),
                )
                if row["state"] != "new":
                    self._await(db, lot, unit, self._steady())
        entry = self.unit(lot, unit)
        assert entry is not None  # it was written just now, and units are never taken away
        return entry

    def accept(
        self, lot: str, unit: str, sha256: str, *, face: str, size_bytes: int, more: bool
    ) -> tuple[PhotoEntry, bool]:
        """Take in one photo, which must be on disk already; says whether it is new to its unit.

        Parameters
        ----------
        more : bool
            Whether further photos of the unit follow: the answer then waits for them a while.

        Raises
        ------
        Refused
        """
        with self._write() as db:
            self._ensure(db, lot, unit)
            self._refuse_over_quota(db, lot, size_bytes)
            photos = db.execute(
                "SELECT * FROM photos WHERE lot = ? AND unit = ? ORDER BY position", (lot, unit)
            ).fetchall()
            known = next((row for row in photos if row["sha256"] == sha256), None)
            if known is None:
                self._refuse_many_photos(len(photos))
                db.execute(
                    "INSERT INTO photos VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (lot, unit, len(photos) + 1, sha256, face, size_bytes, now_utc()),
                )
                self._await(db, lot, unit, self._steady() + (self.limits.hold_s if more else 0.0))
            elif not more:  # sent again as the last one: nothing is waited for any longer
                db.execute(
                    "UPDATE units SET ready = ? WHERE lot = ? AND id = ? AND state = 'waiting'",
                    (self._steady(), lot, unit),
                )
            row = (
                known
                or db.execute(
                    "SELECT * FROM photos WHERE lot = ? AND unit = ? AND sha256 = ?", (lot, unit, sha256)
                ).fetchone()
            )
        return _photo(row), known is None

    def has_room(self, lot: str, unit: str, sha256: str = "", size_bytes: int = 0) -> None:
        """Refuse a photo where it could not be taken in: before it is received, and before it is written.

        Raises
        ------
        Refused
        """
        with self._read() as db:
            self._refuse_over_quota(db, lot, size_bytes)
            if sha256:
                photos = db.execute(
                    "SELECT sha256 FROM photos WHERE lot = ? AND unit = ?", (lot, unit)
                ).fetchall()
                if sha256 not in {row["sha256"] for row in photos}:
                    self._refuse_many_photos(len(photos))
            row = db.execute("SELECT state FROM units WHERE lot = ? AND id = ?", (lot, unit)).fetchone()
            self._refuse_full(db, lot, row["state"] if row else "new")

    def kept_photos(self) -> set[str]:
        """SHA-256 of every photo of every lot."""
        with self._read() as db:
            return {row["sha256"] for row in db.execute("SELECT sha256 FROM photos")}

    # Answering

    def claim(self) -> Job | None:
        """The next unit, now being worked on; None if none may be taken yet.

        Lots take turns, so that one with many units holds no other; within a lot the longest waiting comes
        first.
        """
        with self._write() as db:
            first = db.execute(
                "SELECT rowid, lot, min(ready), min(created_at) FROM units AS u"
                " WHERE state = 'waiting' AND ready <= ? AND NOT EXISTS (SELECT 1 FROM units AS o"
                " WHERE o.lot = u.lot AND o.state = 'waiting'"
                " AND (o.ready, o.created_at, o.number) < (u.ready, u.created_at, u.number))"
                " GROUP BY lot ORDER BY ready, created_at",
                (self._steady(),),
            ).fetchall()
            if not first:
                return None
            chosen = min(
                first, key=lambda row: self._turns.get(row["lot"], 0)
            )  # of equals the longest waiting
            self._turns[chosen["lot"]] = next(self._turn)
            row = db.execute(
                "UPDATE units SET state = 'working', attempts = attempts + 1 WHERE rowid = ? RETURNING *",
                (chosen["rowid"],),
            ).fetchone()
            return Job(_unit(db, row), row["attempts"])

    def finish(self, job: Job, answer: AnswerEntry) -> None:
        """Keep an answer; the unit is answered unless something came in meanwhile."""
        with self._write() as db:
            db.execute(
                "INSERT OR REPLACE INTO answers VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    job.unit.lot,
                    job.unit.id,
                    job.unit.turn,
                    answer.document,
                    json.dumps(answer.overlays),
                    answer.verdict,
                    answer.headline,
                    answer.probability,
                    answer.caution,
                    answer.made_at,
                ),
            )
            self._leave(db, job, "answered", "")

    def fail(self, job: Job, problem: str) -> None:
        """Say why a unit has no answer; a further photo gives it another try."""
        with self._write() as db:
            self._leave(db, job, "failed", problem)

    def put_back(self, job: Job) -> None:
        """Let a unit wait again whose worker came to an end."""
        with self._write() as db:
            self._leave(db, job, "waiting", "")

    # Looking

    def unit(self, lot: str, unit: str) -> UnitEntry | None:
        """One unit of a lot; None if this lot has none of that name."""
        with self._read() as db:
            row = db.execute("SELECT * FROM units WHERE lot = ? AND id = ?", (lot, unit)).fetchone()
            return row and _unit(db, row)

    def units(self, lot: str, *, before: int | None = None, limit: int = 30) -> list[UnitEntry]:
        """Units of a lot, the latest first; `before` is the number at which the page above ended."""
        with self._read() as db:
            rows = db.execute(
                "SELECT * FROM units WHERE lot = ? AND number < ? AND state != 'new'"
                " ORDER BY number DESC LIMIT ?",
                (lot, before or 2**62, limit),
            ).fetchall()
            return [_unit(db, row) for row in rows]

    def ahead_of(self, unit: UnitEntry) -> int:
        """How many units are answered before this one; of the other lots, which take turns with its own."""
        with self._read() as db:
            rows = db.execute(
                "SELECT u.lot AS lot, u.state = 'working' AS working,"
                " count(*) FILTER (WHERE u.state = 'working' OR u.lot != me.lot OR u.ready < me.ready) AS n"
                " FROM units AS u, (SELECT lot, ready FROM units WHERE lot = ? AND id = ?) AS me"
                " WHERE u.state IN ('working', 'waiting') GROUP BY u.lot, working",
                (unit.lot, unit.id),
            ).fetchall()
        own = sum(row["n"] for row in rows if row["lot"] == unit.lot and not row["working"])
        others = (min(row["n"], own + 1) for row in rows if row["lot"] != unit.lot and not row["working"])
        return own + sum(others) + sum(row["n"] for row in rows if row["working"])

    def counts(self, lot: str) -> dict[str, int]:
        """Units of a lot by state."""
        with self._read() as db:
            rows = db.execute("SELECT state, count(*) FROM units WHERE lot = ? GROUP BY state", (lot,))
            return dict(tuple(row) for row in rows)

    def _ensure(self, db: sqlite3.Connection, lot: str, unit: str) -> sqlite3.Row:
        query = "SELECT * FROM units WHERE lot = ? AND id = ?"
        row = db.execute(query, (lot, unit)).fetchone()
        if row is None:
            number = db.execute("SELECT coalesce(max(number), 0) + 1 FROM units WHERE lot = ?", (lot,))
            number = number.fetchone()[0]
            count = "SELECT count(*) FROM units WHERE lot = ?"
            if db.execute(count, (lot,)).fetchone()[0] >= self.limits.units_per_lot:
                self._drop_empty(db)
                if db.execute(count, (lot,)).fetchone()[0] >= self.limits.units_per_lot:
                    raise Refused("lot_full", most=self.limits.units_per_lot)
            db.execute(
                "INSERT INTO units (lot, id, number, created_at) VALUES (?, ?, ?, ?)",
                (lot, unit, number, now_utc()),
            )
            row = db.execute(query, (lot, unit)).fetchone()
        return row

    def _await(self, db: sqlite3.Connection, lot: str, unit: str, ready: float) -> None:
        state = db.execute("SELECT state FROM units WHERE lot = ? AND id = ?", (lot, unit)).fetchone()[0]
        self._refuse_full(db, lot, state)
        db.execute(
            "UPDATE units SET state = 'waiting', turn = turn + 1, ready = ?, attempts = 0, problem = ''"
            " WHERE lot = ? AND id = ?",
            (ready, lot, unit),
        )

    def _refuse_full(self, db: sqlite3.Connection, lot: str, state: str) -> None:
        if state in ("waiting", "working"):  # it has its place
            return
        waiting, own = db.execute(
            "SELECT count(*), count(*) FILTER (WHERE lot = ?) FROM units"
            " WHERE state IN ('waiting', 'working')",
            (lot,),
        ).fetchone()
        if waiting >= self.limits.waiting_units or own >= self.limits.waiting_per_lot:
            raise Refused("queue_full", retry_s=20, waiting=waiting)

    def _refuse_many_photos(self, count: int) -> None:
        if count >= self.limits.photos_per_unit:
            raise Refused("photos_full", most=self.limits.photos_per_unit)

    def _refuse_over_quota(self, db: sqlite3.Connection, lot: str, size_bytes: int) -> None:
        taken = db.execute(
            "SELECT coalesce(sum(size_bytes), 0) FROM photos WHERE lot = ?", (lot,)
        ).fetchone()[0]
        if taken + size_bytes > self.limits.bytes_per_lot:
            raise Refused("quota_full", most=f"{self.limits.bytes_per_lot / 1e9:.2g}")

    def _drop_empty(self, db: sqlite3.Connection) -> None:
        """Forget units that never got a photo; the last of a lot stays, so that no number is given twice."""
        before = datetime.fromtimestamp(self._clock() - self.limits.empty_unit_s, UTC).isoformat()
        db.execute(
            "DELETE FROM units WHERE state = 'new' AND created_at < ? AND number <"
            " (SELECT max(number) FROM units AS o WHERE o.lot = units.lot) AND NOT EXISTS"
            " (SELECT 1 FROM photos WHERE photos.lot = units.lot AND photos.unit = units.id)",
            (before,),
        )

    def _leave(self, db: sqlite3.Connection, job: Job, state: State, problem: str) -> None:
        db.execute(
            "UPDATE units SET state = ?, problem = ?"
            " WHERE lot = ? AND id = ? AND turn = ? AND state = 'working'",
            (state, problem, job.unit.lot, job.unit.id, job.unit.turn),
        )

    @contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        with self._writing:
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                yield self._writer
            except BaseException:
                self._writer.execute("ROLLBACK")
                raise
            self._writer.execute("COMMIT")

    @contextmanager
    def _read(self) -> Iterator[sqlite3.Connection]:
        with self._reading:
            yield self._reader


def _connect(file: Path) -> sqlite3.Connection:
    db = sqlite3.connect(file, timeout=30, isolation_level=None, check_same_thread=False)
    db.row_factory = sqlite3.Row
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        db.execute(f"PRAGMA {pragma}")
    return db


def _lot(row: sqlite3.Row) -> LotEntry:
    code = HashedCode(row["salt"], row["digest"]) if row["digest"] else None
    return LotEntry(row["key"], row["name"], code)


def _photo(row: sqlite3.Row) -> PhotoEntry:
    return PhotoEntry(row["position"], row["sha256"], row["face"], row["size_bytes"], row["accepted_at"])


def _unit(db: sqlite3.Connection, row: sqlite3.Row) -> UnitEntry:
    where = (row["lot"], row["id"])
    rows = db.execute("SELECT * FROM photos WHERE lot = ? AND unit = ? ORDER BY position", where)
    photos = tuple(_photo(photo) for photo in rows)
    answer = db.execute(
        "SELECT * FROM answers WHERE lot = ? AND unit = ? ORDER BY turn DESC LIMIT 1", where
    ).fetchone()
    return UnitEntry(
        lot=row["lot"],
        id=row["id"],
        number=row["number"],
        claimed=row["claimed"],
        needs=json.loads(row["needs"]),
        state=row["state"],
        turn=row["turn"],
        problem=row["problem"],
        created_at=row["created_at"],
        photos=photos,
        answer=answer and _answer(answer),
    )


def _answer(row: sqlite3.Row) -> AnswerEntry:
    return AnswerEntry(
        turn=row["turn"],
        document=row["document"],
        overlays=tuple(json.loads(row["overlays"])),
        verdict=row["verdict"],
        headline=row["headline"],
        probability=row["probability"],
        caution=row["caution"],
        made_at=row["made_at"],
    )
