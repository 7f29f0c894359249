"""The yard page put together: what it keeps, who answers, which routes there are, what guards them."""

import logging
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import anyio
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from plugface.cli.errors import document, explain
from plugface.cli.present.schemas import ErrorOut
from plugface.cli.store.ledger import LedgerError
from plugface.cli.web import api, pages
from plugface.cli.web.assets import AssetFiles
from plugface.cli.web.guard import Guard
from plugface.cli.web.intake import Intake
from plugface.cli.web.refusals import Refused
from plugface.cli.web.retention import Retention
from plugface.cli.web.watch import Watch
from plugface.cli.web.words import Words
from plugface.cli.web.yard import Yard
from starlette.exceptions import HTTPException
from starlette.types import Scope

_LOG = logging.getLogger("plugface.yard")


def create_app(yard: Yard) -> FastAPI:
    """The page as an ASGI application; what was left unanswered is taken up when it starts."""

    @asynccontextmanager
    async def running(_app: FastAPI) -> AsyncIterator[None]:
        yard.queue.recover()
        yard.workers.start()
        retention = Retention(yard)
        retention.start()
        yield
        retention.stop()
        yard.workers.stop()

    app = FastAPI(
        title="plugface yard page",
        version="1",
        description=yard.words("api.about"),
        openapi_url="/api/v1/openapi.json",
        docs_url=None,  # the built-in ones load scripts from elsewhere; /api is our own
        redoc_url=None,
        redirect_slashes=False,
        lifespan=running,
    )
    limits = yard.limits
    app.state.yard = yard
    app.state.intake = Intake(limits)
    app.state.decoding = anyio.CapacityLimiter(limits.decoding_at_once)
    app.include_router(api.router)
    app.include_router(pages.router)
    app.state.assets = pages.page_assets(yard)
    app.mount("/static", AssetFiles(app.state.assets), name="static")

    @app.exception_handler(Refused)
    def refuse(request: Request, refused: Refused) -> Response:
        return respond(request.scope, refused)

    @app.exception_handler(RequestValidationError)
    def refuse_form(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        if first["loc"][0] == "path" and not request.scope["path"].startswith("/api/"):
            return respond(request.scope, Refused("not_found"))  # an address typed wrong, for a person
        where = ".".join(str(part) for part in first["loc"][1:]) or str(first["loc"][0])
        return respond(request.scope, Refused("bad_request", where=where, problem=first["msg"]))

    @app.exception_handler(HTTPException)
    def refuse_route(request: Request, error: HTTPException) -> Response:
        if isinstance(error.__cause__, Refused):  # while the body was read, which FastAPI calls its fault
            return respond(request.scope, error.__cause__)
        names = {404: "not_found", 405: "wrong_method"}
        name = names.get(error.status_code, "bad_request")
        answer = respond(request.scope, Refused(name, where=request.scope["path"], problem=str(error.detail)))
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(LedgerError)
    @app.exception_handler(sqlite3.Error)
    @app.exception_handler(OSError)
    def refuse_unkept(request: Request, error: Exception) -> Response:
        _LOG.error("not kept: %s", error)
        return respond(request.scope, Refused("not_kept", retry_s=30))

    def respond(scope: Scope, refused: Refused) -> Response:
        yard.tally.count_refusal(refused.name)
        _LOG.debug("refused", extra={"facts": {"reason": refused.name}})
        if scope["path"].startswith("/api/"):
            return error_response(yard.words, refused)
        return pages.refusal_page(Request(scope), refused)

    app.add_middleware(
        Guard,
        local_only=yard.settings.local_names,
        public_url=yard.settings.public_url,
        body_limit=lambda path: limits.photo_bytes if path.endswith("/photos") else limits.message_bytes,
        body_s=limits.silence_s,
        respond=respond,
    )
    app.add_middleware(Watch, tally=yard.tally)  # the last one added is the outermost
    return app


def error_response(words: Words, refused: Refused) -> JSONResponse:
    """A refusal as the document that every other error of plugface is printed as."""
    text = words(f"refused.{refused.name}", **refused.values)
    problem, _, hint = text.partition(" | ")
    body = document(explain(refused)) | {
        "error": problem,
        "hint": hint,
        "facts": {"name": refused.name, "retry_s": refused.retry_s, **refused.values},
    }
    headers = {"retry-after": str(refused.retry_s)} if refused.retry_s else {}
    if refused.status == 401:
        headers["www-authenticate"] = "Bearer"
    content = ErrorOut.model_validate(body).model_dump(mode="json")
    return JSONResponse(content, status_code=refused.status, headers=headers)
