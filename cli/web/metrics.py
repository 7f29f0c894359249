"""What whoever watches over the page may count and measure: the Prometheus text format, version 0.0.4.

Counters start at 0 with the program; every reason of a refusal is there from the start, so that a rate can be
taken of it.
"""

import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from plugface.cli.web.limits import Limits
from plugface.cli.web.queue import Queue
from plugface.cli.web.refusals import STATUS
from prometheus_client import CollectorRegistry, Counter, Histogram, disable_created_metrics, generate_latest
from prometheus_client.metrics_core import GaugeMetricFamily

#: Type of the text, as Prometheus' documentation of its exposition formats has it.
CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

#: States of a unit (queue.py); a state that no unit has is 0 and not left out.
STATES = ("new", "waiting", "working", "answered", "failed")

_METHODS = ("GET", "HEAD", "POST", "PUT", "OPTIONS")

disable_created_metrics()  # a time stamp beside every counter, which this format has no name for


class Tally:
    """What has happened since the program started; safe to use from several threads."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._refusals = Counter(
            "plugface_refusals_total", "Requests refused, by reason.", ["reason"], registry=self.registry
        )
        self._losses = Counter(
            "plugface_worker_losses_total",
            "Processes that died or took too long, by what they did.",
            ["work"],
            registry=self.registry,
        )
        self._requests = Counter(
            "plugface_requests_total",
            "Requests answered, by method and status.",
            ["method", "status"],
            registry=self.registry,
        )
        self._seconds = Histogram(
            "plugface_request_seconds",
            "Time from a request's header to its whole answer.",
            registry=self.registry,
        )
        for reason in STATUS:
            self._refusals.labels(reason)
        for work in ("looking", "checking"):
            self._losses.labels(work)

    def count_refusal(self, reason: str) -> None:
        """Count a refusal by its name (refusals.py)."""
        self._refusals.labels(reason).inc()

    def count_loss(self, work: str) -> None:
        """Count a process that was lost: "looking" at photos, or "checking" one that came in."""
        self._losses.labels(work).inc()

    def count_request(self, method: str, status: int, seconds: float) -> None:
        """Count one request."""
        self._requests.labels(method if method in _METHODS else "other", str(status)).inc()
        self._seconds.observe(seconds)


class Gauges:
    """How things stand at this moment: queue, photos, disk.

    Parameters
    ----------
    queue : Queue
    folder : Path
        The yard's; its disk is measured.
    limits : Limits
    find_problem : callable
        Gives what keeps photos from being taken in, in a word; empty: nothing.
    """

    def __init__(self, queue: Queue, folder: Path, limits: Limits, find_problem: Callable[[], str]) -> None:
        self._queue, self._folder, self._limits, self._find_problem = queue, folder, limits, find_problem

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Measure, as the library asks for it."""
        yield _gauge("plugface_ready", "Whether a photo would be taken in now.", not self._find_problem())
        free = shutil.disk_usage(self._folder).free
        yield _gauge("plugface_disk_free_bytes", "Free on the disk of the yard's folder.", free)
        least = self._limits.free_disk_bytes
        yield _gauge("plugface_disk_least_bytes", "Below that no photo is taken in.", least)
        yield _gauge("plugface_threads", "Threads of the page's process.", threading.active_count())
        totals = self._queue.totals()
        age = "How long the unit that has waited longest has waited."
        yield _gauge("plugface_queue_oldest_seconds", age, totals.oldest_s)
        for name, what, counts in (("units", "Units", totals.units), ("photos", "Photos", totals.photos)):
            family = GaugeMetricFamily(
                f"plugface_{name}", f"{what} by the state of the unit.", labels=["state"]
            )
            for state in STATES:
                family.add_metric([state], counts.get(state, 0))
            yield family


def write_metrics(tally: Tally, gauges: Gauges) -> bytes:
    """All of it as text."""
    now = CollectorRegistry()
    now.register(gauges)
    return generate_latest(now) + generate_latest(tally.registry)


def _gauge(name: str, what: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, what, value=float(value))
