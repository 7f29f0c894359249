"""Things that recall a controller or a plug and are none: circuit boards with headers, switches, lids, boxes
with labels, looms, tags; and hands that hold a unit.

Makers are those of `clutter`: a generator and an empty root at the ground, part numbers as there.
"""

import itertools
import math
import random

import numpy as np
from plugface.demo.studio import surfaces
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.clutter import CLUTTER, HAND, LOOSE_PLUG, PLASTICS, colour_name, curve, plastic
from plugface.demo.studio.label_sheet import LabelFacts
from plugface.demo.studio.meshes import Solid, hang, rounded_profile
from plugface.demo.studio.part_numbers import draw_number
from plugface.demo.studio.stickers import KINDS

_RESISTS = (
    (0.012, 0.10, 0.035),
    (0.01, 0.07, 0.03),
    (0.01, 0.04, 0.16),
    (0.012, 0.012, 0.014),
    (0.16, 0.012, 0.014),
    (0.5, 0.5, 0.47),
)


def _box(root, size, at, material, part=CLUTTER, edge=0.6, corner=0.6, turn=0.0) -> None:
    """A block of size (w, d, h) mm whose foot's middle is at (x, y, z) mm."""
    solid = Solid()
    w, d, h = size
    edge = min(edge, 0.3 * min(size))
    profile = rounded_profile([(0, 0), (0, h), (min(w, d) / 2.2, h)], edge)[:-1]
    solid.extrude((w, d), min(corner, 0.45 * min(w, d)), profile, close_start=True, corner_points=3)
    thing = solid.to_object("part", material, root, part)
    thing.location = tuple(v / 1000 for v in at)
    thing.rotation_euler = (0, 0, turn)


