"""What the photos of one unit say about a family that is in no catalogue yet.

Nothing is filled in here: what no photo shows stays None or empty. Lengths come from the plugs, whose size
classes have usual lengths (HOUSING_MM), so they are estimates.
"""

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

import numpy as np
from plugface.models.catalogue.check import HOUSING_MM
from plugface.models.catalogue.index import compact
from plugface.models.decision.cautions import seen_colours
from plugface.models.decision.costs import Costs
from plugface.models.matching.label_fields import REVISION_WORDS, looks_like_number, strip_others
from plugface.models.unit_choice import UnitView
from plugface.vision.observations import Code, Connector, Polygon, Text, Unit

#: A housing less sure than this is left out of a draft (our choice): a person adds one sooner than he spots a
#: wrong one.
MIN_CONFIDENCE = 0.4

#: A cast text shorter than this is a foundry's sign more often than a mark (our choice).
MIN_MARK = 3

_SERIAL = re.compile(r"^(S/?N|SER(IAL)?)\b", re.IGNORECASE)
# Letters alone that are no part of a number beside them: a word, or what is short for one (common practice).
_CAPTION = re.compile(r"[^\W\d_]{4,}|[^\W\d_/]+[.:#]+|P/?N[.:]?|N[OR]|NUM|REF|ART")
_SUFFIX_FIELD = re.compile(r"^([A-Z]{2,8})[.:]?\s+([A-Z]|[A-Z]?\d{1,2}[A-Z]?)$")


@dataclass(frozen=True)
class SeenPlug:
    """One plug socket as far as it was seen."""

    colour: str
    colour_share: float
    other_colour: tuple[str, float] | None  # what else it may be
    size: str
    size_share: float
    pins: tuple[int, int] | None
    place: tuple[float, float] | None  # shares of width and height, -0.5..0.5, x right, y up
    upright: bool | None  # its long side runs up and down on the face


@dataclass(frozen=True)
class SeenMark:
    """One text cast into the housing."""

    text: str
    confidence: float
    place: tuple[float, float] | None  # shares of width and height
    height: float | None  # share of the unit's height


@dataclass(frozen=True)
class SeenLabel:
    """What was read of the label."""

    number: str | None = None
    other_numbers: tuple[str, ...] = ()
    suffix: str | None = None
    suffix_caption: str = ""
    barcode: str | None = None  # symbology
    payload_has_suffix: bool = False
    other_payload: str | None = None  # of a barcode that says no number that is printed
    lines: tuple[str, ...] = ()  # everything else that is printed


@dataclass(frozen=True)
class Sighting:
    """Everything that the photos of one unit show of its family."""

    plugs: tuple[SeenPlug, ...]
    either_way_up: bool  # the plugs' order may be the reverse
    face_mm: tuple[float, float] | None  # width, height, estimated
    body_colour: str | None
    fins: str | None
    marks: tuple[SeenMark, ...]  # surest first
    label: SeenLabel
    hazard_colours: tuple[str, ...]  # OG, YE where a plug may have them


def describe_unit(views: Sequence[UnitView]) -> Sighting:
    """Gather what all views of one unit show.

    Parameters
    ----------
    views : sequence of UnitView
        Of one unit; may be empty or show nothing.

    Returns
    -------
    sighting : Sighting
        Plugs of the view that shows most of them, colours and pins of the other fronts that agree with it.
    """
    best = _best_front(views)
    unit = best.unit if best else None
    shown = _shown(unit) if unit else ()
    marks = _marks(views, best)
    return Sighting(
        plugs=_plugs(unit, shown, views),
        either_way_up=bool(shown) and unit is not None and unit.other_order is not None,
        face_mm=_face_mm(unit, shown),
        body_colour=_strongest([v.unit.body.colour for v in views if v.unit and v.unit.body]),
        fins=_strongest([v.unit.body.fins for v in views if v.unit and v.unit.body and v.front > 0.5]),
        marks=marks,
        label=_label(views, [mark.text for mark in marks]),
        hazard_colours=_hazard_colours(views),
    )


def _best_front(views: Sequence[UnitView]) -> UnitView | None:
    """The view whose plugs are seen best; where none shows plugs, the one that is most surely a front."""
    fronts = [view for view in views if view.unit is not None]
    return max(
        fronts, key=lambda v: (sum(c.confidence for c in _shown(v.unit)) * v.front, v.front), default=None
    )


def _shown(unit: Unit | None) -> tuple[Connector, ...]:
    return tuple(c for c in (unit.connectors if unit else ()) if c.confidence >= MIN_CONFIDENCE)


