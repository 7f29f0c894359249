"""Photos out of one file, as a phone saves what it could not send: a folder for each unit."""

import json
import os
import time
import zipfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from plugface.cli.lot.run_folder import write_whole
from plugface.cli.lot.scan import ENDINGS, MAX_BYTES, FolderError
from plugface.cli.said_of_unit import read_needs
from plugface.models.decision.pairing import Needs

#: What a file may hold; more is no lot that a phone kept. Our choice.
MAX_PHOTOS = 20_000

#: How many times its own size a file may unpack to, and a little more: photos are packed as they are, and
#: hardly shrink where somebody packs them again. Our choice.
MAX_TIMES, _LITTLE = 20, 1_000_000

#: Beside a unit's photos: what was typed or said about it.
SAID = "unit.json"

_MAX_SAID = 64_000

_MAX_CLAIM = 80  # signs, as on the yard page

_MAX_NAME = 240  # bytes; most systems allow 255, of which a file that is being written takes some

_AGAIN = "Save it on the phone again"


@dataclass(frozen=True)
class Asked:
    """What a person said of a unit that no photo shows."""

    claimed: str = ""  # KEY or KEY:VARIANT
    needs: Needs = field(default_factory=Needs)
    unclear: bool = False  # something more was said that cannot be read


@dataclass(frozen=True)
class Unpacked:
    """What came out of a file."""

    folder: Path
    typed: dict[
        str, tuple[str, ...]
    ]  # folder of a unit -> numbers and barcodes that were typed or scanned for it
    asked: dict[str, Asked]  # folder of a unit -> what it was claimed to be, and wanted for


def unpack_photos(file: Path, folder: Path) -> Unpacked:
    """Write the photos of a .zip into a folder; what is there already with the same bytes stays.

    Only pictures are written, by their names and sizes as the file states them; nothing is written outside.

    Raises
    ------
    FolderError
        If it is no such file, is damaged, holds too much, or leads out of the folder.
    OSError
        If the folder cannot be written.
    """
    typed: dict[str, tuple[str, ...]] = {}
    asked: dict[str, Asked] = {}
    try:
        with zipfile.ZipFile(file) as packed:
            members = [one for one in packed.infolist() if not one.is_dir()]
            pictures = [one for one in members if PurePosixPath(one.filename).suffix.lower() in ENDINGS]
            _check(file, pictures)
            said = [one for one in members if PurePosixPath(one.filename).name == SAID]
            for one in pictures:
                _write(_read(file, packed, one), one, folder)
            for one in said[: len(pictures)]:  # one a unit, and each unit has a photo
                unit = str(PurePosixPath(one.filename).parent)
                told = _told(_read(file, packed, one)) if one.file_size <= _MAX_SAID else {}
                if typed_here := _typed(told):
                    typed[unit] = typed_here
                if (asked_here := _asked(told)) != Asked():
                    asked[unit] = asked_here
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise FolderError(str(file), f"it cannot be unpacked ({error})", _AGAIN) from None
    return Unpacked(folder, typed, asked)


def _check(file: Path, pictures: list[zipfile.ZipInfo]) -> None:
    if not pictures:
        raise FolderError(str(file), "there is no photo in it", "Name the file that the phone saved")
    if len(pictures) > MAX_PHOTOS:
        problem = f"{len(pictures):,} photos, at most {MAX_PHOTOS:,} are unpacked"
        raise FolderError(str(file), problem, "Unpack it by hand and sort its folders one by one")
    places: set[str] = set()
    folders: set[str] = set()
    for one in pictures:
        place = PurePosixPath(one.filename)
        if place.is_absolute() or ".." in place.parts or any(sign in one.filename for sign in "\\:\0"):
            raise FolderError(str(file), f'"{one.filename}" leads out of it', "Do not use this file")
        if any(len(part.encode("utf-8", "replace")) > _MAX_NAME for part in place.parts):
            problem = f'"{one.filename[:40]}..." has a name that is too long'
            raise FolderError(str(file), problem, "Take it out of the file")
        if one.file_size > MAX_BYTES:
            problem = f'"{one.filename}" has {one.file_size:,} bytes, at most {MAX_BYTES:,} are read'
            raise FolderError(str(file), problem, "Take it out of the file")
        if str(place).casefold() in places:  # not every system tells capitals apart
            problem = f'"{one.filename}" is there twice: one photo would take the place of the other'
            raise FolderError(str(file), problem, _AGAIN)
        places.add(str(place).casefold())
        folders.update(str(above).casefold() for above in place.parents)
    for name in sorted(places & folders):
        raise FolderError(str(file), f'"{name}" is a photo in it and a folder, too', "Do not use this file")
    total = sum(one.file_size for one in pictures)
    if total > MAX_TIMES * file.stat().st_size + _LITTLE:
        problem = f"it would unpack to {total:,} bytes, more than {MAX_TIMES} times its size"
        raise FolderError(str(file), problem, "No phone makes such a file; do not use it")


def _read(file: Path, packed: zipfile.ZipFile, one: zipfile.ZipInfo) -> bytes:
    """The bytes of a member, which are as many as it states and fit its checksum."""
    try:
        return packed.read(one)
    except Exception as error:  # each way of packing has errors of its own
        if isinstance(error, OSError) and error.errno is not None:
            raise  # of the system: the drive is gone
        words = " ".join(str(error).split())[:120] or type(error).__name__
        raise FolderError(str(file), f'"{one.filename}" cannot be unpacked ({words})', _AGAIN) from None


def _write(data: bytes, one: zipfile.ZipInfo, folder: Path) -> None:
    target = folder / one.filename
    if _holds(target, data):
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, data)
    with suppress(ValueError, OverflowError, OSError):  # a date that no calendar has: it keeps today's
        taken = time.mktime((*one.date_time, 0, 0, -1))
        os.utime(target, (taken, taken))


def _holds(target: Path, data: bytes) -> bool:
    return target.is_file() and target.stat().st_size == len(data) and target.read_bytes() == data


def _told(data: bytes) -> dict[str, object]:
    try:
        told = json.loads(data)
    except (ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _asked(told: dict[str, object]) -> Asked:
    claimed, needs = told.get("claimed") or "", told.get("needs") or {}
    unclear = not isinstance(claimed, str) or len(claimed) > _MAX_CLAIM
    try:
        wanted = read_needs(needs)
    except ValueError:
        wanted, unclear = Needs(), True
    return Asked(
        claimed.strip() if isinstance(claimed, str) and len(claimed) <= _MAX_CLAIM else "", wanted, unclear
    )


def _typed(told: dict[str, object]) -> tuple[str, ...]:
    typed = told.get("typed")
    if not isinstance(typed, list):
        return ()
    return tuple(dict.fromkeys(entry[:80] for entry in typed if isinstance(entry, str) and entry.strip()))[:8]
