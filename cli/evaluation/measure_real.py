"""Measure vision on real photographs annotated by hand: plugs, colours, outlines, lures, lines, codes.

    python -m plugface.cli.evaluation.measure_real --photos PHOTOS --truth TRUTH --split calibration

PHOTOS holds ID.jpg or ID.png. What a person was not sure of counts neither for nor against. What is written
on a photo is compared by the SHA-256 of its letters and digits, so that no real name or number is written
down.
"""

import argparse
import hashlib
import json
from pathlib import Path

import cv2
import numpy as np
from plugface.cli.evaluation.measure_vision import Miss, Tally, overlap, write_gallery
from plugface.vision.observations import Observations, Unit
from plugface.vision.observe import observe
from plugface.vision.photo import UnreadablePhoto, decode_photo

#: Overlaps at which plugs count as found: the usual one, and one that a crude outline passes.
STRICT, LOOSE = 0.5, 0.3
#: A wrong colour told with more than this is sure and wrong.
SURE = 0.9
#: Printed lines of this height and codes of this module are asked for, pixels.
LINE_PX, MODULE_PX = 12.0, 2.0
_RAISED = ("cast", "engraved", "stamped")


def normalised_hash(text: str) -> str:
    """SHA-256 of a text's letters and digits, in capitals: how annotations keep what is written."""
    kept = "".join(c for c in text.upper() if c.isascii() and c.isalnum())
    return hashlib.sha256(kept.encode()).hexdigest()


def hashes_of_runs(text: str) -> set[str]:
    """Normalised hashes of all runs of whole words in a text: two columns of a label are read as one row."""
    words = text.split()
    runs = {
        "".join(words[start:end]) for start in range(len(words)) for end in range(start + 1, len(words) + 1)
    }
    return {normalised_hash(run) for run in runs}


def match(found: list, true: list, least: float) -> dict[int, int]:
    """For each true polygon the found one that overlaps it by `least` or more, the best overlaps first."""
    pairs = [(overlap(f, t), i, j) for i, f in enumerate(found) for j, t in enumerate(true)]
    chosen: dict[int, int] = {}
    for iou, i, j in sorted(pairs, reverse=True):
        if iou >= least and i not in chosen.values() and j not in chosen:
            chosen[j] = i
    return chosen


def lies_on(polygon, other) -> bool:
    """Whether the middle of a polygon lies in another."""
    x, y = np.mean(np.asarray(polygon, np.float32), axis=0)
    return cv2.pointPolygonTest(np.asarray(other, np.float32), (float(x), float(y)), False) >= 0


def score_real(seen: Observations, row: dict, tally: Tally) -> list[str]:
    """Count one photo in; what went wrong, in words.

    Parameters
    ----------
    seen : what vision says of the photo
    row : its annotation
    """
    units, plugs = row.get("units", []), row.get("plugs", [])
    if not units and not plugs:
        tally.add("negatives")
        tally.add("negatives with a unit", bool(seen.units))
        return [f"{len(seen.units)} unit(s) outlined where there is none"] if seen.units else []
    tally.add("photos")
    wrong = _score_units(seen, units, tally)
    if row.get("view") == "board":  # plugs on a bare board may be found or not
        return wrong
    wrong += _score_plugs(seen, row, tally)
    wrong += _score_fronts(seen, row, tally)
    return wrong


def _score_units(seen: Observations, units: list[dict], tally: Tally) -> list[str]:
    sure = [unit["polygon"] for unit in units if unit.get("sure", True)]
    unsure = [unit["polygon"] for unit in units if not unit.get("sure", True)]
    found = [unit.polygon for unit in seen.units]
    right = match(found, sure, STRICT)
    doubtful = {i for i, f in enumerate(found) if any(overlap(f, u) >= LOOSE for u in unsure)}
    extra = set(range(len(found))) - set(right.values()) - doubtful
    tally.add("unit true", len(sure))
    tally.add("unit recalled", len(right))
    tally.add("unit found", len(right) + len(extra))
    wrong = [f"{len(sure) - len(right)} unit(s) not outlined"] if len(right) < len(sure) else []
    return wrong + ([f"{len(extra)} outline(s) that are no unit"] if extra else [])


