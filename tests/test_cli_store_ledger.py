"""The ledger: rows are only added, migrations match the tables, exports say what the rows say."""

import csv
import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import openpyxl
import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.main import main
from plugface.cli.store import ledger as ledger_module
from plugface.cli.store.chain import CHAINED
from plugface.cli.store.deletion import delete, doom_unit
from plugface.cli.store.exports import write_rows
from plugface.cli.store.ledger import (
    Base,
    Confirmation,
    Ledger,
    LedgerError,
    Lot,
    Proposal,
    Unit,
    add_once,
    list_units,
    now_utc,
    record_confirmation,
    record_photo,
)
from sqlalchemy import select, text


@pytest.fixture(autouse=True)
def migrated(monkeypatch, true_migrate):
    """New ledgers are made here as they are in service."""
    monkeypatch.setattr(ledger_module, "_migrate", true_migrate)


@pytest.fixture(scope="module")
def empty_ledger(tmp_path_factory, true_migrate):
    """The file of one, migrated: that takes 0.2 s of the processor."""
    file = tmp_path_factory.mktemp("empty") / "ledger.sqlite"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ledger_module, "_migrate", true_migrate)
        Ledger(file).close()
    return file


@pytest.fixture
def ledger(tmp_path, empty_ledger):
    """An empty ledger in a file."""
    opened = Ledger(shutil.copy(empty_ledger, tmp_path))
    yield opened
    opened.close()


def add_unit(ledger: Ledger, key: str = "A-0001", *, lot: str = "lot") -> int:
    """A unit with one proposal."""
    with ledger.transaction() as session:
        add_once(session, Lot, key=lot, name=lot, source="", market="", created_at=now_utc())
        lot_id = session.scalars(select(Lot.id).filter_by(key=lot)).one()
        unit = Unit(lot_id=lot_id, key=key, method="sub-folder", group_key=key, created_at=now_utc())
        session.add(unit)
        session.flush()
        session.add(proposal(unit.id, "AUK 11"))
        return unit.id


def proposal(unit_id: int, family: str) -> Proposal:
    """A proposal with nothing but a family."""
    empty = dict.fromkeys(("variant", "message", "findings", "decision"), "")
    return Proposal(
        unit_id=unit_id,
        input_sha256=family,
        catalogue_sha256="c",
        model_version="m",
        verdict="identified",
        family=family,
        probability=0.99,
        destination="family bin",
        bin=family,
        expected_cost=2.0,
        made_at=now_utc(),
        **empty,
    )


def test_migrations_make_the_tables_that_the_code_describes(ledger):
    with ledger.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
    config = Config()
    config.set_main_option("script_location", str(Path(ledger_module.__file__).parent / "migrations"))
    assert ScriptDirectory.from_config(config).get_current_head() == ledger_module.SCHEMA


def test_a_ledger_of_a_newer_program_is_left_alone(ledger, tmp_path):
    with ledger.transaction() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(LedgerError, match="newer plugface"):
        Ledger(tmp_path / "ledger.sqlite")


def test_a_ledger_that_is_up_to_date_opens_without_the_migrations(ledger, tmp_path, monkeypatch):
    """To import what runs them takes twenty times as long as to open the ledger."""
    for name in ("alembic", *sys.modules):
        if name.partition(".")[0] == "alembic":
            monkeypatch.setitem(sys.modules, name, None)
    Ledger(tmp_path / "ledger.sqlite").close()
    with pytest.raises(ModuleNotFoundError, match="alembic"):
        from alembic import command  # noqa: F401


