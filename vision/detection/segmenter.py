"""Run the segmenter: a picture in, dense maps of units, connectors, marks and labels out.

The network and its training are in training_data_demo/train_segmenter.py; the weights lie in vision/weights/.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection.instances import CELL
from plugface.vision.observations import Polygon
from plugface.vision.onnx import Session, load_network, usable_threads

WEIGHTS = Path(__file__).parents[1] / "weights" / "segmenter.onnx"
FINS = ("none", "half", "all")

# Channels of the network's two outputs, as it was trained.
_FINE = ("unit", "connector", "mark", "label")
# None: one for each colour that it was taught, which are the first rows of the table.
_COARSE: dict[str, int | None] = {"face": 1, "axis": 2, "unit": 5, "connector": 5, "mated": 1, "colour": None}
_COARSE |= {"size": 3, "fins": 3, "body_colour": None, "broken": 1}
_SHAPE_SCALES = {"unit": 64.0, "connector": 16.0}  # pixels
_STRIDE = 32
#: A way to look at a picture: with rows and columns exchanged or not, then in the mirror or not.
Augmentation = tuple[bool, bool]
#: All ways there are, in the order in which they are added: the first two have little in common.
AUGMENTATIONS: tuple[Augmentation, ...] = ((False, False), (True, True), (False, True), (True, False))
#: How many of them a picture is looked at in, where nobody asks for another number: 1, 2 or 4. The network
#: was taught in training to say in one way what it says in four. On the calibration split (2026-11-28) two
#: ways found plugs with an F1 of 0.91, four with 0.93, and 45 % of the fronts whole both; one way lost six
#: points.
N_AUGMENTATIONS = 2
#: How many are taken first where fewer may do: as many as there are cores to take them at once.
N_FIRST_AUGMENTATIONS = 2
#: The network's two outputs: shapes (channels, h2, w2) and (channels, h4, w4).
Answer = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Maps:
    """What the network says about one picture.

    Masks are probabilities at half the network's picture, shape (h2, w2); everything else is at a quarter,
    shape
    (channels, h4, w4). Shapes hold the offset to the instance's centre (x, y) and the square root of its
    covariance
    (xx, xy, yy), in pixels of the network's picture.
    """

    masks: dict[str, np.ndarray]  # unit, connector, mark, label
    face: np.ndarray  # probability that the plug face is seen
    axis: np.ndarray  # (2, h4, w4), cosine and sine of twice the upward direction; short where unsure
    unit_shape: np.ndarray
    connector_shape: np.ndarray
    mated: np.ndarray
    broken: np.ndarray  # probability that a housing is but a stump
    colour: np.ndarray  # log probabilities over `codes`
    size: np.ndarray  # log probabilities over SIZE_CLASSES
    fins: np.ndarray  # log probabilities over FINS
    body_colour: np.ndarray  # log probabilities over `codes`
    to_photo: np.ndarray  # (2, 3): pixels of the network's picture to pixels of the photo

    @property
    def codes(self) -> tuple[str, ...]:
        """The colours that the network was taught."""
        return COLOUR_CODES[: len(self.colour)]

    @cached_property
    def coarse_masks(self) -> dict[str, np.ndarray]:
        """The masks averaged to a quarter, shape (h4, w4)."""
        h, w = self.face.shape
        return {
            name: cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA) for name, mask in self.masks.items()
        }

    def points_to_photo(self, points: np.ndarray) -> np.ndarray:
        """Points (N, 2) in pixels of the network's picture, in pixels of the photo."""
        return np.asarray(points, float) @ self.to_photo[:, :2].T + self.to_photo[:, 2]

    def cells_of(self, polygon: Polygon) -> np.ndarray:
        """Which cells lie in a polygon in pixels of the photo, bool (h4, w4)."""
        in_photo = np.vstack([self.to_photo, (0, 0, 1)])
        points = np.column_stack([polygon, np.ones(len(polygon))]) @ np.linalg.inv(in_photo).T
        cells = np.zeros(self.face.shape, np.uint8)
        cv2.fillPoly(cells, [np.round(points[:, :2] / CELL - 0.5).astype(np.int32)], (1,))
        return cells > 0


def load_segmenter(weights: Path = WEIGHTS, *, augmentations: int = N_AUGMENTATIONS) -> Session:
    """The network, read once a process.

    Parameters
    ----------
    weights : Path
        File of the network.
    augmentations : int
        Of each picture: where there are several, each has a thread of its own and they need not wait for each
        other; one by itself is shared by all threads.

    Returns
    -------
    session : onnxruntime.InferenceSession

    Raises
    ------
    FileNotFoundError
        If the weights are not there.
    """
    if not weights.is_file():
        raise FileNotFoundError(f"{weights} is missing; install plugface again")
    return load_network(str(weights), threads=1 if augmentations > 1 else None)


