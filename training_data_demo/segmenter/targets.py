"""What the network should say about a sample, how far it is off, and figures a person can read."""

import torch
import torch.nn.functional as F
from plugface.demo.segmenter.network import COARSE, CONNECTOR_SCALE, FINE, UNIT_SCALE
from plugface.demo.segmenter.shots import (
    CONNECTOR_COLUMNS,
    IGNORE,
    LURE_BESIDE,
    MAX_UNITS,
    PART_BODY,
    PART_DOUBT,
    PART_LABEL,
    PART_LURE,
    PART_MARK,
    PART_WIRES,
    PARTS,
    REAL_GROUND,
    UNIT_COLUMNS,
    Batch,
)
from torch import Tensor

UNIT = {name: i for i, name in enumerate(UNIT_COLUMNS)}
CONNECTOR = {name: i for i, name in enumerate(CONNECTOR_COLUMNS)}
#: How much more a pixel of each mask counts than one beside it: rare ones were learned late without.
RARE = (1.0, 2.0, 3.0, 2.0)
#: How much more what is no plug counts: what looks like one, and anything else in a real photograph. A label
#: called a plug is the worst error there is.
LURE_WEIGHT, REAL_WEIGHT = 4.0, 1.5
#: The same for a stump beside a whole housing: one in fifteen.
RARE_STUMP = 4.0
#: Pixels at half size: smaller things count no more for it.
_LEAST_EVENED = 25
#: Weight of each coarse head. Chosen by importance to the job and by how small
#: the loss is in itself, not searched for.
WEIGHTS = {
    "face": 0.3,
    "axis": 0.5,
    "unit": 3.0,
    "connector": 2.0,
    "mated": 0.2,
    "colour": 2.5,
    "size": 0.3,
    "fins": 0.1,
    "body_colour": 0.1,
    "broken": 0.8,
}


def split_coarse(coarse: Tensor) -> dict[str, Tensor]:
    """Name the channels of the coarse output, shape (B, channels, h, w) each."""
    return dict(zip(COARSE, coarse.split(list(COARSE.values()), 1), strict=True))


