"""How the C library shares out memory: one heap in place of one for each thread.

A photo is looked at by several threads, each of which leaves its heap as large as it once was. With one heap
the networks' big arrays are taken from what the others gave back: of a photo of 12 megapixels the peak was
502 MB with a heap a thread and the networks' own arenas, and is 346 MB so (2026-11-28), in the same time.

Arrays of 8 MB or more are taken from the system and given back one by one, in place of leaving holes between
what stays: glibc by itself stops doing so once it has seen such arrays come and go. A new process's peak was
353 MB with holes and 336 MB so (mean of five photos of two to 12 megapixels, twice each, in turn); a worker's
571 and 391 MB over 12 photos of up to 12 units, for 35.1 and 37.8 processor seconds, once each on a busy
machine (2026-11-29). Smaller ones taken so (from half a MB or two on), and giving back before each search for
text, brought no less that could be told (335 to 379 MB on two pallets, three runs).

A process that looks at one photo after another gives back what the last one took: else the holes that it
left are too small for the next photo's arrays, and the process grows. After 15 photos of one to 12 units,
0.5 to 12 megapixels, a worker held 509 MB; so it holds 179 MB between two photos (2026-11-28).
"""

import ctypes
from contextlib import suppress

# Of mallopt(3) in glibc; other C libraries have no such function.
_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8
_LARGE_BYTES = 8 << 20


def share_one_heap() -> None:
    """Let all threads share one heap, where the C library can; before the first thread starts.

    What is large is taken from the system by itself.
    """
    with suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(_M_ARENA_MAX, 1)
        library.mallopt(_M_MMAP_THRESHOLD, _LARGE_BYTES)


def give_back() -> None:
    """Give the system what this process holds and does not use, where the C library can."""
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)  # malloc_trim(3) of glibc
