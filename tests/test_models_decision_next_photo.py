"""Which photo to take next, by playing each one through."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision import next_photo
from plugface.models.decision.next_photo import PHOTOS, _draw_photos, _photos_of
from plugface.models.decision.variants import hear
from plugface.models.identify import identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.rules import fit_view, fit_views
from plugface.models.unit_choice import gather_views


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(Path(__file__).parent.parent / "training_data_demo" / "marrow_finch")


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


@pytest.fixture(scope="module")
def views(catalogue, model):
    """Photos of every kind, of several families."""
    rng, found = np.random.default_rng(2), []
    for place, view in enumerate(PHOTOS * 3):
        family = catalogue.families[place % len(catalogue.families)]
        found += gather_views([draw_observations(family, family.variants[0], view, model.noise, rng)])
    return tuple(found)


def test_photos_are_compared_together_as_they_are_one_by_one(catalogue, model, views):
    index = next_photo.index_families(catalogue.families[:3])
    together = fit_views(views, index, model.noise)
    assert len({fit.log_odds.tobytes() for fit in together}) > 3
    for view, ours in zip(views, together, strict=True):
        alone = fit_view(view, index, model.noise)
        for name in ("log_odds", "measured", "deviance", "suffix_margin"):
            np.testing.assert_array_equal(getattr(ours, name), getattr(alone, name))
    family = catalogue.families[0]
    for view, ours in zip(views, hear(family, views, model.noise), strict=True):
        (alone,) = hear(family, [view], model.noise)
        assert ours.photo == alone.photo
        for kind, (odds, read) in alone.told.items():
            assert ours.told[kind][1] == read
            np.testing.assert_array_equal(ours.told[kind][0], odds)


def test_what_is_kept_is_of_these_families_these_views_and_this_error_model(catalogue, model):
    first, second = catalogue.families[:2], catalogue.families[1::-1]
    other = replace(model.noise, miss=0.5)
    asked = [
        (families, wanted, noise)
        for families in (first, second)
        for wanted in (("front", "back"), ("back",))
        for noise in (model.noise, other)
    ]
    for families, wanted, noise in asked * 2:
        kept = _photos_of(families, wanted, noise)
        for ours, anew in zip(kept, _draw_photos(families, wanted, noise), strict=True):
            assert (ours.place, ours.years, len(ours.fits)) == (anew.place, anew.years, len(anew.fits))
            for one, two in zip(ours.fits, anew.fits, strict=True):
                np.testing.assert_array_equal(one.log_odds, two.log_odds)


def test_the_same_photos_get_the_same_advice_however_often_it_is_asked(catalogue, model):
    family = catalogue.families[0]
    rng = np.random.default_rng(1)
    seen = [draw_observations(family, family.variants[0], "front", model.noise, rng)]
    next_photo._recent.clear()
    cold = identify(seen, catalogue, model).next_photo
    assert cold is not None
    assert next_photo._recent
    assert identify(seen, catalogue, model).next_photo == cold


def test_no_more_is_kept_than_stated(catalogue, model):
    next_photo._recent.clear()
    for noise in [replace(model.noise, miss=0.1 + 0.001 * k) for k in range(next_photo._KEPT + 3)]:
        _photos_of(catalogue.families[:1], ("donor plate",), noise)
    assert len(next_photo._recent) <= next_photo._KEPT
