"""`plugface catalogue import` and `export`: a catalogue as a spreadsheet, and back without loss."""

import csv
import io
import json
import zipfile
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest
from plugface.cli.store import sheets
from plugface.cli.store.sheets import MAX_COLUMNS, MAX_SHEETS, SheetError, read_sheets
from plugface.models.catalogue.check import check_catalogue
from plugface.models.catalogue.entries import compile_pattern, load_catalogue

DEMO = Path(__file__).parents[1] / "training_data_demo"

#: What a person writes down of a unit, and no more.
SHORT = {
    "family": "GULL 3",
    "maker": "Marrow & Finch",
    "controls": "engine",
    "width": 190,
    "height": 110,
    "depth": 40,
    "material": "cast aluminium",
    "plugs": "BN-L GY-M / BK-S",
    "marks": "GULL 3",
    "numbers": "K38115/361",
    "suffixes": "A",
    "first year": 2001,
    "last year": 2005,
}


def write_list(path, *rows):
    book = openpyxl.Workbook()
    names = list(dict.fromkeys(name for row in rows for name in row))
    book.active.append(names)
    for row in rows:
        book.active.append([row.get(name) for name in names])
    book.save(path)
    return path


def cell_of(path, row, name):
    """A cell as the spreadsheet names it."""
    sheet = openpyxl.load_workbook(path).active
    return next(c for c in sheet[1] if c.value == name).column_letter + str(row)


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
@pytest.mark.parametrize("maker", ["marrow_finch", "pell_works/catalogue"])
def test_a_round_trip_loses_nothing(run, tmp_path, maker, ending):
    out, back = tmp_path / f"list.{ending}", tmp_path / "back"
    assert run("catalogue", "export", DEMO / maker, out).code == 0
    said = run("catalogue", "import", out, back)
    assert said.code == 0, said.err
    before, after = load_catalogue(DEMO / maker), load_catalogue(back)
    assert after.families == before.families
    assert after.head == before.head
    assert after.files == before.files


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
def test_signs_that_cells_and_formulas_use_survive(run, own, tmp_path, ending):
    path = own / "dunlin_1.toml"
    text = path.read_text()
    text = text.replace('remarks = "', 'remarks = "=1+1; \\"quoted\\", and so\\non; ')
    text = text.replace('vehicles = "Bracken', "vehicles = \"'-Bracken")
    text = text.replace("[A-F]$", "[A-F][,;]?1?$")
    text = text.replace("years", 'suffixes = ["A,1", "B;1", "C"]\nyears', 1)
    text = text.replace("same_donor = false", 'same_donor = ["SANDERLING 9"]')
    text = text.replace('edge = "right"', 'edge = "right"\nmoulding = "left; one"\nlock = "lever"')
    text = text.replace(
        'key = "DUNLIN 1"', 'key = "DUNLIN 1"\nharmless_colours = ["YE"]\nphotos = ["a b.jpg"]'
    )
    text += '\n[[pairing]]\nfamilies = ["AUK 12"]\nwhy = "Either; or."\n'
    path.write_text(text)
    head = own / "catalogue.toml"
    more = 'cautions = ["One; two", "@three"]\n\n[costs]\nwrong_accept = 512.5\n\n[[shades]]\nname = "mint"\n'
    head.write_text(head.read_text() + "\n" + more + 'code = "GN"\nlab = [[52.25, -11, 0.1]]\n')
    curlew = own / "curlew_3.toml"
    edge = '[[connectors]]\ncolour = "BN"\nsize = "S"\npins = [2, 4]\nedge = "bottom"\nalong_mm = 30.5\n\n'
    curlew.write_text(
        curlew.read_text()
        .replace("[[marks]]", edge + "[[marks]]")
        .replace("[label]", '[label]\nside = "back"')
    )
    assert run("catalogue", "check", own).code == 0
    out, back = tmp_path / f"list.{ending}", tmp_path / "back"
    assert run("catalogue", "export", own, out).code == 0
    said = run("catalogue", "import", out, back)
    assert said.code == 0, said.err
    before, after = load_catalogue(own), load_catalogue(back)
    assert after.families == before.families
    assert after.head == before.head
    assert "along_mm = 30.5" in (back / "curlew_3.toml").read_text()
    if ending == "xlsx":
        cells = [c for row in openpyxl.load_workbook(out).worksheets[0].rows for c in row]
        assert any(str(c.value).startswith("=1+1") for c in cells)
        assert not [c for c in cells if c.data_type == "f"]
    else:
        assert not [
            c for row in csv.reader(io.StringIO(out.read_text("utf-8-sig"))) for c in row if c[:1] == "="
        ]


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
def test_what_units_are_worth_survives(run, own, tmp_path, ending):
    head = own / "catalogue.toml"
    head.write_text(f'currency = "EUR"\nworks = 0.85\n{head.read_text()}')
    worth = "value = { usable = 80, locked = 12.5, core = 5 }", 'value = { core = 3, currency = "CHF" }'
    for name, value in zip(("curlew_3.toml", "dunlin_1.toml"), worth, strict=True):
        text = (own / name).read_text()
        (own / name).write_text(text.replace("[[variants]]", f"[[variants]]\n{value}", 1))
    out, back = tmp_path / f"list.{ending}", tmp_path / "back"
    assert run("catalogue", "export", own, out).code == 0
    said = run("catalogue", "import", out, back)
    assert said.code == 0, said.err
    before, after = load_catalogue(own), load_catalogue(back)
    assert after.head == before.head
    assert after.families == before.families
    assert worth[0] in (back / "curlew_3.toml").read_text()
    assert "as it was" in run("catalogue", "import", out, own, "--replace").out
    assert load_catalogue(own).families == before.families


