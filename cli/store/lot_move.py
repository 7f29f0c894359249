"""One lot from one ledger into another, whole: its rows, its part of the queue, its photos.

Rows go by what they say, not by their numbers: those are given anew. What was done with the lot (acts) goes
along. The lot stays where it was until it is deleted there.
"""

import base64
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plugface.cli.store.acts import record_act
from plugface.cli.store.ledger import (
    Act,
    Confirmation,
    File,
    Finding,
    Ledger,
    LedgerError,
    Look,
    Lot,
    Photo,
    Proposal,
    Unit,
    View,
    add_once,
    now_utc,
)
from plugface.cli.store.parcel import BackupError, ParcelReader, write_parcel
from plugface.cli.store.surroundings import Surroundings
from plugface.cli.store.tables import Base
from plugface.cli.version import installed_version
from sqlalchemy import select
from sqlalchemy.orm import Session

_ROWS = "lot.jsonl"
#: Tables in the order in which they name one another, and the columns by which they do.
_NAMES = {"lot_id": "lots", "photo_id": "photos", "unit_id": "units", "proposal_id": "proposals"}
_TABLES = (Lot, Photo, File, Look, Unit, View, Finding, Proposal, Confirmation, Act)
_QUEUE = ("lots", "units", "photos", "answers")  # tokens stay: whoever has one gives the code once more


@dataclass(frozen=True)
class Moved:
    """What went along."""

    lot: str
    units: int
    photos: int
    name: str  # of the lot in the queue it came into; empty where there is none
    head: str  # last link of the ledger it came from


def send_lot(ledger: Ledger, key: str, place: Path, *, who: str) -> Moved:
    """Write one lot into a folder or .tar file that is not there yet.

    Raises
    ------
    LedgerError
        If there is no such lot, or the ledger does not fit its hash chain.
    BackupError
        If the place is taken.
    """
    around = Surroundings.of(ledger)
    found = ledger.verify()
    if found.problems:
        problem = f"it is not as plugface wrote it, so nothing is sent: {found.problems[0]}"
        raise LedgerError(ledger.name, problem, "See `plugface ledger verify`")
    about = {"kind": "lot", "plugface": installed_version(), "made_at": now_utc(), "lot": key}
    with write_parcel(place, about | {"head": found.head}) as (parcel, _said):
        with ledger.transaction() as session:
            if session.scalar(select(Lot.id).where(Lot.key == key)) is None:
                raise LedgerError(ledger.name, f'it has no lot "{key}"', "See `plugface ledger list`")
            record_act(session, "lot sent", who=who, lot=key, about=place.name)
            session.flush()
            rows = list(_rows_of(session, key))
        hashes = {row["sha256"] for table, row in rows if table == "photos"}
        if around.has_queue:
            with around.queue() as db:
                queued = list(_queue_rows(db, key))
            rows += queued
            hashes |= {row["sha256"] for table, row in queued if table == "queue.photos"}
        lines = (json.dumps({"table": table, "row": row}, ensure_ascii=True) for table, row in rows)
        parcel.add_text(_ROWS, "\n".join(lines))
        for sha256 in sorted(hashes):
            for file in around.files_of(sha256):
                assert around.folder is not None  # the file lies in it
                parcel.add(file.relative_to(around.folder).as_posix(), file)
    return Moved(key, sum(table == "units" for table, _ in rows), len(hashes), "", found.head)


def take_in_lot(place: Path, ledger: Ledger, *, who: str) -> Moved:
    """Add a lot that was sent to a ledger, and to the queue beside it where there is one.

    Raises
    ------
    BackupError
        If it is no such backup, or is damaged.
    LedgerError
        If the ledger has a lot of this key already.
    """
    with closing(ParcelReader(place)) as parcel:
        if parcel.about.get("kind") != "lot":
            raise BackupError(
                str(place), "it holds a whole ledger", "Name a new folder for it instead of --into"
            )
        parcel.check()
        key, head = parcel.about["lot"], parcel.about["head"]
        entries = [json.loads(line) for line in parcel.read(_ROWS).decode().splitlines()]
        rows = [(entry["table"], entry["row"]) for entry in entries]
        around = Surroundings.of(ledger)
        with around.queue_or_none() as db:
            name = _add_queue_rows(db, ledger, key, rows) if db is not None else ""
            for file in parcel.files:
                folder = file.partition("/")[0]
                if folder in ("photos", "thumbs") and around.folder and not (around.folder / file).exists():
                    parcel.copy(file, around.folder / file)
            with ledger.transaction() as session:
                if session.scalar(select(Lot.id).where(Lot.key == key)) is not None:
                    raise LedgerError(ledger.name, f'it has a lot "{key}" already', "Nothing was changed")
                _add_rows(session, rows)
                record_act(session, "lot taken in", who=who, lot=key, about=place.name, facts={"head": head})
    units, photos = (sum(table == kind for table, _ in rows) for kind in ("units", "photos"))
    return Moved(key, units, photos, name, head)


