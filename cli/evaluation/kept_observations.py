"""Observations of many photos, kept so that measuring again does not look again.

What is kept hangs on the photo's bytes and on everything in vision/ (code and weights): a change of either
looks anew. So do other networks than those that come along, by which weights can be compared.
"""

import hashlib
import io
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from PIL import Image
from plugface.analysis import observe, open_photo
from plugface.cli.evaluation.corruptions import corrupt
from plugface.cli.limited_photo import read_photo
from plugface.cli.lot.parallel import map_unordered
from plugface.cli.version import vision_version
from plugface.codec import read_observations, write_observations
from plugface.vision.observations import Observations
from plugface.vision.vision_models import load_models


@dataclass(frozen=True)
class Look:
    """One photo to look at, as it is or corrupted."""

    path: Path
    corruption: str = ""  # one of `CORRUPTIONS`, or empty
    severity: int = 0
    weights: Path | None = None  # folder of other networks to look with

    def kept_at(self, folder: Path) -> Path:
        """Where its observations are kept."""
        digest = hashlib.sha256(self.path.read_bytes()).hexdigest()
        corruption = f"-{self.corruption}-{self.severity}" if self.corruption else ""
        networks = f"-{_hash_networks(self.weights)}" if self.weights else ""
        return (
            folder / "observations" / vision_version() / digest[:2] / f"{digest}{corruption}{networks}.json"
        )


@cache
def _hash_networks(folder: Path) -> str:
    """16 hexadecimal digits of the networks in a folder, by their names and bytes."""
    digest = hashlib.sha256()
    for file in sorted(folder.glob("*.onnx")):
        digest.update(file.name.encode() + b"\0" + hashlib.sha256(file.read_bytes()).digest())
    return digest.hexdigest()[:16]


def observe_all(
    looks: Iterable[Look], folder: Path, *, workers: int = 1, done: Callable[[], object] = lambda: None
) -> dict[Look, Observations]:
    """What is seen in each photo.

    Parameters
    ----------
    looks : iterable of Look
    folder : Path
        Cache folder; what is there is not looked at again, and each result is written as soon as it is known.
    workers : int
        Processes.
    done : callable
        Called once for each photo.

    Raises
    ------
    UnreadablePhoto
        If a photo cannot be read.
    BrokenNetwork
        If one of the other networks is not there or cannot be loaded.
    """
    found, missing = {}, []
    for look in dict.fromkeys(looks):
        try:
            found[look] = read_observations(look.kept_at(folder).read_text(encoding="utf-8"))
            done()
        except (FileNotFoundError, ValueError):  # a row cut short by a crash is made again
            missing.append((look, folder))
    for (look, _), text in map_unordered(_observe, missing, workers=workers):
        found[look] = read_observations(text)
        done()
    return found


def _observe(task: tuple[Look, Path]) -> str:
    look, folder = task
    photo = read_photo(look.path)
    if look.corruption:
        # The same photo gets the same noise in every run.
        pixels = corrupt(photo.rgb, look.corruption, look.severity, seed=int(photo.sha256[:8], 16))
        data = io.BytesIO()
        Image.fromarray(pixels).save(data, "PNG", compress_level=1)
        photo = open_photo(data.getvalue(), name=f"{look.path} with {look.corruption}")
    seen = observe(photo, models=load_models(look.weights)) if look.weights else observe(photo)
    text = write_observations(seen)
    kept = look.kept_at(folder)
    kept.parent.mkdir(parents=True, exist_ok=True)
    unfinished = kept.with_suffix(".part")
    unfinished.write_text(text, encoding="utf-8")
    unfinished.replace(kept)
    return text
