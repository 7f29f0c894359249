"""Connector housings of one unit: where, which colour, how large, how many pins."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from plugface.vision.colour.naming import (
    NamedShade,
    classical_posterior,
    measure_patch,
    named_share,
    pool_opinions,
)
from plugface.vision.colour.white_balance import apply_gains
from plugface.vision.detection.instances import Clustering, Instance, find_instances
from plugface.vision.detection.order import place_in_unit
from plugface.vision.detection.pins import count_pins
from plugface.vision.detection.repeats import ACROSS, find_repeats
from plugface.vision.detection.segmenter import Maps, pool
from plugface.vision.detection.units import FoundUnit, NoUnit
from plugface.vision.detection.verifier import Verifier, verified_confidence
from plugface.vision.geometry import as_polygon, overlap
from plugface.vision.observations import SIZE_CLASSES, Connector, Polygon, WhiteBalance
from plugface.vision.quality import long_side

#: Least share of a housing's cells that must lie on its unit. Our choice.
ON_UNIT = 0.5
#: Of a housing on a unit, and on no unit that was outlined, without and with a verifier. Chosen on the
#: calibration splits (2026-11-30), with a verifier on that of real photographs; a false plug costs more than
#: a missed one.
MIN_CONFIDENCE = 0.87
MIN_LOOSE_CONFIDENCE = 0.85
MIN_VERIFIED_CONFIDENCE = 0.55
#: Constant, weight of the verifier's logit and weight of the segmenter's log odds in the log odds that what
#: lies on no unit is a housing: what the segmenter believes adds nothing to it. Fitted on real photographs of
#: the calibration split, `fit_verifier`.
VERIFIED = (-1.23, 1.2, 0.0)
#: The same of a housing on a unit that was looked at again itself, with the weight of the segmenter's own log
#: odds; fitted on the calibration splits, real photographs and, for less, renders.
ON_UNIT_VERIFIED = (-2.06, 1.07, 0.92)
MIN_ON_UNIT_VERIFIED = 0.6
#: The same of what looks like a housing that was found, with the weight of the log odds of its likeness in
#: place of the segmenter's; fitted on real photographs of the calibration split. Of what is believed so two
#: in three are housings there.
REPEATED = (-1.49, 0.86, 1.06)
MIN_REPEATED = 0.4
#: What the segmenter believes less is not looked at again. Our choice.
MIN_LOOKED_AT = 0.3
#: Share of the verifier's word on a colour beside the segmenter's. Chosen on the calibration splits: with
#: 0.25 more are right on both, with a half more yet of the real ones and fewer of the demo's.
VERIFIER_COLOUR = 0.25
#: Chosen on the calibration split.
CLUSTERING = Clustering(seen=0.6, held=0.15, settled=0.6)
#: A housing is cut out of the photo at this many pixels along its long side to count its pins.
PIN_CUT_PX = 320
#: A piece smaller than this share of the largest housing beside it is no housing: the least ones have a tenth
#: of the pins of the largest. Our choice.
MIN_PLUG_AREA_RATIO = 0.04
_SAME = 0.3  # of their union that two sights of one housing share
#: Share of their union up to which what looks like a housing is outlined elsewhere by a second look: then it
#: was drawn to something beside it. On real photographs of the calibration split no housing is.
_STAYS = 0.6
#: More likeness than this counts no more: a pattern repeats itself to perfection, and no pattern is a housing
#: that a second look does not half believe. Our choice.
_ALL_BUT_THE_SAME = 0.9
#: What the segmenter gives the cells of what looks like a housing at least, on the average: of the wrong ones
#: on drawn units it gives most less. Chosen on the calibration splits.
_TRACE = 0.02
_RIM = 0.22  # share of the housing's short side that is rim, on each side


@dataclass(frozen=True)
class Picture:
    """The photo at a size at which colours and pins can be measured, in its light."""

    rgb: np.ndarray  # uint8 (h, w, 3), sRGB
    to_rgb: float  # photo pixels to pixels of `rgb`
    white_balance: WhiteBalance
    shades: tuple[NamedShade, ...] = ()  # colours to know besides the common ones


@dataclass(frozen=True)
class Candidate:
    """What may be a housing: the cells that show it in some maps, its outline, how far it is believed."""

    maps: Maps
    cells: np.ndarray  # bool (h4, w4)
    outline: Polygon  # photo pixels
    confidence: float  # the segmenter's, or its likeness to one that was found; after a second look of both
    logit: float | None = None  # the verifier's
    colour: np.ndarray | None = None  # the verifier's, log probabilities over the first rows of the table


def find_connectors(
    maps: Maps,
    unit: FoundUnit,
    picture: Picture,
    *,
    up_deg: float | None = None,
    verifier: Verifier | None = None,
    beside: Sequence[Candidate] = (),
) -> list[Connector]:
    """Housings on one unit, in no particular order.

    Parameters
    ----------
    maps : of the picture in which `unit` was found
    unit : FoundUnit
    picture : Picture
    up_deg : float, optional
        What is up on the unit; without it no places are told.
    verifier : Verifier, optional
    beside : sequence of Candidate
        In other pictures of the photo, where there is a verifier; those on the unit count.

    Returns
    -------
    connectors : list of Connector
    """
    found = []
    for candidate in (*find_candidates(maps), *beside):
        on_unit = _share_on(candidate, [unit], maps)
        if on_unit >= ON_UNIT:
            found.append(replace(candidate, confidence=candidate.confidence * min(1.0, on_unit / 0.7)))
    if verifier is None:
        believed = _believed(found, MIN_CONFIDENCE)
    else:
        believed = _believed(look_again(found, picture, verifier, ON_UNIT_VERIFIED), MIN_ON_UNIT_VERIFIED)
        believed += _repeated(
            believed, maps, picture, verifier, lambda c: _share_on(c, [unit], maps) >= ON_UNIT
        )
    return _measured(believed, picture, unit.polygon, up_deg, maps)


def find_loose_connectors(
    maps: Maps,
    units: Sequence[FoundUnit],
    picture: Picture,
    *,
    verifier: Verifier | None = None,
    beside: Sequence[Candidate] = (),
    no_units: Sequence[NoUnit] = (),
) -> list[Connector]:
    """Housings on no unit that was outlined: of a close-up, of a unit cut off by the frame, or loose ones.

    Parameters
    ----------
    maps : of the whole photo
    units : all that was found in them
    picture : Picture
    verifier : Verifier, optional
    beside : sequence of Candidate
        In other pictures of the whole photo.
    no_units : sequence of NoUnit
        Of these maps: a plug that fills the photo looks like a unit to the segmenter.

    Returns
    -------
    connectors : list of Connector
        In no particular order; nothing is known of their size beside a unit.
    """
    found = [c for c in (*find_candidates(maps), *beside) if _share_on(c, units, maps) < ON_UNIT]
    least = MIN_LOOSE_CONFIDENCE if verifier is None else MIN_VERIFIED_CONFIDENCE
    if verifier is None:
        believed = _believed(found, least)
    else:
        believed = _believed(look_again(found, picture, verifier, VERIFIED), least)
        believed += _repeated(
            believed, maps, picture, verifier, lambda c: _share_on(c, units, maps) < ON_UNIT
        )
    connectors = _measured(believed, picture)
    for thing in no_units:
        confidence = verified_confidence(thing.logit, 0.5, VERIFIED)
        if confidence >= least:
            connectors.append(_measure_as_plug(maps, thing, picture, confidence))
    return _of_min_area(_each_once(connectors))


def look_again(
    found: Sequence[Candidate], picture: Picture, verifier: Verifier, worth: tuple[float, float, float]
) -> list[Candidate]:
    """Those that are worth a second look, each outlined anew, with the confidence after it.

    Parameters
    ----------
    found : sequence of Candidate
        With the segmenter's confidence.
    picture : Picture
    verifier : Verifier
    worth : (float, float, float)
        As `verified_confidence` takes it.

    Returns
    -------
    found : list of Candidate
    """
    again = [candidate for candidate in found if candidate.confidence >= MIN_LOOKED_AT]
    said = verifier.verify(picture.rgb, [np.asarray(each.outline) * picture.to_rgb for each in again])
    return [
        replace(
            candidate,
            outline=as_polygon(outline / picture.to_rgb),
            confidence=verified_confidence(float(logit), candidate.confidence, worth),
            logit=float(logit),
            colour=colour,
        )
        for candidate, (logit, _), outline, colour in zip(
            again, said.logits, said.outlines, said.colours, strict=True
        )
    ]


def find_candidates(maps: Maps) -> list[Candidate]:
    """All that may be a housing in these maps, with the segmenter's confidence.

    Parameters
    ----------
    maps : Maps

    Returns
    -------
    found : list of Candidate
    """
    found = find_instances(
        maps.masks["connector"],
        maps.coarse_masks["connector"],
        maps.connector_shape,
        parting=CLUSTERING,
        least_cells=3,
    )
    return [
        Candidate(
            maps,
            instance.cells,
            as_polygon(maps.points_to_photo(_corners(maps, instance))),
            _confidence(instance),
        )
        for instance in found
    ]


def _believed(found: Sequence[Candidate], least: float) -> list[Candidate]:
    return [candidate for candidate in found if candidate.confidence >= least]


def _like(believed: Sequence[Candidate], maps: Maps, picture: Picture) -> list[Candidate]:
    """What looks like one of these, as far as the maps reach, with its likeness as the confidence."""
    repeats = find_repeats(picture.rgb, [np.asarray(each.outline) * picture.to_rgb for each in believed])
    outlines = [as_polygon(repeat.outline / picture.to_rgb) for repeat in repeats]
    found = [
        Candidate(maps, maps.cells_of(outline), outline, min(repeat.likeness, _ALL_BUT_THE_SAME))
        for repeat, outline in zip(repeats, outlines, strict=True)
    ]
    mask = maps.coarse_masks["connector"]
    return [each for each in found if each.cells.any() and mask[each.cells].mean() >= _TRACE]


def _repeated(
    believed: Sequence[Candidate],
    maps: Maps,
    picture: Picture,
    verifier: Verifier,
    belongs: Callable[[Candidate], bool],
) -> list[Candidate]:
    """What looks like one of these, belongs with them, and is believed by a second look where it is, and not
    across one of them."""
    found = [candidate for candidate in _like(believed, maps, picture) if belongs(candidate)]
    looked_at = zip(found, look_again(found, picture, verifier, REPEATED), strict=True)
    stay = [again for each, again in looked_at if overlap(each.outline, again.outline) >= _STAYS]
    clear = [c for c in stay if all(overlap(c.outline, other.outline) < ACROSS for other in believed)]
    return _believed(clear, MIN_REPEATED)


def _share_on(candidate: Candidate, units: Sequence[FoundUnit], maps: Maps) -> float:
    """The largest share of a candidate's cells that lies on one of the units, which were found in `maps`."""
    own, cells = candidate.maps is maps, candidate.cells
    on = [unit.instance.cells if own else candidate.maps.cells_of(unit.polygon) for unit in units]
    return max((float(each[cells].mean()) for each in on), default=0.0)


