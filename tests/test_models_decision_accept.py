"""One rule for accepting, and costs that a shop sets in its catalogue: they reach every way in."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import CatalogueError, load_catalogue
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import settle
from plugface.models.decision.opinion import give_opinion
from plugface.models.decision.placement import expected_cost
from plugface.models.identify import identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.learning.training_data import judge
from plugface.models.matching.error_model import ErrorModel
from plugface.models.unit_choice import ObservedUnit

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(DEMO)


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


def drawn(catalogue, key: str, *views: str, seed: int = 1):
    family = catalogue.by_key[key]
    rng = np.random.default_rng(seed)
    return [draw_observations(family, family.variants[0], view, ErrorModel(), rng) for view in views]


def with_costs(folder: Path, table: str):
    head = folder / "catalogue.toml"
    head.write_text(head.read_text(encoding="utf-8") + f"\n[costs]\n{table}\n", encoding="utf-8")
    return load_catalogue(folder)


def test_accepting_is_at_the_cost_of_a_second_look_and_never_against_a_contradiction():
    costs = Costs()  # 1 second look against 200: from 0.995 on
    assert costs.accepts(0.995)
    assert not costs.accepts(0.994)
    assert not costs.accepts(1.0, contradicted=True)
    assert costs.refuses(0.95)
    assert not costs.refuses(0.949)


def test_a_shop_whose_mistakes_cost_more_accepts_less(own, model):
    dear = with_costs(own, "wrong_accept = 1e14")
    units = (drawn(dear, "KNOT 40", "front", "back", seed=seed) for seed in range(20))
    seen = next(one for one in units if identify(one, dear, model, costs=Costs()).verdict == "identified")
    decision = identify(seen, dear, model)
    assert decision.costs == Costs(wrong_accept=1e14)
    assert decision.verdict != "identified"
    assert give_opinion(seen, dear, model, "KNOT 40").decision.costs == dear.costs


def test_costs_stand_in_what_a_command_prints(run, own, plain_photo, seen_as):
    with_costs(own, "wrong_accept = 500")
    seen_as(front=("KNOT 40", "E", "front"))
    said = run("identify", plain_photo("front.jpg"), "--catalogue", own, "--json")
    assert json.loads(said.out)["decision"]["costs"]["wrong_accept"] == 500


@pytest.mark.parametrize("table", ["wrong_acept = 3", "wrong_accept = 0", "second_look = 300"])
def test_costs_that_make_no_sense_are_refused(own, table):
    with pytest.raises(CatalogueError, match=r"catalogue\.toml"):
        with_costs(own, table)


def test_leaving_a_unit_unchecked_costs_what_the_shop_says(catalogue, model):
    decision = identify(drawn(catalogue, "KNOT 40", "front", "back"), catalogue, model)
    dearer = replace(decision, costs=Costs(wrong_accept=400.0))
    assert expected_cost(dearer) == pytest.approx(2 * expected_cost(decision))


def test_learning_judges_a_model_by_the_verdict_and_so_by_contradictions(catalogue, model):
    # A front of one family and a back of another contradict each other: never accepted, whatever the odds.
    (front,) = drawn(catalogue, "KNOT 40", "front", seed=3)
    (back,) = drawn(catalogue, "DUNLIN 6", "back", seed=4)
    back = replace(back, photo_sha256="f" * 64)
    unit = ObservedUnit("mixed", (front, back), "KNOT 40")
    both = judge(model, [unit], catalogue)
    each = judge(model, [replace(unit, observations=(one,)) for one in (front, back)], catalogue)
    assert identify([front, back], catalogue, model).verdict == "ambiguous"
    assert both.accepted - each.accepted == 0


def test_without_advice_the_decision_is_the_same_but_for_the_next_photo(catalogue, model):
    seen = drawn(catalogue, "DUNLIN 6", "front", seed=5)
    advised, plain = (identify(seen, catalogue, model, advise=a) for a in (True, False))
    assert advised.next_photo is not None
    assert plain == replace(advised, next_photo=None)


def test_settle_is_what_decide_says(catalogue, model):
    from plugface.models.catalogue.index import index_catalogue
    from plugface.models.matching.pooling import pool_views
    from plugface.models.unit_choice import gather_views

    for seed, key in enumerate(catalogue.by_key):
        seen = drawn(catalogue, key, "front", seed=seed)
        pooled = pool_views(gather_views(seen), index_catalogue(catalogue), model)
        assert settle(pooled, model, Costs())[0] == identify(seen, catalogue, model, advise=False).verdict