@pytest.mark.parametrize("table", sorted(Base.metadata.tables))
def test_the_database_refuses_to_change_or_delete_a_row(ledger, table):
    unit_id = add_unit(ledger)
    with ledger.transaction() as session:
        photo_id = record_photo(session, "f" * 64, 3)
        record_confirmation(session, session.get(Unit, unit_id), family="AUK 11", variant="", who="Ada")
        session.execute(text(f"INSERT INTO views VALUES (1, {unit_id}, {photo_id}, 0)"))
        session.execute(text(f"INSERT INTO looks VALUES (1, {photo_id}, 'v', '', '', '', 0, '')"))
        session.execute(text(f"INSERT INTO findings VALUES (1, {unit_id}, 'w', '')"))
        session.execute(text(f"INSERT INTO files VALUES (1, 1, {photo_id}, 'p', 1, '1', '', '')"))
        session.execute(text("INSERT INTO acts VALUES (1, 'entry', '', '', '', '{}', '')"))
        session.execute(text("INSERT INTO deletions VALUES (1, 1, 'photos', 99, '')"))
        session.execute(text("INSERT INTO seals VALUES (1, 1, '', '')"))
    for change in (f"DELETE FROM {table}", f"UPDATE {table} SET id = id + 1"):
        with pytest.raises(LedgerError, match="row was about to be changed"), ledger.transaction() as session:
            session.execute(text(change))


def test_the_session_refuses_a_change_before_the_database_does(ledger):
    unit_id = add_unit(ledger)
    with pytest.raises(RuntimeError, match="only added"), ledger.transaction() as session:
        session.get(Unit, unit_id).key = "other"
    with pytest.raises(RuntimeError, match="only added"), ledger.transaction() as session:
        session.delete(session.get(Unit, unit_id))


def test_a_transaction_is_kept_whole_or_not_at_all(ledger):
    def fail_half_way() -> None:
        with ledger.transaction() as session:
            record_photo(session, "a" * 64, 1)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    with ledger.reading() as session:
        assert session.scalar(text("SELECT count(*) FROM photos")) == 0


def test_the_latest_proposal_and_truth_count_and_the_earlier_stay(ledger):
    unit_id = add_unit(ledger)
    with ledger.transaction() as session:
        session.add(proposal(unit_id, "KNOT 40"))
        unit = session.get(Unit, unit_id)
        record_confirmation(session, unit, family="AUK 11", variant="", who="Ada")
        session.flush()
        record_confirmation(session, unit, family="KNOT 40", variant="E", who="Bo", note="label read")
    with ledger.reading() as session:
        _columns, rows = list_units(session)
        (row,) = rows
        assert (row.family, row.true_family, row.true_variant, row.confirmed_by) == (
            "KNOT 40",
            "KNOT 40",
            "E",
            "Bo",
        )
        truths = session.scalars(select(Confirmation).order_by(Confirmation.id)).all()
        latest = session.scalars(select(Proposal.id).order_by(Proposal.id.desc())).first()
        assert [truth.who for truth in truths] == ["Ada", "Bo"]
        assert {truth.proposal_id for truth in truths} == {latest}


def test_a_truth_needs_a_witness(ledger):
    unit_id = add_unit(ledger)
    with pytest.raises(ValueError, match="needs the name"), ledger.transaction() as session:
        record_confirmation(session, session.get(Unit, unit_id), family="AUK 11", variant="", who="  ")


def test_only_the_lot_asked_for_is_listed(ledger):
    add_unit(ledger, "A-0001", lot="first")
    add_unit(ledger, "B-0001", lot="second")
    with ledger.reading() as session:
        assert [row.unit for row in list_units(session, "second")[1]] == ["B-0001"]
        assert [row.unit for row in list_units(session)[1]] == ["A-0001", "B-0001"]


def test_eight_writers_at_once_lose_nothing(tmp_path):
    path = tmp_path / "ledger.sqlite"

    def write(number: int) -> None:
        own = Ledger(path)
        for item in range(10):
            with own.transaction() as session:
                record_photo(
                    session, f"{number * 5 + item:064d}", 1
                )  # half of them overlap with a neighbour's
        own.close()

    with ThreadPoolExecutor(8) as writers:
        list(writers.map(write, range(8)))  # raises what a writer raised
    with Ledger(path).reading() as session:
        assert session.scalar(text("SELECT count(*) FROM photos")) == 45


