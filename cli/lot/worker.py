"""What a worker does: look at one photo, or decide over one unit.

Plain functions over plain values, so that any process on any machine can run them.
"""

import hashlib
import io
import os
import platform
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from PIL import Image
from plugface.cli.lot.scan import MAX_BYTES, Found, read_bytes
from plugface.cli.version import vision_version
from plugface.codec import read_observations, write_observations
from plugface.models.catalogue.entries import CatalogueError
from plugface.models.decision.answers import Decision
from plugface.models.decision.pairing import Needs
from plugface.models.learning.model_error import ModelError
from plugface.models.unit_choice import UnitChoice, UnitGone, from_part
from plugface.vision.observations import Observations

if TYPE_CHECKING:  # it loads all that decides, which a worker that looks has no use for
    from plugface.models.decision.opinion import Opinion

#: Long side of the small pictures in the report, pixels.
THUMB_PX = 480

_EXIF_IFD = 0x8769  # Exif 2.32, 4.6.3
_TAKEN_TAGS = (0x9003, 0x9004)  # DateTimeOriginal, DateTimeDigitized; Exif 2.32, table 8
_SUBSECOND_TAGS = (0x9291, 0x9292)


class WorkerError(Exception):
    """A worker that cannot use what all its work needs: on which machine, what is wrong, what mends it."""

    def __init__(self, machine: str, problem: str, remedy: str) -> None:
        self.machine, self.problem, self.remedy = machine, problem, remedy
        super().__init__(machine, problem, remedy)  # what it is made of again in the process that asked

    def __str__(self) -> str:
        """In one sentence, and what mends it."""
        return f"{self.machine}: {self.problem}. {self.remedy}"


#: Errors of a machine on which plugface is not whole. They stop the run: no photo is to blame, and none may
#: be written down as broken for it.
INCOMPLETE = (FileNotFoundError, PermissionError, ImportError, WorkerError)


#: Memory of the machine that any photo can be looked at with: where so much is left and it does not do, the
#: photo is to blame. Measured 2026-11: 1.1 GB for the largest picture that is opened.
ENOUGH_BYTES = 4_000_000_000


#: Where no swap was described.
NO_NEEDS = Needs()


class Analyser(Protocol):
    """The halves of plugface as sorting needs them; a test may put another one in their place."""

    @property
    def look_version(self) -> str:
        """Version of what looks at photos."""
        ...

    @property
    def model_version(self) -> str:
        """Version of what decides."""
        ...

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        """What is seen in a photo, and a small JPEG of it without metadata."""
        ...

    def list_units(self, seen: Observations) -> list[int]:
        """Indices of what counts as a unit of its own."""
        ...

    def decide(self, seen: list[Observations], chosen: list[UnitChoice]) -> Decision:
        """The answer for one unit."""
        ...

    def judge(
        self, seen: list[Observations], chosen: list[UnitChoice], claimed: str, needs: Needs
    ) -> "tuple[Decision, Opinion | None]":
        """The answer for one unit of which somebody said more, and what to think of a claim."""
        ...


