"""A second look at each thing that the segmenter outlines: is it a plug's housing, is it a controller?

The segmenter says of every pixel what it belongs to, from a small picture of the whole photo. A label, a
recess or a lid passes there for a plug more easily than in a picture of it alone, and so does a plug that
fills the photo for a controller; and what is outlined badly there can be outlined anew here: the second stage
of a region-based detector (Girshick, "Fast R-CNN", ICCV 2015). The network and its training are in
training_data_demo/train_verifier.py; the weights lie in vision/weights/.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
from plugface.vision.geometry import cut_out
from plugface.vision.observations import Polygon
from plugface.vision.onnx import Session, load_network

WEIGHTS = Path(__file__).parents[1] / "weights" / "verifier.onnx"
#: Side of the network's picture, pixels, and of the square that it shows over the long side of the thing.
SIDE_PX, CONTEXT = 128, 1.15
#: Most that are looked at in one run: a run takes memory for each.
_BATCH = 8
#: What may be a plug by a logit over this is looked at upside down as well, and the mean is taken; what is
#: plainly none stays so. On real photographs of the calibration split the log loss of plugs on a unit goes
#: from 0.35 to 0.32, of loose ones from 0.26 to 0.25, as if all were turned. Of units hardly anything is
#: gained there (two of 77), and what it does to makers not met was not measured: they are judged one way up.
_WORTH_TURNING = -2.0
#: What the network's numbers of a rectangle are worth in shares of its picture: the middle; the sides where
#: it says nought, with the worth of their logarithms; the turn, radians. As it was trained.
_MIDDLE, _WIDTH, _HEIGHT, _TURN = 0.1, (1 / CONTEXT, 0.25), (0.5, 0.35), 0.2


def load_verifier(weights: Path = WEIGHTS) -> Session:
    """The network, read once a process.

    Raises
    ------
    BrokenNetwork
        If the weights are not there or are not those that were shipped.
    """
    return load_network(str(weights))


@dataclass(frozen=True)
class SecondLook:
    """What the verifier says of n things."""

    logits: np.ndarray  # (n, 2), that it is a plug's housing; that it is a unit
    outlines: np.ndarray  # (n, 4, 2), pixels of the picture: where the plug lies, if it is one
    colours: np.ndarray  # (n, n_colours), log probabilities over the first rows of the colour table


class Verifier(Protocol):
    """Tells plug housings and controllers from what only looks like one, and where the housings lie."""

    def verify(self, rgb: np.ndarray, outlines: Sequence[Polygon | np.ndarray]) -> SecondLook:
        """What outlines show.

        Parameters
        ----------
        rgb : uint8 ndarray (h, w, 3), sRGB
        outlines : sequence of polygons, pixels of `rgb`
        """


@dataclass(frozen=True)
class NetworkVerifier:
    """The verifier that comes along, or the same network with other weights."""

    weights: Path = WEIGHTS

    def verify(self, rgb: np.ndarray, outlines: Sequence[Polygon | np.ndarray]) -> SecondLook:
        """What outlines show.

        Parameters
        ----------
        rgb : uint8 ndarray (h, w, 3), sRGB
        outlines : sequence of polygons, pixels of `rgb`

        Returns
        -------
        said : SecondLook

        Raises
        ------
        BrokenNetwork
            If the weights are not there or are not those that were shipped.
        """
        if not len(outlines):
            return SecondLook(np.empty((0, 2)), np.empty((0, 4, 2)), np.empty((0, 0)))
        session = load_verifier(self.weights)
        squares = [square_round(outline) for outline in outlines]
        cut = np.stack([_cut(rgb, square, SIDE_PX) for square in squares]).transpose(0, 3, 1, 2)
        logits, places, colours = _answers(session, cut)
        turned = np.flatnonzero(logits[:, 0] > _WORTH_TURNING)
        if len(turned):
            again = _answers(session, cut[turned][:, :, ::-1, ::-1])
            again[0][:, 1] = logits[turned, 1]
            again[1][:, :2] *= -1  # the middle, seen upside down
            for answer, other in zip((logits, places, colours), again, strict=True):
                answer[turned] = (answer[turned] + other) / 2
        outlined = [_placed(place, square) for place, square in zip(places, squares, strict=True)]
        return SecondLook(logits, np.stack(outlined), colours - np.log(np.exp(colours).sum(1, keepdims=True)))


def _answers(session: Session, cut: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The network's logits (n, 2), places (n, 5) and log odds of colours (n, n_colours) of pictures.

    They are RGB, uint8 (n, 3, SIDE_PX, SIDE_PX).
    """
    answers = [
        session.run(["logits", "place", "colour"], {"rgb": cut[at : at + _BATCH].astype(np.float32)})
        for at in range(0, len(cut), _BATCH)
    ]
    logits, places, colours = (np.concatenate(each).astype(float) for each in zip(*answers, strict=True))
    return logits, places, colours


