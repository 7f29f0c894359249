"""The hash chain over a ledger: each transaction adds a link over its rows and the link before.

A row that is changed, taken out or slipped in behind the program's back no longer fits its link. Whoever can
write the file can also forge the whole chain; what holds against that is a link's hash kept elsewhere: on a
printed report, in an export, with the buyer.

A link of form 2 hashes the hashes of its rows, so that a row can be deleted and its hash, kept in a tombstone
(`Deletion`), still stands for it. A link of form 1, as plugface wrote until schema 0003, hashes the rows
themselves. Before the first row of such a link is deleted the link is compared with its rows and sealed: the
hash over the hashes of its rows goes into a row of its own, which later links hold.
"""

import hashlib
import json
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from operator import itemgetter

from plugface.cli.store.tables import Base, Deletion, Link, Seal
from sqlalchemy import Row, Table, delete, func, select
from sqlalchemy.orm import Session

#: Tables of the chain, in the order in which a link hashes their rows. It is part of the format: a later
#: table comes at the end, and none of these ever gets another column, or links written before no longer fit.
CHAINED = (
    "lots", "photos", "files", "looks", "units", "findings", "proposals", "views", "confirmations",
    "acts", "deletions", "seals",
)  # fmt: skip

#: Tables whose rows can be deleted, each after those that name its rows.
DELETABLE = (
    "confirmations", "proposals", "findings", "views", "units", "looks", "files", "photos", "lots",
)  # fmt: skip

#: What the first link goes by in place of a link before it.
START = "0" * 64

#: Numbers in one "IN (...)" of SQL; SQLite allowed 999 until 3.32.
_AT_ONCE = 900

#: Table -> ids in order, each with the SHA-256 of the row that was deleted there.
Tombstones = dict[str, list[tuple[int, str]]]


class ChainBroken(ValueError):
    """Rows that cannot be deleted, for their link does not fit them as they are."""


@dataclass(frozen=True)
class Verified:
    """What became of checking a chain."""

    links: int
    head: str  # hash of the last link
    problems: tuple[str, ...]  # in words; empty: every row is as it was written
    deleted: int = 0  # rows of which only the hash is left


def add_link(session: Session, made_at: str) -> str:
    """Add a link over the rows that none has yet; gives the hash of the last link there is."""
    session.flush()
    last = session.execute(select(Link).order_by(Link.id.desc()).limit(1)).scalar_one_or_none()
    head, chained = (last.sha256, json.loads(last.rows)) if last else (START, {})
    ends = {name: end for name, (_start, end) in chained.items()}
    spans = {}
    newest = session.execute(
        select(*(select(func.max(table.c.id)).scalar_subquery().label(table.name) for table in _tables()))
    ).one()
    for name, newest_id in newest._mapping.items():
        done = ends.get(name, 0)
        spans[name] = [done, max(newest_id or 0, done)]
    if all(start == end for start, end in spans.values()):
        return head
    link = Link(rows=json.dumps(spans, sort_keys=True), made_at=made_at, form=2)
    link.sha256 = _hash_link(head, link, _hash_rows(session, spans, {}))
    session.add(link)
    session.flush()
    return link.sha256


def verify_chain(session: Session) -> Verified:
    """Compare every row with the chain."""
    ends: dict[str, int] = {}
    problems, head, count = [], START, 0
    gone, seals = _tombstones(session), dict(session.execute(select(Seal.link_id, Seal.sha256)).all())
    for link in session.scalars(select(Link).order_by(Link.id)):
        count += 1
        spans = json.loads(link.rows)
        about = ", ".join(
            f"{name} {start + 1} to {end}" for name, (start, end) in spans.items() if end > start
        )
        if any(start != ends.get(name, 0) for name, (start, _end) in spans.items()):
            problems.append(f"link {link.id} of {link.made_at} does not follow the one before it")
        elif not _fits(session, head, link, gone, seals):
            problems.append(f"link {link.id} of {link.made_at} does not fit its rows ({about})")
        head = link.sha256
        ends |= {name: end for name, (_start, end) in spans.items()}
    for table in _tables():
        loose = session.scalar(
            select(func.count()).select_from(table).where(table.c.id > ends.get(table.name, 0))
        )
        if loose:
            problems.append(f"{loose} rows of {table.name} are in no link: not written by plugface")
    for name in DELETABLE:
        table = Base.metadata.tables[name]
        told = select(Deletion.row_id).where(Deletion.table_name == name)
        problems += [
            f"row {row_id} of {name} is there although its tombstone says that it was deleted"
            for row_id in session.scalars(select(table.c.id).where(table.c.id.in_(told)))
        ]
    return Verified(count, head, tuple(problems), sum(map(len, gone.values())))


