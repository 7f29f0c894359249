"""Which lot a request may see, and how a code becomes a key to it."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import Depends, Request, Security
from fastapi.security import APIKeyCookie, HTTPAuthorizationCredentials, HTTPBearer
from plugface.cli.web import access
from plugface.cli.web.queue import LotEntry
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


def find_lot(
    request: Request,
    bearer: Annotated[HTTPAuthorizationCredentials | None, Security(_BEARER)] = None,
    cookie: Annotated[str | None, Security(_COOKIE)] = None,
) -> LotEntry:
    """The lot that a request may see, by its token; without one the open lot, where there is one.

    Raises
    ------
    Refused
        "code_needed".
    """
    yard = find_yard(request)
    token = bearer.credentials if bearer else cookie
    lot = yard.queue.lot_of_token(access.hash_token(token)) if token else None
    lot = lot or (yard.open_lot if bearer is None else None)
    if lot is None:
        raise Refused("code_needed")
    return lot


LotHere = Annotated[LotEntry, Depends(find_lot)]


def open_lot(request: Request, code: str) -> tuple[LotEntry, str, float]:
    """The lot a code opens, a new token for it, and when that ends (seconds since 1970).

    Raises
    ------
    Refused
        "code_wrong", or "too_many_guesses" before the code is even looked at.
    """
    yard = find_yard(request)
    address = request.client.host if request.client else ""
    lot = yard.queue.lot(key=access.split_code(code)[0])
    key = lot.key if lot else ""
    wait_s = yard.guesses.wait_s(address, key)
    if wait_s:
        raise Refused("too_many_guesses", retry_s=wait_s, minutes=-(-wait_s // 60))
    yard.guesses.note(address, key)  # before the slow check, so that many tries at once count as many
    fits = access.fits(code, lot.code if lot else None)  # as slow without a lot as with one
    if lot is None or not fits:
        raise Refused("code_wrong")
    yard.guesses.forget(address, key)
    token = access.make_token()
    return lot, token, yard.queue.add_token(access.hash_token(token), lot.key)


def end_text(expires: float) -> str:
    """A time as ISO 8601 text, UTC."""
    return datetime.fromtimestamp(expires, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
