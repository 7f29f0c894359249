"""Cut out what is a plug's housing or a controller and what only looks like one, to train the verifier.

    python -m plugface.cli.evaluation.collect_patches --out PATCHES --photos PHOTOS

From real photographs of the index's training part whose licence lets weights learn from them, PHOTOS/ID.jpg
or ID.png, and from those of which single things alone were looked at. OUT gets one JPEG a patch and
patches.jsonl with a row for each: file, photo, whether it is a plug and whether it is a unit (null where
nobody can tell), its weight, what it is, its outline, by which it can be cut out otherwise without looking
again, and what is known of plugs in view: their outlines in shares of the patch's side from its middle, their
weights and colours, and whether all of them are listed. Plugs are those annotated and whatever the segmenter
outlined like them; the rest are other things that it took for plugs, looked at in several sizes and with a
low bar, annotated lures and codes, whole units, and places drawn by chance. Units are those annotated and
what the segmenter outlined like them; whatever else it took for a unit is none. With --rendered the training
photos of those folders are added, the demo's and photos of units drawn by chance (`plan --set yard`, `dyed`):
rendered units must pass as well, and the demo's own come in few shells and colours.
"""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from plugface.cli.evaluation.measure_vision import overlap, read_rows
from plugface.demo.real.records import (
    THINGS,
    THINGS_ALONE,
    THINGS_INDEX,
    read_doubts,
    read_index,
    read_truth,
    with_doubts,
)
from plugface.vision.detection.connectors import CLUSTERING
from plugface.vision.detection.instances import find_instances
from plugface.vision.detection.segmenter import NetworkSegmenter
from plugface.vision.detection.units import find_units
from plugface.vision.detection.verifier import cut_square, square_round
from plugface.vision.observe import WHOLE_PX
from plugface.vision.vision_models import Segmenter

#: A patch shows more than the network's picture, so that training can move about in it, and not less sharply:
#: in 192 pixels, enlarged, large plugs looked otherwise than the verifier sees them.
CONTEXT, SIDE_PX, QUALITY = 2.4, 320, 85
#: Long sides of the picture in which the segmenter looks for things, and its bars.
SIZES, BARS = (384, 512, 768), (0.5, 0.25)
#: Found things that overlap a plug so much are it, and those that overlap none so much are none; between them
#: nobody can tell.
SAME, OTHER = 0.5, 0.25
#: A plug of which the annotator was not sure counts half.
DOUBTED = 0.5
_BY_CHANCE, _MAX_FOUND = 3, 24
#: Share of a rendered plug that must be in view for it to be one that a person would see.
_WHOLE = 0.5
#: What the segmenter believes less is not learned from as what it takes for a unit.
MIN_UNIT_CONFIDENCE = 0.3


@dataclass(frozen=True)
class Patch:
    """A thing in a photo: is it a plug's housing, is it a unit? None where nobody can tell."""

    outline: np.ndarray
    plug: bool | None
    unit: bool | None
    weight: float
    what: str


class Plug(NamedTuple):
    """An annotated plug; the colour is None where nobody tells it."""

    outline: np.ndarray
    weight: float
    colour: str | None = None


@dataclass(frozen=True)
class Annotated:
    """A photo with what is known of it; `complete` where whatever is not listed is no plug.

    Of some photos single things alone were looked at: what else they show, and which of those things are
    units, nobody said.
    """

    name: str
    file: Path
    plugs: tuple[Plug, ...]
    others: tuple[tuple[np.ndarray, str], ...]
    units: tuple[np.ndarray, ...]
    complete: bool
    unclear: tuple[np.ndarray, ...] = ()  # of these nobody can tell
    things_alone: bool = False


