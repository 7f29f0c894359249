"""Arguments and options that several commands share, so that they mean and read the same everywhere."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from plugface.cli.settings import CATALOGUE_VARIABLE

if TYPE_CHECKING:
    from plugface.models.catalogue.entries import Catalogue

Photos = Annotated[
    list[Path],
    typer.Argument(
        metavar="PHOTO...", help="Photos of ONE unit: front, back, label, in any order.", show_default=False
    ),
]
CatalogueFolder = Annotated[
    Path | None,
    typer.Option(
        "--catalogue",
        metavar="DIR",
        envvar=CATALOGUE_VARIABLE,
        show_envvar=False,
        help="Folder of the catalogue. Without it: the one in PLUGFACE_CATALOGUE, else the invented demo.",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON (see `plugface schema`).")]
UnitNumber = Annotated[
    int | None,
    typer.Option(
        "--unit",
        min=1,
        metavar="N",
        help="Which unit, where one of the photos shows several.",
        show_default=False,
    ),
]
Throttle = Annotated[
    Literal["cable", "electronic"] | None,
    typer.Option("--throttle", help="Throttle of the swap.", show_default=False),
]
Gearbox = Annotated[
    Literal["automatic", "manual"] | None,
    typer.Option("--gearbox", help="Gearbox of the swap.", show_default=False),
]
CrankTeeth = Annotated[
    int | None,
    typer.Option(
        "--crank-teeth",
        min=1,
        max=400,
        help="Teeth of the crank trigger wheel; missing ones count.",
        show_default=False,
    ),
]
Year = Annotated[
    int | None,
    typer.Option("--year", min=1950, max=2100, help="Model year of the engine's donor.", show_default=False),
]
Partner = Annotated[
    str | None,
    typer.Option(
        "--partner",
        metavar="KEY",
        help="Family of a unit already in hand.",
        show_default=False,
    ),
]

YardFolder = Annotated[
    Path | None,
    typer.Option(
        "--folder",
        metavar="DIR",
        help="The yard page's folder. Without it: the one in PLUGFACE_SERVE_FOLDER, else in the user's data.",
        show_default=False,
    ),
]
ShowCodes = Annotated[
    bool, typer.Option("--show-codes", help="Print codes here too, not into their file alone.")
]


#: Families named in one message; a larger catalogue's are counted. Our choice.
MAX_NAMED = 40


def check_partner(partner: str | None, catalogue: "Catalogue") -> None:
    """Refuse a partner that the catalogue does not have, naming the nearest first, then all others."""
    if partner is not None and partner not in catalogue.by_key:
        from difflib import get_close_matches

        near = get_close_matches(partner.upper(), catalogue.by_key, n=MAX_NAMED, cutoff=0.4)
        keys = list(dict.fromkeys([*near, *catalogue.by_key]))
        more = f" and {len(keys) - MAX_NAMED} more" if len(keys) > MAX_NAMED else ""
        named = ", ".join(keys[:MAX_NAMED])
        raise typer.BadParameter(f'the catalogue has no family "{partner}"; it has {named}{more}')
