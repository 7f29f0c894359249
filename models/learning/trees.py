"""A gradient-boosted ensemble of decision trees as plain numbers, evaluated with numpy alone.

The trees are grown by scikit-learn (training.py) and written out here, so that answering needs neither that
library nor the second and a half that importing it takes, and a model file can hold nothing but numbers.
"""

from dataclasses import dataclass

import numpy as np

#: Feature number of a leaf.
LEAF = -1


@dataclass(frozen=True, eq=False)
class Trees:
    """All trees' nodes in one row; a node's children stand behind it.

    Raises
    ------
    ValueError
        If the arrays do not make such trees.
    """

    baseline: float  # log odds before the first tree
    roots: np.ndarray  # int (n_trees,), first node of each tree
    feature: np.ndarray  # int (n_nodes,), column that is asked; LEAF at a leaf
    number: np.ndarray  # float (n_nodes,), the limit (up to it, go left); at a leaf, what the tree adds
    left: np.ndarray  # int (n_nodes,); a leaf names itself
    right: np.ndarray  # int (n_nodes,)

    def __post_init__(self) -> None:
        nodes = np.arange(len(self.feature))
        same = all(a.shape == nodes.shape for a in (self.number, self.left, self.right))
        if not same or not len(nodes) or not len(self.roots):
            raise ValueError("the trees' columns have different lengths, or none")
        if not (np.isfinite(self.number).all() and np.isfinite(self.baseline)):
            raise ValueError("a tree holds a number that is not finite")
        if self.feature.min() < LEAF or not (self.roots.min() >= 0 and self.roots.max() < len(nodes)):
            raise ValueError("a tree names a feature or a root that there is not")
        leaf = self.feature == LEAF
        for child in (self.left, self.right):
            # Children behind their parents: every walk ends.
            if (child[leaf] != nodes[leaf]).any() or (child[~leaf] <= nodes[~leaf]).any():
                raise ValueError("a tree's branches do not lead to leaves")
            if child.max() >= len(nodes):
                raise ValueError("a tree's branch leads nowhere")

    def score(self, features: np.ndarray) -> np.ndarray:
        """Log odds of the positive class.

        Parameters
        ----------
        features : float ndarray, shape (n, n_features), finite

        Returns
        -------
        log_odds : float ndarray, shape (n,)

        Raises
        ------
        ValueError
            If a feature is not finite, or too few are given.
        """
        features = np.asarray(features, dtype=float)
        if features.ndim != 2 or features.shape[1] <= self.feature.max():
            raise ValueError(f"the trees ask {self.feature.max() + 1} features, got shape {features.shape}")
        if not np.isfinite(features).all():
            raise ValueError("features must be finite")
        # `take` from one long row is three times as fast as picking by row and column.
        row_by_row, begins = features.ravel(), np.arange(len(features))[:, None] * features.shape[1]
        at = np.broadcast_to(self.roots, (len(features), len(self.roots)))
        while ((asked := self.feature.take(at)) != LEAF).any():
            # A leaf asks what stands before its row and stays where it is, whatever the answer.
            low = row_by_row.take(begins + asked) <= self.number.take(at)
            at = np.where(low, self.left.take(at), self.right.take(at))
        return self.baseline + self.number.take(at).sum(axis=1)

    def to_json(self) -> dict:
        """Plain values only."""
        columns = ("roots", "feature", "number", "left", "right")
        return {"baseline": self.baseline, **{name: getattr(self, name).tolist() for name in columns}}

    @classmethod
    def from_json(cls, raw: dict) -> "Trees":
        """Back from `to_json`.

        Raises
        ------
        ValueError, TypeError, KeyError
            If it is something else.
        """
        whole = {name: _integers(raw[name], name) for name in ("roots", "feature", "left", "right")}
        return cls(baseline=float(raw["baseline"]), number=np.array(raw["number"], dtype=float), **whole)


def _integers(values: list, name: str) -> np.ndarray:
    if not all(type(value) is int for value in values):
        raise ValueError(f"the trees' {name} must be whole numbers")
    return np.array(values, dtype=np.int64)
