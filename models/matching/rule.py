"""What a matching rule is: a name, a likelihood, an explanation and a correlation, declared together."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex
from plugface.models.matching.error_model import ErrorModel
from plugface.models.unit_choice import UnitView

#: Method of a unit that was not outlined: everything in the photo was taken for its own.
WHOLE_PHOTO = "whole photo"


@dataclass(frozen=True)
class Column:
    """One rule of one view; `deviance` is left out where no perfect fit can be named, and `suffix_margin`
    where there are no figures."""

    log_odds: np.ndarray  # float (n_families,), nats
    measured: float = 1.0
    deviance: np.ndarray | None = None
    suffix_margin: np.ndarray | None = None


Fit = Callable[[UnitView, CatalogueIndex, ErrorModel], Column]
FitAll = Callable[[Sequence[UnitView], CatalogueIndex, ErrorModel], list[Column]]
Explain = Callable[[CatalogueIndex, UnitView, ErrorModel, bool], str]
Quote = Callable[[UnitView, CatalogueIndex, ErrorModel], UnitView]


@dataclass(frozen=True)
class Rule:
    """All that belongs to one kind of evidence.

    Attributes
    ----------
    name : str
        As evidence, model files and answers call it.
    fit : callable
        View, index of the catalogue and error model to a `Column`: log likelihood ratios in nats against
        'some other unit'.
    explain : callable
        Index of one family alone, the view, the error model and whether the rule speaks for that family; to
        one sentence for a person.
    correlation : float
        Of the rule's evidence between two views of a unit, 0..1: what two photos of one face share.
    witness : {"", "label", "casting"}
        For which side it speaks where label and casting are held against each other; empty for neither.
    fit_all : callable, optional
        As `fit`, for several views in one go, where that takes less time.
    quote : callable, optional
        View, index of what is ahead (the family, its rival or the catalogue) and error model to the view with
        one line alone: of those that were fitted, the one that tells.
    """

    name: str
    fit: Fit
    explain: Explain
    correlation: float
    witness: Literal["", "label", "casting"] = ""
    fit_all: FitAll | None = None
    quote: Quote | None = None

    def __post_init__(self) -> None:
        if not self.name:
            raise ValueError("a rule needs a name")
        if not 0.0 <= self.correlation <= 1.0:
            raise ValueError(f"correlation of {self.name!r} must lie in 0..1, got {self.correlation!r}")

    def fit_views(self, views: Sequence[UnitView], index: CatalogueIndex, noise: ErrorModel) -> list[Column]:
        """One column for each view.

        Parameters
        ----------
        views : sequence of UnitView
        index : CatalogueIndex
        noise : ErrorModel

        Returns
        -------
        columns : list of Column
        """
        if self.fit_all is not None:
            return self.fit_all(views, index, noise)
        return [self.fit(view, index, noise) for view in views]


def nothing(index: CatalogueIndex) -> Column:
    """Nothing was seen that this rule could judge."""
    return Column(np.zeros(index.n_families), 0.0)


def soften(log_odds: np.ndarray, chance: float) -> np.ndarray:
    """What was seen is what the rule takes it for with probability `chance`, else it tells nothing.

    Parameters
    ----------
    log_odds : float ndarray, any shape, nats
    chance : float, 0..1

    Returns
    -------
    log_odds : float ndarray, the same shape, nats
    """
    return np.logaddexp(np.log(1.0 - chance), np.log(chance) + log_odds)


def most_probable(posterior: dict[str, float]) -> str:
    """The value that a posterior favours."""
    return max(posterior, key=posterior.__getitem__)
