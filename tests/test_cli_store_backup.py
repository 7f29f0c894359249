"""Backup and restore, drilled: row by row and photo by photo, while others write, damaged, over something."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tarfile
import threading
import time
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from plugface.cli.store import backup
from plugface.cli.store.backup import back_up, restore
from plugface.cli.store.chain import START
from plugface.cli.store.ledger import Ledger, View, add_once, record_lot, record_photo, record_unit
from plugface.cli.store.lot_move import send_lot, take_in_lot
from plugface.cli.store.parcel import write_parcel
from plugface.cli.store.places import SCHEMA
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import CleanPhoto, PhotoStore
from plugface.cli.web.queue import Queue


def rows(folder: Path, file: str) -> dict[str, list]:
    """Table -> its rows, of an SQLite file."""
    with closing(sqlite3.connect(folder / file)) as db:
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        own = [name for name in tables if not name.startswith("sqlite_")]
        return {name: db.execute(f"SELECT * FROM {name}").fetchall() for name in own}


def photos(folder: Path) -> dict[str, bytes]:
    """Name -> bytes of every file in a yard's photos."""
    return {file.name: file.read_bytes() for file in folder.glob("photos/??/*")}


def without_last_act(found: dict[str, list]) -> dict[str, list]:
    """The same rows without the last act and link: that it was restored is a row, too."""
    return {name: listed[:-1] if name in ("acts", "links") else listed for name, listed in found.items()}


@pytest.mark.parametrize("name", ["kept", "kept.tar"])
def test_what_was_restored_is_what_was_backed_up(filled_yard, tmp_path, run, name):
    folder, _hashes = filled_yard
    said = run("ledger", "backup", tmp_path / name, "--ledger", folder)
    assert said.code == 0, said.err
    before = [rows(folder, file) for file in ("ledger.sqlite", "queue.sqlite")]
    pictures = photos(folder)
    shutil.rmtree(folder)

    said = run("ledger", "restore", tmp_path / name, tmp_path / "new")
    assert said.code == 0, said.err
    after = [rows(tmp_path / "new", file) for file in ("ledger.sqlite", "queue.sqlite")]
    assert [without_last_act(after[0]), after[1]] == [without_last_act(before[0]), before[1]]
    acts = [[row[1] for row in found[0]["acts"]] for found in (before, after)]
    assert acts == [["backup begun", "backup"], ["backup begun", "restore"]]
    assert photos(tmp_path / "new") == pictures
    assert len(pictures) == 12
    assert {file.stat().st_mode & 0o077 for file in (tmp_path / "new").rglob("*") if file.is_file()} == {0}
    assert run("ledger", "verify", "--ledger", tmp_path / "new").code == 0


