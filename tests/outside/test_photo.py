"""The camera's turn in a file, against the published table.

Source: TIFF 6.0 (1992), section 8, tag 274 Orientation, taken over by EXIF 2.32 (CIPA DC-008-2019), 4.6.4,
tag 0x0112: which side of the scene the stored 0th row and 0th column are. Its eight values are the rows of
`TABLE`.
"""

import io

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from plugface.vision.photo import decode_photo

# orientation: (where the stored 0th row is, where the stored 0th column is), as those standards say.
TABLE = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def _stored(scene: np.ndarray, row: str, column: str) -> np.ndarray:
    """The scene as a camera stores it whose first row and column are these sides of it."""
    if row in {"left", "right"}:
        across = scene.transpose(1, 0, 2)
        across = across if row == "left" else across[::-1]
        return across if column == "top" else across[:, ::-1]
    along = scene if row == "top" else scene[::-1]
    return along if column == "left" else along[:, ::-1]


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("orientation", TABLE)
def test_each_turn_is_undone(orientation: int, kind: str):
    """EXIF 2.32, tag 0x0112."""
    scene = np.full((64, 96, 3), 60, np.uint8)
    scene[:32, :32] = (250, 40, 40)  # red top left, green top right, blue bottom left
    scene[:32, 64:] = (40, 220, 40)
    scene[32:, :32] = (40, 40, 250)
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = io.BytesIO()
    stored = np.ascontiguousarray(_stored(scene, *TABLE[orientation]))
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    Image.fromarray(stored).save(data, kind, exif=exif.tobytes(), quality=95)
    shown = decode_photo(data.getvalue()).rgb
    assert shown.shape == scene.shape
    # Middles of the patches; 12 levels: lossy kinds blur colour over two pixels and round it.
    middles = np.s_[16::32, 16::32]
    assert np.abs(shown[middles].astype(int) - scene[middles].astype(int)).max() <= 12
