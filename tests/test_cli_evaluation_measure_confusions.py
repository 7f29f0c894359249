"""Confusions are counted by what stands for what."""

from plugface.cli.evaluation.measure_confusions import count_confusions
from plugface.vision.observations import Character
from plugface.vision.ocr.readers import Reading


def _read(value: str, share: float = 0.9) -> Reading:
    return Reading.of([Character(((c, share),)) for c in value], "a")


def test_characters_are_counted_in_pairs() -> None:
    counts = count_confusions([("B80", _read("880")), ("A1", _read("a-1")), ("QXZ", _read("QZ"))])
    assert counts["lines"] == 3
    assert counts["read"]["B"] == {"8": 1}
    assert counts["read"]["8"] == {"8": 1}
    assert counts["read"]["A"] == {"A": 1}  # case and punctuation do not count
    assert (counts["lost"], counts["added"]) == (1, 0)


def test_readings_that_nobody_would_keep_are_left_out() -> None:
    counts = count_confusions([("AB", _read("XY", share=0.2)), ("AB", _read("ABC"))])
    assert counts["lines"] == 1
    assert counts["read"]["A"] == {"A": 1}
    assert counts["added"] == 1
