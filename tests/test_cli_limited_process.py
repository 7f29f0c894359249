"""Work in a process of its own: what stops it, and that the next call goes on."""

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest
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
        (("signal", signal.SIGSEGV), "broke"),
        (("signal", signal.SIGKILL), "ended"),
    ],
)
def test_what_goes_beyond_a_limit_is_stopped_and_the_next_goes_on(process, order, reason):
    with pytest.raises(Stopped) as stopped:
        process(order)
    assert stopped.value.reason == reason
    assert process(("hold", 1000)) == 1000


def test_it_is_another_process_and_its_errors_come_back(process):
    assert process(("who",)) != os.getpid()
    with pytest.raises(ValueError, match="as asked"):
        process(("raise",))
