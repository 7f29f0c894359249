"""The networks that come along as files, and whether they are what was shipped.

A few changed bytes in a network give no error: it sees nothing any more, and the answer is "photo not good
enough".
"""

import hashlib
from functools import cache
from pathlib import Path

#: SHA-256 and name of each network, as `sha256sum` writes them: those beside the list, and two of the package
#: rapidocr.
SUMS = "SHA256SUMS"
_WEIGHTS = Path(__file__).parent / "weights"


def find_sum(path: Path) -> str | None:
    """The SHA-256 that a file should have, by the list beside it or that of the weights, else None."""
    return _read_sums(path.parent).get(path.name) or _read_sums(_WEIGHTS).get(path.name)


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
