"""Shells like real ones, drawn by chance: which headers, on which edge, on what body.

Headers come first and the body is drawn around them, so that plugs fill what they fill on real units: 15 to
90 per cent of an edge.
"""

import random
from dataclasses import dataclass

from plugface.demo.studio.footprint import connector_size_mm
from plugface.models.catalogue.entries import Body, Connector

_MIN_MM, _MAX_MM = 66.0, 320.0
#: How headers are laid out, and how often. Half of all families open sideways, a third have several bays in
#: one moulding: counted over `wild.random_family`, which draws a quarter from elsewhere.
LAYOUTS = {
    "edge row": 20,
    "edge moulding": 22,
    "opposite ends": 10,
    "round a corner": 8,
    "face moulding": 16,
    "face row": 8,
    "two rows": 10,
    "edge and face": 6,
}
#: Bodies and how often.
_BODIES = {
    "pressed": 14,
    "folded": 6,
    "moulded": 17,
    "cast": 15,
    "finned": 10,
    "lid on cast": 14,
    "extruded": 7,
    "glued": 7,
    "potted": 5,
    "glands": 5,
}
_OPPOSITE = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}


@dataclass
class _Row:
    """Headers side by side: lengths along the row, gaps between them, the row's depth."""

    bays: list[Connector]
    gap: float

    @property
    def lengths(self) -> list[float]:
        return [connector_size_mm(bay)[0] for bay in self.bays]

    @property
    def length(self) -> float:
        return sum(self.lengths) + self.gap * (len(self.bays) - 1)

    @property
    def depth(self) -> float:
        return max(connector_size_mm(bay)[1] for bay in self.bays)

    @property
    def tall(self) -> float:
        return max(connector_size_mm(bay)[2] for bay in self.bays)

    def offsets(self) -> list[float]:
        """Middle of each header along the row, the row's middle at 0."""
        at, found = -self.length / 2, []
        for length in self.lengths:
            found.append(at + length / 2)
            at += length + self.gap
        return found


def draw_shell(draw: random.Random, palette: list[str]) -> tuple[Body, list[Connector]]:
    """A body and its connectors, plugs in the colours of the palette; connectors in no special order."""
    kind = draw.choices(tuple(LAYOUTS), tuple(LAYOUTS.values()))[0]
    share = draw.triangular(0.15, 0.9, 0.6)
    if kind in ("edge row", "edge moulding"):
        rows = [_draw_row(draw, palette, "a" if kind == "edge moulding" else "")]
        edge = draw.choice(("top", "top", "bottom", "left", "right"))
        return _on_edges(draw, {edge: rows[0]}, share)
    if kind == "opposite ends":
        edge = draw.choice(("left", "left", "top"))
        rows = [_draw_row(draw, palette, name, most=2) for name in ("a", "b")]
        return _on_edges(draw, {edge: rows[0], _OPPOSITE[edge]: rows[1]}, share)
    if kind == "round a corner":
        one, other = draw.choice(("top", "bottom")), draw.choice(("left", "right"))
        rows = [_draw_row(draw, palette, draw.choice(("", name)), most=2) for name in ("a", "b")]
        return _on_edges(draw, {one: rows[0], other: rows[1]}, share)
    if kind == "edge and face":
        row, above = _draw_row(draw, palette, "a", most=2), _draw_row(draw, palette, "", most=2)
        return _on_edges(draw, {draw.choice(("top", "bottom")): row}, share, face=[above])
    count = 2 if kind == "two rows" else 1
    names = [name if kind != "face row" else "" for name in ("a", "b")[:count]]
    rows = [_draw_row(draw, palette, name, most=3) for name in names]
    return _on_edges(draw, {}, max(share, 0.3), face=rows)


