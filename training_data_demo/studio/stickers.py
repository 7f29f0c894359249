"""Labels as chance makers print them, and all else that gets stuck on a plug face: price stickers, paper
tags, tape.

Layouts are drawn freely: captions in the line, above it or in boxes of their own, one to three columns, on
white, yellow or grey paper or silver foil. Everything printed is invented.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from plugface.demo.studio.label_sheet import LabelFacts, LabelPicture, Sheet, fit
from plugface.demo.studio.label_wear import wear_label

_PER_MM = 9  # a close-up of 640 pixels shows 80 mm
# Papers, sRGB, with how often: white and foil lead.
_PAPERS = {
    "white": ((244, 244, 241), (236, 236, 230)),
    "foil": ((196, 198, 200), (212, 212, 210), (178, 180, 182)),
    "yellow": ((244, 214, 60), (236, 196, 44), (248, 230, 120)),
    "paper": ((232, 224, 204), (222, 214, 196)),
    "dark": ((28, 29, 31), (40, 44, 52)),
    "tint": ((196, 220, 236), (206, 232, 200), (240, 200, 196)),
}
_PAPER_SHARES = {"white": 9, "foil": 5, "yellow": 4, "paper": 2, "dark": 2, "tint": 1}
_INKS = ((18, 18, 20), (18, 18, 20), (28, 36, 84), (110, 24, 26))
_FACES = (
    "DejaVuSans",
    "DejaVuSans-Bold",
    "DejaVuSansMono",
    "DejaVuSansMono-Bold",
    "cmss10",
    "cmtt10",
    "STIXGeneral",
)
_NUMBER_CAPTIONS = ("UNIT No", "PART No", "TYPE", "No", "ITEM", "ORDER CODE", "MODULE", "P/N", "REF", "ART.")
_SUFFIX_CAPTIONS = ("REV", "ISSUE", "STATE", "MOD", "VER", "HW")
_SMALL_PRINT = (
    "DO NOT OPEN",
    "12 V  8 A MAX",
    "MADE FOR WORKBOATS",
    "IP 6K9K WHEN MATED",
    "KEEP DRY",
    "-40 .. +85 C",
    "SEALED UNIT",
    "TESTED OK",
    "NO SERVICE PARTS INSIDE",
    "24 V SYSTEMS ONLY",
    "SOFTWARE LOADED",
    "LOT",
    "LINE 4",
)


@dataclass(frozen=True)
class Sticker:
    """Something flat on a unit's face."""

    label: LabelPicture
    roughness: float
    metallic: float


def draw_kinds(rng: np.random.Generator) -> tuple[str, ...]:
    """Which things a unit's face carries: none on a third of all, one or two on the rest."""
    count = int(rng.choice(4, p=(0.32, 0.4, 0.2, 0.08)))
    shares = np.array([kind[1] for kind in KINDS.values()], float)
    return tuple(str(k) for k in rng.choice(list(KINDS), count, p=shares / shares.sum()))


def draw_stickers(spec: Any) -> list[Sticker]:
    """Draw all of a unit's stickers."""
    return [_draw_sticker(spec, kind, k) for k, kind in enumerate(spec.stickers)]


def _draw_sticker(spec: Any, kind: str, k: int) -> Sticker:
    draw = random.Random(f"{spec.seed} sticker {k} {kind}")
    facts = LabelFacts.of(spec, draw)
    body = spec.family.body.size_mm
    longest = 0.75 * max(body[:2])
    room = min(draw.uniform(24, 96), longest), min(draw.uniform(14, 64), 0.6 * min(body[:2]))
    sheet = KINDS[kind][0](facts, room, draw)
    state = draw.choice(("clean", "clean", "clean", "scuffed", "torn"))
    picture = wear_label(np.asarray(sheet.image), state, spec.seed + 31 * k, sheet.per_mm)
    size = (sheet.image.width / sheet.per_mm, sheet.image.height / sheet.per_mm)
    foil = abs(max(sheet.paper) - min(sheet.paper)) < 8 and 160 < sheet.paper[0] < 220
    return Sticker(
        LabelPicture(picture, size, tuple(sheet.texts), tuple(sheet.codes), sheet.per_mm),
        roughness=draw.uniform(0.22, 0.45) if foil else draw.uniform(0.3, 0.75),
        metallic=draw.uniform(0.6, 0.95) if foil else 0.0,
    )


def _sheet(size, room, draw: random.Random, paper: str = "") -> Sheet:
    """An empty sheet in one of the papers, its longer side along the room's."""
    name = paper or draw.choices(list(_PAPER_SHARES), _PAPER_SHARES.values())[0]
    ink = draw.choice(((228, 228, 222), (240, 240, 240))) if name == "dark" else draw.choice(_INKS)
    s = Sheet(size, fit(size, room), draw.choice(_PAPERS[name]), ink, per_mm=_PER_MM)
    if draw.random() < 0.3:
        s.rule(0.8, 0.8, size[0] - 0.8, size[1] - 0.8, outline=s.ink, width=draw.uniform(0.15, 0.5))
    return s


