"""From photos to an answer: the one place where vision/ and models/ meet.

What decides is imported where it is used: a new process imports it while the photos are looked at.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib import import_module
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

import numpy as np
from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.shades import name_shades
from plugface.vision import observe as eyes
from plugface.vision.colour.naming import NamedShade
from plugface.vision.detection.connectors import measure_housing
from plugface.vision.observations import Observations, Polygon, Unit, WhiteBalance
from plugface.vision.photo import Photo, UnreadablePhoto, decode_photo, photo_from_array
from plugface.vision.vision_models import VisionModels

if TYPE_CHECKING:
    from plugface.models.decision.answers import Decision
    from plugface.models.decision.costs import Costs
    from plugface.models.decision.opinion import Opinion
    from plugface.models.decision.pairing import Needs
    from plugface.models.learning.classifier import Model
    from plugface.models.unit_choice import UnitChoice

#: What a photo may come as: a file's path, its bytes, an open binary file, or RGB pixels as uint8 (H, W, 3).
PhotoSource = str | PathLike[str] | bytes | BinaryIO | np.ndarray | Photo


@dataclass(frozen=True)
class Settings:
    """What an analysis is asked for beyond the photos.

    `needs` describes a swap, `claimed` is a family or `FAMILY:VARIANT` to judge, `unit` picks one where a
    photo shows several (1 for the first). `costs` stand in place of the catalogue's. Without `advise` nothing
    is said of the next photo, which takes most of the time of deciding.
    """

    needs: Needs | None = None
    claimed: str | None = None
    unit: int | None = None
    costs: Costs | None = None
    advise: bool = True


@dataclass(frozen=True)
class Answer:
    """One unit's answer with all it was made from."""

    photos: tuple[Path, ...]  # names of the photos
    observations: tuple[Observations, ...]  # one per photo
    chosen: tuple[UnitChoice, ...]  # which unit of each photo
    decision: Decision
    catalogue: Catalogue
    seconds: float  # from the first byte read to the decision
    opinion: Opinion | None = None  # where something was claimed

    @property
    def units(self) -> tuple[Unit | None, ...]:
        """The unit as each photo shows it; None where the photo was read as a close-up.

        Where one family is named, it is the way up that fits that family.
        """
        from plugface.models.unit_choice import chosen_unit

        pairs = zip(self.observations, self.chosen, strict=True)
        return tuple(self.decision.hold_unit(seen, chosen_unit(seen, choice)) for seen, choice in pairs)


def open_photo(source: PhotoSource, *, name: str = "") -> Photo:
    """Read and decode one photo.

    Parameters
    ----------
    source : path, bytes, open binary file, uint8 ndarray of shape (H, W, 3) in sRGB, or Photo
    name : str
        What to call it in an error; a path calls itself.

    Returns
    -------
    photo : Photo

    Raises
    ------
    UnreadablePhoto
        Missing, not readable, or not a picture that can be used; the sentence says which.
    """
    if isinstance(source, Photo):
        return source
    if isinstance(source, np.ndarray):
        return photo_from_array(source, name=name)
    if isinstance(source, bytes):
        return decode_photo(source, name=name)
    if isinstance(source, io.IOBase):
        return decode_photo(source.read(), name=name or str(getattr(source, "name", "")))
    path = Path(cast("str | PathLike[str]", source))  # or it is no source at all, which Path says
    return decode_photo(read_bytes(path), name=name or str(source))


def read_bytes(path: Path) -> bytes:
    """The bytes of a photo's file; UnreadablePhoto says why there are none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise UnreadablePhoto(str(path), "there is no such file", "Check the name and the folder") from None
    except IsADirectoryError:
        raise UnreadablePhoto(str(path), "it is a folder", "Name the photos in it") from None
    except OSError as error:
        reason = (error.strerror or "it cannot be read").lower()
        raise UnreadablePhoto(str(path), reason, "Check the file's permissions and the disk") from None


def known_shades(catalogue: Catalogue) -> tuple[NamedShade, ...]:
    """The catalogue's own shades, as vision takes them."""
    return tuple(NamedShade(code, lab) for code, lab in name_shades(catalogue).values())


