"""Deleting a lot, a unit, a photo or donors' numbers, with all that hangs on it, and leaving a row of it.

What was deleted is gone from the ledger, the queue and the disk; who did it, when, why and how much stays as
an act, and the hash of each row as a tombstone, so that the chain still holds (chain.py). The yard's own
photos are deleted; those that `sort` was given lie in the user's folder and are left there.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from plugface.cli.store.acts import record_act
from plugface.cli.store.chain import ChainBroken, delete_rows
from plugface.cli.store.ledger import (
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
)
from plugface.cli.store.surroundings import (
    Surroundings,
    asked_units,
    change_queue_answers,
    drop_queue_lot,
    drop_queue_photo,
    drop_queue_units,
)
from plugface.cli.store.tables import Base
from sqlalchemy import func, select
from sqlalchemy.orm import Session

_AT_ONCE = 900  # numbers in one "IN (...)"


class InUse(Exception):
    """A unit that is to be deleted waits for an answer, or is being looked at."""


@dataclass
class Doomed:
    """What a deletion takes with it."""

    about: str  # in words, for the act
    lot: str = ""  # key, where it is about one
    rows: dict[str, set[int]] = field(default_factory=dict)  # table -> ids in the ledger
    photos: set[str] = field(default_factory=set)  # SHA-256 of those whose files go
    queue_lot: str = ""  # key of the lot that goes from the queue
    queue_units: set[tuple[str, str]] = field(default_factory=set)  # (lot, id) that go from the queue
    queue_photo: str = ""  # SHA-256 of the photo that goes from the queue

    def add(self, table: type[Base], ids: Iterable[int]) -> None:
        """Take rows of a table in."""
        self.rows.setdefault(table.__tablename__, set()).update(ids)

    def counts(self) -> dict[str, int]:
        """Table -> number of rows, of those that have any."""
        return {name: len(ids) for name, ids in sorted(self.rows.items()) if ids}


def doom_lot(ledger: Ledger, key: str) -> Doomed:
    """A lot with all its units, and the photos that no other lot has.

    Raises
    ------
    LedgerError
        If neither ledger nor queue has it.
    """
    doomed = Doomed(f"lot {key}", lot=key, queue_lot=key)
    around = Surroundings.of(ledger)
    with ledger.reading() as session:
        lot_id = session.scalar(select(Lot.id).where(Lot.key == key))
        if lot_id is not None:
            doomed.add(Lot, [lot_id])
            files = session.execute(select(File.id, File.photo_id).where(File.lot_id == lot_id)).all()
            doomed.add(File, [row.id for row in files])
            units = session.scalars(select(Unit.id).where(Unit.lot_id == lot_id)).all()
            _add_units(session, doomed, units, {row.photo_id for row in files if row.photo_id})
    with around.queue_or_none() as db:
        known = lot_id is not None
        if db is not None:
            known |= bool(db.execute("SELECT 1 FROM lots WHERE key = ?", (key,)).fetchone())
            of_lot = {row[0] for row in db.execute("SELECT sha256 FROM photos WHERE lot = ?", (key,))}
            of_others = {row[0] for row in db.execute("SELECT sha256 FROM photos WHERE lot != ?", (key,))}
            doomed.photos |= of_lot
            doomed.photos -= of_others
    if not known:
        raise LedgerError(ledger.name, f'it has no lot "{key}"', "See `plugface ledger list` for its lots")
    return doomed


def doom_unit(ledger: Ledger, key: str, lot: str | None = None) -> Doomed:
    """A unit with what was proposed, found and confirmed of it, and the photos that show no other unit.

    Raises
    ------
    LedgerError
        If there is no such unit, or several lots have one of this name.
    """
    with ledger.reading() as session:
        query = (
            select(Unit.id, Unit.key, Unit.group_key, Lot.key.label("lot"))
            .join(Lot, Lot.id == Unit.lot_id)
            .where(func.upper(Unit.key) == key.upper())
        )
        found = session.execute(query if lot is None else query.where(Lot.key == lot)).all()
        queued = _find_queued(ledger, key) if not found else None
        if queued is not None:  # never answered, or its deletion was cut off half-way
            return _doom_queued(ledger, key, queued)
        if len(found) != 1:
            lots = ", ".join(row.lot for row in found)
            problem = f'several lots have a unit "{key}" ({lots})' if found else f'it has no unit "{key}"'
            raise LedgerError(ledger.name, problem, "Name one as `plugface ledger list` does, with --lot")
        return _doom_units(ledger, session, found, f"unit {found[0].key}", found[0].lot)


def doom_older_than(ledger: Ledger, before: str, *, most: int | None = None) -> Doomed:
    """Units of all lots about which nothing was recorded since a time, and that wait for no answer.

    Parameters
    ----------
    ledger : Ledger
    before : str
        UTC, ISO 8601.
    most : int, optional
        At most so many of the ledger's and of those that only the queue has; all by default.
    """
    with Surroundings.of(ledger).queue_or_none() as db:
        busy = asked_units(db) if db is not None else set()
    with ledger.reading() as session:
        newest = [
            select(func.max(column)).where(table.unit_id == Unit.id).scalar_subquery()
            for table, column in ((Proposal, Proposal.made_at), (Confirmation, Confirmation.confirmed_at))
        ]
        query = select(Unit.id, Unit.group_key, Lot.key.label("lot"), Unit.created_at, *newest)
        units = session.execute(query.join(Lot, Lot.id == Unit.lot_id)).all()
        old = [
            row
            for row in units
            if max(filter(None, row[3:])) < before and (row.lot, row.group_key) not in busy
        ][:most]
        kept = {(row.lot, row.group_key) for row in units} - {(row.lot, row.group_key) for row in old}
        about = f"units with nothing newer than {before[:10]}"
        doomed = _doom_units(ledger, session, old, about, "")
    with Surroundings.of(ledger).queue_or_none() as db:
        if db is not None:  # also those that never came into the ledger
            queued = "SELECT lot, id FROM units WHERE created_at < ? AND state IN ('answered', 'failed')"
            late = {tuple(row) for row in db.execute(queued, (before,))} - kept - doomed.queue_units
            doomed.queue_units |= set(sorted(late)[:most])
            _add_queue_photos(db, doomed)
    return doomed


def doom_photo(ledger: Ledger, sha256: str) -> Doomed:
    """A photo with what was seen in it, and the units of which there is no other photo.

    A unit with other photos keeps its proposals until it is looked at again.

    Parameters
    ----------
    ledger : Ledger
    sha256 : str
        Of the photo, or how it begins: eight signs or more.

    Raises
    ------
    LedgerError
        If none or several begin so.
    """
    begins = sha256.lower()
    if not re.fullmatch(r"[0-9a-f]{8,64}", begins):
        raise LedgerError(
            ledger.name, f'"{sha256}" is no hash of a photo', "Give eight hexadecimal digits or more"
        )
    with ledger.reading() as session, Surroundings.of(ledger).queue_or_none() as db:
        found = dict(
            session.execute(select(Photo.sha256, Photo.id).where(Photo.sha256.like(f"{begins}%"))).all()
        )
        queued = (
            {row[0] for row in db.execute("SELECT sha256 FROM photos WHERE sha256 LIKE ?", (f"{begins}%",))}
            if db is not None
            else set()
        )
        if len(found.keys() | queued) != 1:
            problem = f'{len(found.keys() | queued)} photos begin with "{begins}"'
            raise LedgerError(ledger.name, problem, "Give the whole hash of one")
        (whole,) = found.keys() | queued
        doomed = Doomed(f"photo {whole}", photos={whole}, queue_photo=whole)
        photo_id = found.get(whole)
        if photo_id is None:
            return doomed
        seen = {unit for (unit,) in session.execute(select(View.unit_id).where(View.photo_id == photo_id))}
        alone = [
            unit for unit in seen
            if not session.scalar(
                select(func.count()).where(View.unit_id == unit, View.photo_id != photo_id)
            )
        ]  # fmt: skip
        _add_units(session, doomed, alone, set())
        _add_photos(session, doomed, [photo_id])
        return doomed


@dataclass(frozen=True)
class Plates:
    """What deleting donors' numbers changes."""

    looks: dict[int, str]  # id -> observations, of those that hold one without it
    texts: int  # texts and codes that go


