"""What was seen in a photo, as SVG over its small picture: outlines, numbered plugs, barcodes."""

from markupsafe import Markup, escape
from plugface.cli.present.swatches import ink_on, shown_colour
from plugface.vision.observations import Observations, Polygon, Unit

#: Width of the drawing in its own units, with the height after the photo; sizes below are in the same units.
#: All pictures of the page are of one width, so a tag is no larger on an upright photo.
WIDTH = 400


def draw_overlay(seen: Observations, meant: Unit | None) -> Markup:
    """The outlines of one unit as an SVG element that fills the box of its picture.

    Parameters
    ----------
    seen : Observations
    meant : Unit or None
        The one of `seen.units` that is meant; the others are drawn thin. None: no unit was found.

    Returns
    -------
    svg : Markup
        With a text alternative that names the plugs in canonical order.
    """
    scale = WIDTH / seen.quality.width_px
    height = seen.quality.height_px * scale
    lines = []
    for unit in seen.units:
        if unit is not meant:
            lines.append(f'<polygon class="other" points="{_points(unit.polygon, scale)}"/>')
    if meant is not None:
        lines += _drawn(meant, scale)
    for code in seen.codes:
        lines.append(f'<polygon class="code" points="{_points(code.polygon, scale)}"/>')
    words = describe(meant)
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(words)}">'
        f"<title>{escape(words)}</title>{''.join(lines)}</svg>"
    )


def describe(unit: Unit | None) -> str:
    """One sentence on what is marked in the picture."""
    if unit is None:
        return "Photo in which no unit was found."
    face = "front" if unit.face.get("front", 0.0) >= 0.5 else "back"
    if not unit.connectors:
        return f"Photo of the {face}; no plugs found."
    plugs = ", ".join(shown_colour(c.colour)[1] for c in unit.connectors)
    return f"Photo of the {face}; plugs in order: {plugs}."


def _drawn(unit: Unit, scale: float) -> list[str]:
    lines = [
        f'<polygon class="casing" points="{_points(unit.polygon, scale)}"/>',
        f'<polygon class="unit" points="{_points(unit.polygon, scale)}"/>',
    ]
    for number, connector in enumerate(unit.connectors, start=1):
        code, _, rgb = shown_colour(connector.colour)
        fill, ink = f"rgb{rgb}".replace(" ", ""), f"rgb{ink_on(rgb)}".replace(" ", "")
        x = sum(x for x, _ in connector.polygon) / len(connector.polygon) * scale
        y = sum(y for _, y in connector.polygon) / len(connector.polygon) * scale
        lines.append(f'<polygon class="plug" points="{_points(connector.polygon, scale)}"/>')
        lines.append(
            f'<rect class="tag" x="{x - 21:.0f}" y="{y - 10:.0f}" width="42" height="20" fill="{fill}"/>'
        )
        lines.append(f'<text x="{x:.0f}" y="{y + 5:.0f}" fill="{ink}">{number} {code}</text>')
    lines += [f'<polygon class="code" points="{_points(c.polygon, scale)}"/>' for c in unit.codes]
    lines += [f'<polygon class="read" points="{_points(t.polygon, scale)}"/>' for t in unit.texts]
    return lines


def _points(polygon: Polygon, scale: float) -> str:
    return " ".join(f"{x * scale:.1f},{y * scale:.1f}" for x, y in polygon)
