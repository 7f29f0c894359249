"""Warnings: of whom and of what, in which order, whatever the photos show."""

from dataclasses import replace

import numpy as np
import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.catalogue.index import index_families
from plugface.models.decision.cautions import COLOURS_UNKNOWN, GENERAL, HIGH_VOLTAGE, RESTRAINT, list_cautions
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import decide
from plugface.models.identify import identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.pooling import pool_views
from plugface.models.unit_choice import UnitView, gather_views
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import Connector, Unit

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")
AUK, GANNET, PUFFIN = (CATALOGUE.by_key[key] for key in ("AUK 11", "GANNET 8", "PUFFIN 2"))
SQUARE = ((0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0))

GREY = dict.fromkeys(COLOUR_CODES, 1 / len(COLOUR_CODES))


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


def plug(**colour: float) -> Connector:
    return Connector(SQUARE, colour, {"M": 1.0}, 0.3, 0.9)


def view(*plugs: Connector, loose: tuple[Connector, ...] = ()) -> UnitView:
    unit = Unit(SQUARE, 0.9, {"front": 1.0, "back": 0.0}, plugs)
    return UnitView(0, "a" * 64, True, unit, (), (), loose=loose)


def first_ones(*views: UnitView, likely=(), **other) -> list:
    """What is said before the cautions of the catalogue and the general one."""
    said = list_cautions(views, list(likely), CATALOGUE, **other)
    assert said[-1] == GENERAL
    return [caution for caution in said[:-1] if caution.name != "catalogue"]


def photo(key: str, view: str):
    family, rng = CATALOGUE.by_key[key], np.random.default_rng(7)
    return draw_observations(family, family.variants[0], view, replace(ErrorModel(), label_found=1.0), rng)


@pytest.mark.parametrize(
    ("likely", "said"),
    [
        ([GANNET], [HIGH_VOLTAGE]),
        ([AUK, PUFFIN], [RESTRAINT]),
        ([PUFFIN, GANNET], [HIGH_VOLTAGE, RESTRAINT]),
        ([AUK], []),
    ],
)
def test_of_a_hazardous_family_is_warned_where_no_plug_is_seen(likely, said):
    assert first_ones(view(), likely=likely) == said


def test_colours_of_every_photo_count_and_each_kind_is_said():
    shots = (view(plug(BN=1.0)), view(plug(OG=0.9, BN=0.1), plug(YE=1.0)))
    assert first_ones(*shots, likely=[AUK]) == [HIGH_VOLTAGE, RESTRAINT]


def test_colours_are_unknown_only_where_no_plug_of_the_unit_shows_one():
    assert first_ones(view(plug(**GREY), plug(**GREY))) == [COLOURS_UNKNOWN]
    assert first_ones(view(plug(**GREY), plug(GN=1.0))) == []
    assert first_ones(view(plug(**GREY), loose=(plug(GN=1.0),))) == [COLOURS_UNKNOWN]


def test_a_shop_s_costs_say_from_where_on_a_colour_warns():
    doubtful = view(plug(OG=0.3, BN=0.7))
    assert first_ones(doubtful) == []
    assert first_ones(doubtful, costs=Costs(missed_hazard=2e4)) == [HIGH_VOLTAGE]


def test_the_fewer_colours_vision_was_taught_the_surer_one_must_be():
    # An even share of few is more: 0.476 of 12 and 0.4998 of 11 (costs.py).
    seen = view(plug(OG=0.49, BN=0.51))
    assert first_ones(seen, codes=12) == [HIGH_VOLTAGE]
    assert first_ones(seen, codes=11) == []


def test_the_catalogue_s_own_cautions_are_those_of_the_answer_and_of_its_head():
    head = CATALOGUE.head.model_copy(update={"cautions": ("Wear gloves.",)})
    own = [
        f.model_copy(update={"cautions": (f"Mind the {f.key}.",), "source": f"p. {f.key}"})
        for f in (AUK, GANNET)
    ]
    shop = Catalogue(head=head, families=tuple(own), sha256="gloves")
    said = list_cautions((), own, shop, "AUK 11 early is locked.")
    assert [(c.name, c.message, c.source) for c in said[1:-1]] == [
        ("locked", "AUK 11 early is locked.", "p. AUK 11"),
        ("catalogue", "AUK 11: Mind the AUK 11.", "p. AUK 11"),
        ("catalogue", "Wear gloves.", ""),
    ]
    assert (said[0], said[-1]) == (HIGH_VOLTAGE, GENERAL)  # it may be the second one, which is not named


def test_the_label_of_a_hazard_alone_warns_and_asks_for_nothing_more(model):
    for key, caution in (("GANNET 8", HIGH_VOLTAGE), ("PUFFIN 2", RESTRAINT)):
        for costs in (Costs(), Costs(wrong_accept=1e14)):  # accepted, and likely all the same
            decision = identify([photo(key, "back")], CATALOGUE, model, costs=costs)
            assert decision.candidates[0].family == key
            assert decision.cautions[0] == caution
            assert decision.next_photo is None


def believed(model, chances: dict[str, float]):
    """A photo of which so much is believed of each family, and nothing of the others."""
    index = index_families(CATALOGUE.families)
    pooled = pool_views(gather_views([photo("AUK 11", "front")]), index, model)
    families = np.array([chances.get(family.key, 0.0) for family in index.families])
    posterior = replace(pooled.posterior, families=families, unknown=1.0 - families.sum())
    return replace(pooled, posterior=posterior)


def test_a_hazard_that_is_hardly_likely_warns_however_many_are_likelier(model):
    likelier = dict.fromkeys(("AUK 11", "AUK 12", "KNOT 40", "KNOT 41", "DUNLIN 1", "DUNLIN 6"), 0.15)
    for chance, said in ((0.012, HIGH_VOLTAGE), (0.008, GENERAL)):  # silence is cheaper below 0.0099
        pooled = believed(model, likelier | {"GANNET 8": chance})
        cautions = decide(pooled, CATALOGUE, model, advise=False).cautions
        assert next(c for c in cautions if c.name != "catalogue") == said


@pytest.mark.parametrize(("kinds", "said"), [((GANNET, GANNET), [HIGH_VOLTAGE]), ((GANNET, PUFFIN), [])])
def test_hazards_of_one_kind_warn_together_where_none_does_by_itself(model, kinds, said):
    """Whichever of them it is, it is as live."""
    hazards = [family.model_copy(update={"key": f"HAZARD {n}"}) for n, family in enumerate(kinds)]
    shop = Catalogue(head=CATALOGUE.head, families=(AUK, *hazards), sha256="of two kinds")
    pooled = pool_views(gather_views([photo("AUK 11", "front")]), index_families(shop.families), model)
    posterior = replace(pooled.posterior, families=np.array([0.97, 0.007, 0.007]), unknown=0.016)
    cautions = decide(replace(pooled, posterior=posterior), shop, model, advise=False).cautions
    assert [c for c in cautions if c.name != "catalogue"] == [*said, GENERAL]
