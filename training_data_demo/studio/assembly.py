"""Puts one unit together in the open Blender scene."""

import json
import random
from pathlib import Path
from typing import Any

import numpy as np
from plugface.demo.studio import connectors, harness, headers, outside_headers
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.bodies import Housing
from plugface.demo.studio.cast_text import build_cast_text
from plugface.demo.studio.faces import Face, Rect, largest_strip_beside
from plugface.demo.studio.footprint import connector_size_mm
from plugface.demo.studio.lures import add_lures
from plugface.demo.studio.materials import Palette
from plugface.demo.studio.meshes import hang, place
from plugface.demo.studio.outside_shells import OutsideHousing, is_outside
from plugface.demo.studio.shells import DetailedHousing, is_detailed
from plugface.demo.studio.style import Style, shell_seed, style_of
from plugface.demo.studio.units import (
    LABEL,
    MARK,
    SCRAWL,
    WIRES,
    BuiltCode,
    BuiltConnector,
    BuiltText,
    BuiltUnit,
    UnitSpec,
)


def assemble_unit(spec: UnitSpec, textures: Path) -> BuiltUnit:
    """See `units.build_unit`."""
    sheet = json.loads((textures / f"{spec.unit_id}.json").read_text(encoding="utf-8"))
    if is_detailed(spec.family):
        return _assemble_detailed(spec, textures, sheet)
    family, style = spec.family, style_of(spec.family)
    draw, shell = random.Random(spec.seed), random.Random(shell_seed(family))
    palette = Palette(spec)
    root = bpy.data.objects.new(spec.unit_id, None)
    root.empty_display_size = 0.02
    bpy.context.scene.collection.objects.link(root)

    housing = Housing(family.body, style, palette, root, shell)
    face = _lay_out(family, style, housing)
    housing.build_shell()
    texts = [_build_mark(mark, spec, textures, face, housing) for mark in family.marks]
    if face.lid is not None:
        housing.build_lid(face, [*face.taken])
    stuck, codes = _build_face_labels(spec, sheet, textures, face, palette, root, draw)
    housing.build_vent(face)
    housing.build_fins(face)
    sockets = tuple(_build_connector(spec, i, face, housing, draw) for i in range(len(family.connectors)))

    room, back_z = housing.build_cover()
    if sheet["label"] is not None:
        printed, own = _build_label(spec, sheet["label"], textures, room, back_z, palette, root, style, draw)
        texts, codes = texts + printed, own + codes
    texts += stuck
    if sheet["scrawl"] is not None:
        texts.append(_build_scrawl(spec, sheet["scrawl"], textures, face, room, back_z, palette, root, draw))
    outline = np.concatenate([socket.points for socket in sockets] + [_shell_points(housing)])
    span = outline.max(axis=0) - outline.min(axis=0)
    return BuiltUnit(root, tuple(map(float, span)), outline, sockets, tuple(texts), tuple(codes))


def _assemble_detailed(spec: UnitSpec, textures: Path, sheet: dict[str, Any]) -> BuiltUnit:
    """A unit in a shell of `shells`, with headers of `headers`."""
    family, style = spec.family, style_of(spec.family)
    draw, shell = random.Random(spec.seed), random.Random(shell_seed(family))
    palette = Palette(spec)
    root = bpy.data.objects.new(spec.unit_id, None)
    root.empty_display_size = 0.02
    bpy.context.scene.collection.objects.link(root)

    front = family.body.size_mm[2] / 2
    edge_z = min(0.0, front - 11.0) if shell.random() < 0.5 else 0.0
    lay_bays, kind = headers.lay_bays, DetailedHousing
    if is_outside(family):
        lay_bays, kind = outside_headers.lay_bays, OutsideHousing
    bays = lay_bays(family, lambda x, y: front, edge_z)
    housing = kind(family.body, style, palette, root, shell, bays)
    face = _lay_out_detailed(family, style, housing, bays)
    housing.build_shell()
    housing.dress_face(face)
    texts = [_build_mark(mark, spec, textures, face, housing) for mark in family.marks]
    if face.lid is not None and "glued cover" not in family.body.features and family.body.lid_screws:
        housing.build_lid(face, [*face.taken])
    printed, codes = _build_face_labels(spec, sheet, textures, face, palette, root, draw)
    texts += printed
    # Draws of their own: a label in the way of one thing must not change what the next looks like.
    housing.shell = random.Random(f"{shell_seed(family)} vents")
    housing.build_vent(face)
    shell = random.Random(f"{shell_seed(family)} lures")
    lures = add_lures(face, housing, shell, shell.choice((0, 1, 1, 2, 3, 4)))
    housing.shell = random.Random(f"{shell_seed(family)} edges")
    housing.build_fins(face)
    bays = lay_bays(family, lambda x, y: face.z_at(Rect.around((x, y), (2.0, 2.0))), edge_z)
    sockets = tuple(_build_bay(spec, bay, housing, draw) for bay in bays)
    grown = [points / 1000 for points in housing.dress_edges(draw)]

    room, back_z = housing.build_cover()
    if sheet["label"] is not None:
        printed, printed_codes = _build_label(
            spec, sheet["label"], textures, room, back_z, palette, root, style, draw
        )
        texts += printed
        codes += printed_codes
    if sheet["scrawl"] is not None:
        texts.append(_build_scrawl(spec, sheet["scrawl"], textures, face, room, back_z, palette, root, draw))
    outline = np.concatenate([socket.points for socket in sockets] + [_shell_points(housing), *grown])
    span = outline.max(axis=0) - outline.min(axis=0)
    return BuiltUnit(
        root, tuple(map(float, span)), outline, sockets, tuple(texts), tuple(codes), (*lures, *housing.lures)
    )


