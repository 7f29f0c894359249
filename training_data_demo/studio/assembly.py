"""Puts one unit together in the open Blender scene."""

import json
import random
from pathlib import Path
from typing import Any

import numpy as np

from training_data_demo.studio import connectors
from training_data_demo.studio.blender import bpy
from training_data_demo.studio.bodies import Housing
from training_data_demo.studio.cast_text import build_cast_text
from training_data_demo.studio.faces import Face, Rect, largest_strip_beside
from training_data_demo.studio.footprint import connector_size_mm
from training_data_demo.studio.materials import Palette
from training_data_demo.studio.meshes import hang, place
from training_data_demo.studio.style import Style, shell_seed, style_of
from training_data_demo.studio.units import (
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
    stuck, codes = _build_stickers(sheet.get("stickers", ()), spec, textures, face, palette, root)
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


def _build_stickers(stickers, spec, textures, face, palette, root):
    """Stickers on the plug face wherever there is room, smaller ones where there is little."""
    texts: list[BuiltText] = []
    codes: list[BuiltCode] = []
    draw = random.Random(f"{spec.seed} stickers")
    for k, sticker in enumerate(stickers):
        level = abs(sticker["turn_deg"] % 180 - 90) > 45
        for scale in (1.0, 0.8, 0.62, 0.48):
            w, h = (scale * v for v in sticker["size_mm"])
            spot = face.find_room((w, h) if level else (h, w), draw, margin=-0.5)
            if spot is not None:
                break
        if spot is None:
            continue
        face.taken.append(spot)
        sheet = _Sheet(
            (w, h), sticker["pixels_per_mm"] / scale, spot.centre, sticker["turn_deg"],
            face.z_at(spot) + 0.15, back=False,
        )  # fmt: skip
        material = palette.picture(
            textures / f"{spec.unit_id}-sticker{k}.png", roughness=sticker["roughness"], wear=0.5
        )
        material.node_tree.nodes["weather"].inputs["Metallic"].default_value = sticker["metallic"]
        sheet.build("sticker", material, root, LABEL)
        printed, own = _printed(sticker, sheet)
        texts, codes = texts + printed, codes + own
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
    w, h = housing.w / 2, housing.h / 2
    points = [(x, y, z) for x in (-w, w) for y in (-h, h) for z in (housing.back, housing.front)]
    for x, y, turn in housing.ear_places():
        out = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        across = np.array([-out[1], out[0]])
        for along, side in ((9, 0), (6.4, 6.4), (6.4, -6.4), (0, 9), (0, -9)):
            points.append(
                (x + along * out[0] + side * across[0], y + along * out[1] + side * across[1], housing.back)
            )
    return np.array(points) / 1000
