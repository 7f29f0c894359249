import json

import pytest
from plugface.cli.commands import evaluate as command
from plugface.cli.evaluation import kept_observations
from plugface.cli.settings import demo_folder


@pytest.fixture
def small_set(tmp_path, plain_photo, seen_as, monkeypatch):
    """Two known units and one photo of nothing, seen through simulation, with their truth."""
    seen_as(
        one=("KNOT 40", "E", "front"), one_back=("KNOT 40", "E", "back"), two=("DUNLIN 6", "south", "front")
    )
    from plugface.cli import pipeline

    monkeypatch.setattr(kept_observations, "observe", pipeline.observe)
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