def _plugs(
    unit: Unit | None, shown: tuple[Connector, ...], views: Sequence[UnitView]
) -> tuple[SeenPlug, ...]:
    others = [
        _shown(v.unit)
        for v in views
        if v.unit is not None and v.unit is not unit and v.unit.other_order is None and v.front > 0.5
    ]
    sizes = [_first(c.size)[0] for c in shown]
    agreeing = [row for row in others if [_first(c.size)[0] for c in row] == sizes]
    if unit is not None and unit.other_order is not None:
        agreeing = []
    plugs = []
    for k, connector in enumerate(shown):
        same = [connector, *(row[k] for row in agreeing)]
        colours = _pool([c.colour for c in same])
        (colour, share), second = _first(colours), _second(colours)
        size, size_share = _first(_pool([c.size for c in same]))
        pins = [c.pins for c in same if c.pins is not None]
        plugs.append(
            SeenPlug(
                colour=colour,
                colour_share=share,
                other_colour=second,
                size=size,
                size_share=size_share,
                pins=max(set(pins), key=pins.count) if pins else None,
                place=connector.place,
                upright=_stands_upright(connector.polygon, unit.up_deg if unit else None),
            )
        )
    return tuple(plugs)


def _first(posterior: dict[str, float]) -> tuple[str, float]:
    return max(posterior.items(), key=lambda item: item[1])


def _second(posterior: dict[str, float]) -> tuple[str, float] | None:
    """What else it may be, if that is worth a word (one in ten)."""
    rest = sorted(posterior.items(), key=lambda item: -item[1])[1:2]
    return rest[0] if rest and rest[0][1] >= 0.1 else None


def _pool(posteriors: list[dict[str, float]]) -> dict[str, float]:
    """Geometric mean: views of one plug share its dirt, so they do not multiply."""
    keys = list(dict.fromkeys(key for p in posteriors for key in p))
    logs = np.mean([[math.log(max(p.get(key, 0.0), 1e-6)) for key in keys] for p in posteriors], axis=0)
    shares = np.exp(logs - logs.max())
    return dict(zip(keys, (shares / shares.sum()).tolist(), strict=True))


def _strongest(posteriors: list[dict[str, float]]) -> str | None:
    seen = [p for p in posteriors if p]
    if not seen:
        return None
    name, share = _first(_pool(seen))
    return name if share >= 0.5 else None


def _in_frame(points: Iterable[tuple[float, float]], up_deg: float) -> np.ndarray:
    """Picture points (n, 2), y down, in the unit's frame: x right, y up."""
    up = math.radians(up_deg)
    axes = np.array([[math.sin(up), math.cos(up)], [math.cos(up), -math.sin(up)]])
    return np.asarray(list(points), dtype=float) @ axes.T


def _stands_upright(polygon: Polygon, up_deg: float | None) -> bool | None:
    if up_deg is None or len(polygon) < 3:
        return None
    spread = np.cov(_in_frame(polygon, up_deg).T)
    return bool(spread[1, 1] > spread[0, 0])


def _face_mm(unit: Unit | None, shown: tuple[Connector, ...]) -> tuple[float, float] | None:
    """Width and height of the face, by the usual lengths of its plugs."""
    if unit is None or not shown or unit.up_deg is None:
        return None
    lengths = []
    for connector in shown:
        least, most = HOUSING_MM[_first(connector.size)[0]][0]
        lengths.append((least + most) / 2 / max(connector.size_ratio or 0.0, 1e-3))
    width, height = np.ptp(_in_frame(unit.polygon, unit.up_deg), axis=0)
    scale = float(np.median(lengths)) / max(width, height, 1e-6)
    return float(width * scale), float(height * scale)


def _marks(views: Sequence[UnitView], best: UnitView | None) -> tuple[SeenMark, ...]:
    """Cast texts, each once, with the place that the best front gives."""
    found: dict[str, list[tuple[UnitView, Text]]] = defaultdict(list)
    for view in views:
        for text in view.texts:
            if text.kind == "cast" and len(compact(text.value)) >= MIN_MARK:
                found[compact(text.value)].append((view, text))
    marks = []
    for readings in found.values():
        view, text = max(readings, key=lambda r: (r[0] is best, r[1].confidence))
        place, height = _place(text, view.unit)
        confidence = 1.0 - math.prod(1.0 - t.confidence for _, t in readings)
        marks.append(SeenMark(" ".join(text.value.split()), confidence, place, height))
    return tuple(sorted(marks, key=lambda mark: -mark.confidence))


def _place(text: Text, unit: Unit | None) -> tuple[tuple[float, float] | None, float | None]:
    if unit is None or unit.up_deg is None:
        return None, None
    frame = _in_frame(unit.polygon, unit.up_deg)
    low, high = frame.min(axis=0), frame.max(axis=0)
    side = np.maximum(high - low, 1e-6)
    x, y = (_in_frame(text.polygon, unit.up_deg).mean(axis=0) - (low + high) / 2) / side
    if max(abs(x), abs(y)) > 0.5:
        return None, None
    return (float(x), float(y)), float(text.height_px / side[1])


