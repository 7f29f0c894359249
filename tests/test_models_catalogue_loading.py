"""A process parses a catalogue's bytes once, however often a command asks for it, and a changed one anew."""

import hashlib
from collections import Counter

import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue import entries
from plugface.models.catalogue.entries import KEPT_PARSED, CatalogueError, load_catalogue

DEMO = demo_folder() / "marrow_finch"


@pytest.fixture
def parsed(parsed, monkeypatch):
    """How often each text was parsed since the test began; nothing is known from before."""
    monkeypatch.setattr(entries, "_PARSED", {})
    return parsed


def each_file_once(counts) -> bool:
    return len(counts) == len(list(DEMO.glob("*.toml"))) and set(counts.values()) == {1}


def test_identify_parses_the_catalogue_once(run, plain_photo, seen_as, parsed):
    seen_as(front=("KNOT 40", "E", "front"))
    assert run("identify", plain_photo("front.jpg")).code == 0
    assert each_file_once(parsed)


def test_sort_parses_the_catalogue_once(run, tmp_path, parsed):
    lot = tmp_path / "lot"
    lot.mkdir()
    (lot / "u1_front.jpg").write_bytes(b"torn")
    said = run("sort", lot, "--out", tmp_path / "run", "--no-pdf", "--workers", 1)
    assert said.code == 0, said.err
    assert each_file_once(parsed)
    run("sort", lot, "--out", tmp_path / "run", "--no-pdf", "--workers", 1)
    assert each_file_once(parsed)


def test_a_changed_catalogue_is_parsed_anew(own, parsed):
    before = load_catalogue(own)
    assert load_catalogue(own) is before
    family = own / before.files[0]
    family.write_text(family.read_text(encoding="utf-8") + "\n# a remark\n", encoding="utf-8")
    after = load_catalogue(own)
    assert after is not before
    assert after.sha256 != before.sha256
    assert sorted(parsed.values())[-2:] == [2, 2]  # what did not change is parsed with what did


def test_a_wrong_catalogue_is_never_taken_from_memory(own, parsed):
    good = load_catalogue(own)
    family = own / good.files[0]
    text = family.read_text(encoding="utf-8")
    family.write_text("key = \n", encoding="utf-8")
    for _ in range(2):
        with pytest.raises(CatalogueError):
            load_catalogue(own)
    family.write_text(text, encoding="utf-8")
    assert load_catalogue(own) is good


def test_no_more_catalogues_are_kept_than_said(own, parsed):
    family = sorted(own.glob("*.toml"))[-1]
    text = family.read_text(encoding="utf-8")
    for number in range(KEPT_PARSED + 2):
        family.write_text(f"{text}\n# {number}\n", encoding="utf-8")
        newest = load_catalogue(own)
    assert len(entries._PARSED) == KEPT_PARSED
    assert load_catalogue(own) is newest


def test_a_new_process_reads_each_file_once(own, monkeypatch):
    read, names = entries._read_bytes, Counter()

    def note(folder, name):
        names[name] += 1
        return read(folder, name)

    monkeypatch.setattr(entries, "_PARSED", {})
    monkeypatch.setattr(entries, "_read_bytes", note)
    load_catalogue(own)
    assert set(names.values()) == {1}
    assert len(names) == len(list(own.glob("*.toml")))


def test_what_stands_far_down_in_a_long_file_is_read_and_counts(own, parsed):
    """Files are read in two steps: what lies behind the first is a part of the entry and of the hash."""
    before = load_catalogue(own)
    family = own / before.files[0]
    long = "# a remark\n" * 3_000 + family.read_text(encoding="utf-8")
    family.write_text(long, encoding="utf-8")
    after = load_catalogue(own)
    assert (len(after.families), after.families[0]) == (len(before.families), before.families[0])
    digest = hashlib.sha256()
    for path in [own / "catalogue.toml", *(own / name for name in after.files)]:
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    assert after.sha256 == digest.hexdigest()
