"""The hash chain over a ledger: each transaction adds a link over its rows and the link before.

A row that is changed, taken out or slipped in behind the program's back no longer fits its link. Whoever can
write the file can also forge the whole chain; what holds against that is a link's hash kept elsewhere: on a
printed report, in an export, with the buyer.
"""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass

from plugface.cli.store.tables import Base, Link
from sqlalchemy import Table, func, select
from sqlalchemy.orm import Session

#: What the first link goes by in place of a link before it.
START = "0" * 64


@dataclass(frozen=True)
class Verified:
    """What became of checking a chain."""

    links: int
    head: str  # hash of the last link
    problems: tuple[str, ...]  # in words; empty: every row is as it was written


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
    rows = json.dumps(spans, sort_keys=True)
    sha256 = _hash_link(session, head, rows, made_at)
    session.add(Link(rows=rows, sha256=sha256, made_at=made_at))
    session.flush()
    return sha256


def verify_chain(session: Session) -> Verified:
    """Compare every row with the chain."""
    problems: list[str] = []
    ends: dict[str, int] = {}
    head, count = START, 0
    for link in session.scalars(select(Link).order_by(Link.id)):
        count += 1
        spans = json.loads(link.rows)
        if any(start != ends.get(name, 0) for name, (start, _end) in spans.items()):
            problems.append(f"link {link.id} of {link.made_at} does not follow the one before it")
        elif _hash_link(session, head, link.rows, link.made_at) != link.sha256:
            about = ", ".join(
                f"{name} {start + 1} to {end}" for name, (start, end) in spans.items() if end > start
            )
            problems.append(f"link {link.id} of {link.made_at} does not fit its rows ({about})")
        head = link.sha256
        ends |= {name: end for name, (_start, end) in spans.items()}
    for table in _tables():
        loose = session.scalar(
            select(func.count()).select_from(table).where(table.c.id > ends.get(table.name, 0))
        )
        if loose:
            problems.append(f"{loose} rows of {table.name} are in no link: not written by plugface")
    return Verified(count, head, tuple(problems))


def _tables() -> Iterator[Table]:
    return (table for table in Base.metadata.sorted_tables if table.name != Link.__tablename__)


def _hash_link(session: Session, before: str, rows: str, made_at: str) -> str:
    digest = hashlib.sha256(f"{before}\n{made_at}\n{rows}\n".encode())
    spans = json.loads(rows)
    for table in _tables():
        start, end = spans.get(table.name, (0, 0))
        if end > start:
            query = select(table).where(table.c.id > start, table.c.id <= end).order_by(table.c.id)
            for row in session.execute(query.execution_options(yield_per=500)):
                digest.update(json.dumps([table.name, *row], ensure_ascii=True).encode())
    return digest.hexdigest()
