"""Where the verifier looks in training: each patch as other outlines of the same thing would show it.

What is found is outlined badly more often than not, so the network is shown plugs off the middle, too large,
too small and in part, told how much of the outline is plug, and asked where the plug's own outline lies: the
second stage of a region-based detector (Girshick, "Fast R-CNN", ICCV 2015; of outlines with a turn).
Lengths are in shares of the patch's side, from its middle.
"""

import math
import random
from dataclasses import dataclass

import cv2
import numpy as np
from plugface.demo.studio.shades import ANCHORS, draw_shade, to_linear

#: Of a patch and of the network's picture: the side of the square over the thing's long side
#: (`collect_patches`, `vision.detection.verifier`). Among 1.15, 1.5 and 2.4 the network's first told plugs
#: best, on groups of the training part that were left out.
PATCH_CONTEXT, CONTEXT = 2.4, 1.15
#: Shared with a plug (intersection over union): from nothing of it, to all of it. What lies between is some
#: of it, for the outline can still be mended.
NONE_OF_IT, ALL_OF_IT = 0.2, 0.6
#: An outline that shares less with a plug does not tell where that lies; nor what colour it is.
PLACED, COLOURED = 0.25, 0.5
#: What the network's numbers of a rectangle are divided by, so that all count alike: middle, logarithms of
#: the sides over what they are at rest, turn in radians. `vision.detection.verifier` has them too.
MIDDLE, WIDTH, HEIGHT, TURN = 0.1, (1 / CONTEXT, 0.25), (0.5, 0.35), 0.2
#: Share of the plugs that are shown in another colour, where that invents no light: no channel of the plastic
#: gets more than so many times its light, and none of it has less than this. As in the segmenter's training.
_DYED, _MOST_LIGHT, _LEAST_LIGHT = 0.5, 1.6, 0.1
_LARGE = 1000.0


@dataclass(frozen=True)
class Draw:
    """One look at a patch, and what is true of it."""

    affine: np.ndarray  # (2, 3), of the network's picture to the patch, each from -1 to 1
    plug: float  # 0 to 1; NaN where nobody can tell
    box: np.ndarray  # (5,), as the network says it; NaN where there is none
    colour: str | None
    outline: np.ndarray | None  # (n, 2), of the plug whose colour it is, in shares of the picture's side
    shared: float  # of the outline and the plug's, intersection over union
    far_off: bool


@dataclass(frozen=True)
class Place:
    """One patch's outline, with what is known of plugs round it."""

    size: tuple[float, float]  # of the least rectangle round the outline, long side first
    plugs: tuple[np.ndarray, ...]  # convex outlines
    colours: tuple[str | None, ...]
    unclear: tuple[np.ndarray, ...]
    complete: bool  # all plugs are listed
    plug: bool | None  # what the patch was cut out for: a plug, none, nobody can tell


def place_of(row: dict) -> Place:
    """A row of patches.jsonl."""
    (_, (a, b), _) = cv2.minAreaRect(np.asarray(row["outline"], np.float32))
    long, short = max(a, b, 1e-3), max(min(a, b), 1e-3)
    kept = [plug for plug in row["plugs"] if len(plug["outline"]) >= 3]
    return Place(
        (1 / PATCH_CONTEXT, short / long / PATCH_CONTEXT),
        tuple(_convex(plug["outline"]) for plug in kept),
        tuple(plug["colour"] for plug in kept),
        tuple(_convex(outline) for outline in row["unclear"] if len(outline) >= 3),
        row["complete"],
        row["plug"],
    )


def draw(place: Place, rng: np.random.Generator, *, far_off: float) -> Draw:
    """One look at a patch at random.

    Parameters
    ----------
    place : Place
    rng : Generator
    far_off : float
        Share of the draws that are.
    """
    far = rng.random() < far_off
    width, height = place.size
    if far:
        width, height = np.array(place.size) * np.exp(rng.uniform(-0.6, 0.35, 2))
        middle = rng.uniform(-0.3, 0.3, 2) * place.size
        turn = rng.uniform(-0.3, 0.3)
    else:
        width, height = np.array(place.size) * np.exp(rng.uniform(-0.16, 0.2) + rng.uniform(-0.1, 0.1, 2))
        middle = rng.uniform(-0.07, 0.07, 2) * place.size[0]
        turn = rng.uniform(-0.12, 0.12)
    turn += math.pi * (rng.random() < 0.08)
    return look(place, middle, (width, height), turn, rng.uniform(-0.1, 0.1), rng.random() < 0.5, far)


