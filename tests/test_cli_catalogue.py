"""`plugface catalogue check` and `plugface catalogue new`."""

import json
import shutil
from datetime import date
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.commands.catalogue import check, new
from plugface.cli.present.catalogue_template import Draft, family_text, file_name, pattern_like
from plugface.models.catalogue.check import check_catalogue
from plugface.models.catalogue.entries import Family, compile_pattern, load_catalogue
from typer.testing import CliRunner

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"

app = typer.Typer()
app.command()(check)
app.command()(new)


def run(*args, answers=None, width="80"):
    return CliRunner().invoke(app, list(map(str, args)), input=answers, env={"COLUMNS": width})


def test_a_clean_catalogue_fits_80_columns():
    result = run("check", DEMO)
    assert result.exit_code == 0
    assert "13 families, 26 variants" in result.stdout
    assert "0 errors, 0 warnings, 5 notes" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80
    for key in load_catalogue(DEMO).by_key:
        assert key in result.stdout


def test_exit_codes(tmp_path):
    shutil.copytree(DEMO, tmp_path / "c")
    path = tmp_path / "c" / "skua_4.toml"
    path.write_text(path.read_text().replace('families = ["TERN 2"', 'families = ["TERM 2"'))
    result = run("check", tmp_path / "c")
    assert result.exit_code == 1
    assert 'no family is called "TERM 2"' in result.stdout
    assert 'Did you mean "TERN 2"?' in result.stdout
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
    assert {p["rule"] for p in document["problems"]} == {"label needed"}
    (tmp_path / "c" / "tern_1.toml").write_text("key = ")
    result = run("check", tmp_path / "c", "--json")
    assert result.exit_code == 2
    document = json.loads(result.stdout)
    assert not document["readable"]
    assert (document["errors"][0]["file"], document["errors"][0]["line"]) == ("tern_1.toml", 1)


def test_the_template_is_a_catalogue_without_findings_but_what_is_not_known(tmp_path):
    result = run("new", tmp_path / "own", "--defaults")
    assert result.exit_code == 0
    catalogue = load_catalogue(tmp_path / "own")
    assert catalogue.head.invented
    assert [p.rule for p in check_catalogue(catalogue)] == ["swap facts"]


ANSWERS = (
    "DUNLIN 7\nGREEN-L\nGN-L / GY-L WH-S\n200 120 60\neng\n\n\n\n"
    "812 44 1\nR2 R3\n1999-2003\nelec\n60\nlock\n-\n\n"
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
        ("R2", ("R2",), ("812441",)),
        ("R3", ("R3",), ("812441",)),
    ]
    assert {(v.years, v.throttle, v.crank_teeth, v.status) for v in family.variants} == {
        ((1999, 2003), "electronic", 60, "locked")
    }
    assert not [p for p in check_catalogue(catalogue) if p.severity != "note"]


def test_a_second_family_joins_and_nothing_is_overwritten(tmp_path):
    run("new", tmp_path, answers="My shop\n" + ANSWERS)
    head = (tmp_path / "catalogue.toml").read_text()
    result = run("new", tmp_path, answers=ANSWERS.replace("DUNLIN 7", "DUNLIN 8"))
    assert result.exit_code == 0
    assert (tmp_path / "catalogue.toml").read_text() == head
    assert set(load_catalogue(tmp_path).by_key) == {"DUNLIN 7", "DUNLIN 8"}
    assert "would match DUNLIN 8 too" in " ".join(result.output.split())
    before = (tmp_path / "dunlin_8.toml").read_bytes()
    assert isinstance(run("new", tmp_path, answers=ANSWERS.replace("7", "8")).exception, FileExistsError)
    assert (tmp_path / "dunlin_8.toml").read_bytes() == before


@pytest.mark.parametrize(("colour", "hazard"), [("OG", "high voltage"), ("YE", "restraint")])
def test_a_warning_colour_makes_it_a_hazard(tmp_path, colour, hazard):
    answers = f"KNOT 1\n{colour}-L BK-S\n\n\n\n\n55\n\n\n\n\n"
    result = run("new", tmp_path, answers="My shop\n" + answers)
    assert result.exit_code == 0, result.output
    family = load_catalogue(tmp_path).by_key["KNOT 1"]
    assert (family.hazard, family.controls, len(family.cautions)) == (hazard, "other", 1)
    assert not [p for p in check_catalogue(load_catalogue(tmp_path)) if p.severity != "note"]
    (caution,) = family.cautions
    for word in ("open", "probe", "unplug", "drop", "common practice"):
        assert word in caution
    assert ("transport and sale" in caution) == (hazard == "restraint")
    assert ("marks high-voltage cables (UN" in caution) == (hazard == "high voltage")


def test_leaving_early_writes_nothing(tmp_path):
    assert run("new", tmp_path / "own", answers="My shop\nDUNLIN 7\n").exit_code == 1
    assert not (tmp_path / "own").exists()


@pytest.mark.parametrize(
    ("examples", "pattern"),
    [
        (["740115361"], r"^(?P<g>\d{9})$"),
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
    assert (family.key, family.variants[0].service_numbers) == (key, (number,))
    assert compile_pattern(family.label.service_number).fullmatch(number)
    assert file_name(key).endswith(".toml")
