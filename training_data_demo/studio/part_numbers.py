"""Part numbers as drawn makers print them: formats of our own, letters mixed in, none with a leading nought.

No real maker's grouping is meant: neither three threes of letters and digits, nor one before three threes.
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
    "DNA.DNAD.NA",
)
_LETTERS = "ABCDEFGHJKLMNPRTUVWXYZ"


_CLASSES = {"A": _LETTERS, "D": "123456789", "N": "0123456789"}
_PATTERNS = {"A": "[A-Z]", "D": "[1-9]", "N": "[0-9]"}


def draw_number(rng: np.random.Generator) -> str:
    """A number in one of the formats."""
    return fill_form(FORMATS[int(rng.integers(len(FORMATS)))], rng)


def fill_form(form: str, rng: np.random.Generator) -> str:
    """A number in this format."""
    return "".join(_CLASSES[c][int(rng.integers(len(_CLASSES[c])))] if c in _CLASSES else c for c in form)


def pattern_of(form: str) -> str:
    """The pattern (RE2 syntax) that a format's numbers match, written without blanks as catalogues do."""
    parts = (_PATTERNS.get(c) or ("\\" + c if c in ".-/" else c) for c in form if c != " ")
    return f"^{''.join(parts)}$"
