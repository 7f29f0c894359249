"""Time `identify` against plain full-photo passes of both readers: `python -m cli.bench_identify`.

Two things are timed in turn in one run, so that a busy machine slows both; ratios count. No photo of
12 megapixels has to be at hand: photos are enlarged to that size, which gives every stage its full work.
Cold start and peak memory are those of a new process.
"""

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from cli.measure_text import by_rapid_pass, by_tesseract_pass
from cli.pipeline import decode_photo, identify_unit
from cli.settings import default_catalogue, demo_folder
from models.catalogue import load_catalogue

LARGE_PX, SMALL_PX = 4032, 1632  # long sides of 12 and 2 megapixels at 4:3


def enlarged(source: Path, long_side: int, folder: Path) -> Path:
    """A JPEG copy whose long side has this many pixels."""
    rgb = decode_photo(source.read_bytes(), name=source.name).rgb
    scale = long_side / max(rgb.shape[:2])
    larger = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    target = folder / f"{source.stem}-{long_side}.jpg"
    cv2.imwrite(str(target), larger[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 85])
    return target


def seconds(work: Callable[[], object]) -> float:
    """How long something takes, by the wall clock."""
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def compare(photos: list[Path]) -> None:
    """Whole `identify` beside one plain pass of each reader, photo by photo."""
    catalogue = load_catalogue(default_catalogue())
    identify_unit([photos[0]], catalogue)  # the networks are loaded before anything counts
    rows = []
    for path in photos:
        data = path.read_bytes()
        rows.append(
            (
                seconds(lambda path=path: identify_unit([path], catalogue)),
                seconds(lambda data=data: by_tesseract_pass(decode_photo(data, name="large"))),
                seconds(lambda data=data: by_rapid_pass(decode_photo(data, name="large"))),
            )
        )
    whole, tesseract, rapid = (statistics.median(column) for column in zip(*rows, strict=True))
    print(f"{len(photos)} photos of 12 megapixels, medians: identify {whole:.2f} s")
    print(f"  over a plain Tesseract pass ({tesseract:.2f} s): {whole / tesseract:.2f} (goal 0.6)")
    print(f"  over a plain pass of the packaged reader ({rapid:.2f} s): {whole / rapid:.2f}")


def cold_start(photo: Path, times: int) -> None:
    """A new process for each answer; peak memory of the largest."""
    command = [sys.executable, "-c", "from cli.main import main; main()", "identify", str(photo), "--json"]
    took = [
        seconds(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL)) for _ in range(times)
    ]
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024  # Linux counts KiB
    print(f"cold start, {photo.name}: median {statistics.median(took):.2f} s of {times} (goal 1.5 s at 2 MP)")
    print(f"peak memory of the largest process so far: {peak:.0f} MB (goal 700 MB)")


def grow(photo: Path, folder: Path) -> None:
    """Growth with the photo's size."""
    catalogue = load_catalogue(default_catalogue())
    for long_side in (800, 1632, 2880, 4032):
        path = enlarged(photo, long_side, folder)
        took = min(seconds(lambda path=path: identify_unit([path], catalogue)) for _ in range(2))
        print(f"  {0.75 * (long_side / 1000) ** 2:5.1f} MP: {took:.2f} s")


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--count", type=int, default=6, help="photos of 12 megapixels")
    options = parser.parse_args()
    shipped = sorted((demo_folder() / "photos").glob("mf*.jpg"))
    chosen = [shipped[int(k)] for k in np.linspace(0, len(shipped) - 1, options.count)]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        compare([enlarged(path, LARGE_PX, folder) for path in chosen])
        cold_start(enlarged(chosen[0], SMALL_PX, folder), times=3)
        cold_start(enlarged(chosen[0], LARGE_PX, folder), times=1)
        print("growth with the photo's size, one unit:")
        grow(chosen[0], folder)


if __name__ == "__main__":
    main()