def _measured(
    believed: Sequence[Candidate],
    picture: Picture,
    unit: Polygon | None = None,
    up_deg: float | None = None,
    shown_by: Maps | None = None,
) -> list[Connector]:
    """Each once and measured; in `shown_by`, where that shows it too."""
    kept: list[Candidate] = []
    for candidate in sorted(believed, key=lambda c: -c.confidence):
        same = next((k for k, c in enumerate(kept) if overlap(candidate.outline, c.outline) >= _SAME), None)
        if same is None:
            kept.append(candidate)
        elif candidate.maps is shown_by and kept[same].maps is not shown_by:
            kept[same] = replace(kept[same], maps=candidate.maps, cells=candidate.cells)
    return _of_min_area([_measure_connector(each, picture, unit, up_deg) for each in kept])


def _each_once(connectors: Sequence[Connector]) -> list[Connector]:
    """Of housings that were seen several times the surest sight (non-maximum suppression)."""
    kept: list[Connector] = []
    for connector in sorted(connectors, key=lambda c: -c.confidence):
        if all(overlap(connector.polygon, other.polygon) < _SAME for other in kept):
            kept.append(connector)
    return kept


def _confidence(instance: Instance) -> float:
    return instance.probability * min(1.0, instance.seen / 0.4)


def _of_min_area(connectors: list[Connector]) -> list[Connector]:
    areas = [cv2.contourArea(np.asarray(connector.polygon, np.float32)) for connector in connectors]
    return [c for c, area in zip(connectors, areas, strict=True) if area >= MIN_PLUG_AREA_RATIO * max(areas)]