def _score_plugs(seen: Observations, row: dict, tally: Tally) -> list[str]:
    sure = [plug for plug in row.get("plugs", []) if plug.get("sure", True)]
    unsure = [plug["polygon"] for plug in row.get("plugs", []) if not plug.get("sure", True)]
    found = [*(connector for unit in seen.units for connector in unit.connectors), *seen.loose]
    outlines = [connector.polygon for connector in found]
    wrong = []
    tally.add("plug true", len(sure))
    for least in (STRICT, LOOSE):
        right = match(outlines, [plug["polygon"] for plug in sure], least)
        rest = set(range(len(found))) - set(right.values())
        extra = {i for i in rest if not any(_same_doubt(outlines[i], polygon) for polygon in unsure)}
        tally.add(f"plug hit {least}", len(right))
        tally.add(f"plug found {least}", len(right) + len(extra))
    # From here on by the loose overlap: `right` and `extra` of the last round.
    for j, i in right.items():
        code, posterior = sure[j].get("colour"), found[i].colour
        if code is None:
            continue
        named = max(posterior, key=posterior.__getitem__)
        tally.add("colour asked")
        tally.add("colour right", named == code)
        tally.add("colour sure and wrong", named != code and posterior[named] > SURE)
        if named != code:
            wrong.append(f"{code} called {named} ({posterior[named]:.2f})")
    lures = [lure["polygon"] for lure in row.get("lures", [])]
    on_lures = [i for i in extra if any(_same_doubt(outlines[i], lure) for lure in lures)]
    tally.add("lure called a plug", len(on_lures))
    tally.add("no plug called a plug", len(extra))
    if len(right) < len(sure):
        wrong.append(f"{len(sure) - len(right)} plug(s) missed")
    if extra:
        wrong.append(f"{len(extra)} called plugs that are none, {len(on_lures)} of them lures")
    return wrong


def _same_doubt(outline, polygon) -> bool:
    """Whether a found thing is the one annotated, however crudely either is drawn."""
    return overlap(outline, polygon) >= LOOSE or lies_on(outline, polygon)


def _score_fronts(seen: Observations, row: dict, tally: Tally) -> list[str]:
    wrong = []
    right = match([unit.polygon for unit in seen.units], [unit["polygon"] for unit in row["units"]], LOOSE)
    for at, unit in enumerate(row["units"]):
        own = [plug for plug in row.get("plugs", []) if plug.get("unit") == at]
        whole = [p for p in own if p.get("sure", True) and p.get("order") is not None and p.get("colour")]
        if not own or len(whole) < len(own) or not unit.get("sure", True):
            continue
        if any(plug.get("cut_off") for plug in own):
            continue
        tally.add("front true")
        good = at in right and is_front_right(seen.units[right[at]], own)
        tally.add("front right", good)
        if not good:
            wrong.append("front not whole")
    return wrong


def is_front_right(unit: Unit, plugs: list[dict]) -> bool:
    """Whether number, order and colours of a unit's plugs are as annotated, from either end.

    An annotation has the order as the photo shows it, and does not tell which way the unit is up.
    """
    if len(unit.connectors) != len(plugs):
        return False
    pairs = match([c.polygon for c in unit.connectors], [plug["polygon"] for plug in plugs], LOOSE)
    if len(pairs) < len(plugs):
        return False
    for j, i in pairs.items():
        posterior = unit.connectors[i].colour
        if max(posterior, key=posterior.__getitem__) != plugs[j]["colour"]:
            return False
    order = [pairs[j] for j in sorted(pairs, key=lambda j: plugs[j]["order"])]
    readings = [list(range(len(plugs)))]
    if unit.other_order is not None:
        readings.append(list(unit.other_order))
    return any(order in (reading, reading[::-1]) for reading in readings)


def score_written(seen: Observations, row: dict, tally: Tally) -> list[str]:
    """Count lines and codes read whole; what was missed, by kind and height."""
    texts = [text for unit in seen.units for text in unit.texts] + list(seen.texts)
    codes = [code for unit in seen.units for code in unit.codes] + list(seen.codes)
    read = {normalised_hash(text.value) for text in texts}
    in_rows = set().union(*(hashes_of_runs(text.value) for text in texts))
    decoded = {normalised_hash(code.payload) for code in codes}
    wrong = []
    for line in row.get("lines", []):
        wanted = line.get("sha256") or (normalised_hash(line["text"]) if line.get("text") else None)
        raised = line.get("kind") in _RAISED
        if wanted is None or (not raised and line.get("height_px", 0.0) < LINE_PX):
            continue
        name = "raised line" if raised else "printed line"
        tally.add(name)
        tally.add(f"{name} whole", wanted in read)
        tally.add(f"{name} in a row", wanted in in_rows)
        if wanted not in read:
            wrong.append(f"{line.get('kind')} line of {line.get('height_px', 0):.0f} px not read whole")
    for code in row.get("codes", []):
        wanted = code.get("sha256") or (normalised_hash(code["payload"]) if code.get("payload") else None)
        if wanted is None or (code.get("module_px") or 0.0) < MODULE_PX:
            continue
        tally.add("code")
        tally.add("code decoded", wanted in decoded)
    return wrong


