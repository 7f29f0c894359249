"""`plugface evaluate --photos --truth` and `--ledger`: a trial on a shop's own units."""

import json

import pytest
from plugface.cli.evaluation import kept_observations, trial
from plugface.models.learning.metrics import wilson_interval


@pytest.fixture
def shop(tmp_path, plain_photo, seen_as, monkeypatch):
    """Photos that show two units of the demo and nothing, and nothing kept from before."""
    seen_as(
        front=("KNOT 40", "E", "front"),
        front_back=("KNOT 40", "E", "back"),
        another_one=("DUNLIN 6", "second", "front"),
        faultless=True,
    )
    monkeypatch.setattr("plugface.cli.commands.evaluate_trial.cache_folder", lambda: tmp_path / "cache")

    def one_by_one(work, items, **_):
        return ((item, work(item)) for item in items)

    for module in (trial, kept_observations):
        monkeypatch.setattr(module, "map_unordered", one_by_one)
    for name in ("front", "front_back", "another_one", "none_at_all_here"):
        plain_photo(f"{name}.jpg")
    return tmp_path


def write_truth(folder, *rows, name="truth.csv"):
    path = folder / name
    path.write_text("\n".join(("photo,family,variant,unit", *rows)))
    return path


RIGHT = ("front.jpg,KNOT 40,E,u1", "front_back.jpg,knot 40:e,,u1", "another_one.jpg,DUNLIN 6,,u2")


def figures(document):
    return {rate["name"]: (rate["count"], rate["of"]) for rate in document["rates"]}


def test_right_answers_are_counted_by_unit_with_their_interval(run, shop):
    truth = write_truth(shop, *RIGHT, "none_at_all_here.jpg,none,,")
    said = run("evaluate", "--photos", shop, "--truth", truth, "--json")
    assert said.code == 0, said.err
    document = json.loads(said.out)
    assert figures(document)["family right"] == (2, 2)
    assert figures(document)["accepted and wrong"] == (0, 3)
    assert figures(document)["unknown accepted"] == (0, 1)
    assert {unit["unit"] for unit in document["units"]} == {"u1", "u2", "none_at_all_here.jpg"}
    assert not [unit for unit in document["units"] if unit["miss"]]
    rate = next(rate for rate in document["rates"] if rate["name"] == "family right")
    # Two of two: z^2 = 3.8415, so the lower end is 2 / (2 + z^2).
    assert (rate["low"], rate["high"]) == (pytest.approx(2 / 5.8415, abs=1e-4), 1.0)


def test_a_miss_stands_on_the_page_with_its_pictures(run, shop):
    wrong = ("front.jpg,PLOVER 7,,u1", "front_back.jpg,PLOVER 7,,u1", RIGHT[2])
    truth = write_truth(shop, *wrong)
    out = shop / "out"
    said = run("evaluate", "--photos", shop, "--truth", truth, "--out", out)
    assert said.code == 0, said.err
    assert "accepted, and wrong: u1 is PLOVER 7, leading was KNOT 40" in " ".join(said.out.split())
    assert "2 units, 1 miss. Page: " in " ".join(said.out.split())
    page = (out / "trial.html").read_text()
    assert "u1: accepted, and wrong" in page
    assert "99.5 to 100.0 %" in page
    assert '<td class="n">&gt; 99.9 %</td>' in page  # never 100
    assert "data:image/jpeg;base64," in page
    assert page.count("data:image/svg+xml;base64,") == 2  # what it is, and what was said
    document = json.loads((out / "trial.json").read_text())
    assert figures(document)["wrong among the accepted"][0] == 1
    assert "http" not in page.replace("http-equiv", "")


def test_a_miss_of_which_nothing_was_named_says_so(run, shop):
    truth = write_truth(shop, "none_at_all_here.jpg,KNOT 40,,")
    said = run("evaluate", "--photos", shop, "--truth", truth, "--out", shop / "out")
    words = " ".join(said.out.split())
    assert "none_at_all_here.jpg is KNOT 40; no family was named 1 unit, 1 miss." in words
    assert "<strong>KNOT 40</strong>; no family was named." in (shop / "out" / "trial.html").read_text()


