"""A colour more is one row of the table: the rest follows, and no second list stands anywhere."""

import ast
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import plugface
import pytest
from plugface.codec import read_decision, write_decision
from plugface.demo.studio.shades import ANCHORS
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.matching.error_model import ErrorModel
from plugface.vision.colour_table import (
    COLOUR_CODES,
    COLOURS,
    LAST_TAUGHT,
    PASSES_WITHIN,
    UNTAUGHT_CODES,
    _distance,
    alike_pairs,
    passes_for,
)
from plugface.vision.detection import segmenter

ROOT = Path(__file__).parent.parent
TABLE = "vision/colour_table.py"
PHOTO = ROOT / "training_data_demo/photos/mf0010.jpg"  # a KNOT 40, all of whose plugs are seen
DEMO = ROOT / "training_data_demo/marrow_finch"

FIRST = ("BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ")

#: Gold, a code of IEC 60757 that no plug of the demo has; what it passes for is left to its shade.
ROW = '    Colour("GD", "gold", (62, 6, 42), (10, 9), (176, 146, 66)),\n'

#: What is done with the row: a photo decided by the demo's catalogue, then by one in which KNOT 40 has a gold
#: plug; then all that shows or lists colours.
SCRIPT = """
import json, sys
from pathlib import Path
import plugface
from plugface.cli.main import main
from plugface.codec import write_decision
from plugface.cli.present.catalogue_schema import family_schema_text
from plugface.cli.web.phone_plugs import lasting_files, state_plug_limits
from plugface.models.catalogue.check import check_catalogue
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.vision.colour_table import COLOUR_CODES, UNTAUGHT_CODES, passes_for

photo, demo, gold, out = map(Path, sys.argv[1:])
seen = plugface.observe(photo)
told = {"codes": COLOUR_CODES, "untaught": UNTAUGHT_CODES, "passes_for": passes_for("GD")}
told["model"] = load_model(default_model_path()).version
told["seen"] = plugface.write_observations(seen)
def decide(folder):
    return plugface.decide_observed([photo.name], [seen], plugface.load_catalogue(folder)).decision
told["demo"] = write_decision(decide(demo))
told["gold"] = write_decision(decide(gold))
told["problems"] = [problem.message for problem in check_catalogue(plugface.load_catalogue(gold))]
limits = state_plug_limits(lasting_files())
told["phone"] = [len(limits["codes"]), len(limits["shades"]), len(limits["naming"]["prototypes"])]

def run(*words):
    sys.argv = ["plugface", *map(str, words)]
    try:
        main()
    except SystemExit as end:
        assert not end.code, (words, end.code)

run("identify", photo, "--catalogue", gold, "--picture", out / "seen.jpg")
run("catalogue", "show", "KNOT 40", "--catalogue", gold, "--picture", out / "face.svg")
run("catalogue", "check", gold)
told["schema"] = family_schema_text()
print("TOLD" + json.dumps(told))
"""


def _with_row(folder: Path) -> Path:
    """A folder with all of plugface by links, but for a table with a row more."""
    package = folder / "plugface"
    package.mkdir()
    for file in (ROOT / "cli/front_door").glob("*.py"):
        (package / file.name).symlink_to(file)
    for name, room in (("models", "models"), ("cli", "cli"), ("demo", "training_data_demo")):
        (package / name).symlink_to(ROOT / room)
    (package / "vision").mkdir()
    for file in (ROOT / "vision").iterdir():
        (package / "vision" / file.name).symlink_to(file)
    table = package / TABLE
    text = table.read_text()
    assert text.count("\n)\n#: The last row") == 1
    table.unlink()
    table.write_text(text.replace("\n)\n#: The last row", f"\n{ROW})\n#: The last row"))
    return folder


