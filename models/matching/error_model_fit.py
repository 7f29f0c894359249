"""Measure how the vision stage errs, from photos whose truth is known.

Each measured share is drawn towards the assumed one as if that had been seen in a few photos, so a handful
of units cannot make an error seem impossible.
"""

from collections.abc import Iterable
from dataclasses import replace
from difflib import SequenceMatcher
from statistics import NormalDist
from typing import Any

import numpy as np
from plugface.models.catalogue.entries import Catalogue, Family, Variant
from plugface.models.catalogue.index import CatalogueIndex, compact, index_families
from plugface.models.matching.alignment import align, gap_costs, measure_match
from plugface.models.matching.error_model import FINS, SURE_READING, ErrorModel
from plugface.models.unit_choice import ObservedUnit, UnitView, gather_views
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import SIZE_CLASSES, Connector, Text, best_colour

#: How many observations the assumed values are worth.
PRIOR_COUNT = 10.0
_HALF = 0.5
#: The spread of places is told by this share: most err by a fiftieth of the side, one in twenty by seven.
NINETEEN_IN_TWENTY = 0.95


class _Tally:
    """Successes and trials of one share."""

    def __init__(self) -> None:
        self.hits, self.trials = 0.0, 0.0

    def add(self, hit: bool) -> None:
        self.hits += bool(hit)
        self.trials += 1

    def share(self, assumed: float) -> float:
        """Measured share, drawn towards the assumed one."""
        return (self.hits + PRIOR_COUNT * assumed) / (self.trials + PRIOR_COUNT)


def fit_error_model(
    observed: Iterable[ObservedUnit], catalogue: Catalogue, assumed: ErrorModel | None = None
) -> ErrorModel:
    """Noise as measured on units whose family is in the catalogue; what they cannot show keeps its value and
    is marked as assumed.

    Which seen connector is which known one is not in the truth, so each unit is aligned with its own family
    first, as in alignment.py.

    Parameters
    ----------
    observed : iterable of ObservedUnit
        Units of the training split.
    catalogue : Catalogue
    assumed : ErrorModel, optional

    Returns
    -------
    noise : ErrorModel
    """
    assumed = assumed or ErrorModel()
    count = _Counts()
    for unit in observed:
        if unit.family not in catalogue.by_key:
            continue
        family = catalogue.by_key[unit.family]
        variant = next((v for v in family.variants if v.key == unit.variant), None)
        views = gather_views(unit.observations, unit.chosen)
        for view in views:
            count.add_view(view, family, variant, assumed)
    return count.noise(assumed)


