"""`plugface confirm` and `plugface learn`: from what a person found to a model in use."""

import hashlib
import json
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import platformdirs
import pytest
from PIL import Image
from plugface.analysis import Answer
from plugface.cli.commands import learn as learning
from plugface.cli.evaluation import train_matcher
from plugface.cli.limited_photo import read_photo
from plugface.cli.lot.worker import PipelineAnalyser
from plugface.cli.store import learned_model
from plugface.cli.store.confirmations import Truth, confirm_photos, list_confirmed
from plugface.cli.store.learned_model import former_model_path
from plugface.cli.store.ledger import Ledger, Photo, View, default_ledger, record_lot, record_unit
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.answers import Decision
from plugface.models.learning import training, training_data
from plugface.models.learning.calibration import Calibration
from plugface.models.learning.classifier import default_model_path, load_model, save_model
from plugface.models.learning.simulate import draw_observations
from plugface.models.learning.training_data import part_of
from plugface.models.matching.error_model import ErrorModel
from plugface.models.unit_choice import ObservedUnit, UnitIndex
from sqlalchemy import select

pytestmark = pytest.mark.usefixtures("look_once", "draw_once")

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"


@pytest.fixture(autouse=True)
def own_folder(monkeypatch, tmp_path):
    """A data folder of this test's own, and a model that is read anew."""
    monkeypatch.setattr(platformdirs, "user_data_path", lambda name: tmp_path / "data")
    monkeypatch.delenv("PLUGFACE_WHO", raising=False)
    learned_model.default_model.cache_clear()
    yield tmp_path / "data"
    learned_model.default_model.cache_clear()


def rows(sql: str):
    with closing(sqlite3.connect(default_ledger())) as database:
        return database.execute(sql).fetchall()


def test_photos_are_confirmed_with_hash_proposal_truth_who_and_when(run, plain_photo, seen_as):
    seen_as(front=("AUK 12", "home", "front"), back=("AUK 12", "home", "back"))
    photos = plain_photo("front.jpg"), plain_photo("back.jpg")
    said = run("confirm", *photos, "--true", "auk 12:HOME", "--who", "Ada", "--note", "label in hand")
    assert said.code == 0, said.err
    assert "AUK 12 home, by Ada." in said.out
    ((family, variant, who, note, when, proposal),) = rows(
        "SELECT family, variant, who, note, confirmed_at, proposal_id FROM confirmations"
    )
    assert (family, variant, who, note) == ("AUK 12", "home", "Ada", "label in hand")
    assert when.startswith("20")
    assert when.endswith("Z")
    assert rows(f"SELECT COUNT(*) FROM proposals WHERE id = {proposal}") == [(1,)]
    hashes = {row[0] for row in rows("SELECT sha256 FROM photos")}
    assert hashes == {read_photo(photo).sha256 for photo in photos}


def test_the_later_of_two_confirmations_counts_and_both_are_kept(run, plain_photo, seen_as):
    seen_as(front=("AUK 12", "home", "front"))
    photo = plain_photo("front.jpg")
    run("confirm", photo, "--true", "AUK 11", "--who", "Ada")
    key = run("confirm", photo, "--not-in-catalogue", "--who", "Bo").out.partition(":")[0]
    said = run("confirm", key, "--true", "AUK 12", "--who", "Cy")
    assert said.code == 0, said.err
    assert len(rows("SELECT id FROM confirmations")) == 3
    with closing(Ledger(default_ledger())) as ledger:
        (only,) = list_confirmed(ledger)
    assert only.unit.family == "AUK 12"
    assert only.unit.observations[0].units


def test_two_units_of_one_photo_are_two_truths(run, pallet):
    for number, true in ((1, "KNOT 40"), (2, "DUNLIN 6"), (2, "DUNLIN 6:second")):
        said = run("confirm", pallet, "--unit", number, "--true", true, "--who", "Ada")
        assert said.code == 0, said.err
    assert [len(rows(f"SELECT id FROM {table}")) for table in ("units", "proposals", "views")] == [2, 2, 2]
    with closing(Ledger(default_ledger())) as ledger:
        found = [(one.unit.family, one.unit.variant, one.unit.chosen) for one in list_confirmed(ledger)]
    assert found == [("KNOT 40", None, (UnitIndex(0),)), ("DUNLIN 6", "second", (UnitIndex(1),))]


