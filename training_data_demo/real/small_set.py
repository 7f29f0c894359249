"""Make the small committed set: photos of the test split, smaller, with names and numbers blurred.

    python -m plugface.demo.real.small_set --photos P

P holds the photos that `bring` brought. `blurred.json` names the photos of the set and the boxes to blur in
each, in pixels of the photo as shown, given by hand after looking. Lines and codes that lie under a box are
dropped from the set's own truth. `licences/` holds the licences that want their notice with every copy.
"""

import argparse
import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from PIL import Image
from plugface.demo.real.pictures import find_photo, open_shown
from plugface.demo.real.records import FOLDER, LISTS, IndexRow, read_index, read_truth

BLURRED, NOTICES = FOLDER / "blurred.json", FOLDER / "notices.json"
PHOTOS, SMALL_TRUTH, SOURCES = FOLDER / "photos", FOLDER / "photos_truth.jsonl", FOLDER / "SOURCES.md"
#: Licences under which a photo may be handed on changed.
FREE = ("MIT", "BSD-2-Clause", "BSD-3-Clause", "Apache-2.0", "CC0-1.0", "CC-BY-4.0", "CC-BY-SA-4.0")
SHARE_ALIKE = "CC-BY-SA-4.0"
LONG_SIDE, QUALITY = 1280, 80
#: What lies under a box by more than this share of its own box counts as blurred.
_COVERED = 0.1
#: Cells of a blurred box along its short side: no letter lives through it.
_CELLS = 3

_HEAD = """\
# Sources of the photos in `photos/`

Each photo is a smaller copy of one in a public repository, named here with its commit and the hash of the
file (`index.jsonl` has the same). All were made smaller and coded again as JPEG; names, numbers and screens
in the boxes of `blurred.json` were blurred. Nothing here says that the authors approve of this project. The
licences that want their notice with every copy are in `licences/`; that of Apache-2.0 is in this project's
`LICENSE`. CC BY 4.0: https://creativecommons.org/licenses/by/4.0/.

Photos under CC BY-SA 4.0 (https://creativecommons.org/licenses/by-sa/4.0/), and their smaller copies here,
are under that licence and not under this project's: who changes and hands them on does so under the same.
They are marked with *SA*.
"""

Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Notice:
    """Whom a photo is owed to, and the file that says under what."""

    authors: str
    file: str


def blur(picture: Image.Image, boxes: list[Box]) -> Image.Image:
    """The picture with these boxes reduced to a few cells and smoothed.

    Parameters
    ----------
    picture : PIL picture
    boxes : x0, y0, x1, y1; pixels

    Raises
    ------
    ValueError
        If a box does not lie within the picture.
    """
    blurred = picture.copy()
    for box in boxes:
        x0, y0, x1, y1 = box
        if not (0 <= x0 < x1 <= picture.width and 0 <= y0 < y1 <= picture.height):
            raise ValueError(f"box {box} does not lie within {picture.width} x {picture.height} pixels")
        cell = max(1.0, min(x1 - x0, y1 - y0) / _CELLS)
        cells = max(1, round((x1 - x0) / cell)), max(1, round((y1 - y0) / cell))
        part = picture.crop(box).resize(cells, Image.Resampling.BOX)
        blurred.paste(part.resize((x1 - x0, y1 - y0), Image.Resampling.BICUBIC), (x0, y0))
    return blurred


def _covered(polygon: list[list[int]], boxes: list[Box]) -> bool:
    xs, ys = zip(*polygon, strict=True)
    own = max(1, (max(xs) - min(xs)) * (max(ys) - min(ys)))
    for x0, y0, x1, y1 in boxes:
        width, height = min(max(xs), x1) - max(min(xs), x0), min(max(ys), y1) - max(min(ys), y0)
        if width > 0 and height > 0 and width * height > _COVERED * own:
            return True
    return False


