"""Which characters are read for which, from counts on printed lines whose truth is known.

The counts are made by cli/evaluation/measure_confusions.py on lines of random characters, so they know no
catalogue.
"""

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
from plugface.models.learning.model_error import ModelError

CONFUSIONS_FILE = Path(__file__).parents[1] / "data" / "confusions.json"

#: How many characters the assumed shares are worth, so that what was never seen is not impossible.
PRIOR_COUNT = 10.0


@lru_cache(maxsize=1)
def load_confusions() -> dict:
    """The counts as they were measured: "read", "lost", "added", and how they were made.

    Raises
    ------
    ModelError
        If the file that comes with the program is missing or damaged.
    """
    try:
        return json.loads(CONFUSIONS_FILE.read_text(encoding="utf-8"))
    except (OSError, ValueError):  # undecodable bytes and broken JSON are both ValueErrors
        problem = "the counts of characters read for one another are missing or damaged"
        raise ModelError(str(CONFUSIONS_FILE), problem, "Install plugface again") from None


def blend_confusions(
    counts: dict, assumed: tuple[tuple[float, ...], ...], alphabet: str
) -> tuple[tuple[float, ...], ...]:
    """Shares of what is read for each character.

    Parameters
    ----------
    counts : dict
        As `load_confusions` gives them.
    assumed : n rows of n floats
        Rows true, columns read, each row of sum 1: what is believed where nothing was counted.
    alphabet : str of n characters

    Returns
    -------
    shares : n rows of n floats
        Rows true, columns read: the mean of a Dirichlet distribution whose prior is `assumed`.
    """
    table = PRIOR_COUNT * np.array(assumed)
    for true, row in counts["read"].items():
        for read, count in row.items():
            table[alphabet.index(true), alphabet.index(read)] += count
    table /= table.sum(axis=1, keepdims=True)
    return tuple(tuple(float(v) for v in row) for row in table)
