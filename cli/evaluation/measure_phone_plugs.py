"""Measure what a phone makes of plugs by itself, beside what the server makes of the same photos.

    python -m plugface.cli.evaluation.measure_phone_plugs [--photos 60] [--throttle 4]

Runs the page's own scripts in a Chromium, with `phone_plugs` switched on, over photos of the calibration
split (those of the golden set, spread evenly), and `observe` on the same files. Printed: in how many photos
number and colours of the plugs of all units are equal, to the server's answer and to the server's own code
looking once as the phone does first, which tells a fault of the scripts from what one look costs; the same
for photos of single units, and for those of which the phone is sure; the time of a photo, on the wall and in
the worker's own seconds of the processor, which other programs hardly lengthen and which Chromium's
throttling leaves as they are: that holds up the page alone, so the goal is held against them times the
throttling; how long the page itself waits; its memory; and the size of each part.
"""

import argparse
import base64
import gzip
import json
import os
import shutil
import signal
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from plugface.cli.evaluation.bench_yard import Server
from plugface.cli.evaluation.golden import choose_rows
from plugface.cli.present.report.printing import PROGRAMS
from plugface.cli.settings import demo_folder
from plugface.cli.web.phone_plugs import RUNTIME
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.segmenter import WEIGHTS, Maps, join, look
from plugface.vision.observations import Connector, best_colour
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo
from plugface.vision.vision_models import VisionModels, default_models

#: Colours of the plugs of each unit, and of those on none; "?" where none is known.
Plugs = tuple[tuple[tuple[str, ...], ...], tuple[str, ...]]

#: From this share of its colour, and this confidence, on, a plug counts as sure. Our choice.
SURE = 0.9

GOALS = {"equal": 0.97, "seconds": 2.0, "megabytes": 400}

SEE = """async ([script, bytes]) => {
  const { seePlugs } = await import(script);
  const blob = new Blob([Uint8Array.from(atob(bytes), (sign) => sign.charCodeAt(0))], { type: "image/jpeg" });
  let first;
  const seen = await seePlugs(blob, (told) => (first = told));
  return { first: first ?? seen, ...seen };
}"""

# The longest time between two frames of the page while a photo is looked at, in milliseconds.
FRAMES = """async ([script, bytes]) => {
  const { seePlugs } = await import(script);
  const blob = new Blob([Uint8Array.from(atob(bytes), (sign) => sign.charCodeAt(0))], { type: "image/jpeg" });
  let [longest, last, on] = [0, performance.now(), true];
  const frame = (now) => {
    longest = Math.max(longest, now - last);
    last = now;
    if (on) requestAnimationFrame(frame);
  };
  requestAnimationFrame(frame);
  const started = performance.now();
  const seen = await seePlugs(blob);
  on = false;
  return { longest, whole: performance.now() - started, took: seen.took };
}"""

SPIN = """() => {
  const at = performance.now();
  let x = 0;
  for (let k = 0; k < 3e7; k += 1) x += k % 7;
  return performance.now() - at;
}"""


class OneLook:
    """The server's segmenter looking once at the whole photo and at nothing again, as a phone does."""

    def __init__(self) -> None:
        self._whole: Maps | None = None

    def segment(
        self, pictures: list[np.ndarray], to_photo: list[np.ndarray], *, enough=None, once=False
    ) -> list[Maps]:
        """Maps of a whole photo; of a unit to be looked at again, maps with nothing in them."""
        answers = look(pictures, ((False, False),))
        maps = [join(answer, matrix) for answer, matrix in zip(answers, to_photo, strict=True)]
        if enough is None:
            return [replace(m, masks={n: np.zeros_like(mask) for n, mask in m.masks.items()}) for m in maps]
        enough(maps[0])
        return maps


def one_look_models() -> VisionModels:
    """The server's own models, but with one look."""
    return VisionModels(OneLook(), default_models().readers)


def server_plugs(data: bytes, models: VisionModels | None = None) -> Plugs:
    """What the server sees in a photo, as plain colours."""
    seen = observe(decode_photo(data), read_text=False, models=models)

    def colours(plugs: Iterable[Connector]) -> tuple[str, ...]:
        return tuple(sorted(best_colour(plug.colour) or "?" for plug in plugs))

    return tuple(sorted(colours(unit.connectors) for unit in seen.units)), colours(seen.loose)


