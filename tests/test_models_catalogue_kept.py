"""A catalogue that was kept is the one that was read; whatever is not surely that is read anew."""

import re
import subprocess
import sys

import pytest
from plugface.cli import settings
from plugface.cli.settings import demo_folder, open_catalogue
from plugface.models.catalogue import entries, kept
from plugface.models.catalogue.entries import Catalogue, CatalogueError, load_catalogue, read_catalogue

#: A family and a head that say all there is to say.
FULL_HEAD = """
name = "All of it"
note = "Ü and 点"
invented = true
currency = "EUR"
works = 0.5
cautions = ["hot", "heavy"]
[costs]
wrong_accept = 70
[[shades]]
name = "faded"
code = "GY"
lab = [[52, -1, -1], [50.5, 0, 1]]
srgb = [[120, 124, 126]]
source = "invented"
"""
FULL_FAMILY = """
key = "ALL 1"
maker = "invented"
controls = "both"
hazard = "restraint"
cautions = ["sharp"]
harmless_colours = ["OG", "YE"]
photos = ["photos/face.jpg"]
stock_code = "S1"
remarks = 'a "quoted" word'
source = "invented"
date = "2026-11-01"
[body]
size_mm = [180, 120, 40]
material = "plastic on cast"
colour = "BK"
lid_colour = "GY"
fins = "half"
corners = "round"
ears = 4
lid_screws = 6
finish = "grained"
features = ["ribs", "potted"]
[[connectors]]
colour = "BK"
size = "L"
pins = [3, 20]
edge = "top"
along_mm = 50
opens = "sideways"
moulding = "a"
lock = "lever"
[[connectors]]
colour = "GY"
size = "S"
pins = [2, 4]
at_mm = [40, -20]
turn_deg = 12.5
[[marks]]
text = "ALL 1"
at_mm = [0, -40]
height_mm = 6
[label]
service_number = 'A\\d{6}'
suffix = "[A-F]{2}"
suffix_caption = "Rev"
barcode = "QR"
barcode_payload = 'OA(?P<number>A\\d{6})(?P<suffix>[A-F]{2})'
side = "back"
[[variants]]
key = "V1"
service_numbers = ["A123456", "A123457"]
suffixes = ["AB"]
years = [1999, 2004]
vehicles = "vans"
throttle = "cable"
crank_teeth = 60
status = "locked"
market = "north"
changed = "plug 2"
unseen_from_front = false
value = { usable = 30, locked = 4.5, core = 1, currency = "CHF" }
[[variants]]
key = "V2"
service_numbers = ["A223456"]
years = [2004, 2006]
[[pairing]]
families = ["ALL 1", "ALL 2"]
gearbox = "manual"
same_donor = ["ALL 2"]
why = "immobiliser"
[[pairing]]
families = ["ALL 3"]
same_donor = true
why = "coding"
"""


@pytest.fixture
def full(tmp_path):
    folder = tmp_path / "all"
    folder.mkdir()
    (folder / "catalogue.toml").write_text(FULL_HEAD, encoding="utf-8")
    (folder / "all_1.toml").write_text(FULL_FAMILY, encoding="utf-8")
    return folder


@pytest.fixture
def place(tmp_path):
    """Where catalogues are kept."""
    return tmp_path / "cache" / "kept"


def in_a_new_process(monkeypatch, folder, place) -> Catalogue:
    """Read as a process does that has read nothing yet."""
    monkeypatch.setattr(entries, "_PARSED", {})
    return load_catalogue(folder, keep_in=place)


@pytest.mark.parametrize("maker", ["marrow_finch", "pell_works", "tenter_twill", None])
def test_what_was_kept_is_what_was_read(maker, full, place, parsed, monkeypatch) -> None:
    folder = demo_folder() / maker if maker else full
    folder = folder if (folder / "catalogue.toml").exists() else folder / "catalogue"
    read = in_a_new_process(monkeypatch, folder, place)
    parsed.clear()
    again = in_a_new_process(monkeypatch, folder, place)
    assert not parsed
    assert again is not read
    assert again == read
    assert (again.files, again.sha256, again.costs) == (read.files, read.sha256, read.costs)
    # Tuples are no lists, floats no integers, and an entry can be told by its hash, copied and written.
    assert repr(again) == repr(read)
    assert list(map(hash, again.families)) == list(map(hash, read.families))
    assert [f.model_dump() for f in again.families] == [f.model_dump() for f in read.families]
    assert [f.body.model_fields_set for f in again.families] == [
        f.body.model_fields_set for f in read.families
    ]
    assert again.families[0].model_copy(update={"key": "x"}) == read.families[0].model_copy(
        update={"key": "x"}
    )
    with pytest.raises(ValueError, match="frozen"):
        again.families[0].body.ears = 1


def test_the_entry_that_says_everything_does(full) -> None:
    """Else what was never said could get lost unnoticed."""
    read = load_catalogue(full)
    family = read.families[0]
    unsaid = [
        f"{type(entry).__name__}.{name}"
        for entry in (
            read.head,
            read.head.costs,
            read.head.shades[0],
            family.connectors[0],
            family,
            family.body,
            family.marks[0],
            family.label,
            family.variants[0],
            family.variants[0].value,
            family.pairing[0],
        )
        for name, field in type(entry).model_fields.items()
        if name not in entry.model_fields_set
    ]
    costs = [f"CostTable.{name}" for name in entries.CostTable.model_fields if name != "wrong_accept"]
    assert unsaid == costs


