"""What every request passes on its way in and every answer on its way out, before any route is asked.

In: the name the page was called by, where the request comes from, how long its body is. Out: the headers that
tell a browser to run nothing but the page's own files and to show the page in no other.
"""

import logging
from collections.abc import Callable
from urllib.parse import urlsplit

import anyio
from plugface.cli.web.refusals import Refused
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_LOG = logging.getLogger("plugface.yard")

#: Names under which a page for this machine alone may be called. Any other one is a foreign site that has
#: pointed its name here (DNS rebinding).
LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")

_SAFE = ("GET", "HEAD", "OPTIONS")

HEADERS = {
    "content-security-policy": "; ".join(
        (
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "img-src 'self' blob:",
            "connect-src 'self'",
            "worker-src 'self'",
            "manifest-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
            "require-trusted-types-for 'script'",
            "trusted-types plugface-scripts",
        )
    ),
    "x-content-type-options": "nosniff",
    # Not "no-referrer": with that a browser sends "Origin: null" with the page's own forms (Fetch, 3.2).
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",  # for the view with the light on
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}

#: Of the scripts that read barcodes and look for plugs, each in a worker of its own: they may compile
#: WebAssembly from this page's own files (W3C, CSP 3), which no page may, and can show nothing.
READER_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self' 'wasm-unsafe-eval'",
        "connect-src 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)


class Guard:
    """ASGI middleware around the whole page.

    Parameters
    ----------
    app : ASGI application
    local_only : bool
        Whether the page may only be called by the names of this machine.
    public_url : str
        Address people use, where a proxy stands in front; empty: the one they connect to.
    body_limit : callable
        Path -> largest body, bytes.
    body_s : float
        Seconds in which a body must be there; a photo's has limits of its own (intake.py).
    respond : callable
        Makes the answer to a refusal: (scope, refusal) -> ASGI application.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        local_only: bool,
        public_url: str,
        body_limit: Callable[[str], int],
        body_s: float,
        respond: Callable[[Scope, Refused], ASGIApp],
    ) -> None:
        self._app, self._local_only, self._respond = app, local_only, respond
        self._public, self._body_limit, self._body_s = urlsplit(public_url), body_limit, body_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, hand on, and add the headers."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        begun = False

        async def send_guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                if scope["path"].startswith("/static/"):
                    headers.setdefault("cache-control", "no-cache")  # kept, and asked after before each use
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if self._public.scheme == "https":
                    headers.setdefault("strict-transport-security", "max-age=31536000")
            await send(message)

        headers = Headers(scope=scope)
        limit = self._body_limit(scope["path"])
        refused = self._check_name(headers) or self._check_origin(scope, headers) or _check_length(headers)
        if refused is None and stated_length(headers) > limit:
            refused = Refused("too_many_bytes", most=_megabytes(limit))
        if refused is not None:
            await self._respond(scope, refused)(scope, receive, send_guarded)
            return
        try:
            own_time = scope["path"].endswith("/photos")
            counted = _counted(receive, limit)
            await self._app(scope, counted if own_time else _timed(counted, self._body_s), send_guarded)
        except Exception:  # a fault of ours: said plainly, and with the same headers as everything else
            _LOG.exception("a fault while answering")
            if begun:
                raise
            await self._respond(scope, Refused("fault"))(scope, receive, send_guarded)

    def _check_name(self, headers: Headers) -> Refused | None:
        name = _without_port(headers.get("host", ""))
        if self._public.hostname:
            allowed = name.lower() in (self._public.hostname, *LOCAL_NAMES)
        else:
            allowed = not self._local_only or name.lower() in LOCAL_NAMES
        return None if allowed else Refused("wrong_host", host=name)

    def _check_origin(self, scope: Scope, headers: Headers) -> Refused | None:
        """Refuse what another site makes a browser send; other programs send neither header."""
        if scope["method"] in _SAFE:
            return None
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if site is not None and site not in ("same-origin", "none"):
            return Refused("cross_site")
        if origin is None:
            return None
        # A proxy in front may change the name the page is called by, but not the public one.
        own = (self._public.netloc, headers.get("host", ""))
        try:
            host = urlsplit(origin).netloc  # empty for "null", and for a file opened on the phone
        except ValueError:  # no address at all, such as "http://["
            host = ""
        return None if host and host in own else Refused("cross_site")


def _counted(receive: Receive, limit: int) -> Receive:
    """`receive` that ends with a refusal when a body turns out longer than allowed, whatever it stated."""
    received = 0

    async def receive_counted() -> Message:
        nonlocal received
        message = await receive()
        received += len(message.get("body", b""))
        if received > limit:
            raise Refused("too_many_bytes", most=_megabytes(limit))
        return message

    return receive_counted


def _timed(receive: Receive, seconds: float) -> Receive:
    """`receive` that ends with a refusal when a body is not whole in time: who sends slowly pays nothing."""
    until, whole = anyio.current_time() + seconds, False

    async def receive_timed() -> Message:
        nonlocal whole
        if whole:  # what is waited for now is that somebody goes away
            return await receive()
        with anyio.CancelScope(deadline=until) as waiting:
            message = await receive()
        if waiting.cancelled_caught:
            raise Refused("silence")
        whole = not message.get("more_body", False)
        return message

    return receive_timed


def _check_length(headers: Headers) -> Refused | None:
    """Refuse a body whose length is stated in two ways (RFC 9112, 6.3): memory is shared out by one."""
    if "transfer-encoding" in headers and "content-length" in headers:
        problem = "content-length and transfer-encoding together"
        return Refused("bad_request", where="header", problem=problem)
    return None


def stated_length(headers: Headers) -> int:
    """The length that a request says its body has; 0 where it says none."""
    text = headers.get("content-length", "0")
    # 18 digits are enough for any limit, and no more than Python turns into a number.
    return int(text[:18]) if text.isascii() and text.isdecimal() else 0


def has_local_name(headers: Headers) -> bool:
    """Whether the page is called by a name of this machine."""
    return _without_port(headers.get("host", "")).lower() in LOCAL_NAMES


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def _megabytes(size: int) -> str:
    return f"{size / 1_000_000:.2g}"
