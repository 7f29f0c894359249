"""Tune the verifier: each patch outlined, moved, turned, dyed, lit and blurred otherwise each time.

Batch statistics stay those of ImageNet: patches of a few hundred photographs would spoil them. What is kept
is the moving average of the weights.
"""

import copy
import math
import random
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from plugface.demo.moving_average import follow
from plugface.demo.verifier_draws import Place, draw, draw_dye
from torch import Tensor, nn

#: What a yes and a no are worth: nobody annotates without fault (Szegedy et al., CVPR 2016).
_SMOOTH = 0.03
_WEIGHT_DECAY, _MAX_GRADIENT, _HEAD_SHARE, _RISE = 0.02, 2.0, 0.3, 0.06
#: What the plug's place and its colour count for beside the questions. Our choice.
_PLACE_WEIGHT, _COLOUR_WEIGHT = 0.5, 0.3
#: Share of the looks whose colours are changed little: they alone are asked for the colour. Our choice.
_CALM, _CALMNESS = 0.5, 0.25


@dataclass(frozen=True)
class Known:
    """N patches with what is known of them."""

    rgb: Tensor  # uint8 (N, 3, side, side)
    truth: Tensor  # (N, 2), that it is a plug, a unit; NaN where it is not known
    weight: Tensor  # (N, 2), what each counts for
    places: list[Place]
    colours: tuple[str, ...]  # that the network tells
    far_off: float  # share of the looks that are


@dataclass(frozen=True)
class _Step:
    """What one step learns from."""

    part: Tensor  # int (B,)
    affine: Tensor  # (B, 2, 3)
    want: Tensor  # (B, 2)
    box: Tensor  # (B, 5)
    colour: Tensor  # int (B,), -1 where there is none
    plastic: Tensor  # uint8 (B, 1, side, side), 255 where a plug is dyed
    gain: Tensor  # (B, 3), of its light


def tune(network: nn.Module, known: Known, *, epochs: float, rate: float, batch: int, side_px: int) -> None:
    """Tune all weights of a network in place, on the device where it lies.

    Parameters
    ----------
    network : Module
        RGB 0..255 (B, 3, side_px, side_px) to logits (B, 2), place (B, 5), colour (B, n); fitted already is
        the layer `head`.
    known : Known
    epochs : passes over all
    rate : highest step size
    batch : patches a step
    side_px : side of the network's picture
    """
    device = next(network.parameters()).device
    rgb = known.rgb.to(device)
    weight = (known.weight / known.weight.mean(0).clamp(min=1e-9)).to(device)
    averaged = copy.deepcopy(network).eval()
    network = network.to(memory_format=torch.channels_last).eval()
    fitted = list(network.head.parameters())
    rest = [value for name, value in network.named_parameters() if not name.startswith("head.")]
    optimiser = torch.optim.AdamW(
        [{"params": rest, "share": 1.0}, {"params": fitted, "share": _HEAD_SHARE}],
        lr=rate,
        weight_decay=_WEIGHT_DECAY,
    )
    steps = max(1, round(epochs * len(rgb) / batch))
    for step, drawn in enumerate(_ahead(_draw_steps(known, steps, batch, side_px))):
        shape = min(1.0, (step + 1) / (_RISE * steps)) * (0.5 + 0.5 * math.cos(math.pi * step / steps))
        for group in optimiser.param_groups:
            group["lr"] = rate * group["share"] * shape
        calm = torch.rand(len(drawn.part), device=device) < _CALM
        part = drawn.part.to(device)
        seen = show(rgb[part], drawn.affine.to(device), side_px)
        picture = disturb(dye(seen, drawn.plastic.to(device), drawn.gain.to(device)), calm)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits, place, colour = network(picture.contiguous(memory_format=torch.channels_last))
        error = _error(logits, drawn.want.to(device), weight[part])
        box, code = drawn.box.to(device), drawn.colour.to(device)
        if (placed := box.isfinite().all(1)).any():
            error = error + _PLACE_WEIGHT * F.smooth_l1_loss(place[placed].float(), box[placed])
        if (coloured := (code >= 0) & calm).any():
            error = error + _COLOUR_WEIGHT * F.cross_entropy(
                colour[coloured].float(), code[coloured], label_smoothing=_SMOOTH
            )
        optimiser.zero_grad(set_to_none=True)
        error.backward()
        nn.utils.clip_grad_norm_(network.parameters(), _MAX_GRADIENT)
        optimiser.step()
        follow(averaged, network, step)
    network.load_state_dict(averaged.state_dict())


def _error(logits: Tensor, want: Tensor, weight: Tensor) -> Tensor:
    known = want.isfinite()
    smooth = want.nan_to_num(0.0) * (1 - 2 * _SMOOTH) + _SMOOTH
    error = F.binary_cross_entropy_with_logits(logits.float(), smooth, reduction="none")
    return (error * weight * known).mean()