def _measure_connector(
    candidate: Candidate, picture: Picture, unit: Polygon | None = None, up_deg: float | None = None
) -> Connector:
    """One housing with its colour and size class; on no unit it has no size ratio and no place."""
    maps = candidate.maps
    weight = candidate.cells * maps.coarse_masks["connector"]
    network = pool(maps.colour, weight, maps.codes)
    if candidate.colour is not None:
        network = _both(network, candidate.colour)
    return _measure(maps, candidate.outline, weight, network, picture, candidate.confidence, unit, up_deg)


def _both(network: dict[str, float], verifier: np.ndarray) -> dict[str, float]:
    """The segmenter's posterior of the colour, and the verifier's log probabilities: their weighed mean."""
    share = VERIFIER_COLOUR
    logs = (1 - share) * np.log(np.maximum(list(network.values()), 1e-9)) + share * verifier
    chance = np.exp(logs - logs.max())
    return dict(zip(network, (chance / chance.sum()).tolist(), strict=True))


def _measure_as_plug(maps: Maps, thing: NoUnit, picture: Picture, confidence: float) -> Connector:
    """A housing that the segmenter outlined as a unit; of its colour the verifier and the rim are heard."""
    weight = thing.found.instance.cells.astype(float)
    network = dict(zip(maps.codes, np.exp(thing.colour).tolist(), strict=True))
    return _measure(maps, thing.outline, weight, network, picture, confidence)


