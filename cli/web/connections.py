"""Connections that cost nothing to open must not close the page: header timeout, and a cap per address.

uvicorn counts a connection from the moment it is opened and answers 503 when there are too many, also to
those who ask for something. Here one that has asked for nothing within a time is closed, an address has only
so many, and when all are taken the one that has been idle longest makes room. One whose answer is not read
is closed, too.
"""

import asyncio
import logging
from collections import Counter
from typing import Any

from plugface.cli.web.access import network_of
from plugface.cli.web.limits import Limits
from uvicorn.protocols.http.h11_impl import H11Protocol

_LOG = logging.getLogger("plugface.yard")


def make_protocol(limits: Limits, *, behind_proxy: bool) -> type[H11Protocol]:
    """The protocol of one server, for `uvicorn.Config(http=...)`.

    Parameters
    ----------
    limits : Limits
    behind_proxy : bool
        A proxy opens all connections from one address, so that the cap per address is the proxy's business.
    """
    held: Counter[str] = Counter()
    idle: dict[Any, None] = {}  # of the class below: those that ask for nothing, the longest idle first

    class GuardedProtocol(H11Protocol):
        """One connection."""

        _address, _header_task, _unread_task = "", None, None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn's own
            """Take the connection, or close it at once."""
            super().connection_made(transport)
            self._address = network_of(self.client[0] if self.client else "")
            held[self._address] += 1
            if not behind_proxy and held[self._address] > limits.connections_per_address:
                _LOG.warning("too many connections from %s", self._address)
                transport.abort()
                return
            if len(self.connections) > limits.connections:
                longest = next(iter(idle), self)
                longest.transport.abort()
                if longest is self:
                    return
                longest._stop_waiting()
            self._wait_for_request()

        def connection_lost(self, exc: Exception | None) -> None:
            """Forget it."""
            super().connection_lost(exc)
            self._stop_waiting()
            self._stop_unread()
            held[self._address] -= 1
            if held[self._address] <= 0:
                del held[self._address]

        def data_received(self, data: bytes) -> None:
            """Take bytes; half a header does not end the waiting."""
            before = self.cycle
            super().data_received(data)
            if self.cycle is not before:
                self._stop_waiting()

        def on_response_complete(self) -> None:
            """After an answer the next question is waited for, so long."""
            super().on_response_complete()
            if not self.transport.is_closing() and (self.cycle is None or self.cycle.response_complete):
                self._wait_for_request()

        def pause_writing(self) -> None:
            """Whoever asks and then does not read its answer holds a connection, too: not for long."""
            super().pause_writing()
            self._stop_unread()
            self._unread_task = self.loop.call_later(limits.silence_s, self.transport.abort)

        def resume_writing(self) -> None:
            """Some of the answer was read."""
            super().resume_writing()
            self._stop_unread()

        def _stop_unread(self) -> None:
            if self._unread_task is not None:
                self._unread_task.cancel()
                self._unread_task = None

        def _wait_for_request(self) -> None:
            self._stop_waiting()
            idle[self] = None
            self._header_task = self.loop.call_later(limits.header_s, self.transport.abort)

        def _stop_waiting(self) -> None:
            idle.pop(self, None)
            if self._header_task is not None:
                self._header_task.cancel()
                self._header_task = None

    return GuardedProtocol
