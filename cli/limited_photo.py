"""A photo that a command is given, opened so that it cannot stop or take down the program.

A plain photo is opened here, which costs nothing. One that could take very long, very much memory, or the
decoder down with it is opened in a process of its own first, with a limit on both.
"""

import atexit
from dataclasses import replace
from functools import cache
from os import PathLike
from pathlib import Path

from plugface.analysis import read_bytes
from plugface.cli.limited_process import LimitedProcess, Reason, Stopped
from plugface.vision.photo import Photo, UnreadablePhoto, decode_photo

#: Seconds of the processor, and bytes of memory, for opening one photo. Our choice.
OPEN_S, OPEN_BYTES = 20.0, 2_000_000_000

#: A progressive JPEG costs a walk over its pixels for each of its passes; up to so many pixels walked over it
#: is plain: a phone's 12 million in ten passes are half of it. Our choice.
MAX_WALKED = 250_000_000

#: Pixels up to which a PNG or WebP file is plain; a screen or a phone makes no larger ones. Our choice.
MAX_PLAIN_PIXELS = 25_000_000

#: Why a photo was not opened, in words.
STOPPED: dict[Reason, str] = {
    "time": "it takes longer to open than any photo of a camera",
    "memory": "it takes more memory to open than any photo of a camera",
    "broke": "it breaks the program that opens it",
    "ended": "the process that opened it was ended, for lack of memory perhaps",
}
AS_JPEG = "Save it again as an ordinary JPEG and send that"

# How files begin: TIFF 6.0, section 2, and BigTIFF; PNG, 5.2; JPEG, ITU-T T.81, table B.1.
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_PNG, _JPEG = b"\x89PNG\r\n\x1a\n", b"\xff\xd8"
_BASELINE, _PROGRESSIVE, _SOS = (0xC0, 0xC1), 0xC2, b"\xff\xda"
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_ANIMATED = 0x02  # in the flags of a VP8X chunk, RFC 9649, 2.7


def read_photo(path: str | PathLike[str], *, name: str = "") -> Photo:
    """Read and decode one picture file, within limits of time and memory.

    Parameters
    ----------
    path : path
    name : str
        What to call it in an error; its path by default.

    Returns
    -------
    photo : Photo

    Raises
    ------
    UnreadablePhoto
        Its sentence says why the file cannot be used.
    """
    return open_limited(read_bytes(Path(path)), name or str(path))


def open_limited(data: bytes, name: str) -> Photo:
    """As `decode_photo`, in a process of its own where the header does not promise an ordinary photo.

    Parameters
    ----------
    data : bytes
    name : str
        What to call the file in an error.

    Returns
    -------
    photo : Photo

    Raises
    ------
    UnreadablePhoto
        As `decode_photo`, and where the photo was stopped.
    """
    if is_plain(data):
        return decode_photo(data, name=name)
    try:
        photo = _other_process()((data, name))
    except Stopped as stopped:
        advice = "Close other programs and try again" if stopped.reason == "ended" else AS_JPEG
        raise UnreadablePhoto(name, STOPPED[stopped.reason], advice) from None
    if "rgb" in photo.__dict__:
        photo.rgb.flags.writeable = False  # lost on the way
    object.__setattr__(photo, "_data", data)
    return photo


def is_plain(data: bytes) -> bool:
    """Whether the header promises a picture that is opened soon and in bounded memory; or no picture."""
    if data.startswith(_JPEG):
        return _is_plain_jpeg(data)
    if data.startswith(_PNG):
        return _pixels(data[16:20], data[20:24], "big") <= MAX_PLAIN_PIXELS
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _is_plain_webp(data)
    return not data.startswith(_TIFF) and data[4:8] != b"ftyp"


def open_alone(asked: tuple[bytes, str]) -> Photo:
    """In the other process: open a photo and decode it whole; it goes back without the bytes that came.

    A JPEG that was decoded within the limits goes back without its pixels, too: to decode it again takes as
    long.
    """
    photo = decode_photo(asked[0], name=asked[1])
    pixels = {"rgb": photo.rgb} if "rgb" in photo.__dict__ else {}
    _ = photo.rgb
    bare = replace(photo, _data=b"")
    bare.__dict__.update(pixels)
    return bare


@cache
def _other_process() -> LimitedProcess:
    process = LimitedProcess(open_alone, seconds=OPEN_S, memory_bytes=OPEN_BYTES)
    atexit.register(process.close)
    return process


def _pixels(width: bytes, height: bytes, order: str) -> int:
    return int.from_bytes(width, order) * int.from_bytes(height, order)  # type: ignore[arg-type]


def _is_plain_jpeg(data: bytes) -> bool:
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
        elif marker in _FRAMES:
            walked = _pixels(data[at + 5 : at + 7], data[at + 7 : at + 9], "big") * data.count(_SOS)
            return marker in _BASELINE or (marker == _PROGRESSIVE and walked <= MAX_WALKED)
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return len(data) < 100  # cut off: no picture; else the decoder finds its own way, or none


def _is_plain_webp(data: bytes) -> bool:
    """By the sizes in the three kinds of first chunk (RFC 9649, 2.5 to 2.7; RFC 6386, 9.1)."""
    kind, body = data[12:16], data[20:30]
    if len(body) < 10:
        return True  # cut off: no picture
    if kind == b"VP8X":
        width, height = (int.from_bytes(body[at : at + 3], "little") + 1 for at in (4, 7))
    elif kind == b"VP8L":
        bits = int.from_bytes(body[1:5], "little")
        width, height = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    else:
        width, height = (int.from_bytes(body[at : at + 2], "little") & 0x3FFF for at in (6, 8))
    moves = kind == b"VP8X" and body[0] & _ANIMATED
    return not moves and width * height <= MAX_PLAIN_PIXELS
