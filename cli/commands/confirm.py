"""plugface confirm: what a person found to be true about a unit."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.commands.ledger import Where, open_existing
from plugface.cli.present.plain_text import say
from plugface.cli.settings import default_catalogue, open_catalogue

if TYPE_CHECKING:
    from plugface.cli.store.confirmations import Truth
    from plugface.cli.store.ledger import Ledger
    from plugface.models.catalogue.entries import Catalogue

#: What people write where they mean that a unit is in no family.
NO_FAMILY = ("", "none", "nothing", "no", "unknown", "other", "not in catalogue", "none of them")


def confirm(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="UNIT|PHOTO...",
            help="A unit of the ledger by its key, or the photos of ONE unit.",
            show_default=False,
        ),
    ],
    true: Annotated[
        str | None,
        typer.Option("--true", metavar="KEY[:VARIANT]", help="What it really is.", show_default=False),
    ] = None,
    not_in_catalogue: Annotated[
        bool, typer.Option("--not-in-catalogue", help="It is in no family of the catalogue.")
    ] = False,
    who: Annotated[
        str,
        typer.Option(
            "--who",
            envvar="PLUGFACE_WHO",
            help="Who looked: a truth without a witness is worth nothing.",
            show_default=False,
        ),
    ] = "",
    note: Annotated[str, typer.Option("--note", help="How it was found out.", show_default=False)] = "",
    catalogue: options.CatalogueFolder = None,
    unit: options.UnitNumber = None,
    where: Where = None,
) -> None:
    """Record what a person found a unit to be, beside what was proposed; `plugface learn` learns from it.

    Confirm what you know from the unit in hand or its label, not what plugface has said. The ledger keeps the
    hashes of the photos and what was seen on them, the proposal, the truth, who found it and when; nothing in
    it is ever changed, and of several confirmations the latest counts.

    Exit code: 0; 2 when the unit, the photos, the truth or the ledger cannot be used.
    """
    from plugface.analysis import Settings, analyse
    from plugface.cli.limited_photo import read_photo
    from plugface.cli.lot.worker import PipelineAnalyser
    from plugface.cli.store.confirmations import confirm_photos, confirm_unit, list_confirmed
    from plugface.cli.store.learned_model import default_model
    from plugface.models.decision.label_reading import numbers_of_others
    from plugface.models.unit_choice import gather_views

    if (true is None) == (not not_in_catalogue):
        raise typer.BadParameter("say what it is: either --true KEY[:VARIANT] or --not-in-catalogue")
    if not who.strip():
        raise typer.BadParameter("say who looked: add --who NAME, or set PLUGFACE_WHO once")
    folder = catalogue or default_catalogue()
    read = open_catalogue(folder)
    truth = _truth(true, read, who.strip(), note)
    photos = [Path(word) for word in what]
    if len(what) == 1 and not photos[0].exists() and not photos[0].suffix:
        with closing(open_existing(where)) as ledger:
            proposed = confirm_unit(ledger, what[0], truth)
            units = [each.unit for each in list_confirmed(ledger, what[0])]
        views = [view for each in units for view in gather_views(each.observations, each.chosen)]
        key = what[0]
    else:
        answer = analyse(photos, read, settings=Settings(unit=unit), model=default_model(), opener=read_photo)
        with closing(_open_or_start(where)) as ledger:
            key = confirm_photos(ledger, answer, truth, PipelineAnalyser(folder).look_version)
        proposed = answer.decision.message
        views = [*gather_views(answer.observations, answer.chosen)]
    say(f"{key}: {_said(truth)}, by {truth.who}.")
    if proposed:
        say(f"Proposed was: {proposed}")
    for number in numbers_of_others(views, read, truth.family):
        say(f"Look at the label once more: {number}, was read on it. The latest confirmation counts.")


def _truth(true: str | None, catalogue: Catalogue, who: str, note: str) -> Truth:
    from plugface.cli.store.confirmations import Truth
    from plugface.models.decision.opinion import read_claim

    if true is None:
        return Truth("", "", who, note)
    if true.strip().casefold() in NO_FAMILY and true not in catalogue.by_key:
        raise typer.BadParameter(
            f'"{true}" is no family; for a unit that is in none write --not-in-catalogue instead of --true'
        )
    family, variant = read_claim(true, catalogue)
    return Truth(family.key, variant or "", who, note)


def _said(truth: Truth) -> str:
    return f"{truth.family} {truth.variant}".strip() if truth.family else "in no family of the catalogue"


def _open_or_start(where: str | None) -> Ledger:
    """The ledger that is named, or the one in the user's data folder, started when it is not there yet."""
    from plugface.cli.store.ledger import Ledger, default_ledger

    if where is not None:
        return open_existing(where)
    place = default_ledger()
    place.parent.mkdir(parents=True, exist_ok=True)
    return Ledger(place)
