"""Deleting for good: nothing of it is left but tombstones, and the hash chain still verifies."""

import json
import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from plugface.cli.store.chain import CHAINED
from plugface.cli.store.deletion import document_without_plates, without_plates
from plugface.cli.store.ledger import (
    File,
    Ledger,
    LedgerError,
    Look,
    Lot,
    Photo,
    Unit,
    View,
    add_once,
    now_utc,
    record_confirmation,
)
from plugface.cli.store.locks import lock_folder
from plugface.cli.web.access import HashedCode
from plugface.cli.web.limits import Limits
from plugface.cli.web.queue import CodeEntry, Queue
from plugface.codec import read_observations
from plugface.vision.observations import Code
from plugface.vision.observations import Unit as SeenUnit
from sqlalchemy import select, text

#: What the fixture puts beside the first unit.
PLATE = "0AUK DUNL3K0 001234"
LEDGERS = Path(__file__).parent / "ledgers"


def rows(folder: Path, file: str = "ledger.sqlite") -> dict[str, list]:
    """Table -> its rows, of an SQLite file."""
    with closing(sqlite3.connect(folder / file)) as db:
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: db.execute(f"SELECT * FROM {name}").fetchall() for name in sorted(tables)}


def left_on_disk(folder: Path, words: str) -> list[str]:
    """Names of files whose bytes hold some words."""
    return [file.name for file in folder.rglob("*") if file.is_file() and words.encode() in file.read_bytes()]


def verified(folder: Path):
    """What checking the chain of a folder's ledger finds."""
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        return ledger.verify()


def test_a_deleted_unit_is_gone_from_ledger_queue_and_disk_and_the_chain_holds(filled_yard, run):
    folder, hashes = filled_yard
    before = rows(folder)
    where = ("--ledger", folder)
    planned = run("ledger", "delete", "--unit", "n-0001", *where)
    assert (planned.code, "add --yes" in planned.out) == (0, True)
    assert rows(folder) == before

    with closing(Ledger(folder / "ledger.sqlite")) as other, other.reading() as session:
        session.scalars(select(Unit)).all()  # whoever has it open keeps its log from going away by itself
        session.rollback()
        said = run("ledger", "delete", "--unit", "N-0001", "--why", "sold", "--who", "Bo", "--yes", *where)
        assert left_on_disk(folder, "a" * 32) == []
    assert said.code == 0, said.err
    after = rows(folder)
    assert len(before["units"]) - len(after["units"]) == 1
    assert len(before["photos"]) - len(after["photos"]) == 1  # the other one shows unit 2, too
    for words in ("a" * 32, "witness of aaaa", "words on aaaa", hashes["n1"], PLATE):
        assert left_on_disk(folder, words) == [], words
    assert not list(folder.glob(f"photos/??/{hashes['n1']}*"))
    assert len(list(folder.glob(f"photos/??/{hashes['n1b']}*"))) == 3
    gone = [row[2] for row in after["deletions"]]
    assert sorted(set(gone)) == ["confirmations", "looks", "photos", "proposals", "units", "views"]
    found = verified(folder)
    assert (found.problems, found.deleted) == ((), len(gone))
    line = json.loads(run("ledger", "audit", "--json", *where).out.splitlines()[-1])
    assert (line["act"], line["who"], line["about"], line["facts"]["why"]) == (
        "deletion", "Bo", "unit N-0001", "sold",
    )  # fmt: skip
    assert sorted(row[:3:2] for row in rows(folder, "queue.sqlite")["units"]) == [
        ("N", 2),
        ("N", 3),
        ("S", 1),
    ]


