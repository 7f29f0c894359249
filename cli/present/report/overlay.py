"""What was seen in a photo, as SVG over its small picture: outlines, numbered plugs, barcodes."""

from collections.abc import Sequence

from markupsafe import Markup, escape
from plugface.cli.present.swatches import ink_on, shown_colour
from plugface.vision.observations import Connector, Observations, Polygon, Unit

#: Width of the drawing in its own units, with the height after the photo; sizes below are in the same units.
#: All pictures of the page are of one width, so a tag is no larger on an upright photo.
WIDTH = 400


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
    for plug in seen.loose:
        lines += _plug(plug, "", scale)
    for code in seen.codes:
        lines.append(f'<polygon class="code" points="{_points(code.polygon, scale)}"/>')
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
    for number, connector in enumerate(unit.connectors, start=1):
        lines += _plug(connector, f"{number} ", scale)
    lines += [f'<polygon class="code" points="{_points(c.polygon, scale)}"/>' for c in unit.codes]
    lines += [f'<polygon class="read" points="{_points(t.polygon, scale)}"/>' for t in unit.texts]
    return lines


def _plug(plug: Connector, number: str, scale: float) -> list[str]:
    """Outline and tag; the number is the place in a unit's order, which a plug on no unit has none of."""
    code, _, rgb = shown_colour(plug.colour)
    fill, ink = f"rgb{rgb}".replace(" ", ""), f"rgb{ink_on(rgb)}".replace(" ", "")
    x = sum(x for x, _ in plug.polygon) / len(plug.polygon) * scale
    y = sum(y for _, y in plug.polygon) / len(plug.polygon) * scale
    return [
        f'<polygon class="plug" points="{_points(plug.polygon, scale)}"/>',
        f'<rect class="tag" x="{x - 21:.0f}" y="{y - 10:.0f}" width="42" height="20" fill="{fill}"/>',
        f'<text x="{x:.0f}" y="{y + 5:.0f}" fill="{ink}">{number}{code}</text>',
    ]


def _points(polygon: Polygon, scale: float) -> str:
    return " ".join(f"{x * scale:.1f},{y * scale:.1f}" for x, y in polygon)
