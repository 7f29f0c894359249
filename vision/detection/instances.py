"""Join pixels into instances: by what they vote for where votes agree, else by what is connected in the mask.

Each pixel votes for the centre and shape of the thing it belongs to. After Neven, De Brabandere, Proesmans &
Van Gool, "Instance Segmentation by Jointly Optimizing Spatial Embeddings and Clustering Bandwidth" (CVPR
2019), with the bandwidth replaced by the instance's own covariance.
"""

from dataclasses import dataclass

import cv2
import numpy as np

CELL = 4  # pixels of the network's picture per map cell
#: Votes closer to the centre than this, in standard deviations of the instance, belong to it. Two equal
#: rectangles side by side are 3.46 apart, so that half of that is the most that makes sense.
NEAR = 1.0
FAR = 1.7
#: Least share of an instance's area that must be seen. Our choice.
MIN_SEEN = 0.12
_MAX_INSTANCES = 64
#: A vote within this many standard deviations of the centre agrees with it; votes are followed where this
#: share of all does. Our choice: those of a well-trained network nearly all do, those of another nearly none.
AGREES, AGREED = 0.5, 0.8


@dataclass(frozen=True)
class Clustering:
    """When doubtful votes part a piece of mask.

    Two things or more must each reach the shares `seen`, `held` and `settled`.
    """

    seen: float  # of the thing's own area
    held: float  # of the piece
    settled: float  # of its votes, agreeing


@dataclass(frozen=True)
class Instance:
    """One thing in the maps."""

    cells: np.ndarray  # bool (h4, w4)
    centre: np.ndarray  # (2,), pixels of the network's picture
    covariance: np.ndarray  # (2, 2), pixels squared
    seen: float  # share of its area that is visible, 0..1
    probability: float  # mean mask probability of its cells
    agreement: float = 1.0  # share of its cells that vote for nearly the same centre

    def rectangle(self) -> np.ndarray:
        """Corners (4, 2) of the rectangle with this centre and covariance."""
        spread, axes = np.linalg.eigh(self.covariance)
        half = np.sqrt(3 * np.maximum(spread, 1e-6))  # variance of a uniform rectangle: half side squared / 3
        signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
        return self.centre + (signs * half) @ axes.T


def find_instances(
    fine: np.ndarray,
    mask: np.ndarray,
    shape: np.ndarray,
    *,
    parting: Clustering,
    threshold: float = 0.5,
    least_cells: int = 4,
) -> list[Instance]:
    """Instances in one map, the best supported first.

    Parameters
    ----------
    fine : (2 * h4, 2 * w4), probability of being part of any instance
    mask : (h4, w4), the same by cells
    shape : (5, h4, w4), as `join_votes` takes it
    parting : what tells several things in one piece of mask
    threshold : of both masks
    least_cells : smaller ones are dropped

    Returns
    -------
    instances : list of Instance
        Places in cells of the map.
    """
    voted = join_votes(mask, shape, threshold=threshold, least_cells=least_cells)
    cells_each = [instance.cells.sum() for instance in voted]
    if voted and np.average([instance.agreement for instance in voted], weights=cells_each) >= AGREED:
        return voted
    count, labels = cv2.connectedComponents((fine > threshold).astype(np.uint8), connectivity=4)
    instances = []
    for number in range(1, count):
        piece = labels == number
        cells = cv2.resize(piece.astype(np.float32), mask.shape[::-1], interpolation=cv2.INTER_AREA) >= 0.5
        if cells.sum() < least_cells:
            continue
        parted = [
            instance
            for instance in join_votes(mask * cells, shape, threshold=threshold, least_cells=least_cells)
            if instance.seen >= parting.seen
            and instance.cells.sum() >= parting.held * cells.sum()
            and instance.agreement >= parting.settled
        ]
        if len(parted) > 1:
            instances += parted
            continue
        points = np.argwhere(piece)[:, ::-1].astype(np.float32)
        in_network = (points + 0.5) * CELL / 2
        covariance = np.cov(in_network.T) + np.eye(2) * 0.25
        instances.append(Instance(cells, in_network.mean(0), covariance, 1.0, float(fine[piece].mean())))
    return sorted(instances, key=lambda instance: -int(instance.cells.sum()))


