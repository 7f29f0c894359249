"""What is on a photo and where: polygons from the geometry, visibility from the index picture.

All positions are pixels of the photo as it is shown, EXIF turn applied: x to the right, y down, the top left
corner of the frame at 0, 0.
"""

import math
from typing import Any

import cv2
import numpy as np
from plugface.demo.studio.families import CATALOGUES, family_of
from plugface.demo.studio.shots import Shot, as_record

UNIT_STRIDE = 32
_MARK, _LABEL, _SCRAWL = 16, 17, 18
_CLUTTER = {1: "clutter", 2: "loose plug", 3: "hand"}


def project(points, view: dict[str, Any], width: int, height: int) -> np.ndarray:
    """Pinhole projection of world points (N, 3) to pixels (N, 2).

    `view` holds `axes` (3, 3; rows right, up, backwards), `eye` (3,) metres and `focal_px`.
    """
    seen = (np.asarray(points, float) - view["eye"]) @ np.asarray(view["axes"]).T
    depth = np.maximum(-seen[:, 2], 1e-3)
    scale = view["focal_px"] / depth
    return np.stack([width / 2 + seen[:, 0] * scale, height / 2 - seen[:, 1] * scale], axis=1)


def hull_polygon(points) -> np.ndarray:
    """Convex hull (N, 2) of pixels, in drawing order."""
    return cv2.convexHull(np.asarray(points, np.float32)).reshape(-1, 2).astype(float)


def clip_polygon(polygon, width: int, height: int) -> np.ndarray:
    """Cut a convex polygon to the frame (Sutherland & Hodgman, 1974); empty if it lies outside."""
    for axis, limit, sign in ((0, 0.0, 1), (0, width, -1), (1, 0.0, 1), (1, height, -1)):
        kept = []
        for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
            inside_a, inside_b = sign * (a[axis] - limit) >= 0, sign * (b[axis] - limit) >= 0
            if inside_a:
                kept.append(a)
            if inside_a != inside_b:
                kept.append(a + (b - a) * (limit - a[axis]) / (b[axis] - a[axis]))
        polygon = np.array(kept).reshape(-1, 2)
        if len(polygon) < 3:
            return np.empty((0, 2))
    return polygon


def area(polygon) -> float:
    """Area of a simple polygon (N, 2)."""
    x, y = np.asarray(polygon).T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def visible_share(polygon, carries) -> float:
    """Share of a polygon's area, in the frame or not, whose pixels satisfy the mask `carries` (H, W)."""
    height, width = carries.shape
    clipped = clip_polygon(polygon, width, height)
    whole = area(polygon)
    if len(clipped) < 3 or whole <= 0:
        return 0.0
    mask = np.zeros(carries.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(clipped * 16 - 8).astype(np.int32)], 1, shift=4)
    covered = int(mask.sum())
    hit = float((carries & (mask > 0)).sum()) / max(covered, 1)
    return round(hit * min(area(clipped) / whole, 1.0), 3)


def truth_row(shot: Shot, geometry: dict[str, Any], index) -> dict[str, Any]:
    """Everything that is known of a photo, but for its file's hash.

    Parameters
    ----------
    shot : Shot
    geometry : dict
        As `render` writes it: the view and, per unit, world positions of outline, sockets, texts and codes.
    index : uint16 ndarray, shape (H, W)
    """
    frame = _Frame(geometry["view"], shot.width, shot.height, np.asarray(index))
    parameters = as_record(shot)
    for key in ("id", "set", "split", "view", "width", "height"):
        parameters.pop(key)
    return {
        "photo": f"photos/{shot.id}.jpg",
        "id": shot.id,
        "split": shot.split,
        "set": shot.set,
        "view": shot.view,
        "width": shot.width,
        "height": shot.height,
        "units": [
            _unit_row(number, placed, built, frame)
            for number, (placed, built) in enumerate(zip(shot.units, geometry["units"], strict=True), start=1)
        ],
        "clutter": [
            {"kind": name, "share": round(float((frame.index == part).mean()), 4)}
            for part, name in _CLUTTER.items()
            if (frame.index == part).any()
        ],
        "camera_height_m": round(geometry["view"]["eye"][2], 3),
        "parameters": parameters,
    }


