"""Everything written on one unit, or beside all units: one call each for the observer."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from vision.barcodes import read_codes
from vision.cast_marks import CastReader, read_mark
from vision.label_text import find_rows, join_row, read_label
from vision.observations import Code, Fault, Polygon, Text
from vision.photo import Photo
from vision.quality import mirrored_fault
from vision.text import NO_TESSERACT, LineReader, RapidReader, TesseractReader, find_tesseract, read_boxes
from vision.text_regions import (
    TextBox,
    cut_out,
    find_text,
    level_corners,
    map_back,
    quad_of,
    side_lengths,
    tell_kind,
)

CAST_READER_FILE = Path(__file__).parent / "data" / "cast_reader.onnx"

_SEARCH_SIDE_PX = 960  # a unit or photo of which nothing is known is searched for text at this size
_DOUBTFUL = 0.6  # readings of a mark under this are tried upside down as well


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
    cast: LineReader
    notes: tuple[str, ...] = ()


@lru_cache(maxsize=1)
def load_readers() -> Readers:
    """The readers of this installation. Tesseract may be missing; the others come with the packages."""
    lines = RapidReader()
    second = find_tesseract()
    cast = CastReader(CAST_READER_FILE) if CAST_READER_FILE.is_file() else lines
    return Readers(lines, second, cast, () if second else (NO_TESSERACT,))


def read_unit_texts(
    photo: Photo,
    unit: Polygon,
    regions: Sequence[TextRegion] = (),
    *,
    up_deg: float | None = None,
    alphabet: str = "",
    readers: Readers | None = None,
) -> tuple[tuple[Text, ...], tuple[Code, ...], tuple[str, ...]]:
    """Read labels, cast marks and codes of one unit.

    Parameters
    ----------
    photo : Photo
    unit : Polygon, photo pixels
    regions : sequence of TextRegion
        Where text was seen; with none of them the unit is searched for text.
    up_deg : float, optional
        Direction of the unit's own upward axis, degrees counter-clockwise, 90 is up on the picture.
    alphabet : str
        Characters that cast marks can hold; empty for any.
    readers : Readers, optional

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
    labels = [quad_of(region.polygon) for region in regions if region.kind == "label"]
    texts: list[Text] = []
    for corners in labels:
        texts += read_label(grey, corners, readers.lines, readers.second)
    for region in regions:
        if region.kind != "label":
            texts += _read_line_region(grey, region, readers, up_deg, alphabet)
    if not regions:
        texts += _search(grey, quad_of(unit), readers, alphabet)
    where = [region.polygon for region in regions if region.kind == "label"]
    codes = read_codes(grey, where or [unit], whole=False)
    return tuple(texts), codes, readers.notes


def read_photo_texts(
    photo: Photo, units: Sequence[Polygon] = (), *, readers: Readers | None = None
) -> tuple[tuple[Text, ...], tuple[Code, ...], tuple[str, ...]]:
    """Read what stands outside every unit: a donor's plate, a label by itself, a card.

    Parameters
    ----------
    photo : Photo
    units : sequence of Polygon, photo pixels
        What lies on them is left out.
    readers : Readers, optional

    Returns
    -------
    texts, codes, notes
        As `read_unit_texts` gives them.
    """
    readers = readers or load_readers()
    grey = photo.grey
    frame = np.float32([(0, 0), (photo.width_px, 0), (photo.width_px, photo.height_px), (0, photo.height_px)])
    texts = [t for t in _search(grey, frame, readers, "") if not _on_any(t.polygon, units)]
    codes = tuple(c for c in read_codes(grey) if not _on_any(c.polygon, units))
    return tuple(texts), codes, readers.notes


