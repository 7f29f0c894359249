"""What a cluster gives: measured with few workers, played through with many.

    python -m plugface.cli.evaluation.bench_cluster [--dask] [--photos 1000000] [--workers 100] [--look-s S]

A run has one master: it finds the files, hands photos out, takes looks and decisions back and writes each
into the ledger in a transaction of its own. Its seconds a photo are measured here, by sorting photos that a
stand-in looks at without computing; a worker's are those of `bench_sort --profile`, or `--look-s`. Then so
many photos and workers are played through, event by event, as `cli/lot/parallel.py` hands out: each worker
has one photo in hand and one ahead. Printed: photos a second, hours, how busy master and workers are, and
with how many workers the master is busy all the time. A shared disk and the network are not played through:
what they must carry is printed.

With --dask a stand-in that computes is asked by 1, 2 and 4 workers of a Dask cluster on this machine, in
turn; more workers than cores only show that nothing is lost by them.
"""

import argparse
import heapq
import os
import shutil
import statistics
import tempfile
import time
from collections import deque
from pathlib import Path
from typing import NamedTuple

import numpy as np
from plugface.cli.evaluation.bench_sort import STAND_IN_S, StandIn, make_photos, profile_worker, run_once
from plugface.cli.lot.parallel import AHEAD
from plugface.cli.lot.sorting import Plan, sort_lot
from plugface.cli.settings import demo_folder

#: Workers that are played through besides those asked for.
CURVE = (1, 2, 4, 10, 25, 50, 100, 200, 400)

#: Spread of a look's seconds, as standard deviation of their logarithm: of 107 photos of single units of the
#: demo's calibration split (2026-11-28: 0.6 to 2.8 s of the processor, median 1.15 s).
SPREAD = 0.3

#: Bytes of a photo of 12 megapixels as a phone keeps it, and of what a look gives back with its thumbnail.
#: Round figures, no source.
PHOTO_BYTES, LOOK_BYTES = 4_000_000, 40_000


class Played(NamedTuple):
    """One run played through."""

    seconds: float
    master: float  # share of the time that the master is busy
    workers: float  # mean share of the workers


def play(photos: int, workers: int, look_s: float, master_s: float, *, seed: int = 1) -> Played:
    """Play a run through: the master serves one photo at a time, in the order in which looks come back.

    Parameters
    ----------
    photos, workers : int
    look_s : float
        Mean seconds that a worker takes for a photo; drawn from a log-normal distribution.
    master_s : float
        Seconds that the master takes for a photo: hashing, handing out, taking back, writing.
    seed : int

    Returns
    -------
    played : Played
    """
    rng = np.random.default_rng(seed)
    draws = iter(rng.lognormal(np.log(look_s) - SPREAD**2 / 2, SPREAD, photos).tolist())
    waiting: deque[None] = deque([None] * min(photos, AHEAD * workers))  # handed out, not yet begun
    left = photos - len(waiting)
    idle, busy = workers, 0.0
    ends: list[float] = []
    now = free_at = 0.0  # of the master

    def begin(at: float) -> None:
        nonlocal idle, busy
        while idle and waiting:
            waiting.popleft()
            took = next(draws)
            idle, busy = idle - 1, busy + took
            heapq.heappush(ends, at + took)

    handed: deque[float] = deque()  # when the master will have handed out one more
    begin(0.0)
    while ends or handed:
        if handed and (not ends or handed[0] <= ends[0]):
            now = handed.popleft()
            waiting.append(None)
        else:
            now = heapq.heappop(ends)
            idle += 1
            free_at = max(now, free_at) + master_s
            if left:
                left -= 1
                handed.append(free_at)
        begin(now)
    whole = max(now, free_at)
    return Played(whole, photos * master_s / whole, busy / (workers * whole))


def measure_master(folder: Path, count: int = 300) -> float:
    """Seconds of the processor that the master takes for one photo, where looking takes none."""
    few = make_photos(folder / "few", count // 10, [])
    many = make_photos(folder / "many", count, [])
    # What a run takes whatever it holds goes out with the smaller one.
    small, large = (run_once(photos, folder / f"run-{photos.name}", 1, False, 0.0) for photos in (few, many))
    return (large["master_cpu"] - small["master_cpu"]) / (count - count // 10)


def measure_dask(folder: Path, count: int, rounds: int = 3) -> dict[int, float]:
    """Photos a second with 1, 2 and 4 workers of a Dask cluster on this machine, runs in turn; medians."""
    from distributed import LocalCluster

    photos = make_photos(folder / "dask", count, [])
    rates: dict[int, list[float]] = {1: [], 2: [], 4: []}
    for turn in range(rounds):
        for workers, found in rates.items():
            out = folder / f"dask{workers}-{turn}"
            with LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
            ) as cluster:
                plan = Plan(
                    str(photos), demo_folder() / "marrow_finch", out, cluster=cluster.scheduler_address
                )
                started = time.perf_counter()
                sort_lot(plan, analyser=StandIn(STAND_IN_S))
                found.append(count / (time.perf_counter() - started))
            shutil.rmtree(out)
    return {workers: statistics.median(found) for workers, found in rates.items()}


def main() -> None:
    """Measure, play through and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=1_000_000)
    parser.add_argument("--workers", type=int, default=100)
    parser.add_argument("--look-s", type=float, help="seconds that a worker takes for a photo")
    parser.add_argument("--master-s", type=float, help="seconds that the master takes for a photo")
    parser.add_argument("--dask", action="store_true", help="also a Dask cluster on this machine")
    parser.add_argument("--count", type=int, default=40, help="photos of each run with --dask")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="plugface-cluster-") as name:
        folder = Path(name)
        if asked.dask:
            rates = measure_dask(folder, asked.count)
            print(f"Dask on this machine ({os.cpu_count()} cores), a stand-in that computes {STAND_IN_S} s:")
            for workers, rate in rates.items():
                print(f"  {workers} worker(s): {rate:.2f} photos/s, {rate / rates[1]:.2f} times one")
        master_s = asked.master_s or measure_master(folder)
    look_s = asked.look_s or sum(
        profile_worker(sorted((demo_folder() / "photos").glob("mf*.jpg"))[::20]).values()
    )
    print(f"a worker {look_s:.2f} s a photo, the master {1000 * master_s:.1f} ms")
    print(f"{asked.photos:,} photos, played through:")
    for workers in sorted({*CURVE, asked.workers}):
        played = play(asked.photos, workers, look_s, master_s)
        rate = asked.photos / played.seconds
        print(
            f"  {workers:4} workers: {rate:7.1f} photos/s, {played.seconds / 3600:6.1f} h; "
            f"master busy {100 * played.master:3.0f} %, workers {100 * played.workers:3.0f} %; "
            f"read {rate * PHOTO_BYTES / 1e6:.0f} MB/s, sent back {rate * LOOK_BYTES / 1e6:.1f} MB/s"
        )
    print(f"the master is busy all the time from {look_s / master_s:.0f} workers on")


if __name__ == "__main__":
    main()
