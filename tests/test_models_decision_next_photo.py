"""Which photo to take next, by playing each one through."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import index_catalogue, index_families, index_part
from plugface.models.decision import imagined
from plugface.models.decision.imagined import ImaginedPhotos, imagined_photos
from plugface.models.decision.next_photo import PHOTOS
from plugface.models.decision.variants import hear
from plugface.models.identify import identify
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching import rules
from plugface.models.matching.rules import fit_view, fit_views
from plugface.models.unit_choice import gather_views
from plugface.vision.observations import Code


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
    index = index_families(catalogue.families[:3])
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
        for kind, said in alone.told.items():
            assert (ours.told[kind].read, ours.told[kind].claims) == (said.read, said.claims)
            np.testing.assert_array_equal(ours.told[kind].odds, said.odds)


def test_a_part_of_a_catalogue_is_judged_as_in_the_whole_of_it(catalogue, model, views):
    first = catalogue.families[0]
    label = first.label.model_copy(update={"barcode_payload": "Z(?P<number>.+)Z"})
    first = first.model_copy(update={"label": label})
    whole = index_families((first, *catalogue.families[1:]))
    code = Code(((0.0, 0.0),) * 4, "qr", "ZKESTRELZ", "verified")
    views = (*views, replace(views[1], codes=(code,)))
    fits = fit_views(views, whole, model.noise)
    unmarked = [row for row, family in enumerate(catalogue.families) if not family.marks]
    for rows in ([5], [7, 2], [0, 1, 12], unmarked):
        parts = fit_views(views, index_part(whole, rows), model.noise)
        for ours, theirs in zip(parts, fits, strict=True):
            np.testing.assert_array_equal(ours.measured, theirs.measured)
            for name in ("log_odds", "deviance", "suffix_margin"):
                # 1e-12: a sum over plugs runs in another order beside more families.
                np.testing.assert_allclose(
                    getattr(ours, name), getattr(theirs, name)[rows], atol=1e-12, rtol=0
                )


def test_a_family_is_shown_by_the_same_photos_whatever_was_asked_before(catalogue, model):
    index = index_catalogue(catalogue)
    asked = [((0, 1), ("front", "back"), 3), ((1,), ("back", "donor plate"), 6), ((1, 0, 4), PHOTOS, 2)]
    alone = [ImaginedPhotos(index, model.noise).take(*one) for one in asked]
    for order in ((0, 1, 2), (2, 1, 0), (1, 1, 2, 2, 0, 0)):
        photos = ImaginedPhotos(index, model.noise)
        for place in order:
            assert_same(photos.take(*asked[place]), alone[place])
    turned = ImaginedPhotos(index, model.noise).take((0, 1, 4), PHOTOS, 2)
    for one, other in ((turned[0], alone[2][2]), (turned[2], alone[2][0])):  # of one family each
        np.testing.assert_array_equal(one.fits[0].log_odds, other.fits[0].log_odds[[1, 0, 2]])
    # what is asked of fewer photos are the first of those that are asked of more
    assert_same(alone[1][:3], [photo._replace(place=0) for photo in alone[0][9:12]], of_first=True)


def assert_same(ours, theirs, *, of_first=False):
    assert len(ours) == len(theirs)
    for one, other in zip(ours, theirs, strict=True):
        assert (one.place, one.years, len(one.fits)) == (other.place, other.years, len(other.fits))
        for mine, its in zip(one.fits, other.fits, strict=True):
            if of_first:  # held against this family alone
                np.testing.assert_array_equal(mine.log_odds[0], its.log_odds[1])
                continue
            # The same but for the last bit: sums over more photos at a time add up in another order.
            for name in ("log_odds", "deviance"):
                np.testing.assert_allclose(getattr(mine, name), getattr(its, name), rtol=1e-14)
            for name in ("measured", "suffix_margin"):
                np.testing.assert_array_equal(getattr(mine, name), getattr(its, name))
        for mine, its in zip(one.heard, other.heard, strict=True):
            for kind, said in mine.told.items():
                assert (its.told[kind].read, its.told[kind].claims) == (said.read, said.claims)
                np.testing.assert_array_equal(its.told[kind].odds, said.odds)


def test_a_family_that_was_met_is_neither_drawn_nor_compared_again(catalogue, model, monkeypatch):
    photos = ImaginedPhotos(index_catalogue(catalogue), model.noise)
    first = photos.take((0, 1), ("front", "back"), 3)
    monkeypatch.setattr(imagined, "draw_observations", None)
    monkeypatch.setattr(imagined, "fit_views", None)
    assert_same(photos.take((0, 1), ("front", "back"), 3), first)
    assert len(photos.take((1,), ("back",), 3)) == 3


def test_photos_are_kept_for_this_catalogue_and_this_error_model(catalogue, model):
    index, other = index_catalogue(catalogue), replace(model.noise, miss=0.5)
    photos = imagined_photos(index, model.noise)
    assert imagined_photos(index, model.noise) is photos
    assert imagined_photos(index, other) is not photos
    assert imagined_photos(replace(index), model.noise) is not photos
    of_others = imagined_photos(index, other).take((0,), ("front",), 6)
    assert any(
        (one.fits[0].log_odds != two.fits[0].log_odds).any()
        for one, two in zip(photos.take((0,), ("front",), 6), of_others, strict=True)
    )


def test_photos_are_compared_anew_where_the_rules_change(catalogue, model, monkeypatch):
    index = index_catalogue(catalogue)
    photos = imagined_photos(index, model.noise)
    monkeypatch.setattr(rules, "RULES", (*rules.RULES,))
    assert imagined_photos(index, model.noise) is not photos


def test_the_same_photos_get_the_same_advice_however_often_it_is_asked(catalogue, model):
    family = catalogue.families[0]
    rng = np.random.default_rng(1)
    seen = [draw_observations(family, family.variants[0], "front", model.noise, rng)]
    imagined._kept.clear()
    cold = identify(seen, catalogue, model).next_photo
    assert cold is not None
    assert len(imagined._kept) == 1
    assert identify(seen, catalogue, model).next_photo == cold


def test_no_more_is_kept_than_stated(catalogue, model, monkeypatch):
    monkeypatch.setattr(imagined, "MAX_KEPT", 10)
    photos = ImaginedPhotos(index_catalogue(catalogue), model.noise)
    for row in range(5):
        photos.take((row,), ("front",), 3)
        assert photos.n_compared <= 10 + 3
    for k in range(6):
        imagined_photos(index_catalogue(catalogue), replace(model.noise, miss=0.1 + 0.01 * k))
    assert len(imagined._kept) == 4


def test_a_label_on_the_plug_face_is_drawn_there(catalogue, model):
    family = catalogue.by_key["KNOT 40"]
    family = family.model_copy(update={"label": family.label.model_copy(update={"side": "face"})})
    rng, noise = np.random.default_rng(0), model.noise
    drawn = [draw_observations(family, family.variants[0], "front", noise, rng) for _ in range(20)]
    printed = [text for seen in drawn for text in seen.units[0].texts if text.kind == "printed"]
    assert any(family.variants[0].service_numbers[0] in text.value for text in printed)
    backs = [draw_observations(family, family.variants[0], "back", noise, rng) for _ in range(5)]
    assert not any(seen.units[0].texts or seen.units[0].codes for seen in backs)
