"""The sheet for people, the labels and the worth of a lot, from photos to the file that is opened."""

import csv
import io
import json
import re
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import cloudpickle
import openpyxl
import pytest
from plugface.cli.lot import sorting, worker
from plugface.cli.present.report import page as report_page
from plugface.cli.present.report import rows as rows_module
from plugface.cli.present.report.rows import UnitRow, each_views, list_views
from plugface.cli.present.report.sheet import _donors, _proposed, _read_numbers, list_lots
from plugface.cli.present.report.worth import UnitWorth, say_worth, value_lot
from plugface.cli.settings import demo_folder
from plugface.cli.store.confirmations import Truth, confirm_unit
from plugface.cli.store.exports import Column, Sheet, write_for_people
from plugface.cli.store.ledger import Confirmation, Ledger, Lot, Proposal, list_units
from plugface.cli.store.ledger import Unit as UnitOfLedger
from plugface.codec import write_decision, write_observations
from plugface.models.catalogue.entries import Catalogue, Value, load_catalogue
from plugface.models.decision import placement
from plugface.models.decision.answers import Candidate, Decision, VariantChance
from plugface.vision.observations import Code, Observations, Quality, Text, Unit, WhiteBalance
from sqlalchemy import event, select

cloudpickle.register_pickle_by_value(sys.modules[__name__])  # the workers cannot import this file

SQUARE = ((0.0, 0.0), (90.0, 0.0), (90.0, 80.0), (0.0, 80.0))

#: Name of a photo -> lines on its label, a code, and families with their probability, variants with theirs.
LOT = {
    "u1_front.jpg": ((), "", {"DUNLIN 6": 0.96}, {"first": 1.0}),
    "u1_back.jpg": (("K44510/261", "REV B"), "K44510/261", {"DUNLIN 6": 0.96}, {"first": 1.0}),
    "u2_front.jpg": ((), "", {"DUNLIN 6": 0.6, "CURLEW 5": 0.3}, {"first": 0.5, "second": 0.5}),
    "u3_front.jpg": ((), "", {"CURLEW 5": 0.999}, {"automatic": 1.0}),
}


class StandIn:
    """Sees and answers what `LOT` says of the photo whose bytes are its name."""

    look_version, model_version = "stand-in 1", "stand-in model 1"

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        lines, payload, _, _ = LOT[data.decode()]
        texts = tuple(Text(SQUARE, line, 0.9, "printed", 12.0) for line in lines)
        codes = (Code(SQUARE, "Code 128", payload, "verified"),) if payload else ()
        front = 1.0 if "front" in data.decode() else 0.0
        unit = Unit(SQUARE, 0.9, {"front": front, "back": 1 - front}, (), texts=texts, codes=codes)
        sha256 = data.hex().ljust(64, "0")[:64]
        return Observations(
            sha256, Quality(400, 300, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0), (unit,)
        ), THUMB

    def list_units(self, seen: Observations) -> list[int]:
        return [0]

    def decide(self, seen, chosen) -> Decision:
        name = next(name for name in LOT if seen[0].photo_sha256.startswith(name.encode().hex()))
        _, _, families, variants = LOT[name]
        candidates = tuple(
            Candidate(key, 1.0, share, (), tuple(VariantChance(v, p) for v, p in variants.items()))
            for key, share in families.items()
        )
        share = next(iter(families.values()))
        told = share > 0.9
        return Decision(
            "identified" if told else "ambiguous" if share > 0.1 else "not_in_catalogue",
            "Words.",
            candidates,
            tuple(families)[: 1 if told else None],
            tuple(v for v, p in variants.items() if p > 0.1),
            model_version=self.model_version,
        )


THUMB = bytes.fromhex(  # the smallest JPEG there is: one grey pixel
    "ffd8ffdb004300" + "03" * 64 + "ffc9000b080001000101011100ffcc000600101005ffda0008010100003f00d2cf20ffd9"
)