def test_nothing_is_overwritten(filled_yard, tmp_path, run):
    folder, _hashes = filled_yard
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "mine.txt").write_text("mine")
    before = rows(folder, "ledger.sqlite")
    said = run("ledger", "backup", tmp_path / "there", "--ledger", folder)
    assert (said.code, "there is something there already" in said.err) == (2, True)
    assert rows(folder, "ledger.sqlite") == before
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 0
    for target in (tmp_path / "there", folder):
        assert run("ledger", "restore", tmp_path / "kept", target).code == 2
    assert [file.name for file in (tmp_path / "there").iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("by", ["standing in it", "link"])
def test_an_empty_folder_that_is_there_stays_and_is_filled(filled_yard, tmp_path, run, monkeypatch, by):
    """It may be a mounted disk, which can neither be removed nor replaced."""
    folder, _hashes = filled_yard
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 0
    there = tmp_path / "there"
    (there / ".restore.part").mkdir(parents=True)  # of one that was cut off
    (there / "lost+found").mkdir()  # of a disk that was just formatted
    there.chmod(0o755)
    number = there.stat().st_ino
    if by == "link":
        (tmp_path / "link").symlink_to(there)
    else:
        monkeypatch.chdir(there)
    said = run("ledger", "restore", tmp_path / "kept", tmp_path / "link" if by == "link" else ".")
    assert said.code == 0, said.err
    assert (there.stat().st_ino, there.stat().st_mode & 0o777) == (number, 0o700)
    assert photos(there) == photos(folder)
    names = {file.name for file in there.iterdir()} - {"lost+found"}
    assert names == {"ledger.sqlite", "queue.sqlite", "photos"}
    assert run("ledger", "verify", "--ledger", there).code == 0


def damage_photo(kept: Path) -> None:
    next(kept.glob("photos/??/*.jpg")).write_bytes(b"other")


def lose_photo(kept: Path) -> None:
    next(kept.glob("photos/??/*.jpg")).unlink()


def lose_list(kept: Path) -> None:
    (kept / "manifest.json").unlink()


def lead_outside(kept: Path) -> None:
    document = json.loads((kept / "manifest.json").read_text())
    document["files"]["../outside"] = document["files"].pop("ledger.sqlite")
    shutil.copy(kept / "ledger.sqlite", kept.parent / "outside")
    (kept / "manifest.json").write_text(json.dumps(document))


def forge_ledger(kept: Path) -> None:
    import hashlib

    with closing(sqlite3.connect(kept / "ledger.sqlite")) as db:
        db.execute("DROP TRIGGER proposals_no_update")
        db.execute("UPDATE proposals SET bin = 'KNOT 40'")
        db.commit()
    document = json.loads((kept / "manifest.json").read_text())
    document["files"]["ledger.sqlite"] = hashlib.sha256((kept / "ledger.sqlite").read_bytes()).hexdigest()
    (kept / "manifest.json").write_text(json.dumps(document))


def put_a_pipe_in(kept: Path) -> None:
    (kept / "ledger.sqlite").unlink()
    os.mkfifo(kept / "ledger.sqlite")


def retell(**values):
    """A list that says other things of itself."""

    def harm(kept: Path) -> None:
        document = json.loads((kept / "manifest.json").read_text())
        (kept / "manifest.json").write_text(json.dumps(document | values))

    return harm


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (put_a_pipe_in, "is missing in it"),
        (retell(format="2"), "a newer plugface"),
        (retell(format="x"), "no backup of plugface"),
        (retell(head=None), "no backup of plugface"),
        (retell(files={"a\0": "b"}), "outside of it"),
        (retell(files={"ledger.sqlite": 3}), "no backup of plugface"),
        (damage_photo, "not as it was written there"),
        (lose_photo, "is missing in it"),
        (lose_list, "no backup of plugface, or one that was cut off"),
        (lead_outside, "outside of it"),
        (forge_ledger, "its ledger is not as it was written"),
    ],
)
def test_a_harmed_backup_is_refused_and_nothing_of_it_is_used(filled_yard, tmp_path, run, harm, words):
    folder, _hashes = filled_yard
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 0
    harm(tmp_path / "kept")
    said = run("ledger", "restore", tmp_path / "kept", tmp_path / "new")
    assert (said.code, words in said.err) == (2, True), said.err
    assert not (tmp_path / "new").exists()
    assert list(tmp_path.glob(".new*")) == []


# Of another schema


def keep_by_hand(ledger: Path, folder: Path, place: Path) -> None:
    """A whole backup as the plugface of that ledger's schema would have written it, with the yard's rest."""
    with closing(sqlite3.connect(ledger)) as db:
        chained = db.execute("SELECT 1 FROM sqlite_master WHERE name = 'links'").fetchone()
        head = db.execute("SELECT sha256 FROM links ORDER BY id DESC").fetchone()[0] if chained else START
    with write_parcel(place, {"kind": "whole", "head": head}) as (parcel, _said):
        parcel.add("ledger.sqlite", ledger)
        for file in (folder / "queue.sqlite", *sorted(folder.glob("photos/??/*"))):
            parcel.add(file.relative_to(folder).as_posix(), file)


OLDER = sorted((Path(__file__).parent / "ledgers").glob("0*.sqlite"))


