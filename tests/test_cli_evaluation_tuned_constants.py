"""The table of tuned constants names all of them, and prints the values that the code has."""

import ast
import json
import re
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import pytest
from plugface.cli.evaluation import constant_trials, golden, measure_vision, tuned_constants
from plugface.cli.evaluation.constant_trials import PhotoTask, Trial, Tried, try_photo
from plugface.cli.evaluation.measure_vision import Tally
from plugface.cli.evaluation.tuned_constants import (
    CONSTANTS,
    choose_constants,
    find_cheap,
    find_other_unit_confidence,
    judge,
    list_constants,
)
from plugface.cli.settings import demo_folder
from plugface.vision.detection import segmenter
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo

ROOT = Path(__file__).parents[1]
TUNED = re.compile(r"chosen on|calibration (split|splits|part)")


def speaking_constants():
    """(module, name) of each constant whose comment says that it was chosen on photos."""
    for path in [*ROOT.glob("vision/**/*.py"), *ROOT.glob("models/**/*.py")]:
        lines = path.read_text(encoding="utf-8").splitlines()
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in ast.parse("\n".join(lines)).body:
            if not isinstance(node, ast.Assign | ast.AnnAssign):
                continue
            first = node.lineno - 1
            while first and lines[first - 1].startswith("#"):
                first -= 1
            comment = " ".join(line.lstrip("#: ") for line in lines[first : node.lineno - 1])
            comment += lines[node.lineno - 1].partition("#")[2]
            if not TUNED.search(comment.lower()):
                continue
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for name in [n for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]:
                yield module, name.id


def test_no_constant_that_was_chosen_on_photos_is_missing_from_the_table():
    listed = {(one.module, one.name) for one in CONSTANTS}
    found = set(speaking_constants())
    assert len(found) >= 8
    assert found - listed == set()


def test_what_is_printed_as_stored_is_what_the_code_has():
    for one, line in zip(CONSTANTS, list_constants(), strict=True):
        value = getattr(import_module(f"plugface.{one.module}"), one.name)
        assert line.name == f"{one.module}.{one.name}"
        if isinstance(value, int | float):
            assert float(line.stored) == pytest.approx(value, rel=1e-5)
        else:
            parts = value if isinstance(value, tuple) else (value.seen, value.held, value.settled)
            assert line.stored == "/".join(f"{part:g}" for part in parts)
        assert (one.means == "none") == bool(one.reason), "what cannot be found again says why"
        assert (one.means == "look") == bool(one.tried)


def test_the_cheap_part_measures_a_small_sample():
    lines = {line.name: line for line in find_cheap(12)}
    assert lines["models.unit_choice.OTHER_UNIT_CONFIDENCE"].found.startswith("0.")
    assert "cases" in lines["error model miss"].how
    assert "assumed" in lines["error model unknown"].how


def test_the_least_confidence_of_a_true_unit_sets_the_threshold():
    rows = golden.choose_rows()
    seen = golden.read_seen()
    value, how = find_other_unit_confidence(seen, rows)
    assert value == 0.8
    assert how == "units from 0.84, 0 of 0 other things below"
    assert find_other_unit_confidence(seen, []) == (
        pytest.approx(float("nan"), nan_ok=True),
        "no photo of one unit",
    )
    # What is stored may not be above these.
    assert tuned_constants.CONSTANTS[0].stored <= value - 0.05


def tally(**counts: int) -> Tally:
    """Counts by their names, `_` for the space."""
    return Tally({name.replace("_", " "): count for name, count in counts.items()})


def tried_of(tallies: dict) -> Tried:
    """What was tried, in no time."""
    return Tried(tallies, dict.fromkeys(tallies, 0.0), 1)


UNITS = "vision.detection.units.MIN_CONFIDENCE"
PLUGS = "vision.detection.connectors.MIN_CONFIDENCE"