def test_a_deleted_lot_takes_its_code_and_leaves_photos_that_another_lot_has(filled_yard, run):
    folder, hashes = filled_yard
    assert run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder).code == 0
    assert [row[1] for row in rows(folder)["lots"]] == ["S"]
    assert [row[1] for row in rows(folder)["photos"]] == [hashes["n3"]]
    queue = rows(folder, "queue.sqlite")
    assert [[row[0] for row in queue[name]] for name in ("lots", "units", "photos", "answers")] == [["S"]] * 4
    assert len(queue["tokens"]) == 1
    assert {file.name[:64] for file in folder.glob("photos/??/*")} == {hashes["n3"]}
    assert left_on_disk(folder, "yard of N") == []
    assert verified(folder).problems == ()
    assert run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder).code == 2


def test_a_photo_that_another_lot_has_in_no_unit_yet_stays(filled_yard, run):
    folder, hashes = filled_yard
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        other = session.scalars(select(Lot.id).where(Lot.key == "S")).one()
        photo = session.scalars(select(Photo.id).where(Photo.sha256 == hashes["n1"])).one()
        once = {"size_bytes": 9, "mtime_ns": "1", "note": "", "added_at": now_utc()}
        add_once(session, File, lot_id=other, photo_id=photo, path="late.jpg", **once)
    assert run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder).code == 0
    assert {row[1] for row in rows(folder)["photos"]} == {hashes["n1"], hashes["n3"]}
    assert verified(folder).problems == ()


def test_codes_of_names_go_with_their_lot_and_no_other(filled_yard, run):
    folder, _hashes = filled_yard
    with closing(Queue(folder / "queue.sqlite", Limits())) as queue:
        for lot, key in (("N", "QQQ"), ("S", "RRR")):
            code = CodeEntry(key, queue.lot(key=lot), "Ada", HashedCode(b"s", b"d" * 32), "2026-11-28T10:00Z")
            queue.add_code(code)
            queue.add_token(f"token of {key}", lot, key)
    said = run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder)
    assert said.code == 0, said.err
    queue = rows(folder, "queue.sqlite")
    assert [row[0] for row in queue["codes"]] == ["RRR"]
    assert sorted(row[0] for row in queue["tokens"]) == ["token S", "token of RRR"]


def test_the_last_unit_keeps_its_number_and_nothing_that_was_said_of_it(filled_yard, run):
    folder, _hashes = filled_yard
    with closing(Queue(folder / "queue.sqlite", Limits())) as queue:
        said = {"typed": ("TYPED 4711",), "sender": ("network 10.9.8.7", "session abcdef")}
        queue.describe("N", "c" * 32, "KNOT 40", {"gearbox": "manual"}, **said)
    with closing(sqlite3.connect(folder / "queue.sqlite")) as db:
        db.execute("UPDATE units SET owner = 'name Ada Quist' WHERE id = ?", ("c" * 32,))
        db.commit()
    assert run("ledger", "delete", "--unit", "N-0003", "--yes", "--ledger", folder).code == 0
    for words in ("TYPED 4711", "KNOT 40", "manual", "10.9.8.7", "Ada Quist"):
        assert left_on_disk(folder, words) == [], words
    assert ("N", 3) in [row[:3:2] for row in rows(folder, "queue.sqlite")["units"]]
    # What is left to hold the number is no unit that could be deleted another time.
    assert run("ledger", "delete", "--unit", "N-0003", "--yes", "--ledger", folder).code == 2


def test_a_lot_goes_from_a_queue_of_an_older_plugface(filled_yard, run):
    folder, _hashes = filled_yard
    with closing(sqlite3.connect(folder / "queue.sqlite")) as db:
        db.execute("DROP TABLE codes")
        for table, column in (
            ("units", "sender"),
            ("units", "owner"),
            ("units", "typed"),
            ("tokens", "code"),
        ):
            db.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
        db.commit()
    assert run("ledger", "delete", "--unit", "N-0003", "--yes", "--ledger", folder).code == 0
    assert run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder).code == 0
    assert {row[0] for row in rows(folder, "queue.sqlite")["units"]} == {"S"}


