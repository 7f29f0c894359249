"""A folder that one process at a time works in."""

import fcntl
from pathlib import Path
from typing import IO


def lock_folder(folder: Path) -> IO[str]:
    """Hold a folder until the file that comes back is closed, or the process ends in whatever way.

    Raises
    ------
    BlockingIOError
        If another process holds it.
    """
    file = (folder / ".lock").open("w")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # let go by the system even after kill -9
    except BlockingIOError:
        file.close()
        raise
    return file