def _gold_catalogue(folder: Path) -> Path:
    """The demo's catalogue, but that KNOT 40 has a gold plug where the photo shows a grey one."""
    shutil.copytree(DEMO, folder)
    plain = (folder / "knot_40.toml").read_text()
    gold = plain.replace('colour = "GY"\nsize', 'colour = "GD"\nsize', 1)
    assert gold != plain
    (folder / "knot_40.toml").write_text(gold)
    return folder


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> dict:
    """What a process says whose table has a thirteenth row."""
    folder = tmp_path_factory.mktemp("row")
    gold, out = _gold_catalogue(folder / "gold"), folder / "out"
    out.mkdir()
    tree = _with_row(folder)
    words = [sys.executable, "-c", SCRIPT, str(PHOTO), str(DEMO), str(gold), str(out)]
    done = subprocess.run(
        words, env={**os.environ, "PYTHONPATH": str(tree)}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    said, _, values = done.stdout.rpartition("TOLD")
    return {"said": said, "out": out, **json.loads(values)}


def test_a_row_more_is_a_colour_more_that_nothing_was_taught(told):
    assert told["codes"] == [*COLOUR_CODES, "GD"]
    assert told["untaught"] == [*UNTAUGHT_CODES, "GD"]
    assert told["passes_for"] == ["OG", "YE"]  # by the distance of the shades
    assert told["phone"] == [len(COLOUR_CODES) + 1] * 3


def test_what_has_nothing_to_do_with_the_row_is_answered_as_before(told):
    seen = plugface.observe(PHOTO)
    answer = plugface.decide_observed([PHOTO.name], [seen], plugface.load_catalogue(DEMO))
    assert told["seen"] == plugface.write_observations(seen)
    assert told["demo"] == write_decision(answer.decision)
    assert told["model"] == answer.decision.model_version


def test_a_family_with_such_a_plug_is_not_refuted_by_its_colour_and_that_is_said(told):
    demo, gold = read_decision(told["demo"]), read_decision(told["gold"])
    assert demo.verdict == gold.verdict == "identified"
    assert demo.families == gold.families == ("KNOT 40",)
    plugs = next(e.message for e in gold.candidates[0].evidence if e.rule == "plugs")
    assert plugs.endswith("order, colour and size; how GD looks was not taught yet")
    words = "Plug colour GD (gold): the network that ships was not trained with it"
    assert [f.name for f in demo.findings] == []
    assert [(f.name, f.message.startswith(words)) for f in gold.findings] == [("colour not taught", True)]
    (problem,) = (message for message in told["problems"] if "plug colour GD (gold)" in message)
    assert "are given as OG (orange) or YE (yellow) until it is trained anew" in problem
    assert problem.endswith("neither for nor against KNOT 40")
    assert told["said"].count("lug colour GD (gold)") == 2  # identify and check, each once


def test_all_that_shows_or_lists_colours_has_it(told):
    assert "GD-" in told["said"]  # the plugs of the family, as `catalogue show` lists them
    assert "gold" in (told["out"] / "face.svg").read_text()
    assert (told["out"] / "seen.jpg").stat().st_size > 10_000
    listed = re.findall(r'"BK",[^]]*"TQ"[^]]*', told["schema"])
    assert listed
    assert all('"GD"' in codes for codes in listed)


def test_rows_are_only_added_at_the_end():
    """What was trained names a colour by its place: in outputs of the network, rows of the error model."""
    assert COLOUR_CODES[: len(FIRST)] == FIRST
    taught = COLOUR_CODES.index(LAST_TAUGHT) + 1
    channels = segmenter.load_segmenter().get_outputs()[1].shape[1]
    counts = {name: count for name, _, count in segmenter._places(channels)}
    assert counts["colour"] == counts["body_colour"] == taught
    assert sum(counts.values()) == channels
    assert list(ANCHORS) == list(COLOUR_CODES[: len(ANCHORS)])  # what the next one is taught
    assert len(load_model(default_model_path()).noise.taught) <= taught


def test_a_colour_passes_for_those_that_its_row_names_or_whose_shades_are_near():
    assert passes_for("WH") == ("YE", "GY")
    assert passes_for("YE") == ("OG", "WH")  # named from either side
    given = {pair for pair in alike_pairs() if set(pair) <= set(FIRST)}
    assert len(given) == 11
    assert len(ErrorModel().colour) == len(COLOUR_CODES)
    by_shade = [replace(colour, passes_for=None) for colour in COLOURS[: len(FIRST)]]
    near = {(a.code, b.code) for a, b in combinations(by_shade, 2) if _distance(a, b) < PASSES_WITHIN}
    assert len(near) == 7
    assert near < given


#: Functions in which the number stands beside colours and is another.
OTHERS = {
    ("cli/present/picture.py", "_strip"),  # size of letters
    ("cli/present/picture.py", "_panel"),  # how thick lines are
}


def _sources(*kinds: str) -> Iterator[tuple[str, str]]:
    for room in ("vision", "models", "cli"):
        for path in sorted((ROOT / room).rglob("*")):
            where = path.relative_to(ROOT).as_posix()
            if path.suffix in kinds and "vendor" not in path.parts and where != TABLE:
                yield where, path.read_text(encoding="utf-8")


def test_no_second_list_of_colours_stands_anywhere():
    """Three in a row are a list; two are the plugs that warn, or white and grey."""
    code = rf"\b(?:{'|'.join(COLOUR_CODES)})\b"
    name = rf"\b(?:{'|'.join(colour.name for colour in COLOURS)})\b"
    found = [
        (where, " ".join(match.group().split()))
        for where, text in _sources(".py", ".js", ".html", ".toml", ".json")
        for word, least in ((code, 3), (name, 5))
        for match in re.finditer(rf"{word}(?:[^\w.;]+(?:\w+[^\w.;]+)?{word}){{2,}}", text)
        if len(set(re.findall(word, match.group()))) >= least
    ]
    assert not found


def test_the_number_of_colours_stands_nowhere():
    """Neither it nor one less, in any function or statement that speaks of colours."""
    found = set()
    for where, text in _sources(".py"):
        rest = list(ast.parse(text).body)
        while rest:
            node = rest.pop()
            if isinstance(node, ast.ClassDef):
                rest += node.body
                continue
            numbers = {
                n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and type(n.value) is int
            }
            if numbers & {len(COLOUR_CODES) - 1, len(COLOUR_CODES)} and "colour" in _text(text, node).lower():
                found.add((where, getattr(node, "name", "")))
    assert found == OTHERS


def _text(source: str, node: ast.AST) -> str:
    return ast.get_source_segment(source, node) or ""
