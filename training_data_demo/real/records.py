"""Rows of the index and of the truth: how they are read, and what must hold of them.

A row of `index.jsonl` says where a photo comes from and how large it is as shown (EXIF turn applied); a row
of `truth.jsonl` says what a person saw on it, in whole pixels of the photo as shown. The `blob` is the hash
that Git gave the file's bytes: it brings the picture and proves it.
"""

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import get_args

from plugface.models.catalogue.entries import ColourCode

FOLDER = Path(__file__).parent
INDEX, TRUTH, DOUBTS = FOLDER / "index.jsonl", FOLDER / "truth.jsonl", FOLDER / "doubts.jsonl"
#: Photos of which single things alone were looked at; rows as in INDEX and TRUTH, the latter with outlines
#: `unclear`, of which nobody can tell whether they are plugs, or which are sockets of another kind.
THINGS_INDEX, THINGS = FOLDER / "things_index.jsonl", FOLDER / "things.jsonl"

SPLITS = ("train", "calibration", "test")
KINDS = ("module", "face", "label", "code", "board", "negative")
#: Kind of a photo of THINGS_INDEX.
THINGS_ALONE = "things"
#: What a truth row lists; each item has a polygon.
LISTS = ("units", "plugs", "lines", "codes", "lures")
VIEWS = (
    "face", "edge", "oblique", "back", "label", "close_up", "loose_plugs", "board", "inside", "code", "none",
)  # fmt: skip
LINE_KINDS = ("printed", "cast", "engraved", "stamped")
#: Colour codes of IEC 60757, as a catalogue may name them.
COLOURS: tuple[str, ...] = get_args(ColourCode)
#: Two photos whose perceptual hashes differ in so few of 64 bits are taken for copies of each other.
NEAR_BITS = 6
#: Authors who lay in train and in test before anyone looked (2026-11-29). Their training photos have been
#: learned from, and no test photo becomes one to learn from: they stay; the card gives figures without them.
PARTED_AUTHORS = frozenset({"startbootstrap", "syssi"})


@dataclass(frozen=True)
class IndexRow:
    """One photo: where it comes from, and what it is for."""

    id: str
    repository: str  # owner/name
    commit: str
    blob: str  # Git's hash of the file's bytes
    path: str | None  # None where it would name a product or a person
    licence: str | None  # SPDX identifier as the repository states it; None: it states none
    width: int  # pixels as shown
    height: int
    phash: str  # perceptual hash, 64 bits in hexadecimal
    split: str
    group: str  # photos of one group share a split: one author's repositories, copies of each other
    kind: str
    measure_only: bool = False  # left out of any training

    def __post_init__(self) -> None:
        if self.split not in SPLITS:
            raise ValueError(f"split: got {self.split!r}, expected one of {', '.join(SPLITS)}")
        kinds = (*KINDS, THINGS_ALONE)
        if self.kind not in kinds:
            raise ValueError(f"kind: got {self.kind!r}, expected one of {', '.join(kinds)}")
        if len(self.blob) != 40 or len(self.commit) != 40:
            raise ValueError("blob and commit are 40 hexadecimal digits each")
        if self.width < 1 or self.height < 1:
            raise ValueError(f"size: got {self.width} x {self.height}")

    @property
    def author(self) -> str:
        """Whose repository it is from."""
        return self.repository.split("/")[0].lower()

    def as_json(self) -> str:
        """The row as a line."""
        return json.dumps(asdict(self))


def blob_hash(content: bytes) -> str:
    """Git's hash of a file's bytes (SHA-1 over a header and the bytes)."""
    return hashlib.sha1(b"blob %d\0" % len(content) + content, usedforsecurity=False).hexdigest()


def normalised(text: str) -> str:
    """A text's letters and digits, in capitals: all that is compared of it."""
    return "".join(c for c in text.upper() if c.isascii() and c.isalnum())


