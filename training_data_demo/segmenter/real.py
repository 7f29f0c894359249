"""Real photographs with hand annotations, as shots of the same kind as rendered ones.

What a person wrote down is less than what a renderer knows. What is not known is left out of the loss: a
number that is unknown is NaN in the tables, an area that is doubtful is a part of its own in the index
picture. All else inside a photo is certain, and that is what these photos are for: a label, a recess or a lid
is no plug, and a workbench is no unit.
"""

import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from plugface.demo.segmenter.disturb import (
    _blur_kernels,
    _filter_each,
    _grain,
    _lose_resolution,
    _normal,
    _sharpen,
    _sometimes,
    _uniform,
    jpeg,
    to_srgb,
)
from plugface.demo.segmenter.shots import (
    COLOURS,
    CONNECTOR_COLUMNS,
    CONNECTORS,
    IGNORE,
    LURE_BESIDE,
    MAX_UNITS,
    PART_BODY,
    PART_DOUBT,
    PART_LABEL,
    PART_LURE,
    PART_MARK,
    PARTS,
    REAL_GROUND,
    UNIT_COLUMNS,
    Batch,
    Shot,
    cut,
    draw_view,
    polygon_moments,
)
from torch import Tensor

#: Which views show the plug face, and which the other; the rest tell nothing.
_FACE = {"face": 1.0, "close_up": 1.0, "back": 0.0, "label": 0.0}
#: Share of a sample that a plug takes, from and to: what real photographs of them show.
PLUG_SHARES = (0.05, 0.6)
#: The least share where small plugs are drawn more: half of those in real photographs take less than 0.08.
_LEAST_SHARE = 0.02
SMALL_PLUG = 0.08  # root of the area of a plug's upright box, over that of its photo: smaller ones are small
_LEAST_EXTENT = 8  # pixels of a sample; a smaller plug shows nothing that tells it
_MIN_PASTED = 100  # pixels of a plug that is cut out; a smaller one shows nothing


@dataclass(frozen=True)
class RealShots:
    """Annotated photographs, those with a unit or a plug in view and those without."""

    with_things: list[Shot]
    negatives: list[Shot]
    plugs: dict[str, np.ndarray]  # by name: left, top, right, bottom of each certain plug, (n, 4)

    def __len__(self) -> int:
        return len(self.with_things) + len(self.negatives)


def read_real_shots(
    folder: Path,
    device: torch.device,
    workers: int = 16,
    *,
    doubtful: bool = False,
    housed: int = 1,
    small: int = 0,
) -> RealShots:
    """Photographs of a folder with annotations.jsonl and photos/ID.jpg, as `pack_real` writes it.

    A row that is wrong or whose photo is missing is named and left out. `doubtful` as in `make_real_shot`.
    Photos with a plug on a unit are listed `housed` times, and so drawn as often; those with a small plug
    that is certain `small` times, should that be more than once; what that adds to once is summed for both.
    """
    rows = [json.loads(line) for line in (folder / "annotations.jsonl").read_text().splitlines()]

    def read(row: dict) -> tuple[Shot, np.ndarray] | None:
        try:
            bgr = cv2.imread(str(folder / "photos" / f"{row['id']}.jpg"))
            if bgr is None:
                raise OSError("no picture there")
            return make_real_shot(bgr, row, device, doubtful=doubtful)
        except (OSError, ValueError, KeyError, IndexError, TypeError) as error:
            print(f"left out {row.get('id')}: {type(error).__name__}: {error}", flush=True)
            return None

    with ThreadPoolExecutor(workers) as pool:
        read_rows = [pair for pair in pool.map(read, rows) if pair is not None]
    shots = [shot for shot, _ in read_rows]
    on_unit = {row.get("id") for row in rows if any(p.get("unit") is not None for p in row.get("plugs", ()))}
    plugs_of = {str(row.get("id")): row.get("plugs", ()) for row in rows}

    def times(shot: Shot) -> int:
        holds_small = any(_is_small(plug, shot.index.shape) for plug in plugs_of[shot.name])
        return 1 + (shot.name in on_unit) * (housed - 1) + holds_small * max(0, small - 1)

    held = [bool((shot.index.cpu() >= PARTS).any()) for shot in shots]
    with_things = [shot for shot, holds in zip(shots, held, strict=True) if holds]
    return RealShots(
        with_things=[shot for shot in with_things for _ in range(times(shot))],
        negatives=[shot for shot, holds in zip(shots, held, strict=True) if not holds],
        plugs={shot.name: boxes for shot, boxes in read_rows},
    )


