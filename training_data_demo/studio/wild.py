"""Families that no catalogue holds: a few with invented makers, for decoys, and any number drawn by chance.

The latter serve to train the finder of connectors: body, layout, colours, marks and labels are drawn freely,
with no eye to any catalogue, so that what is learned is connectors and not families.
"""

import random

import numpy as np
from plugface.demo.studio.footprint import connector_size_mm, seen_size_mm
from plugface.demo.studio.part_numbers import FORMATS, fill_form, pattern_of
from plugface.demo.studio.wild_shells import draw_shell
from plugface.models.catalogue.entries import Body, Connector, Family, Label, Mark, Variant

COLOURS = ("BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ")
# How often each colour turns up on a family of an invented maker; black and grey lead, as in the trade
# (common practice, no source). Families drawn for training have every colour nearly as often, so that all are
# learned.
_TRADE = (26, 9, 6, 8, 7, 10, 10, 6, 16, 13, 4, 4)
_EVEN = (12, 8, 10, 8, 8, 8, 10, 8, 11, 9, 6, 9)
#: Families drawn for training: how many are in the older, simpler shells.
_OLD_SHARE = 0.25
#: How many have plugs that are all black or grey, as most real ones.
_DARK_SHARE = 0.66
_SYLLABLES = (
    "ba",
    "dor",
    "el",
    "fen",
    "gar",
    "hol",
    "is",
    "ket",
    "lum",
    "mor",
    "nes",
    "or",
    "pil",
    "quen",
    "ras",
    "sto",
    "tam",
    "ul",
    "ver",
    "wex",
    "yar",
    "zim",
)
_GAP_MM = 7.0

# Invented makers and families that are in no catalogue, by the split whose decoys may show them: what is
# unknown in the test split was never seen before it.
_UNKNOWN = {
    "test": (
        ("QUERNMOSS", "SORREL"),
        ("QUERNMOSS", "ORLOP"),
        ("LEDDERBY", "TEASEL"),
        ("PILCROW FEN", "MARL"),
        ("HOBSTANE", "HOBNAIL"),
        ("TARNWICK", "LATCHET"),
        ("OUSELBECK", "RIVEN"),
    ),
    "calibration": (("SALLOWMERE", "GRIST"), ("BRACKWATER", "SEDGE"), ("BRACKWATER", "RUSH")),
    "train": (("THRUMHOLM", "THRUM"), ("THRUMHOLM", "TUSSOCK"), ("CROSSGATE TOLL", "TOLLBAR")),
}
#: Every other family of a split stands in a shell like real ones; the rest in the older, simpler ones.
_NEW_SHELLS = frozenset(name for group in _UNKNOWN.values() for _, name in group[::2])


def unknown_families(split: str) -> list[str]:
    """Keys of the invented families that decoys of one split may show."""
    return [key for _, key in _UNKNOWN[split]]


def unknown_family(key: str) -> Family:
    """One of the named families outside every catalogue. Raises KeyError for any other name."""
    for group in _UNKNOWN.values():
        for maker, name in group:
            if name == key:
                draw = random.Random(f"unknown family {key}")
                if key in _NEW_SHELLS:
                    palette = draw.choices(COLOURS, _TRADE, k=draw.choice((1, 2, 3)))
                    return _draw_new_family(draw, key, maker, palette)
                return _draw_family(draw, key, maker, _TRADE)
    raise KeyError(key)


def random_family(seed: int) -> Family:
    """A family drawn by chance; the same seed gives the same family.

    A quarter stands in the older shells; the others in shells like real ones, see `wild_shells`.
    """
    draw = random.Random(f"wild family {seed}")
    word = "".join(draw.choice(_SYLLABLES) for _ in range(draw.choice((2, 2, 3)))).upper()
    key = word if draw.random() < 0.4 else f"{word} {draw.randint(1, 99)}"
    maker = "".join(draw.choice(_SYLLABLES) for _ in range(3)).capitalize()
    if draw.random() < _OLD_SHARE:
        return _draw_family(draw, key, maker, _EVEN)
    colours = draw.choices(("BK", "GY"), (0.75, 0.25), k=2) if draw.random() < _DARK_SHARE else None
    palette = colours or draw.choices(COLOURS, _EVEN, k=draw.choice((1, 2, 3, 4)))
    return _draw_new_family(draw, key, maker, palette)


def dye(family: Family, seed: int) -> Family:
    """The same family with its plugs in colours drawn by chance, each as likely as on drawn families."""
    draw = random.Random(f"dyed family {seed}")
    colours = draw.choices(COLOURS, _EVEN, k=len(family.connectors))
    dyed = (c.model_copy(update={"colour": x}) for c, x in zip(family.connectors, colours, strict=True))
    return family.model_copy(update={"connectors": tuple(dyed)})


def _draw_new_family(draw: random.Random, key: str, maker: str, palette: list[str]) -> Family:
    """A family in a shell like real ones."""
    body, connectors = draw_shell(draw, palette)
    order = sorted(connectors, key=lambda c: (-round(c.at_mm[1] / 12), c.at_mm[0]))
    return _name_family(draw, key, maker, body, order)


def _draw_family(draw: random.Random, key: str, maker: str, weights: tuple[int, ...]) -> Family:
    while True:
        body = _draw_body(draw)
        connectors = _draw_connectors(draw, body, weights)
        if connectors:
            break
    return _name_family(draw, key, maker, body, connectors)


