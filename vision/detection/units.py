"""Controllers in the segmenter's maps, each by itself, with its outline, face and axis."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from plugface.vision.detection.instances import CELL, Clustering, Instance, find_instances
from plugface.vision.detection.segmenter import FINS, Maps, pool
from plugface.vision.detection.verifier import Verifier, verified_confidence
from plugface.vision.geometry import as_polygon
from plugface.vision.observations import Polygon

#: Least area of a unit, as a share of the picture. Our choice: nothing can be read off a smaller one.
MIN_AREA = 0.0015
#: Of a unit. Chosen on the calibration splits (2026-11-28): all of the demo's single units reach it, and few
#: things in real photographs that are none.
MIN_CONFIDENCE = 0.75
#: Constant, weight of the verifier's logit and weight of the segmenter's own log odds in the log odds that a
#: thing is a unit; fitted on the calibration splits, real photographs and, for less, renders: `fit_verifier`.
#: What is less sure is none, and of what the larger picture alone shows (`vision.observe`) what is less sure
#: than the second; chosen together on real photographs of the calibration split (2026-11-30).
VERIFIED = (-2.71, 0.83, 0.56)
MIN_VERIFIED_CONFIDENCE = 0.5
MIN_FINE_CONFIDENCE = 0.7
#: Chosen on the calibration split.
CLUSTERING = Clustering(seen=0.4, held=0.05, settled=0.4)
_SIMPLIFY = 0.006  # of the outline's length


@dataclass(frozen=True)
class FoundUnit:
    """One unit in one picture's maps."""

    instance: Instance
    polygon: Polygon  # photo pixels
    confidence: float
    front: float  # probability that the plug face is seen
    axis: tuple[float, float]  # cosine and sine of twice the upward direction; the length is the certainty
    fins: dict[str, float]
    body_colour: dict[str, float]

    def seen_in(self, maps: Maps) -> "FoundUnit":
        """The same unit, with the cells of other maps of the photo that lie on it."""
        return replace(self, instance=replace(self.instance, cells=maps.cells_of(self.polygon)))


def find_units(maps: Maps, min_confidence: float | None = None) -> list[FoundUnit]:
    """Units in a picture, the best supported first.

    Parameters
    ----------
    maps : Maps
    min_confidence : float, optional
        Of those that count; by default MIN_CONFIDENCE.

    Returns
    -------
    units : list of FoundUnit
    """
    masks = maps.coarse_masks
    least = max(6, int(MIN_AREA * masks["unit"].size))
    found = find_instances(
        maps.masks["unit"], masks["unit"], maps.unit_shape, parting=CLUSTERING, least_cells=least
    )
    described = [_describe(maps, masks, instance) for instance in found]
    least_confidence = MIN_CONFIDENCE if min_confidence is None else min_confidence
    return [unit for unit in described if unit.confidence >= least_confidence]


@dataclass(frozen=True)
class NoUnit:
    """What was outlined as a unit and is none after a second look; perhaps a plug that fills the photo."""

    found: FoundUnit
    logit: float  # that it is a plug
    outline: Polygon  # of the plug, if it is one; photo pixels
    colour: np.ndarray  # log probabilities over the first rows of the colour table


def verify_units(
    found: Sequence[FoundUnit],
    rgb: np.ndarray,
    to_rgb: float,
    verifier: Verifier,
    least: float | None = None,
) -> tuple[list[FoundUnit], list[NoUnit]]:
    """What stays a unit after a second look, and what is none.

    Parameters
    ----------
    found : sequence of FoundUnit
    rgb : uint8 (h, w, 3), sRGB
        The photo.
    to_rgb : float
        Photo pixels to pixels of `rgb`.
    verifier : Verifier
    least : float, optional
        How sure a unit must be; by default MIN_VERIFIED_CONFIDENCE.

    Returns
    -------
    units : list of FoundUnit
    others : list of NoUnit
    """
    least = MIN_VERIFIED_CONFIDENCE if least is None else least
    said = verifier.verify(rgb, [np.asarray(unit.polygon) * to_rgb for unit in found])
    units: list[FoundUnit] = []
    others: list[NoUnit] = []
    for unit, (plug, controller), outline, colour in zip(
        found, said.logits, said.outlines, said.colours, strict=True
    ):
        if verified_confidence(float(controller), unit.confidence, VERIFIED) >= least:
            units.append(unit)
        else:
            others.append(NoUnit(unit, float(plug), as_polygon(outline / to_rgb), colour))
    return units, others


def _describe(maps: Maps, masks: dict[str, np.ndarray], instance: Instance) -> FoundUnit:
    on = instance.cells
    weight = on * masks["unit"]
    axis = (maps.axis * weight).sum((1, 2)) / weight.sum()
    axis = axis / max(1.0, float(np.hypot(*axis)))
    body = weight * (1 - masks["connector"]) + 1e-9
    return FoundUnit(
        instance=instance,
        polygon=outline(maps, instance, maps.masks["unit"]),
        confidence=float(instance.probability * min(1.0, instance.seen / 0.35)),
        front=float((maps.face * weight).sum() / weight.sum()),
        axis=(float(axis[0]), float(axis[1])),
        fins=pool(maps.fins, weight, FINS),
        body_colour=pool(maps.body_colour, body, maps.codes),
    )


def outline(maps: Maps, instance: Instance, mask: np.ndarray) -> Polygon:
    """Outline of an instance, drawn along the fine mask, in photo pixels.

    The largest piece is outlined; pieces cut off by something lying across are joined to it by their hull.

    Parameters
    ----------
    maps : Maps
    instance : Instance
    mask : float ndarray, shape (2 * h4, 2 * w4), 0..1
        The fine map that the instance was found in.

    Returns
    -------
    polygon : Polygon, photo pixels
    """
    h, w = mask.shape
    cells = cv2.resize(instance.cells.astype(np.uint8), (w, h), interpolation=cv2.INTER_NEAREST)
    near = cv2.dilate(cells, np.ones((3, 3), np.uint8))
    region: np.ndarray = ((mask > 0.5) & (near > 0)).astype(np.uint8)
    region = cv2.morphologyEx(region, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return as_polygon(maps.points_to_photo(instance.rectangle()))
    largest = max(contours, key=cv2.contourArea)
    area = cv2.contourArea(largest)
    pieces = [c for c in contours if cv2.contourArea(c) >= 0.15 * area]  # a line has no area
    shape = largest if len(pieces) == 1 else cv2.convexHull(np.concatenate(pieces))
    shape = cv2.approxPolyDP(shape, _SIMPLIFY * cv2.arcLength(shape, True), True)
    if len(shape) < 3:
        return as_polygon(maps.points_to_photo(instance.rectangle()))
    return as_polygon(maps.points_to_photo((shape.reshape(-1, 2) + 0.5) * CELL / 2))