@pytest.fixture
def sorted_lot(tmp_path, run, monkeypatch):
    """A sorted lot whose catalogue says what DUNLIN 6 and CURLEW 5 are worth; gives folder and output."""
    return sort_priced(tmp_path, run, monkeypatch)


def sort_priced(tmp_path, run, monkeypatch, *, curlew: str = ""):
    """The same with a currency of its own for CURLEW 5."""
    catalogue = tmp_path / "priced"
    catalogue.mkdir()
    for file in (demo_folder() / "marrow_finch").glob("*.toml"):
        text = file.read_text("utf-8")
        if file.name == "catalogue.toml":
            text = 'currency = "EUR"\n' + text
        if file.name == "dunlin_6.toml":
            text = text.replace('key = "first"', 'key = "first"\nvalue = { usable = 80, core = 5 }')
            text = text.replace('key = "second"', 'key = "second"\nvalue = { locked = 12, core = 5 }')
        if file.name == "curlew_5.toml":
            text = text.replace(
                'key = "automatic"', 'key = "automatic"\nvalue = { usable = 200' + curlew + " }"
            )
        (catalogue / file.name).write_text(text, "utf-8")
    photos = tmp_path / "lot"
    photos.mkdir()
    for name in LOT:
        (photos / name).write_bytes(name.encode())
    monkeypatch.setattr(worker, "PipelineAnalyser", lambda _: StandIn())
    said = run(
        "sort", photos, "--out", tmp_path / "run", "--catalogue", catalogue, "--no-pdf", "--workers", 1
    )
    assert said.code == 0, said.err
    return tmp_path / "run", said.out


def read_sheet(path: Path, name: str = "units") -> tuple[object, list[dict]]:
    """A sheet, and its rows by heading, read by another library."""
    sheet = openpyxl.load_workbook(path)[name]
    heading, *rows = sheet.iter_rows(values_only=True)
    return sheet, [dict(zip(heading, row, strict=True)) for row in rows]


def test_the_sheet_says_what_the_report_says_in_sized_columns_with_a_filter(sorted_lot, run, tmp_path):
    folder, _ = sorted_lot
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        first, second, _third = (row.unit for row in list_units(session)[1])
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        confirm_unit(ledger, second, Truth("DUNLIN 6", "second", "kim", "plate"))
    said = run("ledger", "export", tmp_path / "lot.xlsx", "--ledger", folder)
    assert said.code == 0, said.err
    sheet, rows = read_sheet(tmp_path / "lot.xlsx")
    assert sheet.auto_filter.ref == f"A1:Y{len(rows) + 1}"
    assert sheet.freeze_panes == "A2"
    widths = {letter: size.width for letter, size in sheet.column_dimensions.items()}
    assert len(widths) == 25
    assert min(widths.values()) >= 9
    by_unit = {row["Unit"]: row for row in rows}
    one = by_unit[first]
    assert (one["Family"], one["Variant"], one["Stock code"]) == ("DUNLIN 6", "first", "HW-D6")
    assert one["Goes to"] == "family bin"
    assert one["Service number read"] == "K44510/261"
    assert one["Photos"] == "u1_back.jpg, u1_front.jpg"
    assert one["Came from"] == "Sorrel 2.2 pickup, automatic, 2001–2003"
    assert one["Put together by"] == "file name"
    assert one["Sure of the family"] == 0.96
    assert one["Expected worth"] == pytest.approx(0.96 * 80)
    cell = next(c for c in next(iter(sheet.iter_rows(min_row=2, max_row=2))) if c.value == 0.96)
    assert cell.number_format == "0.0%"
    other = by_unit[second]
    assert (other["Found to be"], other["Found variant"], other["Found by"]) == ("DUNLIN 6", "second", "kim")
    assert other["Expected worth"] == 12  # what a person found counts for certain
    sure = {row["Sure of the family"] for row in rows}
    assert sure == {0.96, 0.6, 0.999}  # rounded
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        confirm_unit(ledger, first, Truth("CURLEW 5", "", "kim"))
    run("ledger", "export", tmp_path / "later.xlsx", "--ledger", folder)
    one = next(row for row in read_sheet(tmp_path / "later.xlsx")[1] if row["Unit"] == first)
    # "first" is a variant of DUNLIN 6, and nothing is said of one of CURLEW 5.
    assert (one["Family"], one["Variant"], one["Found to be"]) == ("DUNLIN 6", None, "CURLEW 5")


