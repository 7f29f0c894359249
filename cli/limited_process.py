"""Work on what strangers send: in a process of its own, with a limit on its time and its memory.

A file can be made so that opening it takes hours or all memory. The process that opens it is ended then, and
the one that asked goes on.
"""

import contextlib
import math
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from importlib import import_module
from multiprocessing.connection import Connection
from queue import SimpleQueue
from typing import Any, Literal, cast

from plugface.cli.heap import give_back, share_one_heap
from plugface.cli.loading import use_kept_networks

#: Seconds on the clock for each second of work: a busy machine is no fault of what is worked on. Our choice.
CLOCK_PER_WORK = 4.0

#: Seconds a process has to start, on a busy machine. Our choice.
START_S = 60.0


def _signals(*names: str) -> frozenset[int]:
    """Numbers of signals; not every system has all of them."""
    return frozenset(int(getattr(signal, name)) for name in names if hasattr(signal, name))


_OUT_OF_TIME = _signals("SIGXCPU", "SIGALRM")
# By these a process ends when what it works on breaks a library.
_BROKEN_BY_INPUT = _signals("SIGSEGV", "SIGABRT", "SIGBUS", "SIGFPE", "SIGILL", "SIGSYS")

#: Why work was stopped: it took too long, or too much memory; it broke the process; the process was ended by
#: somebody else (a machine out of memory, a person), for which the work is not to blame.
Reason = Literal["time", "memory", "broke", "ended"]


class Stopped(Exception):
    """Work that was stopped, and why."""

    def __init__(self, reason: Reason) -> None:
        self.reason = reason
        super().__init__(reason)


def reason_of_end(exit_code: int | None) -> Reason:
    """Why a process ended, by its exit code as `multiprocessing` gives it."""
    end = 0 if exit_code is None else -exit_code
    if end in _OUT_OF_TIME:
        return "time"
    return "broke" if end in _BROKEN_BY_INPUT else "ended"


def _find_resource() -> Any | None:
    """The system's limits; Windows has none."""
    try:
        return import_module("resource")
    except ImportError:
        return None


def limit_time(seconds: float) -> None:
    """Have the system end this process after so many more seconds of work (POSIX; elsewhere no limit)."""
    resource = _find_resource()
    if resource is None:
        return
    most = resource.getrlimit(resource.RLIMIT_CPU)[1]
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # its memory is nobody's to read
    resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(time.process_time() + seconds), most))


class LimitedProcess:
    """Calls one function in another process, which is started when first needed and after each loss.

    Parameters
    ----------
    work : callable, one argument
        Importable by its name; what it raises is raised here.
    seconds : float
        Time of the processor for one call; `CLOCK_PER_WORK` times as long on the clock.
    memory_bytes : int
        What one call may take beyond what the process has when it is ready (POSIX; elsewhere no limit).
    niceness : int, 0..19
        How far it stands back behind what else the machine has to do (POSIX; elsewhere nothing is changed).
    """

    def __init__(
        self, work: Callable[[Any], Any], *, seconds: float, memory_bytes: int, niceness: int = 0
    ) -> None:
        self._work, self._seconds, self._memory_bytes = work, seconds, memory_bytes
        self._niceness = niceness
        self.spent_s = 0.0  # time of the processor that the last call took
        self._process: multiprocessing.process.BaseProcess | None = None
        self._line: Connection | None = None

    def __call__(self, argument: Any) -> Any:
        """The result of the work.

        Raises
        ------
        Stopped
        Exception
            Whatever the work raised.
        """
        self.spent_s = 0.0
        if self._process is None or not self._process.is_alive():
            self._start()
        process, line = self._process, self._line
        assert process is not None
        assert line is not None  # both are made together
        try:
            line.send(argument)
            if not line.poll(self._seconds * CLOCK_PER_WORK):
                self.close()
                self.spent_s = self._seconds
                raise Stopped("time")
            result, self.spent_s = line.recv()
        except (EOFError, OSError):
            process.join(5)
            reason = reason_of_end(process.exitcode)
            self.spent_s = self._seconds if reason == "time" else 0.0
            self.close()
            raise Stopped(reason) from None
        if isinstance(result, MemoryError):
            raise Stopped("memory")
        if isinstance(result, BaseException):
            raise result
        return result

    def close(self) -> None:
        """End the process."""
        if self._process is not None:
            self._process.kill()
            self._process.join(5)
            if self._line is not None:
                self._line.close()
            self._process = self._line = None

    def _start(self) -> None:
        self.close()
        context = multiprocessing.get_context("spawn")  # a copy of a process with threads is not safe
        ours, theirs = context.Pipe()
        limits = (self._seconds, self._memory_bytes, self._niceness)
        process = context.Process(target=_work_on, args=(theirs, self._work, *limits), daemon=True)
        process.start()
        theirs.close()
        self._process = process
        self._line = cast(Connection, ours)  # on Windows a pipe's, which is used alike
        if not ours.poll(START_S):
            self.close()
            raise Stopped("ended")
        with contextlib.suppress(EOFError):  # seen when the work is handed over
            ours.recv()


