"""How many photos may be on their way in at once, of all lots and of one, and how slowly one may come.

A place is held from the first byte until the photo is checked: what lies in memory is bounded by `Limits`
whatever arrives. A lot whose uploads crawl holds its own share only, and one sender a part of it. A lot whose
photos take much time to check is a busy one: the photos of those who sent much are checked one at a time,
when no other photo waits, at the lowest priority.
"""

import time
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass

import anyio
from plugface.cli.web.limits import Limits
from plugface.cli.web.refusals import Refused
from plugface.cli.web.turns import Path, is_over_share
from starlette.requests import ClientDisconnect, Request

#: Seconds over which `Limits.decoding_per_lot_s` is counted.
_PER_S = 60.0

#: Seconds that a busy lot's photo waits for those of other lots at most, and between two looks. Our choice.
_BEHIND_S, _AGAIN_S = 30.0, 0.05

#: Seconds that each photo without a place makes the refusal of the next one later, and the most. Our choice;
#: a phone that waits as long as it is told to does not notice.
_LATER_S, _LATEST_S = 0.1, 5.0

#: Senders that are remembered before those that owe nothing are forgotten.
_REMEMBERED = 1000


@dataclass(frozen=True)
class Turn:
    """How a photo is checked: behind everything else or not, and who is told how long it took."""

    busy: bool = False
    on_spent: Callable[[float], None] = lambda _seconds: None  # seconds of the processor; from any thread


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
        self._held: dict[str, Counter[Path]] = defaultdict(Counter)  # lot -> places of each sender
        self._bytes = 0
        self._checking: dict[str, anyio.CapacityLimiter] = {}
        self._behind = anyio.CapacityLimiter(1)  # of all busy lots
        self._prompt = 0  # photos of other lots that wait or are checked
        # (lot, sender) -> for how many no place was, less one a second, and when that was
        self._refused: dict[Path, tuple[float, float]] = {}
        # A lot, or a sender in it -> seconds of checking used up, and when that was
        self._debts: dict[Path, tuple[float, float]] = {}

    @asynccontextmanager
    async def checking(self, lot: str, sender: Path = ()) -> AsyncIterator[Turn]:
        """The share of a lot in the photos that are checked at the same time: one place less than there are.

        So photos that take as long to check as they may, all of one lot, leave a place for the others.

        References
        ----------
        What a lot may use is a leaky bucket: Turner, IEEE Communications Magazine 24 (1986).
        """
        if lot not in self._checking:
            self._checking[lot] = anyio.CapacityLimiter(max(1, self._limits.decoding_at_once - 1))
        share = self._checking[lot]
        if not self._is_busy(lot, sender):
            async with share:
                if not self._is_busy(lot, sender):  # still
                    self._prompt += 1
                    try:
                        yield Turn(on_spent=lambda seconds: self.charge(lot, seconds, sender))
                    finally:
                        self._prompt -= 1
                    return
        async with self._behind:  # before the lot's share, so that nobody of the lot waits behind it
            with anyio.move_on_after(_BEHIND_S):
                while self._prompt:
                    await anyio.sleep(_AGAIN_S)
            async with share:
                yield Turn(busy=True, on_spent=lambda seconds: self.charge(lot, seconds, sender))

    def charge(self, lot: str, seconds: float, sender: Path = ()) -> None:
        """Note that checking a photo took so many seconds of the processor; from any thread."""
        for who in {(lot,), (lot, *sender[:1])}:
            self._debts[who] = self._debt(*who) + seconds, self._clock()
        if len(self._debts) > _REMEMBERED:
            self._debts = {who: debt for who, debt in self._debts.items() if self._debt(*who) > 0}

    def _debt(self, *who: str) -> float:
        """Seconds of checking that a lot, or a sender in it, has used up.

        `decoding_per_lot_s` are forgiven each minute.
        """
        debt, since = self._debts.get(who, (0.0, 0.0))
        return max(0.0, debt - (self._clock() - since) * self._limits.decoding_per_lot_s / _PER_S)

    def _is_busy(self, lot: str, sender: Path) -> bool:
        """Whether a lot has used up its time, and this sender half of it: no other is to blame."""
        most = self._limits.decoding_per_lot_s
        return self._debt(lot) >= most and self._debt(lot, *sender[:1]) >= most / 2

    @contextmanager
    def place(self, lot: str, size_bytes: int, sender: Path = ()) -> Iterator[None]:
        """Hold a place for a body of this size.

        Parameters
        ----------
        lot : str
        size_bytes : int
        sender : tuple of str
            Who sends it, as in turns.py; nobody holds all places of a lot.

        Raises
        ------
        Refused
            "busy", where all places are taken, or the share of the lot, or the memory for them.
        """
        if not self._has_place(lot, size_bytes, sender):
            raise Refused("busy", retry_s=5)
        self._held[lot][sender] += 1
        self._bytes += size_bytes
        try:
            yield
        finally:
            self._held[lot][sender] -= 1
            self._held[lot] += Counter()  # forgets who holds none
            self._bytes -= size_bytes

    def _has_place(self, lot: str, size_bytes: int, sender: Path) -> bool:
        limits, held = self._limits, self._held[lot]
        return (
            sum(one.total() for one in self._held.values()) < limits.uploads_at_once
            and held.total() < limits.uploads_per_lot
            and not is_over_share(sender, held, limits.uploads_per_lot)
            and self._bytes + size_bytes <= limits.uploads_bytes
        )

    async def hold_back(self, lot: str, size_bytes: int, sender: Path = ()) -> None:
        """Let a photo for which there is no place wait, the longer the more of its sender had none lately.

        Refusing costs the page some time, too: who asks again at once would take it from all others. What
        one address can have waiting is bounded by its connections.
        """
        if self._has_place(lot, size_bytes, sender):
            return
        who = (lot, *sender[:1])
        count, since = self._refused.get(who, (0.0, 0.0))
        count = max(0.0, count - (self._clock() - since)) + 1
        self._refused[who] = count, self._clock()
        await anyio.sleep(min(_LATEST_S, count * _LATER_S))

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
