"""Everything written on one unit, or beside all units: one call each for the observer."""

import string
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from plugface.vision.barcodes import join_codes, read_codes
from plugface.vision.geometry import (
    as_polygon,
    cut_out,
    level_corners,
    lies_on_any,
    map_back,
    quad_of,
    side_lengths,
)
from plugface.vision.observations import Code, Fault, Polygon, Text
from plugface.vision.ocr.cast_marks import CastReader, amount_read, read_mark, settles
from plugface.vision.ocr.label_text import find_rows, join_row, part_boxes, read_label
from plugface.vision.ocr.readers import (
    NO_TESSERACT,
    LineReader,
    RapidReader,
    TesseractReader,
    find_tesseract,
    read_boxes,
)
from plugface.vision.ocr.text_boxes import TextBox, classify_kind, find_text, search_text
from plugface.vision.photo import Photo
from plugface.vision.quality import mirrored_fault

#: Capitals, figures and what joins them: what foundries cast (common practice, no source).
CAST_ALPHABET = string.ascii_uppercase + string.digits + "-/."

CAST_READER_FILE = Path(__file__).parents[1] / "weights" / "cast_reader.onnx"
NO_CAST_READER = (
    "The weights of the reader of cast marks are not installed, so those were read by the general reader "
    "alone; install plugface again to have both."
)

_SEARCH_SIDE_PX = 960  # a unit or photo of which nothing is known is searched for text at this size
_BESIDE_SIDE_PX = 512  # what lies beside the units is looked at less closely
# Where nothing that was read tells a number, the whole photo is searched at this size. Our choice: of 447
# lines on real photographs that no figure is taken from, 338 were read so by themselves, 331 at 1,280 pixels,
# for a seventh fewer pixels searched in all (2026-11-30).
_CLOSER_SIDE_PX = 1600
_WORTH_CLOSER = 1.3  # and only where that shows it larger by this factor than the search before. Our choice
_FIGURES = 5  # of a number that tells something. Our choice
_ROOMIER = 1.1  # size of a label's second outline over that of its mask. Our choice
_SURE = 0.9  # text that the general reader reads so well needs no reader for relief
_PRINT_SIGNS = 3  # of a line that is print though it looks cast. Our choice
_LABEL_OVER_TEXT = 1.35  # size of a label over that of the lines on it
# What a line says of the way up counts less when less than this speaks for it: evidence of the way where both
# were compared, else characters read. A mark passes ORIENTATION_RESOLVED in
# `resolve_orientation` so where its evidence is over 1.
_PLENTY = 3.0
_LITTLE_WAY = 0.05
_MIN_REGION_PX = 24  # mask pixels: smaller specks hold no text
MIN_CONFIDENCE = 0.35  # readings under it were bars, rims and grain on studio labels, never a number
_MARK_SIDE_PX = 320  # a region with a mark is searched at this size
# Share of its height that a found line is lengthened by at both ends, for it misses a figure set apart: 13
# more characters of 802 in marks of the training and calibration splits (2026-11-25).
_ENDS = 0.6
_MAX_MARKS = 3  # boxes that look cast and are read as such, in a search


@dataclass(frozen=True)
class TextRegion:
    """Where a segmenter saw something written."""

    polygon: Polygon  # photo pixels
    kind: Literal["label", "cast", "scrawl"]


@dataclass(frozen=True, eq=False)
class Readers:
    """The readers at hand, and what is missing in words."""

    lines: LineReader
    second: TesseractReader | None
    cast: tuple[LineReader, ...]  # those that read a cast mark, in the order of asking
    notes: tuple[str, ...] = ()
    find_text: Callable[..., tuple[TextBox, ...]] = find_text  # a picture, and `max_side`


@lru_cache(maxsize=2)
def load_readers(cast_reader: Path | None = None) -> Readers:
    """The readers of this installation. Tesseract may be missing; the others come with the packages.

    Parameters
    ----------
    cast_reader : Path, optional
        File of the reader of cast marks; the one that comes along by default.

    Returns
    -------
    readers : Readers
    """
    cast_reader = cast_reader or CAST_READER_FILE
    lines = RapidReader()
    second = find_tesseract()
    trained = (CastReader(cast_reader),) if cast_reader.is_file() else ()
    notes = (() if second else (NO_TESSERACT,)) + (() if trained else (NO_CAST_READER,))
    return Readers(lines, second, (*trained, lines), notes)


