"""Where plugface finds and keeps things. What is not named on the command line comes from here."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import platformdirs
import plugface.demo

if TYPE_CHECKING:
    from plugface.models.catalogue.entries import Catalogue

#: Parts of the demo's photos.
Split = Literal["train", "calibration", "test"]

#: Environment variable with the folder of the user's own catalogue.
CATALOGUE_VARIABLE = "PLUGFACE_CATALOGUE"

#: Simulated units that a matcher learns from. With half as many, what is accepted hung on the draw by some
#: hundredths; with 6,000, which `plugface learn` drew before 2026-11-28, by more than a tenth: of the same 27
#: cases 63 to 78 in 100.
N_SIMULATED = 32_000


def demo_folder() -> Path:
    """The invented demo data that come with the program (its photos only in a checkout)."""
    return Path(plugface.demo.__file__).parent


def default_catalogue() -> Path:
    """The catalogue to use when none is named: the one in PLUGFACE_CATALOGUE, else the demo's."""
    named = os.environ.get(CATALOGUE_VARIABLE, "")  # for what is no command: the yard page, benches
    return Path(named) if named else demo_folder() / "marrow_finch"


def data_folder() -> Path:
    """What cannot be made again: the ledger of units looked at one by one, and the model that was learned."""
    return platformdirs.user_data_path("plugface")


def yard_folder() -> Path:
    """Where the yard page keeps photos, queue and ledger unless another folder is named."""
    return Path(os.environ.get("PLUGFACE_SERVE_FOLDER", "") or data_folder() / "yard")


def cache_folder() -> Path:
    """What can be made again at any time; deleting it costs time only."""
    return platformdirs.user_cache_path("plugface")


def kept_catalogues() -> Path:
    """Where catalogues that were read are kept for the next process."""
    return cache_folder() / "catalogues"


def kept_networks() -> Path:
    """Where networks are kept as they were prepared for this machine."""
    return cache_folder() / "networks"


def open_catalogue(folder: Path) -> "Catalogue":
    """Read a catalogue for one answer; what an earlier process read of the same bytes is not checked again.

    Raises
    ------
    CatalogueError
        As `load_catalogue`.
    """
    from plugface.models.catalogue.entries import load_catalogue

    return load_catalogue(folder, keep_in=kept_catalogues())