def _lay_out_detailed(family: Any, style: Style, housing: DetailedHousing, bays) -> Face:
    """Where headers, marks and a screwed lid are, before anything is built."""
    face = Face(Rect.around((0, 0), (housing.w, housing.h), -6.0), housing.front)
    for bay in bays:
        u0, v0, u1, v1 = bay.cell
        foot = bay.frame.to_body([(u, v, t) for u in (u0, u1) for v in (v0, v1) for t in (0.0, bay.tall)])
        low, high = foot.min(axis=0), foot.max(axis=0)
        # A header at an edge is in the way of what is on the face only as far as it lies over it.
        face.taken.append(Rect(low[0], low[1], high[0], high[1]).grown(4.0))
    marks = [Rect.around(m.at_mm, (_mark_width(m, style), m.height_mm), 5.0) for m in family.marks]
    plain = not {"potted", "glued cover", "pressed"} & set(family.body.features)
    if plain and family.body.lid_screws and all(b.connector.opens == "sideways" for b in bays):
        face.lid, face.lid_z = Rect.around((0, 0), (housing.w, housing.h), -4.0), housing.front + 2.4
    face.taken += marks
    return face


def _build_bay(spec: UnitSpec, bay: headers.Bay, housing: DetailedHousing, draw) -> BuiltConnector:
    connector, style, palette, root = bay.connector, housing.style, housing.palette, housing.root
    missing, seated = bay.index in spec.missing, bay.index in _seated(spec)
    keying = random.Random(f"{shell_seed(spec.family)} bay {bay.index} {connector.size}")
    if connector.opens == "up":
        u0, v0, u1, v1 = bay.cell
        grow = housing.style.collar_mm
        pad = headers.Solid()
        profile = headers.rounded_profile([(-grow, -0.4), (0.35 - grow, 0.7 * grow), (4.0, 0.7 * grow)], 0.4)
        bay.frame.prism(
            pad, (u1 - u0 + 4, v1 - v0 + 4), style.shroud_corner_mm + 2, profile, at=((u0 + u1) / 2, 0)
        )
        pad.to_object("platform", housing.material(), root, 0)
    shape = outside_headers.shroud_of(spec.family)
    if missing and shape:
        points = outside_headers.build_broken_bay(bay, shape, style, palette, root, draw)
    elif missing:
        points = headers.build_broken_bay(bay, style, palette, root, draw)
    elif shape:
        points = outside_headers.build_bay(bay, shape, style, palette, root, keying)
    else:
        points = headers.build_bay(bay, style, palette, root, keying)
    if seated:
        own = draw.random() < 0.45
        colour = connector.colour if own else draw.choices(("BK", "GY"), (0.8, 0.2))[0]
        more = harness.build_plug(
            bay, palette, root, WIRES, draw,
            colour=colour, ground_z=housing.back, reach=(housing.w / 2, housing.h / 2),
            corner_mm=bay.long / 2 if shape == "round" else 3.0,
        )  # fmt: skip
        points = np.concatenate([points, more])
    return BuiltConnector(bay.index, points / 1000, connector.colour, connector.size, missing, seated)


def _seated(spec: UnitSpec) -> set[int]:
    """The sockets with a plug in them: where one is seated, the others are at times as well."""
    if spec.seated is None:
        return set()
    draw = random.Random(f"{spec.seed} seated")
    share = draw.choice((0.0, 0.5, 1.0, 1.0))
    others = {k for k in range(len(spec.family.connectors)) if draw.random() < share}
    return ({spec.seated} | others) - set(spec.missing)


