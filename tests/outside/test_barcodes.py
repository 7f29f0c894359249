"""Check characters of barcodes by the standards' own rules.

Sources: ISO/IEC 15417 (Code 128), ISO/IEC 16388 (Code 39), both from memory.
"""

import numpy as np
from barcode.codex import Code39, Code128
from plugface.vision.barcodes import read_codes

# Values of Code 39's characters, ISO/IEC 16388 (from memory).
_CODE39 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"


def _read(modules: str) -> list[str]:
    """What is read of bars drawn on a white label; "1" is a dark module."""
    bars = np.where(np.array(list(modules)) == "1", 20, 235).astype(np.uint8)
    label = np.pad(np.kron(bars, np.ones((90, 4), np.uint8)), 48, constant_values=235)
    height, width = label.shape
    corners = ((0, 0), (width, 0), (width, height), (0, height))
    return [code.payload for code in read_codes(label, [corners])]


def test_code128_check_character_by_hand():
    """ISO/IEC 15417: start character plus position times value, modulo 103."""
    # "PJJ123C" with start A (103) is a widely printed example: P 48, J 42, J 42, 1 17, 2 18, 3 19, C 35 give
    # check 54.
    values = [48, 42, 42, 17, 18, 19, 35]
    weighted = sum(k * v for k, v in enumerate(values, 1))
    assert (103 + weighted) % 103 == 54
    # The writer used here starts with B (104); the last character before its stop is the check: 55, drawn as
    # 11101000110 (table of the standard, from memory). The reader accepts that symbol and no other ending.
    modules = Code128("PJJ123C").build()[0]
    assert modules[-24:-13] == "11101000110"
    assert _read(modules) == ["PJJ123C"]
    assert _read(modules[:-24] + "11101011000" + modules[-13:]) == []


def test_code39_check_character_by_hand():
    """ISO/IEC 16388, annex A: sum of the values modulo 43."""
    # "CODE39" gives 12+24+13+14+3+9 = 75, 75 mod 43 = 32, which is W.
    value = sum(_CODE39.index(c) for c in "CODE39") % 43
    assert _CODE39[value] == "W"
    writer = Code39("CODE39", add_checksum=True)
    assert writer.get_fullcode() == "CODE39W"
    # A reader cannot know whether the last character is a check (annex A leaves it open), so it is given too.
    assert _read(writer.build()[0]) == ["CODE39W"]
