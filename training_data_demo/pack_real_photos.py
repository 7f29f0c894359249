"""Pack annotated real photographs for a training: smaller pictures in one folder, one file of annotations.

    python -m plugface.demo.pack_real_photos --photos P --annotations A --ids IDS --out OUT

P holds ID.jpg or ID.png, A holds ID.json, IDS is a file with an id a line: those of the training split. A
photo without an annotation, or an annotation outside its picture, is named and left out.
OUT gets photos/ID.jpg and annotations.jsonl, its polygons in pixels of the smaller pictures.
"""

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from plugface.demo.real.records import read_doubts, with_doubts

LONG_SIDE, QUALITY = 1152, 88  # as large as rendered shots are kept; coding that hides no cavity
#: A person's click may land beside the picture by so much of its long side; clipped, not refused.
_BESIDE = 0.02


def main() -> None:
    """Pack the photos named, say how much it is."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--annotations", type=Path, required=True)
    parser.add_argument("--ids", type=Path, required=True, help="file with the ids to pack, one a line")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--long-side", type=int, default=LONG_SIDE, help="pixels")
    parser.add_argument("--quality", type=int, default=QUALITY, help="of JPEG")
    options = parser.parse_args()
    (options.out / "photos").mkdir(parents=True, exist_ok=True)
    rows, size, doubts = [], 0, read_doubts()
    sides = options.long_side, options.quality
    for name in options.ids.read_text().split():
        try:
            row, coded = pack(name, options.photos, options.annotations, *sides, doubts)
        except (OSError, ValueError, KeyError, TypeError) as error:
            print(f"left out {name}: {error}")
            continue
        (options.out / "photos" / f"{name}.jpg").write_bytes(coded)
        rows.append(row)
        size += len(coded)
    (options.out / "annotations.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    plugs = sum(len(row.get("plugs", [])) for row in rows)
    units = sum(len(row.get("units", [])) for row in rows)
    print(f"{len(rows)} photos, {units} units, {plugs} plugs, {size / 2**20:.1f} MiB in {options.out}")


def pack(
    name: str,
    photos: Path,
    annotations: Path,
    long_side: int,
    quality: int,
    doubts: dict[str, dict[str, list]],
) -> tuple[dict, bytes]:
    """The annotation in pixels of the smaller picture, and that picture as JPEG.

    Raises
    ------
    FileNotFoundError
        If the photo or its annotation is not there.
    ValueError
        If the photo cannot be read, or a polygon lies outside it.
    """
    path = next((p for p in sorted(photos.glob(f"{name}.*"))), None)
    if path is None:
        raise FileNotFoundError(f"{photos} has no photo of this name")
    row = with_doubts(json.loads((annotations / f"{name}.json").read_text()), doubts)
    bgr = cv2.imread(str(path))  # applies the EXIF turn, as the annotation does
    if bgr is None:
        raise ValueError(f"{path} is no picture that can be read")
    height, width = bgr.shape[:2]
    scale = min(1.0, long_side / max(height, width))
    if scale < 1.0:
        bgr = cv2.resize(bgr, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA)
    for kind in ("units", "plugs", "lines", "codes", "lures", "doubts"):
        for item in row.get(kind, []):
            item["polygon"] = _scaled(item["polygon"], width, height, bgr.shape, kind)
            item.pop("text", None)
            item.pop("payload", None)
    coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
    return row | {"width": bgr.shape[1], "height": bgr.shape[0]}, coded


def _scaled(polygon, width: int, height: int, shape: tuple[int, ...], kind: str) -> list[list[float]]:
    """Corners in pixels of the smaller picture."""
    points = np.asarray(polygon, float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise ValueError(f"{kind}: a polygon of three corners or more expected, got {polygon!r}")
    slack = _BESIDE * max(width, height)
    if (points < -slack).any() or (points > np.array([width, height]) + slack).any():
        raise ValueError(f"{kind}: a corner lies outside the picture of {width} x {height} pixels")
    factor = np.array([shape[1] / width, shape[0] / height])
    return np.round(points.clip(0, [width, height]) * factor, 1).tolist()


if __name__ == "__main__":
    main()