def test_a_file_that_another_one_is_setting_up_is_waited_for(tmp_path, monkeypatch):
    """SQLite refuses the switch to the write-ahead log at once while another writes, whatever the timeout."""
    other = sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    let_go = threading.Timer(0.3, other.rollback)
    let_go.start()
    Ledger(tmp_path / "ledger.sqlite").close()
    let_go.join()

    monkeypatch.setattr(ledger_module, "BUSY_S", 0.1)
    other = sqlite3.connect(tmp_path / "held.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(LedgerError, match="another program holds it"):
        Ledger(tmp_path / "held.sqlite")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda path: path.write_bytes(b"this is no database, but long enough to be read as one" * 40),
            "not a ledger",
        ),
        (lambda path: path.mkdir(), "cannot be opened"),
    ],
)
def test_what_is_no_ledger_is_said_in_a_sentence(tmp_path, make, words):
    path = tmp_path / "ledger.sqlite"
    make(path)
    with pytest.raises(LedgerError, match=words) as raised:
        Ledger(path)
    assert str(path) in str(raised.value)


@pytest.mark.parametrize(
    ("tables", "words"),
    [((), "is empty. Put a copy of it back"), (("prices",), "is not a ledger. Name another")],
)
def test_a_file_that_is_no_ledger_is_made_none_by_looking(tmp_path, run, tables, words):
    path = tmp_path / "ledger.sqlite"
    path.touch()
    with closing(sqlite3.connect(path)) as other:
        for name in tables:
            other.execute(f"CREATE TABLE {name} (id)")
    data = path.read_bytes()
    for command in (("verify",), ("list",), ("export", tmp_path / "out.csv"), ("delete", "--plates")):
        for where in (tmp_path, path, f"sqlite:///{path}"):
            said = run("ledger", *command, "--ledger", where)
            assert (said.code, words in said.err) == (2, True), said.err
    assert path.read_bytes() == data
    if tables:  # sort and the page start a ledger, but not in another program's file
        with pytest.raises(LedgerError, match="not a ledger"):
            Ledger(path)
        assert path.read_bytes() == data
    else:
        Ledger(path).close()
        assert run("ledger", "verify", "--ledger", path).code == 0
    gone = tmp_path / "gone.sqlite"
    assert "no such ledger" in run("ledger", "verify", "--ledger", f"sqlite:///{gone}").err
    assert not gone.exists()


@pytest.mark.parametrize(("start", "byte"), [(4096, 0x5A), (-40_960, 0xAA), (5000, None)])
def test_a_damaged_ledger_is_said_in_a_sentence_and_left_as_it_is(tmp_path, run, start, byte):
    """Overwritten behind its first page, overwritten at its end, and cut off."""
    path = tmp_path / "ledger.sqlite"
    made = Ledger(path)
    for number in range(40):
        add_unit(made, f"A-{number:04d}")
    made.close()
    data = bytearray(path.read_bytes())
    data[start:] = b"" if byte is None else bytes([byte]) * len(data[start:])
    path.write_bytes(data)
    said = run("ledger", "list", "--ledger", path)
    remedy = "this file is damaged. Put a copy of it back, or name another place with --ledger"
    assert (said.code, said.err.strip()) == (2, f"error: {path}: {remedy}")
    assert path.read_bytes() == data


@pytest.mark.parametrize("url", ["mysql://host/x", "nonsense://", "sqlite:////nowhere/at/all/x.sqlite"])
def test_an_address_that_cannot_be_used_is_said_in_a_sentence(url):
    with pytest.raises(LedgerError):
        Ledger(url)


@pytest.mark.parametrize("url", ["postgresql://host/x", "postgresql+psycopg://host/x"])
def test_a_missing_driver_is_named_with_the_extra_that_brings_it(url, monkeypatch):
    monkeypatch.setitem(sys.modules, "psycopg", None)  # as where it is not installed
    with pytest.raises(LedgerError, match=r"driver .* not installed \(psycopg\).*plugface\[postgresql\]"):
        Ledger(url)