@dataclass(frozen=True)
class NetworkSegmenter:
    """The segmenter that comes along, or the same network with other weights or test-time augmentation."""

    weights: Path = WEIGHTS
    augmentations: int = N_AUGMENTATIONS

    def __post_init__(self) -> None:
        if not 1 <= self.augmentations <= len(AUGMENTATIONS):
            raise ValueError(
                f"a picture can be looked at in 1 to {len(AUGMENTATIONS)} ways, not {self.augmentations}"
            )

    def segment(
        self,
        pictures: list[np.ndarray],
        to_photo: list[np.ndarray],
        *,
        enough: Callable[[Maps], bool] | None = None,
        once: bool = False,
    ) -> list[Maps]:
        """Maps of pictures; see the function of the same name.

        Parameters
        ----------
        pictures : list of uint8 ndarray (h, w, 3), sRGB
        to_photo : list of float ndarray (2, 3)
            From pixels of each picture to those of the photo.
        enough : callable, optional
            Whether maps that cost less do.
        once : bool
            Look at each picture in one way only.

        Returns
        -------
        maps : list of Maps
        """
        return segment(
            pictures,
            to_photo,
            enough=enough,
            once=once,
            weights=self.weights,
            augmentations=self.augmentations,
        )


def segment(
    pictures: list[np.ndarray],
    to_photo: list[np.ndarray],
    *,
    enough: Callable[[Maps], bool] | None = None,
    once: bool = False,
    weights: Path = WEIGHTS,
    augmentations: int = N_AUGMENTATIONS,
) -> list[Maps]:
    """Maps of pictures with test-time augmentation, or N_FIRST_AUGMENTATIONS of them where that is enough.

    Parameters
    ----------
    pictures : list of uint8 (h, w, 3), sRGB
    to_photo : list of (2, 3)
        From pixels of each picture to those of the photo, with the corner of a picture at (0, 0).
    enough : callable, optional
        Whether the maps from the first ways do; all that are asked for are taken by default.
    once : bool
        Take the first way alone.
    weights : Path
        File of the network.
    augmentations : int, 1 to 4
        How many of AUGMENTATIONS to take.

    Returns
    -------
    maps : list of Maps, one a picture
    """
    ways = AUGMENTATIONS[: 1 if once else augmentations]
    first, later = (
        (ways, ()) if enough is None else (ways[:N_FIRST_AUGMENTATIONS], ways[N_FIRST_AUGMENTATIONS:])
    )
    maps = []
    for picture, answers, matrix in zip(
        pictures, look(pictures, first, weights, augmentations=augmentations), to_photo, strict=True
    ):
        joined = join(answers, matrix)
        if enough is not None and later and not enough(joined):
            (more,) = look([picture], later, weights, augmentations=augmentations)
            joined = join([*answers, *more], matrix)
        maps.append(joined)
    return maps


def look(
    pictures: list[np.ndarray],
    ways: tuple[Augmentation, ...],
    weights: Path = WEIGHTS,
    *,
    augmentations: int = N_AUGMENTATIONS,
) -> Iterator[list[Answer]]:
    """What the network says of each picture in each of these ways, as of the picture itself.

    Picture by picture: all answers to a pallet's twelve units together take 55 MB.

    Parameters
    ----------
    pictures : list of uint8 ndarray, shape (h, w, 3), sRGB
    ways : tuple of Augmentation
        Turns and mirrors, undone again in the answers.
    weights : Path
        File of the network.
    augmentations : int
        As many as there will be of each picture.

    Returns
    -------
    answers : iterator of list of Answer
        For each picture one in each way.
    """
    session = load_segmenter(weights, augmentations=augmentations) if pictures else None
    with ThreadPoolExecutor(usable_threads() if augmentations > 1 else 1) as pool:
        # One picture a run: a pallet's units together would take a gigabyte.
        answers = pool.map(lambda task: _look(*task), [(p, way, session) for p in pictures for way in ways])
        for _ in pictures:
            yield list(islice(answers, len(ways)))


def join(answers: list[Answer], to_photo: np.ndarray) -> Maps:
    """Maps out of the mean of all answers to one picture.

    Parameters
    ----------
    answers : list of Answer
        To one picture, in its own position.
    to_photo : float ndarray, shape (2, 3)
        From pixels of the picture to those of the photo.

    Returns
    -------
    maps : Maps
    """
    fine, coarse = (np.mean(each, axis=0) for each in zip(*answers, strict=True))
    return _name(fine, coarse, np.asarray(to_photo, float))


