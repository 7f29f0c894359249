"""A rule is one entry: fusion, pooling, explanation and contradictions take it from the registry."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_catalogue
from plugface.models.identify import identify
from plugface.models.learning.classifier import ModelError, default_model_path, load_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching import rules
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.pooling import pool_views
from plugface.models.matching.rules import Column, Rule, columns_of_witness, rule_names
from plugface.models.unit_choice import gather_views
from plugface.vision.observations import Text

#: Nats for the family that the toy rule was told to favour.
SAID = 4.0


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


@pytest.fixture
def seen(catalogue):
    """Two fronts of one unit of the first family."""
    family = catalogue.families[0]
    rng = np.random.default_rng(0)
    return [draw_observations(family, family.variants[0], "front", ErrorModel(), rng) for _ in range(2)]


def toy(favoured: int, correlation: float, witness="") -> Rule:
    """A rule that always speaks for one family of the catalogue."""

    def fit(view, index, noise):
        return Column(np.where(np.arange(index.n_families) == favoured, SAID, 0.0))

    def explain(alone, view, noise, for_it):
        return f"the toy {'favours' if for_it else 'rejects'} {alone.families[0].key}"

    return Rule("toy", fit, explain, correlation, witness)


def add_entry(monkeypatch, model, rule):
    """Register a rule in the one place there is, and give the model the weight it would have learned."""
    monkeypatch.setattr(rules, "RULES", (*rules.RULES, rule))
    return replace(model, weights=np.append(model.weights, 1.0))


@pytest.mark.parametrize("correlation", [0.0, 0.5, 1.0])
def test_a_registered_rule_takes_part_in_fusion_and_in_the_explanation(
    monkeypatch, catalogue, model, seen, correlation
):
    key = catalogue.families[0].key
    before = {c.family: c for c in identify(seen, catalogue, model).candidates}
    learned = add_entry(monkeypatch, model, toy(0, correlation))
    after = {c.family: c for c in identify(seen, catalogue, learned).candidates}
    assert "toy" not in {e.rule for candidate in before.values() for e in candidate.evidence}
    said = {e.rule: e for e in after[key].evidence}
    assert said["toy"].message == f"the toy favours {key}"
    # Two equal views count 2 / (1 + rho) times (fusion.py); a weight of 1 keeps the nats as they are.
    assert said["toy"].weight == pytest.approx(SAID * 2 / (1 + correlation))
    # The others are held against the family that it favours, and so it speaks against them.
    others = [c for f, c in after.items() if f != key and c.rival == key]
    assert others
    for candidate in others:
        assert {e.rule: e.weight for e in candidate.evidence}["toy"] == pytest.approx(-said["toy"].weight)


def test_a_registered_rule_moves_the_probabilities(monkeypatch, catalogue, model, seen):
    views, index = gather_views(seen[:1]), index_catalogue(catalogue)  # two leave the others nothing
    former = pool_views(views, index, model)
    other = int(former.ranked[1])
    before = former.posterior.families[other]
    learned = add_entry(monkeypatch, model, toy(other, 0.5))
    assert pool_views(views, index, learned).posterior.families[other] > before


def test_a_registered_rule_speaks_for_its_side_of_label_and_casting(monkeypatch, model):
    add_entry(monkeypatch, model, toy(0, 0.5, "casting"))
    assert columns_of_witness("casting") == [rule_names().index("cast mark"), len(rule_names()) - 1]


def test_a_model_made_for_other_rules_is_refused(monkeypatch, model):
    add_entry(monkeypatch, model, toy(0, 0.5))
    with pytest.raises(ModelError, match="other matching rules"):
        load_model(default_model_path())


def test_no_two_rules_share_a_name():
    assert len(set(rule_names())) == len(rule_names()) == 9


@pytest.mark.parametrize(("name", "correlation"), [("", 0.5), ("toy", 1.5), ("toy", -0.1)])
def test_a_rule_without_a_name_or_with_an_impossible_correlation_is_refused(name, correlation):
    with pytest.raises(ValueError, match=r"name|correlation"):
        Rule(name, lambda *_: None, lambda *_: "", correlation)


def number_line(value):
    return Text(((0, 0), (9, 0), (9, 2), (0, 2)), value, 0.95, "printed", 20.0)


def two_sides(catalogue, on_front, on_back):
    """A front and a back of the first family's first variant, each with one more printed line."""
    family = catalogue.families[0]
    rng = np.random.default_rng(3)
    sides = [
        draw_observations(family, family.variants[0], side, ErrorModel(), rng) for side in ("front", "back")
    ]
    views = gather_views(sides)
    cleared = [
        replace(view, codes=(), texts=tuple(t for t in view.texts if t.kind == "cast")) for view in views
    ]
    lines = [[number_line(value) for value in values] for values in (on_front, on_back)]
    return tuple(replace(v, texts=(*v.texts, *more)) for v, more in zip(cleared, lines, strict=True))


