"""Measure reading.

    python -m plugface.cli.evaluation.measure_text [--photos DIR] [--split train] [--plain | --marks]

Prints how often service number, suffix, cast mark and barcode are read on photos with known truth, how many
of the suffixes that were read are right, and how often what was read at a mark fits the right one of the
catalogue's marks best: by the whole pipeline and, with --plain, by one pass of each reader over the whole
photo, in turn in one run. With --marks, cast marks alone are read where the truth says they stand, by each
reader: what finding them costs is the difference.
"""

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from plugface.cli.evaluation.truth import TRUTH_FILE
from plugface.cli.settings import default_catalogue, demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Family, load_catalogue
from plugface.models.catalogue.index import Strings, compact, index_catalogue
from plugface.models.decision.variants import place_suffixes
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.text_fit import FLOOR_NATS, score_strings
from plugface.models.unit_choice import UnitView
from plugface.vision.barcodes import read_codes
from plugface.vision.observations import Code, Text
from plugface.vision.observe import observe
from plugface.vision.ocr.cast_marks import CastReader, read_mark
from plugface.vision.ocr.label_text import align_strings
from plugface.vision.ocr.readers import LineReader, RapidReader, find_tesseract
from plugface.vision.ocr.unit_texts import CAST_ALPHABET, CAST_READER_FILE
from plugface.vision.photo import Photo, decode_photo

#: Height from which print counts as readable, and width of a module from which a code does, photo pixels.
READABLE_PX, READABLE_MODULE_PX = 12.0, 2.0
#: Height from which cast marks are mostly read whole, photo pixels.
LARGE_MARK_PX = 24.0
#: Share of a text or code that must be in view for it to be asked for.
IN_VIEW = 0.9

Read = tuple[list[Text], list[Code]]


def by_pipeline(photo: Photo) -> Read:
    """Everything the observer reads."""
    seen = observe(photo)
    texts = [text for unit in seen.units for text in unit.texts] + list(seen.texts)
    return texts, [code for unit in seen.units for code in unit.codes] + list(seen.codes)


def by_rapid_pass(photo: Photo) -> Read:
    """One pass of the packaged network over the whole photo."""
    return RapidReader().read_lines(photo.grey, max_side=1280), []


def by_tesseract_pass(photo: Photo) -> Read:
    """One pass of Tesseract over the whole photo, and one of zxing-cpp."""
    program = find_tesseract()
    return ([] if program is None else program.read_lines(photo.grey, layout=3)), []


def by_code_pass(photo: Photo) -> Read:
    """Barcodes from the whole photo alone."""
    return [], list(read_codes(photo.grey))


def score_photo(row: dict, texts: list[Text], codes: list[Code]) -> dict[str, list[tuple[float, float]]]:
    """Right and asked counts per figure for one photo."""
    scores: dict[str, list[tuple[float, float]]] = defaultdict(list)
    lines = ["".join(text.value.upper().split()) for text in texts]
    words = [word.strip(".,:;-'") for text in texts for word in text.value.upper().split()]
    for unit in row["units"]:
        number, suffix = unit["service_number"].upper(), (unit.get("suffix") or "").upper()
        for truth in unit["texts"]:
            if truth["visible"] < IN_VIEW or not truth["value"]:
                continue
            size = "large" if truth["height_px"] >= READABLE_PX else "small"
            if truth["kind"] == "printed" and truth["role"] == "service number":
                scores[f"number, {size} print"].append((any(number in line for line in lines), 1))
            elif truth["kind"] == "printed" and truth["role"] == "suffix" and suffix:
                scores[f"suffix, {size} print"].append((suffix in words, 1))
            elif truth["kind"] == "cast" and truth["role"] == "mark":
                value = "".join(truth["value"].upper().split())
                best = max((_characters_right(value, line) for line in lines), default=0)
                scores["mark, whole"].append((value in lines, 1))
                scores["mark, characters"].append((best, len(value)))
                scores[f"mark, characters, {_band(truth['height_px'])}"].append((best, len(value)))
        for truth in unit["codes"]:
            if truth["visible"] >= IN_VIEW:
                size = "large" if truth["module_px"] >= READABLE_MODULE_PX else "small"
                right = any(code.payload == truth["payload"] for code in codes)
                scores[f"code, {size} modules"].append((right, 1))
    true_payloads = {truth["payload"] for unit in row["units"] for truth in unit["codes"]}
    scores["codes that are wrong"].append(
        (sum(c.payload not in true_payloads for c in codes), max(1, len(codes)))
    )
    return scores


def _band(height_px: float) -> str:
    """Cast marks by their height: OCR of raised characters fails with size long before that of print."""
    if height_px >= LARGE_MARK_PX:
        return f"{LARGE_MARK_PX:.0f} px and more"
    return f"{READABLE_PX:.0f} to {LARGE_MARK_PX:.0f} px" if height_px >= READABLE_PX else "smaller"


def score_marks(row: dict, texts: list[Text], marks: Strings, noise: ErrorModel) -> list[tuple[str, bool]]:
    """For each cast mark in view that the catalogue has: its height's name, and whether what was read there
    fits it better than any other mark of the catalogue."""
    scored, nothing = [], np.full(len(marks.values), FLOOR_NATS)
    for truth in (t for unit in row["units"] for t in unit["texts"]):
        value = compact(truth["value"])
        if truth["kind"] != "cast" or truth["role"] != "mark" or truth["visible"] < IN_VIEW:
            continue
        if value not in marks.values:
            continue
        near = [text for text in texts if lies_at(text, truth["polygon"])]
        scores = np.max([score_strings(text, marks, noise) for text in near] or [nothing], axis=0)
        best = np.flatnonzero(scores == scores.max())
        right = len(best) == 1 and marks.values[int(best[0])] == value
        scored.append((_band(truth["height_px"]), right))
    return scored