class _Counts:
    """What was counted over all views."""

    def __init__(self) -> None:
        self.views = 0
        self.colour = np.zeros((len(COLOUR_CODES), len(COLOUR_CODES)))
        self.told: set[str] = set()  # codes that posteriors name
        self.size = np.zeros((len(SIZE_CLASSES), len(SIZE_CLASSES)))
        self.extra, self.fronts = 0, 0
        self.offsets: list[float] = []
        self.aspects: list[float] = []
        names: tuple[str, ...] = (
            "miss",
            "pins_measured",
            "pins_exact",
            "pins_close",
            "place_measured",
            "turn_unknown",
        )
        names += ("mark_read", "label_found", "barcode_read", "body_colour_right", "fins_right")
        names += (
            "mark_elsewhere",
            "mark_unsure",
            "mark_garbled",
            "mark_wrong",
            "mark_lost",
            "mark_added",
            "mark_cut",
        )
        self.shares = {name: _Tally() for name in names}

    def add_view(self, view: UnitView, family: Family, variant: Variant | None, noise: ErrorModel) -> None:
        """Count one view; the face is taken from what was seen, as a photo may show either."""
        self.views += 1
        if view.unit is not None and view.front > 0.5:
            self._add_front(view, family, noise)
        elif variant is not None:
            self._add_back(view, family, variant)
        if view.unit is not None and view.unit.body is not None:
            self._add_body(view, family)

    def _add_front(self, view: UnitView, family: Family, noise: ErrorModel) -> None:
        index = index_families((family,))
        reading, turned, pairs, missed, extra = _best_reading(view, index, noise)
        assert view.unit is not None  # a view is a front by its unit's face
        self.fronts += 1
        self.extra += extra
        self.shares["turn_unknown"].add(view.unit.other_order is not None)
        for k in range(len(family.connectors)):
            self.shares["miss"].add(k in missed)
        for i, j in pairs:
            self._add_connector(reading[i], family, j)
        sign = -1.0 if turned else 1.0
        places = [
            np.multiply(reading[i].place, sign) - index.place[0, j] for i, j in pairs if reading[i].place
        ]
        if len(places) > 2:  # of fewer the middle, which is taken for the shift, says too little
            self.offsets += np.ravel(places - np.median(places, axis=0)).tolist()
        cast = [t for t in view.texts if t.kind == "cast" and len(compact(t.value)) >= 3]
        if family.marks:
            self.shares["mark_read"].add(bool(cast))
            for text in cast:
                self._add_mark(text, [compact(mark.text) for mark in family.marks])

    def _add_mark(self, text: Text, marks: list[str]) -> None:
        """Count the slips in a reading of a mark; one that shares less than half with every mark is none."""
        read, sure = compact(text.value), text.confidence >= SURE_READING
        self.shares["mark_unsure"].add(not sure)
        alike = [SequenceMatcher(None, mark, read, autojunk=False) for mark in marks]
        best = max(alike, key=lambda matcher: matcher.ratio())
        self.shares["mark_elsewhere" if sure else "mark_garbled"].add(best.ratio() < _HALF)
        if best.ratio() < _HALF:
            return
        slips = best.get_opcodes()
        whole = [slip for n, slip in enumerate(slips) if not (n in (0, len(slips) - 1) and _is_cut(*slip))]
        self.shares["mark_cut"].add(len(whole) < len(slips))
        for what, i, j, k, m in whole:
            swapped = 0 if what == "equal" else min(j - i, m - k)
            for n in range(j - i):
                lost = what != "equal" and n >= swapped
                self.shares["mark_lost"].add(lost)
                if not lost:
                    self.shares["mark_wrong"].add(what != "equal")
            for n in range(max(m - k, j - i)):
                self.shares["mark_added"].add(n >= j - i)

    def _add_connector(self, seen: Connector, family: Family, j: int) -> None:
        known = family.connectors[j]
        if 2 * len(seen.colour) > len(COLOUR_CODES):  # one that names few was written by hand
            self.told |= seen.colour.keys()
        if best_colour(seen.colour) is not None:
            self.colour[COLOUR_CODES.index(known.colour)] += [seen.colour.get(c, 0.0) for c in COLOUR_CODES]
        self.size[SIZE_CLASSES.index(known.size)] += [seen.size.get(c, 0.0) for c in SIZE_CLASSES]
        self.shares["pins_measured"].add(seen.pins is not None)
        self.shares["place_measured"].add(seen.place is not None)
        if seen.pins is not None:
            off = np.abs(np.subtract(seen.pins, known.pins))
            self.shares["pins_exact"].add(off.sum() == 0)
            self.shares["pins_close"].add(off.sum() > 0 and off[0] == 0 and off[1] <= 2)

    def _add_back(self, view: UnitView, family: Family, variant: Variant) -> None:
        printed = [t for t in view.texts if t.kind == "printed" and len(compact(t.value)) >= 4]
        self.shares["label_found"].add(bool(printed))
        if printed and family.label.barcode != "none":
            payloads = [compact(c.payload) for c in view.codes]
            hit = any(p.startswith(compact(n)) for p in payloads for n in variant.service_numbers)
            self.shares["barcode_read"].add(hit)

    def _add_body(self, view: UnitView, family: Family) -> None:
        body, known = view.unit.body if view.unit else None, family.body
        assert body is not None  # as `add_view` asked
        width, height, _ = known.size_mm
        self.aspects.append(float(np.log(max(body.aspect, 1.0)) - abs(np.log(width / height))))
        if body.colour:
            best = max(body.colour, key=body.colour.__getitem__)
            self.shares["body_colour_right"].add(best in (known.colour, known.lid_colour))
        if body.fins:
            self.shares["fins_right"].add(max(FINS, key=lambda k: body.fins.get(k, 0.0)) == known.fins)

    def _count_taught(self, assumed: ErrorModel) -> int:
        """How many rows of the table vision tells: what it never names, it was not taught."""
        rows = [k for k, code in enumerate(assumed.taught, start=1) if code in self.told]
        return max(rows, default=len(assumed.taught))

    def noise(self, assumed: ErrorModel) -> ErrorModel:
        """The assumed values, with everything that was counted put in their place."""
        shares: dict[str, Any] = {
            name: tally.share(getattr(assumed, name)) for name, tally in self.shares.items()
        }
        taught = self._count_taught(assumed)
        shares["body_colour_right"] = _without_luck(shares["body_colour_right"], taught)
        shares["fins_right"] = _without_luck(shares["fins_right"], len(FINS))
        shares["miss"] = float(np.clip(shares["miss"], 0.005, 0.5))
        counted = {name: int(tally.trials) for name, tally in self.shares.items()}
        counted |= {"extra": self.fronts, "colour": round(self.colour.sum())}
        counted |= {"size": round(self.size.sum())}
        counted |= {"place_sd": len(self.offsets), "aspect_sd": len(self.aspects)}
        counted = dict(assumed.counted or ()) | {name: n for name, n in counted.items() if n}
        numbers = ErrorModel.numbers()
        extra = (self.extra + PRIOR_COUNT * assumed.extra) / (self.fronts + PRIOR_COUNT)
        return replace(
            assumed,
            **shares,
            extra=float(np.clip(extra, 0.005, 0.9)),
            colour=_blend(self.colour[:taught, :taught], assumed.colour_matrix[:taught, :taught]),
            size=_blend(self.size, assumed.size_matrix),
            place_sd=_spread(self.offsets, assumed.place_sd, NINETEEN_IN_TWENTY),
            aspect_sd=_spread(self.aspects, assumed.aspect_sd, _HALF),
            basis=f"measured on {self.views} views of units with known truth, "
            f"{len(counted)} of {len(numbers)} numbers; the others are assumed",
            counted=tuple((name, counted[name]) for name in numbers if name in counted),
        )


