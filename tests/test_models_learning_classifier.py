"""Training, the model file, and what it refuses."""

import hashlib
import json
from dataclasses import replace

import numpy as np
import pytest
from plugface.models.catalogue.index import index_families
from plugface.models.learning import classifier, training
from plugface.models.learning.calibration import calibrated_log_odds
from plugface.models.learning.classifier import (
    SHORT_LIST,
    ModelError,
    default_model_path,
    load_model,
    predict,
    save_model,
)
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.learning.training import calibrate, simulate_examples, train, train_crossed
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.error_model_fit import fit_error_model
from plugface.models.matching.fusion import fuse_views
from plugface.models.matching.pair_features import MAX_LOOK_ALIKES, find_look_alikes
from plugface.models.matching.rules import fit_view, fit_views
from plugface.models.unit_choice import ObservedUnit, gather_views

HEAD = ("kind", "layout", "sha256")

#: Units that the model of these tests was trained on: enough to know families never seen.
N_SIMULATED = 150


@pytest.fixture(scope="module")
def model():
    return train([], None, 3, n_simulated=N_SIMULATED)


def observed(catalogue, noise, n, seed):
    rng = np.random.default_rng(seed)
    units = []
    for k in range(n):
        family = catalogue.families[k % len(catalogue.families)]
        shots = tuple(draw_observations(family, family.variants[0], v, noise, rng) for v in ("front", "back"))
        units.append(ObservedUnit(str(k), shots, family.key, family.variants[0].key))
    return units


def test_the_same_seed_gives_the_same_model(model):
    again = train([], None, 3, n_simulated=N_SIMULATED)
    assert again.about["training_sha256"] == model.about["training_sha256"]
    assert again.version == model.version


def test_probabilities_sum_to_one_and_a_better_fit_is_never_less_probable(model):
    example = simulate_examples(model.noise, 11, 1)[0]
    posterior = predict(model, [example.fused])[0]
    assert posterior.families.sum() + posterior.unknown == pytest.approx(1.0)
    row = int(posterior.scores.argmin())
    better = example.fused.log_odds.copy()
    better[row, 0] += 5.0
    after = predict(model, [replace(example.fused, log_odds=better)])[0]
    assert after.scores[row] >= posterior.scores[row] - 1e-9


def test_several_units_at_once_are_judged_as_each_alone(model, monkeypatch):
    monkeypatch.setattr(classifier, "MAX_TOGETHER", 5)
    cases = [e.fused for e in simulate_examples(model.noise, 12, 5)]
    cases += [case.without([0, 2]) for case in cases[3:]]
    cases = [*cases, *cases[:4]]  # of as many families, of fewer, and of as many again
    together = predict(model, cases)
    assert len(together) == len(cases)
    for case, posterior in zip(cases, together, strict=True):
        alone = predict(model, [case])[0]
        np.testing.assert_allclose(alone.families, posterior.families, rtol=0, atol=1e-12)
        np.testing.assert_allclose(alone.scores, posterior.scores, rtol=0, atol=1e-12)


def test_a_catalogue_never_seen_is_served(model):
    unseen = invent_catalogue(14, 991)
    index = index_families(unseen.families)
    right = []
    for unit in observed(unseen, model.noise, 28, 5):
        fits = [fit_view(v, index, model.noise) for v in gather_views(list(unit.observations))]
        best = predict(model, [fuse_views(fits)])[0].families.argmax()
        right.append(unseen.families[best].key == unit.family)
    assert np.mean(right) >= 0.9


def test_observed_units_train_and_calibrate(model, monkeypatch, coarse_trees):
    monkeypatch.setattr(training, "SIMULATED_BESIDE", 50)  # of 3,000; none of them is asked about here
    catalogue = invent_catalogue(8, 4)
    trained = train(observed(catalogue, model.noise, 16, 1), catalogue, 3, n_simulated=100)
    assert trained.about["observed_units"] == 16
    calibrated = calibrate(trained, observed(catalogue, model.noise, 24, 2), catalogue)
    assert calibrated.conformal.n == 24 * 3  # front, back, both
    assert "observed" in calibrated.about["calibrated_on"]


