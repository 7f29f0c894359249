"""One lot from one ledger into another, whole: its rows, its part of the queue, its photos.

Rows go by what they say, not by their numbers: those are given anew. What was done with the lot (acts) goes
along. The lot stays where it was until it is deleted there. What comes in is checked by lot_rows.py.
"""

import base64
import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
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
    look_of_lot,
    now_utc,
)
from plugface.cli.store.lot_rows import (
    NAMES,
    QUEUE,
    ROWS,
    TABLES,
    Rows,
    check_files,
    check_queue_rows,
    read_rows,
)
from plugface.cli.store.parcel import BackupError, ParcelReader, write_parcel
from plugface.cli.store.places import OPEN_LOT
from plugface.cli.store.surroundings import Surroundings, has_codes
from plugface.cli.store.tables import Base
from plugface.cli.version import installed_version
from sqlalchemy import select
from sqlalchemy.orm import Session


@dataclass(frozen=True)
class Moved:
    """What went along."""

    lot: str
    units: int
    photos: int
    name: str  # of the lot in the queue it came into; empty where there is none
    head: str  # last link of the ledger it came from
    faults: tuple[str, ...] = ()  # photos that are missing or not as they were written, in words


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
    with around.kept():
        try:
            return _write_lot(ledger, around, key, place, about | {"head": found.head}, who)
        except (OSError, KeyboardInterrupt) as error:
            with suppress(LedgerError), ledger.transaction() as session:
                facts = {"why": type(error).__name__}
                record_act(session, "lot not sent", who=who, lot=key, about=place.name, facts=facts)
            raise


def _write_lot(
    ledger: Ledger, around: Surroundings, key: str, place: Path, about: dict[str, Any], who: str
) -> Moved:
    faults: list[str] = []
    with write_parcel(place, about) as (parcel, said):
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
        parcel.add_text(ROWS, "\n".join(lines))
        for sha256 in sorted(hashes):
            files = around.files_of(sha256)
            for file in files:
                assert around.folder is not None  # the file lies in it
                name = file.relative_to(around.folder).as_posix()
                if parcel.add(name, file) != sha256 and file.name == f"{sha256}.jpg" and around.has_queue:
                    faults.append(f"{name}: it is not as it was written")
            if not files and around.has_queue:
                faults.append(f"photo {sha256}: its file is gone")
        said["faults"] = faults
    units = sum(table == "units" for table, _ in rows)
    return Moved(key, units, len(hashes), "", about["head"], tuple(faults))


def take_in_lot(place: Path, ledger: Ledger, *, who: str) -> Moved:
    """Add a lot that was sent to a ledger, and to the queue beside it where there is one.

    Raises
    ------
    BackupError
        If it is no such backup, is damaged, or speaks of anything but this lot.
    LedgerError
        If the ledger has a lot of this key already, or the page or a run is at work beside it.
    """
    with closing(ParcelReader(place)) as parcel:
        if parcel.about.get("kind") != "lot":
            raise BackupError(
                str(place), "it holds a whole ledger", "Name a new folder for it instead of --into"
            )
        parcel.check()
        key, head = str(parcel.about.get("lot")), parcel.about["head"]
        rows = read_rows(parcel, key)
        files = check_files(parcel, rows)
        around = Surroundings.of(ledger)
        # The page deletes files that no row of its queue names, which these are until all is written.
        with around.held(), around.queue_or_none() as db:
            if db is not None:
                check_queue_rows(db, place, key, rows)
            name = _add_queue_rows(db, ledger, key, rows) if db is not None else ""
            with _files_in_place(parcel, files, around), ledger.transaction() as session:
                if session.scalar(select(Lot.id).where(Lot.key == key)) is not None:
                    remedy = f"If taking it in was cut off: `plugface ledger delete --lot {key}`, and again"
                    raise LedgerError(ledger.name, f'it has a lot "{key}" already', remedy)
                _add_rows(session, rows)
                record_act(session, "lot taken in", who=who, lot=key, about=place.name, facts={"head": head})
    units, photos = (sum(table == kind for table, _ in rows) for kind in ("units", "photos"))
    return Moved(key, units, photos, name, head, tuple(map(str, parcel.about.get("faults", ()))))


@contextmanager
def _files_in_place(parcel: ParcelReader, names: Iterable[str], around: Surroundings) -> Iterator[None]:
    """Files of a parcel in the folder, each whole or not at all; gone again if the block fails."""
    made: list[Path] = []
    folder = around.folder
    try:
        for name in names if folder is not None else ():
            assert folder is not None  # mypy sees it no further than the line above
            target = folder / name
            if target.exists():
                continue
            part = target.with_name(f".{target.name}.part")  # swept where we are cut off
            part.unlink(missing_ok=True)
            try:
                parcel.copy(name, part)
                part.replace(target)
            finally:
                part.unlink(missing_ok=True)
            made.append(target)
        yield
    except BaseException:
        for file in made:
            file.unlink(missing_ok=True)
        raise


