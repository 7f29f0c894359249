"""The shipped network taken up again: weights out of an ONNX file, whose normalisations were folded away.

The exporter multiplies a batch normalisation into the convolution before it. To train on, each is put back
with the mean and variance that its input has over samples, so that the network says the same as before and
its batch statistics are right as well.
"""

from pathlib import Path

import numpy as np
import torch
from plugface.demo.segmenter.network import Segmenter
from torch import Tensor, nn


def _convolutions(network: Segmenter) -> list[tuple[str, nn.Conv2d, nn.BatchNorm2d | None]]:
    """Convolutions in the order in which the network runs them, each with the normalisation behind it."""
    order: list[tuple[str, nn.Module]] = []
    names = {module: name for name, module in network.named_modules()}
    hooks = [
        module.register_forward_hook(lambda m, i, o: order.append((names[m], m)))
        for module in network.modules()
        if isinstance(module, nn.Conv2d | nn.BatchNorm2d)
    ]
    was_training = network.training
    network.eval()
    with torch.no_grad():
        network(torch.zeros(1, 3, 64, 64))
    for hook in hooks:
        hook.remove()
    network.train(was_training)
    found = []
    for k, (name, module) in enumerate(order):
        if isinstance(module, nn.Conv2d):
            after = order[k + 1][1] if k + 1 < len(order) else None
            found.append((name, module, after if isinstance(after, nn.BatchNorm2d) else None))
    return found


@torch.no_grad()
def load_folded(network: Segmenter, path: Path) -> None:
    """Fill the network so that, outside training, it says what the ONNX file says.

    Raises
    ------
    ValueError
        If the file's convolutions are not this network's.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    arrays = {item.name: numpy_helper.to_array(item) for item in graph.initializer}
    given = [node for node in graph.node if node.op_type == "Conv"]
    wanted = _convolutions(network)
    if len(given) != len(wanted):
        raise ValueError(f"{path} has {len(given)} convolutions, expected {len(wanted)}")
    for node, (name, convolution, norm) in zip(given, wanted, strict=True):
        weight = arrays[node.input[1]]
        bias = arrays[node.input[2]] if len(node.input) > 2 else np.zeros(len(weight), np.float32)
        if weight.shape != tuple(convolution.weight.shape):
            raise ValueError(f"{path}: {name} has shape {weight.shape}, expected {convolution.weight.shape}")
        convolution.weight.copy_(torch.from_numpy(weight.copy()))
        if norm is None:
            convolution.bias.copy_(torch.from_numpy(bias.copy()))
            continue
        # Each channel's weights of length 1: a step of the optimiser is then as large for one layer as for
        # another, as it was before they were multiplied.
        length = convolution.weight.flatten(1).norm(dim=1).clamp(min=1e-4)
        convolution.weight.div_(length.view(-1, 1, 1, 1))
        norm.running_mean.zero_()
        norm.running_var.copy_(1 / length**2)
        norm.weight.copy_(length * (norm.running_var + norm.eps).sqrt())
        norm.bias.copy_(torch.from_numpy(bias.copy()))


@torch.no_grad()
def restore_statistics(network: Segmenter, batches: list[Tensor]) -> None:
    """Give each normalisation the statistics of its input over batches (B, 3, H, W), saying the same."""
    norms = [module for module in network.modules() if isinstance(module, nn.BatchNorm2d)]
    sums = {norm: [0, 0.0, 0.0] for norm in norms}

    def note(norm: nn.BatchNorm2d, inputs: tuple[Tensor], _output: Tensor) -> None:
        x = inputs[0].double()
        held = sums[norm]
        held[0] += x.numel() // x.shape[1]
        held[1] = held[1] + x.sum((0, 2, 3))
        held[2] = held[2] + (x**2).sum((0, 2, 3))

    hooks = [norm.register_forward_hook(note) for norm in norms]
    was_training = network.training
    network.eval()
    for batch in batches:
        network(batch)
    for hook in hooks:
        hook.remove()
    network.train(was_training)
    for norm, (count, total, squares) in sums.items():
        # What it does now, as a factor and an offset, written anew about the mean and variance seen.
        factor = norm.weight / (norm.running_var + norm.eps).sqrt()
        offset = norm.bias - factor * norm.running_mean
        mean, power = total / count, squares / count
        variance = (power - mean**2).clamp(min=1e-8)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)
        norm.weight.copy_(factor * (norm.running_var + norm.eps).sqrt())
        norm.bias.copy_(offset + factor * norm.running_mean)