def scale_truth(row: dict, scale: float, boxes: list[Box]) -> dict:
    """A truth row of the smaller photo, without what lies under a box.

    Parameters
    ----------
    row : of the truth
    scale : float
        Pixels of the smaller photo per pixel.
    boxes : blurred, in pixels of the larger photo
    """
    small = dict(row)
    for name in LISTS:
        kept = [
            item
            for item in row[name]
            if name not in ("lines", "codes") or not _covered(item["polygon"], boxes)
        ]
        small[name] = [
            item
            | {"polygon": [[round(x * scale), round(y * scale)] for x, y in item["polygon"]]}
            | {k: round(item[k] * scale, 1) for k in ("height_px", "module_px") if item.get(k) is not None}
            for item in kept
        ]
    return small


def shrink(picture: Image.Image) -> tuple[Image.Image, float]:
    """The picture with a long side of LONG_SIDE at most, and the scale."""
    scale = min(1.0, LONG_SIDE / max(picture.size))
    size = round(picture.width * scale), round(picture.height * scale)
    return picture.resize(size, Image.Resampling.LANCZOS) if scale < 1 else picture, scale


def write_sources(rows: list[IndexRow], notices: dict[str, Notice]) -> str:
    """The page that says of each photo whose it is and under what licence."""
    text = [_HEAD]
    for repository in sorted({row.repository for row in rows}, key=str.lower):
        own = [row for row in rows if row.repository == repository]
        notice = notices[repository]
        mark = " *SA*" if own[0].licence == SHARE_ALIKE else ""
        text += [
            f"## https://github.com/{repository}",
            "",
            f"{own[0].licence}{mark} (`{notice.file}`). {notice.authors}",
            f"Commit `{own[0].commit}`.",
            "",
            "| photo | file hash | blurred boxes |",
            "|---|---|---|",
            *(f"| `photos/{row.id}.jpg` | `{row.blob}` | {len(_boxes()[row.id])} |" for row in own),
            "",
        ]
    return "\n".join(text)


def _boxes() -> dict[str, list[Box]]:
    given = json.loads(BLURRED.read_text(encoding="utf-8"))
    return {name: [tuple(box) for box in boxes] for name, boxes in given.items()}


def make(photos: Path) -> list[str]:
    """Write photos, truth and sources; what could not be made, a line each."""
    index, truth = {row.id: row for row in read_index()}, read_truth()
    notices = {k: Notice(**v) for k, v in json.loads(NOTICES.read_text(encoding="utf-8")).items()}
    shutil.rmtree(PHOTOS, ignore_errors=True)
    PHOTOS.mkdir()
    made, rows, faults = [], [], []
    for name, boxes in sorted(_boxes().items()):
        try:
            row = index[name]
            if row.split != "test" or row.licence not in FREE or row.repository not in notices:
                raise ValueError(
                    f"split {row.split}, licence {row.licence}: not for handing on, or no notice"
                )
            picture = open_shown(find_photo(photos, name))
            small, scale = shrink(blur(picture, boxes))
            small.save(PHOTOS / f"{name}.jpg", quality=QUALITY, optimize=True)
        except (KeyError, OSError, ValueError) as error:
            faults.append(f"{name}: {error}")
            continue
        made.append(row)
        rows.append(scale_truth(truth[name], scale, boxes) | {"width": small.width, "height": small.height})
    lines = [json.dumps(row, separators=(",", ":")) + "\n" for row in rows]
    SMALL_TRUTH.write_text("".join(lines), encoding="utf-8")
    SOURCES.write_text(write_sources(made, notices), encoding="utf-8")
    return faults


def main(words: list[str] | None = None) -> None:
    """Make the set, say how much it is."""
    parser = argparse.ArgumentParser(prog="small_set", description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=Path, required=True, help="folder with ID.jpg or ID.png")
    faults = make(parser.parse_args(words).photos)
    for line in faults:
        print(line)
    files = sorted(PHOTOS.iterdir())
    print(f"{len(files)} photos, {sum(file.stat().st_size for file in files) / 2**20:.1f} MiB in {PHOTOS}")
    if faults:
        sys.exit(1)


if __name__ == "__main__":
    main()