@pytest.mark.parametrize("ending", ["", ".tar"])
@pytest.mark.parametrize("old", OLDER, ids=lambda file: file.stem)
def test_a_backup_of_an_older_schema_is_put_back_with_every_row_and_brought_up(
    filled_yard, tmp_path, run, old, ending
):
    folder, _hashes = filled_yard
    kept = tmp_path / f"kept{ending}"
    keep_by_hand(old, folder, kept)
    before, queue, pictures = rows(old.parent, old.name), rows(folder, "queue.sqlite"), photos(folder)
    as_it_was = kept.read_bytes() if ending else {f: f.read_bytes() for f in kept.rglob("*") if f.is_file()}

    new = tmp_path / "new"
    said = run("ledger", "restore", kept, new)
    copy = new / f"ledger.sqlite.before-{SCHEMA}"
    assert (said.code, f"as it was it lies in {copy}" in said.err, ".part" in said.err) == (0, True, False), (
        said
    )
    assert rows(new, copy.name) == before
    after = rows(new, "ledger.sqlite")
    assert after["alembic_version"] == [(SCHEMA,)] != before.pop("alembic_version")
    for name, listed in before.items():
        # Later schemas give a link one more column, and what is done here is added behind what was there.
        width = len(listed[0]) if listed else 0
        assert [row[:width] for row in after[name][: len(listed)]] == listed, name
        assert len(after[name]) == len(listed) or name in ("acts", "links"), name
    assert [row[1] for row in after["acts"]][-1] == "restore"
    assert (rows(new, "queue.sqlite"), photos(new)) == (queue, pictures)
    assert run("ledger", "verify", "--ledger", new).code == 0
    now = kept.read_bytes() if ending else {f: f.read_bytes() for f in kept.rglob("*") if f.is_file()}
    assert now == as_it_was


@pytest.mark.parametrize("old", OLDER[1:], ids=lambda file: file.stem)
@pytest.mark.parametrize("harm", ["row", "links"])
def test_a_backup_of_an_older_schema_is_held_against_its_chain(filled_yard, tmp_path, run, old, harm):
    folder, _hashes = filled_yard
    forged = tmp_path / "forged.sqlite"
    shutil.copy(old, forged)
    with closing(sqlite3.connect(forged)) as db:
        if harm == "row":
            db.execute("DROP TRIGGER proposals_no_update")
            db.execute("UPDATE proposals SET bin = 'KNOT 40' WHERE id = 1")
        db.commit()
    keep_by_hand(forged, folder, tmp_path / "kept")
    if harm == "links":
        retell(head="1" * 64)(tmp_path / "kept")
    said = run("ledger", "restore", tmp_path / "kept", tmp_path / "new")
    assert (said.code, "its ledger is not as it was written" in said.err) == (2, True), said.err
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("there", [False, True])
@pytest.mark.parametrize("ending", ["", ".tar"])
def test_a_backup_of_a_newer_schema_is_refused_in_plain_words(filled_yard, tmp_path, run, ending, there):
    """What the newer ledger holds this plugface cannot know, so nothing of it is put anywhere."""
    folder, _hashes = filled_yard
    newer, kept, new = tmp_path / "newer.sqlite", tmp_path / f"kept{ending}", tmp_path / "new"
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    shutil.copy(folder / "ledger.sqlite", newer)
    with closing(sqlite3.connect(newer)) as db:
        db.execute("PRAGMA journal_mode=DELETE").fetchone()
        db.execute("UPDATE alembic_version SET version_num = '9001'")
        db.commit()
    keep_by_hand(newer, folder, kept)
    if there:
        new.mkdir()
    before = {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()}
    said = run("ledger", "restore", kept, new)
    assert (said.code, said.out, said.err) == (
        2,
        "",
        f"error: {kept}: its ledger cannot be used: it was written by a newer plugface"
        f" (schema 9001, known {SCHEMA}). Update plugface\n",
    )
    assert {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()} == before
    assert new.exists() == there


