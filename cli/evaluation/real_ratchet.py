"""Hold what is seen on the small set of real photographs: it may get better, not worse.

    python -m plugface.cli.evaluation.real_ratchet            # counts now beside those held
    python -m plugface.cli.evaluation.real_ratchet --record   # hold the counts of now

Held are the counts of each photo; their sums must not get worse. The photos are a part of the test split:
they tell whether something broke, and nothing is tuned on them.
"""

import argparse
import json
import sys
from collections.abc import Iterable, Mapping
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


#: How many there could be of each.
WHOLE = ("photos", "negatives", "unit true", "plug true")


def read_rows() -> list[dict]:
    """Truth of the small set's photos."""
    return read_truth(demo_folder() / "real" / "photos_truth.jsonl")


def count_seen(rows: Iterable[dict]) -> dict[str, dict[str, int]]:
    """The counts of now of each photo, by its id; what is none is left out."""
    counts = {row["id"]: measure(demo_folder() / "real" / "photos", [row])[0].counts for row in rows}
    return {
        photo: {name: of[name] for name in (*WHOLE, *HELD) if of.get(name)} for photo, of in counts.items()
    }


def add_up(counts: Iterable[Mapping[str, int]]) -> dict[str, int]:
    """Totals over photos."""
    listed = list(counts)
    return {name: sum(one.get(name, 0) for one in listed) for name in (*WHOLE, *HELD)}


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
    seen = count_seen(read_rows())
    now, before = add_up(seen.values()), add_up(held.values())
    for name, value in now.items():
        print(f"{name:28s} {value:5d}  held {before[name] if held else '-'}")
    if options.record:
        lines = [f"{json.dumps(photo)}: {json.dumps(counts)}" for photo, counts in seen.items()]
        file.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
        print(f"held in {file}")
        return
    worse = find_worse(now, before)
    for line in worse:
        print(f"worse: {line}")
    if worse:
        sys.exit(1)


if __name__ == "__main__":
    main()