def test_a_deleted_photo_takes_the_unit_it_alone_showed(filled_yard, run):
    folder, hashes = filled_yard
    for name in ("n1b", "n3"):
        assert run("ledger", "delete", "--photo", hashes[name][:12], "--yes", "--ledger", folder).code == 0
    assert [row[2] for row in rows(folder)["units"]] == ["N-0001", "N-0002"]
    assert [row[1] for row in rows(folder)["photos"]] == [hashes["n1"], hashes["n2"]]
    queue = rows(folder, "queue.sqlite")
    assert [row[6] for row in queue["units"]] == ["waiting", "waiting", "new", "new"]
    assert [row[3] for row in queue["photos"]] == [hashes["n1"], hashes["n2"]]
    assert verified(folder).problems == ()
    for wrong in (hashes["n3"], "no hash", "0" * 8):
        assert run("ledger", "delete", "--photo", wrong, "--ledger", folder).code == 2


def test_a_photo_goes_from_every_lot_or_stays(filled_yard, run):
    folder, hashes = filled_yard
    before, photo = rows(folder), ("--photo", hashes["n3"], "--yes", "--ledger", folder)
    said = run("ledger", "delete", *photo, "--lot", "S")
    assert (said.code, "leave out --lot" in " ".join(said.err.replace("│", " ").split())) == (2, True)
    assert rows(folder) == before
    assert "3 files on disk" in run("ledger", "delete", *photo).out
    assert {row[2] for row in rows(folder)["units"]} == {"N-0001", "N-0002"}


def test_rows_of_files_and_files_on_disk_are_counted_apart(filled_yard, run):
    folder, hashes = filled_yard
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        photo = session.scalars(select(Photo).filter_by(sha256=hashes["n3"])).one()
        rest = {"size_bytes": 500, "mtime_ns": "1", "note": "", "added_at": ""}
        session.add(File(lot_id=1, photo_id=photo.id, path="n3.jpg", **rest))
    said = run("ledger", "delete", "--photo", hashes["n3"], "--yes", "--ledger", folder).out
    assert "1 files," in said
    assert "3 files on disk" in said


def test_donors_numbers_go_alone(filled_yard, run):
    folder, _hashes = filled_yard
    before = rows(folder)
    assert left_on_disk(folder, PLATE)
    planned = run("ledger", "delete", "--plates", "--ledger", folder)
    assert "1 texts, 1 looks would be deleted" in planned.out
    assert "1 looks" not in run("ledger", "delete", "--plates", "--lot", "S", "--ledger", folder).out
    said = run("ledger", "delete", "--plates", "--yes", "--ledger", folder)
    assert "photos still show" in said.out
    assert left_on_disk(folder, PLATE) == []
    after = rows(folder)
    for name in ("lots", "photos", "units", "views", "proposals", "confirmations"):
        assert after[name] == before[name]
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        looks = [read_observations(row.observations) for row in session.scalars(select(Look))]
        assert sorted(len(seen.texts) for seen in looks) == [0, 1, 1, 1]  # what is too short for one stays
        assert ledger.verify().problems == ()


def test_pages_of_a_run_that_may_show_a_deleted_donors_number_go_with_it(filled_yard, run):
    folder, _hashes = filled_yard
    for name in ("run.json", "report.html", "labels.html", "units.xlsx"):
        (folder / name).write_text(PLATE)
    assert run("ledger", "delete", "--plates", "--lot", "S", "--yes", "--ledger", folder).code == 0
    assert (folder / "report.html").exists()  # nothing of that lot was deleted
    assert run("ledger", "delete", "--plates", "--yes", "--ledger", folder).code == 0
    assert left_on_disk(folder, PLATE) == ["run.json"]


def test_donors_numbers_go_from_the_log_too_while_somebody_has_the_ledger_open(filled_yard, run):
    folder, _hashes = filled_yard
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        with ledger.reading() as session:  # its connection stays, and with it the log
            assert len(session.scalars(select(Look)).all()) == 4
        assert run("ledger", "delete", "--plates", "--yes", "--ledger", folder).code == 0
        assert left_on_disk(folder, PLATE) == []


