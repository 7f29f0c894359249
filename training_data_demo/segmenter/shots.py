"""Rendered shots in memory, and training samples cut out of them at any turn and scale.

Coordinates are pixels with the corner of the picture at (0, 0), x right, y down. A region's shape is kept
as its
centre and covariance, which turn and scale exactly with the picture.
"""

import functools
import json
import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from plugface.demo.segmenter.disturb import to_srgb
from plugface.demo.studio.shades import ANCHORS, draw_shade
from torch import Tensor

COLOURS = tuple(ANCHORS)  # codes of IEC 60757
SIZES = ("S", "M", "L")
FINS = ("none", "half", "all")

#: The index image holds 32 * unit number + part.
PARTS = 32
PART_WIRES, PART_MARK, PART_LABEL = 13, 16, 17
#: Parts that only real photographs have: a plug or none, what looks like one and is none, and a body on which
#: marks and labels were not all written down.
PART_DOUBT, PART_LURE, PART_BODY = 20, 21, 22
#: Index of what lies beside the units of a real photograph, and of what looks like a plug there.
REAL_GROUND, LURE_BESIDE = 2, 3
CONNECTORS = range(1, 13)
IGNORE = -1

#: Units a shot can hold; the studio numbers them from 1.
MAX_UNITS = 40
#: Columns of the tables below.
UNIT_COLUMNS = (
    "x",
    "y",
    "xx",
    "xy",
    "yy",
    "up_x",
    "up_y",
    "face",
    "fins",
    "body_colour",
    "left",
    "top",
    "right",
    "bottom",
)
CONNECTOR_COLUMNS = ("x", "y", "xx", "xy", "yy", "colour", "size", "mated", "broken")
LONG_SIDE = 1152  # larger shots are reduced to this
BRIGHTEST = 3.0  # white wherever the mean is 0.2; as many shots as can be must fit into a card's memory


@dataclass
class Shot:
    """One render: linear light and what every pixel belongs to."""

    rgb: Tensor  # uint8 (3, H, W), coded: to_linear gives the share of peak
    peak: float  # brightest linear light, where the mean is 0.2
    index: Tensor  # int16 (H, W)
    units: Tensor  # float32 (MAX_UNITS, len(UNIT_COLUMNS)); NaN where unknown
    connectors: Tensor  # float32 (MAX_UNITS * 13, len(CONNECTOR_COLUMNS)), row 13 * unit + part
    boxes: np.ndarray  # float32 (known units, 4): left, top, right, bottom; kept beside the processor
    name: str


def polygon_moments(polygon: np.ndarray) -> tuple[float, float, float, float, float]:
    """Centre and covariance (xx, xy, yy) of the area inside the convex hull of points (N, 2), by Green's
    theorem."""
    hull = cv2.convexHull(np.asarray(polygon, np.float32)).reshape(-1, 2).astype(float)
    origin = hull.mean(0)
    p, q = hull - origin, np.roll(hull, -1, axis=0) - origin
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    area = cross.sum() / 2
    if abs(area) < 1.0:
        return (float("nan"),) * 5
    cx, cy = ((p + q) * cross[:, None]).sum(0) / (6 * area)
    xx = ((p[:, 0] ** 2 + p[:, 0] * q[:, 0] + q[:, 0] ** 2) * cross).sum() / (12 * area) - cx**2
    yy = ((p[:, 1] ** 2 + p[:, 1] * q[:, 1] + q[:, 1] ** 2) * cross).sum() / (12 * area) - cy**2
    mixed = p[:, 0] * q[:, 1] + 2 * p[:, 0] * p[:, 1] + 2 * q[:, 0] * q[:, 1] + q[:, 0] * p[:, 1]
    xy = (mixed * cross).sum() / (24 * area) - cx * cy
    return cx + origin[0], cy + origin[1], xx, xy, yy


def _shape(carries: np.ndarray, polygon: np.ndarray) -> tuple[float, ...]:
    """Moments of a region's whole outline; of what is seen of it, should the outline lie elsewhere."""
    rows, columns = np.nonzero(carries)
    if len(rows):
        low, high = polygon.min(0) - 3, polygon.max(0) + 3
        inside = (columns >= low[0]) & (columns <= high[0]) & (rows >= low[1]) & (rows <= high[1])
        if inside.mean() < 0.6:
            return polygon_moments(np.column_stack([columns, rows]) + 0.5)
    return polygon_moments(polygon)


