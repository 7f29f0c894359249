"""A lot from elsewhere: it says what it likes of itself, and nothing of any other lot or of the machine."""

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from plugface.cli.store import parcel
from plugface.cli.store.ledger import Ledger, Lot, Unit
from plugface.cli.store.locks import lock_folder
from plugface.cli.store.places import OPEN_LOT
from plugface.cli.web.access import HashedCode
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import PhotoStore
from plugface.cli.web.queue import CodeEntry, Queue
from sqlalchemy import select

CODE = HashedCode(b"salt", b"x" * 32)


def rows(folder: Path) -> dict[str, list]:
    """Table -> its rows, of ledger and queue together."""
    found = {}
    for file in ("ledger.sqlite", "queue.sqlite"):
        with closing(sqlite3.connect(folder / file)) as db:
            for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                found[file, name] = db.execute(f"SELECT * FROM {name}").fetchall()
    return found


def files(folder: Path) -> set[str]:
    """Names of all that lies in a yard's folder of photos."""
    return {file.name for file in folder.glob("photos/**/*") if file.is_file()}


@pytest.fixture
def lot(filled_yard, tmp_path, run):
    """A lot that was sent, as a folder."""
    folder, _hashes = filled_yard
    assert run("ledger", "backup", tmp_path / "lot", "--lot", "N", "--ledger", folder).code == 0
    return tmp_path / "lot"


@pytest.fixture
def other(tmp_path):
    """A yard with a lot X of its own, which has one unit and a code of a name."""
    folder = tmp_path / "other"
    folder.mkdir()
    with closing(Queue(folder / "queue.sqlite", Limits())) as queue:
        queue.add_lot("X", "yard of X", CODE)
        queue.add_code(CodeEntry("ADA", queue.lot(key="X"), "Ada", CODE, "2026-11-28T10:00:00Z"))
        queue.accept("X", "e" * 32, "e" * 64, face="front", size_bytes=1, more=False)
    PhotoStore(folder / "photos")
    Ledger(folder / "ledger.sqlite").close()
    return folder


def forge(lot: Path, change, name: str = "lot.jsonl") -> None:
    """Change the rows of a lot, and its list so that every hash is right."""
    document = json.loads((lot / "manifest.json").read_text())
    entries = [json.loads(line) for line in (lot / "lot.jsonl").read_text().splitlines()]
    data = b"\n".join(json.dumps(entry).encode() for entry in change(entries))
    (lot / name).write_bytes(data)
    document["files"][name] = hashlib.sha256(data).hexdigest()
    (lot / "manifest.json").write_text(json.dumps(document))


def more(table: str, **row: object):
    """A row more at the end."""
    return lambda entries: [*entries, {"table": table, "row": row}]


def without_value(table, name):
    """Rows of a table without one of their columns."""

    def change(entries):
        for entry in entries:
            if entry["table"] == table:
                del entry["row"][name]
        return entries

    return change


def other_values(table: str, **values: object):
    """Other values in every row of a table."""
    return lambda entries: [
        {"table": entry["table"], "row": entry["row"] | (values if entry["table"] == table else {})}
        for entry in entries
    ]


ACT = {
    "id": 99,
    "act": "deletion",
    "who": "Eve",
    "about": "",
    "facts": "{}",
    "made_at": "2026-11-28T10:00:00Z",
}
UNIT = {"id": "f" * 32, "number": 77, "state": "answered", "created_at": "2026-11-28T10:00:00Z"}
PHOTO = {"position": 2, "face": "front", "size_bytes": 1, "accepted_at": "2026-11-28T10:00:00Z"}
FORGED = {
    "a way into another lot": (
        more("queue.tokens", digest="d", lot="X", expires=9e9, code=""), 'no "queue.tokens"'),
    "a code of a name": (more("queue.codes", key="EVE", lot="X", name="Eve"), 'no "queue.codes"'),
    "a photo of another lot's unit": (
        more("queue.photos", lot="X", unit="e" * 32, sha256="f" * 64, **PHOTO), "another lot"),
    "a unit of another lot": (more("queue.units", lot="X", **UNIT), "another lot"),
    "a second lot of the queue": (more("queue.lots", key="Y", name="y", created_at=""), "another lot"),
    "an act in another lot": (more("acts", lot="X", **ACT), "another lot"),
    "another key": (other_values("lots", key="Y"), "another lot"),
    "SQL for a column": (more("queue.units", **{"lot, id) SELECT 1, 2 --": 1}), "no column"),
    "SQL for a table": (more("queue.units (lot) SELECT 1 --", lot="N"), "goes with a lot"),
    "a column of a later plugface": (other_values("units", later=1), "newer plugface"),
    "a table of a later plugface": (more("later", id=1), "newer"),
    "a column of a later queue": (other_values("queue.units", later=1), "newer plugface"),
    "a row that is not in it": (other_values("views", unit_id=999), "not in it"),
    "a column too few": (without_value("units", "method"), "lacks a column"),
    "a number twice": (lambda entries: [*entries[:1], *entries], "twice"),
    "a row that is none": (lambda entries: [*entries, [1]], "cannot be read"),
    "a line that is none": (lambda entries: [*entries, {"table": 1, "row": {}}], "no row"),
    "a nothing": (other_values("proposals", family=None), "another kind"),
    "a list for a text": (other_values("proposals", family=["x"]), "another kind"),
    "half a sign": (other_values("proposals", family="\ud800"), "cannot be read"),
    "no number": (other_values("proposals", probability=float("nan")), "no number that can be kept"),
    "a number too large": (other_values("photos", size_bytes=2**70), "no number that can be kept"),
    "a path for a photo": (other_values("queue.photos", sha256="../../../etc/passwd"), "no such name"),
    "a path for a unit": (other_values("queue.units", id="../x"), "no such name"),
    "wishes that stop the workers of every lot": (other_values("queue.units", needs="{"), "cannot be read"),
    "wishes that are none": (other_values("queue.units", needs="[]"), "another kind"),
    "a time that stops the counters": (other_values("queue.units", asked_at="soon"), "cannot be read"),
    "facts that stop the audit": (other_values("acts", facts="x"), "cannot be read"),
    "a state that is none": (other_values("queue.units", state="evil"), "none of"),
    "a decision that is none": (other_values("proposals", decision="{}"), "decision cannot be read"),
    "bytes that are none": (other_values("queue.lots", salt={"base64": "!"}), "no base64"),
}  # fmt: skip


