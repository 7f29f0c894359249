"""Pictures as a viewer shows them: turned as their EXIF says, with a grid or outlines drawn in."""

from io import BytesIO
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont, ImageOps

Image.MAX_IMAGE_PIXELS = 200_000_000  # the largest of the set has 64 million; more is a bomb

_ONE, _OTHER, _TEXT = (255, 0, 255), (0, 255, 255), (255, 255, 0)
_STEPS = (5, 10, 20, 25, 50, 100, 200, 250, 500, 1000)
_COLOURS = {
    "units": (0, 255, 0),
    "lures": (255, 160, 0),
    "lines": (255, 255, 0),
    "codes": (0, 200, 255),
    "plugs": (255, 0, 80),
}


def open_shown(source: Path | bytes) -> Image.Image:
    """The picture in RGB, EXIF turn applied.

    Raises
    ------
    OSError
        If it is no picture that can be read.
    """
    opened = Image.open(BytesIO(source) if isinstance(source, bytes) else source)
    if opened.mode == "P":  # a palette may carry transparency in a form that goes to RGB by a detour alone
        opened = opened.convert("RGBA")
    return ImageOps.exif_transpose(opened).convert("RGB")


def shown_size(content: bytes) -> tuple[int, int]:
    """Width and height as shown, without decoding.

    Raises
    ------
    OSError
        If it is no picture that can be read.
    """
    picture = Image.open(BytesIO(content))
    turned = picture.getexif().get(0x0112, 1) in (5, 6, 7, 8)
    return picture.size[::-1] if turned else picture.size


def difference_hash(picture: Image.Image) -> str:
    """The perceptual hash of the index: 64 bits in hexadecimal, near for pictures that look alike.

    A bit a pair of neighbours of the grey picture made 9 x 8 small (Lanczos): is the right one brighter than
    the left; row by row, the first the highest bit. After N. Krawetz, "Kind of Like That", 2013 (dHash).
    The index has it for ids with a and c; those with b were made small bilinearly, so they lie some bits off.
    """
    small = picture.convert("L").resize((9, 8), Image.Resampling.LANCZOS)
    grey = list(small.tobytes())
    bits = "".join(str(int(grey[9 * y + x + 1] > grey[9 * y + x])) for y in range(8) for x in range(8))
    return f"{int(bits, 2):016x}"


def find_photo(folder: Path, name: str) -> Path:
    """The file of a photo, whatever its ending.

    Raises
    ------
    FileNotFoundError
        If the folder has none of this name.
    """
    found = next(iter(sorted(folder.glob(f"{name}.*"))), None)
    if found is None:
        raise FileNotFoundError(f"{name}: {folder} has no such photo; bring it first")
    return found


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _write(draw: ImageDraw.ImageDraw, at: tuple[float, float], text: str, fill=_TEXT, size: int = 15) -> None:
    draw.text(at, text, fill=fill, font=_font(size), stroke_width=2, stroke_fill=(0, 0, 0))


def draw_grid(picture: Image.Image, box_xyxy: tuple[int, int, int, int] | None, side: int) -> Image.Image:
    """A picture or a part of it, with a grid numbered in pixels of the whole picture.

    Parameters
    ----------
    picture : PIL picture
    box_xyxy : part to show, pixels; None for all
    side : int
        Long side of what comes back, pixels.
    """
    box = box_xyxy or (0, 0, *picture.size)
    part = picture.crop(box)
    scale = side / max(part.size)
    part = part.resize((max(1, round(part.width * scale)), max(1, round(part.height * scale))))
    draw = ImageDraw.Draw(part)
    span = max(box[2] - box[0], box[3] - box[1])
    step = next((s for s in _STEPS if span / s <= 16), _STEPS[-1])
    for x in range(-(-box[0] // step) * step, box[2], step):
        at = (x - box[0]) * scale
        draw.line((at, 0, at, part.height), fill=_ONE if x // step % 2 == 0 else _OTHER)
        _write(draw, (at + 2, 1), str(x))
    for y in range(-(-box[1] // step) * step, box[3], step):
        at = (y - box[1]) * scale
        draw.line((0, at, part.width, at), fill=_ONE if y // step % 2 == 0 else _OTHER)
        _write(draw, (1, at + 1), str(y))
    return part


def draw_outlines(picture: Image.Image, row: dict, side: int) -> Image.Image:
    """The picture with all that is annotated drawn in."""
    scale = side / max(picture.size)
    shown = picture.resize((round(picture.width * scale), round(picture.height * scale)))
    draw = ImageDraw.Draw(shown)
    for name, colour in _COLOURS.items():
        for at, item in enumerate(row.get(name, [])):
            corners = [(x * scale, y * scale) for x, y in item["polygon"]]
            draw.line([*corners, corners[0]], fill=colour, width=3)
            _write(draw, corners[0], _caption(name, at, item), colour, 17)
    return shown


def _caption(name: str, at: int, item: dict) -> str:
    doubt = "" if item.get("sure", True) else "?"
    if name == "units":
        return f"unit{doubt}{' cut' if item.get('cut_off') else ''}"
    if name == "plugs":
        order = "-" if item.get("order") is None else item["order"]
        marks = "m" * bool(item.get("mated")) + "c" * bool(item.get("cut_off"))
        return f"{order}:{item.get('colour')}{doubt}{marks}"
    return {"lures": item.get("what", ""), "codes": item.get("symbology", "")}.get(name, str(at))


def lay_out(pictures: list[tuple[str, Image.Image]], columns: int = 2) -> Image.Image:
    """Pictures side by side, each under its name."""
    width, height, head = 650, 486, 24
    rows = -(-len(pictures) // columns)
    sheet = Image.new("RGB", (columns * width, rows * (height + head)))
    for at, (name, picture) in enumerate(pictures):
        small = picture.copy()
        small.thumbnail((width - 10, height - 6))
        x, y = at % columns * width, at // columns * (height + head)
        sheet.paste(small, (x, y + head))
        _write(ImageDraw.Draw(sheet), (x + 3, y + 2), name, (255, 255, 255), 18)
    return sheet
