"""Shells that no training photo has: drums, rounded ends, clamshells, corrugated and see-through covers.

They are for the maker that is never trained on. A family asks for them by words among its body's features;
`wild_shells` draws none of these, and a test holds it to that.
"""

import math
import random
from typing import Any

import numpy as np
from plugface.demo.studio import outside_headers
from plugface.demo.studio.bodies import EAR_REACH_MM
from plugface.demo.studio.faces import Face, Rect
from plugface.demo.studio.frames import Frame
from plugface.demo.studio.meshes import Solid, rounded_outline, rounded_profile
from plugface.demo.studio.shells import DetailedHousing
from plugface.demo.studio.units import BuiltLure

#: Words that lead to this module or to `outside_headers`.
WORDS = (
    "drum",
    "rounded ends",
    "clamshell",
    "corrugated cover",
    "smoked cover",
    "slanted headers",
    "stepped block",
    *outside_headers.SHROUDS,
)
_BAND_MM = 10.0


def is_outside(family: Any) -> bool:
    """Whether a family's shell is one that no training photo has."""
    return any(word in WORDS for word in family.body.features)


class OutsideHousing(DetailedHousing):
    """One such housing; a drum's face is a circle, and one with rounded ends has a half circle at each."""

    def __init__(self, body, style, palette, root, shell: random.Random, bays) -> None:
        super().__init__(body, style, palette, root, shell, bays)
        self.round = bool({"drum", "rounded ends"} & self.features)
        if self.round:
            self.corner = min(self.w, self.h) / 2
        elif "clamshell" in self.features:
            self.corner = min(22.0, min(self.w, self.h) * 0.2)

    def footprint(self) -> np.ndarray:
        return rounded_outline((self.w, self.h), self.corner, corner_points=8)

    def ear_places(self) -> list[tuple[float, float, float]]:
        if not self.round:
            return super().ear_places()
        out, count = self.corner + EAR_REACH_MM - 9.0, self.body.ears
        if "drum" in self.features:
            turns = [(0.0, 45.0 + 360.0 * k / count) for k in range(count)]
        else:
            end, spread = (self.w - self.h) / 2, (0.0,) if count <= 2 else (-38.0, 38.0)
            turns = [(end, a) for a in spread] + [(-end, 180.0 + a) for a in spread]
        turned = ((x, a, math.radians(a)) for x, a in turns[:count])
        return [(x + out * math.cos(turn), out * math.sin(turn), a) for x, a, turn in turned]

    # The body

    def build_shell(self) -> None:
        solid, b, f, d = Solid(), self.back, self.front, self.d
        if "drum" in self.features:
            outline = [(2, b), (0, b), (0, b + 5), (5, b + 5.5)]
            for share in (0.3, 0.5, 0.7):  # cooling rings
                z = b + d * share
                outline += [(5, z - 2), (1.5, z - 1.6), (1.5, z + 1.6), (5, z + 2)]
            outline += [(5, f - 7), (0.5, f - 6.5), (0.5, f - 0.2), (24, f)]
            profile = rounded_profile(outline, 1.4, steps=3)
        elif "rounded ends" in self.features:
            split = b + 0.32 * d
            outline = [(2, b), (0, b), (0, split - 2.5), (-2.2, split - 2.2), (-2.2, split + 1.5)]
            outline += [(1.0, split + 1.8), (2.4, f), (30, f)]
            profile = rounded_profile(outline, 3.5, steps=4)
        else:
            outline = [(9, b), (0.6, b), (0, -1.6), (1.8, -1.2), (1.8, 1.2), (0, 1.6), (0.6, f), (34, f)]
            profile = rounded_profile(outline, 9.0, steps=6)
        solid.extrude((self.w, self.h), self.corner, profile, close_start=True, corner_points=16)
        if self.body.ears:
            self._add_ears(solid, 5.0 if self.body.material == "cast aluminium" else 4.0)
        solid.to_object("body", self.material(), self.root, 0)
        self._build_collars()

    def _build_collars(self) -> None:
        """What the headers stand on or look out of."""
        if "slanted headers" in self.features:
            for row in outside_headers.rows_of(self.bays):
                self._build_slant(row)
        if "stepped block" in self.features:
            self._build_block()

    def _build_slant(self, row) -> None:
        (low, high), (x0, x1) = outside_headers.slanted_block(row)
        foot, solid = self.front - 0.6, Solid()
        section = [(low[0] - 0.8, foot), (high[0] + 0.8, foot), high, low]
        outside_headers.slab(solid, Frame.on_face((0, 0), 0.0), section, x0, x1)
        for x in np.linspace(x0 + 2.5, x1 - 2.5, 4):  # webs behind it, down to the face
            tall, back = (high, 1) if high[1] > low[1] else (low, -1)
            web = [(tall[0], foot), (tall[0] + back * 12, foot), (tall[0], tall[1] - 2)]
            outside_headers.slab(
                solid, Frame.on_face((0, 0), 0.0), web if back > 0 else web[::-1], x - 1.4, x + 1.4
            )
        solid.to_object("slanted block", self.material(), self.root, 0)

    def _build_block(self) -> None:
        """Two steps: a low plinth under both rows, and the spine that they stand back to back on."""
        spans = [(b, [(u, 0, t) for u in (b.cell[0], b.cell[2]) for t in (0, b.tall)]) for b in self.bays]
        corners = np.concatenate([bay.frame.to_body(span) for bay, span in spans])
        feet = np.array([bay.frame.origin for bay in self.bays])
        (x0, x1), (y0, y1) = ((corners[:, k].min(), corners[:, k].max()) for k in (0, 1))
        top = max(bay.frame.origin[2] + bay.wide / 2 for bay in self.bays)
        plinth, spine = Solid(), Solid()
        low = self.front + outside_headers.STEP_MM - 1.0
        plinth.extrude(
            (x1 - x0 + 16, y1 - y0 - 14),
            4.0,
            rounded_profile([(0, self.front - 0.4), (0.8, low), (8, low)], 1.2),
            at=((x0 + x1) / 2, (y0 + y1) / 2),
        )
        y2, y3 = feet[:, 1].min(), feet[:, 1].max()
        at, size = ((x0 + x1) / 2, (y2 + y3) / 2), (x1 - x0 + 11, y3 - y2 + 1.6)
        steps = [(0, low - 0.5), (0, top - 5), (2.2, top - 5), (2.2, top + 1.6), (4.5, top + 1.6)]
        spine.extrude(size, 3.0, rounded_profile(steps, 0.9), at=at)
        for solid in (plinth, spine):
            solid.to_object("stepped block", self.lid_material(), self.root, 0)
        for side in (-1, 1):
            self._hang_screw((at[0] + side * (size[0] / 2 + 1.2), (y0 + y1) / 2, low))

    # The face

    def dress_face(self, face: Face) -> None:
        if "drum" in self.features:
            face.room = Rect.around((0, 0), (self.w * 0.6, self.h * 0.6))
            self._build_rim(face)
        elif self.round:
            face.room = Rect.around((0, 0), (self.w - 0.5 * self.h, self.h), -6.0)
        if "slanted headers" in self.features:
            for row in outside_headers.rows_of(self.bays):
                (low, high), (x0, x1) = outside_headers.slanted_block(row)
                back = 12 if high[1] > low[1] else -12
                face.taken.append(Rect(x0, min(low[0], low[0] + back), x1, max(high[0], high[0] + back)))
        if "clamshell" in self.features:
            self._build_bands(face)
        super().dress_face(face)
        if "corrugated cover" in self.features:
            self._build_corrugated(face)
        if "smoked cover" in self.features:
            self._build_smoked(face)

    def _build_rim(self, face: Face) -> None:
        """A raised ring about a drum's face, with screws in it."""
        ring, r = Solid(), self.corner
        z, top = face.z, face.z + 2.2
        outline = [(r - 1.2, z - 0.3), (r - 1.6, top), (r - 11, top), (r - 11.5, z)]
        ring.turn(rounded_profile(outline, 0.6), points=72, close_end=False)
        ring.to_object("rim", self.lid_material(), self.root, 0)
        for k in range(8):
            a = math.radians(22.5 + 45 * k)
            self._hang_screw(((r - 6.2) * math.cos(a), (r - 6.2) * math.sin(a), face.z + 2.2))

    def _build_bands(self, face: Face) -> None:
        """Two steel bands around both halves, drawn tight by a worm screw each; seam sealed with rubber."""
        seal = Solid()
        outline = rounded_outline((self.w, self.h), self.corner, inset_mm=0.9, corner_points=16)
        inner = rounded_outline((self.w, self.h), self.corner, inset_mm=3.0, corner_points=16)
        loops = [np.column_stack([points, np.full(len(points), z)]) for points, z in
                 ((inner, -0.9), (outline, -0.8), (outline, 0.8), (inner, 0.9))]  # fmt: skip
        seal.loft(loops)
        seal.to_object("seal", self.palette.rubber(), self.root, 0)
        for x in (-0.355 * self.w, 0.355 * self.w):
            frame = Frame((x, 0.0, 0.0), ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)))
            band, half = Solid(), _BAND_MM / 2
            section = [(0.6, -half), (-0.9, -half), (-1.1, 0.3 - half)]
            section += [(inset, -t) for inset, t in reversed(section)]
            size = (self.h + 0.4, self.d + 0.4)
            frame.prism(band, size, 9.0, section, close_end=False, corner_points=10)
            band.to_object("band", self.palette.sheet("zinc"), self.root, 0)
            y = -self.h / 2 + 24.0
            worm, top = Solid(), Frame.on_face((x, y), self.front + 1.0)
            top.box(worm, (-7.5, -8.5, 0.0), (7.5, 8.5, 6.0), 1.4)
            screw = Frame((x, y - 7.0, self.front + 4.6), ((1.0, 0, 0), (0, 0, 1.0), (0, -1.0, 0)))
            screw.round(worm, [(3.4, 0.0), (3.4, 6.5), (2.6, 7.2), (0.2, 7.2)], points=6, edge_mm=0.3)
            worm.to_object("worm screw", self.palette.steel(), self.root, 0)
            face.taken.append(Rect(x - 9.0, -self.h / 2, x + 9.0, self.h / 2))

    def _build_corrugated(self, face: Face) -> None:
        """A screwed-on sheet with a wave pressed into it, flat towards its edges."""
        cover = self._free_place(face)
        if min(cover.size) < 24:
            return
        z, (w, h), (cx, cy) = face.z, cover.size, cover.centre
        plate, wave, rim = Solid(), Solid(), 7.0
        plate.extrude(
            (w, h), 2.5, rounded_profile([(0, z - 0.2), (0, z + 0.9), (rim + 2, z + 0.9)], 0.3), at=(cx, cy)
        )
        pitch = (w - 2 * rim) / max(round((w - 2 * rim) / 9.0), 2)
        xs, ys = np.linspace(-w / 2 + rim, w / 2 - rim, 161), np.linspace(-h / 2 + rim, h / 2 - rim, 25)
        x, y = np.meshgrid(xs, ys, indexing="ij")
        fade = np.clip((h / 2 - rim - abs(y)) / 4.0, 0, 1) * np.clip((w / 2 - rim - abs(x)) / 1.5, 0, 1)
        high = 1.7 * (1 - np.cos(2 * np.pi * (x + w / 2 - rim) / pitch)) * fade
        points = np.column_stack([(cx + x).ravel(), (cy + y).ravel(), (z + 0.92 + high).ravel()])
        n = len(ys)
        quads = [
            (i * n + j, (i + 1) * n + j, (i + 1) * n + j + 1, i * n + j + 1)
            for i in range(len(xs) - 1)
            for j in range(n - 1)
        ]
        wave.add(points, quads)
        coat = self.palette.sheet("zinc")
        plate.to_object("sheet cover", coat, self.root, 0)
        wave.to_object("sheet cover", coat, self.root, 0)
        for sx in (-1, 0, 1):
            for sy in (-1, 1):
                self._hang_screw((cx + sx * (w / 2 - 3.6), cy + sy * (h / 2 - 3.6), z + 0.9))
        face.taken.append(cover)

    def _build_smoked(self, face: Face) -> None:
        """A see-through hood with the circuit board under it."""
        cover = self._free_place(face)
        if min(cover.size) < 24:
            return
        z, at, size, draw = face.z, cover.centre, cover.size, self.shell
        board, inner = Solid(), cover.grown(-6.0)
        board.extrude(inner.size, 3.0, [(0, z), (0, z + 0.8), (4, z + 0.8)], at=at)
        board.to_object("board", self.palette.plastic("GN", scale=0.45, use="board"), self.root, 0)
        parts = {name: Solid() for name in ("chips", "tins", "coils")}
        used = Face(inner.grown(-2.0), z + 0.8)
        for _ in range(34):
            kind = draw.choice(("chips", "chips", "chips", "tins", "coils"))
            spot = used.find_room((draw.uniform(2.5, 13), draw.uniform(2.5, 9)), draw, margin=0.8, tries=20)
            if spot is None:
                continue
            used.taken.append(spot)
            tall = draw.uniform(0.8, 2.0) if kind == "chips" else draw.uniform(3.0, 7.0)
            if kind == "tins":
                r = min(spot.size) / 2
                parts[kind].turn([(r, z), (r, z + tall), (r - 0.4, z + tall + 0.4)], at=spot.centre)
            else:
                parts[kind].extrude(
                    spot.size, 0.4, [(0, z), (0, z + tall), (0.4, z + tall + 0.2)], at=spot.centre
                )
        materials = {
            "chips": self.palette.plastic("BK", use="chip"),
            "tins": self.palette.steel(),
            "coils": self.palette.copper(),
        }
        for name, solid in parts.items():
            if solid.faces:
                solid.to_object(name, materials[name], self.root, 0)
        hood, top = Solid(), z + 10.5
        outline = [(0, z - 0.1), (0, z + 1.8), (5.0, z + 2.0), (6.5, top), (16, top)]
        hood.extrude(size, 6.0, rounded_profile(outline, 1.4, steps=4), at=at, corner_points=8)
        hood.to_object("smoked cover", self.palette.smoked(), self.root, 0)
        corners = Rect.around(at, size, -3.4)
        for x in (corners.x0, corners.x1):
            for y in (corners.y0, corners.y1):
                self._hang_screw((x, y, z + 1.9))
        ring = rounded_outline(size, 6.0, corner_points=3) + at
        points = np.concatenate([np.column_stack([ring, np.full(len(ring), t)]) for t in (z, top)])
        self.lures.append(BuiltLure("smoked cover", points / 1000))
        face.taken.append(cover)

    def _free_place(self, face: Face) -> Rect:
        """The largest free rectangle of the face, whose corners may reach into its round ends."""
        if not self.round:
            return largest_free(face.room, face.taken)
        end, edge = (self.w / 2 - self.corner, self.h / 2 - self.corner), 13.0
        edge = edge if "drum" in self.features else 7.0

        def inside(x, y):
            return (
                np.hypot(np.maximum(abs(x) - end[0], 0), np.maximum(abs(y) - end[1], 0)) < self.corner - edge
            )

        return largest_free(Rect.around((0, 0), (self.w, self.h)), face.taken, inside)

    # The back

    def build_cover(self) -> tuple[Rect, float]:
        if "clamshell" in self.features:  # the half behind is bare, but for the bands
            return Rect.around((0, 0), (0.6 * self.w, self.h), -14.0), self.d / 2
        if not self.round:
            return super().build_cover()
        base, solid, inset = self.d / 2, Solid(), 5.0
        top = base + 1.5
        solid.extrude(
            (self.w, self.h),
            self.corner,
            rounded_profile([(inset, base - 0.2), (inset, top), (inset + 20, top)], 0.5),
            corner_points=16,
        )
        solid.face_back()
        solid.to_object("cover", self.palette.aluminium(plate=True), self.root, 0)
        end, r = (self.w - 2 * self.corner) / 2, self.corner - inset - 5.0
        for k in range(6):
            a = math.radians(30 + 60 * k)
            x = math.copysign(end, math.cos(a)) + r * math.cos(a)
            self._hang_screw((-x, r * math.sin(a), -top - 0.1), facing_back=True)
        wide = 0.68 * self.w if "drum" in self.features else self.w - 0.6 * self.h
        return Rect.around((0, 0), (wide, 0.68 * self.h)), top