def _is_small(plug: dict, shape: tuple[int, ...]) -> bool:
    """Whether it is certain that there is a plug, and a small one in a photo of this shape (H, W)."""
    extent = np.ptp(np.float32(plug["polygon"]), axis=0)
    return plug.get("sure", True) and float(extent.prod()) < SMALL_PLUG**2 * shape[0] * shape[1]


def make_real_shot(
    bgr: np.ndarray, row: dict, device: torch.device, *, doubtful: bool = False
) -> tuple[Shot, np.ndarray]:
    """A shot out of a photo and its annotation, and the boxes (n, 4) of the plugs that are learned from.

    Parameters
    ----------
    bgr : uint8 (H, W, 3)
    row : annotation; polygons are in pixels of this picture
    doubtful : whether plugs of which the annotator was not sure are learned from too
    """
    index = np.full(bgr.shape[:2], REAL_GROUND, np.int32)
    units = np.full((MAX_UNITS, len(UNIT_COLUMNS)), np.nan, np.float32)
    connectors = np.full((MAX_UNITS * 13, len(CONNECTOR_COLUMNS)), np.nan, np.float32)

    def fill(polygon, value: int) -> None:
        # A shell round a bent edge is no convex shape.
        cv2.fillPoly(index, [np.round(np.float32(polygon)).astype(np.int32)], value)

    numbers: dict[int, int] = {}  # of the annotation's units: their numbers in the index picture
    for at, unit in enumerate(row.get("units", [])):
        if not unit.get("sure", True):
            fill(unit["polygon"], IGNORE)
            continue
        numbers[at] = number = len(numbers) + 1
        fill(unit["polygon"], PARTS * number + PART_BODY)
        outline = np.float32(unit["polygon"])
        units[number] = np.nan
        units[number, :5] = polygon_moments(outline)
        units[number, UNIT_COLUMNS.index("face")] = _FACE.get(row.get("view"), np.nan)
        units[number, 10:14] = (*outline.min(0), *outline.max(0))
    _fill_lures_and_lines(index, row)
    for doubt in row.get("doubts", []):
        _fill_doubt(index, np.float32(doubt["polygon"]))

    boxes, free, taken = [], len(numbers) + 1, dict.fromkeys(numbers.values(), 0)
    for plug in row.get("plugs", []):
        outline = np.float32(plug["polygon"])
        owner = numbers.get(plug.get("unit"), 0) or _owner(index, outline)
        if not (doubtful or plug.get("sure", True)):
            _fill_doubt(index, outline)
            continue
        if owner == 0 or taken[owner] >= len(CONNECTORS):
            # Without a unit nothing is said of the unit's mask; more plugs than a unit can number are given
            # another with the same outline.
            if free >= MAX_UNITS:
                continue
            units[free], owner, free = units[owner] if owner else np.nan, free, free + 1
            taken[owner] = 0
        taken[owner] += 1
        part = taken[owner]
        fill(outline, PARTS * owner + part)
        values = connectors[13 * owner + part]
        values[:5] = polygon_moments(outline)
        if plug.get("colour") in COLOURS:
            values[CONNECTOR_COLUMNS.index("colour")] = COLOURS.index(plug["colour"])
        if plug.get("mated") is not None:
            values[CONNECTOR_COLUMNS.index("mated")] = float(plug["mated"])
        boxes.append((*outline.min(0), *outline.max(0)))
    rgb = torch.from_numpy(np.ascontiguousarray(bgr[..., ::-1].transpose(2, 0, 1)))
    shot = Shot(
        rgb=rgb.to(device),
        peak=1.0,  # a photo is coded already
        index=torch.from_numpy(index.astype(np.int16)).to(device),
        units=torch.from_numpy(units).to(device),
        connectors=torch.from_numpy(connectors).to(device),
        boxes=units[np.isfinite(units[:, 10]), 10:14],
        name=str(row["id"]),
    )
    return shot, np.float32(boxes).reshape(-1, 4)