def read_unit_texts(
    photo: Photo,
    unit: Polygon,
    regions: Sequence[TextRegion] = (),
    *,
    alphabet: str = CAST_ALPHABET,
    search: bool = True,
    readers: Readers | None = None,
    decode_codes: Callable[..., tuple[Code, ...]] = read_codes,
) -> tuple[tuple[Text, ...], tuple[Code, ...], tuple[str, ...]]:
    """Read labels, cast marks and codes of one unit.

    Parameters
    ----------
    photo : Photo
    unit : Polygon, photo pixels
    regions : sequence of TextRegion
        Where text was seen, as `find_regions` gives them.
    alphabet : str
        Characters that cast marks can hold; empty for any.
    search : bool
        Search the whole unit for text and codes where `regions` is empty; takes about a second.
    readers : Readers, optional
    decode_codes : callable
        Stands in for `read_codes`.

    Returns
    -------
    texts : tuple of Text
        Polygons in photo pixels, top-left corner of the text first: the first side gives its direction.
    codes : tuple of Code
    notes : tuple of str
        What could not be done.
    """
    readers = readers or load_readers()
    grey = photo.grey
    labels = [region.polygon for region in regions if region.kind == "label"]
    unknown = search and not regions
    texts: list[Text] = []
    with ThreadPoolExecutor(1) as beside:  # the decoder of codes leaves the interpreter to others
        reading = beside.submit(decode_codes, grey, [unit] if unknown else labels, whole=False)
        for label in labels:
            texts += _read_label_region(grey, label, readers)
        for region in regions:
            if region.kind != "label":
                texts += _read_line_region(grey, region, readers, alphabet)
        if unknown:
            texts += _search(grey, quad_of(unit), readers, side=_SEARCH_SIDE_PX, alphabet=alphabet)[0]
        codes = reading.result()
    if unknown:  # what is lost in the whole unit can be seen in the label alone
        codes = join_codes(decode_codes(grey, _label_outline(texts), whole=False), codes)
    return _each_once(_without_noise(texts, codes)), codes, readers.notes


