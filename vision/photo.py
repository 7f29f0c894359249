"""From the bytes of a file to a picture: the only door through which outside pictures enter."""

import hashlib
import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import IO

import cv2
import numpy as np
from PIL import Image, ImageFile, UnidentifiedImageError
from plugface.vision.geometry import shrunk

#: Largest picture that is decoded whole, in pixels: our choice, 360 MB of RGB. Phones make 12 to 200 million;
#: a plain JPEG of up to MAX_JPEG_PIXELS is decoded at half its width and height, which no sensor of that kind
#: resolves more than (common practice, no source).
MAX_PIXELS = 120_000_000
MAX_JPEG_PIXELS = 210_000_000
# Sizes are checked here, from the header; Pillow's own limit lies lower than what phones make.
Image.MAX_IMAGE_PIXELS = MAX_JPEG_PIXELS

#: Most passes of a progressive JPEG. Encoders make about ten; each costs a walk over the whole picture, so
#: that a hundred of them in 386 kB kept a machine busy for 40 s. Our choice.
MAX_SCANS = 24

#: Smallest side of a picture in which anything could be seen, in pixels. Our choice.
MIN_SIDE_PX = 32

#: Long side of a picture as a multiple of the other; a panorama has ten. A strip shows no unit, and neither
#: detectors nor JPEG (65,500 pixels at most) are made for one. Our choice.
MAX_ASPECT = 20

#: Share of the pixels asked for along the long side that will do: a half of 4,000 where 2,016 are asked for
#: takes half the time of the whole and a reduction. Our choice.
_NEAR_ENOUGH = 0.95

#: Long side from which grey is decoded by itself: such a photo's colours are mostly asked for at half its
#: size, and decoding the whole in colour as well would take twice the time. Our choice; the other way differs
#: by a grey level or two.
_GREY_ALONE_PX = 3832

_BAND_ROWS = 512

#: Colours this close, in 8-bit levels, are the same: what a profile means by them need not be worked out. Our
#: choice; profiles of sRGB differ by rounding alone.
_SAME_COLOUR = 3
#: A profile that knows no white, in 8-bit levels of each primary, is broken or hostile. Our choice.
_MIN_WHITE = 225

_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
_WANTED = "JPEG, PNG, WebP, TIFF and HEIC files can be read"
_ORIENTATION_TAG = 0x0112  # EXIF 2.32, table 4

# EXIF orientation -> what turns the stored picture upright: (transpose first, flip code of cv2.flip or None).
_UPRIGHT = {
    1: (False, None),
    2: (False, 1),
    3: (False, -1),
    4: (False, 0),
    5: (True, None),
    6: (True, 1),
    7: (True, -1),
    8: (True, 0),
}

# A JPEG marker inside or after coded data: FF, then neither a stuffed zero, nor a restart, nor a fill byte
# (ITU-T T.81, B.1.1).
_JPEG_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


def _open_heif(file: IO[bytes], name: str | bytes) -> ImageFile.ImageFile:
    """Pillow's way into a HEIC file; its library is loaded by the first such file, for that takes a while."""
    import pillow_heif

    start = file.read(_START_BYTES)
    file.seek(0)
    # The library takes an AVIF file too, and fails when it is to decode it.
    if _other_kind(start) or not pillow_heif.is_supported(file):
        raise SyntaxError("no HEIC file")  # as Pillow wants it said
    file.seek(0)
    return pillow_heif.HeifImageFile(file, name)


Image.register_open("HEIF", _open_heif, lambda start: start[4:8] == b"ftyp")


class UnreadablePhoto(Exception):
    """A file that gives no picture: which file, what is wrong with it, what to do."""

    def __init__(self, name: str, problem: str, advice: str) -> None:
        self.name, self.problem, self.advice = name, problem, advice
        super().__init__(f"{name or 'photo'}: {problem}. {advice}.")

    def __reduce__(self) -> tuple[type, tuple[str, str, str]]:
        """Made again from its parts on the way back from a worker process."""
        return type(self), (self.name, self.problem, self.advice)


