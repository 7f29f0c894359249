"""The JSON API: what the page itself uses, open to any other program.

Sending is safe to repeat: a unit is named by the sender, and a photo counts once however often it comes.
"""

import json
import shutil
from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Literal

import anyio
from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import FileResponse
from plugface.analysis import UnreadablePhoto
from plugface.cli.present.schemas import ErrorOut
from plugface.cli.said_of_unit import check_claim, find_family
from plugface.cli.web.authentication import (
    LotHere,
    SenderHere,
    VisitorHere,
    YardHere,
    end_text,
    open_lot,
    still_here,
)
from plugface.cli.web.codes import same_name
from plugface.cli.web.documents import (
    AcceptedPhotoOut,
    CardOut,
    CodeIn,
    ConfirmationIn,
    ConfirmationOut,
    LimitsOut,
    LotOut,
    NeedsIn,
    NumbersOut,
    ResultOut,
    TokenOut,
    UnitId,
    UnitIn,
    UnitLineOut,
    UnitsOut,
)
from plugface.cli.web.guard import stated_length
from plugface.cli.web.photo_store import CleanPhoto
from plugface.cli.web.queue import AnswerEntry, LotEntry, PhotoEntry, UnitEntry, Visitor
from plugface.cli.web.refusals import Refused
from plugface.cli.web.yard import Yard
from plugface.models.catalogue.entries import Family
from plugface.models.decision.answers import View
from plugface.models.decision.opinion import ClaimError


def refusals(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """What the OpenAPI document says of the refusals of one route; some hold for all."""
    every = {400, 403, 404, 405, 413, 421, 422, 500, 503, *statuses}
    return {status: {"model": ErrorOut} for status in sorted(every)}


router = APIRouter(prefix="/api/v1", tags=["yard page"])

UnitHere = Annotated[UnitId, Path(description="32 hexadecimal digits, made by the sender, new for each unit")]

_PICTURES = ("image/jpeg", "image/png", "image/webp", "image/tiff", "image/heic", "application/octet-stream")
_PICTURE_BODY = {
    "requestBody": {
        "required": True,
        "description": "The photo's bytes. What they are is found by decoding them, not by this type.",
        "content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in _PICTURES},
    }
}
_PICTURE_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/jpeg": {}}, "description": "The photo, made smaller"}
}


@router.post("/tokens", status_code=201, responses=refusals(429))
def make_token(request: Request, said: CodeIn) -> TokenOut:
    """Give an access code, get a token for its lot."""
    code, token, expires = open_lot(request, said.code)
    return TokenOut(token=token, lot=code.lot.name, name=code.name, expires_at=end_text(expires))


@router.get("/lot", responses=refusals(401))
def show_lot(yard: YardHere, visitor: VisitorHere) -> LotOut:
    """Say which lot this is, how many units it has, and what is taken in at most."""
    limits, lot = yard.limits, visitor.lot
    return LotOut(
        key=lot.key,
        name=lot.name,
        visitor=visitor.name,
        units=yard.queue.counts(lot.key),
        limits=LimitsOut(
            photo_bytes=limits.photo_bytes,
            photo_pixels=limits.photo_pixels,
            photos_per_unit=limits.photos_per_unit,
            waiting_units=limits.waiting_units,
        ),
    )


@router.get(
    "/numbers",
    response_model=NumbersOut,
    responses={304: {"description": "It is as the If-None-Match sent with it says"}, **refusals(401)},
)
def show_numbers(request: Request, yard: YardHere, _lot: LotHere) -> Response:
    """The catalogue as far as numbers, suffixes and marks tell a unit, for a phone that loses its signal."""
    data, tag = yard.numbers
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers={"etag": tag})
    return Response(data, media_type="application/json", headers={"etag": tag})


@router.get("/units", responses=refusals(401))
def list_units(
    yard: YardHere,
    lot: LotHere,
    before: Annotated[int | None, Query(ge=1, le=2**31, description="only units with a lower number")] = None,
    limit: Annotated[int, Query(ge=1, le=100)] = 30,
) -> UnitsOut:
    """List the units of the lot, the latest first."""
    units = yard.queue.units(lot.key, before=before, limit=limit)
    confirmed = yard.records.confirmations(lot, units)
    lines = [line_out(unit, confirmed.get(unit.id)) for unit in units]
    return UnitsOut(units=lines, before=units[-1].number if len(units) == limit else None)


