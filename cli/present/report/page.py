"""The report of a lot as one self-contained page, and the page of labels for its units."""

import base64
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import jinja2
import segno
from markupsafe import Markup
from plugface.cli.lot.run_folder import snapshot, write_whole
from plugface.cli.present.report.overlay import draw_overlay
from plugface.cli.present.report.pairing import Pair, Pairable, find_pairs, read_plates
from plugface.cli.present.report.printing import print_page
from plugface.cli.present.templates import template_environment
from plugface.cli.store.ledger import (
    File,
    Ledger,
    Look,
    Lot,
    Photo,
    Proposal,
    Unit,
    View,
    newest_look,
    still_counts,
)
from plugface.codec import read_decision, read_observations
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.decision import placement
from plugface.models.decision.answers import Decision
from plugface.models.grouping import LABEL_PREFIX, choose_paths
from plugface.vision.observations import Observations
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

#: Units shown with pictures, the dearest mistakes first; the rest stand in a table. Our choice: 300 pictures
#: make a page of about 10 MB, which a phone still opens.
MAX_PICTURED = 300

#: Units named under "check by hand first".
MAX_FIRST = 20

#: From this expected cost on (second looks) a unit is named to be checked by hand; below, a spot check does.
WORTH_A_LOOK = 1.0


@dataclass(frozen=True)
class Picture:
    """One photo of a unit as the page shows it."""

    path: str
    source: str  # data URI of the small picture; empty where there is none
    overlay: Markup
    width_px: int  # of the photo: a page that knows the shape does not jump when the picture comes
    height_px: int


@dataclass(frozen=True)
class Card:
    """One unit as the page shows it."""

    key: str
    destination: str
    sign: str
    bin: str
    verdict: str
    answer: str
    probability: float
    expected_cost: float
    message: str
    findings: str
    cautions: tuple[str, ...]
    method: str
    files: tuple[str, ...]
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True)
class _Row:
    """One unit as the ledger has it."""

    unit: Unit
    proposal: Proposal
    decision: Decision | None


def write_report(folder: Path, ledger: Ledger, lot: str, *, remarks: list[str], pdf: bool) -> dict[str, str]:
    """Write report.html, labels.html and, where Chromium is, report.pdf into a run's folder.

    Returns
    -------
    written : dict
        What -> path, or why it was not made.
    """
    catalogue = load_catalogue(snapshot(folder))
    with ledger.reading() as session:
        lot_row = session.scalars(select(Lot).filter_by(key=lot)).one()
        rows = _rows(session, lot_row.id)
        by_cost = sorted(rows, key=lambda row: (-row.proposal.expected_cost, row.unit.id))
        pictured = {row.unit.id for row in by_cost[:MAX_PICTURED]}
        files = _files(session, lot_row.id)
        cards = [_card(session, row, folder, files, pictured=row.unit.id in pictured) for row in rows]
        pairs = find_pairs(_pairables(session, rows, files), catalogue)
    page = render_report(lot_row, catalogue, cards, pairs, remarks)
    written = {"report": str(folder / "report.html"), "labels": str(folder / "labels.html")}
    write_whole(folder / "report.html", page.encode())
    write_whole(folder / "labels.html", render_labels(lot_row, cards).encode())
    if pdf:
        problem = print_page(folder / "report.html", folder / "report.pdf")
        written["PDF"] = problem or str(folder / "report.pdf")
    return written


def render_report(
    lot: Lot, catalogue: Catalogue, cards: list[Card], pairs: list[Pair], remarks: list[str]
) -> str:
    """The report as HTML without any reference to another file."""
    places: list[dict[str, Any]] = [
        {
            "name": name,
            "sign": sign,
            "meaning": placement.MEANINGS[name],
            "cards": sorted((c for c in cards if c.destination == name), key=lambda c: -c.expected_cost),
            "bins": sorted(Counter(c.bin for c in cards if c.destination == name).items()),
        }
        for name, sign in placement.SIGNS.items()
    ]
    first = [c for c in cards if c.expected_cost >= WORTH_A_LOOK or c.findings]
    first.sort(key=lambda c: -c.expected_cost)
    return (
        _environment()
        .get_template("report.html")
        .render(
            lot=lot,
            made=datetime.now().astimezone().strftime("%Y-%m-%d %H:%M"),
            catalogue=catalogue,
            cards=cards,
            places=[place for place in places if place["cards"]],
            first=first[:MAX_FIRST],
            n_first=len(first),
            by_hand=placement.BY_HAND,
            pairs=pairs,
            remarks=remarks,
            methods=Counter(card.method for card in cards).most_common(),
        )
    )