def _build_face_labels(spec, sheet, textures, face: Face, palette, root, draw):
    """Labels on the plug face, as far as the picture sheet has any and there is room; smaller where it is
    small.

    `sheet["face_labels"]` is a list of records like `sheet["label"]` with a `picture`, the file's stem, and
    how it is stuck on.
    """
    texts, codes = [], []
    for label in sheet.get("face_labels", ()):
        turn = draw.choice((0, 0, 0, 90, 180, 270))
        for scale in (1.0, 0.8, 0.62, 0.48):
            w, h = (scale * v for v in label["size_mm"])
            spot = face.find_room((h, w) if turn % 180 else (w, h), draw, margin=0.0)
            if spot is not None:
                break
        if spot is None:
            continue
        face.taken.append(spot)
        at, z = spot.centre, face.z_at(spot) + 0.12
        paper = _Sheet((w, h), label["pixels_per_mm"] / scale, at, turn + draw.gauss(0, 1.0), z, back=False)
        material = palette.picture(
            textures / f"{label['picture']}.png", roughness=label["roughness"], wear=0.5
        )
        material.node_tree.nodes["weather"].inputs["Metallic"].default_value = label["metallic"]
        paper.build("face label", material, root, LABEL)
        printed, printed_codes = _printed(label, paper)
        texts += printed
        codes += printed_codes
    return texts, codes


def _lay_out(family: Any, style: Style, housing: Housing) -> Face:
    """Where lid and sockets are, before anything is built."""
    face = Face(Rect.around((0, 0), (housing.w, housing.h), -6.0), housing.front)
    for connector in family.connectors:
        long, wide, _ = connector_size_mm(connector)
        corners = place(
            [(-long / 2, -wide / 2), (long / 2, -wide / 2), (long / 2, wide / 2), (-long / 2, wide / 2)],
            connector.at_mm,
            connector.turn_deg,
        )
        low, high = corners.min(axis=0), corners.max(axis=0)
        face.taken.append(Rect(low[0], low[1], high[0], high[1]).grown(style.collar_mm + 2.5))
    marks = [Rect.around(m.at_mm, (_mark_width(m, style), m.height_mm), 5.0) for m in family.marks]
    body = family.body
    if body.lid_screws or body.lid_colour is not None:
        block = Rect(
            min(r.x0 for r in face.taken),
            min(r.y0 for r in face.taken),
            max(r.x1 for r in face.taken),
            max(r.y1 for r in face.taken),
        )
        whole = Rect.around((0, 0), (housing.w, housing.h), -4.0)
        part = largest_strip_beside(whole, block)
        split = part.area > 0.4 * whole.area and not any(m.meets(part) and not part.holds(m) for m in marks)
        face.lid = part if split else whole
        face.lid_z = housing.front + 2.4
    face.taken += marks
    return face


def _mark_width(mark: Any, style: Style) -> float:
    return 0.82 * style.mark_stretch * mark.height_mm * len(mark.text)


def _build_mark(mark: Any, spec: UnitSpec, textures: Path, face: Face, housing: Housing) -> BuiltText:
    style = housing.style
    spot = Rect.around(mark.at_mm, (2.0, 2.0))
    z, on_lid = face.z_at(spot), face.lid is not None and face.lid.meets(spot)
    pad = 1.0 if style.mark_pad else 0.0
    room = 2 * min(housing.w / 2 - abs(mark.at_mm[0]), 1e9) - 8
    corners = build_cast_text(
        mark.text,
        textures / "fonts" / f"{style.mark_font}.ttf",
        at_mm=mark.at_mm,
        z_mm=z + pad,
        height_mm=mark.height_mm,
        relief_mm=min(1.1, 0.4 + 0.06 * mark.height_mm),
        stretch=style.mark_stretch,
        max_width_mm=max(room, mark.height_mm),
        material=housing.lid_material() if on_lid else housing.material(),
        root=housing.root,
        part=MARK,
    )
    if pad:
        size = (corners[1, 0] - corners[0, 0] + 7, mark.height_mm + 6)
        housing.build_platform(size, 3.0, mark.at_mm, 0.0, z, pad, on_lid=on_lid)
    role = "maker" if mark.text.casefold() == spec.family.maker.casefold() else "mark"
    return BuiltText("cast", role, mark.text, corners / 1000)


def _build_connector(
    spec: UnitSpec, index: int, face: Face, housing: Housing, draw: random.Random
) -> BuiltConnector:
    connector, style = spec.family.connectors[index], housing.style
    long, wide, _ = connector_size_mm(connector)
    spot = Rect.around(connector.at_mm, (2.0, 2.0))
    z, on_lid = face.z_at(spot), face.lid is not None and face.lid.meets(spot)
    margin = 2 * (style.collar_mm * 0.5 + 2.2)
    housing.build_platform(
        (long + margin, wide + margin), style.shroud_corner_mm + 2, connector.at_mm, connector.turn_deg, z,
        style.collar_mm, on_lid=on_lid,
    )  # fmt: skip
    socket = connectors.Socket(connector, style, z + style.collar_mm)
    missing, seated, part = index in spec.missing, index == spec.seated, index + 1
    build = connectors.build_broken_socket if missing else connectors.build_socket
    points = build(socket, housing.palette, housing.root, part, draw)
    if seated:
        connectors.build_mating_plug(socket, housing.palette, housing.root, part, WIRES, draw)
    return BuiltConnector(index, points / 1000, connector.colour, connector.size, missing, seated)


