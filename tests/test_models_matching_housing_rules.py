"""The rules of the housing: long to short side, against that of any unit; what is said of its colour."""

from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import Family, load_catalogue
from plugface.models.catalogue.index import index_catalogue, index_families
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.housing_rules import _body_colour_words, _fins_words
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


@pytest.mark.parametrize(
    ("shares", "words"),
    [
        ({"GY": 0.51, "BK": 0.48}, "the body looks GY or BK, the entry says BK"),
        ({"GY": 0.9, "BK": 0.1}, "the body looks GY, the entry says BK"),
        ({"BK": 0.9, "GY": 0.1}, "the body looks BK, the entry says BK"),
    ],
)
def test_a_colour_that_speaks_for_an_entry_is_named(shares, words):
    """GY, where BK was nearly as probable and the entry has it, stood among the reasons for it."""
    black = next(f for f in load_catalogue(DEMO).families if f.body.colour == "BK" and not f.body.lid_colour)
    unit = Unit(SQUARE, 0.9, {"front": 1.0, "back": 0.0}, body=Body(aspect=1.5, colour=shares, fins={}))
    view = UnitView(0, "", True, unit, (), ())
    assert _body_colour_words(index_families((black,)), view, ErrorModel(), True) == words


def test_what_an_author_left_out_of_the_body_counts_neither_for_nor_against():
    """GY and no fins, written by nobody, stood among the reasons: "the entry says GY"."""
    grey = load_catalogue(DEMO).by_key["PUFFIN 2"]
    said = grey.body.model_dump(include={"size_mm", "material"})
    silent = Family.model_validate(grey.model_dump() | {"body": said})
    assert silent == grey.model_copy(update={"body": silent.body})
    assert (silent.body.colour, silent.body.fins) == (grey.body.colour, grey.body.fins)
    index = index_families((grey, silent))
    for colour, fins in (("GY", "none"), ("BK", "all")):
        seen = Body(aspect=1.5, colour={colour: 1.0}, fins={fins: 1.0})
        view = UnitView(0, "", True, Unit(SQUARE, 0.9, {"front": 1.0, "back": 0.0}, body=seen), (), ())
        fit = fit_view(view, index, ErrorModel())
        told, left_out = fit.log_odds[:, [column_of("body colour"), column_of("fins")]]
        assert (told > 0).all() if colour == "GY" else (told < 0).all()
        assert (left_out == 0).all()
    alone = index_families((silent,))
    assert _body_colour_words(alone, view, ErrorModel(), True) == (
        "the body looks BK, the entry does not say its colour"
    )
    assert _fins_words(alone, view, ErrorModel(), True) == "fins seen: all; the entry does not say"