@router.put("/units/{unit}", responses=refusals(401, 409))
def describe_unit(yard: YardHere, lot: LotHere, sender: SenderHere, unit: UnitHere, said: UnitIn) -> CardOut:
    """Say what a unit is claimed to be and what it is wanted for; may be done again at any time."""
    claimed, needs = _check_said(yard, said)
    typed = tuple(dict.fromkeys(entry for entry in said.typed if entry))
    yard.queue.describe(lot.key, unit, claimed, needs, typed=typed, more=said.more, sender=sender)
    yard.workers.wake()
    return unit_out(yard, lot, find_unit(yard, lot, unit))


@router.post(
    "/units/{unit}/photos",
    status_code=202,
    responses={200: {"model": AcceptedPhotoOut}, **refusals(401, 408, 409, 507)},
    openapi_extra=_PICTURE_BODY,
)
async def add_photo(
    request: Request,
    response: Response,
    yard: YardHere,
    visitor: VisitorHere,
    sender: SenderHere,
    unit: UnitHere,
    face: Annotated[View, Query(description="what the photo is meant to show")] = "front",
    more: Annotated[bool, Query(description="further photos of this unit follow at once")] = False,
) -> AcceptedPhotoOut:
    """Send one photo of a unit. 202: it is on disk and will be answered. 200: it was there already."""
    lot = visitor.lot
    intake = request.app.state.intake
    size = stated_length(request.headers) or yard.limits.photo_bytes
    await intake.hold_back(lot.key, size, sender)
    await anyio.to_thread.run_sync(partial(yard.queue.has_room, lot.key, unit, sender=sender))
    with intake.place(lot.key, size, sender):  # until it is checked, so that memory is bounded
        data = await intake.receive(request)
        if await anyio.to_thread.run_sync(still_here, request) != visitor:  # revoked while it came in
            raise Refused("code_needed")
        async with intake.checking(lot.key, sender) as turn:
            check = partial(yard.check, data, lot.key, turn, sender)
            keep = partial(_keep_photo, yard, lot, unit, check, face, more, sender)
            photo, new = await anyio.to_thread.run_sync(keep, limiter=request.app.state.decoding)
    response.status_code = 202 if new else 200
    yard.workers.wake()
    return photo


@router.get("/units/{unit}", responses=refusals(401))
def show_unit(yard: YardHere, lot: LotHere, unit: UnitHere) -> CardOut:
    """All there is about one unit; ask again until its state is answered or failed."""
    return unit_out(yard, lot, find_unit(yard, lot, unit))


@router.get(
    "/units/{unit}/photos/{position}",
    response_class=FileResponse,
    responses={**refusals(401), **_PICTURE_ANSWER},
)
def show_photo(
    yard: YardHere,
    lot: LotHere,
    unit: UnitHere,
    position: Annotated[int, Path(ge=1, le=1000)],
    size: Annotated[Literal["shown", "small"], Query(description="long side 1080 or 160 pixels")] = "shown",
) -> FileResponse:
    """One photo of a unit, turned upright and made smaller, without place, time and camera."""
    found = next((p for p in find_unit(yard, lot, unit).photos if p.position == position), None)
    if found is None:
        raise Refused("no_unit")
    return FileResponse(
        (yard.shelf.small if size == "small" else yard.shelf.shown)(found.sha256),
        media_type="image/jpeg",
        headers={"cache-control": "private, no-cache"},
    )


@router.post("/units/{unit}/confirmations", status_code=201, responses=refusals(401))
def confirm_unit(
    yard: YardHere, visitor: VisitorHere, unit: UnitHere, said: ConfirmationIn
) -> ConfirmationOut:
    """Record what a person found the unit to be. Nothing is overwritten; the latest counts."""
    lot = visitor.lot
    who = _name_of(yard, visitor, said.who)
    found = find_unit(yard, lot, unit)
    family, variants = "", {"": ""}
    if said.family:
        entry = _find_family(yard, said.family)
        family = entry.key
        variants |= {v.key.casefold(): v.key for v in entry.variants}
    variant = variants.get(said.variant.casefold())
    if variant is None:
        raise Refused("no_variant", family=family or "-", variant=said.variant)
    said = said.model_copy(update={"family": family, "variant": variant, "who": who})
    return yard.records.confirm(lot, found, said)