def test_the_newest_look_stays_the_newest_where_an_older_one_loses_a_number(filled_yard, run):
    folder, hashes = filled_yard
    clean = (LEDGERS / "seen.json").read_text("utf-8").replace("HASH", hashes["n1"])
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        photo = session.scalars(select(Photo).filter_by(sha256=hashes["n1"])).one()
        for version, fault, seen in (("w", "", clean.replace("PLATE", "w")), ("x", "not read", "")):
            rest = {"taken_at": "", "seconds": 0.5, "made_at": ""}
            session.add(Look(photo_id=photo.id, version=version, fault=fault, observations=seen, **rest))
            session.flush()
    said = run("ledger", "delete", "--plates", "--yes", "--ledger", folder)
    assert "1 texts, 3 looks" in said.out, said.err
    assert left_on_disk(folder, PLATE) == []
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        looks = session.scalars(select(Look).filter_by(photo_id=photo.id).order_by(Look.id)).all()
        assert [(row.version, row.fault) for row in looks] == [("v", ""), ("w", ""), ("x", "not read")]
        assert looks[1].observations == clean.replace("PLATE", "w")
        assert looks[1].made_at == ""  # a lot goes by a look that there was when its photo came
        assert ledger.verify().problems == ()


def test_a_label_by_itself_keeps_its_numbers():
    seen = read_observations((LEDGERS / "seen.json").read_text("utf-8").replace("HASH", "a" * 64))
    own = ("20481-0337", "AUK 11 4711 2024", "20481-0337 S/N 1948774")
    foreign = ("0AUKDUNL7K0001234", PLATE)  # the first has a wrong check digit, as many a right number has
    code = Code(((0, 0), (9, 0), (9, 9), (0, 9)), "Code 128", "", "verified")
    alone = replace(
        seen,
        texts=tuple(replace(seen.texts[0], value=value) for value in (*own, *foreign, "short")),
        codes=tuple(replace(code, payload=value) for value in (*own, *foreign)),
    )
    beside = replace(alone, units=(SeenUnit(code.polygon, 0.9, {"front": 1.0}),))
    for one, texts, codes in ((alone, (*own, "short"), own), (beside, ("short",), ())):
        kept = without_plates(one)
        assert tuple(text.value for text in kept.texts) == texts
        assert tuple(code.payload for code in kept.codes) == codes
        photo = {
            "unit": None if one is alone else {"texts": [{"value": own[0]}], "codes": []},
            "texts": [{"value": text.value} for text in one.texts],
            "codes": [{"payload": code.payload} for code in one.codes],
        }
        (answer,) = document_without_plates({"photos": [photo]})["photos"]
        assert tuple(text["value"] for text in answer["texts"]) == texts
        assert tuple(code["payload"] for code in answer["codes"]) == codes
        assert answer["unit"] == photo["unit"]


def test_nothing_is_deleted_while_the_page_is_at_work(filled_yard, run):
    folder, _hashes = filled_yard
    before = rows(folder)
    with lock_folder(folder):
        said = run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder)
    assert (said.code, "End that one first" in said.err) == (2, True)
    assert rows(folder) == before


