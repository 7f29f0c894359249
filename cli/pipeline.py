"""From files to an answer: the one place where vision/ and models/ meet."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from plugface.cli.settings import data_folder
from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.shades import name_shades
from plugface.models.decision.answers import Decision
from plugface.models.decision.opinion import Opinion, give_opinion, read_claim
from plugface.models.id_cards import is_card
from plugface.models.identify import Needs, identify
from plugface.models.learning.classifier import Model, default_model_path, load_model
from plugface.models.unit_choice import polygon_area
from plugface.vision.colour.naming import NamedShade
from plugface.vision.detection.connectors import measure_housing
from plugface.vision.observations import Observations, Polygon, Unit, WhiteBalance
from plugface.vision.observe import MIN_AREA_RATIO, WORKING_PX, observe, start_loading
from plugface.vision.photo import Photo, UnreadablePhoto, decode_photo

#: A second thing counts as another unit from this confidence on, where it is no crumb beside the largest.
#: Chosen on the calibration split, where single units reach 0.91 and more and what is none mostly less: a lid
#: or a bracket beside the unit must not stop the answer, a second controller must.
OTHER_UNIT_CONFIDENCE = 0.9


class SeveralUnits(Exception):
    """A photo that shows several units where one was asked for: which photo, and where each unit is."""

    def __init__(self, photo: str, places: Sequence[str]) -> None:
        self.photo, self.places = photo, tuple(places)
        listed = "; ".join(f"{number} {place}" for number, place in enumerate(self.places, start=1))
        self.remedy = "Add --unit N for one of them, or take the whole photo with `plugface sort`"
        super().__init__(f"{photo} shows {len(self.places)} units: {listed}. {self.remedy}.")


class NoSuchUnit(Exception):
    """A number given with --unit that the photo does not have."""

    def __init__(self, photo: str, asked: int, n_units: int) -> None:
        self.photo, self.asked, self.n_units = photo, asked, n_units
        there = {0: "no unit was found there", 1: "one unit was found there"}
        found = there.get(n_units, f"{n_units} units were found there")
        self.remedy = "Leave out --unit to see what there is"
        super().__init__(f"{photo} has no unit {asked}: {found}. {self.remedy}.")


class UnitInSeveral(Exception):
    """A number given with --unit where several photos show several units each: it can mean only one's."""

    def __init__(self, unit: int, photos: Sequence[str]) -> None:
        self.unit, self.photos = unit, tuple(photos)
        self.remedy = (
            "Keep one of them beside the photos of that unit alone, or take all with `plugface sort`"
        )
        super().__init__(
            f"{', '.join(self.photos)} each show several units, and number {unit} of one need not be number "
            f"{unit} of another. {self.remedy}."
        )


@dataclass(frozen=True)
class Answer:
    """One unit's answer with all it was made from."""

    photos: tuple[Path, ...]
    observations: tuple[Observations, ...]  # one per photo
    chosen: tuple[int | None, ...]  # index of the unit in each photo; None: none was found there
    decision: Decision
    catalogue: Catalogue
    seconds: float  # from the first byte read to the decision

    @property
    def units(self) -> tuple[Unit | None, ...]:
        """The unit as each photo shows it."""
        pairs = zip(self.observations, self.chosen, strict=True)
        return tuple(None if index is None else seen.units[index] for seen, index in pairs)


def read_photo(path: Path) -> Photo:
    """Read and decode one picture file.

    Raises
    ------
    UnreadablePhoto
        Missing, not readable, or not a picture that can be used; the sentence says which.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise UnreadablePhoto(str(path), "there is no such file", "Check the name and the folder") from None
    except IsADirectoryError:
        raise UnreadablePhoto(str(path), "it is a folder", "Name the photos in it") from None
    except OSError as error:
        reason = (error.strerror or "it cannot be read").lower()
        raise UnreadablePhoto(str(path), reason, "Check the file's permissions and the disk") from None
    return decode_photo(data, name=str(path))


def observe_photos(paths: Sequence[Path], shades: Sequence[NamedShade] = ()) -> tuple[Observations, ...]:
    """What is seen in each photo; all are decoded before the first is looked at, so a bad one fails soon."""
    decoded = [read_photo(path) for path in paths]
    start_loading()
    return tuple(observe(photo, shades=shades) for photo in decoded)


def known_shades(catalogue: Catalogue) -> tuple[NamedShade, ...]:
    """The catalogue's own shades, as vision takes them."""
    return tuple(NamedShade(code, lab) for code, lab in name_shades(catalogue).values())


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