def _label(views: Sequence[UnitView], marks: Sequence[str]) -> SeenLabel:
    printed = [text for view in views for text in view.texts if text.kind == "printed"]
    # The mark is mostly printed on the label again, and is no number and no suffix there.
    # A number may be cast as well, and stays one.
    texts = [
        text
        for text in printed
        if looks_like_number(text) or not any(_is_like(text.value, mark) for mark in marks)
    ]
    codes = [code for view in views for code in view.codes if compact(code.payload)]
    numbers = _rank_numbers(texts)
    number, suffix = numbers[0] if numbers else (None, None)
    code, with_suffix = None, False
    settled = _settle_by_code(codes, numbers)
    if settled is not None:
        code, number, suffix, with_suffix = settled
    fields = (_SUFFIX_FIELD.match(_tidy(text)) for text in texts)
    field = next((found for found in fields if found and found[1] in REVISION_WORDS), None)
    if suffix is None and field is not None:
        suffix = field[2]
    used = {compact(number or "")}
    return SeenLabel(
        number=number,
        other_numbers=tuple(n for n, _ in numbers if compact(n) not in used),
        suffix=suffix,
        suffix_caption=field[1] if field is not None and field[2] == suffix else "",
        barcode=code.symbology if code else None,
        payload_has_suffix=with_suffix,
        other_payload=codes[0].payload if codes and code is None else None,
        lines=tuple(dict.fromkeys(_tidy(t) for t in printed if not looks_like_number(t))),
    )


def _is_like(value: str, mark: str) -> bool:
    """Whether a line is the mark read again, an error or two aside (three quarters alike, our choice)."""
    return SequenceMatcher(None, compact(value), compact(mark)).ratio() >= 0.75


def _tidy(text: Text) -> str:
    return " ".join(text.value.upper().split())


def _rank_numbers(texts: list[Text]) -> list[tuple[str, str | None]]:
    """Number-like lines as (number without spaces, suffix), the largest print first, serials left out.

    That the service number is the largest on a label is common practice, no source.
    """
    weight: dict[tuple[str, str | None], float] = defaultdict(float)
    for text in texts:
        left = strip_others(text, frozenset())
        if left is not None and looks_like_number(text) and not _SERIAL.match(_tidy(text)):
            number, suffix = split_suffix(_without_captions(_tidy(left)))
            weight[number, suffix] = max(weight[number, suffix], text.height_px * text.confidence)
    return sorted(weight, key=lambda key: -weight[key])


def _without_captions(line: str) -> str:
    """The words between captions that hold most figures; the caption of a suffix behind a number stays."""
    parts: list[list[str]] = [[]]
    for word in line.split():
        behind = word.rstrip(".:") in REVISION_WORDS and any(map(str.isdigit, "".join(parts[-1])))
        if _CAPTION.fullmatch(word) and not behind:
            parts.append([])
        else:
            parts[-1].append(word)
    return " ".join(max(parts, key=lambda part: sum(map(str.isdigit, "".join(part)))))


def split_suffix(line: str) -> tuple[str, str | None]:
    """A number's line as number and suffix: a short last word with a letter in it is a suffix, and so is one
    behind a caption of suffixes, which is left out.

    >>> split_suffix("K27 418/052 A")
    ('K27418/052', 'A')
    >>> split_suffix("K27 418/052 REV. 2")
    ('K27418/052', '2')
    >>> split_suffix("PK 2104/16")
    ('PK2104/16', None)
    """
    *head, last = line.split()
    captioned = len(head) > 1 and head[-1].rstrip(".:") in REVISION_WORDS
    if captioned:
        del head[-1]
    lettered = captioned or any(c.isalpha() for c in last)
    if head and len(last) <= 3 and lettered and any(c.isdigit() for c in "".join(head)):
        return "".join(head), last
    return "".join((*head, last)), None


def _settle_by_code(
    codes: list[Code], numbers: list[tuple[str, str | None]]
) -> tuple[Code, str, str | None, bool] | None:
    """The barcode that says the number, that number, its suffix, and whether the suffix is in the barcode.

    A barcode that decoded is read without error, but not each is of the number: a serial has one as well. So
    it must begin with a number that is printed, its signs aside, or be one that was misread.
    """
    if not numbers:
        return (codes[0], _spaceless(codes[0]), None, False) if codes else None
    for number, printed in numbers:
        for code in codes:
            payload, begin = compact(code.payload), compact(number)
            rest = payload[len(begin) :]
            if payload.startswith(begin) and len(rest) <= 3:
                return code, number, rest or printed, bool(rest)
    for number, printed in numbers:
        for code in codes:
            if _is_like(code.payload, number):
                return code, _spaceless(code), printed, False
    return None


def _spaceless(code: Code) -> str:
    return "".join(code.payload.upper().split())


def _hazard_colours(views: Sequence[UnitView]) -> tuple[str, ...]:
    """Colours that warn, where a plug is likely enough to have them; by the same costs as every caution."""
    seen = seen_colours(tuple(views), Costs())
    return tuple(code for code in ("OG", "YE") if code in seen)