def observe(
    photo: PhotoSource,
    *,
    shades: Sequence[NamedShade] = (),
    read_text: bool = True,
    models: VisionModels | None = None,
) -> Observations:
    """What is seen in one photo, without any catalogue.

    Parameters
    ----------
    photo : path, bytes, open binary file, uint8 ndarray of shape (H, W, 3) in sRGB, or Photo
    shades : sequence of NamedShade
        Of a catalogue that names its own.
    read_text : bool
        Without it no text and no code is read, which takes most of the time.
    models : VisionModels, optional
        Your own segmenter, readers or decoder of codes, by
        `dataclasses.replace(plugface.default_models(), ...)`.

    Returns
    -------
    observations : Observations

    Raises
    ------
    UnreadablePhoto
        If it is not a picture that can be used; the sentence says why.
    """
    # By its module: whoever stands in for it there stands in for it in every command and on the page.
    return eyes.observe(open_photo(photo), shades=shades, read_text=read_text, models=models)


def observe_photos(
    sources: Sequence[PhotoSource],
    shades: Sequence[NamedShade] = (),
    *,
    look: Callable[..., Observations] = observe,
    opener: Callable[..., Photo] = open_photo,
) -> tuple[Observations, ...]:
    """What is seen in each photo; all are decoded before the first is looked at, so a bad one fails soon.

    Parameters
    ----------
    sources : sequence of PhotoSource
    shades : sequence of NamedShade
        Of the catalogue.
    look : callable
        Takes a `Photo` and `shades=`; another one than `observe` brings its own segmenter or reader.
    opener : callable
        Takes one of `sources` and `name=`; another one than `open_photo` brings its own limits.

    Returns
    -------
    observations : tuple of Observations, length n
        In the order of `sources`.

    Raises
    ------
    UnreadablePhoto
    """
    decoded = [opener(source, name=_name(source, number)) for number, source in enumerate(sources, 1)]
    eyes.start_loading()
    try:
        return tuple(look(photo, shades=shades) for photo in decoded)
    finally:
        eyes.finish_loading()


def _name(source: PhotoSource, number: int) -> str:
    if isinstance(source, Photo):
        return source.name
    named = source if isinstance(source, str | PathLike) else getattr(source, "name", None)
    return str(named) if isinstance(named, str | PathLike) else f"photo {number}"


def analyse(
    photos: Sequence[PhotoSource],
    catalogue: Catalogue,
    *,
    settings: Settings | None = None,
    model: Model | Callable[[], Model] | None = None,
    look: Callable[..., Observations] = observe,
    opener: Callable[..., Photo] = open_photo,
) -> Answer:
    """Answer what ONE unit the photos show: unit choice, shades, costs, opinion and all.

    Parameters
    ----------
    photos : sequence of PhotoSource, at least one
        Views of one unit.
    catalogue : Catalogue
    settings : Settings, optional
    model : Model or callable, optional
        The classifier, or what gives it: that is asked while the photos are looked at. By default the one
        that comes along.
    look, opener : callable
        As in `observe_photos`.

    Returns
    -------
    answer : Answer

    Raises
    ------
    UnreadablePhoto
        If a photo cannot be used.
    SeveralUnits, NoSuchUnit, UnitInSeveral
        If it is not clear which unit of a photo is meant. One verdict over several units would be a guess.
    ClaimError
        If the claim names nothing in the catalogue.
    ModelError
        If the model's file cannot be used.
    """
    settings = settings or Settings()
    started = time.perf_counter()
    if settings.claimed is not None:
        from plugface.models.decision.opinion import read_claim

        read_claim(settings.claimed, catalogue)  # before the photos: a slip of the pen is found at once
    with ThreadPoolExecutor(1) as beside:
        deciding = beside.submit(_prepare_deciding, catalogue, model)
        seen = observe_photos(photos, known_shades(catalogue), look=look, opener=opener)
        model = deciding.result()
    names = [_name(source, number) for number, source in enumerate(photos, 1)]
    return decide_observed(names, seen, catalogue, settings=settings, model=model, started=started)