def _placed(place: np.ndarray, square: np.ndarray) -> np.ndarray:
    """Corners (4, 2) of the rectangle that the network says, in the pixels of its square's corners."""
    x, y, width, height, turn = place.tolist()
    sides = _WIDTH[0] * math.exp(width * _WIDTH[1]), _HEIGHT[0] * math.exp(height * _HEIGHT[1])
    shares = cv2.boxPoints(((x * _MIDDLE, y * _MIDDLE), sides, math.degrees(turn * _TURN)))
    across, down = square[1] - square[0], square[3] - square[0]
    return square.mean(0) + shares @ np.stack([across, down])


def verified_confidence(logit: float, confidence: float, worth: tuple[float, float, float]) -> float:
    """The probability that a thing is what was asked for, a plug's housing or a unit, after a second look.

    Parameters
    ----------
    logit : float
        The verifier's.
    confidence : 0..1
        The segmenter's.
    worth : (float, float, float)
        Constant, weight of the logit and weight of the segmenter's log odds.

    Returns
    -------
    probability : float
    """
    constant, weight, own = worth
    return float(1 / (1 + np.exp(-constant - weight * logit - own * log_odds(confidence))))


def log_odds(probability: float) -> float:
    """Natural logarithm of the odds; of a probability nearer to 0 or 1 than 0.005, as of that.

    Parameters
    ----------
    probability : 0..1

    Returns
    -------
    odds : float, nats
    """
    held = min(max(probability, 0.005), 0.995)
    return float(np.log(held / (1 - held)))


def cut_square(
    rgb: np.ndarray, outline: Polygon | np.ndarray, *, context: float = CONTEXT, side_px: int = SIDE_PX
) -> np.ndarray:
    """The square round an outline, with the outline's long side across; beyond the edge, the edge goes on.

    Parameters
    ----------
    rgb : uint8 ndarray (h, w, 3)
    outline : polygon, pixels of `rgb`
    context : float
        Side of the square over the long side of the least rectangle round the outline.
    side_px : int
        Side of the picture.

    Returns
    -------
    square : uint8 ndarray (side_px, side_px, 3)
    """
    return _cut(rgb, square_round(outline, context), side_px)


def _cut(rgb: np.ndarray, square: np.ndarray, side_px: int) -> np.ndarray:
    picture, _ = cut_out(rgb, square, height_px=side_px)
    return picture


def square_round(outline: Polygon | np.ndarray, context: float = CONTEXT) -> np.ndarray:
    """Corners of the square round an outline, with the outline's long side across.

    Parameters
    ----------
    outline : polygon
    context : float
        As `cut_square` takes it.

    Returns
    -------
    corners : float ndarray (4, 2)
        Top left, top right, bottom right, bottom left, as the square shows them.
    """
    (x, y), (across, down), turn_deg = cv2.minAreaRect(np.asarray(outline, np.float32))
    if across < down:
        across, turn_deg = down, turn_deg + 90
    turn_deg = (turn_deg + 90) % 180 - 90  # what is up in the picture stays up
    turn, half = np.deg2rad(turn_deg), max(across * context, 8.0) / 2
    right = half * np.array([np.cos(turn), np.sin(turn)])
    below = half * np.array([-np.sin(turn), np.cos(turn)])
    return np.array([x, y]) + np.array([-right - below, right - below, right + below, below - right])
