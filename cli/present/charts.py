"""Pictures of measured figures, as PNG."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from plugface.cli.errors import named

#: Dots per inch of the saved pictures.
DPI = 150


def draw_confusion(confusion: dict[str, dict[str, int]], title: str, path: Path) -> None:
    """Confusion matrix: true family in rows, proposed family in columns, counts of units in the cells."""
    rows = list(confusion)
    columns = list(dict.fromkeys([*rows, *(c for row in confusion.values() for c in row)]))
    counts = np.array([[confusion[row].get(column, 0) for column in columns] for row in rows])
    figure = Figure(figsize=(2.5 + 0.45 * len(columns), 2 + 0.42 * len(rows)), layout="constrained")
    axes = figure.add_subplot()
    axes.imshow(counts / np.maximum(counts.sum(axis=1, keepdims=True), 1), cmap="Blues", vmin=0, vmax=1)
    for row, column in np.argwhere(counts):
        share = counts[row, column] / counts[row].sum()
        axes.text(
            column,
            row,
            counts[row, column],
            ha="center",
            va="center",
            color="white" if share > 0.5 else "black",
        )
    axes.set_xticks(range(len(columns)), columns, rotation=90)
    axes.set_yticks(range(len(rows)), rows)
    axes.set_xlabel("proposed")
    axes.set_ylabel("true")
    axes.set_title(title)
    with named(path):
        figure.savefig(path, dpi=DPI)


def draw_reliability(bins: Sequence[tuple[float, float, int]], error: float, title: str, path: Path) -> None:
    """Reliability diagram: how often the best candidate was right, against how probable it was said to be.

    Parameters
    ----------
    bins : sequence of (mean probability, share right, count)
    error : float
        Expected calibration error, for the title.
    """
    figure = Figure(figsize=(5, 5.4), layout="constrained")
    above, below = figure.subplots(2, 1, height_ratios=(4, 1), sharex=True)
    said, right, counts = (np.array(column) for column in zip(*bins, strict=True))
    above.plot([0, 1], [0, 1], color="0.6", linestyle="--", label="as often as said")
    above.plot(said, right, marker="o", color="tab:blue", label="measured")
    above.set_ylabel("share right")
    above.set_title(f"{title}\nexpected calibration error {error:.3f}")
    above.legend(loc="upper left")
    above.set_ylim(-0.03, 1.03)
    below.bar(said, counts, width=0.03, color="tab:blue")
    below.set_yscale("log")
    below.set_ylabel("units")
    below.set_xlabel("probability said")
    below.set_xlim(-0.03, 1.03)
    with named(path):
        figure.savefig(path, dpi=DPI)
