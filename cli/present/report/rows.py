"""The units of a lot with their photos, as the report, its labels and the sheet for people take them."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from plugface.cli.present.report.pairing import Pairable, read_plates
from plugface.cli.store.ledger import (
    Confirmation,
    File,
    Look,
    Lot,
    Photo,
    Proposal,
    Unit,
    View,
    look_of_lot,
    still_counts,
)
from plugface.codec import read_decision, read_observations
from plugface.models.catalogue.entries import Catalogue
from plugface.models.decision import placement
from plugface.models.decision.answers import Decision
from plugface.models.decision.donor import may_hold_vin
from plugface.models.grouping import choose_paths
from plugface.vision.observations import Observations
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

#: What stands for a unit that a person found in no family.
NONE_OF_THEM = "not in catalogue"

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


def open_variants(row: UnitRow) -> tuple[str, ...]:
    """Those that remain of a unit whose family is named, where they are several."""
    named = row.decision is not None and row.proposal is not None and row.proposal.family
    remaining = row.decision.variants if row.decision is not None and named else ()
    return remaining if len(remaining) > 1 else ()


def say_twice(session: Session) -> list[str]:
    """Sentences on units that have the same photos in two lots: a total over all lots has them twice."""
    query = select(Lot.key, Unit.id, View.photo_id, View.part).select_from(Unit)
    query = query.join(Lot, Lot.id == Unit.lot_id).join(View, View.unit_id == Unit.id).where(still_counts())
    shown: dict[tuple[str, int], set[tuple[int, int]]] = {}
    for lot, unit, photo, part in session.execute(query.order_by(Unit.id)):
        shown.setdefault((lot, unit), set()).add((photo, part))
    first: dict[frozenset, str] = {}
    lots = [(lot, first.setdefault(frozenset(photos), lot)) for (lot, _), photos in shown.items()]
    return [
        f"In the total twice: {count} {'unit' if count == 1 else 'units'} of lot {lot}, with the same photos "
        f"as in lot {before}."
        for (lot, before), count in Counter(lots).items()
        if lot != before
    ]


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
            .join(Unit, Unit.id == View.unit_id)
            .join(Photo, Photo.id == View.photo_id)
            .join(Look, Look.photo_id == View.photo_id)
            .where(View.unit_id.in_(asked), look_of_lot(Unit.lot_id))
            .order_by(View.id)
        )
        found: dict[int, list] = {unit_id: [] for unit_id in asked}
        for unit_id, *view in session.execute(query):
            found[unit_id].append(tuple(view))
        yield from found.values()


def list_pairables(
    session: Session, rows: list[UnitRow], files: dict[int | None, list[str]], catalogue: Catalogue
) -> list[Pairable]:
    """What pairing needs of each unit that can be half of a pair.

    Parameters
    ----------
    session : Session
    rows : list of UnitRow
    files : dict
        As `list_files` gives them.
    catalogue : Catalogue
        A unit whose family is not in it is half of no pair.

    Returns
    -------
    pairables : list of Pairable
    """
    pairables = []
    halves = [(row, settled) for row in rows if (settled := _settle(row, catalogue))]
    looked_at = each_views(session, [row.unit.id for row, _settled in halves])
    for (row, (family, variants)), views in zip(halves, looked_at, strict=True):
        seen = [look for view in views if (look := read_look(view[3]))]
        # A date stamp or a caption stands beside many units; what may be a vehicle's number joins two.
        beside = [t.value for look in seen for t in look.texts if may_hold_vin(t.value)]
        # Units in folders of their own lie together when the folder above is the same.
        names = [path for view in views[:1] for path in files.get(view[0], ())]
        folder = PurePosixPath(names[0] if names else ".").parent  # photos of the yard page have no names
        above = folder.parent if row.unit.method == "sub-folder" else folder
        pairables.append(
            Pairable(
                row.unit.key,
                family,
                variants,
                "" if str(above) == "." else str(above),
                read_plates(beside),
            )
        )
    return pairables


def _settle(row: UnitRow, catalogue: Catalogue) -> tuple[str, tuple[str, ...]] | None:
    """Family and variants of a unit that can be half of a pair; None where it cannot."""
    truth, proposal = row.confirmed, row.proposal  # what a person found goes first
    if truth is None:
        if proposal is None or not may_pair(proposal.destination, proposal.findings, row.decision):
            return None
        assert row.decision is not None  # or `may_pair` would have refused it
        key = row.decision.families[0]
        return (key, row.decision.variants) if key in catalogue.by_key else None
    if place_of_truth(truth, catalogue) != "family bin" or (proposal and proposal.findings):
        return None
    return truth.family, tuple(filter(None, [truth.variant]))


def place_of_truth(truth: Confirmation, catalogue: Catalogue) -> placement.Destination:
    """Where what a person found belongs by the catalogue, whatever market the lot is for.

    Parameters
    ----------
    truth : Confirmation
    catalogue : Catalogue

    Returns
    -------
    destination : str
        "not in catalogue", "hazard", "locked" where all that was found is, else "family bin".
    """
    family = catalogue.by_key.get(truth.family)
    if family is None:
        return "not in catalogue"
    if family.hazard != "none":
        return "hazard"
    remaining = [v for v in family.variants if v.key == truth.variant] or list(family.variants)
    return "locked" if all(v.status == "locked" for v in remaining) else "family bin"


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
