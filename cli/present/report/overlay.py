"""What was seen in a photo, as SVG over its small picture: outlines, numbered plugs, barcodes."""

import math
from collections.abc import Sequence

from markupsafe import Markup, escape
from plugface.cli.present.swatches import ink_on, shown_colour
from plugface.vision.observations import Connector, Observations, Polygon, Unit

#: Width of the drawing in its own units, with the height after the photo; sizes below are in the same units.
#: All pictures of the page are of one width, so a tag is no larger on an upright photo.
WIDTH = 400

#: Half the width and height of a tag, and by how much it may be moved off its plug to find room, in steps of
#: so much. Our choice.
TAG, MOVE, STEP = (21, 10), 66, 11

Point = tuple[float, float]


def draw_overlay(seen: Observations, meant: Unit | None) -> Markup:
    """The outlines of one unit as an SVG element that fills the box of its picture.

    Parameters
    ----------
    seen : Observations
    meant : Unit or None
        The one of `seen.units` that is meant, either way up; the others are drawn thin. None: no unit was
        found.

    Returns
    -------
    svg : Markup
        With a text alternative that names the plugs in canonical order.
    """
    scale = WIDTH / seen.quality.width_px
    height = seen.quality.height_px * scale
    lines = []
    for unit in seen.units:
        if meant is None or unit.polygon != meant.polygon:
            lines.append(f'<polygon class="other" points="{_points(unit.polygon, scale)}"/>')
    if meant is not None:
        lines += _drawn(meant, scale)
    for code in seen.codes:
        lines.append(f'<polygon class="code" points="{_points(code.polygon, scale)}"/>')
    # The number is the place in the unit's order, which a plug on no unit has none of.
    plugs = [(plug, f"{n} ") for n, plug in enumerate(meant.connectors if meant else (), start=1)]
    plugs += [(plug, "") for plug in seen.loose]
    lines += [f'<polygon class="plug" points="{_points(plug.polygon, scale)}"/>' for plug, _ in plugs]
    middles = [_middle(plug.polygon, scale) for plug, _ in plugs]
    for (plug, number), middle, at in zip(plugs, middles, _place_tags(middles, height), strict=True):
        lines += _tag(plug, number, middle, at)
    words = describe(meant, seen.loose)
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(words)}">'
        f"<title>{escape(words)}</title>{''.join(lines)}</svg>"
    )


def describe(unit: Unit | None, loose: Sequence[Connector] = ()) -> str:
    """One sentence on what is marked in the picture.

    Parameters
    ----------
    unit : Unit or None
    loose : sequence of Connector
        Plugs on no unit.

    Returns
    -------
    words : str
    """
    beside = f"; plugs on no outlined unit: {_name(loose)}." if loose else "."
    if unit is None:
        return f"Photo in which no unit was found{beside}"
    face = "front" if unit.face.get("front", 0.0) >= 0.5 else "back"
    if not unit.connectors:
        return f"Photo of the {face}; no plugs found{beside}"
    return f"Photo of the {face}; plugs in order: {_name(unit.connectors)}{beside}"


def _name(plugs: Sequence[Connector]) -> str:
    return ", ".join(shown_colour(plug.colour)[1] for plug in plugs)


def _drawn(unit: Unit, scale: float) -> list[str]:
    lines = [
        f'<polygon class="casing" points="{_points(unit.polygon, scale)}"/>',
        f'<polygon class="unit" points="{_points(unit.polygon, scale)}"/>',
    ]
    lines += [f'<polygon class="code" points="{_points(c.polygon, scale)}"/>' for c in unit.codes]
    lines += [f'<polygon class="read" points="{_points(t.polygon, scale)}"/>' for t in unit.texts]
    return lines


def _place_tags(middles: Sequence[Point], height: float) -> list[Point]:
    """Middles of the tags: on their plugs, or as near as they hide no other tag and are not cut off."""
    steps = range(-MOVE, MOVE + 1, STEP)
    moves = sorted(((dx, dy) for dx in steps for dy in steps), key=lambda move: math.hypot(*move))
    placed: list[Point] = []
    for middle in middles:
        others = [other for other in middles if other != middle]
        places = [_inside((middle[0] + dx, middle[1] + dy), height) for dx, dy in moves]
        free = (at for at in places if not any(_meet(at, tag) for tag in placed))
        # Not on another plug either: it would be taken for that one's.
        clear = (at for at in free if at == places[0] or not any(_holds(at, other) for other in others))
        placed.append(next(clear, places[0]))
    return placed


def _inside(at: Point, height: float) -> Point:
    x, y = at
    return max(TAG[0] + 1, min(WIDTH - TAG[0] - 1, x)), max(TAG[1] + 1, min(height - TAG[1] - 1, y))


def _meet(at: Point, other: Point) -> bool:
    return abs(at[0] - other[0]) < 2 * TAG[0] and abs(at[1] - other[1]) < 2 * TAG[1]


def _holds(at: Point, point: Point) -> bool:
    return abs(at[0] - point[0]) < TAG[0] and abs(at[1] - point[1]) < TAG[1]


def _tag(plug: Connector, number: str, middle: Point, at: Point) -> list[str]:
    """A tag, with a line to its plug where it had to be moved."""
    code, _, rgb = shown_colour(plug.colour)
    fill, ink = f"rgb{rgb}".replace(" ", ""), f"rgb{ink_on(rgb)}".replace(" ", "")
    ends = f'x1="{middle[0]:.0f}" y1="{middle[1]:.0f}" x2="{at[0]:.0f}" y2="{at[1]:.0f}"'
    x, y = at[0] - TAG[0], at[1] - TAG[1]
    wide, high = 2 * TAG[0], 2 * TAG[1]
    return [
        *([f'<line {ends} stroke="#fff" stroke-width="1.5"/>'] if at != middle else []),
        f'<rect class="tag" x="{x:.0f}" y="{y:.0f}" width="{wide}" height="{high}" fill="{fill}"/>',
        f'<text x="{at[0]:.0f}" y="{at[1] + 5:.0f}" fill="{ink}">{number}{code}</text>',
    ]


def _middle(polygon: Polygon, scale: float) -> Point:
    xs, ys = zip(*polygon, strict=True)
    return sum(xs) / len(xs) * scale, sum(ys) / len(ys) * scale


def _points(polygon: Polygon, scale: float) -> str:
    return " ".join(f"{x * scale:.1f},{y * scale:.1f}" for x, y in polygon)