def largest_free(room: Rect, taken: list[Rect], inside=None, step: float = 2.0, margin: float = 2.0) -> Rect:
    """The largest free rectangle of a room, on a grid: histograms under each row of free cells.

    Parameters
    ----------
    room : Rect
    taken : list of Rect
        Kept clear of by `margin`.
    inside : function of (x, y) arrays, optional
        What of the room there is.
    step, margin : float
        Millimetres.
    """
    x, y = (
        np.arange(low, high - step + 1e-6, step) for low, high in ((room.x0, room.x1), (room.y0, room.y1))
    )
    free = np.ones((len(y), len(x)), bool)
    if inside is not None:
        for dx, dy in ((0, 0), (0, step), (step, 0), (step, step)):
            free &= inside(*np.meshgrid(x + dx, y + dy))
    for rect in taken:
        block = rect.grown(margin)
        rows, columns = (y + step > block.y0) & (y < block.y1), (x + step > block.x0) & (x < block.x1)
        free[np.ix_(rows, columns)] = False
    best, found = 0, Rect(0.0, 0.0, 0.0, 0.0)
    heights = np.zeros(len(x), int)
    for row in range(len(y)):
        heights = np.where(free[row], heights + 1, 0)
        for left in range(len(x)):
            low = np.minimum.accumulate(heights[left:])
            areas = low * np.arange(1, len(low) + 1)
            k = int(areas.argmax())
            if areas[k] > best:
                best, top = int(areas[k]), y[row] + step
                found = Rect(
                    float(x[left]), float(top - low[k] * step), float(x[left + k] + step), float(top)
                )
    return found
