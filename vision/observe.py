"""One photo in, everything seen in it out: the step that joins all of vision/."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from threading import Thread
from typing import TypeVar

import cv2
import numpy as np
from plugface.vision.colour.naming import NamedShade
from plugface.vision.colour.white_balance import measure_white_balance
from plugface.vision.detection.connectors import (
    Candidate,
    Picture,
    find_candidates,
    find_connectors,
    find_loose_connectors,
)
from plugface.vision.detection.order import (
    ORIENTATION_RESOLVED,
    order_connectors,
    other_reading,
    resolve_orientation,
)
from plugface.vision.detection.segmenter import (
    Maps,
    load_segmenter,
)
from plugface.vision.detection.units import (
    MIN_FINE_CONFIDENCE,
    FoundUnit,
    NoUnit,
    find_units,
    verify_units,
)
from plugface.vision.detection.verifier import Verifier, load_verifier
from plugface.vision.geometry import lies_on_any, overlap, shared_of_smaller, shrunk, side_lengths
from plugface.vision.observations import (
    MIN_AREA_RATIO,
    Body,
    Code,
    Connector,
    Fault,
    Observations,
    Polygon,
    Text,
    Unit,
    WhiteBalance,
)
from plugface.vision.ocr.readers import load_recogniser
from plugface.vision.ocr.text_boxes import load_detector
from plugface.vision.ocr.unit_texts import (
    TextRegion,
    find_mirroring,
    find_regions,
    load_readers,
    measure_text_up,
    read_closer,
    read_photo_texts,
    read_unit_texts,
)
from plugface.vision.photo import Photo
from plugface.vision.quality import colour_fault, measure_quality
from plugface.vision.vision_models import Segmenter, VisionModels, default_models

#: Long side of the copy that is looked at; enough to count pins on a unit that fills the photo.
WORKING_PX = 2016
#: Long side of the network's picture of a whole photo: units look as large in it as in the pictures that the
#: network learned from. Chosen on the calibration split.
WHOLE_PX = 512
#: Long side of a picture of the whole photo in which plugs are sought, and units beside those of the first
#: picture, if there is a verifier to judge them: of plugs smaller than 8 % of a real photograph twice as many
#: are outlined in it. Chosen on real photographs of the calibration split; so was to look at it in one way
#: only, which finds more.
FINE_PX = 768
#: Long side of a second picture of the whole photo, where no unit is outlined: plugs that fill the frame look
#: there as large as the network knows them. Chosen on real photographs of the calibration split.
COARSE_PX = 384
#: Where more things than this are outlined it is a pallet, and all stay: units that are small among others
#: pass the verifier less well. Our choice, made after the test split's pallets were seen: 85 % of their units
#: were found with the verifier, 98 % without.
MAX_VERIFIED = 3
#: Side of the network's picture of one unit, which is looked at again where it is small in the whole.
CLOSE_PX = 384
#: A unit is looked at again when that shows it larger by this factor. Our choice.
WORTH_ENLARGING = 1.25
_MEDIUM_PX = 1008  # half the working size; for quality, and to make the network's picture from
_WINDOW = 1.25  # side of the second look's window over the unit's long side
_MIN_WINDOW = 32.0  # pixels of the photo
_WHOLE_CONFIDENCE = 0.5  # of the whole photo being one unit, where nothing tells
NO_SEGMENTER = (
    "The segmenter's weights are not installed: plugs were not looked for, and the whole photo was taken for "
    "one unit. Only what is written on it was read."
)
_MIN_OVERLAP = 0.4
#: Share of the smaller from which on two outlines in different pictures are not of two units. Our choice.
_MAX_SHARED = 0.1
_Written = TypeVar("_Written", Text, Code)


@dataclass(frozen=True)
class _Sighting:
    """A unit in the maps that show it best."""

    maps: Maps
    unit: FoundUnit


@dataclass(frozen=True)
class _Scene:
    """What was detected, before anything is read or measured."""

    rgb: np.ndarray  # the working copy of the photo
    to_photo: float  # its pixels to those of the photo
    maps: Maps  # of the whole photo
    beside: tuple[
        Candidate, ...
    ]  # plugs in a larger picture of it; in a smaller one, where no unit was found
    found: tuple[FoundUnit, ...]  # in those maps
    is_lot: bool  # more things than a second look is asked of
    no_units: tuple[NoUnit, ...]  # outlined there, but none
    sightings: tuple[_Sighting, ...]  # the units that stay, each in its best maps
    white_balance: WhiteBalance
    colourless: Fault | None  # where the photo has no colours at all


@dataclass(frozen=True)
class _Writing:
    """What was read: texts and codes of each unit, and those beside all units."""

    of_units: tuple[tuple[tuple[Text, ...], tuple[Code, ...]], ...]
    texts: tuple[Text, ...] = ()
    codes: tuple[Code, ...] = ()
    mirrored: Fault | None = None
    notes: tuple[str, ...] = ()


def observe(
    photo: Photo,
    *,
    read_text: bool = True,
    shades: Sequence[NamedShade] = (),
    models: VisionModels | None = None,
) -> Observations:
    """Everything seen in one photo: detect, read, orient, order, build.

    Parameters
    ----------
    photo : Photo
    read_text : bool
        Read marks, labels and barcodes as well, which takes most of the time.
    shades : sequence of NamedShade
        Colours of housings to know besides the common ones.
    models : VisionModels, optional
        What to look and read with; by default what comes along.

    Returns
    -------
    observations : Observations
        In photo pixels. A photo of no controller has no units; that is no error.

    Raises
    ------
    UnreadablePhoto
        If the photo's coded pixels turn out to be damaged.
    """
    models = models or default_models()
    if models.segmenter is None:
        return _observe_as_one(photo, read_text, models)
    rgb = photo.reduced(WORKING_PX)
    with ThreadPoolExecutor(1) as beside:
        if read_text:  # after `rgb`: where that took the whole picture, grey is made of it
            beside.submit(_quietly, lambda: photo.grey)
        scene = _detect(photo, rgb, models.segmenter, models.verifier)
    writing = _read(photo, scene, models) if read_text else _Writing((((), ()),) * len(scene.sightings))
    housed = None if scene.is_lot else models.verifier
    units = tuple(
        _build_unit(sighting, scene, texts, codes, shades, housed)
        for sighting, (texts, codes) in zip(scene.sightings, writing.of_units, strict=True)
    )
    return _build(photo, scene, writing, units, shades, models.verifier)


def _say_close_up(units: Sequence[Unit], loose: Sequence[Connector]) -> tuple[str, ...]:
    """What to say where plugs fill the frame and no unit is outlined round them."""
    if units or not loose:
        return ()
    plugs = "one plug" if len(loose) == 1 else f"{len(loose)} plugs"
    return (
        f"No unit's outline is in view, but {plugs}: a close-up, which may not show all of them. Photograph "
        "the whole plug face.",
    )


def start_loading() -> None:
    """Begin to load the networks beside what is done before they are needed.

    What cannot be loaded is said when it is needed, not here. The threads are no daemons: one that is cut off
    inside a network's code would take the process down with it. `finish_loading` waits for them.
    """
    for load in (load_segmenter, load_verifier, load_detector, load_recogniser, load_readers):
        thread = Thread(target=_quietly, args=(load,))
        thread.start()
        _LOADERS.append(thread)  # last: another call may wait for it at once


def finish_loading() -> None:
    """Wait until all that `start_loading` began is loaded, by whichever thread it was begun."""
    with suppress(IndexError):
        while True:
            _LOADERS.pop().join()


_LOADERS: list[Thread] = []


def _quietly(load: Callable[[], object]) -> None:
    with suppress(Exception):
        load()


def _observe_as_one(photo: Photo, read_text: bool, models: VisionModels) -> Observations:
    """Without the segmenter's weights: what is written, taken for that of one unit; no plugs are sought."""
    medium = photo.reduced(_MEDIUM_PX)
    quality = measure_quality(medium, photo_size=(photo.width_px, photo.height_px))
    right, bottom = float(photo.width_px), float(photo.height_px)
    frame: Polygon = ((0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom))
    texts: tuple[Text, ...] = ()
    codes: tuple[Code, ...] = ()
    said: tuple[str, ...] = ()
    if read_text:
        texts, codes, said = read_unit_texts(
            photo, frame, readers=models.readers, decode_codes=models.read_codes
        )
    units: tuple[Unit, ...] = ()
    if texts or codes:
        units = (
            Unit(
                frame,
                _WHOLE_CONFIDENCE,
                {"front": 0.5, "back": 0.5},
                texts=texts,
                codes=codes,
                method="whole photo",
            ),
        )
    return Observations(
        photo.sha256,
        quality,
        measure_white_balance(shrunk(medium, WHOLE_PX // 2)),
        units,
        notes=(*photo.notes, NO_SEGMENTER, *said),
    )


def _detect(photo: Photo, rgb: np.ndarray, segmenter: Segmenter, verifier: Verifier | None) -> _Scene:
    """The units of a photo, each where it is seen best, and the photo's light."""
    to_photo = photo.width_px / rgb.shape[1]
    medium = shrunk(rgb, _MEDIUM_PX)
    size_px = photo.width_px, photo.height_px
    picture, maps, found = _whole(medium, *size_px, segmenter)
    no_units: list[NoUnit] = []
    is_lot = len(found) > MAX_VERIFIED
    if verifier is not None and not is_lot:
        found, no_units = verify_units(found, rgb, 1 / to_photo, verifier)
    balance = _balance(picture, maps)
    beside: list[Maps] = []
    if not found:
        beside += segmenter.segment(*_as_network_sees(medium, *size_px, COARSE_PX))
    sightings = [_Sighting(maps, unit) for unit in found]
    if verifier is not None and not is_lot and max(size_px) > WHOLE_PX:
        (fine,) = segmenter.segment(*_as_network_sees(medium, *size_px, FINE_PX), once=True)
        beside.append(fine)
        new = [unit for unit in find_units(fine) if all(_lies_beside(unit, other) for other in found)]
        new, others = verify_units(new, rgb, 1 / to_photo, verifier, MIN_FINE_CONFIDENCE)
        if new and not found:  # the larger picture takes the place of the first
            beside[-1], maps, no_units = maps, fine, others
        found += [unit if maps is fine else unit.seen_in(maps) for unit in new]
        sightings += [_Sighting(fine, unit) for unit in new]
    sightings = _look_closer(rgb, to_photo, sightings, segmenter)
    return _Scene(
        rgb,
        to_photo,
        maps,
        tuple(candidate for each in beside for candidate in find_candidates(each)),
        tuple(found),
        is_lot,
        tuple(no_units),
        tuple(_of_min_area(sightings)),
        balance,
        colour_fault(medium),
    )


def _lies_beside(unit: FoundUnit, other: FoundUnit) -> bool:
    return shared_of_smaller(unit.polygon, other.polygon) < _MAX_SHARED


def _whole(
    rgb: np.ndarray, width_px: int, height_px: int, segmenter: Segmenter
) -> tuple[np.ndarray, Maps, list[FoundUnit]]:
    """The whole photo as the network sees it, its maps and the units in it.

    A small photo is enlarged, for the network knows things of a certain size. Half of the looks are enough to
    find a unit that is by itself and is looked at again.
    """
    pictures, placings = _as_network_sees(rgb, width_px, height_px, WHOLE_PX)
    asked: Maps | None = None
    units: list[FoundUnit] = []

    def enough(maps: Maps) -> bool:
        nonlocal asked, units
        asked, units = maps, find_units(maps)
        return len(units) == 1 and _window(units[0], max(width_px, height_px)) is not None

    (maps,) = segmenter.segment(pictures, placings, enough=enough)
    return pictures[0], maps, units if maps is asked else find_units(maps)


def _as_network_sees(
    rgb: np.ndarray, width_px: int, height_px: int, long_side_px: int
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """The whole photo with this long side, and the matrix from its pixels to the photo's: a batch of one."""
    scale = long_side_px / max(rgb.shape[:2])
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    picture = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    return [picture], [np.array([[width_px / size[0], 0, 0], [0, height_px / size[1], 0]])]


def _window(unit: FoundUnit, photo_px: float) -> tuple[np.ndarray, float] | None:
    """Corner and side of the square in which to look at a unit again, in pixels of the photo; None where it
    would look hardly larger there, or is too small to be told more of.

    `photo_px` is the photo's long side.
    """
    points = np.asarray(unit.polygon)
    low, high = points.min(0), points.max(0)
    side = float((high - low).max()) * _WINDOW
    if CLOSE_PX / side <= WORTH_ENLARGING * WHOLE_PX / photo_px or side < _MIN_WINDOW:
        return None
    return (low + high) / 2 - side / 2, side


def _look_closer(
    rgb: np.ndarray, to_photo: float, sightings: list[_Sighting], segmenter: Segmenter
) -> list[_Sighting]:
    """Look again at units that are small in the photo, all in one go."""
    photo_px = to_photo * max(rgb.shape[:2])
    windows = {k: w for k, s in enumerate(sightings) if (w := _window(s.unit, photo_px)) is not None}
    if not windows:
        return sightings
    pictures, placings = [], []
    for corner, side in windows.values():
        scale = to_photo * CLOSE_PX / side
        # OpenCV counts from pixel centres, half a pixel inside the corner.
        offset = -corner / to_photo * scale + 0.5 * (scale - 1)
        matrix = np.array([[scale, 0, offset[0]], [0, scale, offset[1]]])
        pictures.append(_warp(rgb, matrix, scale))
        placings.append(np.array([[side / CLOSE_PX, 0, corner[0]], [0, side / CLOSE_PX, corner[1]]]))
    closer = list(sightings)
    for k, maps in zip(windows, segmenter.segment(pictures, placings), strict=True):
        shared, unit = max(
            ((overlap(u.polygon, sightings[k].unit.polygon), u) for u in find_units(maps)),
            key=lambda pair: pair[0],
            default=(0.0, None),
        )
        if unit is not None and shared >= _MIN_OVERLAP:
            closer[k] = _Sighting(maps, unit)
    return _suppress_overlapping(closer)


def _warp(rgb: np.ndarray, matrix: np.ndarray, scale: float) -> np.ndarray:
    """A square of CLOSE_PX out of the picture; averaged first where it is reduced a lot."""
    if scale < 0.6:
        factor = 0.5 if scale > 0.3 else 0.25
        rgb = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        matrix = matrix.copy()
        matrix[:, 2] -= 0.5 * (scale - scale / factor)
        matrix[:, :2] /= factor
    return cv2.warpAffine(
        rgb, matrix, (CLOSE_PX, CLOSE_PX), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


def _suppress_overlapping(sightings: list[_Sighting]) -> list[_Sighting]:
    """Two looks that settled on the same unit count once."""
    kept: list[_Sighting] = []
    for sighting in sorted(sightings, key=lambda s: -s.unit.confidence):
        if all(overlap(sighting.unit.polygon, other.unit.polygon) < 0.6 for other in kept):
            kept.append(sighting)
    return kept


def _of_min_area(sightings: list[_Sighting]) -> list[_Sighting]:
    areas = [cv2.contourArea(np.asarray(sighting.unit.polygon, np.float32)) for sighting in sightings]
    return [
        sighting
        for sighting, area in zip(sightings, areas, strict=True)
        if area >= MIN_AREA_RATIO * max(areas)
    ]


def _balance(picture: np.ndarray, maps: Maps) -> WhiteBalance:
    """White balance from labels and grey bodies in the network's picture."""
    h2, w2 = maps.masks["label"].shape
    small = cv2.resize(picture, (w2, h2), interpolation=cv2.INTER_AREA)
    body = cv2.resize(
        np.exp(maps.body_colour[maps.codes.index("GY")]) * (maps.coarse_masks["connector"] < 0.2),
        (w2, h2),
        interpolation=cv2.INTER_LINEAR,
    )
    return measure_white_balance(
        small, paper=maps.masks["label"] > 0.6, metal=(maps.masks["unit"] > 0.7) & (body > 0.6)
    )


def _read(photo: Photo, scene: _Scene, models: VisionModels) -> _Writing:
    """Everything written on each unit and beside them."""
    of_units: list[tuple[tuple[Text, ...], tuple[Code, ...]]] = []
    notes: list[str] = []
    strays: list[Text] = []
    stray_codes: list[Code] = []
    for sighting in scene.sightings:
        regions = _text_regions(sighting)
        texts, codes, said = read_unit_texts(
            photo,
            sighting.unit.polygon,
            regions,
            readers=models.readers,
            decode_codes=models.read_codes,
        )
        if not regions:  # the rectangle round it was searched, in whose corners a neighbour's label may lie
            texts, off = _part_at(texts, sighting.unit.polygon)
            codes, codes_off = _part_at(codes, sighting.unit.polygon)
            strays += off
            stray_codes += codes_off
        of_units.append((texts, codes))
        notes += said
    outlines = [sighting.unit.polygon for sighting in scene.sightings]
    every = [text for texts, _ in of_units for text in texts]
    every_code = [code for _, codes in of_units for code in codes]
    strays = _unread_elsewhere(strays, every)
    stray_codes = _unread_elsewhere(stray_codes, every_code)
    every += strays
    every_code += stray_codes
    texts, codes, said, traces = read_photo_texts(
        photo, outlines, every, every_code, readers=models.readers, decode_codes=models.read_codes
    )
    every += texts
    every_code += codes
    closer = read_closer(photo, outlines, every, every_code, traces=traces, readers=models.readers)
    every += closer
    texts_of, beside = _by_owner((*strays, *texts, *closer), outlines)
    codes_of, codes_beside = _by_owner((*stray_codes, *codes), outlines)
    whole = tuple(
        ((*texts, *more_texts), (*codes, *more_codes))
        for (texts, codes), more_texts, more_codes in zip(of_units, texts_of, codes_of, strict=True)
    )
    mirrored = find_mirroring(photo, every, readers=models.readers)
    return _Writing(whole, beside, codes_beside, mirrored, (*notes, *said))


def _said(one: Text | Code) -> str:
    return one.value if isinstance(one, Text) else one.payload


def _unread_elsewhere(strays: Sequence[_Written], known: Sequence[_Written]) -> list[_Written]:
    """Of what lies off the unit round which it was read what no unit has already, each once."""
    left: list[_Written] = []
    for stray in strays:
        same = [one.polygon for one in (*known, *left) if _said(one) == _said(stray)]
        if not lies_on_any(stray.polygon, same):
            left.append(stray)
    return left


def _part_at(found: Sequence[_Written], outline: Polygon) -> tuple[tuple[_Written, ...], list[_Written]]:
    """What lies on a unit, and the rest."""
    pairs = [(one, _lies_on(one, outline)) for one in found]
    return tuple(one for one, on in pairs if on), [one for one, on in pairs if not on]


def _lies_on(one: Text | Code, outline: Polygon) -> bool:
    """Whether it lies on a unit, or off its outline, which may be rough, by no more than its own height."""
    height = min(side_lengths(np.asarray(one.polygon)))
    return lies_on_any(one.polygon, [outline], within_px=height)


def _by_owner(
    found: Sequence[_Written], outlines: Sequence[Polygon]
) -> tuple[list[list[_Written]], tuple[_Written, ...]]:
    """What lies on each unit, the first of those it lies on, and what lies beside all."""
    owners = [
        next((k for k, outline in enumerate(outlines) if lies_on_any(one.polygon, [outline])), None)
        for one in found
    ]
    pairs = list(zip(found, owners, strict=True))
    on_units = [[one for one, owner in pairs if owner == k] for k in range(len(outlines))]
    return on_units, tuple(one for one, owner in pairs if owner is None)


def _orient(found: FoundUnit, texts: Sequence[Text]) -> tuple[float, float, str]:
    """What is up on a unit, how sure that is, and by what."""
    # The cast mark is upright on the plug face, the label on the back; by definition, see `Unit`.
    kind = "cast" if found.front > 0.5 else "printed"
    up_deg, confidence = measure_text_up([text for text in texts if text.kind == kind])
    return resolve_orientation(found.axis, found.polygon, up_deg, 0.0 if up_deg is None else confidence)


def _build_unit(
    sighting: _Sighting,
    scene: _Scene,
    texts: tuple[Text, ...],
    codes: tuple[Code, ...],
    shades: Sequence[NamedShade],
    verifier: Verifier | None,
) -> Unit:
    """One unit with its connectors measured and in canonical order."""
    found = sighting.unit
    up_deg, certainty, method = _orient(found, texts)
    picture = _picture(scene, shades)
    connectors = find_connectors(
        sighting.maps, found, picture, up_deg=up_deg, verifier=verifier, beside=scene.beside
    )
    if scene.colourless is not None:
        connectors = _without_colours(connectors)
    polygons = [connector.polygon for connector in connectors]
    order = order_connectors(polygons, up_deg, found.polygon)
    other = None
    if certainty < ORIENTATION_RESOLVED and len(order) > 1:
        other = other_reading(polygons, order, up_deg, found.polygon)
    _, (width, height), _ = cv2.minAreaRect(np.asarray(found.polygon, np.float32))
    return Unit(
        polygon=found.polygon,
        confidence=found.confidence,
        face={"front": found.front, "back": 1 - found.front},
        connectors=tuple(connectors[i] for i in order),
        body=Body(
            aspect=max(width, height) / max(1e-6, min(width, height)),
            colour={} if scene.colourless is not None else found.body_colour,
            fins=found.fins,
        ),
        up_deg=up_deg,
        up_confidence=certainty,
        up_method=method,
        other_order=other,
        texts=texts,
        codes=codes,
        method="segmenter",
    )


def _picture(scene: _Scene, shades: Sequence[NamedShade]) -> Picture:
    return Picture(scene.rgb, 1 / scene.to_photo, scene.white_balance, tuple(shades))


def _without_colours(connectors: Sequence[Connector]) -> list[Connector]:
    """The connectors of a photo that has no colours: what was called white would be a guess."""
    return [replace(c, colour=dict.fromkeys(c.colour, 1 / len(c.colour))) for c in connectors]


def _build(
    photo: Photo,
    scene: _Scene,
    writing: _Writing,
    units: tuple[Unit, ...],
    shades: Sequence[NamedShade],
    verifier: Verifier | None,
) -> Observations:
    quality = measure_quality(
        shrunk(scene.rgb, _MEDIUM_PX),
        photo_size=(photo.width_px, photo.height_px),
        units=[unit.polygon for unit in units],
        connectors=[c.polygon for unit in units for c in unit.connectors],
        known_faults=[fault for fault in (scene.colourless, writing.mirrored) if fault is not None],
    )
    loose = find_loose_connectors(
        scene.maps,
        scene.found,
        _picture(scene, shades),
        verifier=verifier,
        beside=scene.beside,
        no_units=scene.no_units,
    )
    if scene.colourless is not None:
        loose = _without_colours(loose)
    notes = (*photo.notes, *_say_close_up(units, loose), *writing.notes)
    return Observations(
        photo.sha256,
        quality,
        scene.white_balance,
        units,
        texts=writing.texts,
        codes=writing.codes,
        loose=tuple(sorted(loose, key=lambda connector: np.mean(connector.polygon, axis=0).tolist())),
        notes=tuple(dict.fromkeys(notes)),
    )


def _text_regions(sighting: _Sighting) -> list[TextRegion]:
    maps, unit = sighting.maps, sighting.unit
    # From mask pixels, counted from their centres and two to a side, to the photo.
    grid = maps.to_photo @ np.array([[2, 0, 1], [0, 2, 1], [0, 0, 1]])
    labels = find_regions(maps.masks["label"], grid, "label", unit.polygon)
    marks = find_regions(maps.masks["mark"], grid, "cast", unit.polygon)
    return [*labels, *marks]
