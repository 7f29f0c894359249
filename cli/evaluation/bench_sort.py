"""Measure sorting itself.

    python -m plugface.cli.evaluation.bench_sort [--photos DIR [--count N]] [--quick] [--pallet N]
    python -m plugface.cli.evaluation.bench_sort --ledger N
    python -m plugface.cli.evaluation.bench_sort --photos DIR --profile [--count N]

Throughput with 1 and 2 workers in turn, so that a busy machine slows both, their ratio, and the processor
time of each (a ratio under 2 with the same processor time is waiting, with more it is work done twice or
threads in each other's way); what one worker does with its time, by stages; the share of starting up; what
a resumed run costs; memory from 100 to 5,000 photos; how long 100,000 ledger rows take to list and export;
with --pallet, a folder of N files of which 3 % are broken.

With --photos the real pipeline looks at photos made by resampling the ones given: N of them for throughput,
and N/5 and N for memory. All else is looked at by a stand-in, which works for a fixed time on each photo or
not at all: it measures the sorting machinery alone, and each line says who looked. A worker has one thread,
whether it is alone or not, and so many cores as there are workers are used (Linux; elsewhere all).
"""

import argparse
import hashlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from importlib import import_module
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from PIL import Image
from plugface.analysis import known_shades, observe, open_photo
from plugface.cli.lot import worker
from plugface.cli.lot.sorting import Plan, sort_lot
from plugface.cli.present.report.sheet import list_lots, sheet_of
from plugface.cli.settings import demo_folder
from plugface.cli.store.exports import write_for_people, write_rows
from plugface.cli.store.ledger import (
    File,
    Ledger,
    Look,
    Lot,
    Photo,
    Proposal,
    Unit,
    View,
    list_units,
    now_utc,
)
from plugface.codec import write_decision, write_observations
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.answers import Candidate, Decision
from plugface.models.decision.opinion import Opinion
from plugface.models.decision.pairing import Needs
from plugface.models.unit_choice import UnitChoice, from_part
from plugface.vision.observations import Connector, Observations, Quality, WhiteBalance
from plugface.vision.observations import Unit as SeenUnit
from sqlalchemy import insert

#: Time that the stand-in computes on each photo, seconds.
STAND_IN_S = 0.3

#: Share of broken files on the pallet of many.
BROKEN_SHARE = 0.03

#: Runs with each number of workers, in turn.
ROUNDS = 3

#: Photos of the two runs whose difference is what handing out and the ledger take.
MASTER_PHOTOS = (20, 220)


@dataclass(frozen=True)
class StandIn:
    """Computes for a fixed processor time and sees the same two plugs each time."""

    seconds: float = STAND_IN_S
    look_version: str = "stand-in"
    model_version: str = "stand-in"

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        """See two brown plugs, in what can be decoded."""
        open_photo(data, name=name)
        until = time.process_time() + self.seconds
        while time.process_time() < until:
            hashlib.sha256(data).digest()
        square = ((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0))
        plugs = tuple(Connector(square, {"BN": 1.0}, {"M": 1.0}, 0.3, 0.9) for _ in range(2))
        unit = SeenUnit(square, 0.9, {"front": 1.0, "back": 0.0}, plugs)
        quality, balance = Quality(400, 300, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0.0)
        return Observations(hashlib.sha256(data).hexdigest(), quality, balance, (unit,)), data[:20_000]

    def list_units(self, seen: Observations) -> list[int]:
        """One."""
        return [0]

    def decide(self, seen: list[Observations], chosen: list[UnitChoice]) -> Decision:
        """Always the same."""
        best = Candidate("AUK 11", 5.0, 0.999)
        return Decision("identified", "AUK 11.", (best,), ("AUK 11",), ("early",), model_version="stand-in")

    def judge(
        self, seen: list[Observations], chosen: list[UnitChoice], claimed: str, needs: Needs
    ) -> tuple[Decision, Opinion | None]:
        """The same, and nothing of a claim."""
        return self.decide(seen, chosen), None


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
    done = subprocess.run(
        [sys.executable, "-m", "plugface.cli.evaluation.bench_sort", *words], capture_output=True, check=True
    )
    return json.loads(done.stdout)


