"""The registry of matching rules, and every one of them on one view.

A rule compares a view with each family's catalogue entry and gives a log likelihood ratio in nats against
'some other unit'. It describes how well the entry fits, never which family it is, so whatever is learned on
top of these numbers holds for a catalogue that was never seen. Zero means that nothing was seen, or that it
tells nothing. The probabilities are those of error_model.py.

A new rule is one `Rule` in a list below or in the module of its kind: fusion, pooled, explanations,
contradictions and model files ask here, and keep no list of their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex
from plugface.models.matching import housing_rules, plug_rule, writing_rules
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.label_fields import without_captioned
from plugface.models.matching.rule import WHOLE_PHOTO, Column, Rule
from plugface.models.matching.writing_rules import (
    doubt_kind,
    holds_listed_form,
    owned_maximum,
    without_foreign_numbers,
)
from plugface.models.unit_choice import UnitView

__all__ = [
    "RULES",
    "WHOLE_PHOTO",
    "Column",
    "Rule",
    "ViewFit",
    "column_of",
    "columns_of_witness",
    "doubt_kind",
    "fit_unit",
    "fit_view",
    "fit_views",
    "owned_maximum",
    "rule_names",
]

#: In the order of the columns of every evidence array.
RULES: tuple[Rule, ...] = (*plug_rule.RULES, *writing_rules.RULES, *housing_rules.RULES)


def rule_names() -> tuple[str, ...]:
    """Names of the rules, in the order of the columns."""
    return tuple(rule.name for rule in RULES)


def column_of(name: str) -> int:
    """Column of the rule with this name.

    Raises
    ------
    ValueError
        If there is none.
    """
    return rule_names().index(name)


def columns_of_witness(witness: str) -> list[int]:
    """Columns of the rules that speak for the label, or for the casting."""
    return [column for column, rule in enumerate(RULES) if rule.witness == witness]


@dataclass(frozen=True)
class ViewFit:
    """One view against all families."""

    log_odds: np.ndarray  # float (n_families, n_rules), nats
    measured: np.ndarray  # float (n_rules,), 0..1: how much of this rule's evidence the view holds
    deviance: np.ndarray  # float (n_families, n_rules), nats >= 0: below an entry that fits to perfection
    suffix_margin: np.ndarray  # the same, below one that differs in the last figures alone


def fit_view(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> ViewFit:
    """All rules on one view, columns as in RULES.

    Parameters
    ----------
    view : UnitView
    index : CatalogueIndex
    noise : ErrorModel

    Returns
    -------
    fit : ViewFit
    """
    return fit_views([view], index, noise)[0]


def fit_views(views: Sequence[UnitView], index: CatalogueIndex, noise: ErrorModel) -> list[ViewFit]:
    """All rules on each of several views; the numbers are those of `fit_view`, in less time.

    Parameters
    ----------
    views : sequence of UnitView
    index : CatalogueIndex
    noise : ErrorModel

    Returns
    -------
    fits : list of ViewFit
    """
    return _fit_rules(_without_captioned(views, index), index, noise)


def _fit_rules(views: Sequence[UnitView], index: CatalogueIndex, noise: ErrorModel) -> list[ViewFit]:
    """All rules on views whose captions were looked at already."""
    by_rule = [rule.fit_views(views, index, noise) for rule in RULES]
    return [_join(columns, index) for columns in zip(*by_rule, strict=True)]


def _without_captioned(views: Sequence[UnitView], index: CatalogueIndex) -> list[UnitView]:
    """Views without the lines that are a date, a serial or a lot by a caption beside them."""
    return [replace(view, texts=without_captioned(view.texts, index.number_forms)) for view in views]


def _join(columns: Sequence[Column], index: CatalogueIndex) -> ViewFit:
    deviance, suffix_margin = np.zeros((2, index.n_families, len(columns)))
    for place, column in enumerate(columns):
        if column.deviance is not None:
            deviance[:, place] = column.deviance
        if column.suffix_margin is not None:
            suffix_margin[:, place] = column.suffix_margin
    return ViewFit(
        log_odds=np.stack([c.log_odds for c in columns], axis=1),
        measured=np.array([c.measured for c in columns]),
        deviance=deviance,
        suffix_margin=suffix_margin,
    )


def fit_unit(views: Sequence[UnitView], index: CatalogueIndex, noise: ErrorModel) -> list[ViewFit]:
    """All rules on each view of one unit.

    A number-like line of another system, a customer's or a supplier's, speaks against every family alike.
    Where any view holds a number of the catalogue's form it is beside the point, as it is within one view,
    where the best line counts. Numbers of other families have such a form and are weighed as ever.

    Parameters
    ----------
    views : sequence of UnitView
    index : CatalogueIndex
    noise : ErrorModel

    Returns
    -------
    fits : list of ViewFit, one a view
    """
    views = _without_captioned(views, index)
    if any(holds_listed_form(view.texts, index) for view in views):
        views = [replace(view, texts=without_foreign_numbers(view.texts, index)) for view in views]
    return _fit_rules(views, index, noise)
