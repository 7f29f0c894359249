"""Access codes that are bound to a name: what they open, whom they name, and how they end."""

import sqlite3
import threading

import pytest
from plugface.cli.store.acts import list_acts
from plugface.cli.web.access import hash_code, hash_token, split_code
from plugface.cli.web.codes import CODES_FILE, CodeFile, add_code, revoke_code, write_private
from plugface.cli.web.limits import Limits
from plugface.cli.web.queue import Queue, YardError

A = "a" * 32
UNITS = "/api/v1/units"
TRUTH = {"family": "KNOT 40", "variant": "F"}


def bearer(made, code: str) -> dict[str, str]:
    token = made.client.post("/api/v1/tokens", json={"code": code}).json()["token"]
    return {"authorization": f"Bearer {token}"}


@pytest.fixture
def made(make_yard):
    """A page with a lot, its own code, and codes of two people."""
    made = make_yard(open_lot=False, local_names=False)
    made.own = made.yard.add_lot("North")
    made.yard.add_lot("South")
    made.lot, made.other = (made.yard.queue.lot(name=name) for name in ("North", "South"))
    made.ada, made.jo = (add_code(made.yard.queue, made.lot, name) for name in ("Ada", "Jo"))
    with made.client:
        yield made


def test_what_a_person_confirmed_names_them(made, jpeg):
    headers = bearer(made, made.ada)
    made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=headers)
    said = made.client.post(f"{UNITS}/{A}/confirmations", json=TRUTH, headers=headers)
    assert (said.status_code, said.json()["who"]) == (201, "Ada")
    said = made.client.post(f"{UNITS}/{A}/confirmations", json=TRUTH | {"who": " ada "}, headers=headers)
    assert said.json()["who"] == "Ada"
    (line,) = made.client.get(UNITS, headers=bearer(made, made.own)).json()["units"]
    assert line["confirmation"]["who"] == "Ada"
    assert made.client.get("/api/v1/lot", headers=headers).json()["visitor"] == "Ada"


def test_nobody_confirms_in_another_s_name(made, jpeg):
    ada, own = bearer(made, made.ada), bearer(made, made.own)
    made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=own)
    for headers, who, name in [
        (ada, "Jo", "name_other"),
        (own, "ADA", "name_bound"),
        (own, "", "name_needed"),
    ]:
        said = made.client.post(f"{UNITS}/{A}/confirmations", json=TRUTH | {"who": who}, headers=headers)
        assert (said.status_code, said.json()["facts"]["name"]) == (422, name)
    said = made.client.post(f"{UNITS}/{A}/confirmations", json=TRUTH | {"who": "Kim"}, headers=own)
    assert (said.status_code, said.json()["who"]) == (201, "Kim")


def test_the_card_asks_a_known_person_for_no_name(made, jpeg):
    ada, own = bearer(made, made.ada), bearer(made, made.own)
    made.stand_in.gate.set()
    made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=own)
    for _ in range(2400):
        if made.client.get(f"{UNITS}/{A}", headers=own).json()["state"] == "answered":
            break
        threading.Event().wait(0.05)
    assert 'name="who"' in made.client.get(f"/units/{A}", headers=own).text
    page = made.client.get(f"/units/{A}", headers=ada).text
    assert 'name="who"' not in page
    assert "Recorded as checked by Ada" in page


def test_one_code_ends_alone_and_at_once(made):
    ada, jo, own = (bearer(made, code) for code in (made.ada, made.jo, made.own))
    revoke_code(made.yard.queue, made.lot, "ada")
    assert made.client.get(UNITS, headers=ada).status_code == 401
    assert made.client.post("/api/v1/tokens", json={"code": made.ada}).status_code == 403
    assert [made.client.get(UNITS, headers=who).status_code for who in (jo, own)] == [200, 200]
    again = add_code(made.yard.queue, made.lot, "Ada")  # the name is free again, with another code
    assert made.client.get(UNITS, headers=ada).status_code == 401
    assert made.client.get(UNITS, headers=bearer(made, again)).status_code == 200
    assert [bool(code.revoked_at) for code in made.yard.queue.codes(made.lot)] == [True, False, False]


def test_a_new_code_of_the_lot_leaves_people_in(made):
    ada, own = bearer(made, made.ada), bearer(made, made.own)
    made.yard.add_lot("North", new_code=True)
    assert [made.client.get(UNITS, headers=who).status_code for who in (ada, own)] == [200, 401]