def sorted_again(photo: str, lot: str) -> None:
    """Put another unit of a photo into the ledger, as a run that was sorted into it does."""
    with closing(Ledger(default_ledger())) as ledger, ledger.transaction() as session:
        lot_id = record_lot(session, lot, name=lot, source="")
        unit = record_unit(session, lot_id, f"{lot}-0001", method="alone", group_key=lot)
        photo_id = session.scalars(select(Photo.id).where(Photo.sha256 == photo)).one()
        session.add(View(unit_id=unit.id, photo_id=photo_id, part=0))


def test_of_units_that_share_a_view_the_latest_truth_counts(run, plain_photo, seen_as):
    seen_as(front=("AUK 12", "home", "front"), back=("AUK 12", "home", "back"))
    front, back = plain_photo("front.jpg"), plain_photo("back.jpg")
    for photo, true in ((front, "AUK 11"), (back, "KNOT 40")):
        run("confirm", photo, "--true", true, "--who", "Ada")
    sorted_again(read_photo(front).sha256, "R")
    for key, families in (("R-0001", ["KNOT 40", "AUK 12"]), ("HAND-", ["AUK 12", "KNOT 40"])):
        whole = rows(f"SELECT key FROM units WHERE key LIKE '{key}%' ORDER BY id")[0][0]
        run("confirm", whole, "--true", "AUK 12", "--who", "Bo")
        with closing(Ledger(default_ledger())) as ledger:
            assert [one.unit.family for one in list_confirmed(ledger)] == families
    run("confirm", front, back, "--true", "AUK 12:home", "--who", "Cy")
    with closing(Ledger(default_ledger())) as ledger:
        (only,) = list_confirmed(ledger)
    assert (only.unit.variant, len(only.photo_hashes)) == ("home", 2)


def test_photos_of_a_unit_that_the_ledger_has_confirm_that_one(run, plain_photo, seen_as):
    seen_as(front=("AUK 12", "home", "front"), back=("AUK 12", "home", "back"))
    front, back = plain_photo("front.jpg"), plain_photo("back.jpg")
    both = run("confirm", front, back, "--true", "AUK 11", "--who", "Ada").out.partition(":")[0]
    said = run("confirm", front, "--true", "AUK 12", "--who", "Bo")
    assert said.out.startswith(f"{both}: AUK 12")
    assert [rows(f"SELECT COUNT(*) FROM {table}") for table in ("units", "confirmations")] == [[(1,)], [(2,)]]
    sorted_again(read_photo(front).sha256, "R")  # nobody can say now which of the two is meant
    assert run("confirm", front, "--true", "AUK 12", "--who", "Bo").out.startswith("HAND-")
    assert rows("SELECT COUNT(*) FROM units") == [(3,)]


def test_a_photo_of_one_unit_goes_by_its_bytes_alone(run, plain_photo, seen_as):
    seen_as(front=("AUK 12", "home", "front"))
    photo = plain_photo("front.jpg")
    run("confirm", photo, "--true", "AUK 12", "--who", "Ada")
    digest = hashlib.sha256(read_photo(photo).sha256.encode()).hexdigest()
    assert rows("SELECT key, group_key FROM units") == [(f"HAND-{digest[:10].upper()}", digest)]


def test_a_truth_that_a_number_speaks_against_is_kept_and_that_is_said(run, plain_photo, seen_as):
    seen_as(faultless=True, back=("AUK 12", "home", "back"))
    photo = plain_photo("back.jpg")
    against = "Look at the label once more"
    said = run("confirm", photo, "--true", "AUK 12", "--who", "Ada")
    assert (said.code, against in said.out) == (0, False)
    key = said.out.partition(":")[0]
    for what, *true in (
        (photo, "--true", "AUK 11"),
        (key.lower(), "--true", "AUK 11"),
        (key, "--not-in-catalogue"),
    ):
        words = " ".join(run("confirm", what, *true, "--who", "Ada").out.split())
        assert against in words
        assert "listed for AUK 12 home" in words
    assert rows("SELECT family FROM confirmations") == [("AUK 12",), ("AUK 11",), ("AUK 11",), ("",)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--who", "Ada"), "say what it is"),
        (("--true", "AUK 12", "--not-in-catalogue", "--who", "Ada"), "say what it is"),
        (("--true", "AUK 12"), "say who looked"),
        (("--true", "AUX 12", "--who", "Ada"), 'no family "AUX 12"'),
        (("--true", "AUK 12:Z", "--who", "Ada"), 'no variant "Z"'),
    ],
)
def test_a_truth_that_cannot_be_recorded_is_refused(run, plain_photo, words, said):
    answer = run("confirm", plain_photo("front.jpg"), *words)
    assert answer.code == 2
    assert said in " ".join(answer.err.replace("│", " ").split())
    assert not default_ledger().exists()


