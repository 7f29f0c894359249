"""plugface needs: which families of the catalogue would serve a swap."""

from dataclasses import replace

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say_json
from plugface.cli.settings import default_catalogue, open_catalogue


def needs(
    throttle: options.Throttle = None,
    gearbox: options.Gearbox = None,
    crank_teeth: options.CrankTeeth = None,
    year: options.Year = None,
    partner: options.Partner = None,
    catalogue: options.CatalogueFolder = None,
    as_json: options.AsJson = False,
) -> None:
    """List what in the catalogue would serve a swap, and what each must be paired with.

    Exit code: 0, also when nothing serves; 2 when nothing was asked for or the catalogue cannot be used.
    """
    from plugface.cli.present.screen import Screen
    from plugface.models.decision.pairing import Needs, list_serving

    wanted = Needs(throttle=throttle, gearbox=gearbox, crank_teeth=crank_teeth, year=year, partner=partner)
    if wanted == Needs():
        raise typer.BadParameter(
            "say what the swap needs: --throttle, --gearbox, --crank-teeth, --year or --partner"
        )
    read = open_catalogue(catalogue or default_catalogue())
    if partner is not None:
        wanted = replace(wanted, partner=options.find_key(partner, read.by_key))
    serving = list_serving(read, wanted)
    if as_json:
        from plugface.cli.present.schemas import needs_out

        say_json(needs_out(read, wanted, serving).model_dump_json(indent=2))
        return
    from plugface.cli.present.terminal import render_serving

    render_serving(Screen(), read, wanted, serving)
