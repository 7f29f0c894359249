"""The type that pictures are written in."""

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import cast

from PIL import ImageFont


@cache
def load_font(size: int, bold: bool) -> ImageFont.FreeTypeFont:
    """DejaVu Sans of so many pixels; a plainer type where it is not there."""
    # DejaVu Sans lies in matplotlib's package; finding it there does not import matplotlib.
    spec = find_spec("matplotlib")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    folder = Path(spec.submodule_search_locations[0]) if spec and spec.submodule_search_locations else Path()
    try:
        return ImageFont.truetype(folder / "mpl-data" / "fonts" / "ttf" / name, size)
    except OSError:  # distributions take the fonts out of that package: plainer letters are no fault
        return cast(ImageFont.FreeTypeFont, ImageFont.load_default(size))  # one of a size is always scalable