def join_votes(
    mask: np.ndarray, shape: np.ndarray, *, threshold: float = 0.5, least_cells: int = 4
) -> list[Instance]:
    """Instances in one map, the best supported first.

    Parameters
    ----------
    mask : (h4, w4), probability of being part of any instance
    shape : (5, h4, w4), offset to the centre and square root of the covariance, pixels
    threshold : of `mask`
    least_cells : smaller ones are dropped

    Returns
    -------
    instances : list of Instance
        Places in cells of the map.
    """
    rows, columns = np.nonzero(mask > threshold)
    if len(rows) < least_cells:
        return []
    weight = mask[rows, columns]
    dx, dy, xx, xy, yy = shape[:, rows, columns]
    votes = np.column_stack([columns * CELL + CELL / 2 + dx, rows * CELL + CELL / 2 + dy])
    roots = np.column_stack([xx, xy, yy])
    density = _density(votes, weight, mask.shape)
    free = np.ones(len(rows), bool)
    found: list[tuple[np.ndarray, np.ndarray, int]] = []
    while free.sum() >= least_cells and len(found) < _MAX_INSTANCES:
        seed = int(np.argmax(np.where(free, density, -1)))
        centre, root = votes[seed], roots[seed]
        for _ in range(3):
            members = free & (_distance(votes, centre, root) < NEAR)
            if members.sum() < least_cells:
                break
            centre = np.average(votes[members], axis=0, weights=weight[members])
            root = np.median(roots[members], axis=0)
        if members.sum() < least_cells:
            free[seed] = False
            continue
        free &= ~members
        seen = members.sum() * CELL**2 / _area(root)
        if seen >= MIN_SEEN and not any(_same(centre, root, c, r) for c, r, _ in found):
            found.append((centre, root, int(members.sum())))
    if not found:
        return []
    distances = np.stack([_distance(votes, centre, root) for centre, root, _ in found])
    owner = np.where(distances.min(0) < FAR, distances.argmin(0), -1)
    instances = []
    for k, (centre, root, _) in enumerate(found):
        mine = owner == k
        if mine.sum() < least_cells:
            continue
        cells = np.zeros(mask.shape, bool)
        cells[rows[mine], columns[mine]] = True
        seen = min(1.0, float(mine.sum()) * CELL**2 / _area(root))
        agreement = float((distances[k, mine] < AGREES).mean())
        instances.append(Instance(cells, centre, _square(root), seen, float(weight[mine].mean()), agreement))
    return instances


def _density(votes: np.ndarray, weight: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """How many votes fall near each vote."""
    margin = 8
    h, w = shape[0] + 2 * margin, shape[1] + 2 * margin
    at = np.clip((votes / CELL).astype(int) + margin, 0, (w - 1, h - 1))
    grid = np.zeros((h, w), np.float32)
    np.add.at(grid, (at[:, 1], at[:, 0]), weight)
    return cv2.GaussianBlur(grid, (0, 0), 1.0)[at[:, 1], at[:, 0]]


def _square(root: np.ndarray) -> np.ndarray:
    matrix = np.array([[root[0], root[1]], [root[1], root[2]]])
    return matrix @ matrix + np.eye(2) * 0.25


def _area(root: np.ndarray) -> float:
    """Area of the rectangle with this covariance: 12 times the root of its determinant."""
    return 12 * float(np.sqrt(max(np.linalg.det(_square(root)), 1e-6)))


def _distance(votes: np.ndarray, centre: np.ndarray, root: np.ndarray) -> np.ndarray:
    """Mahalanobis distance of votes (N, 2) from a centre; never sharper than 1.5 cells."""
    inverse = np.linalg.inv(_square(root) + np.eye(2) * CELL)
    off = votes - centre
    return np.sqrt(np.einsum("ni,ij,nj->n", off, inverse, off))


def _same(centre_a, root_a, centre_b, root_b) -> bool:
    """Whether two finds are one thing: centres close in either's shape, and areas alike."""
    near = min(
        float(_distance(centre_a[None], centre_b, root_b)[0]),
        float(_distance(centre_b[None], centre_a, root_a)[0]),
    )
    ratio = _area(root_a) / _area(root_b)
    return near < 0.8 and 0.4 < ratio < 2.5
