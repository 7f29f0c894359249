"""Every number of the error model says whether it was measured, and on how many cases."""

import json
from dataclasses import replace

import numpy as np
import pytest
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.error_model_fit import PRIOR_COUNT, fit_error_model
from plugface.models.unit_choice import ObservedUnit


@pytest.fixture(scope="module")
def shipped():
    return load_model(default_model_path()).noise


def units(catalogue, n: int):
    rng, noise = np.random.default_rng(1), replace(ErrorModel(), face_wrong=0.0)
    for k in range(n):
        family = catalogue.families[k % len(catalogue.families)]
        seen = draw_observations(family, family.variants[0], "front", noise, rng)
        yield ObservedUnit(f"u{k}", (seen,), family.key, family.variants[0].key)


def test_without_photos_only_the_characters_are_measured():
    noise = ErrorModel()
    measured = {name for name in noise.numbers() if noise.origin(name) != "assumed"}
    assert measured == {"character"}
    assert "basis" not in noise.numbers()


def test_what_fronts_can_show_is_measured_and_what_they_cannot_stays_assumed():
    catalogue = invent_catalogue(6, 6)
    fitted = fit_error_model(units(catalogue, 12), catalogue)
    assert fitted.origin("turn_unknown").startswith("measured, n = ")
    assert int(fitted.origin("turn_unknown").rpartition(" ")[2]) <= 12
    # A back was never photographed, so nothing is known of labels; what no photo shows is never measured.
    for name in ("label_found", "barcode_read", "line_read", "kind_wrong", "unknown"):
        assert fitted.origin(name) == "assumed"
        assert getattr(fitted, name) == getattr(ErrorModel(), name)
    n = sum(fitted.origin(name) != "assumed" for name in fitted.numbers())
    assert f"{n} of {len(fitted.numbers())} numbers" in fitted.basis


def test_the_shipped_numbers_are_marked_and_eleven_of_them_are_assumed(shipped):
    origins = {name: shipped.origin(name) for name in shipped.numbers()}
    assumed = {name for name, origin in origins.items() if origin == "assumed"}
    assert len(assumed - {"pins_exact", "pins_close"}) == 11  # pins are hardly ever counted
    assert all(getattr(shipped, name) == getattr(ErrorModel(), name) for name in assumed)
    assert f"{len(origins) - len(assumed)} of {len(origins)} numbers" in shipped.basis


def test_the_shipped_counts_are_those_the_shares_were_made_of(shipped):
    # A share is (hits + 10 assumed) / (n + 10): with the right n the hits come out whole.
    plain = (
        "miss pins_measured place_measured turn_unknown mark_read label_found barcode_read mark_elsewhere "
    )
    plain += "mark_unsure mark_garbled mark_wrong mark_lost mark_added mark_cut"
    counted = dict(shipped.counted)
    for name in plain.split():
        share, assumed = getattr(shipped, name), getattr(ErrorModel(), name)
        hits = share * (counted[name] + PRIOR_COUNT) - PRIOR_COUNT * assumed
        assert hits == pytest.approx(round(hits), abs=1e-6), name


def test_origins_come_back_from_json_whatever_the_order_of_its_keys(shipped):
    text = json.dumps(shipped.to_json(), sort_keys=True)
    assert ErrorModel.from_json(json.loads(text)) == shipped
    assert json.loads(text)["origins"]["unknown"] == "assumed"
    assert json.loads(text)["origins"]["miss"] == f"measured, n = {dict(shipped.counted)['miss']}"


def test_a_file_of_an_older_version_is_read_and_written_as_it_was(shipped):
    raw = shipped.to_json()
    del raw["origins"]
    older = ErrorModel.from_json(json.loads(json.dumps(raw)))
    assert older.origin("miss") == older.origin("unknown") == "not recorded"
    assert replace(older, counted=shipped.counted) == shipped
    assert json.loads(json.dumps(older.to_json())) == json.loads(json.dumps(raw))


def test_a_file_from_before_places_had_a_shift_is_read_as_one_that_allows_none(shipped):
    raw = shipped.to_json()
    del raw["place_shift"], raw["origins"]["place_shift"]
    older = ErrorModel.from_json(raw)
    assert older == replace(shipped, place_shift=0.0)
    assert older.origin("place_shift") == "assumed"


@pytest.mark.parametrize(
    "change",
    [
        {"miss": "guessed"},
        {"miss": "measured, n = many"},
        {"miss": "measured, n = 0"},
        {"beauty": "assumed"},
    ],
)
def test_an_origin_that_is_none_is_refused(shipped, change):
    raw = shipped.to_json()
    with pytest.raises(ValueError, match=r"origin|measured"):
        ErrorModel.from_json({**raw, "origins": {**raw["origins"], **change}})


def test_a_number_that_is_not_marked_is_refused(shipped):
    raw = shipped.to_json()
    del raw["origins"]["miss"]
    with pytest.raises(ValueError, match="every number"):
        ErrorModel.from_json(raw)
    with pytest.raises(ValueError, match="no number 'beauty'"):
        shipped.origin("beauty")