def one(photos: Path, out: Path, workers: int, real: bool, seconds: float) -> None:
    """The inside of `run_once`."""
    from loky import get_reusable_executor

    system: Any = os
    if hasattr(
        os, "sched_setaffinity"
    ):  # the workers have it from here: they get no more cores than they are
        system.sched_setaffinity(0, sorted(system.sched_getaffinity(0))[:workers])
    started = time.perf_counter()
    plan = Plan(str(photos), demo_folder() / "marrow_finch", out, workers=workers)
    first: list[float] = []

    def note_first(stage: str, done: int, _of: int) -> None:
        if stage == "look" and done == 1:
            first.append(time.perf_counter())

    outcome = sort_lot(plan, analyser=None if real else StandIn(seconds), progress=note_first)
    wall = time.perf_counter() - started
    if outcome.looked_now:
        get_reusable_executor().shutdown(wait=True)  # only ended workers are counted in RUSAGE_CHILDREN
    resource: Any = import_module("resource")  # Linux and macOS have it

    mine, theirs = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    measured = {
        "seconds": wall,
        "first": first[0] - started if first else wall,
        "peak_mb": mine.ru_maxrss / 1024,
        "worker_peak_mb": theirs.ru_maxrss / 1024,
        "master_cpu": mine.ru_utime + mine.ru_stime,
        "cpu": mine.ru_utime + mine.ru_stime + theirs.ru_utime + theirs.ru_stime,
        "files": outcome.files,
        "units": outcome.units,
        "broken": outcome.broken,
    }
    print(json.dumps(measured))


def bench_throughput(folder: Path, count: int, samples: list[Path]) -> None:
    """1 worker against 2 in turn, then a run once more with nothing left to do."""
    real, seconds = bool(samples), 0.0 if samples else STAND_IN_S
    who = "the real pipeline" if real else f"a stand-in that computes {STAND_IN_S} s"
    print(f"throughput: {count} photos, looked at by {who}, one thread a worker, {ROUNDS} runs each in turn")
    photos = make_photos(folder / "throughput", count, samples)
    runs: dict[int, list[dict[str, float]]] = {1: [], 2: []}
    for turn in range(ROUNDS):
        for workers, done in runs.items():
            done.append(run_once(photos, folder / f"run{workers}-{turn}", workers, real, seconds))
    for workers, done in runs.items():
        took, cpu, first = (
            statistics.median(run[key] for run in done) for key in ("seconds", "cpu", "first")
        )
        start_up = max(0.0, first - workers * took / count)
        print(
            f"  {workers} worker(s): {count / took:.2f} photos/s, processor {cpu:.1f} s, "
            f"start-up {start_up:.1f} s ({100 * start_up / took:.1f} %)"
        )
    ratios = [one["seconds"] / two["seconds"] for one, two in zip(*runs.values(), strict=True)]
    spread = f"{min(ratios):.2f} to {max(ratios):.2f}"
    print(f"  2 workers against 1: {statistics.median(ratios):.2f} x, {spread} (goal >= 1.9 x)")
    again = run_once(photos, folder / f"run2-{ROUNDS - 1}", 2, real, seconds)
    share = 100 * again["seconds"] / runs[2][-1]["seconds"]
    print(f"  resumed with nothing to do: {again['seconds']:.2f} s, {share:.1f} % of the run (goal < 2 %)")


def processor_seconds() -> float:
    """What this process and the ended ones that it started (Tesseract) have taken of the processor."""
    resource: Any = import_module("resource")  # Linux and macOS have it
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + used.ru_utime + used.ru_stime