def test_a_short_list_is_enough_and_says_what_it_guessed(run, tmp_path):
    second = {
        "family": "GULL 3",
        "numbers": "K38115/361",
        "suffixes": "B",
        "first year": 2004,
        "last year": 2005,
    }
    path = write_list(tmp_path / "list.xlsx", SHORT, second)
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 0, said.err
    family = load_catalogue(tmp_path / "own").by_key["GULL 3"]
    assert [v.key for v in family.variants] == ["A", "B"]
    assert [f"{c.colour}-{c.size}" for c in family.connectors] == ["BN-L", "GY-M", "BK-S"]
    assert family.label.suffix == "^(?P<suffix>[A-Z])$"
    assert family.source == "list list.xlsx"
    (line,) = [line for line in said.out.splitlines() if line.startswith("guessed for GULL 3: ")]
    for words in ("the places of its plugs", "the number pattern", "the pins of BN-L GY-M"):
        assert words in line


def test_a_guessed_mark_stands_clear_of_the_plugs_along_the_top(run, tmp_path):
    path = write_list(tmp_path / "list.xlsx", SHORT | {"plugs": "BK-M edge=top along=60"})
    assert run("catalogue", "import", path, tmp_path / "own").code == 0
    family = load_catalogue(tmp_path / "own").by_key["GULL 3"]
    assert family.marks[0].at_mm[1] == 0
    assert not [p for p in check_catalogue(load_catalogue(tmp_path / "own")) if p.severity == "warning"]


def test_number_patterns_that_are_guessed_fit_one_family_each(run, tmp_path):
    numbers = {"GULL 3": "K38115/361", "GULL 4": "K38207/361", "GULL 5": "K41115/361"}
    rows = [SHORT | {"family": key, "numbers": number} for key, number in numbers.items()]
    path = write_list(tmp_path / "list.xlsx", *rows[:2])
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 0, said.err
    assert "would match" not in said.out
    said = run("catalogue", "import", write_list(tmp_path / "more.xlsx", rows[2]), tmp_path / "own")
    assert "would match" not in said.out
    for family in load_catalogue(tmp_path / "own").families:
        fits = compile_pattern(family.label.service_number).fullmatch
        assert [key for key, number in numbers.items() if fits(number)] == [family.key]
    again = run("catalogue", "import", path, tmp_path / "own")
    assert "GULL 3: as it was" in again.out, again.out


def test_an_export_never_writes_over_a_list(run, own, tmp_path):
    path = write_list(tmp_path / "list.xlsx", SHORT)
    before = path.read_bytes()
    said = run("catalogue", "export", own, path)
    assert said.code == 2
    assert f"{path}: there is such a file already" in said.err
    assert path.read_bytes() == before


WRONG = [
    ("plugs", "BN-L GREEN-M", 'plug no. 2: "GREEN-M" does not begin with a colour code', "Did you mean GN?"),
    ("plugs", "BN-L GY", "has no size", "18 to 30 mm"),
    ("width", "wide", "is no number", "Write a number"),
    ("controls", "motor", "expected one of engine, gearbox, both, other", ""),
    ("first year", 1800, "expected 1950 or more", ""),
    ("first year", 2009, "years run backwards", "first year first"),
    ("numbers", datetime(2004, 12, 1), "has made a date of it", "Format the column as text"),
    ("numbers", "5.82E+07", "shortened by the spreadsheet", "type the number again"),
    ("numbers", "K38115/361, K38116/361", "has a comma in it", "Separate with semicolons"),
    ("suffixes", "A, B", "has a comma in it", "Separate with semicolons"),
    ("numbers", None, "it is empty", "K38115/361"),
    ("maker", None, "it is empty", "Such as"),
    ("ears", 40, "expected 8 or less", ""),
    ("value usable", "1,250", "may be two amounts", "such as 1250"),
    ("value core", -5, "expected 0.0 or more", ""),
]