def _build_label(spec, label, textures, room, z, palette, root, style, draw):
    turn = style.label_turn_deg + draw.gauss(0, 0.8)
    # Stuck on by hand, and never right in the middle.
    at = (room.centre[0] + draw.gauss(0, 1.2), room.centre[1] + draw.gauss(0, 1.0))
    sheet = _Sheet(label["size_mm"], label["pixels_per_mm"], at, turn, z + 0.12)
    material = palette.picture(
        textures / f"{spec.unit_id}-label.png", roughness=draw.uniform(0.25, 0.6), wear=0.6
    )
    sheet.build("label", material, root, LABEL)
    return _printed(label, sheet)


def _printed(label, sheet):
    """Texts and codes of a label, where its sheet lies."""
    texts = [BuiltText("printed", t["role"], t["value"], sheet.corners(t["box"])) for t in label["texts"]]
    codes = [
        BuiltCode(
            c["symbology"],
            c["payload"],
            sheet.corners(c["box"]),
            c["module_px"] / sheet.per_mm / 1000,
        )
        for c in label["codes"]
    ]
    return texts, codes


def _build_scrawl(spec, scrawl, textures, face, room, back_z, palette, root, draw) -> BuiltText:
    material = palette.picture(textures / f"{spec.unit_id}-scrawl.png", roughness=0.3, wear=0.5)
    size = scrawl["size_mm"]
    spot = face.find_room(size, draw, margin=0.0) if spec.scrawl_face == "front" else None
    if spot is not None:
        sheet = _Sheet(
            size, scrawl["pixels_per_mm"], spot.centre, draw.gauss(0, 5), face.z_at(spot) + 0.1, back=False
        )
    else:
        spare = [max(room.size[k] - size[k], 0) / 2 for k in (0, 1)]
        at = tuple(room.centre[k] + draw.uniform(-spare[k], spare[k]) for k in (0, 1))
        sheet = _Sheet(size, scrawl["pixels_per_mm"], at, draw.gauss(0, 9), back_z + 0.24)
    sheet.build("scrawl", material, root, SCRAWL)
    return BuiltText("scrawl", "other", spec.scrawl, sheet.corners(scrawl["box"]))


class _Sheet:
    """A picture on a face: a plane in millimetres, on the back as seen from behind unless told otherwise."""

    def __init__(
        self, size_mm, pixels_per_mm: float, at, turn_deg: float, z: float, *, back: bool = True
    ) -> None:
        self.size, self.per_mm, self.at, self.turn_deg, self.z, self.back = (
            size_mm,
            pixels_per_mm,
            at,
            turn_deg,
            z,
            back,
        )

    def corners(self, box) -> np.ndarray:
        """Corners of a pixel box in metres, shape (4, 3): top left, top right, bottom right, bottom left."""
        x0, y0, x1, y1 = (v / self.per_mm for v in box)
        w, h = self.size
        flat = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        flat = np.column_stack([flat[:, 0] - w / 2, h / 2 - flat[:, 1]])
        points = place(flat, self.at, self.turn_deg, self.z)
        return points * (-1, 1, -1) / 1000 if self.back else points / 1000

    def build(self, name: str, material: Any, root: Any, part: int) -> None:
        w, h = self.size
        top_left, top_right, low_right, low_left = self.corners((0, 0, w * self.per_mm, h * self.per_mm))
        mesh = bpy.data.meshes.new(name)
        mesh.from_pydata([tuple(p) for p in (low_left, low_right, top_right, top_left)], [], [(0, 1, 2, 3)])
        layer = mesh.uv_layers.new(name="picture")
        layer.data.foreach_set("uv", [0.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0])
        mesh.materials.append(material)
        thing = hang(name, mesh, root, part)
        # So thin a sheet casts no shadow; without this the dirt under it would darken as in a crevice.
        thing.visible_shadow = False


def _shell_points(housing: Housing) -> np.ndarray:
    """Corners of the body at front and back, and the ends of its ears; metres."""
    points = [(x, y, z) for x, y in housing.footprint() for z in (housing.back, housing.front)]
    for x, y, turn in housing.ear_places():
        out = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        across = np.array([-out[1], out[0]])
        for along, side in ((9, 0), (6.4, 6.4), (6.4, -6.4), (0, 9), (0, -9)):
            points.append(
                (x + along * out[0] + side * across[0], y + along * out[1] + side * across[1], housing.back)
            )
    return np.array(points) / 1000
