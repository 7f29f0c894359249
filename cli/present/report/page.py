"""The report of a lot as one self-contained page, and the page of labels for its units."""

import base64
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from types import MappingProxyType
from typing import Any

import jinja2
import segno
from markupsafe import Markup
from PIL import Image
from plugface.cli.lot.grouped import Grouped, read_grouped, say_grouped
from plugface.cli.lot.run_folder import snapshot, write_whole
from plugface.cli.present.donor_numbers import find_donor_numbers, paint_over
from plugface.cli.present.face_drawing import draw_face, svg_shapes
from plugface.cli.present.reference_photo import read_reference
from plugface.cli.present.report.overlay import draw_overlay
from plugface.cli.present.report.pairing import Pair, find_pairs
from plugface.cli.present.report.printing import print_page
from plugface.cli.present.report.provenance import make_manifest, rows_of, seal_page
from plugface.cli.present.report.rows import (
    NONE_OF_THEM,
    UnitRow,
    list_files,
    list_pairables,
    list_rows,
    list_views,
    open_variants,
    place_of_truth,
    read_look,
)
from plugface.cli.present.report.sheet import list_sheet, sheet_of
from plugface.cli.present.report.worth import LotWorth, say_worth, value_lot
from plugface.cli.present.swatches import SWATCHES
from plugface.cli.present.templates import template_environment
from plugface.cli.store.exports import write_for_people
from plugface.cli.store.ledger import (
    Confirmation,
    Ledger,
    Lot,
    Proposal,
)
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.decision import placement
from plugface.models.decision.donor import listed_numbers
from plugface.models.grouping import LABEL_PREFIX
from plugface.vision.observations import Observations, Polygon
from sqlalchemy import select
from sqlalchemy.orm import Session

#: Units shown with pictures, the dearest mistakes first; the rest stand in a table. Our choice: 300 pictures
#: make a page of about 10 MB, which a phone still opens.
MAX_PICTURED = 300

#: Units named under "check by hand first".
MAX_FIRST = 20

#: From this expected cost on (second looks) a unit is named to be checked by hand; below, a spot check does.
WORTH_A_LOOK = 1.0

#: Destinations that stand under the cautions where a person found that a unit belongs there.
_FOUND_CAUTIONS = ("hazard", "locked")


@dataclass(frozen=True)
class Picture:
    """One photo of a unit as the page shows it."""

    path: str
    source: str  # data URI of the small picture; empty where there is none
    overlay: Markup
    width_px: int  # of the photo: a page that knows the shape does not jump when the picture comes
    height_px: int


@dataclass(frozen=True)
class Face:
    """What a family should look like, drawn once on the page and shown beside each of its units."""

    id: str
    box: str  # the drawing's own measures, as SVG's viewBox
    title: str
    shapes: Markup


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
    families: tuple[str, ...] = ()  # what it is or may be, the most probable first
    found: str = ""  # what a person found it to be, in words
    open_variants: tuple[str, ...] = ()  # those that remain, where they are several
    found_caution: str = ""  # "hazard" or "locked" where that is what was found


@dataclass(frozen=True)
class WrittenReport:
    """What a report was written to, and what it says the lot is worth."""

    files: dict[str, str]  # what -> path, or why it was not made
    worth: list[LotWorth]


