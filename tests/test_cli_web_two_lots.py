"""Two lots on one page, one of them hostile: whatever that one does, the other is as it would be alone.

The honest lot's story is told twice: on a page of its own, and on one where before each of its steps another
lot does all that it may, with the same photos and the same names of units. What the honest lot is then
shown, exported and sent is compared, times and its own key left out.
"""

import json
import re
import shutil
import sqlite3
import time
from contextlib import closing

from plugface.cli.web.codes import add_code

UNITS = "/api/v1/units"
A, B, C = "a" * 32, "b" * 32, "c" * 32
LIMITS = {
    "bytes_per_lot": 60_000,
    "units_per_lot": 12,
    "waiting_per_lot": 6,
    "waiting_units": 14,
    "photos_per_unit": 4,
    "wrong_codes_per_lot": 3,
}


def wait_for(client, unit, who):
    until = time.monotonic() + 120
    while True:
        found = client.get(f"{UNITS}/{unit}", headers=who).json()
        if found.get("state") in ("answered", "failed"):
            return found
        assert time.monotonic() < until, found
        time.sleep(0.02)


def enter(made, code):
    said = made.client.post("/api/v1/tokens", json={"code": code})
    assert said.status_code == 201, said.text
    return {"authorization": f"Bearer {said.json()['token']}"}


def honest_steps(made, code, jpeg):
    """What the honest lot does, one step at a time; each gives what it was told."""
    client = made.client
    ada = enter(made, add_code(made.yard.queue, made.yard.queue.lot(name="North"), "Ada"))
    who = enter(made, code)
    yield client.put(f"{UNITS}/{A}", json={"claimed": "knot 40", "more": True}, headers=who)
    yield client.post(f"{UNITS}/{A}/photos?more=true", content=jpeg(10), headers=who)
    yield client.post(f"{UNITS}/{A}/photos?face=back", content=jpeg(20), headers=who)
    yield wait_for(client, A, who)
    yield client.post(f"{UNITS}/{B}/photos", content=jpeg(30), headers=ada)
    yield wait_for(client, B, ada)
    yield client.post(f"{UNITS}/{B}/confirmations", json={"family": "AUK 11"}, headers=ada)
    yield client.post(f"{UNITS}/{A}/photos?face=back", content=jpeg(20), headers=who)  # sent again
    yield client.put(f"{UNITS}/{C}", json={"typed": ["K27418/052"]}, headers=who)
    yield wait_for(client, C, who)
    said = {"family": "KNOT 40", "variant": "E", "who": "Jo"}
    yield client.post(f"{UNITS}/{A}/confirmations", json=said, headers=who)
    for unit in (A, B, C):
        yield client.get(f"{UNITS}/{unit}", headers=who)
    yield client.get(UNITS, headers=who)
    yield client.get("/api/v1/lot", headers=who)
    for position in (1, 2):
        yield client.get(f"{UNITS}/{A}/photos/{position}", headers=who)
    for path in ("/", f"/units/{A}", f"/units/{B}"):
        yield client.get(path, headers=who)


def hostile_steps(made, codes, jpeg):
    """What the hostile lot does, over and over: the same names, the same photos, too much of everything.

    At one unit after the other, of which each has its turn seven times.
    """
    client, who = made.client, enter(made, codes["South"])
    number = 0
    while True:
        number += 1
        unit = (A, B, C)[number % 3]
        client.put(f"{UNITS}/{unit}", json={"claimed": "AUK 11", "typed": [f"X{number}"]}, headers=who)
        for n in (30, 20, 10, 30 + 5 * number):
            client.post(f"{UNITS}/{unit}/photos?more=true", content=jpeg(n), headers=who)
        said = {"family": "AUK 12", "who": "Ada", "note": "EVIL"}
        client.post(f"{UNITS}/{unit}/confirmations", json=said, headers=who)
        for n in range(2):
            client.put(f"{UNITS}/{number * 100 + n:032x}", json={"typed": ["EVIL"]}, headers=who)
            client.post(f"{UNITS}/{number * 100 + n:032x}/photos", content=b"no photo", headers=who)
        client.post("/api/v1/tokens", json={"code": codes["South"][:-1] + "?"})
        yield


def plain(told, key):
    """What was told, without times, the lot's key and this page's own tokens."""
    if hasattr(told, "status_code"):
        told = f"{told.status_code} {told.content.decode('latin-1')}"
    text = told if isinstance(told, str) else json.dumps(told, sort_keys=True)
    text = re.sub(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|\+00:00)?", "TIME", text)
    text = re.sub(r'"(ahead|seconds|milliseconds|state)": ?("\w+"|[\d.]+)', "", text)
    return text.replace(key, "KEY")


def tell(make_yard, jpeg, monkeypatch, beside: bool):
    """The story, with or without a hostile lot; gives the page and what the honest lot was told."""
    made = make_yard(open_lot=False, local_names=False, limits=LIMITS)
    views = [("KNOT 40", "E", "front"), ("AUK 11", "early", "front"), ("AUK 12", "", "front")]
    kind = type(made.stand_in)
    # What is seen hangs on the photo, so that answers that went to another unit would be told by it.
    shown = property(
        lambda self: [views[int(p.sha256, 16) % 2] for p in self.asked[-1].photos] or views, lambda *_: None
    )
    monkeypatch.setattr(kind, "shows", shown, raising=False)
    codes = {name: made.yard.add_lot(name) for name in ("North", "South")}
    with made.client:
        hostile = hostile_steps(made, codes, jpeg) if beside else None
        told = []
        for step in honest_steps(made, codes["North"], jpeg):
            told.append(step)
            if hostile:
                next(hostile)
    made.yard.close()
    with closing(sqlite3.connect(made.folder / "queue.sqlite")) as db:
        made.keys = dict(db.execute("SELECT name, key FROM lots").fetchall())
    return made, [plain(one, made.keys["North"]) for one in told]


