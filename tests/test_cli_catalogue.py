"""`plugface catalogue check` and `plugface catalogue new`."""

import json
import shutil
import tomllib
from datetime import date
from pathlib import Path

import jsonschema_rs
import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.commands import interview
from plugface.cli.commands.catalogue import check, new
from plugface.cli.commands.schema import schema
from plugface.cli.present.catalogue_template import Draft, family_text, file_name, pattern_like
from plugface.models.catalogue.check import check_catalogue
from plugface.models.catalogue.entries import Family, compile_pattern, load_catalogue
from typer.testing import CliRunner

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"

app = typer.Typer()
app.command()(check)
app.command()(new)
schema_app = typer.Typer()
schema_app.command()(schema)


def run(*args, answers=None, width="80"):
    return CliRunner().invoke(app, list(map(str, args)), input=answers, env={"COLUMNS": width})


def test_a_clean_catalogue_fits_80_columns():
    result = run("check", DEMO)
    assert result.exit_code == 0
    assert "14 families, 28 variants" in result.stdout
    # The warning is of two families that the label alone tells apart, the notes of variants likewise.
    assert "0 errors, 1 warning, 4 notes" in result.stdout
    assert "as SANDERLING 9 marine." in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80
    for key in load_catalogue(DEMO).by_key:
        assert key in result.stdout


def test_exit_codes(tmp_path):
    shutil.copytree(DEMO, tmp_path / "c")
    path = tmp_path / "c" / "plover_7.toml"
    path.write_text(path.read_text().replace('families = ["AUK 11"', 'families = ["AUX 11"'))
    result = run("check", tmp_path / "c")
    assert result.exit_code == 1
    assert 'no family is called "AUX 11"' in result.stdout
    assert 'Did you mean "AUK 11"?' in result.stdout
    path.write_text(path.read_text().replace("size_mm", "sise_mm"))
    result = run("check", tmp_path / "c")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert 'body, sise_mm: there is no such key. Did you mean "size_mm"?' in result.stderr
    assert run("check", tmp_path / "nowhere").exit_code == 2


def test_json_has_all_facts(tmp_path):
    shutil.copytree(DEMO, tmp_path / "c")
    document = json.loads(run("check", tmp_path / "c", "--json").stdout)
    assert document["readable"]
    assert document["sha256"] == load_catalogue(DEMO).sha256
    assert {p["rule"] for p in document["problems"]} == {"label needed", "look-alikes"}
    (tmp_path / "c" / "curlew_3.toml").write_text("key = ")
    result = run("check", tmp_path / "c", "--json")
    assert result.exit_code == 2
    document = json.loads(result.stdout)
    assert not document["readable"]
    assert (document["errors"][0]["file"], document["errors"][0]["line"]) == ("curlew_3.toml", 1)


def test_the_template_is_a_catalogue_without_findings_but_what_is_not_known(tmp_path):
    result = run("new", tmp_path / "own", "--defaults")
    assert result.exit_code == 0
    catalogue = load_catalogue(tmp_path / "own")
    assert catalogue.head.invented
    assert [p.rule for p in check_catalogue(catalogue)] == ["swap facts"]


ANSWERS = (
    "DUNLIN 7\nGREEN-L\nGN-L / GY-L WH-S\n200 120 60\n\n\neng\n\n\n\n"
    "K38 441/052\nR2 R3\n\n\n1999-2003\nelec\n48\nlock\n-\n\n"
)


def test_a_walk_through_one_family(tmp_path):
    result = run("new", tmp_path / "own", answers="My shop\n" + ANSWERS)
    assert result.exit_code == 0, result.output
    assert "did you mean GN?" in result.output
    catalogue = load_catalogue(tmp_path / "own")
    assert (catalogue.head.name, catalogue.head.invented) == ("My shop", False)
    family = catalogue.by_key["DUNLIN 7"]
    assert [f"{c.colour}-{c.size}" for c in family.connectors] == ["GN-L", "GY-L", "WH-S"]
    assert family.body.size_mm == (200, 120, 60)
    assert [(v.key, v.suffixes, v.service_numbers) for v in family.variants] == [
        ("R2", ("R2",), ("K38441/052",)),
        ("R3", ("R3",), ("K38441/052",)),
    ]
    assert {(v.years, v.throttle, v.crank_teeth, v.status) for v in family.variants} == {
        ((1999, 2003), "electronic", 48, "locked")
    }
    assert not [p for p in check_catalogue(catalogue) if p.severity != "note"]


