"""Count the pins of a connector that is looked into: only when the grid is plain to see, else not at all."""

import cv2
import numpy as np

#: Pins closer than this in pixels cannot be told apart. Our choice: two samples a period, and some room.
MIN_PITCH_PX = 5.0
#: Least correlation of every bump of a profile with their mean. Our choice, for few but right counts.
MIN_ALIKE = 0.8
_CAVITY = (0.10, 0.12)  # share of the housing's length and depth that is wall, on each side
_MAX_ROWS, _MAX_COLUMNS = 6, 60
# Two bumps are always evenly spaced: along the long side, where pins are many, they prove no grid.
_MIN_ROWS, _MIN_COLUMNS = 2, 3


def count_pins(housing: np.ndarray) -> tuple[int, int] | None:
    """Rows and columns of the pin grid, seen with the long side across.

    Parameters
    ----------
    housing : uint8 (h, w), grey
        One housing, upright, long side across.

    Returns
    -------
    rows, columns : (int, int) or None
        None when no regular grid stands out.
    """
    h, w = housing.shape
    if h < 4 * MIN_PITCH_PX or w < 6 * MIN_PITCH_PX:
        return None
    left, top = round(w * _CAVITY[0]), round(h * _CAVITY[1])
    cavity = housing[top : h - top, left : w - left].astype(np.float32)
    detail = cavity - cv2.GaussianBlur(cavity, (0, 0), max(2.0, h / 10))
    columns = _count_periods(detail.std(0), _MIN_COLUMNS, _MAX_COLUMNS)
    rows = _count_periods(detail.std(1), _MIN_ROWS, _MAX_ROWS)
    return (rows, columns) if rows and columns else None


def _count_periods(profile: np.ndarray, least: int, most: int) -> int | None:
    """How many bumps a profile has, if they are evenly spaced and alike."""
    profile = cv2.GaussianBlur(profile.reshape(1, -1).astype(np.float32), (0, 0), 1.0).ravel()
    raised = profile > (profile.min() + profile.max()) / 2
    edges = np.diff(np.concatenate([[0], raised.astype(int), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not least <= len(starts) <= most or profile.max() < 6:
        return None
    middles = (starts + ends) / 2
    gaps = np.diff(middles)
    even = gaps.std() / gaps.mean() < 0.18 and gaps.mean() >= MIN_PITCH_PX
    half = int(gaps.mean() // 2)
    padded = np.pad(profile, half, mode="edge")
    bumps = np.stack([padded[int(m) : int(m) + 2 * half + 1] for m in middles])
    alike = np.corrcoef(bumps, bumps.mean(0))[-1, :-1].min()
    return len(starts) if even and alike > MIN_ALIKE else None
