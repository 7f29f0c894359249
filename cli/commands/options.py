"""Arguments and options that several commands share, so that they mean and read the same everywhere."""

from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Literal

import typer
from plugface.cli.settings import CATALOGUE_VARIABLE

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
DonorNumbers = Annotated[
    bool,
    typer.Option(
        "--donor-numbers",
        help="Show donors' 17-character numbers in what is written; they may be personal data.",
    ),
]
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


class UnknownFamily(ValueError):
    """A family that was typed and is none of the catalogue's: what was typed, what there is."""

    def __init__(self, typed: str, known: str) -> None:
        self.typed, self.known = typed, known
        super().__init__(f'the catalogue has no family "{typed}"; it has {known}')


def find_key(typed: str, keys: Collection[str]) -> str:
    """The key of a family as the catalogue spells it; case and outer spaces do not matter.

    Parameters
    ----------
    typed : str
    keys : collection of str
        The catalogue's.

    Returns
    -------
    key : str

    Raises
    ------
    UnknownFamily
        Naming the nearest first, then all others.
    """
    spelled = {key.casefold(): key for key in keys}
    name = typed.strip().casefold()
    if name in spelled:
        return typed if typed in keys else spelled[name]  # a catalogue may hold "Knot" beside "KNOT"
    from difflib import get_close_matches

    near = get_close_matches(name, spelled, n=MAX_NAMED, cutoff=0.4)
    known = [spelled[each] for each in dict.fromkeys([*near, *spelled])]
    more = f" and {len(known) - MAX_NAMED} more" if len(known) > MAX_NAMED else ""
    raise UnknownFamily(typed, f"{', '.join(known[:MAX_NAMED])}{more}" if known else "none yet")
