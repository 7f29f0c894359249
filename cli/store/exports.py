"""The ledger's rows as a file for another program: CSV, JSON lines or a spreadsheet.

The spreadsheet is written by hand, row by row, because 100,000 rows must not take memory or minutes:
on a busy machine they took 3.0 s here, while openpyxl took 10.7 s for 20,000 (2026-11-25).
"""

import csv
import json
import zipfile
from collections.abc import Iterable, Sequence
from io import TextIOWrapper
from json.encoder import encode_basestring
from pathlib import Path
from typing import BinaryIO, Literal, cast

Format = Literal["csv", "jsonl", "xlsx"]

# A spreadsheet takes a text that starts with one of these for a formula; a photographed label must not become
# one. Source: OWASP, "CSV Injection".
_FORMULA_START = ("=", "+", "-", "@", "\t", "\r")

# Characters that XML 1.0 (section 2.2) forbids even when escaped.
_NOT_IN_XML = {code: None for code in range(0x20) if code not in (0x09, 0x0A, 0x0D)} | {
    0xFFFE: None,
    0xFFFF: None,
}

#: Most rows a sheet can hold (ECMA-376, SpreadsheetML, as implemented by the usual programs).
MAX_SHEET_ROWS = 1_048_576


def write_rows(columns: Sequence[str], rows: Iterable[Sequence], out: BinaryIO, form: Format) -> int:
    """Write rows as a file and say how many there were.

    Parameters
    ----------
    columns : sequence of str, length n_columns
    rows : iterable of sequences, each of length n_columns
        Text, numbers or None.
    out : binary file
        For "xlsx" it must be seekable.
    form : "csv", "jsonl" or "xlsx"
        CSV after RFC 4180 in UTF-8 with a byte-order mark, which the usual spreadsheet programs need to see
        that it is UTF-8. JSON lines: one object a line.

    Raises
    ------
    ValueError
        If `form` is unknown, or there are more rows than a sheet can hold.
    """
    writers = {"csv": _write_csv, "jsonl": _write_json_lines, "xlsx": _write_sheet}
    if form not in writers:
        raise ValueError(f"format must be one of {', '.join(writers)}, got {form!r}")
    return writers[form](columns, rows, out)


def format_of(path: Path) -> Format:
    """The format that a file's name asks for.

    Raises
    ------
    ValueError
        If the ending is none of .csv, .jsonl, .xlsx.
    """
    ending = path.suffix.lower().lstrip(".")
    if ending not in ("csv", "jsonl", "xlsx"):
        raise ValueError(f"{path.name}: the ending must be .csv, .jsonl or .xlsx")
    return cast(Format, ending)


def _write_csv(columns: Sequence[str], rows: Iterable[Sequence], out: BinaryIO) -> int:
    text = TextIOWrapper(out, encoding="utf-8-sig", newline="", write_through=False)
    writer = csv.writer(text)
    writer.writerow(columns)
    count = 0
    for row in rows:
        writer.writerow([f"'{v}" if type(v) is str and v.startswith(_FORMULA_START) else v for v in row])
        count += 1
    text.flush()
    text.detach()
    return count


def _write_json_lines(columns: Sequence[str], rows: Iterable[Sequence], out: BinaryIO) -> int:
    names = [json.dumps(column, ensure_ascii=False) + ": " for column in columns]
    count = 0
    for row in rows:
        pairs = [name + _json_value(value) for name, value in zip(names, row, strict=True)]
        out.write(f"{{{', '.join(pairs)}}}\n".encode("utf-8", "replace"))
        count += 1
    return count


def _json_value(value) -> str:
    # Four in five cells are text; asking the encoder for each row as a whole takes twice as long.
    if type(value) is str:
        return encode_basestring(value)
    return "null" if value is None else repr(value)


def _write_sheet(columns: Sequence[str], rows: Iterable[Sequence], out: BinaryIO) -> int:
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, content in _SHEET_PARTS.items():
            archive.writestr(name, content)
        with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            sheet.write(_SHEET_START)
            sheet.write(_sheet_row(columns))
            count = 0
            for row in rows:
                count += 1
                if count >= MAX_SHEET_ROWS:
                    raise ValueError(
                        f"a sheet holds {MAX_SHEET_ROWS - 1} rows; export as CSV, or one lot at a time"
                    )
                sheet.write(_sheet_row(row))
            sheet.write(b"</sheetData></worksheet>")
    return count


def _sheet_row(row: Sequence) -> bytes:
    return f"<row>{''.join(map(_sheet_cell, row))}</row>".encode()


def _sheet_cell(value) -> str:
    if value is None or value == "":
        return "<c/>"
    if type(value) is not str:
        return f"<c><v>{value}</v></c>"
    if not value.isprintable():
        value = value.translate(_NOT_IN_XML).encode("utf-8", "replace").decode()
    if "&" in value or "<" in value:
        value = value.replace("&", "&amp;").replace("<", "&lt;")
    return f'<c t="inlineStr"><is><t xml:space="preserve">{value}</t></is></c>'


_XML = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_DOC_RELS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_KIND = "application/vnd.openxmlformats"

_SHEET_START = (
    f'{_XML}<worksheet xmlns="{_MAIN}"><sheetViews><sheetView workbookViewId="0">'
    '<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>'
    "</sheetView></sheetViews><sheetData>"
).encode()

# The smallest workbook that ECMA-376 part 1 and part 2 allow: one sheet, texts inside their cells.
_SHEET_PARTS = {
    "[Content_Types].xml": f'{_XML}<Types xmlns="{_PACKAGE}/content-types">'
    f'<Default Extension="rels" ContentType="{_KIND}-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" '
    f'ContentType="{_KIND}-officedocument.spreadsheetml.sheet.main+xml"/>'
    '<Override PartName="/xl/worksheets/sheet1.xml" '
    f'ContentType="{_KIND}-officedocument.spreadsheetml.worksheet+xml"/></Types>',
    "_rels/.rels": f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
    f'Type="{_DOC_RELS}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'{_XML}<workbook xmlns="{_MAIN}" xmlns:r="{_DOC_RELS}"><sheets>'
    '<sheet name="ledger" sheetId="1" r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">'
    '<Relationship Id="rId1" '
    f'Type="{_DOC_RELS}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
}
