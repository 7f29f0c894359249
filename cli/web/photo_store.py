"""A photo as it is taken in: checked by decoding it, freed of everything but its picture, kept on disk.

What is stored is never the file that came in. A plain JPEG keeps its coded pixels to the bit and loses every
segment that is not needed to decode them: place, time, camera, thumbnail, comments, a second picture behind
the first. Its turn is kept, as the only entry of a new Exif block. Every other kind of file, and a JPEG in
colours of its own, is decoded and stored as a new JPEG in sRGB. So a place that was in the file is nowhere on
disk.
"""

import hashlib
import io
import os
from collections.abc import Callable, Container
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from PIL import Image
from plugface.analysis import UnreadablePhoto, open_photo
from plugface.cli.limited_photo import AS_JPEG, STOPPED
from plugface.cli.limited_process import LimitedPool, Stopped
from plugface.cli.lot.run_folder import write_whole
from plugface.cli.web.intake import Turn
from plugface.cli.web.limits import Limits
from plugface.cli.web.refusals import Refused

#: Long side of the pictures that the page shows, pixels: on its own, and in a list.
SHOWN_PX, SMALL_PX = 1080, 160

#: Quality of a JPEG made anew. Our choice; nothing that can be read is lost at this one.
QUALITY = 95

#: Niceness of the process that checks photos of lots that send much (POSIX): the looking goes first.
NICENESS = 19

_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
_ORIENTATION_TAG = 0x0112  # Exif 2.32, table 4

# JPEG markers (ITU-T T.81, table B.1).
_SOI, _EOI, _SOS, _APP0, _APP14, _APP15, _COM = b"\xff\xd8", 0xD9, 0xDA, 0xE0, 0xEE, 0xEF, 0xFE
_ALONE = {0x01, *range(0xD0, 0xD8)}  # markers without a length
_DQT, _FRAMES = 0xDB, {0xC0, 0xC1, 0xC2}  # quantisation tables; frames: baseline, extended, progressive
_NEEDED = {*_FRAMES, 0xC4, 0xDD, _SOS}  # of the others: Huffman tables, restart interval, scan


@dataclass(frozen=True)
class CleanPhoto:
    """A photo without anything but its picture, and smaller ones to show."""

    sha256: str  # of `data`
    data: bytes  # JPEG
    shown: bytes  # JPEG, turned upright
    small: bytes  # the same in small
    width_px: int
    height_px: int


def clean_photo(data: bytes, limits: Limits) -> CleanPhoto:
    """Check the bytes of a photo by decoding them and take away all that is not picture.

    Raises
    ------
    UnreadablePhoto
        If they are no picture, or a damaged one.
    Refused
        If there are more pixels than `limits` allow.
    """
    _check_pixels(data, limits)
    photo = open_photo(data, name="the photo")
    # A profile is taken away with the rest, so colours that need one are stored as sRGB.
    stripped = strip_jpeg(data) if photo.format == "JPEG" and not photo.has_own_colours else None
    if stripped is None:
        stripped = _jpeg(photo.rgb, quality=QUALITY, subsampling=0)
    return CleanPhoto(
        sha256=hashlib.sha256(stripped).hexdigest(),
        data=stripped,
        shown=_jpeg(photo.reduced(SHOWN_PX), quality=82),
        small=_jpeg(photo.reduced(SMALL_PX), quality=75),
        width_px=photo.width_px,
        height_px=photo.height_px,
    )


class PhotoChecker:
    """Checks and cleans photos in processes of their own, so that a hostile one cannot stop the page.

    Parameters
    ----------
    limits : Limits
        How many at once, and the time and memory of each.
    on_loss : callable, optional
        Called for each process that had to be stopped or broke.
    """

    def __init__(self, limits: Limits, on_loss: Callable[[], None] = lambda: None) -> None:
        self._on_loss = on_loss
        pool = partial(
            LimitedPool,
            partial(clean_photo, limits=limits),
            seconds=limits.decoding_s,
            memory_bytes=limits.decoding_bytes,
        )
        # A process can give up its priority and never take it back, so busy lots have one of their own. It
        # takes no memory while it waits, and how many photos are open at once is bounded where they come in.
        self._pool, self._behind = pool(size=limits.decoding_at_once), pool(size=1, niceness=NICENESS)

    def __call__(self, data: bytes, turn: Turn | None = None) -> CleanPhoto:
        """As `clean_photo`; a photo that takes more time or memory than it may is an unreadable one."""
        turn = turn or Turn()
        try:
            return (self._behind if turn.busy else self._pool)(data, turn.on_spent)
        except Stopped as stopped:
            self._on_loss()
            if stopped.reason == "ended":  # by somebody else: the photo is not to blame
                raise Refused("busy", retry_s=5) from None
            raise UnreadablePhoto("", STOPPED[stopped.reason], AS_JPEG) from None

    def close(self) -> None:
        """End the processes."""
        self._pool.close()
        self._behind.close()


def strip_jpeg(data: bytes) -> bytes | None:
    """A JPEG with only the segments that decoding needs, and its turn; the coded pixels stay as they are.

    Parameters
    ----------
    data : bytes
        A whole JPEG file.

    Returns
    -------
    stripped : bytes or None
        None if the segments do not follow one another as they should; then the picture must be made anew.

    References
    ----------
    ITU-T T.81, annex B. APP0 (JFIF) and APP14 (colour transform) say how to decode; APP1 to APP13, APP15 and
    COM describe. Quantisation tables that nothing uses, and what hangs behind a segment's own fields, go too.
    """
    turn, used = _orientation(data), _quantisers(data)
    if used is None:
        return None
    kept = [_SOI, _turn_segment(turn)] if turn != 1 else [_SOI]
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return None
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        if marker == _EOI:
            return b"".join([*kept, b"\xff\xd9"])
        if marker in _ALONE:
            at += 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == _SOS:
            end = _end_of_scan(data, end)
        if marker == _APP0:
            kept.append(_plain_jfif(data[at:end]))
        elif marker == _APP14:
            kept.append(_plain_adobe(data[at:end]))
        elif marker == _DQT:
            tables = _used_tables(data[at:end], used)
            if tables is None:
                return None
            kept.append(tables)
        elif marker in _NEEDED:
            kept.append(data[at:end])
        elif not (_APP0 < marker <= _APP15 or marker == _COM):
            return None  # whatever it is, a camera does not write it
        at = end
    return b"".join([*kept, b"\xff\xd9"]) if data[at : at + 2] == b"\xff\xd9" else None