def test_each_constant_is_judged_by_its_own_criterion():
    good_units = tally(unit_true=9, unit_found=9, unit_recalled=9, unit_precise=9)
    good_plugs = tally(unit_true=9, unit_found=18, unit_recalled=9, unit_precise=9)
    for one, plugs in ((good_units, 2), (good_plugs, 8)):
        one.add("connector true", 8)
        one.add("connector found", 8)
        one.add("connector hit", plugs)
    for name, winner in ((UNITS, good_units), (PLUGS, good_plugs), ("vision.observe.WHOLE_PX", good_plugs)):
        (one,) = choose_constants([name])
        tried = tried_of({None: tally(), **dict.fromkeys(one.trials, tally())})
        better, other = one.trials[:2]
        loser = good_plugs if winner is good_units else good_units
        tried.tallies |= {better: winner, other: loser}
        assert judge(one, tried).found == f"{better.value:g}", name


def test_a_unit_that_is_barely_seen_is_neither_asked_for_nor_false():
    found = tally(unit_true=2, unit_found=3, unit_recalled=2, unit_precise=3)
    assert constant_trials.score_units(found) == 1
    found.add("unit found")
    assert constant_trials.score_units(found) == pytest.approx(4 / 5)


def test_of_equals_the_stored_value_stays():
    (one,) = choose_constants(["WHOLE_PX"])
    same = tally(unit_true=1, unit_found=1, unit_recalled=1, unit_precise=1)
    line = judge(one, tried_of(dict.fromkeys((None, *one.trials), same)))
    assert line.found == line.stored


def test_the_temperature_is_the_least_that_is_seldom_sure_and_wrong():
    (one,) = choose_constants(["TEMPERATURE"])
    wrong = {0.8: 9, 1.0: 6, 1.2: 5, 1.4: 2, 1.6: 0}  # of 1,000, of which 0.5 % are 5
    values = {None: one.stored, **{trial: trial.value for trial in one.trials}}
    tried = tried_of(
        {trial: tally(sure_and_wrong=wrong[v], colour_asked=1000) for trial, v in values.items()}
    )
    assert judge(one, tried).found == "1.2 or more"
    for each in tried.tallies.values():
        each.counts["sure and wrong"] = 6
    assert judge(one, tried).found == "none tried"


def test_constants_are_chosen_by_the_end_of_their_names():
    assert {one.full_name for one in choose_constants(["MIN_CONFIDENCE"])} == {UNITS, PLUGS}
    assert [one.full_name for one in choose_constants(["units.MIN_CONFIDENCE"])] == [UNITS]
    assert len(choose_constants([])) == 8
    with pytest.raises(ValueError, match="no constant found by looking is called CONFIDENCE; there are vis"):
        choose_constants(["CONFIDENCE"])


@pytest.fixture
def task(tmp_path):
    """A photo of one unit from the golden set, its close-up looked at too, and nothing to try on it yet."""
    row = next(row for row in golden.choose_rows() if row["view"] == "front" and len(row["units"]) == 1)
    return PhotoTask(demo_folder() / row["photo"], json.dumps(row), (), tmp_path)


def test_the_network_runs_once_for_each_picture(task, monkeypatch):
    ran = []
    load = segmenter.load_segmenter

    class Counted:
        def run(self, names, fed):
            ran.append(fed["rgb"].shape)
            return load().run(names, fed)

    monkeypatch.setattr(segmenter, "load_segmenter", lambda *_, **__: Counted())
    photo = decode_photo(task.path.read_bytes(), name=task.path.name)
    plain = Tally()
    measure_vision.score_photo(observe(photo, read_text=False), json.loads(task.row), plain)
    alone, ran[:] = list(ran), []
    unsure = Trial("vision.detection.units", "MIN_CONFIDENCE", 1.1)
    with unsure.at_work():
        observe(photo, read_text=False)
    alone_unsure, ran[:] = list(ran), []

    warm = Trial("vision.colour.naming", "TEMPERATURE", 1.6)
    found = try_photo(replace(task, trials=(warm,)))
    assert sorted(ran) == sorted(alone)
    assert found["stored"]["counts"] == plain.counts
    assert plain.counts["unit recalled"] == 1

    ran.clear()
    again = try_photo(replace(task, trials=(warm, unsure)))
    assert again[warm.key] == found[warm.key]
    assert again["stored"] == found["stored"]  # kept, and so not looked at again
    assert again[unsure.key]["counts"]["unit recalled"] == 0
    assert sorted(ran) == sorted(alone_unsure)

    ran.clear()
    assert try_photo(replace(task, trials=(unsure,))) == again
    assert ran == []