def find_regions(
    mask: np.ndarray,
    to_photo: np.ndarray,
    kind: Literal["label", "cast", "scrawl"],
    unit: Polygon,
    *,
    least: float = 0.5,
) -> tuple[TextRegion, ...]:
    """Regions of one kind on one unit, largest first.

    Parameters
    ----------
    mask : float ndarray, shape (h, w)
        Probability of that kind per pixel.
    to_photo : float ndarray, shape (2, 3)
        From mask pixels to photo pixels.
    kind : str
    unit : Polygon, photo pixels
        Regions with their centre outside it are left out.
    least : float
        Probability from which a pixel counts.

    Returns
    -------
    regions : tuple of TextRegion
    """
    joined = cv2.morphologyEx((mask >= least).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    found = []
    for index in sorted(range(1, count), key=lambda i: -stats[i, cv2.CC_STAT_AREA]):
        if stats[index, cv2.CC_STAT_AREA] < _MIN_REGION_PX:
            break
        contours, _ = cv2.findContours(
            (labels == index).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        hull = cv2.convexHull(np.concatenate(contours)).reshape(-1, 2).astype(np.float64)
        points = hull @ to_photo[:, :2].T + to_photo[:, 2]
        polygon = tuple((float(x), float(y)) for x, y in points)
        if len(polygon) >= 3 and lies_on_any(polygon, [unit]):
            found.append(TextRegion(polygon, kind))
    return tuple(found)


def measure_text_up(texts: Sequence[Text]) -> tuple[float | None, float]:
    """Upward direction of lines of text, weighted by how well and how much they read.

    Parameters
    ----------
    texts : sequence of Text
        Of one kind and one side of one unit: cast marks, or the lines of a label.

    Returns
    -------
    up_deg : float or None
        Degrees counter-clockwise, 90 is up on the picture, in -180..180; None where nothing was read.
    confidence : float
        0..1. Of cast marks it grows with `Text.flip_evidence`. Else the length of the mean direction
        (Mardia & Jupp, Directional Statistics, 2000), times the best confidence, less where little was
        read: a few signs are read upside down as well.
    """
    sides = [np.subtract(text.polygon[1], text.polygon[0]) for text in texts]
    along = [side / max(float(np.linalg.norm(side)), 1e-9) for side in sides]
    compared = [
        (text.flip_evidence, side)
        for text, side in zip(texts, along, strict=True)
        if text.flip_evidence is not None
    ]
    if compared:  # with little to go by the way round stays as it was read
        total = sum((max(way, _LITTLE_WAY) * side for way, side in compared), np.zeros(2))
        return _up_of_line(total), min(1.0, float(np.linalg.norm(total)) / _PLENTY)
    weights = [amount_read(text) for text in texts]
    if not texts or sum(weights) <= 0:
        return None, 0.0
    mean = np.average(along, axis=0, weights=weights)
    confidence = float(np.linalg.norm(mean)) * max(text.confidence for text in texts)
    return _up_of_line(mean), min(1.0, confidence * min(1.0, max(weights) / _PLENTY))


def _up_of_line(side: np.ndarray) -> float:
    """Degrees counter-clockwise of what is up for a line that runs along `side`, y down."""
    return float(np.degrees(np.arctan2(side[0], side[1])))  # a quarter to the left of reading, y turned up


def read_photo_texts(
    photo: Photo,
    units: Sequence[Polygon] = (),
    known: Sequence[Text] = (),
    known_codes: Sequence[Code] = (),
    *,
    readers: Readers | None = None,
    decode_codes: Callable[..., tuple[Code, ...]] = read_codes,
) -> tuple[tuple[Text, ...], tuple[Code, ...], tuple[str, ...], np.ndarray | None]:
    """Read what stands beside every unit (a donor's plate, a label, a card), and what was missed on one.

    Little was read where a wrong part of a unit was outlined for a label, or where it is no unit at all.

    Parameters
    ----------
    photo : Photo
    units : sequence of Polygon, photo pixels
    known : sequence of Text
        What was read on them: it is not read again. Cast marks are looked for beside units alone.
    known_codes : sequence of Code
        What was decoded on them: a unit that has one is left alone.
    readers : Readers, optional
    decode_codes : callable
        Stands in for `read_codes`.

    Returns
    -------
    texts, codes, notes
        As `read_unit_texts` gives them.
    traces : float32 ndarray, shape (h, w), or None
        Where traces of text were seen in the whole photo, units too, for `read_closer`.
    """
    readers = readers or load_readers()
    grey = photo.grey
    coded = [unit for unit in units if any(lies_on_any(code.polygon, [unit]) for code in known_codes)]
    with ThreadPoolExecutor(1) as beside:
        reading = beside.submit(decode_codes, grey, avoid=coded)
        outlines = [text.polygon for text in known]
        texts, traces = _search(grey, _frame(photo), readers, side=_side_beside(units), avoid=outlines)
        codes = reading.result()
    on_units = _new_print([text for text in texts if lies_on_any(text.polygon, units)], known)
    texts = [text for text in texts if not lies_on_any(text.polygon, units)]
    outline = _label_outline(texts)
    codes = join_codes(decode_codes(grey, outline, whole=False, avoid=coded), codes)
    return _without_noise([*texts, *on_units], [*codes, *known_codes]), codes, readers.notes, traces


def _new_print(texts: Sequence[Text], known: Sequence[Text]) -> list[Text]:
    """What is printed where nothing is known of yet.

    Print on a dark or rough face looks cast here and there: what the reader of print is sure of is print.
    """
    return [
        replace(text, kind="printed")
        for text in texts
        if (text.kind == "printed" or (text.confidence >= _SURE and len(text.value) >= _PRINT_SIGNS))
        and not any(lies_on_any(one.polygon, [text.polygon]) for one in known)
    ]


def read_closer(
    photo: Photo,
    units: Sequence[Polygon],
    known: Sequence[Text],
    codes: Sequence[Code] = (),
    *,
    traces: np.ndarray | None = None,
    readers: Readers | None = None,
) -> tuple[Text, ...]:
    """What more is printed on a photo, looked for more closely where what is known of it tells no number.

    Small print on a unit is lost where the segmenter saw no label, and so is what stands beside a unit that
    fills the photo.

    Parameters
    ----------
    photo : Photo
    units : sequence of Polygon, photo pixels
        Those that `read_photo_texts` was given: with none the photo was searched more closely there.
    known : sequence of Text
        All that was read so far, on units and beside them.
    codes : sequence of Code
        All that were decoded: one of them tells enough.
    traces : float ndarray, shape (h, w), optional
        As `read_photo_texts` gives them: nothing is looked for elsewhere.
    readers : Readers, optional

    Returns
    -------
    texts : tuple of Text
        Where nothing is known of yet; none where no closer look was needed, or it would show hardly more.
    """
    long_side = max(photo.width_px, photo.height_px)
    larger = min(long_side, _CLOSER_SIDE_PX) / min(long_side, _side_beside(units))
    if codes or larger < _WORTH_CLOSER or any(_tells_number(text) for text in known):
        return ()
    readers = readers or load_readers()
    outlines = [text.polygon for text in known]
    found, _ = _search(
        photo.grey,
        _frame(photo),
        readers,
        side=_CLOSER_SIDE_PX,
        traces=traces,
        avoid=outlines,
        read_marks=False,
    )
    return tuple(_new_print(_without_noise(found, codes), known))


def _side_beside(units: Sequence[Polygon]) -> int:
    """Long side at which a whole photo is searched for what stands beside these units."""
    return _BESIDE_SIDE_PX if units else _SEARCH_SIDE_PX


def find_mirroring(photo: Photo, texts: Sequence[Text], *, readers: Readers | None = None) -> Fault | None:
    """Whether the photo is flipped left to right: the longest lines are read again in the mirror.

    Parameters
    ----------
    photo : Photo
    texts : sequence of Text
        As read from the photo. One long line that reads well settles it: mirrored ones do not.
    readers : Readers, optional

    Returns
    -------
    fault : Fault or None
    """
    readers = readers or load_readers()
    if any(t.confidence >= 0.9 and len(t.value.replace(" ", "")) >= 6 for t in texts):
        return None
    printed = [t for t in texts if t.kind == "printed" and t.height_px >= 10]
    longest = sorted(printed, key=lambda t: -side_lengths(np.asarray(t.polygon, np.float32))[0])[:3]
    faults = []
    for text in longest:
        ways = [np.roll(np.asarray(text.polygon, np.float32), -turn, axis=0) for turn in (0, 2)]
        strips = [np.ascontiguousarray(cut_out(photo.grey, corners)[0][:, ::-1]) for corners in ways]
        best = max(readers.lines.read_strips(strips), key=lambda r: r.confidence * len(r.value))
        if len(best.value) >= 4:
            plain = text.confidence * min(1.0, len(text.value) / len(best.value))
            faults.append(mirrored_fault(plain, best.confidence))
    return max((f for f in faults if f is not None), key=lambda f: f.measured, default=None)


def _read_label_region(grey: np.ndarray, label: Polygon, readers: Readers) -> tuple[Text, ...]:
    """A label in the outline that describes its mask best; where no number came of that, in a roomier one.

    Where nothing at all was read the roomier outline gave no number either, in 85 regions of the train and
    calibration splits.
    """
    texts = read_label(grey, quad_of(label), readers.lines, readers.second, find=readers.find_text)
    if not texts or any(_tells_number(text) for text in texts):
        return texts
    rectangle = cv2.boxPoints(cv2.minAreaRect(np.asarray(label, np.float32)))
    roomier = level_corners(rectangle.mean(axis=0) + _ROOMIER * (rectangle - rectangle.mean(axis=0)))
    again = read_label(grey, roomier, readers.lines, readers.second, find=readers.find_text)
    return max(texts, again, key=lambda read: sum(map(amount_read, read)))


def _frame(photo: Photo) -> np.ndarray:
    """The photo's corners, (4, 2) float32."""
    right, bottom = photo.width_px, photo.height_px
    return np.asarray([(0, 0), (right, 0), (right, bottom), (0, bottom)], np.float32)


def _tells_number(text: Text) -> bool:
    return text.confidence >= _SURE and sum(c.isdigit() for c in text.value) >= _FIGURES


def _read_line_region(grey: np.ndarray, region: TextRegion, readers: Readers, alphabet: str) -> list[Text]:
    corners = quad_of(region.polygon)
    if region.kind == "scrawl":
        return read_boxes(grey, [TextBox(corners, 1.0)], readers.lines, kind="scrawl")
    read = read_mark(grey, corners, readers.cast, alphabet=alphabet)
    # The region is rough: what reads badly in it may read well in the box of the line itself, which often has
    # a rim for one letter more. On the train and calibration splits 88 marks of 142 were read right so, 79
    # where the longer of the two readings always counted, 87 in the region alone.
    if read is None or not settles(read):
        tight = _tightened(grey, corners, readers)
        again = None if tight is corners else read_mark(grey, tight, readers.cast, alphabet=alphabet)
        read = max((text for text in (read, again) if text is not None), key=amount_read, default=None)
    return [] if read is None else [read]


def _tightened(grey: np.ndarray, corners: np.ndarray, readers: Readers) -> np.ndarray:
    """The line of text inside a coarse region: a mask is rough, and a level strip reads better."""
    level, to_photo = cut_out(grey, corners, margin=0.6, max_side=2 * _MARK_SIDE_PX)
    boxes = readers.find_text(level, max_side=_MARK_SIDE_PX)
    if not boxes:
        return corners
    longest = max(boxes, key=lambda box: box.size[0] * box.score)
    along = longest.corners[1] - longest.corners[0]
    along /= max(float(np.linalg.norm(along)), 1e-6)
    across = np.array([-along[1], along[0]])
    centre, height = longest.corners.mean(axis=0), longest.size[1]
    row = [b for b in boxes if abs(float((b.corners.mean(axis=0) - centre) @ across)) < 0.5 * height]
    points = np.concatenate([box.corners for box in row])
    u, v = points @ along, points @ across
    left, right = u.min() - _ENDS * np.ptp(v), u.max() + _ENDS * np.ptp(v)
    frame = ((left, v.min()), (right, v.min()), (right, v.max()), (left, v.max()))
    line = np.asarray([a * along + b * across for a, b in frame], np.float32)
    return level_corners(map_back(line, to_photo))


def _search(
    grey: np.ndarray,
    corners: np.ndarray,
    readers: Readers,
    *,
    side: int,
    traces: np.ndarray | None = None,
    avoid: Sequence[Polygon] = (),
    alphabet: str = CAST_ALPHABET,
    read_marks: bool = True,
) -> tuple[list[Text], np.ndarray | None]:
    """Find and read text where nothing is known, one reading direction for all boxes of one lean.

    The picture is searched at this long side; with `traces` of it, round them alone. Without `read_marks`
    what looks cast is not read as such. The traces seen are given too, by our own finder alone.
    """
    level, to_photo = cut_out(grey, corners, margin=0.02, max_side=2 * side)
    if readers.find_text is find_text:
        found, seen = search_text(level, max_side=side, traces=traces)
    else:
        found, seen = readers.find_text(level, max_side=side), None
    boxes = [TextBox(level_corners(map_back(box.corners, to_photo)), box.score) for box in found]
    boxes = [box for box in boxes if not lies_on_any(as_polygon(box.corners), avoid)]
    texts: list[Text] = []
    for group in _by_lean(boxes):
        read = read_boxes(grey, part_boxes(grey, group), readers.lines)
        cast = [
            classify_kind(cut_out(grey, np.asarray(t.polygon, np.float32), height_px=48)[0]) == "cast"
            for t in read
        ]
        # Worn print looks cast here and there: its neighbours tell, and no housing bears a page of cast text.
        on_label = 2 * sum(cast) < len(read) or sum(cast) > _MAX_MARKS
        printed = [t for t, is_cast in zip(read, cast, strict=True) if on_label or not is_cast]
        texts += [joined for row in find_rows(printed) for joined in join_row(row)]
        for text in [t for t, is_cast in zip(read, cast, strict=True) if is_cast and not on_label]:
            better = None
            if read_marks and text.confidence < _SURE:
                better = read_mark(
                    grey, np.asarray(text.polygon, np.float32), readers.cast, alphabet=alphabet
                )
            texts.append(better or replace(text, kind="cast"))
    return texts, seen


def _label_outline(texts: Sequence[Text]) -> list[Polygon]:
    """Where a label seems to be: round three printed lines or more."""
    printed = [corner for text in texts if text.kind == "printed" for corner in text.polygon]
    if len(printed) < 3 * 4:
        return []
    corners = cv2.boxPoints(cv2.minAreaRect(np.asarray(printed, np.float32)))
    centre = corners.mean(axis=0)
    return [as_polygon(centre + _LABEL_OVER_TEXT * (corners - centre))]


def _by_lean(boxes: Sequence[TextBox], tolerance_deg: float = 20.0) -> list[list[TextBox]]:
    """Boxes in groups whose long sides lean alike, longest first; each may start at either end."""
    groups: list[tuple[float, list[TextBox]]] = []
    for box in sorted(boxes, key=lambda b: -b.size[0]):
        x, y = box.corners[1] - box.corners[0]
        lean = float(np.degrees(np.arctan2(y, x)))
        for angle, group in groups:
            if abs((lean - angle + 90.0) % 180.0 - 90.0) < tolerance_deg:
                group.append(box)
                break
        else:
            groups.append((lean, [box]))
    return [group for _, group in groups]


def _without_noise(texts: Sequence[Text], codes: Sequence[Code]) -> tuple[Text, ...]:
    """Texts that are more than the bars of a code or the grain of a surface."""
    bars = [code.polygon for code in codes]
    return tuple(
        text
        for text in texts
        if text.kind == "cast" or (text.confidence >= MIN_CONFIDENCE and not lies_on_any(text.polygon, bars))
    )


def _each_once(texts: Sequence[Text]) -> tuple[Text, ...]:
    """Texts without those that say the same as another at its place: two regions can lie over one mark."""
    kept: list[Text] = []
    for text in sorted(texts, key=amount_read, reverse=True):
        same = [other.polygon for other in kept if (other.kind, other.value) == (text.kind, text.value)]
        if not lies_on_any(text.polygon, same):
            kept.append(text)
    return tuple(text for text in texts if any(text is other for other in kept))
