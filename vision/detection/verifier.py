"""A second look at each thing that the segmenter outlines: is it a plug's housing, is it a controller?

The segmenter says of every pixel what it belongs to, from a small picture of the whole photo. A label, a
recess or a lid passes there for a plug more easily than in a picture of it alone, and so does a plug that
fills the photo for a controller. The network and its training are in training_data_demo/train_verifier.py;
the weights lie in vision/weights/.
"""

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


def load_verifier(weights: Path = WEIGHTS) -> Session:
    """The network, read once a process.

    Raises
    ------
    BrokenNetwork
        If the weights are not there or are not those that were shipped.
    """
    return load_network(str(weights))


class Verifier(Protocol):
    """Tells plug housings and controllers from what only looks like one."""

    def verify(self, rgb: np.ndarray, outlines: Sequence[Polygon]) -> np.ndarray:
        """Logits (n, 2) that outlines, in pixels of the uint8 picture (h, w, 3) in sRGB, are plugs, or units.

        Parameters
        ----------
        rgb : uint8 ndarray (h, w, 3), sRGB
        outlines : sequence of polygons, pixels of `rgb`

        Returns
        -------
        logits : float ndarray (n, 2)
            That it is a plug's housing; that it is a unit.
        """


@dataclass(frozen=True)
class NetworkVerifier:
    """The verifier that comes along, or the same network with other weights."""

    weights: Path = WEIGHTS

    def verify(self, rgb: np.ndarray, outlines: Sequence[Polygon]) -> np.ndarray:
        """Logits that outlines are those of plug housings, and of units.

        Parameters
        ----------
        rgb : uint8 ndarray (h, w, 3), sRGB
        outlines : sequence of polygons, pixels of `rgb`

        Returns
        -------
        logits : float ndarray (n, 2)
            That it is a plug's housing; that it is a unit.

        Raises
        ------
        BrokenNetwork
            If the weights are not there or are not those that were shipped.
        """
        if not outlines:
            return np.empty((0, 2))
        session = load_verifier(self.weights)
        cut = np.stack([cut_square(rgb, outline) for outline in outlines]).transpose(0, 3, 1, 2)
        logits = [
            session.run(None, {"rgb": cut[at : at + _BATCH].astype(np.float32)})[0]
            for at in range(0, len(cut), _BATCH)
        ]
        return np.concatenate(logits).astype(float)


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
    (x, y), (across, down), turn_deg = cv2.minAreaRect(np.asarray(outline, np.float32))
    if across < down:
        across, turn_deg = down, turn_deg + 90
    turn_deg = (turn_deg + 90) % 180 - 90  # what is up in the picture stays up
    turn, half = np.deg2rad(turn_deg), max(across * context, 8.0) / 2
    right = half * np.array([np.cos(turn), np.sin(turn)])
    below = half * np.array([-np.sin(turn), np.cos(turn)])
    corners = np.array([x, y]) + np.array([-right - below, right - below, right + below, below - right])
    square, _ = cut_out(rgb, corners, height_px=side_px)
    return square
