"""Observations drawn from a catalogue entry with the errors of error_model.py: no photo is involved.

What it cannot show: errors that depend on one another (a shadow that hides two plugs), and anything the error
model knows nothing of.
"""

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np
from plugface.models.catalogue.entries import Family, Variant
from plugface.models.catalogue.index import compact, place_plugs
from plugface.models.decision.answers import View
from plugface.models.matching.error_model import ALPHABET, FINS, ErrorModel
from plugface.vision.observations import (
    SIZE_CLASSES,
    Body,
    Character,
    Code,
    Connector,
    Observations,
    Quality,
    Text,
    TextKind,
    Unit,
    WhiteBalance,
)

_HALF = 0.5
_SQUARE = ((100.0, 100.0), (900.0, 100.0), (900.0, 900.0), (100.0, 900.0))
#: A label's code covers little of its unit; a card's covers much (see id_cards.py).
_ON_LABEL = tuple((0.15 * x, 0.15 * y) for x, y in _SQUARE)
#: The photo beside a close-up that shows a label, by where the entry says it sticks; at an edge none does.
_LABEL_VIEWS = {"unknown": "back", "back": "back", "face": "front"}
_QUALITY = Quality(width_px=1280, height_px=960, median_luma=0.45, burnt_share=0.0, blur_px=0.8)
_BALANCE = WhiteBalance(gains_rgb=(1.0, 1.0, 1.0), method="none", confidence=0.0)


def draw_observations(
    family: Family, variant: Variant, view: View, noise: ErrorModel, rng: np.random.Generator
) -> Observations:
    """One photo of a unit, as the vision stage might report it.

    A close-up halves what goes unread (our assumption) and shows only its part of the unit. A donor's plate
    shows no unit; its number is no part of this simulation.

    Parameters
    ----------
    family : Family
    variant : Variant
        One of the family's.
    view : {"front", "back", "label close-up", "plug close-up", "donor plate"}
    noise : ErrorModel
    rng : numpy.random.Generator

    Returns
    -------
    seen : Observations
    """
    sha = f"simulated-{rng.integers(2**62):x}"
    close = view in ("label close-up", "plug close-up")
    front = view in ("front", "plug close-up")
    texts: list[Text] = []
    codes: tuple[Code, ...] = ()
    if view == "front":
        texts = [_read_mark(m.text, noise, rng) for m in family.marks if rng.random() < noise.mark_read]
    if view in ("label close-up", _LABEL_VIEWS.get(family.label.side)):
        lines, codes = _draw_label(family, variant, noise, rng, close)
        texts += lines
    if view in ("donor plate", "label close-up"):
        return Observations(sha, _QUALITY, _BALANCE, texts=tuple(texts), codes=codes)
    seen_front = front != (rng.random() < noise.face_wrong)
    sure = float(rng.uniform(0.9, 0.999))
    connectors, other = _draw_connectors(family, noise, rng, close) if front else ((), None)
    unit = Unit(
        polygon=_SQUARE,
        confidence=0.95,
        face={"front": sure if seen_front else 1 - sure, "back": 1 - sure if seen_front else sure},
        connectors=connectors,
        other_order=other,
        texts=tuple(texts),
        codes=codes,
        body=None if close else _draw_body(family, noise, rng),
    )
    return Observations(sha, _QUALITY, _BALANCE, units=(unit,))


def _draw_posterior(truth: int, matrix: np.ndarray, names: tuple[str, ...], rng) -> dict[str, float]:
    """A class drawn from the confusion matrix; a wrong one is reported with less certainty."""
    k = _choose(matrix[truth], rng)
    doubt = float(rng.beta(1, 8) if k == truth else rng.beta(2, 3))
    spread = doubt * matrix[k]
    spread[k] += 1.0 - doubt
    return dict(zip(names, spread.tolist(), strict=True))


def _choose(chances: np.ndarray, rng) -> int:
    """A place drawn by its chance: what `rng.choice` with `p` gives, in a quarter of the time."""
    up_to = chances.cumsum()
    return int((up_to / up_to[-1]).searchsorted(rng.random(), side="right"))


def _pick(values: Sequence, rng):
    """One of them, all alike: what `rng.choice` gives, in a tenth of the time."""
    return values[int(rng.integers(len(values)))]


