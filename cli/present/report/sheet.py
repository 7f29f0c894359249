"""The units of a lot as a sheet for people: one row a unit, in the words of the report."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from plugface.cli.lot.grouped import Grouped, read_grouped
from plugface.cli.present.report.pairing import Pair, find_pairs
from plugface.cli.present.report.rows import (
    NONE_OF_THEM,
    UnitRow,
    each_views,
    list_files,
    list_pairables,
    list_rows,
    open_variants,
    read_look,
)
from plugface.cli.present.report.worth import LotWorth, say_worth, value_lot
from plugface.cli.store.exports import Column, Sheet
from plugface.cli.store.ledger import Lot
from plugface.cli.store.unit_rows import NAMES_A_FAMILY
from plugface.models.catalogue.entries import Catalogue, Variant
from plugface.models.catalogue.index import compact
from plugface.models.decision.donor import may_hold_vin
from plugface.models.decision.label_reading import read_label
from plugface.models.unit_choice import UnitGone, from_part, gather_views
from plugface.vision.observations import Observations
from sqlalchemy import select
from sqlalchemy.orm import Session

#: Heading -> width in characters, kind of its values.
COLUMNS = (
    Column("Lot", 14),
    Column("Unit", 13),
    Column("Goes to", 16),
    Column("Bin", 26),
    Column("Family", 14),
    Column("Variant", 14),
    Column("Sure of the family", 10, "share"),
    Column("Stock code", 12),
    Column("Service number read", 18),
    Column("Suffix read", 10),
    Column("Came from", 34),
    Column("Pair in this lot", 24),
    Column("What to do", 44),
    Column("Look at this", 34),
    Column("May be the same as", 18),
    Column("Photos", 30),
    Column("Put together by", 22),
    Column("Found to be", 16),
    Column("Found variant", 14),
    Column("Found by", 12),
    Column("Found how", 20),
    Column("Found at", 22),
    Column("Expected worth", 12, "amount"),
    Column("A look is worth", 12, "amount"),
    Column("Currency", 9),
)

_NOTHING = ("", None, None)


def list_sheet(
    session: Session,
    lot: Lot,
    catalogue: Catalogue,
    *,
    rows: list[UnitRow] | None = None,
    grouped: Grouped | None = None,
) -> list[tuple]:
    """Rows of one lot under `COLUMNS`.

    Parameters
    ----------
    session : Session
    lot : Lot
    catalogue : Catalogue
        For stock codes, donors, pairs and values. Where a unit's family is not in it these stay empty.
    rows : list of UnitRow, optional
        The lot's units with those that are undecided, where they were read already.
    grouped : Grouped, optional
        Likewise.
    """
    rows = list_rows(session, lot.id, undecided=True) if rows is None else rows
    files = list_files(session, lot.id)
    pairables = list_pairables(session, rows, files, catalogue)
    pairs = _partners(find_pairs(pairables, catalogue, market=lot.market))
    doubles = (grouped or read_grouped(session, lot.id)).doubles
    # One column for all currencies: of a unit that may be of two, the larger worth comes last and stays.
    priced = [(unit, each.currency) for each in value_lot(rows, catalogue) for unit in each.units]
    money = {
        unit.key: (currency, round(unit.expected, 2), round(unit.look, 2))
        for unit, currency in sorted(priced, key=lambda pair: pair[0].expected)
    }
    made: list[tuple] = []
    parts: dict[tuple[str, ...], Catalogue] = {}
    for row, views in zip(rows, each_views(session, [row.unit.id for row in rows]), strict=True):
        names = [path for view in views for path in files.get(view[0], ())[:1]]
        currency, expected, look = money.get(row.unit.key, _NOTHING)
        made.append(
            (
                lot.name or lot.key,
                row.unit.key,
                *_proposed(row, catalogue),
                *_read_numbers(row, views, catalogue, parts),
                "; ".join(_donors(row, catalogue)),
                "; ".join(pairs.get(row.unit.key, ())),
                row.proposal.message if row.proposal else "",
                row.proposal.findings if row.proposal else "",
                ", ".join(doubles.get(row.unit.key, ())),
                ", ".join(names),
                row.unit.method,
                *_found(row),
                expected,
                look,
                currency,
            )
        )
    return made


def list_lots(session: Session, lot: str | None, catalogue: Catalogue) -> tuple[list[tuple], list[LotWorth]]:
    """Rows of one lot, or of all, and what they are worth together.

    Pairs and what may be the same unit are told within each lot, the worth over all of them.
    """
    query = select(Lot).order_by(Lot.id)
    lots = session.scalars(query if lot is None else query.filter_by(key=lot)).all()
    grouped = [read_grouped(session, each.id) for each in lots]
    rows = [
        row
        for each, its in zip(lots, grouped, strict=True)
        for row in list_sheet(session, each, catalogue, grouped=its)
    ]
    units = [row for each in lots for row in list_rows(session, each.id, undecided=True)]
    return rows, value_lot(units, catalogue, {key for its in grouped for key in its.doubles})


def sheet_of(rows: Iterable[Sequence], worth: Sequence[LotWorth]) -> Iterator[Sheet]:
    """The sheets of a book: the units, and what they are worth where the catalogue says so."""
    yield Sheet("units", COLUMNS, rows)
    if worth:
        yield Sheet(
            "worth",
            (Column("Worth", 70), Column("Expected", 12, "amount"), Column("Low (10 %)", 12, "amount"),
             Column("High (90 %)", 12, "amount"), Column("Currency", 9)),
            list(_worth_rows(worth)),
        )  # fmt: skip


def _worth_rows(worth: Sequence[LotWorth]) -> Iterator[tuple]:
    for lot in worth:
        total = lot.total
        yield "The lot", round(total.expected, 2), round(total.low, 2), round(total.high, 2), lot.currency
    for words in say_worth(worth):
        yield words, None, None, None, ""
    for lot in worth:
        for unit in lot.looks:
            yield f"A look by hand at {unit.key} is worth", round(unit.look, 2), None, None, lot.currency


def _proposed(row: UnitRow, catalogue: Catalogue) -> tuple:
    known = row.confirmed or row.proposal  # by the code a unit is sold: what was found goes first
    family = catalogue.by_key.get(known.family) if known else None
    stock_code = family.stock_code if family else ""
    if row.proposal is None:
        return "", "", "", "", None, stock_code
    share = min(max(round(row.proposal.probability, 3), 0.001), 0.999)  # never 0 or 100 per cent
    return (
        row.proposal.destination,
        row.proposal.bin,
        row.proposal.family,
        # A variant of a family that it was found not to be would be read as one of the other.
        ""
        if row.confirmed and row.confirmed.family != row.proposal.family
        else row.proposal.variant or " or ".join(open_variants(row)),
        share if row.decision and row.decision.verdict in NAMES_A_FAMILY else None,
        stock_code,
    )


def _found(row: UnitRow) -> tuple:
    truth = row.confirmed
    if truth is None:
        return "", "", "", "", ""
    when = truth.confirmed_at[:16].replace("T", " ") + " UTC"
    return truth.family or NONE_OF_THEM, truth.variant, truth.who, truth.note, when


def _donors(row: UnitRow, catalogue: Catalogue) -> Iterator[str]:
    """Vehicles and years of the variants that remain, of what was confirmed before what was proposed."""
    if row.confirmed is not None:
        family_key, remaining = row.confirmed.family, {row.confirmed.variant} - {""}
    elif row.proposal and row.decision:
        family_key, remaining = row.proposal.family, set(row.decision.variants)
    else:
        return
    family = catalogue.by_key.get(family_key)
    variants: Sequence[Variant] = family.variants if family else ()
    said = {
        f"{v.vehicles or 'vehicles not listed'}, {v.years[0]}–{v.years[1]}": None
        for v in variants
        if not remaining or v.key in remaining
    }
    yield from said


def _partners(pairs: Sequence[Pair]) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for pair in pairs:
        noted = ["one donor required"] * pair.same_donor + list(pair.doubts)
        donor = f" ({', '.join(noted)})" if noted else ""
        for one, other in ((pair.engine, pair.partner), (pair.partner, pair.engine)):
            found[one.key] = (*found.get(one.key, ()), f"{other.key} {other.family}{donor}")
    return found


def _read_numbers(
    row: UnitRow, views: Sequence[Any], catalogue: Catalogue, parts: dict[tuple[str, ...], Catalogue]
) -> tuple[str, str]:
    """Service number and suffix as they were read from the unit, by the families that remain."""
    seen, chosen = [], []
    for _photo, _sha256, part, text in views:
        look = read_look(text)
        if look is None:
            continue
        try:
            chosen.append(from_part(part, look))
        except UnitGone:
            continue
        seen.append(look)
    keys = tuple(row.decision.families) if row.decision else ()
    if keys not in parts:
        parts[keys] = _only(catalogue, keys)
    return _numbers_in(seen, chosen, parts[keys]) if seen else ("", "")


def _numbers_in(seen: list[Observations], chosen: list, catalogue: Catalogue) -> tuple[str, str]:
    # A code leaves out the strokes that the label is printed with: one number, said as it is printed.
    found: dict[str, dict[str, tuple[str, bool]]] = {"number": {}, "suffix": {}}
    for view in gather_views(seen, chosen):
        for reading in read_label(view.texts, view.codes, catalogue):
            if reading.meaning in found:
                listed = not reading.words.startswith(("no ", "it has", "has the form"))
                if view.unit is None and not listed and may_hold_vin(reading.field):
                    continue  # a donor's, of a type plate: a sheet is handed on as a report is
                values, bare = found[reading.meaning], compact(reading.field)
                field, before = values.get(bare, ("", False))
                values[bare] = (max(field, reading.field, key=len), before or listed)
    named = []
    for values in found.values():
        sure = [field for field, listed in values.values() if listed]
        named.append(", ".join(sure or [field for field, _listed in values.values()]))
    return named[0], named[1]


def _only(catalogue: Catalogue, keys: tuple[str, ...]) -> Catalogue:
    """The catalogue with nothing but these families, where it has them: a label is read by them alone."""
    families = tuple(catalogue.by_key[key] for key in keys if key in catalogue.by_key)
    return Catalogue.model_construct(head=catalogue.head, families=families) if families else catalogue
