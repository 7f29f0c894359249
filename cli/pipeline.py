"""The command line's way to the front door: photos by their paths, with the model in use."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from plugface import analysis
from plugface.analysis import Answer, Settings, decide_observed, known_shades, read_bytes
from plugface.cli.limited_photo import open_limited
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Catalogue
from plugface.models.decision.answers import Decision
from plugface.models.decision.opinion import Opinion, read_claim
from plugface.models.identify import Needs, identify
from plugface.models.learning.classifier import Model
from plugface.models.unit_choice import UnitChoice, choose_units, list_units
from plugface.vision.colour.naming import NamedShade
from plugface.vision.detection.connectors import measure_housing
from plugface.vision.observations import Observations, Polygon, WhiteBalance
from plugface.vision.observe import WORKING_PX, observe
from plugface.vision.photo import Photo, decode_photo
from plugface.vision.quality import state_limits

__all__ = [
    "choose_units",
    "decide_observed",
    "decode_photo",
    "default_model",
    "identify",
    "known_shades",
    "list_units",
]


def read_photo(path: Path) -> Photo:
    """Read and decode one picture file, within limits of time and memory.

    Raises
    ------
    UnreadablePhoto
        Its sentence says why the file cannot be used.
    """
    return open_limited(read_bytes(path), str(path))


def observe_photos(paths: Sequence[Path], shades: Sequence[NamedShade] = ()) -> tuple[Observations, ...]:
    """What is seen in each photo."""
    return analysis.observe_photos([read_photo(path) for path in paths], shades, look=observe)


@dataclass(frozen=True)
class MeasuredColour:
    """The colour of one housing in one photo."""

    lab: tuple[float, float, float]
    spread: tuple[float, float, float]
    light: WhiteBalance


def measure_colour(path: Path, outline: Polygon, seen: Observations) -> MeasuredColour | None:
    """Colour within an outline, by the rim, with the photo's light taken out.

    Parameters
    ----------
    path : Path
    outline : Polygon, photo pixels
    seen : Observations
        Of the same photo; its white balance is used.

    Returns
    -------
    measured : MeasuredColour or None
        None where too few pixels are left to measure.
    """
    photo = read_photo(path)
    rgb = photo.reduced(WORKING_PX)
    corners = np.asarray(outline, dtype=float) * (rgb.shape[1] / photo.width_px)
    patch = measure_housing(rgb, corners, seen.white_balance)
    if patch is None:
        return None
    lab, spread = (tuple(values.tolist()) for values in patch)
    return MeasuredColour(lab, spread, seen.white_balance)


def identify_unit(
    paths: Sequence[Path], catalogue: Catalogue, *, needs: Needs | None = None, unit: int | None = None
) -> Answer:
    """Answer what unit the photos show, with the model in use; raises as `plugface.analyse` does."""
    return _analyse(paths, catalogue, Settings(needs=needs, unit=unit))


def second_opinion(
    paths: Sequence[Path], catalogue: Catalogue, claimed: str, *, unit: int | None = None
) -> tuple[Answer, Opinion]:
    """What to think of a claimed family or variant, and what would have been answered without the claim.

    Raises
    ------
    ClaimError
        If the claim names nothing in the catalogue; and as `identify_unit`.
    """
    read_claim(claimed, catalogue)  # before the photos: a slip of the pen is found at once
    answer = _analyse(paths, catalogue, Settings(claimed=claimed, unit=unit))
    assert answer.opinion is not None
    return answer, answer.opinion


def _analyse(paths: Sequence[Path], catalogue: Catalogue, settings: Settings) -> Answer:
    started = time.perf_counter()
    photos = [read_photo(path) for path in paths]
    answer = analysis.analyse(photos, catalogue, settings=settings, model=default_model(), look=observe)
    return replace(answer, seconds=time.perf_counter() - started)  # from the first byte read


def decide_unit(
    observations: Sequence[Observations],
    catalogue: Catalogue,
    *,
    chosen: Sequence[UnitChoice] | None = None,
    model: Model | None = None,
) -> Decision:
    """Decide over one unit that has been seen already, without advice on further photos.

    Without `chosen` the most prominent unit of each photo is meant.
    """
    model = model or default_model()
    return identify(list(observations), catalogue, model, chosen=chosen, advise=False)


def photo_limits() -> dict[str, object]:
    """What a photo is judged by before anything in it is known, for whoever judges it elsewhere."""
    return state_limits()
