"""Part numbers as drawn makers print them: formats of our own, letters mixed in, none with a leading nought.

No real maker's grouping is meant: neither three threes, nor one digit before three threes.
"""

import numpy as np

#: A is a letter that cannot be taken for a digit, D a digit but nought, N any digit; the rest is printed as
#: it is.
FORMATS = (
    "AA-DNNN.AN",
    "DNNNA/NN",
    "A DNNNN AA",
    "DNAA-DNNN",
    "AADN-NNA-DN",
    "DNNN AAA DN",
    "AN.DNNN.NNA",
    "DNNNNN-AA",
    "AAA DN/DNN",
    "DNA.DNA.DNA",
)
_LETTERS = "ABCDEFGHJKLMNPRTUVWXYZ"


def draw_number(rng: np.random.Generator) -> str:
    """A number in one of the formats."""
    classes = {"A": _LETTERS, "D": "123456789", "N": "0123456789"}
    form = FORMATS[int(rng.integers(len(FORMATS)))]
    return "".join(classes[c][int(rng.integers(len(classes[c])))] if c in classes else c for c in form)