def test_a_unit_that_the_queue_alone_has_is_deleted_by_its_key(filled_yard, run, monkeypatch):
    """As a deletion leaves it that is cut off between the ledger and the queue."""
    folder, hashes = filled_yard

    def cut_off(_self: object, _hashes: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("plugface.cli.store.surroundings.Surroundings.drop_files", cut_off)
        assert run("ledger", "delete", "--unit", "N-0001", "--yes", "--ledger", folder).code != 0
    assert len(rows(folder)["units"]) == 3
    assert len(rows(folder, "queue.sqlite")["units"]) == 4
    assert run("ledger", "delete", "--unit", "N-0001", "--yes", "--ledger", folder).code == 0
    assert len(rows(folder, "queue.sqlite")["units"]) == 3
    assert not list(folder.glob(f"photos/??/{hashes['n1']}*"))
    assert run("ledger", "delete", "--unit", "N-0001", "--yes", "--ledger", folder).code == 2


def test_numbers_of_deleted_rows_and_units_are_not_given_again(filled_yard, run):
    folder, _hashes = filled_yard
    last = rows(folder)["units"][-1]
    assert run("ledger", "delete", "--unit", "S-0001", "--yes", "--ledger", folder).code == 0
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        with ledger.transaction() as session:
            unit = Unit(lot_id=1, key="N-0009", method="m", group_key="g", created_at="")
            session.add(unit)
            session.flush()
            assert unit.id == last[0] + 1
        with pytest.raises(LedgerError, match="about to be changed"), ledger.transaction() as session:
            session.add(Unit(id=last[0], lot_id=1, key="N-0010", method="m", group_key="h", created_at=""))
        assert ledger.verify().problems == ()


def test_no_row_is_deleted_without_a_tombstone(filled_yard):
    folder, _hashes = filled_yard
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        with pytest.raises(LedgerError, match="about to be changed"), ledger.transaction() as session:
            session.execute(text("DELETE FROM confirmations WHERE id = 1"))
        with ledger.transaction() as session:
            session.execute(text("INSERT INTO acts VALUES (1, 'deletion', '', '', '', '{}', '')"))
            session.execute(text("INSERT INTO seals VALUES (1, 1, '', '')"))
            for number, table in enumerate(("acts", "deletions", "seals", "links")):
                session.execute(text(f"INSERT INTO deletions VALUES ({number + 1}, 1, '{table}', 1, '')"))
        for table in ("acts", "deletions", "seals", "links"):
            with pytest.raises(LedgerError, match="about to be changed"), ledger.transaction() as session:
                session.execute(text(f"DELETE FROM {table} WHERE id = 1"))


FORGERIES = {
    "the hash in a tombstone": "UPDATE deletions SET sha256 = 'f' WHERE id = 1",
    "a tombstone taken out": "DELETE FROM deletions WHERE id = 1",
    "a seal": "UPDATE seals SET sha256 = 'f' WHERE id = 1",
    "the row put back": "INSERT INTO units SELECT row_id, 1, 'X', 'm', 'g', '' FROM deletions"
    " WHERE table_name = 'units'",
    "another row of a sealed link": "UPDATE units SET method = 'x' WHERE id IN (SELECT max(id) FROM units)",
}


@pytest.mark.parametrize("how", FORGERIES)
@pytest.mark.parametrize("schema", ["0001", "0002", "new"])
def test_what_is_forged_around_a_deletion_is_found(tmp_path, filled_yard, run, how, schema):
    folder, unit = filled_yard[0], "N-0002"
    if schema != "new":
        folder = tmp_path
        shutil.copy(LEDGERS / f"{schema}.sqlite", folder / "ledger.sqlite")
        Ledger(folder / "ledger.sqlite").close()
        unit = rows(folder)["units"][0][2]
    assert run("ledger", "delete", "--unit", unit, "--yes", "--ledger", folder).code == 0
    assert verified(folder).problems == ()
    assert bool(rows(folder)["seals"]) == (schema == "0002")  # only its links hash the rows themselves
    if how == "a seal" and schema != "0002":
        return
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        assert db.execute(FORGERIES[how]).rowcount == 1
        db.commit()
    assert verified(folder).problems


def test_what_was_changed_before_is_not_taken_away_unseen(filled_yard, run):
    folder, _hashes = filled_yard
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as db:
        db.execute("DROP TRIGGER proposals_no_update")
        db.execute("UPDATE proposals SET bin = 'KNOT 40' WHERE id = 1")
        db.commit()
    said = run("ledger", "delete", "--unit", "N-0001", "--yes", "--ledger", folder)
    assert (said.code, "changed behind the program's back" in said.err) == (2, True)
    assert len(rows(folder)["units"]) == 4


def test_what_is_past_its_time_is_swept_and_what_was_confirmed_since_stays(filled_yard, run, monkeypatch):
    folder, hashes = filled_yard
    sweep = ("ledger", "sweep", "--keep-days", 30, "--yes", "--ledger", folder)
    assert "No unit is older than 30 days" in run(*sweep).out
    in_40_days = datetime.now(UTC) + timedelta(days=40)

    class Later(datetime):
        """A clock 40 days on."""

        @classmethod
        def now(cls, zone=None):
            return in_40_days

    monkeypatch.setattr("plugface.cli.commands.ledger_keeping.datetime", Later)
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        unit = session.scalars(select(Unit).filter_by(key="N-0002")).one()
        late = in_40_days.isoformat()[:10]
        record_confirmation(session, unit, family="KNOT 41", variant="", who="Cy", confirmed_at=late)
    assert run(*sweep).code == 0
    assert [row[2] for row in rows(folder)["units"]] == ["N-0002"]
    assert {row[3] for row in rows(folder, "queue.sqlite")["photos"]} == {hashes["n2"], hashes["n1b"]}
    assert {file.name[:64] for file in folder.glob("photos/??/*")} == {hashes["n2"], hashes["n1b"]}
    assert verified(folder).problems == ()


def test_orphans_are_found_and_swept(filled_yard, run):
    folder, hashes = filled_yard
    stray = folder / "photos" / "ff" / ("f" * 64 + ".jpg")
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"no row names it")
    assert "1 files that no row names would be deleted" in run("ledger", "sweep", "--ledger", folder).out
    assert stray.exists()
    assert run("ledger", "sweep", "--yes", "--ledger", folder).code == 0
    assert not stray.exists()
    assert "No file without a row" in run("ledger", "sweep", "--ledger", folder).out

    for file in folder.glob(f"photos/??/{hashes['n3']}*"):
        os.remove(file)
    said = run("ledger", "sweep", "--yes", "--ledger", folder)
    assert (said.code, hashes["n3"] in said.err) == (1, True)
    assert len(rows(folder)["units"]) == 4  # a disk that is not there must not empty the ledger
    assert run("ledger", "sweep", "--missing", "--yes", "--ledger", folder).code == 0
    assert [row[2] for row in rows(folder)["units"]] == ["N-0001", "N-0002"]