def _rows_of(session: Session, key: str) -> Iterator[tuple[str, dict]]:
    lot_id = session.scalar(select(Lot.id).where(Lot.key == key))
    if lot_id is None:
        return
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
    for table in TABLES:
        columns = table.__table__
        if table in (Photo, Look):
            column = columns.c.id if table is Photo else columns.c.photo_id
            parts = (of_photos[start : start + 900] for start in range(0, len(of_photos), 900))
            # The look that the lot goes by is the last of its photo, which `_add_rows` counts on.
            order = [look_of_lot(lot_id), Look.id] if table is Look else [Photo.id]
            queries = [select(columns).where(column.in_(part)).order_by(*order) for part in parts]
        else:
            queries = [select(columns).where(wanted[table]).order_by(columns.c.id)]
        for query in queries:
            for row in session.execute(query):
                yield table.__tablename__, dict(row._mapping)


def _add_rows(session: Session, rows: Rows) -> None:
    """Add the rows, with times that put no look before one that was here already.

    A lot goes by the newest look that there was when its photo came to it (`look_of_lot`), and the other
    machine's clock says nothing of that here. Of a photo that was looked at here the look comes now, and the
    lot's file when it did.
    """
    now = now_utc()
    numbers: dict[tuple[str, int], int] = {}
    tables = {table.__tablename__: table for table in TABLES}
    gone_by = {row["photo_id"]: row["id"] for name, row in rows if name == Look.__tablename__}
    shared: dict[int, str] = {}  # photo id of those that were looked at here -> when the lot's look came
    for name, row in sorted(rows, key=lambda named: named[0] == File.__tablename__):  # after the looks
        if name not in tables:
            continue
        table: type[Base] = tables[name]
        values = {}
        for column, value in row.items():
            attribute = table.__mapper__.get_property_by_column(table.__table__.c[column]).key
            if column in NAMES and value is not None:
                value = numbers[NAMES[column], value]
            values[attribute] = value
        former = values.pop("id")
        if table is Photo:
            add_once(session, Photo, **values)
            new = session.scalars(select(Photo.id).where(Photo.sha256 == values["sha256"])).one()
            if session.scalar(select(Look.id).where(Look.photo_id == new).limit(1)):
                shared[new] = now
        elif table is Look:
            photo_id, version = values["photo_id"], values["version"]
            if photo_id in shared and gone_by[row["photo_id"]] != former:
                continue  # that of another lot, which does not come along
            values["made_at"] = now if photo_id in shared else min(values["made_at"], now)
            add_once(session, Look, **values)
            if photo_id in shared:  # this version may have looked at it here
                here = select(Look.made_at).filter_by(photo_id=photo_id, version=version)
                shared[photo_id] = session.scalars(here).one()
            continue
        else:
            if table is File:
                values["added_at"] = shared.get(values["photo_id"], min(values["added_at"], now))
            added: Any = table(**values)
            session.add(added)
            session.flush()
            new = added.id
        numbers[name, former] = new


def _queue_rows(db: sqlite3.Connection, key: str) -> Iterator[tuple[str, dict]]:
    for table in QUEUE:
        column = "key" if table == "lots" else "lot"
        for row in db.execute(f"SELECT * FROM {table} WHERE {column} = ?", (key,)):
            values = {
                name: {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value
                for name, value in dict(row).items()
            }
            yield f"queue.{table}", values


def _add_queue_rows(db: sqlite3.Connection, ledger: Ledger, key: str, rows: Rows) -> str:
    """Add the lot's part of a queue; gives the name it goes by, with its key where the name was taken."""
    for table in ("lots", *(["codes"] if has_codes(db) else [])):
        if db.execute(f"SELECT 1 FROM {table} WHERE key = ?", (key,)).fetchone():
            kind = "lot" if table == "lots" else "code of a name"
            raise LedgerError(
                ledger.name, f'the queue beside it has a {kind} "{key}" already', "Nothing was changed"
            )
    name = ""
    for table, row in rows:
        if not table.startswith("queue."):
            continue
        values = dict(row)
        if table == "queue.lots":
            taken = db.execute("SELECT 1 FROM lots WHERE name = ?", (values["name"],)).fetchone()
            if taken or values["name"] == OPEN_LOT:  # that of this machine's own lot is given away to none
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