@dataclass(frozen=True)
class PipelineAnalyser:
    """The real one: vision and models as the front door joins them."""

    catalogue: Path

    @property
    def look_version(self) -> str:
        """Version of what looks at photos: all of vision, and the catalogue's own shades if it has any."""
        shades = _catalogue(self.catalogue).head.shades
        looks = f"vision {vision_version()}"
        if not shades:
            return looks
        return f"{looks}, shades {hashlib.sha256(repr(shades).encode()).hexdigest()[:8]}"

    @property
    def model_version(self) -> str:
        """Version of the trained classifier."""
        from plugface.cli.store.learned_model import default_model

        return default_model().version

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        """What is seen in a photo, and a small JPEG of it without metadata."""
        from plugface.analysis import known_shades, observe, open_photo

        photo = open_photo(data, name=name)
        seen = observe(photo, shades=known_shades(_catalogue(self.catalogue)))
        small = io.BytesIO()
        Image.fromarray(photo.reduced(THUMB_PX)).save(small, "JPEG", quality=80)
        return seen, small.getvalue()

    def list_units(self, seen: Observations) -> list[int]:
        """Indices of what counts as a unit of its own."""
        from plugface.models.unit_choice import list_units

        return list_units(seen)

    def decide(self, seen: list[Observations], chosen: list[UnitChoice]) -> Decision:
        """The answer for one unit."""
        from plugface.analysis import decide_observed
        from plugface.cli.store.learned_model import default_model

        names = [one.photo_sha256 for one in seen]
        catalogue = _catalogue(self.catalogue)
        return decide_observed(names, seen, catalogue, model=default_model(), chosen=chosen).decision

    def judge(
        self, seen: list[Observations], chosen: list[UnitChoice], claimed: str, needs: Needs
    ) -> "tuple[Decision, Opinion | None]":
        """The answer for one unit of which somebody said more, and what to think of a claim."""
        from plugface.analysis import Settings, decide_observed
        from plugface.cli.store.learned_model import default_model

        names = [one.photo_sha256 for one in seen]
        settings = Settings(needs=None if needs == NO_NEEDS else needs, claimed=claimed or None)
        answer = decide_observed(
            names, seen, _catalogue(self.catalogue), settings=settings, model=default_model(), chosen=chosen
        )
        return answer.decision, answer.opinion


@dataclass(frozen=True)
class LookTask:
    """One photo to look at."""

    analyser: Analyser
    found: Found


@dataclass(frozen=True)
class LookResult:
    """What a worker brings back from one photo; one of `observations`, `fault` and `passing` is filled."""

    sha256: str  # empty where not even the bytes could be read
    size_bytes: int
    fault: str
    observations: str
    taken_at: str
    thumb: bytes
    seconds: float
    passing: str = ""  # what was wrong with the machine; says nothing about the photo


@dataclass(frozen=True)
class DecideTask:
    """One unit to decide over."""

    analyser: Analyser
    unit_id: int
    observations: tuple[str, ...]  # JSON, one per photo
    parts: tuple[int, ...]  # as the ledger keeps them
    claimed: str = ""
    needs: Needs = NO_NEEDS


@dataclass(frozen=True)
class Decided:
    """What came of it."""

    decision: Decision | None
    fault: str = ""  # why there is none
    opinion: "Opinion | None" = None  # where something was claimed
    passing: str = ""  # what was wrong with the machine; says nothing about the unit


def look(task: LookTask) -> LookResult:
    """Look at one photo. A photo that cannot be read is an answer, not an error.

    A drive that is gone, missing permission and a lack of memory are faults of the machine, not of the photo:
    they come back as `passing`, and the photo is looked at another time.

    Raises
    ------
    FileNotFoundError, PermissionError, ImportError, WorkerError
        If plugface itself lacks a part on this machine, or it does not see the run's catalogue.
    """
    started = time.perf_counter()
    try:
        data = read_bytes(task.found)
    except OSError as error:
        reason = f"could not be read: {_reason(error)}"
        if _leads_nowhere(task.found):
            return LookResult("", 0, reason, "", "", b"", time.perf_counter() - started)
        return _put_off(reason, started)
    except MemoryError:
        return _put_off("there was not enough memory", started)
    sha256 = hashlib.sha256(data).hexdigest()
    fault, observations, thumb = "", "", b""
    if len(data) >= MAX_BYTES:
        fault = f"too large: {MAX_BYTES // 1_000_000} MB or more"
    else:
        try:
            with _machine_named():
                seen, thumb = task.analyser.observe(data, task.found.shown)
            observations = write_observations(seen)
        except INCOMPLETE:
            raise
        except OSError as error:
            if error.errno is not None:  # of the system; a picture library's own have no number
                return _put_off(f"could not be looked at: {_reason(error)}", started)
            fault = " ".join(f"{type(error).__name__}: {error}".split())
        except MemoryError:
            if _free_bytes() < ENOUGH_BYTES:
                return _put_off("there was not enough memory", started)
            fault = "it takes more memory to look at than any photo of a camera"
        except Exception as error:  # one bad photo must not stop ten thousand; what it was is in its row
            if _lacks_memory(error) and _free_bytes() < ENOUGH_BYTES:
                return _put_off("there was not enough memory", started)
            words = f"{getattr(error, 'problem', '')}" or f"{type(error).__name__}: {error}"
            fault = " ".join(words.split())
    return LookResult(
        sha256, len(data), fault, observations, read_taken_at(data), thumb, time.perf_counter() - started
    )


