"""Deleting what is past its time while the page runs, where the operator has said how long it is kept."""

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from plugface.cli.store.deletion import InUse, delete, doom_older_than
from plugface.cli.store.surroundings import Kept
from plugface.cli.store.tables import Link
from plugface.cli.web.yard import Yard
from sqlalchemy import select

_LOG = logging.getLogger("plugface.yard")

#: Seconds from the start to the first look for what is past its time, and from one look to the next. Our
#: choice: who keeps units for days does not mind an hour.
FIRST_S, EVERY_S = 60.0, 3600.0

#: Units that are deleted at once: photos wait meanwhile to be taken in. And seconds until the next ones.
AT_ONCE, PAUSE_S = 20, 2.0

#: Days without any row, or by which the clock on the wall was put forward, after which it is not believed at
#: once; and seconds for somebody to notice. Our choice: a yard that stood still so long has a day more.
DOUBT_DAYS, DOUBT_S = 7.0, 86_400.0

#: Who deletes, in the ledger's acts.
WHO = "yard page"


def sweep_old(yard: Yard, now: datetime | None = None) -> dict[str, int]:
    """Delete some units about which nothing was recorded for `keep_days`; says how much of what.

    Parameters
    ----------
    yard : Yard
    now : datetime, optional
        By default the time it is.

    Returns
    -------
    counts : dict of str to int
        Empty where nothing is past its time, or nothing is ever.

    Raises
    ------
    LedgerError
        If ledger or queue cannot be written, or what is to go no longer fits the hash chain.
    """
    days = yard.settings.keep_days
    if not days:
        return {}
    before = ((now or datetime.now(UTC)) - timedelta(days=days)).isoformat(timespec="milliseconds")
    with yard.keeping:  # a photo that comes in meanwhile may be one that is about to go
        doomed = doom_older_than(yard.records.ledger, before.replace("+00:00", "Z"), most=AT_ONCE)
        if not (doomed.rows.get("units") or doomed.queue_units):
            return {}
        try:
            return delete(yard.records.ledger, doomed, who=WHO, why=f"kept for {days} days", serving=True)
        except InUse:  # somebody asked about it at this moment: it is not past its time any more
            return {}
        except Kept:  # a backup is being taken; what is past its time can wait for that
            return {}


class Retention:
    """The thread that sweeps, from `start` to `stop`.

    A clock that was put forward would have everything deleted, and nothing brings it back. So after a week
    without any row, and where the clock on the wall gained a week on one that only counts, a day is waited.

    Parameters
    ----------
    yard : Yard
    clock, steady : callable
        The time it is; seconds that go on whatever is done to the clock.
    """

    def __init__(
        self,
        yard: Yard,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self._yard, self._ending = yard, threading.Event()
        self._thread: threading.Thread | None = None
        self._clock, self._steady = clock, steady
        self._last: tuple[datetime, float] | None = None  # when it was looked at the clocks
        self._believed_from = 0.0  # by the steady clock

    def start(self) -> None:
        """Begin, where there is anything to do."""
        if self._yard.settings.keep_days:
            self._ending.clear()
            self._thread = threading.Thread(target=self._work, name="retention", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End after what is being deleted."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def sweep(self) -> dict[str, int]:
        """Delete some of what is past its time, unless the clock may be wrong; says how much of what."""
        now, steady = self._clock(), self._steady()
        if self._last is None:
            gained_s = (now - _newest(self._yard, now)).total_seconds()
        else:
            gained_s = (now - self._last[0]).total_seconds() - (steady - self._last[1])
        self._last = now, steady
        if gained_s > DOUBT_DAYS * 86_400:
            self._believed_from = steady + DOUBT_S
            facts = {"now": now.isoformat(timespec="seconds"), "days": round(gained_s / 86_400)}
            _LOG.warning("the clock may be wrong, nothing is deleted for a day", extra={"facts": facts})
        return sweep_old(self._yard, now) if steady >= self._believed_from else {}

    def _work(self) -> None:
        wait_s = FIRST_S
        while not self._ending.wait(wait_s):
            wait_s = EVERY_S
            try:
                counts = self.sweep()
            except Exception:  # a full disk or a row that was tampered with must not end it for good
                _LOG.exception("what is past its time could not be deleted")
                continue
            if counts:
                _LOG.info("past their time", extra={"facts": counts})
                wait_s = PAUSE_S


def _newest(yard: Yard, now: datetime) -> datetime:
    """When something was last written into the ledger; `now` where nothing was yet."""
    with yard.records.ledger.reading() as session:
        made_at = session.scalar(select(Link.made_at).order_by(Link.id.desc()).limit(1))
    return datetime.fromisoformat(made_at) if made_at else now
