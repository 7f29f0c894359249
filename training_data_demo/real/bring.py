"""Bring the real photographs of the index out of snapshots of the repositories that hold them.

    python -m plugface.demo.real.bring --snapshots SNAPSHOTS --out PHOTOS

SNAPSHOTS holds a git directory or checkout for each repository, named OWNER+NAME. A photo is found by the
hash of its content, whatever its file is called. What is missing or differs is said in a line each; the rest
goes on.
"""

import argparse
import hashlib
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps

HERE = Path(__file__).parent
_ENDINGS = {"JPEG": "jpg", "MPO": "jpg", "PNG": "png", "WEBP": "webp", "GIF": "gif", "TIFF": "tif"}


@dataclass(frozen=True)
class Row:
    """One photograph of the index."""

    id: str
    repository: str  # OWNER/NAME
    blob: str  # git's hash of the file's content, 40 hexadecimal digits
    width: int  # pixels, as a viewer shows it
    height: int


class NotBrought(Exception):
    """A photo that cannot be had, or is not the one of the index: which, and why."""

    def __init__(self, row: Row, problem: str) -> None:
        self.id, self.repository, self.problem = row.id, row.repository, problem
        super().__init__(f"{row.id} ({row.repository}): {problem}")


def read_index(path: Path = HERE / "index.jsonl") -> list[Row]:
    """The photographs of the index, in its order."""
    rows = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    return [Row(r["id"], r["repository"], r["blob"], r["width"], r["height"]) for r in rows]


def find_git(snapshots: Path, repository: str) -> Path | None:
    """The git directory of a repository below the folder of snapshots; None where there is none."""
    folder = snapshots / repository.replace("/", "+")
    places = (folder, folder / ".git", folder / "repo", folder / "repo" / ".git")
    return next((place for place in places if (place / "HEAD").is_file()), None)


def bring_photo(row: Row, git: Path) -> tuple[bytes, str]:
    """The bytes of one photo and the ending of its file name.

    Raises
    ------
    NotBrought
        If the snapshot lacks it, or what it holds is not what the index says.
    """
    done = subprocess.run(
        ["git", "--git-dir", str(git), "cat-file", "blob", row.blob], capture_output=True, check=False
    )
    if done.returncode:
        raise NotBrought(row, "the snapshot does not hold this photo any more")
    data = done.stdout
    if hashlib.sha1(b"blob %d\0" % len(data) + data).hexdigest() != row.blob:  # as git counts it
        raise NotBrought(row, "its content is not what the index says")
    try:
        with Image.open(io.BytesIO(data)) as picture:
            ending = _ENDINGS.get(picture.format or "", "img")
            size = ImageOps.exif_transpose(picture).size
    except Exception:  # decoders raise whatever comes on damaged bytes
        raise NotBrought(row, "it is no picture that can be read") from None
    if size != (row.width, row.height):
        raise NotBrought(row, f"it is {size[0]} x {size[1]} pixels, not {row.width} x {row.height}")
    return data, ending


def check_truth(rows: list[Row], truth: Path = HERE / "truth.jsonl") -> Iterator[str]:
    """One line for each annotation that lies outside its picture or belongs to no photo of the index."""
    sizes = {row.id: (row.width, row.height) for row in rows}
    for line in truth.read_text(encoding="utf-8").splitlines():
        one = json.loads(line)
        if one["id"] not in sizes:
            yield f"{one['id']}: annotated, but not in the index"
            continue
        width, height = sizes[one["id"]]
        for kind in ("units", "plugs", "lines", "codes", "lures"):
            for number, thing in enumerate(one[kind]):
                if not all(-1 <= x <= width + 1 and -1 <= y <= height + 1 for x, y in thing["polygon"]):
                    yield f"{one['id']}: {kind} no. {number + 1} lies outside its picture; draw it again"


def main(arguments: list[str] | None = None) -> int:
    """Bring all; 0 if nothing is missing, else 1."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--snapshots", type=Path, required=True, help="folder of OWNER+NAME")
    parser.add_argument("--out", type=Path, required=True, help="folder that gets ID.jpg and so on")
    options = parser.parse_args(arguments)
    rows, brought, problems = read_index(), 0, []
    options.out.mkdir(parents=True, exist_ok=True)
    for row in rows:
        if any(options.out.glob(f"{row.id}.*")):
            brought += 1
            continue
        git = find_git(options.snapshots, row.repository)
        try:
            if git is None:
                raise NotBrought(row, "there is no snapshot of the repository")
            data, ending = bring_photo(row, git)
        except NotBrought as problem:
            problems.append(str(problem))
            continue
        (options.out / f"{row.id}.{ending}").write_bytes(data)
        brought += 1
    problems += check_truth(rows)
    for problem in problems:
        print(problem)
    print(f"{brought} of {len(rows)} photos are in {options.out}")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