def test_no_share_stands_beside_a_unit_that_is_called_no_familys(tmp_path, run, monkeypatch):
    monkeypatch.setitem(LOT, "u4_front.jpg", ((), "", {"CURLEW 5": 0.043}, {"automatic": 1.0}))
    folder, _ = sort_priced(tmp_path, run, monkeypatch)
    listed = run("ledger", "list", "--ledger", folder).out
    assert "60.0 %" in listed
    assert "4.3 %" not in listed
    _, rows = read_sheet(folder / "units.xlsx")
    assert [(row["Goes to"], row["Sure of the family"]) for row in rows][-1] == ("not in catalogue", None)


def test_csv_for_people_and_the_ledgers_own_columns(sorted_lot, run, tmp_path):
    folder, _ = sorted_lot
    assert run("ledger", "export", tmp_path / "lot.csv", "--ledger", folder).code == 0
    rows = list(csv.DictReader(io.StringIO((tmp_path / "lot.csv").read_text("utf-8-sig"))))
    assert [row["Sure of the family"] for row in rows] == ["96.0 %", "60.0 %", "99.9 %"]
    assert rows[0]["Expected worth"] == "76.80"
    for name, extra in (("raw.csv", ["--raw"]), ("raw.jsonl", [])):
        assert run("ledger", "export", tmp_path / name, "--ledger", folder, *extra).code == 0
    raw = list(csv.DictReader(io.StringIO((tmp_path / "raw.csv").read_text("utf-8-sig"))))
    lines = [json.loads(line) for line in (tmp_path / "raw.jsonl").read_text("utf-8").splitlines()]
    assert [row["first_photo_sha256"] for row in raw] == [line["first_photo_sha256"] for line in lines]


def test_an_engine_and_its_gearbox_stand_in_each_others_row(sorted_lot):
    _, rows = read_sheet(sorted_lot[0] / "units.xlsx")
    pairs = {row["Unit"]: row["Pair in this lot"] for row in rows if row["Pair in this lot"]}
    for one, words in pairs.items():
        other = words.split()[0]
        assert pairs[other].split()[0] == one
    assert len(pairs) == 2


def test_what_a_person_found_goes_before_what_was_proposed(sorted_lot, run):
    folder, _ = sorted_lot
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        gearbox, _unsure, engine = (row.unit for row in list_units(session)[1])

    def found(unit: str, *truth: str) -> dict[str, dict]:
        with closing(Ledger(folder / "ledger.sqlite")) as ledger:
            confirm_unit(ledger, unit, Truth(*truth, "kim"))
        photos = folder.parent / "lot"
        assert run("sort", photos, "--out", folder, "--no-pdf", "--workers", 1).code == 0
        return {row["Unit"]: row for row in read_sheet(folder / "units.xlsx")[1]}

    def texts() -> tuple[str, str]:
        page, labels = ((folder / name).read_text("utf-8") for name in ("report.html", "labels.html"))
        return page[page.index("Cautions first") : page.index("What goes where")], labels

    assert found(gearbox, "DUNLIN 6", "first")[engine]["Pair in this lot"].startswith(gearbox)
    assert "Found to be DUNLIN 6 first by kim." in (folder / "report.html").read_text("utf-8")
    assert "Found to be" not in texts()[0]
    assert found(gearbox, "DUNLIN 6", "second")[engine]["Pair in this lot"] is None
    assert all("Found to be DUNLIN 6 second by kim: ⊘ locked" in text for text in texts())
    either = found(gearbox, "DUNLIN 6", "")[engine]["Pair in this lot"]
    assert either == f"{gearbox} DUNLIN 6 (only if {gearbox} is not the locked second)"
    sheet = found(gearbox, "GANNET 8", "only")
    assert (sheet[gearbox]["Stock code"], sheet[engine]["Pair in this lot"]) == ("HW-X8", None)
    assert all("Found to be GANNET 8 only by kim: ⚠ hazard" in text for text in texts())
    assert all(placement.HANDS_OFF in text for text in texts())
    sheet = found(gearbox, "", "")
    assert (sheet[gearbox]["Stock code"], sheet[engine]["Pair in this lot"]) == (None, None)
    assert "Found to be not in catalogue by kim" in texts()[1]