def _fill_doubt(index: np.ndarray, outline: np.ndarray) -> None:
    """What may be a plug or none: nothing is learned of it but that it belongs to the unit it lies on."""
    doubt = np.zeros(index.shape, np.uint8)
    cv2.fillPoly(doubt, [np.round(outline).astype(np.int32)], 1)
    on = doubt > 0
    index[on] = np.where(index[on] >= PARTS, index[on] // PARTS * PARTS + PART_DOUBT, IGNORE)


def _fill_lures_and_lines(index: np.ndarray, row: dict) -> None:
    """Parts that are no plugs: labels and marks by their name, what else looks like a plug as a lure."""
    things = [(lure["polygon"], lure.get("what")) for lure in row.get("lures", [])]
    lines = [(line["polygon"], line.get("kind")) for line in row.get("lines", [])]
    codes = [(code["polygon"], "label") for code in row.get("codes", [])]
    parts = {"label": PART_LABEL, "printed": PART_LABEL}
    parts |= dict.fromkeys(("cast", "engraved", "stamped"), PART_MARK)
    for polygon, what in [*things, *lines, *codes]:
        on = np.zeros(index.shape, np.uint8)
        cv2.fillPoly(on, [np.round(np.float32(polygon)).astype(np.int32)], 1)
        at = (on > 0) & (index != IGNORE)
        on_unit = index[at] // PARTS * PARTS + parts.get(what, PART_LURE)
        index[at] = np.where(index[at] >= PARTS, on_unit, LURE_BESIDE)


def _owner(index: np.ndarray, outline: np.ndarray) -> int:
    """Number of the unit under the middle of an outline; 0 for none."""
    x, y = np.clip(outline.mean(0).astype(int), 0, np.array(index.shape[::-1]) - 1)
    return max(0, int(index[y, x])) // PARTS


def draw_real_view(
    shot: Shot, plugs: np.ndarray, size: tuple[int, int], rng: np.random.Generator, small: bool = False
) -> np.ndarray:
    """A random similarity (2, 3) from sample pixels to photo pixels: round a plug, a unit or all of it.

    `small` draws the smaller plugs of a photo more, and lets a plug take less of the sample.
    """
    height, width = size
    shot_h, shot_w = shot.index.shape
    kind = rng.random()
    if kind < 0.4 and len(plugs):
        left, top, right, bottom = plugs[_draw_small(plugs, rng) if small else rng.integers(len(plugs))]
        extent = max(right - left, bottom - top, 8.0)
        low, high = PLUG_SHARES
        if small:
            # A photo that takes less than half of the sample shows its plug without what lies round it.
            as_whole = extent / (max(shot_w / width, shot_h / height) * min(height, width))
            low = max(np.clip(as_whole / 2, _LEAST_SHARE, low), _LEAST_EXTENT / min(height, width))
        share = np.exp(rng.uniform(np.log(low), np.log(high)))
        scale = max(extent / (share * min(height, width)), 0.35)
        slack = (1 - share) * 0.4 * min(height, width) * scale
        centre = np.array([(left + right) / 2, (top + bottom) / 2]) + rng.uniform(-slack, slack, 2)
        return _turned(centre, scale, size, rng)
    if kind < 0.65 and len(shot.boxes):
        return draw_view(shot, size, rng, zoom=True)
    # All of it, with a margin at times; of what shows nothing also a part.
    low = -0.3 if len(plugs) or len(shot.boxes) else -1.3
    scale = max(shot_w / width, shot_h / height) * np.exp(rng.uniform(low, 0.7))
    spread = 0.08 if low > -1 else 0.25
    centre = np.array([shot_w, shot_h]) * (0.5 + rng.normal(0, spread, 2).clip(-0.4, 0.4))
    return _turned(centre, max(scale, 0.35), size, rng)


def _draw_small(plugs: np.ndarray, rng: np.random.Generator) -> int:
    """Which of a photo's plugs (n, 4): each with a chance as one over the root of its extent."""
    chances = (plugs[:, 2:] - plugs[:, :2]).max(1).clip(8.0) ** -0.5
    return int(rng.choice(len(plugs), p=chances / chances.sum()))


def _turned(centre: np.ndarray, scale: float, size: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    turn = rng.integers(4) * np.pi / 2 + rng.normal(0, 0.15)
    if rng.random() < 0.3:
        turn = rng.uniform(0, 2 * np.pi)
    matrix = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if rng.random() < 0.5:
        matrix[:, 0] *= -1
    return np.column_stack([matrix, centre - matrix @ (size[1] / 2, size[0] / 2)])


def _with_border(sample: Batch, shot: Shot, view: np.ndarray, rng: np.random.Generator) -> Batch:
    """What lies beyond the photo's edge as a plain border, where nothing is; else as `cut` leaves it."""
    if rng.random() < 0.2:
        return sample
    device = sample.index.device
    height, width = sample.index.shape[1:]
    y, x = np.mgrid[:height, :width] + 0.5
    at = view[:, :2] @ np.stack([x.ravel(), y.ravel()]) + view[:, 2:]
    shot_h, shot_w = shot.index.shape
    beyond = (at[0] < 0) | (at[0] >= shot_w) | (at[1] < 0) | (at[1] >= shot_h)
    beyond = torch.from_numpy(beyond.reshape(1, height, width)).to(device)
    grey = rng.choice([0.0, 1.0, 0.9, rng.random() ** 2])
    tone = torch.tensor(grey * rng.uniform(0.85, 1.0, 3), dtype=sample.rgb.dtype, device=device)
    return replace(
        sample,
        rgb=torch.where(beyond[:, None], tone.view(1, 3, 1, 1), sample.rgb),
        index=torch.where(beyond, torch.zeros_like(sample.index), sample.index),
    )


def draw_real_batch(
    shots: RealShots,
    count: int,
    size: tuple[int, int],
    rng: np.random.Generator,
    negatives: float = 0.3,
    pasted: float = 0.0,
    small: bool = False,
) -> Batch:
    """`count` random samples of real photos in linear light, a share of them of photos without any unit.

    On a share of them, `pasted`, lie plugs of the others (see `paste_plugs`). `small` as in `draw_real_view`.
    """
    samples = []
    for _ in range(count):
        empty = rng.random() < negatives if shots.with_things else True
        among = shots.negatives if empty and shots.negatives else shots.with_things
        shot = among[rng.integers(len(among))]
        view = draw_real_view(shot, shots.plugs[shot.name], size, rng, small)
        samples.append(_with_border(cut(shot, view, size), shot, view, rng))

    def joined(name: str) -> Tensor:
        return torch.cat([getattr(sample, name) for sample in samples])

    def doubled(name: str) -> Tensor:
        table = joined(name)  # rendered samples have room for a second shot's units
        return torch.cat([table, torch.full_like(table, torch.nan)], 1)

    batch = Batch(joined("rgb"), joined("index"), doubled("units"), doubled("connectors"))
    return paste_plugs(batch, rng, pasted, small=small)


def paste_plugs(
    batch: Batch, rng: np.random.Generator, share: float, most: int = 4, *, small: bool = False
) -> Batch:
    """On a random share of the samples up to `most` plugs cut out of others, each a plug by itself there.

    So a plug that was annotated once is seen on many shells, benches and boards (Ghiasi et al., Simple
    Copy-Paste, CVPR 2021). Sizes stay, but that `small` reduces half of them; what lies under a pasted plug
    is hidden by it.
    """
    count = len(batch.index)
    sources = _cut_out_plugs(batch) if share and count > 1 else []
    if not sources:
        return batch
    rgb, index, connectors = batch.rgb.clone(), batch.index.clone(), batch.connectors.clone()
    height, width = index.shape[1:]
    for at in np.flatnonzero(rng.random(count) < share):
        for slot in range(MAX_UNITS, MAX_UNITS + int(rng.integers(1, most + 1))):
            source, tone, mask, values, part = sources[rng.integers(len(sources))]
            if small and rng.random() < 0.5:
                tone, mask, values = _reduced(tone, mask, values, rng.uniform(0.3, 0.8))
            h, w = mask.shape
            if source == at or h >= height or w >= width:
                continue
            top, left = int(rng.integers(height - h)), int(rng.integers(width - w))
            there = (slice(top, top + h), slice(left, left + w))
            # A soft edge, a pixel wide: a hard one would give the paste away.
            soft = F.avg_pool2d(mask[None, None].float(), 3, 1, 1, count_include_pad=False)[0]
            gain = float(np.exp(rng.normal(0, 0.2)))
            rgb[(at, slice(None), *there)] = torch.lerp(rgb[(at, slice(None), *there)], tone * gain, soft)
            index[(at, *there)] = torch.where(mask, PARTS * slot + part, index[(at, *there)])
            moved = values.clone()
            moved[0], moved[1] = moved[0] + left, moved[1] + top
            connectors[at, 13 * slot + part] = moved
    return replace(batch, rgb=rgb, index=index, connectors=connectors)


def _cut_out_plugs(batch: Batch) -> list[tuple[int, Tensor, Tensor, Tensor, int]]:
    """Plugs seen whole in a batch: sample, light (3, h, w), mask (h, w), table row from its corner, part."""
    height, width = batch.index.shape[1:]
    cut_out = []
    for at in range(len(batch.index)):
        for number in batch.index[at].unique().tolist():
            unit, part = divmod(number, PARTS)
            if unit < 1 or part not in CONNECTORS:
                continue
            values = batch.connectors[at, 13 * unit + part]
            rows, columns = torch.where(batch.index[at] == number)
            top, left, bottom, right = (
                int(v) for v in (rows.min(), columns.min(), rows.max() + 1, columns.max() + 1)
            )
            whole = top > 0 and left > 0 and bottom < height and right < width
            if not whole or len(rows) < _MIN_PASTED or values[:5].isnan().any():
                continue
            there = (slice(top, bottom), slice(left, right))
            held = values.clone()
            held[0], held[1] = held[0] - left, held[1] - top
            cut_out.append(
                (at, batch.rgb[(at, slice(None), *there)], batch.index[(at, *there)] == number, held, part)
            )
    return cut_out


def _reduced(tone: Tensor, mask: Tensor, values: Tensor, factor: float) -> tuple[Tensor, Tensor, Tensor]:
    """A cut out plug in fewer pixels, but not too few: light (3, h, w), mask (h, w), table row."""
    height, width = mask.shape
    factor = max(factor, min(1.0, _LEAST_EXTENT / max(height, width)))
    size = (max(1, round(height * factor)), max(1, round(width * factor)))
    covered = F.interpolate(mask[None, None].float(), size=size, mode="area")[0, 0]
    x, y = size[1] / width, size[0] / height
    reduced = values.clone()
    reduced[:5] *= reduced.new_tensor([x, y, x * x, x * y, y * y])
    return F.interpolate(tone[None], size=size, mode="area")[0], covered >= 0.5, reduced


def draw_real_grounds(shots: RealShots, like: Tensor, rng: np.random.Generator) -> Tensor | None:
    """Linear light (B, 3, H, W) of photos without a unit, to lie under units; None where there are none."""
    if not shots.negatives:
        return None
    size = (like.shape[2], like.shape[3])
    parts = []
    for _ in range(len(like)):
        shot = shots.negatives[rng.integers(len(shots.negatives))]
        rgb = cut(shot, draw_real_view(shot, np.empty((0, 4)), size, rng), size).rgb
        parts.append(rgb * (0.2 / rgb.mean().clamp(min=1e-3)))
    return torch.cat(parts)


def develop_real(linear: Tensor) -> Tensor:
    """sRGB 0..255 of real photos, a little changed: their light is true, and colours must stay so."""
    x = linear.clamp(min=0) * torch.exp2(_normal(linear, 0.35)) * torch.exp(_normal(linear, 0.04, 3))
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * _uniform(x, 0.85, 1.15)
    x = _sometimes(x, lambda x: _filter_each(x, _blur_kernels(x)), 0.35)
    x = _sometimes(x, _lose_resolution, 0.2)
    x = _sometimes(x.clamp(min=0), _grain, 0.4)
    x = to_srgb(x)
    contrast = _uniform(x, -0.4, 0.4)
    x = (x + contrast * x * (1 - x) * (2 * x - 1)).clamp(0, 1) * 255
    x = _sometimes(x, _sharpen, 0.15)
    x = _sometimes(x, lambda x: jpeg(x, _uniform(x, 25, 95).flatten()), 0.4)
    return x.clamp(0, 255)


_LUMA = (0.299, 0.587, 0.114)  # ITU-T T.871


def mix_amplitudes(pictures: Tensor, others: Tensor, share: float = 0.4) -> Tensor:
    """Pictures with the coarse light of others and a disturbed spectrum, in luma alone, so that colours stay.

    Parameters
    ----------
    pictures : float (B, 3, H, W), 0..255
    others : float (N, 3, H, W), N >= 1
    share : of the pictures that are changed

    References
    ----------
    The low amplitudes of the spectrum are exchanged as Yang & Soatto do (FDA, CVPR 2020), the others scaled
    by a random factor that may be larger the higher the frequency (PASTA, Chattopadhyay et al., ICCV 2023).
    """

    def mixed(x: Tensor) -> Tensor:
        weights = torch.tensor(_LUMA, device=x.device).view(1, 3, 1, 1)
        other = others[torch.randint(len(others), (len(x),), device=x.device)]
        luma, luma_other = ((each.float() * weights).sum(1) for each in (x, other))
        own, theirs = torch.fft.rfft2(luma), torch.fft.rfft2(luma_other)
        h, w = luma.shape[1:]
        fy = torch.fft.fftfreq(h, device=x.device).abs().view(1, h, 1)
        fx = torch.fft.rfftfreq(w, device=x.device).view(1, 1, -1)
        radius = (fy**2 + fx**2).sqrt()
        amplitude = own.abs()
        low = (radius < 0.01 * _uniform(x, 0.3, 2.0)[:, 0]) & (radius > 0)
        amplitude = torch.where(
            low, torch.lerp(amplitude, theirs.abs(), _uniform(x, 0.2, 0.8)[:, 0]), amplitude
        )
        spread = 0.05 + 0.6 * _uniform(x, 0, 1)[:, 0] * radius
        factor = (1 + spread * torch.randn_like(amplitude)).clamp(0.2, 2.5)
        amplitude = amplitude * torch.where(radius > 0, factor, torch.ones_like(factor))
        changed = torch.fft.irfft2(torch.polar(amplitude, own.angle()), s=(h, w))
        return (x + (changed - luma)[:, None]).clamp(0, 255)

    return _sometimes(pictures, mixed, share)


def join_batches(parts: Iterable[Batch]) -> Batch:
    """One batch out of several of one size."""
    parts = list(parts)
    names = ("rgb", "index", "units", "connectors")
    return Batch(*(torch.cat([getattr(part, name) for part in parts]) for name in names))
