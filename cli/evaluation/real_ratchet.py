"""Hold what is seen on the small set of real photographs: it may get better, not worse.

    python -m plugface.cli.evaluation.real_ratchet            # counts now beside those held
    python -m plugface.cli.evaluation.real_ratchet --record   # hold the counts of now

The photos are a part of the test split: they tell whether something broke, and nothing is tuned on them.
"""

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path

from plugface.cli.evaluation.measure_real import LOOSE, STRICT, measure, read_truth
from plugface.cli.settings import demo_folder

#: Counts to hold, under the name that the tally gives them, and whether more of it is better.
HELD = {
    "unit recalled": True,
    f"plug hit {LOOSE}": True,
    f"plug hit {STRICT}": True,
    "colour right": True,
    "lure called a plug": False,
    "no plug called a plug": False,
    "negatives with a unit": False,
}


def ratchet_file() -> Path:
    """Where the counts are held."""
    return demo_folder() / "real" / "ratchet.json"


def count_seen() -> dict[str, int]:
    """The counts of now, and how many there could be."""
    folder = demo_folder() / "real"
    rows = read_truth(folder / "photos_truth.jsonl")
    counts = measure(folder / "photos", rows)[0].counts
    whole = ("photos", "negatives", "unit true", "plug true")
    return {name: counts.get(name, 0) for name in (*whole, *HELD)}


def find_worse(
    now: Mapping[str, int], held: Mapping[str, int], more_is_better: Mapping[str, bool | None] = HELD
) -> list[str]:
    """What is worse than held, in words; also where the photos are not those it was held on.

    Parameters
    ----------
    now, held : mapping of str to int
    more_is_better : mapping of str to bool or None
        Of each count; one that may not change at all has None, or is left out.
    """
    worse = []
    for name, value in held.items():
        got, better = now.get(name, 0), more_is_better.get(name)
        if better is None and got != value:
            worse.append(f"{name}: {got}, held on {value}; record anew")
        elif better is not None and (got < value if better else got > value):
            worse.append(f"{name}: {got}, held at {value}")
    return worse


def main(words: list[str] | None = None) -> None:
    """Print the counts; hold them if asked."""
    parser = argparse.ArgumentParser(prog="real_ratchet", description=__doc__.split("\n")[0])
    parser.add_argument("--record", action="store_true", help="hold the counts of now")
    options = parser.parse_args(words)
    file = ratchet_file()
    held = json.loads(file.read_text(encoding="utf-8")) if file.is_file() else {}
    now = count_seen()
    for name, value in now.items():
        print(f"{name:28s} {value:5d}  held {held.get(name, '-')}")
    if options.record:
        file.write_text(json.dumps(now, indent=1) + "\n", encoding="utf-8")
        print(f"held in {file}")
        return
    worse = find_worse(now, held)
    for line in worse:
        print(f"worse: {line}")
    if worse:
        sys.exit(1)


if __name__ == "__main__":
    main()