def test_a_crossed_model_is_calibrated_on_every_unit_by_trees_that_have_not_seen_it(
    model, monkeypatch, coarse_trees, draw_once
):
    catalogue = invent_catalogue(8, 4)
    taught, held = observed(catalogue, model.noise, 12, 1), observed(catalogue, model.noise, 24, 2)
    held = [replace(unit, unit_id=f"held {unit.unit_id}") for unit in held]
    truly, asked = training.observed_examples, []

    def spy(units, *rest, without):
        asked.append((without, {unit.unit_id for unit in units}))
        return truly(units, *rest, without=without)

    monkeypatch.setattr(training, "observed_examples", spy)
    monkeypatch.setattr(training, "SIMULATED_BESIDE", 50)
    crossed = train_crossed(taught, held, catalogue, 3, n_simulated=100, folds=3)
    all_taught, all_held = ({unit.unit_id for unit in units} for units in (taught, held))
    first, *folds = asked[:-2]
    assert first == (True, all_taught)  # the rules' weights
    assert asked[-2:] == [(True, all_taught), (False, all_held)]  # the model itself
    assert len(folds) == 2 * 3
    for (learns, seen), (scores, unseen) in zip(folds[::2], folds[1::2], strict=True):
        assert (learns, scores) == (True, False)
        assert seen | unseen == all_taught
        assert not seen & unseen
        assert len(unseen) == 4
    assert set.union(*(ids for _, ids in folds[1::2])) == all_taught
    assert crossed.conformal.n == (12 + 24) * 3  # front, back, both
    assert len(crossed.classifier.roots) == training.MAX_ITER  # of one training, not of all
    assert crossed.about["folds"] == 3
    assert crossed.about["metrics"]["cases"] == (12 + 24) * 3
    assert crossed.about["observed_units"] == 12
    again = train_crossed(taught, held, catalogue, 3, n_simulated=100, folds=3)
    assert again.version == crossed.version


def test_each_known_unit_is_also_learned_as_one_of_no_family_and_unknown_ones_keep_their_share(model):
    drawn = simulate_examples(model.noise, 5, 80)
    both = training.leave_families_out(drawn, 0.1)
    known = [e for e in drawn if e.truth >= 0]
    left_out = both[len(drawn) :]
    assert len(left_out) == len(known)
    for unit, without in zip(known, left_out, strict=True):
        assert without.truth == -1
        rest = np.delete(unit.fused.log_odds, unit.truth, 0)
        np.testing.assert_array_equal(without.fused.log_odds, rest)
    assert {e.count for e in both if e.truth >= 0} == {1.0}
    # Half of a tenth is by units left out; the other half by drawn ones, each of which counts half.
    known_count = sum(e.count for e in both if e.truth >= 0)
    assert sum(e.count for e in left_out) / known_count == pytest.approx(0.05 / 0.9)
    assert {e.count for e in both[: len(drawn)] if e.truth < 0} == {0.5}


def test_an_observed_unit_counts_as_several_and_its_doubles_share_that(model):
    catalogue = invent_catalogue(8, 4)
    (front, no_front, *_) = training.observed_examples(
        observed(catalogue, model.noise, 1, 1), catalogue, model.noise, without=True
    )
    assert (front.truth, no_front.truth) == (0, -1)
    assert front.count + no_front.count == pytest.approx(training.OBSERVED_COUNT)
    assert no_front.count == pytest.approx(training.OBSERVED_COUNT * model.noise.unknown)
    _, true, counts = training.list_pairs([front, no_front], model.weights, 0.1, most=2)
    assert counts.tolist() == [front.count] * 2 + [no_front.count] * 2
    assert true.sum() == 1


def test_pairs_that_count_more_weigh_more_in_the_trees(coarse_trees):
    rng = np.random.default_rng(2)
    features = rng.normal(size=(400, len(training.MONOTONE)))
    true = np.arange(400) % 2 == 0  # nothing tells them
    even, odd = (
        training.grow_trees(features, true, np.where(true, w, 1.0), 0).score(features).mean()
        for w in (1.0, 9.0)
    )
    assert odd - even == pytest.approx(np.log(9), abs=0.7)


@pytest.mark.parametrize("n_families", [8, 40])
def test_the_curve_is_fitted_to_every_pair_that_an_answer_looks_at(model, n_families):
    """One that knew each unit's best five alone left the others enough together to drown 'none of these'."""
    catalogue = invent_catalogue(n_families, 4)
    units = observed(catalogue, model.noise, 6, 2)
    examples = training.observed_examples(units, catalogue, model.noise, without=False)
    scores, true = training._score(model, examples)
    most = min(n_families, SHORT_LIST)
    assert most * len(examples) <= len(scores) <= (most + 1) * len(examples)  # one more: a true one beyond
    assert true.sum() == len(examples)
    on_all = training._fit_scored([(scores, true)], None)
    best = np.argsort(-scores)[: 5 * len(examples)]
    on_few = training._fit_scored([(scores[best], true[best])], None)
    floor = calibrated_log_odds(scores.min(), on_all), calibrated_log_odds(scores.min(), on_few)
    assert floor[0] < floor[1]