def choose_units(
    paths: Sequence[Path], observations: Sequence[Observations], unit: int | None = None
) -> tuple[int | None, ...]:
    """Which unit of each photo is meant.

    Parameters
    ----------
    paths : sequence of Path, length n
    observations : sequence of Observations, length n
    unit : int, optional
        1-based number for the one photo that shows several units, as `SeveralUnits` lists them.

    Returns
    -------
    chosen : tuple of int or None, length n
        0-based index into `units`; None where no unit was found.

    Raises
    ------
    SeveralUnits
        If a photo shows several units and `unit` was not given.
    UnitInSeveral
        If `unit` was given and more than one photo shows several.
    NoSuchUnit
        If `unit` is not in the photo that shows several, or no photo shows several and it is not 1.
    """
    found = [count_units(seen) for seen in observations]
    crowded = [place for place, candidates in enumerate(found) if len(candidates) > 1]
    if crowded and unit is None:
        path, seen, candidates = (of[crowded[0]] for of in (paths, observations, found))
        raise SeveralUnits(str(path), [_place(seen, seen.units[index]) for index in candidates])
    if unit is not None and len(crowded) > 1:
        raise UnitInSeveral(unit, [str(paths[place]) for place in crowded])
    meant = crowded[0] if crowded else 0
    if unit is not None and unit != 1 and unit > len(found[meant]):
        raise NoSuchUnit(str(paths[meant]), unit, len(found[meant]))
    numbers = [unit if unit is not None and place == meant else 1 for place in range(len(found))]
    return tuple(
        candidates[number - 1] if candidates else None
        for candidates, number in zip(found, numbers, strict=True)
    )


def count_units(seen: Observations) -> list[int]:
    """Indices of what counts as a unit of its own, by the two limits above; the surest one always does.

    A card with an id never does.
    """
    areas = {index: polygon_area(unit.polygon) for index, unit in enumerate(seen.units) if not is_card(unit)}
    if not areas:
        return []
    credible = [
        index
        for index, area in areas.items()
        if seen.units[index].confidence >= OTHER_UNIT_CONFIDENCE
        and area >= MIN_AREA_RATIO * max(areas.values())
    ]
    return credible or [max(areas, key=lambda index: seen.units[index].confidence * areas[index])]


def identify_unit(
    paths: Sequence[Path], catalogue: Catalogue, *, needs: Needs | None = None, unit: int | None = None
) -> Answer:
    """Answer what unit the photos show.

    Raises
    ------
    UnreadablePhoto, SeveralUnits, NoSuchUnit, ModelError
        Each with a sentence for a person.
    """
    started = time.perf_counter()
    observations = observe_photos(paths, known_shades(catalogue))
    chosen = choose_units(paths, observations, unit)
    decision = identify(list(observations), catalogue, default_model(), chosen=list(chosen), needs=needs)
    return Answer(
        tuple(paths), observations, chosen, decision, catalogue, seconds=time.perf_counter() - started
    )


def decide_unit(observations: Sequence[Observations], catalogue: Catalogue) -> Decision:
    """Decide over one unit that has been seen already; in each photo the most prominent unit is meant."""
    return identify(list(observations), catalogue, default_model())


def second_opinion(
    paths: Sequence[Path], catalogue: Catalogue, claimed: str, *, unit: int | None = None
) -> tuple[Answer, Opinion]:
    """What to think of a claimed family or variant, and what would have been answered without the claim.

    Raises
    ------
    ClaimError
        If the claim names nothing in the catalogue; and as `identify_unit`.
    """
    started = time.perf_counter()
    read_claim(claimed, catalogue)  # before the photos: a slip of the pen is found at once
    observations = observe_photos(paths, known_shades(catalogue))
    chosen = choose_units(paths, observations, unit)
    opinion = give_opinion(
        list(observations), catalogue, default_model(), claimed=claimed, chosen=list(chosen)
    )
    seconds = time.perf_counter() - started
    return Answer(tuple(paths), observations, chosen, opinion.decision, catalogue, seconds), opinion


def learned_model_path() -> Path:
    """Where `plugface learn` keeps its model, in the user's data folder."""
    return data_folder() / "model" / default_model_path().name


@cache
def default_model() -> Model:
    """The classifier to use, read once: what `plugface learn` has made, else the one that comes along."""
    learned = learned_model_path()
    return load_model(learned if learned.is_file() else default_model_path())


def _place(seen: Observations, unit: Unit) -> str:
    xs, ys = [x for x, _ in unit.polygon], [y for _, y in unit.polygon]
    x, y = (min(xs) + max(xs)) / 2 / seen.quality.width_px, (min(ys) + max(ys)) / 2 / seen.quality.height_px
    across = "left" if x < 0.4 else "right" if x > 0.6 else "middle"
    down = "top" if y < 0.4 else "bottom" if y > 0.6 else "middle"
    plugs = " ".join(max(c.colour, key=c.colour.__getitem__) for c in unit.connectors)
    where = (
        "in the middle"
        if across == down
        else f"{down} {across}".replace("middle ", "").replace(" middle", "")
    )
    return f"{where} ({f'plugs {plugs}' if plugs else 'no plugs seen'})"
