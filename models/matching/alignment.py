"""Which connector of a unit is which connector of a family: alignment by dynamic programming.

All costs are natural logarithms of likelihood ratios against 'a connector of some other unit', so they add to
the evidence for a family. Connectors keep their canonical order; one that was missed or broken off, and one
too many, each cost what their probability says (error_model.py).

References
----------
Needleman & Wunsch, J. Mol. Biol. 48 (1970), the recurrence with a gap on either side.
"""

from dataclasses import dataclass

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex
from plugface.models.matching.error_model import ASSUMED_COLOUR, ErrorModel
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import SIZE_CLASSES, Connector

#: Nats that stand for "impossible" where they are added to others.
_NEVER = 50.0


@dataclass(frozen=True)
class Alignment:
    """Best alignment of n_seen connectors to n_known."""

    score: float  # nats
    pairs: tuple[tuple[int, int], ...]  # (seen, known)
    missed: tuple[int, ...]  # known, not seen
    extra: tuple[int, ...]  # seen, not known


def measure_match(
    connectors: tuple[Connector, ...], index: CatalogueIndex, noise: ErrorModel, *, turned: bool = False
) -> np.ndarray:
    """Log likelihood ratio of each seen connector being each known one.

    Parameters
    ----------
    connectors : length n_seen, in canonical order
    index : CatalogueIndex over n_families with at most M connectors
    noise : ErrorModel
    turned : bool
        The unit is read half a turn round: places change sign.

    Returns
    -------
    log_odds : float ndarray, shape (n_families, n_seen, M)
    """
    shell = _colour_table(connectors, noise)[:, index.colour] + _size_table(connectors, noise)[:, index.size]
    odds = np.moveaxis(shell, 0, 1) + np.log1p(-noise.miss) + _pin_odds(connectors, index, noise)
    return odds + _place_odds(connectors, index, noise, turned, odds)


def best_match(connectors: tuple[Connector, ...], noise: ErrorModel) -> float:
    """Score of an entry that agrees with everything seen: what an alignment can reach; nats.

    Parameters
    ----------
    connectors : tuple of Connector
    noise : ErrorModel

    Returns
    -------
    score : float, nats
    """
    total = len(connectors) * np.log1p(-noise.miss)
    for c in connectors:
        total += _colour_table([c], noise).max() + _size_table([c], noise).max()
        total += np.log(noise.pins_exact / 0.05) if c.pins else 0.0
        total += _place_log_density(np.zeros(1), noise)[0] if c.place else 0.0
    return float(
        total + _shift_cost(np.zeros((1, 2)), sum(c.place is not None for c in connectors), noise)[0]
    )


def _colour_table(connectors, noise: ErrorModel) -> np.ndarray:
    """Log likelihood ratios of the colours seen, shape (n_seen, n_colours); columns are the table's rows.

    A colour that vision was not taught passes for whatever is seen; one column more, BLANK, says nothing.
    Codes beyond those that were taught are seen where a catalogue names a shade of theirs, or by a network
    that was taught more than this error model; how often they are wrong is then assumed.
    """
    taught = len(noise.taught)
    seen = np.array([[c.colour.get(k, 0.0) for k in noise.taught] for c in connectors])
    odds = taught * (seen @ noise.colour_matrix.T)
    if others := COLOUR_CODES[taught:]:
        beyond = np.array([[c.colour.get(k, 0.0) for k in others] for c in connectors])
        odds = np.column_stack([odds, *[odds.max(axis=1)] * len(others)])
        odds += taught * (beyond @ np.array(ASSUMED_COLOUR)[:, taught:].T)
        odds = np.column_stack([odds, np.ones(len(odds))])
    return np.log(odds + 1e-9)


def _size_table(connectors, noise: ErrorModel) -> np.ndarray:
    seen = np.array([[c.size.get(k, 0.0) for k in SIZE_CLASSES] for c in connectors])
    return np.log(len(SIZE_CLASSES) * (seen @ noise.size_matrix.T) + 1e-9)


def _place_log_density(squared: np.ndarray, noise: ErrorModel) -> np.ndarray:
    """Normal about the catalogue's place, or anywhere on the unit (density 1 over its unit square)."""
    density = np.exp(-0.5 * squared) / (2 * np.pi * noise.place_sd**2)
    return np.log((1 - noise.place_wild) * density + noise.place_wild)


def _pin_odds(connectors, index: CatalogueIndex, noise: ErrorModel) -> np.ndarray:
    """Exact, close or wrong; by chance 5, 15 and 80 % of pairs are so (assumed, no source)."""
    odds = np.zeros((index.n_families, len(connectors), index.colour.shape[1]))
    wrong = max(1.0 - noise.pins_exact - noise.pins_close, 0.01)
    for i, connector in enumerate(connectors):
        if connector.pins is not None:
            off = np.abs(index.pins - np.array(connector.pins))
            exact, close = off.sum(axis=2) == 0, (off[..., 0] == 0) & (off[..., 1] <= 2)
            ratio = np.where(
                exact, noise.pins_exact / 0.05, np.where(close, noise.pins_close / 0.15, wrong / 0.8)
            )
            odds[:, i] = np.log(ratio)
    return odds