def test_capitals_are_as_good_as_small_letters(tmp_path):
    small = run("new", tmp_path / "a", answers="My shop\n" + ANSWERS)
    large = run("new", tmp_path / "b", answers="My shop\n" + ANSWERS.replace("\neng\n", "\nEngine\n"))
    assert (small.exit_code, large.exit_code) == (0, 0), large.output
    assert load_catalogue(tmp_path / "a").families == load_catalogue(tmp_path / "b").families
    # A unit of another kind has no partners; the suffix that was split off stands in brackets.
    for word, asked in (("Other", False), ("Gearbox", True)):
        said = run("new", tmp_path / word, answers=f"My shop\nKNOT 1\nBK-S\n\n\n\n{word}\n" + 30 * "\n")
        assert said.exit_code == 1  # it wants a number
        said = run("new", tmp_path / word, answers="\nK38 441/052 A\nYes\n" + 30 * "\n")
        assert said.exit_code == 0, said.output
        assert ("Families it must be used with" in said.output) == asked
        assert [v.suffixes for v in load_catalogue(tmp_path / word).by_key["KNOT 1"].variants] == [("A",)]
    said = run(
        "new", tmp_path / "c", answers="My shop\n" + HAZARDOUS.format(colour="OG", such="YES") + 4 * "\n"
    )
    assert said.exit_code == 0, said.output
    assert "kept in the remarks" in said.output


def test_a_second_family_joins_and_nothing_is_overwritten(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS)
    head = (tmp_path / "catalogue.toml").read_text()
    # The maker is asked once: the second family has one answer less.
    second = ANSWERS.replace("DUNLIN 7", "DUNLIN 8").replace("eng\n\n\n\n", "eng\n\n\n")
    result = run("new", tmp_path, answers=second)
    assert result.exit_code == 0
    assert (tmp_path / "catalogue.toml").read_text() == head
    assert set(load_catalogue(tmp_path).by_key) == {"DUNLIN 7", "DUNLIN 8"}
    assert "would match DUNLIN 8 too" in " ".join(result.output.split())
    before = (tmp_path / "dunlin_8.toml").read_bytes()
    assert "there is dunlin_8.toml already" in run("new", tmp_path, answers="DUNLIN 8\n").output
    assert (tmp_path / "dunlin_8.toml").read_bytes() == before


def test_a_slip_in_a_partners_name_is_asked_about_and_a_family_to_come_is_taken(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS)
    # A gearbox unit: neither throttle nor trigger wheel is asked about.
    second = (
        ANSWERS.replace("DUNLIN 7", "DUNLIN 8").replace("eng\n\n\n\n", "gear\n\n\n").replace("elec\n48\n", "")
    )
    slip = second.replace(
        "lock\n-\n", "lock\nDUNLIN\ndunlin\ndunlin 7, RUFF 1\nyes\nyes\nThey ask each other.\n"
    )
    result = run("new", tmp_path, answers=slip)
    words = " ".join(result.output.split())
    assert words.count('did you mean "DUNLIN 7"?') == 2
    (rule,) = load_catalogue(tmp_path).by_key["DUNLIN 8"].pairing
    assert rule.families == rule.donors == ("DUNLIN 7", "RUFF 1")
    assert rule.why == "They ask each other."
    assert 'gearbox = "automatic"' in words


def test_a_partner_that_is_none_is_asked_about_and_named_anew(tmp_path):
    answers = ANSWERS.replace("lock\n-\n", "lock\nusable\nno\nRUFF 1\ny\n\n\n")
    said = run("new", tmp_path, answers="My shop\n" + answers)
    assert said.exit_code == 0, said.output
    assert "There is no family usable yet" in said.output
    (rule,) = load_catalogue(tmp_path).by_key["DUNLIN 7"].pairing
    assert rule.families == ("RUFF 1",)


