"""One kind of work done on many things: in worker processes of this machine, or on a Dask cluster.

Results come as they are ready, in any order, each with the item it belongs to. A worker that dies takes
nothing with it: its items are given out again, and an item that kills its worker when it is alone is reported
as lost. A worker whose master has died ends itself.
"""

import os
import re
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from functools import partial
from itertools import islice
from threading import Thread
from typing import Any

from plugface.cli.heap import give_back, share_one_heap
from plugface.cli.limited_process import limit_time, limited_memory, reason_of_end
from plugface.cli.loading import use_kept_networks

#: Items given out ahead for each worker: enough to keep it busy, few enough to keep memory flat.
AHEAD = 2

# The processes share the cores; threads below them (OpenMP, OpenBLAS, the Tesseract program) only get in each
# other's way.
_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "OMP_THREAD_LIMIT": "1"}

# Windows has none.
_HAS_SIGNAL_MASKS = hasattr(signal, "pthread_sigmask")

#: Seconds a cluster's scheduler has to answer.
CONNECT_S = 10

#: Seconds that Ctrl-C waits at most while photos are looked at. Our choice: nobody feels it.
_ANSWERED_S = 0.1


class ClusterError(Exception):
    """A cluster that cannot be reached or was lost: which one, what is wrong, what mends it."""

    def __init__(self, address: str, problem: str, remedy: str) -> None:
        self.address, self.problem, self.remedy = address, problem, remedy
        super().__init__(f"{address}: {problem}. {remedy}")


@dataclass(frozen=True)
class WorkerFailed:
    """In place of a result: every worker that took the item died."""

    message: str
    passing: bool = (
        False  # somebody else ended them, the system for lack of memory perhaps: no fault of the item
    )


def map_unordered(
    work: Callable[[Any], Any],
    items: Iterable,
    *,
    workers: int = 1,
    cluster: str | None = None,
    seconds: float | None = None,
    memory_bytes: int | None = None,
) -> Iterator[tuple[Any, Any]]:
    """Do `work` on every item and give (item, result or WorkerFailed) as they come.

    Parameters
    ----------
    work : callable, one argument
        Must be importable by its name on the worker, and must not raise for a bad item.
    items : iterable
        Taken only as fast as results are taken.
    workers : int, at least 1
        Processes on this machine.
    cluster : str or None
        Address of a Dask scheduler, "tcp://host:port"; then `workers` is not used.
    seconds : float or None
        Time of the processor that one item may take on this machine; its worker is ended then.
    memory_bytes : int or None
        What one item may take on this machine beyond what its worker has; `work` meets a MemoryError then.

    Raises
    ------
    ClusterError
        If the cluster cannot be reached, or is lost on the way.
    """
    here = partial(_in_own_process, work, seconds, memory_bytes)
    if cluster is not None:
        return _on_cluster(work, iter(items), cluster, lambda item: _on_this_machine(here, iter([item]), 1))
    return _on_this_machine(here, iter(items), workers)


def _on_this_machine(work: Callable, items: Iterator, workers: int) -> Iterator[tuple[Any, Any]]:
    from loky.process_executor import TerminatedWorkerError

    out: dict[Future, Any] = {}  # given out, not yet back
    while True:
        try:
            yield from _in_processes(work, items, workers, out)
            return
        except TerminatedWorkerError:
            suspects = list(out.values())
            out.clear()
        for item in suspects:
            try:
                yield from _in_processes(work, iter([item]), 1, {})
            except TerminatedWorkerError as error:
                yield item, _why(error)


def _why(error: Exception) -> WorkerFailed:
    """What the end of a worker says, by the exit codes in loky's message."""
    codes = [int(code) for code in re.findall(r"\((-?\d+)\)", str(error))]
    reasons = {reason_of_end(code) for code in codes} or {"ended"}
    if "time" in reasons:
        return WorkerFailed("it took longer to look at than any photo of a camera")
    if "broke" in reasons:
        return WorkerFailed("the process that looked at it died, although it was alone")
    return WorkerFailed("the process that looked at it was ended, for lack of memory perhaps", passing=True)