def _look(picture: np.ndarray, way: Augmentation, session: Session) -> Answer:
    """The network's outputs for a picture changed so, as they would be for the picture itself."""
    exchanged, mirrored = way
    height, width = picture.shape[:2]
    padding = ((0, -height % _STRIDE), (0, -width % _STRIDE), (0, 0))
    batch = np.pad(picture, padding, mode="edge").transpose(2, 0, 1)[None].astype(np.float32)

    def mirror(maps: np.ndarray) -> np.ndarray:
        return maps[..., ::-1] if mirrored else maps

    def exchange(maps: np.ndarray) -> np.ndarray:
        return maps.swapaxes(2, 3) if exchanged else maps

    fed = np.ascontiguousarray(mirror(exchange(batch)))
    fine, coarse = session.run(None, {"rgb": fed})
    coarse = mirror(coarse).copy()
    if mirrored:
        _mirror_directions(coarse)
    coarse = exchange(coarse)
    if exchanged:
        coarse = _exchange_directions(coarse)
    fine = exchange(mirror(fine))
    return fine[0, :, : -(-height // 2), : -(-width // 2)], coarse[0, :, : -(-height // 4), : -(-width // 4)]


def _mirror_directions(coarse: np.ndarray) -> None:
    """Left for right in all vectors, in place."""
    for name, at, _ in _places(coarse.shape[1]):
        if name == "axis":
            coarse[:, at + 1] *= -1
        elif name in _SHAPE_SCALES:
            # A cell tells of a point one pixel off its middle, so on the other side in the mirror.
            coarse[:, at] = -coarse[:, at] - 1 / _SHAPE_SCALES[name]
            coarse[:, at + 3] *= -1


def _exchange_directions(coarse: np.ndarray) -> np.ndarray:
    """Across for down in all vectors."""
    order = np.arange(coarse.shape[1])
    for name, at, _ in _places(coarse.shape[1]):
        if name in _SHAPE_SCALES:
            order[at : at + 5] = at + np.array((1, 0, 4, 3, 2))
    exchanged = coarse[:, order]
    for name, at, _ in _places(coarse.shape[1]):
        if name == "axis":  # the angle of up, y upward, becomes -90 degrees less that angle
            exchanged[:, at] *= -1
    return exchanged


def _places(channels: int) -> list[tuple[str, int, int]]:
    """Parts of a coarse output of so many channels: name, where each begins, how many it has."""
    given = [count for count in _COARSE.values() if count is not None]
    taught = (channels - sum(given)) // (len(_COARSE) - len(given))
    counts = [taught if count is None else count for count in _COARSE.values()]
    return list(zip(_COARSE, np.cumsum([0, *counts[:-1]]).tolist(), counts, strict=True))


def _name(fine: np.ndarray, coarse: np.ndarray, to_photo: np.ndarray) -> Maps:
    parts = {name: coarse[at : at + count] for name, at, count in _places(len(coarse))}
    return Maps(
        masks={name: _sigmoid(fine[i]) for i, name in enumerate(_FINE)},
        face=_sigmoid(parts["face"][0]),
        axis=parts["axis"].copy(),  # of a part, the whole answer would stay
        unit_shape=parts["unit"] * _SHAPE_SCALES["unit"],
        connector_shape=parts["connector"] * _SHAPE_SCALES["connector"],
        mated=_sigmoid(parts["mated"][0]),
        broken=_sigmoid(parts["broken"][0]),
        colour=_log_softmax(parts["colour"]),
        size=_log_softmax(parts["size"]),
        fins=_log_softmax(parts["fins"]),
        body_colour=_log_softmax(parts["body_colour"]),
        to_photo=to_photo,
    )


def _sigmoid(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(x, -30, 30)))


def _log_softmax(x: np.ndarray) -> np.ndarray:
    x = x - x.max(0)
    return x - np.log(np.exp(x).sum(0))


def pool(log_probabilities: np.ndarray, weights: np.ndarray, codes: tuple[str, ...]) -> dict[str, float]:
    """One posterior out of many pixels': the weighted mean of their logarithms, normalised.

    Parameters
    ----------
    log_probabilities : (n_codes, h4, w4)
    weights : (h4, w4), not all zero
    codes : names of the n_codes

    Returns
    -------
    posterior : dict of str to float
        Code to probability; sums to 1.
    """
    mean = (log_probabilities * weights).sum((1, 2)) / weights.sum()
    chance = np.exp(mean - mean.max())
    chance /= chance.sum()
    return dict(zip(codes, chance.tolist(), strict=True))
