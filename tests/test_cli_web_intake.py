"""Uploads: nobody holds all places, none crawls for ever, and what lies in memory is bounded."""

import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack

import anyio
import pytest
from plugface.cli.web.intake import Intake
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import PhotoChecker
from plugface.cli.web.refusals import Refused
from starlette.requests import Request

LIMITS = Limits(
    uploads_at_once=4, uploads_per_lot=2, uploads_bytes=1000, upload_s=60.0, upload_rate=10.0, silence_s=5.0
)


def run_apart(work, *words):
    """Run it in a thread of its own: a browser of other tests leaves an event loop in the first one."""
    with ThreadPoolExecutor(1) as apart:
        return apart.submit(anyio.run, work, *words).result()


def request(now: list[float], parts: list[bytes], pause_s: float) -> Request:
    """A request whose parts come one by one, so many seconds apart on the clock of the test."""
    coming = iter(parts)

    async def receive() -> dict:
        now[0] += pause_s
        part = next(coming, None)
        return {"type": "http.request", "body": part or b"", "more_body": part is not None}

    return Request({"type": "http", "method": "POST", "headers": []}, receive)


def test_a_lot_holds_its_share_and_another_still_comes_in():
    intake = Intake(LIMITS)
    with ExitStack() as held:
        for _ in range(2):
            held.enter_context(intake.place("NORTH", 10))
        with pytest.raises(Refused, match="busy"), intake.place("NORTH", 10):
            pass
        with intake.place("SOUTH", 10):
            pass
    with intake.place("NORTH", 10):  # the places are free again
        pass


def test_a_sender_does_not_hold_all_places_of_its_lot():
    intake = Intake(Limits(uploads_per_lot=4))
    with ExitStack() as held:
        for _ in range(2):
            held.enter_context(intake.place("NORTH", 10, ("network a", "session 1")))
        with pytest.raises(Refused, match="busy"), intake.place("NORTH", 10, ("network a", "session 1")):
            pass
        with intake.place("NORTH", 10, ("network b", "session 2")), intake.place("NORTH", 10, ("name Ada",)):
            pass
    with intake.place("NORTH", 10, ("network a", "session 1")):  # the places are free again
        pass
    assert not intake._held["NORTH"]


def test_memory_is_bounded_by_what_the_bodies_say():
    intake = Intake(LIMITS)
    with intake.place("NORTH", 800), pytest.raises(Refused, match="busy"), intake.place("SOUTH", 300):
        pass
    with intake.place("SOUTH", 300):
        pass


@pytest.mark.parametrize(
    ("parts", "pause_s", "name"),
    [
        ([b"x"] * 20, 1.0, "too_slow"),  # one byte a second, never silent
        ([b"x" * 100] * 100, 1.0, "too_slow"),  # fast enough, but without an end
        ([b"x" * 100] * 20, 1.0, None),
        ([b"xx"] * 3, 1.0, None),  # slow to begin with, and over before it counts
    ],
)
def test_an_upload_that_crawls_is_dropped(parts, pause_s, name):
    now = [0.0]
    intake = Intake(LIMITS, clock=lambda: now[0])
    if name is None:
        assert run_apart(intake.receive, request(now, parts, pause_s)) == b"".join(parts)
        return
    with pytest.raises(Refused, match=name):
        run_apart(intake.receive, request(now, parts, pause_s))


def test_an_upload_that_sends_nothing_is_dropped():
    async def receive() -> dict:
        await anyio.sleep(60)
        return {"type": "http.request"}

    silent = Request({"type": "http", "method": "POST", "headers": []}, receive)
    started = time.monotonic()
    with pytest.raises(Refused, match="silence"):
        run_apart(Intake(Limits(silence_s=1)).receive, silent)
    assert time.monotonic() - started < 30


def test_the_place_is_held_until_the_photo_is_checked(make_yard, jpeg):
    held = []

    def check(data):
        held.append(made.app.state.intake._bytes)
        raise Refused("busy", retry_s=1)

    made = make_yard(check_photo=check)
    with made.client as client:
        client.post("/api/v1/units/" + "a" * 32 + "/photos", content=jpeg(1))
    assert held == [len(jpeg(1))]
    assert made.app.state.intake._bytes == 0


# The time for checking


