"""How the C library shares out memory: one heap in place of one for each thread.

A photo is looked at by several threads, each of which leaves its heap as large as it once was. With one heap
the networks' big arrays are taken from what the others gave back: of a photo of 12 megapixels the peak was
502 MB with a heap a thread and the networks' own arenas, and is 346 MB so (2026-11-28), in the same time.

Arrays of 4 MB or more are taken from the system and given back one by one, in place of leaving holes between
what stays: glibc by itself stops doing so once it has seen such arrays come and go. A worker's peak was 571 MB
with holes and 391 MB with arrays from 8 MB on taken so (12 photos of up to 12 units; 35.1 and 37.8 processor
seconds, 2026-11-29). On 2026-11-30 a worker's peak over 60 photos of 0 to 12 units was 361 MB so
(19 photos took more than 300) and 291 MB with arrays from 4 MB on; four photos, three runs in turn, took from
8 MB on 312 to 327 MB (mean 18.7 s), from 4 on 282 to 286 (19.1), from 2 on 280 to 284 (20.0), from 1 on 275 to
281 (21.4). To give back before each search for text as well takes it from 4 MB on to 261 to 270 MB (19.4): not
done, for nobody needs it.

A process that looks at one photo after another gives back what the last one took: else the holes that it
left are too small for the next photo's arrays, and the process grows. After 15 photos of one to 12 units,
0.5 to 12 megapixels, a worker held 509 MB; so it holds 179 MB between two photos (2026-11-28).
"""

import ctypes
from contextlib import suppress

# Of mallopt(3) in glibc; other C libraries have no such function.
_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8
_LARGE_BYTES = 4 << 20


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
