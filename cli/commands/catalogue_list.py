"""What `plugface catalogue import` and `export` do once they are called: a list read, planned, written."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import typer
from plugface.cli.lot.run_folder import write_new, write_whole
from plugface.cli.present.catalogue_schema import family_schema_text
from plugface.cli.present.catalogue_sheet import (
    CellError,
    SheetFamilies,
    catalogue_rows,
    example_row,
    explain_rows,
    find_changes,
    find_head,
    head_rows,
    read_head_rows,
    read_rows,
)
from plugface.cli.present.catalogue_template import SCHEMA_FILE, file_name
from plugface.cli.present.catalogue_terminal import render_problems
from plugface.cli.present.catalogue_text import catalogue_head_text, entry_text
from plugface.cli.present.plain_text import say
from plugface.cli.present.screen import Screen
from plugface.cli.store.sheets import Sheet, SheetError, read_sheets, write_sheets
from plugface.models.catalogue.check import Problem, check_catalogue, narrow_patterns
from plugface.models.catalogue.entries import Catalogue, CatalogueHead, Family, load_catalogue
from pydantic import ValidationError

#: Names of the sheets of a workbook.
LIST, EXPLAINED, HEAD = "families", "columns", "catalogue"

What = Literal["new", "as it was", "changed", "left alone"]


@dataclass(frozen=True)
class Imported:
    """What becomes of one family of a list."""

    family: Family
    file: str
    what: What
    changes: tuple[str, ...] = ()


def export_list(path: Path, out: Path) -> None:
    """Write a catalogue as a new list: one that is there may be what the owner keeps by hand."""
    catalogue = load_catalogue(path)
    rows = catalogue_rows(catalogue.families)
    write_new(out, _file_bytes(out, rows, head_rows(catalogue.head)))
    families, variants = len(catalogue.families), len(rows) - 1
    say(f"{families} families, {variants} variants written to {out}")


def import_list(source: Path, path: Path, *, dry_run: bool, write_over: bool, as_json: bool) -> None:
    """Make a catalogue from a list, or add its families to one."""
    before = load_catalogue(path) if (path / "catalogue.toml").exists() else None
    read = _with_narrow_patterns(_read_list(source), before)
    done = _plan(read, before, write_over)
    head = _head(read, before, path)
    after = _together(before, done, head)
    problems = check_catalogue(after) if after else ()
    if not dry_run and after:
        _write(path, done, head, before)
    if read.as_numbers:
        cells = f"{', '.join(read.as_numbers[:5])}{' and others' if len(read.as_numbers) > 5 else ''}"
        say(
            f"warning: {source}: {cells} held as a number, of which a spreadsheet drops zeros at either end. "
            "Compare with the label, and format the column as text.",
            err=True,
        )
    if as_json:
        from plugface.cli.present.catalogue_schemas import catalogue_import_out

        say(catalogue_import_out(str(source), read, done, problems, dry_run).model_dump_json(indent=2))
    else:
        _render(read, done, problems, dry_run, path)
    if read.errors or any(one.what == "left alone" for one in done) or _contradicts(problems):
        raise typer.Exit(1)


def _contradicts(problems: tuple[Problem, ...]) -> bool:
    return any(problem.severity == "error" for problem in problems)


def _file_bytes(out: Path, rows: list, head: list) -> bytes:
    """The list with its explanation; a CSV file has one table, so the lines of the head stand below it."""
    if out.suffix.lower() == ".csv":
        return write_sheets(out, [Sheet(LIST, (*rows, *head))])
    widths = tuple(min(60, max(10, 1.1 * max(len(str(row[i])) for row in rows))) for i in range(len(rows[0])))
    sheets = [Sheet(LIST, tuple(rows), widths), Sheet(EXPLAINED, tuple(explain_rows()), (20, 14, 90, 40))]
    return write_sheets(out, [*sheets, Sheet(HEAD, (("key", "value"), *head), (20, 100))])


def write_template(out: Path) -> None:
    rows = [catalogue_rows(())[0], example_row()]
    head = [("@name", "Our catalogue"), ("@invented", "no"), ("@note", "")]
    write_new(out, _file_bytes(out, rows, head))
    say(f"Wrote {out}. Write over the example, one row a variant.")
    say(f"Then: plugface catalogue import {out} DIR --dry-run")
    if out.suffix.lower() == ".csv":
        for name, needed, words, _ in explain_rows()[1:]:
            say(f"{name}{' (must be there)' if needed == 'yes' else ''}: {words}")


def _read_list(source: Path) -> SheetFamilies:
    sheets = read_sheets(source)
    named = {sheet.name.lower(): sheet for sheet in sheets}
    if not sheets:
        raise SheetError(str(source), "it has no sheet", "Start from the list that --template writes")
    headed = (sheet for sheet in sheets if find_head(sheet.rows) is not None)
    table = named.get(LIST) or next(headed, sheets[0])
    read = read_rows(table.rows, f"list {source.name}")
    if table is not sheets[0]:
        numbers = tuple(f"{table.name}!{cell}" for cell in read.as_numbers)
        read = replace(read, errors=_of_sheet(table.name, read.errors), as_numbers=numbers)
    if HEAD not in named:
        return read
    head, errors = read_head_rows(named[HEAD].rows)
    return replace(read, head=head, errors=(*read.errors, *_of_sheet(HEAD, errors)))


def _of_sheet(name: str, errors: tuple[CellError, ...]) -> tuple[CellError, ...]:
    """Errors whose cells are named together with their sheet, as a spreadsheet does."""
    return tuple(CellError(f"{name}!{e.cell}", e.column, e.problem, e.remedy) for e in errors)


def _with_narrow_patterns(read: SheetFamilies, before: Catalogue | None) -> SheetFamilies:
    """Number patterns that were guessed fit no other family: by its form alone one fits each of a maker's."""
    listed = {family.key for family in read.families}
    kept = [family for family in before.families if family.key not in listed] if before else []
    narrow = narrow_patterns([*read.families, *kept])
    families, guesses = [], dict(read.guesses)
    for family in read.families:
        label = family.label
        if family.key in read.wide:
            label = label.model_copy(update={"service_number": narrow.get(family.key, label.service_number)})
            guesses[family.key] = (*guesses[family.key], f"the number pattern {label.service_number}")
        families.append(family.model_copy(update={"label": label}))
    return replace(read, families=tuple(families), guesses=guesses)