def _place(names: tuple[str, ...], value) -> float:
    return float(names.index(value)) if value in names else float("nan")


def find_renders(folder: Path) -> list[Path]:
    """Finished renders under a folder, in order; one that is being written ends in .part.npz."""
    return sorted(path for path in folder.rglob("*.npz") if not path.stem.endswith(".part"))


def read_shot(path: Path) -> Shot:
    """Read NAME.npz (rgb, index) and NAME.json (geometry) as the studio's render step writes them."""
    with np.load(path) as arrays:
        rgb, index = arrays["rgb"].astype(np.float32), arrays["index"].astype(np.int32)
    return _make_shot(rgb, index, json.loads(path.with_suffix(".json").read_text()), path.stem)


_CODED = np.arange(256, dtype=np.float32) / 255
_LINEAR = np.where(_CODED <= 0.04045, _CODED / 12.92, ((_CODED + 0.055) / 1.055) ** 2.4)


def to_linear(bgr: np.ndarray) -> np.ndarray:
    """Linear RGB 0..1 (H, W, 3) of a coded picture as OpenCV reads it (IEC 61966-2-1)."""
    return _LINEAR[bgr[:, :, ::-1]]


def read_photo_shot(folder: Path, row: dict) -> Shot:
    """A shot out of a developed photo and its truth row; what covers a unit counts as unit."""
    bgr = cv2.imread(str(folder / row["photo"]))  # applies the EXIF turn
    rgb = to_linear(bgr)
    index = np.zeros(bgr.shape[:2], np.int32)

    def fill(polygon, value: int) -> None:
        if len(polygon) >= 3:
            cv2.fillConvexPoly(index, cv2.convexHull(np.round(np.float32(polygon)).astype(np.int32)), value)

    for number, unit in enumerate(row["units"], start=1):
        fill(unit["polygon"], PARTS * number)
        # Truth tells of the face turned away as well.
        written = [text for text in unit["texts"] if text["kind"] == "printed"] + unit["codes"]
        printed = [point for item in written if item["visible"] > 0.3 for point in item["polygon"]]
        fill(printed, PARTS * number + PART_LABEL)
        for text in unit["texts"]:
            if text["kind"] == "cast" and text["visible"] > 0.3:
                fill(text["polygon"], PARTS * number + PART_MARK)
        for connector in unit["connectors"]:
            if connector["visible"] > 0.2:
                fill(connector["polygon"], PARTS * number + 1 + connector["index"])
    return _make_shot(rgb.astype(np.float32), index, row, row["id"])