def _in_processes(
    work: Callable, items: Iterator, workers: int, out: dict[Future, Any]
) -> Iterator[tuple[Any, Any]]:
    from multiprocessing import resource_tracker

    from loky import get_reusable_executor
    from loky.process_executor import TerminatedWorkerError

    if _HAS_SIGNAL_MASKS:
        resource_tracker.ensure_running()  # Python 3.11's, started with the first worker, lets Ctrl-C through
    # a pool of its own, asked directly: Parallel runs a single job in this process, where a bad photo would
    # take the whole run with it, and does not say which items a dead worker had.
    executor = get_reusable_executor(
        max_workers=workers,
        env=_ONE_THREAD,
        initializer=_end_with_master,
        initargs=(os.getpid(),),
        reuse=False,  # one that lay idle can miss the death of a worker, and waits for ever
    )

    def submit(count: int) -> None:
        for item in islice(items, count):
            with _ctrl_c_held():
                out[executor.submit(work, item)] = item

    try:
        submit(AHEAD * workers)
        while out:
            for future in _wait_for_one(out):
                result = future.result()
                item = out.pop(future)
                submit(1)
                yield item, result
    except TerminatedWorkerError:  # of that pool nothing is left
        raise
    except BaseException:
        for future in out:
            future.cancel()
        executor.shutdown(
            wait=True
        )  # for what is in hand, seconds; to kill the pool leaves its thread in error
        raise


def _wait_for_one(futures: Iterable[Future]) -> set[Future]:
    """Those that are done, at least one; Ctrl-C is answered between two looks at them.

    One that came while the lock of the wait's own event was taken would leave it taken for ever: then the
    pool's thread waits for that lock, and whoever ends the pool for that thread.
    """
    while True:
        with _ctrl_c_held():
            done = wait(futures, timeout=_ANSWERED_S, return_when=FIRST_COMPLETED).done
        if done:
            return done


@contextmanager
def _ctrl_c_held() -> Iterator[None]:
    """Inside, Ctrl-C waits; workers and threads started here stay deaf to it.

    The terminal sends it to all, and the master alone ends them, quietly.

    Windows has no signal masks; there workers may end with a traceback of their own.
    """
    if not _HAS_SIGNAL_MASKS:
        yield
        return
    posix: Any = signal
    before = posix.pthread_sigmask(posix.SIG_BLOCK, ())
    try:
        # within: one that came a moment before is answered here, and would leave this process deaf as well
        posix.pthread_sigmask(posix.SIG_BLOCK, {signal.SIGINT})
        yield
    finally:
        posix.pthread_sigmask(posix.SIG_SETMASK, before)


def _one_threaded(work: Callable, item: Any) -> Any:
    import cv2

    share_one_heap(one_of_several=True)  # of a cluster's worker, which nobody told before
    use_kept_networks()
    cv2.setNumThreads(1)
    try:
        return work(item)
    finally:
        give_back()


def _in_own_process(work: Callable, seconds: float | None, memory_bytes: int | None, item: Any) -> Any:
    if seconds is not None:
        limit_time(seconds)
    with nullcontext() if memory_bytes is None else limited_memory(memory_bytes):
        return _one_threaded(work, item)


def _end_with_master(master: int) -> None:
    """Leave as soon as the process that started this one is gone: after kill -9 nobody else would end it.

    The first thing a worker does, and with the master's number from the master itself: it may be gone before
    the worker is ready.
    """

    share_one_heap(one_of_several=True)  # before the first thread starts

    def watch() -> None:
        while os.getppid() == master:
            time.sleep(0.5)
        os._exit(1)

    Thread(target=watch, daemon=True).start()


def _on_cluster(
    work: Callable, items: Iterator, address: str, alone: Callable[[Any], Iterator[tuple[Any, Any]]]
) -> Iterator[tuple[Any, Any]]:
    try:
        from distributed import Client, as_completed
        from distributed.client import FutureCancelledError
    except ImportError:
        raise ClusterError(
            address, "the package for clusters is not installed", 'Run: uv pip install "plugface[cluster]"'
        ) from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            address,
            f"no scheduler answers there ({_first_line(error)})",
            "Check the address and start the cluster",
        ) from None
    with client:
        threads = sum(client.nthreads().values())
        if threads == 0:
            raise ClusterError(address, "it has no workers", "Start workers and run the same command again")
        given: dict = {}

        def submit(count: int) -> list:
            futures = []
            for item in islice(items, count):
                future = client.submit(_one_threaded, work, item, pure=False, retries=1)
                given[future.key] = item
                futures.append(future)
            return futures

        ready = as_completed(submit(AHEAD * threads), loop=client.loop)
        for future in ready:
            item = given.pop(future.key)
            fault = future.exception() if future.status == "error" else None
            if future.cancelled() or isinstance(fault, FutureCancelledError):
                raise ClusterError(
                    address, "the scheduler was lost", "Start it and run the same command again"
                )
            for more in submit(1):
                ready.add(more)
            if fault is not None and _was_killed(fault):
                # Of what its workers died a scheduler does not say: of the item, of memory, or with their
                # machines. Here it is seen.
                yield from alone(item)
            elif fault is not None:
                raise fault
            else:
                yield item, future.result()


def _was_killed(error: BaseException) -> bool:
    from distributed import KilledWorker

    return isinstance(error, KilledWorker)


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
