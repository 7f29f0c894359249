"""Cast marks: raised characters of the housing's own metal, seen by their shading alone."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from plugface.vision.geometry import cut_out, turned
from plugface.vision.observations import Character, Text
from plugface.vision.ocr.label_text import align_strings, pool_characters
from plugface.vision.ocr.readers import LineReader, Reading, decode_steps
from plugface.vision.onnx import load_network

_STRIP_HEIGHT_PX, _MARGIN = 64, 0.12
_CUTS = (0.12, 0.0, -0.05, 0.3)  # margins for the cast reader: a mask's edge is rough
_CUT_HEIGHT_PX = 80  # of a strip with the widest of them
_SURE = 0.9
# Readings of the cast reader so long and so sure ran the right way in 38 of 38 marks in regions of the
# calibration split, 2026-11-25.
_SETTLES, _SETTLES_LENGTH = 0.8, 4
#: From here on the way round goes by `flip_evidence` and not by what was read. Of marks of the train and
#: calibration splits, as they are and under corruptions of severity 3 (2026-11-26), it told the way right in
#: 384 of 387 where it was over 1, in 40 of 59 from 0.5 to 1.
_TELLS_WAY = 0.5
_MIN_ALLOWED = 0.15  # a sign whose allowed readings are rarer is the rim of a pad or a rib, not a character


class CastReader:
    """A recogniser of raised characters from an ONNX file.

    The network takes float32 (n, 1, h, w) strips of zero mean and unit deviation, w a multiple of 4, and
    answers probabilities (n, w / 4, 1 + n_characters), column 0 for none; height and characters stand in the
    file's metadata as `height` and `characters`. It was trained on relief under any light, so that strips
    need no preparation, and to say nothing of text that stands on its head.
    """

    method = "cast reader"

    def __init__(self, path: Path) -> None:
        self.path = path

    @cached_property
    def _facts(self) -> tuple[int, list[str]]:
        """Height of a strip, and the characters of the answer's columns; column 0 is none."""
        facts = load_network(str(self.path)).get_modelmeta().custom_metadata_map
        return int(facts["height"]), ["", *facts["characters"]]

    def read_strips(self, strips: Sequence[np.ndarray]) -> list[Reading]:
        """Readings of grey uint8 strips, shape (h, w) each, in order.

        Raises
        ------
        BrokenNetwork
            If the file is damaged.
        """
        return [decode_steps(self._answer(strip), self._facts[1], self.method) for strip in strips]

    def _answer(self, strip: np.ndarray) -> np.ndarray:
        height = self._facts[0]
        width = max(16, round(strip.shape[1] * height / strip.shape[0] / 4) * 4)
        tone = cv2.resize(strip, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32)
        fed = ((tone - tone.mean()) / (tone.std() + 1.0))[None, None]
        session = load_network(str(self.path))
        return session.run(None, {session.get_inputs()[0].name: fed})[0][0]


def cut_strips(grey: np.ndarray, box: np.ndarray, reader: LineReader) -> dict[str, np.ndarray]:
    """A line cut out in the ways that suit a reader: as it is for one trained on relief, else prepared.

    Parameters
    ----------
    grey : uint8 ndarray, shape (H, W)
    box : ndarray, shape (4, 2), photo pixels, top-left of the text first
    reader : LineReader

    Returns
    -------
    strips : dict of str to uint8 ndarray, shape (h, w)
    """
    if not isinstance(reader, CastReader):
        return prepare_relief(cut_out(grey, box, height_px=_STRIP_HEIGHT_PX, margin=_MARGIN)[0])
    widest = max(_CUTS)
    strip, _ = cut_out(grey, box, height_px=_CUT_HEIGHT_PX, margin=widest)
    line_px = strip.shape[0] / (1 + 2 * widest)
    edges = {f"margin {cut:g}": round((widest - cut) * line_px) for cut in _CUTS}
    return {
        name: strip[edge : strip.shape[0] - edge, edge : strip.shape[1] - edge]
        for name, edge in edges.items()
        if strip.shape[1] > 2 * edge
    }


