"""Measure what hostile phones cost honest ones on the yard page.

    python -m plugface.cli.evaluation.bench_hostile [--phones 20] [--hostile 2] [--workers 1] [--crawling 12]

Starts `plugface serve` with two lots over a fresh folder. First the honest phones alone send a photo each,
all at once, and wait for their answers: that is their usual time. Then they do so again beside the hostile
phones, who have the code of the other lot and do all of this for as long as it lasts: hold idle connections
and half headers, try codes, send photos at a crawl, send pictures that are dear to open and files that are
none, and fill their own lot's queue with sound photos. Each phone has an address of its own (127.x.y.z, so
Linux only).

Printed: what was lost or mixed up, the times of both rounds with their ratio, and whose time of the processor
each round took, this program's own among them: the phones share the machine with the page here. What hostile
phones send is made before they begin. Exit code 0 where nothing was lost and no median is more than twice the
usual one.
"""

import argparse
import http.client
import io
import json
import os
import re
import signal
import socket
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from plugface.cli.evaluation.bench_yard import Server, vary
from plugface.cli.settings import demo_folder
from plugface.cli.web.codes import CODES_FILE
from plugface.cli.web.photo_store import NICENESS as CHECKING_NICENESS
from plugface.cli.web.worker_pool import NICENESS as LOOKING_NICENESS

#: How many times their usual time honest phones may take.
GOAL = 2.0

#: Sound photos that all differ, for each hostile phone to send again and again.
FLOODED = 24

#: Connections that one hostile phone opens and says nothing on; more than an address may have.
IDLE = 80

#: Uploads at a crawl of one hostile phone; more than a lot may have.
CRAWLING = 12


#: Niceness -> what a process of the page does.
_KINDS = {0: "checking", CHECKING_NICENESS: "checking for busy lots", LOOKING_NICENESS: "looking"}


@dataclass(frozen=True)
class Phone:
    """One phone: where it asks, from which address, and with what token."""

    port: int
    address: str
    token: str = ""

    def ask(
        self, method: str, path: str, body: bytes | None = None, kind: str = "image/jpeg"
    ) -> tuple[int, bytes]:
        """Status and body of one answer."""
        line = http.client.HTTPConnection(
            "127.0.0.1", self.port, timeout=180, source_address=(self.address, 0)
        )
        headers = {"authorization": f"Bearer {self.token}"} if self.token else {}
        try:
            line.request(method, path, body, headers | ({"content-type": kind} if body is not None else {}))
            answer = line.getresponse()
            return answer.status, answer.read()
        finally:
            line.close()

    def enter(self, code: str) -> "Phone":
        """The same phone with a token for the code's lot."""
        said = json.dumps({"code": code}).encode()
        status, body = self.ask("POST", "/api/v1/tokens", said, "application/json")
        if status != 201:
            raise SystemExit(f"the code was not taken: {body.decode()}")
        return Phone(self.port, self.address, json.loads(body)["token"])


@dataclass(frozen=True)
class Served:
    """What one honest photo met with."""

    accepted_s: float  # until it was safe on the page's disk
    answered_s: float  # until its answer could be read
    right: bool  # whether that answer is of this photo
    repeats: int


def serve_phone(phone: Phone, unit: str, photo: bytes, limit_s: float) -> Served | None:
    """Send a photo as the page does, again where it is refused, and wait for its answer; None: lost."""
    started, repeats = time.perf_counter(), 0
    while True:
        if time.perf_counter() - started > limit_s:
            return None
        try:
            status, body = phone.ask("POST", f"/api/v1/units/{unit}/photos", photo)
        except OSError:
            status = 0
        if status in (200, 202):
            break
        repeats += 1
        time.sleep(1)
    accepted_s = time.perf_counter() - started
    sent = json.loads(body)["sha256"]
    while time.perf_counter() - started < limit_s:
        try:
            card = json.loads(phone.ask("GET", f"/api/v1/units/{unit}")[1])
        except (OSError, ValueError):
            card = {}
        if card.get("state") in ("answered", "failed"):
            photos = (card["result"] or {"identify": {"photos": []}})["identify"]["photos"]
            right = [photo["sha256"] for photo in photos] == [sent]
            return Served(accepted_s, time.perf_counter() - started, right, repeats)
        time.sleep(0.5)
    return None


def dear_pictures() -> list[bytes]:
    """Files that cost the page far more than they cost to send, and one that is no picture."""
    blank = Image.new("L", (7900, 7900))  # within the pixels that are taken in
    png, scans = io.BytesIO(), io.BytesIO()
    blank.save(png, "PNG")
    noise = np.random.default_rng(0).integers(0, 255, (3000, 4000, 3), np.uint8)
    Image.fromarray(noise).save(scans, "JPEG", quality=60, progressive=True)
    return [png.getvalue(), scans.getvalue(), b"\xff\xd8\xff\xe0" + bytes(20_000_000)]


