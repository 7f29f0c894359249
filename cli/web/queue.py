"""The durable queue: lots, their units with photos, what waits for an answer, and the answers.

One SQLite file, changed only in transactions that are on disk before they return (synchronous=FULL). A unit
is waiting, working, answered or failed. Each new photo or new request raises the unit's `turn` and sets it
waiting; an answer to an earlier turn is kept but does not end the waiting. What was being worked on when the
program ended waits again at the next start, so nothing that was accepted goes without an answer.

Whoever made a unit wait is its sender: words below the lot (see turns.py) that are kept until the answer.
Whoever began it, a person or a session, is its owner, the last of those words: nobody else adds to it while
their code or session opens the lot, unless the lot shares its units.

The ledger keeps what was proposed and confirmed, for good; this file keeps what the page needs to work.
"""

import json
import sqlite3
import threading
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from errno import ENOENT
from pathlib import Path
from typing import Any, Literal

from plugface.cli.store.ledger import now_utc
from plugface.cli.web.access import HashedCode
from plugface.cli.web.limits import Limits
from plugface.cli.web.refusals import Refused
from plugface.cli.web.turns import Path as SharePath
from plugface.cli.web.turns import Turns, count_ahead, is_over_share
from plugface.models.decision.answers import View

State = Literal["new", "waiting", "working", "answered", "failed"]

_TABLES = """
CREATE TABLE IF NOT EXISTS lots (
    key TEXT PRIMARY KEY, name TEXT NOT NULL UNIQUE, salt BLOB, digest BLOB, created_at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS tokens (
    digest TEXT PRIMARY KEY, lot TEXT NOT NULL REFERENCES lots(key), expires REAL NOT NULL,
    code TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS codes (
    key TEXT PRIMARY KEY, lot TEXT NOT NULL REFERENCES lots(key), name TEXT NOT NULL, salt BLOB NOT NULL,
    digest BLOB NOT NULL, created_at TEXT NOT NULL, revoked_at TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS units (
    lot TEXT NOT NULL REFERENCES lots(key), id TEXT NOT NULL, number INTEGER NOT NULL,
    claimed TEXT NOT NULL DEFAULT '', needs TEXT NOT NULL DEFAULT '{}', typed TEXT NOT NULL DEFAULT '[]',
    state TEXT NOT NULL DEFAULT 'new', turn INTEGER NOT NULL DEFAULT 0, ready REAL NOT NULL DEFAULT 0,
    attempts INTEGER NOT NULL DEFAULT 0, problem TEXT NOT NULL DEFAULT '', created_at TEXT NOT NULL,
    asked_at TEXT NOT NULL DEFAULT '', sender TEXT NOT NULL DEFAULT '[]', owner TEXT NOT NULL DEFAULT '',
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

#: Seconds that a unit is taken to need until it has been answered; measured at 2 to 4 on two cores.
EXPECTED_S = 3.0

#: Columns that a queue made by an older plugface lacks.
_LATER_COLUMNS = (
    ("tokens", "code", "''"),
    ("units", "asked_at", "''"),
    ("units", "typed", "'[]'"),
    ("units", "sender", "'[]'"),
    ("units", "owner", "''"),
)


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
class CodeEntry:
    """One access code: a lot's own, or one that is bound to a name."""

    key: str  # its first signs
    lot: LotEntry
    name: str  # of the person or phone it was given to; empty: the lot's own
    code: HashedCode | None
    created_at: str
    revoked_at: str = ""  # empty: it opens the lot


@dataclass(frozen=True)
class Visitor:
    """Whoever asks: which lot they may see, and their name where their code is bound to one."""

    lot: LotEntry
    name: str = ""


