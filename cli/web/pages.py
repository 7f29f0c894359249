"""The pages people see. They hold no rules: they show what the API gives."""

import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Annotated

import jinja2
from fastapi import APIRouter, Form, Query, Request
from fastapi import Path as PathParam
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from markupsafe import Markup
from plugface.cli.present.face_drawing import draw_face, svg_text
from plugface.cli.present.reference_photo import read_reference
from plugface.cli.present.schemas import DecisionOut
from plugface.cli.present.swatches import SWATCHES, UNKNOWN_SHADE, ink_on
from plugface.cli.present.templates import template_environment
from plugface.cli.present.terminal import CLOSING, HAZARDOUS, MIN_WEIGHT, sure_words, years_text
from plugface.cli.version import installed_version
from plugface.cli.web.access import hash_token
from plugface.cli.web.api import UnitHere, find_unit, line_out, unit_out
from plugface.cli.web.assets import OFFLINE, Assets, gather_assets
from plugface.cli.web.authentication import (
    COOKIE,
    LotHere,
    SenderHere,
    VisitorHere,
    YardHere,
    find_yard,
    may_see_metrics,
    open_lot,
)
from plugface.cli.web.calls import read_calls
from plugface.cli.web.metrics import CONTENT_TYPE, write_metrics
from plugface.cli.web.phone_plugs import lasting_files, state_plug_limits
from plugface.cli.web.queue import LotEntry
from plugface.cli.web.refusals import STATUS, Refused
from plugface.cli.web.yard import METRICS_TOKEN_FILE, Yard
from plugface.vision.quality import state_limits

router = APIRouter(include_in_schema=False)

#: Units on one page of the list.
LISTED = 30

#: Height of the small writing below a family's drawing, mm: 12 pixels or so where a phone shows 150 to 200 mm
#: on its width (our choice).
PHONE_FACTS_MM = 8.0

#: Texts of the pages that the scripts show too.
_SCRIPTS_TOO = (
    "unit.caution",
    "unit.unknown",
    "unit.basis",
    "unit.variant",
    "unit.controls",
    "unit.partners",
    "unit.no_vehicles",
    "unit.no_throttle",
    "unit.throttle",
    "unit.crank",
    "capture.cable",
    "capture.electronic",
)


@router.get("/healthz")
def say_alive() -> Response:
    """Whether the page answers at all; for whatever watches over it."""
    return Response("ok\n", media_type="text/plain")


@router.get("/readyz")
def say_ready(yard: YardHere) -> Response:
    """Whether a photo would be taken in now: queue and ledger can be read, and the disk has room."""
    problem = yard.find_problem()
    return Response(f"{problem or 'ready'}\n", status_code=503 if problem else 200, media_type="text/plain")


@router.get("/metrics")
def show_metrics(request: Request, yard: YardHere) -> Response:
    """Counters and gauges for a monitoring program: to this machine itself, or with their token."""
    if may_see_metrics(request):
        return Response(write_metrics(yard.tally, yard.gauges), headers={"content-type": CONTENT_TYPE})
    refused = Refused("metrics_closed", file=METRICS_TOKEN_FILE)
    yard.tally.count_refusal(refused.name)
    answer = Response(f"{_words(yard, refused)}\n", status_code=refused.status, media_type="text/plain")
    answer.headers["www-authenticate"] = "Bearer"
    return answer


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
def show_card(
    request: Request, yard: YardHere, visitor: VisitorHere, sender: SenderHere, unit: UnitHere
) -> HTMLResponse:
    """One unit: its answer, or how far it is."""
    lot = visitor.lot
    entry = find_unit(yard, lot, unit)
    shown = unit_out(yard, lot, entry)
    overlays = [Markup(svg) for svg in entry.answer.overlays] if entry.answer else []
    result = shown.result
    return _page(
        request,
        "unit.html",
        lot,
        unit=shown,
        open=yard.queue.is_open_to(lot.key, unit, sender),
        overlays=overlays,
        answered=result.identify if result else None,
        decision=result.identify.decision if result else None,
        opinion=result.opinion if result else None,
        faces=_faces(yard, result.identify.decision.families if result else ()),
        names=_names(yard),
        proposed=_proposed(result.identify.decision) if result else "",
        message=result.message if result else "",
        said=json.dumps(
            {
                "claimed": shown.claimed,
                "needs": shown.needs.model_dump(exclude_none=True),
                "typed": shown.typed,
            }
        ),
        visitor=visitor.name,
    )


@router.get("/faces/{place}")
def show_face(yard: YardHere, lot: LotHere, place: Annotated[int, PathParam(ge=0, le=20_000)]) -> Response:
    """What the family at this place of the catalogue should look like."""
    families = yard.catalogue.families
    if place >= len(families):
        raise Refused("not_found")
    photo = read_reference(yard.settings.catalogue, families[place])
    if photo is not None:
        return Response(photo, media_type="image/jpeg", headers={"cache-control": "max-age=600"})
    drawing = svg_text(draw_face(families[place], facts_mm=PHONE_FACTS_MM), size=False)
    return Response(drawing, media_type="image/svg+xml", headers={"cache-control": "max-age=600"})