def kept_of(run, folder, tmp_path, key):
    """All that is kept of a lot, as its commands give it."""
    found = {}
    for name in ("x.csv", "x.jsonl"):
        out = tmp_path / name
        assert run("ledger", "export", out, "--lot", key, "--ledger", folder).code == 0
        found[name] = sorted(plain(out.read_text("utf-8-sig"), key).splitlines())
        out.unlink()
    found["list"] = plain(run("ledger", "list", "--lot", key, "--json", "--ledger", folder).out, key)
    audit = run("ledger", "audit", "--lot", key, "--json", "--ledger", folder).out
    found["audit"] = [
        line for line in plain(audit, key).splitlines()
        if '"export"' not in line and "lot sent" not in line and "wrong code" not in line
    ]  # fmt: skip
    assert run("ledger", "backup", tmp_path / "lot", "--lot", key, "--ledger", folder).code == 0
    files = json.loads((tmp_path / "lot" / "manifest.json").read_text())["files"]
    found["files"] = sorted(name for name in files if name != "lot.jsonl")
    rows = [json.loads(line) for line in (tmp_path / "lot" / "lot.jsonl").read_text().splitlines()]
    found["rows"] = sorted(
        plain({"table": row["table"], **{k: v for k, v in row["row"].items() if k not in LOCAL}}, key)
        for row in rows if row["table"] != "acts"
    )  # fmt: skip
    shutil.rmtree(tmp_path / "lot")
    return found


#: Columns that count rows of all lots, or hold what is new each time.
LOCAL = (
    "id", "photo_id", "unit_id", "lot_id", "proposal_id", "ready", "turn", "salt", "digest", "sender",
    "owner", "attempts",
)  # fmt: skip


def test_a_hostile_lot_changes_nothing_of_another(make_yard, jpeg, monkeypatch, tmp_path, run):
    alone, told_alone = tell(make_yard, jpeg, monkeypatch, beside=False)
    alone.folder.rename(tmp_path / "alone")
    beside, told_beside = tell(make_yard, jpeg, monkeypatch, beside=True)
    assert told_beside == told_alone
    assert "EVIL" not in json.dumps(told_beside)
    kept_alone = kept_of(run, tmp_path / "alone", tmp_path, alone.keys["North"])
    assert kept_of(run, beside.folder, tmp_path, beside.keys["North"]) == kept_alone
    assert len(kept_alone["rows"]) > 20
    # The hostile lot did what it could, and was stopped by its own limits alone.
    with closing(sqlite3.connect(beside.folder / "queue.sqlite")) as db:
        taken = dict(db.execute("SELECT lot, sum(size_bytes) FROM photos GROUP BY lot").fetchall())
    assert taken[beside.keys["South"]] > 0

    # What is deleted of it takes nothing of the other along, whatever photos both have.
    south = beside.keys["South"]
    assert run("ledger", "delete", "--unit", f"{south}-0001", "--yes", "--ledger", beside.folder).code == 0
    assert kept_of(run, beside.folder, tmp_path, beside.keys["North"]) == kept_alone
    assert run("ledger", "delete", "--lot", south, "--yes", "--ledger", beside.folder).code == 0
    assert run("ledger", "sweep", "--yes", "--ledger", beside.folder).code == 0
    assert kept_of(run, beside.folder, tmp_path, beside.keys["North"]) == kept_alone
    assert run("ledger", "verify", "--ledger", beside.folder).code == 0
    for file in beside.folder.rglob("*.sqlite"):
        assert b"EVIL" not in file.read_bytes(), file.name


def test_what_one_lot_has_used_up_the_other_still_has(make_yard, jpeg):
    """Each quota is the lot's own: places in the queue, units, bytes, wrong codes."""
    made = make_yard(open_lot=False, local_names=False, limits=LIMITS | {"bytes_per_lot": 40_000})
    codes = {name: made.yard.add_lot(name) for name in ("North", "South")}
    with made.client as client:
        north, south = enter(made, codes["North"]), enter(made, codes["South"])

        def send(who, number, data=None):
            path = f"{UNITS}/{number:032x}/photos"
            return name_of(client.post(path, content=data or jpeg(number), headers=who))

        def describe(who, number):
            return name_of(client.put(f"{UNITS}/{number:032x}", json={"claimed": "AUK 11"}, headers=who))

        made.stand_in.gate.clear()
        try:
            told = [send(south, number) for number in range(20, 26)]
            assert (told[0], told[-1]) == ("", "queue_full")
            assert send(north, 20) == ""
        finally:
            made.stand_in.gate.set()
        for who, numbers in ((south, range(20, 20 + told.index("queue_full"))), (north, (20,))):
            for number in numbers:
                wait_for(client, f"{number:032x}", who)
        told = [send(south, 20, jpeg(number, size=(1200, 900))) for number in range(40, 43)]
        assert told[-1] == "quota_full"
        assert send(north, 20, jpeg(40, size=(1200, 900))) == ""
        told = [describe(south, number) for number in range(60, 60 + LIMITS["units_per_lot"] + 1)]
        assert (told[0], told[-1]) == ("", "lot_full")
        assert describe(north, 60) == ""
        wrong = codes["South"][:-2] + ("00" if codes["South"][-2:] != "00" else "11")
        told = [name_of(client.post("/api/v1/tokens", json={"code": wrong})) for _ in range(4)]
        assert told == ["code_wrong"] * 3 + ["too_many_guesses"]
        assert enter(made, codes["North"])


def name_of(answer):
    """Name of a refusal; empty: it was taken."""
    return answer.json()["facts"]["name"] if answer.status_code >= 400 else ""