def test_a_photo_that_was_on_its_way_when_its_code_was_revoked_is_not_taken_in(made, jpeg):
    headers = bearer(made, made.ada)

    def body():
        data = jpeg(1)
        yield data[:100]
        revoke_code(made.yard.queue, made.lot, "Ada")
        yield data[100:]

    said = made.client.post(f"{UNITS}/{A}/photos", content=body(), headers=headers)
    assert said.json()["facts"]["name"] == "code_needed"
    assert made.yard.queue.unit(made.lot.key, A) is None


def test_a_token_made_while_its_code_is_revoked_opens_nothing(made):
    key = split_code(made.ada)[0]
    revoke_code(made.yard.queue, made.lot, "Ada")
    made.yard.queue.add_token(hash_token("late"), made.lot.key, key)
    assert made.client.get(UNITS, headers={"authorization": "Bearer late"}).status_code == 401


def test_a_name_has_one_code_of_a_lot(made):
    with pytest.raises(YardError, match=r'"ada" has a code already'):
        add_code(made.yard.queue, made.lot, "ada")
    add_code(made.yard.queue, made.other, "ada")  # of another lot
    with pytest.raises(YardError, match="Those who have one: Ada, Jo"):
        revoke_code(made.yard.queue, made.lot, "Kim")


def test_a_code_opens_its_own_lot_alone(made, jpeg):
    made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=bearer(made, made.ada))
    south = bearer(made, add_code(made.yard.queue, made.other, "Kim"))
    assert made.client.get("/api/v1/lot", headers=south).json()["name"] == "South"
    assert made.client.get(f"{UNITS}/{A}", headers=south).status_code == 404


def test_codes_are_kept_as_hashes(made):
    kept = b"".join(path.read_bytes() for path in made.folder.rglob("*") if path.is_file())
    assert made.ada.split("-", 1)[1].replace("-", "").encode() not in kept.replace(b"-", b"")


def test_entries_and_wrong_codes_are_rows_that_stay(made):
    bearer(made, made.ada)
    bearer(made, made.own)
    wrong = f"{split_code(made.ada)[0]}-22222-22222"
    made.client.post("/api/v1/tokens", json={"code": wrong})
    made.client.post("/api/v1/tokens", json={"code": "2222-22222-22222"})
    with made.yard.records.ledger.reading() as session:
        acts = [(entry.act, entry.who, entry.lot) for entry in list_acts(session)][-4:]
    north = made.lot.key
    assert acts == [
        ("entry", "Ada", north),
        ("entry", "", north),
        ("wrong code", "", north),
        ("wrong code", "", ""),
    ]
    assert made.yard.records.ledger.verify().problems == ()


def test_who_comes_in_where_it_cannot_be_written_down_stays_out(made):
    for file in made.folder.glob("ledger.sqlite*"):
        file.unlink()
    said = made.client.post("/api/v1/tokens", json={"code": made.ada})
    assert said.json()["facts"]["name"] == "not_kept"
    with sqlite3.connect(made.folder / "queue.sqlite") as db:
        assert db.execute("SELECT count(*) FROM tokens").fetchone()[0] == 0


def test_a_queue_of_an_older_plugface_is_read(tmp_path):
    file = tmp_path / "queue.sqlite"
    with sqlite3.connect(file) as db:  # as it was made before codes had names
        db.executescript(
            "CREATE TABLE lots (key TEXT PRIMARY KEY, name TEXT NOT NULL UNIQUE, salt BLOB, digest BLOB,"
            " created_at TEXT NOT NULL);"
            "CREATE TABLE tokens (digest TEXT PRIMARY KEY, lot TEXT NOT NULL REFERENCES lots(key),"
            " expires REAL NOT NULL);"
            "CREATE TABLE units (lot TEXT NOT NULL REFERENCES lots(key), id TEXT NOT NULL,"
            " number INTEGER NOT NULL, claimed TEXT NOT NULL DEFAULT '', needs TEXT NOT NULL DEFAULT '{}',"
            " state TEXT NOT NULL DEFAULT 'new', turn INTEGER NOT NULL DEFAULT 0,"
            " ready REAL NOT NULL DEFAULT 0, attempts INTEGER NOT NULL DEFAULT 0,"
            " problem TEXT NOT NULL DEFAULT '', created_at TEXT NOT NULL,"
            " PRIMARY KEY (lot, id), UNIQUE (lot, number));"
            "INSERT INTO lots VALUES ('NRTH', 'North', x'00', x'00', '');"
            "INSERT INTO tokens VALUES ('digest', 'NRTH', 9e9);"
            "INSERT INTO units (lot, id, number, state, created_at) VALUES ('NRTH', 'u', 1, 'waiting', '');"
        )
    db.close()
    for _ in range(2):
        queue = Queue(file, Limits())
        visitor = queue.visitor_of_token("digest")
        assert (visitor.lot.name, visitor.name) == ("North", "")
        assert queue.totals().units == {"waiting": 1}
        queue.close()