def test_a_unit_that_is_not_there(run, plain_photo, seen_as):
    assert run("confirm", "HAND-1", "--true", "AUK 12", "--who", "Ada").code == 2
    seen_as(front=("AUK 12", "home", "front"))
    run("confirm", plain_photo("front.jpg"), "--true", "AUK 12", "--who", "Ada")
    answer = run("confirm", "HAND-1", "--true", "AUK 12", "--who", "Ada")
    assert answer.code == 2
    assert 'it has no unit "HAND-1"' in answer.err


def test_learning_needs_something_that_was_confirmed(run):
    assert run("learn").code == 2


def test_too_few_are_refused_at_once_and_the_missing_ones_counted(run, plain_photo, seen_as, monkeypatch):
    seen_as(front=("AUK 12", "home", "front"))
    run("confirm", plain_photo("front.jpg"), "--true", "AUK 12", "--who", "Ada")
    monkeypatch.setattr(train_matcher, "observed_units", lambda *_: pytest.fail("it looked at photos first"))
    monkeypatch.setattr(training, "train", lambda *_, **__: pytest.fail("it went on to train"))
    said = run("learn")
    assert said.code == 2
    assert "1 confirmed unit, 23 too few to learn from. Confirm 23 more" in said.err


def test_a_ledger_that_is_named_twice_counts_once(run, plain_photo, seen_as, monkeypatch):
    seen_as(front=("AUK 12", "home", "front"))
    run("confirm", plain_photo("front.jpg"), "--true", "AUK 12", "--who", "Ada")
    monkeypatch.chdir(default_ledger().parent)
    places = (default_ledger(), default_ledger().parent, "ledger.sqlite", f"sqlite:///{default_ledger()}")
    said = run("learn", *(word for place in places for word in ("--ledger", place)))
    assert "1 confirmed unit, 23 too few" in said.err


@pytest.fixture
def confirmed(tmp_path):
    """Confirm 24 simulated units of the demo, front and back, as `plugface confirm PHOTO...` would."""
    catalogue = load_catalogue(DEMO)
    noise, rng = ErrorModel(), np.random.default_rng(4)
    decision = Decision("ambiguous", "Not sure.", (), catalogue_sha256=catalogue.sha256, model_version="m")
    default_ledger().parent.mkdir(parents=True)
    with closing(Ledger(default_ledger())) as ledger:
        for k in range(24):
            family = catalogue.families[k % len(catalogue.families)]
            variant = family.variants[0]
            photos = tuple(tmp_path / f"{k}-{view}.png" for view in ("front", "back"))
            for number, photo in enumerate(photos):
                Image.new("RGB", (64, 48), (k, number, 9)).save(photo)  # bytes of its own
            seen = tuple(
                replace(
                    draw_observations(family, variant, view, noise, rng),
                    photo_sha256=read_photo(photo).sha256,
                )
                for photo, view in zip(photos, ("front", "back"), strict=True)
            )
            answer = Answer(photos, seen, (UnitIndex(0),) * 2, decision, catalogue, 0.1)
            truth = Truth(family.key, variant.key, "Ada")
            confirm_photos(ledger, answer, truth, PipelineAnalyser(DEMO).look_version)


# Every family is as little likely as any other.
BLIND = Calibration(low=0.001, high=0.001, offset=-1.0, n=1)
LEARN = ("learn", "--no-demo", "--simulated", "100", "--json")