def _measure(
    maps: Maps,
    polygon: Polygon,
    weight: np.ndarray,
    network: dict[str, float],
    picture: Picture,
    confidence: float,
    unit: Polygon | None = None,
    up_deg: float | None = None,
) -> Connector:
    """One housing by its outline, the cells that show it and the colour that the network gives it."""
    ratio = place = None
    if unit is not None:
        ratio = long_side(np.asarray(polygon)) / max(long_side(np.asarray(unit)), 1e-6)
        place = None if up_deg is None else place_in_unit(polygon, unit, up_deg)
    corners, white_balance = np.asarray(polygon) * picture.to_rgb, picture.white_balance
    patch = measure_housing(picture.rgb, corners, white_balance)
    doubt = 1 - white_balance.confidence
    measured = (*patch, doubt, picture.shades, tuple(network)) if patch else None
    return Connector(
        polygon=polygon,
        colour=pool_opinions(
            network,
            classical_posterior(*measured) if measured else None,
            named_share(*measured) if measured else 0.0,
            anchored=white_balance.method == "label paper",
        ),
        size=pool(maps.size, weight, SIZE_CLASSES),
        size_ratio=ratio,
        confidence=float(min(1.0, confidence)),
        pins=count_pins(_rectify(picture.rgb, corners)),
        place=place,
        mated=_mostly(maps.mated, weight),
        broken=_mostly(maps.broken, weight),
        method="segmenter; colour by segmenter and white-balanced rim",
    )