@dataclass(frozen=True)
class Totals:
    """The queue in numbers, for whoever watches over it."""

    units: dict[str, int]  # by state
    photos: dict[str, int]  # by the state of their unit
    oldest_s: float  # how long the unit that has waited longest has waited; 0: none does


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
    typed: tuple[str, ...] = ()  # lines or barcodes of the label, from a keyboard or a scanner


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
    shared_lots : collection of str, optional
        Names of the lots in which anybody adds to anybody's unit.

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
        *,
        shared_lots: Collection[str] = (),
    ) -> None:
        self.limits, self._clock, self._steady = limits, clock, steady
        self._shared_lots = frozenset(shared_lots)
        self._turns = Turns()  # of the workers' time
        # What is worked on: whose turn it is, and since when.
        self._begun: dict[tuple[str, str, int], tuple[SharePath, float]] = {}
        self._writing, self._reading = threading.Lock(), threading.Lock()
        try:
            self._writer, self._reader = _connect(file), _connect(file)
            self._writer.executescript(_TABLES)
            self._file, self._identity = file, _identity(file)
            self._add_later_columns()
        except (sqlite3.Error, OSError) as error:
            raise YardError(str(file), f"it cannot be used ({error})", "Name another --folder") from None

    def close(self) -> None:
        """Let go of the file."""
        self._writer.close()
        self._reader.close()

    def check_file(self) -> None:
        """Hold that the file is still the one that was opened: SQLite goes on writing to one that is gone.

        Raises
        ------
        FileNotFoundError
            If it was deleted, or another one was put in its place.
        """
        try:
            same = _identity(self._file) == self._identity
        except OSError:
            same = False
        if not same:
            raise FileNotFoundError(ENOENT, "deleted or replaced while it was open", str(self._file))

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
        """Give a lot another code; whoever came in with the old one is out, codes of a name stay."""
        with self._write() as db:
            db.execute("UPDATE lots SET salt = ?, digest = ? WHERE key = ?", (code.salt, code.digest, key))
            db.execute("DELETE FROM tokens WHERE lot = ? AND code = ''", (key,))

    def lot(self, *, key: str = "", name: str = "") -> LotEntry | None:
        """The lot with this key or name."""
        with self._read() as db:
            row = db.execute("SELECT * FROM lots WHERE key = ? OR name = ?", (key, name)).fetchone()
        return row and _lot(row)

    def lots(self) -> list[LotEntry]:
        """All lots, by name."""
        with self._read() as db:
            return [_lot(row) for row in db.execute("SELECT * FROM lots ORDER BY name")]

    def add_code(self, code: CodeEntry) -> None:
        """Add a code that is bound to a name.

        Raises
        ------
        FileExistsError
            If a lot or another code begins with the same signs.
        """
        assert code.code is not None  # only a lot's own entry has none
        with self._write() as db:
            taken = "SELECT 1 FROM lots WHERE key = ? UNION SELECT 1 FROM codes WHERE key = ?"
            if db.execute(taken, (code.key, code.key)).fetchone():
                raise FileExistsError(17, "there is such a code already", code.key)
            db.execute(
                "INSERT INTO codes (key, lot, name, salt, digest, created_at) VALUES (?, ?, ?, ?, ?, ?)",
                (code.key, code.lot.key, code.name, code.code.salt, code.code.digest, code.created_at),
            )

    def revoke_code(self, key: str) -> None:
        """End a code that is bound to a name; whoever came in with it is out, and nobody else."""
        with self._write() as db:
            db.execute("UPDATE codes SET revoked_at = ? WHERE key = ? AND revoked_at = ''", (now_utc(), key))
            db.execute("DELETE FROM tokens WHERE code = ?", (key,))

    def codes(self, lot: LotEntry) -> list[CodeEntry]:
        """The codes of a lot that are bound to a name, the revoked ones too, in the order they were made."""
        with self._read() as db:
            rows = db.execute("SELECT * FROM codes WHERE lot = ? ORDER BY rowid", (lot.key,))
            return [_code(row, lot) for row in rows]

    def code(self, key: str) -> CodeEntry | None:
        """The code that begins with these signs, if it opens a lot: the lot's own, or one of a name."""
        lot = self.lot(key=key)
        if lot is not None:
            return CodeEntry(key, lot, "", lot.code, "")
        with self._read() as db:
            row = db.execute("SELECT * FROM codes WHERE key = ? AND revoked_at = ''", (key,)).fetchone()
        if row is None:
            return None
        opened = self.lot(key=row["lot"])
        assert opened is not None  # a code goes with its lot
        return _code(row, opened)

    def add_token(self, digest: str, lot: str, code: str = "") -> float:
        """Remember a token that opens a lot; gives the time at which it ends, seconds since 1970.

        Parameters
        ----------
        code : str
            Key of the code of a name that it was given for; empty: the lot's own code.
        """
        expires = self._clock() + self.limits.session_days * 86_400
        with self._write() as db:
            db.execute(
                "INSERT INTO tokens (digest, lot, expires, code) VALUES (?, ?, ?, ?)",
                (digest, lot, expires, code),
            )
        return expires

    def drop_token(self, digest: str) -> None:
        """Forget a token."""
        with self._write() as db:
            db.execute("DELETE FROM tokens WHERE digest = ?", (digest,))

    def visitor_of_token(self, digest: str) -> Visitor | None:
        """Whoever holds a token, while it opens a lot."""
        with self._read() as db:
            row = db.execute(
                "SELECT lots.*, coalesce(codes.name, '') AS visitor FROM tokens"
                " JOIN lots ON lots.key = tokens.lot LEFT JOIN codes ON codes.key = tokens.code"
                " WHERE tokens.digest = ? AND tokens.expires > ?"
                # A code that was revoked while it was being checked gets a token all the same.
                " AND (tokens.code = '' OR codes.revoked_at = '')",
                (digest, self._clock()),
            ).fetchone()
        return row and Visitor(_lot(row), row["visitor"])

    # Taking in

    def describe(
        self,
        lot: str,
        unit: str,
        claimed: str,
        needs: dict[str, str | int],
        *,
        typed: tuple[str, ...] = (),
        more: bool = False,
        sender: SharePath = (),
    ) -> UnitEntry:
        """Say what a unit is claimed to be, what it is wanted for and what its label says; adds a new unit.

        What its label says is answered without a photo too; with `more`, photos are waited for a while.

        Raises
        ------
        Refused
        """
        text = json.dumps(needs, sort_keys=True)
        with self._write() as db:
            row = self._ensure(db, lot, unit, sender)
            label = json.dumps(typed)
            if (row["claimed"], row["needs"], row["typed"]) != (claimed, text, label):
                db.execute(
                    "UPDATE units SET claimed = ?, needs = ?, typed = ? WHERE lot = ? AND id = ?",
                    (claimed, text, label, lot, unit),
                )
                if row["state"] != "new" or typed:
                    self._await(db, lot, unit, more, sender)
        found = self.unit(lot, unit)
        assert found is not None  # made just now, if it was not there
        return found

    def accept(
        self,
        lot: str,
        unit: str,
        sha256: str,
        *,
        face: str,
        size_bytes: int,
        more: bool,
        sender: SharePath = (),
    ) -> tuple[PhotoEntry, bool]:
        """Take in one photo, which must be on disk already; says whether it is new to its unit.

        Parameters
        ----------
        more : bool
            Whether further photos of the unit follow: the answer then waits for them a while.
        sender : tuple of str
            Who sends it, in words below the lot; empty: nobody is told apart.

        Raises
        ------
        Refused
        """
        with self._write() as db:
            self._ensure(db, lot, unit, sender)
            photos = db.execute(
                "SELECT * FROM photos WHERE lot = ? AND unit = ? ORDER BY position", (lot, unit)
            ).fetchall()
            known = next((row for row in photos if row["sha256"] == sha256), None)
            if known is None:
                self._refuse_many_photos(len(photos))
                self._refuse_over_quota(db, lot, size_bytes)
                db.execute(
                    "INSERT INTO photos VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (lot, unit, len(photos) + 1, sha256, face, size_bytes, now_utc()),
                )
                self._await(db, lot, unit, more, sender)
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

    def has_room(
        self, lot: str, unit: str, sha256: str = "", size_bytes: int = 0, sender: SharePath = ()
    ) -> None:
        """Refuse a photo where it could not be taken in: before it is received, and before it is written.

        Raises
        ------
        Refused
        """
        with self._read() as db:
            row = db.execute("SELECT * FROM units WHERE lot = ? AND id = ?", (lot, unit)).fetchone()
            if row is not None and not self._is_open(db, row, sender):
                raise Refused("not_yours")
            if sha256:
                query = "SELECT sha256 FROM photos WHERE lot = ? AND unit = ?"
                photos = {photo["sha256"] for photo in db.execute(query, (lot, unit))}
                if sha256 in photos:  # sent again: it has its room
                    return
                self._refuse_many_photos(len(photos))
            self._refuse_over_quota(db, lot, size_bytes)
            self._refuse_full(db, lot, row["state"] if row else "new", sender)

    def is_open_to(self, lot: str, unit: str, sender: SharePath) -> bool:
        """Whether a sender may add to a unit, as far as its owner is concerned."""
        with self._read() as db:
            row = db.execute("SELECT * FROM units WHERE lot = ? AND id = ?", (lot, unit)).fetchone()
            return row is None or self._is_open(db, row, sender)

    def kept_photos(self) -> set[str]:
        """SHA-256 of every photo of every lot."""
        with self._read() as db:
            return {row["sha256"] for row in db.execute("SELECT sha256 FROM photos")}

    # Answering

    def claim(self) -> Job | None:
        """The next unit, now being worked on; None if none may be taken yet.

        Lots share the workers' time, and within a lot those who send do (`Turns`), so that one with many
        units, or with photos that take long, holds no other; of one sender the longest waiting comes first.
        What a unit will take is not known when it is begun: `EXPECTED_S` is charged then, the difference at
        its end.
        """
        with self._write() as db:
            ready = db.execute(
                "SELECT rowid, lot, sender FROM units WHERE state = 'waiting' AND ready <= ?"
                " ORDER BY ready, created_at, number",
                (self._steady(),),
            ).fetchall()
            if not ready:
                return None
            paths = [_path(row) for row in ready]
            path = self._turns.choose(paths)
            chosen = ready[paths.index(path)]
            self._turns.begin(path, EXPECTED_S)
            row = db.execute(
                "UPDATE units SET state = 'working', attempts = attempts + 1 WHERE rowid = ? RETURNING *",
                (chosen["rowid"],),
            ).fetchone()
            job = Job(_unit(db, row), row["attempts"])
        self._begun[job.unit.lot, job.unit.id, job.unit.turn] = path, self._steady()
        return job

    def charge(self, lot: str, seconds: float, sender: SharePath = ()) -> None:
        """Count time that went into a lot's photos before they could wait as time of the workers.

        It comes out of the same machine; who sends photos that are dear to check has turns less often.
        """
        with self._writing:
            self._turns.charge((lot, *(sender or ("",))), seconds)

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
        """How many units are answered before this one; lots take turns, and in them those who send."""
        with self._read() as db:
            own = db.execute(
                "SELECT lot, sender, ready FROM units WHERE lot = ? AND id = ?", (unit.lot, unit.id)
            ).fetchone()
            rows = db.execute(
                "SELECT lot, sender, state = 'working' AS working, count(*) AS n,"
                " count(*) FILTER (WHERE ready < ?) AS before"
                " FROM units WHERE state IN ('working', 'waiting') GROUP BY lot, sender, working",
                (own["ready"],),
            ).fetchall()
        waiting = {_path(row): row for row in rows if not row["working"]}
        path = _path(own)
        before = waiting[path]["before"] if path in waiting else 0
        others = {other: row["n"] for other, row in waiting.items() if other != path}
        return count_ahead(path, before, others) + sum(row["n"] for row in rows if row["working"])

    def counts(self, lot: str) -> dict[str, int]:
        """Units of a lot by state."""
        with self._read() as db:
            rows = db.execute("SELECT state, count(*) FROM units WHERE lot = ? GROUP BY state", (lot,))
            return dict(tuple(row) for row in rows)

    def totals(self) -> Totals:
        """All lots together, in numbers."""
        with self._read() as db:
            counted = db.execute("SELECT state, count(*) FROM units GROUP BY state")
            units = dict(tuple(row) for row in counted)
            counted = db.execute(
                "SELECT state, count(*) FROM photos JOIN units ON units.lot = photos.lot"
                " AND units.id = photos.unit GROUP BY state"
            )
            photos = dict(tuple(row) for row in counted)
            oldest = db.execute(
                "SELECT min(asked_at) FROM units WHERE state IN ('waiting', 'working') AND asked_at != ''"
            ).fetchone()[0]
        age = self._clock() - datetime.fromisoformat(oldest).timestamp() if oldest else 0.0
        return Totals(
            units, photos, max(0.0, age)
        )  # a clock that was set back makes nothing younger than new

    def _add_later_columns(self) -> None:
        with self._write() as db:
            for table, column, empty in _LATER_COLUMNS:
                if column not in {row["name"] for row in db.execute(f"PRAGMA table_info({table})")}:
                    db.execute(f"ALTER TABLE {table} ADD COLUMN {column} TEXT NOT NULL DEFAULT {empty}")

    def _ensure(self, db: sqlite3.Connection, lot: str, unit: str, sender: SharePath) -> sqlite3.Row:
        """The row of a unit that a sender may add to, who is its owner from now on if nobody was."""
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
                "INSERT INTO units (lot, id, number, created_at, owner) VALUES (?, ?, ?, ?, ?)",
                (lot, unit, number, now_utc(), _owner(sender)),
            )
            row = db.execute(query, (lot, unit)).fetchone()
        elif not self._is_open(db, row, sender):
            raise Refused("not_yours")
        elif not self._is_here(db, lot, row["owner"]):
            db.execute("UPDATE units SET owner = ? WHERE lot = ? AND id = ?", (_owner(sender), lot, unit))
        return row

    def _is_open(self, db: sqlite3.Connection, unit: sqlite3.Row, sender: SharePath) -> bool:
        if unit["owner"] == _owner(sender) or not self._is_here(db, unit["lot"], unit["owner"]):
            return True
        name = db.execute("SELECT name FROM lots WHERE key = ?", (unit["lot"],)).fetchone()["name"]
        return name in self._shared_lots

    def _is_here(self, db: sqlite3.Connection, lot: str, owner: str) -> bool:
        """Whether an owner's code or session still opens the lot: a unit must not wait for who is gone."""
        kind, _, who = owner.partition(" ")
        if kind == "name":
            query = "SELECT 1 FROM codes WHERE lot = ? AND name = ? AND revoked_at = ''"
            return db.execute(query, (lot, who)).fetchone() is not None
        query = "SELECT 1 FROM tokens WHERE lot = ? AND substr(digest, 1, ?) = ? AND expires > ?"
        return bool(who) and db.execute(query, (lot, len(who), who, self._clock())).fetchone() is not None

    def _await(self, db: sqlite3.Connection, lot: str, unit: str, more: bool, sender: SharePath) -> None:
        state = db.execute("SELECT state FROM units WHERE lot = ? AND id = ?", (lot, unit)).fetchone()[0]
        self._refuse_full(db, lot, state, sender)
        # Whoever waits already has waited since it first asked, by the clock on the wall: that outlives us.
        # It stays the first sender's, too: its place is not another's to take.
        db.execute(
            "UPDATE units SET asked_at = CASE WHEN state IN ('waiting', 'working') THEN asked_at ELSE ? END,"
            " sender = CASE WHEN state IN ('waiting', 'working') THEN sender ELSE ? END,"
            " state = 'waiting', turn = turn + 1, ready = ?, attempts = 0, problem = ''"
            " WHERE lot = ? AND id = ?",
            (
                datetime.fromtimestamp(self._clock(), UTC).isoformat(timespec="milliseconds"),
                json.dumps(sender),
                self._steady() + (self.limits.hold_s if more else 0.0),
                lot,
                unit,
            ),
        )

    def _refuse_full(self, db: sqlite3.Connection, lot: str, state: str, sender: SharePath) -> None:
        if state in ("waiting", "working"):  # it has its place
            return
        rows = db.execute(
            "SELECT lot, sender, count(*) AS n FROM units WHERE state IN ('waiting', 'working')"
            " GROUP BY lot, sender"
        ).fetchall()
        waiting = sum(row["n"] for row in rows)
        held = {tuple(json.loads(row["sender"])): row["n"] for row in rows if row["lot"] == lot}
        most = self.limits.waiting_per_lot
        full = waiting >= self.limits.waiting_units or sum(held.values()) >= most
        if full or is_over_share(sender, held, most):
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
        begun = self._begun.pop((job.unit.lot, job.unit.id, job.unit.turn), None)
        if begun is not None:
            path, since = begun
            self._turns.correct(path, self._steady() - since - EXPECTED_S)
        db.execute(
            "UPDATE units SET state = ?, problem = ?,"
            " sender = CASE WHEN ? = 'waiting' THEN sender ELSE '[]' END"
            " WHERE lot = ? AND id = ? AND turn = ? AND state = 'working'",
            (state, problem, state, job.unit.lot, job.unit.id, job.unit.turn),
        )

    @contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        with self._writing:
            self.check_file()
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


def _identity(file: Path) -> tuple[int, int]:
    status = file.stat()
    return status.st_dev, status.st_ino


def _connect(file: Path) -> sqlite3.Connection:
    db = sqlite3.connect(file, timeout=30, isolation_level=None, check_same_thread=False)
    db.row_factory = sqlite3.Row
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        db.execute(f"PRAGMA {pragma}")
    return db


def _lot(row: sqlite3.Row) -> LotEntry:
    code = HashedCode(row["salt"], row["digest"]) if row["digest"] else None
    return LotEntry(row["key"], row["name"], code)


def _code(row: sqlite3.Row, lot: LotEntry) -> CodeEntry:
    code = HashedCode(row["salt"], row["digest"])
    return CodeEntry(row["key"], lot, row["name"], code, row["created_at"], row["revoked_at"])


def _path(row: sqlite3.Row) -> SharePath:
    """Whose turn a waiting unit is: the lot, then who sent it."""
    return row["lot"], *(json.loads(row["sender"]) or [""])


def _owner(sender: SharePath) -> str:
    """Whom a unit belongs to that this sender begins; a network changes while a phone is carried about."""
    return sender[-1] if sender else ""


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
        typed=tuple(json.loads(row["typed"])),
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