def prepare_relief(grey: np.ndarray) -> dict[str, np.ndarray]:
    """Pictures of a strip in which raised characters may look like print.

    Light from one side makes one flank of every stroke bright and the other dark, so that neither tone alone
    draws the character. Each preparation undoes that for another case.

    Parameters
    ----------
    grey : uint8 ndarray, shape (h, w)

    Returns
    -------
    prepared : dict of str to uint8 ndarray, shape (h, w)
        "even": local contrast evened out (CLAHE; Zuiderveld 1994). "flat": grain and the slow shading of the
        surface taken away. "reversed": that with light and dark exchanged, for shadows. "dark": what is
        darker than its surroundings, the shaded flanks. Of fourteen preparations tried on training photos
        these four read most together; the strength of the slope, the lit flanks alone and the slope
        integrated to a height added nothing.
    """
    height = grey.shape[0]
    plain = cv2.normalize(grey, np.empty_like(grey), 0, 255, cv2.NORM_MINMAX)
    tone = grey.astype(np.float32)
    flat = _stretched(
        cv2.GaussianBlur(tone, (0, 0), height / 24) - cv2.GaussianBlur(tone, (0, 0), height / 3)
    )
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (height // 4 | 1,) * 2)
    return {
        "even": cv2.createCLAHE(clipLimit=3.0, tileGridSize=(2, 6)).apply(plain),
        "flat": flat,
        "reversed": 255 - flat,
        "dark": 255 - _stretched(cv2.morphologyEx(plain, cv2.MORPH_BLACKHAT, kernel).astype(np.float32)),
    }


def _stretched(values: np.ndarray) -> np.ndarray:
    low, high = np.percentile(values, (1, 99))
    return np.clip((values - low) * (255.0 / max(float(high - low), 1e-6)), 0, 255).astype(np.uint8)


def read_mark(
    grey: np.ndarray,
    corners: np.ndarray,
    readers: Sequence[LineReader],
    *,
    alphabet: str = "",
    upside_down: bool | None = None,
) -> Text | None:
    """Read one line of raised characters.

    Parameters
    ----------
    grey : uint8 ndarray, shape (H, W)
        The photo.
    corners : ndarray, shape (4, 2), photo pixels
        The line, long side along it, as `quad_of` gives it.
    readers : sequence of LineReader
        In the order of asking; a way that reads nothing while the other is clear is not read by the next.
    alphabet : str
        Characters that can occur; empty for any.
    upside_down : bool, optional
        Whether the text runs against `corners`; None to find out.

    Returns
    -------
    text : Text or None
        None where no preparation gave a character. `method` names the preparations that agreed.
    """
    ways = [0, 1] if upside_down is None else [int(upside_down)]
    boxes = {way: turned(corners, 2 * way) for way in ways}
    read: dict[int, dict[str, Reading]] = {way: {} for way in ways}
    amounts = dict.fromkeys(ways, 0.0)
    seen: dict[int, float] = {}
    for reader in readers:
        clear = []
        for way in ways:
            readings, presence = _read_prepared(grey, boxes[way], reader, alphabet)
            if isinstance(reader, CastReader):
                seen[way] = presence
            if readings:
                reading = agree(readings)[1]
                amounts[way] += amount_read(reading)
                if isinstance(reader, CastReader) and settles(reading):
                    clear.append(way)
            read[way] |= readings
        if len(clear) == 1:  # both, or neither, say nothing
            ways = clear
    evidence = flip_evidence(seen[0], seen[1]) if len(seen) == 2 else None
    if evidence is not None and abs(evidence) >= _TELLS_WAY:
        way = int(evidence < 0)
    else:
        way = max(ways, key=lambda w: amounts[w])
    if not read[way]:
        return None
    text = agree(read[way])[1].placed(boxes[way], "cast")
    return text if evidence is None else replace(text, flip_evidence=evidence if way == 0 else -evidence)


def flip_evidence(presence: float, presence_turned: float) -> float:
    """How much speaks for one way round: the difference of what a reader that is silent on text upside down
    sees either way, less where it sees much in both, as in the scratches of a pad.

    Parameters
    ----------
    presence, presence_turned : float
        Steps of the reader's answer that hold a character (`Reading.presence`), mean over the strips.

    Returns
    -------
    evidence : float, steps
        Positive where the first way round is the right one.
    """
    return (presence - presence_turned) / (1.0 + 0.25 * (presence + presence_turned))


def amount_read(line: Reading | Text) -> float:
    """Confidence times characters: how much a line says, and how much it speaks for its direction."""
    return line.confidence * _length(line)


def _length(line: Reading | Text) -> int:
    return len(line.value.replace(" ", ""))


def settles(line: Reading | Text) -> bool:
    """Whether a line reads so long and so surely that no other try is needed; of the cast reader, which is
    silent on text upside down, that settles the direction too."""
    return line.confidence >= _SETTLES and _length(line) >= _SETTLES_LENGTH


def _read_prepared(
    grey: np.ndarray, box: np.ndarray, reader: LineReader, alphabet: str
) -> tuple[dict[str, Reading], float]:
    """Readings of the strips that gave any, and the mean presence in all that were read."""
    prepared = cut_strips(grey, box, reader)
    order = list(prepared)
    readings: dict[str, Reading] = {}
    presences: list[float] = []
    for names in (order[:2], order[2:]):
        read = reader.read_strips([prepared[name] for name in names])
        presences += [reading.presence for reading in read]
        kept = {name: _within(reading, alphabet) for name, reading in zip(names, read, strict=True)}
        readings |= {name: reading for name, reading in kept.items() if reading.value}
        if len({r.value for r in readings.values()}) == 1 and all(
            r.confidence > _SURE for r in readings.values()
        ):
            break
    return readings, float(np.mean(presences)) if presences else 0.0


def _within(reading: Reading, alphabet: str) -> Reading:
    if not alphabet:
        return reading
    allowed = set(alphabet) | {" "}
    kept = []
    for character in reading.characters:
        options = tuple(option for option in character.options if option[0] in allowed)
        if sum(share for _, share in options) > _MIN_ALLOWED:
            kept.append(Character(options))
    return Reading.of(kept, reading.method)


def agree(readings: dict[str, Reading]) -> tuple[float, Reading]:
    """What several readings of one strip say together.

    The string with the greatest summed confidence wins; every reading that aligns with it adds to the options
    of its characters, so that what the others saw there instead is not lost.

    Returns
    -------
    weight : float
        Summed confidence of the string, times its length: to compare directions with.
    reading : Reading
    """
    votes: dict[str, float] = {}
    for reading in readings.values():
        votes[reading.value] = votes.get(reading.value, 0.0) + reading.confidence**2
    value = max(votes, key=lambda v: (votes[v] * len(v.replace(" ", "")), v))
    leaders = [name for name, reading in readings.items() if reading.value == value]
    leader = max((readings[name] for name in leaders), key=lambda r: r.confidence)
    pooled, count = list(leader.characters), 1.0
    for reading in readings.values():
        if reading is leader:
            continue
        part = reading.confidence / (count + reading.confidence)
        for a, b in align_strings(value, reading.value):
            pooled[a] = pool_characters(pooled[a], reading.characters[b], part)
        count += reading.confidence
    method = f"{leader.method}, {' and '.join(leaders)}"
    return votes[value] * len(value.replace(" ", "")), Reading.of(pooled, method)
