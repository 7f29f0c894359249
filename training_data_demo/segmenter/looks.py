"""One look taught by four: what a teacher says of a picture seen in four ways, and how far one look is off.

The averaged weights are the teacher (Tarvainen & Valpola, NeurIPS 2017); what they say of a picture, of its
mirror image and of both with rows and columns exchanged is brought back to the picture and averaged.
"""

import torch
import torch.nn.functional as F
from plugface.demo.segmenter.network import COARSE, CONNECTOR_SCALE, UNIT_SCALE
from plugface.demo.segmenter.targets import split_coarse
from torch import Tensor, nn

_SCALES = {"unit": UNIT_SCALE, "connector": CONNECTOR_SCALE}
_CHOICES = ("colour", "size", "fins", "body_colour")
_YES_NO = ("face", "mated", "broken")


def _mirrored(coarse: Tensor) -> Tensor:
    """Left for right in all vectors of the coarse output, which is turned already."""
    said = {name: part.clone() for name, part in split_coarse(coarse).items()}
    said["axis"][:, 1] *= -1
    for name, scale in _SCALES.items():
        # A cell tells of a point one pixel off its middle, so on the other side in the mirror.
        said[name][:, 0] = -said[name][:, 0] - 1 / scale
        said[name][:, 3] *= -1
    return torch.cat([said[name] for name in COARSE], 1)


def _exchanged(coarse: Tensor) -> Tensor:
    """Across for down in all vectors."""
    said = split_coarse(coarse)
    said["axis"] = said["axis"] * said["axis"].new_tensor([-1.0, 1.0]).view(1, 2, 1, 1)
    for name in _SCALES:
        said[name] = said[name][:, [1, 0, 4, 3, 2]]
    return torch.cat([said[name] for name in COARSE], 1)


@torch.no_grad()
def answer_in_four_ways(teacher: nn.Module, pictures: Tensor) -> tuple[Tensor, Tensor]:
    """The mean of the teacher's outputs for pictures (B, 3, H, W) seen in four ways, as for the pictures."""
    sums = None
    for exchange in (False, True):
        for mirror in (False, True):
            x = pictures.transpose(2, 3) if exchange else pictures
            fine, coarse = teacher((x.flip(3) if mirror else x).contiguous(memory_format=torch.channels_last))
            fine, coarse = fine.float(), coarse.float()
            if mirror:
                fine, coarse = fine.flip(3), _mirrored(coarse.flip(3))
            if exchange:
                fine, coarse = fine.transpose(2, 3), _exchanged(coarse.transpose(2, 3))
            sums = (fine, coarse) if sums is None else (sums[0] + fine, sums[1] + coarse)
    return sums[0] / 4, sums[1] / 4


def _extent(shapes: Tensor) -> Tensor:
    """Size (B, 1, h, w): root of the trace of the covariance, whose own root follows the two offsets."""
    xx, xy, yy = shapes[:, 2:].unbind(1)
    return (xx**2 + 2 * xy**2 + yy**2).sqrt()[:, None]


def looks_loss(fine: Tensor, coarse: Tensor, taught: tuple[Tensor, Tensor]) -> Tensor:
    """How far one look's outputs are from what was taught; directions are learned from the truth alone."""
    taught_fine, taught_coarse = taught
    total = F.binary_cross_entropy_with_logits(fine, taught_fine.sigmoid())
    # Cells of things alone: what is said of the ground is never asked for.
    masks = F.avg_pool2d(taught_fine.sigmoid(), 2)
    weights = {"unit": masks[:, 0], "connector": masks[:, 1]}
    said, wanted = split_coarse(coarse), split_coarse(taught_coarse)

    def mean(error: Tensor, on: str) -> Tensor:
        return (error * weights[on]).sum() / weights[on].sum().clamp(min=1)

    for name in _CHOICES:
        error = -(wanted[name].softmax(1) * said[name].log_softmax(1)).sum(1)
        total = total + 0.5 * mean(error, "connector" if name in ("colour", "size") else "unit")
    for name in _YES_NO:
        error = F.binary_cross_entropy_with_logits(said[name], wanted[name].sigmoid(), reduction="none")
        total = total + 0.1 * mean(error[:, 0], "unit" if name == "face" else "connector")
    for name in _SCALES:
        # In shares of what is large, as errors against the truth are: plugs that fill the sample had nearly
        # all of the gradient.
        extent = _extent(wanted[name]).clamp(min=1)
        error = F.smooth_l1_loss(said[name] / extent, wanted[name] / extent, beta=0.1, reduction="none")
        error = error.mean(1)
        total = total + mean(error, name)
    return total
