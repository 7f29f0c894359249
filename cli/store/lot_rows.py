"""The rows of a lot that was sent, checked before any of them is used: anybody may have written them.

A lot from elsewhere is believed in what it says of itself. That it speaks of no other lot, names no file but
those of its own photos, and holds nothing that the program would trip over, is held here.
"""

import base64
import binascii
import json
import math
import re
import sqlite3
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import Any, get_args

from plugface.cli.store.ledger import (
    Act,
    Confirmation,
    File,
    Finding,
    Look,
    Lot,
    Photo,
    Proposal,
    Unit,
    View,
)
from plugface.cli.store.parcel import BackupError, ParcelReader
from plugface.cli.store.tables import Base
from plugface.models.decision.answers import View as Face

#: File of a parcel that holds the rows.
ROWS = "lot.jsonl"

#: Tables of the ledger, each after those that it names.
TABLES: tuple[type[Base], ...] = (
    Lot, Photo, File, Look, Unit, View, Finding, Proposal, Confirmation, Act,
)  # fmt: skip

#: Columns by which rows name others -> their table.
NAMES = {"lot_id": "lots", "photo_id": "photos", "unit_id": "units", "proposal_id": "proposals"}

#: Tables of the queue; tokens stay: whoever has one gives the code once more.
QUEUE = ("lots", "units", "photos", "answers")

Rows = list[tuple[str, dict[str, Any]]]

_BY_NAME = {table.__tablename__: table for table in TABLES}
_STATES = ("new", "waiting", "working", "answered", "failed")
_PHOTO_FILE = re.compile(
    r"photos/([0-9a-f]{2})/(\1[0-9a-f]{62})(\.shown|\.small)?\.jpg|thumbs/([0-9a-f]{64})\.jpg"
)
_KINDS: dict[str, tuple[type, ...]] = {
    "TEXT": (str,),
    "INTEGER": (int,),
    "REAL": (int, float),
    "BLOB": (bytes,),
}


class _Wrong(ValueError):
    """What is wrong with a row, in words."""


def read_rows(parcel: ParcelReader, key: str) -> Rows:
    """All rows of a parcel, the ledger's checked; bytes of the queue's as such.

    Raises
    ------
    BackupError
    """
    rows: Rows = []
    known: dict[str, set[int]] = {}
    for number, line in enumerate(parcel.read(ROWS).splitlines(), start=1):
        try:
            entry = json.loads(line)
            table, row = entry["table"], entry["row"]
            if not isinstance(table, str) or not isinstance(row, dict):
                raise _Wrong("it is no row")
            if table.startswith("queue."):
                row = {name: _bytes_or_same(value) for name, value in row.items()}
            else:
                _check_row(table, row, key, known)
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise _refused(parcel.place, number, error) from None
        rows.append((table, row))
    if len(known.get("lots", ())) != 1:
        raise BackupError(str(parcel.place), "it holds not one lot", "Use another backup")
    return rows


def check_queue_rows(db: sqlite3.Connection, place: Path, key: str, rows: Rows) -> None:
    """Hold the rows for a queue against its tables.

    Raises
    ------
    BackupError
    """
    columns = {
        f"queue.{table}": {row["name"]: row for row in db.execute(f"PRAGMA table_info({table})")}
        for table in QUEUE
    }
    for number, (table, row) in enumerate(rows, start=1):
        if table.startswith("queue."):
            try:
                _check_queue_row(table, row, key, columns)
            except (ValueError, TypeError, RecursionError) as error:
                raise _refused(place, number, error) from None


def check_files(parcel: ParcelReader, rows: Rows) -> list[str]:
    """Names of the files of a parcel beside its rows, all of them of photos of the lot.

    Raises
    ------
    BackupError
    """
    hashes = {row["sha256"] for table, row in rows if table in ("photos", "queue.photos")}
    names = [name for name in parcel.files if name != ROWS]
    for name in names:
        found = _PHOTO_FILE.fullmatch(name)
        whole = found and (found[2] or found[4])
        if whole not in hashes:
            raise BackupError(
                str(parcel.place), f'"{name}" is the file of no photo of this lot', "Use another backup"
            )
    return names