# The file of codes


def test_the_file_is_for_its_owner_alone_and_loses_what_ended(tmp_path):
    file = CodeFile(tmp_path)
    (tmp_path / f".{CODES_FILE}.part").write_text("left by a crash")
    (tmp_path / f".{CODES_FILE}.part").chmod(0o644)
    file.add("North", "", "AAAA-22222-22222", "https://yard.example/enter#AAAA-22222-22222")
    file.add("North", "Ada", "BBBB-22222-22222")
    assert file.path.stat().st_mode & 0o777 == 0o600
    file.add("North", "", "AAAA-33333-33333")
    file.drop("BBBB")
    lines = [line for line in file.path.read_text().splitlines() if not line.startswith("#")]
    assert lines == ['AAAA-33333-33333\tlot "North"']
    file.path.unlink()
    file.drop("AAAA")
    assert not file.path.exists()


def test_a_private_file_is_never_open_to_others(tmp_path, monkeypatch):
    import os

    monkeypatch.setattr(os, "umask", os.umask)
    before = os.umask(0)
    try:
        write_private(tmp_path / "a", "secret")
    finally:
        os.umask(before)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o600


# The command


@pytest.fixture
def folder(tmp_path):
    """A yard's folder that was served from, with two lots with a code."""
    queue = Queue(tmp_path / "queue.sqlite", Limits())
    for key, name in (("NRTH", "North"), ("SUTH", "South")):
        queue.add_lot(key, name, hash_code(f"{key}-22222-22222"))
    queue.add_lot("HERE", "This machine", None)
    queue.close()
    return tmp_path


def test_the_command_adds_lists_and_revokes(run, folder):
    said = run("codes", "add", "Ada", "--lot", "North", "--folder", folder)
    text = (folder / CODES_FILE).read_text()
    code = text.splitlines()[-1].partition("\t")[0]
    assert (said.code, code in said.out) == (0, False)
    assert CODES_FILE in said.out
    listed = run("codes", "list", "--folder", folder).out
    assert "Ada" in listed
    assert code.split("-")[0] in listed
    assert code.split("-")[1] not in listed
    assert run("codes", "revoke", "Ada", "--lot", "North", "--folder", folder).code == 0
    assert code not in (folder / CODES_FILE).read_text()
    assert len(run("codes", "list", "--folder", folder).out.splitlines()[1].split()) == 5


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["add", "Ada"], "several lots with a code. Name one with --lot: North, South."),
        (["add", "Ada", "--lot", "East"], "no such lot with a code. Name one with --lot: North, South."),
        (["add", "Ada", "--lot", "This machine"], "no such lot with a code"),
        (["add", " ", "--lot", "North"], "a name has 1 to 80 signs"),
        (["add", "A\x1b[31m", "--lot", "North"], "a name has 1 to 80 signs"),
        (["revoke", "Ada", "--lot", "North"], '"Ada" has no code of it. Those who have one: none.'),
        (["list", "--lot", "East"], "no such lot with a code"),
    ],
)
def test_what_the_command_cannot_do_is_one_line(run, folder, words, said):
    ended = run("codes", *words, "--folder", folder)
    assert ended.code == 2
    assert said in " ".join(ended.err.replace("│", " ").split())


def test_a_folder_that_nobody_served_from_is_not_made(run, tmp_path):
    ended = run("codes", "add", "Ada", "--folder", tmp_path / "none")
    assert ended.code == 2
    assert "no page has served from it yet" in ended.err
    assert not (tmp_path / "none").exists()
