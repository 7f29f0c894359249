"""What a phone and bad conditions do to a picture, in torch on whole batches.

Every function takes and gives float32 (B, 3, H, W). Linear light comes in; `develop` gives
display-referred sRGB
0..255. Each disturbance draws its own strength per picture. The list follows the kinds of Hendrycks &
Dietterich
(ICLR 2019) loosely and at mild strength, with our own implementations, so that their published corruptions
stay a
test that was not trained on.
"""

import math
from collections.abc import Callable

import torch
import torch.nn.functional as F
from torch import Tensor

# ITU-T T.81 Annex K, tables K.1 and K.2.
_LUMA_TABLE = (
    "16 11 10 16 24 40 51 61 12 12 14 19 26 58 60 55 14 13 16 24 40 57 69 56 14 17 22 29 51 87 80 62 "
    "18 22 37 56 68 109 103 77 24 35 55 64 81 104 113 92 49 64 78 87 103 121 120 101 "
    "72 92 95 98 112 100 103 99"
)
_CHROMA_TABLE = (
    "17 18 24 47 99 99 99 99 18 21 26 66 99 99 99 99 24 26 56 99 99 99 99 99 47 66 99 99 99 99 99 99 "
    "99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99"
)


def _uniform(like: Tensor, low: float, high: float, channels: int = 1) -> Tensor:
    return torch.rand(like.shape[0], channels, 1, 1, device=like.device) * (high - low) + low


def _normal(like: Tensor, sigma: float, channels: int = 1) -> Tensor:
    return torch.randn(like.shape[0], channels, 1, 1, device=like.device) * sigma


def _sometimes(x: Tensor, change: Callable[[Tensor], Tensor], share: float) -> Tensor:
    """Change a random `share` of the batch; the rest is not worked on, which a busy card feels."""
    drawn = (torch.rand(len(x)) < share).nonzero().flatten().to(x.device)
    return x.index_copy(0, drawn, change(x[drawn])) if len(drawn) else x


def _smooth_noise(like: Tensor, cells: int, channels: int = 1) -> Tensor:
    """Slowly varying noise in 0..1 with about `cells` bumps along the long side."""
    h, w = like.shape[-2:]
    rows, columns = max(2, cells * h // max(h, w)), max(2, cells * w // max(h, w))
    small = torch.rand(like.shape[0], channels, rows, columns, device=like.device)
    return F.interpolate(small, size=(h, w), mode="bicubic", align_corners=False).clamp(0, 1)


def _filter_each(x: Tensor, kernels: Tensor) -> Tensor:
    """Convolve picture b with kernels[b], shape (B, K, K)."""
    b, c, h, w = x.shape
    k = kernels.shape[-1]
    weight = kernels[:, None].expand(b, c, k, k).reshape(b * c, 1, k, k)
    padded = F.pad(x, (k // 2,) * 4, mode="reflect").reshape(1, b * c, h + k - 1, w + k - 1)
    return F.conv2d(padded, weight, groups=b * c).reshape(b, c, h, w)


def _blur_kernels(like: Tensor, size: int = 13) -> Tensor:
    """A mix of Gaussian, disc and line kernels of random strength, shape (B, size, size), each summing to
    1."""
    b, device = like.shape[0], like.device
    axis = torch.arange(size, device=device, dtype=torch.float32) - size // 2
    y, x = axis[None, :, None], axis[None, None, :]
    # Most pictures are nearly sharp: the square favours small strengths.
    strength = torch.rand(b, 1, 1, device=device) ** 2
    angle = torch.rand(b, 1, 1, device=device) * math.pi
    sigma_long, sigma_short = 0.3 + 2.7 * strength, 0.3 + 0.5 * strength
    along, across = x * angle.cos() + y * angle.sin(), y * angle.cos() - x * angle.sin()
    gaussian = torch.exp(-(x**2 + y**2) / (2 * (0.3 + 2.2 * strength) ** 2))
    line = torch.exp(-(along**2) / (2 * sigma_long**2) - across**2 / (2 * sigma_short**2))
    disc = torch.sigmoid(4 * (0.5 + 3.5 * strength - (x**2 + y**2).sqrt()))
    kind = torch.rand(b, 1, 1, device=device)
    kernels = torch.where(kind < 0.45, gaussian, torch.where(kind < 0.75, line, disc))
    return kernels / kernels.sum((1, 2), keepdim=True)


def to_srgb(linear: Tensor) -> Tensor:
    """Coded sRGB 0..1 of linear light, any shape."""
    linear = linear.clamp(0, 1)  # IEC 61966-2-1
    return torch.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * linear.clamp(min=1e-6) ** (1 / 2.4) - 0.055
    )


def jpeg(x: Tensor, quality: Tensor) -> Tensor:
    """JPEG's loss without its coding: 4:2:0 chroma, 8 x 8 DCT, quantised at `quality`, shape (B,), 1..100.

    Parameters
    ----------
    x : float ndarray (B, 3, H, W), 0..255, H and W multiples of 16
    """
    matrix = torch.tensor(
        [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]], device=x.device
    )  # ITU-T T.871
    n = torch.arange(8, device=x.device, dtype=torch.float32)
    dct = torch.cos(math.pi * (2 * n[None] + 1) * n[:, None] / 16) / 2
    dct[0] /= math.sqrt(2)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality).view(-1, 1, 1, 1, 1) / 100

    def quantise(plane: Tensor, table: str) -> Tensor:
        b, h, w = plane.shape
        steps = torch.tensor([float(v) for v in table.split()], device=x.device).view(8, 8)
        steps = (steps * scale).clamp(1, 255)
        blocks = plane.view(b, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4)
        blocks = dct.T @ ((dct @ blocks @ dct.T / steps).round() * steps) @ dct
        return blocks.permute(0, 1, 3, 2, 4).reshape(b, h, w)

    ycc = torch.einsum("kc,bchw->bkhw", matrix, x)
    luma = quantise(ycc[:, 0] - 128, _LUMA_TABLE) + 128
    chroma = F.avg_pool2d(ycc[:, 1:], 2)
    chroma = torch.stack([quantise(chroma[:, i], _CHROMA_TABLE) for i in (0, 1)], 1)
    chroma = F.interpolate(chroma, scale_factor=2.0, mode="bilinear", align_corners=False)
    ycc = torch.cat([luma[:, None], chroma], 1)
    return torch.einsum("ck,bkhw->bchw", torch.linalg.inv(matrix), ycc).clamp(0, 255)


