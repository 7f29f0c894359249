"""Networks as onnxruntime prepared them, kept for the next process.

To load the five networks takes 0.24 to 0.33 s, most of it to rewrite their graphs for this processor. Kept
as they were rewritten, their weights beside the graph so that the system maps them in place of copying them,
all five take 0.05 s, and the process 60 MB less (2026-12-01). What was kept holds for the same network, told
by its hash, the same onnxruntime and a processor that can do the same; anything else is prepared anew. Where
no folder was named, nothing is kept.
"""

import hashlib
import os
import platform
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from plugface.vision.network_files import SUMS, measure_sum

#: So many prepared networks stay, the latest: five of each version of onnxruntime that is in use here.
KEPT_NETWORKS = 15

#: In a kept network's folder; the first names the second.
MODEL, WEIGHTS = "network.onnx", "weights.bin"

_Network = TypeVar("_Network")

_folder: Callable[[], Path] | None = None


def keep_networks(folder: Callable[[], Path] | None) -> None:
    """Say where prepared networks are kept in this process; None, as at first: nowhere.

    Parameters
    ----------
    folder : callable or None
        Gives the folder when the first network is loaded; it may not exist.
    """
    global _folder
    _folder = folder


def place_of(path: Path, expected: str | None, made_by: str) -> Path | None:
    """The folder of one prepared network; None where none is kept.

    Parameters
    ----------
    path : Path
        The network's own file.
    expected : str or None
        The SHA-256 that it was shipped with; of a network without one nothing is kept.
    made_by : str
        Whatever else the prepared form hangs on: the library's version, what the processor can do.

    Returns
    -------
    place : Path or None
    """
    if _folder is None or expected is None:
        return None
    here = hashlib.sha256("\0".join((made_by, platform.system(), platform.machine())).encode()).hexdigest()
    return _folder() / f"{path.stem}-{expected[:16]}-{here[:16]}"


def load_kept(place: Path) -> Path | None:
    """The model's file in such a folder, where it is whole.

    Parameters
    ----------
    place : Path
        As `place_of` gives it; may not exist.

    Returns
    -------
    model : Path or None
    """
    with suppress(OSError):
        if (place / SUMS).read_text("ascii") == _sums(place):
            return place / MODEL
    return None


def save_kept(place: Path, prepare: Callable[[Path], _Network]) -> _Network | None:
    """Prepare a network and keep it; None where that cannot be, for whatever reason, with nothing kept.

    Parameters
    ----------
    place : Path
        As `place_of` gives it.
    prepare : callable
        Writes MODEL and WEIGHTS into a folder that it is given, and gives the network.

    Returns
    -------
    network : as `prepare` gives it, or None
    """
    # Under a name of its own first: another process may load meanwhile, or keep the same.
    part = place.with_name(f"{place.name}.{os.getpid()}.part")
    try:
        part.mkdir(parents=True, mode=0o700)
        network = prepare(part)
        (part / SUMS).write_text(_sums(part), "ascii")
        shutil.rmtree(place, ignore_errors=True)  # damaged, else it had been loaded
        part.rename(place)
        _remove_old(place.parent)
    except Exception:  # the library has a class for each way; whoever asked loads it in the plain way
        shutil.rmtree(part, ignore_errors=True)
        return None
    return network


def _sums(folder: Path) -> str:
    return "".join(f"{measure_sum(folder / name)}  {name}\n" for name in (MODEL, WEIGHTS))


def _remove_old(folder: Path) -> None:
    for old in sorted(folder.iterdir(), key=lambda path: -path.stat().st_mtime)[KEPT_NETWORKS:]:
        shutil.rmtree(old, ignore_errors=True)