def _code(
    s: Sheet, facts: LabelFacts, draw: random.Random, at, width: float, height: float, *, square: bool
) -> None:
    """A code that holds the number, the serial or nothing of use."""
    payload = draw.choice((facts.payload, facts.serial, f"{facts.payload} {facts.serial}"))
    s.code(
        draw.choice(("Data Matrix", "QR")) if square else "Code 128",
        payload if square else facts.serial,
        at,
        width=width,
        height=height,
    )


def _lines(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """Captions in the line, one below the other; a square code at the right at times."""
    count = draw.randint(2, 5)
    size = (draw.uniform(48, 80), 5.0 + 6.4 * count)
    s = _sheet(size, room, draw)
    square = draw.random() < 0.6 and count > 2
    right = size[0] - (min(22.0, size[1] - 2) if square else 2)
    face = draw.choice(_FACES)
    rows = [("service number", f"{draw.choice(_NUMBER_CAPTIONS)}:", " ".join(facts.groups))]
    rows += [
        ("suffix", f"{draw.choice(_SUFFIX_CAPTIONS)}:", facts.suffix or "A"),
        ("other", "S/N:", facts.serial),
    ]
    rows += [("mark", "TYPE:", facts.mark), ("other", "DATE:", facts.made)]
    head = rows[0]
    rest = draw.sample(rows[1:], count - 1)
    y = 3.0
    for role, caption, value in draw.sample([head, *rest], count):
        end = s.text("other", caption, (3, y), 2.6, font=face, max_width=15)
        s.text(role, value, (end + 1.5, y - 0.3), 3.3, font=face, max_width=right - end - 3)
        y += 6.4
    if square:
        side = min(20.0, size[1] - 3)
        _code(s, facts, draw, (size[0] - side - 1, 1.5), side, side, square=True)
    return s


def _boxes(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A ruled grid, each box with its caption above its entry."""
    columns, rows = draw.choice(((1, 2), (2, 1), (2, 2), (2, 3), (3, 2)))
    wide, high = draw.uniform(30, 40), draw.uniform(11, 14)
    size = (columns * wide + 2, rows * high + 2)
    s = _sheet(size, room, draw)
    face = draw.choice(_FACES)
    entries = [
        ("service number", draw.choice(_NUMBER_CAPTIONS), " ".join(facts.groups)),
        ("suffix", draw.choice(_SUFFIX_CAPTIONS), facts.suffix or "C"),
        ("mark", "TYPE", facts.mark),
        ("other", "SERIAL", facts.serial),
        ("other", "MADE", facts.made),
        ("maker", "MAKER", facts.maker.upper()),
    ]
    chosen = [entries[0], *draw.sample(entries[1:], columns * rows - 1)]
    draw.shuffle(chosen)
    for k, (role, caption, value) in enumerate(chosen):
        x, y = 1 + k % columns * wide, 1 + k // columns * high
        s.rule(x, y, x + wide, y + high, outline=s.ink, width=0.3)
        s.text("other", caption, (x + 1.5, y + 1.5), 1.9, font=face, max_width=wide - 3)
        s.text(role, value, (x + 1.5, y + high * 0.46), high * 0.32, font=face, max_width=wide - 3)
    return s


def _barred(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A linear code with its number over or under it."""
    size = (draw.uniform(48, 74), draw.uniform(13, 24))
    s = _sheet(size, room, draw, draw.choice(("white", "white", "foil", "yellow", "paper")))
    over = draw.random() < 0.5
    tall = size[1] * 0.22
    s.code(
        "Code 128",
        draw.choice((facts.payload, facts.serial)),
        (0.5, size[1] * 0.38 if over else 2.0),
        width=size[0] - 1,
        height=size[1] * 0.5,
    )
    y = size[1] * 0.09 if over else size[1] * 0.70
    s.text(
        "service number",
        " ".join(facts.groups),
        (size[0] / 2, y),
        tall,
        font=draw.choice(_FACES),
        anchor="middle",
        max_width=size[0] * 0.84,
    )
    return s


def _squared(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A square code with a line or two beside or below it."""
    below = draw.random() < 0.5
    size = (18.0, 24.0) if below else (draw.uniform(36, 56), 17.0)
    s = _sheet(size, room, draw)
    _code(s, facts, draw, (1, 1), 16, 15, square=True)
    face = draw.choice(_FACES)
    lines = [("service number", " ".join(facts.groups)), ("other", facts.serial), ("other", facts.made)]
    for k, (role, value) in enumerate(lines[: 1 if below else draw.randint(1, 3)]):
        at, width = ((1.5, 19.0), 15) if below else ((18.5, 2.6 + 4.9 * k), size[0] - 20)
        s.text(role, value, at, 2.2 if below else 3.0, font=face, max_width=width)
    return s


def _dense(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A large label: maker, type, number, small print in columns, codes."""
    size = (draw.uniform(70, 100), draw.uniform(44, 60))
    s = _sheet(size, room, draw)
    face, other = draw.choice(_FACES), draw.choice(_FACES)
    wide, high = size
    y = 3.0
    if draw.random() < 0.5:
        s.rule(0, 0, wide, 8.0, fill=s.ink)
        s.text(
            "maker",
            facts.maker.upper(),
            (3, 2.4),
            3.2,
            font="DejaVuSans-Bold",
            ink=s.paper,
            max_width=wide - 6,
        )
    else:
        s.text("maker", facts.maker, (3, 2.6), 3.6, font=other, max_width=wide * 0.6)
    y = 11.0
    s.text("other", draw.choice(_NUMBER_CAPTIONS), (3, y), 1.9, font=face, max_width=20)
    s.text(
        "service number",
        " ".join(facts.groups),
        (3, y + 3.2),
        draw.uniform(4.0, 5.6),
        font=face,
        max_width=wide * 0.62,
    )
    boxed = draw.random() < 0.6
    if boxed:
        s.rule(wide - 22, y - 1, wide - 3, y + 10, outline=s.ink, width=0.4)
    s.text("other", draw.choice(_SUFFIX_CAPTIONS), (wide - 20.5, y), 1.9, font=face, max_width=15)
    s.text("suffix", facts.suffix or "B", (wide - 20.5, y + 3.4), 5.0, font="DejaVuSans-Bold", max_width=15)
    y += 12.5
    columns = draw.choice((1, 2))
    for k, line in enumerate(draw.sample(_SMALL_PRINT, columns * 3)):
        at = (3 + k % columns * (wide * 0.3), y + k // columns * 3.8)
        s.text("other", line, at, 1.9, font=other, max_width=wide * 0.28)
    side = min(high - y - 2, 18.0)
    if side > 8 and draw.random() < 0.7:
        _code(s, facts, draw, (wide - side - 3, y), side, side, square=True)
    if high - y > 21:
        s.code("Code 128", facts.serial, (1, high - 9), width=wide * 0.62, height=7.0)
    return s


def _word(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A few large letters: a bay of the store, a state, a type."""
    value = draw.choice(
        (
            facts.mark,
            facts.suffix or "D",
            f"{draw.randint(2, 99)}",
            f"{draw.choice('CFHKRT')}{draw.randint(1, 9)}",
            "OK",
            "TESTED",
            "CORE",
            "SPARE",
        )
    )
    size = (max(14.0, 6.5 * len(value) + 4), 12.0)
    s = _sheet(size, room, draw)
    s.text(
        "other",
        value,
        (size[0] / 2, 2.6),
        6.8,
        font="DejaVuSans-Bold",
        anchor="middle",
        max_width=size[0] - 3,
    )
    return s


def _price(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A price sticker in a loud colour, or a white one of a label gun."""
    size = draw.choice(((22.0, 12.0), (26.0, 16.0), (18.0, 18.0)))
    paper = draw.choice(((250, 130, 30), (252, 236, 60), (240, 60, 70), (120, 220, 90), (246, 246, 244)))
    s = Sheet(size, min(fit(size, room), 1.25), paper, (20, 20, 22), per_mm=_PER_MM)
    value = draw.choice(
        (f"{draw.randint(5, 180)}.{draw.choice(('00', '50', '95'))}", f"{draw.randint(5, 240)},-")
    )
    s.text(
        "other",
        value,
        (size[0] / 2, size[1] * 0.36),
        size[1] * 0.3,
        font="DejaVuSans-Bold",
        anchor="middle",
        max_width=size[0] - 3,
    )
    return s


def _tape(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A strip of masking tape or coloured tape, sometimes with a word on it."""
    size = (draw.uniform(30, 90), draw.choice((12.0, 18.0, 25.0)))
    paper = draw.choice(
        (
            (222, 202, 150),
            (226, 210, 168),
            (60, 96, 190),
            (200, 40, 40),
            (240, 240, 236),
            (34, 34, 36),
            (60, 150, 70),
        )
    )
    s = Sheet(size, fit(size, room), paper, (34, 34, 60), per_mm=_PER_MM)
    if sum(paper) > 500 and draw.random() < 0.6:
        value = draw.choice(
            ("check", "no spark", "good one", "shelf 3", "left bank", "bench", "ask first", "wet")
        )
        s.text(
            "other",
            value,
            (size[0] * 0.1, size[1] * 0.3),
            size[1] * 0.34,
            font="DejaVuSans-Oblique",
            max_width=size[0] * 0.8,
        )
    return s


def _blank(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A plain patch: a plug's size and nothing on it."""
    size = (draw.uniform(16, 60), draw.uniform(9, 26))
    return _sheet(size, room, draw)


_Layout = Callable[[LabelFacts, tuple[float, float], random.Random], Sheet]
#: Layouts that a label on the back may have too.
LAYOUTS: dict[str, _Layout] = {"lines": _lines, "boxes": _boxes, "barred": _barred, "dense": _dense}
LAYOUT_NAMES = tuple(LAYOUTS)
#: What a face may carry: how it is drawn and how often.
KINDS: dict[str, tuple[_Layout, float]] = {
    "lines": (_lines, 4),
    "boxes": (_boxes, 4),
    "barred": (_barred, 4),
    "squared": (_squared, 4),
    "dense": (_dense, 3),
    "word": (_word, 2),
    "price": (_price, 1.5),
    "tape": (_tape, 2),
    "blank": (_blank, 1.5),
}