def test_a_tar_that_was_cut_off_is_refused(filled_yard, tmp_path, run):
    folder, _hashes = filled_yard
    assert run("ledger", "backup", tmp_path / "kept.tar", "--ledger", folder).code == 0
    with tarfile.open(tmp_path / "kept.tar") as tar:
        assert "manifest.json" in tar.getnames()
    data = (tmp_path / "kept.tar").read_bytes()
    (tmp_path / "kept.tar").write_bytes(data[: len(data) // 2])
    assert run("ledger", "restore", tmp_path / "kept.tar", tmp_path / "new").code == 2
    assert not (tmp_path / "new").exists()


def test_a_photo_that_is_gone_or_damaged_is_named_and_the_rest_is_backed_up(filled_yard, tmp_path, run):
    folder, hashes = filled_yard
    shelf = PhotoStore(folder / "photos")
    shelf.place(hashes["n1"]).write_bytes(b"flipped")
    for file in folder.glob(f"photos/??/{hashes['n3']}*"):
        file.unlink()
    said = run("ledger", "backup", tmp_path / "kept", "--ledger", folder)
    assert (said.code, hashes["n1"] in said.err, hashes["n3"] in said.err) == (1, True, True)
    assert run("ledger", "restore", tmp_path / "kept", tmp_path / "new").code == 1
    assert len(photos(tmp_path / "new")) == 9


def test_a_ledger_that_was_changed_is_not_backed_up_as_if_it_were_whole(filled_yard, tmp_path, run):
    folder, _hashes = filled_yard
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as db:
        db.execute("DROP TRIGGER proposals_no_update")
        db.execute("UPDATE proposals SET bin = 'KNOT 40'")
        db.commit()
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 2
    assert not (tmp_path / "kept").exists()


def test_a_backup_while_photos_come_in_lacks_nothing_that_it_names(filled_yard, tmp_path):
    """As the page writes: a photo to the disk, then into the queue, then its unit into the ledger."""
    folder, _hashes = filled_yard
    endless = Limits(waiting_units=100_000, waiting_per_lot=100_000)  # of a writer that nobody answers
    queue, shelf = Queue(folder / "queue.sqlite", endless), PhotoStore(folder / "photos")
    writer, stop = Ledger(folder / "ledger.sqlite"), threading.Event()
    written = []

    def write() -> None:
        import hashlib

        for number in range(100_000):
            if stop.is_set():
                return
            data = f"photo {number}".encode() * 300
            sha256, unit = hashlib.sha256(data).hexdigest(), f"{number:032x}"
            shelf.keep(CleanPhoto(sha256, data, b"shown", b"small", 1, 1))
            queue.accept("S", unit, sha256, face="front", size_bytes=len(data), more=False)
            queue.claim()
            with writer.transaction() as session:
                lot_id = record_lot(session, "S", name="yard of S", source="yard page")
                row = record_unit(session, lot_id, f"S-{number + 2:04d}", method="page", group_key=unit)
                add_once(session, View, unit_id=row.id, photo_id=record_photo(session, sha256, 1), part=0)
            written.append(sha256)

    thread = threading.Thread(target=write)
    thread.start()
    sizes = []
    try:
        for turn in range(4):
            more = len(written) + 5  # than there were when the backup before was done
            while len(written) < more:
                assert thread.is_alive()
                time.sleep(0.001)
            with closing(Ledger(folder / "ledger.sqlite")) as ledger:
                back_up(ledger, tmp_path / f"kept{turn}.tar", who="Ada")
            restore(tmp_path / f"kept{turn}.tar", tmp_path / f"new{turn}", who="Ada")
            new = tmp_path / f"new{turn}"
            ledger_photos = {row[1] for row in rows(new, "ledger.sqlite")["photos"]}
            queue_photos = {row[3] for row in rows(new, "queue.sqlite")["photos"]}
            on_disk = {name[:64] for name in photos(new) if name.count(".") == 1}
            assert ledger_photos <= queue_photos == on_disk
            sizes.append(len(ledger_photos))
    finally:
        stop.set()
        thread.join()
        queue.close()
        writer.close()
    assert sizes == sorted(set(sizes))  # each holds more than the one before: it was written meanwhile


def test_a_run_is_backed_up_with_its_catalogue_and_small_pictures(tmp_path, run, seen_as, plain_photo):
    lot = tmp_path / "lot"
    lot.mkdir()
    plain_photo("u1_front.jpg").rename(lot / "u1_front.jpg")
    folder = tmp_path / "run"
    seen_as(u1_front=("AUK 11", "early", "front"))
    sort = ("sort", lot, "--workers", 1, "--no-pdf", "--out")
    assert run(*sort, folder).code == 0
    assert run("ledger", "backup", tmp_path / "kept.tar", "--ledger", folder).code == 0
    shutil.rmtree(folder)
    assert run("ledger", "restore", tmp_path / "kept.tar", folder).code == 0
    said = run(*sort, folder)
    assert (said.code, "0 photos looked at now" in said.out) == (0, True), said.err


def test_a_backup_is_of_one_state_though_somebody_deletes(filled_yard, tmp_path, run, monkeypatch):
    """Deleting while photos are copied would leave a queue that names photos which are not there."""
    folder, _hashes = filled_yard
    refused = []

    def copy_files(*words):
        refused.append(run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder))
        refused.append(run("ledger", "sweep", "--keep-days", 1, "--yes", "--ledger", folder))
        refused.append(run("ledger", "delete", "--plates", "--yes", "--ledger", folder))
        return copied(*words)

    copied = backup._copy_files
    monkeypatch.setattr(backup, "_copy_files", copy_files)
    monkeypatch.setattr(
        "plugface.cli.commands.ledger_keeping.datetime",
        SimpleNamespace(now=lambda zone: datetime.now(zone) + timedelta(days=9)),
    )
    said = run("ledger", "backup", tmp_path / "kept.tar", "--ledger", folder)
    assert (said.code, said.err) == (0, "")
    assert [one.code for one in refused] == [2, 2, 2]
    assert all("it is being backed up" in one.err for one in refused)
    assert run("ledger", "restore", tmp_path / "kept.tar", tmp_path / "new").code == 0
    named = {row[3] for row in rows(tmp_path / "new", "queue.sqlite")["photos"]}
    assert {name[:64] for name in photos(tmp_path / "new")} == named
    assert len(named) == 4
    assert run("ledger", "delete", "--lot", "N", "--yes", "--ledger", folder).code == 0  # and now it goes


def test_two_backups_at_once_do_not_meet(filled_yard, tmp_path, run, monkeypatch):
    folder, _hashes = filled_yard
    second = []

    def copy_files(*words):
        second.append(run("ledger", "backup", tmp_path / "other", "--ledger", folder))
        return copied(*words)

    copied = backup._copy_files
    monkeypatch.setattr(backup, "_copy_files", copy_files)
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 0
    assert (second[0].code, (tmp_path / "other").exists()) == (2, False)


def test_a_backup_that_was_cut_off_is_not_said_to_be_one(filled_yard, tmp_path, run, monkeypatch):
    folder, _hashes = filled_yard

    def fill(*_words):
        raise OSError(28, "No space left on device")

    for part, words in (("_copy", ()), ("_Hashed.read", (".tar",))):
        with monkeypatch.context() as patch:
            patch.setattr(f"plugface.cli.store.parcel.{part}", fill)
            said = run("ledger", "backup", tmp_path / f"kept{''.join(words)}", "--ledger", folder)
        assert (said.code, "no space left on device" in said.err) == (2, True), said
        with monkeypatch.context() as patch:
            patch.setattr(f"plugface.cli.store.parcel.{part}", fill)
            said = run(
                "ledger", "backup", tmp_path / f"lot{''.join(words)}", "--lot", "N", "--ledger", folder
            )
        assert said.code == 2
    assert sorted(file.name for file in tmp_path.iterdir()) == ["yard"]
    acts = [row[1] for row in rows(folder, "ledger.sqlite")["acts"]]
    # A lot's folder is begun before its rows are read: there "sent" was said only once.
    assert "backup" not in acts
    assert acts.count("backup begun") == 2
    assert acts.count("lot sent") == acts.count("lot not sent")
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 0


def may_mount() -> bool:
    """Whether a test may have a small disk of its own here."""
    if os.name != "posix" or os.geteuid() != 0 or not shutil.which("unshare"):
        return False
    command = ["unshare", "-m", "sh", "-c", "mount -t tmpfs -o size=64k none /mnt"]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


ON_A_SMALL_DISK = """
set -eu
mkdir -p "$1"; mount -t tmpfs -o size=$2 none "$1"; shift 2
exec "$@"
"""


#: Commands, one after the other, each with what it ended with, what it said and what it left on the disk.
TRY_EACH = """
import contextlib, io, json, os, sys
from plugface.cli.main import main
disk, folder, *tries = sys.argv[1:]
for words in map(json.loads, tries):
    sys.argv = ["plugface", "ledger", *words, "--ledger", folder]
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main()
        except SystemExit as leaving:
            code = leaving.code
    print(json.dumps([code, err.getvalue(), sorted(os.listdir(disk))]))
"""


@pytest.mark.skipif(not may_mount(), reason="no leave for a disk of its own here (root on Linux is needed)")
@pytest.mark.parametrize(
    ("size", "tries"),
    [
        ("8k", [("backup", "kept"), ("backup", "kept.tar"), ("backup", "lot.tar", "--lot", "N")]),
        ("4k", [("export", "x.csv"), ("export", "x.jsonl"), ("export", "x.xlsx")]),
    ],
)
def test_a_disk_that_is_really_full_leaves_nothing_half_and_one_line(filled_yard, tmp_path, size, tries):
    """The disk has room for the beginning alone: 8 kB, and for an export none."""
    folder, _hashes = filled_yard
    disk = tmp_path / "disk"
    words = [json.dumps([what, f"{disk}/{name}", *more]) for what, name, *more in tries]
    command = [sys.executable, "-c", TRY_EACH, disk, folder, *words]
    fill = [
        "sh",
        "-c",
        f'dd if=/dev/zero of={disk}/full bs=1k count=3 2>/dev/null || true; exec "$@"',
        "fill",
    ]
    before = rows(folder, "queue.sqlite"), photos(folder)
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", ON_A_SMALL_DISK, "disk", disk, size, *fill, *command],
        capture_output=True, text=True, timeout=300, check=True,
    )  # fmt: skip
    for (_, name, *_), (code, said, left) in zip(
        tries, map(json.loads, done.stdout.splitlines()), strict=True
    ):
        assert (code, said.count("\n")) == (2, 1), said
        assert "no space left on device" in said
        assert f"{disk}/{name}: " in said
        assert left == ["full"]
    assert (rows(folder, "queue.sqlite"), photos(folder)) == before
    acts = [row[1] for row in rows(folder, "ledger.sqlite")["acts"]]
    assert "backup" not in acts
    assert "export" not in acts


