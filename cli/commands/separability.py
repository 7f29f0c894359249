"""plugface catalogue separability: what a catalogue cannot tell apart, before any photo is taken."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say, say_json

if TYPE_CHECKING:
    from plugface.models.catalogue.entries import Catalogue
    from plugface.models.catalogue.separability import Separability
    from rich.console import Console
    from rich.table import Table

#: Variants that are drawn in one go; 20 units of each take a few minutes. Our choice.
MAX_VARIANTS = 400

#: Pairs that the terminal shows; --json has all of them.
MAX_PAIRS = 60


def show_separability(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the catalogue.", show_default=False)],
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only", metavar="KEY", help="Draw units of this family alone (repeat it).", show_default=False
        ),
    ] = None,
    draws: Annotated[int, typer.Option("--draws", min=1, max=1000, help="Units drawn of each variant.")] = 20,
    seed: Annotated[int, typer.Option("--seed", help="The same seed draws the same units.")] = 1,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Heat map (.png).", show_default=False),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Expect, for each pair of families and variants, how often a photo would mix them up, and what helps.

    Units of every variant are simulated with the errors that were measured on the vision stage, and answered
    from the front alone, from the back alone and from both. It is an expectation about the catalogue, not a
    measurement on photos: nothing here knows your light, your dirt or your phone.

    Exit code: 0; 2 when the catalogue cannot be used.
    """
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.learned_model import default_model
    from plugface.models.catalogue.entries import load_catalogue
    from plugface.models.catalogue.separability import VIEW_SETS, separability
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    if picture is not None and picture.suffix.lower() != ".png":
        raise typer.BadParameter(f'the heat map is a PNG; name it so, not "{picture.name}"')
    if picture is not None:
        from plugface.cli.present.drawn_file import check_place

        check_place(picture, (".png",))
    catalogue = load_catalogue(path)
    drawn = _drawn(catalogue, only or [])
    bar = (TextColumn("Simulating"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*bar, console=Screen(stderr=True), transient=True) as progress:
        total = len(VIEW_SETS) * sum(len(catalogue.by_key[key].variants) for key in drawn)
        task = progress.add_task("", total=total)
        found = separability(
            catalogue, default_model(), seed, draws, only=drawn, done=lambda: progress.advance(task)
        )
    if picture is not None:
        from plugface.cli.present.heat_map import draw_separability

        title = f"{catalogue.head.name}: expected confusion, {draws} simulated units of each variant"
        draw_separability(found, drawn, title, picture)
    if as_json:
        from plugface.cli.present.catalogue_schemas import separability_out

        say_json(separability_out(catalogue, found, drawn, draws, default_model()).model_dump_json(indent=2))
        return
    _render(Screen(), found, drawn, draws)
    if picture is not None:
        say(f"Heat map: {picture}")


def _drawn(catalogue: Catalogue, only: list[str]) -> tuple[str, ...]:
    """The families to draw from; a name that is none, or too many variants, is refused with a way out."""
    named = [options.find_key(key, catalogue.by_key) for key in only]
    drawn = tuple(dict.fromkeys(named)) or tuple(catalogue.by_key)
    variants = sum(len(catalogue.by_key[key].variants) for key in drawn)
    if variants > MAX_VARIANTS:
        raise typer.BadParameter(
            f"{variants:,} variants are too many to draw at once (at most {MAX_VARIANTS}); name the "
            "families you doubt with --only KEY, they are still held against the whole catalogue"
        )
    return drawn


def expected_shares(found: Separability, drawn: tuple[str, ...]) -> dict[str, dict[str, float]]:
    """What one must expect for each set of views, over the drawn families."""
    import numpy as np
    from plugface.models.catalogue.separability import VIEW_SETS, family_shares

    rows = np.flatnonzero([owner in set(drawn) for owner in found.owners])
    shares = {}
    for view in VIEW_SETS:
        table = getattr(found, view)
        keys, families = family_shares(table, found.owners)
        of_drawn = [keys.index(key) for key in drawn]
        shares[view] = {
            "family": float(families[of_drawn, of_drawn].mean()),
            "variant": float(table.share[rows, rows].mean()),
            "family accepted": table.family_accepted,
            "family wrong": table.family_wrong,
            "accepted": table.accepted,
            "accepted wrong": table.accepted_wrong,
        }
    return shares


def _render(console: Console, found: Separability, drawn: tuple[str, ...], draws: int) -> None:
    from plugface.cli.present.screen import percent
    from plugface.models.catalogue.separability import VIEW_SETS
    from rich.text import Text

    shares = expected_shares(found, drawn)
    rows = {
        "family": "probability of the true family",
        "variant": "probability of the true variant",
        "family accepted": "family accepted",
        "family wrong": "family accepted and wrong",
        "accepted": "family and variant accepted",
        "accepted wrong": "variant accepted and wrong",
    }
    table = _table("expected", width=34)
    for name, caption in rows.items():
        table.add_row(caption, *(percent(shares[view][name]) for view in VIEW_SETS))
    console.print(table)
    if _fronts_alike(found, shares):
        console.print(
            "\nFrom the front alone variants stay open: those of one family mostly have one front, and the "
            "label tells them apart. The family is accepted all the same, as identify does."
        )
    if not found.pairs:
        console.print(f"\nNo pair is mixed up worth a word, by {draws} simulated units of each variant.")
        return
    table = _table("mixed up", width=26, last="what it takes")
    for pair in found.pairs[:MAX_PAIRS]:
        names = Text(pair.names, style="" if pair.family else "bold")
        table.add_row(names, *(percent(getattr(pair, view)) for view in VIEW_SETS), pair.needed)
    console.print()
    console.print(table)
    if len(found.pairs) > MAX_PAIRS:
        console.print(f"... and {len(found.pairs) - MAX_PAIRS} more; --json prints them all.")
    console.print(f"\nBy {draws} simulated units of each variant; shares under 2 % are left out.")


def _fronts_alike(found: Separability, shares: dict[str, dict[str, float]]) -> bool:
    """Whether the front settles families and leaves their variants open."""
    several = len(found.owners) > len(set(found.owners))
    return several and shares["front"]["accepted"] < 0.5 * shares["front"]["family accepted"]


def _table(caption: str, *, width: int, last: str = "") -> Table:
    from plugface.models.catalogue.separability import VIEW_SETS
    from rich.table import Table

    table = Table(box=None, padding=(0, 1), pad_edge=False, width=80 if last else None)
    table.add_column(caption, width=width, overflow="fold")
    for view in VIEW_SETS:
        table.add_column(view, justify="right", width=7, no_wrap=True)
    if last:
        table.add_column(last, ratio=1)
    return table
