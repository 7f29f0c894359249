"""`plugface evaluate --photos --truth` and `--ledger`: a trial on a shop's own units."""

import base64
import io
import json
import re
from contextlib import closing

import numpy as np
import pytest
from PIL import Image
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


@pytest.mark.parametrize("asked", [False, True])
def test_a_donors_number_is_on_the_page_only_when_asked_for(run, shop, type_plate, asked):
    truth = write_truth(shop, "front.jpg,PLOVER 7,,u1")
    more = ["--donor-numbers"] if asked else []
    said = run("evaluate", "--photos", shop, "--truth", truth, "--out", shop / "out", *more)
    assert said.code == 0, said.err
    page = (shop / "out" / "trial.html").read_text()
    assert type_plate not in page + (shop / "out" / "trial.json").read_text()
    (picture,) = re.findall(r"data:image/jpeg;base64,([^\"]+)", page)
    with Image.open(io.BytesIO(base64.b64decode(picture))) as shown:
        black = (np.asarray(shown.convert("RGB")).max(axis=2) < 8).mean()
    assert (black > 0.1) == (not asked)  # the number takes a fifth of the photo


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
        ("another_one.jpg,DUNLIN 6,,u1", 'unit "u1" is DUNLIN 6 here, and KNOT 40 E in row 2'),
        ("another_one.jpg,KNOT 40,F,u1", 'unit "u1" is KNOT 40 F here, and KNOT 40 E in row 2'),
        ("front.jpg,KNOT 40,E,u1", 'row 3: photo "front.jpg" stands in row 2 already'),
        ("FRONT.jpg,DUNLIN 6,,u2", 'row 3: photo "FRONT.jpg" stands in row 2 already'),
        ("anotherone.jpg,DUNLIN 6,,", 'there is no photo "anotherone.jpg" in'),
        ("anotherone.jpg,DUNLIN 6,,", 'did you mean "another_one.jpg"?'),
        (".,DUNLIN 6,,", '"." is a folder; name one photo a row'),
        (f"{'x' * 300}.jpg,DUNLIN 6,,", "cannot be a photo: file name too long"),
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


def test_large_and_small_letters_and_strokes_of_windows_do_not_matter(run, shop, plain_photo):
    (shop / "back").mkdir()
    (shop / "front_back.jpg").rename(shop / "back" / "front_back.jpg")
    truth = write_truth(shop, "FRONT.JPG,Knot 40,e,u1", "back\\Front_Back.jpg,KNOT 40,,u1")
    said = run("evaluate", "--photos", shop, "--truth", truth, "--json")
    assert said.code == 0, said.err
    (unit,) = json.loads(said.out)["units"]
    assert [photo.removeprefix(f"{shop}/") for photo in unit["photos"]] == [
        "front.jpg",
        "back/front_back.jpg",
    ]
    assert (unit["true_family"], unit["true_variant"]) == ("KNOT 40", "E")  # a later row may leave it open


def test_rows_that_cannot_be_used_are_all_said_and_nothing_is_measured(run, shop, monkeypatch):
    monkeypatch.setattr(trial, "_look", None)  # nobody waits for photos to learn of a slip
    truth = write_truth(shop, "gone.jpg,KNOT 40,,", "front.jpg,KNOT 400,,")
    said = run("evaluate", "--photos", shop, "--truth", truth)
    lines = said.err.strip().splitlines()
    assert said.code == 2
    assert [line.split(": ")[1] for line in lines[:2]] == ["truth.csv, row 2", "truth.csv, row 3"]
    first = lines[0].removeprefix("left out: ")
    assert (
        lines[2] == f"error: {truth}: none of its rows can be used ({first}). Correct them and run it again."
    )


def test_a_trial_of_which_no_photo_can_be_read_is_none(run, shop):
    (shop / "broken.jpg").write_bytes(b"no photo")
    truth = write_truth(shop, "broken.jpg,KNOT 40,,")
    said = run("evaluate", "--photos", shop, "--truth", truth)
    assert said.code == 2
    assert said.out.strip() == ""
    assert f"none of its units can be answered ({shop / 'broken.jpg'}: it is not a picture" in said.err


