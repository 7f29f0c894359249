"""How the C library shares out memory: one heap in place of one for each thread.

A photo is looked at by several threads, each of which leaves its heap as large as it once was. With one heap
the networks' big arrays are taken from what the others gave back: of a photo of 12 megapixels the peak was
502 MB with a heap a thread and the networks' own arenas, and is 346 MB so (2026-11-28), in the same time.

Arrays of 6 MB or more are taken from the system and given back one by one, in place of leaving holes between
what stays: glibc by itself stops doing so once it has seen such arrays come and go. A new process's peak was
353 MB with holes and 336 MB so (mean of five photos of two to 12 megapixels, twice each, in turn); a worker's
571 and 391 MB over 12 photos of up to 12 units, for 35.1 and 37.8 processor seconds, once each on a busy
machine (2026-11-29). Those figures are of 8 MB. With 6 a new process's peak was 307 MB in place of 316 (mean
of three photos of 12 megapixels, twice each, in turn; the largest 329 in place of 362) for 2 hundredths more
of the processor's time, with 4 it was 286 (302) for a tenth more (2026-12-01).

A worker, of which there are several, does so from 4 MB on: over 60 photos of 0 to 12 units its peak was 361
MB with 8 (19 photos took more than 300) and is 291 MB so. That costs time: ten photos, three runs in turn
beside other programs, 63.4 processor seconds with 8 and 68.2 with 4; another four of up to 12 megapixels,
three runs in turn, 56.2 (peaks 312 to 327 MB) and 57.2 (282 to 286), from 2 MB on 60.0 (280 to 284), from 1
on 64.1 (275 to 281). To give back before each search for text as well takes it from 4 MB on to 261 to 270
MB (58.1): not done, for nobody needs it (2026-11-30).

A process that looks at one photo after another gives back what the last one took: else the holes that it
left are too small for the next photo's arrays, and the process grows. After 15 photos of one to 12 units,
0.5 to 12 megapixels, a worker held 509 MB; so it holds 179 MB between two photos (2026-11-28).
"""

import ctypes
from contextlib import suppress

# Of mallopt(3) in glibc; other C libraries have no such function.
_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8
_LARGE_BYTES, _LARGE_OF_SEVERAL_BYTES = 6 << 20, 4 << 20


def share_one_heap(*, one_of_several: bool = False) -> None:
    """Let all threads share one heap, where the C library can; before the first thread starts.

    What is large is taken from the system by itself; in one of several processes less is large, which costs a
    few hundredths of the time.

    Parameters
    ----------
    one_of_several : bool
        Whether the processes of this kind share the machine's memory among them.
    """
    with suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(_M_ARENA_MAX, 1)
        library.mallopt(_M_MMAP_THRESHOLD, _LARGE_OF_SEVERAL_BYTES if one_of_several else _LARGE_BYTES)


def give_back() -> None:
    """Give the system what this process holds and does not use, where the C library can."""
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)  # malloc_trim(3) of glibc