def test_the_worth_of_a_lot_by_hand(sorted_lot, run):
    folder, said = sorted_lot
    # u1: 0.96 x 80 = 76.8. u2: 0.6 x (80 + 12) / 2 = 27.6, and 0.3 of CURLEW 5: the two variants in the
    # answer are none of its own, so equally shared. u3: 0.999 x 200 = 199.8.
    shares = 0.3 / curlew_variants() * 200
    expected = 76.8 + 27.6 + shares + 199.8
    assert f"Worth about {expected:,.0f} EUR; with 80 % between" in " ".join(said.split())
    _, rows = read_sheet(folder / "units.xlsx", "worth")
    assert rows[0]["Expected"] == pytest.approx(expected, abs=0.01)
    assert rows[0]["Low (10 %)"] <= rows[0]["Expected"] <= rows[0]["High (90 %)"]
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        unsure = [row.unit for row in list_units(session)[1]][1]
    assert f"A look by hand pays most at {unsure} (" in " ".join(said.split())
    page = (folder / "report.html").read_text("utf-8")
    assert "What the lot is worth" in page
    assert "expected value of perfect information" in page
    assert page.index("Where a look by hand pays most") < page.index(
        f'href="#{unsure}"', page.index("Where a look")
    )
    priced = json.loads(
        run("sort", folder.parent / "lot", "--out", folder, "--no-pdf", "--workers", 1, "--json").out
    )["worth"]
    assert priced[0]["expected"] == pytest.approx(expected, abs=0.01)


def test_a_unit_that_may_be_of_two_currencies_stands_in_that_of_its_larger_worth(tmp_path, run, monkeypatch):
    folder, _said = sort_priced(tmp_path, run, monkeypatch, curlew=', currency = "CHF"')
    _, rows = read_sheet(folder / "units.xlsx")
    # u2: 27.6 EUR as DUNLIN 6, 0.3 x 200 CHF over the two variants of CURLEW 5 otherwise.
    found = {row["Photos"]: (row["Expected worth"], row["Currency"]) for row in rows}
    assert found["u2_front.jpg"] == (pytest.approx(30.0), "CHF")
    assert found["u1_back.jpg, u1_front.jpg"] == (pytest.approx(76.8), "EUR")


def priced(**values: tuple[str, dict]) -> Catalogue:
    """The demo's catalogue in which these variants alone have a value."""
    plain = load_catalogue(demo_folder() / "marrow_finch")
    families = []
    for family in plain.families:
        named, value = values.get(family.key.replace(" ", "_"), ("", {}))
        variants = tuple(
            v.model_copy(update={"value": Value(**value)}) if v.key == named else v for v in family.variants
        )
        families.append(family.model_copy(update={"variants": variants}))
    return Catalogue.model_construct(head=plain.head, families=tuple(families))


def unit_row(key: str, shares: dict[str, float], *truth: str) -> UnitRow:
    """A unit with the probabilities of its families, and what a person found."""
    candidates = tuple(Candidate(family, 1.0, share) for family, share in shares.items())
    decision = Decision("ambiguous", "", candidates) if shares else None
    found = Confirmation(family=truth[0], variant=truth[1], who="kim") if truth else None
    return UnitRow(UnitOfLedger(key=key), None, decision, found)


