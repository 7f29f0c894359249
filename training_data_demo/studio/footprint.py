"""How large a connector is: one answer for the catalogue's author and for the geometry."""

from typing import Any

from plugface.demo.studio.faces import Rect, largest_strip_beside

# Our own choice of sizes, near what sealed plugs of road vehicles measure (common practice, no source).
# Per class: along the long side the millimetres per pin, the fixed millimetres for walls, the lower and the
# upper limit; the same across; and how far the shroud stands proud of the plug face.
_SIZES = {
    "L": {"long": (3.4, 13.0, 55.0, 80.0), "wide": (4.0, 12.0, 22.0, 30.0), "tall": 22.0},
    "M": {"long": (3.4, 12.0, 35.0, 50.0), "wide": (4.0, 11.0, 20.0, 26.0), "tall": 19.5},
    "S": {"long": (3.2, 10.5, 18.0, 30.0), "wide": (3.6, 9.5, 16.0, 22.0), "tall": 17.0},
}


def connector_size_mm(connector: Any) -> tuple[float, float, float]:
    """Size of a socket's shroud without its foot flange, which reaches 1.5 mm further on each side.

    Parameters
    ----------
    connector : models.catalogue.Connector
        Only `size` and `pins` are read. The greater of the two pin counts runs along the long side.

    Returns
    -------
    long, wide, tall : float
        Millimetres: along the long side, across it, and proud of the plug face.
    """
    sizes = _SIZES[connector.size]
    many, few = max(connector.pins), min(connector.pins)
    long, wide = (
        round(min(max(per_pin * count + fixed, low), high), 2)
        for count, (per_pin, fixed, low, high) in ((many, sizes["long"]), (few, sizes["wide"]))
    )
    return max(long, wide), min(long, wide), sizes["tall"]


def seen_size_mm(connector: Any) -> tuple[float, float]:
    """Width and height of a connector on the plug face as it is seen from above, without flanges.

    Of one that opens sideways the top of the shroud is seen: its long side and how far it stands out.
    """
    long, wide, tall = connector_size_mm(connector)
    if connector.opens == "sideways":
        return (long, tall) if connector.edge in ("top", "bottom") else (tall, long)
    return (wide, long) if connector.turn_deg % 180 == 90 else (long, wide)


def header_edges(family: Any) -> tuple[str, ...]:
    """Edges out of which a family's headers open; a unit shows one with the pose face "edge NAME" up."""
    return tuple(dict.fromkeys(c.edge for c in family.connectors if c.opens == "sideways"))


def edge_azimuth_deg(edge: str, yaw_deg: float) -> float:
    """Azimuth of a camera that looks at an edge of a unit that lies flat, turned by `yaw_deg`."""
    return (yaw_deg + {"right": 0.0, "top": 90.0, "left": 180.0, "bottom": 270.0}[edge]) % 360


def label_room_mm(family: Any) -> tuple[float, float]:
    """Width and height of the largest free strip of the plug face, for who wants to stick a label there.

    Connectors and marks are kept clear of; vents, lures and fins come after the labels and make room.
    """
    room = Rect.around((0, 0), family.body.size_mm[:2], -9.0)
    taken = [Rect.around(c.at_mm, seen_size_mm(c), 6.0) for c in family.connectors]
    taken += [Rect.around(m.at_mm, (0.9 * m.height_mm * len(m.text), m.height_mm), 5.0) for m in family.marks]
    for rect in taken:
        if rect.meets(room):
            room = largest_strip_beside(room, rect)
    return max(room.size[0], 0.0), max(room.size[1], 0.0)