def main() -> None:
    """Collect patches of all photos."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--photos", type=Path, nargs="+", required=True, help="folders of the index's photos")
    parser.add_argument("--only", type=Path, help="file with ids, one a line: no others")
    parser.add_argument("--weights", type=Path, help="a segmenter.onnx other than the one that comes along")
    parser.add_argument(
        "--rendered", type=Path, nargs="+", default=[], help="folders of the studio: truth.jsonl and photos"
    )
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    segmenter = NetworkSegmenter(options.weights) if options.weights else NetworkSegmenter()
    wanted = set(options.only.read_text().split()) if options.only else None
    rng = np.random.default_rng(20261128)
    photos = [photo for photo in read_photos(options.photos) if wanted is None or photo.name in wanted]
    rendered = [photo for folder in options.rendered for photo in read_rendered(folder)]
    with (options.out / "patches.jsonl").open("a") as rows:
        for at, photo in enumerate([*photos, *rendered]):
            bgr = cv2.imread(str(photo.file))
            if bgr is None:
                print(f"left out {photo.name}: {photo.file} is no picture", file=sys.stderr)
                continue
            rgb = np.ascontiguousarray(bgr[..., ::-1])
            patches = [*find_patches(rgb, photo, segmenter, rng), *find_unit_patches(rgb, photo, segmenter)]
            if at >= len(photos):
                patches = [replace(patch, what="rendered") for patch in patches]
            for number, patch in enumerate(patches):
                file = f"{photo.name}_{number:03d}.jpg"
                square = cut_square(rgb, patch.outline, context=CONTEXT, side_px=SIDE_PX)
                cv2.imwrite(str(options.out / file), square[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
                row = {
                    "file": file,
                    "photo": photo.name,
                    "plug": patch.plug,
                    "unit": patch.unit,
                    "weight": patch.weight,
                    "what": patch.what,
                    "outline": np.asarray(patch.outline, float).round(1).tolist(),
                    **in_view(square_round(patch.outline, CONTEXT), photo),
                }
                rows.write(json.dumps(row) + "\n")
            if at % 20 == 0:
                print(f"{at} of {len(photos) + len(rendered)} photos", file=sys.stderr, flush=True)


def read_photos(folders: list[Path]) -> Iterator[Annotated]:
    """Annotated photos of the index's training part that weights may learn from."""
    index = {row.id: row for row in (*read_index(), *read_index(THINGS_INDEX))}
    files, doubts = files_by_id(folders), read_doubts()
    for told in (*read_truth().values(), *read_truth(THINGS).values()):
        row, entry = with_doubts(told, doubts), index[told["id"]]
        if entry.split != "train" or entry.measure_only or row["id"] not in files:
            continue
        plugs = [
            Plug(
                np.asarray(plug["polygon"], np.float32),
                1.0 if plug.get("sure", True) else DOUBTED,
                plug.get("colour"),
            )
            for plug in row["plugs"]
        ]
        unclear = (*(doubt["polygon"] for doubt in row["doubts"]), *row.get("unclear", []))
        others = [(np.asarray(lure["polygon"], np.float32), "lure") for lure in row.get("lures", [])]
        others += [(np.asarray(code["polygon"], np.float32), "code") for code in row.get("codes", [])]
        units = tuple(np.asarray(unit["polygon"], np.float32) for unit in row.get("units", []))
        things_alone = entry.kind == THINGS_ALONE
        # On a bare board nobody drew its headers, so what is found there may well be one.
        complete = not things_alone and entry.kind != "board" and row.get("view") != "board"
        yield Annotated(
            row["id"],
            files[row["id"]],
            tuple(plugs),
            tuple(others),
            units,
            complete,
            tuple(np.asarray(outline, np.float32) for outline in unclear),
            things_alone=things_alone,
        )


def read_rendered(folder: Path) -> Iterator[Annotated]:
    """The training split of a folder that the studio wrote, with its units and plugs."""
    for row in read_rows(folder, "train"):
        in_sight = (unit["polygon"] for unit in row["units"] if len(unit["polygon"]) >= 3)
        units = tuple(np.asarray(outline, np.float32) for outline in in_sight)
        seen: dict[bool, list[Plug]] = {True: [], False: []}
        for plug in (plug for unit in row["units"] for plug in unit["connectors"]):
            whole = not plug["missing"] and plug["visible"] >= _WHOLE
            seen[whole].append(Plug(np.asarray(plug["polygon"], np.float32), 1.0, plug["colour"]))
        unclear = tuple(plug.outline for plug in seen[False])
        yield Annotated(
            row["id"], folder / row["photo"], tuple(seen[True]), (), units, complete=True, unclear=unclear
        )


def files_by_id(folders: list[Path]) -> dict[str, Path]:
    """Photos by their id; of one in several folders that of the folder given first."""
    return {file.stem: file for folder in reversed(folders) for file in folder.iterdir()}


def find_patches(
    rgb: np.ndarray, photo: Annotated, segmenter: Segmenter, rng: np.random.Generator
) -> Iterator[Patch]:
    """What to cut out of one photo.

    Parameters
    ----------
    rgb : uint8 ndarray (h, w, 3)
    photo : Annotated
    segmenter : Segmenter
    rng : Generator
    """
    plugs = [plug.outline for plug in photo.plugs]
    for plug in photo.plugs:
        yield Patch(plug.outline, True, False, plug.weight, "annotated")
    doubtful = [*plugs, *photo.unclear]
    for outline, what in photo.others:
        if not _touches(outline, doubtful):
            yield Patch(outline, False, None if photo.things_alone else False, 1.0, what)
    if not photo.complete:
        return
    found_of = [0] * len(photo.plugs)
    kept = 0
    for outline in find_things(rgb, segmenter):
        overlaps = [overlap(outline, plug) for plug in plugs]
        best = int(np.argmax(overlaps)) if overlaps else -1
        if overlaps and overlaps[best] >= SAME:
            found_of[best] += 1
            if found_of[best] <= 3:
                yield Patch(outline, True, False, photo.plugs[best].weight, "found")
        elif not _touches(outline, doubtful) and kept < _MAX_FOUND:
            kept += 1
            yield Patch(outline, False, _tell(outline, photo.units), 1.0, "found")
    height, width = rgb.shape[:2]
    for _ in range(_BY_CHANCE):
        side = min(height, width) * np.exp(rng.uniform(np.log(0.04), np.log(0.6)))
        slim = np.exp(rng.uniform(0, 1.4))
        middle = rng.uniform((0, 0), (width, height))
        box = (
            (float(middle[0]), float(middle[1])),
            (side * slim**0.5, side / slim**0.5),
            rng.uniform(0, 180),
        )
        outline = cv2.boxPoints(box)
        if not _touches(outline, doubtful):
            yield Patch(outline, False, _tell(outline, photo.units), 1.0, "chance")