def find_mirroring(photo: Photo, texts: Sequence[Text], *, readers: Readers | None = None) -> Fault | None:
    """Whether the photo is flipped left to right: the longest lines are read again in the mirror.

    Parameters
    ----------
    photo : Photo
    texts : sequence of Text
        As read from the photo. Lines that read well are left alone: mirrored ones do not.
    """
    readers = readers or load_readers()
    doubtful = [t for t in texts if t.kind == "printed" and t.confidence < 0.85 and t.height_px >= 10]
    doubtful = sorted(doubtful, key=lambda t: -side_lengths(np.float32(t.polygon))[0])[:3]
    if not doubtful or any(t.confidence >= 0.9 and len(t.value) >= 6 for t in texts):
        return None
    strips = [
        np.ascontiguousarray(cut_out(photo.grey, np.roll(np.float32(t.polygon), -turn, axis=0))[0][:, ::-1])
        for t in doubtful
        for turn in (0, 2)
    ]
    mirrored = max(r.confidence for r in readers.lines.read_strips(strips) if len(r.value) >= 4 or True)
    return mirrored_fault(max(t.confidence for t in doubtful), mirrored)


def _read_line_region(
    grey: np.ndarray, region: TextRegion, readers: Readers, up_deg: float | None, alphabet: str
) -> list[Text]:
    corners = quad_of(region.polygon)
    against = None if up_deg is None else _runs_against(corners, up_deg)
    if region.kind == "scrawl":
        boxes = [TextBox(corners, 1.0)]
        return read_boxes(grey, boxes, readers.lines, kind="scrawl", upside_down=against)
    text = read_mark(grey, corners, readers.cast, alphabet=alphabet, upside_down=against)
    if against is not None and (text is None or text.confidence < _DOUBTFUL):
        text = read_mark(grey, corners, readers.cast, alphabet=alphabet)
    return [] if text is None else [text]


def _runs_against(corners: np.ndarray, up_deg: float) -> bool:
    along = corners[1] - corners[0]
    reading = np.deg2rad(up_deg - 90.0)
    return float(along @ np.array([np.cos(reading), -np.sin(reading)])) < 0


def _search(grey: np.ndarray, corners: np.ndarray, readers: Readers, alphabet: str) -> list[Text]:
    """Find and read text where nothing is known, one reading direction for all boxes of one lean."""
    level, to_photo = cut_out(grey, corners, margin=0.02, max_side=2 * _SEARCH_SIDE_PX)
    boxes = [
        TextBox(level_corners(map_back(box.corners, to_photo)), box.score)
        for box in find_text(level, max_side=_SEARCH_SIDE_PX)
    ]
    texts: list[Text] = []
    for group in _by_lean(boxes):
        printed = []
        for box in group:
            strip, _ = cut_out(grey, box.corners, height_px=48)
            if tell_kind(strip) == "cast":
                mark = read_mark(grey, box.corners, readers.cast, alphabet=alphabet)
                texts += [] if mark is None else [mark]
            else:
                printed.append(box)
        read = read_boxes(grey, printed, readers.lines)
        texts += [joined for row in find_rows(read) for joined in join_row(row)]
    return texts


def _by_lean(boxes: Sequence[TextBox], tolerance_deg: float = 20.0) -> list[list[TextBox]]:
    """Boxes in groups whose long sides lean alike, longest first."""
    groups: list[tuple[float, list[TextBox]]] = []
    for box in sorted(boxes, key=lambda b: -b.size[0]):
        x, y = box.corners[1] - box.corners[0]
        lean = float(np.degrees(np.arctan2(y, x)))
        for angle, group in groups:
            if abs((lean - angle + 90.0) % 180.0 - 90.0) < tolerance_deg:
                against = np.cos(np.radians(lean - angle)) < 0
                group.append(replace(box, corners=np.roll(box.corners, -2, axis=0)) if against else box)
                break
        else:
            groups.append((lean, [box]))
    return [group for _, group in groups]


def _on_any(polygon: Polygon, units: Sequence[Polygon]) -> bool:
    x, y = np.mean(polygon, axis=0)
    return any(
        cv2.pointPolygonTest(np.float32(unit).reshape(-1, 1, 2), (float(x), float(y)), False) >= 0
        for unit in units
    )
