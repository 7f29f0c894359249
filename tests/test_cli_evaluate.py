import json
import shutil
from dataclasses import replace

import pytest
from plugface.cli.commands import evaluate as command
from plugface.cli.evaluation import kept_observations, truth
from plugface.cli.settings import demo_folder
from plugface.models.learning.classifier import default_model_path, load_model, save_model


@pytest.fixture
def small_set(tmp_path, plain_photo, seen_as, monkeypatch):
    """Two known units and one photo of nothing, seen through simulation, with their truth."""
    seen_as(
        one=("KNOT 40", "E", "front"), one_back=("KNOT 40", "E", "back"), two=("DUNLIN 6", "south", "front")
    )
    monkeypatch.setattr(command, "cache_folder", lambda: tmp_path / "cache")
    monkeypatch.setattr(
        kept_observations, "map_unordered", lambda work, items, **_: ((item, work(item)) for item in items)
    )

    def unit(name: str, family: str, variant: str, face: str) -> dict:
        box = [[1, 1], [9, 1], [9, 9], [1, 9]]
        facts = {
            "unit_id": name,
            "maker": "Marrow & Finch",
            "family": family,
            "variant": variant,
            "face": face,
        }
        return {**facts, "known": True, "polygon": box, "serial": "not read here"}

    rows = []
    for photo, view, units in (
        ("one.jpg", "front", [unit("u1", "KNOT 40", "E", "front")]),
        ("one_back.jpg", "back", [unit("u1", "KNOT 40", "E", "back")]),
        ("two.jpg", "front", [unit("u2", "DUNLIN 6", "south", "front")]),
        ("nothing.jpg", "decoy", []),
    ):
        plain_photo(photo)
        rows.append({"photo": photo, "sha256": "", "split": "test", "set": "x", "view": view, "units": units})
    (tmp_path / "truth.jsonl").write_text("\n".join(map(json.dumps, rows)), encoding="utf-8")
    return tmp_path


def test_it_measures_and_writes_charts(run, small_set, tmp_path) -> None:
    out = tmp_path / "figures"
    said = run("evaluate", "--data", small_set, "--json", "--out", out)
    assert said.code == 0, said.err
    document = json.loads(said.out)
    figures = {f["name"]: f for table in document["tables"] for f in table["figures"]}
    assert figures["family right, one front photo"]["n"] == 2
    assert figures["family right, front and back"]["n"] == 1
    assert figures["unknown and accepted"]["n"] == 1
    assert figures["seconds for one photo, median"]["value"] > 0
    assert sum(sum(row.values()) for row in document["confusion"].values()) == 3
    for name in ("confusion.png", "reliability.png"):
        assert (out / name).read_bytes().startswith(b"\x89PNG")
    assert json.loads((out / "evaluate.json").read_text()) == document


def test_a_second_run_does_not_look_again(run, small_set, monkeypatch) -> None:
    assert run("evaluate", "--data", small_set).code == 0

    def refuse(*_, **__):
        raise AssertionError("looked again")

    monkeypatch.setattr(kept_observations, "observe", refuse)
    assert run("evaluate", "--data", small_set).code == 0


def test_missing_photos_are_said_in_one_line(run, tmp_path) -> None:
    said = run("evaluate", "--data", tmp_path)
    assert said.code == 2
    assert "truth.jsonl: there is no such file" in said.err
    assert len(said.err.strip().splitlines()) == 1


def test_the_demo_folder_is_where_the_catalogue_is() -> None:
    assert (demo_folder() / "marrow_finch" / "catalogue.toml").is_file()


