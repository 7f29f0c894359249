"""plugface catalogue: check one, start one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say, say_json
from plugface.vision.colour_table import COLOUR_CODES

if TYPE_CHECKING:
    from plugface.models.catalogue.check import Problem
    from plugface.models.catalogue.entries import Catalogue

#: Where `new` keeps what was typed until the family is whole.
DRAFT_FILE = "new.draft"


def check(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the catalogue.", show_default=False)],
    as_json: options.AsJson = False,
) -> None:
    """Find what is wrong in a catalogue, and how to mend it.

    Checks the files, the plugs' order and places, the labels, the partners, and which families and variants
    cannot be told apart.

    Exit code: 0 no errors (there may be warnings); 1 the catalogue contradicts itself; 2 it cannot be read.
    """
    from plugface.cli.present.catalogue_terminal import render_catalogue, render_problems
    from plugface.cli.present.screen import Screen
    from plugface.models.catalogue.check import check_catalogue
    from plugface.models.catalogue.entries import read_catalogue

    catalogue, errors = read_catalogue(path)
    problems = (*check_catalogue(catalogue), *_check_folder(path, catalogue)) if catalogue else ()
    if as_json:
        from plugface.cli.present.schemas import catalogue_check_out

        say_json(catalogue_check_out(str(path), catalogue, errors, problems).model_dump_json(indent=2))
    elif catalogue:
        console = Screen()
        render_catalogue(console, catalogue)
        render_problems(console, problems)
    else:
        for error in errors:
            say(f"error: {error}", err=True)
    if errors:
        raise typer.Exit(2)
    if any(problem.severity == "error" for problem in problems):
        raise typer.Exit(1)


def _check_folder(path: Path, catalogue: Catalogue) -> Iterator[Problem]:
    """What lies beside the entries: drafts that wait to be finished, and photos that are not there."""
    from plugface.models.catalogue.check import Problem
    from plugface.models.catalogue.entries import list_unread

    for draft in sorted(path.glob("*.draft")):
        yield Problem(
            "note", "waiting draft", "", draft.name, "", "it is a draft and is not read",
            f"Go on with it by: plugface catalogue new {path}" if draft.name == DRAFT_FILE
            else f"Fill in what is missing and rename it to {draft.stem}",
        )  # fmt: skip
    for name, mend in list_unread(path):
        yield Problem(
            "warning", "unread file", "", name, "", "it looks like a family's file and is not read", mend
        )
    files = dict(zip(catalogue.by_key, catalogue.files, strict=True))
    for family in catalogue.families:
        for name in family.photos:
            if not (path / name).is_file():
                yield Problem(
                    "warning", "photo", family.key, files[family.key], "photos", f'"{name}" is not there',
                    "Put it into the catalogue's folder, or leave it out; the drawing is shown meanwhile",
                )  # fmt: skip


def new(
    path: Annotated[
        Path,
        typer.Argument(metavar="DIR", help="Folder to start, or to add a family to.", show_default=False),
    ],
    defaults: Annotated[
        bool, typer.Option("--defaults", help="Ask nothing: write the template of an invented family.")
    ] = False,
    like: Annotated[
        str | None,
        typer.Option(
            "--like",
            metavar="KEY",
            help="Begin with the facts of this family of the catalogue.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Start a catalogue of your own, one family at a time.

    Asks about one family and writes its file with comments. In a folder that is a catalogue already, the
    family is added to it. "<" goes back to the question before; what was typed is kept when you leave, and
    the same command goes on with it. With --like the family that you name stands in brackets at every
    question, and what is not asked is copied from it. What is there is never overwritten.

    Exit code: 0; 1 when you left before the end; 2 when the file is there already or cannot be written.
    """
    from plugface.cli.lot.run_folder import write_new, write_whole
    from plugface.cli.present.catalogue_schema import family_schema_text
    from plugface.cli.present.catalogue_template import Draft, family_text, file_name, head_text
    from plugface.cli.present.catalogue_terminal import render_problems
    from plugface.cli.present.catalogue_text import SCHEMA_FILE, copy_family, entry_text
    from plugface.cli.present.screen import Screen
    from plugface.models.catalogue.check import check_catalogue, pattern_beside
    from plugface.models.catalogue.entries import load_catalogue

    fresh = not (path / "catalogue.toml").exists()
    catalogue = None if fresh else load_catalogue(path)
    model = None
    if like is not None:
        families = catalogue.by_key if catalogue else {}
        model = families[options.find_key(like, families)]
    if defaults:
        name, draft = path.resolve().name, Draft()
    else:
        from plugface.cli.commands.interview import ask_family

        name, draft = ask_family(path, catalogue, model)
        if catalogue:
            draft = replace(draft, number_pattern=pattern_beside(draft.number, catalogue.families))
    target = path / file_name(draft.key)
    text = family_text(draft, date.today()) if model is None else entry_text(copy_family(model, draft))
    write_new(target, text.encode())
    if fresh:
        write_new(path / "catalogue.toml", head_text(name, invented=defaults).encode())
    write_whole(path / SCHEMA_FILE, family_schema_text().encode())
    (path / DRAFT_FILE).unlink(missing_ok=True)
    guesses = "places and patterns are guesses to correct" if model is None else "the rest is copied"
    say(f"Wrote {target}. Open it: {guesses}.")
    say(f"Then run: plugface catalogue check {path}\n")
    render_problems(Screen(), check_catalogue(load_catalogue(path)))