def _name_family(draw: random.Random, key: str, maker: str, body: Body, connectors) -> Family:
    """A drawn shell with its marks, label and numbers."""
    form = draw.choice(FORMATS)
    number = fill_form(form, np.random.default_rng(draw.getrandbits(32)))
    symbology = draw.choice(("Code 128", "Code 128", "Data Matrix", "Code 39", "none"))
    return Family(
        key=key,
        maker=maker,
        controls="other",
        body=body,
        connectors=tuple(connectors),
        marks=_draw_marks(draw, key, maker, body, connectors),
        label=Label(service_number=pattern_of(form), suffix="^[A-Z]$", barcode=symbology),
        variants=(Variant(key="only", service_numbers=(number,), years=(1990, 2020)),),
        source="invented",
    )


def _draw_body(draw: random.Random) -> Body:
    wide = draw.uniform(95, 290)
    high = draw.uniform(70, min(200, wide * 1.1))
    deep = draw.uniform(26, 70) if draw.random() < 0.8 else draw.uniform(90, 200)
    material = draw.choice(
        ("cast aluminium", "cast aluminium", "plastic", "sheet steel", "plastic on aluminium")
    )
    metal = material != "plastic"
    return Body(
        size_mm=(round(wide), round(high), round(deep)),
        material=material,
        colour=draw.choice(("GY", "GY", "BK"))
        if metal
        else draw.choice(("BK", "BK", "GY", "WH", "BU", "BN", "GN")),
        lid_colour=draw.choice((None, None, "BK", "GY", "BU", "GN")),
        fins=draw.choice(("none", "none", "half", "all")),
        corners=draw.choice(("square", "round")),
        ears=draw.choice((0, 2, 3, 4, 4)),
        lid_screws=draw.choice((0, 4, 6, 8)),
    )


def _draw_connectors(draw: random.Random, body: Body, weights: tuple[int, ...]) -> list[Connector]:
    """One to six sockets that do not touch, in rows, in a column or scattered; empty if none fits."""
    palette = [draw.choices(COLOURS, weights)[0] for _ in range(draw.choice((1, 2, 3, 4)))]
    turned = draw.random() < 0.25
    plan = draw.choice(("row", "row", "rows", "column", "scatter"))
    half_w, half_h = body.size_mm[0] / 2 - 5, body.size_mm[1] / 2 - 5
    level = draw.choice((0.75, 0.5, 0.0, -0.6)) * half_h
    found: list[tuple[Connector, tuple[float, float, float, float]]] = []
    for _ in range(draw.choices((1, 2, 3, 4, 5, 6), (10, 26, 26, 20, 10, 8))[0]):
        size = draw.choice("SMLL")
        pins = {
            "S": (2, draw.randint(2, 6)),
            "M": (draw.randint(2, 4), draw.randint(7, 11)),
            "L": (draw.randint(3, 5), draw.randint(12, 19)),
        }[size]
        for _ in range(40):
            turn = 90.0 if turned != (plan == "scatter" and draw.random() < 0.3) else 0.0
            trial = Connector(colour=draw.choice(palette), size=size, pins=pins, at_mm=(0, 0), turn_deg=turn)
            long, wide, _ = connector_size_mm(trial)
            reach_x, reach_y = (wide / 2, long / 2) if turn else (long / 2, wide / 2)
            if reach_x >= half_w or reach_y >= half_h:
                break
            x = draw.uniform(-half_w + reach_x, half_w - reach_x)
            y = draw.uniform(-half_h + reach_y, half_h - reach_y)
            if plan == "row":
                y = max(min(level, half_h - reach_y), -half_h + reach_y)
            elif plan == "rows":
                y = max(min(draw.choice((level, -level, 0.0)), half_h - reach_y), -half_h + reach_y)
            elif plan == "column":
                x = max(min(0.1 * level, half_w - reach_x), -half_w + reach_x)
            box = (x - reach_x, y - reach_y, x + reach_x, y + reach_y)
            if all(_apart(box, other, _GAP_MM) for _, other in found):
                found.append((trial.model_copy(update={"at_mm": (round(x, 1), round(y, 1))}), box))
                break
    return [
        connector
        for connector, _ in sorted(found, key=lambda item: (-round(item[0].at_mm[1] / 12), item[0].at_mm[0]))
    ]


def _apart(a, b, gap: float) -> bool:
    return a[2] + gap < b[0] or b[2] + gap < a[0] or a[3] + gap < b[1] or b[3] + gap < a[1]


def _draw_marks(draw: random.Random, key: str, maker: str, body: Body, connectors) -> tuple[Mark, ...]:
    """The model mark, and sometimes the maker's name, wherever there is room."""
    taken = []
    for connector in connectors:
        long, wide = seen_size_mm(connector)
        (x, y) = connector.at_mm
        taken.append((x - long / 2, y - wide / 2, x + long / 2, y + wide / 2))
    marks = []
    for text, chance in ((key, 0.9), (maker.upper(), 0.3)):
        if draw.random() > chance:
            continue
        for _ in range(60):
            tall = draw.uniform(5.5, 11.0)
            half = 0.5 * tall * len(text)
            room_x, room_y = body.size_mm[0] / 2 - half - 6, body.size_mm[1] / 2 - tall / 2 - 6
            if room_x <= 0 or room_y <= 0:
                continue
            x, y = draw.uniform(-room_x, room_x), draw.uniform(-room_y, room_y)
            box = (x - half, y - tall / 2, x + half, y + tall / 2)
            if all(_apart(box, other, 5.0) for other in taken):
                marks.append(Mark(text=text, at_mm=(round(x, 1), round(y, 1)), height_mm=round(tall, 1)))
                taken.append(box)
                break
    return tuple(marks)