class _Frame:
    """The view with its index picture."""

    def __init__(self, view, width, height, index) -> None:
        self.view, self.width, self.height, self.index = view, width, height, index

    def pixels(self, points) -> np.ndarray:
        return project(points, self.view, self.width, self.height)

    def polygon(self, points) -> list[list[float]]:
        return np.round(clip_polygon(hull_polygon(self.pixels(points)), self.width, self.height), 1).tolist()

    def cuts_off(self, points) -> bool:
        """Whether a part of the hull of points lies outside the frame."""
        x, y = self.pixels(points).T
        return bool(x.min() < 0 or y.min() < 0 or x.max() > self.width or y.max() > self.height)

    def visible(self, points, carries) -> float:
        return visible_share(hull_polygon(self.pixels(points)), carries)


def _unit_row(number, placed, built, frame: _Frame) -> dict[str, Any]:
    unit, family = placed.unit, family_of(placed.unit)
    base = UNIT_STRIDE * number
    mine = (frame.index >= base) & (frame.index < base + UNIT_STRIDE)
    part = np.where(mine, frame.index - base, 255)
    sockets = []
    for socket in built["connectors"]:
        model = family.connectors[socket["index"]]
        sockets.append(
            {
                "index": socket["index"],
                "colour": model.colour,
                "size": model.size,
                "pins": list(model.pins),
                "polygon": frame.polygon(socket["points"]),
                "visible": frame.visible(socket["points"], part == socket["index"] + 1),
                "cut_off": frame.cuts_off(socket["points"]),
                "missing": socket["missing"],
                "mated": socket["seated"],
            }
        )
    carriers = {
        "cast": mine & ((part == _MARK) | (part == 0)),
        "printed": part == _LABEL,
        "scrawl": part == _SCRAWL,
    }
    texts = []
    for text in built["texts"]:
        corners = frame.pixels(text["corners"])
        texts.append(
            {
                "kind": text["kind"],
                "role": text["role"],
                "value": text["value"],
                "polygon": np.round(corners, 1).tolist(),
                "height_px": round(float(np.linalg.norm(corners[0] - corners[3])), 1),
                "visible": _facing(corners) * visible_share(corners, carriers[text["kind"]]),
            }
        )
    codes = []
    for code in built["codes"]:
        corners = frame.pixels(code["corners"])
        world = np.linalg.norm(np.subtract(code["corners"][0], code["corners"][1]))
        shown = float(np.linalg.norm(corners[0] - corners[1]))
        codes.append(
            {
                "symbology": code["symbology"],
                "payload": code["payload"],
                "polygon": np.round(corners, 1).tolist(),
                "module_px": round(shown * code["module_m"] / world, 2),
                "visible": _facing(corners) * visible_share(corners, part == _LABEL),
            }
        )
    lures = [
        {
            "kind": lure["kind"],
            "polygon": frame.polygon(lure["points"]),
            "visible": frame.visible(lure["points"], part == 0),
        }
        for lure in built.get("lures", ())
    ]
    row = {
        "unit_id": unit.unit_id,
        "maker": family.maker,
        "family": family.key,
        "variant": unit.variant,
        "service_number": unit.service_number,
        "suffix": unit.suffix,
        "known": unit.source in CATALOGUES,
        "face": placed.pose.face,
        "polygon": frame.polygon(built["outline"]),
        "visible": frame.visible(built["outline"], mine),
        "cut_off": frame.cuts_off(built["outline"]),
        "up_deg": _up(placed, built, frame),
        "body": {"colour": family.body.colour, "fins": family.body.fins, "material": family.body.material},
        "connectors": sockets,
        "texts": texts,
        "codes": codes,
    }
    # Shells without any say nothing of them, as before there were such.
    return row | ({"lures": lures} if lures else {})


def _facing(corners) -> int:
    """1 if four corners in reading order run clockwise on the screen, 0 if they are seen from behind."""
    x, y = corners.T
    return int(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0)


def _up(placed, built, frame: _Frame) -> float:
    """Direction of the unit's upward axis in the picture, counter-clockwise degrees, 90 = up; see the label
    from behind. Of a unit that shows an edge: where its plug face points.
    """
    printed = [t for t in built["texts"] if t["kind"] == "printed" and _facing(frame.pixels(t["corners"]))]
    if placed.pose.face == "back" and printed:
        corners = frame.pixels(printed[0]["corners"])
        along = corners[0] - corners[3]
    else:
        edge_on = placed.pose.face.startswith("edge ")
        ends = frame.pixels(built["out"] if edge_on else built["up"])
        along = ends[1] - ends[0]
    return round(math.degrees(math.atan2(-along[1], along[0])) % 360, 1)
