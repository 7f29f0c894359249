"""How many photos may be on their way in at once, of all lots and of one, and how slowly one may come.

A place is held from the first byte until the photo is checked: what lies in memory is bounded by `Limits`
whatever arrives, and a lot whose uploads crawl holds its own share only.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import anyio
from plugface.cli.web.limits import Limits
from plugface.cli.web.refusals import Refused
from starlette.requests import ClientDisconnect, Request


class Intake:
    """The places for uploads; used from the event loop alone.

    Parameters
    ----------
    limits : Limits
    clock : callable, optional
        Gives seconds that never go back.
    """

    def __init__(self, limits: Limits, clock: Callable[[], float] = time.monotonic) -> None:
        self._limits, self._clock = limits, clock
        self._of_lot: Counter[str] = Counter()
        self._bytes = 0
        self._checking: dict[str, anyio.CapacityLimiter] = {}

    def checking(self, lot: str) -> anyio.CapacityLimiter:
        """The share of a lot in the photos that are checked at the same time: one place less than there are.

        So photos that take as long to check as they may, all of one lot, leave a place for the others.
        """
        if lot not in self._checking:
            self._checking[lot] = anyio.CapacityLimiter(max(1, self._limits.decoding_at_once - 1))
        return self._checking[lot]

    @contextmanager
    def place(self, lot: str, size_bytes: int) -> Iterator[None]:
        """Hold a place for a body of this size.

        Raises
        ------
        Refused
            "busy", where all places are taken, or the share of the lot, or the memory for them.
        """
        limits = self._limits
        if (
            self._of_lot.total() >= limits.uploads_at_once
            or self._of_lot[lot] >= limits.uploads_per_lot
            or self._bytes + size_bytes > limits.uploads_bytes
        ):
            raise Refused("busy", retry_s=5)
        self._of_lot[lot] += 1
        self._bytes += size_bytes
        try:
            yield
        finally:
            self._of_lot[lot] -= 1
            self._bytes -= size_bytes

    async def receive(self, request: Request) -> bytes:
        """The body of a request, as long as it keeps coming fast enough.

        Raises
        ------
        Refused
            "silence" or "too_slow".
        """
        limits, started = self._limits, self._clock()
        body, stream = bytearray(), request.stream()
        while True:
            with anyio.move_on_after(limits.silence_s) as waiting:
                try:
                    part = await anext(stream, None)
                except ClientDisconnect:  # nobody is there any more to read the answer
                    raise Refused("silence") from None
            if waiting.cancelled_caught:
                raise Refused("silence")
            if part is None:
                return bytes(body)
            body += part
            taken = self._clock() - started
            crawls = taken > limits.silence_s and len(body) < limits.upload_rate * taken
            if crawls or taken > limits.upload_s:
                raise Refused("too_slow")