def doom_plates(ledger: Ledger, lot: str | None = None) -> Plates:
    """Looks in which a donor's number was read, and how many texts and codes they lose.

    The later looks of the same photo are among them, for a look that is written anew is the newest.

    What is a donor's number is what the report takes for one when it pairs units: eight signs or more with a
    digit among them, on no unit. In a photo without a unit that is also every label by itself: there only
    what has the form of a vehicle's number is one.

    Parameters
    ----------
    ledger : Ledger
    lot : str, optional
        Key of one lot; all by default.

    Returns
    -------
    plates : Plates
    """
    from plugface.codec import read_observations, write_observations

    query = select(Look.id, Look.photo_id, Look.observations).order_by(Look.id)
    if lot is not None:
        of_lot = select(File.photo_id).join(Lot, Lot.id == File.lot_id).where(Lot.key == lot)
        seen_in = select(View.photo_id).join(Unit, Unit.id == View.unit_id).join(Lot, Lot.id == Unit.lot_id)
        query = query.where(Look.photo_id.in_(of_lot) | Look.photo_id.in_(seen_in.where(Lot.key == lot)))
    looks, texts = {}, 0
    photos = set()  # of which a look is among them
    with ledger.reading() as session:
        for look_id, photo_id, text in session.execute(query):
            with suppress(ValueError):  # nothing can be read in it by us either
                seen = read_observations(text)
                kept = without_plates(seen)
                if kept != seen:
                    photos.add(photo_id)
                    text = write_observations(kept)
                    texts += len(seen.texts) - len(kept.texts) + len(seen.codes) - len(kept.codes)
            if photo_id in photos:
                looks[look_id] = text
    return Plates(looks, texts)