@pytest.mark.parametrize(("column", "value", "problem", "remedy"), WRONG)
def test_a_slip_is_named_by_its_cell_and_the_other_families_come_in(
    run, tmp_path, column, value, problem, remedy
):
    good = SHORT | {"family": "GULL 4", "numbers": "K38215/364", "ears": 2}
    path = write_list(tmp_path / "list.xlsx", SHORT | {"ears": 2, column: value}, good)
    said = run("catalogue", "import", path, tmp_path / "own", "--dry-run")
    assert said.code == 1
    assert not (tmp_path / "own").exists()
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 1
    assert "1 family read, 1 slip; " in said.out
    words = " ".join(said.err.split())
    assert words.startswith(cell_of(path, 2, column)), words
    assert problem in words
    assert remedy in words
    assert set(load_catalogue(tmp_path / "own").by_key) == {"GULL 4"}


def test_a_list_without_families_makes_no_catalogue_and_says_so(run, tmp_path):
    path = write_list(tmp_path / "list.xlsx", dict.fromkeys(SHORT))
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 1
    assert "row 1: no family stands below the headings. Write one row for each variant" in said.err
    assert "0 families read, 1 slip; nothing was written." in said.out
    assert not (tmp_path / "own").exists()


def test_the_table_need_not_be_the_first_sheet(run, tmp_path):
    path = write_list(tmp_path / "list.xlsx", SHORT, SHORT | {"family": "GULL 4", "width": "wide"})
    book = openpyxl.load_workbook(path)
    book.active.title = "Stock"
    book.create_sheet("Notes", 0).append(["Our units 2026"])
    book.save(path)
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.err.startswith("Stock!D3, width: "), said.err
    assert set(load_catalogue(tmp_path / "own").by_key) == {"GULL 3"}


def test_rows_of_one_family_that_contradict_each_other(run, tmp_path):
    path = write_list(tmp_path / "list.xlsx", SHORT, SHORT | {"suffixes": "B", "maker": "Pell Works"})
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 1
    assert said.err.startswith(cell_of(path, 3, "maker"))
    assert '"Marrow & Finch" in row 2' in " ".join(said.err.split())
    assert not (tmp_path / "own" / "gull_3.toml").exists()


def test_a_heading_that_is_none_is_said_with_the_nearest(run, tmp_path):
    path = write_list(
        tmp_path / "list.xlsx", {("makker" if k == "maker" else k): v for k, v in SHORT.items()}
    )
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 1
    assert 'there is no column "makker". Did you mean "maker"?' in said.err
    assert 'the column "maker" is missing' in said.err


def test_what_is_there_is_left_alone_unless_told_to(run, own, tmp_path):
    out = tmp_path / "list.csv"
    run("catalogue", "export", own, out)
    before = (own / "curlew_3.toml").read_bytes()
    said = json.loads(run("catalogue", "import", out, own, "--json").out)
    assert {one["what"] for one in said["families"]} == {"as it was"}
    out.write_bytes(out.read_bytes().replace(b"HW-C3", b"HW-C9"))
    said = run("catalogue", "import", out, own, "--json")
    assert said.code == 1
    assert [
        (f["family"], f["what"], f["changes"]) for f in json.loads(said.out)["families"] if f["changes"]
    ] == [("CURLEW 3", "left alone", ["stock code"])]
    assert (own / "curlew_3.toml").read_bytes() == before
    assert run("catalogue", "import", out, own, "--replace").code == 0
    assert load_catalogue(own).by_key["CURLEW 3"].stock_code == "HW-C9"
    assert (own / "curlew_3.toml.before").read_bytes() == before
    second = (own / "curlew_3.toml").read_bytes()
    out.write_bytes(out.read_bytes().replace(b"HW-C9", b"HW-C7"))
    assert run("catalogue", "import", out, own, "--replace").code == 0
    assert (own / "curlew_3.toml.before").read_bytes() == before  # written by hand, with its comments
    assert (own / "curlew_3.toml.before-2").read_bytes() == second