def score_suffixes(row: dict, texts: list[Text], families: dict[str, Family]) -> list[bool]:
    """Whether each suffix that was read is that of the photo's unit; nothing of several units."""
    if len(row["units"]) != 1 or row["units"][0]["family"] not in families:
        return []
    unit = row["units"][0]
    view = UnitView(0, row["sha256"], usable=True, unit=None, texts=tuple(texts), codes=())
    placed = place_suffixes(families[unit["family"]], view)
    return [suffix == unit["suffix"].upper() for _, suffix in placed]


def lies_at(text: Text, polygon: list[list[float]]) -> bool:
    """Whether the middle of a text lies on a line's outline, or off it by no more than its height."""
    outline = np.asarray(polygon, np.float32).reshape(-1, 1, 2)
    x, y = np.mean(text.polygon, axis=0)
    height = float(np.linalg.norm(outline[3, 0] - outline[0, 0]))
    return cv2.pointPolygonTest(outline, (float(x), float(y)), True) > -height


def _characters_right(value: str, line: str) -> int:
    return sum(value[a] == line[b] for a, b in align_strings(value, line))


def _rows(folder: Path, split: str) -> list[dict]:
    rows = [json.loads(line) for line in (folder / TRUTH_FILE).read_text(encoding="utf-8").splitlines()]
    return [row for row in rows if row["split"] == split and row["units"]]


def measure(
    folder: Path, split: str, limit: int, ways: dict[str, Callable[[Photo], Read]], catalogue: Path
) -> None:
    """Read every photo of a split in each way, in turn, and print the figures."""
    rows = _rows(folder, split)[:limit]
    known = load_catalogue(catalogue)
    marks, noise = index_catalogue(known).marks, default_model().noise
    totals: dict[tuple[str, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
    seconds: dict[str, float] = defaultdict(float)
    for row in rows:
        data = (folder / row["photo"]).read_bytes()
        for way, read in ways.items():
            start = time.perf_counter()
            texts, codes = read(decode_photo(data, name=row["photo"]))
            seconds[way] += time.perf_counter() - start
            scores = score_photo(row, texts, codes)
            for band, right in score_marks(row, texts, marks, noise):
                scores[f"mark, matched, {band}"].append((right, 1))
            for right in score_suffixes(row, texts, known.by_key):
                scores["suffix, of those read"].append((right, 1))
            for figure, counts in scores.items():
                for hits, asked in counts:
                    totals[figure, way][0] += hits
                    totals[figure, way][1] += asked
    print(f"{len(rows)} photos of the split {split!r} in {folder.name}")
    for figure in sorted({figure for figure, _ in totals}):
        cells = [f"{way} {totals[figure, way][0]:.0f}/{totals[figure, way][1]:.0f}" for way in ways]
        print(f"{figure:36s} {'   '.join(cells)}")
    cells = [f"{way} {seconds[way] / max(len(rows), 1):.2f}" for way in ways]
    print(f"{'seconds a photo':36s} {'   '.join(cells)}")


def measure_marks(folder: Path, split: str, limit: int) -> None:
    """Read every cast mark in view by each reader from its true corners, and print the figures."""
    readers: dict[str, LineReader] = {"general reader": RapidReader()}
    if CAST_READER_FILE.is_file():
        readers["cast reader"] = CastReader(CAST_READER_FILE)
    right, asked, marks = dict.fromkeys(readers, 0), 0, 0
    for row in _rows(folder, split)[:limit]:
        texts = [t for u in row["units"] for t in u["texts"] if t["kind"] == "cast" and t["role"] == "mark"]
        texts = [text for text in texts if text["visible"] >= IN_VIEW]
        if not texts:
            continue
        grey = decode_photo((folder / row["photo"]).read_bytes(), name=row["photo"]).grey
        for truth in texts:
            value = "".join(truth["value"].upper().split())
            asked, marks = asked + len(value), marks + 1
            for name, reader in readers.items():
                corners = np.asarray(truth["polygon"], np.float32)
                text = read_mark(grey, corners, [reader], alphabet=CAST_ALPHABET, upside_down=False)
                line = "" if text is None else "".join(text.value.split())
                made_up = max(0, len(line) - len(value))
                right[name] += max(0, _characters_right(value, line) - made_up)
                print(f"{row['photo']:24s} {truth['height_px']:5.1f} px  {value:12s} {name} {line}")
    print(f"{marks} marks of the split {split!r}; characters right, characters made up counted against them:")
    for name in readers:
        print(f"{name:24s} {right[name]}/{asked}")


def main() -> None:
    """Read the arguments and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, default=demo_folder(), help="folder with truth.jsonl")
    parser.add_argument("--catalogue", type=Path, default=default_catalogue(), help="with the marks to match")
    parser.add_argument("--split", choices=("train", "calibration", "test"), default="train")
    parser.add_argument("--limit", type=int, default=1_000_000)
    parser.add_argument("--plain", action="store_true", help="plain passes over the whole photo as well")
    parser.add_argument("--marks", action="store_true", help="cast marks alone, each reader for itself")
    words = parser.parse_args()
    if words.marks:
        measure_marks(words.photos, words.split, words.limit)
        return
    ways: dict[str, Callable[[Photo], Read]] = {"pipeline": by_pipeline}
    if words.plain:
        ways |= {
            "rapidocr pass": by_rapid_pass,
            "Tesseract pass": by_tesseract_pass,
            "code pass": by_code_pass,
        }
    measure(words.photos, words.split, words.limit, ways, words.catalogue)


if __name__ == "__main__":
    main()
