"""Which plugface is installed, and which eyes it has."""

import hashlib
from functools import cache
from pathlib import Path


def installed_version() -> str:
    """The version in the installed package's own description."""
    from importlib.metadata import version  # here alone: its import takes longer than many a command

    return version("plugface")


@cache
def vision_version() -> str:
    """Hash over all of vision, code and weights: 16 hexadecimal digits. What looked with it looks alike."""
    import plugface.vision

    digest = hashlib.sha256()
    root = Path(plugface.vision.__file__).parent
    for path in sorted(p for p in root.rglob("*") if p.is_file() and "__pycache__" not in p.parts):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:16]


def weights_hashes() -> dict[str, str]:
    """File -> SHA-256 of every network, as it lies on this machine."""
    import plugface.vision

    folder = Path(plugface.vision.__file__).parent / "weights"
    return {
        file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in sorted(folder.glob("*.onnx"))
    }
