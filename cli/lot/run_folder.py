"""The folder of one sorting run: what it was started with, and who may write there now.

run.json        lot, photos' folder, market, hash of the catalogue, place of the ledger
catalogue/      the catalogue as it was at the start; the run keeps to it
thumbs/         small pictures for the report, without any metadata
ledger.sqlite   unless another ledger was named
report.html, labels.html, report.pdf
"""

import json
import os
import secrets
import shutil
import threading
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import IO

from plugface.cli.errors import named
from plugface.cli.lot.scan import without_password
from plugface.cli.store.locks import lock_folder
from plugface.models.catalogue.entries import load_catalogue

#: The ledger in the run's own folder, which may be moved.
OWN_LEDGER = "ledger.sqlite"

_WRITING = threading.Lock()


class RunError(Exception):
    """A run that cannot be started or gone on with: which folder, what is wrong, what mends it."""

    def __init__(self, folder: str, problem: str, remedy: str) -> None:
        self.folder, self.problem, self.remedy = folder, problem, remedy
        super().__init__(f"{folder}: {problem}. {remedy}")


@dataclass(frozen=True)
class RunHead:
    """What a run was started with; a run that is resumed keeps it."""

    lot: str  # key in the ledger, unique also where many runs share one
    name: str
    photos: str
    market: str
    catalogue_sha256: str
    #: Its place, without a password; `OWN_LEDGER` in the run's folder; empty: an older plugface began it.
    ledger: str = ""


@contextmanager
def open_run(folder: Path, *, photos: str, catalogue: Path, market: str, ledger: str = OWN_LEDGER):
    """Start a run in a new folder, or take up the one that is there, and hold it for this process alone.

    Parameters
    ----------
    folder : Path
    photos : str
        Folder or address of the photos, written so that it means the same from anywhere; a password in it is
        neither kept nor compared.
    catalogue : Path
        Read only when the run is started.
    market : str
    ledger : str
        Its place, which is kept of a run that is started.

    Yields
    ------
    head : RunHead
    resumed : bool

    Raises
    ------
    RunError
        If the folder holds something else or another run, cannot be written, or is in use.
    CatalogueError
        If the catalogue cannot be used.
    """
    photos = without_password(photos)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = _lock(folder)
    except OSError as error:
        raise RunError(str(folder), _reason(error), "Name a folder that may be written to") from None
    with lock:
        head, resumed = _start_or_resume(folder, photos, catalogue, market, ledger)
        yield head, resumed


def is_run(folder: Path) -> bool:
    """Whether a run was started in this folder."""
    return (folder / "run.json").exists()


def snapshot(folder: Path) -> Path:
    """Where the run keeps its own copy of the catalogue."""
    return folder / "catalogue"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there completely or not at all, whatever ends the program.

    Several threads may write the same file: one after the other, for they share the part that is begun first.
    """
    part = path.with_name(f".{path.name}.part")
    with _WRITING, named(path):
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet; raises FileExistsError sooner than overwrite one."""
    if path.exists():
        raise FileExistsError(17, "there is such a file already", str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, data)


def _lock(folder: Path) -> IO[str]:
    try:
        return lock_folder(folder)
    except BlockingIOError:
        raise RunError(
            str(folder), "another plugface is at work in it", "Wait for it, or name another folder with --out"
        ) from None


def _start_or_resume(
    folder: Path, photos: str, catalogue: Path, market: str, ledger: str
) -> tuple[RunHead, bool]:
    path, part = folder / "run.json", folder / ".catalogue.part"
    if path.exists():
        head = _read_head(path)
        for word, kept, asked in (("photos", head.photos, photos), ("market", head.market, market)):
            if kept != asked:
                raise RunError(
                    str(folder),
                    f'it holds a run with other {word} ("{kept}", not "{asked}")',
                    "Name a new folder with --out",
                )
        if not snapshot(folder).exists() and part.exists():
            part.rename(snapshot(folder))  # the start was cut off just before this
        if load_catalogue(snapshot(folder)).sha256 != head.catalogue_sha256:
            raise RunError(
                str(snapshot(folder)), "the run's own catalogue was changed", "Name a new folder with --out"
            )
        return head, True
    foreign = sorted(p.name for p in folder.iterdir() if p.name not in {".lock", part.name, ".run.json.part"})
    if foreign:
        raise RunError(
            str(folder),
            f"it is not empty and holds no run ({foreign[0]})",
            "Name a new or empty folder with --out",
        )
    try:
        head = _start(folder, photos, catalogue, market, ledger, part)
    except OSError as error:
        raise RunError(str(folder), _reason(error), "Make room, or name another folder with --out") from None
    return head, False


def _copy_photos(catalogue: Path, part: Path) -> None:
    """The pictures of good units, for the report; one that is not there is no fault of the run."""
    for family in load_catalogue(catalogue).families:
        for name in family.photos:
            source = (catalogue / name).resolve()
            if source.is_file() and source.is_relative_to(catalogue.resolve()):
                (part / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(source, part / name)


def _start(folder: Path, photos: str, catalogue: Path, market: str, ledger: str, part: Path) -> RunHead:
    """Copy the catalogue, say that the run exists, put the copy in its place: resumable at any point."""
    sha256 = load_catalogue(catalogue).sha256
    if part.exists():
        shutil.rmtree(part)
    part.mkdir()
    for file in sorted(catalogue.glob("*.toml")):
        write_whole(part / file.name, file.read_bytes())
    _copy_photos(catalogue, part)
    if load_catalogue(part).sha256 != sha256:
        raise RunError(str(catalogue), "the catalogue was changed while it was copied", "Run again")
    name = folder.resolve().name
    head = RunHead(f"{name}-{secrets.token_hex(4)}", name, photos, market, sha256, ledger)
    write_whole(folder / "run.json", json.dumps(asdict(head), ensure_ascii=False, indent=2).encode())
    part.rename(snapshot(folder))
    return head


def _read_head(path: Path) -> RunHead:
    try:
        head = RunHead(**json.loads(path.read_text("utf-8")))
        return replace(head, photos=without_password(head.photos))  # an older plugface kept it
    except (ValueError, TypeError, OSError) as error:
        raise RunError(str(path), f"it cannot be read ({error})", "Name a new folder with --out") from None


def _reason(error: OSError) -> str:
    return (error.strerror or "it cannot be written").lower()
