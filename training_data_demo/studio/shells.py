"""Shells as yards have them: pressed pans, castings finned all round, moulded boxes, lids on cast bases.

They are built over `bodies.Housing`, so that what is alike (lids, covers, ears, screws) is built once.
"""

import math
import random
from typing import Any

import numpy as np
from plugface.demo.studio.bodies import Housing, screw_places
from plugface.demo.studio.faces import Face, Rect
from plugface.demo.studio.frames import OUTWARD, Frame, add_tube, bezier
from plugface.demo.studio.headers import Bay
from plugface.demo.studio.meshes import Solid, rounded_outline, rounded_profile
from plugface.demo.studio.units import WIRES, BuiltLure

_NEW_MATERIALS = ("plastic on cast", "anodised aluminium")


def is_detailed(family: Any) -> bool:
    """Whether a family's entry asks for a shell of this module: else it is built as it always was."""
    body = family.body
    headers = any(c.opens == "sideways" or c.moulding or c.lock for c in family.connectors)
    return bool(headers or body.features or body.finish != "plain" or body.material in _NEW_MATERIALS)


class DetailedHousing(Housing):
    """One housing with its features; needs to know the headers, which are in the way of fins and glands."""

    def __init__(self, body, style, palette, root, shell: random.Random, bays: list[Bay]) -> None:
        super().__init__(body, style, palette, root, shell)
        self.bays, self.lures = bays, []
        self._fin_tips: list[np.ndarray] = []
        self.features = set(body.features)
        if body.material in ("sheet steel", "anodised aluminium") and body.corners == "square":
            self.corner = 2.0
        if "pressed" in self.features:
            self.corner = min(12.0, min(self.w, self.h) * 0.16)
        self._edge_taken: dict[str, list[tuple[float, float]]] = {edge: [] for edge in OUTWARD}
        for bay in bays:
            if bay.connector.opens == "sideways":
                along = float(np.array(bay.connector.at_mm) @ self._along(bay.connector.edge))
                half = max(bay.long / 2, bay.cell[2], -bay.cell[0]) + 6.0
                self._edge_taken[bay.connector.edge].append((along - half, along + half))

    @staticmethod
    def _along(edge: str) -> np.ndarray:
        x, y = OUTWARD[edge]
        return np.array([abs(y), abs(x)])

    def material(self) -> Any:
        kind, colour = self.body.material, self.body.colour
        if kind == "plastic on cast":
            return self.palette.aluminium()
        if kind == "anodised aluminium":
            return self.palette.anodised(colour)
        if kind in ("plastic", "plastic on aluminium"):
            return self.palette.moulded(colour, self.style, finish=self.body.finish, use="body")
        if colour != "GY":
            return self.palette.paint(colour)
        return self.palette.sheet(self.shell_tone()) if kind == "sheet steel" else self.palette.aluminium()

    def shell_tone(self) -> str:
        """How a steel shell is coated: of one family alike."""
        return random.Random(f"{self.body.size_mm} tone").choice(("zinc", "yellow zinc", "tin", "black"))

    def lid_material(self) -> Any:
        if self.body.material == "plastic on cast":
            return self.palette.moulded(
                self.body.lid_colour or "BK", self.style, finish=self.body.finish, use="lid"
            )
        if self.body.lid_colour is not None:
            return self.palette.moulded(self.body.lid_colour, self.style, finish=self.body.finish, use="lid")
        return self.material()

    # The body

    def build_shell(self) -> None:
        solid, kind, d = Solid(), self.body.material, self.d
        b, f, c = self.back, self.front, self.corner
        if "pressed" in self.features:
            lip = self.shell.choice((0.0, 3.0, 6.0))
            at = b + self.shell.choice((0.5, 0.35 * d))
            outline = [
                (2, b),
                (0.8, b),
                (0.8, at),
                (0.8 - lip, at + 0.2),
                (0.8 - lip, at + 1.6),
                (0.6, at + 1.8),
            ]
            profile = rounded_profile(
                [*outline, (1.8, f), (c + 10, f)], self.shell.uniform(2.5, 6.0), steps=5
            )
            solid.extrude((self.w, self.h), c, profile, close_start=True, corner_points=10)
            self._add_ears(solid, 1.6)
        elif kind == "plastic on cast":
            self._build_cast_base(solid)
        elif kind == "anodised aluminium":
            profile = [(0.4, b), (0, b + 0.4), (0, f - 0.4), (0.4, f), (6, f)]
            solid.extrude((self.w, self.h), c, profile, close_start=True, corner_points=6)
            self._add_ears(solid, 3.0)
            self._build_end_plates()
        elif kind == "sheet steel":
            outline = [(1, b), (0, b), (0, f), (c + 6, f)]
            solid.extrude(
                (self.w, self.h), c, rounded_profile(outline, 0.8), close_start=True, corner_points=8
            )
            self._add_ears(solid, 1.6)
        else:
            soft = self.shell.uniform(1.2, 4.5)
            split = b + d * self.shell.uniform(0.15, 0.5)  # a parting line, or a flange
            out = self.shell.choice((0.0, 0.6, 2.0))
            outline = [
                (2.6, b),
                (0.5, b),
                (0.2, split),
                (-out, split),
                (-out, split + 2.5),
                (0.6, split + 2.7),
            ]
            outline += [(0.8 + 0.02 * d, f), (c + 9, f)]
            solid.extrude(
                (self.w, self.h),
                c,
                rounded_profile(outline, soft, steps=4),
                close_start=True,
                corner_points=8,
            )
            if kind == "plastic on aluminium":
                self._build_base_plate()
            else:
                self._add_ears(solid, 5.0 if kind == "cast aluminium" else 4.0)
                self._gusset_ears(solid)
        if "finned all round" in self.features:
            self._add_side_fins(solid)
        solid.to_object("body", self.material(), self.root, 0)
        self._build_collars()

    def _build_cast_base(self, solid: Solid) -> None:
        """A casting up to a part of the depth, and a plastic lid with lugs over it."""
        step = self.back + self.d * self.shell.uniform(0.3, 0.55)
        outline = [(3, self.back), (0.6, self.back), (0, step - 3), (-1.5, step - 3), (-1.5, step), (6, step)]
        solid.extrude(
            (self.w, self.h),
            self.corner,
            rounded_profile(outline, 1.6, steps=4),
            close_start=True,
            corner_points=8,
        )
        self._add_ears(solid, 5.0)
        lid, rim = Solid(), self.shell.uniform(-1.2, 0.8)
        outline = [
            (rim, step + 0.1),
            (rim, step + 3.0),
            (rim + 1.4, step + 3.2),
            (rim + 2.0, self.front),
            (self.corner + 9, self.front),
        ]
        lid.extrude(
            (self.w, self.h),
            self.corner,
            rounded_profile(outline, self.shell.uniform(1.5, 4.0), steps=4),
            corner_points=8,
        )
        for x, y in screw_places(
            Rect.around((0, 0), (self.w, self.h), 2.0), self.shell.choice((4, 6, 8)), self._blocked()
        ):
            lid.turn(rounded_profile([(5.2, step + 0.1), (5.0, step + 7.0), (2, step + 7.0)], 0.8), at=(x, y))
            self._hang_screw((x, y, step + 7.0))
        lid.to_object("lid", self.lid_material(), self.root, 0)

    def _blocked(self) -> list[Rect]:
        """Where headers reach over the edge."""
        rects = []
        for edge, spans in self._edge_taken.items():
            x, y = OUTWARD[edge]
            for low, high in spans:
                half = self.w / 2 if x else self.h / 2
                at = half * (x + y)
                rects.append(Rect(at - 20, low, at + 20, high) if x else Rect(low, at - 20, high, at + 20))
        return rects

    def _build_end_plates(self) -> None:
        """Screwed plates at the short ends of an extruded box, and grooves along it."""
        wide = self.w >= self.h
        for edge in ("left", "right") if wide else ("top", "bottom"):
            x, y = OUTWARD[edge]
            length = self.h if wide else self.w
            half = (self.w if wide else self.h) / 2
            f, plate = Frame.on_edge(edge, (x * half, y * half), 0.0), Solid()
            f.prism(
                plate,
                (length + 0.6, self.d + 0.6),
                2.0,
                rounded_profile([(0, -0.2), (0, 2.2), (4, 2.2)], 0.5),
            )
            plate.to_object("end plate", self.palette.anodised(self.body.colour), self.root, 0)
            for u in (-length / 2 + 5, length / 2 - 5):
                for v in (-self.d / 2 + 5, self.d / 2 - 5):
                    head = Solid()
                    f.round(
                        head,
                        [(2.7, 2.1), (2.7, 3.6), (1.2, 3.6), (1.1, 2.6), (0.1, 2.6)],
                        at=(u, v),
                        points=16,
                    )
                    head.to_object("screw", self.palette.steel(), self.root, 0)

    def _gusset_ears(self, solid: Solid) -> None:
        for x, y, turn in self.ear_places():
            away = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
            across = np.array([-away[1], away[0]])
            for side in (-1, 1):
                start = np.array([x, y]) + across * side * 8.0 - away * 7
                solid.bar(start, start + away * 9, 2.4, self.back + 0.3, self.back + min(14.0, self.d * 0.4))

    def _add_side_fins(self, solid: Solid) -> None:
        """Upright fins on all four sides, but for where a header is."""
        pitch = self.shell.uniform(6.0, 11.0)
        reach = self.shell.uniform(3.5, 9.0)
        low, high = self.back + self.d * 0.08, self.front - self.d * 0.06
        for edge, (x, y) in OUTWARD.items():
            length, half = (self.h, self.w / 2) if x else (self.w, self.h / 2)
            for along in np.arange(-length / 2 + self.corner + 3, length / 2 - self.corner - 2, pitch):
                if any(a < along < z for a, z in self._edge_taken[edge]):
                    continue
                size = (reach + 2, 2.2) if x else (2.2, reach + 2)
                at = np.array([x, y]) * (half + reach / 2 - 1.0) + self._along(edge) * along
                profile = rounded_profile([(0.2, low), (0.0, low + 1), (0.5, high), (2, high)], 0.4, steps=2)[
                    :-1
                ]
                solid.extrude(size, 0.7, profile, at=at, close_start=True, corner_points=3)
                tip = np.array([x, y]) * (half + reach) + self._along(edge) * along
                self._fin_tips.append(np.array([(*tip, low), (*tip, high)]))

    def _build_collars(self) -> None:
        """What holds a header that opens sideways: a frame of the body around its foot."""
        groups: dict[Any, list[Bay]] = {}
        for bay in self.bays:
            if bay.connector.opens == "sideways":
                groups.setdefault(bay.connector.moulding or bay.index, []).append(bay)
        for bays in groups.values():
            first, deep = bays[0], self.shell.uniform(0.6, 3.0)
            if first.bare_from <= 0.5:
                deep = max(deep, 1.0)
            corners = [bay.frame.to_body([(bay.cell[0], 0, 0), (bay.cell[2], 0, 0)]) for bay in bays]
            spots = np.concatenate(corners)
            along = spots @ first.frame.direction((1.0, 0, 0))
            own = float(np.array(first.frame.origin) @ first.frame.direction((1.0, 0, 0)))
            u0, u1 = along.min() - own - 3.0, along.max() - own + 3.0
            tall = max(bay.cell[3] for bay in bays) + 3.0
            solid, start = Solid(), first.bare_from
            if self.body.material != "sheet steel" or self.shell.random() < 0.4:
                first.frame.prism(
                    solid, (u1 - u0, 2 * tall), 3.0,
                    rounded_profile([(0, start - 7), (0, start + deep), (5, start + deep)], 0.7),
                    at=((u0 + u1) / 2, 0.0),
                )  # fmt: skip
                lid = self.body.material == "plastic on cast"
                solid.to_object("collar", self.lid_material() if lid else self.material(), self.root, 0)
            if self.shell.random() < 0.4:  # screwed on at both ends
                for u in (u0 - 4.0, u1 + 4.0):
                    f, tab = first.frame, Solid()
                    f.box(tab, (u - 5, -5.5, start - 2), (u + 5, 5.5, start + 2.0), 0.8)
                    tab.to_object(
                        "flange tab",
                        self.palette.moulded(first.connector.colour, self.style),
                        self.root,
                        first.index + 1,
                    )
                    head = Solid()
                    f.round(
                        head,
                        [
                            (3.0, start + 1.9),
                            (3.0, start + 3.6),
                            (1.3, start + 3.6),
                            (1.2, start + 2.6),
                            (0.1, start + 2.6),
                        ],
                        at=(u, 0.0),
                        points=18,
                    )
                    head.to_object("screw", self.palette.steel(), self.root, 0)

    # The plug face

    def dress_face(self, face: Face) -> None:
        """What the features put on the plug face, before fins and lures take what is left."""
        if "potted" in self.features:
            self._build_potting(face)
        if "glued cover" in self.features:
            self._build_glued_cover(face)
        if "pressed" in self.features:
            self._build_beads(face)
        if "ribs" in self.features:
            self._build_ribs(face)

    def _build_potting(self, face: Face) -> None:
        """A rim around the face and a resin level within, with what shows through it."""
        rim, resin = Solid(), Solid()
        room = face.room.grown(2.0)
        high = self.front + 2.6
        profile = [(0, self.front - 0.3), (0.2, high), (2.6, high), (2.8, self.front)]
        rim.extrude(
            room.size,
            max(self.corner - 3, 2.0),
            rounded_profile(profile, 0.5),
            at=room.centre,
            close_end=False,
        )
        rim.to_object("rim", self.material(), self.root, 0)
        resin.extrude(
            room.grown(-2.6).size,
            max(self.corner - 4, 1.5),
            [(0, self.front + 0.25), (0.8, self.front + 0.15), (3, self.front + 0.12)],
            at=room.centre,
        )
        for _ in range(self.shell.randint(2, 7)):
            spot = face.find_room((self.shell.uniform(6, 16), self.shell.uniform(5, 12)), self.shell)
            if spot is not None:
                swell = [(0, face.z), (1.2, face.z + 0.9), (2.4, face.z + 1.3)]
                resin.extrude(spot.size, 2.5, swell, at=spot.centre)
        resin.to_object(
            "potting", self.palette.resin(self.shell.choice(("BK", "BK", "BK", "GY", "BN"))), self.root, 0
        )

    def _build_glued_cover(self, face: Face) -> None:
        cover = Rect.around((0, 0), (self.w, self.h), -self.shell.uniform(5.0, 9.0))
        bead = Solid()
        outline = rounded_outline(cover.size, max(self.corner - 3, 3.0), inset_mm=-1.2, corner_points=10)
        loop = np.column_stack([outline, np.full(len(outline), self.front + 0.1)])
        steps = np.linspace(0, len(loop), 160)
        closed = np.vstack([loop, loop[:1]])
        path = np.column_stack([np.interp(steps, np.arange(len(closed)), closed[:, k]) for k in range(3)])
        swell = 1.3 + 0.35 * np.sin(steps * 1.7) + 0.25 * np.sin(steps * 4.1 + 1)
        add_tube(bead, path, swell, sides=8)
        bead.to_object("glue", self.palette.resin(self.shell.choice(("BK", "GY"))), self.root, 0)
        solid, z = Solid(), self.front + 1.8
        solid.extrude(
            cover.size,
            max(self.corner - 3, 3.0),
            rounded_profile([(0, self.front - 0.2), (0, z), (8, z), (9, z - 0.6), (14, z - 0.6)], 0.6),
            at=cover.centre,
            corner_points=8,
        )
        solid.to_object(
            "cover",
            self.palette.moulded(
                self.body.lid_colour or "BK", self.style, finish=self.body.finish, use="cover"
            ),
            self.root,
            0,
        )
        face.lid, face.lid_z = cover, z

    def _build_beads(self, face: Face) -> None:
        """Stiffening beads and a raised field pressed into the sheet."""
        solid, across = Solid(), self.w < self.h
        kind = self.shell.choice(("beads", "field", "none", "beads"))
        if kind == "field":
            field = face.room.grown(-self.shell.uniform(4, 12))
            if min(field.size) > 30 and not any(r.meets(field) and not field.holds(r) for r in face.taken):
                solid.extrude(
                    field.size,
                    8.0,
                    rounded_profile(
                        [(0, face.z - 0.3), (1.6, face.z + 1.8), (12, face.z + 1.8)], 1.4, steps=4
                    ),
                    at=field.centre,
                    corner_points=8,
                )
                face.lid, face.lid_z = field, face.z + 1.8
        elif kind == "beads":
            low, high = (face.room.x0, face.room.x1) if across else (face.room.y0, face.room.y1)
            for at in np.linspace(low + 8, high - 8, self.shell.randint(2, 5)):
                for start, end in face.free_stretches(at, 7.0, upright=across, margin=6.0):
                    if end - start < 30:
                        continue
                    ends = [(at, start + 6), (at, end - 6)] if across else [(start + 6, at), (end - 6, at)]
                    solid.bar(*ends, 6.0, face.z - 0.4, face.z + 1.5, draft_mm=2.0)
                    face.taken.append(
                        Rect(
                            min(ends[0][0], ends[1][0]) - 3,
                            min(ends[0][1], ends[1][1]) - 3,
                            max(ends[0][0], ends[1][0]) + 3,
                            max(ends[0][1], ends[1][1]) + 3,
                        )
                    )
        if solid.faces:
            solid.to_object("beads", self.material(), self.root, 0)

    def _build_ribs(self, face: Face) -> None:
        """A lattice of low ribs."""
        solid, high = Solid(), self.shell.uniform(1.2, 3.0)
        both = self.shell.random() < 0.5
        for upright, low, top in ((True, face.room.x0, face.room.x1), (False, face.room.y0, face.room.y1)):
            if not both and upright == (self.w < self.h):
                continue
            for at in np.arange(low + 6, top - 4, self.shell.uniform(11, 24)):
                for start, end in face.free_stretches(at, 2.4, upright=upright, margin=3.0):
                    ends = [(at, start), (at, end)] if upright else [(start, at), (end, at)]
                    solid.bar(*ends, 2.4, face.z - 0.3, face.z + high, draft_mm=0.5)
        if solid.faces:
            solid.to_object("ribs", self.material(), self.root, 0)
            face.taken.append(face.room)

    # The edges

    def dress_edges(self, draw: random.Random) -> list[np.ndarray]:
        """Hose stubs, cable glands and an earth stud; returns outline points, fins too, in mm."""
        grown = [*self._fin_tips]
        if "hose stub" in self.features:
            for _ in range(self.shell.choice((1, 1, 2))):
                grown += self._build_stub()
        if "cable glands" in self.features:
            for _ in range(self.shell.choice((1, 2, 3))):
                grown += self._build_gland(draw)
        if self.body.material in ("cast aluminium", "anodised aluminium") and self.shell.random() < 0.15:
            grown += self._build_stud()
        return grown

    def edge_spot(self, width: float) -> tuple[Frame, str] | None:
        """A free place on an edge for something this wide, as a frame with its origin on the wall."""
        for _ in range(30):
            edge = self.shell.choice(tuple(OUTWARD))
            x, y = OUTWARD[edge]
            length, half = (self.h, self.w / 2) if x else (self.w, self.h / 2)
            spare = length / 2 - self.corner - width / 2
            if spare <= 0:
                continue
            along = self.shell.uniform(-spare, spare)
            span = (along - width / 2, along + width / 2)
            if any(a < span[1] and span[0] < z for a, z in self._edge_taken[edge]):
                continue
            self._edge_taken[edge].append(span)
            at = np.array([x, y]) * (half - 2.0) + self._along(edge) * along
            return Frame.on_edge(edge, at, self.shell.uniform(-0.1, 0.15) * self.d), edge
        return None

    def _build_stub(self) -> list[np.ndarray]:
        spot = self.edge_spot(16)
        if spot is None:
            return []
        f, solid, r = spot[0], Solid(), self.shell.uniform(2.6, 4.5)
        long = self.shell.uniform(14, 24)
        f.round(
            solid,
            [
                (r + 3, 0),
                (r + 3, 4),
                (r, 4.5),
                (r, long - 5),
                (r + 0.9, long - 4.6),
                (r - 0.3, long),
                (r * 0.55, long),
                (r * 0.5, long - 6),
                (0.1, long - 6),
            ],
        )
        solid.to_object(
            "hose stub",
            self.palette.moulded(self.body.colour if self.body.material == "plastic" else "BK", self.style),
            self.root,
            0,
        )
        return [self._note_lure("hose stub", f, r + 3, long)]

    def _build_stud(self) -> list[np.ndarray]:
        spot = self.edge_spot(16)
        if spot is None:
            return []
        f, solid = spot[0], Solid()
        f.round(solid, [(5.5, 0), (5.5, 3.5), (3.0, 3.6), (3.0, 9), (0.1, 9)], points=6, edge_mm=0.2)
        solid.to_object("earth stud", self.palette.steel(), self.root, 0)
        return [self._note_lure("earth stud", f, 5.5, 9.0)]

    def _build_gland(self, draw: random.Random) -> list[np.ndarray]:
        r = min(self.shell.uniform(8, 12), self.d * 0.42)
        spot = self.edge_spot(2 * r + 4)
        if spot is None:
            return []
        f, nut, dome = spot[0], Solid(), Solid()
        brass = self.shell.random() < 0.4
        f.round(nut, [(r, 0), (r, 7), (r * 0.9, 7.5), (r * 0.9, 8)], points=6, edge_mm=0.5)
        f.round(dome, [(r * 0.86, 7.5), (r * 0.86, 15), (r * 0.6, 21), (r * 0.5, 21), (0.1, 20)], edge_mm=1.5)
        material = self.palette.steel() if brass else self.palette.plastic("BK", use="gland")
        nut.to_object("gland", material, self.root, 0)
        dome.to_object("gland", material, self.root, 0)
        cable, thick = Solid(), r * 0.5
        start, out = f.to_body([(0, 0, 18.0)])[0], f.direction((0, 0, 1.0))
        side = np.array([-out[1], out[0], 0])
        end = start + out * draw.uniform(160, 420) + side * draw.uniform(-200, 200)
        end[2] = self.back + thick
        middle = start + out * 70
        middle[2] = (start[2] + end[2]) / 2
        add_tube(cable, bezier([start, start + out * 40, middle + out * 40, end], 40), thick, sides=14)
        hazard = any(bay.connector.colour == "OG" for bay in self.bays)
        colour = "OG" if hazard and draw.random() < 0.8 else "BK"
        cable.to_object("cable", self.palette.plastic(colour, use="cable"), self.root, WIRES)
        return [self._note_lure("cable gland", f, r, 21.0)]

    def _note_lure(self, kind: str, frame: Frame, radius: float, tall: float) -> np.ndarray:
        ring = rounded_outline((2 * radius, 2 * radius), radius * 0.9, corner_points=4)
        points = np.concatenate(
            [frame.to_body(np.column_stack([ring, np.full(len(ring), t)])) for t in (0.0, tall)]
        )
        self.lures.append(BuiltLure(kind, points / 1000))
        return points
