"""Real photographs under and over the units of a sample: what the studio does not know, it cannot show.

A network that had seen rendered yards alone took many a real photo of something else for a unit.
"""

from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from plugface.demo.segmenter.shots import Batch, to_linear
from torch import Tensor

_CLUTTER = 1  # index of what is no unit


class Scenes:
    """Real photographs in memory: whole ones, and things cut out along their outlines.

    Parameters
    ----------
    folder : Path
        grounds/*.jpg, photographs without a controller; things/*.png, objects with their outline as alpha.
    """

    def __init__(self, folder: Path, device: torch.device) -> None:
        self.grounds = [_linear(cv2.imread(str(p)), device) for p in sorted(folder.glob("grounds/*.jpg"))]
        things = [cv2.imread(str(p), cv2.IMREAD_UNCHANGED) for p in sorted(folder.glob("things/*.png"))]
        self.things = [
            torch.cat(
                [
                    _linear(t[..., :3], device),
                    torch.from_numpy(t[..., 3:] / 255).to(device).half().permute(2, 0, 1),
                ]
            )
            for t in things
        ]
        if not self.grounds or not self.things:
            raise ValueError(f"{folder} must hold grounds/*.jpg and things/*.png")

    def draw_grounds(self, like: Tensor, rng: np.random.Generator) -> Tensor:
        """Linear light (B, 3, H, W): a part of some photograph for each sample, at any size and turn."""
        return torch.cat([self._ground(like.shape[2:], rng) for _ in range(len(like))])

    def _ground(self, size: tuple[int, int], rng: np.random.Generator) -> Tensor:
        photo = self.grounds[rng.integers(len(self.grounds))].float()
        photo = torch.rot90(photo, int(rng.integers(4)), (1, 2))
        h, w = photo.shape[1:]
        side = rng.uniform(0.35, 1.0)
        ch, cw = max(16, int(h * side)), max(16, int(w * side))
        top, left = rng.integers(h - ch + 1), rng.integers(w - cw + 1)
        part = photo[None, :, top : top + ch, left : left + cw]
        return F.interpolate(part, size=size, mode="bilinear", align_corners=False, antialias=True)

    def strew(self, batch: Batch, share: float, rng: np.random.Generator) -> Batch:
        """A `share` of the samples with one to four things lying about, over units at times."""
        rgb, index = batch.rgb.clone(), batch.index.clone()
        height, width = index.shape[1:]
        for b in np.nonzero(rng.random(len(index)) < share)[0]:
            light = rgb[b].mean()
            for _ in range(rng.integers(1, 5)):
                thing = torch.rot90(
                    self.things[rng.integers(len(self.things))].float(), int(rng.integers(4)), (1, 2)
                )
                long_side = rng.uniform(0.08, 0.45) * max(height, width)
                scale = long_side / max(thing.shape[1:])
                size = [max(4, int(scale * side)) for side in thing.shape[1:]]
                size = [min(size[0], height), min(size[1], width)]
                thing = F.interpolate(
                    thing[None], size=size, mode="bilinear", align_corners=False, antialias=True
                )[0]
                top, left = rng.integers(height - size[0] + 1), rng.integers(width - size[1] + 1)
                at = np.s_[top : top + size[0], left : left + size[1]]
                alpha = thing[3:]
                tone = thing[:3] / 0.2 * light * float(rng.uniform(0.6, 1.4))
                rgb[b, :, at[0], at[1]] = rgb[b, :, at[0], at[1]] * (1 - alpha) + tone * alpha
                index[b, at[0], at[1]] = torch.where(alpha[0] > 0.5, _CLUTTER, index[b, at[0], at[1]])
        return Batch(rgb, index, batch.units, batch.connectors)


def _linear(bgr: np.ndarray, device: torch.device) -> Tensor:
    """Linear light of a coded picture, its mean 0.2 as that of shots, float16 (3, H, W)."""
    rgb = to_linear(bgr)
    rgb *= 0.2 / max(float(rgb.mean()), 1e-3)
    return torch.from_numpy(np.ascontiguousarray(rgb.clip(0, 60).transpose(2, 0, 1))).half().to(device)
