"""plugface catalogue import, export: a catalogue from a spreadsheet, and as one."""

from pathlib import Path
from typing import Annotated

import typer
from plugface.cli.commands import options


def export_sheet(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the catalogue.", show_default=False)],
    out: Annotated[Path, typer.Argument(metavar="FILE", help="Ends in .xlsx or .csv.", show_default=False)],
) -> None:
    """Write a catalogue as a spreadsheet, one row a variant; `plugface catalogue import` reads it again.

    A .xlsx file gets a second sheet that explains each column. Comments in the TOML files are not carried
    over; everything else is. A file that is there already is never written over.

    Exit code: 0; 2 when the catalogue cannot be read or the file cannot be written.
    """
    from plugface.cli.commands.catalogue_list import export_list

    export_list(path, out)


def import_sheet(
    source: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="The list, .xlsx or .csv.", show_default=False)
    ] = None,
    path: Annotated[
        Path | None,
        typer.Argument(metavar="DIR", help="Folder to start, or to add families to.", show_default=False),
    ] = None,
    template: Annotated[
        Path | None,
        typer.Option(
            "--template",
            metavar="FILE",
            help="Write an empty list with one example and every column explained, and stop.",
            show_default=False,
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what it would do, write nothing.")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over families that are there already and differ.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Make a catalogue from a spreadsheet, one row a variant, or add its families to one.

    Each slip is named by its cell. A family with a slip is left out, and the others are written. What is in
    the folder is left alone unless you say --replace; the file before it is then kept beside it.

    Exit code: 0; 1 when there is a slip, such as a heading that is none, or when a family was left out or
    contradicts itself; 2 when the list cannot be read.
    """
    from plugface.cli.commands.catalogue_list import import_list, write_template

    if template is not None:
        write_template(template)
        return
    if source is None or path is None:
        raise typer.BadParameter("name the list and the catalogue's folder, or --template FILE")
    import_list(source, path, dry_run=dry_run, write_over=replace, as_json=as_json)