def test_what_has_no_value_in_any_currency_is_said_once():
    catalogue = priced(
        DUNLIN_6=("first", {"usable": 80, "currency": "EUR"}),
        PLOVER_7=("only", {"usable": 40, "currency": "USD"}),
        KNOT_40=("E", {"usable": 1, "currency": "CHF"}),
    )
    rows = [
        unit_row("A", {}, "DUNLIN 6", "first"),
        unit_row("B", {"PLOVER 7": 0.9}),
        unit_row("C", {"GANNET 8": 0.9}),
        unit_row("D", {}, "", ""),
        unit_row("E", {"PLOVER 7": 0.9, "KNOT 40": 0.1}),
    ]
    worth = value_lot(rows, catalogue)
    assert [(lot.currency, lot.total.expected, lot.uncounted) for lot in worth] == [
        ("EUR", pytest.approx(80), 2),
        ("USD", pytest.approx(72), 2),
    ]
    assert sum("2 of the units may be nothing that has a value" in words for words in say_worth(worth)) == 1
    assert "of the units may be nothing" not in " ".join(say_worth(value_lot(rows[:2], catalogue)))


def test_words_of_worth_hold_where_the_mean_lies_outside_the_interval_and_a_look_is_worth_cents():
    catalogue = priced(DUNLIN_6=("first", {"usable": 80, "currency": "EUR"}))
    sure = Decision("identified", "", (Candidate("DUNLIN 6", 1.0, 0.98, (), (VariantChance("first", 1.0),)),))
    rows = [UnitRow(UnitOfLedger(key=key), None, sure) for key in "ABCDE"]
    (worth,) = value_lot(rows, catalogue)
    assert (worth.total.low, worth.total.high) == (400, 400)  # 0.98^5 is 0.904
    assert say_worth([worth])[0].startswith(
        "Worth about 392 EUR on average; with 80 % 400 EUR, seldom far less"
    )
    assert "twice" not in say_worth([worth])[0]
    assert "A unit that may count already is in it twice." in say_worth(value_lot(rows, catalogue, {"B"}))[0]
    (cents,) = say_worth([replace(worth, units=(UnitWorth("B", 80, 0.23),))])[1:]
    assert cents == "A look by hand pays most at B (0.23 EUR)."


def curlew_variants() -> int:
    """How many variants CURLEW 5 has; one of them is valued."""
    from plugface.models.catalogue.entries import load_catalogue

    return len(load_catalogue(demo_folder() / "marrow_finch").by_key["CURLEW 5"].variants)


def test_labels_carry_the_variant_and_a_small_picture(sorted_lot):
    page = (sorted_lot[0] / "labels.html").read_text("utf-8")
    label = next(part for part in page.split('<div class="label">') if "DUNLIN 6 (HW" in part)
    assert "DUNLIN 6 first" in label
    assert 'src="data:image/jpeg;base64,' in label
    assert "img-src data:" in page


def test_the_variants_that_remain_stand_on_label_sheet_and_report(tmp_path, run, monkeypatch):
    monkeypatch.setitem(LOT, "u3_front.jpg", ((), "", {"AUK 11": 0.999}, {"early": 0.6, "late": 0.4}))
    folder, _said = sort_priced(tmp_path, run, monkeypatch)
    page = (folder / "labels.html").read_text("utf-8")
    (label,) = (part for part in page.split('<div class="label">') if "AUK 11" in part)
    assert '<div class="answer">early or late</div>' in label
    found = {row["Photos"]: row["Variant"] for row in read_sheet(folder / "units.xlsx")[1]}
    assert (found["u3_front.jpg"], found["u1_back.jpg, u1_front.jpg"]) == ("early or late", "first")
    assert (folder / "report.html").read_text("utf-8").count("<p>Variant early or late.</p>") == 1
    assert run("verify", folder / "report.html").code == 0