class PhotoStore:
    """The folder of photos: each under the hash of its content, with the smaller ones beside it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def keep(self, photo: CleanPhoto) -> None:
        """Write a photo so that it survives whatever ends the program or the machine."""
        place = self.place(photo.sha256)
        if not place.exists():
            place.parent.mkdir(exist_ok=True)
            write_whole(self.shown(photo.sha256), photo.shown)
            write_whole(self.small(photo.sha256), photo.small)
            write_whole(place, photo.data)
            for folder in (place.parent, self.folder):
                _sync_folder(folder)

    def drop(self, sha256: str) -> None:
        """Delete a photo and the smaller ones beside it."""
        for file in (self.place(sha256), self.shown(sha256), self.small(sha256)):
            file.unlink(missing_ok=True)

    def sweep(self, wanted: Container[str]) -> int:
        """Delete what belongs to no wanted photo, as a killed program leaves it; says how many files."""
        swept = 0
        for file in self.folder.glob("??/*"):
            if file.name.endswith(".part") or file.name.partition(".")[0] not in wanted:
                file.unlink(missing_ok=True)
                swept += 1
        return swept

    def place(self, sha256: str) -> Path:
        """Where the photo with this content lies."""
        return self.folder / sha256[:2] / f"{sha256}.jpg"

    def shown(self, sha256: str) -> Path:
        """Where the picture of it lies that is shown."""
        return self.folder / sha256[:2] / f"{sha256}.shown.jpg"

    def small(self, sha256: str) -> Path:
        """Where the picture of it for lists lies."""
        return self.folder / sha256[:2] / f"{sha256}.small.jpg"


def _jpeg(rgb: np.ndarray, **how: int) -> bytes:
    coded = io.BytesIO()
    Image.fromarray(rgb).save(coded, "JPEG", **how)
    return coded.getvalue()


def _check_pixels(data: bytes, limits: Limits) -> None:
    """Refuse by the header alone, before memory is taken; what is no picture is refused later."""
    try:
        with Image.open(io.BytesIO(data), formats=_FORMATS) as header:
            width, height = header.size
    except Exception:  # picture libraries meet hostile bytes with errors of every class
        return
    if width * height > limits.photo_pixels:
        most = limits.photo_pixels // 1_000_000
        raise Refused("too_many_pixels", width=width, height=height, most=most)


def _orientation(data: bytes) -> int:
    try:
        with Image.open(io.BytesIO(data), formats=_FORMATS) as header:
            turn = int(header.getexif().get(_ORIENTATION_TAG, 1))
    except Exception:  # a broken Exif block: the picture is taken as it lies, as when decoding
        return 1
    return turn if 1 <= turn <= 8 else 1


def _turn_segment(turn: int) -> bytes:
    exif = Image.Exif()
    exif[_ORIENTATION_TAG] = turn
    body = exif.tobytes()
    return b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body


def _plain_adobe(segment: bytes) -> bytes:
    """An Adobe segment without what follows its colour transform (ITU-T T.872, 6.5.3)."""
    if segment[4:9] != b"Adobe" or len(segment) < 16:
        return b""
    return b"\xff\xee\x00\x0e" + segment[4:16]


def _quantisers(data: bytes) -> set[int] | None:
    """Numbers of the quantisation tables that the picture's components name (ITU-T T.81, B.2.2)."""
    at = 2
    while at + 10 <= len(data) and data[at] == 0xFF:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if marker in _FRAMES:
            components = data[at + 10 : at + 2 + length]
            return set(components[2::3])
        at += 1 if marker == 0xFF else 2 if marker in _ALONE else 2 + length
    return None


def _used_tables(segment: bytes, used: set[int]) -> bytes | None:
    """A segment of quantisation tables with those that are used; None if it holds anything else."""
    at, kept = 4, []
    while at < len(segment):
        size = 129 if segment[at] >> 4 else 65
        if at + size > len(segment):
            return None
        if segment[at] & 15 in used:
            kept.append(segment[at : at + size])
        at += size
    body = b"".join(kept)
    return b"\xff\xdb" + (len(body) + 2).to_bytes(2, "big") + body if body else b""


def _plain_jfif(segment: bytes) -> bytes:
    """A JFIF header without its thumbnail (ITU-T T.871, 10.1); JFXX extensions, which hold one, go."""
    if segment[4:9] != b"JFIF\0" or len(segment) < 18:
        return b""
    return b"\xff\xe0\x00\x10" + segment[4:16] + b"\0\0"


def _end_of_scan(data: bytes, at: int) -> int:
    """Where the coded data end: at the first marker that is neither a stuffed zero nor a restart."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        following = data[at + 1]
        if following == 0xFF:
            at += 1
        elif following == 0 or following in _ALONE:
            at += 2
        else:
            return at


def _sync_folder(folder: Path) -> None:
    """Make the names in a folder durable (POSIX: syncing a file does not sync its name)."""
    if os.name == "nt":  # which opens no folder as a file
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
