"""Two plain picture classifiers to compare with: they see the same photos and know no catalogue.

Both take the whole photo, as a person without the project would start, and learn from the training split
alone.
"""

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from plugface.cli.limited_photo import read_photo

#: Long side to which photos are reduced before anything is measured, pixels.
SIDE_PX = 256

NAMES = ("colour histogram, nearest neighbour", "HOG, linear SVM")


def baseline_features(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """What the two see of one photo.

    Returns
    -------
    histogram : float ndarray, shape (512,)
        Square roots of the shares in 8 x 8 x 8 cells of CIE L*a*b* (Euclidean distance between such vectors
        is the Hellinger distance).
    gradients : float ndarray, shape (n_features,)
        HOG of the centre of the photo at 128 x 128 pixels (Dalal & Triggs, CVPR 2005), 9 directions,
        8-pixel cells.
    """
    from skimage.feature import hog

    rgb = read_photo(path).reduced(SIDE_PX)
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    counts = cv2.calcHist([lab], [0, 1, 2], None, [8, 8, 8], [0, 256, 0, 256, 0, 256]).ravel()
    side = min(rgb.shape[:2])
    top, left = (rgb.shape[0] - side) // 2, (rgb.shape[1] - side) // 2
    square = cv2.resize(rgb[top : top + side, left : left + side], (128, 128), interpolation=cv2.INTER_AREA)
    gradients = hog(square, orientations=9, pixels_per_cell=(8, 8), cells_per_block=(2, 2), channel_axis=-1)
    return np.sqrt(counts / counts.sum()), gradients


def predict_baselines(train: Sequence[tuple[Path, str]], test: Sequence[Path]) -> dict[str, list[str]]:
    """Families that the two propose.

    Parameters
    ----------
    train : sequence of (path, family)
    test : sequence of path

    Returns
    -------
    families : dict
        Name of the method -> one family for each test photo.
    """
    from sklearn.neighbors import KNeighborsClassifier
    from sklearn.svm import LinearSVC

    families = [family for _, family in train]
    learned = [baseline_features(path) for path, _ in train]
    asked = [baseline_features(path) for path in test]
    methods = (KNeighborsClassifier(n_neighbors=1), LinearSVC(C=0.1, random_state=0))
    return {
        name: method.fit([f[kind] for f in learned], families).predict([f[kind] for f in asked]).tolist()
        for kind, (name, method) in enumerate(zip(NAMES, methods, strict=True))
    }