def _draw_connectors(family: Family, noise: ErrorModel, rng, close: bool):
    miss = noise.miss * (0.5 if close else 1.0)
    places = _shift(place_plugs(family), noise, rng)
    colours = _as_taught([known.colour for known in family.connectors], noise, rng)
    seen = [
        _connector(known, colour, place, noise, rng)
        for known, colour, place in zip(family.connectors, colours, places, strict=True)
        if rng.random() >= miss
    ]
    if rng.random() < noise.extra:
        like = int(rng.integers(len(family.connectors)))
        stray = _connector(family.connectors[like], colours[like], places[like], noise, rng)
        colour = _draw_posterior(int(rng.integers(len(noise.taught))), noise.colour_matrix, noise.taught, rng)
        across, down = rng.uniform(-0.5, 0.5, 2)
        place = (float(across), float(down))
        stray = Connector(
            _SQUARE, colour, stray.size, stray.size_ratio, float(rng.uniform(0.3, 0.9)), place=place
        )
        seen.insert(int(rng.integers(len(seen) + 1)), stray)
    if rng.random() >= noise.turn_unknown or not seen:
        return tuple(seen), None
    back_to_front = tuple(range(len(seen) - 1, -1, -1))
    if rng.random() < 0.5:  # the first reading is the wrong one
        return tuple(_turned(c) for c in reversed(seen)), back_to_front
    return tuple(seen), back_to_front


def _as_taught(codes: list[str], noise: ErrorModel, rng) -> list[int]:
    """Places of colours among those that vision was taught; any other passes for one of them."""
    passing = {
        code: int(rng.integers(len(noise.taught)))
        for code in dict.fromkeys(codes)
        if code not in noise.taught
    }
    return [passing[code] if code in passing else noise.taught.index(code) for code in codes]


def _shift(places: np.ndarray, noise: ErrorModel, rng) -> np.ndarray:
    """All of them moved alike, no farther than the outline reaches."""
    low, high = -_HALF - places.min(axis=0), _HALF - places.max(axis=0)
    return places + np.clip(rng.normal(0, noise.place_shift, 2), low, high)


def _turned(c: Connector) -> Connector:
    place = None if c.place is None else (-c.place[0], -c.place[1])
    return Connector(c.polygon, c.colour, c.size, c.size_ratio, c.confidence, c.pins, place)


def _connector(known, colour: int, at: np.ndarray, noise: ErrorModel, rng) -> Connector:
    pins, place = None, None
    if rng.random() < noise.pins_measured:
        luck = rng.random()
        off = 0 if luck < noise.pins_exact else _pick((-2, -1, 1, 2), rng)
        rows = known.pins[0] + (0 if luck < noise.pins_exact + noise.pins_close else _pick((-1, 1), rng))
        pins = (max(rows, 1), max(known.pins[1] + off, 1))
    if rng.random() < noise.place_measured:
        place = at + rng.normal(0, noise.place_sd, 2)
        place = tuple(
            float(v) for v in (rng.uniform(-0.5, 0.5, 2) if rng.random() < noise.place_wild else place)
        )
    return Connector(
        polygon=_SQUARE,
        colour=_draw_posterior(colour, noise.colour_matrix, noise.taught, rng),
        size=_draw_posterior(SIZE_CLASSES.index(known.size), noise.size_matrix, SIZE_CLASSES, rng),
        size_ratio=0.3,
        confidence=float(rng.uniform(0.7, 1.0)),
        pins=pins,
        place=place,
    )


def _draw_body(family: Family, noise: ErrorModel, rng) -> Body:
    width, height, _ = family.body.size_mm
    aspect = float(np.exp(abs(abs(np.log(width / height)) + rng.normal(0, noise.aspect_sd))))
    side = family.body.lid_colour if rng.random() < 0.5 and family.body.lid_colour else family.body.colour
    codes = noise.taught
    share = (1 - noise.body_colour_right) / len(codes)
    colours = np.full((len(codes),) * 2, share) + np.eye(len(codes)) * noise.body_colour_right
    wrong = (1 - noise.fins_right) / len(FINS)
    fins = np.full((len(FINS),) * 2, wrong) + np.eye(len(FINS)) * noise.fins_right
    return Body(
        aspect=aspect,
        colour=_draw_posterior(_as_taught([side], noise, rng)[0], colours, codes, rng),
        fins=_draw_posterior(FINS.index(family.body.fins), fins, FINS, rng),
    )


