"""Housings: cast, moulded or folded bodies, lids, base plates, back covers, ears, fins, screws."""

import math
import random
from typing import Any

import numpy as np
from plugface.demo.studio.faces import Face, Rect
from plugface.demo.studio.materials import Palette
from plugface.demo.studio.meshes import Solid, hang, place, rounded_outline, rounded_profile
from plugface.demo.studio.style import Style

EAR_REACH_MM = 15.0  # an ear's outer edge beyond the body
_COVER_MM = 1.5
_LID_MM = 2.4


class Housing:
    """Builds one housing. The shell draw decides shapes, so it must come from the family, not the unit."""

    def __init__(self, body: Any, style: Style, palette: Palette, root: Any, shell: random.Random) -> None:
        self.body, self.style, self.palette, self.root, self.shell = body, style, palette, root, shell
        self.w, self.h, self.d = body.size_mm
        self.front, self.back = self.d / 2, -self.d / 2
        small = min(self.w, self.h)
        self.corner = min(15.0, small * 0.2) if body.corners == "round" else min(4.5, small * 0.08)
        self._screw_mesh: Any = None

    def material(self) -> Any:
        """Of the main body."""
        kind, colour = self.body.material, self.body.colour
        if kind in ("plastic", "plastic on aluminium"):
            return self.palette.plastic(colour)
        if colour != "GY":
            return self.palette.paint(colour)
        return self.palette.steel() if kind == "sheet steel" else self.palette.aluminium()

    def lid_material(self) -> Any:
        if self.body.lid_colour is not None:
            return self.palette.plastic(self.body.lid_colour, use="lid")
        return self.material()

    def build_shell(self) -> None:
        """The main body, with a flange or base plate at the back and ribs on its sides."""
        solid = Solid()
        kind = self.body.material
        if kind == "sheet steel":
            outline = [(1, self.back), (0, self.back), (0, self.front), (self.corner + 6, self.front)]
            profile = rounded_profile(outline, 1.2)
        elif kind == "cast aluminium":
            draft = 0.025 * self.d
            outline = [(3, self.back), (0, self.back), (0, self.back + 5), (2.2, self.back + 5)]
            outline += [(2.2 + draft, self.front), (self.corner + 8, self.front)]
            profile = rounded_profile(outline, 2.0, steps=4)
        else:
            outline = [(3, self.back), (0.4, self.back), (0.4, self.back + 3.5), (1.6, self.back + 3.5)]
            outline += [(1.6 + 0.015 * self.d, self.front), (self.corner + 8, self.front)]
            profile = rounded_profile(outline, 1.5, steps=4)
        solid.extrude((self.w, self.h), self.corner, profile, close_start=True, corner_points=8)
        if kind != "sheet steel":
            self._add_side_ribs(solid)
        if kind == "plastic on aluminium":
            self._build_base_plate()
        else:
            self._add_ears(solid, 5.0 if kind == "cast aluminium" else 3.0)
        solid.to_object("body", self.material(), self.root, 0)

    def build_lid(self, face: Face, screws_avoid: list[Rect]) -> None:
        """The lid with its screws in raised bosses."""
        solid = Solid()
        lid = face.lid
        profile = rounded_profile(
            [(0, self.front - 0.3), (0, self.front + _LID_MM), (self.corner + 6, self.front + _LID_MM)], 0.9
        )
        solid.extrude(lid.size, max(self.corner - 2, 3.0), profile, at=lid.centre, corner_points=8)
        for at in screw_places(lid.grown(-6.0), self.body.lid_screws, screws_avoid):
            boss = [
                (5.6, face.lid_z - 0.2),
                (5.1, face.lid_z + 1.7),
                (4.0, face.lid_z + 1.7),
                (3.8, face.lid_z + 0.2),
            ]
            solid.turn([*rounded_profile(boss, 0.5, steps=2), (0.2, face.lid_z + 0.2)], at=at)
            self._hang_screw((*at, face.lid_z + 0.15))
            face.taken.append(Rect.around(at, (11.5, 11.5)))
        solid.to_object("lid", self.lid_material(), self.root, 0)

    def build_cover(self) -> tuple[Rect, float]:
        """The back cover with its screws; returns the flat room on it and its height, seen from behind."""
        if self.body.material == "plastic on aluminium":
            inset, material, base = 4.0, None, self.d / 2 + 4.0
        else:
            inset = self.corner * 0.25 + 3.0
            dark = self.shell.random() < 0.45 and self.body.material == "cast aluminium"
            material = self.palette.plastic("BK", use="cover") if dark else self.palette.aluminium(plate=True)
            base = self.d / 2
        room = Rect.around((0, 0), (self.w, self.h), -inset)
        raised = self.shell.random() < 0.5 and min(room.size) > 60
        top = base + (0.0 if material is None else _COVER_MM)
        if material is not None:
            outline = [(0, base - 0.2), (0, top)]
            if raised:
                outline += [(8.5, top), (9.6, top - 0.7)]
            outline.append((20 if min(room.size) > 50 else 12, outline[-1][1]))
            solid = Solid()
            solid.extrude(
                room.size, max(self.corner - inset, 2.5), rounded_profile(outline, 0.5), corner_points=8
            )
            solid.face_back()
            solid.to_object("cover", material, self.root, 0)
        count = 4 if max(room.size) < 130 else 6
        for x, y in screw_places(room.grown(-4.4), count, []):
            self._hang_screw((-x, y, -top - 0.1), facing_back=True)
        flat = top - 0.7 if raised and material is not None else top
        return room.grown(-10.5 if raised else -8.0), flat

    def build_fins(self, face: Face) -> None:
        """Cooling fins wherever the face is free; over the emptier half if the family is half finned."""
        if self.body.fins == "none":
            return
        upright = self.w >= self.h
        pitch, height = self.style.fin_pitch_mm, self.style.fin_mm
        thick = min(2.6, pitch * 0.34)
        solid = Solid()
        low, high = (face.room.x0, face.room.x1) if upright else (face.room.y0, face.room.y1)
        if self.body.fins == "half":
            centres = [rect.centre[0 if upright else 1] * rect.area for rect in face.taken]
            low, high = (low, -4.0) if sum(centres) > 0 else (4.0, high)
        for across in np.arange(low + thick, high - thick / 2, pitch):
            for start, end in face.free_stretches(across, thick, upright=upright, margin=3.0):
                ends = [(across, start), (across, end)] if upright else [(start, across), (end, across)]
                rect = Rect.around(((ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2), (1, 1))
                z = face.z_at(rect)
                solid.bar(*ends, thick, z - 0.3, z + height, draft_mm=0.4)
        side = (
            Rect(low, face.room.y0, high, face.room.y1)
            if upright
            else Rect(face.room.x0, low, face.room.x1, high)
        )
        if solid.faces:
            whole = face.lid is not None and face.lid.holds(face.room)
            solid.to_object("fins", self.lid_material() if whole else self.material(), self.root, 0)
            face.taken.append(side)

    def build_platform(
        self, rect_size, corner, at, turn_deg, z: float, height: float, *, on_lid: bool
    ) -> None:
        """A raised pad under a socket or a mark."""
        solid = Solid()
        profile = rounded_profile(
            [(0, z - 0.3), (0.35, z + height), (4.0, z + height)], min(0.8, height * 0.6)
        )
        solid.extrude(rect_size, corner, profile, at=at, turn_deg=turn_deg)
        solid.to_object("platform", self.lid_material() if on_lid else self.material(), self.root, 0)

    def build_vent(self, face: Face) -> None:
        """A round pressure vent, and a caster's or moulder's date wheel, where there is room."""
        spot = face.find_room((13, 13), self.shell)
        if spot is not None:
            z, solid = face.z_at(spot), Solid()
            solid.turn(
                rounded_profile(
                    [(6, z - 0.2), (6, z + 2.6), (2, z + 2.6), (1.6, z + 1.8), (0.2, z + 1.8)], 0.6
                ),
                at=spot.centre,
            )
            solid.to_object("vent", self.palette.rubber(), self.root, 0)
            face.taken.append(spot)
        spot = face.find_room((12, 12), self.shell)
        if spot is not None:
            z, solid = face.z_at(spot), Solid()
            profile = [
                (5.5, z - 0.2),
                (5.3, z + 0.5),
                (4.6, z + 0.5),
                (4.5, z + 0.1),
                (2.2, z + 0.1),
                (2.0, z + 0.45),
            ]
            solid.turn([*profile, (0.2, z + 0.45)], at=spot.centre, points=24)
            for k in range(12):
                a = k * math.pi / 6
                c, s = math.cos(a), math.sin(a)
                x, y = spot.centre
                solid.bar(
                    (x + 2.6 * c, y + 2.6 * s), (x + 4.2 * c, y + 4.2 * s), 0.5, z, z + 0.4, draft_mm=0.1
                )
            on_lid = face.lid is not None and face.lid.meets(spot)
            solid.to_object("date wheel", self.lid_material() if on_lid else self.material(), self.root, 0)
            face.taken.append(spot)

    def _add_side_ribs(self, solid: Solid) -> None:
        pitch = self.shell.uniform(11, 19)
        low, high = self.back + 4.5, self.front - self.d * 0.12
        if high - low < 8:
            return
        tilt = 2.2 if self.body.material == "cast aluminium" else 1.6
        for length, other, turn in ((self.w, self.h, 0), (self.h, self.w, 90)):
            straight = length - 2 * self.corner - 8
            count = max(int(straight // pitch), 0)
            for side in (-1, 1):
                for k in range(count + 1):
                    along = (k - count / 2) * pitch
                    base = np.array([along, side * (other / 2 - tilt)])
                    outline = rounded_outline((2.4, 3.0), 0.8, corner_points=3) + base
                    heights = ((low, 0.0), (high - 2.0, 0.2), (high, 0.9))
                    loops = [place(outline - (0, side * back), turn_deg=turn, z=z) for z, back in heights]
                    solid.loft(loops, close_end=True)

    def _build_base_plate(self) -> None:
        solid = Solid()
        profile = rounded_profile(
            [(2, self.back - 4), (-2.5, self.back - 4), (-2.5, self.back + 0.2), (3, self.back + 0.2)], 0.7
        )
        solid.extrude((self.w, self.h), self.corner, profile, close_start=True, corner_points=8)
        self._add_ears(solid, 3.6, z=self.back - 4)
        solid.to_object("base plate", self.palette.aluminium(plate=True), self.root, 0)

    def footprint(self) -> np.ndarray:
        """Outline of the body without its ears as seen from above, (N, 2)."""
        w, h = self.w / 2, self.h / 2
        return np.array([(x, y) for x in (-w, w) for y in (-h, h)])

    def ear_places(self) -> list[tuple[float, float, float]]:
        """Middle of each ear's hole and the direction in which it sticks out: x, y, degrees."""
        count = self.body.ears
        on_width = self.style.ear_on_width
        edge, span = (self.w / 2, self.h) if on_width else (self.h / 2, self.w)
        places = []
        for side, n in ((1, (count + 1) // 2), (-1, count // 2)):
            reach = max(span / 2 - 13.0, 0.0)
            for k in range(n):
                # A single ear sits off the middle, on opposite sides: so do most real ones.
                along = reach * (2 * k / (n - 1) - 1) if n > 1 else 0.45 * reach * side
                out = side * (edge + EAR_REACH_MM - 9.0)
                if on_width:
                    places.append((out, along, 0.0 if side > 0 else 180.0))
                else:
                    places.append((along, out, 90.0 if side > 0 else 270.0))
        return places

    def _add_ears(self, solid: Solid, thick: float, z: float | None = None) -> None:
        # A little off the back, so that no two faces lie in one plane.
        z = (self.back if z is None else z) + 0.15
        radius, hole, reach = 9.0, 3.5, EAR_REACH_MM - 9.0 + 6.0
        theta = np.linspace(0, 2 * math.pi, 40, endpoint=False)
        ring = np.stack([np.cos(theta), np.sin(theta)], axis=1)
        outward = np.cos(theta) >= 0
        side = radius / np.maximum(np.abs(np.sin(theta)), 1e-6)
        rear = reach / np.maximum(np.abs(np.cos(theta)), 1e-6)
        far = np.where(outward, radius, np.minimum(side, rear))
        for x, y, turn in self.ear_places():
            heights = [
                (far, z),
                (far, z + thick - 0.8),
                (far - 0.25, z + thick - 0.25),
                (far - 0.8, z + thick),
            ]
            heights += [(hole + 2.6, z + thick), (hole + 2.5, z + thick + 0.6), (hole + 0.5, z + thick + 0.6)]
            heights += [(np.full(40, hole), z + thick + 0.2), (np.full(40, hole), z), (far, z)]
            solid.loft(
                [
                    place(ring * np.reshape(r, (-1, 1)) if np.ndim(r) else ring * r, (x, y), turn, height)
                    for r, height in heights
                ]
            )

    def _hang_screw(self, at_mm, *, facing_back: bool = False) -> None:
        if self._screw_mesh is None:
            solid = screw_head(self.style.screw)
            thing = solid.to_object("screw", self.palette.steel(), self.root, 0, sharp_deg=30)
            self._screw_mesh = thing.data
        else:
            thing = hang("screw", self._screw_mesh, self.root, 0)
        thing.location = tuple(v / 1000 for v in at_mm)
        spin = math.radians(37 * len(self.root.children) % 360)
        thing.rotation_euler = (0, math.pi, spin) if facing_back else (0, 0, spin)


def screw_head(recess: str) -> Solid:
    """A pan head of 6.4 mm with its recess."""
    theta = np.linspace(0, 2 * math.pi, 36, endpoint=False)
    ring = np.stack([np.cos(theta), np.sin(theta)], axis=1)
    if recess == "hexalobular":
        inner = 1.55 + 0.28 * np.cos(6 * theta)
    elif recess == "hexagon":
        inner = 1.5 / np.cos((theta % (math.pi / 3)) - math.pi / 6)
    elif recess == "cross":
        arms = np.abs(np.stack([np.cos(theta), np.sin(theta)]))
        inner = np.minimum(0.5 / np.maximum(arms.min(axis=0), 1e-6), 2.0)
    else:
        inner = np.minimum(0.42 / np.maximum(np.abs(np.sin(theta)), 1e-6), 2.9)
    solid = Solid()
    loops = [(3.2, 0.0), (3.2, 0.8), (3.0, 1.25), (2.6, 1.5)]
    rings = [np.column_stack([ring * r, np.full(36, z)]) for r, z in loops]
    inner = np.minimum(inner, 2.5)
    for scale, z in ((1.06, 1.62), (1.0, 1.5), (0.92, 0.45)):
        rings.append(np.column_stack([ring * (inner * scale)[:, None], np.full(36, z)]))
    solid.loft(rings, close_end=True)
    return solid


def screw_places(room: Rect, count: int, avoid: list[Rect]) -> list[tuple[float, float]]:
    """Places of screws around a rectangle: corners first, then the sides; moved along if in the way."""
    if count <= 0:
        return []
    (w, h), (cx, cy) = room.size, room.centre
    corners = [(0.0, 0), (1.0, 0), (1.0, 1), (0.0, 1)]
    shares = corners[: min(count, 4)] if count != 2 else [(0.0, 0), (1.0, 1)]
    rest = count - len(shares)
    sides = [0, 0, 0, 0]  # bottom, top, left, right
    order = (0, 1, 2, 3) if w >= h else (2, 3, 0, 1)
    for k in range(rest):
        # The long sides get two for each one on a short side.
        sides[order[k % 4] if rest > 2 else order[k % 2]] += 1
    for side, n in enumerate(sides):
        for k in range(n):
            along = (k + 1) / (n + 1)
            shares.append(((along, 0), (along, 1), (0, along), (1, along))[side])
    places = []
    for sx, sy in shares:
        for step in range(24):
            shift = (step + 1) // 2 * 0.04 * (1 if step % 2 else -1)
            moved = (min(max(sx + shift, 0), 1), sy) if sy in (0, 1) else (sx, min(max(sy + shift, 0), 1))
            at = (cx + (moved[0] - 0.5) * w, cy + (moved[1] - 0.5) * h)
            if not any(Rect.around(at, (11, 11)).meets(rect) for rect in avoid):
                places.append(at)
                break
    return places
