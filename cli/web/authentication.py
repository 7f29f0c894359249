"""Which lot a request may see, and how a code becomes a key to it."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import Depends, Request, Security
from fastapi.security import APIKeyCookie, HTTPAuthorizationCredentials, HTTPBearer
from plugface.cli.web import access
from plugface.cli.web.guard import has_local_name
from plugface.cli.web.queue import CodeEntry, LotEntry, Visitor
from plugface.cli.web.refusals import Refused
from plugface.cli.web.yard import Yard

#: Name of the cookie that holds a browser's token.
COOKIE = "plugface_yard"

_BEARER = HTTPBearer(auto_error=False, description="The token from POST /api/v1/tokens.")
_COOKIE = APIKeyCookie(name=COOKIE, auto_error=False, description="Set when a code is entered on the page.")


def find_yard(request: Request) -> Yard:
    """What the routes work with."""
    return request.app.state.yard


YardHere = Annotated[Yard, Depends(find_yard)]


def find_visitor(
    request: Request,
    bearer: Annotated[HTTPAuthorizationCredentials | None, Security(_BEARER)] = None,
    cookie: Annotated[str | None, Security(_COOKIE)] = None,
) -> Visitor:
    """Whoever asks, by their token; without one a visitor of the open lot, where there is one.

    Raises
    ------
    Refused
        "code_needed".
    """
    request.state.token = bearer.credentials if bearer else cookie
    request.state.by_header = bearer is not None
    visitor = still_here(request)
    if visitor is None:
        raise Refused("code_needed")
    return visitor


def still_here(request: Request) -> Visitor | None:
    """Whoever asks, as the queue knows them now: a code may be revoked while a photo comes in."""
    yard, token = find_yard(request), request.state.token
    visitor = yard.queue.visitor_of_token(access.hash_token(token)) if token else None
    if visitor is None and not request.state.by_header and yard.open_lot is not None:
        return Visitor(yard.open_lot)
    return visitor


VisitorHere = Annotated[Visitor, Depends(find_visitor)]


def find_lot(visitor: VisitorHere) -> LotEntry:
    """The lot that a request may see."""
    return visitor.lot


LotHere = Annotated[LotEntry, Depends(find_lot)]


def find_sender(request: Request, visitor: VisitorHere) -> tuple[str, ...]:
    """Who sends, as turns are shared within a lot: the person whose code it is, else network and session.

    Anybody with the lot's code can have as many sessions as they like, and hardly as many networks. On this
    machine's own lot nobody is told apart.
    """
    if visitor.name:
        return (f"name {visitor.name}",)
    if visitor.lot.code is None:
        return ()
    address = request.client.host if request.client else ""
    session = access.hash_token(request.state.token or "")[:16]
    return f"network {access.network_of(address)}", f"session {session}"


SenderHere = Annotated[tuple[str, ...], Depends(find_sender)]


def open_lot(request: Request, code: str) -> tuple[CodeEntry, str, float]:
    """Which code it is and of which lot, a new token for it, and when that ends (seconds since 1970).

    Raises
    ------
    Refused
        "code_wrong", or "too_many_guesses" before the code is even looked at.
    """
    yard = find_yard(request)
    address = request.client.host if request.client else ""
    entry = yard.queue.code(access.split_code(code)[0])
    key = entry.lot.key if entry else ""
    wait_s = yard.guesses.wait_s(address, key)
    if wait_s:
        raise Refused("too_many_guesses", retry_s=wait_s, minutes=-(-wait_s // 60))
    yard.guesses.note(address, key)  # before the slow check, so that many tries at once count as many
    if not access.fits(code, entry.code if entry else None):
        yard.records.record_act("wrong code", lot=key, about=access.network_of(address))
        raise Refused("code_wrong")
    assert entry is not None  # no code fits where there is none
    yard.guesses.forget(address, key)
    token = access.make_token()
    yard.records.record_act("entry", who=entry.name, lot=key, about=access.network_of(address))
    expires = yard.queue.add_token(access.hash_token(token), key, entry.key if entry.name else "")
    return entry, token, expires


def may_see_metrics(request: Request) -> bool:
    """Whether a request for the counters comes from this machine itself, or shows their token.

    A proxy on this machine connects from here too: what it hands on is called by the public name, or says
    whom it is handed on for.
    """
    yard = find_yard(request)
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer" and access.is_token(token.strip(), yard.metrics_token):
        return True
    handed_on = any(name in request.headers for name in ("x-forwarded-for", "forwarded", "via"))
    client = request.client.host if request.client else ""
    return access.is_loopback(client) and not handed_on and has_local_name(request.headers)


def end_text(expires: float) -> str:
    """A time as ISO 8601 text, UTC."""
    return datetime.fromtimestamp(expires, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