def profile_worker(photos: list[Path]) -> dict[str, float]:
    """Processor seconds a photo of each stage, on one thread, the networks loaded before anything counts.

    To read is what looking takes longer with reading than without.
    """
    import cv2

    cv2.setNumThreads(1)
    analyser = worker.PipelineAnalyser(demo_folder() / "marrow_finch")
    shades = known_shades(load_catalogue(analyser.catalogue))
    spent = dict.fromkeys(("decode", "see", "read", "decide"), 0.0)
    for number, path in enumerate([photos[0], *photos]):
        marks = [processor_seconds()]
        photo = open_photo(path.read_bytes(), name=path.name)
        _ = photo.rgb, photo.grey
        marks.append(processor_seconds())
        observe(photo, shades=shades, read_text=False)
        marks.append(processor_seconds())
        seen = observe(photo, shades=shades)
        marks.append(processor_seconds())
        for part in analyser.list_units(seen):
            analyser.decide([seen], [from_part(part, seen)])
        marks.append(processor_seconds())
        decode, see, both, decide = (after - before for before, after in pairwise(marks))
        if number:
            for stage, took in zip(spent, (decode, see, max(0.0, both - see), decide), strict=True):
                spent[stage] += took / len(photos)
    return spent


def measure_master(folder: Path) -> float:
    """Processor seconds a photo of the process that hands photos out and writes the ledger, with one worker
    that computes nothing; without starting up, which two runs of different size have in common.
    """
    few, many = (
        run_once(make_photos(folder / f"photos{count}", count, []), folder / f"run{count}", 1, False, 0.0)
        for count in MASTER_PHOTOS
    )
    return max(0.0, many["master_cpu"] - few["master_cpu"]) / (MASTER_PHOTOS[1] - MASTER_PHOTOS[0])


def bench_profile(photos: list[Path], ledger_s: float) -> None:
    """What one worker does with a photo, and what the master does with it meanwhile."""
    stages = profile_worker(photos) | {"ledger, and handing out": ledger_s}
    total = sum(stages.values())
    print(f"one worker, {len(photos)} photos: {total:.2f} s of the processor a photo")
    for stage, took in stages.items():
        print(f"  {stage:24} {took:.3f} s, {100 * took / total:4.1f} %")


def bench_memory(folder: Path, counts: list[int], samples: list[Path]) -> None:
    """Peak memory of master and workers over lots of different size."""
    print(f"memory: looked at by {'the real pipeline' if samples else 'a stand-in that computes nothing'}")
    for count in counts:
        photos = make_photos(folder / f"memory{count}", count, samples)
        run = run_once(photos, folder / f"run-memory{count}", 2, bool(samples), 0.0)
        print(
            f"  {count:5} photos: master {run['peak_mb']:.0f} MB, a worker {run['worker_peak_mb']:.0f} MB, "
            f"{run['seconds']:.1f} s"
        )
        shutil.rmtree(photos)


