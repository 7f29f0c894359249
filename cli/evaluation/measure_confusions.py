"""Count which characters are read for which.

    python -m plugface.cli.evaluation.measure_confusions [--sheets N] [--out FILE]

Lines of random characters are printed and worn by the demo's label maker, and raised ones drawn as relief;
the readers read them. Their counts are what the matching of readings to numbers and marks goes by
(models/matching/confusions.py).
"""

import argparse
import json
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from plugface.demo.marks.prints import draw_prints
from plugface.models.matching.confusions import CONFUSIONS_FILE
from plugface.models.matching.error_model import ALPHABET
from plugface.vision.ocr.label_text import align_strings
from plugface.vision.ocr.readers import LineReader, RapidReader, Reading
from plugface.vision.ocr.unit_texts import MIN_CONFIDENCE

_STRIP_PX = 48


def count_confusions(pairs: Iterable[tuple[str, Reading]]) -> dict:
    """Counts of what was read for each character.

    Parameters
    ----------
    pairs : iterable of (str, Reading)
        What stands there, and what was read; readings that would not be kept are left out.

    Returns
    -------
    counts : dict
        "read": true character to read character to count; "lost" and "added": characters without a partner;
        "lines": readings counted.
    """
    read: dict[str, Counter] = {c: Counter() for c in ALPHABET}
    lost = added = lines = 0
    for truth, reading in pairs:
        if reading.confidence < MIN_CONFIDENCE:
            continue
        true, seen = ("".join(c for c in s.upper() if c in ALPHABET) for s in (truth, reading.value))
        matched = align_strings(true, seen)
        for a, b in matched:
            read[true[a]][seen[b]] += 1
        lost, added, lines = lost + len(true) - len(matched), added + len(seen) - len(matched), lines + 1
    return {
        "lines": lines,
        "lost": lost,
        "added": added,
        "read": {
            c: dict(sorted(counter.items(), key=lambda e: (-e[1], e[0]))) for c, counter in read.items()
        },
    }


def read_prints(reader: LineReader, sheets: int, seed: int) -> list[tuple[str, Reading]]:
    """Printed lines of so many labels, with their readings."""
    rng = np.random.default_rng(seed)
    pairs: list[tuple[str, Reading]] = []
    for _ in range(sheets):
        prints = draw_prints(rng)
        strips = [_at_height(p.grey) for p in prints]
        pairs += zip([p.text for p in prints], reader.read_strips(strips), strict=True)
    return pairs


def _at_height(grey: np.ndarray) -> np.ndarray:
    width = max(8, round(grey.shape[1] * _STRIP_PX / grey.shape[0]))
    return cv2.resize(grey, (width, _STRIP_PX), interpolation=cv2.INTER_CUBIC)


def main() -> None:
    """Measure and write the file."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sheets", type=int, default=90, help="labels of eight lines")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--out", type=Path, default=CONFUSIONS_FILE)
    options = parser.parse_args()
    counts = count_confusions(read_prints(RapidReader(), options.sheets, options.seed))
    module = "plugface.cli.evaluation.measure_confusions"
    made = f"python -m {module} --sheets {options.sheets} --seed {options.seed}"
    record = {"made_by": made, "reader": RapidReader.method, **counts}
    options.out.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    wrong = Counter({(a, b): n for a, row in counts["read"].items() for b, n in row.items() if a != b})
    total = sum(n for row in counts["read"].values() for n in row.values())
    print(f"{counts['lines']} lines, {total} characters, {sum(wrong.values())} read wrong; most often:")
    print(", ".join(f"{a} as {b} {n}" for (a, b), n in wrong.most_common(12)))


if __name__ == "__main__":
    main()
