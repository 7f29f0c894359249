"""From renders to photos: develops every shot, writes the JPEG files and one JSON line of truth per photo."""

import hashlib
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image
from plugface.demo.studio.camera import develop, encode_jpeg
from plugface.demo.studio.shots import Shot
from plugface.demo.studio.truth import truth_row


def develop_all(shots, renders: Path, folder: Path, *, jobs: int, masks: Path | None = None) -> list[str]:
    """Develop all rendered shots into `folder/photos` and `folder/truth.jsonl`.

    Parameters
    ----------
    shots : list of Shot
    renders : Path
        Folder of .npz files from `render_all`.
    folder : Path
    jobs : int
        Processes.
    masks : Path, optional
        Where to keep the index pictures, as 16-bit PNG; see `scene.UNIT_STRIDE` for the numbering.

    Returns
    -------
    missing : list of str
        Ids without a render.
    """
    for place in (folder / "photos", *([masks] if masks else [])):
        place.mkdir(parents=True, exist_ok=True)
    there = [shot for shot in shots if (renders / f"{shot.id}.npz").exists()]
    with ProcessPoolExecutor(jobs) as pool:
        rows = list(pool.map(_develop_file, there, *([x] * len(there) for x in (renders, folder, masks))))
    text = "".join(json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n" for row in rows)
    (folder / "truth.jsonl").write_text(text, encoding="utf-8")
    return [shot.id for shot in shots if shot not in there]


def develop_shot(shot: Shot, rgb) -> bytes:
    """The JPEG file of a rendered shot; the noise follows from the shot's seed."""
    picture = develop(rgb, shot.development, np.random.default_rng([shot.seed, 1]))
    return encode_jpeg(picture, shot.development)


def _develop_file(shot: Shot, renders: Path, folder: Path, masks: Path | None) -> dict:
    with np.load(renders / f"{shot.id}.npz") as arrays:
        rgb, index, geometry = arrays["rgb"], arrays["index"], json.loads(str(arrays["geometry"]))
    photo = develop_shot(shot, rgb)
    (folder / "photos" / f"{shot.id}.jpg").write_bytes(photo)
    if masks:
        Image.fromarray(index).save(masks / f"{shot.id}.png")
    row = truth_row(shot, geometry, index)
    return {"photo": row.pop("photo"), "sha256": hashlib.sha256(photo).hexdigest(), **row}
