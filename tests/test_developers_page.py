"""What DEVELOPERS.md and the README say of the tree is so: paths, modules to run, words of the glossary."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TRIED = (ROOT / "training_data_demo/TRIED.md").read_text(encoding="utf-8")
FOLDERS = {
    "plugface.vision": "vision",
    "plugface.models": "models",
    "plugface.demo": "training_data_demo",
    "plugface.cli": "cli",
}
#: What a path in the text starts with; anything else in backquotes is a command, a type or a value.
TOPS = ("vision/", "models/", "cli/", "training_data_demo/", "tests/", ".ci/")
WHOLE = re.compile(r"[\w./-]+")


def section(start, end):
    return PAGE.partition(start)[2].partition(end)[0]


def named_paths(text):
    """Paths in backquotes, line by line; a bare file name lies in the folder of the path before it."""
    for line in text.splitlines():
        folder = None
        for word in re.findall(r"`([^`]+)`", line):
            if not WHOLE.fullmatch(word) or "NAME" in word or "TARGET" in word:
                continue
            if word.startswith(TOPS):
                path = ROOT / word
                folder = path if word.endswith("/") else path.parent
                yield word, path
            elif folder is not None and re.fullmatch(r"\w+\.(py|toml)", word):
                beside = folder / word
                yield word, beside if beside.exists() else ROOT / word


def test_every_path_that_is_named_exists():
    paths = [*named_paths(PAGE), *named_paths(TRIED)]
    assert len(paths) > 80
    missing = [word for word, path in paths if not path.exists()]
    assert missing == []


def test_every_room_stands_in_the_table():
    table = section("## Where things live", "### Words")
    for top in ("vision", "models", "cli"):
        for room in (ROOT / top).iterdir():
            if room.is_dir() and (room / "__init__.py").exists():
                named = f"{top}/{room.name}/" in table
                assert named, f"{top}/{room.name}/ is in no row"


@pytest.mark.parametrize(
    "page",
    ["DEVELOPERS.md", "README.md", "training_data_demo/MEASURED.md"],
)
def test_every_module_that_is_named_to_be_run_exists(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    named = set(re.findall(r"python\s+-m\s+(plugface(?:\.\w+)+)", text))
    assert named
    for module in named:
        top = next(name for name in FOLDERS if module.startswith(name))
        place = ROOT / FOLDERS[top] / module.removeprefix(top).lstrip(".").replace(".", "/")
        assert place.with_suffix(".py").is_file() or (place / "__main__.py").is_file(), module


def test_every_word_of_the_glossary_is_used_in_the_code():
    rows = re.findall(r"^\| ([^|]+) \|", section("### Words", "## How it decides"), re.MULTILINE)
    words = [word for row in rows[2:] for word in row.split(", ")]
    assert len(words) > 6
    files = [path for top in FOLDERS.values() for path in (ROOT / top).rglob("*.py")]
    code = " ".join(" ".join(path.read_text(encoding="utf-8").lower().split()) for path in files)
    parts = {part for word in words for part in word.split()}
    assert [part for part in parts if not re.search(rf"\b{part}s?\b", code)] == []


def test_the_readme_is_short_and_in_order():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(text.splitlines()) < 205
    places = [
        text.index(word)
        for word in ("## Start", "](training_data_demo/result.jpg)", "## Commands", "## More")
    ]
    assert places == sorted(places)
