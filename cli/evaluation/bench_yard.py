"""Measure the yard page under load.

    python -m plugface.cli.evaluation.bench_yard [--phones 20] [--units 2] [--workers 1] [--kill]

Starts `plugface serve` on a free port over a fresh folder. Each phone is a thread that posts its units, one
photo each, made from the photos given by changing a corner, so that every photo differs; meanwhile somebody
else opens the page again and again. With --kill the server is ended by SIGKILL in the middle and begun anew;
a phone that gets no answer sends again, as the page does. Printed: photos accepted and answered, answers that
belong to another photo, how long accepting and opening the page took.
"""

import argparse
import io
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from json import loads
from pathlib import Path

from PIL import Image
from plugface.cli.settings import demo_folder

#: What the page promises under load, milliseconds.
PAGE_MS = 200


@dataclass
class Tally:
    """What was measured."""

    accepted: dict[str, str] = field(default_factory=dict)  # unit -> SHA-256 that the page named
    accept_s: list[float] = field(default_factory=list)
    page_s: list[float] = field(default_factory=list)
    repeats: int = 0
    page_failures: int = 0


class Server:
    """One `plugface serve` that can be ended the hard way."""

    def __init__(self, folder: Path, workers: int, *words: str) -> None:
        with socket.socket() as listener:
            listener.bind(("127.0.0.1", 0))
            self.port = listener.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._command = [
            sys.executable,
            "-c",
            "from plugface.cli.main import main; main()",
            "serve",
            "--folder",
            str(folder),
        ]
        self._command += ["--port", str(self.port), "--workers", str(workers), *words]
        self._process: subprocess.Popen | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(self._command, stdout=subprocess.DEVNULL)
        for _ in range(600):
            try:
                ask(f"{self.url}/healthz")
                return
            except OSError:
                time.sleep(0.1)
        raise SystemExit("the page did not start")

    @property
    def number(self) -> int:
        """Of its process."""
        assert self._process is not None  # started before
        return self._process.pid

    def end(self, how: signal.Signals) -> None:
        """End it and wait."""
        assert self._process is not None  # started before
        self._process.send_signal(how)
        self._process.wait()


def ask(url: str, data: bytes | None = None) -> bytes:
    """GET, or POST where there is something to send."""
    headers = {"content-type": "image/jpeg"} if data is not None else {}
    with urllib.request.urlopen(urllib.request.Request(url, data, headers), timeout=60) as answer:
        return answer.read()


def vary(photo: bytes, number: int) -> bytes:
    """A photo that differs from all others in one corner."""
    picture = Image.open(io.BytesIO(photo)).convert("RGB")
    picture.paste((number % 256, number // 256, 99), (0, 0, 16, 16))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=92)
    return out.getvalue()


def post(server: Server, unit: str, photo: bytes, tally: Tally) -> None:
    """Send one photo until it is accepted, as a phone does."""
    while True:
        started = time.perf_counter()
        try:
            said = loads(ask(f"{server.url}/api/v1/units/{unit}/photos", photo))
        except (urllib.error.URLError, OSError):
            tally.repeats += 1
            time.sleep(0.5)
            continue
        tally.accept_s.append(time.perf_counter() - started)
        tally.accepted[unit] = said["sha256"]
        return


def open_page(server: Server, tally: Tally, ending: threading.Event) -> None:
    """Open the page again and again, as somebody does who only looks."""
    while not ending.wait(0.1):
        started = time.perf_counter()
        try:
            ask(f"{server.url}/")
        except (urllib.error.URLError, OSError):
            tally.page_failures += 1
            continue
        tally.page_s.append(time.perf_counter() - started)


def wait_for_answers(server: Server, tally: Tally, limit_s: float) -> tuple[int, int, int]:
    """How many units were answered, how many ended without an answer, how many got another photo's."""
    until = time.monotonic() + limit_s
    states: dict[str, dict] = {}
    while time.monotonic() < until:
        for unit in tally.accepted.keys() - states.keys():
            found = loads(ask(f"{server.url}/api/v1/units/{unit}"))
            if found["state"] in ("answered", "failed"):
                states[unit] = found
        if len(states) == len(tally.accepted):
            break
        time.sleep(1)
    answered = {unit: found for unit, found in states.items() if found["state"] == "answered"}
    mixed = sum(
        [photo["sha256"] for photo in found["result"]["identify"]["photos"]] != [tally.accepted[unit]]
        for unit, found in answered.items()
    )
    return len(answered), len(states) - len(answered), mixed


def measure(phones: int, units: int, workers: int, kill: bool, photos: Path, limit_s: float) -> bool:
    """Run it once and print what came out; says whether everything held."""
    originals = [path.read_bytes() for path in sorted(photos.glob("*.jpg"))[:phones]]
    if not originals:
        raise SystemExit(f"{photos}: there are no .jpg files in it")
    sent = {
        f"{number:032x}": vary(originals[number % len(originals)], number) for number in range(phones * units)
    }
    tally, ending = Tally(), threading.Event()
    with tempfile.TemporaryDirectory(prefix="plugface-yard-") as folder:
        server = Server(Path(folder), workers)
        server.start()
        looker = threading.Thread(target=open_page, args=(server, tally, ending))
        looker.start()
        started = time.perf_counter()
        with ThreadPoolExecutor(phones) as crowd:
            posts = [crowd.submit(post, server, unit, photo, tally) for unit, photo in sent.items()]
            if kill and sys.platform != "win32":  # which has no such signal
                while sum(done.done() for done in posts) < len(posts) // 2:
                    time.sleep(0.01)
                server.end(signal.SIGKILL)
                print(f"ended by SIGKILL when {len(tally.accepted)} of {len(sent)} photos were accepted")
                server.start()
        accepting_s = time.perf_counter() - started
        answered, failed, mixed = wait_for_answers(server, tally, limit_s)
        whole_s = time.perf_counter() - started
        ending.set()
        looker.join()
        server.end(signal.SIGTERM)
    page_ms = sorted(1000 * seconds for seconds in tally.page_s)
    print(f"{phones} phones, {len(sent)} photos, {workers} looking at once")
    print(
        f"accepted {len(tally.accepted)}, answered {answered}, without an answer {failed}, mixed up {mixed}"
    )
    print(f"lost {len(tally.accepted) - answered - failed}; sent again {tally.repeats} times")
    slowest = max(tally.accept_s)
    print(f"accepting took {statistics.median(tally.accept_s):.2f} s (median), {slowest:.2f} s at most")
    print(f"all accepted after {accepting_s:.1f} s, all answered after {whole_s:.1f} s")
    print(
        f"the page answered in {statistics.median(page_ms):.0f} ms (median), "
        f"{page_ms[int(0.95 * (len(page_ms) - 1))]:.0f} ms (95 of 100), {page_ms[-1]:.0f} ms at most, "
        f"{len(page_ms)} times; goal {PAGE_MS} ms; no answer {tally.page_failures} times"
    )
    return answered == len(sent) and mixed == 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--units", type=int, default=2, help="units each phone sends")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--kill", action="store_true", help="end the server in the middle and start it anew")
    parser.add_argument("--photos", type=Path, default=demo_folder() / "photos")
    parser.add_argument("--limit-s", type=float, default=900, help="longest time to wait for all answers")
    asked = parser.parse_args()
    held = measure(asked.phones, asked.units, asked.workers, asked.kill, asked.photos, asked.limit_s)
    sys.exit(0 if held else 1)