def test_a_photo_of_several_units_is_not_told_of_options_that_there_are_not(run, shop, pallet):
    truth = write_truth(shop, "pallet.jpg,KNOT 40,,u2")
    said = run("evaluate", "--photos", shop, "--truth", truth)
    words = "shows 2 units. Cut it to the one that is meant, or leave it out of the sheet."
    assert f"left out: u2: {pallet} {words}" in said.err.splitlines()


def test_how_many_were_left_out_stands_beside_the_counts(run, shop):
    truth = write_truth(shop, *RIGHT, "gone.jpg,KNOT 40,,")
    words = " ".join(run("evaluate", "--photos", shop, "--truth", truth).out.split())
    assert "2 units, 0 misses, 1 left out." in words


def test_a_wrong_variant_is_named(run, shop):
    truth = write_truth(shop, "front.jpg,KNOT 40,F,u1", "front_back.jpg,KNOT 40,F,u1")
    said = run("evaluate", "--photos", shop, "--truth", truth, "--out", shop / "out")
    assert "variant: u1 is KNOT 40 F, leading was KNOT 40 E" in " ".join(said.out.split())
    page = (shop / "out" / "trial.html").read_text()
    assert "It is <strong>KNOT 40 F</strong>; leading was <strong>KNOT 40 E (" in page


def test_a_place_that_cannot_be_written_to_is_said_before_the_photos_are_looked_at(run, shop, monkeypatch):
    monkeypatch.setattr(trial, "_look", None)
    truth = write_truth(shop, *RIGHT)
    said = run("evaluate", "--photos", shop, "--truth", truth, "--out", truth)
    assert said.code == 2
    assert f"{truth}: file exists" in said.err


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("nowhere", "there is no such folder. Name the folder that holds the photos."),
        ("truth.csv", "it is not a folder. Name the folder that holds the photos."),
        ("empty", "the folder is empty. Name the folder that holds the photos."),
    ],
)
def test_a_folder_without_photos_is_said(run, shop, name, words):
    (shop / "empty").mkdir()
    truth = write_truth(shop, *RIGHT)
    said = run("evaluate", "--photos", shop / name, "--truth", truth)
    assert (said.code, said.err.strip()) == (2, f"error: {shop / name}: {words}")


def test_a_photo_that_is_none_is_one_line(run, shop):
    (shop / "broken.jpg").write_bytes(b"no photo")
    truth = write_truth(shop, "front.jpg,KNOT 40,E,u1", "broken.jpg,KNOT 40,,")
    said = run("evaluate", "--photos", shop, "--truth", truth, "--json")
    assert said.code == 0
    (line,) = json.loads(said.out)["left_out"]
    assert line.startswith(f"{shop / 'broken.jpg'}: it is not a picture")
    assert line in said.err
    truth = write_truth(shop, "front.jpg,KNOT 40,E,", "broken.jpg,KNOT 40,,u1")
    said = run("evaluate", "--photos", shop, "--truth", truth)
    assert f"left out: u1: {line}" in said.err  # the unit's name, where it is another than the photo's


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
    assert 'it has no column photo and family, but "picture", "what". Begin it with a row' in said.err


@pytest.mark.parametrize(
    ("heads", "words"),
    [
        ("photo,family,family", "it has 2 columns family. Leave one of them"),
        ("photo,family,units", 'its column "units" would not be read. Call it unit, or by a name less like'),
        ("photo,family,varient", 'its column "varient" would not be read. Call it variant, or by'),
    ],
)
def test_a_column_that_would_be_read_wrongly_or_not_at_all_is_refused(run, shop, heads, words):
    (shop / "truth.csv").write_text(f"{heads}\nfront.jpg,KNOT 40,E\n")
    said = run("evaluate", "--photos", shop, "--truth", shop / "truth.csv")
    assert said.code == 2
    assert words in said.err


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


def test_the_page_of_a_trial_is_read_on_a_phone(run, shop, browser):
    said = run("evaluate", "--photos", shop, "--truth", write_truth(shop, *RIGHT), "--out", shop / "out")
    assert said.code == 0, said.err
    with closing(browser.new_context(viewport={"width": 390, "height": 800})) as context:
        page = context.new_page()
        page.set_content((shop / "out" / "trial.html").read_text())
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        # "accepted" and "It said" in one line each, which is some 24 pixels high.
        assert page.locator("th", has_text="It said").bounding_box()["height"] < 65
        cell = page.locator("td", has_text="answered without").first.bounding_box()
        assert cell["width"] > 100
