"""Work in a process of its own: what stops it, and that the next call goes on."""

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest
from plugface.cli import limited_process
from plugface.cli.limited_process import LimitedProcess, Stopped

ROOT = Path(__file__).parent.parent


def obey(order: tuple) -> object:
    """Do what a test asks for, in the other process."""
    what, *more = order
    if what == "spin":
        while True:
            pass
    if what == "wait":
        time.sleep(more[0])
    if what == "hold":
        return len(np.ones(more[0], np.uint8))
    if what == "signal":
        os.kill(os.getpid(), more[0])
    if what == "work":
        until = time.process_time() + more[0]
        while time.process_time() < until:
            pass
    if what == "niceness":
        return os.nice(0)
    if what == "give":
        return np.ones(more[0], np.uint8)
    if what == "raise":
        raise ValueError("as asked")
    return os.getpid()


@pytest.fixture(scope="module")
def process():
    made = LimitedProcess(obey, seconds=1.0, memory_bytes=200_000_000)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(
            str(ROOT)
        )  # the other process finds this file by its name, however it was begun
        yield made
    made.close()


@pytest.mark.parametrize(
    ("order", "reason"),
    [
        (("spin",), "time"),
        (("wait", 60.0), "time"),  # by the clock
        (("hold", 1_000_000_000), "memory"),
        (("give", 120_000_000), "memory"),  # it fits once; packed up for the way back it is there twice
        (("signal", signal.SIGSEGV), "broke"),
        (("signal", signal.SIGKILL), "ended"),
    ],
)
def test_what_goes_beyond_a_limit_is_stopped_and_the_next_goes_on(process, order, reason, monkeypatch):
    if order[0] == "wait":
        monkeypatch.setattr(limited_process, "CLOCK_PER_WORK", 0.5)  # all of which it waits, of 4
    with pytest.raises(Stopped) as stopped:
        process(order)
    assert stopped.value.reason == reason
    assert process(("hold", 1000)) == 1000


def test_it_is_another_process_and_its_errors_come_back(process):
    assert process(("who",)) != os.getpid()
    with pytest.raises(ValueError, match="as asked"):
        process(("raise",))


def test_it_says_what_time_of_the_processor_a_call_took(process):
    process(("work", 0.3))
    assert 0.3 <= process.spent_s < 0.6
    process(("wait", 0.3))
    assert process.spent_s < 0.2  # waiting is no work
    with pytest.raises(Stopped):
        process(("spin",))
    assert process.spent_s == 1.0


@pytest.mark.skipif(not hasattr(os, "nice"), reason="POSIX alone has it")
def test_it_stands_back_as_far_as_it_is_told(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT))
    behind = LimitedProcess(obey, seconds=5.0, memory_bytes=200_000_000, niceness=7)
    assert behind(("niceness",)) == min(19, os.nice(0) + 7)
    behind.close()
