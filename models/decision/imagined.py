"""Photos that might be taken of each family, as they would be judged: drawn once, then kept.

Each photo is drawn by a seed of its own, so it is the same one whatever was asked before, and is compared
with a family when that first comes into question. Units of one lot have much the same few in question.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import NamedTuple

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex, index_part
from plugface.models.decision.answers import View
from plugface.models.decision.variants import Heard, hear
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching import rules
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rules import ViewFit, fit_views
from plugface.models.unit_choice import UnitView, gather_views

#: Comparisons of a photo with a family that are kept at most, about 0.6 kB each with the photo; then all are
#: let go. Fourteen families need 6,000 at most.
MAX_KEPT = 12_000

#: The k-th photo has the same luck in each view of each family (common random numbers), so that few photos
#: tell views apart.
_SEED = 3


class Drawn(NamedTuple):
    """One photo that might be taken, as it would be weighed."""

    place: int  # of the family that it shows
    fits: list[ViewFit]  # empty for a donor's plate
    heard: tuple[Heard, ...]  # what it says of the variants of the family that it shows
    years: tuple[int, ...] | None  # that a donor's plate says


@dataclass(eq=False)
class _Photo:
    view: UnitView | None  # None for a donor's plate
    years: tuple[int, ...] | None
    heard: tuple[Heard, ...] = ()
    measured: np.ndarray | None = None  # as in ViewFit; a part of a catalogue does not change it
    columns: dict[int, np.ndarray] = field(default_factory=dict)  # by rows of families, (3, n_rules)


class ImaginedPhotos:
    """Photos of the families of one catalogue with the errors of one error model."""

    def __init__(self, index: CatalogueIndex, noise: ErrorModel) -> None:
        self.index, self.noise, self.rules = index, noise, rules.RULES
        self._photos: dict[tuple[int, View, int], _Photo] = {}
        self.n_compared = 0

    def take(self, rows: Sequence[int], wanted: Sequence[View], each: int) -> tuple[Drawn, ...]:
        """Photos of some families, judged against these families.

        Parameters
        ----------
        rows : sequence of int
            Of the families in the catalogue.
        wanted : sequence of View
        each : int
            Photos of each view of each family.

        Returns
        -------
        drawn : tuple of Drawn
            View by view, in each family by family.
        """
        if self.n_compared > MAX_KEPT:
            self._photos, self.n_compared = {}, 0
        kept = self._photos  # another thread may let go of all meanwhile
        asked = [(row, view, k) for view in wanted for row in rows for k in range(each)]
        for _, new in groupby(sorted(key for key in asked if key not in kept), key=lambda key: key[0]):
            self._draw(kept, list(new))
        photos = [kept[key] for key in asked]
        self._compare([photo for photo in photos if photo.view is not None], rows)
        return tuple(
            Drawn(rows.index(row), [_fit(photo, rows)] if photo.view else [], photo.heard, photo.years)
            for (row, _, _), photo in zip(asked, photos, strict=True)
        )

    def _draw(self, kept: dict[tuple[int, View, int], _Photo], keys: Sequence[tuple[int, View, int]]) -> None:
        """Photos of one family that were never asked for."""
        family = self.index.families[keys[0][0]]
        drawn = []
        for _, view, k in keys:
            rng = np.random.default_rng([_SEED, k])
            variant = family.variants[int(rng.integers(len(family.variants)))]
            if view == "donor plate":
                year = int(rng.integers(variant.years[0], variant.years[1] + 1))
                drawn.append(_Photo(None, (year,)))
                continue
            (seen,) = gather_views([draw_observations(family, variant, view, self.noise, rng)])
            drawn.append(_Photo(seen, None))
        shown = [photo for photo in drawn if photo.view is not None]
        said = hear(family, [photo.view for photo in shown if photo.view], self.noise)
        for photo, heard in zip(shown, said, strict=True):
            photo.heard = (heard,)
        kept.update(zip(keys, drawn, strict=True))

    def _compare(self, photos: Sequence[_Photo], rows: Sequence[int]) -> None:
        """Photos with the families that they were not held against before, as many together as can be: one by
        one takes half as long again."""
        groups: dict[tuple[int, ...], list[_Photo]] = {}
        for photo in photos:
            groups.setdefault(tuple(row for row in rows if row not in photo.columns), []).append(photo)
        for new, group in groups.items():
            if not new:
                continue
            fits = fit_views([p.view for p in group if p.view], index_part(self.index, new), self.noise)
            for photo, fit in zip(group, fits, strict=True):
                photo.measured = fit.measured
                columns = np.stack([fit.log_odds, fit.deviance, fit.suffix_margin], axis=1)
                photo.columns.update(zip(new, columns, strict=True))
            self.n_compared += len(new) * len(group)


def _fit(photo: _Photo, rows: Sequence[int]) -> ViewFit:
    assert photo.measured is not None  # it was compared
    log_odds, deviance, suffix_margin = np.stack([photo.columns[row] for row in rows], axis=1)
    return ViewFit(log_odds, photo.measured, deviance, suffix_margin)


#: Of the catalogues and error models used last; by identity, as neither ever changes.
_kept: deque[ImaginedPhotos] = deque(maxlen=4)


def imagined_photos(index: CatalogueIndex, noise: ErrorModel) -> ImaginedPhotos:
    """Photos of a catalogue's families; the same ones as before for the catalogues used last.

    Parameters
    ----------
    index : CatalogueIndex
    noise : ErrorModel

    Returns
    -------
    photos : ImaginedPhotos
    """
    for known in _kept:
        if known.index is index and known.noise is noise and known.rules is rules.RULES:
            return known
    made = ImaginedPhotos(index, noise)
    _kept.append(made)
    return made
