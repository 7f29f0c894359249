"""Blender as a Python module, imported without the noise that it prints about sound and numpy."""

import os
import sys
from contextlib import contextmanager


@contextmanager
def silenced():
    """Send what C code writes to standard output and error nowhere, for the length of a block."""
    sys.stdout.flush()
    sys.stderr.flush()
    kept = [os.dup(1), os.dup(2)]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        for stream in (1, 2):
            os.dup2(nowhere, stream)
        yield
    finally:
        for stream, saved in zip((1, 2), kept, strict=True):
            os.dup2(saved, stream)
            os.close(saved)
        os.close(nowhere)


with silenced():
    import bpy

__all__ = ["bpy", "silenced"]
