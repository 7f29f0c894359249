"""The guide to a catalogue of one's own: its commands do what it says, in its order."""

import json
import re
import shlex
import shutil
from pathlib import Path

from plugface.cli.present.catalogue_text import entry_text
from plugface.demo.studio.wild import unknown_family
from plugface.models.catalogue.entries import load_catalogue

TOP = Path(__file__).parents[1]


def blocks():
    """Kind and text of each block of steps 2 to 6."""
    text = (TOP / "cli" / "docs" / "own_catalogue.md").read_text(encoding="utf-8")
    steps = text[text.index("\n2. **") : text.index("\n7. **")]
    return re.findall(r"   ```(sh|toml)\n(.*?)   ```", steps, re.DOTALL)


def fill_in(draft: Path, lines: str) -> None:
    """Write lines of the guide in place of those of the draft with the same key."""
    text = draft.read_text(encoding="utf-8")
    for line in map(str.strip, lines.splitlines()):
        key = line.partition(" = ")[0]
        text, times = re.subn(rf"(?m)^(# )?{key} = .*$", lambda _, line=line: line, text)
        assert times == 1, line
    draft.write_text(text, encoding="utf-8")


def true_colours(photo: str) -> set[str]:
    """Of all plugs that a demo photo shows."""
    rows = map(json.loads, (TOP / "training_data_demo" / "truth.jsonl").open(encoding="utf-8"))
    (row,) = (row for row in rows if row["photo"] == f"photos/{photo}")
    return {plug["colour"] for unit in row["units"] for plug in unit["connectors"]}


def test_steps_2_to_6_work_in_order(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    own = tmp_path / "brackwater"
    own.mkdir()
    (own / "catalogue.toml").write_text('name = "brackwater"\n')
    (own / "sedge.toml").write_text(entry_text(unknown_family("SEDGE")).replace("F 54664 KM", "F54664KM"))
    photos = Path("training_data_demo", "photos")
    photos.mkdir(parents=True)
    for name in ("dec05.jpg", "dec07.jpg"):
        shutil.copy(TOP / photos / name, photos)
    for kind, text in blocks():
        if kind == "toml":
            fill_in(own / "rush.toml.draft", text)
            continue
        for line in text.replace("\\\n", " ").splitlines():
            first, *words = shlex.split(line, comments=True)
            if first == "mv":
                shutil.move(*words)
            elif first == "export":
                name, _, value = words[0].partition("=")
                monkeypatch.setenv(name, value.replace("$PWD", str(tmp_path)))
            elif words[1] != "separability":  # held by tests of its own
                said = run(*words)
                drafted = words[1] == "propose"
                assert said.code == (1 if drafted else 0), (line, said)
                assert (own / "rush.toml.draft").exists() or not drafted
    assert {"RUSH", "SEDGE"} == set(load_catalogue(own).by_key)
    (shade,) = load_catalogue(own).head.shades
    photo = shade.source.removeprefix("measured on ").partition(",")[0]
    assert shade.code in true_colours(photo)