def bench_pallet(folder: Path, count: int) -> None:
    """Many files, 3 % of them broken: each is one row, and nothing stops for them."""
    photos = make_photos(folder / "pallet", count, [])
    broken = sorted(photos.iterdir())[:: round(1 / BROKEN_SHARE)]
    for number, path in enumerate(broken):
        whole = path.read_bytes()
        torn = (whole[: len(whole) // 2], f"no picture {number}".encode(), whole[:20] + path.name.encode())
        path.write_bytes(torn[number % 3])
    run = run_once(photos, folder / "run-pallet", 2, False, 0.0)
    print(
        f"pallet: {run['files']} files, {len(broken)} broken; {run['units']} units, {run['broken']} of them "
        f"to take again; {run['seconds']:.0f} s, master {run['peak_mb']:.0f} MB (decoded, then a stand-in)"
    )
    if (run["files"], run["units"], run["broken"]) != (count, count, len(broken)):
        raise SystemExit("these numbers should be the same")


def bench_ledger(folder: Path, rows: int) -> None:
    """Time to list and export many units."""
    ledger = Ledger(folder / "ledger.sqlite")
    numbers = range(1, rows + 1)
    same = dict.fromkeys(("variant", "findings"), "")
    stand_in = StandIn(0.0)
    picture = BytesIO()
    Image.new("RGB", (64, 48)).save(picture, "JPEG")
    seen, _thumb = stand_in.observe(picture.getvalue(), "x")
    same["decision"] = write_decision(stand_in.decide([], []))
    look = {"version": "v", "fault": "", "taken_at": "", "seconds": 0.1, "made_at": now_utc()}
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
        session.execute(
            insert(Look), [{"photo_id": n, "observations": write_observations(seen), **look} for n in numbers]
        )
        session.execute(
            insert(File),
            [
                {"lot_id": 1, "photo_id": n, "path": f"u{n}.jpg", "size_bytes": 1, "mtime_ns": "1"}
                | {"note": "", "added_at": now}
                for n in numbers
            ],
        )
        session.execute(insert(View), [{"unit_id": n, "photo_id": n, "part": 0} for n in numbers])
        usual: dict[str, object] = {
            "input_sha256": "",
            "catalogue_sha256": "c" * 64,
            "model_version": "m",
            "verdict": "identified",
        }
        usual |= {"family": "AUK 11", "probability": 0.998, "destination": "family bin", "bin": "AUK 11"}
        usual |= {
            "expected_cost": 0.4,
            "message": "AUK 11: early. Mark and plugs agree.",
            "made_at": now,
            **same,
        }
        session.execute(insert(Proposal), [{"unit_id": n, **usual} for n in numbers])
    forms: tuple[Literal["list", "csv", "jsonl", "xlsx"], ...] = ("list", "csv", "jsonl", "xlsx")
    for form in forms:
        started = time.perf_counter()
        with ledger.reading() as session, (folder / f"out.{form}").open("wb") as out:
            columns, listed = list_units(session)
            count = sum(1 for _ in listed) if form == "list" else write_rows(columns, listed, out, form)
        print(f"ledger: {count} rows, {form:5} {time.perf_counter() - started:5.2f} s (goal < 3 s)")
    started = time.perf_counter()
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    with ledger.reading() as session, (folder / "people.xlsx").open("wb") as out:
        lines, worth = list_lots(session, None, catalogue)
        count = write_for_people(sheet_of(lines, worth), out, "xlsx")
    print(f"ledger: {count} rows for people, xlsx {time.perf_counter() - started:5.1f} s (goal < 60 s)")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, help="sample photos for the real pipeline")
    parser.add_argument("--count", type=int, default=60, help="photos that the real pipeline looks at")
    parser.add_argument("--profile", action="store_true", help="only what a photo takes, by stages")
    parser.add_argument("--quick", action="store_true", help="a tenth of everything")
    parser.add_argument("--pallet", type=int, metavar="N", help="only a folder of N files, 3 %% broken")
    parser.add_argument(
        "--ledger", type=int, metavar="N", help="only a ledger of N units, listed and exported"
    )
    parser.add_argument("--one", nargs=4, help=argparse.SUPPRESS)
    parser.add_argument("--real", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        photos, out, workers, seconds = asked.one
        one(Path(photos), Path(out), int(workers), asked.real, float(seconds))
        return
    samples = sorted(asked.photos.rglob("*.jpg")) if asked.photos else []
    part = 10 if asked.quick else 1
    with tempfile.TemporaryDirectory(prefix="plugface-bench-") as name:
        folder = Path(name)
        if asked.ledger:
            bench_ledger(folder, asked.ledger)
            return
        if asked.pallet:
            bench_pallet(folder, asked.pallet)
            return
        if samples:
            count = max(4, asked.count // part)
            if asked.profile:
                bench_profile(samples[:count], measure_master(folder))
                return
            bench_throughput(folder / "real", count, samples)
            bench_profile(samples[:count], measure_master(folder))
            bench_memory(
                folder / "real", [max(2, asked.count // part // 5), max(4, asked.count // part)], samples
            )
        bench_throughput(folder / "stand-in", 200 // part, [])
        bench_memory(folder / "stand-in", [100, 1000 // part, 5000 // part], [])
        bench_ledger(folder, 100_000 // part)


if __name__ == "__main__":
    main()
