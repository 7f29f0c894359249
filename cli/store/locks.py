"""A folder that one process at a time works in."""

import os
from importlib import import_module
from pathlib import Path
from typing import IO, Any

fcntl: Any
try:
    fcntl = import_module("fcntl")
except ImportError:  # Windows has none
    fcntl = None


#: Held by who works in a folder; by who copies what is in it, or deletes from it.
WORK, KEEPING = ".lock", ".keeping.lock"


def lock_folder(folder: Path, name: str = WORK) -> IO[str]:
    """Hold a folder until the file that comes back is closed, or the process ends in whatever way.

    Parameters
    ----------
    folder : Path
    name : str
        `WORK` or `KEEPING`; one does not keep the other out.

    Raises
    ------
    BlockingIOError
        If another process holds it.
    """
    try:
        file = (folder / name).open("a")
    except PermissionError:  # another account made it, as where a backup is taken by the machine's owner
        file = (folder / name).open()
    _give_to_owner(folder, file)
    try:
        _hold(file)  # let go by the system even after kill -9
    except BlockingIOError:
        file.close()
        raise
    return file


def _give_to_owner(folder: Path, file: IO[str]) -> None:
    """What the machine's owner makes belongs to the folder's: else its account could never hold it."""
    system: Any = os
    if os.name == "posix" and system.geteuid() == 0:
        there = folder.stat()
        system.chown(file.fileno(), there.st_uid, there.st_gid)


def _hold(file: IO[str]) -> None:
    if fcntl is not None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return
    msvcrt: Any = import_module("msvcrt")
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    except OSError as error:  # Windows says 'permission denied' or 'deadlock' where another process holds it
        raise BlockingIOError(error.errno, "another process holds the folder") from error