def find_unit_patches(rgb: np.ndarray, photo: Annotated, segmenter: Segmenter) -> Iterator[Patch]:
    """Units, and whatever the segmenter takes for one, with a low bar.

    Parameters
    ----------
    rgb : uint8 ndarray (h, w, 3)
    photo : Annotated
    segmenter : Segmenter
    """
    plugs = [plug.outline for plug in photo.plugs]
    for outline in photo.units:
        yield Patch(outline, False, True, 1.0, "unit")
    if photo.things_alone:
        return
    (maps,) = segmenter.segment(*_whole_picture(rgb, WHOLE_PX))
    for found in find_units(maps, MIN_UNIT_CONFIDENCE):
        outline = np.asarray(found.polygon, np.float32)
        plug = _tell(outline, plugs) if photo.complete or plugs else None
        yield Patch(outline, plug, _tell(outline, photo.units), 1.0, "found unit")


def in_view(square: np.ndarray, photo: Annotated) -> dict:
    """What is known of plugs in a square of a photo, as a row of patches.jsonl tells it.

    Parameters
    ----------
    square : ndarray (4, 2)
        As `square_round` gives it.
    photo : Annotated
    """
    middle, across, down = square.mean(0), square[1] - square[0], square[3] - square[0]
    to_shares = np.linalg.inv(np.column_stack([across, down]))

    def shown(outline: np.ndarray) -> list[list[float]] | None:
        if len(outline) < 3:  # of a rendered plug that is out of view
            return None
        points = (outline - middle) @ to_shares.T
        beyond = (points.min(0) > 0.5).any() or (points.max(0) < -0.5).any()
        return None if beyond else points.round(4).tolist()

    plugs = [
        {"outline": points, "weight": plug.weight, "colour": plug.colour}
        for plug in photo.plugs
        if (points := shown(plug.outline)) is not None
    ]
    unclear = [points for outline in photo.unclear if (points := shown(outline)) is not None]
    return {"plugs": plugs, "unclear": unclear, "complete": photo.complete}


def _tell(outline: np.ndarray, things: Sequence[np.ndarray]) -> bool | None:
    """Whether an outline is that of one of the things; None where nobody can tell."""
    best = max((overlap(outline, thing) for thing in things), default=0.0)
    return True if best >= SAME else False if best < OTHER else None


def _whole_picture(rgb: np.ndarray, long_side_px: int) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """The photo with this long side, and the matrix from its pixels to the photo's: a batch of one."""
    scale = long_side_px / max(rgb.shape[:2])
    width, height = (max(32, round(length * scale)) for length in rgb.shape[1::-1])
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    to_photo = np.array([[rgb.shape[1] / width, 0, 0], [0, rgb.shape[0] / height, 0]])
    return [cv2.resize(rgb, (width, height), interpolation=way)], [to_photo]


def find_things(rgb: np.ndarray, segmenter: Segmenter) -> list[np.ndarray]:
    """Outlines (4, 2) of all that may be a housing, in the photo's pixels, the likeliest first, each once."""
    things: list[tuple[float, np.ndarray]] = []
    for size in SIZES:
        if size > 1.5 * max(rgb.shape[:2]):
            continue
        (maps,) = segmenter.segment(*_whole_picture(rgb, size))
        for bar in BARS:
            for thing in find_instances(
                maps.masks["connector"],
                maps.coarse_masks["connector"],
                maps.connector_shape,
                parting=CLUSTERING,
                threshold=bar,
                least_cells=3,
            ):
                things.append((thing.probability, maps.points_to_photo(thing.rectangle())))
    once: list[np.ndarray] = []
    for _, outline in sorted(things, key=lambda pair: -pair[0]):
        if all(overlap(outline, other) < 0.8 for other in once):
            once.append(outline)
    return once


def _touches(outline: np.ndarray, others: list[np.ndarray]) -> bool:
    return any(overlap(outline, other) >= OTHER for other in others)


if __name__ == "__main__":
    main()
