"""What a photo is looked at with: a segmenter, readers of text, a decoder of codes; each can be replaced."""

import errno
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Protocol

import numpy as np
from plugface.vision.barcodes import read_codes
from plugface.vision.detection.segmenter import N_AUGMENTATIONS, WEIGHTS, Maps, NetworkSegmenter
from plugface.vision.detection.verifier import WEIGHTS as VERIFIER_WEIGHTS
from plugface.vision.detection.verifier import NetworkVerifier, Verifier
from plugface.vision.observations import Code, Polygon
from plugface.vision.ocr.unit_texts import CAST_READER_FILE, Readers, load_readers
from plugface.vision.onnx import BrokenNetwork


class Segmenter(Protocol):
    """Says of each pixel what it shows."""

    def segment(
        self,
        pictures: list[np.ndarray],
        to_photo: list[np.ndarray],
        *,
        enough: Callable[[Maps], bool] | None = None,
        once: bool = False,
    ) -> list[Maps]:
        """Maps of uint8 pictures (h, w, 3) in sRGB, with a matrix (2, 3) each to pixels of the photo.

        Where `enough` accepts maps that cost less, better ones need not be made.

        Parameters
        ----------
        pictures : list of uint8 ndarray (h, w, 3), sRGB
        to_photo : list of float ndarray (2, 3)
            From pixels of each picture to those of the photo.
        enough : callable, optional
            Whether maps that cost less do.
        once : bool
            Those that cost least do in any case.

        Returns
        -------
        maps : list of Maps
        """


class CodeReader(Protocol):
    """Decodes barcodes."""

    def __call__(
        self,
        picture: np.ndarray,
        regions: Sequence[Polygon] = (),
        *,
        whole: bool = True,
        avoid: Sequence[Polygon] = (),
    ) -> tuple[Code, ...]:
        """Codes of a picture, as `plugface.vision.barcodes.read_codes` gives them."""


@dataclass(frozen=True, eq=False)
class VisionModels:
    """All that `observe` looks with.

    Without a segmenter the whole photo is taken for one unit; without a verifier whatever the segmenter takes
    for a plug is one.
    """

    segmenter: Segmenter | None
    readers: Readers
    read_codes: CodeReader = read_codes
    verifier: Verifier | None = None


@lru_cache(maxsize=1)
def default_models() -> VisionModels:
    """Those that come along, made once; their networks are loaded when they are first needed."""
    return VisionModels(
        NetworkSegmenter() if WEIGHTS.is_file() else None,
        load_readers(),
        verifier=NetworkVerifier() if VERIFIER_WEIGHTS.is_file() else None,
    )


@lru_cache(maxsize=1)
def load_models(folder: Path, augmentations: int = N_AUGMENTATIONS) -> VisionModels:
    """The same with the networks of a folder, for comparing weights.

    Parameters
    ----------
    folder : Path
        Holds segmenter.onnx and cast_reader.onnx, verifier.onnx if there is to be one, and their SHA256SUMS
        if they are not those that come along.
    augmentations : int, 1 to 4
        In how many ways the segmenter looks at each picture.

    Returns
    -------
    models : VisionModels

    Raises
    ------
    BrokenNetwork
        If one of the first two is not there.
    """
    segmenter, cast_reader = folder / WEIGHTS.name, folder / CAST_READER_FILE.name
    for file in (segmenter, cast_reader):
        if not file.is_file():
            raise BrokenNetwork(errno.ENOENT, "there is no such file", str(file))
    verifier = folder / VERIFIER_WEIGHTS.name
    return VisionModels(
        NetworkSegmenter(segmenter, augmentations),
        load_readers(cast_reader),
        verifier=NetworkVerifier(verifier) if verifier.is_file() else None,
    )
