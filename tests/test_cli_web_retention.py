"""What is past its time goes while the page runs, and nothing else does."""

import logging
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
from plugface.cli.store import deletion
from plugface.cli.store.ledger import Act, Unit, record_confirmation
from plugface.cli.store.locks import KEEPING, lock_folder
from plugface.cli.web import retention
from plugface.cli.web.retention import WHO, Retention, sweep_old
from sqlalchemy import select

UNITS, A, B, C = "/api/v1/units", "a" * 32, "b" * 32, "c" * 32


def later(days: float) -> datetime:
    return datetime.now(UTC) + timedelta(days=days)


def send(client, unit, data):
    assert client.post(f"{UNITS}/{unit}/photos", content=data).status_code == 202


def wait_until(settled, seconds=120):
    until = time.monotonic() + seconds
    while not settled():
        assert time.monotonic() < until
        time.sleep(0.02)


def state(client, unit):
    return client.get(f"{UNITS}/{unit}").json().get("state")


def photo_files(made):
    return {file.name[:64] for file in (made.folder / "photos").glob("??/*")}


@pytest.fixture
def made(make_yard):
    return make_yard(keep_days=30)


def test_a_unit_past_its_time_goes_with_all_that_hangs_on_it(made, jpeg):
    with made.client as client:
        send(client, A, jpeg(1))
        send(client, B, jpeg(2))
        wait_until(lambda: state(client, A) == state(client, B) == "answered")
        kept = client.get(f"{UNITS}/{B}").json()["photos"][0]["sha256"]
        assert sweep_old(made.yard, later(29)) == {}
        with made.yard.records.ledger.transaction() as session:
            unit = session.scalars(select(Unit).filter_by(group_key=B)).one()
            said = {"family": "", "variant": "", "who": "Cy"}
            record_confirmation(session, unit, **said, confirmed_at=later(20).isoformat())
        assert sweep_old(made.yard, later(31))["units"] == 1
        assert client.get(f"{UNITS}/{A}").status_code == 404
        assert state(client, B) == "answered"
        assert photo_files(made) == {kept}
        assert made.yard.records.ledger.verify().problems == ()


def test_all_units_go_in_their_time_and_the_page_goes_on(made, jpeg, monkeypatch):
    monkeypatch.setattr(retention, "AT_ONCE", 1)
    with made.client as client:
        send(client, A, jpeg(1))
        send(client, B, jpeg(1))  # the same photo
        send(client, B, jpeg(2))
        wait_until(lambda: state(client, A) == state(client, B) == "answered")
        first, second = (photo["sha256"] for photo in client.get(f"{UNITS}/{B}").json()["photos"])
        assert sweep_old(made.yard, later(31))["units"] == 1
        assert client.get(f"{UNITS}/{A}").status_code == 404
        assert photo_files(made) == {first, second}  # B has both
        assert sweep_old(made.yard, later(31))["units"] == 1
        assert photo_files(made) == set()
        assert sweep_old(made.yard, later(31)) == {}
        assert made.yard.records.ledger.verify().problems == ()
        with made.yard.records.ledger.reading() as session:
            acts = session.execute(select(Act.who, Act.facts).filter_by(act="deletion")).all()
        assert [who for who, _ in acts] == [WHO, WHO]
        assert "kept for 30 days" in acts[0].facts
        send(client, C, jpeg(3))
        wait_until(lambda: state(client, C) == "answered")
        assert client.get(f"{UNITS}/{C}").json()["number"] == 3  # no number is given twice


def test_what_somebody_asks_about_now_stays(made, jpeg, monkeypatch):
    with made.client as client:
        send(client, A, jpeg(1))
        wait_until(lambda: state(client, A) == "answered")
        made.stand_in.gate.clear()
        try:
            send(client, A, jpeg(2))  # waits or is looked at
            found = deletion.doom_older_than(made.yard.records.ledger, later(31).isoformat())
            assert (found.rows.get("units"), found.queue_units) == (set(), set())
            assert sweep_old(made.yard, later(31)) == {}
            monkeypatch.setattr(deletion, "asked_units", lambda db, once=iter([set()]): next(once, real(db)))
            assert sweep_old(made.yard, later(31)) == {}  # asked about after it was found past its time
        finally:
            made.stand_in.gate.set()
        wait_until(lambda: state(client, A) == "answered")
        assert len(client.get(f"{UNITS}/{A}").json()["photos"]) == 2


