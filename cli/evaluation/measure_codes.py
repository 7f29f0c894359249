"""Measure the reading of barcodes on pictures that others published, and on codes that are drawn damaged.

    python -m plugface.cli.evaluation.measure_codes --samples DIR [--samples DIR] [--misses]
    python -m plugface.cli.evaluation.measure_codes --damaged 100 [--seed 0]

A sample is a picture with what it says beside it, as decoders publish them to be tested with: NAME.txt of
zxing-cpp/zxing-cpp (test/samples), or the message that a picture of dmtx/libdmtx (test/compare_test) is
numbered by. Both readings are of the same grey picture: plain zxing-cpp, once, and `read_codes`, to which the
whole picture is a label, then a photo.

--damaged draws codes on labels that lie on something dark, damages each in one way, and takes a picture of
each: soft, askew, noisy. There `read_codes` is told where the label lies; without a quiet zone that is the
code itself.
"""

import argparse
import re
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import zxingcpp
from plugface.vision.barcodes import read_codes
from plugface.vision.geometry import as_polygon
from plugface.vision.observations import Polygon
from plugface.vision.photo import UnreadablePhoto, decode_photo

#: Folder of samples, less its number -> the symbology they are of, as `Code` names it.
KINDS = {"code128": "Code 128", "code39": "Code 39", "datamatrix": "Data Matrix", "qrcode": "QR"}

_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".gif"}
_SYMBOLOGIES = {
    zxingcpp.BarcodeFormat.Code128: "Code 128",
    zxingcpp.BarcodeFormat.Code39: "Code 39",
    zxingcpp.BarcodeFormat.Code39Std: "Code 39",
    zxingcpp.BarcodeFormat.DataMatrix: "Data Matrix",
    zxingcpp.BarcodeFormat.QRCode: "QR",
}

# As `read_codes` asks for them: any kind of Code 39 would turn some payloads into the digits of Code 32.
# The library takes any sequence of formats; its hints know of its own class alone.
_FORMATS: Any = tuple(kind for kind in _SYMBOLOGIES if kind != zxingcpp.BarcodeFormat.Code39)

#: What may be wrong with a code that is drawn: symbology and damage.
DAMAGES = (
    ("QR", "whole"),
    ("QR", "a finder pattern broken"),
    ("QR", "no quiet zone"),
    ("Data Matrix", "whole"),
    ("Data Matrix", "solid edge broken"),
    ("Data Matrix", "dotted edge broken"),
    ("Data Matrix", "no quiet zone"),
    ("Code 128", "whole"),
    ("Code 128", "no quiet zone"),
)

#: Pixels around a label that is drawn.
_BESIDE_PX = 96

#: Payloads that were read, each with its symbology.
Reader = Callable[["Sample"], list[tuple[str, str]]]


@dataclass(frozen=True)
class Sample:
    """A picture and what its code says."""

    name: str
    symbology: str
    payload: str
    grey: np.ndarray
    label: Polygon = ()  # empty: the whole picture


@dataclass(frozen=True)
class Reading:
    """What one reader made of one sample."""

    right: bool
    wrong: bool  # something of that symbology was read, and is not what it says
    seconds: float


def read_plainly(sample: Sample) -> list[tuple[str, str]]:
    """One look of zxing-cpp at the picture as it is."""
    codes = zxingcpp.read_barcodes(np.ascontiguousarray(sample.grey), formats=_FORMATS)
    # Asked for QR it gives Micro QR, too.
    return [(_SYMBOLOGIES[code.format], code.text) for code in codes if code.format in _SYMBOLOGIES]


def read_as_label(sample: Sample) -> list[tuple[str, str]]:
    """The reader of this program, told where the label is."""
    height, width = sample.grey.shape
    whole = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    codes = read_codes(sample.grey, [sample.label or whole])
    return [(code.symbology, code.payload) for code in codes]


READERS: dict[str, Reader] = {"plain": read_plainly, "plugface": read_as_label}