def read_rows(text: str) -> tuple[tuple[tuple[str, str], ...], ...]:
    rows = tuple(tuple(_plug(word) for word in row.replace(",", " ").split()) for row in text.split("/"))
    if not all(rows):
        raise typer.BadParameter("every row needs a plug, such as BN-L")
    return rows


def _plug(word: str) -> tuple[str, str]:
    from plugface.models.catalogue.check import HOUSING_MM

    colour, _, size = word.upper().partition("-")
    read_colour_code(colour)
    if size not in HOUSING_MM:
        raise typer.BadParameter(
            f'the size in "{word}" is none of S (18 to 30 mm long), M (35 to 50), L (55 to 80); write it '
            f"so: {colour}-M"
        )
    return colour, size


def read_colour_code(word: str) -> str:
    """A code of IEC 60757 in capitals; another word is refused with the nearest."""
    code = word.strip().upper()
    if code not in COLOUR_CODES:
        near = get_close_matches(code, COLOUR_CODES, n=1, cutoff=0.5)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise typer.BadParameter(f'"{code}" is none of {" ".join(COLOUR_CODES)}{hint}')
    return code


def read_sizes(text: str) -> tuple[float, float, float]:
    try:
        width, height, depth = (float(word) for word in text.replace(",", " ").replace("x", " ").split())
    except ValueError:
        raise typer.BadParameter("write three numbers, such as 190 110 40") from None
    if not 0 < min(width, height, depth) <= max(width, height, depth) < 2000:
        raise typer.BadParameter("a side lies between 0 and 2000 mm")
    return width, height, depth


def read_years(text: str) -> tuple[int, int]:
    words = text.replace("-", " ").replace(",", " ").split()
    if not words or len(words) > 2 or not all(w.isdecimal() and 1950 <= int(w) <= 2100 for w in words):
        raise typer.BadParameter("write one or two years from 1950 on, such as 2000 2005")
    if int(words[0]) > int(words[-1]):
        raise typer.BadParameter("write the first year first")
    return int(words[0]), int(words[-1])


def read_teeth(text: str) -> int:
    if not text.strip().isdecimal() or int(text) > 400:
        raise typer.BadParameter("a whole number up to 400, or 0")
    return int(text)


def one_of(*choices: str) -> Any:
    def value_of(text: str) -> str:
        begun = [choice for choice in choices if choice.lower().startswith(text.strip().lower())]
        exact = [choice for choice in begun if choice.lower() == text.strip().lower()]
        if len(exact or begun) != 1 or not text.strip():
            raise typer.BadParameter(f"one of: {', '.join(choices)}")
        return (exact or begun)[0]

    return value_of


def or_none(text: str) -> str:
    return "" if text.strip() == "-" else text.strip()


def words(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(or_none(text).upper().replace(",", " ").split()))


def listed(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in or_none(text).split(",") if part.strip())