real = deletion.asked_units


def test_without_a_time_everything_is_kept(make_yard, jpeg):
    made = make_yard()
    with made.client as client:
        send(client, A, jpeg(1))
        wait_until(lambda: state(client, A) == "answered")
        assert sweep_old(made.yard, later(36_000)) == {}
        assert "retention" not in {thread.name for thread in threading.enumerate()}


def test_the_page_sweeps_by_itself_and_again_after_a_fault(made, jpeg, monkeypatch, caplog):
    caplog.set_level(logging.INFO)
    days, faults = [0.0], [OSError("the disk is full")]

    def sweep(yard, _now):
        if days[0] and faults:
            raise faults.pop()
        counts = sweep_old(yard, later(days[0]))
        if counts:  # from now on it is long until the next look: the rest goes with this one
            retention.EVERY_S = 600.0
        return counts

    monkeypatch.setattr(retention, "sweep_old", sweep)
    for name in ("FIRST_S", "EVERY_S", "PAUSE_S"):
        monkeypatch.setattr(retention, name, 0.05)
    monkeypatch.setattr(retention, "AT_ONCE", 1)
    with made.client as client:
        for number, unit in enumerate((C, B, A)):
            send(client, unit, jpeg(number))
        wait_until(lambda: {state(client, unit) for unit in (A, B, C)} == {"answered"})
        days[0] = 31.0
        wait_until(lambda: state(client, A) == "new")  # the last one keeps its number
        assert client.get(f"{UNITS}/{A}").json()["photos"] == []
    assert "could not be deleted" in caplog.text
    assert "retention" not in {thread.name for thread in threading.enumerate()}


@pytest.mark.parametrize("before_start", [True, False])
def test_a_clock_that_is_put_forward_deletes_nothing_for_a_day(made, jpeg, caplog, before_start):
    """As a machine does whose clock has lost the time, or was given a wrong one."""
    days, seconds = [0.0], [1000.0]
    keeper = Retention(made.yard, lambda: later(days[0]), lambda: seconds[0])
    with made.client as client:
        send(client, A, jpeg(1))
        wait_until(lambda: state(client, A) == "answered")
        if not before_start:
            assert keeper.sweep() == {}
        days[0] = 3650.0
        assert keeper.sweep() == {}
        seconds[0] += 3600
        days[0] += 1 / 24
        assert keeper.sweep() == {}
        assert caplog.text.count("the clock may be wrong") == 1
        assert state(client, A) == "answered"
        seconds[0] += 86_400  # nobody has put it right: it may be right, and the yard stood still
        days[0] += 1.0
        assert keeper.sweep()["units"] == 1


def test_a_clock_that_is_put_right_again_has_deleted_nothing(made, jpeg):
    days, seconds = [0.0], [1000.0]
    keeper = Retention(made.yard, lambda: later(days[0]), lambda: seconds[0])
    with made.client as client:
        send(client, A, jpeg(1))
        wait_until(lambda: state(client, A) == "answered")
        for jump in (0.0, 3650.0, 0.0):
            days[0] = jump
            seconds[0] += 3600
            assert keeper.sweep() == {}
        seconds[0] += 31 * 86_400
        days[0] = 31.1
        assert keeper.sweep()["units"] == 1


def test_nothing_goes_while_a_backup_is_taken(made, jpeg):
    with made.client as client:
        send(client, A, jpeg(1))
        wait_until(lambda: state(client, A) == "answered")
        with lock_folder(made.folder, KEEPING):
            assert sweep_old(made.yard, later(31)) == {}
            assert len(photo_files(made)) == 1
        assert sweep_old(made.yard, later(31))["units"] == 1