def make_circuit_board(rng, root) -> None:
    """A bare board: chips, capacitors, and headers along an edge, shrouded or with bare pins."""
    w, d = rng.uniform(70, 165), rng.uniform(45, 110)
    resist = _RESISTS[int(rng.integers(len(_RESISTS)))]
    board = surfaces.Surface("board", int(rng.integers(9999)))
    traces = board.ramp(board.waves(board.where((1, 1, 1), turn=0.78), 260, 9), 0.72, 0.8, 0.0, 0.6)
    pads = board.ramp(board.cells(board.where(), 330), 0.10, 0.13, 0.8, 0.0)
    shade = board.mix(traces, resist, tuple(min(1.0, 1.9 * c + 0.01) for c in resist))
    board.set(base_color=board.mix(pads, shade, (0.55, 0.5, 0.38)), roughness=0.35)
    _box(root, (w, d, 1.6), (0, 0, 4), board.material, edge=0.1)
    black, metal = plastic("black", 0.45), surfaces.plain("tin", (0.6, 0.6, 0.58), 0.3, 1.0)
    for _ in range(int(rng.integers(4, 22))):
        size = (rng.uniform(2, 18), rng.uniform(2, 16), rng.uniform(0.8, 3))
        spot = rng.uniform(-0.42, 0.42) * w, rng.uniform(-0.25, 0.42) * d, 5.6
        _box(root, size, spot, black if rng.random() < 0.7 else metal, edge=0.2)
    for _ in range(int(rng.integers(0, 6))):
        can = Solid()
        r = rng.uniform(2.5, 7)
        can.turn(rounded_profile([(0.1, 0), (r, 0), (r, 2.2 * r), (0.1, 2.2 * r)], 0.6), points=18)
        thing = can.to_object("can", plastic("black") if rng.random() < 0.5 else metal, root, CLUTTER)
        thing.location = (rng.uniform(-0.4, 0.4) * w / 1000, rng.uniform(-0.2, 0.4) * d / 1000, 0.0056)
    pins = surfaces.plain("pins", (0.7, 0.55, 0.28), 0.3, 1.0)
    x = -w / 2 + 6
    while x < w / 2 - 14:
        long = min(rng.uniform(10, 60), w / 2 - x - 2)
        wide, tall = rng.uniform(6, 18), rng.uniform(6, 15)
        at = (x + long / 2, -d / 2 + wide / 2 - rng.uniform(-1, 4))
        shrouded = rng.random() < 0.7
        if shrouded:
            shroud = Solid()
            wall = [(0, 0), (0, tall), (1.2, tall), (1.2, 2.5), (wide / 2.2, 2.5)]
            shroud.extrude((long, wide), 1.2, wall, at=at, corner_points=3)
            thing = shroud.to_object("header", plastic(colour_name(rng)), root, LOOSE_PLUG)
            thing.location = (0, 0, 0.0056)
        rows = 2 if wide > 8 else 1
        needles = Solid()
        for k in range(int(long // 3.2)):
            for row in range(rows):
                spot = (
                    at[0] - long / 2 + 2.4 + 3.2 * k,
                    at[1] + (row - (rows - 1) / 2) * min(4.0, wide * 0.35),
                )
                needles.extrude(
                    (0.8, 0.8), 0.1, [(0, 0), (0, tall - 2), (0.3, tall - 1.6)], at=spot, corner_points=2
                )
        if needles.faces:
            needles.to_object("pins", pins, root, LOOSE_PLUG).location = (0, 0, 0.0056)
        x += long + rng.uniform(2, 14)


def make_switch_panel(rng, root) -> None:
    """One to four rocker switches in a plate."""
    count = int(rng.integers(1, 5))
    w, d, h = 26.0 * count + 14, rng.uniform(36, 60), rng.uniform(4, 22)
    _box(
        root,
        (w, d, h),
        (0, 0, 0),
        plastic(str(rng.choice(["black", "black", "grey", "white"]))),
        edge=1.5,
        corner=4,
    )
    for k in range(count):
        x = (k - (count - 1) / 2) * 26.0
        frame, rocker = (
            plastic("black", 0.35),
            plastic(str(rng.choice(["black", "red", "green", "grey", "orange", "blue"])), 0.3),
        )
        _box(root, (21, d * 0.62, 2.5), (x, 0, h), frame, edge=0.8, corner=2)
        _box(root, (16, d * 0.5, rng.uniform(3, 6)), (x, 0, h + 1.5), rocker, edge=1.5, corner=1.5)


def make_fuse_box_lid(rng, root) -> None:
    """A moulded lid with ribs, clips and a printed plan at times."""
    w, d, h = rng.uniform(80, 150), rng.uniform(55, 100), rng.uniform(10, 28)
    shell = plastic(str(rng.choice(["black", "black", "grey", "white"])), 0.5)
    _box(root, (w, d, h), (0, 0, 0), shell, edge=3, corner=9)
    ribs = Solid()
    for k in range(int(rng.integers(0, 7))):
        y = -d / 2 + d * (k + 1) / 8
        ribs.bar((-w * 0.4, y), (w * 0.4, y), 2.0, h - 0.2, h + 1.5)
    if ribs.faces:
        ribs.to_object("ribs", shell, root, CLUTTER)
    for side in (-1, 1):
        _box(root, (14, 6, h * 0.7), (rng.uniform(-0.3, 0.3) * w, side * (d / 2 + 2.5), 0), shell)
    if rng.random() < 0.6:
        _print_on(rng, root, (0.8 * w, 0.6 * d), h + 1.7)


def make_labelled_box(rng, root) -> None:
    """A plain box of plastic, tin or card with a label or two: no plug on it."""
    w, d, h = rng.uniform(60, 170), rng.uniform(45, 120), rng.uniform(18, 70)
    drawn = rng.random()
    if drawn < 0.4:
        material = plastic(colour_name(rng), float(rng.uniform(0.3, 0.6)))
    elif drawn < 0.75:
        material = surfaces.plain(
            f"tin {rng.integers(4)}", (0.5, 0.5, 0.49), float(rng.uniform(0.25, 0.5)), 0.9
        )
    else:
        material = surfaces.cardboard(int(rng.integers(999)), 0.3)
    _box(root, (w, d, h), (0, 0, 0), material, edge=rng.uniform(0.5, 4), corner=rng.uniform(0.6, 9))
    for k in range(int(rng.integers(1, 3))):
        _print_on(rng, root, (0.75 * w, 0.7 * d), h + 0.15 + 0.1 * k)


def make_disk_box(rng, root) -> None:
    """A flat metal box with a stamped cover, screws and a label, like a computer's disk or a power supply."""
    w, d, h = rng.uniform(95, 150), rng.uniform(68, 105), rng.uniform(9, 42)
    cast = surfaces.plain(f"casting {rng.integers(3)}", (0.32, 0.32, 0.33), 0.45, 0.9)
    cover = surfaces.plain(f"cover {rng.integers(3)}", (0.6, 0.6, 0.6), 0.25, 1.0)
    _box(root, (w, d, h), (0, 0, 0), cast, edge=1.0, corner=3)
    _box(root, (w * 0.95, d * 0.92, 1.2), (0, 0, h), cover, edge=0.5, corner=6)
    if rng.random() < 0.5:
        disc = Solid()
        disc.turn([(0.34 * d, 0), (0.335 * d, 0.6), (0.1, 0.6)], at=(w * 0.1, 0), points=40)
        disc.to_object("stamping", cover, root, CLUTTER).location = (0, 0, (h + 1.2) / 1000)
    for x in (-0.44, 0.44):
        for y in (-0.42, 0.42):
            screw = Solid()
            screw.turn([(3, 0), (2.8, 1), (1.2, 1), (1.0, 0.4), (0.1, 0.4)], at=(x * w, y * d), points=14)
            screw.to_object("screw", cover, root, CLUTTER).location = (0, 0, (h + 1.2) / 1000)
    _print_on(rng, root, (0.7 * w, 0.7 * d), h + 1.9)


def make_loom(rng, root) -> None:
    """A taped or sleeved bundle that ends in loose wires."""
    radius = rng.uniform(0.005, 0.013)
    x = np.linspace(-0.22, 0.1, 9)
    line = np.column_stack([x, np.cumsum(rng.normal(0, 0.012, 9)), np.full(9, radius)])
    sleeve = surfaces.Surface("sleeve", int(rng.integers(999)))
    ribs = sleeve.waves(sleeve.where(), float(rng.choice((60, 240))), 0.3)
    sleeve.set(base_color=(0.014, 0.014, 0.015), roughness=0.6, normal=sleeve.bump(ribs, 0.0015))
    curve(line, radius, sleeve.material, root, CLUTTER)
    for _ in range(int(rng.integers(4, 12))):
        step = np.cumsum(rng.normal((0.013, 0, 0), (0.003, 0.006, 0.002), (6, 3)), 0)
        wire = np.vstack([line[-1], line[-1] + rng.normal(0, radius * 0.4, 3) * (1, 1, 0.5) + step])
        wire[:, 2] = np.maximum(wire[:, 2], 0.0015)
        curve(wire, rng.uniform(0.0009, 0.0016), plastic(colour_name(rng), 0.4), root, CLUTTER)


def make_hose(rng, root) -> None:
    radius = rng.uniform(0.006, 0.02)
    x = np.linspace(-0.2, 0.2, 9)
    line = np.column_stack([x, np.cumsum(rng.normal(0, 0.015, 9)), np.full(9, radius)])
    curve(
        line, radius, plastic(str(rng.choice(["black", "black", "grey", "blue", "red"])), 0.5), root, CLUTTER
    )


def make_paper_tag(rng, root) -> None:
    """A tag of card on a string."""
    w, d = rng.uniform(40, 80), rng.uniform(24, 42)
    shade = ((0.72, 0.60, 0.36), (0.8, 0.8, 0.76), (0.75, 0.5, 0.1), (0.6, 0.14, 0.1))[int(rng.integers(4))]
    card = Solid()
    card.extrude((w, d), 5, [(0, 0.4), (0, 0.9), (2, 0.9)], close_start=True, corner_points=2)
    card.to_object("tag", surfaces.plain(f"card {shade[0]}", shade, 0.8), root, CLUTTER)
    _print_on(rng, root, (0.7 * w, 0.7 * d), 1.1)
    start = np.array([w / 2000 - 0.004, 0, 0.002])
    string = np.vstack(
        [start, start + np.cumsum(rng.normal((0.012, 0, 0), (0.006, 0.008, 0.0003), (6, 3)), 0)]
    )
    string[:, 2] = np.maximum(string[:, 2], 0.001)
    curve(string, 0.0006, plastic("white", 0.8), root, CLUTTER)


def make_sticker_sheet(rng, root) -> None:
    """A label on its backing, or lost on the ground."""
    _print_on(rng, root, (rng.uniform(40, 100), rng.uniform(24, 70)), 0.6)


def make_cap_with_cavity(rng, root) -> None:
    """A cap, a holder or a tray: walls around a hollow, as a plug has, and nothing in it."""
    w, d, h = rng.uniform(20, 60), rng.uniform(16, 40), rng.uniform(8, 26)
    wall = rng.uniform(1.2, 3)
    cup = Solid()
    profile = [(0, 0), (0.4, h), (0.4 + wall, h), (wall + 0.4, 2), (min(w, d) / 2.2, 2)]
    cup.extrude((w, d), rng.uniform(1, 9), profile, close_start=True, corner_points=5)
    cup.to_object("cup", plastic(colour_name(rng)), root, CLUTTER)


def _print_on(rng, root, room, z: float) -> None:
    """Any label, flat at a height in mm, turned by right angles."""
    draw = random.Random(int(rng.integers(1 << 31)))
    number = draw_number(rng)
    serial = str(rng.integers(10**7, 10**8))
    facts = LabelFacts(
        maker=draw.choice(("ABEL NORTH", "Corrie Lamps", "STOKE & REED", "Tollgate")),
        mark=draw.choice(("PUMP", "RELAY 5", "LAMP", "CHARGER", "METER", "HEATER 2")),
        groups=[number],
        suffix=draw.choice("ABCDE"),
        suffix_caption="REV",
        serial=serial,
        made=f"{draw.randint(1, 52):02d}/{draw.randint(0, 22):02d}",
        barcode="Code 128",
        payload=number,
        number_caption="No",
    )
    sheet = KINDS[draw.choice(list(KINDS))][0](facts, room, draw)
    pixels = np.asarray(sheet.image, np.float32)[::-1] / 255
    image = bpy.data.images.new("print", sheet.image.width, sheet.image.height, alpha=True)
    image.pixels.foreach_set(np.ascontiguousarray(pixels).ravel())
    s = surfaces.Surface("print", int(rng.integers(999)))
    node = s.nodes.new("ShaderNodeTexImage")
    node.image = image
    dirt = s.ramp(s.noise(s.where(), 40, 5, 0.8), 0.55, 0.75, 0.0, 0.5)
    s.set(
        base_color=s.mix(dirt, node.outputs["Color"], (0.06, 0.05, 0.04)),
        roughness=float(rng.uniform(0.3, 0.8)),
    )
    s.set(alpha=node.outputs["Alpha"])
    w, h = (v / sheet.per_mm / 2000 for v in sheet.image.size)
    mesh = bpy.data.meshes.new("print")
    mesh.from_pydata([(-w, -h, 0), (w, -h, 0), (w, h, 0), (-w, h, 0)], [], [(0, 1, 2, 3)])
    mesh.uv_layers.new(name="picture").data.foreach_set("uv", [0.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0])
    mesh.materials.append(s.material)
    thing = hang("print", mesh, root, CLUTTER)
    thing.location = (0, 0, z / 1000)
    thing.rotation_euler = (
        0,
        0,
        math.pi / 2 * draw.randint(0, 3) if w < 1.2 * h else math.pi * draw.randint(0, 1),
    )
    thing.visible_shadow = False


MAKERS = {
    "circuit board": make_circuit_board,
    "switch panel": make_switch_panel,
    "fuse box lid": make_fuse_box_lid,
    "labelled box": make_labelled_box,
    "disk box": make_disk_box,
    "loom": make_loom,
    "hose": make_hose,
    "paper tag": make_paper_tag,
    "sticker sheet": make_sticker_sheet,
    "cap with cavity": make_cap_with_cavity,
}


def make_grip(rng, root, gloved: bool, thick: float) -> None:
    """A hand that holds a slab `thick` metres deep by its edge: thumb on top at the root, fingers beneath,
    wrist towards -Y."""
    ball = bpy.data.metaballs.new("grip")
    ball.resolution = ball.render_resolution = 0.0032
    ball.threshold = 0.1
    size = rng.uniform(0.92, 1.08) * (1.12 if gloved else 1.0)

    def limb(*points_and_radii):
        for (start, r0), (end, r1) in itertools.pairwise(points_and_radii):
            start, end = np.asarray(start), np.asarray(end)
            steps = max(2, int(np.linalg.norm(end - start) / (min(r0, r1) * 0.55)))
            for t in np.linspace(0, 1, steps):
                element = ball.elements.new(type="BALL")
                element.co = start + t * (end - start)
                element.radius, element.stiffness = (r0 + t * (r1 - r0)) * 1.28 * size, 1.6

    side = 1 if rng.random() < 0.5 else -1
    middle = -thick / 2
    heel = np.array([0.0, -0.095, middle])
    reach = rng.uniform(-0.004, 0.014)
    limb(
        (np.add(heel, (side * 0.025, 0, 0.004)), 0.018),
        ((side * 0.034, -0.052, 0.012 - 0.2 * thick), 0.014),
        ((side * 0.022, -0.022, 0.011), 0.0112),
        ((side * 0.012, reach, 0.0085), 0.0100),
    )
    for k, x in enumerate((0.030, 0.010, -0.011, -0.031)):
        knuckle = np.array([side * x, -0.050, middle - 0.2 * thick])
        tip = np.array([side * x * 0.9, 0.02 - 0.006 * abs(k - 1.2), -thick - 0.010])
        limb(
            (np.add(heel, (side * x * 0.6, 0, 0)), 0.017),
            (knuckle, 0.0125),
            ((side * x, -0.028, -thick - 0.008), 0.0095),
            (tip, 0.0085),
        )
    limb((heel, 0.024), (np.add(heel, (0, -0.06, -0.01)), 0.022), (np.add(heel, (0, -0.3, -0.06)), 0.027))
    hand = bpy.data.objects.new(f"grip {rng.integers(1 << 30)}", ball)
    if gloved:
        shade = str(rng.choice(["black", "blue", "grey", "orange", "green", "white", "blue", "black"]))
        material = surfaces.rubber(f"glove {shade}", PLASTICS[shade])
    else:
        material = surfaces.skin(float(rng.uniform(0, 1)))
    ball.materials.append(material)
    hand.parent, hand.pass_index = root, HAND
    bpy.context.scene.collection.objects.link(hand)
    if not gloved:
        horn = surfaces.plain("nail", (0.55, 0.36, 0.30), 0.25)
        nail = Solid()
        nail.turn([(5.2, 0), (4.6, 1.2), (2.8, 1.9), (0.1, 2.1)], points=14)
        thing = nail.to_object("nail", horn, root, HAND)
        thing.scale = (1, 1.2, 1)
        thing.location = (side * 0.012 * size, reach - 0.001, 0.0085 + 0.0088 * size)
        thing.rotation_euler = (-0.3, 0, 0)
