"""Where a matrix code may stand on a label: squares in which dark and light alternate both ways."""

import cv2
import numpy as np

# All of these are our choice, made on the demo's training and calibration photos: of 59 matrix codes with
# modules of 1.5 px or more that stand on an outlined label 50 are found (2026-12-01).
_WINDOW = 0.05  # of the label's short side
_LEAST_WINDOW_PX = 7
_SMOOTHING_PX = 0.8
_OF_STRONGEST = 0.5  # of what all but one pixel in 200 have at most
_LEAST_WINDOWS, _MOST_OBLONG = 1.2, 1.6
_MOST_SQUARES = 2


def find_squares(level: np.ndarray) -> list[np.ndarray]:
    """Boxes of what looks like a matrix code, the largest first.

    Bars change along one way alone, and a line of print is long for its height.

    Parameters
    ----------
    level : uint8 ndarray, shape (h, w)
        A label, some 600 pixels long.

    Returns
    -------
    boxes : list of float32 ndarray, shape (4, 2)
        Pixels of `level`, at any turn; two at most.
    """
    smooth = cv2.GaussianBlur(level, (0, 0), _SMOOTHING_PX)
    window = max(_LEAST_WINDOW_PX, round(min(level.shape) * _WINDOW) | 1)
    change = [
        cv2.blur(np.abs(cv2.Sobel(smooth, cv2.CV_32F, int(across), int(not across))), (window, window))
        for across in (True, False)
    ]
    both = np.minimum(*change)
    strong = both >= max(_OF_STRONGEST * float(np.quantile(both, 0.995)), 1.0)
    mask = cv2.morphologyEx(strong.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    boxes = [cv2.minAreaRect(contour) for contour in sorted(contours, key=cv2.contourArea, reverse=True)]
    return [
        cv2.boxPoints(box)
        for box in boxes
        if min(box[1]) >= _LEAST_WINDOWS * window and max(box[1]) <= _MOST_OBLONG * min(box[1])
    ][:_MOST_SQUARES]