def test_a_full_disk_is_said_in_a_sentence_and_nothing_is_half_written(ledger):
    with ledger.transaction() as session:
        record_photo(session, "a" * 64, 1)

    def write_too_much() -> None:
        with ledger.transaction() as session:
            session.execute(text("PRAGMA max_page_count = 1"))  # SQLite's own way to run out of room
            for number in range(5000):
                record_photo(session, f"{number:064d}", 1)

    with pytest.raises(LedgerError, match="disk is full"):
        write_too_much()
    with ledger.reading() as session:
        assert session.scalar(text("SELECT count(*) FROM photos")) == 1


def test_a_ledger_survives_the_end_of_its_writer(tmp_path):
    """The files as kill -9 leaves them, copied with the writer still open, hold what was committed."""
    writer = Ledger(tmp_path / "ledger.sqlite")
    unit_id = add_unit(writer)
    (tmp_path / "left").mkdir()
    for file in tmp_path.glob("ledger.sqlite*"):
        shutil.copy(file, tmp_path / "left" / file.name)
    with Ledger(tmp_path / "left" / "ledger.sqlite").reading() as session:
        assert session.get(Unit, unit_id).key == "A-0001"


COLUMNS = ("unit", "words", "share", "count")
ROWS = [
    ("A-1", 'quotes " commas, and\nlines', 0.25, 3),
    ("A-2", "=cmd|' /C calc'!A0", 1e-9, 0),
    ("A-3", "<b>&amp; \u00e4\u8f6e \u2693", None, None),
    ("A-4", "bell \a and null \0 stay out of a sheet", 1.0, -2),
]


def test_csv_can_be_read_back_and_holds_no_formula():
    out = io.BytesIO()
    assert write_rows(COLUMNS, ROWS, out, "csv") == 4
    read = list(csv.reader(io.StringIO(out.getvalue().decode("utf-8-sig"))))
    assert read[0] == list(COLUMNS)
    assert read[1] == ["A-1", 'quotes " commas, and\nlines', "0.25", "3"]
    assert read[2][1] == "'=cmd|' /C calc'!A0"
    assert read[3] == ["A-3", "<b>&amp; \u00e4\u8f6e \u2693", "", ""]


def test_sheet_is_read_back_by_another_library():
    out = io.BytesIO()
    assert write_rows(COLUMNS, ROWS, out, "xlsx") == 4
    sheet = openpyxl.load_workbook(io.BytesIO(out.getvalue())).active
    read = list(sheet.iter_rows(values_only=True))
    assert read[0] == COLUMNS
    assert read[1:4] == ROWS[:3]
    assert read[4] == ("A-4", "bell  and null  stay out of a sheet", 1.0, -2)
    assert sheet.cell(3, 2).data_type != "f"


@given(
    st.lists(
        st.tuples(st.text(), st.none() | st.floats(allow_nan=False, allow_infinity=False), st.integers())
    )
)
def test_json_lines_give_back_every_row(rows):
    out = io.BytesIO()
    assert write_rows(("a b", "share", "n"), rows, out, "jsonl") == len(rows)
    read = [tuple(json.loads(line).values()) for line in out.getvalue().decode().split("\n")[:-1]]
    assert read == rows


def test_commands_list_and_export(tmp_path, monkeypatch, capsys):
    add_unit(Ledger(tmp_path / "ledger.sqlite"))

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["plugface", "ledger", *map(str, words), "--ledger", str(tmp_path)])
        with pytest.raises(SystemExit) as left:
            main()
        return left.value.code or 0, *capsys.readouterr()

    assert json.loads(run("list", "--json")[1])["family"] == "AUK 11"
    assert "A-0001" in run("list")[1]
    for ending in ("csv", "jsonl", "xlsx"):
        code, said, _ = run("export", tmp_path / f"out.{ending}")
        assert (code, "1 units written" in said) == (0, True)
        assert (tmp_path / f"out.{ending}").stat().st_size > 0
    assert run("export", tmp_path / "x.txt")[0] == 2
    code, _, said = run("list", "--lot", "none")
    assert (code, "it has no lot" in said, "Traceback" in said) == (2, True, False)


