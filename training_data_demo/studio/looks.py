"""How a phone looks at one unit so that the photo shows what it is for.

From above only the tops of headers that open sideways are seen: most photos of such a unit look into the
mouths, from the side that they open to, or the unit is propped up so that they look up.
"""

import dataclasses
import math
from typing import Any

import numpy as np
from plugface.demo.studio import draws, yard
from plugface.demo.studio.footprint import edge_azimuth_deg, header_edges
from plugface.demo.studio.shots import Camera, Pose

_EDGE_DEG = {"right": 0.0, "top": 90.0, "left": 180.0, "bottom": 270.0}
_OPPOSITE = ({"left", "right"}, {"top", "bottom"})
#: How many fronts are taken from above, by how the headers lie.
_ABOVE_SHARES = {"one": 0.3, "opposite": 0.72, "corner": 0.3}


def _kind(edges: tuple[str, ...]) -> str:
    """How the edges with headers lie to each other."""
    if len(edges) < 2:
        return "one"
    return "opposite" if set(edges) in _OPPOSITE else "corner"


def draw_pose(rng, family: Any, view: str, in_yard: bool) -> Pose:
    """The face that is up; an oblique view may be of a unit that leans, headers up, or stands on an edge."""
    yaw = draws.draw_angle(rng)
    if view in ("back", "label"):
        return Pose("back", 0.0, 0.0, yaw)
    if view == "front":
        return Pose("front", 0.0, 0.0, yaw)
    edges = header_edges(family)
    drawn, lean, side = rng.random(), float(rng.uniform(18, 42)), draws.draw_angle(rng)
    if edges and _kind(edges) == "opposite":
        return Pose("front", 0.0, 0.0, yaw)
    if edges and in_yard and drawn > 0.82:
        return Pose(f"edge {draws.pick(rng, edges)}", 0.0, 0.0, yaw)
    if drawn > 0.4:
        return Pose("front", 0.0, 0.0, yaw)
    lifted = (_middle_deg(edges) + float(np.clip(rng.normal(0, 12), -24, 24))) % 360 if edges else side
    return Pose("front", 0.0, 0.0, yaw, round(lean, 1), round(lifted, 1))


def _middle_deg(edges: tuple[str, ...]) -> float:
    """Direction of the headers in the unit's own frame: of the edge, or between two that meet at a corner."""
    turns = [math.radians(_EDGE_DEG[edge]) for edge in edges]
    return math.degrees(math.atan2(sum(map(math.sin, turns)), sum(map(math.cos, turns)))) % 360


def draw_look(rng, family: Any, pose: Pose, view: str, in_yard: bool) -> tuple[float, float]:
    """Tilt of the camera from straight down and its azimuth, degrees."""
    edges, kind = header_edges(family), _kind(header_edges(family))
    square = pose.yaw_deg + 90.0 * float(rng.integers(4)) + float(rng.normal(0, 9))
    around = square if in_yard and rng.random() < 0.7 else draws.draw_angle(rng)
    if view in ("back", "label"):
        return draws.draw_tilt(rng, 25.0 if view == "label" else 40.0), around % 360
    if pose.face != "front":  # a header that looks up
        return draws.draw_tilt(rng, 40.0), around % 360
    if pose.lean_deg:
        before = pose.lean_to_deg + pose.yaw_deg + float(np.clip(rng.normal(0, 18), -36, 36))
        return float(rng.uniform(0, 30)), (before if edges else around) % 360
    if not edges:
        if view == "front":
            return draws.draw_tilt(rng, 40.0), around % 360
        return float(rng.uniform(28, 58 if in_yard else 42)), around % 360
    if view == "front" and rng.random() < _ABOVE_SHARES[kind]:
        # Aslant from behind, or from either end of a tall block, the block would hide the shrouds.
        if kind == "opposite":
            return min(float(abs(rng.normal(0, 6))), 10.0), around % 360
        before = _middle_deg(edges) + pose.yaw_deg + float(rng.uniform(-80, 80))
        return min(float(abs(rng.normal(0, 11))), 26.0), before % 360
    if kind == "opposite":
        low, high = (28, 46) if view == "front" else (34, 58)
        before = edge_azimuth_deg(draws.pick(rng, edges), pose.yaw_deg)
    else:
        low, high = (30, 80 if in_yard else 60) if view == "front" else (40, 82 if in_yard else 64)
        before = _middle_deg(edges) + pose.yaw_deg
    aside = 26 if view == "oblique" else 15
    before += float(np.clip(rng.normal(0, aside), -2 * aside, 2 * aside))
    return float(rng.uniform(low, high)), before % 360


def draw_framing(rng, view: str, in_yard: bool) -> tuple[float, tuple[float, float] | None]:
    """How much of the frame the unit spans, and how far it is from the middle if that is not by mistake."""
    if view == "label":
        return float(rng.uniform(0.6, 0.95)), None
    if not in_yard:
        return float(rng.uniform(0.55, 0.92) if rng.random() < 0.87 else rng.uniform(0.34, 0.55)), None
    drawn, toward = rng.random(), rng.uniform(0, 2 * math.pi)
    if drawn < 0.1:  # partly outside the frame
        away = float(rng.uniform(0.14, 0.32))
        return float(rng.uniform(0.85, 1.2)), (away * math.cos(toward), away * math.sin(toward))
    if drawn < 0.18:
        away = float(rng.uniform(0.05, 0.22))
        return float(rng.uniform(0.26, 0.42)), (away * math.cos(toward), away * math.sin(toward))
    return float(rng.uniform(0.5, 0.92)), None


def turn_camera(rng, camera: Camera, azimuth: float, aim, in_yard: bool) -> Camera:
    """The camera on its side of the unit, level in the yard's manner and wherever it looks low."""
    level = in_yard or camera.tilt_deg > draws.LOW_DEG
    changes: dict[str, float] = {"azimuth_deg": round(azimuth % 360, 1)}
    if aim is not None:
        changes |= {"aim_x": round(aim[0], 3), "aim_y": round(aim[1], 3)}
    if camera.subject == "label":  # a label is there to be read: all of it
        spare = max(0.0, (0.96 - camera.fill) / 2)
        changes |= {"aim_x": round(float(np.clip(camera.aim_x, -spare, spare)), 3)}
        changes |= {"aim_y": round(float(np.clip(camera.aim_y, -spare, spare)), 3)}
    if level:
        changes["roll_deg"] = yard.level(rng, camera.tilt_deg)
    return dataclasses.replace(camera, **changes)
