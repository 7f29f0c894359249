"""Collect a working pool of candidates and annotations into the index and the truth.

    python -m plugface.demo.real.collect --pool pool.jsonl --photos P --annotations A [--add]

The pool has a row a candidate (id, repository, commit, blob, path, licence, phash, kind_guess, split, group);
P and A hold ID.jpg and ID.json. `left_out.json` names what is not taken and why, and paths that are not
told; `payloads.json` has the hashes of the codes' payloads (see `payloads.py`). Free words and everything in
clear stay behind; corners become whole pixels. With `--add` the rows that are there stay as they are, those
of the pool come to them, and groups keep the names that the pool gives.
"""

import argparse
import json
import sys
from pathlib import Path

from plugface.demo.real.annotate import complete
from plugface.demo.real.pictures import difference_hash, find_photo, open_shown, shown_size
from plugface.demo.real.records import (
    FOLDER,
    INDEX,
    NEAR_BITS,
    TRUTH,
    IndexRow,
    blob_hash,
    find_faults,
    hash_distance,
    read_index,
    read_truth,
)

LEFT_OUT, PAYLOADS = FOLDER / "left_out.json", FOLDER / "payloads.json"
_KEPT = {
    "units": ("polygon", "cut_off", "sure"),
    "plugs": ("polygon", "colour", "mated", "cut_off", "sure", "unit", "order"),
    "lines": ("polygon", "kind", "height_px", "length", "sha256"),
    "codes": ("polygon", "symbology", "module_px", "sha256"),
    "lures": ("polygon", "what"),
}
#: So many bits of a perceptual hash may differ from what the pool says.
_TURNED_BITS = 2
#: A corner may lie beside the picture by so many pixels; more is a fault.
_BESIDE = 2


def to_truth(annotation: dict, width: int, height: int) -> dict:
    """An annotation as the truth keeps it: known fields, whole pixels within the picture.

    Parameters
    ----------
    annotation : as `annotate put` keeps it
    width, height : int, pixels of the photo as shown
    """
    whole = complete(annotation, width, height)
    row = {"view": whole["view"]}
    for name, fields in _KEPT.items():
        items = [{field: item[field] for field in fields} for item in whole[name]]
        for item in items:
            item["polygon"] = [[_whole(x, width), _whole(y, height)] for x, y in item["polygon"]]
        row[name] = items
    return row


def _whole(value: float, most: int) -> int:
    near = min(max(value, 0), most)
    return round(near if abs(near - value) <= _BESIDE else value)


def may_train(licence: str | None) -> bool:
    """Whether a licence lets weights learn from a photo: one is stated, and it allows use in trade."""
    return licence is not None and "-NC" not in licence


def find_source_faults(candidate: dict, content: bytes) -> list[str]:
    """What the pool says of a photo and its bytes do not: Git's hash, the perceptual hash."""
    faults = []
    if blob_hash(content) != candidate["blob"]:
        faults.append(f"hash differs: {blob_hash(content)}, expected {candidate['blob']}")
    seen = difference_hash(open_shown(content))
    # Decoders differ by a grey level here and there, which may turn a bit or two.
    if hash_distance(seen, candidate["phash"]) > _TURNED_BITS:
        faults.append(f"perceptual hash differs: {seen}, expected {candidate['phash']}")
    return faults


def find_crossings(rows: list[IndexRow], others: list[IndexRow]) -> list[str]:
    """Why rows do not go with others: an id, a file, a copy, a group or a repository that is there already.

    Parameters
    ----------
    rows : to be added
    others : those that are there

    Returns
    -------
    faults : list of str
        Empty if all go together.
    """
    faults = []
    for at, row in enumerate(rows):
        for other in (*others, *rows[:at]):
            pair = f"{row.id} and {other.id}"
            if row.id == other.id or row.blob == other.blob:
                faults.append(f"{pair}: one id or one file")
            if hash_distance(row.phash, other.phash) <= NEAR_BITS:
                faults.append(f"{pair}: look alike")
            kin = row.group == other.group or row.author == other.author
            if kin and (row.group, row.split) != (other.group, other.split):
                faults.append(f"{pair}: one group or one author in two splits or groups")
    return faults


def collect(
    pool: list[dict], photos: Path, annotations: Path, notes: dict, name_groups: bool = True
) -> tuple[list[IndexRow], list[dict]]:
    """Rows of the index and of the truth, in the order of their ids; what is wrong is said and left out.

    Parameters
    ----------
    pool : candidates
    photos, annotations : folders
    notes : what `left_out.json` says
    name_groups : bool
        Number the groups anew; else they keep the names of the pool.
    """
    groups = sorted({candidate["group"] for candidate in pool})
    number = {group: f"g{at:03d}" for at, group in enumerate(groups, 1)} if name_groups else {}
    index, truth = [], []
    for candidate in sorted(pool, key=lambda row: row["id"]):
        name = candidate["id"]
        if name in notes["left_out"]:
            continue
        try:
            content = find_photo(photos, name).read_bytes()
            width, height = shown_size(content)
            annotation = json.loads((annotations / f"{name}.json").read_text(encoding="utf-8"))
            row = to_truth(annotation, width, height)
        except (OSError, ValueError, KeyError) as error:
            print(f"left out {name}: {type(error).__name__}: {error}")
            continue
        faults = find_faults(row, width, height) + find_source_faults(candidate, content)
        if faults:
            print(f"left out {name}: {'; '.join(faults)}")
            continue
        source = {
            key: candidate[key] for key in ("repository", "commit", "blob", "licence", "phash", "split")
        }
        index.append(
            IndexRow(
                id=name,
                **source,
                path=None if name in notes["no_path"] else candidate["path"],
                width=width,
                height=height,
                group=number.get(candidate["group"], candidate["group"]),
                kind=candidate["kind_guess"],
                measure_only=name in notes["measure_only"] or not may_train(candidate["licence"]),
            )
        )
        truth.append({"id": name, "split": candidate["split"], "kind": candidate["kind_guess"], **row})
    return index, truth


def main(words: list[str] | None = None) -> None:
    """Write both files, say how many."""
    parser = argparse.ArgumentParser(prog="collect", description=__doc__.split("\n")[0])
    parser.add_argument("--pool", type=Path, required=True)
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--annotations", type=Path, required=True)
    parser.add_argument("--add", action="store_true", help="to the rows that are there")
    options = parser.parse_args(words)
    pool = [json.loads(line) for line in options.pool.read_text(encoding="utf-8").splitlines()]
    notes = json.loads(LEFT_OUT.read_text(encoding="utf-8"))
    told = json.loads(PAYLOADS.read_text(encoding="utf-8")) if PAYLOADS.is_file() else {}
    index, truth = collect(pool, options.photos, options.annotations, notes, name_groups=not options.add)
    for row in truth:
        for code, payload in zip(row["codes"], told.get(row["id"], row["codes"]), strict=True):
            code["sha256"] = payload["sha256"]
    if options.add:
        there = read_index(INDEX)
        if crossings := find_crossings(index, there):
            sys.exit("error: nothing written. " + "\n".join(crossings))
        index = sorted([*there, *index], key=lambda row: row.id)
        truth = sorted([*read_truth(TRUTH).values(), *truth], key=lambda row: row["id"])
    INDEX.write_text("".join(row.as_json() + "\n" for row in index), encoding="utf-8")
    TRUTH.write_text(
        "".join(json.dumps(row, separators=(",", ":")) + "\n" for row in truth), encoding="utf-8"
    )
    print(f"{len(index)} photos in {INDEX.name} and {TRUTH.name}")


if __name__ == "__main__":
    main()
