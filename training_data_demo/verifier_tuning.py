"""Tune a network that tells pictures from one another: moved, turned, lit and blurred otherwise each time.

Batch statistics stay those of ImageNet: patches of a few hundred photographs would spoil them. What is kept
is the moving average of the weights.
"""

import copy
import math

import numpy as np
import torch
import torch.nn.functional as F
from plugface.demo.moving_average import follow
from torch import Tensor, nn

#: What a yes and a no are worth: nobody annotates without fault (Szegedy et al., CVPR 2016).
_SMOOTH = 0.03
_WEIGHT_DECAY, _MAX_GRADIENT, _HEAD_SHARE, _RISE = 0.02, 2.0, 0.3, 0.06


def tune(
    network: nn.Module,
    rgb: Tensor,
    truth: Tensor,
    weight: Tensor,
    *,
    epochs: float,
    rate: float,
    batch: int,
    context: float,
    side_px: int,
) -> None:
    """Tune all weights of a network in place, on the device where it lies.

    Parameters
    ----------
    network : Module
        RGB 0..255 (B, 3, side_px, side_px) to logits (B, Q); its last layer is `head`.
    rgb : uint8 (N, 3, side, side)
    truth : (N, Q), NaN where it is not known
    weight : (N, Q), what each counts for
    epochs : passes over all
    rate : highest step size
    batch : pictures a step
    context : share of a picture's side that the network sees
    side_px : side of the network's picture
    """
    device = next(network.parameters()).device
    rgb, truth = rgb.to(device), truth.to(device)
    weight = (weight / weight.mean(0).clamp(min=1e-9)).to(device)
    averaged = copy.deepcopy(network).eval()
    network = network.to(memory_format=torch.channels_last).eval()
    head = list(network.head.parameters())
    rest = [value for name, value in network.named_parameters() if not name.startswith("head.")]
    optimiser = torch.optim.AdamW(
        [{"params": rest, "share": 1.0}, {"params": head, "share": _HEAD_SHARE}],
        lr=rate,
        weight_decay=_WEIGHT_DECAY,
    )
    steps = max(1, round(epochs * len(rgb) / batch))
    order = torch.cat([torch.randperm(len(rgb)) for _ in range(math.ceil(epochs) + 1)])
    for step in range(steps):
        shape = min(1.0, (step + 1) / (_RISE * steps)) * (0.5 + 0.5 * math.cos(math.pi * step / steps))
        for group in optimiser.param_groups:
            group["lr"] = rate * group["share"] * shape
        part = order[step * batch : (step + 1) * batch].to(device)
        picture = disturb(rgb[part], context, side_px).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            said = network(picture)
        want = truth[part].nan_to_num(0.0) * (1 - 2 * _SMOOTH) + _SMOOTH
        error = F.binary_cross_entropy_with_logits(said.float(), want, reduction="none")
        optimiser.zero_grad(set_to_none=True)
        (error * weight[part]).mean().backward()
        nn.utils.clip_grad_norm_(network.parameters(), _MAX_GRADIENT)
        optimiser.step()
        follow(averaged, network, step)
    network.load_state_dict(averaged.state_dict())


def disturb(rgb: Tensor, context: float, side_px: int) -> Tensor:
    """Pictures (B, 3, side_px, side_px), 0..255, of uint8 (B, 3, side, side), each seen otherwise.

    Parameters
    ----------
    context : share of a picture's side that is shown undisturbed
    """
    n, device = len(rgb), rgb.device

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(n, device=device) * (high - low) + low

    def sometimes(share: float) -> Tensor:
        return torch.rand(n, device=device) < share

    def each(values: Tensor) -> Tensor:
        return values.view(-1, 1, 1, 1)

    size, slim = context * uniform(-0.16, 0.2).exp(), uniform(-0.1, 0.1).exp()
    turn = uniform(-0.12, 0.12) + sometimes(0.08) * math.pi
    mirror = torch.where(sometimes(0.5), -1.0, 1.0)
    right = torch.stack([turn.cos(), turn.sin()], 1) * (size * slim * mirror)[:, None]
    down = torch.stack([-turn.sin(), turn.cos()], 1) * (size / slim)[:, None]
    shift = torch.stack([uniform(-0.09, 0.09), uniform(-0.09, 0.09)], 1)
    grid = F.affine_grid(torch.stack([right, down, shift], 2), (n, 3, side_px, side_px), align_corners=False)
    x = F.grid_sample(rgb.float() / 255, grid, padding_mode="border", align_corners=False)
    x = x.clamp(1e-4, 1) ** each(uniform(-0.5, 0.5).exp())
    x = x * (torch.randn(n, 3, 1, 1, device=device) * 0.12).exp() * each(uniform(-0.25, 0.25).exp())
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * each(
        torch.where(sometimes(0.08), torch.zeros(n, device=device), uniform(0.3, 1.5))
    )
    mean = x.mean((1, 2, 3), keepdim=True)
    x = mean + (x - mean) * each(uniform(0.7, 1.35))
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
