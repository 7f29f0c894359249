"""Photos out of one file, as a phone saves what it could not send: a folder for each unit."""

import json
import os
import time
import zipfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from plugface.cli.lot.run_folder import write_whole
from plugface.cli.lot.scan import ENDINGS, MAX_BYTES, FolderError

#: What a file may hold; more is no lot that a phone kept. Our choice.
MAX_PHOTOS = 20_000

#: Beside a unit's photos: what was typed or said about it.
SAID = "unit.json"

_MAX_SAID = 64_000


@dataclass(frozen=True)
class Unpacked:
    """What came out of a file."""

    folder: Path
    typed: dict[
        str, tuple[str, ...]
    ]  # folder of a unit -> numbers and barcodes that were typed or scanned for it


def unpack_photos(file: Path, folder: Path) -> Unpacked:
    """Write the photos of a .zip into a folder; what is there already with the same size stays.

    Only pictures are written, by their names and sizes as the file states them; nothing is written outside.

    Raises
    ------
    FolderError
        If it is no such file, is damaged, holds too much, or leads out of the folder.
    OSError
        If the folder cannot be written.
    """
    typed: dict[str, tuple[str, ...]] = {}
    try:
        with zipfile.ZipFile(file) as packed:
            members = [one for one in packed.infolist() if not one.is_dir()]
            pictures = [one for one in members if PurePosixPath(one.filename).suffix.lower() in ENDINGS]
            _check(file, pictures)
            for one in pictures:
                _write(packed, one, folder)
            for one in members:
                place = PurePosixPath(one.filename)
                if place.name == SAID and one.file_size <= _MAX_SAID and (said := _typed(packed.read(one))):
                    typed[str(place.parent)] = said
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        # RuntimeError: it is encrypted; the others: cut off, or packed as no phone does it.
        raise FolderError(
            str(file), f"it cannot be unpacked ({error})", "Save it on the phone again"
        ) from None
    return Unpacked(folder, typed)


def _check(file: Path, pictures: list[zipfile.ZipInfo]) -> None:
    if not pictures:
        raise FolderError(str(file), "there is no photo in it", "Name the file that the phone saved")
    if len(pictures) > MAX_PHOTOS:
        problem = f"{len(pictures):,} photos, at most {MAX_PHOTOS:,} are unpacked"
        raise FolderError(str(file), problem, "Unpack it by hand and sort its folders one by one")
    for one in pictures:
        place = PurePosixPath(one.filename)
        if place.is_absolute() or ".." in place.parts or any(sign in one.filename for sign in "\\:\0"):
            raise FolderError(str(file), f'"{one.filename}" leads out of it', "Do not use this file")
        if one.file_size > MAX_BYTES:
            problem = f'"{one.filename}" has {one.file_size:,} bytes, at most {MAX_BYTES:,} are read'
            raise FolderError(str(file), problem, "Take it out of the file")


def _write(packed: zipfile.ZipFile, one: zipfile.ZipInfo, folder: Path) -> None:
    target = folder / one.filename
    if target.is_file() and target.stat().st_size == one.file_size:
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, packed.read(one))
    with suppress(ValueError, OverflowError, OSError):  # a date that no calendar has: it keeps today's
        taken = time.mktime((*one.date_time, 0, 0, -1))
        os.utime(target, (taken, taken))


def _typed(data: bytes) -> tuple[str, ...]:
    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return ()
    typed = said.get("typed") if isinstance(said, dict) else None
    if not isinstance(typed, list):
        return ()
    return tuple(dict.fromkeys(entry[:80] for entry in typed if isinstance(entry, str) and entry.strip()))[:8]
