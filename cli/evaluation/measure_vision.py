"""Measure what vision/ sees against the truth of the demo photos: a table, and the photos that went worst.

    python -m plugface.cli.evaluation.measure_vision --split test --gallery DIR
    python -m plugface.cli.evaluation.measure_vision --split calibration --augmentations 4 2 1 --weights DIR

With several numbers of augmentations each photo is looked at with each, and the figures stand side by side.
A front counts as right when count, order and every colour are right. Sockets that broke off must not be seen
as plugs; seen as stumps they are left out. Housings of which less than MIN_VISIBLE is seen are not asked
for; units likewise.
"""

import argparse
import json
import statistics
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from plugface.cli.evaluation.corruptions import CORRUPTIONS, corrupt
from plugface.cli.settings import demo_folder
from plugface.vision import geometry
from plugface.vision.detection.segmenter import AUGMENTATIONS, N_AUGMENTATIONS, NetworkSegmenter
from plugface.vision.observations import Observations, Unit
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo
from plugface.vision.vision_models import VisionModels, default_models, load_models

MIN_VISIBLE = 0.35
SEVERITY = 3
WORST = 24
LARGE = 12e6  # pixels
_IOU = 0.5


@dataclass
class Tally:
    """Counts over photos."""

    counts: dict[str, int] = field(default_factory=dict)

    def add(self, name: str, value: int = 1) -> None:
        """Count something."""
        self.counts[name] = self.counts.get(name, 0) + int(value)

    def share(self, part: str, whole: str) -> float:
        """One count over another; NaN where there is nothing to divide by."""
        return self.counts.get(part, 0) / self.counts[whole] if self.counts.get(whole) else float("nan")

    def f1(self, name: str) -> float:
        """F1 from NAME hit, NAME found, NAME true."""
        both = self.counts.get(f"{name} found", 0) + self.counts.get(f"{name} true", 0)
        return 2 * self.counts.get(f"{name} hit", 0) / both if both else float("nan")


@dataclass(frozen=True)
class Seconds:
    """How long each photo took, each of one unit and LARGE pixels or more, and the processor's time."""

    all: list[float] = field(default_factory=list)
    large: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)  # of all threads together


@dataclass
class Miss:
    """What went wrong on one photo."""

    photo: Path
    words: list[str]
    weight: float


def overlap(a, b) -> float:
    """Intersection over union of the convex hulls of two polygons; 0 where one has no area."""
    return geometry.overlap(a, b) if min(len(a), len(b)) >= 3 else 0.0


def match(found: list, true: list) -> list[tuple[int, int]]:
    """Pairs (found, true) of polygons that overlap by half or more, the best overlaps first."""
    pairs = sorted(
        ((overlap(f, t), i, j) for i, f in enumerate(found) for j, t in enumerate(true)), reverse=True
    )
    taken_found, taken_true, chosen = set(), set(), []
    for iou, i, j in pairs:
        if iou >= _IOU and i not in taken_found and j not in taken_true:
            taken_found.add(i)
            taken_true.add(j)
            chosen.append((i, j))
    return chosen


def score_photo(seen: Observations, row: dict, tally: Tally) -> list[str]:
    """Count one photo in; what went wrong, in words."""
    wrong = []
    true_units = [u for u in row["units"] if len(u["polygon"]) >= 3]
    pairs = match([u.polygon for u in seen.units], [u["polygon"] for u in true_units])
    of_true = {j: seen.units[i] for i, j in pairs}
    asked = [j for j, u in enumerate(true_units) if u["visible"] >= MIN_VISIBLE]
    tally.add("unit true", len(asked))
    tally.add("unit recalled", sum(j in of_true for j in asked))
    tally.add("unit found", len(seen.units))
    tally.add("unit precise", len(pairs))
    extra = len(seen.units) - len(pairs)
    if extra:
        wrong.append(f"{extra} thing(s) taken for a unit")
    for j in asked:
        truth, unit = true_units[j], of_true.get(j)
        if unit is None:
            wrong.append(f"{truth['unit_id']} not found")
            if truth["face"] == "front":
                _count_front(None, truth, tally)
            continue
        if truth["face"] in ("front", "back"):  # a unit that stands on an edge shows neither
            tally.add("face asked")
            tally.add("face right", (unit.face["front"] > 0.5) == (truth["face"] == "front"))
        wrong += (
            _count_front(unit, truth, tally) if truth["face"] == "front" else _count_back(unit, truth, tally)
        )
    return wrong


