"""Machine-readable codes as module matrices, from the barcode libraries."""

import numpy as np


def encode(symbology: str, payload: str) -> np.ndarray:
    """Modules of a code without its quiet zone.

    Returns
    -------
    modules : bool ndarray, shape (rows, columns)
        True where dark. One row for the linear codes.
    """
    # Imported here: a plan draws no code and does without the studio's libraries.
    import segno
    from barcode.codex import Code39, Code128
    from ppf.datamatrix import DataMatrix

    if symbology == "Code 128":
        return _bars(Code128(payload).build())
    if symbology == "Code 39":
        return _bars(Code39(payload, add_checksum=False).build())
    if symbology == "Data Matrix":
        return np.array(DataMatrix(payload).matrix, bool)
    if symbology == "QR":
        return np.array([list(row) for row in segno.make(payload, micro=False, error="m").matrix], bool)
    raise ValueError(f"no such symbology: {symbology}")


def _bars(lines: list[str]) -> np.ndarray:
    return np.array([[module == "1" for module in lines[0]]], bool)