def _draw_steps(known: Known, steps: int, batch: int, side_px: int) -> Iterator[_Step]:
    """Looks of one step after another, all patches in each pass."""
    n, rng = len(known.places), np.random.default_rng(torch.randint(2**31, ()).item())
    shades = random.Random(int(rng.integers(2**31)))
    order = np.concatenate([rng.permutation(n) for _ in range(math.ceil(steps * batch / n))])
    for step in range(steps):
        part = order[step * batch : (step + 1) * batch]
        draws = [draw(known.places[at], rng, far_off=known.far_off) for at in part]
        want = known.truth[part].clone()
        plug = torch.tensor([drawn.plug for drawn in draws])
        asked = known.weight[part, 0] > 0
        want[:, 0] = torch.where(asked, plug, want[:, 0])
        want[[drawn.far_off for drawn in draws], 1] = math.nan
        dyes = [draw_dye(drawn, shades) for drawn in draws]
        worn = [d.colour if dyed is None else dyed[0] for d, dyed in zip(draws, dyes, strict=True)]
        codes = [known.colours.index(code) if code in known.colours else -1 for code in worn]
        plastic = np.zeros((len(draws), 1, side_px, side_px), np.uint8)
        gain = np.ones((len(draws), 3), np.float32)
        for at, dyed in enumerate(dyes):
            if dyed is not None:
                corners = np.round((draws[at].outline + 0.5) * side_px).astype(np.int32)
                cv2.fillConvexPoly(plastic[at, 0], cv2.convexHull(corners), 255)
                gain[at] = dyed[1]
        yield _Step(
            torch.from_numpy(part),
            torch.from_numpy(np.stack([drawn.affine for drawn in draws])),
            want.float(),
            torch.from_numpy(np.stack([drawn.box for drawn in draws])).float(),
            torch.tensor(codes),
            torch.from_numpy(plastic),
            torch.from_numpy(gain),
        )


def dye(x: Tensor, plastic: Tensor, gain: Tensor) -> Tensor:
    """Pictures (B, 3, side, side), 0 to 1, sRGB, with the light of some plastic multiplied.

    Parameters
    ----------
    plastic : uint8 (B, 1, side, side), 255 where it is
    gain : (B, 3), of linear light; sRGB is taken for a power of 2.2
    """
    soft = F.avg_pool2d(F.pad(plastic.float() / 255, (1, 1, 1, 1), mode="replicate"), 3, stride=1)
    dyed = (x * gain.clamp(min=1e-4).pow(1 / 2.2).view(-1, 3, 1, 1)).clamp(max=1)
    return x + (dyed - x) * soft


def _ahead(steps: Iterator[_Step]) -> Iterator[_Step]:
    """The same, the next always drawn beside the work on this one."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, steps, None)
        while (step := coming.result()) is not None:
            coming = pool.submit(next, steps, None)
            yield step


def show(rgb: Tensor, affine: Tensor, side_px: int) -> Tensor:
    """Parts of pictures uint8 (B, 3, side, side), 0 to 1, shape (B, 3, side_px, side_px).

    Parameters
    ----------
    affine : (B, 2, 3), from the part to the picture, each from -1 to 1
    """
    size = (len(rgb), 3, side_px, side_px)
    grid = F.affine_grid(affine.float(), size, align_corners=False)
    return F.grid_sample(rgb.float() / 255, grid, padding_mode="border", align_corners=False)


def disturb(x: Tensor, calm: Tensor) -> Tensor:
    """Pictures (B, 3, side, side), 0 to 1, each in other light and focus; in 0..255.

    Parameters
    ----------
    calm : bool (B,), of which the colours are changed little
    """
    n, side_px, device = len(x), x.shape[-1], x.device
    much = torch.where(calm, _CALMNESS, 1.0)

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(n, device=device) * (high - low) + low

    def sometimes(share: float) -> Tensor:
        return torch.rand(n, device=device) < share

    def each(values: Tensor) -> Tensor:
        return values.view(-1, 1, 1, 1)

    x = x.clamp(1e-4, 1) ** each((uniform(-0.5, 0.5) * much).exp())
    tint = torch.randn(n, 3, 1, 1, device=device) * 0.12
    x = x * (tint * each(much)).exp() * each((uniform(-0.25, 0.25) * much).exp())
    grey = x.mean(1, keepdim=True)
    saturation = torch.where(sometimes(0.08) & ~calm, 0.0, 1 + uniform(-0.7, 0.5) * much)
    x = grey + (x - grey) * each(saturation)
    mean = x.mean((1, 2, 3), keepdim=True)
    x = mean + (x - mean) * each(1 + uniform(-0.3, 0.35) * much)
    coarse = sometimes(0.35)
    if coarse.any():
        low_px = int(side_px * np.random.uniform(0.22, 0.7))
        small = F.interpolate(x[coarse], size=(low_px, low_px), mode="area")
        x[coarse] = F.interpolate(small, size=(side_px, side_px), mode="bilinear", align_corners=False)
    x = x + torch.randn_like(x) * each(uniform(0, 1) ** 3 * 0.08)
    for at in sometimes(0.25).nonzero()[:, 0].tolist():
        height, width = np.random.randint(side_px // 10, side_px // 3, 2)
        top, left = np.random.randint(0, side_px - height), np.random.randint(0, side_px - width)
        x[at, :, top : top + height, left : left + width] = torch.rand(3, 1, 1, device=device)
    return x.clamp(0, 1) * 255
