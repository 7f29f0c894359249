"""plugface opinion: is it what somebody says it is."""

from typing import Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say_json
from plugface.cli.settings import default_catalogue, open_catalogue


def opinion(
    photos: options.Photos,
    claimed: Annotated[
        str,
        typer.Option(
            "--claimed", metavar="KEY[:VARIANT]", help="What the seller says it is.", show_default=False
        ),
    ],
    catalogue: options.CatalogueFolder = None,
    as_json: options.AsJson = False,
    unit: options.UnitNumber = None,
) -> None:
    """Check a claimed family or variant against the photos: agrees, disagrees, or cannot tell.

    Exit code: 0 when there is an opinion, whichever it is; 2 when a photo, the claim or the catalogue cannot
    be used.
    """
    from plugface.analysis import Settings, analyse
    from plugface.cli.limited_photo import read_photo
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.learned_model import default_model

    read = open_catalogue(catalogue or default_catalogue())
    settings = Settings(claimed=claimed, unit=unit)
    answer = analyse(photos, read, settings=settings, model=default_model(), opener=read_photo)
    given = answer.opinion
    assert given is not None  # something was claimed
    if as_json:
        from plugface.cli.present.schemas import opinion_out

        say_json(opinion_out(answer, given, claimed).model_dump_json(indent=2))
        return
    from plugface.cli.present.terminal import render_opinion

    render_opinion(Screen(), answer, given, claimed)