def test_a_worse_model_is_refused_unless_told_to_and_the_former_comes_back(run, confirmed, monkeypatch):
    before = load_model(default_model_path())
    blind = replace(before, calibration=BLIND, about={"blind": 1})
    monkeypatch.setattr(training, "train", lambda *_, **__: blind)
    said = run(*LEARN)
    document = json.loads(said.out)
    assert (said.code, document["taken"]) == (1, False)
    assert document["worse"]
    assert document["own_after"]["cases"] > 0
    assert not learned_model.learned_model_path().exists()

    said = run(*LEARN, "--even-if-worse")
    assert said.code == 0
    assert learned_model.default_model().version == blind.version
    assert load_model(former_model_path()).version == before.version
    assert run("learn", "--back").code == 0
    assert learned_model.default_model().version == before.version
    again = run("learn", "--back")
    assert again.code == 2  # there is nothing before that
    assert "no former model is kept, so there is none to go back to. The model in use stays" in again.err


def test_a_former_model_that_cannot_be_kept_whole_leaves_the_one_before(monkeypatch):
    along = load_model(default_model_path())
    for number in range(2):  # the second one has a former model that was learned
        learned_model.activate(replace(along, about={"number": number}))
    before = former_model_path().read_bytes()

    def cut_off(_from: Path, to: Path) -> None:
        to.write_bytes(b"{")
        raise OSError("no space left on device")

    monkeypatch.setattr(learned_model.shutil, "copyfile", cut_off)
    in_use = learned_model.default_model().version
    with pytest.raises(OSError, match="no space"):
        learned_model.activate(along)
    assert former_model_path().read_bytes() == before
    assert learned_model.default_model().version == in_use


def test_a_better_model_is_taken_and_every_command_uses_it(run, confirmed, monkeypatch, plain_photo, seen_as):
    seen_as(front=("AUK 12", "home", "front"))
    good = load_model(default_model_path())
    blind = replace(good, calibration=BLIND, about={"blind": 1})
    save_model(blind, learned_model.learned_model_path())
    learned_model.default_model.cache_clear()
    monkeypatch.setattr(training, "train", lambda *_, **__: good)
    assert json.loads(run(*LEARN, "--dry-run").out)["taken"] is False
    assert learned_model.default_model().version == blind.version
    document = json.loads(run(*LEARN).out)
    assert (document["taken"], document["worse"]) == (True, [])
    assert document["after"]["log_loss"] < document["before"]["log_loss"]
    told = json.loads(run("identify", plain_photo("front.jpg"), "--json").out)
    assert told["decision"]["model"] == good.version


def demo_units(split: str) -> list[ObservedUnit]:
    """Units that stand for a split of the demo's photos."""
    catalogue, rng = load_catalogue(DEMO), np.random.default_rng(len(split))
    return [
        ObservedUnit(
            unit_id=f"{split} {number}",
            observations=tuple(
                draw_observations(family, family.variants[0], view, ErrorModel(), rng)
                for view in ("front", "back")
            ),
            family=family.key,
            variant=family.variants[0].key,
        )
        for number, family in enumerate(catalogue.families)
    ]


def test_nothing_new_gives_the_model_that_comes_along(
    run, plain_photo, seen_as, monkeypatch, tmp_path, coarse_trees
):
    monkeypatch.setattr(train_matcher, "observed_units", lambda folder, split, *_: demo_units(split))
    monkeypatch.setattr(train_matcher, "N_SIMULATED", 100)
    monkeypatch.setattr(training, "SIMULATED_BESIDE", 50)  # for both models
    monkeypatch.setattr(train_matcher, "default_model_path", lambda: tmp_path / "along.json")
    train_matcher.train_default(1)
    monkeypatch.setattr(learning, "MIN_CONFIRMED", 1)
    monkeypatch.setattr(
        training_data, "part_of", lambda _: "judge"
    )  # so that it teaches and calibrates nothing
    seen_as(front=("AUK 12", "home", "front"))
    run("confirm", plain_photo("front.jpg"), "--true", "AUK 12", "--who", "Ada")
    said = run("learn", "--simulated", 100, "--even-if-worse", "--json")
    assert said.code == 0, said.err
    assert json.loads(said.out)["taken"]
    along = load_model(tmp_path / "along.json")
    assert learned_model.default_model().version == along.version
    # The shipped model was made on the demo's photos, and not on the units that stand for them here.
    (note,) = (note for note in json.loads(said.out)["notes"] if "seen otherwise" in note)
    assert load_model(default_model_path()).version in note
    again = json.loads(run("learn", "--simulated", 100, "--dry-run", "--json").out)
    assert (again["former"], again["model"], again["notes"]) == (along.version, along.version, [])


