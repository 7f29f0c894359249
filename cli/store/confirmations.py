"""Units whose truth a person has found, into the ledger and out of it again for learning."""

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from plugface.analysis import Answer
from plugface.cli.lot.proposals import proposal_columns
from plugface.cli.store.ledger import (
    Confirmation,
    File,
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
    record_confirmation,
    record_lot,
    record_photo,
    record_unit,
)
from plugface.codec import read_observations, write_observations
from plugface.models.decision import placement
from plugface.models.unit_choice import ObservedUnit, UnitGone, from_part, to_part
from sqlalchemy import func, select
from sqlalchemy.orm import Session

#: The lot of units that were confirmed by their photos, one by one.
BY_HAND = "confirmed one by one"


@dataclass(frozen=True)
class Truth:
    """What a person found, and who it was; no family: in none of the catalogue's."""

    family: str
    variant: str
    who: str
    note: str = ""


@dataclass(frozen=True)
class Confirmed:
    """One confirmed unit with what was seen of it."""

    unit: ObservedUnit
    photo_hashes: tuple[str, ...]
    look_versions: frozenset[str]
    paths: tuple[str, ...] = ()  # where each photo was found when it was recorded


def confirm_photos(ledger: Ledger, answer: Answer, truth: Truth, look_version: str) -> str:
    """Record photos, what was seen and proposed, and the truth; gives the unit's key.

    The same photos are the same unit: a second confirmation stands beside the first, and the later counts.
    """
    hashes = sorted(seen.photo_sha256 for seen in answer.observations)
    digest = hashlib.sha256(" ".join(hashes).encode()).hexdigest()
    with ledger.transaction() as session:
        lot_id = record_lot(session, BY_HAND, name=BY_HAND, source="")
        key = f"HAND-{digest[:10].upper()}"
        unit = record_unit(session, lot_id, key, method="photos given together", group_key=digest)
        for path, seen, part in zip(answer.photos, answer.observations, answer.chosen, strict=True):
            stat = path.stat()
            photo_id = record_photo(session, seen.photo_sha256, stat.st_size)
            add_once(
                session, File, lot_id=lot_id, photo_id=photo_id, path=str(path.resolve()),
                size_bytes=stat.st_size, mtime_ns=str(stat.st_mtime_ns), note="", added_at=now_utc(),
            )  # fmt: skip
            add_once(
                session, Look, photo_id=photo_id, version=look_version, fault="", taken_at="",
                observations=write_observations(seen), seconds=answer.seconds, made_at=now_utc(),
            )  # fmt: skip
            add_once(session, View, unit_id=unit.id, photo_id=photo_id, part=to_part(part))
        _record_proposal(session, unit, answer, hashes, look_version)
        _record_truth(session, unit, truth)
    return key


def _record_proposal(
    session: Session, unit: Unit, answer: Answer, hashes: Sequence[str], look_version: str
) -> None:
    decision = answer.decision
    place = placement.assign_place(decision, answer.catalogue)
    inputs = " ".join([*hashes, look_version, decision.model_version, decision.catalogue_sha256])
    add_once(
        session,
        Proposal,
        unit_id=unit.id,
        input_sha256=hashlib.sha256(inputs.encode()).hexdigest(),
        catalogue_sha256=decision.catalogue_sha256,
        made_at=now_utc(),
        **proposal_columns(decision, place),
    )


def confirm_unit(ledger: Ledger, key: str, truth: Truth) -> str:
    """Record the truth of a unit that the ledger has; gives what was last proposed for it.

    Raises
    ------
    LedgerError
        If there is no such unit, or several lots have one of this name.
    """
    with ledger.transaction() as session:
        found = session.execute(
            select(Unit, Lot.key).join(Lot, Lot.id == Unit.lot_id).where(func.upper(Unit.key) == key.upper())
        ).all()
        if len(found) != 1:
            lots = ", ".join(lot for _, lot in found)
            problem = f'several lots have a unit "{key}" ({lots})' if found else f'it has no unit "{key}"'
            remedy = "Confirm it by its photos" if found else "Name a unit as `plugface ledger list` does"
            raise LedgerError(ledger.name, problem, remedy)
        unit = found[0][0]
        _record_truth(session, unit, truth)
        newest = select(Proposal).where(Proposal.unit_id == unit.id).order_by(Proposal.id.desc()).limit(1)
        proposal = session.scalar(newest)
        return proposal.message if proposal else ""


def _record_truth(session: Session, unit: Unit, truth: Truth) -> None:
    record_confirmation(
        session, unit, family=truth.family, variant=truth.variant, who=truth.who, note=truth.note
    )


def list_confirmed(ledger: Ledger) -> list[Confirmed]:
    """Every confirmed unit by its latest confirmation, with the newest look at each of its photos.

    A unit none of whose photos could be looked at is left out: there is nothing to learn from.
    """
    latest = select(func.max(Confirmation.id)).group_by(Confirmation.unit_id)
    newest = select(func.max(Look.id)).where(Look.fault == "").group_by(Look.photo_id)
    path = select(func.max(File.path)).where(File.photo_id == Photo.id).correlate(Photo).scalar_subquery()
    query = (
        select(
            Unit.id, Unit.key, Confirmation.family, Confirmation.variant, View.part, Photo.sha256,
            Look.observations, Look.version, path.label("path"),
        )
        .join(Unit, Unit.id == Confirmation.unit_id)
        .join(View, View.unit_id == Unit.id)
        .join(Photo, Photo.id == View.photo_id)
        .join(Look, Look.photo_id == Photo.id)
        .where(Confirmation.id.in_(latest), Look.id.in_(newest))
        .order_by(Unit.id, View.id)
    )  # fmt: skip
    rows: dict[int, list] = {}
    with ledger.reading() as session:
        for row in session.execute(query):
            rows.setdefault(row.id, []).append(row)
    confirmed = []
    for views in rows.values():
        # Where a newer look does not find the unit any more, its neighbour must not be learned from.
        with suppress(UnitGone):
            confirmed.append(_confirmed(ledger.name, views))
    return confirmed


def _confirmed(ledger: str, views: list) -> Confirmed:
    seen = tuple(read_observations(view.observations) for view in views)
    chosen = tuple(from_part(view.part, one) for view, one in zip(views, seen, strict=True))
    unit = ObservedUnit(
        unit_id=f"{ledger}: {views[0].key}",
        observations=seen,
        family=views[0].family or None,
        variant=views[0].variant or None,
        chosen=chosen,
    )
    hashes = tuple(view.sha256 for view in views)
    versions = frozenset(view.version for view in views)
    return Confirmed(unit, hashes, versions, tuple(view.path or "" for view in views))
