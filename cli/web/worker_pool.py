"""Who answers: threads that take units off the queue, each with a process of its own that does the looking.

The looking is heavy and may be brought down by a photo, so it happens in another process, at a lower priority
than the page: the page stays quick, and a process that dies or hangs is replaced and its unit tried again.
"""

import logging
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from functools import partial
from multiprocessing.connection import Connection
from typing import Protocol, cast

from plugface.cli.store.ledger import now_utc
from plugface.cli.web.answering import AskedPhoto, Problem, Question, Reply
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import PhotoStore
from plugface.cli.web.queue import AnswerEntry, Job, LotEntry, Queue
from plugface.cli.web.records import Records
from plugface.cli.web.words import Words

_LOG = logging.getLogger("plugface.yard")

#: Seconds between two looks at an empty queue; a new photo wakes the workers at once.
IDLE_S = 0.5

#: Seconds that a unit in hand gets when the page ends.
ENDING_S = 5.0

#: Niceness of a looking process (POSIX): whatever the page has to do goes first.
NICENESS = 5


class WorkerLost(Exception):
    """A looking process that died or did not answer in time."""


class Answerer(Protocol):
    """Whoever answers a question; a test may put another one in its place."""

    def __call__(self, question: Question) -> Reply | Problem:
        """The answer, or why there is none."""
        ...


