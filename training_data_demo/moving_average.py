"""The moving average of a network's weights, which both trainings ship."""

import torch
from torch import nn


@torch.no_grad()
def follow(averaged: nn.Module, network: nn.Module, step: int) -> None:
    """Draw the average of weights and of batch statistics a little towards the network's.

    The share of the old falls on early steps, so that the random start is soon forgotten.
    """
    decay = min(0.998, (1 + step) / (10 + step))
    for kept, new in zip(averaged.state_dict().values(), network.state_dict().values(), strict=True):
        if kept.dtype.is_floating_point:
            kept.lerp_(new, 1 - decay)
        else:
            kept.copy_(new)