def _rows_of(session: Session, key: str) -> Iterator[tuple[str, dict]]:
    lot_id = session.scalar(select(Lot.id).where(Lot.key == key))
    units = select(Unit.id).where(Unit.lot_id == lot_id)
    photos = set(session.scalars(select(View.photo_id).where(View.unit_id.in_(units))))
    photos |= set(
        session.scalars(select(File.photo_id).where(File.lot_id == lot_id, File.photo_id.is_not(None)))
    )
    of_photos = sorted(photos)
    wanted: dict[type[Base], Any] = {
        Lot: Lot.id == lot_id,
        File: File.lot_id == lot_id,
        Unit: Unit.lot_id == lot_id,
        Act: Act.lot == key,
        **{table: table.unit_id.in_(units) for table in (View, Finding, Proposal, Confirmation)},
    }
    for table in _TABLES:
        columns = table.__table__
        if table in (Photo, Look):
            column = columns.c.id if table is Photo else columns.c.photo_id
            parts = (of_photos[start : start + 900] for start in range(0, len(of_photos), 900))
            queries = [select(columns).where(column.in_(part)).order_by(columns.c.id) for part in parts]
        else:
            queries = [select(columns).where(wanted[table]).order_by(columns.c.id)]
        for query in queries:
            for row in session.execute(query):
                yield table.__tablename__, dict(row._mapping)


def _add_rows(session: Session, rows: list[tuple[str, dict]]) -> None:
    numbers: dict[tuple[str, int], int] = {}
    tables = {table.__tablename__: table for table in _TABLES}
    for name, row in rows:
        if name not in tables:
            continue
        table: type[Base] = tables[name]
        values = {}
        for column, value in row.items():
            attribute = table.__mapper__.get_property_by_column(table.__table__.c[column]).key
            if column in _NAMES and value is not None:
                value = numbers[_NAMES[column], value]
            values[attribute] = value
        former = values.pop("id")
        if table is Photo:
            add_once(session, Photo, **values)
            new = session.scalars(select(Photo.id).where(Photo.sha256 == values["sha256"])).one()
        elif table is Look:
            add_once(session, Look, **values)
            continue
        else:
            added: Any = table(**values)
            session.add(added)
            session.flush()
            new = added.id
        numbers[name, former] = new


def _queue_rows(db: sqlite3.Connection, key: str) -> Iterator[tuple[str, dict]]:
    for table in _QUEUE:
        column = "key" if table == "lots" else "lot"
        for row in db.execute(f"SELECT * FROM {table} WHERE {column} = ?", (key,)):
            values = {
                name: {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value
                for name, value in dict(row).items()
            }
            yield f"queue.{table}", values


def _add_queue_rows(db: sqlite3.Connection, ledger: Ledger, key: str, rows: list[tuple[str, dict]]) -> str:
    """Add the lot's part of a queue; gives the name it goes by, with its key where the name was taken."""
    if db.execute("SELECT 1 FROM lots WHERE key = ?", (key,)).fetchone():
        raise LedgerError(
            ledger.name, f'the queue beside it has a lot "{key}" already', "Nothing was changed"
        )
    name = ""
    for table, row in rows:
        if not table.startswith("queue."):
            continue
        values: dict[str, Any] = {
            column: base64.b64decode(value["base64"]) if isinstance(value, dict) else value
            for column, value in row.items()
        }
        if table == "queue.lots":
            if db.execute("SELECT 1 FROM lots WHERE name = ?", (values["name"],)).fetchone():
                values["name"] = f"{values['name']} ({key})"
            name = values["name"]
        if table == "queue.units" and values["state"] == "working":  # whoever works on it does so elsewhere
            values["state"] = "waiting"
        if table == "queue.units":
            values["ready"] = 0.0  # by another machine's clock
            values.pop("sender", None)  # an address of another network
            values.pop("owner", None)  # a session or a name that opens nothing here
        columns = ", ".join(values)
        places = ", ".join("?" * len(values))
        db.execute(
            f"INSERT INTO {table.removeprefix('queue.')} ({columns}) VALUES ({places})", [*values.values()]
        )
    return name