def _prepare_deciding(catalogue: Catalogue, model: Model | Callable[[], Model] | None) -> Model:
    """Import what deciding needs, read the model, and build the catalogue's arrays."""
    from plugface.models.catalogue.index import index_catalogue

    import_module("plugface.models.identify")
    index_catalogue(catalogue)
    return _given_or_default(model() if callable(model) else model)


def _given_or_default(model: Model | None) -> Model:
    from plugface.models.learning.classifier import default_model_path, load_model

    return model or load_model(default_model_path())


def decide_observed(
    names: Sequence[str],
    observations: Sequence[Observations],
    catalogue: Catalogue,
    *,
    settings: Settings | None = None,
    model: Model | None = None,
    chosen: Sequence[UnitChoice] | None = None,
    started: float | None = None,
) -> Answer:
    """The answer over photos that were looked at already.

    Parameters
    ----------
    names : sequence of str, length n
    observations : sequence of Observations, length n
    catalogue, settings, model
        As in `analyse`.
    chosen : sequence of UnitChoice, length n, optional
        Which unit of each photo, where that is known; `settings.unit` says nothing then.
    started : float, optional
        `time.perf_counter()` at the beginning; now by default.

    Returns
    -------
    answer : Answer

    Raises
    ------
    SeveralUnits, NoSuchUnit, UnitInSeveral, ClaimError, ModelError
        As `analyse`.
    """
    from plugface.models.identify import identify
    from plugface.models.unit_choice import choose_units

    settings = settings or Settings()
    started = time.perf_counter() if started is None else started
    chosen = choose_units(names, observations, settings.unit) if chosen is None else tuple(chosen)
    model = _given_or_default(model)
    seen, opinion = list(observations), None
    if settings.claimed is None:
        decision = identify(
            seen,
            catalogue,
            model,
            chosen=chosen,
            needs=settings.needs,
            costs=settings.costs,
            advise=settings.advise,
        )
    else:  # an opinion holds the decision it rests on
        from plugface.models.decision.opinion import give_opinion

        opinion = give_opinion(
            seen,
            catalogue,
            model,
            claimed=settings.claimed,
            chosen=chosen,
            costs=settings.costs,
            needs=settings.needs,
        )
        decision = opinion.decision
    return Answer(
        photos=tuple(Path(name) for name in names),
        observations=tuple(observations),
        chosen=chosen,
        decision=decision,
        catalogue=catalogue,
        seconds=time.perf_counter() - started,
        opinion=opinion,
    )


@dataclass(frozen=True)
class MeasuredColour:
    """The colour of one housing in one photo, L*a*b*."""

    lab: tuple[float, float, float]
    spread: tuple[float, float, float]
    light: WhiteBalance


def measure_colour(photo: PhotoSource, outline: Polygon, seen: Observations) -> MeasuredColour | None:
    """Colour within an outline, by the rim, with the photo's light taken out.

    Parameters
    ----------
    photo : PhotoSource
    outline : Polygon, photo pixels
    seen : Observations
        Of the same photo; its white balance is used.

    Returns
    -------
    measured : MeasuredColour or None
        None where too few pixels are left to measure.
    """
    opened = open_photo(photo)
    rgb = opened.reduced(eyes.WORKING_PX)
    corners = np.asarray(outline, dtype=float) * (rgb.shape[1] / opened.width_px)
    patch = measure_housing(rgb, corners, seen.white_balance)
    if patch is None:
        return None
    lab, spread = (tuple(values.tolist()) for values in patch)
    return MeasuredColour(lab, spread, seen.white_balance)
