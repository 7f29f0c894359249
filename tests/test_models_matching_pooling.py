"""One unit against a catalogue: what is kept of its views, and in which order families are named."""

from dataclasses import replace

import numpy as np
import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_families
from plugface.models.decision.costs import Costs
from plugface.models.learning.classifier import Posterior, default_model_path, load_model, predict
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.pooling import expected_cost, pool_views, variants_of
from plugface.models.unit_choice import gather_views
from plugface.vision.observations import Text

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")
KEYS = [family.key for family in CATALOGUE.families]
INDEX = index_families(CATALOGUE.families)


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


def photo(key: str, view: str, *lines: str):
    family = CATALOGUE.by_key[key]
    rng = np.random.default_rng(sum(f"{key} {view}".encode()))
    seen = draw_observations(family, family.variants[0], view, ErrorModel(), rng)
    texts = tuple(Text((), value, 0.99, "printed", 20.0) for value in lines)
    if not seen.units:
        return replace(seen, texts=texts, codes=())
    return replace(seen, units=(replace(seen.units[0], texts=texts, codes=()),))


def pooled(model, *photos, index=INDEX):
    return pool_views(gather_views(photos), index, model)


def variant_chances(model, key: str, *photos) -> dict[str, float]:
    judged = variants_of(pooled(model, *photos), KEYS.index(key), model)
    return dict(zip((v.key for v in CATALOGUE.by_key[key].variants), judged.chances.tolist(), strict=True))


def test_families_stand_by_their_probability_and_by_their_evidence_where_all_are_ruled_out(model):
    told = pooled(model, photo("AUK 11", "front"))
    sums = told.fused.log_odds.sum(axis=1)
    best, worst = int(sums.argmin()), int(sums.argmax())
    families = np.full(len(KEYS), 1e-9) * np.arange(1, len(KEYS) + 1)  # trees say next to the same of them
    families[best] = 0.9
    ranked = replace(told, posterior=replace(told.posterior, families=families)).ranked.tolist()
    assert ranked[:2] == [best, worst]
    assert ranked[1:] == sorted(set(range(len(KEYS))) - {best}, key=lambda row: -sums[row])


def test_the_label_in_any_photo_tells_the_variant(model):
    front, label = photo("KNOT 40", "front"), photo("KNOT 40", "back", "K58214/302 G")
    for shots in ((front, label), (label, front)):
        chances = variant_chances(model, "KNOT 40", *shots)
        assert max(chances, key=chances.__getitem__) == "G"
        assert chances["G"] > 0.95


def test_the_variants_of_each_family_are_judged_by_its_own(model):
    told = pooled(model, photo("KNOT 40", "back", "K58214/302 G"))
    for key in ("AUK 11", "KNOT 40", "KNOT 41"):  # asked one after the other, each worked out once
        row = KEYS.index(key)
        fresh = pooled(model, photo("KNOT 40", "back", "K58214/302 G"))
        chances = variants_of(told, row, model).chances
        assert len(chances) == len(CATALOGUE.families[row].variants)
        assert chances == pytest.approx(variants_of(fresh, row, model).chances)


def test_a_colour_that_vision_was_not_taught_is_believed_by_half(model):
    """It passes for what is seen, or tells nothing: KNOT 40 has a plug in the last colour of the table."""
    eleven = np.array(model.noise.colour)[:11, :11]
    colour = tuple(map(tuple, (eleven / eleven.sum(axis=1, keepdims=True)).tolist()))
    untaught = replace(model, noise=replace(model.noise, colour=colour))
    front = photo("KNOT 40", "front")
    # Read one way alone: were the other allowed, trees would say the same of both.
    front = replace(front, units=(replace(front.units[0], other_order=None),))
    told = pooled(untaught, front)
    (passing,) = predict(untaught, [told.fused])
    blank = pooled(untaught, front, index=INDEX.without_colours(11)).posterior
    assert told.posterior.families == pytest.approx((passing.families + blank.families) / 2)
    assert told.posterior.unknown == pytest.approx((passing.unknown + blank.unknown) / 2)
    assert not np.allclose(passing.families, blank.families, atol=1e-6)


def test_a_plate_of_the_donor_tells_the_variant_by_its_year(model):
    front = photo("AUK 11", "front")
    line = Text((), "1" * 17, 0.99, "printed", 20.0)  # passes its check; the tenth means 2001 or 2031
    beside = replace(front, texts=(line,))
    assert pooled(model, front).donor_years == ()
    assert pooled(model, beside).donor_years == (2001, 2031)
    chances = variant_chances(model, "AUK 11", beside)  # early is of 1996 to 1999, late of 2000 to 2004
    assert chances["late"] > 2 * chances["early"]


def test_what_a_decision_costs_is_that_of_family_and_variant_together():
    def believed(*families: float) -> Posterior:
        return Posterior(np.array(families), 1.0 - sum(families), np.zeros(len(families)))

    costs = Costs()  # costs: models/decision/costs.py
    assert expected_cost(believed(0.999, 0.001), 0.998, costs) == pytest.approx(0.001 * 200 + 0.002 * 200)
    assert expected_cost(believed(0.5, 0.5), 1.0, costs) == costs.second_look
    assert expected_cost(believed(0.01, 0.01), 1.0, costs) == pytest.approx(0.02 * 20)  # refused