def test_answers_are_looked_over_and_taken_back_before_they_are_written(tmp_path, monkeypatch):
    monkeypatch.setattr(interview, "_is_watched", lambda _: True)
    said = run("new", tmp_path, answers="My shop\n" + ANSWERS + "<\nmy bench\n\n")
    assert said.exit_code == 0, said.output
    shown, again = said.output.split("Enter writes dunlin_7.toml")[:2]
    assert "size 200 120 60; " in " ".join(shown.split())
    assert "source my bench" in again
    assert load_catalogue(tmp_path).by_key["DUNLIN 7"].source == "my bench"


def test_rows_of_a_family_stand_in_brackets_and_its_mend_is_said_once(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS)
    for key, number in (("DUNLIN 8", "K51 441/052"), ("DUNLIN 9", "K62 441/052")):
        answers = ANSWERS.replace("DUNLIN 7", key).replace("K38 441/052", number).replace("eng\n\n", "eng\n")
        said = run("new", tmp_path, "--like", "DUNLIN 7", answers=answers)
        assert said.exit_code == 0, said.output
        assert "[GN-L / GY-L WH-S]" in said.output
    words = " ".join(said.output.split())
    assert words.count("such as DUNLIN 7 '^K3") == 1
    assert 'would match DUNLIN 8 too; "K60' in words


def test_an_enter_where_something_must_be_typed_is_answered(tmp_path):
    said = run("new", tmp_path, answers="My shop\n" + ANSWERS.replace("K38 441/052\n", "\nK38 441/052\n"))
    assert said.exit_code == 0, said.output
    assert "Error: type the number as the label has it" in said.output
    assert "Status of all these variants" in said.output


def test_a_reason_that_nobody_gave_is_not_made_up(tmp_path):
    answers = ANSWERS.replace("lock\n-\n", "lock\nRUFF 1\ny\n\n\n")
    assert run("new", tmp_path, answers="My shop\n" + answers).exit_code == 0
    (rule,) = load_catalogue(tmp_path).by_key["DUNLIN 7"].pairing
    assert (rule.same_donor, rule.why) == (False, "The entry gives no reason.")
    # One like it keeps a reason that was given instead.
    typed = "DUNLIN 9\n" + 7 * "\n" + "K38905/093\n" + 7 * "\n" + "\ny\ny\nOne code.\n\n"
    said = run("new", tmp_path, "--like", "DUNLIN 7", answers=typed)
    assert said.exit_code == 0, said.output
    (rule,) = load_catalogue(tmp_path).by_key["DUNLIN 9"].pairing
    assert (rule.donors, rule.why) == (("RUFF 1",), "One code.")


def test_a_variant_without_suffix_is_called_by_its_number(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS.replace("R2 R3", "-"))
    (variant,) = load_catalogue(tmp_path).by_key["DUNLIN 7"].variants
    assert variant.key == "K38441/052"


HAZARDOUS = "KNOT 1\n{colour}-L BK-S\n\n\n\n{such}\nengine\n\n\n\n551\n\n\n\n\n"


@pytest.mark.parametrize(("colour", "hazard"), [("OG", "high voltage"), ("YE", "restraint")])
def test_a_warning_colour_makes_it_a_hazard(tmp_path, colour, hazard):
    answers = HAZARDOUS.format(colour=colour, such="") + "\n\n\n\n"
    result = run("new", tmp_path, answers="My shop\n" + answers)
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path).by_key["KNOT 1"]
    assert (family.hazard, family.controls, len(family.cautions)) == (hazard, "other", 1)
    assert family.remarks == "Controls: engine."  # what was said is kept
    assert not [p for p in check_catalogue(load_catalogue(tmp_path)) if p.severity != "note"]
    (caution,) = family.cautions
    for word in ("open", "probe", "unplug", "drop", "common practice"):
        assert word in caution
    assert ("transport and sale" in caution) == (hazard == "restraint")
    assert ("marks high-voltage cables (UN" in caution) == (hazard == "high voltage")