def _count_back(unit: Unit, truth: dict, tally: Tally) -> list[str]:
    """Plugs that look out of an edge are seen from behind too: neither asked for nor counted as false."""
    present = [c["polygon"] for c in truth["connectors"] if not c["missing"]]
    extra = len(unit.connectors) - len(match([c.polygon for c in unit.connectors], present))
    tally.add("connector found", extra)
    return [f"{extra} plug(s) seen on a back that shows none there"] if extra else []


def _count_front(unit: Unit | None, truth: dict, tally: Tally) -> list[str]:
    present = [c for c in truth["connectors"] if not c["missing"]]
    asked = [c for c in present if c["visible"] >= MIN_VISIBLE]
    tally.add("connector true", len(asked))
    tally.add("front true")
    if unit is None:
        return []
    wrong = []
    found = [c for c in unit.connectors if not c.broken]
    places = [i for i, c in enumerate(unit.connectors) if not c.broken]
    pairs = match([c.polygon for c in found], [c["polygon"] for c in present])
    hit = {i: present[j] for i, j in pairs}
    # One that is barely seen may be found or not.
    barely = sum(c["visible"] < MIN_VISIBLE for c in hit.values())
    tally.add("connector found", len(found) - barely)
    tally.add("connector hit", len(hit) - barely)
    colours_right = True
    for i, c in hit.items():
        code, chance = max(found[i].colour.items(), key=lambda item: item[1])
        tally.add("colour asked")
        tally.add("colour right", code == c["colour"])
        tally.add("white asked", c["colour"] == "WH")
        tally.add("white right", c["colour"] == code == "WH")
        tally.add("size right", max(found[i].size, key=found[i].size.__getitem__) == c["size"])
        tally.add("sure and wrong", code != c["colour"] and chance > 0.9)
        if (pins := found[i].pins) is not None:
            tally.add("pins given")
            tally.add("pins right", list(pins) == list(c["pins"]))
        if code != c["colour"]:
            colours_right = False
            wrong.append(f"{c['colour']} taken for {code} ({chance:.2f})")
    if len(hit) < len(found):
        wrong.append(f"{len(found) - len(hit)} thing(s) taken for a plug")
    missed = [c for c in asked if all(c is not h for h in hit.values())]
    if missed:
        wrong.append(f"{len(missed)} plug(s) not found")
    order = [hit[i]["index"] for i in sorted(hit)]
    in_order = order == sorted(order)
    if not in_order:
        wrong.append(f"order {order}" + (" (both readings kept)" if unit.other_order else ""))
    tally.add("order right", not missed and in_order)
    right = not missed and len(hit) == len(found) and colours_right and in_order
    tally.add("front right", right)
    stubs = [c["polygon"] for c in truth["connectors"] if c["missing"]]
    seen_stubs = sum(
        any(overlap(c.polygon, s) >= _IOU for s in stubs) for i, c in enumerate(found) if i not in hit
    )
    tally.add("stub true", len(stubs))
    broken = [c.polygon for c in unit.connectors if c.broken]
    tally.add("stub told", len(match(broken, stubs)))
    tally.add("broken found", len(broken))
    tally.add("stub seen", seen_stubs)
    tally.add(
        "front right but for stubs",
        not missed and len(hit) + seen_stubs == len(found) and colours_right and in_order,
    )
    turned = [places.index(i) for i in unit.other_order or () if i in places]
    other = [hit[i]["index"] for i in turned if i in hit]
    kept = not in_order and len(wrong) == 1 and len(other) == len(order) and other == sorted(other)
    tally.add("front right or both readings kept", right or kept)
    return wrong


def draw(photo: np.ndarray, seen: Observations, words: list[str]) -> np.ndarray:
    """One tile of the gallery: outlines, order and colours as seen, and what was wrong; BGR."""
    scale = 420 / max(photo.shape[:2])
    size = round(photo.shape[1] * scale), round(photo.shape[0] * scale)
    tile = np.full((480, 420, 3), 30, np.uint8)
    small = cv2.resize(cv2.cvtColor(photo, cv2.COLOR_RGB2BGR), size, interpolation=cv2.INTER_AREA)
    for unit in seen.units:
        cv2.polylines(
            small, [np.round(np.asarray(unit.polygon) * scale).astype(np.int32)], True, (0, 255, 0), 1
        )
        for k, c in enumerate(unit.connectors):
            points = np.round(np.asarray(c.polygon) * scale).astype(np.int32)
            cv2.polylines(small, [points], True, (0, 0, 255), 1)
            label = f"{k + 1}{max(c.colour, key=c.colour.__getitem__)}"
            at = tuple(int(v) for v in points.mean(0))
            cv2.putText(small, label, at, cv2.FONT_HERSHEY_SIMPLEX, 0.4, (255, 255, 255), 1, cv2.LINE_AA)
    tile[: small.shape[0], : small.shape[1]] = small[:420, :420]
    for line, text in enumerate(words[:4]):
        at = (4, 432 + 13 * line)
        cv2.putText(tile, text[:60], at, cv2.FONT_HERSHEY_SIMPLEX, 0.36, (220, 220, 220), 1, cv2.LINE_AA)
    return tile