def find_samples(folder: Path) -> Iterator[Sample]:
    """The samples under a folder, of the symbologies that are read; others are left out."""
    for path in sorted(folder.rglob("*")):
        symbology = _symbology(path)
        if path.suffix.lower() not in _PICTURES or not symbology:
            continue
        payload = _expected(path)
        if payload is None:
            continue
        try:
            grey = decode_photo(path.read_bytes(), name=path.name).grey
        except UnreadablePhoto:  # none of those that are published; what is no picture is no sample
            continue
        yield Sample(f"{path.parent.name}/{path.name}", symbology, payload, grey)


def _symbology(path: Path) -> str:
    if path.parent.parent.name == "compare_test":  # libdmtx reads no other
        return "Data Matrix"
    return KINDS.get(path.parent.name.rpartition("-")[0], "")


def _expected(path: Path) -> str | None:
    said = path.with_suffix(".txt")
    if said.is_file():
        return said.read_bytes().decode("utf-8")
    number = re.search(r"_(\d{3})_\w$", path.stem)
    message = path.parents[1] / "input_messages" / f"message_{number[1]}.dat" if number else None
    if message is None or not message.is_file():
        return None
    return message.read_bytes().decode("latin-1")


def judge(sample: Sample, reader: Reader) -> Reading:
    """Let one reader read one sample."""
    started = time.perf_counter()
    found = [payload for symbology, payload in reader(sample) if symbology == sample.symbology]
    seconds = time.perf_counter() - started
    right = any(_plain(payload) == _plain(sample.payload) for payload in found)
    return Reading(right, bool(found) and not right, seconds)


def _plain(payload: str) -> str:
    """A payload without what is written in several ways: control characters, brackets of GS1 fields."""
    return re.sub(r"[()\x00-\x20\u2400-\u2421]|<(SOH|EOT|DLE|FS|GS|RS|US)>", "", payload)


def draw_samples(count: int, seed: int) -> Iterator[Sample]:
    """Codes with invented payloads, damaged, as a camera sees them; the same for the same seed."""
    for kind, (symbology, damage) in enumerate(DAMAGES):
        for number in range(count):
            rng = np.random.default_rng((seed, kind, number))
            payload = f"{rng.choice(list('CEHKTZ'))}{rng.integers(10_000, 99_999)}/{rng.integers(100, 999)}"
            grey, label = _photograph(_draw(symbology, damage, payload, rng), rng)
            yield Sample(damage, symbology, payload, grey, label)


