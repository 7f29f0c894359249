"""The model that `plugface learn` makes: where it is kept, how it is taken into use and given back.

It lies in the user's data folder (platformdirs), as `model/` with the file name of the model that comes
along. While it is there every command uses it. The one before it is kept beside it as `former-...`.
"""

import os
import shutil
from functools import cache
from pathlib import Path

from plugface.cli.settings import data_folder
from plugface.models.learning.classifier import Model, default_model_path, load_model, save_model
from plugface.models.learning.model_error import ModelError

#: Nothing is wrong where there is no former model, and so nothing is to be mended.
STAYS = "The model in use stays"


def learned_model_path() -> Path:
    """Where `plugface learn` keeps its model, in the user's data folder."""
    return data_folder() / "model" / default_model_path().name


@cache
def default_model() -> Model:
    """The classifier to use, read once: what `plugface learn` has made, else the one that comes along."""
    learned = learned_model_path()
    return load_model(learned if learned.is_file() else default_model_path())


def former_model_path() -> Path:
    """Where the model before the learned one is kept."""
    path = learned_model_path()
    return path.with_name(f"former-{path.name}")


def activate(model: Model) -> None:
    """Keep the model in use as the former one, and put `model` in its place.

    Raises
    ------
    OSError
        If it cannot be written; the model in use stays.
    """
    path, former = learned_model_path(), former_model_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    new, part = path.with_name(f"new-{path.name}"), former.with_name(f"new-{former.name}")
    save_model(model, new)
    load_model(new)  # what cannot be read again must not be taken into use
    shutil.copyfile(path if path.is_file() else default_model_path(), part)
    os.replace(part, former)  # whole, or the one before it stays
    os.replace(new, path)
    default_model.cache_clear()


def put_former_back() -> Model:
    """Use the former model again; the one that was learned is dropped.

    Raises
    ------
    ModelError
        If there is no former model, or it cannot be used any more.
    """
    if not former_model_path().is_file():
        raise ModelError(
            str(former_model_path()), "no former model is kept, so there is none to go back to", STAYS
        )
    former = load_model(former_model_path())
    os.replace(former_model_path(), learned_model_path())
    default_model.cache_clear()
    return former