def test_what_is_not_known_of_a_body_stays_so_on_the_way_there_and_back(run, tmp_path):
    """Its usual values stood in the list as if they were known: GY, no fins, square corners, no ears."""
    own, out = tmp_path / "own", tmp_path / "list.xlsx"
    assert run("catalogue", "import", write_list(tmp_path / "short.xlsx", SHORT), own).code == 0
    assert run("catalogue", "export", own, out).code == 0
    first, second = list(openpyxl.load_workbook(out).active.iter_rows(values_only=True))[:2]
    row = dict(zip(first, second, strict=True))
    names = ("body colour", "lid colour", "fins", "corners", "ears", "lid screws", "finish", "features")
    assert [row[name] for name in names] == [None] * len(names)
    assert "GULL 3: as it was" in run("catalogue", "import", out, own).out
    # To write down what is usual is to know it.
    path = write_list(tmp_path / "short.xlsx", SHORT | {"body colour": "GY", "fins": "none"})
    assert run("catalogue", "import", path, own).code == 1
    assert run("catalogue", "import", path, own, "--replace").code == 0
    body = load_catalogue(own).by_key["GULL 3"].body
    assert [key for key in ("colour", "fins", "corners") if body.tells(key)] == ["colour", "fins"]


def test_the_same_rows_in_a_list_of_another_name_change_nothing(run, tmp_path):
    assert run("catalogue", "import", write_list(tmp_path / "list.xlsx", SHORT), tmp_path / "own").code == 0
    said = run("catalogue", "import", write_list(tmp_path / "second.xlsx", SHORT), tmp_path / "own")
    assert said.code == 0, said.out
    assert "GULL 3: as it was" in said.out
    path = write_list(tmp_path / "second.xlsx", SHORT | {"width": 191})
    assert run("catalogue", "import", path, tmp_path / "own", "--replace").code == 0
    assert load_catalogue(tmp_path / "own").by_key["GULL 3"].source == "list second.xlsx"


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
def test_the_template_comes_in_as_it_is_and_explains_every_column(run, tmp_path, ending):
    path = tmp_path / f"list.{ending}"
    said = run("catalogue", "import", "--template", path)
    assert said.code == 0, said.err
    assert run("catalogue", "import", "--template", path).code == 2  # never written over
    assert run("catalogue", "import", path, tmp_path / "own").code == 0
    assert set(load_catalogue(tmp_path / "own").by_key) == {"GULL 3"}
    if ending == "xlsx":
        first, second, _ = openpyxl.load_workbook(path).worksheets
        explained = {row[0].value for row in second.iter_rows(min_row=2)}
        assert {c.value for c in first[1]} <= explained


def test_a_list_of_another_country(run, tmp_path):
    """Semicolons between cells, a comma in the number, letters of an older alphabet."""
    row = SHORT | {"width": "190,5", "maker": "Möwe & Söhne"}
    path = tmp_path / "list.csv"
    path.write_bytes("\n".join(";".join(map(str, part)) for part in (row, row.values())).encode("cp1252"))
    assert run("catalogue", "import", path, tmp_path / "own").code == 0
    family = load_catalogue(tmp_path / "own").by_key["GULL 3"]
    assert (family.maker, family.body.size_mm[0]) == ("Möwe & Söhne", 190.5)


@pytest.mark.parametrize("title", ["Our list, spring", "All that lies on shelf 4", ""])
def test_a_title_above_the_heads_does_not_hide_what_parts_the_cells(run, tmp_path, title):
    text = "\n".join(";".join(map(str, part)) for part in (SHORT, SHORT.values()))
    (tmp_path / "list.csv").write_text(f"{title}\n{text}", encoding="utf-8")
    assert run("catalogue", "import", tmp_path / "list.csv", tmp_path / "own").code == 0
    assert set(load_catalogue(tmp_path / "own").by_key) == {"GULL 3"}


def archive(path, **parts):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in parts.items():
            file.writestr(name, data)


def test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_parsed(run, tmp_path, monkeypatch):
    path = tmp_path / "list.xlsx"
    archive(path, sheet=bytes(250_000_000))
    assert path.stat().st_size < 1_000_000
    monkeypatch.setattr(openpyxl, "load_workbook", lambda *_, **__: pytest.fail("it was parsed"))
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 2
    assert "would unpack to 250,000,000 bytes" in said.err


@pytest.mark.parametrize(
    "make",
    [
        lambda path: path.write_bytes(b"family;maker\n"),
        lambda path: path.write_bytes(b""),
        lambda path: archive(path, x=b"y"),
        lambda path: archive(path, x='<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><a/>'),
    ],
)
def test_what_is_no_workbook_is_one_line(run, tmp_path, make):
    path = tmp_path / "list.xlsx"
    make(path)
    said = run("catalogue", "import", path, tmp_path / "own")
    assert said.code == 2
    assert said.err.startswith(f"error: {path}: ")
    assert len(said.err.splitlines()) == 1