def test_a_changed_file_is_read_anew(own, place, monkeypatch) -> None:
    before = in_a_new_process(monkeypatch, own, place)
    family = own / before.files[0]
    family.write_text(
        re.sub("(?m)^source = .*", 'source = "other"', family.read_text(encoding="utf-8")),
        encoding="utf-8",
    )
    after = in_a_new_process(monkeypatch, own, place)
    assert after.families[0].source == "other" != before.families[0].source
    assert after.families[1:] == before.families[1:]


def test_every_fault_is_named_though_a_sound_catalogue_was_kept(own, place, monkeypatch) -> None:
    sound = in_a_new_process(monkeypatch, own, place)
    for name, text in ((sound.files[0], "key = \n"), (sound.files[1], 'key = "A"\n')):
        (own / name).write_text(text, encoding="utf-8")
    monkeypatch.setattr(entries, "_PARSED", {})
    told = [str(error) for error in read_catalogue(own, keep_in=place)[1]]
    assert {error.split(",")[0] for error in told} == set(sound.files[:2])
    assert told == [str(error) for error in read_catalogue(own)[1]]
    with pytest.raises(CatalogueError):
        in_a_new_process(monkeypatch, own, place)


@pytest.mark.parametrize("damage", ["cut short", "another figure", "empty", "gone"])
def test_what_is_damaged_is_read_anew_and_kept_again(damage, full, place, parsed, monkeypatch) -> None:
    read = in_a_new_process(monkeypatch, full, place)
    (file,) = place.iterdir()
    data = file.read_bytes()
    if damage == "cut short":
        file.write_bytes(data[:-40])
    elif damage == "another figure":
        assert b"A123456" in data
        file.write_bytes(data.replace(b"A123456", b"A123459"))
    elif damage == "empty":
        file.write_bytes(b"")
    else:
        file.unlink()
    parsed.clear()
    assert in_a_new_process(monkeypatch, full, place) == read
    assert parsed
    assert file.read_bytes() == data


def test_another_program_reads_anew(full, place, parsed, monkeypatch) -> None:
    in_a_new_process(monkeypatch, full, place)
    parsed.clear()
    monkeypatch.setattr(kept, "_program", lambda: "f" * 64)
    in_a_new_process(monkeypatch, full, place)
    assert parsed


@pytest.mark.parametrize("room", [entries, kept.costs, kept.colour_table, kept])
def test_the_program_is_told_by_what_says_which_entries_there_are(
    room, tmp_path, full, place, monkeypatch
) -> None:
    before = kept._program.__wrapped__()
    changed = tmp_path / "changed.py"
    changed.write_text("# another\n", encoding="utf-8")
    monkeypatch.setattr(room, "__file__", str(changed))
    assert kept._program.__wrapped__() != before


def test_where_nothing_can_be_kept_all_goes_on(full, tmp_path, monkeypatch) -> None:
    file = tmp_path / "file"
    file.write_text("no folder", encoding="utf-8")
    for _ in range(2):
        assert in_a_new_process(monkeypatch, full, file / "kept").families[0].key == "ALL 1"
    assert file.read_text(encoding="utf-8") == "no folder"


def test_a_wrong_catalogue_is_not_kept(full, place, monkeypatch) -> None:
    (full / "all_1.toml").write_text(FULL_FAMILY.replace('key = "V2"', ""), encoding="utf-8")
    with pytest.raises(CatalogueError):
        in_a_new_process(monkeypatch, full, place)
    assert not place.exists()


def test_no_more_are_kept_than_said_and_nothing_unfinished(full, place, monkeypatch) -> None:
    for number in range(kept.KEPT_FILES + 2):
        (full / "all_1.toml").write_text(f"{FULL_FAMILY}# {number}\n", encoding="utf-8")
        newest = in_a_new_process(monkeypatch, full, place)
    names = [file.name for file in place.iterdir()]
    assert len(names) == kept.KEPT_FILES
    assert all(name.endswith(".json") for name in names)
    assert any(name.startswith(newest.sha256) for name in names)


def test_a_command_takes_what_an_earlier_one_kept(full, parsed, monkeypatch) -> None:
    monkeypatch.setattr(entries, "_PARSED", {})
    open_catalogue(full)
    assert len(list(settings.kept_catalogues().iterdir())) == 1
    parsed.clear()
    monkeypatch.setattr(entries, "_PARSED", {})
    assert open_catalogue(full).families[0].key == "ALL 1"
    assert not parsed


def test_what_was_kept_needs_no_schemas(full, place, monkeypatch) -> None:
    """To make those of a family takes longer than to read a small catalogue."""
    in_a_new_process(monkeypatch, full, place)
    program = """
import sys
from pathlib import Path
from plugface.models.catalogue.entries import Family, load_catalogue
print(len(load_catalogue(sys.argv[1], keep_in=Path(sys.argv[2])).families), Family.__pydantic_complete__)
"""
    command = [sys.executable, "-c", program, str(full), str(place)]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    assert ran.stdout.split() == ["1", "False"]
