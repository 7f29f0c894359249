"""The pages people see. They hold no rules: they show what the API gives."""

import json
from functools import partial
from pathlib import Path
from typing import Annotated

import jinja2
from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from plugface.cli.present.swatches import SWATCHES, ink_on
from plugface.cli.present.templates import template_environment
from plugface.cli.present.terminal import CLOSING, MIN_WEIGHT, sure_words, years_text
from plugface.cli.web.access import hash_token
from plugface.cli.web.api import UnitHere, find_unit, line_out, unit_out
from plugface.cli.web.authentication import COOKIE, LotHere, YardHere, find_yard, open_lot
from plugface.cli.web.calls import read_calls
from plugface.cli.web.queue import LotEntry
from plugface.cli.web.refusals import STATUS, Refused
from plugface.cli.web.yard import Yard

router = APIRouter(include_in_schema=False)

#: Units on one page of the list.
LISTED = 30


@router.api_route("/healthz", methods=["GET", "HEAD"])
def say_alive() -> Response:
    """Whether the page answers at all; for whatever watches over it."""
    return Response("ok\n", media_type="text/plain")


@router.api_route("/readyz", methods=["GET", "HEAD"])
def say_ready(yard: YardHere) -> Response:
    """Whether a photo would be taken in now: queue and ledger can be read, and the disk has room."""
    problem = yard.find_problem()
    return Response(f"{problem or 'ready'}\n", status_code=503 if problem else 200, media_type="text/plain")


@router.get("/")
def show_home(request: Request, yard: YardHere, lot: LotHere) -> HTMLResponse:
    """Take photos, see what is not sent yet, see the lot."""
    return _page(request, "home.html", lot, **_history(yard, lot, None), names=_names(yard))


@router.get("/lot")
def show_history(
    request: Request,
    yard: YardHere,
    lot: LotHere,
    before: Annotated[int | None, Query(ge=1, le=2**31)] = None,
) -> HTMLResponse:
    """Older units of the lot."""
    return _page(request, "lot.html", lot, **_history(yard, lot, before))


@router.get("/units/{unit}")
def show_card(request: Request, yard: YardHere, lot: LotHere, unit: UnitHere) -> HTMLResponse:
    """One unit: its answer, or how far it is."""
    entry = find_unit(yard, lot, unit)
    shown = unit_out(yard, lot, entry)
    overlays = [Markup(svg) for svg in entry.answer.overlays] if entry.answer else []
    result = shown.result
    return _page(
        request,
        "unit.html",
        lot,
        unit=shown,
        overlays=overlays,
        answered=result.identify if result else None,
        decision=result.identify.decision if result else None,
        opinion=result.opinion if result else None,
        names=_names(yard),
    )


@router.get("/enter")
def show_door(request: Request) -> HTMLResponse:
    """Ask for the access code."""
    return _page(request, "enter.html", None, problem="")


@router.post("/enter")
def enter(request: Request, yard: YardHere, code: Annotated[str, Form(max_length=64)] = "") -> Response:
    """Open a lot with its access code."""
    try:
        _lot, token, _expires = open_lot(request, code)
    except Refused as refused:
        answer: Response = _page(request, "enter.html", None, problem=_words(yard, refused))
        answer.status_code = refused.status
        if refused.retry_s:
            answer.headers["retry-after"] = str(refused.retry_s)
        return answer
    answer = RedirectResponse("/", status_code=303)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=yard.limits.session_days * 86_400,
        httponly=True,
        samesite="lax",
        secure=yard.settings.public_url.startswith("https:"),
    )
    return answer


@router.post("/leave")
def leave(request: Request, yard: YardHere) -> Response:
    """Forget the token this browser holds."""
    yard.queue.drop_token(hash_token(request.cookies.get(COOKIE, "")))
    answer = RedirectResponse("/enter", status_code=303)
    answer.delete_cookie(COOKIE)
    return answer


@router.get("/api")
def show_api(request: Request) -> HTMLResponse:
    """List what a program may ask for."""
    calls = read_calls(request.app.openapi())
    return _page(request, "api.html", None, calls=calls, refusals=sorted(STATUS.items()))