def one_table(path, rows: str, *, tables=1):
    """A workbook with these rows, as its XML has them, in each of its tables."""
    made = io.BytesIO()
    book = openpyxl.Workbook()
    for _ in range(tables - 1):
        book.create_sheet()
    book.save(made)
    names = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    text = f"<worksheet {names}><sheetData>{rows}</sheetData></worksheet>"
    with zipfile.ZipFile(made) as whole:
        parts = {name: whole.read(name) for name in whole.namelist()}
    archive(
        path, **{name: text if "/sheet" in name and "rels" not in name else parts[name] for name in parts}
    )


FAR = '<row r="60000"><c r="KN60000"><v>1</v></c></row>'


def test_a_cell_far_out_in_many_tables_takes_neither_time_nor_memory(tmp_path):
    path = tmp_path / "list.xlsx"
    one_table(path, FAR)
    (sheet,) = read_sheets(path)
    assert sum(map(len, sheet.rows)) == MAX_COLUMNS  # the empty ones before it are kept as nothing
    one_table(path, FAR, tables=2)
    with pytest.raises(SheetError, match="more than 100,000 rows"):
        read_sheets(path)


def test_a_workbook_has_so_many_tables(tmp_path):
    one_table(tmp_path / "list.xlsx", "", tables=MAX_SHEETS + 1)
    with pytest.raises(SheetError, match="it has 51 tables"):
        read_sheets(tmp_path / "list.xlsx")


def test_a_large_workbook_is_parsed_within_limits(tmp_path, monkeypatch):
    path = tmp_path / "list.xlsx"
    one_table(path, '<row r="1"/>' * 200_000 + '<row r="2"><c r="A2"><v>1</v></c></row>')
    monkeypatch.setattr(sheets, "PLAIN_BYTES", 1_000_000)
    assert read_sheets(path)[0].rows == ((), (1,))
    one_table(path, '<row r="1"/>' * 2_000_000)
    monkeypatch.setattr(sheets, "PARSE_S", 1.0)
    with pytest.raises(SheetError, match="more time to read than any list"):
        read_sheets(path)


@pytest.mark.parametrize("way", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_damage_in_any_way_of_packing_is_one_line(tmp_path, way):
    path = tmp_path / "list.xlsx"
    with zipfile.ZipFile(path, "w", way) as file:
        file.writestr("x", bytes(range(256)) * 20)
    data = bytearray(path.read_bytes())
    data[35:60] = b"\xff" * 25
    path.write_bytes(data)
    with pytest.raises(SheetError, match="no workbook"):
        read_sheets(path)


def test_a_file_of_another_kind_and_one_that_is_not_there(run, tmp_path):
    assert (
        "a list is a .xlsx or .csv file"
        in run("catalogue", "import", tmp_path / "a.ods", tmp_path / "own").err
    )
    assert run("catalogue", "import", tmp_path / "a.csv", tmp_path / "own").code == 2
    assert run("catalogue", "export", DEMO / "marrow_finch", tmp_path / "a.ods").code == 2


def test_a_label_s_number_that_a_spreadsheet_holds_as_a_number_is_warned_of(run, tmp_path):
    template = tmp_path / "list.xlsx"
    run("catalogue", "import", "--template", template)
    book = openpyxl.load_workbook(template)
    sheet = book.worksheets[0]
    heads = {cell.value: cell.column_letter for cell in sheet[1]}
    sheet[f"{heads['numbers']}2"] = 38115  # 038115 on the label
    sheet[f"{heads['width']}2"] = 190
    book.save(template)
    said = run("catalogue", "import", template, tmp_path / "new", "--json")
    assert said.code == 0
    assert f"warning: {template}: {heads['numbers']}2 held as a number, of which a spreadsheet" in said.err
    assert said.err.count("2 held") == 1
    sheet[f"{heads['numbers']}2"] = "038115"
    book.save(template)
    assert "warning" not in run("catalogue", "import", template, tmp_path / "other").err


def test_a_hard_space_in_a_family_s_name_is_a_space(run, tmp_path):
    template = tmp_path / "list.csv"
    run("catalogue", "import", "--template", template)
    template.write_text(template.read_text("utf-8-sig").replace("\nGULL 3,", "\nGULL\u00a03,"), "utf-8")
    said = run("catalogue", "import", template, tmp_path / "new")
    assert "guessed for GULL 3: the number pattern" in said.out