def test_a_run_is_sorted_on_after_a_deletion(tmp_path, run, seen_as, plain_photo):
    seen_as(u1_front=("AUK 11", "early", "front"), u2_front=("KNOT 40", "E", "front"))
    lot = tmp_path / "lot"
    lot.mkdir()
    for name in ("u1_front.jpg", "u2_front.jpg"):
        plain_photo(name).rename(lot / name)
    (lot / "torn.jpg").write_bytes(b"no picture")
    folder = tmp_path / "run"
    sort = ("sort", lot, "--out", folder, "--workers", 1, "--no-pdf")
    assert run(*sort).code == 0
    keys = [row[2] for row in rows(folder)["units"]]
    pages = {file.name for file in folder.glob("*.html")} | {"units.xlsx"}
    assert pages == {"report.html", "labels.html", "units.xlsx"}
    assert all((folder / name).exists() for name in pages)
    assert run("ledger", "delete", "--unit", keys[-1], "--yes", "--ledger", folder).code == 0
    assert not any((folder / name).exists() for name in pages)
    assert (
        run(*sort).code == 0
    )  # what was deleted is in the folder still, so it comes back, under a new number
    again = [row[2] for row in rows(folder)["units"]]
    assert len(again) == len(keys)
    assert keys[-1] not in again
    assert verified(folder).problems == ()


def test_views_of_no_deleted_photo_are_left(filled_yard, run):
    folder, hashes = filled_yard
    assert run("ledger", "delete", "--photo", hashes["n1b"], "--yes", "--ledger", folder).code == 0
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        assert len(session.scalars(select(View)).all()) == 4
    assert set(CHAINED) <= rows(folder).keys()