@pytest.mark.parametrize("colour", ["OG", "YE"])
def test_a_warning_colour_that_warns_of_nothing_keeps_what_it_controls(tmp_path, colour):
    result = run("new", tmp_path, answers="My shop\n" + HAZARDOUS.format(colour=colour, such="no") + 6 * "\n")
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path).by_key["KNOT 1"]
    assert (family.hazard, family.controls, family.harmless_colours) == ("none", "engine", (colour,))
    assert not [p for p in check_catalogue(load_catalogue(tmp_path)) if p.severity != "note"]


def test_nothing_typed_is_lost_and_the_same_command_goes_on(tmp_path):
    lines = ("My shop\n" + ANSWERS).splitlines(keepends=True)
    left = run("new", tmp_path / "own", answers="".join(lines[:7]))
    assert left.exit_code == 1
    assert "new.draft; the same command goes on" in left.output
    assert not list((tmp_path / "own").glob("*.toml"))
    result = run("new", tmp_path / "own", answers="y\n" + "".join(lines[7:]))
    assert result.exit_code == 0, result.output
    assert 'Go on with "DUNLIN 7"' in result.output
    whole = run("new", tmp_path / "other", answers="".join(lines))
    assert whole.exit_code == 0
    assert load_catalogue(tmp_path / "own").families == load_catalogue(tmp_path / "other").families
    assert not (tmp_path / "own" / "new.draft").exists()


def test_a_draft_that_waits_is_mentioned_by_check(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS)
    run("new", tmp_path, answers="DUNLIN 9\n")
    assert "new.draft" in run("check", tmp_path).output


@pytest.mark.parametrize("kept", ["", "[]", '{"typed": 3}', '{"typed": {"side": "back"}}', "{"])
def test_a_draft_that_cannot_be_read_is_begun_anew(tmp_path, kept):
    (tmp_path / "new.draft").write_text(kept)
    result = run("new", tmp_path, answers="My shop\n" + ANSWERS)
    assert result.exit_code == 0, result.output
    assert "DUNLIN 7" in load_catalogue(tmp_path).by_key


def test_there_is_a_way_back(tmp_path):
    typed = "My shop\nDUNLIM 7\n<\n" + ANSWERS.replace("200 120 60\n", "20 120 60\n<\n200 120 60\n", 1)
    result = run("new", tmp_path, answers=typed)
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path).by_key["DUNLIN 7"]
    assert family.body.size_mm == (200, 120, 60)


def test_what_hangs_on_an_answer_that_changes_is_asked_anew(tmp_path):
    # Back to the name, then another name, other plugs and another number.
    first = "DUNLIM 7\nGN-L GY-L\n\n2x20 2x18\ntop top\neng\n\n\n\nK38 441/052 A\ny\nA\n"
    back = 12 * "<\n"
    again = "DUNLIN 7\nGN-L\n" + 7 * "\n" + "K38 441/053 B\n" + 12 * "\n"
    result = run("new", tmp_path, answers="My shop\n" + first + back + again)
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path).by_key["DUNLIN 7"]
    assert [mark.text for mark in family.marks] == ["DUNLIN 7"]
    assert [(c.pins, c.edge) for c in family.connectors] == [((3, 13), "face")]
    assert [(v.service_numbers, v.suffixes) for v in family.variants] == [(("K38441/053",), ("B",))]
    # Who leaves in between finds the answers behind it again.
    left = run("new", tmp_path / "own", answers="My shop\n" + first + back + "DUNLIN 7\n")
    assert left.exit_code == 1
    result = run("new", tmp_path / "own", answers="y\n" + 12 * "\n")
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path / "own").by_key["DUNLIN 7"]
    assert ([mark.text for mark in family.marks], len(family.connectors)) == (["DUNLIN 7"], 2)
    assert family.variants[0].service_numbers == ("K38441/052",)