def test_it_is_said_whether_the_model_was_trained_on_what_is_seen_today(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(train_matcher, "default_model_path", lambda: tmp_path / "along.json")
    monkeypatch.setattr(train_matcher, "observed_units", lambda folder, split, *_: demo_units(split))
    units = demo_units("train") + demo_units("calibration")
    bare = load_model(default_model_path())
    save_model(train_matcher.say_looks(bare, units[::-1]), tmp_path / "along.json")
    monkeypatch.setattr(sys, "argv", ["train_matcher", "--check"])
    train_matcher.main()
    assert "was trained on what is seen" in capsys.readouterr().out
    fewer = replace(units[0], observations=units[0].observations[:1])
    save_model(train_matcher.say_looks(bare, [fewer, *units[1:]]), tmp_path / "along.json")
    with pytest.raises(SystemExit) as left:
        train_matcher.main()
    assert left.value.code == 1
    assert "was not trained on what is seen" in capsys.readouterr().out


def test_a_true_run_trains_on_the_learn_part_alone_and_says_how_far_it_is(run, confirmed, coarse_trees):
    with closing(Ledger(default_ledger())) as ledger:
        parts = [part_of(one.photo_hashes) for one in list_confirmed(ledger)]
    said = run(*LEARN, "--dry-run")
    assert said.code in (0, 1), said.err
    document = json.loads(said.out)
    assert document["units"]["confirmed"] == {p: parts.count(p) for p in ("learn", "calibrate", "judge")}
    assert document["before"]["cases"] == document["after"]["cases"] == 3 * parts.count("judge")
    assert any("Calibrated on simulated units" in note for note in document["notes"])
    lines = said.err.splitlines()  # in a pipe
    assert any(line.startswith("simulating units: ") and line.endswith(" of 100") for line in lines), lines
    assert any(line.startswith("fitting the classifier") for line in lines)
    assert "\r" not in said.err


def test_the_table_shows_before_and_after(run, confirmed, monkeypatch):
    monkeypatch.setattr(training, "train", lambda *_, **__: load_model(default_model_path()))
    said = run("learn", "--no-demo", "--simulated", "100")
    assert said.code == 0, said.err
    for words in ("before", "after", "accepted and wrong", "In use now", "plugface learn --back"):
        assert words in said.out


def test_units_of_no_family_of_an_earlier_catalogue_are_counted(
    run, confirmed, tmp_path, monkeypatch, plain_photo, seen_as
):
    import shutil

    monkeypatch.setattr(training, "train", lambda *_, **__: load_model(default_model_path()))
    own = tmp_path / "own"
    shutil.copytree(DEMO, own, ignore=shutil.ignore_patterns("curlew_3.toml"))
    seen_as(front=("CURLEW 3", load_catalogue(DEMO).by_key["CURLEW 3"].variants[0].key, "front"))
    photo = plain_photo("front.jpg")
    said = run("confirm", photo, "--not-in-catalogue", "--who", "Ada", "--catalogue", own)
    assert said.code == 0, said.err
    for catalogue, count in ((own, 0), (DEMO, 1)):
        notes = json.loads(run(*LEARN, "--dry-run", "--catalogue", catalogue).out)["notes"]
        assert sum("1 units were confirmed as in no family before" in note for note in notes) == count


def test_a_family_that_left_the_catalogue_is_left_out(run, confirmed, tmp_path, monkeypatch):
    import shutil

    monkeypatch.setattr(training, "train", lambda *_, **__: load_model(default_model_path()))
    own = tmp_path / "own"
    shutil.copytree(DEMO, own, ignore=shutil.ignore_patterns("curlew_3.toml"))
    document = json.loads(run(*LEARN, "--dry-run", "--catalogue", own).out)
    assert any("the catalogue has no CURLEW 3" in note for note in document["notes"])


@pytest.mark.parametrize(("word", "code"), [("--help", 0), ("--workers", 2)])
def test_asking_the_maker_of_the_model_for_help_trains_nothing(monkeypatch, word, code):
    monkeypatch.setattr(train_matcher.os, "cpu_count", lambda: pytest.fail("it went on to train"))
    monkeypatch.setattr(sys, "argv", ["train_matcher", word])
    with pytest.raises(SystemExit) as left:
        train_matcher.main()
    assert left.value.code == code