def _check_row(table: str, row: dict, key: str, known: dict[str, set[int]]) -> None:
    if table not in _BY_NAME:
        raise _Wrong(f'this plugface knows no table "{table}"; a newer one may have written it')
    columns = _BY_NAME[table].__table__.columns
    for name, value in row.items():
        if name not in columns:
            raise _Wrong(f'{table} has no column "{name}" here; a newer plugface may have written it')
        kind = columns[name].type.python_type
        kinds = (int, float) if kind is float else (kind,)
        _check_value(name, value, kinds, may_be_none=bool(columns[name].nullable))
    if row.keys() != set(columns.keys()):
        raise _Wrong(f"{table} lacks a column")
    for name, other in NAMES.items():
        if row.get(name) is not None and row[name] not in known.get(other, set()):
            raise _Wrong(f"it names a row of {other} that is not in it")
    if row["id"] in known.setdefault(table, set()):
        raise _Wrong("its number is there twice")
    known[table].add(row["id"])
    if {Lot.__tablename__: row.get("key"), Act.__tablename__: row.get("lot")}.get(table, key) != key:
        raise _Wrong("it is about another lot")
    if table == Photo.__tablename__:
        _check_sha256(row["sha256"])
    if table == Act.__tablename__:
        _check_json(row["facts"], dict)
    if table == Proposal.__tablename__ and row["decision"]:
        _check_decision(row["decision"])


def _check_queue_row(table: str, row: dict, key: str, columns: dict[str, dict[str, sqlite3.Row]]) -> None:
    if table not in columns:
        raise _Wrong(f'no "{table}" goes with a lot')
    for name, value in row.items():
        if name not in columns[table]:
            raise _Wrong(f'{table} has no column "{name}" here; a newer plugface may have written it')
        column = columns[table][name]
        may_be_none = not (column["notnull"] or column["pk"])
        _check_value(name, value, _KINDS[column["type"]], may_be_none=may_be_none)
    if row.get("key" if table == "queue.lots" else "lot") != key:
        raise _Wrong("it is about another lot")
    checks: dict[str, Callable[[Any], object]] = {
        "sha256": _check_sha256,
        "needs": lambda value: _check_json(value, dict),
        "document": lambda value: _check_json(value, dict),
        "typed": lambda value: _check_texts(value),
        "overlays": lambda value: _check_texts(value),
        "state": lambda value: _check_one_of(value, _STATES),
        "face": lambda value: _check_one_of(value, get_args(Face)),
        "unit" if table != "queue.units" else "id": lambda value: _check_hex(value, 32),
    }
    for name, check in checks.items():
        if name in row:
            check(row[name])


def _check_value(name: str, value: object, kinds: Iterable[type], *, may_be_none: bool) -> None:
    if value is None and may_be_none:
        return
    if isinstance(value, bool) or not isinstance(value, tuple(kinds)):
        raise _Wrong(f'its "{name}" is of another kind')
    if isinstance(value, int | float) and not (math.isfinite(value) and abs(value) < 2**63):
        raise _Wrong(f'its "{name}" is no number that can be kept')
    if isinstance(value, str):
        value.encode()  # half a pair of surrogates is no text
        if name.endswith("_at") and name != "taken_at" and value:  # a camera's own clock may say anything
            datetime.fromisoformat(value)


def _check_sha256(value: object) -> None:
    _check_hex(value, 64)


def _check_hex(value: object, length: int) -> None:
    if not isinstance(value, str) or not re.fullmatch(f"[0-9a-f]{{{length}}}", value):
        raise _Wrong("it names a unit or photo by no such name")


def _check_one_of(value: object, known: tuple[str, ...]) -> None:
    if not isinstance(value, str) or value not in known:
        raise _Wrong(f'"{value}" is none of {", ".join(known)}')


def _check_json(text: str, kind: type) -> Any:
    value = json.loads(text)
    if not isinstance(value, kind):
        raise _Wrong("one of its documents is of another kind")
    return value


def _check_texts(text: str) -> None:
    if not all(isinstance(item, str) for item in _check_json(text, list)):
        raise _Wrong("one of its lists holds something else than texts")


def _check_decision(text: str) -> None:
    from plugface.codec import read_decision

    try:
        read_decision(text)
    except Exception as error:  # whatever a document made up by somebody makes it trip over
        raise _Wrong(f"a decision cannot be read ({type(error).__name__})") from None


def _bytes_or_same(value: object) -> object:
    if not isinstance(value, dict):
        return value
    try:
        return base64.b64decode(value["base64"], validate=True)
    except binascii.Error:
        raise _Wrong("its bytes are no base64") from None


def _refused(place: Path, number: int, error: Exception) -> BackupError:
    problem = str(error) if isinstance(error, _Wrong) else f"it cannot be read ({type(error).__name__})"
    return BackupError(str(place), f"row {number} of the lot is refused: {problem}", "Use another backup")