def read_rows(folder: Path, split: str) -> list[dict]:
    """Truth rows of one split, or of the whole folder for "all"."""
    lines = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    rows = [json.loads(line) for line in lines if line.strip()]
    return [row for row in rows if split in ("all", row["split"])]


def measure(
    folder: Path,
    rows: list[dict],
    corruption: str = "",
    *,
    read_text: bool = False,
    models: VisionModels | None = None,
) -> tuple[Tally, Tally, list[Miss], Seconds]:
    """Look at all photos: everything but pallets, the pallets, what went wrong, and seconds a photo."""
    return compare(folder, rows, [models], corruption, read_text=read_text)[0]


def compare(
    folder: Path,
    rows: list[dict],
    several: list[VisionModels | None],
    corruption: str = "",
    *,
    read_text: bool = False,
) -> list[tuple[Tally, Tally, list[Miss], Seconds]]:
    """The same by several sets of models, each photo by all of them in turn; None is what comes along."""
    measured = [(Tally(), Tally(), list[Miss](), Seconds()) for _ in several]
    for row in rows:
        path = folder / row["photo"]
        data = path.read_bytes()
        if corruption:
            photo = decode_photo(data, name=path.name)
            pixels = corrupt(photo.rgb, corruption, SEVERITY, seed=int(photo.sha256[:8], 16))
            bgr = cv2.cvtColor(np.asarray(pixels, np.uint8), cv2.COLOR_RGB2BGR)
            data = cv2.imencode(".png", bgr)[1].tobytes()
        for models, (single, pallet, misses, seconds) in zip(several, measured, strict=True):
            photo = decode_photo(data, name=path.name)  # anew: it keeps what was made of it
            started, at_work = time.perf_counter(), time.process_time()
            seen = observe(photo, read_text=read_text, models=models)
            seconds.all.append(time.perf_counter() - started)
            seconds.processor.append(time.process_time() - at_work)
            if photo.width_px * photo.height_px >= LARGE and row["view"] != "pallet":
                seconds.large.append(seconds.all[-1])
            words = score_photo(seen, row, pallet if row["view"] == "pallet" else single)
            if words:
                misses.append(Miss(path, words, len(words) / max(1, len(row["units"]))))
    return measured


def models_of(weights: Path | None, augmentations: int | None) -> VisionModels | None:
    """What to look with: other networks or augmentations; None for what comes along as it is."""
    if weights is not None:
        return load_models(weights, augmentations or N_AUGMENTATIONS)
    if augmentations is None:
        return None
    return replace(default_models(), segmenter=NetworkSegmenter(augmentations=augmentations))


def _median(seconds: list[float]) -> float:
    return statistics.median(seconds) if seconds else float("nan")


def table(single: Tally, pallet: Tally, seconds: Seconds) -> list[tuple[str, float]]:
    """The figures in the order of their importance."""
    return [
        ("connector detection F1 at IoU 0.5", single.f1("connector")),
        ("colour code right, of detected", single.share("colour right", "colour asked")),
        ("... of white plugs", single.share("white right", "white asked")),
        ("size class right, of detected", single.share("size right", "colour asked")),
        ("whole front right", single.share("front right", "front true")),
        (
            "... or only the order open, both readings kept",
            single.share("front right or both readings kept", "front true"),
        ),
        ("... or a broken-off socket's stub seen", single.share("front right but for stubs", "front true")),
        ("broken-off sockets seen as plugs", single.share("stub seen", "stub true")),
        ("broken-off sockets told", single.share("stub told", "stub true")),
        ("... of all housings called broken", single.share("stub told", "broken found")),
        ("face right", single.share("face right", "face asked")),
        ("unit recall, single units", single.share("unit recalled", "unit true")),
        ("unit precision, single units", single.share("unit precise", "unit found")),
        ("unit recall, pallets", pallet.share("unit recalled", "unit true")),
        ("unit precision, pallets", pallet.share("unit precise", "unit found")),
        ("whole front right, pallets", pallet.share("front right", "front true")),
        ("wrong colour with confidence above 0.9", single.share("sure and wrong", "colour asked")),
        ("pins counted", single.share("pins given", "colour asked")),
        ("pins right, of counted", single.share("pins right", "pins given")),
        ("median seconds a photo", _median(seconds.all)),
        ("median processor seconds a photo", _median(seconds.processor)),
        ("median seconds a photo of 12 megapixels, one unit", _median(seconds.large)),
    ]