@pytest.mark.parametrize("foreign", ["34994015", "7261-A04-77"])
def test_a_number_of_another_system_is_beside_the_point_where_the_makers_was_read(catalogue, model, foreign):
    own, index = catalogue.families[0].variants[0].service_numbers[0], index_catalogue(catalogue)
    plain = pool_views(two_sides(catalogue, [], [own]), index, model).posterior
    beside = pool_views(two_sides(catalogue, [foreign], [own]), index, model).posterior
    assert beside.unknown == pytest.approx(plain.unknown)
    assert beside.families == pytest.approx(plain.families)


@pytest.mark.parametrize("foreign", ["34994015", "7261-A04-77"])
def test_alone_a_number_of_another_system_still_makes_an_unknown_unit_more_probable(
    catalogue, model, foreign
):
    index = index_catalogue(catalogue)
    plain = pool_views(two_sides(catalogue, [], []), index, model).posterior
    alone = pool_views(two_sides(catalogue, [foreign], []), index, model).posterior
    assert alone.unknown > 2 * plain.unknown


def test_a_number_of_another_family_is_weighed_beside_the_makers(catalogue, model):
    own, other = (f.variants[0].service_numbers[0] for f in (catalogue.families[0], catalogue.families[-1]))
    index = index_catalogue(catalogue)
    plain = pool_views(two_sides(catalogue, [], [own]), index, model)
    both = pool_views(two_sides(catalogue, [other], [own]), index, model)
    number = rules.column_of("service number")
    assert both.fused.log_odds[0, number] < plain.fused.log_odds[0, number] - 5
    assert both.fused.log_odds[-1, number] > plain.fused.log_odds[-1, number] + 5


@pytest.mark.parametrize("serial", ["43477996", "K93412/277", "K31248/115"])
def test_a_serial_under_its_caption_says_as_little_as_one_behind_it(catalogue, seen, serial):
    index = index_catalogue(catalogue)

    def odds(*lines: str) -> np.ndarray:
        texts = tuple(Text((), line, 0.97, "printed", 20.0) for line in lines)
        view = replace(gather_views(seen, None)[0], texts=texts)
        (fit,) = rules.fit_unit([view], index, ErrorModel())
        return np.vstack([fit.log_odds, fit.measured, fit.deviance, fit.suffix_margin])

    for own in (("UNIT No K58214/302",), ("KNOT 40", "K58214/302")):
        assert np.array_equal(odds(*own, "SERIAL NO", serial), odds(*own, f"SERIAL NO {serial}"))


def test_captions_are_looked_at_once_a_view(catalogue, seen, monkeypatch):
    """A second time nothing more is left out; it is asked of each view of each unit."""
    index, views, asked = index_catalogue(catalogue), gather_views(seen, None), []
    known = rules.without_captioned
    monkeypatch.setattr(rules, "without_captioned", lambda *words: asked.append(words) or known(*words))
    for fit in (rules.fit_unit, rules.fit_views):
        asked.clear()
        fit(views, index, ErrorModel())
        assert len(asked) == len(views) == 2
