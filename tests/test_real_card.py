"""The card of the real photographs says what the files hold."""

import json

from plugface.demo.real.card import count_licences, count_photos, count_truth
from plugface.demo.real.records import FOLDER
from plugface.demo.real.small_set import PHOTOS

CARD = (FOLDER / "README.md").read_text(encoding="utf-8")


def test_the_tables_are_those_of_the_files():
    for table in (count_photos(), count_truth(), count_licences()):
        assert table in CARD


def test_the_small_set_and_every_file_is_named():
    assert f"{len(list(PHOTOS.iterdir()))} photos of the test split" in CARD
    held = {path.name for path in FOLDER.iterdir() if path.suffix in (".json", ".jsonl")}
    assert not {name for name in held if f"`{name}`" not in CARD}
    assert json.loads((FOLDER / "ratchet.json").read_text(encoding="utf-8"))