def _make_shot(rgb: np.ndarray, index: np.ndarray, geometry: dict, name: str) -> Shot:
    height, width = index.shape
    scale = min(1.0, LONG_SIDE / max(height, width))
    if scale < 1.0:
        size = (round(width * scale), round(height * scale))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        index = cv2.resize(index.astype(np.int16), size, interpolation=cv2.INTER_NEAREST)
    # A shot can be rendered smaller than the photo that its geometry speaks of.
    scale = index.shape[1] / geometry.get("width", width)
    rgb = np.nan_to_num(rgb, posinf=16.0).clip(0, 16)
    rgb = (rgb * (0.2 / max(1e-4, float(rgb.mean())))).clip(0, BRIGHTEST)
    peak = max(1e-4, float(rgb.max()))

    units = np.full((MAX_UNITS, len(UNIT_COLUMNS)), np.nan, np.float32)
    connectors = np.full((MAX_UNITS * 13, len(CONNECTOR_COLUMNS)), np.nan, np.float32)
    for number, unit in enumerate(geometry["units"], start=1):  # in the order of the index picture
        if len(unit["polygon"]) < 3:  # outside the frame
            continue
        outline = np.asarray(unit["polygon"], np.float32) * scale
        up = np.radians(unit["up_deg"])
        body = unit.get("body") or {}  # not every geometry has it
        box = (*outline.min(0), *outline.max(0))
        units[number] = (
            *_shape(index // PARTS == number, outline),
            np.cos(up),
            np.sin(up),
            float(unit["face"] == "front"),
            _place(FINS, body.get("fins")),
            _place(COLOURS, body.get("colour")),
            *box,
        )
        for connector in unit["connectors"]:
            if len(connector["polygon"]) < 3:
                continue
            connectors[13 * number + 1 + connector["index"]] = (
                *_shape(
                    index == PARTS * number + 1 + connector["index"],
                    np.asarray(connector["polygon"], np.float32) * scale,
                ),
                _place(COLOURS, connector["colour"]),
                _place(SIZES, connector["size"]),
                float(connector["mated"]),
                float(connector["missing"]),
            )
    return Shot(
        rgb=(255 * to_srgb(torch.from_numpy(rgb / peak)).permute(2, 0, 1)).round().byte().contiguous(),
        peak=peak,
        index=torch.from_numpy(index.astype(np.int16)),
        units=torch.from_numpy(units),
        connectors=torch.from_numpy(connectors),
        boxes=units[np.isfinite(units[:, 10]), 10:14],
        name=name,
    )


def read_shots(
    paths: list[Path],
    device: torch.device,
    photos: Path | None = None,
    wanted: Callable[[str], bool] = lambda name: True,
    workers: int = 16,
) -> list[Shot]:
    """Read the shots whose name is wanted and put them on the device; a broken one is named and left out.

    `photos` is a folder with truth.jsonl, of which the train split is read.
    """
    paths = [path for path in paths if wanted(path.stem)]
    rows = []
    if photos is not None:
        rows = [json.loads(line) for line in (photos / "truth.jsonl").read_text().splitlines()]
        rows = [row for row in rows if row["split"] == "train" and wanted(row["id"])]

    def read(path: Path | dict) -> Shot | None:
        try:
            shot = read_shot(path) if isinstance(path, Path) else read_photo_shot(photos, path)
        except (OSError, ValueError, KeyError, IndexError, TypeError) as error:
            print(f"left out {path}: {type(error).__name__}: {error}", flush=True)
            return None
        shot.rgb, shot.index = shot.rgb.to(device), shot.index.to(device)
        shot.units, shot.connectors = shot.units.to(device), shot.connectors.to(device)
        return shot

    with ThreadPoolExecutor(workers) as pool:
        return [shot for shot in pool.map(read, [*paths, *rows]) if shot is not None]


@dataclass
class Batch:
    """Samples of one size, before the camera."""

    rgb: Tensor  # float32 (B, 3, H, W), linear
    index: Tensor  # int64 (B, H, W); IGNORE outside the shot
    units: Tensor  # (B, 2 * MAX_UNITS, columns): as in Shot, in pixels of the sample
    connectors: Tensor  # (B, 2 * MAX_UNITS * 13, columns)


def draw_view(
    shot: Shot, size: tuple[int, int], rng: np.random.Generator, zoom: bool | None = None
) -> np.ndarray:
    """A random similarity (2, 3) from sample pixels to shot pixels; half the time of one unit, else of all.

    Parameters
    ----------
    size : (height, width) of the sample
    zoom : fixes whether one unit fills the sample
    """
    height, width = size
    shot_h, shot_w = shot.index.shape
    zoom = rng.random() < 0.45 if zoom is None else zoom
    if zoom and len(shot.boxes):
        left, top, right, bottom = rng.choice(shot.boxes)
        extent, fill = max(right - left, bottom - top, 16.0), rng.uniform(0.4, 1.05)
        centre = np.array([(left + right) / 2, (top + bottom) / 2]) + rng.normal(0, 0.06, 2) * extent
        scale = max(extent / (fill * min(height, width) * rng.uniform(1.0, max(size) / min(size))), 0.3)
    else:
        centre = np.array([shot_w, shot_h]) / 2 + rng.normal(0, 0.05, 2) * (shot_w, shot_h)
        scale = max(shot_w, shot_h) / max(height, width) * np.exp(rng.uniform(-0.45, 0.35))
    if rng.random() < 0.6:
        turn = rng.integers(4) * np.pi / 2 + rng.normal(0, 0.2)
    else:
        turn = rng.uniform(0, 2 * np.pi)
    matrix = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if rng.random() < 0.25:  # a mirrored unit is one more invented family
        matrix[:, 0] *= -1
    offset = centre - matrix @ (width / 2, height / 2)
    return np.column_stack([matrix, offset])


@functools.cache
def _linear_on(device: torch.device) -> Tensor:
    return torch.from_numpy(_LINEAR).to(device)


def cut(shot: Shot, view: np.ndarray, size: tuple[int, int]) -> Batch:
    """The shot seen through `view`, as a batch of one with MAX_UNITS units."""
    height, width = size
    device = shot.rgb.device
    # One transfer, and the inverse by the processor: a graphics card waits for each.
    both = np.column_stack([view, np.linalg.inv(view[:, :2])]).astype(np.float32)
    affine, inverse = torch.from_numpy(both).to(device).split([3, 2], 1)
    y, x = torch.meshgrid(
        torch.arange(height, device=device) + 0.5, torch.arange(width, device=device) + 0.5, indexing="ij"
    )
    at = torch.stack([x, y, torch.ones_like(x)], -1) @ affine.T
    shot_h, shot_w = shot.index.shape
    grid = torch.stack([at[..., 0] / shot_w, at[..., 1] / shot_h], -1)[None] * 2 - 1
    rgb = _linear_on(device)[shot.rgb[None].int()] * shot.peak
    scale = float(np.sqrt(abs(np.linalg.det(view[:, :2]))))
    while scale > 1.5:  # average before thinning out, as a camera does
        rgb, scale = F.avg_pool2d(rgb, 2, ceil_mode=True), scale / 2
    rgb = F.grid_sample(rgb, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    labels = F.grid_sample((shot.index.float() + 1)[None, None], grid, mode="nearest", align_corners=False)
    index = labels[:, 0].round().long() - 1  # outside: 0 - 1 = IGNORE

    def move(table: Tensor) -> Tensor:
        table = table.clone()
        table[:, :2] = (table[:, :2] - affine[:, 2]) @ inverse.T
        covariance = torch.stack([table[:, 2], table[:, 3], table[:, 3], table[:, 4]], -1).view(-1, 2, 2)
        covariance = inverse @ covariance @ inverse.T
        table[:, 2], table[:, 3], table[:, 4] = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
        return table

    units = move(shot.units)
    # Up is kept with y upward, while the matrix has y downward.
    up = torch.stack([units[:, 5], -units[:, 6]], -1) @ inverse.T
    up = up / up.norm(dim=1, keepdim=True).clamp(min=1e-6)
    units[:, 5], units[:, 6] = up[:, 0], -up[:, 1]
    return Batch(rgb=rgb, index=index, units=units[None], connectors=move(shot.connectors)[None])


def paste(top: Batch, ground: Batch) -> Batch:
    """The units of `top` laid over `ground`, whose own units stay, numbered from MAX_UNITS up."""
    lifted = top.index >= PARTS
    below = torch.where(ground.index >= PARTS, ground.index + PARTS * MAX_UNITS, ground.index)
    return Batch(
        rgb=torch.where(lifted[:, None], top.rgb, ground.rgb),
        index=torch.where(lifted, top.index, below),
        units=torch.cat([top.units, ground.units], 1),
        connectors=torch.cat([top.connectors, ground.connectors], 1),
    )


def _draw_shades(each: int = 16) -> Tensor:
    draw = random.Random(0)
    return torch.tensor([[draw_shade(code, draw) for _ in range(each)] for code in COLOURS])


_SHADES = _draw_shades()  # (codes, shades, 3), linear


def recolour(batch: Batch, share: float = 0.5) -> Batch:
    """For a random `share` of the samples most sockets in another colour, dusty or not, and bodies darker.

    Families that are learned from come again and again with the same colours on the same shell: what the
    colour is must be seen and not remembered. Only what is white, grey or pink is moved: light is never
    invented.
    """
    device, count = batch.index.device, len(batch.index)
    shades, rows = _SHADES.to(device), batch.connectors.shape[1]
    colour_at, body_at = CONNECTOR_COLUMNS.index("colour"), UNIT_COLUMNS.index("body_colour")
    colour = batch.connectors[..., colour_at]
    old = colour.nan_to_num(0.0).long()
    new = torch.randint(len(COLOURS), (count, rows), device=device)
    film = 0.3 * torch.rand(count, rows, 1, device=device) * (torch.rand(count, rows, 1, device=device) < 0.5)
    dust = 0.04 + 0.16 * torch.rand(count, rows, 1, device=device)
    dust = dust * torch.tensor([1.0, 0.88, 0.72], device=device)
    target = shades[new, torch.randint(shades.shape[1], (count, rows), device=device)]
    target = (1 - film) * target + film * dust
    source = shades.mean(1)[old]
    # Gloss is turned with the plastic: it must be the smaller part of the light in every channel.
    allowed = (source.amin(2) > 0.1) & ((target / source).amax(2) < 1.6) & ~colour.isnan()
    drawn = torch.rand(count, 1, device=device) < share
    moved = drawn & allowed & (torch.rand(count, rows, device=device) < 0.7)
    socket_gain = torch.where(moved[..., None], target / source, 1.0)
    units = 2 * MAX_UNITS
    darkened = drawn & (torch.rand(count, units, device=device) < 0.3)
    body_gain = torch.where(darkened, torch.exp(-2.0 * torch.rand(count, units, device=device)), 1.0)
    gains = torch.ones(count, units, PARTS, 3, device=device)
    gains[:, :, 1:13] = socket_gain.view(count, units, 13, 3)[:, :, 1:]
    gains[:, :, (0, PART_MARK)] = body_gain[..., None, None]
    gains[:, 0] = 1.0  # ground and clutter
    connectors, bodies = batch.connectors.clone(), batch.units.clone()
    connectors[..., colour_at] = torch.where(moved, new.float(), colour)
    bodies[..., body_at] = torch.where(darkened, torch.nan, bodies[..., body_at])
    return replace(
        batch, rgb=_times(batch, gains.flatten(1, 2).transpose(1, 2)), units=bodies, connectors=connectors
    )


def tint(batch: Batch, share: float = 0.5) -> Batch:
    """For a random `share` of the samples every socket and body in a colour a little off its own.

    The studio draws shades around a few anchors per colour; other makers' plastics lie between and beside.
    """
    count, device = len(batch.index), batch.index.device
    rows = 2 * MAX_UNITS * PARTS
    gains = (
        torch.randn(count, 3, rows, device=device) * 0.12 + torch.randn(count, 1, rows, device=device) * 0.2
    )
    gains[:, :, :PARTS] = 0.0  # ground and clutter
    part = torch.arange(rows, device=device) % PARTS
    gains[:, :, part >= PART_WIRES] = 0.0
    gains[:, :, part == PART_MARK] = gains[:, :, part == 0]  # letters are cast with the body
    gains *= (torch.rand(count, 1, 1, device=device) < share).float()
    return replace(batch, rgb=_times(batch, gains.exp()))


def _times(batch: Batch, gains: Tensor) -> Tensor:
    """Light (B, 3, H, W) with every part of every unit by its own gains (B, 3, 2 * MAX_UNITS * PARTS)."""
    flat = batch.index.clamp(min=0).view(len(batch.index), 1, -1).expand(-1, 3, -1)
    return batch.rgb * gains.gather(2, flat).view_as(batch.rgb)


def _nothing(like: Batch) -> Batch:
    return Batch(
        torch.zeros_like(like.rgb),
        torch.zeros_like(like.index),
        torch.full_like(like.units, torch.nan),
        torch.full_like(like.connectors, torch.nan),
    )


def draw_batch(shots: list[Shot], count: int, size: tuple[int, int], rng: np.random.Generator) -> Batch:
    """`count` random samples; a few have the units of one shot laid over another."""
    samples = []
    for _ in range(count):
        shot = shots[rng.integers(len(shots))]
        sample = cut(shot, draw_view(shot, size, rng), size)
        if rng.random() < 0.2:
            other = shots[rng.integers(len(shots))]
            sample = paste(sample, cut(other, draw_view(other, size, rng), size))
        else:
            empty = _nothing(sample)
            sample = Batch(
                sample.rgb,
                sample.index,
                torch.cat([sample.units, empty.units], 1),
                torch.cat([sample.connectors, empty.connectors], 1),
            )
        samples.append(sample)
    names = ("rgb", "index", "units", "connectors")
    return tint(recolour(Batch(*(torch.cat([getattr(s, name) for s in samples]) for name in names))))


def on_other_ground(batch: Batch, grounds: Tensor, share: float, rng: np.random.Generator) -> Batch:
    """A random `share` of the samples with `grounds` (B, 3, H, W) under their units; a fifth left empty."""
    count = len(batch.index)
    drawn = rng.random(count)
    device = batch.index.device
    moved = torch.from_numpy(drawn < share).to(device)[:, None, None]
    emptied = torch.from_numpy(drawn < share / 5).to(device)[:, None, None]
    replaced = moved & ((batch.index < PARTS) | emptied)
    # Grounds are drawn at a usual brightness; the sample's own light may be another.
    own, theirs = (rgb.mean((1, 2, 3), keepdim=True) for rgb in (batch.rgb, grounds))
    lit = grounds * (own / theirs.clamp(min=1e-4))  # a part of a photo can be black throughout
    return Batch(
        rgb=torch.where(replaced[:, None], lit, batch.rgb),
        index=torch.where(replaced, torch.zeros_like(batch.index), batch.index),
        units=batch.units,
        connectors=batch.connectors,
    )
