"""The scripts that measure growth: what they count, on catalogues small enough to check."""

import pytest
from plugface.cli.evaluation.bench_scale import draw_curve, measure_cost, write_catalogue
from plugface.cli.evaluation.measure_growth import FIGURES, grow, measure_growth
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.learning import training
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.invent import invent_catalogue


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


def test_a_written_catalogue_is_the_one_that_was_invented(tmp_path):
    invented = invent_catalogue(12, 3)
    write_catalogue(invented, tmp_path / "c")
    assert load_catalogue(tmp_path / "c").families == invented.families


def test_costs_are_measured_and_drawn(tmp_path, model):
    costs = [measure_cost(n, tmp_path / str(n), model, photos=1) for n in (5, 10)]
    assert [cost.families for cost in costs] == [5, 10]
    assert all(seconds > 0 for cost in costs for seconds in cost[1:])
    draw_curve(costs, tmp_path / "curve.png")
    assert (tmp_path / "curve.png").stat().st_size > 5_000


def test_a_grown_catalogue_keeps_the_families_it_had():
    whole = invent_catalogue(30, 2)
    small, large = grow(whole, 10), grow(whole, 20)
    assert large.families[:10] == small.families
    assert small.sha256 != large.sha256


def test_growth_has_a_row_for_each_size_model_and_set_of_photos(model, monkeypatch, coarse_trees):
    monkeypatch.setattr(
        training, "SIMULATED_BESIDE", 40
    )  # drawn for each size; the figures are not held here
    rows = measure_growth(model, (5, 8), units=1, confirmed=2)
    assert [row[:3] for row in rows][:4] == [
        (5, "as it came", "front"),
        (5, "as it came", "front and back"),
        (5, "calibrated again", "front"),
        (5, "calibrated again", "front and back"),
    ]
    assert len(rows) == 8
    for *_, figures in rows:
        assert len(figures) == len(FIGURES)
        assert all(0 <= figure <= 1 for figure in figures)