def test_where_not_all_are_pictured_the_dearest_mistake_is(sorted_lot, run, monkeypatch):
    folder, _ = sorted_lot
    monkeypatch.setattr(report_page, "MAX_PICTURED", 1)
    assert run("sort", folder.parent / "lot", "--out", folder, "--no-pdf", "--workers", 1).code == 0
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        costs = {row.unit: row.expected_cost for row in list_units(session)[1]}
    page = (folder / "report.html").read_text("utf-8")
    cards = re.findall(r'<article class="card" id="([^"]+)"(.*?)</article>', page, re.S)
    (pictured,) = (key for key, shown in cards if "data:image/jpeg" in shown)
    assert costs[pictured] == max(costs.values()) > min(costs.values())


@pytest.mark.parametrize(("probability", "shown"), [(0.99998, 0.999), (0.0, 0.001), (0.9714, 0.971)])
def test_no_family_is_shown_as_certain_or_impossible(probability, shown):
    decision = Decision("identified", "Words.", (Candidate("AUK 11", 1.0, probability, ()),), ("AUK 11",))
    proposal = Proposal(
        destination="family bin", bin="AUK 11", family="AUK 11", variant="", probability=probability
    )
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    assert _proposed(UnitRow(UnitOfLedger(key="A-1"), proposal, decision), catalogue)[4] == shown


def test_only_what_stands_on_the_unit_and_is_listed_is_its_number():
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    texts = tuple(Text(SQUARE, line, 0.9, "printed", 12.0) for line in ("K44510/261", "K44510/269"))
    unit = Unit(SQUARE, 0.9, {"front": 0.0, "back": 1.0}, (), texts=texts)
    quality, balance = Quality(400, 300, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0)
    look = write_observations(Observations("a" * 64, quality, balance, (unit,), texts=texts))
    row = UnitRow(UnitOfLedger(key="A-1"), None, None)
    assert _read_numbers(row, [(1, "a" * 64, 0, look)], catalogue, {}) == ("K44510/261", "")
    # A later look finds one unit alone in that photo: its number is not the second one's.
    assert _read_numbers(row, [(1, "a" * 64, 1, look)], catalogue, {}) == ("", "")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("K44510/261", "K44510/261"),
        ("0AUKDUNL7K0001234", ""),  # a donor's, in the form of a vehicle's number
        ("0AUKDUNL7K0001234A", ""),  # a sign read twice
        ("K44999/999", "K44999/999"),
    ],
)
def test_a_donors_number_is_none_of_the_unit(line, said):
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    row, quality = UnitRow(UnitOfLedger(key="A-1"), None, None), Quality(400, 300, 0.5, 0.0, 1.0)
    plate = Text(SQUARE, line, 0.9, "printed", 30.0)
    code = Code(SQUARE, "Code 128", line, "verified")
    for texts, codes in (((plate,), ()), ((), (code,))):
        seen = Observations("a" * 64, quality, WhiteBalance((1, 1, 1), "none", 0), texts=texts, codes=codes)
        (number, _suffix) = _read_numbers(row, [(1, "a" * 64, -1, write_observations(seen))], catalogue, {})
        assert number == said
    unit = Unit(SQUARE, 0.9, {"front": 0.0, "back": 1.0}, texts=(plate,))
    on_unit = write_observations(replace(seen, units=(unit,), codes=()))
    assert _read_numbers(row, [(1, "a" * 64, 0, on_unit)], catalogue, {}) == (line, "")  # its own


def test_a_found_variant_came_from_its_own_vehicles():
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    variants = {v.key: v for v in catalogue.by_key["DUNLIN 6"].variants}
    first, second = variants["first"], variants["second"]
    assert first.years != second.years

    def donors(variant: str) -> list[str]:
        found = Confirmation(family="DUNLIN 6", variant=variant)
        return list(_donors(UnitRow(UnitOfLedger(key="A-1"), None, None, found), catalogue))

    (said,) = donors("second")
    assert said.endswith(f"{second.years[0]}\N{EN DASH}{second.years[1]}")
    assert len(donors("")) > 1  # of the family alone: any of them