def look(
    place: Place,
    middle: np.ndarray,
    size: tuple[float, float],
    turn: float = 0.0,
    slim: float = 0.0,
    mirrored: bool = False,
    far: bool = False,
) -> Draw:
    """What an outline with this middle, size and turn shows, and what is true of it.

    Parameters
    ----------
    place : Place
    middle, size : (2,)
    turn : radians
    slim : how far the picture is drawn out, logarithm
    mirrored, far : bool
    """
    rectangle = cv2.boxPoints(
        (tuple(map(float, middle)), tuple(map(float, size)), float(np.rad2deg(turn)))
    ).astype(np.float32)
    long = max(size)
    if size[1] > size[0]:
        turn += math.pi / 2
    half = long * CONTEXT / 2
    right = half * math.exp(slim) * np.array([math.cos(turn), math.sin(turn)]) * (-1 if mirrored else 1)
    below = half * math.exp(-slim) * np.array([-math.sin(turn), math.cos(turn)])
    affine = 2 * np.column_stack([right, below, middle])
    shared = [_iou(rectangle, outline) for outline in place.plugs]
    best = int(np.argmax(shared)) if shared else -1
    most = shared[best] if shared else 0.0
    plug = min(max((most - NONE_OF_IT) / (ALL_OF_IT - NONE_OF_IT), 0.0), 1.0)
    unsure = any(_iou(rectangle, outline) >= PLACED for outline in place.unclear)
    unlisted = not place.complete and (far or place.plug is not False)
    if most < COLOURED and (unsure or unlisted or place.plug is None):
        plug = math.nan
    box, colour, seen = np.full(5, np.nan), None, None
    if most >= PLACED:
        to_picture = np.linalg.inv(np.column_stack([right, below])) / 2
        seen = ((place.plugs[best] - middle) @ to_picture.T).astype(np.float32)
        box = encode(cv2.minAreaRect(seen))
    if most >= COLOURED:
        colour = place.colours[best]
    return Draw(affine, plug, box, colour, seen if colour else None, most, far)


def draw_dye(drawn: Draw, rng: random.Random) -> tuple[str, tuple[float, float, float]] | None:
    """Another colour for the plug in a look, at times: its code, and the gains of linear light to it.

    Nearly all plugs on real photographs are white or black. A white one shows how a grey or a green one of
    its kind would look there, in its own light.
    """
    if drawn.outline is None or drawn.colour not in ANCHORS or rng.random() >= _DYED:
        return None
    anchors = [to_linear(anchor) for anchor in ANCHORS[drawn.colour]]
    source = [sum(channel) / len(anchors) for channel in zip(*anchors, strict=True)]
    code = rng.choice(tuple(ANCHORS))
    gain = tuple(new / old for new, old in zip(draw_shade(code, rng), source, strict=True))
    if min(source) < _LEAST_LIGHT or max(gain) > _MOST_LIGHT:
        return None
    return code, gain


def encode(rectangle: tuple) -> np.ndarray:
    """A rectangle ((x, y), (w, h), degrees) in shares of the picture's side, as the network says it."""
    (x, y), (width, height), degrees = rectangle
    degrees %= 180
    if 45 < degrees <= 135:
        width, height, degrees = height, width, degrees - 90
    elif degrees > 135:
        degrees -= 180
    return np.array(
        [
            x / MIDDLE,
            y / MIDDLE,
            math.log(max(width, 1e-3) / WIDTH[0]) / WIDTH[1],
            math.log(max(height, 1e-3) / HEIGHT[0]) / HEIGHT[1],
            math.radians(degrees) / TURN,
        ]
    )


def shared_with(said: np.ndarray, true: np.ndarray) -> float:
    """Intersection over union of two rectangles as the network says them."""
    return _iou(_corners(said), _corners(true))


def _corners(box: np.ndarray) -> np.ndarray:
    x, y, width, height, turn = map(float, box)
    sides = WIDTH[0] * math.exp(width * WIDTH[1]), HEIGHT[0] * math.exp(height * HEIGHT[1])
    rectangle = (x * MIDDLE, y * MIDDLE), sides, math.degrees(turn * TURN)
    return _convex(cv2.boxPoints(rectangle))


def _convex(outline: list) -> np.ndarray:
    return cv2.convexHull(np.asarray(outline, np.float32))[:, 0]


def _iou(one: np.ndarray, other: np.ndarray) -> float:
    """Intersection over union of two convex outlines in shares; OpenCV wants them in pixels, say."""
    low, high = other.min(0), other.max(0)
    if (one.min(0) > high).any() or (one.max(0) < low).any():
        return 0.0
    one, other = cv2.convexHull(one * _LARGE), other * _LARGE
    shared, _ = cv2.intersectConvexConvex(one, other)
    return float(shared / max(cv2.contourArea(one) + cv2.contourArea(other) - shared, 1e-9))