@router.get("/words.js")
def give_words(yard: YardHere) -> Response:
    """The text that the scripts show, as a module."""
    words = json.dumps(yard.words.section("script"), ensure_ascii=False)
    return Response(f"export default {words};\n", media_type="text/javascript")


def refusal_page(request: Request, refused: Refused) -> Response:
    """A refusal as a page; where only the code is missing, the door instead."""
    if refused.name == "code_needed" and request.method == "GET":
        return RedirectResponse("/enter", status_code=303)
    yard = find_yard(request)
    page = _page(request, "refused.html", None, problem=_words(yard, refused))
    page.status_code = refused.status
    if refused.retry_s:
        page.headers["retry-after"] = str(refused.retry_s)
    return page


def _words(yard: Yard, refused: Refused) -> str:
    return yard.words(f"refused.{refused.name}", **refused.values).replace(" | ", ". ")


def _history(yard: Yard, lot: LotEntry, before: int | None) -> dict[str, object]:
    units = yard.queue.units(lot.key, before=before, limit=LISTED)
    confirmed = yard.records.confirmations(lot, units)
    return {
        "units": [line_out(unit, confirmed.get(unit.id)) for unit in units],
        "before": units[-1].number if len(units) == LISTED else None,
    }


def _names(yard: Yard) -> list[str]:
    """Every family and every variant as a person may write it."""
    families = yard.catalogue.families
    return [name for f in families for name in (f.key, *(f"{f.key}:{v.key}" for v in f.variants))]


def _page(request: Request, template: str, lot: LotEntry | None, **values: object) -> HTMLResponse:
    yard = find_yard(request)
    words = yard.words
    head = yard.catalogue.head
    text = _ENVIRONMENT.get_template(template).render(
        t=words,
        lot=lot,
        open_lot=lot is not None and lot.code is None,
        invented=head.invented,
        catalogue=yard.catalogue,
        limits=yard.limits,
        sure=lambda share: words("sure." + sure_words(share).replace(" ", "_")),
        **values,
    )
    return HTMLResponse(text)


def _weighty(evidence: list, sign: int) -> list:
    """Reasons on one side, the heaviest first; what hardly counts is left to the API."""
    side = [reason for reason in evidence if reason.weight * sign >= MIN_WEIGHT]
    return sorted(side, key=lambda reason: -abs(reason.weight))


def _swatch(code: str) -> Markup:
    """A colour code on its own colour, as a picture: the page's policy allows no style in the text."""
    name, shade = SWATCHES[code]
    fill, ink = (f"rgb{rgb}".replace(" ", "") for rgb in (shade, ink_on(shade)))
    return Markup(
        '<svg class="swatch" viewBox="0 0 36 22" role="img" aria-label="{name}">'
        '<rect width="36" height="22" rx="4" fill="{fill}" stroke="#16202a"/>'
        '<text x="18" y="16" fill="{ink}">{code}</text></svg>'
    ).format(name=name, fill=fill, ink=ink, code=code)


def _worth_showing(decision) -> list:
    """The leading candidate, its nearest rival, and at most two more that still matter."""
    first, rest = decision.candidates[:2], decision.candidates[2:4]
    return [*first, *(c for c in rest if c.remains or c.probability >= 0.01)]


def _environment() -> jinja2.Environment:
    environment = template_environment(Path(__file__).parent / "templates")
    environment.filters |= {
        "years": years_text,
        "speak_for": partial(_weighty, sign=1),
        "speak_against": partial(_weighty, sign=-1),
        "swatch": _swatch,
        "worth_showing": _worth_showing,
        "first_cautions": lambda cautions: [c for c in cautions if c.name not in CLOSING],
        "closing_cautions": lambda cautions: [c for c in cautions if c.name in CLOSING],
    }
    for name in environment.list_templates():  # ready now, so that who asks first does not wait for it
        environment.get_template(name)
    return environment


_ENVIRONMENT = _environment()
