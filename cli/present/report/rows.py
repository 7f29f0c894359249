"""The units of a lot with their photos, as the report, its labels and the sheet for people take them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from plugface.cli.present.report.pairing import Pairable, read_plates
from plugface.cli.store.ledger import (
    Confirmation,
    File,
    Look,
    Photo,
    Proposal,
    Unit,
    View,
    newest_look,
    still_counts,
)
from plugface.codec import read_decision, read_observations
from plugface.models.decision.answers import Decision
from plugface.models.grouping import choose_paths
from plugface.vision.observations import Observations
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

#: Units whose photos are asked for at a time: 20,000 one by one took most of the two minutes of a sheet.
UNITS_AT_ONCE = 200


@dataclass(frozen=True)
class UnitRow:
    """One unit as the ledger has it."""

    unit: Unit
    proposal: Proposal | None
    decision: Decision | None
    confirmed: Confirmation | None = None  # the latest


def list_rows(session: Session, lot_id: int, *, undecided: bool = False) -> list[UnitRow]:
    """The units of a lot that stand, in the order of the ledger; `undecided`: also without a proposal."""
    earlier, later = aliased(Proposal), aliased(Confirmation)
    newest = select(func.max(earlier.id)).where(earlier.unit_id == Unit.id).scalar_subquery()
    latest = select(func.max(later.id)).where(later.unit_id == Unit.id).scalar_subquery()
    query = select(Unit, Proposal, Confirmation).select_from(Unit)
    query = query.join(Proposal, Proposal.id == newest, isouter=undecided)
    query = query.outerjoin(Confirmation, Confirmation.id == latest).where(Unit.lot_id == lot_id)
    query = query.where(still_counts())
    return [
        UnitRow(unit, proposal, _decision(proposal.decision if proposal else ""), confirmed)
        for unit, proposal, confirmed in session.execute(query.order_by(Unit.id))
    ]


def _decision(text: str) -> Decision | None:
    """A decision; None where there is none, or none that this version can read."""
    try:
        return read_decision(text) if text else None
    except ValueError:
        return None


def list_files(session: Session, lot_id: int) -> dict[int | None, list[str]]:
    """Photo id -> the paths it was found under, the one it goes by first."""
    query = select(File.photo_id, File.path).where(File.lot_id == lot_id).order_by(File.path)
    files: dict[int | None, list[str]] = {}
    for photo_id, path in session.execute(query):
        files.setdefault(photo_id, []).append(path)
    copied = {photo_id: paths for photo_id, paths in files.items() if photo_id is not None}
    for photo_id, path in choose_paths(copied).items():
        files[photo_id].sort(key=lambda other: other != path)
    return files


def list_views(session: Session, unit_id: int) -> Sequence[Any]:
    """(photo id, SHA-256, part, observations as JSON) of each photo of a unit."""
    return next(each_views(session, [unit_id]))


def each_views(session: Session, unit_ids: Sequence[int]) -> Iterator[list]:
    """As `list_views`, of one unit after the other; asked for many at a time, of which few lie in memory."""
    for start in range(0, len(unit_ids), UNITS_AT_ONCE):
        asked = unit_ids[start : start + UNITS_AT_ONCE]
        query = (
            select(View.unit_id, View.photo_id, Photo.sha256, View.part, Look.observations)
            .join(Photo, Photo.id == View.photo_id)
            .join(Look, Look.photo_id == View.photo_id)
            .where(View.unit_id.in_(asked), newest_look())
            .order_by(View.id)
        )
        found: dict[int, list] = {unit_id: [] for unit_id in asked}
        for unit_id, *view in session.execute(query):
            found[unit_id].append(tuple(view))
        yield from found.values()


def list_pairables(
    session: Session, rows: list[UnitRow], files: dict[int | None, list[str]]
) -> list[Pairable]:
    """What pairing needs of each unit that can be half of a pair."""
    pairables = []
    halves = [
        row
        for row in rows
        if row.proposal and may_pair(row.proposal.destination, row.proposal.findings, row.decision)
    ]
    for row, views in zip(halves, each_views(session, [row.unit.id for row in halves]), strict=True):
        assert row.decision is not None  # or `may_pair` would have refused it
        beside = [t.value for view in views if (seen := read_look(view[3])) for t in seen.texts]
        # Units in folders of their own lie together when the folder above is the same.
        names = [path for view in views[:1] for path in files.get(view[0], ())]
        folder = PurePosixPath(names[0] if names else ".").parent  # photos of the yard page have no names
        above = folder.parent if row.unit.method == "sub-folder" else folder
        pairables.append(
            Pairable(
                row.unit.key,
                row.decision.families[0],
                row.decision.variants,
                "" if str(above) == "." else str(above),
                read_plates(beside),
            )
        )
    return pairables


def may_pair(destination: str, findings: str, decision: Decision | None) -> bool:
    """Whether a unit can be half of a pair: its family is settled, and it can be used."""
    usable = destination in ("family bin", "look-alike bench") and not findings
    return usable and decision is not None and decision.verdict == "identified"


def read_look(observations: str) -> Observations | None:
    """What was seen in a photo; None where it was not looked at, or the row cannot be read."""
    try:
        return read_observations(observations) if observations else None
    except ValueError:
        return None