def light(x: Tensor) -> Tensor:
    """Disturb linear light before the sensor: uneven lighting, cast shadow, glare, haze, vignette."""
    x = _sometimes(x, lambda x: x * (0.35 + 1.3 * _smooth_noise(x, 3)), 0.35)
    x = _sometimes(x, _shade, 0.25)
    x = _sometimes(x, _glare, 0.12)
    x = _sometimes(x, _haze, 0.15)
    h, w = x.shape[-2:]
    y = torch.linspace(-1, 1, h, device=x.device)[:, None]
    radius2 = (y**2 + torch.linspace(-1, 1, w, device=x.device)[None] ** 2) / 2
    return x * (1 - _uniform(x, 0, 0.45) * radius2)


def _shade(x: Tensor) -> Tensor:
    shadow = torch.sigmoid((_smooth_noise(x, 4) - 0.5) * _uniform(x, 10, 80))
    return x * (1 - _uniform(x, 0.2, 0.75) * shadow)


def _glare(x: Tensor) -> Tensor:
    bright = torch.relu(_smooth_noise(x, 5) - _uniform(x, 0.75, 0.95)) * _uniform(x, 1, 12)
    return x + bright * _uniform(x, 0.7, 1.0, 3)


def _haze(x: Tensor) -> Tensor:
    haze = _uniform(x, 0.0, 0.75) ** 1.5 * _smooth_noise(x, 6).lerp(torch.ones_like(x[:, :1]), 0.5)
    return x * (1 - haze) + haze * _uniform(x, 0.6, 1.0, 3)


def invent_grounds(like: Tensor) -> Tensor:
    """Linear light of surfaces that no renderer made: plain, blotched, grained or striped, in any colour.

    Without them the network learned the studio's grounds, and took any other surface for a unit.
    """
    x = (_uniform(like, 0.02, 0.6) * _uniform(like, 0.6, 1.4, 3)).expand_as(like)
    for cells in (2, 6, 20, 70):
        depth = _uniform(like, 0, 1) ** 2 * 0.8
        x = x * (1 + depth * (2 * _smooth_noise(like, cells) - 1))
        x = x * (1 + 0.3 * depth * (2 * _smooth_noise(like, cells, 3) - 1))
    h, w = like.shape[-2:]
    rows = torch.arange(h, device=like.device).view(1, 1, h, 1)
    columns = torch.arange(w, device=like.device).view(1, 1, 1, w)
    angle = _uniform(like, 0, math.pi)
    wave = (rows * angle.sin() + columns * angle.cos()) * _uniform(like, 0.03, 0.8) + _uniform(like, 0, 6)
    sharpness = _uniform(like, 0, 2) ** 4 + 0.5
    depth = _uniform(like, 0, 0.5) * (torch.rand_like(sharpness) < 0.3)
    x = x * (1 + depth * torch.tanh(sharpness * wave.sin()))
    x = x * (1 + _uniform(like, 0, 1) ** 2 * 0.5 * torch.randn_like(like[:, :1]))
    return x.clamp(0, 8)


