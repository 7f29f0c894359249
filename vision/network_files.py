"""The networks that come along as files, and whether they are what was shipped.

A few changed bytes in a network give no error: it sees nothing any more, and the answer is "photo not good
enough".
"""

import hashlib
from functools import cache
from pathlib import Path

#: SHA-256 and name of each file beside it, as `sha256sum *.onnx > SHA256SUMS` writes them after a training.
SUMS = "SHA256SUMS"


def find_sum(path: Path) -> str | None:
    """The SHA-256 that a file should have, by the list beside it; None where there is no list."""
    return _read_sums(path.parent).get(path.name)


def measure_sum(path: Path) -> str:
    """The SHA-256 that a file has."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@cache
def _read_sums(folder: Path) -> dict[str, str]:
    try:
        lines = (folder / SUMS).read_text("ascii").splitlines()
    except FileNotFoundError:
        return {}
    return {name: digest for digest, name in (line.split() for line in lines)}