def test_a_trial_sets_the_value_where_it_is_read_and_puts_it_back():
    (one,) = choose_constants(["MIN_AREA_RATIO"])
    from plugface.vision import observations
    from plugface.vision import observe as reader

    held = reader.MIN_AREA_RATIO
    with one.trials[0].at_work():
        assert one.trials[0].value == reader.MIN_AREA_RATIO
        assert held == observations.MIN_AREA_RATIO
    assert held == reader.MIN_AREA_RATIO


def test_every_value_is_judged_on_the_same_photos_until_time_is_up(monkeypatch, tmp_path, capsys):
    clock, seen = iter((0, 0, 30, 60, 90)), []

    def look(task):
        seen.append(task.path.name)
        one = {"counts": {"unit true": 1, "unit found": 1, "unit recalled": 1}, "seconds": 2.0}
        return dict.fromkeys(("stored", *(trial.key for trial in task.trials)), one)

    monkeypatch.setattr(constant_trials, "time", SimpleNamespace(monotonic=lambda: next(clock)))
    monkeypatch.setattr(
        constant_trials, "map_unordered", lambda work, items, workers: ((i, look(i)) for i in items)
    )
    rows = [{"photo": f"{k}.jpg"} for k in range(5)]
    constants = choose_constants(["WHOLE_PX", "CLOSE_PX"])
    lines = tuned_constants.find_by_looking(constants, rows, tmp_path, workers=1, minutes=1)
    assert seen == ["0.jpg", "1.jpg"]
    assert ["2 photos, 8 processor seconds" in line.how for line in lines] == [True, True]
    assert "2 of 5 photos; the same command goes on" in capsys.readouterr().err


def test_a_part_of_the_photos_is_spread_and_so_is_its_beginning():
    rows = [{"photo": k} for k in range(100)]
    half = [row["photo"] for row in tuned_constants.spread(rows, 10)]
    assert sorted(half) == [0, 11, 22, 33, 44, 55, 66, 77, 88, 99]
    assert half != sorted(half)
    assert sorted(row["photo"] for row in tuned_constants.spread(rows, 0)) == list(range(100))


def test_a_matcher_trained_anew_is_laid_beside_the_stored_one(monkeypatch, capsys):
    stored, asked = tuned_constants.load_model(tuned_constants.default_model_path()), []

    def units(folder, split, catalogue, workers, tell):
        asked.append(split)
        return []

    heavier = replace(stored, weights=stored.weights + 1)

    def train(learned, held_back, catalogue, seed, *, noise, n_simulated, tell):
        tell("drawing units", n_simulated, n_simulated)
        return heavier

    monkeypatch.setattr(tuned_constants, "observed_units", units)
    monkeypatch.setattr(tuned_constants, "fit_error_model", lambda held_back, catalogue: stored.noise)
    monkeypatch.setattr(tuned_constants, "train_crossed", train)
    lines = {line.name: line for line in tuned_constants.find_by_training(1)}
    assert asked == ["train", "calibration"]
    plugs = lines["rule weight plugs"]
    assert float(plugs.found) == pytest.approx(float(plugs.stored) + 1)
    assert [name for name in lines if name.startswith("calibration")]
    assert f"drawing units: {tuned_constants.N_SIMULATED} of" in capsys.readouterr().err