@pytest.mark.parametrize("how", FORGED)
def test_a_lot_speaks_of_nothing_but_itself(lot, other, run, how):
    change, words = FORGED[how]
    before = rows(other)
    forge(lot, change)
    said = run("ledger", "restore", lot, "--into", other)
    assert (said.code, words in said.err) == (2, True), said
    assert rows(other) == before
    assert files(other) == set()


@pytest.mark.parametrize(
    "name", ["photos/ee/" + "e" * 64 + ".jpg", "photos/aa/x.jpg", "queue.sqlite", "thumbs/a.jpg"]
)
def test_a_lot_brings_no_file_but_those_of_its_photos(lot, other, run, name):
    (lot / name).parent.mkdir(parents=True, exist_ok=True)
    forge(lot, lambda entries: entries, name)
    said = run("ledger", "restore", lot, "--into", other)
    assert (said.code, "is the file of no photo" in said.err) == (2, True), said
    assert files(other) == set()


def test_a_lot_comes_in_beside_another_and_changes_no_row_of_it(lot, other, run):
    before = rows(other)
    assert run("ledger", "restore", lot, "--into", other).code == 0
    after = rows(other)
    for (file, name), former in before.items():
        if file == "queue.sqlite" and name != "sqlite_sequence":
            assert [row for row in after[file, name] if row in former] == former
    assert len(files(other)) == 12


def test_a_photo_that_was_cut_off_is_written_whole_the_next_time(lot, other, run, monkeypatch):
    real = parcel.ParcelReader._copied

    def cut(self, name, out):
        if out is not None and name.startswith("photos"):
            out.write(b"half")
            raise KeyboardInterrupt
        return real(self, name, out)

    with monkeypatch.context() as patch:
        patch.setattr(parcel.ParcelReader, "_copied", cut)
        assert run("ledger", "restore", lot, "--into", other).code != 0
    assert files(other) == set()
    assert run("ledger", "restore", lot, "--into", other).code == 0
    assert {file.read_bytes()[:7] for file in other.glob("photos/??/*")} == {b"picture", b"shown", b"small"}


def test_a_lot_waits_until_the_page_has_ended(lot, other, run):
    before = rows(other)
    with lock_folder(other):
        said = run("ledger", "restore", lot, "--into", other)
    assert (said.code, "another plugface is at work" in said.err) == (2, True)
    assert (rows(other), files(other)) == (before, set())


def test_a_lot_that_goes_by_somebody_s_code_is_refused(lot, other, run):
    """A lot is found by how its code begins, before codes of names are: they would open nothing then."""
    with closing(sqlite3.connect(other / "queue.sqlite")) as db:
        db.execute("UPDATE codes SET key = 'N'")
        db.commit()
    said = run("ledger", "restore", lot, "--into", other)
    assert (said.code, 'code of a name "N"' in said.err) == (2, True), said


def test_no_lot_becomes_the_one_that_this_machine_opens_without_a_code(lot, other, run):
    forge(lot, other_values("queue.lots", name=OPEN_LOT))
    assert run("ledger", "restore", lot, "--into", other).code == 0
    with closing(Queue(other / "queue.sqlite", Limits())) as queue:
        assert queue.lot(name=OPEN_LOT) is None
        assert queue.add_lot("HERE", OPEN_LOT, None).key == "HERE"


def test_a_lot_that_came_in_half_is_deleted_and_comes_in_again(lot, other, run):
    """As where the machine ends after the ledger's rows and before the queue's."""
    with closing(Ledger(other / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        row = Lot(key="N", name="", source="", market="", created_at="2026-11-28T10:00:00Z")
        session.add(row)
        session.flush()
        session.add(Unit(lot_id=row.id, key="N-1", method="", group_key="", created_at=row.created_at))
    said = run("ledger", "restore", lot, "--into", other)
    assert (said.code, "plugface ledger delete --lot N" in said.err) == (2, True)
    assert run("ledger", "delete", "--lot", "N", "--yes", "--ledger", other).code == 0
    assert run("ledger", "restore", lot, "--into", other).code == 0
    with closing(Ledger(other / "ledger.sqlite")) as ledger, ledger.reading() as session:
        assert len(session.scalars(select(Unit)).all()) == 3
        assert ledger.verify().problems == ()


def test_a_photo_that_is_missing_is_said_on_both_sides(filled_yard, other, tmp_path, run):
    folder, hashes = filled_yard
    for file in folder.glob(f"photos/??/{hashes['n2']}*"):
        file.unlink()
    PhotoStore(folder / "photos").place(hashes["n1"]).write_bytes(b"flipped")
    said = run("ledger", "backup", tmp_path / "lot", "--lot", "N", "--ledger", folder)
    assert (said.code, hashes["n1"] in said.err, hashes["n2"] in said.err) == (1, True, True)
    said = run("ledger", "restore", tmp_path / "lot", "--into", other)
    assert (said.code, hashes["n1"] in said.err, hashes["n2"] in said.err) == (1, True, True)
