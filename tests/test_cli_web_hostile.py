"""Four phones and a hostile one at the same time, over real connections: nothing is lost, nothing mixed up.

How long it takes is measured by `cli/evaluation/bench_hostile.py` and is no matter of a test.
"""

import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest
import uvicorn
from plugface.cli.commands.serve import _listen
from plugface.cli.evaluation import bench_hostile
from plugface.cli.evaluation.bench_hostile import Phone, run_round, serve_phone
from plugface.cli.web.connections import make_protocol
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import clean_photo

PHONES = 4


@contextmanager
def serving(made):
    """The page on a free port of this machine; gives the port."""
    listener = _listen("127.0.0.1", 0)
    config = uvicorn.Config(
        made.app, http=make_protocol(made.yard.limits, behind_proxy=False), log_config=None, access_log=False
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(30)
        listener.close()


@pytest.fixture
def made(make_yard):
    """A page with an honest and a hostile lot, and little room for the latter."""
    return make_yard(
        open_lot=False,
        local_names=False,
        limits={
            "connections": 60,
            "connections_per_address": 30,
            "uploads_at_once": 8,
            "uploads_per_lot": 4,
            "waiting_units": 16,
            "waiting_per_lot": 8,
            "header_s": 2.0,
            "silence_s": 5.0,
        },
    )


def test_photos_that_take_long_to_check_hold_their_own_lot_alone(make_yard, jpeg):
    slow, gate = jpeg(0), threading.Event()
    checked = []

    def check(data):
        if data == slow:
            checked.append("slow")
            assert gate.wait(300)
        return clean_photo(data, Limits())

    made = make_yard(open_lot=False, local_names=False, check_photo=check)
    codes = [made.yard.add_lot(name) for name in ("Honest", "Hostile")]
    with serving(made) as port, ThreadPoolExecutor(3) as crowd:
        honest, enemy = Phone(port, "127.1.0.1").enter(codes[0]), Phone(port, "127.2.0.1").enter(codes[1])
        held = [
            crowd.submit(enemy.ask, "POST", f"/api/v1/units/{n:032x}/photos", slow)
            for n in range(made.yard.limits.decoding_at_once + 1)
        ]
        try:
            assert serve_phone(honest, f"{999:032x}", jpeg(1), 60).right
            assert not any(one.done() for one in held)
        finally:
            gate.set()
        assert [one.result()[0] for one in held] == [202] * len(held)


def test_a_phone_with_many_units_holds_no_other_phone_of_its_lot(make_yard, jpeg):
    made = make_yard(open_lot=False, local_names=False, limits={"waiting_per_lot": 20})
    code = made.yard.add_lot("Both")
    made.stand_in.gate.clear()  # nothing is answered before all have sent
    with serving(made) as port:
        enemy, honest = (Phone(port, address).enter(code) for address in ("127.2.0.1", "127.1.0.1"))
        session = Phone(port, "127.2.0.1").enter(code)  # on the same address
        try:
            sent = [send(enemy, 0, jpeg)]
            until = time.monotonic() + 60
            while not made.stand_in.asked:  # the first is in hand before there is another to choose from
                assert time.monotonic() < until
                time.sleep(0.02)
            sent += [send(enemy, number, jpeg) for number in range(1, 12)]
            assert sent == [202] * 10 + [503] * 2  # as many as it left to others
            assert [send(honest, 100, jpeg), send(session, 101, jpeg)] == [202, 202]
        finally:
            made.stand_in.gate.set()
        until = time.monotonic() + 120
        lot = made.yard.queue.lot(name="Both")
        while made.yard.queue.counts(lot.key) != {"answered": 12}:
            assert time.monotonic() < until, made.yard.queue.counts(lot.key)
            time.sleep(0.05)
    marks = [question.photos[0].sha256 for question in made.stand_in.asked]
    places = {number: marks.index(clean_photo(jpeg(number), Limits()).sha256) for number in (100, 101)}
    assert places[100] == 1  # right after the one that was in hand
    assert places[101] <= 3


def send(phone, number, jpeg):
    """Send one photo of a unit; gives the status."""
    return phone.ask("POST", f"/api/v1/units/{number:032x}/photos", jpeg(number))[0]


def test_nothing_of_four_phones_is_lost_beside_a_hostile_one(made, jpeg, monkeypatch):
    monkeypatch.setattr(bench_hostile, "IDLE", 40)
    monkeypatch.setattr(
        bench_hostile, "dear_pictures", lambda: [jpeg(1, size=(3000, 2000)), b"\xff\xd8" + bytes(9_000)]
    )
    codes = [made.yard.add_lot(name) for name in ("Honest", "Hostile")]
    photos = [jpeg(number, size=(1280, 960)) for number in range(PHONES)]
    ending, met = threading.Event(), Counter()
    with serving(made) as port:
        honest = [Phone(port, f"127.1.0.{n + 1}").enter(codes[0]) for n in range(PHONES)]
        enemy = Phone(port, "127.2.0.1").enter(codes[1])
        attacking = threading.Thread(
            target=bench_hostile.attack,
            args=(enemy, photos, bench_hostile.dear_pictures(), bench_hostile.CRAWLING, ending, met),
        )
        attacking.start()
        try:
            for turn in range(2):
                served = run_round(honest, photos, 100 * turn, 120)
                assert all(served), met
                assert all(one.right for one in served)
            # The hostile one's wrong codes are its own affair.
            with ThreadPoolExecutor(2) as crowd:
                late = crowd.submit(Phone(port, "127.1.0.9").enter, codes[0]).result()
            assert serve_phone(late, f"{999:032x}", photos[0], 120).right
            # What is no photo waits behind its lot's other photos: the honest ones may be done before. And
            # before its lot is full, on a busy machine.
            until = time.monotonic() + 120
            while not (met["status 422"] and met["status 429"] and met["status 503"]):
                assert time.monotonic() < until, met
                time.sleep(0.1)
        finally:
            ending.set()
            attacking.join(60)
        assert not attacking.is_alive()
        lot = made.yard.queue.lot(name="Honest")
        assert made.yard.queue.counts(lot.key) == {"answered": 2 * PHONES + 1}
    assert met["status 429"] > 0  # it was told to wait with its codes
    assert met["status 503"] > 0  # and that its own lot is full
    assert met["status 422"] > 0  # and that a file is no photo
    assert met["status 500"] == 0
    with made.yard.records.ledger.reading():
        assert made.yard.records.ledger.verify().problems == ()