@dataclass(frozen=True)
class Photo:
    """One photo, upright, with everything but its pixels dropped (no place, no time, no device).

    The pixels are decoded when they are asked for: a plain JPEG can be had at a half, a quarter or an eighth
    of its size for much less than the whole (measured on 12 megapixels, 2 cores: `reduced(2016)` 50 ms,
    `grey` 80 ms, `rgb` 140 ms).
    """

    name: str
    sha256: str  # of the file's bytes
    format: str  # "JPEG", "PNG", "WEBP", "TIFF", "HEIF"
    width_px: int  # after the EXIF turn
    height_px: int
    notes: tuple[str, ...] = ()
    _data: bytes = field(default=b"", repr=False, compare=False)
    _orientation: int = field(default=1, repr=False, compare=False)
    _plain_jpeg: bool = field(default=False, repr=False, compare=False)
    _halved: bool = field(default=False, repr=False, compare=False)  # the file has twice the width and height
    _profile: bytes = field(default=b"", repr=False, compare=False)  # ICC, of colours other than sRGB
    _smaller: dict[int, np.ndarray] = field(default_factory=dict, repr=False, compare=False)

    @property
    def has_own_colours(self) -> bool:
        """Whether a profile says that the stored colours are not sRGB's; the pixels given here are."""
        return bool(self._profile)

    @cached_property
    def rgb(self) -> np.ndarray:
        """The whole picture: uint8, shape (H, W, 3), sRGB.

        Raises
        ------
        UnreadablePhoto
            If the coded pixels turn out to be damaged.
        """
        if self._plain_jpeg:
            return _fixed(_to_srgb(self._decode_jpeg(_COLOUR_FLAGS[1 + self._halved]), self._profile))
        return _fixed(_decode_any(self._data, self.name))

    @cached_property
    def grey(self) -> np.ndarray:
        """The whole picture in grey: uint8, shape (H, W); enough for text and codes, sooner than `rgb`.

        The same whatever was asked for before: of a large plain JPEG its own brightness, else that of `rgb`.
        """
        if self._plain_jpeg and not self._profile and max(self.width_px, self.height_px) >= _GREY_ALONE_PX:
            flag = cv2.IMREAD_REDUCED_GRAYSCALE_2 if self._halved else cv2.IMREAD_GRAYSCALE
            return _fixed(self._decode_jpeg(flag))
        return _fixed(cv2.cvtColor(self.rgb, cv2.COLOR_RGB2GRAY))

    def reduced(self, max_side: int) -> np.ndarray:
        """The picture with its long side at most `max_side` pixels, or a little less; never enlarged.

        Parameters
        ----------
        max_side : int, pixels, at least 1

        Returns
        -------
        rgb : uint8 ndarray, shape (h, w, 3)
            `photo.width_px / w` leads from its pixels to those of the photo.
        """
        if max_side < 1:
            raise ValueError(f"max_side must be at least 1, got {max_side}")
        if max_side not in self._smaller:
            self._smaller[max_side] = _fixed(self._reduce(max_side))
        return self._smaller[max_side]

    def _reduce(self, max_side: int) -> np.ndarray:
        long_side = max(self.width_px, self.height_px)
        rgb = None
        if self._plain_jpeg:
            for divisor in (8, 4, 2):
                flag = _COLOUR_FLAGS.get(divisor * (1 + self._halved))
                if flag is not None and long_side // divisor >= _NEAR_ENOUGH * max_side:
                    rgb = self._decode_jpeg(flag)
                    break
        profile = self._profile if rgb is not None else b""  # the whole picture is in sRGB already
        rgb = self.rgb if rgb is None else rgb
        return _to_srgb(shrunk(rgb, max_side), profile)

    def _decode_jpeg(self, flags: int) -> np.ndarray:
        coded = np.frombuffer(self._data, np.uint8)
        stored = cv2.imdecode(coded, flags | cv2.IMREAD_IGNORE_ORIENTATION)
        if stored is None:
            raise _damaged(self.name)
        if stored.ndim == 3:  # red first, by a step of its own: not every OpenCV does it while it reduces
            stored = cv2.cvtColor(stored, cv2.COLOR_BGR2RGB)
        return turn_upright(stored, self._orientation)


#: How many times smaller than the file's -> how OpenCV decodes a JPEG to that.
_COLOUR_FLAGS = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}


def _fixed(pixels: np.ndarray) -> np.ndarray:
    """The same pixels, which nobody can change from here on: several readers share them."""
    pixels = pixels if pixels.base is None else pixels.copy()
    pixels.flags.writeable = False
    return pixels