# One lot to another machine


def lot_by_what_it_says(folder: Path, lot: str) -> dict[str, list]:
    """The rows of a lot without their numbers, which differ from ledger to ledger."""
    queries = {
        "units": "SELECT u.key, method, group_key, u.created_at FROM units u JOIN lots l ON l.id = lot_id"
        " WHERE l.key = ?",
        "views": "SELECT u.key, p.sha256, part FROM views v JOIN units u ON u.id = unit_id"
        " JOIN photos p ON p.id = photo_id JOIN lots l ON l.id = lot_id WHERE l.key = ?",
        "looks": "SELECT DISTINCT p.sha256, version, fault, observations, k.made_at FROM looks k"
        " JOIN photos p ON p.id = k.photo_id JOIN views v ON v.photo_id = p.id"
        " JOIN units u ON u.id = v.unit_id"
        " JOIN lots l ON l.id = u.lot_id WHERE l.key = ?",
        "proposals": "SELECT u.key, r.family, r.bin, r.words, r.made_at FROM proposals r"
        " JOIN units u ON u.id = unit_id JOIN lots l ON l.id = lot_id WHERE l.key = ?",
        "confirmations": "SELECT u.key, c.family, c.who, c.confirmed_at, r.words FROM confirmations c"
        " JOIN proposals r ON r.id = proposal_id JOIN units u ON u.id = c.unit_id"
        " JOIN lots l ON l.id = lot_id WHERE l.key = ?",
    }
    of_queue = {f"queue {name}": f"SELECT * FROM {name} WHERE lot = ?" for name in ("photos", "answers")}
    of_queue["queue lots"] = "SELECT key, salt, digest FROM lots WHERE key = ?"
    of_queue["queue units"] = "SELECT id, number, claimed, state, turn FROM units WHERE lot = ?"
    found = {}
    for file, asked in (("ledger.sqlite", queries), ("queue.sqlite", of_queue)):
        with closing(sqlite3.connect(folder / file)) as db:
            found |= {name: sorted(db.execute(query, (lot,)).fetchall()) for name, query in asked.items()}
    return found


