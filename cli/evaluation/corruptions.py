"""The 15 published picture corruptions, to see how answers degrade on bad photos.

Hendrycks & Dietterich, "Benchmarking Neural Network Robustness to Common Corruptions and Perturbations"
(ICLR 2019), as the package imagecorruptions has them (Michaelis et al. 2019); it comes with the development
dependencies.
"""

import sys
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from types import ModuleType

import numpy as np
from PIL import Image

#: The fifteen of the paper's benchmark, in its order.
CORRUPTIONS = (
    "gaussian_noise",
    "shot_noise",
    "impulse_noise",
    "defocus_blur",
    "glass_blur",
    "motion_blur",
    "zoom_blur",
    "snow",
    "frost",
    "fog",
    "brightness",
    "contrast",
    "elastic_transform",
    "pixelate",
    "jpeg_compression",
)


class CorruptionsMissing(Exception):
    """The package with the corruptions is not installed."""

    def __init__(self) -> None:
        self.remedy = "Run it from a checkout with `uv run`, which installs the development tools"
        super().__init__(f"the package imagecorruptions is not installed. {self.remedy}.")


def corrupt(rgb: np.ndarray, name: str, severity: int, seed: int) -> np.ndarray:
    """One corrupted copy of a picture.

    Parameters
    ----------
    rgb : uint8 ndarray, shape (H, W, 3)
    name : str
        One of `CORRUPTIONS`.
    severity : int, 1..5
    seed : int
        Of the noise; the package draws from NumPy's global generator, which is put back afterwards.

    Raises
    ------
    CorruptionsMissing
        If the package is not there.
    """
    state = np.random.get_state()
    np.random.seed(seed)
    try:
        return _package().corrupt(rgb, corruption_name=name, severity=severity)
    finally:
        np.random.set_state(state)


@cache
def _package() -> ModuleType:
    if find_spec("imagecorruptions") is None:
        raise CorruptionsMissing
    lacking = find_spec("pkg_resources") is None
    if lacking:
        # It asks setuptools for the path of its frost pictures, through a module that setuptools no longer
        # has. It gets one for the time of its import: others would take it for the real one.
        paths = ModuleType("pkg_resources")
        paths.__dict__["resource_filename"] = lambda module, name: str(files(module.partition(".")[0]) / name)
        sys.modules["pkg_resources"] = paths
    try:
        import imagecorruptions
        from imagecorruptions import corruptions
    finally:
        if lacking:
            del sys.modules["pkg_resources"]

    # It was written for NumPy 1 and an older scikit-image; only names have changed since.
    corruptions.np = _NumpyOne()
    corruptions.gaussian = _gaussian
    imagecorruptions.corruption_dict["glass_blur"] = _glass_blur
    imagecorruptions.corruption_dict["impulse_noise"] = _impulse_noise
    return imagecorruptions


def _glass_blur(picture: Image.Image, severity: int = 1) -> np.ndarray:
    """The package's own steps with the same draws, on places instead of pixels: 100 times as fast."""
    sigma, reach, rounds = ((0.7, 1, 2), (0.9, 2, 1), (1, 2, 3), (1.1, 3, 2), (1.5, 4, 2))[severity - 1]
    soft = np.asarray(_gaussian(np.asarray(picture) / 255.0, sigma=sigma, multichannel=True) * 255, np.uint8)
    height, width = soft.shape[:2]
    origin = list(range(height * width))
    rows, columns = np.arange(height - reach, reach, -1), np.arange(width - reach, reach, -1)
    target = (rows[:, None] * width + columns).ravel()
    for _ in range(rounds):
        dx, dy = np.random.randint(-reach, reach, size=(target.size, 2)).T
        for here, there in zip(target.tolist(), (target + dy * width + dx).tolist(), strict=True):
            origin[here] = origin[there]  # the package means to swap, but only copies
    moved = soft.reshape(-1, 3)[origin].reshape(soft.shape)
    return np.clip(_gaussian(moved / 255.0, sigma=sigma, multichannel=True), 0, 1) * 255


def _impulse_noise(picture: Image.Image, severity: int = 1) -> np.ndarray:
    """The package's own step, drawn from the generator that `corrupt` seeds."""
    from skimage.util import random_noise

    amount = (0.03, 0.06, 0.09, 0.17, 0.27)[severity - 1]
    return (
        random_noise(np.asarray(picture) / 255.0, mode="s&p", amount=amount, rng=np.random.randint(2**31))
        * 255
    )


class _NumpyOne:
    float_ = np.float64

    def __getattr__(self, name: str) -> object:
        return getattr(np, name)


def _gaussian(
    picture: np.ndarray, sigma: float = 1, *, multichannel: bool = False, **settings: object
) -> np.ndarray:
    from skimage.filters import gaussian

    return gaussian(picture, sigma, channel_axis=-1 if multichannel else None, **settings)