def _parts(index: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Unit number, part, whether it is a unit's pixel, whether it is a connector's."""
    unit, part = index.clamp(min=0) // PARTS, index.clamp(min=0) % PARTS
    on_unit = (unit > 0) & (part != PART_WIRES)
    return unit, part, on_unit, on_unit & (part >= 1) & (part < PART_WIRES)


def fine_targets(index: Tensor) -> Tensor:
    """Masks in the order of FINE, float (B, 4, H / 2, W / 2)."""
    _, part, on_unit, on_connector = _parts(index[:, 1::2, 1::2])
    masks = {"unit": on_unit, "connector": on_connector}
    masks |= {"mark": on_unit & (part == PART_MARK), "label": on_unit & (part == PART_LABEL)}
    return torch.stack([masks[name] for name in FINE], 1).float()


def _known(batch: Batch, seen: Tensor) -> Tensor:
    """How much each pixel of each mask counts, float (B, 4, H / 2, W / 2); nought where it is not known.

    Parameters
    ----------
    seen : bool (B, H, W), pixels of which something is known at all
    """
    index = batch.index[:, 1::2, 1::2]
    unit, part, on_unit, _ = _parts(index)
    # A plug that lies by itself, or whose unit a person could not outline, has a unit of no known shape.
    outlined = ~_look_up(batch.units[..., :1], unit)[:, 0].isnan() | (unit == 0)
    written = ~((unit > 0) & ((part == PART_DOUBT) | (part == PART_LURE) | (part == PART_BODY)))
    plug = (part != PART_DOUBT).float()
    real = (index == REAL_GROUND) | (on_unit & (part == PART_BODY))
    lure = (index == LURE_BESIDE) | (on_unit & (part == PART_LURE))
    plug = torch.where(real, plug * REAL_WEIGHT, torch.where(lure, plug * LURE_WEIGHT, plug))
    weights = {"unit": outlined, "connector": plug, "mark": written, "label": written}
    return torch.stack([weights[name].float() for name in FINE], 1) * seen[:, None, 1::2, 1::2]


def _look_up(table: Tensor, row: Tensor) -> Tensor:
    """Rows of table (B, rows, columns) for row numbers (B, h, w): (B, columns, h, w)."""
    b, h, w = row.shape
    flat = row.view(b, -1, 1).expand(-1, -1, table.shape[2])
    return table.gather(1, flat).view(b, h, w, -1).permute(0, 3, 1, 2)


def _instance_weights(row: Tensor, on: Tensor, rows: int, power: float = 0.5, least: int = 1) -> Tensor:
    """Weights by which an instance's pixels count with its size to the power of minus `power`; mean 1 over
    `on`. One of fewer than `least` pixels counts as one of so many."""
    b = row.shape[0]
    key = row + torch.arange(b, device=row.device).view(-1, 1, 1) * rows
    counts = torch.bincount(key[on], minlength=b * rows).clamp(min=least)
    weights = counts[key].float() ** -power * on
    return weights * (on.sum() / weights.sum().clamp(min=1e-6))


def _shape_target(values: Tensor, x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Offset to the centre and square root of the covariance (B, 5, h, w), and the extent in pixels (B, 1,
    h, w)."""
    cx, cy, xx, xy, yy = values[:, :5].unbind(1)
    root = (xx * yy - xy**2).clamp(min=0).sqrt()  # closed form of a 2 x 2 square root (Cayley-Hamilton)
    trace = (xx + yy + 2 * root).clamp(min=1e-3).sqrt()
    target = torch.stack([cx - x, cy - y, (xx + root) / trace, xy / trace, (yy + root) / trace], 1)
    return target, (xx + yy).clamp(min=1).sqrt()[:, None]


def _axis(units: Tensor) -> Tensor:
    """Cosine and sine of twice the angle of up, (B, 2, h, w).

    Which way along the axis is up was not learned in any training: on a family that was never seen nothing
    but text tells it, and the mean of two opposite directions is nought.
    """
    x, y = units[:, UNIT["up_x"]], units[:, UNIT["up_y"]]
    return torch.stack([x**2 - y**2, 2 * x * y], 1)


def _evened(batch: Batch, known: Tensor, power: float) -> Tensor:
    """How much pixels count, `known`, with those of small units and plugs counting more; their sum stays."""
    unit, part, on_unit, on_connector = _parts(batch.index[:, 1::2, 1::2])
    known = known.clone()
    rows = {"unit": (unit, on_unit, 2 * MAX_UNITS)}
    rows["connector"] = (unit * 13 + part.clamp(max=12), on_connector, 2 * MAX_UNITS * 13)
    for name, (row, on, most) in rows.items():
        weights = _instance_weights(row, on, most, power, _LEAST_EVENED)
        known[:, FINE.index(name)] *= torch.where(on, weights, torch.ones_like(weights))
    return known


def loss(
    fine: Tensor, coarse: Tensor, batch: Batch, hidden: Tensor, even: float = 0.0
) -> tuple[Tensor, dict[str, Tensor]]:
    """Weighted sum of all losses, and each by name.

    Parameters
    ----------
    fine, coarse : the network's outputs
    hidden : bool (B, H, W), pixels that were covered and count for no mask
    even : a pixel of a unit's or plug's mask counts with the thing's size to the power of minus this. Where
        that is more than nought, each sample's overlap counts alike too: over a whole batch a plug of a
        twentieth of the frame had one part in a hundred of the say of one that fills half of it
    """
    terms = {}
    seen = (batch.index != IGNORE) & ~hidden
    want, known = fine_targets(batch.index), _known(batch, seen)
    if even:
        known = _evened(batch, known, even)
    rare = torch.tensor(RARE, device=fine.device).view(1, -1, 1, 1)
    entropy = F.binary_cross_entropy_with_logits(fine, want, pos_weight=rare, reduction="none")
    chance = fine.sigmoid()
    for i, name in enumerate(FINE):
        counts = known[:, i]
        over = (1, 2) if even and name in ("unit", "connector") else (0, 1, 2)
        overlap = (chance[:, i] * want[:, i] * counts).sum(over)
        dice = 1 - (2 * overlap + 1) / (((chance[:, i] + want[:, i]) * counts).sum(over) + 1)
        terms[f"mask {name}"] = 3 * (entropy[:, i] * counts).sum() / counts.sum().clamp(min=1) + dice.mean()

    index = batch.index[:, 2::4, 2::4]
    unit, part, on_unit, on_connector = _parts(index)
    visible = seen[:, 2::4, 2::4]
    on_unit, on_connector = on_unit & visible, on_connector & visible
    said = split_coarse(coarse)
    h, w = index.shape[1:]
    x = (torch.arange(w, device=index.device) * 4 + 2.5).view(1, 1, w)
    y = (torch.arange(h, device=index.device) * 4 + 2.5).view(1, h, 1)

    units, unit_weight = _look_up(batch.units, unit), _instance_weights(unit, on_unit, 2 * MAX_UNITS)
    row = unit * 13 + part.clamp(max=12)
    connectors = _look_up(batch.connectors, row)
    connector_weight = _instance_weights(row, on_connector, 2 * MAX_UNITS * 13)

    def mean(error: Tensor, weight: Tensor, truth: Tensor) -> Tensor:
        """Mean over pixels whose truth is known. Unknown truth is NaN and must not reach `error`: a
        gradient of
        nought times NaN is NaN."""
        weight = weight * ~truth.isnan()
        return (error * weight).sum() / weight.sum().clamp(min=1)

    def shape(name: str, values: Tensor, scale: float, weight: Tensor) -> None:
        target, extent = _shape_target(values.nan_to_num(0.0), x, y)
        error = F.smooth_l1_loss(
            said[name] * scale / extent, target / extent, beta=0.1, reduction="none"
        ).mean(1)
        terms[name] = mean(error, weight, values[:, :5].sum(1))

    shape("unit", units, UNIT_SCALE, unit_weight)
    shape("connector", connectors, CONNECTOR_SCALE, connector_weight)
    axis = _axis(units)
    terms["axis"] = mean(((said["axis"] - axis.nan_to_num(0.0)) ** 2).sum(1), unit_weight, axis.sum(1))

    def yes_no(name: str, truth: Tensor, weight: Tensor, rare: float = 1.0) -> None:
        error = F.binary_cross_entropy_with_logits(
            said[name][:, 0], truth.nan_to_num(0.0), reduction="none", pos_weight=said[name].new_tensor(rare)
        )
        terms[name] = mean(error, weight, truth)

    def choice(name: str, truth: Tensor, weight: Tensor) -> None:
        error = F.cross_entropy(said[name], truth.nan_to_num(0.0).long(), reduction="none")
        terms[name] = mean(error, weight, truth)

    yes_no("face", units[:, UNIT["face"]], unit_weight)
    yes_no("mated", connectors[:, CONNECTOR["mated"]], connector_weight)
    yes_no("broken", connectors[:, CONNECTOR["broken"]], connector_weight, RARE_STUMP)
    choice("colour", connectors[:, CONNECTOR["colour"]], connector_weight)
    choice("size", connectors[:, CONNECTOR["size"]], connector_weight)
    choice("fins", units[:, UNIT["fins"]], unit_weight)
    body_weight = unit_weight * (part == 0)
    choice("body_colour", units[:, UNIT["body_colour"]], body_weight)
    total = sum(value * WEIGHTS.get(name, 1.0) for name, value in terms.items())
    return total, {name: value.detach() for name, value in terms.items()}


class Figures:
    """Sums over held-back samples, and the figures they give."""

    def __init__(self) -> None:
        self.sums: dict[str, float] = {}

    def _add(self, name: str, value: Tensor) -> None:
        self.sums[name] = self.sums.get(name, 0.0) + float(value)

    def add(self, fine: Tensor, coarse: Tensor, batch: Batch) -> None:
        """Count one batch of outputs against its truth."""
        known = batch.index[:, 1::2, 1::2] != IGNORE
        for i, name in enumerate(FINE):
            want = fine_targets(batch.index)[:, i].bool() & known
            found = (fine[:, i] > 0) & known
            self._add(f"{name} and", (want & found).sum())
            self._add(f"{name} or", (want | found).sum())
        unit, part, on_unit, on_connector = _parts(batch.index[:, 2::4, 2::4])
        said = split_coarse(coarse)
        units, connectors = (
            _look_up(batch.units, unit),
            _look_up(batch.connectors, unit * 13 + part.clamp(max=12)),
        )

        axis = said["axis"] / said["axis"].norm(dim=1, keepdim=True).clamp(min=1e-6)
        cosine = (axis * _axis(units)).sum(1)  # of twice the angle between
        good = on_unit & ~cosine.isnan()
        self._add("axis n", good.sum())
        self._add("axis within 10 deg", (good & (cosine > 0.94)).sum())
        self._add("axis across", (good & (cosine < 0)).sum())
        broken = connectors[:, CONNECTOR["broken"]]  # rare: what share of each kind is told
        for name, head, truth, on in (
            ("face", "face", units[:, UNIT["face"]], on_unit),
            ("mated", "mated", connectors[:, CONNECTOR["mated"]], on_connector),
            ("stump", "broken", broken, on_connector & (broken > 0.5)),
            ("whole", "broken", broken, on_connector & (broken < 0.5)),
        ):
            good = on & ~truth.isnan()
            self._add(f"{name} n", good.sum())
            self._add(f"{name} right", (good & ((said[head][:, 0] > 0) == (truth > 0.5))).sum())
        for name, truth, on in (
            ("colour", connectors[:, CONNECTOR["colour"]], on_connector),
            ("size", connectors[:, CONNECTOR["size"]], on_connector),
            ("fins", units[:, UNIT["fins"]], on_unit),
            ("body_colour", units[:, UNIT["body_colour"]], on_unit & (part == 0)),
        ):
            good = on & ~truth.isnan()
            self._add(f"{name} n", good.sum())
            self._add(f"{name} right", (good & (said[name].argmax(1) == truth.nan_to_num(-1).long())).sum())
        h, w = unit.shape[1:]
        x = (torch.arange(w, device=unit.device) * 4 + 2.5).view(1, 1, w)
        y = (torch.arange(h, device=unit.device) * 4 + 2.5).view(1, h, 1)
        for name, values, scale, on in (
            ("unit", units, UNIT_SCALE, on_unit),
            ("connector", connectors, CONNECTOR_SCALE, on_connector),
        ):
            target, extent = _shape_target(values, x, y)
            error = ((said[name] * scale - target)[:, :2].norm(dim=1) / extent[:, 0]).nan_to_num(0.0)
            self._add(f"{name} centre n", on.sum())
            self._add(f"{name} centre error", (error * on).sum())

    def read(self) -> dict[str, float]:
        """Pixel figures: IoU of masks, shares right, centre error in parts of the instance's extent."""
        s = self.sums
        figures = {f"{name} IoU": s[f"{name} and"] / max(1.0, s[f"{name} or"]) for name in FINE}
        for name in ("face", "mated", "colour", "size", "fins", "body_colour"):
            figures[f"{name} right"] = s[f"{name} right"] / max(1.0, s[f"{name} n"])
        for kind in ("stump", "whole"):
            figures[f"{kind} told"] = s[f"{kind} right"] / max(1.0, s[f"{kind} n"])
        figures["axis within 10 deg"] = s["axis within 10 deg"] / max(1.0, s["axis n"])
        figures["axis across"] = s["axis across"] / max(1.0, s["axis n"])
        for name in ("unit", "connector"):
            figures[f"{name} centre error"] = s[f"{name} centre error"] / max(1.0, s[f"{name} centre n"])
        return figures
