"""Strips of cast marks out of the studio's renders: with the light, dirt and castings of whole scenes.

Only families drawn by chance are taken: the reader must know no catalogue's marks.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from plugface.demo.marks.letters import CHARACTERS
from plugface.demo.marks.relief import Strip, photograph, turn_at_times

_AROUND = 0.8  # of the line's height, kept on all sides
_MIN_PX = 9.0  # a lower mark teaches nothing
_MIN_SEEN = 0.8
_DRAWN_BY_CHANCE = ("wild", "yard")  # sets of the studio; `dyed` calls itself wild too: keep it elsewhere


@dataclass(frozen=True, eq=False)
class Mark:
    """A raised line of a render."""

    tone: np.ndarray  # float16 (h, w), linear radiance, upright
    line: np.ndarray  # float32 (4, 2), corners in it, top-left of the text first
    text: str


def find_marks(shot: Path) -> list[Mark]:
    """Marks in one render, NAME.npz with NAME.json beside it as the studio writes them."""
    geometry = json.loads(shot.with_suffix(".json").read_text())
    if geometry["set"] not in _DRAWN_BY_CHANCE:
        return []
    texts = [t for u in geometry["units"] for t in u["texts"] if t["kind"] == "cast"]
    texts = [t for t in texts if t["height_px"] >= _MIN_PX and t["visible"] >= _MIN_SEEN]
    texts = [t for t in texts if set(t["value"].upper()) <= set(CHARACTERS)]
    if not texts:
        return []
    with np.load(shot) as arrays:
        light = np.nan_to_num(arrays["rgb"].astype(np.float32), posinf=16.0).mean(2)
    return [_cut_out(light, np.float32(t["polygon"]), t["value"].upper()) for t in texts]


def _cut_out(light: np.ndarray, corners: np.ndarray, text: str) -> Mark:
    """The line upright, at the size that it has in the render."""
    width = float(np.linalg.norm(corners[1] - corners[0]) + np.linalg.norm(corners[2] - corners[3])) / 2
    height = float(np.linalg.norm(corners[3] - corners[0]) + np.linalg.norm(corners[2] - corners[1])) / 2
    around = _AROUND * height
    line = np.float32([(0, 0), (width, 0), (width, height), (0, height)]) + np.float32(around)
    size = (int(np.ceil(width + 2 * around)), int(np.ceil(height + 2 * around)))
    move = cv2.getPerspectiveTransform(corners, line)
    tone = cv2.warpPerspective(light, move, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Mark(np.maximum(tone, 0).astype(np.float16), line, text)


def draw_rendered(rng: np.random.Generator, marks: list[Mark], *, hardness: float = 1.0) -> Strip:
    """One strip of a random mark, through a camera of its own each time."""
    mark = marks[int(rng.integers(len(marks)))]
    kind, hard = rng.random(), hardness * rng.random()
    tone, line, text = turn_at_times(mark.tone.astype(np.float32), mark.line, mark.text, kind)
    cap_px = float(mark.line[3, 1] - mark.line[0, 1])
    return Strip(photograph(tone, line, cap_px, hard, rng), text)
