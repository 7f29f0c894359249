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
    look_of_lot,
    now_utc,
    record_confirmation,
    record_lot,
    record_photo,
    record_unit,
    still_counts,
)
from plugface.codec import read_observations, write_observations
from plugface.models.decision import placement
from plugface.models.unit_choice import ObservedUnit, UnitChoice, UnitGone, from_part, list_units, to_part
from plugface.vision.observations import Observations
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
    catalogue_sha256: str = ""  # of what was proposed when it was confirmed; empty where nothing was


def confirm_photos(ledger: Ledger, answer: Answer, truth: Truth, look_version: str) -> str:
    """Record photos, what was seen and proposed, and the truth; gives the unit's key.

    The same photos are the same unit: a second confirmation stands beside the first, and the later counts. Of
    a photo that shows several units, another one is another unit. Where one unit of the ledger has these
    photos already, it is that one which is confirmed, and what was proposed for it stays.
    """
    views = sorted(map(_name_view, answer.observations, answer.chosen))
    digest = hashlib.sha256(" ".join(views).encode()).hexdigest()
    with ledger.transaction() as session:
        key = f"HAND-{digest[:10].upper()}"
        known = _find_unit(session, answer, look_version)
        if known is not None and known.key != key:
            _record_truth(session, known, truth)
            return known.key
        lot_id = record_lot(session, BY_HAND, name=BY_HAND, source="")
        unit = record_unit(session, lot_id, key, method="photos given together", group_key=digest)
        for path, seen, part in zip(answer.photos, answer.observations, answer.chosen, strict=True):
            stat = path.stat()
            photo_id = record_photo(session, seen.photo_sha256, stat.st_size)
            # The look first: a lot goes by one that there was when the file came.
            add_once(
                session, Look, photo_id=photo_id, version=look_version, fault="", taken_at="",
                observations=write_observations(seen), seconds=answer.seconds, made_at=now_utc(),
            )  # fmt: skip
            add_once(
                session, File, lot_id=lot_id, photo_id=photo_id, path=str(path.resolve()),
                size_bytes=stat.st_size, mtime_ns=str(stat.st_mtime_ns), note="", added_at=now_utc(),
            )  # fmt: skip
            add_once(session, View, unit_id=unit.id, photo_id=photo_id, part=to_part(part))
        _record_proposal(session, unit, answer, views, look_version)
        _record_truth(session, unit, truth)
    return key


def _find_unit(session: Session, answer: Answer, look_version: str) -> Unit | None:
    """The one unit of the ledger that has these views; None where none has, or several have.

    Only by looks of this version: in another one the same place may be another unit of the photo.
    """
    having = []
    for seen, chosen in zip(answer.observations, answer.chosen, strict=True):
        query = (
            select(View.unit_id)
            .join(Unit, Unit.id == View.unit_id)
            .join(Photo, Photo.id == View.photo_id)
            .join(Look, Look.photo_id == Photo.id)
            .where(still_counts(), Photo.sha256 == seen.photo_sha256, View.part == to_part(chosen))
            .where(Look.version == look_version)
        )
        having.append(set(session.scalars(query)))
    found = set.intersection(*having)
    return session.get(Unit, found.pop()) if len(found) == 1 else None


def _name_view(seen: Observations, chosen: UnitChoice) -> str:
    """The hash of a photo, with the unit that is meant where it shows several."""
    return f"{seen.photo_sha256}{f':{to_part(chosen)}' if len(list_units(seen)) > 1 else ''}"


def _record_proposal(
    session: Session, unit: Unit, answer: Answer, views: Sequence[str], look_version: str
) -> None:
    decision = answer.decision
    place = placement.assign_place(decision, answer.catalogue)
    inputs = " ".join([*views, look_version, decision.model_version, decision.catalogue_sha256])
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


def list_confirmed(ledger: Ledger, key: str = "") -> list[Confirmed]:
    """Every confirmed unit by its latest confirmation, with those looks at its photos that its lot goes by.

    Units that have a view in common are one unit that was recorded twice: the one confirmed last counts. A
    unit none of whose photos could be looked at is left out: there is nothing to learn from.

    Parameters
    ----------
    ledger : Ledger
    key : str
        Of the one unit that is asked for; empty for all.

    Returns
    -------
    confirmed : list of Confirmed
    """
    latest = select(func.max(Confirmation.id)).group_by(Confirmation.unit_id)
    path = select(func.max(File.path)).where(File.photo_id == Photo.id).correlate(Photo).scalar_subquery()
    query = (
        select(
            Unit.id, Unit.key, Confirmation.id.label("confirmation"), Confirmation.family,
            Confirmation.variant, View.part, Photo.sha256, Look.observations, Look.version,
            path.label("path"), Proposal.catalogue_sha256,
        )
        .join(Unit, Unit.id == Confirmation.unit_id)
        .join(View, View.unit_id == Unit.id)
        .join(Photo, Photo.id == View.photo_id)
        .join(Look, Look.photo_id == Photo.id)
        .outerjoin(Proposal, Proposal.id == Confirmation.proposal_id)
        .where(Confirmation.id.in_(latest), look_of_lot(Unit.lot_id), Look.fault == "")
        .order_by(Unit.id, View.id)
    )  # fmt: skip
    if key:
        query = query.where(func.upper(Unit.key) == key.upper())
    rows: dict[int, list] = {}
    with ledger.reading() as session:
        for row in session.execute(query):
            rows.setdefault(row.id, []).append(row)
    confirmed = []
    for views in _latest_of_each_view(list(rows.values())):
        # Where such a look, one after a fault perhaps, does not find the unit, nothing is learned from its
        # neighbour.
        with suppress(UnitGone):
            confirmed.append(_confirmed(ledger.name, views))
    return confirmed


def _latest_of_each_view(units: list[list]) -> list[list]:
    """Of units, as rows of their views, those that share no view with one that was confirmed later."""
    kept: list[list] = []
    taken: set[tuple[str, int]] = set()
    for views in sorted(units, key=lambda views: views[0].confirmation, reverse=True):
        shown = {(view.sha256, view.part) for view in views}
        if taken.isdisjoint(shown):
            kept.append(views)
            taken |= shown
    return sorted(kept, key=lambda views: views[0].id)


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
    paths = tuple(view.path or "" for view in views)
    return Confirmed(unit, hashes, versions, paths, views[0].catalogue_sha256 or "")
