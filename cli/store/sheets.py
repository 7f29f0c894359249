"""Tables of cells from and to the files that people keep lists in: .xlsx and .csv.

A list comes from anybody, so its size is looked at before any of it is parsed: a workbook is a ZIP archive,
and a small one can unpack to more than a machine holds.
"""

import csv
import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from plugface.cli.limited_process import LimitedProcess, Stopped

#: Larger files than this are refused before they are opened; 20,000 families take about 6 MB. Our choice.
MAX_FILE_BYTES = 20_000_000

#: What a workbook may unpack to, and how many parts it may have. Our choice.
MAX_UNPACKED_BYTES, MAX_PARTS = 200_000_000, 500

#: Tables of a file (its list of tables may name one part again and again), rows of all of them, and columns
#: of one.
MAX_SHEETS, MAX_ROWS, MAX_COLUMNS = 50, 100_000, 300

#: A workbook that unpacks to more is parsed in a process of its own, with so many seconds of the processor
#: and so much memory. Our choice.
PLAIN_BYTES, PARSE_S, PARSE_BYTES = 10_000_000, 120.0, 2_000_000_000

Cell = str | int | float | bool | datetime | date | time | None


class SheetError(Exception):
    """A list that cannot be read or written: which file, what is wrong, what mends it."""

    def __init__(self, file: str, problem: str, remedy: str) -> None:
        self.file, self.problem, self.remedy = file, problem, remedy
        super().__init__(f"{file}: {problem}. {remedy}")

    def __reduce__(self) -> tuple[type, tuple[str, str, str]]:
        """Made again from its parts on the way back from another process."""
        return type(self), (self.file, self.problem, self.remedy)


@dataclass(frozen=True)
class Sheet:
    """One table: rows of cells, and the widths to show its columns in."""

    name: str
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[float, ...] = ()


def read_sheets(path: Path) -> tuple[Sheet, ...]:
    """All tables of a file; a CSV file is one.

    Raises
    ------
    SheetError
        If it is no such file, or too large to be a list.
    OSError
        If it cannot be opened.
    """
    ending = path.suffix.lower()
    if ending not in (".xlsx", ".csv"):
        raise SheetError(str(path), "a list is a .xlsx or .csv file", "Save it as one of these")
    with path.open("rb") as file:
        data = file.read(MAX_FILE_BYTES + 1)
    if len(data) > MAX_FILE_BYTES:
        raise SheetError(
            str(path), f"it has more than {MAX_FILE_BYTES:,} bytes", "Split the list into several"
        )
    return _read_workbook(path, data) if ending == ".xlsx" else (Sheet(path.stem, _read_csv(path, data)),)


def _read_workbook(path: Path, data: bytes) -> tuple[Sheet, ...]:
    if _refuse_bombs(path, data) <= PLAIN_BYTES:
        return parse_workbook((path, data))
    process = LimitedProcess(parse_workbook, seconds=PARSE_S, memory_bytes=PARSE_BYTES)
    try:
        return process((path, data))
    except Stopped as stopped:
        cause = "memory" if stopped.reason == "memory" else "time"
        problem = f"it takes more {cause} to read than any list"
        raise SheetError(str(path), problem, "Copy the table alone into a new workbook") from None
    finally:
        process.close()


def parse_workbook(asked: tuple[Path, bytes]) -> tuple[Sheet, ...]:
    """The tables of a workbook, by its name and bytes.

    Raises
    ------
    SheetError
    """
    path, data = asked
    from openpyxl import load_workbook  # takes a third of a second, and no other command needs it

    sheets: list[Sheet] = []
    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        if len(book.worksheets) > MAX_SHEETS:
            problem = f"it has {len(book.worksheets):,} tables"
            raise SheetError(str(path), problem, "Copy the table alone into a new workbook")
        left = MAX_ROWS
        for sheet in book.worksheets:
            rows = sheet.iter_rows(max_row=left + 1, max_col=MAX_COLUMNS, values_only=True)
            kept = _trimmed(path, rows, left)
            left -= len(kept)
            sheets.append(Sheet(sheet.title, kept))
    except SheetError:
        raise
    # openpyxl lets whatever the XML is wrong in through: its own errors, KeyError, ValueError, ParseError.
    except Exception as error:
        reason = " ".join(str(error).split())[:120] or type(error).__name__
        raise SheetError(
            str(path), f"it is no workbook that can be read ({reason})", "Save it again"
        ) from None
    return tuple(sheets)


