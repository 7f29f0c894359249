"""Ledgers of older schemas, brought up: every row as it was, the chain whole, a copy beside it and said."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from plugface.cli.store import ledger as ledger_module
from plugface.cli.store.chain import CHAINED
from plugface.cli.store.ledger import Ledger, LedgerError, record_photo
from plugface.codec import FORMAT, UnknownFormat, read_observations, write_observations

#: Ledgers as older versions left them, named by their schema. From 0002 on two photos of the demo were really
#: looked at and sorted, and a third has a look in the form of observations before these carried a version.
OLDER = sorted((Path(__file__).parent / "ledgers").glob("0*.sqlite"))


def rows(file: Path) -> dict[str, list]:
    """Table -> its rows, of the tables a ledger has."""
    with closing(sqlite3.connect(file)) as db:
        there = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        return {
            name: db.execute(f"SELECT * FROM {name} ORDER BY id").fetchall()
            for name in (*CHAINED, "links")
            if name in there
        }


def schema(file: Path) -> str:
    """Schema a file is of."""
    with closing(sqlite3.connect(file)) as db:
        return db.execute("SELECT version_num FROM alembic_version").fetchone()[0]


@pytest.fixture
def migrated(monkeypatch, true_migrate):
    """Let new ledgers here be made as they are in service."""
    quick = ledger_module._migrate
    monkeypatch.setattr(ledger_module, "_migrate", true_migrate)
    return quick


def made_of(file: Path) -> dict[str, list[str]]:
    """What a file has, by name: the lines of its definition, constraints in no order of their own."""
    with closing(sqlite3.connect(file)) as db:
        found = db.execute("SELECT name, sql FROM sqlite_master WHERE sql NOT NULL")
        return {name: sorted(line.strip(" \t,()") for line in sql.split("\n")) for name, sql in found}


def test_the_quick_ledgers_of_the_tests_are_what_migrations_make(migrated, tmp_path, monkeypatch):
    Ledger(tmp_path / "true.sqlite").close()
    monkeypatch.setattr(ledger_module, "_migrate", migrated)
    for name in ("first", "second"):
        ledger = Ledger(tmp_path / name)
        with ledger.transaction() as session:
            record_photo(session, "c" * 64, 1)
        assert ledger.verify().problems == ()
        ledger.close()
        assert made_of(tmp_path / name) == made_of(tmp_path / "true.sqlite")
        assert schema(tmp_path / name) == schema(tmp_path / "true.sqlite")
    with (
        closing(sqlite3.connect(tmp_path / "second")) as db,
        pytest.raises(sqlite3.Error, match="only added"),
    ):
        db.execute("DELETE FROM photos")


def test_there_is_a_ledger_of_every_schema_before_this_one():
    assert [file.stem for file in OLDER] == [f"{n:04d}" for n in range(1, int(ledger_module.SCHEMA))]
    for file in OLDER:
        assert schema(file) == file.stem
        assert file.stat().st_size < 200_000


@pytest.mark.parametrize("old", OLDER, ids=lambda file: file.stem)
def test_an_older_ledger_comes_up_with_every_row_and_every_link(old, tmp_path, capsys):
    file = tmp_path / "ledger.sqlite"
    shutil.copy(old, file)
    before = rows(old)
    ledger = Ledger(file)
    said = capsys.readouterr().err
    after = rows(file)
    for name, listed in before.items():
        same = after[name] if name != "links" else [row[:4] for row in after[name][: len(listed)]]
        assert same == listed, name
    assert len(before["confirmations"]) >= 2
    assert ledger.verify().problems == ()
    with ledger.transaction() as session:
        record_photo(session, "c" * 64, 1)
    assert ledger.verify().problems == ()
    ledger.close()
    copy = tmp_path / f"ledger.sqlite.before-{ledger_module.SCHEMA}"
    assert str(copy) in said
    assert (rows(copy), schema(copy)) == (before, old.stem)
    Ledger(file).close()
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("old", OLDER[1:], ids=lambda file: file.stem)
def test_a_row_changed_before_a_migration_is_found_after_it(old, tmp_path):
    file = tmp_path / "ledger.sqlite"
    shutil.copy(old, file)
    with closing(sqlite3.connect(file)) as db:
        db.execute("DROP TRIGGER proposals_no_update")
        db.execute("UPDATE proposals SET bin = 'WREN 9' WHERE id = 1")
        db.commit()
    with closing(Ledger(file)) as ledger:
        assert "does not fit its rows" in ledger.verify().problems[0]


@pytest.mark.parametrize("old", OLDER, ids=lambda file: file.stem)
def test_a_migration_that_was_cut_off_left_all_as_it_was(old, tmp_path, monkeypatch):
    from alembic import command

    file = tmp_path / "ledger.sqlite"
    shutil.copy(old, file)
    upgrade = command.upgrade

    def cut_off(*how: object) -> None:
        upgrade(*how)
        raise ZeroDivisionError

    with monkeypatch.context() as patch:
        patch.setattr(command, "upgrade", cut_off)
        with pytest.raises(ZeroDivisionError):
            Ledger(file)
    assert (rows(file), schema(file)) == (rows(old), old.stem)
    with closing(Ledger(file)) as ledger:
        assert ledger.verify().problems == ()


def test_no_room_for_the_copy_is_said_and_nothing_is_migrated(tmp_path, monkeypatch):
    file = tmp_path / "ledger.sqlite"
    shutil.copy(OLDER[0], file)

    def full(*_how: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(ledger_module, "_vacuum_into", full)
    with pytest.raises(LedgerError, match="disk is full"):
        Ledger(file)
    assert schema(file) == "0001"


def test_what_was_seen_is_read_in_every_form_it_was_written_in():
    found = []
    with closing(sqlite3.connect(f"file:{OLDER[1]}?mode=ro", uri=True)) as db:
        for (text,) in db.execute("SELECT observations FROM looks ORDER BY id"):
            found.append((text.startswith('{"format":'), read_observations(text)))
    assert [has_version for has_version, _ in found] == [True, True, False]
    assert len(found[0][1].units[0].connectors) == 3  # as the demo's truth has it, too
    assert found[2][1].units == found[0][1].units  # the same look, in the older form
    again = write_observations(found[2][1])
    assert again.startswith(f'{{"format":{FORMAT},')
    with pytest.raises(UnknownFormat, match=f"knows formats up to {FORMAT}"):
        read_observations(again.replace(f'"format":{FORMAT}', f'"format":{FORMAT + 1}', 1))