def test_a_number_typed_with_its_suffix_is_split_and_asked_about(tmp_path):
    answers = ANSWERS.replace("K38 441/052\nR2 R3", "K38 441/052 R2\ny\nR2 R3")
    result = run("new", tmp_path / "a", answers="My shop\n" + answers)
    assert result.exit_code == 0, result.output
    assert 'Is "R2" at its end a suffix' in result.output
    variants = load_catalogue(tmp_path / "a").by_key["DUNLIN 7"].variants
    assert [(v.service_numbers, v.suffixes) for v in variants] == [
        (("K38441/052",), ("R2",)),
        (("K38441/052",), ("R3",)),
    ]
    answers = ANSWERS.replace("K38 441/052\nR2 R3", "K38 441/052 R2\nno\n-")
    run("new", tmp_path / "b", answers="My shop\n" + answers)
    (only,) = load_catalogue(tmp_path / "b").by_key["DUNLIN 7"].variants
    assert (only.service_numbers, only.suffixes) == (("K38441/052R2",), ())


def test_pins_edges_barcode_and_label_side_are_asked(tmp_path):
    answers = ANSWERS.replace("200 120 60\n\n\n", "200 120 60\n2x20 2x18 1x4\ntop right bottom\n")
    answers = answers.replace("GN-L / GY-L WH-S", "GN-L / GY-M / WH-S").replace(
        "R2 R3\n\n\n", "R2\ndata\nback\n"
    )
    result = run("new", tmp_path, answers="My shop\n" + answers)
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path).by_key["DUNLIN 7"]
    assert [(c.pins, c.edge, c.along_mm) for c in family.connectors] == [
        ((2, 20), "top", 100),
        ((2, 18), "right", 60),
        ((1, 4), "bottom", 100),
    ]
    assert (family.label.barcode, family.label.side) == ("Data Matrix", "back")
    assert not [p for p in check_catalogue(load_catalogue(tmp_path)) if p.severity != "note"]


def test_a_wrong_count_of_pins_or_edges_is_asked_about(tmp_path):
    wrong = ANSWERS.replace("200 120 60\n\n\n", "200 120 60\n2x20 2x18\n2x20\ntop top\ntop\n")
    result = run("new", tmp_path / "a", answers="My shop\n" + wrong)
    assert result.exit_code == 0, result.output
    assert result.output.count("3 plugs, 2 given") == 2
    family = load_catalogue(tmp_path / "a").by_key["DUNLIN 7"]
    assert {(c.pins, c.edge) for c in family.connectors} == {((2, 20), "top")}
    # A draft of before may hold one too: it is asked anew.
    kept = {"catalogue": "My shop", "key": "DUNLIN 7", "plugs": "GN-L", "size": "9 9 9", "pins": "1x2 1x3"}
    (tmp_path / "new.draft").write_text(json.dumps({"typed": kept}))
    assert "of which 4 answers are kept" in run("new", tmp_path, answers="y\n").output
    (tmp_path / "new.draft").write_text(json.dumps({"typed": {"catalogue": "My shop"}}))
    assert "of which 1 answer is kept" in run("new", tmp_path, answers="y\n").output


def test_like_copies_a_family_with_what_is_not_asked(tmp_path):
    shutil.copytree(DEMO, tmp_path / "c")
    # Name, then Enter for every fact but the number; the maker is known.
    typed = "AUK 13\n" + 7 * "\n" + "K27905/093\n" + 12 * "\n"
    result = run("new", tmp_path / "c", "--like", "auk 12", answers=typed)
    assert result.exit_code == 0, result.output
    catalogue = load_catalogue(tmp_path / "c")
    old, new = catalogue.by_key["AUK 12"], catalogue.by_key["AUK 13"]
    assert new.connectors == old.connectors
    assert new.body == old.body
    assert (new.marks[0].text, new.marks[0].at_mm) == ("AUK 13", old.marks[0].at_mm)
    assert new.variants[0].service_numbers == ("K27905/093",)
    assert new.pairing == old.pairing
    assert new.label.service_number == "^K27905/09\\d$"  # of its form alone it fits others too
    assert not [p for p in check_catalogue(catalogue) if p.rule == "patterns overlap"]
    slip = run("new", tmp_path / "c", "--like", "AUK 122")
    assert "no family" in str(slip.exception)