def attack(
    phone: Phone,
    photos: list[bytes],
    dear: list[bytes],
    crawling: int,
    ending: threading.Event,
    said: Counter,
) -> None:
    """One hostile phone: all of it at once, until it is told to end."""
    tries: list[Callable[[], None]] = [
        lambda: hold_connections(phone, ending),
        lambda: send_codes(phone, ending, said),
        *[lambda: crawl(phone, ending, said)] * crawling,
        *[lambda: send_dear(phone, dear, ending, said)] * 4,
        *[lambda: flood(phone, photos, ending, said)] * 4,
    ]
    threads = [threading.Thread(target=one) for one in tries]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def hold_connections(phone: Phone, ending: threading.Event) -> None:
    """Open connections that ask for nothing, half of them with half a header, again and again.

    They come from an address of their own: else the cap per address would hold the phone's other attacks up.
    """
    address = phone.address.replace("127.2.", "127.3.")
    while not ending.is_set():
        held = []
        for number in range(IDLE):
            try:
                line = socket.create_connection(
                    ("127.0.0.1", phone.port), timeout=5, source_address=(address, 0)
                )
                if number % 2:
                    line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-A: ")
                held.append(line)
            except OSError:
                continue
        ending.wait(5)
        for line in held:
            line.close()


def send_codes(phone: Phone, ending: threading.Event, said: Counter) -> None:
    """Try codes that are none."""
    while not ending.wait(0.1):
        _count(said, phone, "POST", "/api/v1/tokens", b'{"code":"2222-22222-22222"}', "application/json")


def crawl(phone: Phone, ending: threading.Event, said: Counter) -> None:
    """Send photos byte by byte."""
    head = f"POST /api/v1/units/{'c' * 32}/photos HTTP/1.1\r\nHost: localhost\r\nContent-Length: 20000000\r\n"
    head += f"Authorization: Bearer {phone.token}\r\n\r\n"
    while not ending.is_set():
        try:
            with socket.create_connection(
                ("127.0.0.1", phone.port), timeout=5, source_address=(phone.address, 0)
            ) as line:
                line.sendall(head.encode())
                while not ending.wait(0.5):
                    line.sendall(b"\xff" * 10)
        except OSError:
            said["crawling ended by the page"] += 1
            ending.wait(0.2)


def send_dear(phone: Phone, pictures: list[bytes], ending: threading.Event, said: Counter) -> None:
    """Send what is dear to open, each to a new unit."""
    count = 0
    while not ending.wait(0.05):
        unit = f"{threading.get_ident() % 2**60:016x}{count:016x}"
        _count(said, phone, "POST", f"/api/v1/units/{unit}/photos", pictures[count % len(pictures)])
        count += 1


def flood(phone: Phone, photos: list[bytes], ending: threading.Event, said: Counter) -> None:
    """Fill the own lot's queue with sound photos, each to a new unit."""
    count = 0
    while not ending.wait(0.2):
        unit = f"{threading.get_ident() % 2**60:016x}{2**60 + count:016x}"
        _count(said, phone, "POST", f"/api/v1/units/{unit}/photos", photos[count % len(photos)])
        count += 1


def _count(
    said: Counter, phone: Phone, method: str, path: str, body: bytes, kind: str = "image/jpeg"
) -> None:
    try:
        status, _ = phone.ask(method, path, body, kind)
    except (OSError, http.client.HTTPException):
        status = 0
    said[f"status {status}" if status else "no answer"] += 1


def processor_s(server: int) -> Counter[str]:
    """Seconds of the processor so far (proc(5)): this program, the page, its processes by niceness."""
    # Seconds; the declared type of a Counter knows whole numbers alone.
    spent: Any = Counter({"these phones": time.process_time()})
    if sys.platform == "win32":  # it has no /proc
        return spent
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, _, rest = stat.read_text().rpartition(")")
        except OSError:  # it has ended
            continue
        fields, number = rest.split(), int(name.split()[0])
        seconds = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        if number == server:
            spent["the page"] += seconds
        elif int(fields[1]) == server:
            spent[_KINDS.get(int(fields[16]), "other processes")] += seconds
    return spent