def table(tally: Tally) -> list[tuple[str, float, str]]:
    """Figures in the order of their importance: name, value, counts."""

    def row(name: str, part: str, whole: str) -> tuple[str, float, str]:
        counts = tally.counts
        return name, tally.share(part, whole), f"{counts.get(part, 0)} of {counts.get(whole, 0)}"

    return [
        *(
            entry
            for least in (STRICT, LOOSE)
            for entry in (
                row(f"plug recall at IoU {least}", f"plug hit {least}", "plug true"),
                row(f"plug precision at IoU {least}", f"plug hit {least}", f"plug found {least}"),
            )
        ),
        row("colour right, of those found", "colour right", "colour asked"),
        row("wrong colour with more than 90 %", "colour sure and wrong", "colour asked"),
        row(f"unit outlined at IoU {STRICT}", "unit recalled", "unit true"),
        row("outlines that are units", "unit recalled", "unit found"),
        row("lures called plugs, a photo", "lure called a plug", "photos"),
        row("anything else called a plug, a photo", "no plug called a plug", "photos"),
        row("whole front right", "front right", "front true"),
        row("negatives with a unit outlined", "negatives with a unit", "negatives"),
        row("printed lines whole, 12 px or more", "printed line whole", "printed line"),
        row("the same, alone or as words of a row", "printed line in a row", "printed line"),
        row("cast, engraved, stamped lines whole", "raised line whole", "raised line"),
        row("the same, alone or as words of a row", "raised line in a row", "raised line"),
        row("codes decoded, module of 2 px or more", "code decoded", "code"),
    ]


def read_truth(truth: Path, split: str = "all", ids: set[str] | None = None) -> list[dict]:
    """Annotations out of a file with one a line or a folder of files, those of a split or of a list."""
    if truth.is_dir():
        rows = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(truth.glob("*.json"))]
    else:
        lines = truth.read_text(encoding="utf-8").splitlines()
        rows = [json.loads(line) for line in lines if line.strip()]
    rows = [row for row in rows if split == "all" or row.get("split") == split]
    return [row for row in rows if ids is None or row["id"] in ids]


def measure(photos: Path, rows: list[dict], *, read_text: bool = False) -> tuple[Tally, list[Miss]]:
    """Look at all photos of these rows; one that is missing or damaged is named and left out."""
    tally, misses = Tally(), []
    for row in rows:
        path = next(iter(sorted(photos.glob(f"{row['id']}.*"))), None)
        if path is None:
            print(f"{row['id']}: no such photo in {photos}; bring it and run again")
            continue
        try:
            seen = observe(decode_photo(path.read_bytes(), name=path.name), read_text=read_text)
        except UnreadablePhoto as error:
            print(f"{path.name}: {error}")
            continue
        words = score_real(seen, row, tally)
        if read_text:
            words += score_written(seen, row, tally)
        if words:
            misses.append(Miss(path, words, float(len(words))))
    return tally, misses


def main() -> None:
    """Print the table; write the gallery."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=Path, required=True, help="folder with ID.jpg or ID.png")
    parser.add_argument("--truth", type=Path, required=True, help="truth.jsonl, or a folder of ID.json")
    parser.add_argument("--split", default="all", help="of the truth's rows")
    parser.add_argument("--ids", type=Path, help="file with the ids to look at, one a line")
    parser.add_argument("--text", action="store_true", help="read lines and codes too (slower)")
    parser.add_argument("--gallery", type=Path, help="write the worst photos here")
    parser.add_argument("--json", type=Path, help="write the counts here")
    options = parser.parse_args()
    ids = set(options.ids.read_text().split()) if options.ids else None
    rows = read_truth(options.truth, options.split, ids)
    tally, misses = measure(options.photos, rows, read_text=options.text)
    print(f"{len(rows)} photos")
    for name, value, counts in table(tally):
        print(f"{name:42s} {value:7.3f}  {counts}")
    if options.json:
        options.json.write_text(json.dumps(tally.counts, indent=1) + "\n")
    if options.gallery:
        write_gallery(misses, options.gallery)


if __name__ == "__main__":
    main()