def _lacks_memory(error: Exception) -> bool:
    """Whether a library says in its own way that it got no memory, as OpenCV and onnxruntime do."""
    words = str(error).lower()
    return "insufficient memory" in words or "bad_alloc" in words or "bad allocation" in words


def _put_off(reason: str, started: float) -> LookResult:
    return LookResult("", 0, "", "", "", b"", time.perf_counter() - started, passing=reason)


def _reason(error: OSError) -> str:
    return (error.strerror or str(error) or "unknown reason").lower()


def _leads_nowhere(found: Found) -> bool:
    """Whether a file is a link to nothing: that is how it lies there, and not the machine's fault."""
    path = os.path.join(found.root, found.path)
    return "://" not in found.root and os.path.islink(path) and not os.path.exists(path)


def _free_bytes() -> int:
    """Memory that could be had now; where the system does not say, none."""
    try:
        with open("/proc/meminfo") as file:  # proc(5)
            lines = dict(line.split(":", 1) for line in file)
        return int(lines["MemAvailable"].split()[0]) * 1024
    except (OSError, KeyError):
        return 0


@contextmanager
def _machine_named() -> Iterator[None]:
    """Have what is wrong with the catalogue or the model say where: of many machines it may be one."""
    try:
        yield
    except (CatalogueError, ModelError) as error:
        problem = f"its worker cannot use {error.file} ({error.problem})"
        remedy = (
            "Show it the run's folder under the same path, with the same plugface, and run the same command"
        )
        raise WorkerError(platform.node(), problem, f"{remedy} again") from None


def decide(task: DecideTask) -> Decided:
    """Decide over one unit. A lack of memory is a fault of the machine, and comes back as `passing`.

    Raises
    ------
    FileNotFoundError, PermissionError, ImportError, WorkerError
        As `look`.
    """
    try:
        seen = [read_observations(text) for text in task.observations]
        chosen = [from_part(part, one) for part, one in zip(task.parts, seen, strict=True)]
        with _machine_named():
            if not task.claimed and task.needs == NO_NEEDS:
                return Decided(task.analyser.decide(seen, chosen))
            decision, opinion = task.analyser.judge(seen, chosen, task.claimed, task.needs)
        return Decided(decision, opinion=opinion)
    except UnitGone as gone:
        return Decided(None, str(gone))
    except INCOMPLETE:
        raise
    except Exception as error:  # as above
        if (isinstance(error, MemoryError) or _lacks_memory(error)) and _free_bytes() < ENOUGH_BYTES:
            return Decided(None, passing="there was not enough memory")
        return Decided(None, " ".join(f"{type(error).__name__}: {error}".split()))


def read_taken_at(data: bytes) -> str:
    """When the camera says a photo was taken, ISO 8601 without a zone; empty where it does not say.

    Nothing else of the photo's metadata is looked at or kept.
    """
    try:
        with Image.open(io.BytesIO(data)) as picture:
            exif = picture.getexif().get_ifd(_EXIF_IFD)
        for tag, part in zip(_TAKEN_TAGS, _SUBSECOND_TAGS, strict=True):
            text = str(exif.get(tag, "")).strip("\0 ")
            if text:
                taken = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
                digits = str(exif.get(part, "")).strip("\0 ")
                fraction = int(digits[:6].ljust(6, "0")) if digits.isdecimal() else 0
                return taken.replace(microsecond=fraction).isoformat(timespec="milliseconds")
    except Exception:  # a picture library meets damaged files with errors of every class; no time is no harm
        return ""
    return ""


@cache
def _catalogue(folder: Path):
    from plugface.cli.settings import open_catalogue

    return open_catalogue(folder)
