"""How hard the demo set is for a trivial method: nearest neighbour by colour histogram on the test fronts.

`python -m plugface.demo.baseline` compares each front photo of the test split,
whole, with all front photos of the training split and takes over the family of the nearest. It knows no
connectors and no text; where it does well, the photos are too easy.
"""

import json
from pathlib import Path

import cv2
import numpy as np

FOLDER = Path(__file__).resolve().parent
_BINS = (12, 6, 6)  # hue, saturation, value; our own choice, made before the first run and not tuned


def measure_histogram(picture) -> np.ndarray:
    """Square root of the normalised HSV histogram of a uint8 RGB picture (H, W, 3), shape (n_bins,).

    The scalar product of two of these is the Bhattacharyya coefficient (Bhattacharyya, 1943).
    """
    hsv = cv2.cvtColor(picture, cv2.COLOR_RGB2HSV)
    counts = cv2.calcHist([hsv], [0, 1, 2], None, list(_BINS), [0, 180, 0, 256, 0, 256]).ravel()
    return np.sqrt(counts / counts.sum())


def nearest_labels(train, train_labels, test) -> list[str]:
    """Label of the most similar training histogram for each of `test`, both (N, n_bins)."""
    return [train_labels[k] for k in np.argmax(np.asarray(test) @ np.asarray(train).T, axis=1)]


def main() -> None:
    """Print the baseline's family accuracy on the test fronts."""
    rows = [json.loads(line) for line in (FOLDER / "truth.jsonl").read_text(encoding="utf-8").splitlines()]
    fronts = [row for row in rows if row["view"] == "front" and len(row["units"]) == 1]
    found: dict[str, tuple[list[np.ndarray], list[str]]] = {"train": ([], []), "test": ([], [])}
    for row in fronts:
        if row["split"] in found:
            picture = cv2.imread(str(FOLDER / row["photo"]))  # OpenCV honours the EXIF turn
            found[row["split"]][0].append(measure_histogram(picture[..., ::-1].copy()))
            found[row["split"]][1].append(row["units"][0]["family"])
    (train, train_labels), (test, test_labels) = found["train"], found["test"]
    said = nearest_labels(train, train_labels, test)
    right = sum(a == b for a, b in zip(said, test_labels, strict=True))
    families = len({row["units"][0]["family"] for row in fronts})
    print(
        f"{right} of {len(test)} test fronts right ({right / len(test):.0%}), {len(train)} training fronts; "
        f"chance is about {1 / families:.0%}"
    )


if __name__ == "__main__":
    main()