def find_unit(yard: Yard, lot: LotEntry, unit: str) -> UnitEntry:
    """One unit of this lot.

    Raises
    ------
    Refused
        "no_unit"; a unit of another lot is none.
    """
    found = yard.queue.unit(lot.key, unit)
    if found is None:
        raise Refused("no_unit")
    return found


def unit_out(yard: Yard, lot: LotEntry, unit: UnitEntry) -> CardOut:
    """The document of one unit."""
    return CardOut(
        id=unit.id,
        number=unit.number,
        state=unit.state,
        ahead=yard.queue.ahead_of(unit) if unit.state == "waiting" else 0,
        problem=unit.problem,
        claimed=unit.claimed,
        needs=NeedsIn(**unit.needs),
        typed=list(unit.typed),
        created_at=unit.created_at,
        photos=[_photo_out(unit.id, photo) for photo in unit.photos],
        result=ResultOut.model_validate_json(unit.answer.document) if unit.answer else None,
        result_made_at=unit.answer.made_at if unit.answer else None,
        confirmation=yard.records.confirmations(lot, [unit]).get(unit.id),
    )


def line_out(unit: UnitEntry, confirmation: ConfirmationOut | None) -> UnitLineOut:
    """One unit as the list has it."""
    answer = unit.answer
    return UnitLineOut(
        id=unit.id,
        number=unit.number,
        state=unit.state,
        verdict=answer.verdict if answer else None,
        standing=_standing(answer) if answer else "plain",
        headline=answer.headline if answer else "",
        probability=answer.probability if answer else None,
        caution=answer.caution if answer else "",
        first_photo=unit.photos[0].sha256 if unit.photos else None,
        created_at=unit.created_at,
        confirmation=confirmation,
    )


def _standing(answer: AnswerEntry) -> str:
    return json.loads(answer.document)["identify"]["decision"].get("standing", "plain")


def _photo_out(unit: str, photo: PhotoEntry) -> AcceptedPhotoOut:
    return AcceptedPhotoOut(
        unit=unit,
        position=photo.position,
        sha256=photo.sha256,
        face=photo.face,
        size_bytes=photo.size_bytes,
        accepted_at=photo.accepted_at,
    )


def _name_of(yard: Yard, visitor: Visitor, said: str) -> str:
    """Who is speaking: whoever the code belongs to, else whom they say, if that is nobody with a code."""
    if visitor.name:
        if said and not same_name(said, visitor.name):
            raise Refused("name_other", person=visitor.name)
        return visitor.name
    if not said:
        raise Refused("name_needed")
    for code in yard.queue.codes(visitor.lot):
        if not code.revoked_at and same_name(said, code.name):
            raise Refused("name_bound", person=code.name)
    return said


def _check_said(yard: Yard, said: UnitIn) -> tuple[str, dict[str, str | int]]:
    try:
        claimed = check_claim(said.claimed, yard.catalogue)
    except ClaimError as error:
        raise Refused("claim", problem=str(error)) from None
    needs = said.needs.model_dump(exclude_none=True)
    if partner := needs.pop("partner", ""):
        needs["partner"] = _find_family(yard, partner).key
    return claimed, needs


def _find_family(yard: Yard, name: str) -> Family:
    """The family of that key; people type it in capitals or not."""
    family = find_family(name, yard.catalogue)
    if family is None:
        raise Refused("no_family", family=name)
    return family


def _keep_photo(
    yard: Yard,
    lot: LotEntry,
    unit: str,
    check: Callable[[], CleanPhoto],
    face: str,
    more: bool,
    sender: tuple[str, ...],
) -> tuple[AcceptedPhotoOut, bool]:
    """Check, clean and write a photo, then enter it: in this order, so that what is entered is on disk."""
    if shutil.disk_usage(yard.settings.folder).free < yard.limits.free_disk_bytes:
        raise Refused("disk_full", retry_s=300)
    try:
        photo = check()
    except UnreadablePhoto as error:
        raise Refused("not_a_photo", problem=error.problem, advice=error.advice) from None
    # What is refused is not written at all.
    yard.queue.has_room(lot.key, unit, photo.sha256, len(photo.data), sender)
    with yard.keeping:
        yard.shelf.keep(photo)
        try:
            entry, new = yard.queue.accept(
                lot.key, unit, photo.sha256, face=face, size_bytes=len(photo.data), more=more, sender=sender
            )
        except Refused:  # others came first
            if photo.sha256 not in yard.queue.kept_photos():
                yard.shelf.drop(photo.sha256)
            raise
    return _photo_out(unit, entry), new
