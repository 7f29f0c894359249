"""What a process that looks at one photo after another gives back to the system."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from plugface.cli import limited_process
from plugface.cli.heap import give_back
from plugface.cli.limited_process import LimitedProcess
from plugface.cli.lot.parallel import map_unordered

ROOT = Path(__file__).parent.parent
ARRAYS, BYTES = 1000, 100_000  # of 100 kB each: under what the C library asks the system for by itself


def held_bytes() -> int:
    """What this process has in memory (proc(5))."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


def leave_holes(_: object) -> tuple[int, int]:
    """Take 100 MB and let go of it below something that stays; what was held at the beginning, and there."""
    before = held_bytes()
    arrays = [np.ones(BYTES, np.uint8) for _ in range(ARRAYS)]
    _KEPT.append(np.ones(BYTES, np.uint8))
    most = held_bytes()
    del arrays
    return before, most


_KEPT: list[np.ndarray] = []

glibc = pytest.mark.skipif(sys.platform != "linux", reason="other systems have other heaps")


@glibc
def test_what_is_not_used_is_given_back():
    give_back()  # what other tests left would be taken first
    before, most = leave_holes(None)
    assert most - before > 0.8 * ARRAYS * BYTES
    give_back()
    assert held_bytes() - before < 0.3 * ARRAYS * BYTES


#: What stays of five large arrays beside five of 1 MB that are kept. glibc learns from arrays that go that
#: such are better kept in its heap.
GROW_AND_SHRINK = """
from pathlib import Path
import numpy as np
from plugface.cli.heap import share_one_heap
from plugface.cli.lot.parallel import _one_threaded

def held():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096

def grow_and_shrink(size):
    for _ in range(3):
        np.ones(size, np.uint8)
    before, arrays, kept = held(), [], []
    for _ in range(5):
        arrays.append(np.ones(size, np.uint8))
        kept.append(np.ones(1_000_000, np.uint8))
    del arrays
    return held() - before

{share}
print({run})
"""


@glibc
@pytest.mark.parametrize(
    ("size", "share", "run"),
    [
        (20_000_000, "share_one_heap()", "grow_and_shrink(20_000_000)"),
        # What a worker takes from the system is smaller.
        (5_000_000, "", "_one_threaded(grow_and_shrink, 5_000_000)"),
        (5_000_000, "share_one_heap(one_of_several=True)", "grow_and_shrink(5_000_000)"),
    ],
)
def test_large_arrays_leave_no_holes_in_the_heap_that_is_shared(size, share, run):
    """A hole between two things that stay is no place for the next photo's array, if that is larger."""

    def left(share, run):
        code = GROW_AND_SHRINK.format(share=share, run=run)
        said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        return int(said.stdout)

    assert 0 < left(share, run) < 10_000_000
    assert 3 * size < left("", f"grow_and_shrink({size})") < 5 * size + 10_000_000


@glibc
def test_a_worker_begins_each_photo_with_what_it_had_at_the_first(monkeypatch, a_worker):
    monkeypatch.syspath_prepend(str(ROOT))
    befores = [before for _, (before, _most) in map_unordered(leave_holes, range(4), workers=1)]
    assert max(befores[1:]) - befores[0] < 0.4 * ARRAYS * BYTES


@glibc
def test_so_does_a_limited_process(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT))
    process = LimitedProcess(leave_holes, seconds=20.0, memory_bytes=1_000_000_000)
    try:
        befores = [process(None)[0] for _ in range(4)]
    finally:
        process.close()
    assert max(befores[1:]) - befores[0] < 0.4 * ARRAYS * BYTES


def test_a_limited_process_shares_one_heap_before_it_starts_a_thread(monkeypatch):
    done = []

    class Closed:
        def send(self, _):
            pass

        def recv(self):
            raise EOFError

    monkeypatch.setattr(limited_process, "share_one_heap", lambda: done.append("heap"))
    monkeypatch.setattr(limited_process, "_end_with_starter", lambda: done.append("thread"))
    monkeypatch.setattr(limited_process, "_limit_memory", lambda _: None)
    monkeypatch.setattr(limited_process.signal, "signal", lambda *_: None)
    limited_process._work_on(Closed(), leave_holes, 1.0, 1, 0)
    assert done == ["heap", "thread"]