def _draw_row(draw: random.Random, palette: list[str], moulding: str, most: int = 5) -> _Row:
    """Headers of one row: bays of a moulding alike in depth and colour, single ones as they come."""
    least = 2 if moulding and most > 2 else 1
    count = draw.randint(least, min(most, 4 if moulding else 5))
    sizes = [draw.choice("SMML") for _ in range(count)]
    if sizes.count("L") > 3:
        sizes[0] = "S"
    rows = draw.randint(2, 5)
    colour = draw.choice(palette)
    mixed = draw.random() < 0.15
    bays = []
    for size in sizes:
        few = rows if moulding else draw.randint(1, 3) if size == "S" else draw.randint(2, 5)
        many = {"S": draw.randint(2, 7), "M": draw.randint(6, 12), "L": draw.randint(12, 24)}[size]
        own = colour if moulding and not mixed else draw.choice(palette)
        lock = draw.choice(
            ("", "latch", "latch", "lever", "slide") if size != "S" else ("latch", "latch", "slide")
        )
        bays.append(
            Connector(
                colour=own, size=size, pins=(min(few, many), many), at_mm=(0, 0), lock=lock,
                moulding=moulding if count > 1 else "",
            )
        )  # fmt: skip
    return _Row(bays, draw.uniform(2.0, 6.0) if moulding else draw.uniform(7.0, 22.0))


def _on_edges(draw, edges: dict[str, _Row], share: float, face=()) -> tuple[Body, list[Connector]]:
    """The body around rows at its edges and on its face, and the connectors in their places."""
    need = {"w": _MIN_MM, "h": _MIN_MM, "d": draw.choice((draw.uniform(24, 45), draw.uniform(35, 75)))}
    wanted = 0.0
    for edge, row in edges.items():
        side = "w" if edge in ("top", "bottom") else "h"
        need[side] = max(need[side], row.length + 22)
        need["d"] = max(need["d"], row.depth + draw.uniform(2, 12))
        wanted = max(wanted, row.length)
    upright = bool(face) and not edges and draw.random() < 0.3
    for row in face:
        need["w"] = max(need["w"], row.length + 26)
        wanted = max(wanted, row.length)
    deep = sum(row.depth + 14 for row in face)
    need["h"] = max(need["h"], deep + 20 + (30 if edges else 0))
    main = "h" if set(edges) <= {"left", "right"} and edges else "w"
    other = "h" if main == "w" else "w"
    size = dict(need)
    size[main] = min(max(wanted / share, need[main]), max(_MAX_MM, need[main]))
    stretch = draw.uniform(0.45, 1.0) if draw.random() < 0.7 else draw.uniform(1.0, 1.8)
    size[other] = min(max(size[main] * stretch, need[other]), max(260.0, need[other]))
    connectors = []
    for edge, row in edges.items():
        connectors += _place_on_edge(draw, edge, row, size)
    connectors += _place_on_face(draw, face, size, bool(edges))
    if upright:  # the whole face turned a quarter: long sides run upright
        size["w"], size["h"] = size["h"], size["w"]
        connectors = [_quarter_turn(c) for c in connectors]
    body = _draw_body(draw, tuple(round(size[k]) for k in "whd"))
    return body, connectors


def _place_on_edge(draw, edge: str, row: _Row, size: dict[str, float]) -> list[Connector]:
    across = edge in ("top", "bottom")
    half_along, half_out = (size["w"] / 2, size["h"] / 2) if across else (size["h"] / 2, size["w"] / 2)
    spare = half_along - row.length / 2 - 10
    middle = 0.0 if draw.random() < 0.5 else draw.uniform(-spare, spare)
    sunk = draw.choice((draw.uniform(0, 3), draw.uniform(0, 3), draw.uniform(3, 8), 0.6 * row.tall))
    sign = 1 if edge in ("top", "right") else -1
    placed = []
    for bay, offset in zip(row.bays, row.offsets(), strict=True):
        tall = connector_size_mm(bay)[2]
        out = sign * (half_out + tall / 2 - min(sunk, tall - 6))
        at = (middle + offset, out) if across else (out, middle + offset)
        placed.append(_moved(bay, at, edge=edge, opens="sideways", turn_deg=0.0 if across else 90.0))
    return placed


