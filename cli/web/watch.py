"""What surrounds every request: its name, its line in the log, its place in the counts, and HEAD.

HEAD is answered wherever GET is, by the same route, with the body left out (RFC 9110, 9.3.2).
"""

import logging
import time

from plugface.cli.web.log import REQUEST, make_request_id
from plugface.cli.web.metrics import Tally
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_LOG = logging.getLogger("plugface.yard.requests")

#: What is asked for so often that its lines would hide the others.
_QUIET = ("/healthz", "/readyz", "/metrics", "/static")


class Watch:
    """ASGI middleware around the whole page, outside of everything else.

    Parameters
    ----------
    app : ASGI application
    tally : Tally
        Where requests are counted.
    """

    def __init__(self, app: ASGIApp, *, tally: Tally) -> None:
        self._app, self._tally = app, tally

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand on, and note what came of it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started, status = time.perf_counter(), 500
        method, name = scope["method"], make_request_id()
        bare = method == "HEAD"
        asked = {**scope, "method": "GET"} if bare else scope

        async def send_named(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)["x-request-id"] = name
            elif bare and message["type"] == "http.response.body":
                message = {**message, "body": b""}
            await send(message)

        token = REQUEST.set(name)
        try:
            await self._app(asked, receive, send_named)
        finally:
            seconds = time.perf_counter() - started
            self._tally.count_request(method, status, seconds)
            route = _route(asked)
            level = logging.DEBUG if route.startswith(_QUIET) and status < 500 else logging.INFO
            facts = {"method": method, "route": route, "status": status, "ms": round(1000 * seconds, 1)}
            _LOG.log(level, "request", extra={"facts": facts})
            REQUEST.reset(token)


def _route(scope: Scope) -> str:
    """The pattern of the route that answered; never the path, in which people have typed their codes."""
    pattern = getattr(scope.get("route"), "path", "")
    if not pattern and scope["path"].startswith("/static/"):
        return "/static"
    return pattern or getattr(scope.get("endpoint"), "__name__", "none")