def write_report(
    folder: Path, ledger: Ledger, lot: str, *, remarks: list[str], pdf: bool, donor_numbers: bool = False
) -> WrittenReport:
    """Write report.html, labels.html and, where Chromium is, report.pdf into a run's folder.

    Parameters
    ----------
    folder : Path
    ledger : Ledger
    lot : str
        Its key.
    remarks : list of str
    pdf : bool
    donor_numbers : bool
        Show the numbers of donors, in words and in the pictures. They may be personal data, and a report is
        handed on: without it they are left out and painted over.

    Returns
    -------
    written : WrittenReport
    """
    catalogue = load_catalogue(snapshot(folder))
    with ledger.reading() as session:
        lot_row = session.scalars(select(Lot).filter_by(key=lot)).one()
        every = list_rows(
            session, lot_row.id, undecided=True
        )  # decisions are read once, for all that follows
        rows = [row for row in every if row.proposal]
        by_cost = sorted(rows, key=lambda row: (-_proposal(row).expected_cost, row.unit.id))
        pictured = {row.unit.id for row in by_cost[:MAX_PICTURED]}
        files = list_files(session, lot_row.id)
        listed = listed_numbers(catalogue.families)
        cards = [
            _card(session, row, folder, files, row.unit.id in pictured, donor_numbers, catalogue, listed)
            for row in rows
        ]
        pairables = list_pairables(session, rows, files, catalogue)
        pairs = find_pairs(pairables, catalogue, market=lot_row.market, donor_numbers=donor_numbers)
        families = {row.unit.key: frozenset(row.decision.families) for row in rows if row.decision}
        grouped = read_grouped(session, lot_row.id, families)
        worth = value_lot(rows, catalogue, grouped.doubles)
        sheet = BytesIO()
        lines = list_sheet(session, lot_row, catalogue, rows=every, grouped=grouped)
        write_for_people(sheet_of(lines, worth), sheet, "xlsx")
        manifest, row_hashes = make_manifest(session, "report", lot), rows_of(session, lot)
    faces = draw_faces(snapshot(folder), catalogue, cards)
    page = render_report(
        lot_row, catalogue, cards, pairs, remarks, grouped, worth, faces, head=manifest["head"]
    )
    shown = {card.key for card in cards}
    page = seal_page(page, manifest, {key: sha256 for key, sha256 in row_hashes.items() if key in shown})
    written = {"report": str(folder / "report.html"), "labels": str(folder / "labels.html")}
    (folder / "report.pdf").unlink(missing_ok=True)  # one of an earlier run would say something else
    write_whole(folder / "report.html", page.encode())
    write_whole(folder / "labels.html", render_labels(lot_row, cards).encode())
    write_whole(folder / "units.xlsx", sheet.getvalue())
    written["sheet"] = str(folder / "units.xlsx")
    if pdf:
        problem = print_page(folder / "report.html", folder / "report.pdf")
        written["PDF"] = problem or str(folder / "report.pdf")
    return WrittenReport(written, worth)


def draw_faces(folder: Path, catalogue: Catalogue, cards: list[Card]) -> dict[str, Face]:
    """What the families of the pictured cards should look like, each once, by their keys.

    Parameters
    ----------
    folder : Path
        Of the catalogue, with the photos that its entries name.
    """
    shown = dict.fromkeys(card.families[0] for card in cards if card.pictures and card.families)
    faces = {}
    for number, key in enumerate(key for key in shown if key in catalogue.by_key):
        photo = read_reference(folder, catalogue.by_key[key])
        drawing = draw_face(catalogue.by_key[key], photo, facts_mm=None)
        box = f"0 0 {drawing.width:g} {drawing.height:g}"
        faces[key] = Face(f"face-{number}", box, drawing.title, Markup(svg_shapes(drawing)))
    return faces


def render_report(
    lot: Lot,
    catalogue: Catalogue,
    cards: list[Card],
    pairs: list[Pair],
    remarks: list[str],
    grouped: Grouped | None = None,
    worth: Sequence[LotWorth] = (),
    faces: Mapping[str, Face] = MappingProxyType({}),
    *,
    head: str = "",
) -> str:
    """The report as HTML without any reference to another file; `head` is the ledger's last link."""
    grouped = grouped or Grouped({}, 0, {})
    places: list[dict[str, Any]] = [
        {
            "name": name,
            "sign": sign,
            "meaning": placement.MEANINGS[name],
            "cards": sorted((c for c in cards if c.destination == name), key=lambda c: -c.expected_cost),
            "bins": [
                (bin_, count, sum(c.bin == bin_ and c.key in grouped.doubles for c in cards))
                for bin_, count in sorted(Counter(c.bin for c in cards if c.destination == name).items())
            ],
        }
        for name, sign in placement.SIGNS.items()
    ]
    first = [c for c in cards if c.expected_cost >= WORTH_A_LOOK or c.findings or _is_open_caution(c)]
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
            hands_off=placement.HANDS_OFF,
            pairs=pairs,
            remarks=remarks,
            head=head,
            faces=faces,
            colours=", ".join(f"{code} {name}" for code, (name, _) in SWATCHES.items()),
            methods=Counter(card.method for card in cards).most_common(),
            grouped=say_grouped(grouped),
            doubles=grouped.doubles,
            worth=worth,
            say_worth=say_worth(worth),
        )
    )