@pytest.fixture(scope="module")
def postgresql(tmp_path_factory):
    """Address of a PostgreSQL of this test's own, where the machine has one."""
    psycopg = pytest.importorskip("psycopg")
    programs = {name: shutil.which(name) for name in ("initdb", "postgres")}
    if None in programs.values():
        pytest.skip("PostgreSQL is not installed")
    folder = tmp_path_factory.mktemp("pg")
    account = {"user": "nobody"} if os.geteuid() == 0 else {}
    if account:
        shutil.chown(folder, "nobody")
        for above in (folder, *folder.parents[:2]):
            above.chmod(0o755)
    data = folder / "data"
    made = subprocess.run(
        [programs["initdb"], "-D", data, "-U", "postgres", "-A", "trust", "--no-sync"],
        capture_output=True,
        cwd=folder,
        **account,
    )
    if made.returncode:
        pytest.skip(f"initdb failed: {made.stderr.decode()[-200:]}")
    server = subprocess.Popen(
        [programs["postgres"], "-D", data, "-k", folder, "-h", ""],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        **account,
    )
    for _ in range(1200):  # its socket is there before it takes anybody in
        try:
            psycopg.connect(host=str(folder), user="postgres", dbname="postgres").close()
            break
        except psycopg.OperationalError:
            time.sleep(0.1)
    yield f"postgresql://postgres@/postgres?host={folder}"
    server.terminate()
    server.wait(20)


def test_postgresql_keeps_the_same_promises(postgresql):
    ledger = Ledger(postgresql)
    unit_id = add_unit(ledger)
    with ledger.transaction() as session:
        assert record_photo(session, "a" * 64, 1) == record_photo(session, "a" * 64, 1)
        record_confirmation(session, session.get(Unit, unit_id), family="AUK 11", variant="", who="Ada")
    with ledger.reading() as session:
        assert [row.true_family for row in list_units(session)[1]] == ["AUK 11"]
    with pytest.raises(LedgerError, match="row was about to be changed"), ledger.transaction() as session:
        session.execute(text("DELETE FROM confirmations"))
    with ledger.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
    ledger.close()
    Ledger(postgresql).close()


def test_first_starts_on_a_fresh_postgresql_do_not_collide(postgresql):
    import psycopg

    for attempt in range(4):
        with psycopg.connect(postgresql, autocommit=True) as server:
            server.execute(f"CREATE DATABASE fresh{attempt}")
        fresh = postgresql.replace("/postgres?", f"/fresh{attempt}?")
        with ThreadPoolExecutor(4) as starters:
            for ledger in starters.map(Ledger, [fresh] * 4):
                ledger.close()


def test_postgresql_chains_what_several_write_at_once(postgresql):
    ledgers = [Ledger(postgresql) for _ in range(3)]

    def add(number: int) -> None:
        for more in range(5):
            add_unit(ledgers[number], f"C-{number}-{more}", lot=f"chained {number}")

    with ThreadPoolExecutor(3) as writers:
        list(writers.map(add, range(3)))
    assert ledgers[0].verify().problems == ()
    for ledger in ledgers:
        ledger.close()


def test_postgresql_deletes_where_a_tombstone_stands_and_nowhere_else(postgresql):
    import psycopg

    with psycopg.connect(postgresql, autocommit=True) as server:
        server.execute("CREATE DATABASE deleting")
    ledger = Ledger(postgresql.replace("/postgres?", "/deleting?"))
    gone, stays = (add_unit(ledger, key, lot="deleted from") for key in ("D-1", "D-2"))
    with pytest.raises(LedgerError, match="row was about to be changed"), ledger.transaction() as session:
        session.execute(text(f"DELETE FROM units WHERE id = {gone}"))
    counts = delete(ledger, doom_unit(ledger, "D-1"), who="Ada", why="sold")
    assert counts["units"] == 1
    with ledger.reading() as session:
        assert session.scalars(select(Unit.id)).all() == [stays]
        stones = session.execute(text("SELECT table_name, row_id FROM deletions")).all()
        assert ("units", gone) in [tuple(stone) for stone in stones]
    found = ledger.verify()
    assert (found.problems, found.deleted) == ((), len(stones))
    with pytest.raises(LedgerError), ledger.transaction() as session:
        session.execute(text("DELETE FROM deletions"))
    ledger.close()


