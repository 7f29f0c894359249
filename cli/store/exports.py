"""The ledger's rows as a file: CSV, JSON lines or a spreadsheet, for another program or for people.

The spreadsheet is written by hand, row by row, because 100,000 rows must not take memory or minutes:
on a busy machine they took 3.0 s here, while openpyxl took 10.7 s for 20,000 (2026-11-25).
"""

import csv
import json
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from io import TextIOWrapper
from json.encoder import encode_basestring
from pathlib import Path
from typing import IO, BinaryIO, Literal, cast

Format = Literal["csv", "jsonl", "xlsx"]
Kind = Literal["text", "share", "amount"]  # a share 0..1 is shown as per cent, an amount with two decimals


@dataclass(frozen=True)
class Column:
    """One column of a sheet for people."""

    heading: str
    width: float  # in characters
    kind: Kind = "text"


@dataclass(frozen=True)
class Sheet:
    """One sheet for people: columns sized, a heading that stays in sight, a filter on every column."""

    name: str  # at most 31 characters, none of []:*?/\\
    columns: Sequence[Column]
    rows: Iterable[Sequence]


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


def write_for_people(sheets: Iterable[Sheet], out: BinaryIO, form: Literal["csv", "xlsx"]) -> int:
    """Write sheets as a file that a person opens, and say how many rows the first one has.

    Parameters
    ----------
    sheets : iterable of Sheet
        CSV holds the first one alone.
    out : binary file
        For "xlsx" it must be seekable.
    form : "csv" or "xlsx"

    Raises
    ------
    ValueError
        If there are more rows than a sheet can hold.
    """
    sheets = list(sheets)
    if form == "csv":
        first = sheets[0]
        rows = ([_in_words(v, c) for v, c in zip(row, first.columns, strict=True)] for row in first.rows)
        return _write_csv([column.heading for column in first.columns], rows, out)
    counts = []
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for number, sheet in enumerate(sheets, start=1):
            with archive.open(f"xl/worksheets/sheet{number}.xml", "w", force_zip64=True) as part:
                counts.append(_write_styled(sheet, part))
        for name, content in _book_parts(sheets, counts).items():
            archive.writestr(name, content)
    return counts[0]


def _in_words(value, column: Column) -> object:
    if value is None:
        return ""
    if column.kind == "share":
        return f"{100 * value:.1f} %"
    return f"{value:.2f}" if column.kind == "amount" else value


def _write_styled(sheet: Sheet, part: IO[bytes]) -> int:
    widths = "".join(
        f'<col min="{n}" max="{n}" width="{column.width}" customWidth="1"/>'
        for n, column in enumerate(sheet.columns, start=1)
    )
    part.write(f"{_SHEET_HEAD}<cols>{widths}</cols><sheetData>".encode())
    part.write(_styled_row([column.heading for column in sheet.columns], [_HEADING] * len(sheet.columns)))
    styles = [_STYLES[column.kind] for column in sheet.columns]
    count = 0
    for row in sheet.rows:
        count += 1
        if count >= MAX_SHEET_ROWS:
            raise ValueError(f"a sheet holds {MAX_SHEET_ROWS - 1} rows; export one lot at a time")
        part.write(_styled_row(row, styles))
    part.write(f'</sheetData><autoFilter ref="{_area(sheet, count)}"/></worksheet>'.encode())
    return count


def _area(sheet: Sheet, count: int) -> str:
    return f"A1:{_letters(len(sheet.columns))}{count + 1}"


def _letters(number: int) -> str:
    """Name of a column: 1 is A, 27 is AA."""
    name = ""
    while number:
        number, place = divmod(number - 1, 26)
        name = chr(ord("A") + place) + name
    return name


def _styled_row(row: Sequence, styles: Sequence[int]) -> bytes:
    cells = (
        _sheet_cell(value).replace("<c", f'<c s="{style}"', 1)
        for value, style in zip(row, styles, strict=True)
    )
    return f"<row>{''.join(cells)}</row>".encode()


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
_SHEET_KIND = f"{_KIND}-officedocument.spreadsheetml.worksheet+xml"

_SHEET_HEAD = (
    f'{_XML}<worksheet xmlns="{_MAIN}"><sheetViews><sheetView workbookViewId="0">'
    '<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>'
    "</sheetView></sheetViews>"
)
_SHEET_START = f"{_SHEET_HEAD}<sheetData>".encode()