def test_no_pdf_of_an_earlier_run_stays_beside_a_new_report(sorted_lot, run):
    folder, _ = sorted_lot
    (folder / "report.pdf").write_bytes(b"%PDF of an earlier run")
    assert run("sort", folder.parent / "lot", "--out", folder, "--no-pdf", "--workers", 1).code == 0
    assert (folder / "report.html").exists()
    assert not (folder / "report.pdf").exists()


def test_a_lot_that_was_sorted_twice_is_said_to_be_in_the_total_twice(sorted_lot, run, tmp_path):
    folder, _ = sorted_lot
    again = ("sort", tmp_path / "lot", "--out", tmp_path / "again", "--ledger", folder / "ledger.sqlite")
    once = run("ledger", "export", tmp_path / "once.csv", "--ledger", folder).out
    assert run(*again, "--catalogue", tmp_path / "priced", "--no-pdf", "--workers", 1).code == 0
    said = run("ledger", "export", tmp_path / "twice.csv", "--ledger", folder).out
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        before, later = session.scalars(select(Lot.key).order_by(Lot.id))
    words = f"In the total twice: 3 units of lot {later}, with the same photos as in lot {before}."
    assert words in " ".join(said.split())
    assert "In the total twice" not in once
    alone = run("ledger", "export", tmp_path / "lot.csv", "--ledger", folder, "--lot", later)
    assert alone.code == 0
    assert "In the total twice" not in alone.out


def test_confirm_none_points_to_not_in_catalogue(run, tmp_path):
    for word in ("none", "Unknown", ""):
        said = run("confirm", "X-1", "--true", word, "--who", "kim", "--ledger", tmp_path)
        assert said.code == 2
        assert "--not-in-catalogue" in said.err


def test_a_sheet_opens_in_another_library_whatever_stands_in_it():
    rows = [("=1+1", 0.5, 3.25), ("<&>\x00", None, None), ("", 1.0, 0.0)]
    out = io.BytesIO()
    columns = (Column("a & b", 10), Column("share", 8, "share"), Column("worth", 9, "amount"))
    assert write_for_people([Sheet("one", columns, rows), Sheet("two", columns, [])], out, "xlsx") == 3
    book = openpyxl.load_workbook(out)
    assert book.sheetnames == ["one", "two"]
    read = list(book["one"].iter_rows(values_only=True))
    assert read[1:] == [("=1+1", 0.5, 3.25), ("<&>", None, None), (None, 1, 0)]
    assert book["one"].cell(2, 1).data_type == "s"  # a text, and no formula
    assert book["two"].auto_filter.ref == "A1:C1"


def test_a_lot_of_the_yard_page_whose_photos_have_no_names_is_written(filled_yard):
    """Settled units of it can be halves of a pair, by where their photos lie; these lie nowhere."""
    folder, _hashes = filled_yard
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    best = Candidate("DUNLIN 6", 5.0, 0.999)
    settled = write_decision(Decision("identified", "DUNLIN 6.", (best,), ("DUNLIN 6",), ("first",)))
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        with ledger.transaction() as session:
            for former in session.scalars(select(Proposal)).all():
                kept = {n: getattr(former, n) for n in Proposal.__mapper__.attrs.keys() if n != "id"}  # noqa: SIM118
                session.add(Proposal(**kept | {"input_sha256": f"settled {former.id}", "decision": settled}))
        with ledger.reading() as session:
            rows, _worth = list_lots(session, None, catalogue)
    assert [row[1] for row in rows] == ["N-0001", "N-0002", "N-0003", "S-0001"]