def test_families_that_nothing_tells_apart_share_what_one_of_them_would_get(model):
    catalogue = invent_catalogue(8, 4)
    family = catalogue.families[0]
    twin = family.model_copy(update={"key": "TWIN"})
    rng = np.random.default_rng(0)
    views = gather_views([draw_observations(family, family.variants[0], "front", model.noise, rng)])
    (alone,), (both,) = (
        predict(model, [fuse_views(fit_views(views, index_families(families), model.noise))])
        for families in (catalogue.families, (*catalogue.families, twin))
    )
    assert both.families[0] == pytest.approx(both.families[-1])
    assert both.families[0] + both.families[-1] == pytest.approx(alone.families[0])
    assert both.unknown == pytest.approx(alone.unknown)
    assert both.families[1:-1] == pytest.approx(alone.families[1:])


def test_joining_look_alikes_never_makes_one_of_them_sure(model, some):
    joined = 0
    n = len(some(range(500), 200, 300))
    for example in simulate_examples(model.noise, 8, n):
        rows = find_look_alikes(example.fused, model.weights)
        alone, both = classifier._judge(model, [example.fused])[0], predict(model, [example.fused])[0]
        if not rows or np.array_equal(alone.families, both.families):
            continue
        joined += 1
        assert both.families.max() < 0.953  # 20 to 1 against the rest of those that were joined
        assert both.families.sum() + both.unknown == pytest.approx(1.0)
    assert joined > 0.03 * n


def test_four_families_that_nothing_tells_apart_are_not_said_together(model):
    catalogue = invent_catalogue(8, 4)
    family = catalogue.families[0]
    twins = tuple(family.model_copy(update={"key": f"TWIN {k}"}) for k in range(MAX_LOOK_ALIKES))
    rng = np.random.default_rng(0)
    views = gather_views([draw_observations(family, family.variants[0], "front", model.noise, rng)])
    for n, said in ((MAX_LOOK_ALIKES - 1, True), (MAX_LOOK_ALIKES, False)):
        index = index_families((*catalogue.families, *twins[:n]))
        rows = find_look_alikes(fuse_views(fit_views(views, index, model.noise)), model.weights)
        assert sorted(rows) == ([0, *range(8, 8 + n)] if said else [])


@pytest.mark.parametrize("folds", [1, 5])
def test_a_crossed_model_needs_two_folds_and_a_unit_for_each(model, folds):
    catalogue = invent_catalogue(8, 4)
    units = observed(catalogue, model.noise, 4, 1)
    with pytest.raises(ValueError, match=f"4 observed units cannot be parted into {folds} folds"):
        train_crossed(units, units, catalogue, 3, n_simulated=200, folds=folds)


def test_a_saved_model_comes_back_the_same(model, tmp_path):
    path = tmp_path / "model.json"
    save_model(model, path)
    back = load_model(path)
    assert back.version == model.version
    assert back.about == model.about
    case = [e.fused for e in simulate_examples(model.noise, 12, 1)]
    np.testing.assert_array_equal(predict(back, case)[0].families, predict(model, case)[0].families)
    assert [p.name for p in tmp_path.iterdir()] == ["model.json"]


def test_the_shipped_model_is_small_and_says_what_it_was_made_from():
    model = load_model(default_model_path())
    assert default_model_path().stat().st_size < 300_000
    assert {"training_sha256", "libraries", "seed", "calibrated_on", "metrics"} <= set(model.about)
    assert {"scikit-learn", "numpy"} <= set(model.about["libraries"])
    assert model.about["metrics"]["cases"] > 0