@pytest.fixture
def other_yard(filled_yard, tmp_path):
    """A yard of another machine that has other lots, one of them under the name of this one's."""
    folder = tmp_path / "other"
    queue = Queue((folder.mkdir() or folder) / "queue.sqlite", Limits())
    queue.add_lot("X", "yard of N", None)
    queue.accept("X", "e" * 32, "e" * 64, face="front", size_bytes=1, more=False)
    queue.close()
    PhotoStore(folder / "photos")
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        for number in range(7):  # so that no number of a row is the same here and there
            lot_id = record_lot(session, f"X{number}", name="x", source="")
            record_unit(session, lot_id, "X-0001", method="m", group_key="g")
            record_photo(session, f"{number:064x}", 1)
    return folder


@pytest.mark.parametrize("name", ["lot", "lot.tar"])
def test_a_lot_moves_whole_to_another_machine(filled_yard, other_yard, tmp_path, run, name):
    folder, _hashes = filled_yard
    said = run("ledger", "backup", tmp_path / name, "--lot", "N", "--ledger", folder)
    assert (said.code, "3 units, 4 photos" in said.out) == (0, True), said.err
    said = run("ledger", "restore", tmp_path / name, "--into", other_yard)
    assert (said.code, '"yard of N (N)"' in said.out) == (0, True), said.err
    before, after = lot_by_what_it_says(folder, "N"), lot_by_what_it_says(other_yard, "N")
    assert after == before
    assert {kind: len(listed) for kind, listed in before.items()} == {
        "units": 3, "views": 5, "looks": 4, "proposals": 3, "confirmations": 3,
        "queue photos": 5, "queue answers": 3, "queue lots": 1, "queue units": 3,
    }  # fmt: skip
    assert photos(other_yard) == photos(folder)
    assert lot_by_what_it_says(other_yard, "S")["units"] == []
    for place in (folder, other_yard):
        assert run("ledger", "verify", "--ledger", place).code == 0
    listed = run("ledger", "audit", "--json", "--ledger", other_yard).out.splitlines()
    acts = [json.loads(line) for line in listed]
    assert [line["act"] for line in acts] == ["confirmation"] * 3 + ["lot sent", "lot taken in"]

    again = rows(other_yard, "ledger.sqlite"), rows(other_yard, "queue.sqlite")
    assert run("ledger", "restore", tmp_path / name, "--into", other_yard).code == 2
    assert (rows(other_yard, "ledger.sqlite"), rows(other_yard, "queue.sqlite")) == again