def delete_rows(session: Session, rows: Iterable[tuple[str, int]], *, act_id: int, made_at: str) -> int:
    """Delete rows and leave a tombstone for each, inside a transaction of the ledger; says how many.

    Parameters
    ----------
    session : Session
    rows : iterable of (table, id)
        All rows that name one of them must be among them.
    act_id : int
        The act, already in the ledger, that says who did it and why.
    made_at : str

    Raises
    ------
    ChainBroken
        If a row's link does not fit it now: what was changed must not be taken away unseen.
    """
    wanted: dict[str, set[int]] = {}
    for name, row_id in rows:
        wanted.setdefault(name, set()).add(row_id)
    if not wanted:
        return 0
    session.flush()
    _seal(session, wanted, made_at)
    count = 0
    for name in DELETABLE:
        table = Base.metadata.tables[name]
        for part in _parts(sorted(wanted.get(name, ()))):
            found = session.execute(select(table).where(table.c.id.in_(part)).order_by(table.c.id)).all()
            session.add_all(
                Deletion(act_id=act_id, table_name=name, row_id=row.id, sha256=_hash_row(name, row))
                for row in found
            )
            session.flush()
            session.execute(delete(table).where(table.c.id.in_([row.id for row in found])))
            count += len(found)
    session.expire_all()
    return count


def _seal(session: Session, wanted: dict[str, set[int]], made_at: str) -> None:
    """Compare the links of these rows with them, and seal those that hash the rows themselves."""
    gone, seals = _tombstones(session), dict(session.execute(select(Seal.link_id, Seal.sha256)).all())
    sought = {name: [(row_id, "") for row_id in sorted(ids)] for name, ids in wanted.items()}
    head = START
    for link in session.scalars(select(Link).order_by(Link.id)).all():
        spans = json.loads(link.rows)
        if any(_within(spans, sought)):
            if not _fits(session, head, link, gone, seals):
                raise ChainBroken(f"link {link.id} of {link.made_at} does not fit its rows")
            if link.form == 1 and link.id not in seals:
                content = _hash_rows(session, spans, gone)
                session.add(Seal(link_id=link.id, sha256=content, made_at=made_at))
        head = link.sha256
    session.flush()


def _fits(session: Session, head: str, link: Link, gone: Tombstones, seals: dict[int, str]) -> bool:
    spans = json.loads(link.rows)
    if link.form == 2:
        return _hash_link(head, link, _hash_rows(session, spans, gone)) == link.sha256
    seal = seals.get(link.id)
    if seal is not None and seal != _hash_rows(session, spans, gone):
        return False
    if any(_within(spans, gone)):  # its own hash can be taken of nothing any more; the seal stands in
        return seal is not None
    return _hash_whole_rows(session, head, link) == link.sha256


def _tables() -> Iterator[Table]:
    return (Base.metadata.tables[name] for name in CHAINED)


def _tombstones(session: Session) -> Tombstones:
    query = select(Deletion.table_name, Deletion.row_id, Deletion.sha256).order_by(Deletion.row_id)
    found: Tombstones = {}
    for name, row_id, sha256 in session.execute(query):
        found.setdefault(name, []).append((row_id, sha256))
    return found


def _within(spans: dict[str, list[int]], rows: Tombstones) -> Iterator[tuple[str, int, str]]:
    """(table, id, hash) of those rows that lie within a link."""
    for name, ordered in rows.items():
        start, end = spans.get(name, (0, 0))
        if end > start:
            first = bisect_right(ordered, start, key=itemgetter(0))
            for row_id, sha256 in ordered[first : bisect_right(ordered, end, key=itemgetter(0))]:
                yield name, row_id, sha256


def _parts(ids: list[int]) -> Iterator[list[int]]:
    return (ids[start : start + _AT_ONCE] for start in range(0, len(ids), _AT_ONCE))


def _rows_of(session: Session, spans: dict[str, list[int]]) -> Iterator[tuple[str, Row]]:
    """(table, row) of what a link holds and is still there, in the order of hashing."""
    for table in _tables():
        start, end = spans.get(table.name, (0, 0))
        if end > start:
            query = select(table).where(table.c.id > start, table.c.id <= end).order_by(table.c.id)
            for row in session.execute(query.execution_options(yield_per=500)):
                yield table.name, row


def _hash_row(name: str, row: Iterable) -> str:
    return hashlib.sha256(_coded(name, row)).hexdigest()


def _coded(name: str, row: Iterable) -> bytes:
    return json.dumps([name, *row], ensure_ascii=True).encode()


def _hash_rows(session: Session, spans: dict[str, list[int]], gone: Tombstones) -> str:
    """SHA-256 over the hashes of rows, those of deleted ones as their tombstones keep them."""
    hashes = {(name, row.id): _hash_row(name, row) for name, row in _rows_of(session, spans)}
    hashes |= {(name, row_id): sha256 for name, row_id, sha256 in _within(spans, gone)}
    digest = hashlib.sha256()
    in_order = sorted(hashes.items(), key=lambda item: (CHAINED.index(item[0][0]), item[0][1]))
    for (name, row_id), sha256 in in_order:
        digest.update(f"{name} {row_id} {sha256}\n".encode())
    return digest.hexdigest()


def _hash_link(before: str, link: Link, content: str) -> str:
    """SHA-256 of a link of form 2."""
    return hashlib.sha256(f"2\n{before}\n{link.made_at}\n{link.rows}\n{content}\n".encode()).hexdigest()


def _hash_whole_rows(session: Session, before: str, link: Link) -> str:
    """SHA-256 of a link of form 1."""
    digest = hashlib.sha256(f"{before}\n{link.made_at}\n{link.rows}\n".encode())
    for name, row in _rows_of(session, json.loads(link.rows)):
        digest.update(_coded(name, row))
    return digest.hexdigest()
