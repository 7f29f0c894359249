"""Uploads: nobody holds all places, none crawls for ever, and what lies in memory is bounded."""

from contextlib import ExitStack

import anyio
import pytest
from plugface.cli.web.intake import Intake
from plugface.cli.web.limits import Limits
from plugface.cli.web.refusals import Refused
from starlette.requests import Request

LIMITS = Limits(
    uploads_at_once=4, uploads_per_lot=2, uploads_bytes=1000, upload_s=60.0, upload_rate=10.0, silence_s=5.0
)


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
        assert anyio.run(intake.receive, request(now, parts, pause_s)) == b"".join(parts)
        return
    with pytest.raises(Refused, match=name):
        anyio.run(intake.receive, request(now, parts, pause_s))


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