@router.get("/enter")
def show_door(request: Request) -> HTMLResponse:
    """Ask for the access code."""
    return _page(request, "enter.html", None, problem="")


@router.post("/enter")
def enter(request: Request, yard: YardHere, code: Annotated[str, Form(max_length=64)] = "") -> Response:
    """Open a lot with its access code."""
    try:
        _code, token, _expires = open_lot(request, code)
    except Refused as refused:
        yard.tally.count_refusal(refused.name)
        answer = _page(request, "enter.html", None, problem=_words(yard, refused))
        answer.status_code = refused.status
        if refused.retry_s:
            answer.headers["retry-after"] = str(refused.retry_s)
        return answer
    # Nobody holds the one before any longer; what it began goes on with this one.
    yard.queue.drop_token(hash_token(request.cookies.get(COOKIE, "")))
    home = RedirectResponse("/", status_code=303)
    home.set_cookie(
        COOKIE,
        token,
        max_age=yard.limits.session_days * 86_400,
        httponly=True,
        samesite="lax",
        secure=yard.settings.public_url.startswith("https:"),
    )
    return home


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


def page_assets(yard: Yard) -> Assets:
    """The page's own files, with the text that the scripts show among them."""
    words = yard.words
    texts = words.section("script") | {key.partition(".")[2]: words[key] for key in _SCRIPTS_TOO}
    for section in ("status", "controls"):
        texts |= {f"{section}_{name}": text for name, text in words.section(section).items()}
    also = [installed_version(), yard.limits.photo_bytes, yard.catalogue.head.invented, *words.values()]
    lasting = lasting_files() if yard.settings.phone_plugs else {}
    modules = {
        "words.js": texts,
        "limits.js": state_limits(),
        "plug_limits.js": state_plug_limits(lasting) if lasting else None,
    }
    return gather_assets(modules, json.dumps(also), lasting)


@router.get(OFFLINE)
def show_offline(request: Request) -> HTMLResponse:
    """What a phone opens where there is no signal; it knows of no lot."""
    return _page(request, "offline.html", None)


@router.get("/service-worker.js")
def give_service_worker(request: Request) -> Response:
    """What keeps the page on the phone; asked for anew each time, so that it never keeps itself."""
    script = request.app.state.assets.service_worker()
    return Response(script, media_type="text/javascript", headers={"cache-control": "no-cache"})


@router.get("/manifest.webmanifest")
def give_manifest(request: Request, yard: YardHere) -> Response:
    """How the page is installed on a phone."""
    manifest = request.app.state.assets.manifest(yard.words)
    return JSONResponse(manifest, media_type="application/manifest+json")


def refusal_page(request: Request, refused: Refused) -> Response:
    """A refusal as a page; where only the code is missing, the form for the code instead."""
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


def _faces(yard: Yard, keys: Sequence[str]) -> list[dict[str, object]]:
    """The most probable family of an answer, with where to find what it should look like."""
    places = {family.key: place for place, family in enumerate(yard.catalogue.families)}
    return [
        {"key": key, "place": places[key], "title": draw_face(yard.catalogue.families[places[key]]).title}
        for key in list(keys)[:1]
        if key in places
    ]


def _names(yard: Yard) -> list[str]:
    """Every family and every variant as a person may write it."""
    families = yard.catalogue.families
    return [name for f in families for name in (f.key, *(f"{f.key}:{v.key}" for v in f.variants))]


def _proposed(decision: DecisionOut) -> str:
    """What the form for the truth begins with: the proposal, where one was accepted."""
    if decision.verdict != "identified":
        return ""
    return f"{decision.family}:{decision.variant}" if decision.variant else str(decision.family)


def _page(request: Request, template: str, lot: LotEntry | None, **values: object) -> HTMLResponse:
    yard = find_yard(request)
    words = yard.words
    head = yard.catalogue.head
    text = _ENVIRONMENT.get_template(template).render(
        t=words,
        assets=request.app.state.assets.path,
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
    name, shade = SWATCHES.get(code, ("colour not known", UNKNOWN_SHADE))
    fill, ink = (f"rgb{rgb}".replace(" ", "") for rgb in (shade, ink_on(shade)))
    return Markup(
        '<svg class="swatch" viewBox="0 0 36 22" role="img" aria-label="{name}">'
        '<rect width="36" height="22" rx="4" fill="{fill}" stroke="#16202a"/>'
        '<text x="18" y="16" fill="{ink}">{code}</text></svg>'
    ).format(name=name, fill=fill, ink=ink, code=code or "?")


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
        "hazardous": lambda cautions: [c for c in cautions if c.name in HAZARDOUS],
        "closing_cautions": lambda cautions: [c for c in cautions if c.name in CLOSING],
    }
    for name in environment.list_templates():  # ready now, so that who asks first does not wait for it
        environment.get_template(name)
    return environment


_ENVIRONMENT = _environment()
