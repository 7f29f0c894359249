"""Who may see which lot: access codes, what a browser or a program holds after giving one, and wrong guesses.

A code is made here and never chosen: 50 random bits, so that guessing at the rate allowed is hopeless. Only
its hash is kept. What is handed out for it is 256 random bits, of which again only a hash is kept.
"""

import hashlib
import hmac
import ipaddress
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from plugface.cli.web.limits import Limits

#: Signs of a code: none is taken for another when it is read out or written on a board. 32 of them: 5 bits.
SIGNS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"

_KEY_SIGNS, _SECRET_SIGNS = 4, 10

# scrypt, RFC 7914; cost as the OWASP cheat sheet on password storage advises (from memory).
_SCRYPT = {"n": 2**14, "r": 8, "p": 5, "maxmem": 64 * 1024 * 1024}


@dataclass(frozen=True)
class HashedCode:
    """What is kept of an access code."""

    salt: bytes
    digest: bytes


def make_code(key: str) -> str:
    """A new access code for the lot with this key, in groups as it is shown to people."""
    secret = "".join(secrets.choice(SIGNS) for _ in range(_SECRET_SIGNS))
    return f"{key}-{secret[:5]}-{secret[5:]}"


def make_key() -> str:
    """A new key for a lot; it opens the lot's code."""
    return "".join(secrets.choice(SIGNS) for _ in range(_KEY_SIGNS))


def split_code(code: str) -> tuple[str, str]:
    """Key of the lot and secret in a code as somebody typed it; case, spaces and dashes do not matter."""
    signs = "".join(code.split()).replace("-", "").upper()[:64]
    return signs[:_KEY_SIGNS], signs[_KEY_SIGNS:]


def hash_code(code: str) -> HashedCode:
    """What may be kept of a code."""
    salt = secrets.token_bytes(16)
    return HashedCode(salt, _digest(split_code(code)[1], salt))


def fits(code: str, kept: HashedCode | None) -> bool:
    """Whether a code is the one that was hashed; takes as long where there is none."""
    tried = _digest(split_code(code)[1], kept.salt if kept else bytes(16))
    return hmac.compare_digest(tried, kept.digest if kept else bytes(32)) and kept is not None


def make_token() -> str:
    """What a browser or a program shows with every request after it has given a code."""
    return secrets.token_urlsafe(32)


def hash_token(token: str) -> str:
    """What is kept of a token; it is random enough not to need a salt or a slow hash."""
    return hashlib.sha256(token.encode()).hexdigest()


def is_token(tried: str, token: str) -> bool:
    """Whether a token is this one; takes as long whatever was tried."""
    return hmac.compare_digest(hash_token(tried), hash_token(token))


def is_loopback(address: str) -> bool:
    """Whether an address is of this machine and reached from nowhere else."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address == "localhost"
    return (getattr(found, "ipv4_mapped", None) or found).is_loopback


def network_of(address: str) -> str:
    """Who an address counts as: an IPv4 address, or the /64 that one household or host has of IPv6."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    if found.ipv4_mapped:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((int(found) >> 64 << 64, 64)))


class RateLimiter:
    """Counts wrong codes over a window of time, by who tries and at which lot; a restart forgets them.

    Who tries is a network (see `network_of`): a host has all of a /64 to choose its address from. A lot that
    is guessed at from many networks is shut for a while, and no other lot with it.

    Parameters
    ----------
    limits : Limits
    clock : callable, optional
        Gives seconds that never go back.
    """

    def __init__(self, limits: Limits, clock: Callable[[], float] = time.monotonic) -> None:
        self._limits, self._clock = limits, clock
        self._tries: deque[tuple[float, str, str]] = deque()

    def wait_s(self, address: str, lot: str = "") -> int:
        """Seconds until this address may try a code of this lot (empty: of none there is); 0: now."""
        now, network = self._clock(), network_of(address)
        window = self._limits.wrong_codes_s
        while self._tries and self._tries[0][0] <= now - window:
            self._tries.popleft()
        own = [when for when, who, _ in self._tries if who == network]
        here = [when for when, _, which in self._tries if which == lot]
        until = 0.0
        for times, most in ((own, self._limits.wrong_codes), (here, self._limits.wrong_codes_per_lot)):
            if len(times) >= most:
                until = max(until, times[-most] + window)
        return max(0, int(until - now) + 1) if until > now else 0

    def note(self, address: str, lot: str = "") -> None:
        """Count one try."""
        self._tries.append((self._clock(), network_of(address), lot))

    def forget(self, address: str, lot: str = "") -> None:
        """Take back the latest try of an address at a lot: it was the right code."""
        tried = (network_of(address), lot)
        latest = next((n for n in reversed(range(len(self._tries))) if self._tries[n][1:] == tried), None)
        if latest is not None:
            del self._tries[latest]


def _digest(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret.encode(), salt=salt, dklen=32, **_SCRYPT)