def test_missing_foreign_and_truncated_files_are_refused_with_a_sentence(model, tmp_path):
    with pytest.raises(ModelError, match="no such model file"):
        load_model(tmp_path / "none.json")
    with pytest.raises(ModelError, match="directory"):
        load_model(tmp_path)
    path = tmp_path / "model.json"
    save_model(model, path)
    whole = path.read_bytes()
    for content, words in (
        (b"", "not a readable model file"),
        (b"PK\x03\x04 an archive", "not a readable model file"),
        (b"[" * 100_000, "not a readable model file"),
        (whole[:-100], "not a readable model file"),
        (b"[1, 2]", "not a model of plugface"),
        (b'{"kind": "something else"}', "not a model of plugface"),
        (
            whole.replace(b'"layout": 2', b'"layout": 3'),
            "layout 3, and this version of plugface reads layout 2",
        ),
        (whole.replace(b'"low": ', b'"low": 1'), "edited or damaged"),
        (whole.replace(b'"low": ', b'"low": 1e999, "n": '), "edited or damaged"),
        (whole.replace(b'"low": ', b'"low": NaN, "n": '), "NaN is not a number of JSON"),
    ):
        path.write_bytes(content)
        with pytest.raises(ModelError, match=words) as caught:
            load_model(path)
        assert str(path) in str(caught.value)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.update(rules=["plugs"]), "other matching rules"),
        (lambda d: d["weights"].pop(), "there must be 9 weights"),
        (lambda d: d.pop("about"), "'about' is missing"),
        (lambda d: d["calibration"].update(low=-1.0), "rising, finite curve"),
        (lambda d: d["conformal"].update(quantile=2.0), "no such conformal threshold"),
        (lambda d: d["noise"].update(miss=3.0), "miss must lie in 0..1"),
        (lambda d: d["noise"].update(colour=[[1.0]]), "confusion matrix"),
        (lambda d: d["trees"]["left"].__setitem__(0, 0), "do not lead to leaves"),
        (lambda d: d["trees"]["right"].__setitem__(0, 10**6), "leads nowhere"),
        (lambda d: d["trees"]["feature"].__setitem__(0, 99), "asks a feature that there is not"),
        (lambda d: d["trees"]["feature"].__setitem__(0, "print"), "must be whole numbers"),
        (lambda d: d["trees"]["roots"].clear(), "different lengths, or none"),
    ],
)
def test_a_file_that_was_edited_and_signed_again_is_refused_with_a_sentence(model, tmp_path, change, words):
    path = tmp_path / "model.json"
    save_model(model, path)
    raw = json.loads(path.read_text())
    learned = {k: v for k, v in raw.items() if k not in HEAD}
    change(learned)
    text = json.dumps(learned, sort_keys=True, separators=(",", ":"))
    signed = {**raw, **learned, "sha256": hashlib.sha256(text.encode()).hexdigest()}
    path.write_text(json.dumps({k: v for k, v in signed.items() if k in learned or k in HEAD}))
    with pytest.raises(ModelError, match=words):
        load_model(path)


def test_the_file_is_plain_json_that_any_reader_opens(model, tmp_path):
    path = tmp_path / "model.json"
    save_model(model, path)
    raw = json.loads(path.read_text(encoding="utf-8"))
    assert raw["kind"] == "plugface model"
    assert len(raw["about"]["training_sha256"]) == 64


def test_noise_is_measured_from_known_units():
    truth = replace(ErrorModel(), miss=0.15, mark_read=0.4, place_sd=0.03, face_wrong=0.0)
    truth = replace(truth, mark_wrong=0.12, mark_lost=0.08, mark_added=0.06, mark_cut=0.25, kind_wrong=0.0)
    catalogue = invent_catalogue(10, 6)
    fitted = fit_error_model(observed(catalogue, truth, 150, 7), catalogue)
    # 150 fronts, about 380 plugs: standard errors 0.02 and 0.04; the prior pulls by up to 0.02.
    assert fitted.miss == pytest.approx(0.15, abs=0.06)
    assert fitted.mark_read == pytest.approx(0.4, abs=0.14)
    # One place in twenty is wild, some of which the share that tells the spread takes in.
    assert fitted.place_sd == pytest.approx(0.045, abs=0.01)
    # About 60 marks of six characters: standard error 0.02; some slips look like another kind of slip.
    assert fitted.mark_wrong == pytest.approx(0.12, abs=0.06)
    assert fitted.mark_lost == pytest.approx(0.08, abs=0.05)
    assert fitted.mark_added == pytest.approx(0.06, abs=0.05)
    # Of six characters two cuts in five leave enough to be known and lose more than one: 0.25 becomes 0.11.
    assert fitted.mark_cut == pytest.approx(0.11, abs=0.07)
    assert "300 views" in fitted.basis
    assert fit_error_model([], catalogue).miss == pytest.approx(ErrorModel().miss)
