"""The rule of the outline: long to short side, against that of any unit."""

from pathlib import Path

import numpy as np
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_catalogue
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.rules import column_of, fit_view
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Body, Unit

DEMO = Path(__file__).parent.parent / "training_data_demo" / "marrow_finch"
SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def outline_odds(aspect: float) -> tuple[np.ndarray, np.ndarray]:
    """Log odds of each family by the outline alone, and the logarithm of each family's own aspect."""
    index = index_catalogue(load_catalogue(DEMO))
    unit = Unit(SQUARE, 0.9, {"front": 1.0, "back": 0.0}, body=Body(aspect=aspect, colour={}, fins={}))
    fit = fit_view(UnitView(0, "", True, unit, (), ()), index, ErrorModel())
    return fit.log_odds[:, column_of("outline")], index.log_aspect


def test_the_nearer_an_entry_is_to_the_outline_the_better_it_fits():
    odds, known = outline_odds(1.6)
    by_distance = np.argsort(np.abs(known - np.log(1.6)))
    assert (np.diff(odds[by_distance]) <= 1e-9).all()


def test_an_outline_that_agrees_speaks_for_and_one_that_is_far_off_against():
    odds, known = outline_odds(float(np.exp(known_aspect())))
    nearest, farthest = np.abs(known - known_aspect()).argmin(), np.abs(known - known_aspect()).argmax()
    # By hand: normal(0, 0) against normal(0.45, 0.35), each at the aspect seen, nine parts in ten.
    own = -np.log(ErrorModel().aspect_sd)
    other = -0.5 * ((known_aspect() - 0.45) / 0.35) ** 2 - np.log(0.35)
    assert np.isclose(odds[nearest], np.log(0.9 * np.exp(own - other) + 0.1))
    assert odds[farthest] < 0 < odds[nearest]


def known_aspect() -> float:
    return float(index_catalogue(load_catalogue(DEMO)).log_aspect[0])
