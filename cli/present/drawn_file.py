"""Pictures that plugface drew, told from a person's own: only the former are written over."""

import io
import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL import Image

#: Stands in every picture that is drawn: a JPEG's comment, a text of a PNG, the EXIF of a WebP, an SVG's
#: comment. Whoever saves it in another program may lose it, and then the picture is theirs.
DRAWN_BY = "drawn by plugface"

#: EXIF 2.3, tag Software.
_SOFTWARE = 0x0131

PIXELS = (".jpg", ".jpeg", ".png", ".webp")


class PictureError(Exception):
    """A picture that cannot be written: which file, why, and what mends it."""

    def __init__(self, file: str, problem: str, remedy: str) -> None:
        self.file, self.problem, self.remedy = file, problem, remedy
        super().__init__(f"{file}: {problem}. {remedy}.")


def check_place(path: Path, endings: tuple[str, ...] = PIXELS) -> None:
    """Refuse a name under which no picture may be written; asked before a photo is looked at for minutes.

    Parameters
    ----------
    path : Path
    endings : tuple of str
        Those that can be written.

    Raises
    ------
    PictureError
        If the ending is none of these, or a file lies there that plugface did not draw: a photo that was
        named by mistake cannot be had again.
    """
    if path.suffix.lower() not in endings:
        *most, last = [ending for ending in endings if ending != ".jpeg"]  # .jpg says it
        said = f"{', '.join(most)} or {last}" if most else last
        remedy = f"Name a {said} file in a folder you may write to"
        raise PictureError(str(path), f'a picture cannot be written as "{path.suffix or path.name}"', remedy)
    if path.is_file() and DRAWN_BY.encode() not in path.read_bytes():
        problem = "there is such a file already, and plugface did not draw it"
        raise PictureError(str(path), problem, "Name another file for the picture, or move that one")


def save_pixels(picture: "Image.Image", path: Path) -> None:
    """Write a picture, whole or not at all; the ending of the name decides the format.

    Raises
    ------
    PictureError
        As `check_place`, and if the file cannot be written.
    """
    from PIL import Image, PngImagePlugin

    check_place(path)
    text, exif = PngImagePlugin.PngInfo(), Image.Exif()
    text.add_text("Software", DRAWN_BY)
    exif[_SOFTWARE] = DRAWN_BY
    form = {".png": "PNG", ".webp": "WEBP"}.get(path.suffix.lower(), "JPEG")
    marks: dict[str, dict[str, Any]] = {
        "PNG": {"pnginfo": text}, "JPEG": {"comment": DRAWN_BY}, "WEBP": {"exif": exif}
    }  # fmt: skip
    written = io.BytesIO()
    picture.save(written, form, quality=90, **marks[form])
    write_picture(path, written.getvalue())


def save_svg(svg: str, path: Path) -> None:
    """Write a drawing as SVG, whole or not at all.

    Raises
    ------
    PictureError
        As `check_place`, and if the file cannot be written.
    """
    check_place(path, (".svg",))
    write_picture(path, f"{svg}<!-- {DRAWN_BY} -->\n".encode())


def write_picture(path: Path, data: bytes) -> None:
    """Write a picture's bytes, whole or not at all; raises PictureError where they cannot be."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        remedy = "Name a file in a folder you may write to, on a disk that has room"
        raise PictureError(str(path), (error.strerror or "it cannot be written").lower(), remedy) from None