def render_labels(lot: Lot, cards: list[Card]) -> str:
    """One label per unit, with a QR code that the tool reads as an id card, its variants and a small picture.

    Eight go to a sheet of A4. A picture that the report does not show is not on the label either.
    """
    codes = {
        card.key: Markup(
            segno.make(LABEL_PREFIX + card.key, error="m", micro=False).svg_inline(
                scale=1, border=4, omitsize=True
            )
        )
        for card in cards
    }
    return (
        _environment()
        .get_template("labels.html")
        .render(lot=lot, cards=cards, codes=codes, hands_off=placement.HANDS_OFF)
    )


def _environment() -> jinja2.Environment:
    environment = template_environment(Path(__file__).parent / "templates")
    # A list of variants breaks after a stroke: browsers break it before a letter nowhere, then inside a word.
    environment.filters["parted"] = lambda text: Markup("/<wbr>").join(text.split("/"))
    environment.filters["unbroken"] = lambda text: text.replace("-", "\N{NON-BREAKING HYPHEN}")
    return environment


def _is_open_caution(card: Card) -> bool:
    """Whether a caution stands on a unit of the bench, such as one that may be the locked variant."""
    return bool(card.cautions) and card.destination == "look-alike bench"


def _proposal(row: UnitRow) -> Proposal:
    assert row.proposal is not None  # `list_rows` gives those without one only where it is told to
    return row.proposal


def _card(
    session: Session,
    row: UnitRow,
    folder: Path,
    files: dict[int | None, list[str]],
    pictured: bool,
    donor_numbers: bool,
    catalogue: Catalogue,
    listed: frozenset[str],
) -> Card:
    proposal, decision = _proposal(row), row.decision
    found = place_of_truth(row.confirmed, catalogue) if row.confirmed else ""
    views = list_views(session, row.unit.id)
    pictures = []
    for photo_id, sha256, part, observations in views if pictured else ():
        if seen := read_look(observations):
            hidden = [] if donor_numbers else find_donor_numbers(seen, listed)
            source = _data_uri(folder / "thumbs" / f"{sha256}.jpg", hidden, seen)
            path = files[photo_id][0]
            shown = seen.units[part] if 0 <= part < len(seen.units) else None
            shown = decision.hold_unit(seen, shown) if decision else shown
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
        families=decision.families if decision else (),
        open_variants=open_variants(row),
        found=_say_found(row.confirmed, found) if row.confirmed else "",
        found_caution=found if found in _FOUND_CAUTIONS else "",
    )


def _say_found(truth: Confirmation, place: str) -> str:
    what = " ".join(filter(None, (truth.family or NONE_OF_THEM, truth.variant)))
    words = f"Found to be {what} by {truth.who}"
    return f"{words}: {placement.SIGNS[place]} {place}" if place in _FOUND_CAUTIONS else words


def _data_uri(path: Path, hidden: Sequence[Polygon], seen: Observations) -> str:
    """The small picture at a path as a data URI, with these polygons of the photo painted over."""
    if not path.is_file():
        return ""
    data = path.read_bytes()
    if hidden:
        try:
            with Image.open(BytesIO(data)) as picture:
                painted = picture.convert("RGB")
        except OSError:  # what cannot be painted over is not shown
            return ""
        paint_over(painted, hidden, painted.width / seen.quality.width_px)
        file = BytesIO()
        painted.save(file, "JPEG", quality=85)
        data = file.getvalue()
    return "data:image/jpeg;base64," + base64.b64encode(data).decode()