def _is_cut(what: str, start: int, end: int, *_: int) -> bool:
    """Whether characters at an end of a mark are missing together, which single losses seldom explain."""
    return what == "delete" and end - start >= 2


def _best_reading(view: UnitView, index: CatalogueIndex, noise: ErrorModel):
    """The better of both orders: connectors, whether turned, pairs, missed and the number of extra ones."""
    assert view.unit is not None  # a view is a front by its unit's face
    connectors = view.unit.connectors
    readings = [(connectors, False)]
    if view.unit.other_order and connectors:
        readings.append((tuple(connectors[i] for i in view.unit.other_order), True))
    if not connectors:
        return (), False, (), tuple(range(int(index.counts[0]))), 0
    tried = [
        (align(measure_match(c, index, noise, turned=t)[0], *gap_costs(c, noise)), c, t) for c, t in readings
    ]
    best, reading, turned = max(tried, key=lambda row: row[0].score)
    return reading, turned, best.pairs, best.missed, len(best.extra)


def _without_luck(right: float, classes: int) -> float:
    """Share that was told rather than guessed: a guess hits one class in `classes`."""
    return max((right * classes - 1.0) / (classes - 1.0), 0.05)


def _blend(counts: np.ndarray, assumed: np.ndarray) -> tuple[tuple[float, ...], ...]:
    total = counts + PRIOR_COUNT * assumed
    total /= total.sum(axis=1, keepdims=True)
    return tuple(tuple(float(v) for v in row) for row in total)


def _spread(errors: list[float], assumed: float, share: float) -> float:
    """Spread of the normal distribution of which this share errs no more, drawn towards the assumed one."""
    if not errors:
        return assumed
    robust = float(np.quantile(np.abs(errors), share) / NormalDist().inv_cdf(0.5 + 0.5 * share))
    squared = (len(errors) * robust**2 + PRIOR_COUNT * assumed**2) / (len(errors) + PRIOR_COUNT)
    return float(np.clip(np.sqrt(squared), 0.02, 1.0))