def test_other_networks_look_for_themselves(run, small_set, tmp_path, monkeypatch) -> None:
    """A figure of other weights must not come out of what these have seen, nor the other way round."""
    other, looked = tmp_path / "older", []
    other.mkdir()
    for name in ("segmenter.onnx", "cast_reader.onnx"):
        (other / name).write_bytes(b"of another version: " + name.encode())
    look = kept_observations.observe

    def watch(photo, models=None):
        looked.append(models)
        return look(photo)

    monkeypatch.setattr(kept_observations, "observe", watch)
    words = ("evaluate", "--data", small_set, "--no-baselines", "--json")
    assert run(*words).code == 0
    assert looked == [None] * 4
    said = run(*words, "--weights", other)
    assert said.code == 0, said.err
    assert [one.segmenter.weights for one in looked[4:]] == [other / "segmenter.onnx"] * 4
    assert [one.readers.cast[0].path for one in looked[4:]] == [other / "cast_reader.onnx"] * 4
    assert "Time" not in [table["title"] for table in json.loads(said.out)["tables"]]
    run(*words, "--weights", other)
    run(*words)
    assert len(looked) == 8  # both are kept, apart
    (other / "segmenter.onnx").write_bytes(b"yet another")
    kept_observations._hash_networks.cache_clear()  # another process, as it were
    run(*words, "--weights", other)
    assert len(looked) == 12


def test_a_folder_without_networks_is_said_in_one_line(run, small_set, tmp_path) -> None:
    said = run("evaluate", "--data", small_set, "--no-baselines", "--weights", tmp_path / "none")
    assert said.code == 2
    assert str(tmp_path / "none" / "segmenter.onnx") in said.err
    assert "Traceback" not in said.err


def test_another_matcher_decides(run, small_set, tmp_path) -> None:
    model = load_model(default_model_path())
    other = replace(model, noise=replace(model.noise, miss=0.5))
    save_model(other, tmp_path / "model.json")
    words = ("evaluate", "--data", small_set, "--no-baselines", "--json")
    document = json.loads(run(*words, "--matcher", tmp_path / "model.json").out)
    assert document["model"] == other.version != model.version
    (tmp_path / "model.json").write_text("{}")
    said = run(*words, "--matcher", tmp_path / "model.json")
    assert (said.code, "Traceback" in said.err) == (2, False)
    assert "model.json" in said.err


def test_every_maker_for_testing_alone_has_a_table_of_its_own(run, small_set, monkeypatch) -> None:
    for folder, name in (("pell", "Pell"), ("third", "Third")):
        shutil.copytree(demo_folder() / "marrow_finch", small_set / folder / "catalogue")
        head = small_set / folder / "catalogue" / "catalogue.toml"
        head.write_text(f'name = "{name} Works"\n')
    shutil.copytree(demo_folder() / "marrow_finch", small_set / "marrow_finch")
    for name in ("one.jpg", "one_back.jpg", "two.jpg"):
        shutil.copy(small_set / name, small_set / "third" / name)
    (small_set / "third" / "truth.jsonl").write_text(
        "\n".join(
            line
            for line in (small_set / "truth.jsonl").read_text().splitlines()
            if '"nothing.jpg"' not in line
        )
    )
    for module in (command, truth):
        monkeypatch.setattr(module, "demo_folder", lambda: small_set)
    said = run("evaluate", "--catalogue", demo_folder() / "marrow_finch", "--no-baselines", "--json")
    assert said.code == 0, said.err
    tables = {table["title"]: table["figures"] for table in json.loads(said.out)["tables"]}
    told = "no photo of it in training"
    assert f"Marrow & Finch, {told}" not in tables
    assert "there is no such file" in tables[f"Pell Works, {told}"][0]["message"]  # said, not left out
    counts = {figure["name"]: figure["n"] for figure in tables[f"Third Works, {told}"]}
    assert counts["family right, one front photo"] == 2
    assert counts["accepted, front and back"] == 1
    assert counts["accepted, one back photo alone"] == 1
    said = run(
        "evaluate",
        "--catalogue",
        demo_folder() / "marrow_finch",
        "--no-baselines",
        "--no-other-makers",
        "--json",
    )
    assert [t for t in json.loads(said.out)["tables"] if told in t["title"]] == []