def render_labels(lot: Lot, cards: list[Card]) -> str:
    """One label per unit, each with a QR code that the tool reads as an id card; eight to a sheet of A4."""
    codes = {
        card.key: Markup(
            segno.make(LABEL_PREFIX + card.key, error="m", micro=False).svg_inline(
                scale=1, border=4, omitsize=True
            )
        )
        for card in cards
    }
    return _environment().get_template("labels.html").render(lot=lot, cards=cards, codes=codes)


def _environment() -> jinja2.Environment:
    environment = template_environment(Path(__file__).parent / "templates")
    environment.filters["unbroken"] = lambda text: text.replace("-", "\N{NON-BREAKING HYPHEN}")
    return environment


def _rows(session: Session, lot_id: int) -> list[_Row]:
    earlier = aliased(Proposal)
    newest = select(func.max(earlier.id)).where(earlier.unit_id == Unit.id).scalar_subquery()
    query = select(Unit, Proposal).join(Proposal, Proposal.id == newest).where(Unit.lot_id == lot_id)
    query = query.where(still_counts())
    return [
        _Row(unit, proposal, read_decision(proposal.decision) if proposal.decision else None)
        for unit, proposal in session.execute(query.order_by(Unit.id))
    ]


def _files(session: Session, lot_id: int) -> dict[int, list[str]]:
    """Photo id -> the paths it was found under, the one it goes by first."""
    query = select(File.photo_id, File.path).where(File.lot_id == lot_id).order_by(File.path)
    files: dict[int | None, list[str]] = {}
    for photo_id, path in session.execute(query):
        files.setdefault(photo_id, []).append(path)
    copied = {photo_id: paths for photo_id, paths in files.items() if photo_id is not None}
    for photo_id, path in choose_paths(copied).items():
        copied[photo_id].sort(key=lambda other: other != path)
    return copied


def _views(session: Session, unit_id: int) -> list:
    """(photo id, SHA-256, part, observations as JSON) of each photo of a unit."""
    query = (
        select(View.photo_id, Photo.sha256, View.part, Look.observations)
        .join(Photo, Photo.id == View.photo_id)
        .join(Look, Look.photo_id == View.photo_id)
        .where(View.unit_id == unit_id, newest_look())
        .order_by(View.id)
    )
    return list(session.execute(query).all())


def _card(session: Session, row: _Row, folder: Path, files: dict[int, list[str]], *, pictured: bool) -> Card:
    proposal, decision = row.proposal, row.decision
    views = _views(session, row.unit.id)
    pictures = []
    for photo_id, sha256, part, observations in views if pictured else ():
        if seen := _read(observations):
            source = _data_uri(folder / "thumbs" / f"{sha256}.jpg")
            path = files[photo_id][0]
            shown = seen.units[part] if 0 <= part < len(seen.units) else None
            size = seen.quality.width_px, seen.quality.height_px
            pictures.append(Picture(path, source, draw_overlay(seen, shown), *size))
    return Card(
        key=row.unit.key,
        destination=proposal.destination,
        sign=placement.SIGNS[proposal.destination],
        bin=proposal.bin,
        verdict=proposal.verdict,
        answer=" ".join(filter(None, (proposal.family, proposal.variant))),
        probability=proposal.probability,
        expected_cost=proposal.expected_cost,
        message=proposal.message,
        findings=proposal.findings,
        cautions=tuple(c.message for c in decision.cautions if c.name not in ("catalogue", "general"))
        if decision
        else (),
        method=row.unit.method,
        files=tuple(path for view in views for path in files.get(view[0], ())),
        pictures=tuple(pictures),
    )


def _pairables(session: Session, rows: list[_Row], files: dict[int, list[str]]) -> list[Pairable]:
    pairables = []
    for row in rows:
        decision = row.decision
        if decision is None or not may_pair(row.proposal.destination, row.proposal.findings, decision):
            continue
        views = _views(session, row.unit.id)
        beside = [t.value for view in views if (seen := _read(view[3])) for t in seen.texts]
        # Units in folders of their own lie together when the folder above is the same.
        folder = PurePosixPath(files[views[0][0]][0]).parent
        above = folder.parent if row.unit.method == "sub-folder" else folder
        pairables.append(
            Pairable(
                row.unit.key,
                decision.families[0],
                decision.variants,
                "" if str(above) == "." else str(above),
                read_plates(beside),
            )
        )
    return pairables


def may_pair(destination: str, findings: str, decision: Decision | None) -> bool:
    """Whether a unit can be half of a pair: its family is settled, and it can be used."""
    usable = destination in ("family bin", "look-alike bench") and not findings
    return usable and decision is not None and decision.verdict == "identified"


def _read(observations: str) -> Observations | None:
    """What was seen in a photo; None where it was not looked at, or the row cannot be read."""
    try:
        return read_observations(observations) if observations else None
    except ValueError:
        return None


def _data_uri(path: Path) -> str:
    if not path.is_file():
        return ""
    return "data:image/jpeg;base64," + base64.b64encode(path.read_bytes()).decode()