def read_index(path: Path = INDEX) -> list[IndexRow]:
    """All rows of an index.

    Raises
    ------
    ValueError
        If a line is no row; the sentence names file and line.
    """
    rows = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        try:
            rows.append(IndexRow(**json.loads(line)))
        except (TypeError, ValueError) as error:
            raise ValueError(
                f"{path.name}, line {number}: {error}. Correct the line and run again."
            ) from error
    return rows


def read_truth(path: Path = TRUTH) -> dict[str, dict]:
    """Truth rows by id."""
    rows = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    return {row["id"]: row for row in rows}


def read_doubts(path: Path = DOUBTS) -> dict[str, dict[str, list]]:
    """What a network took for a plug, nobody had listed and a person looked at once more, by the photo's id.

    `plugs` are outlines of what plainly is one, `unclear` of what nobody can tell.
    """
    rows = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    return {row["id"]: {kind: row[kind] for kind in ("plugs", "unclear")} for row in rows}


def with_doubts(row: dict, doubts: dict[str, dict[str, list]]) -> dict:
    """A truth row to train on: plugs found later are added as not sure, and `doubts` with what is unclear."""
    found = doubts.get(row["id"], {"plugs": [], "unclear": []})
    unsure = {"colour": None, "mated": None, "cut_off": False, "sure": False, "unit": None, "order": None}
    plugs = [{"polygon": outline} | unsure for outline in found["plugs"]]
    return row | {
        "plugs": [*row.get("plugs", []), *plugs],
        "doubts": [{"polygon": outline} for outline in found["unclear"]],
    }


def find_faults(row: dict, width: int, height: int) -> list[str]:
    """What does not hold of one annotation, in words.

    Parameters
    ----------
    row : its annotation
    width, height : int, pixels of the photo as shown

    Returns
    -------
    faults : list of str
        Empty if all holds.
    """
    faults = [] if row.get("view") in VIEWS else [f"view: got {row.get('view')!r}"]
    for name in LISTS:
        for at, item in enumerate(row.get(name, [])):
            where, polygon = f"{name}[{at}]", item.get("polygon", [])
            if len(polygon) < 3 or any(len(point) != 2 for point in polygon):
                faults.append(f"{where}: a polygon of three corners or more expected")
            elif any(not (0 <= x <= width and 0 <= y <= height) for x, y in polygon):
                faults.append(f"{where}: a corner lies outside the picture of {width} x {height} pixels")
    for at, plug in enumerate(row.get("plugs", [])):
        if plug.get("colour") not in (None, *COLOURS):
            faults.append(f"plugs[{at}].colour: got {plug.get('colour')!r}, expected a code of IEC 60757")
        if plug.get("unit") is not None and not 0 <= plug["unit"] < len(row.get("units", [])):
            faults.append(f"plugs[{at}].unit: there is no unit {plug['unit']}")
    for at, line in enumerate(row.get("lines", [])):
        if line.get("kind") not in LINE_KINDS:
            faults.append(
                f"lines[{at}].kind: got {line.get('kind')!r}, expected one of {', '.join(LINE_KINDS)}"
            )
        if len(line.get("polygon", [])) != 4:
            faults.append(f"lines[{at}]: the four corners of the text expected")
    return faults


def hash_distance(one: str, other: str) -> int:
    """Bits in which two perceptual hashes differ."""
    return (int(one, 16) ^ int(other, 16)).bit_count()


def near_across_splits(rows: list[IndexRow]) -> list[tuple[str, str]]:
    """Pairs of ids that look alike and lie in different splits."""
    return [
        (one.id, other.id)
        for at, one in enumerate(rows)
        for other in rows[:at]
        if one.split != other.split and hash_distance(one.phash, other.phash) <= NEAR_BITS
    ]


def find_parted_authors(rows: list[IndexRow]) -> set[str]:
    """Authors in several splits or groups: what was learned of one photo tells of the other."""
    places: dict[str, set[tuple[str, str]]] = {}
    for row in rows:
        places.setdefault(row.author, set()).add((row.split, row.group))
    return {author for author, found in places.items() if len(found) > 1}
