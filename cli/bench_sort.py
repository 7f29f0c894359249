"""Measure sorting itself: python -m cli.bench_sort [--photos DIR] [--quick]

Prints throughput with 1 and 2 workers and their ratio, memory from 100 to 5,000 photos, the share of starting
up, what a resumed run costs, and how long 100,000 ledger rows take to list and export. With --photos the real
pipeline looks at photos made by resampling the ones given; without it a stand-in works for a fixed time on
each photo, which measures the sorting machinery alone, and the output says so.
"""

import argparse
import hashlib
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import insert

from cli.exports import write_rows
from cli.ledger import Ledger, Lot, Photo, Proposal, Unit, View, list_units, now_utc
from cli.settings import demo_folder
from cli.sorting import Plan, sort_lot
from models.answers import Candidate, Decision
from vision.observations import Connector, Observations, Quality, WhiteBalance
from vision.observations import Unit as SeenUnit

#: Time that the stand-in computes on each photo, seconds.
STAND_IN_S = 0.3


@dataclass(frozen=True)
class StandIn:
    """Computes for a fixed processor time and sees the same two plugs each time."""

    seconds: float = STAND_IN_S
    look_version: str = "stand-in"
    model_version: str = "stand-in"

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        """See two brown plugs."""
        until = time.process_time() + self.seconds
        while time.process_time() < until:
            hashlib.sha256(data).digest()
        square = ((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0))
        plugs = tuple(Connector(square, {"BN": 1.0}, {"M": 1.0}, 0.3, 0.9) for _ in range(2))
        unit = SeenUnit(square, 0.9, {"front": 1.0, "back": 0.0}, plugs)
        quality, balance = Quality(400, 300, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0.0)
        return Observations(hashlib.sha256(data).hexdigest(), quality, balance, (unit,)), data[:20_000]

    def count_units(self, seen: Observations) -> list[int]:
        """One."""
        return [0]

    def decide(self, seen: list[Observations], chosen: list[int | None]) -> Decision:
        """Always the same."""
        best = Candidate("TERN 2", 5.0, 0.999)
        return Decision("identified", "TERN 2.", (best,), ("TERN 2",), ("open",), model_version="stand-in")


def make_photos(folder: Path, count: int, samples: list[Path]) -> Path:
    """Write `count` different photos, resampled from the samples, or noise where there are none."""
    import numpy as np
    from PIL import Image

    folder.mkdir(parents=True)
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 255, (300, 400, 3), dtype=np.uint8)
    for number in range(count):
        path = folder / f"u{number:05d}_front.jpg"
        if samples:
            with Image.open(samples[number % len(samples)]) as picture:
                scale = rng.uniform(0.9, 1.0)
                size = (int(picture.width * scale), int(picture.height * scale))
                picture.convert("RGB").resize(size).save(path, quality=90)
        else:
            noise[0, :4] = rng.integers(0, 255, (4, 3))
            Image.fromarray(noise).save(path, quality=80)
    return folder


def run_once(photos: Path, out: Path, workers: int, real: bool, seconds: float) -> dict[str, float]:
    """One run in a process of its own: wall seconds and the peak memory of the master, MB."""
    words = ["--one", str(photos), str(out), str(workers), str(seconds)] + (["--real"] if real else [])
    done = subprocess.run([sys.executable, "-m", "cli.bench_sort", *words], capture_output=True, check=True)
    return json.loads(done.stdout)


def one(photos: Path, out: Path, workers: int, real: bool, seconds: float) -> None:
    """The inside of `run_once`."""
    started = time.perf_counter()
    plan = Plan(str(photos), demo_folder() / "marrow_finch", out, workers=workers)
    first = []
    sort_lot(
        plan,
        analyser=None if real else StandIn(seconds),
        progress=lambda stage, done, _of: (
            first.append(time.perf_counter()) if stage == "look" and done == 1 else None
        ),
    )
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    wall = time.perf_counter() - started
    start_up = first[0] - started - seconds if first else wall
    print(json.dumps({"seconds": wall, "peak_mb": peak_mb, "start_up": start_up}))


