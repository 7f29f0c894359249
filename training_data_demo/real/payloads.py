"""Find out what the annotated codes hold, as hashes: told by the repository, else read where a person marked.

    python -m plugface.demo.real.payloads --snapshots DIR --photos P

Collections of test photos for code readers say beside a photo what its code holds; that is taken where the
photo has one code. Any other code is cut out along its polygon and read at several sizes; a payload counts
when two sizes agree. What neither tells stays None and is not asked for: the share of decoded codes is one
of codes that can be read at all once one knows where they are. Writes `payloads.json`, which `collect` takes.
"""

import argparse
import hashlib
import json
import subprocess
from collections import Counter
from pathlib import Path

import numpy as np
import zxingcpp
from PIL import Image
from plugface.demo.real.bring import NotBrought, find_snapshot
from plugface.demo.real.collect import PAYLOADS
from plugface.demo.real.pictures import find_photo, open_shown
from plugface.demo.real.records import IndexRow, normalised, read_index, read_truth

#: Sizes at which a code is read, times its own, and the room left around it, share of its long side.
_SCALES, _MARGINS = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0), (0.1, 0.3)


def read_told(row: IndexRow, snapshots: Path) -> str | None:
    """The payload that the repository tells of a photo: NAME.txt or output.json beside it.

    Parameters
    ----------
    row : of the index; its path may be None, then the blob is looked for
    snapshots : folder of bare repositories
    """
    try:
        folder = find_snapshot(snapshots, row.repository)
    except NotBrought:
        return None

    def git(*words: str) -> bytes | None:
        ran = subprocess.run(["git", f"--git-dir={folder}", *words], capture_output=True, check=False)
        return ran.stdout if ran.returncode == 0 else None

    tree = (git("ls-tree", "-r", row.commit) or b"").decode(errors="replace").splitlines()
    path = row.path or next((line.split("\t")[1] for line in tree if row.blob in line), None)
    if path is None:
        return None
    beside = git("show", f"{row.commit}:{path.rpartition('.')[0]}.txt")
    if beside is not None:
        return beside.decode(errors="replace").strip()
    output = git("show", f"{row.commit}:{path.rpartition('/')[0]}/output.json")
    try:
        return json.loads(output)["data"] if output else None
    except (ValueError, KeyError, TypeError):
        return None


def read_marked(picture: Image.Image, polygon: list[list[int]]) -> str | None:
    """The payload of the code within a polygon; None unless two sizes agree."""
    low, high = np.min(polygon, axis=0), np.max(polygon, axis=0)
    seen: Counter[str] = Counter()
    for margin in _MARGINS:
        room = margin * (high - low).max()
        box = (*(low - room).clip(0), *(high + room).clip(0, picture.size))
        part = picture.crop([round(float(v)) for v in box]).convert("L")
        for scale in _SCALES:
            size = max(1, round(part.width * scale)), max(1, round(part.height * scale))
            seen.update({code.text for code in zxingcpp.read_barcodes(np.asarray(part.resize(size)))})
    if not seen:
        return None
    text, times = seen.most_common(1)[0]
    return text if times >= 2 and len(seen) == 1 else None  # two codes in the cut: which one is meant?


def hashed(payload: str | None) -> str | None:
    """SHA-256 of a payload's letters and digits, in capitals."""
    return None if not payload else hashlib.sha256(normalised(payload).encode()).hexdigest()


def main(words: list[str] | None = None) -> None:
    """Write the hashes, say how many and how they were found."""
    parser = argparse.ArgumentParser(prog="payloads", description=__doc__.split("\n")[0])
    parser.add_argument("--snapshots", type=Path, required=True, help="folder of bare Git repositories")
    parser.add_argument("--photos", type=Path, required=True, help="folder with ID.jpg or ID.png")
    options = parser.parse_args(words)
    index, known, ways = {row.id: row for row in read_index()}, {}, Counter()
    for name, row in read_truth().items():
        codes = row["codes"]
        if not codes:
            continue
        told = read_told(index[name], options.snapshots) if len(codes) == 1 else None
        try:
            picture = open_shown(find_photo(options.photos, name))
        except OSError as error:
            print(error)
            picture = None
        known[name] = []
        for code in codes:
            read = read_marked(picture, code["polygon"]) if picture else None
            if told and read and normalised(told) != normalised(read):
                print(f"{name}: the repository tells another payload than is read; the repository's is taken")
            way = "told" if told else "read" if read else "unknown"
            ways[way] += 1
            known[name].append({"sha256": hashed(told or read), "by": way})
    lines = [f" {json.dumps(name)}: {json.dumps(codes)}" for name, codes in sorted(known.items())]
    PAYLOADS.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    print(", ".join(f"{count} {way}" for way, count in sorted(ways.items())))


if __name__ == "__main__":
    main()
