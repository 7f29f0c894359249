"""What the page writes into the ledger and reads from it: units, photos, looks, proposals, confirmations."""

import hashlib
import json
import logging

from plugface.cli.lot.proposals import proposal_columns
from plugface.cli.store.acts import record_act
from plugface.cli.store.ledger import (
    Confirmation,
    Ledger,
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
from plugface.cli.web.answering import Reply
from plugface.cli.web.documents import ConfirmationIn, ConfirmationOut
from plugface.cli.web.queue import LotEntry, UnitEntry
from plugface.codec import read_decision
from sqlalchemy import func, select
from sqlalchemy.orm import Session

_LOG = logging.getLogger("plugface.yard")


def unit_key(lot: LotEntry, unit: UnitEntry) -> str:
    """The unit's key in the ledger and on its card."""
    return f"{lot.key}-{unit.number:04d}"


class Records:
    """The yard's side of the ledger.

    Parameters
    ----------
    ledger : Ledger
    look_version : str
        Version of the software that looks at photos; what an older one saw is looked at again.
    """

    def __init__(self, ledger: Ledger, look_version: str) -> None:
        self.ledger, self.look_version = ledger, look_version

    def known_looks(self, unit: UnitEntry) -> dict[str, str]:
        """SHA-256 -> observations as JSON, of those photos of a unit that were looked at before."""
        query = (
            select(Photo.sha256, Look.observations)
            .join(Look, Look.photo_id == Photo.id)
            .where(Photo.sha256.in_([photo.sha256 for photo in unit.photos]))
            .where(Look.version == self.look_version, Look.fault == "")
        )
        with self.ledger.reading() as session:
            return dict(session.execute(query).all())

    def record_answer(self, lot: LotEntry, unit: UnitEntry, reply: Reply) -> None:
        """Add what was seen and proposed; the same answer a second time adds nothing."""
        decision = read_decision(reply.decision)
        inputs = [
            [(look.sha256, look.part) for look in reply.looked],
            [self.look_version, decision.model_version, decision.catalogue_sha256],
            [unit.claimed, unit.needs, *([unit.typed] if unit.typed else [])],
        ]
        sizes = {photo.sha256: photo.size_bytes for photo in unit.photos}
        with self.ledger.transaction() as session:
            row = self._unit(session, lot, unit)
            for look in reply.looked:
                photo_id = record_photo(session, look.sha256, sizes[look.sha256])
                add_once(session, View, unit_id=row.id, photo_id=photo_id, part=look.part)
                add_once(
                    session,
                    Look,
                    photo_id=photo_id,
                    version=self.look_version,
                    fault="",
                    observations=look.observations,
                    taken_at="",  # the page keeps no times of the camera
                    seconds=look.seconds,
                    made_at=now_utc(),
                )
            add_once(
                session,
                Proposal,
                unit_id=row.id,
                input_sha256=hashlib.sha256(json.dumps(inputs, sort_keys=True).encode()).hexdigest(),
                catalogue_sha256=decision.catalogue_sha256,
                made_at=now_utc(),
                **proposal_columns(decision, reply.place),
            )

    def record_act(self, act: str, *, who: str = "", lot: str = "", about: str = "") -> None:
        """Add what somebody did, to the ledger and to the log.

        Parameters
        ----------
        act : str
            One of `acts.ACTS`.
        who : str
            Name that the code is bound to, or an account of the machine; empty: not known.
        lot : str
            Key of the lot; empty: none.
        about : str
            What it was done to, or the network it was done from.
        """
        with self.ledger.transaction() as session:
            record_act(session, act, who=who, lot=lot, about=about)
        _LOG.info(act, extra={"facts": {"who": who, "lot": lot, "about": about}})

    def confirm(self, lot: LotEntry, unit: UnitEntry, said: ConfirmationIn) -> ConfirmationOut:
        """Add what a person found a unit to be."""
        with self.ledger.transaction() as session:
            row = record_confirmation(
                session,
                self._unit(session, lot, unit),
                family=said.family,
                variant=said.variant,
                who=said.who,
                note=said.note,
            )
            return _confirmation(row)

    def confirmations(self, lot: LotEntry, units: list[UnitEntry]) -> dict[str, ConfirmationOut]:
        """Unit id -> its latest confirmation, for those that have one."""
        ids = {unit_key(lot, unit): unit.id for unit in units}
        latest = select(func.max(Confirmation.id)).group_by(Confirmation.unit_id)
        query = (
            select(Unit.key, Confirmation)
            .join(Unit, Unit.id == Confirmation.unit_id)
            .join(Lot, Lot.id == Unit.lot_id)
            .where(Lot.key == lot.key, Unit.key.in_(ids), Confirmation.id.in_(latest))
        )
        with self.ledger.reading() as session:
            return {ids[key]: _confirmation(row) for key, row in session.execute(query)}

    def _unit(self, session: Session, lot: LotEntry, unit: UnitEntry) -> Unit:
        lot_id = record_lot(session, lot.key, name=lot.name, source="yard page")
        return record_unit(
            session,
            lot_id,
            unit_key(lot, unit),
            method="sent together from the yard page",
            group_key=unit.id,
            created_at=unit.created_at,
        )


def _confirmation(row: Confirmation) -> ConfirmationOut:
    return ConfirmationOut(
        family=row.family, variant=row.variant, who=row.who, note=row.note, confirmed_at=row.confirmed_at
    )
