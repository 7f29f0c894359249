"""plugface catalogue show: one entry in words, and as a drawing of what it should look like."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.present.drawn_file import PIXELS, check_place, save_pixels, save_svg
from plugface.cli.present.plain_text import say
from plugface.cli.settings import default_catalogue, open_catalogue

if TYPE_CHECKING:
    from plugface.models.catalogue.entries import Catalogue, Family


def show(
    key: Annotated[
        str | None, typer.Argument(metavar="KEY", help="Name of the family.", show_default=False)
    ] = None,
    catalogue: options.CatalogueFolder = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="FILE", help="Draw the plug face (.svg, .png, .jpg).", show_default=False
        ),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every family on one sheet for the wall; needs --picture.")
    ] = False,
    drawn: Annotated[
        bool, typer.Option("--drawn", help="Draw it, also where the entry names a photo.")
    ] = False,
) -> None:
    """Show a family as the catalogue has it, in words and as a picture of its plug face.

    The drawing is to scale: outline, plugs in place with their number and colour code (IEC 60757), marks,
    ears, and the side of the label. Where the entry names a photo of a good unit, that is shown in its place.

    Exit code: 0; 2 when there is no such family, or the picture cannot be written.
    """
    folder = catalogue or default_catalogue()
    read = open_catalogue(folder)
    if every == (key is not None):
        raise typer.BadParameter("name one family, or --all for every one")
    if every and picture is None:
        raise typer.BadParameter("--all draws one sheet: add --picture FILE")
    family = None if key is None else read.by_key[options.find_key(key, read.by_key)]
    if picture is not None:
        check_place(picture, (*PIXELS, ".svg"))
    if family is not None:
        for line in entry_lines(family):
            say(line)
    if picture is not None:
        _draw(picture, folder, read, family, drawn)
        say(f"Picture: {picture}")


def _draw(picture: Path, folder: Path, read: Catalogue, family: Family | None, drawn: bool) -> None:
    from plugface.cli.present.face_drawing import draw_all, draw_face, draw_pixels, svg_text
    from plugface.cli.present.reference_photo import read_reference, read_references

    if family is not None:
        drawing = draw_face(family, None if drawn else read_reference(folder, family))
    else:
        drawing = draw_all(read.families, read.head.name, {} if drawn else read_references(folder, read))
    if picture.suffix.lower() == ".svg":
        save_svg(svg_text(drawing), picture)
    else:
        # A sheet of a large catalogue would be gigapixels at the scale of one face.
        most = 8000 / max(drawing.width, drawing.height)
        save_pixels(draw_pixels(drawing, min(4.0, most)), picture)


def entry_lines(family: Family) -> list[str]:
    """An entry in words, a line for each thing."""
    from plugface.cli.present.terminal import CONTROLS
    from plugface.models.decision.pairing import list_partners

    width, height, depth = family.body.size_mm
    label = family.label
    side = {"unknown": "", "face": " on the plug face", "back": " on the back"}.get(
        label.side, f" on the side at the {label.side} edge"
    )
    code = "" if label.barcode == "none" else f", {label.barcode}"
    plugs = [
        f"{number} {plug.colour}-{plug.size} {plug.pins[0]}x{plug.pins[1]}"
        for number, plug in enumerate(family.connectors, start=1)
    ]
    lines = [f"{family.key} ({family.maker}), controls {CONTROLS[family.controls]}"]
    if family.hazard != "none":
        lines.append(f"CAUTION: {family.hazard}. {' '.join(family.cautions)}")
    colour = f", {family.body.colour}" if family.body.tells("colour") else ""
    lines += [
        f"body: {width:g} x {height:g} x {depth:g} mm, {family.body.material}{colour}",
        f"plugs: {', '.join(plugs)}",
        f"marks: {', '.join(mark.text for mark in family.marks) or 'none'}",
        f"label{side}: {label.service_number}{f' and {label.suffix}' if label.suffix else ''}{code}",
    ]
    for one in family.variants:
        suffixes = f" {'/'.join(one.suffixes)}" if one.suffixes else ""
        facts = [f"{one.years[0]} to {one.years[1]}", one.status]
        facts += [] if one.throttle in ("unknown", "none") else [f"{one.throttle} throttle"]
        facts += [f"{one.crank_teeth} crank teeth"] if one.crank_teeth else []
        facts += [one.vehicles] if one.vehicles else []
        lines.append(f"variant {one.key}: {', '.join(one.service_numbers)}{suffixes}; {', '.join(facts)}")
    partners = [need.message for need in list_partners(family)]
    lines += [f"partners: {' Or: '.join(partners)}"] if partners else []
    lines += [f"remarks: {family.remarks}"] if family.remarks else []
    lines.append(f"source: {family.source}{f', {family.date}' if family.date else ''}")
    return lines
