"""plugface catalogue try: what a catalogue makes of a label's text, a payload, or a photo of a label."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.settings import default_catalogue, open_catalogue

if TYPE_CHECKING:
    from plugface.models.catalogue.entries import Catalogue
    from plugface.models.decision.label_reading import FieldReading
    from plugface.vision.observations import Observations
    from rich.console import Console


def try_label(
    label: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="TEXT|PHOTO...",
            help="Lines of a label as they are printed, one in quotes each; or a photo of it.",
            show_default=False,
        ),
    ] = None,
    payload: Annotated[
        list[str] | None,
        typer.Option("--payload", help="What a barcode holds (repeat it).", show_default=False),
    ] = None,
    catalogue: options.CatalogueFolder = None,
) -> None:
    """Try what the catalogue makes of a label: which part is the number, which the suffix, what says nothing.

    Exit code: 0; 2 when the catalogue or a photo cannot be used.
    """
    from plugface.cli.lot.scan import ENDINGS
    from plugface.cli.present.screen import Screen
    from plugface.cli.present.terminal import variant_line
    from plugface.cli.store.learned_model import default_model
    from plugface.cli.typed_label import typed_label
    from plugface.models.decision.label_reading import read_label
    from plugface.models.identify import identify
    from plugface.models.unit_choice import MostProminent

    if not label and not payload:
        raise typer.BadParameter(
            "give a line of a label in quotes, a photo, or --payload with a barcode's text"
        )
    label = label or []
    known = open_catalogue(catalogue or default_catalogue())
    photos = [Path(word) for word in label if Path(word).is_file()]
    lines = [word for word in label if not Path(word).is_file()]
    gone = next((line for line in lines if Path(line).suffix.lower() in ENDINGS), None)
    if gone is not None:
        raise typer.BadParameter(f'there is no photo "{gone}"')
    seen = _look(photos, known) if photos else []
    if lines or payload:
        seen.append(typed_label(lines, payload or ()))
    console = Screen()
    for one in seen:
        texts = [*one.texts, *(t for unit in one.units for t in unit.texts if t.kind == "printed")]
        codes = [*one.codes, *(code for unit in one.units for code in unit.codes)]
        _render(console, read_label(texts, codes, known))
    answer = identify(seen, known, default_model(), chosen=[MostProminent()] * len(seen))
    console.print(_visible(f"By the label alone: {answer.message}"), soft_wrap=True)
    if answer.verdict == "identified" and answer.variant_message:  # else it would be of a family not named
        console.print(_visible(variant_line(answer)), soft_wrap=True)


def _look(photos: list[Path], catalogue: Catalogue) -> list[Observations]:
    """What is seen in photos; a text is tried without what that takes to load."""
    from plugface.analysis import known_shades, observe_photos
    from plugface.cli.limited_photo import read_photo

    return list(observe_photos(photos, known_shades(catalogue), opener=read_photo))


def _render(console: Console, readings: tuple[FieldReading, ...]) -> None:
    from rich.table import Table

    if not readings:
        console.print("No line and no code was read.")
        return
    table = Table("Line or code", "Field", "Is", "What the catalogue makes of it", box=None, pad_edge=False)
    before = ""
    for reading in readings:
        shown = "" if reading.source == before else _visible(reading.source)
        table.add_row(shown, _visible(reading.field), reading.meaning, _visible(reading.words))
        before = reading.source
    console.print(table)


def _visible(value: str) -> str:
    """Control characters by their pictures (Unicode block 2400), and no bracket taken for markup."""
    from rich.markup import escape

    return escape("".join(chr(0x2400 + ord(c)) if ord(c) < 0x20 else c for c in value))