def turn_upright(stored: np.ndarray, orientation: int) -> np.ndarray:
    """Undo the camera's turn.

    Parameters
    ----------
    stored : ndarray, shape (H, W) or (H, W, 3)
    orientation : int
        EXIF orientation, 1..8; anything else is taken as 1, as viewers do.

    Returns
    -------
    upright : ndarray, contiguous

    References
    ----------
    EXIF 2.32 (CIPA DC-008-2019), tag 0x0112.
    """
    transpose, flip = _UPRIGHT.get(orientation, _UPRIGHT[1])
    turned = cv2.transpose(stored) if transpose else stored
    return turned if flip is None else cv2.flip(turned, flip)


def decode_photo(data: bytes, *, name: str = "") -> Photo:
    """Check the bytes of a picture file and make a `Photo` of them.

    Size and kind are decided from the header, before any pixel is decoded.

    Parameters
    ----------
    data : bytes
        JPEG, PNG, WebP, TIFF or HEIC.
    name : str
        What to call the file in an error.

    Returns
    -------
    photo : Photo

    Raises
    ------
    UnreadablePhoto
        Empty, not a picture, cut short, damaged, too small or too large; the sentence says which. Of a JPEG
        damaged in its middle the decoders say nothing: it is opened, with false colours behind the damage.
    """
    if not data:
        raise UnreadablePhoto(name, "the file is empty", "Copy it again from the camera or phone")
    header = _open(data, name)
    width, height = header.size
    kind = "JPEG" if header.format == "MPO" else header.format
    assert kind is not None  # whatever Pillow opens has one
    may_halve = kind == "JPEG" and header.mode in {"RGB", "L"}
    _check_size(width, height, name, MAX_JPEG_PIXELS if may_halve else MAX_PIXELS)
    # Phones hide a second picture in a JPEG: not worth a word.
    more = kind != "JPEG" and _holds_more(header)
    notes = (f"{name or 'the photo'} holds several pictures; only the first was looked at.",) * more
    whole = kind == "JPEG" and _jpeg_is_whole(data, name)
    plain = whole and header.mode in {"RGB", "L"}
    if not plain:
        _check_size(width, height, name, MAX_PIXELS)
    halved = width * height > MAX_PIXELS
    if halved:
        notes += (
            f"{name or 'the photo'} has {width} x {height} pixels; it was looked at in half that size.",
        )
        width, height = (width + 1) // 2, (height + 1) // 2
    orientation, pixels = 1, None
    if plain:
        orientation = _orientation_of(header)
        if orientation in {5, 6, 7, 8}:
            width, height = height, width
    else:  # such files can hide damage anywhere: decode now, so that it is found here
        pixels = _decode_any(data, name)
        height, width = pixels.shape[:2]
    photo = Photo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        format=kind,
        width_px=width,
        height_px=height,
        notes=notes,
        _data=data,
        _orientation=orientation,
        _plain_jpeg=plain,
        _halved=halved,
        _profile=_profile_of(header) if plain and header.mode == "RGB" else b"",
    )
    if pixels is not None:
        photo.__dict__["rgb"] = _fixed(pixels)
    return photo


def photo_from_array(rgb: np.ndarray, *, name: str = "") -> Photo:
    """A photo from pixels that are decoded already; its hash is that of the PNG file they make.

    Parameters
    ----------
    rgb : uint8 ndarray, shape (H, W, 3) or (H, W), sRGB, upright
    name : str
        What to call it in an error.

    Returns
    -------
    photo : Photo

    Raises
    ------
    UnreadablePhoto
        If it is too small or too large.
    ValueError
        If it is no such array.
    """
    if rgb.dtype != np.uint8 or rgb.ndim not in (2, 3) or (rgb.ndim == 3 and rgb.shape[2] != 3):
        raise ValueError(f"pixels must be uint8 of shape (H, W, 3) or (H, W), got {rgb.dtype} {rgb.shape}")
    file = io.BytesIO()
    Image.fromarray(rgb).save(file, "PNG", compress_level=1)
    return decode_photo(file.getvalue(), name=name)