def test_a_sheet_asks_as_little_for_many_units_as_for_few(filled_yard, monkeypatch):
    """One by one they took a minute for each 10,000 units."""
    folder, _hashes = filled_yard
    asked = []
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        event.listen(ledger.engine, "before_cursor_execute", lambda *words: asked.append(words[2]))
        units = session.scalars(select(UnitOfLedger.id).order_by(UnitOfLedger.id)).all()
        alone = [list_views(session, unit) for unit in units]
        asked.clear()
        together = list(each_views(session, units))
        assert len(asked) == 1
        monkeypatch.setattr(rows_module, "UNITS_AT_ONCE", 3)
        in_parts = list(each_views(session, units))
    assert alone == together == in_parts
    assert [len(views) for views in together] == [2, 2, 1, 1]
    assert len(asked) == 3


def test_a_code_that_holds_a_number_without_its_stroke_is_no_id_card():
    """Taken for a card, the code of a family would join all its units to one."""
    is_number = sorting._service_number_test(load_catalogue(demo_folder() / "marrow_finch"))
    for payload in ("K58214/302", "K58214302", "K58214/302F", "K58214302F"):
        assert is_number(payload), payload
    assert not is_number("K58214/802")
    assert not is_number("CARD 0017")


def test_a_sheet_that_somebody_wrote_into_is_kept(tmp_path, run, monkeypatch):
    folder, _ = sort_priced(tmp_path, run, monkeypatch)
    again = ("sort", tmp_path / "lot", "--out", folder, "--no-pdf", "--workers", 1)
    assert "kept" not in run(*again).out
    assert not list(folder.glob("units.kept-*"))  # as plugface wrote it: written anew
    (folder / "units.xlsx").write_bytes(b"prices of mine")
    said = run(*again)
    assert (said.code, f"changed sheet, kept: {folder / 'units.kept-1.xlsx'}" in said.out) == (0, True)
    (folder / "units.xlsx").write_bytes(b"more of them")
    run(*again)
    assert [(folder / f"units.kept-{n}.xlsx").read_bytes() for n in (1, 2)] == [
        b"prices of mine",
        b"more of them",
    ]
    assert read_sheet(folder / "units.xlsx")[1]
    key = read_sheet(folder / "units.xlsx")[1][0]["Unit"]
    told = run("ledger", "delete", "--unit", key, "--why", "asked to", "--yes", "--ledger", folder).err
    assert f"An older copy still holds it: {folder / 'units.kept-1.xlsx'}" in told


def test_an_export_goes_over_an_export_and_over_nothing_else(tmp_path, run, monkeypatch):
    folder, _ = sort_priced(tmp_path, run, monkeypatch)
    for name in ("lot.xlsx", "lot.csv", "lot.jsonl"):
        out = tmp_path / name
        export = ("ledger", "export", out, "--ledger", folder)
        assert [run(*export).code for _ in range(2)] == [0, 0]
        out.write_bytes(out.read_bytes() + b"my notes")
        before = out.read_bytes()
        said = run(*export)
        assert (said.code, said.out) == (2, "")
        assert f"error: {out}: there is such a file already, and not as plugface wrote it. Choose" in said.err
        out.with_name(f"{name}.manifest.json").unlink()  # a list of one's own has none
        assert run(*export).code == 2
        assert out.read_bytes() == before


def test_a_unit_s_key_is_whole_on_a_narrow_screen(tmp_path, run, monkeypatch):
    folder, _ = sort_priced(tmp_path, run, monkeypatch)
    key = read_sheet(folder / "units.xlsx")[1][0]["Unit"]
    assert run("confirm", key, "--true", "CURLEW 5", "--who", "kim", "--ledger", folder).code == 0
    monkeypatch.setenv("COLUMNS", "40")
    assert key in run("ledger", "list", "--ledger", folder).out
    monkeypatch.setenv("COLUMNS", "60")
    assert key in run("ledger", "audit", "--ledger", folder).out
