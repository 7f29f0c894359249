"""Whose turn it is: shares of something scarce by lot, within a lot by who sends, within that by session.

A share is named by a path such as `("N", "network 192.0.2.7", "session 5f1c")`. Whoever takes much at one
level holds only those on the same branch: another lot, another person or phone, another session has its turn
beside it. Who makes many sessions has many of the turns of its own network, and no more than those.
"""

from collections.abc import Iterable, Mapping, Sequence

#: Lot, sender and more; most specific last.
Path = tuple[str, ...]

#: Shares of one level that are remembered before those that owe nothing are forgotten.
_REMEMBERED = 1000

#: How many times the places left over one sender may hold, all its sessions together. One session holds as
#: many as are left at most. Our choice.
_OF_LEFT = 3


class Turns:
    """Time that each share has had, and whose turn is next.

    References
    ----------
    Start-time fair queueing at each level: Goyal, Vin & Cheng, IEEE/ACM Transactions on Networking 5 (1997).
    """

    def __init__(self) -> None:
        self._root, self._number = _Level(), 0

    def choose(self, waiting: Sequence[Path]) -> Path:
        """The path whose turn it is.

        Of equals it is whose turn is longest ago, then whoever comes first in `waiting`, of which there must
        be one or more. Who had nothing to do saves nothing up.
        """
        level, depth = self._root, 0
        while len(set(waiting)) > 1:
            keys = dict.fromkeys(_key(path, depth) for path in waiting)
            key = min(keys, key=lambda key: (level.start(key), level.turns.get(key, 0)))
            waiting = [path for path in waiting if _key(path, depth) == key]
            level, depth = level.below(key), depth + 1
        return waiting[0]

    def begin(self, path: Path, expected_s: float) -> None:
        """Give a path its turn, and charge what that is expected to take."""
        self._number += 1
        for level, key in self._levels(path):
            level.virtual_s = level.start(key)
            level.used[key] = level.virtual_s + expected_s
            level.turns[key] = self._number
            level.forget()

    def charge(self, path: Path, seconds: float) -> None:
        """Charge time that was not part of a turn."""
        for level, key in self._levels(path):
            level.used[key] = level.start(key) + seconds

    def correct(self, path: Path, seconds: float) -> None:
        """Charge what a turn took more than expected; below 0: less."""
        for level, key in self._levels(path):
            level.used[key] = level.used.get(key, level.virtual_s) + seconds

    def _levels(self, path: Path) -> Iterable[tuple["_Level", str]]:
        level = self._root
        for key in path:
            yield level, key
            level = level.below(key)


class _Level:
    """The shares beside each other."""

    def __init__(self) -> None:
        self.virtual_s = 0.0
        self.used: dict[str, float] = {}
        self.turns: dict[str, int] = {}
        self._below: dict[str, _Level] = {}

    def start(self, key: str) -> float:
        return max(self.used.get(key, 0.0), self.virtual_s)

    def below(self, key: str) -> "_Level":
        return self._below.setdefault(key, _Level())

    def forget(self) -> None:
        if len(self.used) > _REMEMBERED:
            owing = {key for key, used in self.used.items() if used > self.virtual_s}
            for kept in (self.used, self.turns, self._below):
                for key in kept.keys() - owing:
                    del kept[key]


def _key(path: Path, depth: int) -> str:
    return path[depth] if depth < len(path) else ""


def count_ahead(own: Path, before: int, others: Mapping[Path, int]) -> int:
    """How many are taken before one that waits.

    Parameters
    ----------
    own : Path
        Where it waits.
    before : int
        How many of the same path come before it.
    others : mapping of Path to int
        How many wait at each other path.

    Returns
    -------
    ahead : int
        As many at each other branch as on its own, and one.
    """
    ahead = before
    for depth in reversed(range(max(map(len, (own, *others))))):
        beside: dict[str, int] = {}
        for path, count in others.items():
            if path[:depth] == own[:depth] and _key(path, depth) != _key(own, depth):
                beside[_key(path, depth)] = beside.get(_key(path, depth), 0) + count
        ahead += sum(min(count, ahead + 1) for count in beside.values())
    return ahead


def is_over_share(sender: Path, held: Mapping[Path, int], most: int) -> bool:
    """Whether a sender holds so much of a lot's places that the next one is another's.

    Parameters
    ----------
    sender : Path
        Below the lot; empty where senders are not told apart, which is never over.
    held : mapping of Path to int
        Places that each sender of the lot holds.
    most : int
        Places of the lot.

    Returns
    -------
    over : bool

    References
    ----------
    Dynamic thresholds: Choudhury & Hahne, IEEE/ACM Transactions on Networking 6 (1998). However many senders
    there are, together they leave a place.
    """
    left = most - sum(held.values())
    for depth in range(1, len(sender) + 1):
        own = sum(count for path, count in held.items() if path[:depth] == sender[:depth])
        if own >= left * (1 if depth == len(sender) else _OF_LEFT):
            return True
    return False