def _profile_of(header: Image.Image) -> bytes:
    """The ICC profile that says what a picture's RGB means; empty for sRGB, which goes without saying.

    Phones store a wider gamut than sRGB: taken for sRGB, its colours would look duller than they are. A
    broken profile is no reason to refuse good pixels.
    """
    profile = header.info.get("icc_profile") or b""
    if not profile:
        return b""
    steps = np.linspace(0, 255, 5)
    cube = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(25, 5, 3).astype(np.uint8)
    try:
        meant = _to_srgb(cube, profile)
    except Exception:  # the library's own error class hides behind its import
        return b""
    if meant.max(axis=(0, 1)).min() < _MIN_WHITE:
        return b""
    return profile if np.abs(meant.astype(int) - cube).max() > _SAME_COLOUR else b""


def _to_srgb(rgb: np.ndarray, profile: bytes) -> np.ndarray:
    """The same colours in sRGB: uint8 (H, W, 3), by Pillow's LittleCMS, relative colorimetric."""
    if not profile:
        return rgb
    from PIL import ImageCms  # few photos need it

    change = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        "RGB",
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    return _in_bands(Image.fromarray(rgb), change.apply)


def _orientation_of(header: Image.Image) -> int:
    try:
        return int(header.getexif().get(_ORIENTATION_TAG, 1))
    except Exception:  # a broken EXIF block is no reason to refuse good pixels
        return 1


def _holds_more(header: Image.Image) -> bool:
    """Whether there is a second picture; they are not counted, which takes longer the more there are."""
    try:
        header.seek(1)
        header.seek(0)
    except Exception:  # no second one, or damage behind the first, which is seen when that is decoded
        return False
    return True


def _open(data: bytes, name: str) -> Image.Image:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about large or oddly tagged files; size is checked by us
            return Image.open(io.BytesIO(data), formats=_FORMATS)
    except Image.DecompressionBombError:
        raise _too_large(name, "it claims more pixels than any camera makes") from None
    except UnidentifiedImageError:
        if _HEIF.match(data):
            raise _damaged(name) from None
        if _FILM.match(data):
            advice = "Take a photo, or save one still picture out of the film and send that"
            raise UnreadablePhoto(name, "it is a film, not a photo", advice) from None
        raise UnreadablePhoto(name, _say_kind(data), _WANTED) from None
    except MemoryError:  # the machine's fault, or that of a limit on it
        raise
    except Exception:  # decoders raise whatever comes on hostile bytes; all of it means the file is bad
        raise _damaged(name) from None


# How films begin: brands of ISO/IEC 14496-12 other than those of pictures; EBML (RFC 8794); RIFF's AVI.
_FILM = re.compile(
    rb".{4}(moov|mdat|wide|ftyp(isom|iso\d|mp4\d|mp71|M4V |avc1|dash|qt  |3g[p2].))"
    rb"|\x1a\x45\xdf\xa3|RIFF.{4}AVI ",
    re.S,
)
_HEIF = re.compile(rb".{4}ftyp(heic|heix|heim|heis|hevc|mif1|msf1)", re.S)
# How files of other kinds begin: GIF89a; Windows bitmaps; ISO/IEC 14496-12 brands of AVIF; ISO 32000-1;
# ISO/IEC 18181-2, bare and boxed; Photoshop; SVG.
_OTHER_KINDS = (
    (re.compile(rb"GIF8[79]a"), "a GIF picture"),
    (re.compile(rb"BM.{12}[\x0c\x28\x38\x6c\x7c]\0\0\0", re.S), "a BMP picture"),
    (re.compile(rb".{4}ftypavi[fs]", re.S), "an AVIF picture"),
    (re.compile(rb"%PDF-"), "a PDF document"),
    (re.compile(rb"\xff\x0a|\0\0\0\x0cJXL \r\n\x87\n"), "a JPEG XL picture"),
    (re.compile(rb"8BPS\x00\x01"), "a Photoshop picture"),
    (re.compile(rb"\s*(<\?xml[^>]*>\s*)?<svg"), "an SVG drawing"),
)
_START_BYTES = 400  # enough for the longest of them, an SVG drawing behind its XML declaration


def _other_kind(data: bytes) -> str | None:
    return next((words for start, words in _OTHER_KINDS if start.match(data[:_START_BYTES])), None)


def _say_kind(data: bytes) -> str:
    """What a file is that cannot be read: a picture of another kind is one all the same."""
    kind = _other_kind(data)
    return f"it is {kind}, which is not read" if kind else "it is not a picture, whatever its name says"