def test_a_lot_that_used_up_its_time_is_checked_behind_the_others():
    """North is busy: its photo is checked only when South's is done, and behind everything else."""
    now, order = [100.0], []
    intake = Intake(Limits(decoding_at_once=3, decoding_per_lot_s=10.0), clock=lambda: now[0])

    async def check(lot: str, before_s: float, lasts_s: float) -> None:
        await anyio.sleep(before_s)
        async with intake.checking(lot) as turn:
            order.append((lot, turn.busy))
            turn.on_spent(12.0 if lot == "NORTH" else 0.1)
            await anyio.sleep(lasts_s)
            order.append(f"{lot} done")

    async def both() -> None:
        async with anyio.create_task_group() as tasks:
            tasks.start_soon(check, "SOUTH", 0.0, 0.3)
            tasks.start_soon(check, "NORTH", 0.1, 0.0)

    run_apart(check, "NORTH", 0.0, 0.0)
    assert order == [("NORTH", False), "NORTH done"]
    order.clear()
    run_apart(both)
    assert order == [("SOUTH", False), "SOUTH done", ("NORTH", True), "NORTH done"]
    now[0] += 90  # of 24 seconds 15 are forgiven
    order.clear()
    run_apart(check, "NORTH", 0.0, 0.0)
    assert order[0] == ("NORTH", False)


def test_within_a_busy_lot_who_sent_little_is_checked_first():
    intake, order = Intake(Limits(decoding_at_once=2)), []
    intake.charge("NORTH", 100.0, ("network a", "session 1"))

    async def check(sender: tuple[str, ...], before_s: float) -> None:
        await anyio.sleep(before_s)
        async with intake.checking("NORTH", sender) as turn:
            order.append((sender[0], turn.busy))
            await anyio.sleep(0.2)

    async def all_of_them() -> None:
        async with anyio.create_task_group() as tasks:
            for _ in range(3):
                tasks.start_soon(check, ("network a", "session 2"), 0.0)
            tasks.start_soon(check, ("network b", "session 3"), 0.1)
            tasks.start_soon(check, ("name Ada",), 0.1)

    run_apart(all_of_them)
    assert order[0] == ("network a", True)  # nobody else was there
    assert sorted(order[1:3]) == [("name Ada", False), ("network b", False)]
    assert order[3:] == [("network a", True)] * 2


def test_busy_lots_are_checked_one_at_a_time():
    intake, together, most = Intake(Limits(decoding_at_once=8)), [0], [0]
    for lot in "ABC":
        intake.charge(lot, 100.0)

    async def check(lot: str) -> None:
        async with intake.checking(lot):
            together[0] += 1
            most[0] = max(most[0], together[0])
            await anyio.sleep(0.05)
            together[0] -= 1

    async def all_of_them() -> None:
        async with anyio.create_task_group() as tasks:
            for lot in "ABC":
                tasks.start_soon(check, lot)

    run_apart(all_of_them)
    assert most == [1]


def test_a_busy_lot_waits_for_others_so_long_and_no_longer(monkeypatch):
    monkeypatch.setattr("plugface.cli.web.intake._BEHIND_S", 0.2)
    intake = Intake(Limits(decoding_at_once=3))
    intake.charge("NORTH", 100.0)

    async def both() -> bool:
        async with intake.checking("SOUTH"):
            with anyio.fail_after(60):
                async with intake.checking("NORTH") as turn:
                    return turn.busy

    assert run_apart(both)


def test_who_asks_again_and_again_for_a_place_is_answered_later(monkeypatch):
    waited = []

    async def sleep(seconds: float) -> None:
        waited.append(round(seconds, 2))

    monkeypatch.setattr("plugface.cli.web.intake.anyio.sleep", sleep)
    now = [0.0]
    intake = Intake(LIMITS, clock=lambda: now[0])
    run_apart(intake.hold_back, "NORTH", 10)
    assert waited == []  # there is a place
    with intake.place("NORTH", 10), intake.place("NORTH", 10):
        for _ in range(100):
            run_apart(intake.hold_back, "NORTH", 10)
        run_apart(intake.hold_back, "SOUTH", 10)
        assert waited[:3] == [0.1, 0.2, 0.3]
        assert waited[-1] == 5.0
        now[0] += 1000
        run_apart(intake.hold_back, "NORTH", 10)
        assert waited[-1] == 0.1


def test_a_photo_of_a_busy_lot_is_checked_by_the_process_behind(make_yard, jpeg, monkeypatch):
    """And what it took is charged to its lot."""
    niceness = []
    checker = PhotoChecker(Limits())
    made = make_yard(check_photo=checker)
    # What a small photo took is forgiven before a busy machine has looked.
    monkeypatch.setattr(made.app.state.intake, "_clock", lambda: 0.0)
    for name in ("_pool", "_behind"):

        def call(data, on_spent, name=name, pool=getattr(checker, name)):
            niceness.append(name)
            return pool(data, on_spent)

        monkeypatch.setattr(checker, name, call)
    with made.client as client:
        for number in (1, 2):
            sent = client.post(f"/api/v1/units/{number:032x}/photos", content=jpeg(number))
            assert sent.status_code == 202
            assert made.app.state.intake._debt("HERE") > 0
            made.app.state.intake.charge("HERE", 1000.0)
    assert niceness == ["_pool", "_behind"]
    monkeypatch.undo()
    checker.close()