class ProcessAnswerer:
    """Answers in a process of its own, which is started when it is first needed and after each loss."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._process: multiprocessing.process.BaseProcess | None = None
        self._line: Connection | None = None

    def __call__(self, question: Question) -> Reply | Problem:
        """Hand the question over and wait.

        Raises
        ------
        WorkerLost
            If the process died or took longer than the limit.
        Exception
            Whatever went wrong in it.
        """
        if self._process is None or not self._process.is_alive():
            self._start()
        result = self._ask(question)
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

    def _ask(self, question: Question) -> Reply | Problem | BaseException:
        line = self._line
        assert line is not None  # made with the process
        try:
            line.send(question)
            if not line.poll(self._limits.answer_s):
                raise WorkerLost(f"no answer within {self._limits.answer_s:.0f} s")
            return line.recv()
        except (EOFError, OSError) as error:
            self.close()
            raise WorkerLost(f"it ended ({type(error).__name__})") from None
        except WorkerLost:
            self.close()
            raise

    def _start(self) -> None:
        self.close()
        context = multiprocessing.get_context("spawn")  # a copy of a process with threads is not safe
        ours, theirs = context.Pipe()
        process = context.Process(target=_answer_all, args=(theirs,), daemon=True)
        process.start()
        theirs.close()
        self._process = process
        self._line = cast(Connection, ours)  # on Windows a pipe's, which is used alike


def _answer_all(line: Connection) -> None:
    """The looking process: answers until the page closes the line or is gone."""
    from plugface.cli.loading import use_kept_networks
    from plugface.cli.web.answering import answer

    use_kept_networks()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the page ends it
    if hasattr(os, "nice"):  # Windows has none
        os.nice(NICENESS)
    while True:
        try:
            question = line.recv()
        except (EOFError, OSError):
            return
        try:
            result: Reply | Problem | RuntimeError = answer(question)
        except Exception as error:  # told to the page, which logs it and tries again
            result = RuntimeError(f"{type(error).__name__}: {error}")
        try:
            line.send(result)
        except OSError:
            return


class WorkerPool:
    """The threads that answer what waits in the queue.

    Parameters
    ----------
    queue, shelf, records, words, limits
        What they work with.
    catalogue : str
        Folder of the catalogue.
    make_answerer : callable
        Makes an `Answerer` for each thread; where it has `close`, that is called at the end.
    size : int
        Number of threads.
    on_loss : callable, optional
        Called for each looking process that was lost.
    """

    def __init__(
        self,
        queue: Queue,
        shelf: PhotoStore,
        records: Records,
        words: Words,
        limits: Limits,
        *,
        catalogue: str,
        make_answerer: Callable[[], Answerer],
        size: int = 1,
        on_loss: Callable[[], None] = lambda: None,
    ) -> None:
        self._queue, self._shelf, self._records, self._words = queue, shelf, records, words
        self._limits, self._catalogue, self._make_answerer = limits, catalogue, make_answerer
        self._on_loss = on_loss
        self._ending, self._news = threading.Event(), threading.Condition()
        self._answerers: list[Answerer] = []
        self._size = size
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to work, for the first time or again."""
        self._ending.clear()
        self._threads = [threading.Thread(target=self._work, name=f"worker-{n}") for n in range(self._size)]
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """Say that something came in."""
        with self._news:
            self._news.notify_all()

    def stop(self) -> None:
        """End after what is in hand, or soon; what waits is answered after the next start."""
        self._ending.set()
        self.wake()
        for thread in self._threads:
            thread.join(ENDING_S)
        while self._answerers:
            getattr(self._answerers.pop(), "close", lambda: None)()
        for thread in self._threads:
            thread.join()

    def _work(self) -> None:
        answerer = self._make_answerer()
        self._answerers.append(answerer)
        while not self._ending.is_set():
            job = self._claim()
            if job is None:
                with self._news:
                    self._news.wait(IDLE_S)
            else:
                self._answer(answerer, job)

    def _claim(self) -> Job | None:
        try:
            return self._queue.claim()
        except Exception:  # a disk that is full for a while must not end the workers
            _LOG.exception("the queue could not be read")
            return None

    def _answer(self, answerer: Answerer, job: Job) -> None:
        try:
            lot = self._queue.lot(key=job.unit.lot)
            result = answerer(self._question(job))
            if isinstance(result, Problem):
                self._queue.fail(job, self._words(f"problem.{result.name}", **result.values))
            else:
                assert lot is not None  # a lot is never taken away
                self._keep(lot, job, result)
        except Exception as error:
            if isinstance(error, WorkerLost):
                self._on_loss()
            _LOG.exception("unit %s of lot %s, try %d", job.unit.number, job.unit.lot, job.attempts)
            if job.attempts >= self._limits.attempts:
                key = "problem.lost" if isinstance(error, WorkerLost) else "problem.fault"
                self._settle(partial(self._queue.fail, job, self._words(key)))
            else:
                self._ending.wait(IDLE_S)
                self._settle(partial(self._queue.put_back, job))

    def _settle(self, write: Callable[[], None]) -> None:
        """Write to the queue what became of a unit, as often as it takes: a full disk is so for a while.

        Until then the unit counts as being looked at; where the page ends first, it waits again at the next
        start.
        """
        while True:
            try:
                write()
                return
            except Exception:
                _LOG.exception("the queue could not be written")
            if self._ending.wait(IDLE_S):
                return

    def _question(self, job: Job) -> Question:
        known = self._records.known_looks(job.unit)
        photos = tuple(
            AskedPhoto(
                place=str(self._shelf.place(photo.sha256)),
                name=f"photo {photo.position}",
                sha256=photo.sha256,
                observations=known.get(photo.sha256, ""),
            )
            for photo in job.unit.photos
        )
        return Question(photos, job.unit.claimed, job.unit.needs, self._catalogue, job.unit.typed)

    def _keep(self, lot: LotEntry, job: Job, reply: Reply) -> None:
        # The ledger first: an answer that is shown is one that is on record. A repetition adds nothing there.
        self._records.record_answer(lot, job.unit, reply)
        entry = AnswerEntry(
            turn=job.unit.turn,
            document=reply.document,
            overlays=reply.overlays,
            verdict=reply.verdict,
            headline=reply.headline,
            probability=reply.probability,
            caution=reply.caution,
            made_at=now_utc(),
        )
        self._queue.finish(job, entry)
