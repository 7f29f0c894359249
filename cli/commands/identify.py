"""plugface identify: which controller is on these photos."""

from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say, say_json

if TYPE_CHECKING:
    from plugface.models.learning.classifier import Model


def identify(
    photos: options.Photos,
    catalogue: options.CatalogueFolder = None,
    as_json: options.AsJson = False,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="Draw what was seen on the photos (.jpg, .png).",
            show_default=False,
        ),
    ] = None,
    message: Annotated[
        bool, typer.Option("--message", help="Print the answer as a short text to send back, and no more.")
    ] = False,
    donor_numbers: options.DonorNumbers = False,
    unit: options.UnitNumber = None,
    throttle: options.Throttle = None,
    gearbox: options.Gearbox = None,
    crank_teeth: options.CrankTeeth = None,
    year: options.Year = None,
    partner: options.Partner = None,
) -> None:
    """Say which controller the photos show, how sure one may be, and which photo would help.

    Several photos are several views of ONE unit. With --throttle, --gearbox, --crank-teeth, --year or
    --partner the answer also says whether the unit serves that swap. In the picture donors' numbers are
    painted over without --donor-numbers; the terminal and --json say what was read.

    Exit code: 0 when there is an answer ("not sure" is one), 2 when a photo or the catalogue cannot be used.
    """
    from plugface.cli.loading import start_loading

    if picture is not None:
        from plugface.cli.present.drawn_file import check_place

        check_place(picture)
    start_loading()  # before the imports that follow, which take as long

    from plugface.analysis import Settings, analyse
    from plugface.cli.limited_photo import read_photo
    from plugface.cli.settings import default_catalogue, open_catalogue

    folder = catalogue or default_catalogue()
    read = open_catalogue(folder)
    if partner is not None:
        partner = options.find_key(partner, read.by_key)
    described = None
    if any(value is not None for value in (throttle, gearbox, crank_teeth, year, partner)):
        from plugface.models.decision.pairing import Needs

        described = Needs(
            throttle=throttle, gearbox=gearbox, crank_teeth=crank_teeth, year=year, partner=partner
        )
    settings = Settings(needs=described, unit=unit)
    model = partial(_prepare, "schemas" if as_json else "terminal")
    answer = analyse(photos, read, settings=settings, model=model, opener=read_photo)
    if picture:
        from plugface.cli.present.drawn_file import save_pixels
        from plugface.cli.present.picture import draw_answer
        from plugface.cli.present.reference_photo import read_reference

        named = [read.by_key[key] for key in answer.decision.families[:1] if key in read.by_key]
        pictures = {family.key: photo for family in named if (photo := read_reference(folder, family))}
        save_pixels(draw_answer(answer, pictures, donor_numbers=donor_numbers), picture)
    if as_json:
        from plugface.cli.present.schemas import identify_out

        say_json(identify_out(answer).model_dump_json(indent=2))
        return
    if message:
        from plugface.cli.present.message import message_text

        say(message_text(answer.decision, read))
        return
    from plugface.cli.present.screen import Screen
    from plugface.cli.present.terminal import render_answer

    console = Screen()
    render_answer(console, answer)
    if picture:
        console.print(f"Picture: {picture}", style="dim")


def _prepare(printer: str) -> "Model":
    """The classifier, and what prints imported: while the photos are looked at."""
    from plugface.cli.store.learned_model import default_model

    import_module(f"plugface.cli.present.{printer}")
    return default_model()