def phone_plugs(seen: dict[str, Any]) -> Plugs:
    """The same of what the phone sees."""

    def colours(plugs: Iterable[dict]) -> tuple[str, ...]:
        return tuple(sorted(COLOUR_CODES[int(np.argmax(p["colour"]))] if p["colour"] else "?" for p in plugs))

    return tuple(sorted(colours(unit["plugs"]) for unit in seen["units"])), colours(seen["loose"])


def is_sure(seen: dict[str, Any]) -> bool:
    """Whether one unit is seen, and every plug and every colour of it for sure."""
    plugs = [plug for unit in seen["units"] for plug in unit["plugs"]]
    sure = all(p["colour"] and max(p["colour"]) >= SURE and p["confidence"] >= SURE for p in plugs)
    return len(seen["units"]) == 1 and bool(plugs) and sure


def see(page: Any, script: str, data: bytes) -> dict[str, Any]:
    """What the page's script sees in a photo."""
    return page.evaluate(SEE, [script, base64.b64encode(data).decode()])


@dataclass(frozen=True)
class Compared:
    """One photo seen by all three."""

    photo: str
    phone: Plugs
    server: Plugs
    alike: Plugs  # the server's own code without the verifier, which the phone has not
    first: Plugs  # the phone, before it looks a second time and more closely
    once: Plugs
    sure: bool

    @property
    def single(self) -> bool:
        """Whether the server sees one unit."""
        return len(self.server[0]) == 1


def compare(page: Any, script: str, files: Iterable[Path]) -> list[Compared]:
    """Look at photos on the phone and on the server."""
    once, alike = one_look_models(), replace(default_models(), verifier=None)
    compared = []
    for file in files:
        data = file.read_bytes()
        seen = see(page, script, data)
        server, same, one = (server_plugs(data, models) for models in (None, alike, once))
        first = phone_plugs(seen["first"])
        compared.append(Compared(file.name, phone_plugs(seen), server, same, first, one, is_sure(seen)))
    return compared


def _share(name: str, equal: list[bool], goal: float | None = None) -> None:
    share = f"{sum(equal)} of {len(equal)}" + (f" ({sum(equal) / len(equal):.1%})" if equal else "")
    print(f"{name}: {share}" + (f"; goal {goal:.0%}" if goal else ""), flush=True)


def _renderers(system: Any) -> list[int]:
    """The processes that show pages; one of them, kept in reserve, shows none."""
    processes = system.send("SystemInfo.getProcessInfo")["processInfo"]
    return [process["id"] for process in processes if process["type"] == "renderer"]


def _worker_seconds(pid: int) -> float | None:
    """Seconds of the processor that a process's workers have taken; None where it has none."""
    if sys.platform == "win32":  # it has no /proc
        return None
    ticks = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        name, _, rest = (task / "stat").read_text().partition("(")[2].rpartition(")")
        if name.startswith("DedicatedWorker"):
            ticks.append(sum(int(n) for n in rest.split()[11:13]))
    return sum(ticks) / os.sysconf("SC_CLK_TCK") if ticks else None


