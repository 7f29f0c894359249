"""Heat map of the confusion to expect, as PNG."""

from collections.abc import Sequence
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.colors import PowerNorm
from matplotlib.figure import Figure
from plugface.cli.present.drawn_file import DRAWN_BY, write_picture
from plugface.models.catalogue.separability import VIEW_SETS, Separability

#: Inches for one row; with more rows than these the names are left out, and with more than those the figures.
_INCH, _MAX_NAMES, _MAX_FIGURES = 0.26, 80, 40
_TITLES = {"front": "front alone", "back": "back alone", "both": "front and back"}


def draw_separability(found: Separability, drawn: Sequence[str], title: str, path: Path) -> None:
    """One panel for each set of views: true variant in rows, what it would be taken for in columns.

    The colours are stretched (a square root) so that one per cent can be seen beside a hundred. Grey lines
    part the families.

    Parameters
    ----------
    drawn : sequence of str
        Keys of the families whose units were drawn; the others are left out.
    """
    kept = np.flatnonzero([owner in set(drawn) for owner in found.owners])
    owners = [found.owners[i] for i in kept]
    names = [found.front.names[i] for i in kept]
    side = min(max(_INCH * len(kept), 2.5), 14.0)
    figure = Figure(figsize=(3 * side + 3.4, side + 3.6), layout="constrained")
    panels = figure.subplots(1, len(VIEW_SETS), sharey=True)
    for axes, view in zip(panels, VIEW_SETS, strict=True):
        share = getattr(found, view).share[np.ix_(kept, kept)]
        image = axes.imshow(share, cmap="magma_r", norm=PowerNorm(0.5, vmin=0, vmax=1))
        axes.set_title(_TITLES[view])
        axes.set_xlabel("taken for")
        for place in np.flatnonzero([a != b for a, b in pairwise(owners)]):
            axes.axhline(place + 0.5, color="0.8", linewidth=0.6)
            axes.axvline(place + 0.5, color="0.8", linewidth=0.6)
        if len(kept) <= _MAX_NAMES:
            axes.set_xticks(range(len(names)), names, rotation=90, fontsize=7)
            axes.set_yticks(range(len(names)), names, fontsize=7)
        if len(kept) <= _MAX_FIGURES:
            _write_figures(axes, share)
    panels[0].set_ylabel("true variant")
    bar = figure.colorbar(image, ax=panels, shrink=0.8, pad=0.01)
    bar.set_label("mean probability")
    figure.suptitle(title)
    written = BytesIO()
    figure.savefig(written, format="png", dpi=110, metadata={"Software": DRAWN_BY})
    write_picture(path, written.getvalue())


def _write_figures(axes, share: np.ndarray) -> None:
    for row, column in np.argwhere(share >= 0.01):
        value = share[row, column]
        ink = "white" if value > 0.35 else "black"
        axes.text(column, row, f"{100 * value:.0f}", ha="center", va="center", fontsize=5, color=ink)
