"""A plug of a colour that vision was not taught speaks neither for nor against a family."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.index import index_families
from plugface.models.identify import identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.error_model_fit import fit_error_model
from plugface.models.matching.plug_rule import RULES
from plugface.models.matching.rules import column_of, fit_view
from plugface.models.unit_choice import ObservedUnit, UnitView
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import Body, Connector, Observations, Quality, Unit, WhiteBalance

SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
*TAUGHT, LAST = COLOUR_CODES


def without_last(noise: ErrorModel) -> ErrorModel:
    """The same error model of a vision that was not taught the last colour."""
    kept = noise.colour_matrix[:-1, :-1]
    kept = kept / kept.sum(axis=1, keepdims=True)
    return replace(noise, colour=tuple(map(tuple, kept.tolist())))


NOISE = without_last(ErrorModel())


def coloured(codes: list[str], key: str = "A"):
    """A family with so many plugs in a row, of these colours, and nothing else to tell it by."""
    family = invent_catalogue(1, 7).families[0]
    plug = family.connectors[0].model_copy(update={"size": "M"})
    width = family.body.size_mm[0]
    places = [(width * ((k + 0.5) / len(codes) - 0.5), 0.0) for k in range(len(codes))]
    plugs = tuple(
        plug.model_copy(update={"colour": code, "at_mm": place})
        for code, place in zip(codes, places, strict=True)
    )
    return family.model_copy(update={"key": key, "connectors": plugs, "marks": ()})


def seen(codes: list[str], share: float = 0.95, among: Sequence[str] = TAUGHT) -> UnitView:
    """Its front with plugs in these colours, all as sure."""
    rest = (1 - share) / (len(among) - 1)
    plugs = tuple(
        Connector(
            SQUARE,
            {each: share if each == code else rest for each in among},
            {"S": 0.02, "M": 0.96, "L": 0.02},
            0.3,
            0.95,
            place=((k + 0.5) / len(codes) - 0.5, 0.0),
        )
        for k, code in enumerate(codes)
    )
    unit = Unit(SQUARE, 0.9, {"front": 0.99, "back": 0.01}, plugs)
    return UnitView(0, "", True, unit, (), ())


def plugs_fit(families: list, view: UnitView, noise: ErrorModel = NOISE) -> tuple[np.ndarray, np.ndarray]:
    """Log odds and deviance of the plugs of some families."""
    fit = fit_view(view, index_families(tuple(families)), noise)
    return fit.log_odds[:, column_of("plugs")], fit.deviance[:, column_of("plugs")]


@pytest.mark.parametrize("code", TAUGHT)
def test_such_a_plug_passes_for_whatever_is_seen(code):
    odds, short = plugs_fit([coloured([LAST, "BK"]), coloured([code, "BK"])], seen([code, "BK"]))
    assert odds[0] == pytest.approx(odds[1], abs=1e-9)
    assert short[0] == pytest.approx(short[1], abs=1e-9)


@pytest.mark.parametrize("code", TAUGHT)
def test_without_its_colour_it_is_as_good_as_one_of_which_no_colour_is_known(code):
    index = index_families((coloured([LAST]), coloured([code])))
    blank = index.without_colours(len(TAUGHT))
    assert index_families((coloured([code]),)).without_colours(len(TAUGHT)) is None
    column = column_of("plugs")
    fit = fit_view(seen([code]), blank, NOISE)
    unknown = fit_view(seen([code], 1 / len(TAUGHT)), blank, NOISE)
    # 1e-6: the trifle that is added before a logarithm is taken.
    assert fit.log_odds[0, column] == pytest.approx(unknown.log_odds[0, column], abs=1e-6)
    assert fit.log_odds[1, column] > fit.log_odds[0, column] + 1  # the other was taught, and is seen
    assert fit.deviance[0, column] == pytest.approx(fit.deviance[1, column], abs=1e-9)


@pytest.mark.parametrize(("shown", "words"), [(["BK", "YE"], "colour and size"), (["BK"], "was not found")])
def test_that_such_a_colour_was_not_taught_is_said_whether_or_not_all_plugs_are_seen(shown, words):
    (rule,) = RULES
    family = coloured(["BK", LAST] if len(shown) == 2 else ["BK", LAST, "BK"])
    said = rule.explain(index_families((family,)), seen(shown), NOISE, True)
    assert said.endswith(f"{words}; how {LAST} looks was not taught yet")


def test_two_such_colours_each_pass():
    noise = without_last(NOISE)
    front = seen(["YE", "BU"], among=noise.taught)
    odds, short = plugs_fit([coloured([TAUGHT[-1], LAST]), coloured(["YE", "BU"])], front, noise)
    assert odds[0] == pytest.approx(odds[1], abs=1e-9)
    assert short[0] == pytest.approx(short[1], abs=1e-9)


def test_a_front_is_not_accepted_as_the_rival_by_such_colours_alone():
    model = load_model(default_model_path())
    model = replace(model, noise=without_last(model.noise))
    view = seen(["YE", "YE", "YE", "BU"])
    photo = observed(view.unit)

    def verdict(codes: list[str]):
        listed = catalogue_of(coloured(codes, "TRUE"), coloured(["YE", "YE", "YE", "BU"], "RIVAL"))
        return identify([photo], listed, model, advise=False)

    assert verdict(["GN", "GN", "GN", "BU"]).families == ("RIVAL",)
    open_ = verdict([LAST, LAST, LAST, "BU"])
    assert open_.verdict == "ambiguous"
    assert set(open_.families) == {"TRUE", "RIVAL"}
    (told,) = (f for f in open_.findings if f.name == "colour not taught")
    assert "TQ (turquoise)" in told.message
    assert told.message.endswith("neither for nor against TRUE.")


def test_a_family_is_neither_as_sure_as_if_such_colours_agreed_nor_as_unsure_as_if_they_did_not():
    model = load_model(default_model_path())
    model = replace(model, noise=without_last(model.noise))
    photo = observed(seen(["YE", "YE", "YE", "BU"]).unit)

    def chance(codes: list[str]) -> float:
        return identify([photo], catalogue_of(coloured(codes)), model, advise=False).candidates[0].probability

    agreeing, untaught, other = map(
        chance, [["YE", "YE", "YE", "BU"], [LAST] * 3 + ["BU"], ["GN", "GN", "GN", "BU"]]
    )
    assert agreeing > untaught > other
    assert 1 - untaught > 1.5 * (1 - agreeing)
    assert 1 - other > 5 * (1 - untaught)


def test_a_code_that_a_named_shade_gives_speaks_for_its_family_and_against_others():
    view = seen(["YE"])
    named = {code: 0.1 * share for code, share in view.unit.connectors[0].colour.items()} | {LAST: 0.9}
    plug = replace(view.unit.connectors[0], colour=named)
    view = replace(view, unit=replace(view.unit, connectors=(plug,)))
    ((own, other), _) = plugs_fit([coloured([LAST]), coloured(["YE"])], view)
    assert own - other > 2
    assert other > -10  # yet no colour alone makes a family impossible


def test_such_plugs_are_drawn_alike_in_a_colour_that_was_taught():
    family, met = coloured([LAST, LAST, "BK"]), set()
    noise = replace(NOISE, miss=0.0, extra=0.0, turn_unknown=0.0, face_wrong=0.0, colour=certain(len(TAUGHT)))
    for seed in range(60):
        rng = np.random.default_rng(seed)
        photo = draw_observations(family, family.variants[0], "front", noise, rng)
        first, second, third = (max(c.colour, key=c.colour.get) for c in photo.units[0].connectors)
        assert (first, third) == (second, "BK")
        assert set(photo.units[0].connectors[0].colour) == set(TAUGHT)
        met.add(first)
    assert len(met) > len(TAUGHT) / 2


def test_what_vision_never_names_is_not_measured_as_if_it_were_always_missed():
    family, noise = coloured([LAST, "BK"]), NOISE
    catalogue = catalogue_of(family)
    rng = np.random.default_rng(3)
    units = [
        ObservedUnit(f"u{k}", (draw_observations(family, family.variants[0], "front", noise, rng),), "A")
        for k in range(12)
    ]
    fitted = fit_error_model(units, catalogue)
    assert fitted.taught == NOISE.taught
    assert np.allclose(fitted.colour_matrix.sum(axis=1), 1)


def test_a_body_in_such_a_colour_says_nothing():
    family = coloured(["BK"])
    colours = [{"colour": code, "lid_colour": None} for code in (LAST, "GY", "WH")]
    bodies = [family.model_copy(update={"body": family.body.model_copy(update=colour)}) for colour in colours]
    unit = replace(seen(["BK"]).unit, body=Body(1.5, {"GY": 0.9, "BK": 0.1}))
    view = replace(seen(["BK"]), unit=unit)
    odds = fit_view(view, index_families(tuple(bodies)), NOISE).log_odds[:, column_of("body colour")]
    assert odds[0] == 0
    assert odds[1] > 0 > odds[2]


def certain(n: int) -> tuple[tuple[float, ...], ...]:
    return tuple(map(tuple, np.eye(n).tolist()))


def catalogue_of(*families) -> Catalogue:
    """A catalogue of just these."""
    return Catalogue(head=invent_catalogue(1, 7).head, families=families, sha256=repr(families))


def observed(unit: Unit) -> Observations:
    """One photo of one unit, with no fault."""
    light = WhiteBalance((1, 1, 1), "label paper", 0.9)
    return Observations("photo", Quality(800, 600, 0.5, 0.0, 1.0), light, (unit,))