def develop_plainly(linear: Tensor) -> Tensor:
    """A good phone's picture in fair conditions: only white balance and exposure are a little off.

    A short training sees this more often than the rest: what is learned first is learned on clear pictures.
    """
    x = linear.clamp(min=0)
    mean = x.mean((2, 3), keepdim=True).clamp(min=1e-4)
    x = x * (mean.mean(1, keepdim=True) / mean) ** _uniform(x, 0.2, 0.9) * torch.exp(_normal(x, 0.05, 3))
    middle = torch.quantile(x.mean(1).flatten(1)[:, ::37], 0.5, dim=1).view(-1, 1, 1, 1).clamp(min=1e-4)
    x = x * (0.2 / middle) * torch.exp2(_normal(x, 0.4))
    return to_srgb(x + torch.randn_like(x) * 0.004) * 255


def develop(linear: Tensor) -> Tensor:
    """A phone's picture of a scene: linear sRGB to display-referred sRGB 0..255, differently every time."""
    x = light(linear)
    # White balance: somewhere between none and the grey-world guess, then an error of the camera's own.
    mean = x.mean((2, 3), keepdim=True).clamp(min=1e-4)
    grey = mean.mean(1, keepdim=True) / mean
    x = x * grey ** _uniform(x, 0.0, 1.0) * torch.exp(_normal(x, 0.12, 3) * _uniform(x, 0, 1.3))
    # Exposure: bring a high percentile near white, then miss it by up to a stop and a half.
    luma = x.mean(1).flatten(1)[:, ::37]
    white = torch.quantile(luma, 0.9, dim=1).view(-1, 1, 1, 1).clamp(min=1e-4)
    middle = torch.quantile(luma, 0.5, dim=1).view(-1, 1, 1, 1).clamp(min=1e-4)
    gain = (0.75 / white) ** 0.5 * (0.2 / middle) ** 0.5
    x = x * gain * torch.exp2(_normal(x, 0.55) + _uniform(x, -0.4, 0.4))
    # Sensor colours bleed into each other a little; saturation goes up or down.
    grey_value = x.mean(1, keepdim=True)
    x = grey_value + (x - grey_value) * _uniform(x, 0.6, 1.3)
    x = _sometimes(x, lambda x: _filter_each(x, _blur_kernels(x)), 0.7)
    x = _sometimes(x, _approach, 0.1)
    # Small pictures and digital zoom: lose resolution, then noise, then come back.
    x = _sometimes(x, _lose_resolution, 0.25)
    x = _sometimes(x.clamp(min=0), _grain, 0.7)
    shoulder = _uniform(x, 0.0, 0.8)  # a soft shoulder as phones have, from clipping hard to rolling off
    x = x.clamp(min=0)
    x = torch.lerp(x, x * (1 + x / 4) / (1 + x), shoulder)
    x = to_srgb(x)
    contrast = _uniform(x, -0.5, 0.6)
    x = x + contrast * x * (1 - x) * (2 * x - 1)
    x = _sometimes(x, lambda x: (x - 0.5) * _uniform(x, 0.2, 0.9) + _uniform(x, 0.35, 0.65), 0.15)
    x = x.clamp(0, 1) * 255
    x = _sometimes(x, _speckle, 0.12)
    x = _sometimes(x, _flurry, 0.12)
    x = _sometimes(x, _rime, 0.12)
    x = _sometimes(x, _sharpen, 0.3)
    x = _sometimes(x, lambda x: jpeg(x, _uniform(x, 12, 95).flatten()), 0.4)
    return x.clamp(0, 255)


def _grain(x: Tensor) -> Tensor:
    """Noise of the sensor: of photons, which grows with the light, and of reading."""
    strength = x * _uniform(x, 0, 1) ** 3 * 0.02 + (_uniform(x, 0, 1) ** 3 * 0.06) ** 2
    return x + torch.randn_like(x) * strength.sqrt()


def _approach(x: Tensor) -> Tensor:
    """The phone moved towards the unit or away while the shutter was open; the middle of the way is drawn."""
    most = _uniform(x, 0.01, 0.1).view(-1)
    total = torch.zeros_like(x)
    for step in torch.linspace(-0.5, 0.5, 7).tolist():
        frame = torch.zeros(len(x), 2, 3, device=x.device)
        frame[:, 0, 0] = frame[:, 1, 1] = 1 + step * most
        grid = F.affine_grid(frame, list(x.shape), align_corners=False)
        total += F.grid_sample(x, grid, padding_mode="reflection", align_corners=False) / 7
    return total