def run_round(phones: list[Phone], photos: list[bytes], first: int, limit_s: float) -> list[Served | None]:
    """All honest phones at once, a photo each."""
    with ThreadPoolExecutor(len(phones)) as crowd:
        sent = [
            crowd.submit(
                serve_phone, phone, f"{first + n:032x}", vary(photos[n % len(photos)], first + n), limit_s
            )
            for n, phone in enumerate(phones)
        ]
        return [done.result() for done in sent]


def measure(phones: int, hostile: int, workers: int, photos: Path, limit_s: float, crawling: int) -> bool:
    """Both rounds, and what came out; says whether the promise was kept."""
    originals = [path.read_bytes() for path in sorted(photos.glob("*.jpg"))[:phones]]
    if not originals:
        raise SystemExit(f"{photos}: there are no .jpg files in it")
    with tempfile.TemporaryDirectory(prefix="plugface-yard-") as folder:
        server = Server(Path(folder), workers, "--lot", "Honest", "--lot", "Hostile", "--log-level", "error")
        dear = dear_pictures()
        floods = [
            [vary(originals[n % len(originals)], 10_000 * (number + 1) + n) for n in range(FLOODED)]
            for number in range(hostile)
        ]
        server.start()
        try:
            text = (Path(folder) / CODES_FILE).read_text(encoding="utf-8")
            codes = {name: code for code, name in re.findall(r'(?m)^(\S+)\tlot "(\w+)"', text)}
            honest = [Phone(server.port, f"127.1.0.{n + 1}").enter(codes["Honest"]) for n in range(phones)]
            others = [Phone(server.port, f"127.2.0.{n + 1}").enter(codes["Hostile"]) for n in range(hostile)]
            run_round(
                honest[:1], originals, 900_000, limit_s
            )  # the worker has started, its networks are loaded
            before = processor_s(server.number)
            usual = run_round(honest, originals, 0, limit_s)
            spent = [processor_s(server.number) - before]
            ending = threading.Event()
            said: Counter[str] = Counter()
            attacks = [
                threading.Thread(target=attack, args=(phone, floods[n], dear, crawling, ending, said))
                for n, phone in enumerate(others)
            ]
            for thread in attacks:
                thread.start()
            time.sleep(5)  # until they are well under way
            before = processor_s(server.number)
            under = run_round(honest, originals, 500_000, limit_s)
            spent.append(processor_s(server.number) - before)
            ending.set()
            for thread in attacks:
                thread.join()
        finally:
            server.end(signal.SIGTERM)
    for round_, seconds in zip(("alone", "beside them"), spent, strict=True):
        listed = ", ".join(f"{who} {taken:.1f} s" for who, taken in seconds.most_common())
        print(f"processor, {round_}: {listed}")
    return tell(usual, under, said, hostile, workers)


def tell(
    usual: list[Served | None], under: list[Served | None], said: Counter, hostile: int, workers: int
) -> bool:
    """Print what came out; says whether the promise was kept."""
    lost = sum(one is None for one in usual + under)
    found = [one for one in usual + under if one is not None]
    mixed = sum(not one.right for one in found)
    print(f"{len(usual)} phones and {hostile} hostile ones, {workers} looking at once")
    print(f"lost {lost}, mixed up {mixed}, sent again {sum(one.repeats for one in found)} times")
    print("the hostile phones met with: " + ", ".join(f"{what} {n}" for what, n in sorted(said.items())))
    kept = lost == mixed == 0
    for what in ("accepted_s", "answered_s"):
        alone = sorted(getattr(one, what) for one in usual if one)
        beside = sorted(getattr(one, what) for one in under if one)
        if not alone or not beside:
            return False
        ratio = statistics.median(beside) / statistics.median(alone)
        slowest = beside[-1] / alone[-1]
        print(
            f"{what.removesuffix('_s')}: alone {statistics.median(alone):.1f} s (median), {alone[-1]:.1f} s "
            f"at most; beside them {statistics.median(beside):.1f} s, {beside[-1]:.1f} s at most; "
            f"{ratio:.2f} times the median, {slowest:.2f} times the slowest"
        )
        if what == "answered_s":
            print(f"goal {GOAL:.0f} times: {'kept' if ratio <= GOAL else 'NOT kept'}")
            kept = kept and ratio <= GOAL
    return kept


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--hostile", type=int, default=2)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--photos", type=Path, default=demo_folder() / "photos")
    parser.add_argument("--limit-s", type=float, default=900, help="longest time to wait for one answer")
    parser.add_argument(
        "--crawling",
        type=int,
        default=CRAWLING,
        help="uploads at a crawl of each hostile phone; they take the places of its other attacks",
    )
    asked = parser.parse_args()
    held = measure(asked.phones, asked.hostile, asked.workers, asked.photos, asked.limit_s, asked.crawling)
    sys.exit(0 if held else 1)
