"""Deleting what is past its time while the page runs, where the operator has said how long it is kept."""

import logging
import threading
from datetime import UTC, datetime, timedelta

from plugface.cli.store.deletion import InUse, delete, doom_older_than
from plugface.cli.web.yard import Yard

_LOG = logging.getLogger("plugface.yard")

#: Seconds from the start to the first look for what is past its time, and from one look to the next. Our
#: choice: who keeps units for days does not mind an hour.
FIRST_S, EVERY_S = 60.0, 3600.0

#: Units that are deleted at once: photos wait meanwhile to be taken in. And seconds until the next ones.
AT_ONCE, PAUSE_S = 20, 2.0

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


class Retention:
    """The thread that sweeps, from `start` to `stop`.

    Parameters
    ----------
    yard : Yard
    """

    def __init__(self, yard: Yard) -> None:
        self._yard, self._ending = yard, threading.Event()
        self._thread: threading.Thread | None = None

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

    def _work(self) -> None:
        wait_s = FIRST_S
        while not self._ending.wait(wait_s):
            wait_s = EVERY_S
            try:
                counts = sweep_old(self._yard)
            except Exception:  # a full disk or a row that was tampered with must not end it for good
                _LOG.exception("what is past its time could not be deleted")
                continue
            if counts:
                _LOG.info("past their time", extra={"facts": counts})
                wait_s = PAUSE_S