def test_sqlite_is_in_write_ahead_mode(ledger, tmp_path):
    assert sqlite3.connect(tmp_path / "ledger.sqlite").execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_ledger_is_for_its_owner_alone(ledger, tmp_path):
    add_unit(ledger)
    files = list(tmp_path.glob("ledger.sqlite*"))
    assert len(files) == 3
    assert {file.stat().st_mode & 0o777 for file in files} == {0o600}


# The chain over all rows


def test_rows_cannot_be_replaced_by_inserting(ledger):
    unit_id = add_unit(ledger)
    replacing = (
        "INSERT OR REPLACE INTO proposals SELECT id, unit_id, input_sha256, catalogue_sha256, model_version,"
        " verdict, 'CURLEW 5', variant, probability, destination, bin, expected_cost, words, findings,"
        " decision, made_at FROM proposals",
        "REPLACE INTO lots (key, name, source, market, created_at) VALUES ('lot', 'another', '', '', '')",
        "INSERT INTO lots (key, name, source, market, created_at) VALUES ('lot', 'x', '', '', '')"
        " ON CONFLICT (key) DO UPDATE SET name = 'x'",
    )
    with sqlite3.connect(ledger.name) as other:
        for statement in replacing:
            with pytest.raises(sqlite3.IntegrityError, match="only added"):
                other.execute(statement)
    other.close()
    assert add_unit(ledger, "A-0002") != unit_id
    assert ledger.verify().problems == ()


CHANGES = {
    "changed": "UPDATE proposals SET family = 'CURLEW 5' WHERE id = 1",
    "taken out": "DELETE FROM confirmations WHERE id = 1",
    "slipped in": "INSERT INTO confirmations (unit_id, family, variant, who, note, confirmed_at)"
    " VALUES (1, 'CURLEW 5', '', 'Eve', '', '')",
    "last link gone": "DELETE FROM links WHERE id = (SELECT max(id) FROM links)",
    "link gone": "DELETE FROM links WHERE id = 2",
}


@pytest.mark.parametrize("how", CHANGES)
def test_what_was_done_behind_the_programs_back_is_found(ledger, how, run):
    for number in range(3):
        unit_id = add_unit(ledger, f"A-000{number}")
        with ledger.transaction() as session:
            record_confirmation(session, session.get(Unit, unit_id), family="AUK 11", variant="", who="Ada")
    good = ledger.verify()
    assert (good.problems, good.links) == ((), 6)
    with sqlite3.connect(ledger.name) as other:
        triggers = [row[0] for row in other.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for name in triggers:
            other.execute(f"DROP TRIGGER {name}")
        other.execute(CHANGES[how])
    other.close()
    assert ledger.verify().problems
    said = run("ledger", "verify", "--ledger", ledger.name)
    assert said.code == 1
    assert "not as plugface wrote it" in said.err


def test_verify_names_the_last_link(ledger, run):
    add_unit(ledger)
    said = run("ledger", "verify", "--ledger", ledger.name)
    assert (said.code, ledger.verify().head in said.out) == (0, True)


def test_an_older_ledger_is_copied_then_brought_up_with_all_its_rows(tmp_path):
    # Written by plugface 0.2.0 with the first schema; three units, each proposed and confirmed.
    old = Path(__file__).parent / "ledgers" / "0001.sqlite"
    file = tmp_path / "ledger.sqlite"
    shutil.copy(old, file)

    def rows(where: Path) -> dict[str, list]:
        with sqlite3.connect(where) as db:
            tables = CHAINED[:9]  # those of the first schema
            return {name: db.execute(f"SELECT * FROM {name} ORDER BY id").fetchall() for name in tables}

    before = rows(old)
    ledger = Ledger(file)
    assert rows(file) == before
    assert [len(before[name]) for name in ("units", "confirmations")] == [3, 3]
    assert ledger.verify().problems == ()
    add_unit(ledger, "B-0001")
    assert ledger.verify().problems == ()
    ledger.close()
    copy = tmp_path / f"ledger.sqlite.before-{ledger_module.SCHEMA}"
    assert rows(copy) == before