def test_an_editor_finds_the_schema_beside_what_new_writes(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS)
    first = (tmp_path / "dunlin_7.toml").read_text().splitlines()[0]
    assert first == "#:schema ./catalogue.schema.json"
    schema = json.loads((tmp_path / "catalogue.schema.json").read_text())
    assert "along_mm" in schema["$defs"]["Connector"]["properties"]


@pytest.mark.parametrize(
    ("examples", "pattern"),
    [
        (["K27418/052"], r"^(?P<g>[A-Z]\d{5}/\d{3})$"),
        (["58203317"], r"^(?P<g>\d{8})$"),
        (["PK2104/16"], r"^(?P<g>[A-Z]{2}\d{4}/\d{2})$"),
        (["A", "B"], "^(?P<g>[A-Z])$"),
        (["R2", "C"], r"^(?P<g>[A-Z]\d|[A-Z])$"),
    ],
)
def test_patterns_follow_the_examples(examples, pattern):
    assert pattern_like(examples, "g") == pattern


WORDS = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=20).filter(
    lambda text: text.strip() == text
)


@given(key=WORDS, number=st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=12))
def test_any_name_and_number_give_a_readable_file(key, number):
    import tomllib

    draft = Draft(key=key, mark=key, number=number, partners=(key,))
    family = Family.model_validate(tomllib.loads(family_text(draft, date(2026, 1, 2))))
    one_line = " ".join(key.split())  # of all kinds of spaces one ordinary one
    assert (family.key, family.variants[0].service_numbers) == (one_line, (number,))
    assert compile_pattern(family.label.service_number).fullmatch(number)
    assert file_name(key).endswith(".toml")


@pytest.mark.parametrize("maker", ["marrow_finch", "pell_works/catalogue"])
def test_every_demo_file_fits_the_schema_that_editors_use(maker):
    schemas = {
        what: json.loads(CliRunner().invoke(schema_app, [what]).stdout)
        for what in ("catalogue", "catalogue-head")
    }
    for path in (DEMO.parent / maker).glob("*.toml"):
        what = "catalogue-head" if path.name == "catalogue.toml" else "catalogue"
        validator = jsonschema_rs.Draft7Validator(schemas[what])
        assert not list(validator.iter_errors(tomllib.loads(path.read_text()))), path.name


def test_the_schema_refuses_what_the_reader_refuses():
    validator = jsonschema_rs.Draft7Validator(
        json.loads(CliRunner().invoke(schema_app, ["catalogue"]).stdout)
    )
    good = tomllib.loads((DEMO / "auk_11.toml").read_text())
    plug = {"colour": "GY", "size": "S", "pins": [2, 4]}
    for wrong in (
        good | {"colour": "GY"},
        good | {"connectors": [plug]},
        good | {"connectors": [plug | {"at_mm": [0, "left"]}]},
        good | {"connectors": [plug | {"at_mm": [0, 0], "colour": "GREY"}]},
    ):
        assert list(validator.iter_errors(wrong))
    assert not list(validator.iter_errors(good | {"connectors": [plug | {"edge": "top", "along_mm": 40}]}))


def test_a_family_whose_file_is_not_read_is_warned_of(own):
    (own / "dunlin_6.toml").rename(own / "dunlin_6.toml.txt")
    said = run("check", own).stdout
    assert "warning  dunlin_6.toml.txt\n  it looks like a family's file and is not read.\n" in said
    assert "Rename dunlin_6.toml.txt to dunlin_6.toml" in said


def test_nothing_is_said_to_be_kept_where_nothing_was_typed(tmp_path):
    left = run("new", tmp_path / "none", answers="")
    assert (left.exit_code, "is kept in" in left.output) == (1, False)
    assert not (tmp_path / "none").exists()