def _draw_label(family: Family, variant: Variant, noise: ErrorModel, rng, close: bool):
    better = 0.5 if close else 1.0
    if rng.random() < (1.0 - noise.label_found) * better:
        return [], ()
    number = _pick(variant.service_numbers, rng)
    suffix = _pick(variant.suffixes, rng) if variant.suffixes else ""
    caption = family.label.suffix_caption
    field = f"{caption} {suffix}" if caption and suffix else ""
    lines = [family.maker, number if field else f"{number} {suffix}".strip(), field]
    lines += [m.text for m in family.marks[:1]] + [f"S/N {rng.integers(10**5, 10**6)}"]
    kept = [line for line in lines if line and rng.random() >= (1.0 - noise.line_read) * better]
    torn = rng.random() < noise.label_torn
    if torn:
        # One end of the label is gone: about as much of every line (one to nine tenths, our assumption).
        left, end = rng.uniform(0.1, 0.9), rng.random() < _HALF
        kept = [
            line[: round(left * len(line))].strip() if end else line[round((1 - left) * len(line)) :].strip()
            for line in kept
        ]
        kept = [line for line in kept if line]
    texts = [_read(line, "printed", noise, rng) for line in kept]
    if torn or family.label.barcode == "none" or rng.random() >= noise.barcode_read:
        return texts, ()
    payload = number + (suffix if family.label.barcode_payload == "number and suffix" else "")
    return texts, (Code(_ON_LABEL, family.label.barcode, payload, "verified"),)


def _garbled(rng) -> str:
    """What is read where a mark cannot be, or of something else that is cast."""
    return "".join(rng.choice(list(ALPHABET), int(rng.integers(3, 8))))


def _read_mark(mark: str, noise: ErrorModel, rng) -> Text:
    """A reading of a mark, or of what is none, sure or not."""
    unsure = rng.random() < noise.mark_unsure
    none = rng.random() < (noise.mark_garbled if unsure else noise.mark_elsewhere)
    # Shares of unsure characters: three to eight tenths of those of sure ones (our assumption).
    trust = float(rng.uniform(0.3, 0.8)) if unsure else 1.0
    return _read(_garbled(rng) if none else _cut(mark, noise, rng), "cast", noise, rng, trust)


def _cut(mark: str, noise: ErrorModel, rng) -> str:
    """A mark, or what is left of it where one end cannot be seen."""
    if len(mark) < 2 or rng.random() >= noise.mark_cut:
        return mark
    at = int(rng.integers(1, len(mark)))
    return mark[:at] if rng.random() < _HALF else mark[at:]


def _read(value: str, kind: TextKind, noise: ErrorModel, rng, trust: float = 1.0) -> Text:
    """A line with characters lost, added and confused; a confused one is read with less confidence.

    `trust` lowers that of all its characters.
    """
    out, characters = [], []
    (_, lost, added), steps = noise.of_kind(kind), noise.steps_of_kind(kind)
    if rng.random() < noise.kind_wrong:
        other: dict[TextKind, TextKind] = {"cast": "printed", "printed": "cast"}
        kind = other[kind]
    for true in value.upper():
        if true not in ALPHABET:
            out.append(true)
            continue
        if rng.random() < lost:
            continue
        k = bisect_right(steps[ALPHABET.index(true)], rng.random())
        sure = trust * float(rng.uniform(0.9, 0.99) if ALPHABET[k] == true else rng.uniform(0.5, 0.9))
        out.append(ALPHABET[k])
        characters.append(Character(((ALPHABET[k], sure),)))
        if rng.random() < added:
            out.append(_pick(ALPHABET, rng))
            characters.append(Character(((out[-1], 0.5 * trust),)))
    text = "".join(out)
    whole = len(compact(text)) == len(text.replace(" ", ""))
    mean = float(np.mean([c.options[0][1] for c in characters])) if characters else 0.0
    return Text(_SQUARE, text, mean, kind, 20.0, tuple(characters) if whole else ())
