"""Time `identify` against plain full-photo passes of both readers.

    python -m plugface.cli.evaluation.bench_identify

Two things are timed in turn in one run, so that a busy machine slows both; ratios count. The photos of 12
megapixels are the demo's; the yard page's answer is timed in turn with a warm `identify`. Cold start and peak
memory are those of a new process. Growth with the photo's size, with the units in it and with the catalogue
is printed and, with `--picture`, drawn.
"""

import argparse
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from json import loads
from pathlib import Path
from typing import Any

import cv2
from matplotlib.figure import Figure
from plugface.analysis import analyse, observe_photos, open_photo
from plugface.cli.evaluation.bench_scale import measure_cost
from plugface.cli.evaluation.bench_yard import Server, ask
from plugface.cli.evaluation.measure_text import by_rapid_pass, by_tesseract_pass
from plugface.cli.evaluation.truth import read_truth
from plugface.cli.limited_photo import read_photo
from plugface.cli.present.charts import DPI
from plugface.cli.settings import default_catalogue, demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.unit_choice import SeveralUnits

SMALL_PX = 1632  # long side of 2 megapixels at 4:3


def enlarged(source: Path, long_side: int, folder: Path) -> Path:
    """A JPEG copy whose long side has this many pixels."""
    rgb = open_photo(source.read_bytes(), name=source.name).rgb
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


def answer(photo: Path, catalogue: Catalogue) -> None:
    """What `identify` does; of a photo of several units it asks for one, having looked at all."""
    with suppress(SeveralUnits):
        analyse([photo], catalogue, model=default_model(), opener=read_photo)


def _read_plainly(one_pass: Callable[[Any], object], data: bytes) -> None:
    one_pass(open_photo(data, name="large"))


def compare(photos: list[Path]) -> None:
    """Whole `identify` beside one plain pass of each reader, photo by photo."""
    catalogue = load_catalogue(default_catalogue())
    answer(photos[0], catalogue)  # the networks are loaded before anything counts
    rows = []
    for path in photos:
        data = path.read_bytes()
        rows.append(
            (
                seconds(partial(answer, path, catalogue)),
                seconds(partial(_read_plainly, by_tesseract_pass, data)),
                seconds(partial(_read_plainly, by_rapid_pass, data)),
            )
        )
    whole, tesseract, rapid = (statistics.median(column) for column in zip(*rows, strict=True))
    print(f"{len(photos)} photos of 12 megapixels, medians: identify {whole:.2f} s")
    print(f"  over a plain Tesseract pass ({tesseract:.2f} s): {whole / tesseract:.2f} (goal 0.22)")
    print(f"  over a plain pass of the packaged reader ({rapid:.2f} s): {whole / rapid:.2f} (goal 0.6)")


def compare_page(photos: list[Path], folder: Path) -> None:
    """The yard page's answer to a photo beside whole `identify`, in turn, both warm."""
    catalogue = load_catalogue(default_catalogue())
    server = Server(folder / "yard", 1, "--log-level", "error")  # else a line for each question
    server.start()
    rows = []
    try:
        _answer_of_page(server, "f" * 32, photos[0])  # its networks are loaded before anything counts
        for number, path in enumerate(photos):
            by_page = seconds(partial(_answer_of_page, server, f"{number:032x}", path))
            rows.append((seconds(partial(answer, path, catalogue)), by_page))
    finally:
        server.end(signal.SIGTERM)
    whole, page = (statistics.median(column) for column in zip(*rows, strict=True))
    print(f"the yard page, from the first byte sent to the answer: {page:.2f} s (goal 1.0 after the last)")
    print(f"  over a warm identify ({whole:.2f} s): {page / whole:.2f}")


def _answer_of_page(server: Server, unit: str, photo: Path) -> None:
    ask(f"{server.url}/api/v1/units/{unit}/photos", photo.read_bytes())
    while loads(ask(f"{server.url}/api/v1/units/{unit}"))["state"] not in {"answered", "failed"}:
        time.sleep(0.02)


WARM = """
import statistics, sys
from pathlib import Path
from plugface.cli.evaluation.bench_identify import answer, default_catalogue, load_catalogue, seconds
photo, catalogue = Path(sys.argv[1]), load_catalogue(default_catalogue())
answer(photo, catalogue)
print(statistics.median(seconds(lambda: answer(photo, catalogue)) for _ in range(int(sys.argv[2]))))
"""