def _place_on_face(draw, rows, size: dict[str, float], edges: bool) -> list[Connector]:
    placed = []
    room = size["h"] - 16 - (24 if edges else 0)
    pitch = [row.depth for row in rows]
    spare = max(room - sum(pitch) - 12 * (len(rows) - 1), 0.0)
    top = (
        size["h"] / 2
        - 8
        - (12 if edges else 0)
        - draw.choice((0.0, 0.5, 1.0)) * spare * (0.5 if len(rows) > 1 else 1)
    )
    apart = 12 + (draw.uniform(0, 1) * spare * 0.5 if len(rows) > 1 else 0)
    for row in rows:
        y = top - row.depth / 2
        slack = size["w"] / 2 - row.length / 2 - 10
        middle = 0.0 if draw.random() < 0.6 else draw.uniform(-slack, slack)
        for bay, offset in zip(row.bays, row.offsets(), strict=True):
            placed.append(_moved(bay, (middle + offset, y), edge="face"))
        top -= row.depth + apart
    return placed


def _moved(bay: Connector, at, **changes) -> Connector:
    return bay.model_copy(update={"at_mm": (round(at[0], 1), round(at[1], 1)), **changes})


def _quarter_turn(connector: Connector) -> Connector:
    x, y = connector.at_mm
    return connector.model_copy(update={"at_mm": (-y, x), "turn_deg": 90.0})


def _draw_body(draw: random.Random, size) -> Body:
    """A body of this size: what it is made of, and what stands on it."""
    kind = draw.choices(tuple(_BODIES), tuple(_BODIES.values()))[0]
    facts = _BODY_FACTS[kind](draw)
    half_finned = kind == "cast" and "ribs" not in facts["features"] and draw.random() < 0.4
    return Body(
        size_mm=size,
        corners=draw.choice(("square", "round")),
        ears=draw.choice((0, 0, 2, 3, 4, 4)),
        finish=draw.choice(("plain", "glossy", "grained", "grained")),
        **({"fins": draw.choice(("half", "all"))} if half_finned else {}),
        **facts,
    )


def _moulded(draw: random.Random) -> dict:
    return {
        "material": draw.choice(("plastic", "plastic", "plastic on aluminium")),
        "colour": draw.choices(("BK", "GY", "WH", "BU", "BN", "GN"), (78, 9, 5, 3, 2, 3))[0],
        "features": draw.choice(((), ("hose stub",), ("ribs",), ())),
        "lid_screws": draw.choice((0, 0, 0, 4)),
    }


def _cast(draw: random.Random, *features: str) -> dict:
    """A bare casting, or a black one."""
    return {
        "material": "cast aluminium",
        "colour": draw.choice(("GY", "GY", "GY", "BK")),
        "features": features,
    }


def _plain_cast(draw: random.Random) -> dict:
    features = draw.choice(((), ("ribs",), ("hose stub",)))
    return {**_cast(draw, *features), "lid_screws": draw.choice((0, 0, 4, 6, 8))}


def _finned(draw: random.Random) -> dict:
    return {**_cast(draw, "finned all round"), "fins": draw.choice(("all", "all", "half", "none"))}


def _lid_on_cast(draw: random.Random) -> dict:
    features = draw.choice(((), ("hose stub",), ("ribs",)))
    return {"material": "plastic on cast", "lid_colour": _dark(draw), "features": features}


def _folded(draw: random.Random) -> dict:
    colour = draw.choice(("GY", "GY", "BK"))
    return {"material": "sheet steel", "colour": colour, "lid_screws": draw.choice((0, 0, 4, 6, 8))}


def _extruded(draw: random.Random) -> dict:
    colour = draw.choice(("GY", "GY", "BK", "BK", "BU", "RD"))
    return {"material": "anodised aluminium", "colour": colour}


def _potted(draw: random.Random) -> dict:
    material = draw.choice(("plastic", "cast aluminium"))
    return {"material": material, "colour": draw.choice(("GY", "BK")), "features": ("potted",)}


def _dark(draw: random.Random) -> str:
    return draw.choice(("BK", "BK", "BK", "GY"))


_BODY_FACTS = {
    "pressed": lambda draw: {"material": "sheet steel", "features": ("pressed",)},
    "folded": _folded,
    "moulded": _moulded,
    "cast": _plain_cast,
    "finned": _finned,
    "lid on cast": _lid_on_cast,
    "extruded": _extruded,
    "glued": lambda draw: {**_cast(draw, "glued cover"), "lid_colour": _dark(draw)},
    "potted": _potted,
    "glands": lambda draw: _cast(draw, "cable glands", "ribs"),
}