def _place_odds(connectors, index: CatalogueIndex, noise: ErrorModel, turned: bool, odds) -> np.ndarray:
    """Places held against the catalogue's, once a shift that all of them share is taken out.

    A side wall in view, or an outline that takes in too much, moves every plug alike. The shift is normal
    about zero and sought for each family by expectation maximisation, first widely, then closely; which plug
    is which is weighed by all else that is seen (`odds`). What it costs the places bear in equal parts.
    """
    out = np.zeros_like(odds)
    rows = [i for i, c in enumerate(connectors) if c.place is not None]
    if not rows:
        return out
    seen = np.array([connectors[i].place for i in rows]) * (-1.0 if turned else 1.0)
    off = seen[:, None] - index.place[:, None]  # (n_families, n_places, M, 2)
    exists = np.arange(odds.shape[2]) < index.counts[:, None, None]
    weight = np.where(exists, odds[:, rows], -_NEVER)
    close, far = noise.place_sd**2, noise.place_shift**2
    squared = unshifted = (off**2).sum(axis=3)
    for spread in (close + far, 4.0 * close, 2.25 * close, close, close):
        chance = np.exp(weight - 0.5 * squared / spread) / (2 * np.pi * spread)
        share = chance / (chance.sum(axis=2, keepdims=True) + 1.0)
        pull = np.einsum("fij,fijk->fk", share, off) / (far * share.sum(axis=(1, 2)) + close)[:, None]
        along = np.einsum("fijk,fk->fij", off, 2.0 * far * pull)
        squared = unshifted - along + far**2 * (pull**2).sum(axis=1)[:, None, None]
    cost = _shift_cost(pull, len(rows), noise) / len(rows)
    out[:, rows] = _place_log_density(squared / close, noise) + cost[:, None, None]
    return out


def _shift_cost(pull: np.ndarray, n_places: int, noise: ErrorModel) -> np.ndarray:
    """Log density of a shift of `pull` times `place_shift` squared, and of how closely n places tell it.

    Summed over all shifts the places are normal with one covariance between any two (Laplace's method, exact
    where it is certain which plug is which).
    """
    far = noise.place_shift**2
    return -0.5 * far * (pull**2).sum(axis=1) - np.log1p(n_places * far / noise.place_sd**2)


def gap_costs(connectors: tuple[Connector, ...], noise: ErrorModel) -> tuple[float, np.ndarray]:
    """Cost of a missed connector, and of each seen one being none at all (more where it was doubtful).

    Parameters
    ----------
    connectors : tuple of Connector, length n_seen
    noise : ErrorModel

    Returns
    -------
    log_miss : float, nats
    log_extra : float ndarray, shape (n_seen,), nats
    """
    doubt = np.array([0.5 * (1.0 - c.confidence) for c in connectors])
    return float(np.log(noise.miss)), np.log(noise.extra + (1.0 - noise.extra) * doubt)


def score_alignments(
    log_odds: np.ndarray, counts: np.ndarray, log_miss: float, log_extra: np.ndarray
) -> np.ndarray:
    """Score of the best alignment for every family at once.

    Parameters
    ----------
    log_odds : float ndarray, shape (n_families, n_seen, M)
    counts : int ndarray, shape (n_families,)
        Connectors of each family; columns beyond are ignored.
    log_miss : float
    log_extra : float ndarray, shape (n_seen,)

    Returns
    -------
    score : float ndarray, shape (n_families,), nats
    """
    return _fill(log_odds, log_miss, log_extra)[np.arange(len(counts)), -1, counts]


def _fill(log_odds: np.ndarray, log_miss: float, log_extra: np.ndarray) -> np.ndarray:
    n_families, n_seen, most = log_odds.shape
    table = np.empty((n_families, n_seen + 1, most + 1))
    table[:, 0] = log_miss * np.arange(most + 1)
    for i in range(n_seen):
        table[:, i + 1, 0] = table[:, i, 0] + log_extra[i]
        for j in range(most):
            best = np.maximum(table[:, i, j] + log_odds[:, i, j], table[:, i, j + 1] + log_extra[i])
            table[:, i + 1, j + 1] = np.maximum(best, table[:, i + 1, j] + log_miss)
    return table


def align(log_odds: np.ndarray, log_miss: float, log_extra: np.ndarray) -> Alignment:
    """Best alignment to one family, traced back.

    Parameters
    ----------
    log_odds : float ndarray, shape (n_seen, n_known)
    log_miss : float, nats
    log_extra : float ndarray, shape (n_seen,), nats

    Returns
    -------
    alignment : Alignment
    """
    table = _fill(log_odds[None], log_miss, log_extra)[0]
    i, j = log_odds.shape
    pairs, missed, extra = [], [], []
    while i or j:
        if i and j and table[i, j] == table[i - 1, j - 1] + log_odds[i - 1, j - 1]:
            i, j = i - 1, j - 1
            pairs.append((i, j))
        elif i and table[i, j] == table[i - 1, j] + log_extra[i - 1]:
            i -= 1
            extra.append(i)
        else:
            j -= 1
            missed.append(j)
    score = float(table[log_odds.shape])
    return Alignment(score, tuple(reversed(pairs)), tuple(reversed(missed)), tuple(reversed(extra)))