def test_a_variant_that_nobody_knows_is_not_held_against_the_answer(run, shop):
    truth = write_truth(shop, "front.jpg,KNOT 40,,u1", "front_back.jpg,KNOT 40,,u1")
    document = json.loads(run("evaluate", "--photos", shop, "--truth", truth, "--json").out)
    assert figures(document)["accepted and wrong"] == (0, 1)
    assert figures(document)["variant right, where one is named"] == (0, 0)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("gone.jpg,KNOT 40,,", 'row 3: there is no photo "gone.jpg"'),
        ("another_one.jpg,KNOT 400,,", 'no family is called "KNOT 400"; did you mean KNOT 40?'),
        ("another_one.jpg,,,", "it names no family"),
        ("another_one.jpg,KNOT 40,Z,", 'KNOT 40 has no variant "Z"'),
        ("another_one.jpg,DUNLIN 6,,u1", 'unit "u1" is something else in a row above'),
    ],
)
def test_a_bad_row_is_said_and_the_others_are_measured(run, shop, row, words):
    truth = write_truth(shop, "front.jpg,KNOT 40,E,u1", row)
    said = run("evaluate", "--photos", shop, "--truth", truth, "--json")
    assert said.code == 0
    assert words in said.err
    document = json.loads(said.out)
    assert len(document["units"]) == 1
    assert any(words in line for line in document["left_out"])


def test_a_photo_that_is_none_is_one_line(run, shop):
    (shop / "broken.jpg").write_bytes(b"no photo")
    truth = write_truth(shop, "front.jpg,KNOT 40,E,u1", "broken.jpg,KNOT 40,,")
    said = run("evaluate", "--photos", shop, "--truth", truth, "--json")
    assert said.code == 0
    assert len(json.loads(said.out)["left_out"]) == 1
    assert "broken.jpg" in said.err


def test_the_ledgers_confirmed_units_are_a_trial_too(run, shop, tmp_path, monkeypatch):
    run("confirm", shop / "front.jpg", shop / "front_back.jpg", "--true", "KNOT 40:E", "--who", "Ada")
    run("confirm", shop / "another_one.jpg", "--true", "CURLEW 3", "--who", "Ada")
    from plugface.cli.store.ledger import default_ledger

    out = tmp_path / "out"
    said = run("evaluate", "--ledger", default_ledger(), "--json", "--out", out)
    assert said.code == 0, said.err
    document = json.loads(said.out)
    assert figures(document)["family right"] == (1, 2)
    missed = next(unit for unit in document["units"] if unit["miss"])
    assert missed["photos"][0].endswith("another_one.jpg")
    assert "data:image/jpeg;base64," in (out / "trial.html").read_text()


def test_each_confirmed_unit_of_one_photo_is_answered(run, shop, pallet):
    for number, true in ((1, "KNOT 40"), (2, "DUNLIN 6")):
        run("confirm", pallet, "--unit", number, "--true", true, "--who", "Ada")
    from plugface.cli.store.ledger import default_ledger

    said = run("evaluate", "--ledger", default_ledger(), "--json", "--out", shop / "out")
    assert said.code == 0, said.err
    document = json.loads(said.out)
    assert (document["left_out"], figures(document)["family right"]) == ([], (2, 2))
    assert "flatters the figures" in (shop / "out" / "trial.html").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--photos", "."), "--photos DIR and --truth SHEET"),
        (("--photos", ".", "--truth", "x.csv", "--ledger", "y"), "or --ledger WHERE alone"),
    ],
)
def test_half_a_question_is_refused(run, words, said):
    answer = run("evaluate", *words)
    assert answer.code == 2
    assert said in " ".join(answer.err.replace("│", " ").split())


def test_a_sheet_without_its_columns_is_refused(run, shop):
    (shop / "truth.csv").write_text("picture,what\na.jpg,KNOT 40\n")
    said = run("evaluate", "--photos", shop, "--truth", shop / "truth.csv")
    assert said.code == 2
    assert "it has no column photo and family" in said.err


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [
        # Newcombe, Statistics in Medicine 17 (1998), table I, method 3 (score without continuity correction).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_intervals_are_those_of_a_published_table(count, of, low, high):
    assert wilson_interval(count, of) == (pytest.approx(low, abs=1e-4), pytest.approx(high, abs=1e-4))