class LimitedPool:
    """So many `LimitedProcess` at most; a call waits until one is free. Safe to use from several threads."""

    def __init__(
        self,
        work: Callable[[Any], Any],
        *,
        size: int,
        seconds: float,
        memory_bytes: int,
        niceness: int = 0,
    ) -> None:
        self._all = [
            LimitedProcess(work, seconds=seconds, memory_bytes=memory_bytes, niceness=niceness)
            for _ in range(size)
        ]
        self._free: SimpleQueue[LimitedProcess] = SimpleQueue()
        for process in self._all:
            self._free.put(process)

    def __call__(self, argument: Any, on_spent: Callable[[float], None] = lambda _seconds: None) -> Any:
        """As `LimitedProcess`; `on_spent` is told what time of the processor it took, however it ended."""
        process = self._free.get()
        try:
            return process(argument)
        finally:
            spent_s = process.spent_s
            self._free.put(process)
            on_spent(spent_s)

    def close(self) -> None:
        """End the processes."""
        for process in self._all:
            process.close()


def _work_on(
    line: Connection, work: Callable[[Any], Any], seconds: float, memory_bytes: int, niceness: int
) -> None:
    share_one_heap()  # before the first thread starts
    use_kept_networks()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started it ends it
    if niceness and hasattr(os, "nice"):
        os.nice(niceness)
    _end_with_starter()
    _limit_memory(memory_bytes)
    line.send(None)
    while True:
        try:
            argument = line.recv()
        except (EOFError, OSError):
            return
        limit_time(seconds)
        begun = time.process_time()
        try:
            result = work(argument)
        except MemoryError:
            result = MemoryError()
        except Exception as error:
            result = MemoryError() if "memory" in f"{type(error).__name__} {error}".lower() else error
        del argument
        spent_s = time.process_time() - begun
        try:
            try:
                line.send((result, spent_s))
            except MemoryError:  # packing it up takes as much again
                line.send((MemoryError(), spent_s))
        except OSError:
            return
        del result  # a large one would leave less for the next
        give_back()


def _end_with_starter() -> None:
    starter = os.getppid()

    def watch() -> None:
        while os.getppid() == starter:
            time.sleep(1)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextlib.contextmanager
def limited_memory(more_bytes: int) -> Iterator[None]:
    """Meanwhile this process can take so much more memory, then a MemoryError (POSIX; elsewhere no limit)."""
    resource = _find_resource()
    if resource is None:
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    _limit_memory(more_bytes)
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def _limit_memory(more_bytes: int) -> None:
    resource = _find_resource()
    if resource is None:
        return
    try:
        with open("/proc/self/statm") as file:  # proc(5): the first number is the size in pages
            now = int(file.read().split()[0]) * resource.getpagesize()
    except OSError:
        now = 1_000_000_000
    most = resource.getrlimit(resource.RLIMIT_AS)[1]
    wanted = now + more_bytes
    wanted = wanted if most == resource.RLIM_INFINITY else min(wanted, most)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, most))
