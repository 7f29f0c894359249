"""Bring the photos of the index out of a folder of Git snapshots, and say what is missing.

    python -m plugface.demo.real.bring --snapshots DIR --out DIR [--split test]

A snapshot of owner/name is a repository, bare or not, in DIR/owner+name, DIR/owner+name.git or one below.
Photos are written as ID.jpg, ID.png or ID.webp. What cannot be brought is a line, the rest goes on. A photo
that is there already and is the right one is not brought again.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

from plugface.demo.real.pictures import shown_size
from plugface.demo.real.records import (
    INDEX,
    SPLITS,
    TRUTH,
    IndexRow,
    blob_hash,
    find_faults,
    read_index,
    read_truth,
)

_ENDINGS = {b"\xff\xd8": ".jpg", b"\x89P": ".png", b"RI": ".webp"}


class NotBrought(Exception):
    """A photo that cannot be had, and why."""


def find_snapshot(snapshots: Path, repository: str) -> Path:
    """The Git folder of a repository.

    Raises
    ------
    NotBrought
        If there is none.
    """
    name = repository.replace("/", "+")
    for root in (snapshots / name, snapshots / f"{name}.git"):
        below = sorted(root.iterdir()) if root.is_dir() else []
        for folder in (root, root / ".git", *below, *(inner / ".git" for inner in below)):
            if (folder / "HEAD").is_file() and (folder / "objects").is_dir():
                return folder
    raise NotBrought(f"no snapshot of {repository} in {snapshots}; fetch it and run again")


def _git(folder: Path, *words: str) -> subprocess.CompletedProcess[bytes]:
    # A snapshot may be partial: what is not in it must be said, not fetched while nobody looks.
    environment = os.environ | {"GIT_NO_LAZY_FETCH": "1", "GIT_TERMINAL_PROMPT": "0", "LC_ALL": "C"}
    return subprocess.run(
        ["git", f"--git-dir={folder}", *words], capture_output=True, env=environment, check=False
    )


def read_blob(folder: Path, row: IndexRow) -> bytes:
    """The bytes of a photo, checked against their hash.

    Parameters
    ----------
    folder : bare repository
    row : the photo's row in the index

    Raises
    ------
    NotBrought
        If the snapshot has no such bytes, or others under that hash or path.
    """
    found = _git(folder, "cat-file", "blob", row.blob)
    if found.returncode == 0:
        if blob_hash(found.stdout) != row.blob:
            raise NotBrought(f"hash differs: {blob_hash(found.stdout)}, expected {row.blob}")
        return found.stdout
    if row.path:
        now = _git(folder, "rev-parse", "--verify", "--quiet", f"HEAD:{row.path}")
        if now.returncode == 0:
            raise NotBrought(
                f"hash differs: {row.path} is now {now.stdout.decode().strip()}, expected {row.blob}"
            )
    raise NotBrought(f"{row.repository} has no blob {row.blob}; fetch it at commit {row.commit}")


def check_photo(content: bytes, row: IndexRow, truth: dict | None) -> None:
    """Hold a photo's size and annotation against the index.

    Raises
    ------
    NotBrought
        If it is no picture, has another size, or is not annotated within its frame.
    """
    try:
        size = shown_size(content)
    except (OSError, ValueError) as error:
        raise NotBrought(f"no picture that can be read: {error}") from error
    if size != (row.width, row.height):
        raise NotBrought(f"size differs: {size[0]} x {size[1]}, expected {row.width} x {row.height}")
    if truth is None:
        raise NotBrought("not annotated: the truth has no row of this id")
    faults = find_faults(truth, *size)
    if faults:
        raise NotBrought(f"annotation: {'; '.join(faults)}")


def bring(rows: list[IndexRow], truth: dict[str, dict], snapshots: Path, out: Path) -> list[str]:
    """Write all photos that can be had; what could not, a line each.

    Parameters
    ----------
    rows : of the index
    truth : truth rows by id
    snapshots : folder of bare repositories
    out : folder for the photos

    Returns
    -------
    missing : list of str
    """
    out.mkdir(parents=True, exist_ok=True)
    missing = []
    for row in rows:
        try:
            there = next(iter(sorted(out.glob(f"{row.id}.*"))), None)
            content = there.read_bytes() if there else b""
            kept = blob_hash(content) == row.blob
            if not kept:
                content = read_blob(find_snapshot(snapshots, row.repository), row)
            check_photo(content, row, truth.get(row.id))
            if not kept:
                if there:
                    there.unlink()  # another photo of this name, or one cut short
                (out / f"{row.id}{_ENDINGS.get(content[:2], '.jpg')}").write_bytes(content)
        except (NotBrought, OSError) as error:
            missing.append(f"{row.id}: {error}")
    return missing


def main(words: list[str] | None = None) -> None:
    """Bring them, say what is missing."""
    parser = argparse.ArgumentParser(prog="bring", description=__doc__.split("\n")[0])
    parser.add_argument("--snapshots", type=Path, required=True, help="folder of bare Git repositories")
    parser.add_argument("--out", type=Path, required=True, help="folder for the photos")
    parser.add_argument("--split", choices=SPLITS, help="these photos alone")
    parser.add_argument("--index", type=Path, default=INDEX)
    parser.add_argument("--truth", type=Path, default=TRUTH)
    options = parser.parse_args(words)
    try:
        rows = [row for row in read_index(options.index) if options.split in (None, row.split)]
        missing = bring(rows, read_truth(options.truth), options.snapshots, options.out)
    except (OSError, ValueError) as error:
        sys.exit(f"error: {error}")
    for line in missing:
        print(line)
    print(f"{len(rows) - len(missing)} of {len(rows)} photos are in {options.out}")
    if missing:
        sys.exit(1)


if __name__ == "__main__":
    main()