# Places in the cellXfs below.
_HEADING = 1
_STYLES: dict[str, int] = {"text": 2, "share": 3, "amount": 4}

# Formats 10 (0.00%), 4 (#,##0.00) are built in (ECMA-376 part 1, 18.8.30); 164 is the first free one.
_STYLE_SHEET = (
    f'{_XML}<styleSheet xmlns="{_MAIN}">'
    '<numFmts count="1"><numFmt numFmtId="164" formatCode="0.0%"/></numFmts>'
    '<fonts count="2"><font><sz val="11"/><name val="Calibri"/></font>'
    '<font><b/><sz val="11"/><name val="Calibri"/></font></fonts>'
    '<fills count="3"><fill><patternFill patternType="none"/></fill>'
    '<fill><patternFill patternType="gray125"/></fill>'
    '<fill><patternFill patternType="solid"><fgColor rgb="FFE3EAEE"/></patternFill></fill></fills>'
    '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="5"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="0" fontId="1" fillId="2" borderId="0" xfId="0" applyFont="1" applyFill="1" '
    'applyAlignment="1"><alignment vertical="top" wrapText="1"/></xf>'
    '<xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0" applyAlignment="1">'
    '<alignment vertical="top" wrapText="1"/></xf>'
    '<xf numFmtId="164" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1" applyAlignment="1">'
    '<alignment vertical="top"/></xf>'
    '<xf numFmtId="4" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1" applyAlignment="1">'
    '<alignment vertical="top"/></xf></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)


def _book_parts(sheets: Sequence[Sheet], counts: Sequence[int]) -> dict[str, str]:
    """All parts of a workbook but the sheets themselves."""
    parts = dict(_SHEET_PARTS)
    numbers = range(1, len(sheets) + 1)
    override = '<Override PartName="/xl/worksheets/sheet{}.xml" ContentType="' + _SHEET_KIND + '"/>'
    styles = (
        f'<Override PartName="/xl/styles.xml" ContentType="{_KIND}-officedocument.spreadsheetml.styles+xml"/>'
    )
    parts["[Content_Types].xml"] = parts["[Content_Types].xml"].replace(
        override.format(1), "".join(map(override.format, numbers)) + styles
    )
    listed = "".join(
        f'<sheet name="{sheet.name}" sheetId="{n}" r:id="rId{n}"/>'
        for n, sheet in zip(numbers, sheets, strict=True)
    )
    # A filter is a hidden name of its sheet too (ECMA-376 part 1, 18.2.5), or some programs drop it.
    names = "".join(
        f'<definedName name="_xlnm._FilterDatabase" localSheetId="{n - 1}" hidden="1">'
        f"'{sheet.name}'!$A$1:${_letters(len(sheet.columns))}${count + 1}</definedName>"
        for n, sheet, count in zip(numbers, sheets, counts, strict=True)
    )
    parts["xl/workbook.xml"] = (
        f'{_XML}<workbook xmlns="{_MAIN}" xmlns:r="{_DOC_RELS}"><sheets>{listed}</sheets>'
        f"<definedNames>{names}</definedNames></workbook>"
    )
    links = "".join(
        f'<Relationship Id="rId{n}" Type="{_DOC_RELS}/worksheet" Target="worksheets/sheet{n}.xml"/>'
        for n in numbers
    )
    links += f'<Relationship Id="rId{len(sheets) + 1}" Type="{_DOC_RELS}/styles" Target="styles.xml"/>'
    parts["xl/_rels/workbook.xml.rels"] = (
        f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">{links}</Relationships>'
    )
    parts["xl/styles.xml"] = _STYLE_SHEET
    return parts


# The smallest workbook that ECMA-376 part 1 and part 2 allow: one sheet, texts inside their cells.
_SHEET_PARTS = {
    "[Content_Types].xml": f'{_XML}<Types xmlns="{_PACKAGE}/content-types">'
    f'<Default Extension="rels" ContentType="{_KIND}-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" '
    f'ContentType="{_KIND}-officedocument.spreadsheetml.sheet.main+xml"/>'
    f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{_SHEET_KIND}"/></Types>',
    "_rels/.rels": f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
    f'Type="{_DOC_RELS}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'{_XML}<workbook xmlns="{_MAIN}" xmlns:r="{_DOC_RELS}"><sheets>'
    '<sheet name="ledger" sheetId="1" r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">'
    '<Relationship Id="rId1" '
    f'Type="{_DOC_RELS}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
}