def without_plates(seen):
    """Observations without what may be a donor's number: texts and codes on no unit."""
    from plugface.cli.present.report.pairing import is_plate
    from plugface.models.unit_choice import list_units

    beside_unit = bool(list_units(seen))
    texts = tuple(text for text in seen.texts if not is_plate(text.value, beside_unit))
    codes = tuple(code for code in seen.codes if not is_plate(code.payload, beside_unit))
    return replace(seen, texts=texts, codes=codes)


def delete(ledger: Ledger, doomed: Doomed, *, who: str, why: str, serving: bool = False) -> dict[str, int]:
    """Delete what is doomed, and write down that it was; says how many rows and files of what.

    Parameters
    ----------
    ledger : Ledger
    doomed : Doomed
    who, why : str
        For the act.
    serving : bool
        Whether it is the page itself that deletes, which holds the folder while it is at work.

    Returns
    -------
    counts : dict of str to int

    Raises
    ------
    LedgerError
        If the page or a run is at work in the folder, or what is to go no longer fits the hash chain.
    InUse
        If a unit has begun to wait since it was found; for the page alone.
    """
    around = Surroundings.of(ledger)
    counts = doomed.counts()
    with nullcontext() if serving else around.held(), around.kept(), around.queue_or_none() as db:
        if db is not None:
            if serving and not doomed.queue_units.isdisjoint(asked_units(db)):
                raise InUse
            counts["units of the queue"] = drop_queue_units(db, sorted(doomed.queue_units))
            if doomed.queue_lot:
                counts["units of the queue"] += drop_queue_lot(db, doomed.queue_lot)
            if doomed.queue_photo:
                drop_queue_photo(db, doomed.queue_photo)
        counts["files on disk"] = sum(len(around.files_of(sha256)) for sha256 in doomed.photos)
        facts = {"why": why, **{name: count for name, count in counts.items() if count}}
        with ledger.transaction() as session, _said(ledger):
            act = record_act(session, "deletion", who=who, lot=doomed.lot, about=doomed.about, facts=facts)
            session.flush()
            rows = ((name, row_id) for name, ids in doomed.rows.items() for row_id in ids)
            delete_rows(session, rows, act_id=act.id, made_at=act.made_at)
        around.drop_files(doomed.photos)
        if doomed.rows or doomed.photos:
            around.drop_pages()
    ledger.truncate_log()
    return {name: count for name, count in counts.items() if count}


