"""A folder that one process at a time works in."""

from importlib import import_module
from pathlib import Path
from typing import IO, Any

fcntl: Any
try:
    fcntl = import_module("fcntl")
except ImportError:  # Windows has none
    fcntl = None


def lock_folder(folder: Path) -> IO[str]:
    """Hold a folder until the file that comes back is closed, or the process ends in whatever way.

    Raises
    ------
    BlockingIOError
        If another process holds it.
    """
    file = (folder / ".lock").open("w")
    try:
        _hold(file)  # let go by the system even after kill -9
    except BlockingIOError:
        file.close()
        raise
    return file


def _hold(file: IO[str]) -> None:
    if fcntl is not None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return
    msvcrt: Any = import_module("msvcrt")
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    except OSError as error:  # Windows says 'permission denied' or 'deadlock' where another process holds it
        raise BlockingIOError(error.errno, "another process holds the folder") from error