def _plan(read: SheetFamilies, before: Catalogue | None, write_over: bool) -> tuple[Imported, ...]:
    """What becomes of each family of the list; that it came by a list of another name changes none."""
    there = before.by_key if before else {}
    files = dict(zip(there, before.files, strict=True)) if before else {}
    taken = {file: key for key, file in files.items()}
    done = []
    for family in read.families:
        file = files.get(family.key) or _free_name(family.key, taken)
        taken[file] = family.key
        old = there.get(family.key)
        same = {"source": old.source} if old and family.key in read.unsourced else {}
        if old is None:
            done.append(Imported(family, file, "new"))
        elif not (changes := tuple(find_changes(old, family.model_copy(update=same)))):
            done.append(Imported(family, file, "as it was"))
        else:
            done.append(Imported(family, file, "changed" if write_over else "left alone", changes))
    return tuple(done)


def _free_name(key: str, taken: dict[str, str]) -> str:
    """A file name that no other family has: two keys may differ in their signs alone."""
    name = file_name(key)
    stem = name.removesuffix(".toml") or "family"
    number = 1
    while name in taken or name in (".toml", "catalogue.toml"):
        number += 1
        name = f"{stem}_{number}.toml"
    return name


def _head(read: SheetFamilies, before: Catalogue | None, path: Path) -> CatalogueHead:
    """The folder's own head, or the list's where there is none yet."""
    if before is not None:
        return before.head
    try:
        return CatalogueHead.model_validate({"name": path.resolve().name, **read.head})
    except ValidationError as error:
        one = error.errors(include_url=False)[0]
        where = ", ".join(map(str, one["loc"]))
        problem = f"the lines of the head do not fit ({where}: {one['msg']})"
        raise SheetError(HEAD, problem, "Correct them") from None


def _together(before: Catalogue | None, done: tuple[Imported, ...], head: CatalogueHead) -> Catalogue | None:
    """The catalogue as it will be; None where it would hold nothing."""
    kept = dict(zip(before.files, before.families, strict=True)) if before else {}
    kept |= {one.file: one.family for one in done if one.what in ("new", "changed")}
    if not kept:
        return None
    files = tuple(sorted(kept))
    return Catalogue(head=head, families=tuple(kept[file] for file in files), files=files)


def _write(path: Path, done: tuple[Imported, ...], head: CatalogueHead, before: Catalogue | None) -> None:
    """Write the families first: a folder without catalogue.toml is none yet."""
    path.mkdir(parents=True, exist_ok=True)
    for one in done:
        target = path / one.file
        if one.what == "changed":
            write_new(_free_copy(target), target.read_bytes())
            write_whole(target, entry_text(one.family).encode())
        elif one.what == "new":
            write_new(target, entry_text(one.family).encode())
    write_whole(path / SCHEMA_FILE, family_schema_text().encode())
    if before is None:
        write_new(path / "catalogue.toml", catalogue_head_text(head).encode())


def _free_copy(target: Path) -> Path:
    """Where the file before is kept: the first one, written by hand, must outlast the second list."""
    copy, number = target.with_name(f"{target.name}.before"), 1
    while copy.exists():
        number += 1
        copy = target.with_name(f"{target.name}.before-{number}")
    return copy


def _render(
    read: SheetFamilies, done: tuple[Imported, ...], problems: tuple[Problem, ...], dry_run: bool, path: Path
) -> None:
    for error in read.errors:
        say(f"{error}", err=True)
    for one in done:
        word = {"new": "would write", "changed": "would write over"} if dry_run else {
            "new": "wrote", "changed": "wrote over"
        }  # fmt: skip
        said = word.get(one.what, one.what)
        changes = f" ({', '.join(one.changes)})" if one.changes else ""
        hint = (
            "; it differs from the list: add --replace to write over it" if one.what == "left alone" else ""
        )
        say(f"{one.family.key}: {said} {path / one.file}{changes}{hint}")
    for key, guesses in read.guesses.items():
        if guesses:
            say(f"guessed for {key}: {', '.join(guesses)}")
    if problems:
        say("")
        render_problems(Screen(), problems)
    families = "family" if len(done) == 1 else "families"
    counts = f"{len(done)} {families} read, {len(read.errors)} slip{'' if len(read.errors) == 1 else 's'}"
    written = f"the catalogue is {path}" if (path / "catalogue.toml").exists() else "nothing was written"
    say(f"\n{counts}; {'nothing was written (--dry-run)' if dry_run else written}.")
