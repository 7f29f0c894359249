"""Photos looked at with other values of tuned constants, each constant judged by its own criterion.

A photo is decoded once, and the network is run once for each picture that it is shown: a constant that acts
on its answers costs a tenth of a second a photo and value, one that changes the picture a run of the network.
"""

import hashlib
import json
import math
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

from plugface.cli.evaluation import measure_vision
from plugface.cli.evaluation.measure_vision import Tally
from plugface.cli.lot.parallel import WorkerFailed, map_unordered
from plugface.cli.version import vision_version
from plugface.vision.detection import segmenter
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo


@dataclass(frozen=True)
class Criterion:
    """What chooses a constant's value: the highest score, or with `limit` the least value within it."""

    words: str
    score: Callable[[Tally], float]
    limit: float | None = None

    def choose(self, tallies: dict[Any, Tally]) -> Any:
        """The value that wins, the first of equals; None where none is within the limit."""
        scores = {value: self.score(tally) for value, tally in tallies.items()}
        if self.limit is not None:
            within = [value for value, score in scores.items() if score <= self.limit]
            return min(within, default=None)
        return max(scores, key=lambda value: -math.inf if math.isnan(scores[value]) else scores[value])


def score_units(tally: Tally) -> float:
    """F1 of units; one that is barely seen may be found or not."""
    of = tally.counts.get
    barely = of("unit precise", 0) - of("unit recalled", 0)
    both = of("unit true", 0) + of("unit found", 0) - barely
    return 2 * of("unit recalled", 0) / both if both else float("nan")


def score_plugs(tally: Tally) -> float:
    """F1 of plugs."""
    return tally.f1("connector")


def score_both(tally: Tally) -> float:
    """Mean F1 of units and plugs."""
    return (score_units(tally) + score_plugs(tally)) / 2


def score_sure_and_wrong(tally: Tally) -> float:
    """Share of the plugs found whose colour is wrong with more than 0.9."""
    return tally.share("sure and wrong", "colour asked")


@dataclass(frozen=True)
class Trial:
    """One name of a module, `plugface.` left out, at one value."""

    module: str
    name: str
    value: Any

    @property
    def key(self) -> str:
        """By what its counts are kept."""
        return f"{self.module}.{self.name}={self.value}"

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """The name at this value, and put back."""
        module = import_module(f"plugface.{self.module}")
        before = getattr(module, self.name)
        setattr(module, self.name, self.value)
        try:
            yield
        finally:
            setattr(module, self.name, before)


@dataclass
class Tried:
    """Of all photos that were looked at: counts and processor seconds of each trial; None is as stored."""

    tallies: dict[Trial | None, Tally] = field(default_factory=dict)
    seconds: dict[Trial | None, float] = field(default_factory=dict)
    photos: int = 0


@dataclass(frozen=True)
class PhotoTask:
    """One photo, what is true of it, and what is to be tried on it."""

    path: Path
    row: str  # JSON
    trials: tuple[Trial, ...]
    folder: Path  # where counts are kept

    @property
    def kept_at(self) -> Path:
        """By the photo, its truth, everything in vision/ and what counts."""
        digest = hashlib.sha256(self.path.read_bytes() + self.row.encode()).hexdigest()[:32]
        return self.folder / "trials" / f"{vision_version()}-{_hash_counting()}" / f"{digest}.json"


@cache
def _hash_counting() -> str:
    files = (Path(__file__), Path(measure_vision.__file__))
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()[:16]


class RememberingNetwork:
    """A network that is run once for each input; asked the same again, it gives the same answer."""

    def __init__(self, network: Any) -> None:
        self.network = network
        self.answers: dict[bytes, Any] = {}

    def run(self, names: Any, fed: dict[str, Any]) -> Any:
        """As an onnxruntime session."""
        key = b"".join(
            hashlib.sha256(f"{name} {array.shape}".encode() + array.tobytes()).digest()
            for name, array in fed.items()
        )
        if key not in self.answers:
            self.answers[key] = self.network.run(names, fed)
        return self.answers[key]


@contextmanager
def network_remembered() -> Iterator[None]:
    """Inside, the segmenter's network is run once for each input."""
    load = segmenter.load_segmenter
    loaded: dict[Any, RememberingNetwork] = {}

    def load_once(*which: Any, **how: Any) -> RememberingNetwork:
        key = (which, tuple(sorted(how.items())))
        if key not in loaded:
            loaded[key] = RememberingNetwork(load(*which, **how))
        return loaded[key]

    with Trial("vision.detection.segmenter", "load_segmenter", load_once).at_work():
        yield


def try_photo(task: PhotoTask) -> dict[str, dict[str, Any]]:
    """Counts and seconds of one photo by trial, `stored` first; what is kept is not looked at again."""
    try:
        kept = json.loads(task.kept_at.read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):  # one cut short is made again
        kept = {}
    missing = [trial for trial in (None, *task.trials) if _key(trial) not in kept]
    if missing:
        photo, row = decode_photo(task.path.read_bytes(), name=task.path.name), json.loads(task.row)
        with network_remembered():
            for trial in missing:
                began, tally = time.process_time(), Tally()
                with trial.at_work() if trial else nullcontext():
                    measure_vision.score_photo(observe(photo, read_text=False), row, tally)
                kept[_key(trial)] = {"counts": tally.counts, "seconds": time.process_time() - began}
        task.kept_at.parent.mkdir(parents=True, exist_ok=True)
        unfinished = task.kept_at.with_suffix(".part")
        unfinished.write_text(json.dumps(kept), encoding="utf-8")
        unfinished.replace(task.kept_at)
    return kept


def _key(trial: Trial | None) -> str:
    return trial.key if trial else "stored"


def try_on_photos(
    folder: Path,
    rows: Iterable[dict],
    trials: Iterable[Trial],
    *,
    kept: Path,
    workers: int = 1,
    minutes: float = math.inf,
    done: Callable[[int], object] = lambda _: None,
) -> Tried:
    """Look at photos with each trial's value and as stored.

    Parameters
    ----------
    folder : Path
        With the photos that the rows name.
    rows : iterable of dict
        Truth of the photos.
    trials : iterable of Trial
    kept : Path
        Cache folder; what is there is not looked at again, so a run that was cut off goes on.
    workers : int
        Processes.
    minutes : float
        After these no more photos are begun.
    done : callable
        Called with the number of photos looked at.

    Returns
    -------
    tried : Tried
        Every value on the same photos.
    """
    every, ends = tuple(trials), time.monotonic() + 60 * minutes
    tried = Tried({trial: Tally() for trial in (None, *every)}, dict.fromkeys((None, *every), 0.0))

    def submit() -> Iterator[PhotoTask]:
        for row in rows:
            if time.monotonic() >= ends:
                return
            yield PhotoTask(folder / row["photo"], json.dumps(row, sort_keys=True), every, kept)

    for task, found in map_unordered(try_photo, submit(), workers=workers):
        if isinstance(found, WorkerFailed):
            print(f"{task.path}: {found.message}; left out", file=sys.stderr)
            continue
        for trial in tried.tallies:
            one = found[_key(trial)]
            tried.seconds[trial] += one["seconds"]
            for name, count in one["counts"].items():
                tried.tallies[trial].add(name, count)
        tried.photos += 1
        done(tried.photos)
    return tried