def _lose_resolution(x: Tensor) -> Tensor:
    """One factor for the whole batch, since sizes must agree."""
    h, w = x.shape[-2:]
    factor = 1.3 + 2.2 * torch.rand(()).item()
    mode = "area" if torch.rand(()).item() < 0.7 else "nearest"
    small = F.interpolate(x, size=(int(h / factor), int(w / factor)), mode=mode)
    back = "bilinear" if torch.rand(()).item() < 0.6 else "nearest"
    return F.interpolate(small, size=(h, w), mode=back)


def _speckle(x: Tensor) -> Tensor:
    """Snow, drops, dust and dead pixels: small bright or dark spots, smeared or not."""
    drawn = torch.rand(x.shape[0], 1, *x.shape[-2:], device=x.device)
    spots = (drawn < _uniform(x, 0.0, 1.0) ** 2 * 0.02).float()
    smeared = F.avg_pool2d(F.max_pool2d(spots, 3, 1, 1), 3, 1, 1)
    spots = torch.where(torch.rand(x.shape[0], 1, 1, 1, device=x.device) < 0.5, spots, smeared)
    colour = torch.where(torch.rand(x.shape[0], 1, 1, 1, device=x.device) < 0.7, 235.0, 20.0)
    return x * (1 - spots) + colour * spots


def _flurry(x: Tensor) -> Tensor:
    """Drops or flakes that fall past the lens: bright streaks, all one way, in a paler picture."""
    h, w = x.shape[-2:]
    cells = 2.0 + 4.0 * torch.rand(()).item()  # pixels to a flake
    drawn = torch.rand(x.shape[0], 1, int(h / cells), int(w / cells), device=x.device)
    flakes = (drawn < _uniform(x, 0.01, 0.1)).float()
    flakes = F.interpolate(flakes, size=(h, w), mode="bilinear", align_corners=False)
    kernels = _blur_kernels(x)
    flakes = (_filter_each(_filter_each(flakes, kernels), kernels) * _uniform(x, 1.0, 2.5)).clamp(0, 1)
    paler = torch.lerp(x, x.mean(1, keepdim=True) * 0.6 + 100, _uniform(x, 0.0, 0.45))
    return torch.lerp(paler, torch.full_like(x, 240.0), flakes * _uniform(x, 0.5, 1.0))


def _rime(x: Tensor) -> Tensor:
    """A lens under frost or grime: a pale, feathered film with holes."""
    film = sum(_smooth_noise(x, cells) * share for cells, share in ((4, 0.4), (16, 0.3), (60, 0.3)))
    film = ((film - _uniform(x, 0.3, 0.6)) * _uniform(x, 2, 6)).clamp(0, 1) * _uniform(x, 0.2, 0.75)
    grain = 0.6 + 0.8 * _smooth_noise(x, 90)
    pale = _uniform(x, 120, 235) * _uniform(x, 0.85, 1.0, 3)
    return torch.lerp(x, (pale * grain).clamp(0, 255), film)


def _sharpen(x: Tensor) -> Tensor:
    """The halo of a phone's own sharpening."""
    return x + _uniform(x, 0.2, 1.2) * (x - F.avg_pool2d(x, 3, 1, 1, count_include_pad=False))


def cover(x: Tensor, share: float = 0.3) -> tuple[Tensor, Tensor]:
    """Hide a few rectangles under noisy colour in a share of the pictures, so that no single detail is
    relied on.

    Returns
    -------
    x : shape (B, 3, H, W)
    hidden : bool, shape (B, H, W)
    """
    h, w = x.shape[-2:]
    x = x.clone()
    hidden = torch.zeros(x.shape[0], h, w, dtype=torch.bool, device=x.device)
    for b in range(x.shape[0]):
        if torch.rand(()).item() > share:
            continue
        for _ in range(int(torch.randint(1, 5, ()).item())):
            ph, pw = (int(torch.randint(8, max(9, n // 6), ()).item()) for n in (h, w))
            top, left = int(torch.randint(0, h - ph, ()).item()), int(torch.randint(0, w - pw, ()).item())
            patch = torch.rand(3, 1, 1, device=x.device) * 255 + torch.randn(3, ph, pw, device=x.device) * 20
            x[b, :, top : top + ph, left : left + pw] = patch.clamp(0, 255)
            hidden[b, top : top + ph, left : left + pw] = True
    return x, hidden