def delete_plates(ledger: Ledger, lot: str | None, *, who: str, why: str) -> dict[str, int]:
    """Delete donors' numbers alone: the looks that hold them give way to the same looks without them.

    Those are as old as the former were. The photos still show what is in the picture.
    """
    around = Surroundings.of(ledger)
    plates = doom_plates(ledger, lot)
    changed = plates.looks
    with around.held(), around.kept(), around.queue_or_none() as db:
        answers = change_queue_answers(db, document_without_plates, lot) if db is not None else 0
        counts = {"texts": plates.texts, "looks": len(changed), "answers of the queue": answers}
        with ledger.transaction() as session, _said(ledger):
            about = f"donor numbers of lot {lot}" if lot else "donor numbers"
            act = record_act(
                session, "deletion", who=who, lot=lot or "", about=about, facts={"why": why, **counts}
            )
            session.flush()
            former = {row.id: _columns(row) for row in _looks(session, changed)}
            delete_rows(
                session, (("looks", look_id) for look_id in changed), act_id=act.id, made_at=act.made_at
            )
            for look_id, observations in changed.items():
                session.add(Look(**former[look_id] | {"observations": observations}))
        if any(counts.values()):
            around.drop_pages()
    ledger.truncate_log()
    return {name: count for name, count in counts.items() if count}


@dataclass(frozen=True)
class Orphans:
    """Files that no row names, and rows of the page's photos whose file is gone."""

    files: tuple[Path, ...]
    missing: tuple[str, ...]  # SHA-256


def find_orphans(ledger: Ledger) -> Orphans:
    """Look for files without rows and rows without files, in the folder of the ledger."""
    around = Surroundings.of(ledger)
    with ledger.reading() as session:
        known = set(session.scalars(select(Photo.sha256)))
    queued: set[str] = set()
    with around.queue_or_none() as db:
        if db is not None:
            queued = {row[0] for row in db.execute("SELECT sha256 FROM photos")}
            known = queued  # the page keeps the files of its queue alone
    files = tuple(file for file, sha256 in around.all_files() if sha256 not in known)
    missing = tuple(sorted(sha256 for sha256 in queued if not around.files_of(sha256)))
    return Orphans(files, missing)


def _find_queued(ledger: Ledger, key: str) -> tuple[str, str] | None:
    """(lot, id) of a unit that the queue alone has, by its key: the lot's and its number in four figures."""
    lot, _, number = key.upper().rpartition("-")
    with Surroundings.of(ledger).queue_or_none() as db:
        if db is None or not number.isdecimal():
            return None
        row = db.execute(
            "SELECT lot, id FROM units WHERE lot = ? AND number = ? AND state != 'new'", (lot, int(number))
        ).fetchone()
    return row and tuple(row)


def _doom_queued(ledger: Ledger, key: str, queued: tuple[str, str]) -> Doomed:
    doomed = Doomed(f"unit {key.upper()}", lot=queued[0], queue_units={queued})
    with Surroundings.of(ledger).queue() as db:
        _add_queue_photos(db, doomed)
    return doomed


def _doom_units(ledger: Ledger, session: Session, found: Sequence[Any], about: str, lot: str) -> Doomed:
    doomed = Doomed(about, lot=lot)
    _add_units(session, doomed, [row.id for row in found], set())
    doomed.queue_units = {(row.lot, row.group_key) for row in found}
    with Surroundings.of(ledger).queue_or_none() as db:
        if db is not None:
            _add_queue_photos(db, doomed)
    return doomed