def _check_size(width: int, height: int, name: str, most: int) -> None:
    if width * height > most:
        raise _too_large(name, f"it is {width} x {height} pixels", most)
    if min(width, height) < MIN_SIDE_PX:
        raise UnreadablePhoto(
            name,
            f"it is only {width} x {height} pixels, too small to show anything",
            "Send the photo itself, not its thumbnail",
        )
    if max(width, height) > MAX_ASPECT * min(width, height):
        raise UnreadablePhoto(
            name,
            f"it is a strip of {width} x {height} pixels, in which no unit can be seen",
            "Send the photo itself, as the camera made it",
        )


def _too_large(name: str, problem: str, most: int = MAX_PIXELS) -> UnreadablePhoto:
    limit = f"{most // 1_000_000} million pixels"
    return UnreadablePhoto(
        name, f"{problem} (at most {limit} are opened)", "Save a smaller copy and send that"
    )


def _damaged(name: str) -> UnreadablePhoto:
    return UnreadablePhoto(
        name, "the picture is cut short or damaged", "Copy it again from the camera or phone"
    )


def _jpeg_is_whole(data: bytes, name: str) -> bool:
    """Whether the coded data run to an end-of-image marker.

    Segments are skipped by their length, so that the end marker of an embedded thumbnail does not count.
    False sends the file to the slower decoder, which knows whether pixels are missing.

    Raises
    ------
    UnreadablePhoto
        If the picture is coded in more passes than any camera makes.
    """
    at, scans = 2, 0
    while True:
        found = _JPEG_MARKER.search(data, at)
        if found is None:
            return False
        if data[found.start() + 1] == 0xD9:
            return True
        scans += data[found.start() + 1] == 0xDA
        if scans > MAX_SCANS:
            problem = f"it is coded in more than {MAX_SCANS} passes, as no camera does"
            raise UnreadablePhoto(name, problem, "Save it again as an ordinary JPEG and send that")
        start = found.end()
        if data[found.start() + 1] == 0x01:  # TEM stands alone
            at = start
            continue
        length = int.from_bytes(data[start : start + 2], "big")
        if length < 2:
            return False
        at = start + length


def _decode_any(data: bytes, name: str) -> np.ndarray:
    picture = _open(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            picture.load()
            coloured = picture.mode in {"RGB", "RGBA", "P"}
            rgb = _to_srgb(_to_rgb(picture), _profile_of(picture) if coloured else b"")
            return np.ascontiguousarray(turn_upright(rgb, _orientation_of(picture)))
    except (MemoryError, UnreadablePhoto):
        raise
    except Exception:  # as in _open
        raise _damaged(name) from None


def _to_rgb(picture: Image.Image) -> np.ndarray:
    """uint8 RGB of a picture in any of Pillow's modes; transparent parts come out white."""
    if picture.mode in {"I;16", "I;16L", "I;16B", "I", "F"}:
        return cv2.cvtColor(_to_eight_bits(np.asarray(picture)), cv2.COLOR_GRAY2RGB)
    if picture.mode in {"RGBA", "LA", "PA", "RGBa", "La"} or "transparency" in picture.info:
        return _in_bands(picture, _on_paper)
    return _in_bands(picture, lambda band: band.convert("RGB"))


def _on_paper(picture: Image.Image) -> Image.Image:
    layer = picture.convert("RGBA")
    paper = Image.new("RGBA", layer.size, (255, 255, 255, 255))
    return Image.alpha_composite(paper, layer).convert("RGB")


def _in_bands(picture: Image.Image, convert: Callable[[Image.Image], Image.Image]) -> np.ndarray:
    """A picture converted a few rows at a time: whole copies of a large one would need gigabytes."""
    width, height = picture.size
    rgb = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, _BAND_ROWS):
        bottom = min(top + _BAND_ROWS, height)
        rgb[top:bottom] = np.asarray(convert(picture.crop((0, top, width, bottom))))
    return rgb


def _to_eight_bits(grey: np.ndarray) -> np.ndarray:
    """8 bits of a deep grey picture: whole numbers count as 16-bit, fractions as 0..1 (or 0..maximum)."""
    if grey.dtype.kind in "ui":
        return np.clip(grey.astype(np.int64) // 257, 0, 255).astype(np.uint8)
    finite = np.nan_to_num(grey, nan=0.0, posinf=0.0, neginf=0.0)
    return np.clip(finite * (255.0 / max(1.0, float(finite.max()))), 0, 255).astype(np.uint8)