def bench_ledger(folder: Path, rows: int) -> None:
    """Time to list and export many units."""
    ledger = Ledger(folder / "ledger.sqlite")
    numbers = range(1, rows + 1)
    same = dict.fromkeys(("variant", "findings", "decision"), "")
    now = now_utc()
    with ledger.transaction() as session:
        session.execute(
            insert(Lot), [{"key": "x", "name": "", "source": "", "market": "", "created_at": now}]
        )
        session.execute(
            insert(Photo), [{"sha256": f"{n:064x}", "size_bytes": 1, "added_at": now} for n in numbers]
        )
        units = [
            {"lot_id": 1, "key": f"A-{n}", "method": "file name", "group_key": f"{n}", "created_at": now}
            for n in numbers
        ]
        session.execute(insert(Unit), units)
        session.execute(insert(View), [{"unit_id": n, "photo_id": n, "part": 0} for n in numbers])
        usual = {
            "input_sha256": "",
            "catalogue_sha256": "c" * 64,
            "model_version": "m",
            "verdict": "identified",
        }
        usual |= {"family": "TERN 2", "probability": 0.998, "destination": "family bin", "bin": "TERN 2"}
        usual |= {
            "expected_cost": 0.4,
            "words": "TERN 2: open. Mark and plugs agree.",
            "made_at": now,
            **same,
        }
        session.execute(insert(Proposal), [{"unit_id": n, **usual} for n in numbers])
    for form in ("list", "csv", "jsonl", "xlsx"):
        started = time.perf_counter()
        with ledger.reading() as session, (folder / f"out.{form}").open("wb") as out:
            columns, listed = list_units(session)
            count = sum(1 for _ in listed) if form == "list" else write_rows(columns, listed, out, form)
        print(f"ledger: {count} rows, {form:5} {time.perf_counter() - started:5.2f} s (goal < 3 s)")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, help="sample photos for the real pipeline")
    parser.add_argument("--quick", action="store_true", help="a tenth of everything")
    parser.add_argument("--one", nargs=4, help=argparse.SUPPRESS)
    parser.add_argument("--real", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        photos, out, workers, seconds = asked.one
        one(Path(photos), Path(out), int(workers), asked.real, float(seconds))
        return
    samples = sorted(asked.photos.rglob("*.jpg")) if asked.photos else []
    real, part = bool(samples), 10 if asked.quick else 1
    print(
        "looked at by:",
        "the real pipeline" if real else f"a stand-in, {STAND_IN_S} s of processor time a photo",
    )
    with tempfile.TemporaryDirectory(prefix="plugface-bench-") as name:
        folder = Path(name)
        count = max(20, 200 // part)
        photos = make_photos(folder / "scaling", count, samples)
        runs = {n: run_once(photos, folder / f"run{n}", n, real, 0 if real else STAND_IN_S) for n in (1, 2)}
        for workers, run in runs.items():
            share = 100 * run["start_up"] / run["seconds"]
            rate = count / run["seconds"]
            print(
                f"{workers} worker(s): {rate:.2f} photos/s, start-up {run['start_up']:.2f} s ({share:.1f} %)"
            )
        print(f"2 workers against 1: {runs[1]['seconds'] / runs[2]['seconds']:.2f} x (goal >= 1.8 x)")
        again = run_once(photos, folder / "run2", 2, real, 0)
        share = 100 * again["seconds"] / runs[1]["seconds"]
        print(f"resumed with nothing to do: {again['seconds']:.2f} s, {share:.1f} % (goal < 2 %)")
        for count in (100, 1000 // part, 5000 // part):
            photos = make_photos(folder / f"memory{count}", count, samples)
            run = run_once(photos, folder / f"run-memory{count}", 2, real, 0)
            print(f"{count} photos: master's peak {run['peak_mb']:.0f} MB, {run['seconds']:.1f} s")
            shutil.rmtree(photos)
        bench_ledger(folder, 100_000 // part)


if __name__ == "__main__":
    main()