def _add_queue_photos(db, doomed: Doomed) -> None:
    """Take in the files of photos that no unit of the queue has but the doomed ones."""
    kept: set[str] = set()
    for lot, unit, sha256 in db.execute("SELECT lot, unit, sha256 FROM photos").fetchall():
        (doomed.photos if (lot, unit) in doomed.queue_units else kept).add(sha256)
    doomed.photos -= kept


def _add_units(session: Session, doomed: Doomed, units: Iterable[int], photos: set[int]) -> None:
    """Take in units with what hangs on them, and of these photos and theirs those that nothing else shows."""
    units = sorted(units)
    doomed.add(Unit, units)
    for part in _parts(units):
        for table in (Confirmation, Proposal, Finding, View):
            doomed.add(table, session.scalars(select(table.id).where(table.unit_id.in_(part))))
        photos |= set(session.scalars(select(View.photo_id).where(View.unit_id.in_(part))))
    views, files = doomed.rows.get("views", set()), doomed.rows.get("files", set())
    lots = doomed.rows.get("lots", set())
    own_lots = {
        lot for part in _parts(units) for lot in session.scalars(select(Unit.lot_id).where(Unit.id.in_(part)))
    } | lots
    going = []
    for photo in sorted(photos):
        if set(session.scalars(select(View.id).where(View.photo_id == photo))) - views:
            continue
        others = select(File.id).where(File.photo_id == photo, File.lot_id.not_in(own_lots or {0}))
        if not set(session.scalars(others)) - files:
            going.append(photo)
    _add_photos(session, doomed, going)


def _add_photos(session: Session, doomed: Doomed, photos: Iterable[int]) -> None:
    for part in _parts(sorted(photos)):
        for table in (Look, File, View):
            doomed.add(table, session.scalars(select(table.id).where(table.photo_id.in_(part))))
        for photo_id, sha256 in session.execute(select(Photo.id, Photo.sha256).where(Photo.id.in_(part))):
            doomed.add(Photo, [photo_id])
            doomed.photos.add(sha256)


def document_without_plates(value: object) -> object:
    """The page's answer without texts and codes on no unit that may be donors' numbers."""
    from plugface.cli.present.report.pairing import is_plate

    if isinstance(value, list):
        return [document_without_plates(item) for item in value]
    if not isinstance(value, dict):
        return value
    kept = {name: document_without_plates(item) for name, item in value.items() if name != "unit"}
    if "unit" in value:  # what stands on the unit itself is no donor's number
        kept = {name: kept.get(name, value[name]) for name in value}
        if "texts" in value and "codes" in value:
            beside_unit = value["unit"] is not None
            kept["texts"] = [text for text in value["texts"] if not is_plate(text["value"], beside_unit)]
            kept["codes"] = [code for code in value["codes"] if not is_plate(code["payload"], beside_unit)]
    return kept


def _looks(session: Session, ids: Iterable[int]) -> list[Look]:
    return [
        row for part in _parts(sorted(ids)) for row in session.scalars(select(Look).where(Look.id.in_(part)))
    ]


def _columns(row: Look) -> dict[str, object]:
    names = ("photo_id", "version", "fault", "taken_at", "seconds", "made_at")
    return {name: getattr(row, name) for name in names}


def _parts(ids: list[int]):
    return (ids[start : start + _AT_ONCE] for start in range(0, len(ids), _AT_ONCE))


@contextmanager
def _said(ledger: Ledger) -> Iterator[None]:
    """Say in a sentence that rows do not fit the hash chain."""
    try:
        yield
    except ChainBroken as error:
        raise LedgerError(
            ledger.name,
            f"rows to be deleted were changed behind the program's back ({error}), so they stay",
            "Compare the ledger with a backup; `plugface ledger verify` names all that does not fit",
        ) from None