def _refuse_bombs(path: Path, data: bytes) -> int:
    """Look at the archive's list of contents alone; a part never unpacks to more than is stated there.

    Returns
    -------
    unpacked : int
        Bytes that it unpacks to.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            unpacked = sum(part.file_size for part in parts)
            if unpacked > MAX_UNPACKED_BYTES or len(parts) > MAX_PARTS:
                problem = f"it would unpack to {unpacked:,} bytes in {len(parts):,} parts"
                raise SheetError(
                    str(path), problem, "That is no list; copy the table alone into a new workbook"
                )
            for part in parts:
                with archive.open(part) as file:
                    head = file.read(4096).replace(b"\0", b"")  # UTF-16 has a zero beside every letter
                if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                    problem = f"{part.filename} declares entities, which no workbook does"
                    raise SheetError(str(path), problem, "Copy the table alone into a new workbook")
            return unpacked
    except SheetError:
        raise
    except Exception:  # each way of packing has errors of its own
        remedy = "Save it as .xlsx again, without a password"
        raise SheetError(str(path), "it is no workbook", remedy) from None


def _trimmed(path: Path, rows: Any, most: int = MAX_ROWS) -> tuple[tuple[Cell, ...], ...]:
    """The rows without empty cells and rows at their ends: one cell far out makes many of both."""
    kept: list[tuple[Cell, ...]] = []
    last = 0
    for number, row in enumerate(rows, start=1):
        if number > most:
            raise SheetError(str(path), f"it has more than {MAX_ROWS:,} rows", "Split the list into several")
        filled = next((at for at in range(len(row), 0, -1) if row[at - 1] not in (None, "")), 0)
        kept.append(tuple(row[:filled]))
        if filled:
            last = number
    return tuple(kept[:last])


def _read_csv(path: Path, data: bytes) -> tuple[tuple[Cell, ...], ...]:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data.decode("utf-16", "replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", "replace")  # what older spreadsheet programs write
    # A title above the heads has no separator, or one in its words; no list has fewer than four columns.
    lines = text.splitlines()
    first = next((line for line in lines if max(map(line.count, ",;\t")) > 2), lines[0] if lines else "")
    separator = max(",;\t", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text), delimiter=separator))
    except csv.Error as error:
        raise SheetError(str(path), f"it is no CSV ({error})", "Save it as .xlsx") from None
    if rows and max(map(len, rows)) > MAX_COLUMNS:
        raise SheetError(str(path), f"it has more than {MAX_COLUMNS} columns", "Leave the other columns out")
    # An apostrophe before a formula's first sign keeps a spreadsheet from running it; see `write_sheets`.
    return _trimmed(path, [[cell[1:] if cell.startswith("'") else cell for cell in row] for row in rows])


def write_sheets(path: Path, sheets: Sequence[Sheet]) -> bytes:
    """The bytes of a file with these tables; a CSV file holds the first alone.

    Text stays text: a number with leading zeros keeps them, and nothing in a cell is run as a formula.

    Raises
    ------
    SheetError
        If the name's ending is none that can be written.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        out = io.StringIO(newline="")
        csv.writer(out).writerows([_shielded(cell) for cell in row] for row in sheets[0].rows)
        return out.getvalue().encode("utf-8-sig")
    if ending != ".xlsx":
        raise SheetError(str(path), "a list is a .xlsx or .csv file", "Name it so")
    from openpyxl import Workbook
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    book.remove(book.active)
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        page.freeze_panes = "B2"
        for row_number, row in enumerate(sheet.rows, start=1):
            for column, value in enumerate(row, start=1):
                cell = page.cell(row_number, column)
                if isinstance(value, str):
                    if value:
                        cell.value = ILLEGAL_CHARACTERS_RE.sub("", value)
                        cell.data_type = "s"  # else a text that begins with = would be run as a formula
                    cell.number_format = "@"
                else:
                    cell.value = value
                cell.alignment = Alignment(vertical="top", wrap_text=True)
                if row_number == 1:
                    cell.font = Font(bold=True)
        for column, width in enumerate(sheet.widths, start=1):
            page.column_dimensions[get_column_letter(column)].width = width
    whole = io.BytesIO()
    book.save(whole)
    return whole.getvalue()


def _shielded(cell: Cell) -> Cell:
    """As `write_rows` of exports does it; a text that begins with the apostrophe itself gets one more."""
    return (
        f"'{cell}"
        if isinstance(cell, str) and cell.startswith(("=", "+", "-", "@", "\t", "\r", "'"))
        else cell
    )