def cold_start(photo: Path, times: int, folder: Path) -> None:
    """A new process for each answer, and one that only imports numpy, OpenCV and onnxruntime, in turn.

    Modules are compiled once into `folder`, as an installation has them: without that each process would
    compile them anew, which takes longer than all else.
    """
    own = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    own["PYTHONPYCACHEPREFIX"] = str(folder / "bytecode")
    bare = [sys.executable, "-c", "import numpy, cv2, onnxruntime"]
    command = [
        sys.executable,
        "-c",
        "import plugface.cli.main as m; m.main()",
        "identify",
        str(photo),
        "--json",
    ]
    took, worked, peaks, imported = [], [], [], []
    subprocess.run(command, stdout=subprocess.DEVNULL, env=own, check=True)
    for _ in range(times):
        imported.append(seconds(lambda: subprocess.run(bare, env=own, check=True)))
        started = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=own)
        # Of this process alone: the figure for all children is that of the largest so far.
        posix: Any = os  # Windows has no wait4
        _, status, used = posix.wait4(process.pid, 0)
        took.append(time.perf_counter() - started)
        worked.append(used.ru_utime + used.ru_stime)
        peaks.append(used.ru_maxrss / 1024)  # Linux counts KiB
        process.returncode = os.waitstatus_to_exitcode(status)
    print(f"cold start, {photo.name}: median {statistics.median(took):.2f} s of {times}")
    warmed = [sys.executable, "-c", WARM, str(photo), str(times)]  # what is held here counts in later peaks
    warm = float(subprocess.run(warmed, env=own, check=True, capture_output=True, text=True).stdout)
    libraries = statistics.median(imported)
    ratio = statistics.median(took) / (libraries + warm)
    print(f"  over importing the libraries ({libraries:.2f} s) and a warm answer ({warm:.2f} s): {ratio:.2f}")
    print(
        f"  of which {statistics.median(worked):.2f} s of processor time; peak {max(peaks):.0f} MB (goal 350)"
    )


def grow_with_size(photo: Path, folder: Path) -> list[tuple[float, float]]:
    """Megapixels and seconds, for one unit; the photo is enlarged or reduced."""
    catalogue = load_catalogue(default_catalogue())
    points = []
    for long_side in (800, 1632, 2880, 4032):
        path = enlarged(photo, long_side, folder)
        took = min(seconds(partial(answer, path, catalogue)) for _ in range(2))
        points.append((0.75 * (long_side / 1000) ** 2, took))
    return points


def grow_with_units() -> list[tuple[float, float]]:
    """Units in a photo of the demo and the seconds to look at it, for one pallet photo of each count."""
    pallets = [row for row in read_truth(demo_folder()) if row.photo.startswith("photos/pa")]
    points: list[tuple[float, float]] = []
    for count in sorted({len(row.units) for row in pallets}):
        path = demo_folder() / next(row.photo for row in pallets if len(row.units) == count)
        points.append(
            (count, min(seconds(partial(observe_photos, [path], opener=read_photo)) for _ in range(2)))
        )
    return points


def grow_with_catalogue(folder: Path) -> list[tuple[float, float]]:
    """Families in the catalogue and the seconds that an answer from a front adds to a photo."""
    model = default_model()
    costs = [measure_cost(n, folder / f"catalogue-{n}", model) for n in (14, 100, 500, 2000)]
    return [(cost.families, cost.front_s) for cost in costs]


def draw_growth(curves: dict[str, list[tuple[float, float]]], path: Path) -> None:
    """One panel for each curve of (size, seconds), as PNG."""
    figure = Figure(figsize=(9, 2.8), layout="constrained")
    for axes, (caption, points) in zip(figure.subplots(1, len(curves)), curves.items(), strict=True):
        axes.plot(*zip(*points, strict=True), marker="o", color="tab:blue")
        axes.set_xlabel(caption)
        axes.set_ylabel("seconds")
        axes.set_ylim(0, 1.1 * max(seconds for _, seconds in points))
    figure.savefig(path, dpi=DPI)


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--picture", type=Path, help="growth curves (.png)")
    options = parser.parse_args()
    large = sorted((demo_folder() / "photos").glob("ti*.jpg"))
    single = next(demo_folder() / row.photo for row in read_truth(demo_folder()) if row.view == "front")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        # First: Linux counts what this process holds when it starts another into the other's peak.
        cold_start(enlarged(single, SMALL_PX, folder), times=5, folder=folder)
        cold_start(large[0], times=3, folder=folder)
        compare(large)
        compare_page(large, folder)
        curves = {
            "megapixels, one unit": grow_with_size(single, folder),
            "units in the photo": grow_with_units(),
            "families; the answer alone": grow_with_catalogue(folder),
        }
    for caption, points in curves.items():
        print(f"{caption}: " + ", ".join(f"{size:g}: {took:.3f} s" for size, took in points))
    if options.picture:
        draw_growth(curves, options.picture)


if __name__ == "__main__":
    main()
