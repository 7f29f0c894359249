"""A catalogue as a table of one row a variant, and back again.

What belongs to the family stands in the family's first row; in its other rows these cells are empty or say
the same. Cells that hold several things separate them with semicolons; what holds a semicolon itself stands
in double quotes, as in JSON. Lines of catalogue.toml stand in rows that begin with "@".
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from difflib import get_close_matches
from itertools import pairwise
from typing import Any, cast

from plugface.cli.present.catalogue_template import USUAL_PINS, pattern_like, place_mark, place_plugs
from plugface.cli.present.catalogue_text import number_text
from plugface.cli.present.sheet_columns import (
    COLUMNS,
    MAX_RULES,
    BadCell,
    Column,
    pairing_columns,
    read_number,
    read_yes_no,
    yes_text,
)
from plugface.cli.store.sheets import Cell
from plugface.models.catalogue.entries import Body, CatalogueHead, Family
from plugface.models.catalogue.messages import explain_entry, own_errors
from pydantic import ValidationError

#: Excel keeps 15 digits of a number; a longer one has lost its last ones (Microsoft's own limits page).
MAX_DIGITS = 15

#: Columns of what is read off a label, in which a zero at either end counts.
ON_LABELS = ("numbers", "suffixes")


@dataclass(frozen=True)
class CellError:
    """What is wrong in one cell."""

    cell: str  # "F7"; only a row ("7") where no one cell is to blame
    column: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.cell}, {self.column}" if self.column else f"row {self.cell}"
        return f"{where}: {self.problem}. {self.remedy}"


@dataclass(frozen=True)
class SheetFamilies:
    """What a table holds."""

    families: tuple[Family, ...]
    head: dict[str, Any]  # keys of catalogue.toml that the table has
    errors: tuple[CellError, ...]
    guesses: dict[str, tuple[str, ...]]  # by family: what the table left out and was guessed, in words
    wide: frozenset[str] = frozenset()  # families whose number pattern was made from their numbers alone
    unsourced: frozenset[str] = frozenset()  # families whose source is the list itself, for it names none
    as_numbers: tuple[str, ...] = ()  # cells of what stands on a label that the spreadsheet holds as numbers


def catalogue_rows(families: Sequence[Family]) -> list[tuple[str, ...]]:
    """The table: a row of column names, then one row a variant."""
    columns = (*COLUMNS, *pairing_columns(max([1, *(len(family.pairing) for family in families)])))
    rows = [tuple(column.name for column in columns)]
    for family in families:
        for number, variant in enumerate(family.variants):
            rows.append(tuple(_cell(column, family, variant, first=number == 0) for column in columns))
    return rows


def _cell(column: Column, family: Family, variant: Any, *, first: bool) -> str:
    if column.level == "family" and not first and column.path != ("key",):
        return ""
    value: Any = variant if column.level == "variant" else family
    for part in column.path:
        if value is None or (isinstance(part, int) and part >= len(value)):
            return ""
        if isinstance(value, Body) and not value.tells(str(part)):
            return ""  # its usual value would stand there as if it were known
        value = value[part] if isinstance(part, int) else getattr(value, part)
    return "" if value is None or value == () else column.write(value)


def head_rows(head: CatalogueHead) -> list[tuple[str, str]]:
    """Lines of catalogue.toml as rows, each key behind an "@"."""
    rows = [("@name", head.name), ("@invented", yes_text(head.invented)), ("@note", head.note)]
    rows += [("@currency", head.currency), ("@works", number_text(head.works))]
    rows += [("@caution", caution) for caution in head.cautions]
    if head.costs is not None:
        rows += [(f"@cost {key}", number_text(value)) for key, value in head.costs.model_dump().items()]
    rows += [
        ("@shade", json.dumps(shade.model_dump(mode="json"), ensure_ascii=False)) for shade in head.shades
    ]
    return rows


def explain_rows() -> list[tuple[str, str, str, str]]:
    """A table that explains each column to who fills the list in."""
    rows = [("column", "must be there", "what to write", "example")]
    for column in (*COLUMNS, *pairing_columns(1)):
        needed = "yes" if column.needed else "no"
        where = "" if column.level == "variant" else " Once for each family, in its first row."
        rows.append((column.name, needed, column.explain + where, column.example))
    rows.append(
        (
            "pairing 2 ...",
            "no",
            "The same four columns again for a second rule, with a 2: either rule is enough.",
            "",
        )
    )
    return rows


def example_row() -> tuple[str, ...]:
    """One invented family, to be written over."""
    shown = {"GULL 3", "K38115/361", "A", "2001", "2005", "usable", "cable", "48"}
    left_out: tuple[str, ...] = ("suffixes", "lid colour", "features", "harmless colours", "photos")
    left_out += ("value usable", "value locked", "value core", "value currency")
    left_out += ("number pattern", "suffix pattern", "suffix caption", "stock code")
    row = []
    for column in (*COLUMNS, *pairing_columns(1)):
        keep = column.example in shown or column.name not in left_out
        row.append(column.example if keep and not column.name.startswith("pairing") else "")
    return tuple(row)


@dataclass
class _Reading:
    """What is gathered while a table is read."""

    columns: dict[int, Column] = field(default_factory=dict)  # by place in the row
    rows: dict[str, list[tuple[int, dict[str, Any]]]] = field(default_factory=dict)  # family -> its rows
    cells: dict[tuple[str, str], tuple[int, str]] = field(
        default_factory=dict
    )  # family, column -> first said
    bad: set[str] = field(default_factory=set)  # families with an error
    errors: list[CellError] = field(default_factory=list)
    guesses: dict[str, tuple[str, ...]] = field(default_factory=dict)
    wide: set[str] = field(default_factory=set)
    unsourced: set[str] = field(default_factory=set)
    head: dict[str, Any] = field(default_factory=dict)
    as_numbers: list[str] = field(default_factory=list)

    def name(self, row: int, place: int) -> str:
        """A cell as a spreadsheet names it; `place` counts from 0."""
        letters = ""
        place += 1
        while place:
            place, rest = divmod(place - 1, 26)
            letters = chr(65 + rest) + letters
        return f"{letters}{row}"

    def place_of(self, column: str) -> int | None:
        return next((place for place, known in self.columns.items() if known.name == column), None)


def read_rows(rows: Sequence[Sequence[Cell]], source: str) -> SheetFamilies:
    """Families of a table; what is wrong in one row is said by its cell, and the others are read.

    Parameters
    ----------
    rows : sequence of rows of cells
        The first that names the column "family" is the head; rows above it are passed over.
    source : str
        What to name as the source of families whose row does not.
    """
    reading = _Reading()
    start = find_head(rows)
    if start is None:
        problem, remedy = (
            'no row has the heading "family"',
            "Start from `plugface catalogue import --template FILE`",
        )
        return SheetFamilies((), {}, (CellError("1", "", problem, remedy),), {})
    _read_head_row(reading, rows[start], start + 1)
    current = ""
    for number, row in enumerate(rows[start + 1 :], start=start + 2):
        cells = {place: cell for place, cell in enumerate(row) if cell is not None and str(cell).strip()}
        if not cells:
            continue
        first = str(row[0] or "") if row else ""
        if first.startswith("@"):
            _read_head_line(reading, number, first, row)
            continue
        current = _read_row(reading, number, cells, current)
    if not reading.rows:
        problem, remedy = "no family stands below the headings", "Write one row for each variant"
        reading.errors.append(CellError(str(start + 1), "", problem, remedy))
    families = [family for key in reading.rows if (family := _build(reading, key, source))]
    errors = sorted(reading.errors, key=lambda error: int(re.sub(r"\D", "", error.cell) or 0))
    wide, unsourced = frozenset(reading.wide), frozenset(reading.unsourced)
    numbers = tuple(reading.as_numbers)
    return SheetFamilies(
        tuple(families), reading.head, tuple(errors), reading.guesses, wide, unsourced, numbers
    )


def find_head(rows: Sequence[Sequence[Cell]]) -> int | None:
    """Place of the row of headings, from 0; None where the table has none."""
    return next((i for i, row in enumerate(rows) if any(_heading(cell) == "family" for cell in row)), None)


def read_head_rows(rows: Sequence[Sequence[Cell]]) -> tuple[dict[str, Any], tuple[CellError, ...]]:
    """Lines of catalogue.toml that have a sheet of their own."""
    reading = _Reading()
    for number, row in enumerate(rows, start=1):
        if row and str(row[0] or "").startswith("@"):
            _read_head_line(reading, number, str(row[0]), row)
    return reading.head, tuple(reading.errors)


def _heading(cell: Cell) -> str:
    return " ".join(str(cell or "").replace("_", " ").split()).lower()


def _read_head_row(reading: _Reading, row: Sequence[Cell], number: int) -> None:
    known = {column.name: column for column in (*COLUMNS, *pairing_columns(MAX_RULES))}
    for place, cell in enumerate(row):
        name = _heading(cell)
        if not name:
            continue
        if name not in known:
            near = get_close_matches(name, known, n=1)
            mend = (
                f'Did you mean "{near[0]}"?'
                if near
                else "It is passed over; leave it, or take a known heading"
            )
            problem = f'there is no column "{name}"'
            reading.errors.append(CellError(reading.name(number, place), "", problem, mend))
        elif reading.place_of(name) is not None:
            problem = "this heading stands here twice"
            reading.errors.append(
                CellError(reading.name(number, place), name, problem, "Leave one of them out")
            )
        else:
            reading.columns[place] = known[name]
    for column in COLUMNS:
        if column.needed and reading.place_of(column.name) is None:
            problem = f'the column "{column.name}" is missing'
            reading.errors.append(
                CellError(str(number), "", problem, f"{column.explain} Such as: {column.example}")
            )


def _read_head_line(reading: _Reading, number: int, first: str, row: Sequence[Cell]) -> None:
    key, text = first[1:].strip().lower(), str(row[1] if len(row) > 1 and row[1] is not None else "")
    try:
        if key in ("name", "note", "currency"):
            reading.head[key] = text
        elif key == "invented":
            reading.head[key] = read_yes_no(text)
        elif key == "works":
            reading.head[key] = read_number(text)
        elif key == "caution":
            reading.head.setdefault("cautions", []).append(text)
        elif key == "shade":
            reading.head.setdefault("shades", []).append(json.loads(text))
        elif key.startswith("cost "):
            reading.head.setdefault("costs", {})[key.removeprefix("cost ").strip()] = read_number(text)
        else:
            known = "@name, @invented, @note, @currency, @works, @caution, @cost, @shade"
            raise BadCell(f'there is no "{first}"', f"Known here: {known}")
    except BadCell as bad:
        reading.errors.append(CellError(f"B{number}", first, bad.problem, bad.remedy))
    except ValueError:
        reading.errors.append(
            CellError(f"B{number}", first, "it is no JSON", "Export a catalogue to see the form")
        )


def _read_row(reading: _Reading, number: int, cells: Mapping[int, Cell], current: str) -> str:
    """Read one row; gives the family that it belongs to."""
    place = reading.place_of("family")
    key = " ".join(str(cells.get(place, "") if place is not None else "").split()) or current
    if not key:
        reading.errors.append(
            CellError(str(number), "", "it names no family", "Write its name, or clear the row")
        )
        return ""
    values: dict[str, Any] = {}
    for place, column in reading.columns.items():
        if place not in cells:
            continue
        where = reading.name(number, place)
        try:
            text = _text(cells[place])
            if column.name in ON_LABELS and not isinstance(cells[place], str):
                reading.as_numbers.append(where)
            if column.level == "family" and _said_already(reading, key, column, text, number):
                continue
            values[column.name] = column.read(text)
        except BadCell as bad:
            reading.errors.append(CellError(where, column.name, bad.problem, bad.remedy))
            reading.bad.add(key)
    reading.rows.setdefault(key, []).append((number, values))
    return key


def _said_already(reading: _Reading, key: str, column: Column, text: str, number: int) -> bool:
    """Whether an earlier row of the family says the same."""
    if (key, column.name) not in reading.cells:
        reading.cells[key, column.name] = number, text
        return False
    row, said = reading.cells[key, column.name]
    if " ".join(said.split()) != " ".join(text.split()):
        raise BadCell(
            f'"{text[:40]}" here and "{said[:40]}" in row {row}, for one family', "Leave one of them empty"
        )
    return True


def _text(cell: Cell) -> str:
    if isinstance(cell, bool):
        return yes_text(cell)
    if isinstance(cell, datetime | date | time):
        raise BadCell(
            f"the spreadsheet has made a date of it ({cell})", "Format the column as text and type it again"
        )
    if isinstance(cell, int | float):
        if abs(cell) >= 10**MAX_DIGITS:
            raise BadCell(
                f"a number of more than {MAX_DIGITS} digits has lost its last ones",
                "Format the column as text",
            )
        return number_text(cell)
    text = str(cell).strip()
    if text.startswith("#") and text.rstrip("!?/0AN").isupper() and text.endswith(("!", "?", "/A", "/0!")):
        raise BadCell(f"the spreadsheet shows an error there ({text})", "Correct its formula")
    return text


def _build(reading: _Reading, key: str, source: str) -> Family | None:
    """One family of its rows; None, with what is wrong noted, where it is none."""
    rows = reading.rows[key]
    if not _has_needed(reading, key, rows) or key in reading.bad:
        return None
    raw: dict[str, Any] = {"body": {}, "label": {}, "variants": []}
    for _, values in rows:
        variant: dict[str, Any] = {}
        for column in reading.columns.values():
            if column.name in values:
                _put(variant if column.level == "variant" else raw, column.path, values[column.name])
        raw["variants"].append(variant)
    guesses: list[str] = []
    if "service_number" not in raw["label"]:
        reading.wide.add(key)
    if "source" not in raw:
        reading.unsourced.add(key)
    try:
        _fill_in(raw, source, guesses)
    except BadCell as bad:
        place = reading.place_of("plugs")
        number, _ = reading.cells[key, "plugs"]
        reading.errors.append(CellError(reading.name(number, place or 0), "plugs", bad.problem, bad.remedy))
        return None
    try:
        family = Family.model_validate(raw)
    except ValidationError as error:
        for one in own_errors(error):
            reading.errors.append(_cell_error(reading, key, rows, one))
        return None
    reading.guesses[key] = tuple(guesses)
    return family


def _has_needed(reading: _Reading, key: str, rows: list[tuple[int, dict[str, Any]]]) -> bool:
    whole = True
    for place, column in reading.columns.items():
        if not column.needed or column.path == ("key",):
            continue
        asked = rows if column.level == "variant" else [(rows[0][0], {})]
        for number, values in asked:
            said = column.name in values if column.level == "variant" else (key, column.name) in reading.cells
            if not said and f"{key}" not in reading.bad:
                problem, mend = "it is empty", f"{column.explain} Such as: {column.example}"
                reading.errors.append(CellError(reading.name(number, place), column.name, problem, mend))
                whole = False
    needed = {column.name for column in COLUMNS if column.needed}
    return whole and needed <= {column.name for column in reading.columns.values()}


def _put(raw: dict[str, Any], path: tuple[str | int, ...], value: Any) -> None:
    """Set a value at its place, with lists and tables on the way made as they are met."""
    here: Any = raw
    for part, following in pairwise(path):
        empty: Any = [] if isinstance(following, int) else {}
        if isinstance(part, int):
            while len(here) <= part:
                here.append({})
            here = here[part]
        else:
            here = here.setdefault(part, empty)
    last = path[-1]
    if isinstance(last, int):
        while len(here) <= last:
            here.append(None)
    here[last] = value


def _fill_in(raw: dict[str, Any], source: str, guesses: list[str]) -> None:
    """Give what a short list leaves out, as `plugface catalogue new` would, and say so."""
    plugs, rows = raw.pop("connectors")
    raw["connectors"] = _with_places(plugs, rows, raw["body"]["size_mm"], guesses)
    width, height = raw["body"]["size_mm"][:2]
    at_top = any(plug.get("edge") == "top" for plug in raw["connectors"])
    for mark in raw.get("marks", ()):
        letter = mark.setdefault("height_mm", min(8.0, height / 8))
        if "at_mm" not in mark:
            mark["at_mm"] = list(place_mark(mark["text"], letter, (width, height), at_top=at_top))
            guesses.append(f'the place of the mark "{mark["text"]}"')
    for variant in raw["variants"]:
        variant["years"] = [variant["years"][0], variant["years"][1]]
        suffixes = variant.get("suffixes", ())
        variant.setdefault("key", suffixes[0] if suffixes else variant["service_numbers"][0])
    label = raw["label"]
    if "service_number" not in label:
        label["service_number"] = pattern_like(
            [n for v in raw["variants"] for n in v["service_numbers"]], "number"
        )
    suffixes = [suffix for variant in raw["variants"] for suffix in variant.get("suffixes", ())]
    if suffixes and "suffix" not in label:
        label["suffix"] = pattern_like(suffixes, "suffix")
        guesses.append(f"the suffix pattern {label['suffix']}")
    raw.setdefault("source", source)


def _with_places(
    plugs: list[dict[str, Any]], rows: tuple[int, ...], size_mm: list[float], guesses: list[str]
) -> list[dict[str, Any]]:
    placed = ["at_mm" in plug or "along_mm" in plug for plug in plugs]
    if any(placed) and not all(placed):
        number = placed.index(False) + 1
        raise BadCell(
            f"plug no. {number} has no place and others have one",
            "Add at=x,y or along=mm to it, or give no place at all",
        )
    if not any(placed):
        grid, start = [], 0
        for count in rows:
            grid.append(tuple((plug["colour"], plug["size"]) for plug in plugs[start : start + count]))
            start += count
        size = cast(tuple[float, float, float], tuple(size_mm))
        for plug, (_, at) in zip(plugs, place_plugs(tuple(grid), size), strict=True):
            plug["at_mm"] = list(at)
        guesses.append("the places of its plugs")
    unknown = []
    for plug in plugs:
        if "pins" not in plug:
            plug["pins"] = list(USUAL_PINS[plug["size"]])
            unknown.append(f"{plug['colour']}-{plug['size']}")
    if unknown:
        guesses.append(f"the pins of {' '.join(unknown)}")
    return plugs


def _cell_error(reading: _Reading, key: str, rows: list[tuple[int, dict[str, Any]]], error: Any) -> CellError:
    """One of pydantic's errors, put at the cell that it is about."""
    loc = tuple(error["loc"])
    number, level, inside = rows[0][0], "family", loc
    if loc[:1] == ("variants",) and len(loc) > 1 and isinstance(loc[1], int):
        number, level, inside = rows[min(loc[1], len(rows) - 1)][0], "variant", loc[2:]
    _, words, problem, remedy = explain_entry(Family, error, "")
    best: tuple[int, Column] | None = None
    for place, column in reading.columns.items():
        depth = len(column.path)
        whole = column.path == inside[:depth] or (inside and column.path[: len(inside)] == inside)
        if column.level == level and whole and (best is None or depth > len(best[1].path)):
            best = place, column
    if best is None:  # a rule over several keys names the key at its beginning, such as "years run backwards"
        named = (
            (p, c)
            for p, c in reading.columns.items()
            if c.level == level and problem.startswith(str(c.path[0]))
        )
        best = next(named, None)
    if best is None:
        return CellError(str(number), "", f"{key}: {words + ', ' if words else ''}{problem}", remedy)
    place, column = best
    if level == "family" and (key, column.name) in reading.cells:
        number = reading.cells[key, column.name][0]
    detail = f"{words}: " if column.path in (("connectors",), ("marks",)) else ""
    return CellError(reading.name(number, place), column.name, f"{detail}{problem}", remedy)


def find_changes(old: Family, new: Family) -> Iterator[str]:
    """Keys in which two entries of one family differ, in words; also where one alone tells colour or fins."""
    told = any(old.body.tells(key) != new.body.tells(key) for key in ("colour", "fins"))
    for name in type(old).model_fields:
        if getattr(old, name) != getattr(new, name) or (name == "body" and told):
            yield name.replace("_", " ")
