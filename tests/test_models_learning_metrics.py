from dataclasses import replace

import numpy as np
import pytest
from plugface.models.decision.answers import Candidate, Caution, Decision, VariantChance
from plugface.models.learning import metrics
from plugface.models.learning.metrics import Case
from sklearn.metrics import roc_auc_score


def case(unit, views, family, best, probability, verdict="identified", variants=("a",), true_variant="a"):
    """One answer: `best` leads with `probability`; variant "a" leads in it."""
    chances = (VariantChance("a", 0.9), VariantChance("b", 0.1))
    decision = Decision(
        verdict,
        "",
        (Candidate(best, 0.0, probability, (), chances),),
        families=(best,),
        variants=variants,
    )
    return Case(unit, views, family, true_variant if family else None, decision)


def value(figures, name):
    return next(figure for figure in figures if figure.name == name).value


def test_a_wrong_family_and_a_wrong_variant_both_count_as_wrongly_accepted() -> None:
    assert not case("u", ("front",), "A", "A", 0.99).wrongly_accepted
    assert case("u", ("front",), "A", "B", 0.99).wrongly_accepted
    assert case("u", ("front",), "A", "A", 0.99, true_variant="b").wrongly_accepted
    assert case("u", ("front",), None, "A", 0.99).wrongly_accepted
    # Two variants left open: the family is right and no variant was claimed.
    assert not case("u", ("front",), "A", "A", 0.99, variants=("a", "b"), true_variant="b").wrongly_accepted
    assert not case("u", ("front",), "A", "B", 0.99, verdict="ambiguous").wrongly_accepted


def test_figures_count_what_they_say() -> None:
    cases = [
        case("1", ("front",), "A", "A", 0.99),
        case("1", ("back",), "A", "B", 0.6, verdict="ambiguous"),
        case("1", ("front", "back"), "A", "A", 0.999),
        case("2", ("front",), "B", "A", 0.7),
        case("2", ("front", "label"), "B", "B", 0.99, true_variant="b"),
    ]
    figures = metrics.deciding_figures(cases, n_calibration=99)
    assert value(figures, "family right, front and back") == 1.0
    assert value(figures, "family right, one front photo") == 0.5
    assert value(figures, "family right, one back photo") == 0.0
    assert value(figures, "variant right, front and back") == 0.5
    assert value(figures, "accepted") == pytest.approx(4 / 5)
    assert value(figures, "accepted and wrong") == pytest.approx(2 / 5)
    # One case for each unit: the one with the most photos.
    assert value(figures, "conformal sets that hold the truth, stated level 95 %") == 1.0


def test_calibration_is_judged_with_and_without_unknown_units() -> None:
    # Eight in ten are what they are called at 80 %, and all of those that the catalogue holds.
    cases = [case(str(i), ("front",), "A" if i < 8 else None, "A", 0.8) for i in range(10)]
    figures = metrics.deciding_figures(cases, n_calibration=99)
    assert value(figures, "expected calibration error, known units") == pytest.approx(0.2)
    assert value(figures, "the same, unknown units among them") == pytest.approx(0.0, abs=1e-12)


def test_nothing_to_measure_is_said_and_not_called_met() -> None:
    for figure in metrics.deciding_figures([], n_calibration=10) + metrics.unknown_figures([]):
        assert figure.value is None
        assert figure.met is None


def test_auroc_agrees_with_scikit_learn() -> None:
    rng = np.random.default_rng(5)
    scores = np.round(rng.normal(size=200), 1)  # rounded, so that there are ties
    positive = rng.random(200) < 0.4
    assert metrics.auroc(scores, positive) == pytest.approx(roc_auc_score(positive, scores), abs=1e-12)


def test_confusion_keeps_not_sure_apart_from_wrong() -> None:
    cases = [
        case("1", ("front",), "A", "A", 0.99),
        case("2", ("front",), "A", "B", 0.6, verdict="ambiguous"),
        case("3", ("front",), None, "A", 0.9, verdict="not_in_catalogue"),
    ]
    counts = metrics.confusion(cases)
    assert counts == {"A": {"A": 1, "not sure": 1}, "unknown": {"not in catalogue": 1}}


def test_hazards_without_a_caution_are_counted() -> None:
    warned = replace(case("1", ("front",), "H", "H", 0.99).decision, cautions=(Caution("high voltage", ""),))
    cases = [
        replace(case("1", ("front",), "H", "H", 0.99), decision=warned),
        case("2", ("front",), "H", "H", 0.99),
        case("3", ("back",), "H", "A", 0.5, verdict="ambiguous"),  # no plug in sight: not asked of
        replace(case("4", ("front",), "A", "A", 0.99), decision=warned),
        case("5", ("front",), "A", "A", 0.99),
    ]
    figures = metrics.caution_figures(cases, {"H"})
    assert value(figures, "hazard warned of, plug face among the photos") == 0.5
    assert value(figures, "hazard put forward without a caution") == pytest.approx(1 / 3)
    assert value(figures, "hazard caution on a harmless unit") == 0.5