def main() -> None:
    """Print the table; write the gallery."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--split", default="train", choices=("train", "calibration", "test", "all"))
    parser.add_argument("--data", type=Path, default=demo_folder(), help="folder with truth.jsonl and photos")
    parser.add_argument(
        "--gallery", type=Path, help="write the worst photos here, as worst.jpg and worst.txt"
    )
    parser.add_argument(
        "--corruptions", action="store_true", help=f"also the 15 corruptions at severity {SEVERITY}"
    )
    parser.add_argument(
        "--text", action="store_true", help="read marks and labels too, which tell the way up (slower)"
    )
    parser.add_argument("--most", type=int, help="only so many photos, evenly spread")
    parser.add_argument(
        "--weights", type=Path, help="folder of other networks, with their SHA256SUMS, to look with"
    )
    parser.add_argument(
        "--augmentations",
        type=int,
        nargs="+",
        choices=range(1, len(AUGMENTATIONS) + 1),
        help=f"test-time augmentations; {N_AUGMENTATIONS} by default; several are set side by side",
    )
    options = parser.parse_args()
    rows = read_rows(options.data, options.split)
    if options.most and len(rows) > options.most:
        rows = [rows[int(k)] for k in np.linspace(0, len(rows) - 1, options.most)]
    numbers = options.augmentations or [None]
    several = [models_of(options.weights, number) for number in numbers]
    measured = compare(options.data, rows, several, read_text=options.text)
    print(f"{len(rows)} photos of split {options.split} in {options.data}")
    if options.augmentations:
        print(f"{'augmentations of each picture':50s} " + " ".join(f"{number:7d}" for number in numbers))
    tables = [table(single, pallet, seconds) for single, pallet, _, seconds in measured]
    for lines in zip(*tables, strict=True):
        print(f"{lines[0][0]:50s} " + " ".join(f"{value:7.4f}" for _, value in lines))
    models, misses = several[0], measured[0][2]
    if options.gallery:
        write_gallery(misses, options.gallery)
    if options.corruptions:
        fronts = [row for row in rows if row["view"] in ("front", "oblique")]
        shares = []
        for name in CORRUPTIONS:
            tally = measure(options.data, fronts, name, read_text=options.text, models=models)[0]
            share = tally.share("front right", "front true")
            shares.append(share)
            print(f"front right under {name:33s} {share:.4f}", flush=True)
        print(f"{'mean over the corruptions':50s} {statistics.mean(shares):.4f}")


def write_gallery(misses: list[Miss], folder: Path) -> None:
    """The worst photos as one picture, and in words."""
    folder.mkdir(parents=True, exist_ok=True)
    worst = sorted(misses, key=lambda miss: -miss.weight)[:WORST]
    words = [f"{miss.photo.name}: {'; '.join(miss.words)}\n" for miss in worst]
    (folder / "worst.txt").write_text("".join(words), encoding="utf-8")
    tiles = []
    for miss in worst:
        photo = decode_photo(miss.photo.read_bytes(), name=miss.photo.name)
        seen = observe(photo, read_text=False)
        small = photo.reduced(840)
        scale = small.shape[1] / photo.width_px
        tiles.append(draw(small, _scaled(seen, scale), [miss.photo.name, *miss.words]))
    while len(tiles) % 6:
        tiles.append(np.full((480, 420, 3), 30, np.uint8))
    if tiles:
        rows = [np.hstack(tiles[k : k + 6]) for k in range(0, len(tiles), 6)]
        cv2.imwrite(str(folder / "worst.jpg"), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 88])


def _scaled(seen: Observations, scale: float) -> Observations:
    def smaller(polygon):
        return tuple((x * scale, y * scale) for x, y in polygon)

    units = tuple(
        replace(
            unit,
            polygon=smaller(unit.polygon),
            connectors=tuple(replace(c, polygon=smaller(c.polygon)) for c in unit.connectors),
        )
        for unit in seen.units
    )
    return replace(seen, units=units)


if __name__ == "__main__":
    main()