def _mostly(probability: np.ndarray, weight: np.ndarray) -> bool:
    return bool((probability * weight).sum() / weight.sum() > 0.5)


def measure_housing(
    rgb: np.ndarray, corners: np.ndarray, white_balance: WhiteBalance
) -> tuple[np.ndarray, np.ndarray] | None:
    """Colour of one housing by its rim, whatever the cavity in its middle shows.

    Parameters
    ----------
    rgb : uint8 (h, w, 3), sRGB
    corners : (n, 2), pixels of `rgb`
        Outline of the housing.
    white_balance : WhiteBalance

    Returns
    -------
    lab, spread : (3,), (3,) or None
        As `measure_patch`; None where too little of it can be seen.
    """
    return measure_patch(_housing_pixels(rgb, corners, white_balance))


def _corners(maps: Maps, instance: Instance) -> np.ndarray:
    """Rectangle of a housing, pixels of the network's picture.

    The voted shape sees through what lies across the housing; where all of it is seen, its mask is more
    exact.
    """
    voted = instance.rectangle()
    if instance.seen < 0.6:
        return voted
    h, w = maps.masks["connector"].shape
    cells = cv2.resize(instance.cells.astype(np.uint8), (w, h), interpolation=cv2.INTER_NEAREST)
    region = (maps.masks["connector"] > 0.5) & (cv2.dilate(cells, np.ones((3, 3), np.uint8)) > 0)
    points = np.argwhere(region)[:, ::-1].astype(np.float32)
    if len(points) < 4:
        return voted
    (x, y), (a, b), angle = cv2.minAreaRect(points)
    seen = cv2.boxPoints(((2 * x + 1, 2 * y + 1), (2 * a + 2, 2 * b + 2), angle))
    shared, _ = cv2.intersectConvexConvex(_convex(seen), _convex(voted))
    union = cv2.contourArea(_convex(seen)) + cv2.contourArea(_convex(voted)) - shared
    return seen if shared / max(union, 1e-6) > 0.7 else voted


def _convex(points: np.ndarray) -> np.ndarray:
    return cv2.convexHull(np.asarray(points, np.float32))


def _housing_pixels(rgb: np.ndarray, corners: np.ndarray, white_balance: WhiteBalance) -> np.ndarray:
    """White-balanced linear pixels (N, 3) of the rim; the cavity in the middle is left out."""
    x0, y0 = np.maximum(np.floor(corners.min(0)).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(corners.max(0)).astype(int) + 1, (rgb.shape[1], rgb.shape[0]))
    if x1 - x0 < 3 or y1 - y0 < 3:
        return np.empty((0, 3), np.float32)
    middle = corners.mean(0)
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    for share, value in ((0.94, 1), (1 - 2 * _RIM, 0)):
        scaled = (corners - middle) * share + middle - (x0, y0)
        cv2.fillConvexPoly(mask, np.round(scaled).astype(np.int32), (value,))
    return apply_gains(rgb[y0:y1, x0:x1][mask > 0], white_balance)


def _rectify(rgb: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """The housing cut out of the picture upright, long side across, grey uint8."""
    sides = np.linalg.norm(np.roll(corners, -1, 0) - corners, axis=1)
    if sides[0] + sides[2] < sides[1] + sides[3]:
        corners = np.roll(corners, -1, 0)
        sides = np.roll(sides, -1)
    length, depth = (sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2
    scale = min(1.0, PIN_CUT_PX / max(length, 1.0))
    w, h = max(4, round(length * scale)), max(4, round(depth * scale))
    target = np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float32)
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), target)
    return cv2.cvtColor(cv2.warpPerspective(rgb, matrix, (w, h), flags=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