def test_a_lot_is_taken_in_whole_or_not_at_all(filled_yard, other_yard, tmp_path, monkeypatch):
    folder, _hashes = filled_yard
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        send_lot(ledger, "N", tmp_path / "lot", who="Ada")
    before = rows(other_yard, "ledger.sqlite"), rows(other_yard, "queue.sqlite")

    def fail(*_words: object, **_more: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("plugface.cli.store.lot_move.record_act", fail)  # the last that is done
    with closing(Ledger(other_yard / "ledger.sqlite")) as ledger, pytest.raises(ZeroDivisionError):
        take_in_lot(tmp_path / "lot", ledger, who="Ada")
    assert (rows(other_yard, "ledger.sqlite"), rows(other_yard, "queue.sqlite")) == before


def test_a_backup_is_asked_for_what_it_holds(filled_yard, other_yard, tmp_path, run):
    folder, _hashes = filled_yard
    assert run("ledger", "backup", tmp_path / "lot", "--lot", "N", "--ledger", folder).code == 0
    assert run("ledger", "backup", tmp_path / "whole", "--ledger", folder).code == 0
    assert "one lot alone" in run("ledger", "restore", tmp_path / "lot", tmp_path / "new").err
    assert "a whole ledger" in run("ledger", "restore", tmp_path / "whole", "--into", other_yard).err
    assert run("ledger", "restore", tmp_path / "lot").code == 2
    assert run("ledger", "backup", tmp_path / "none", "--lot", "none", "--ledger", folder).code == 2


@pytest.mark.parametrize("name", ["nosuch.tar", "nosuch"])
def test_a_backup_that_is_not_there_is_said_to_be_missing_and_not_to_be_none(other_yard, tmp_path, run, name):
    for words in ((tmp_path / "new",), ("--into", other_yard)):
        said = run("ledger", "restore", tmp_path / name, *words)
        assert (said.code, "there is no such file or folder" in said.err) == (2, True)
        assert "no backup" not in said.err
    assert not (tmp_path / "new").exists()
    (tmp_path / name).write_bytes(b"")
    assert "no backup of plugface" in run("ledger", "restore", tmp_path / name, tmp_path / "new").err


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only the machine's owner can try it")
def test_a_backup_by_the_machines_owner_leaves_the_page_its_folder(filled_yard, tmp_path, run):
    """The page runs as an account of its own and must still be able to delete what is past its time."""
    folder, _hashes = filled_yard
    for file in (folder, *folder.rglob("*")):
        os.chown(file, 65_534, 65_534)
    assert run("ledger", "backup", tmp_path / "kept", "--ledger", folder).code == 0
    assert {file.stat().st_uid for file in folder.rglob("*")} == {65_534}