class Watched:
    """The memory of a process, looked at all the time; its program, which others share, is not counted."""

    def __init__(self, pid: int) -> None:
        self.pid, self._ended = pid, threading.Event()
        self.before = self.after = self.most = self._now()
        self._thread = threading.Thread(target=self._watch)

    def _now(self) -> float:
        lines = Path(f"/proc/{self.pid}/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("RssAnon")) / 1e3

    def _watch(self) -> None:
        while not self._ended.wait(0.02):
            self.most = max(self.most, self._now())

    def __enter__(self) -> "Watched":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self.after = self._now()


def _measure_time(page: Any, script: str, pid: int, data: bytes, throttle: int) -> None:
    session = page.context.new_cdp_session(page)
    worker = page.workers[-1]
    spun = [page.evaluate(SPIN), worker.evaluate(SPIN)]
    for rate in (1, throttle):
        session.send("Emulation.setCPUThrottlingRate", {"rate": rate})
        slow = [page.evaluate(SPIN) / spun[0], worker.evaluate(SPIN) / spun[1]]
        runs, used = [], []
        for _ in range(5):
            before = _worker_seconds(pid) or 0.0
            runs.append(page.evaluate(FRAMES, [script, base64.b64encode(data).decode()]))
            used.append((_worker_seconds(pid) or 0.0) - before)
        took = {part: statistics.median(run["took"][part] for run in runs) for part in runs[0]["took"]}
        print(
            f"throttled {rate}fold (a loop takes {slow[0]:.1f} times as long in the page, {slow[1]:.1f} ",
            end="",
        )
        print("times in the worker):")
        first, whole = (took.pop(part) / 1e3 for part in ("first", "whole"))
        print(f"  one photo: told first after {first:.2f} s, goal {GOALS['seconds']:g}, ", end="")
        print(f"in the end after {whole:.2f} s")
        print("  of it " + ", ".join(f"{part} {ms:.0f} ms" for part, ms in took.items()))
        seconds = statistics.median(used)
        early = seconds * first / whole
        print(
            f"  in the worker {seconds:.2f} s of the processor, times {throttle}: {seconds * throttle:.2f}; ",
            end="",
        )
        print(f"of it until it was told first {early * throttle:.2f}")
        print(f"  longest wait between two frames: {max(run['longest'] for run in runs):.0f} ms", flush=True)
    session.send("Emulation.setCPUThrottlingRate", {"rate": 1})


def _print_sizes() -> None:
    for file in (RUNTIME / "ort.wasm-core.min.js", RUNTIME / "ort-wasm-simd.wasm", WEIGHTS):
        data = file.read_bytes()
        print(f"{file.name}: {len(data) / 1e6:.2f} MB, compressed {len(gzip.compress(data)) / 1e6:.2f} MB")
    scripts = [*RUNTIME.parents[1].glob("plug*.js")]
    print(f"own scripts: {sum(file.stat().st_size for file in scripts) / 1e3:.0f} kB in {len(scripts)} files")


def main(args: argparse.Namespace) -> int:
    """Measure and print."""
    from playwright.sync_api import sync_playwright

    chromium = next((found for name in PROGRAMS if (found := shutil.which(name))), None)
    if chromium is None:
        raise SystemExit("there is no Chromium on this machine")
    rows = choose_rows()
    chosen = [rows[int(k)] for k in np.linspace(0, len(rows) - 1, args.photos)]
    files = [demo_folder() / row["photo"] for row in chosen]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        settings = Path(folder) / "yard.toml"
        settings.write_text('phone_plugs = true\nlog_level = "warning"\n', encoding="utf-8")
        server = Server(Path(folder) / "yard", 1, "--settings", str(settings))
        server.start()
        try:
            browser = driver.chromium.launch(
                executable_path=chromium, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
            )
            page = browser.new_page(viewport={"width": 360, "height": 740}, is_mobile=True, has_touch=True)
            page.set_default_timeout(120_000)
            page.goto(server.url)
            href = page.get_attribute("link[rel=modulepreload]", "href") or ""
            script = f"{href.rpartition('/')[0]}/plugs.js"
            system = browser.new_browser_cdp_session()
            with ExitStack() as watching:
                watched = [watching.enter_context(Watched(pid)) for pid in _renderers(system)]
                started = time.monotonic()
                see(page, script, files[0].read_bytes())
                print(f"the first photo, with all that is fetched for it: {time.monotonic() - started:.1f} s")
                compared = compare(page, script, files)
            memory = next(each for each in watched if _worker_seconds(each.pid) is not None)
            _share("plugs equal to the server's", [c.phone == c.server for c in compared], GOALS["equal"])
            _share("  single units", [c.phone == c.server for c in compared if c.single])
            _share("  of which the phone is sure", [c.phone == c.server for c in compared if c.sure])
            _share("number equal", [_numbers(c.phone) == _numbers(c.server) for c in compared])
            _share("the phone's first look equal to the server's", [c.first == c.server for c in compared])
            _share("  to the server's code looking once", [c.first == c.once for c in compared])
            for c in compared:
                if c.phone != c.server or (args.all and c.first != c.once):
                    print(
                        f"  {c.photo}: phone {json.dumps(c.phone)}, server {json.dumps(c.server)}, ", end=""
                    )
                    print(f"first {json.dumps(c.first)}, once {json.dumps(c.once)}")
            print(
                f"memory of the page and its worker: {memory.before:.0f} MB before, ",
                end="",
            )
            print(f"{memory.after:.0f} MB after, {memory.most:.0f} MB at most; goal {GOALS['megabytes']}")
            _measure_time(page, script, memory.pid, files[0].read_bytes(), args.throttle)
            browser.close()
        finally:
            server.end(signal.SIGTERM)
    _print_sizes()
    return 0


def _numbers(plugs: Plugs) -> tuple[list[int], int]:
    return sorted(len(unit) for unit in plugs[0]), len(plugs[1])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--throttle", type=int, default=4)
    parser.add_argument("--all", action="store_true", help="name each photo whose plugs are not the server's")
    sys.exit(main(parser.parse_args()))