def _draw(symbology: str, damage: str, payload: str, rng: np.random.Generator) -> np.ndarray:
    """A code on its label, 8 pixels a module, uint8."""
    grid = draw_modules(symbology, payload)
    rows, columns = grid.shape
    paint = np.where(np.kron(grid, np.ones((8 if rows > 1 else 160, 8), bool)), 30.0, 225.0)
    if damage.endswith("broken"):
        shade = 225.0 if rng.random() < 0.5 else 60.0  # paint that came off, or dirt
        if symbology == "QR":
            top, left = ((0, 0), (0, columns - 7), (rows - 7, 0))[rng.integers(3)]
            across = rng.integers(2, 4)
            at = rng.integers(0, 8 - across)
            paint[8 * (top + at) : 8 * (top + at + across), 8 * left : 8 * (left + 7)] = shade
        else:  # its solid edges are left and below, its dotted ones above and right
            length = rng.integers(3, max(4, rows // 2))
            at = rng.integers(1, rows - length)
            along = slice(8 * at, 8 * (at + length))
            first, last = slice(0, 8), slice(-8, None)
            solid = damage.startswith("solid")
            upright = rng.random() < 0.5
            place = (along, first if solid else last) if upright else (last if solid else first, along)
            paint[place] = shade
    quiet = 0 if damage == "no quiet zone" else 8 * (10 if symbology == "Code 128" else 4)
    label = np.pad(paint, quiet, constant_values=225.0)
    # What lies beside a label: a housing, darker than paper.
    return np.pad(label, _BESIDE_PX, constant_values=float(rng.integers(20, 90)))


def draw_modules(symbology: str, payload: str) -> np.ndarray:
    """A code by its published standard, bool, a module a pixel: QR, Data Matrix, or a row of Code 128."""
    import segno
    from barcode.codex import Code128
    from ppf.datamatrix import DataMatrix

    if symbology == "QR":
        return np.asarray([list(row) for row in segno.make(payload, micro=False).matrix], bool)
    if symbology == "Data Matrix":
        return np.asarray(DataMatrix(payload).matrix, bool)
    return np.asarray([[module == "1" for module in Code128(payload).build()[0]]], bool)


def _photograph(label: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, Polygon]:
    """Askew, 3 to 6 pixels a module, soft and noisy; and where the label lies, to within half a module."""
    height, width = label.shape
    scale = rng.uniform(3.0, 6.0) / 8
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
    seen = corners * np.float32(scale) + rng.uniform(-0.03, 0.03, (4, 2)).astype(np.float32) * (
        scale * min(height, width)
    )
    seen -= seen.min(axis=0)
    size = tuple(int(side) for side in np.ceil(seen.max(axis=0)))
    turn = cv2.getPerspectiveTransform(corners, seen.astype(np.float32))
    shot = cv2.warpPerspective(
        label.astype(np.float32), turn, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE
    )
    shot = cv2.GaussianBlur(shot, (0, 0), rng.uniform(0.5, 1.2))
    left, top, right, bottom = _BESIDE_PX, _BESIDE_PX, width - _BESIDE_PX, height - _BESIDE_PX
    outline = np.array([[(left, top), (right, top), (right, bottom), (left, bottom)]], np.float32)
    found = cv2.perspectiveTransform(outline, turn)[0] + rng.uniform(-0.5, 0.5, (4, 2)) * 8 * scale
    return np.clip(shot + rng.normal(0, 4, shot.shape), 0, 255).astype(np.uint8), as_polygon(found)


def measure(samples: Iterator[Sample], *, by_name: bool = False, misses: bool = False) -> list[str]:
    """Lines of a table: symbology, of how many, and for each reader right, wrong and time."""
    readings: dict[tuple[str, str], dict[str, list[Reading]]] = defaultdict(lambda: defaultdict(list))
    missed: list[str] = []
    for sample in samples:
        kind = sample.symbology, sample.name if by_name else ""
        for name, reader in READERS.items():
            readings[kind][name].append(judge(sample, reader))
        if not readings[kind]["plugface"][-1].right:
            missed.append(f"missed: {sample.name}")
    lines = [_row(("symbology", ""), "of", [f"{name}: right wrong  ms" for name in READERS])]
    for kind, found in readings.items():
        lines.append(_row(kind, str(len(found["plain"])), [_count(found[name]) for name in READERS]))
    return lines + (missed if misses else [])


def _count(readings: Sequence[Reading]) -> str:
    counted = Counter(right=sum(r.right for r in readings), wrong=sum(r.wrong for r in readings))
    ms = 1000 * float(np.median([reading.seconds for reading in readings]))
    return f"{counted['right']:>5} {counted['wrong']:>5} {ms:>5.0f}"


def _row(kind: tuple[str, str], number: str, cells: list[str]) -> str:
    return f"{kind[0]:<12}{kind[1]:<26}{number:>4}  " + "".join(f"{cell:>28}" for cell in cells)


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--samples", type=Path, action="append", default=[], metavar="DIR")
    parser.add_argument("--damaged", type=int, default=0, metavar="N", help="codes to draw of each kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--misses", action="store_true", help="name each sample that was not read")
    asked = parser.parse_args()
    if not (asked.samples or asked.damaged):
        parser.error("give --samples or --damaged")
    for folder in asked.samples:
        samples = list(find_samples(folder))
        if not samples:
            raise SystemExit(f"{folder}: there are no samples in it")
        print(f"{folder}: {len(samples)} samples", *measure(iter(samples), misses=asked.misses), sep="\n")
    if asked.damaged:
        print(f"drawn, seed {asked.seed}")
        print(*measure(draw_samples(asked.damaged, asked.seed), by_name=True), sep="\n")


if __name__ == "__main__":
    main()
