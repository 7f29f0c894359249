"""Things that lie about in a yard: rags, wires, cable ends, loose plugs, tools, screws, boxes, tins, a hand.

Every maker takes a generator and an empty root object at the ground below the thing's middle, +Z up, and
hangs objects with their part number on it: 1 clutter, 2 loose plug, 3 hand or glove. Lengths in metres unless
a name says mm.
"""

import math

import numpy as np
from plugface.demo.studio import surfaces
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.meshes import Solid, rounded_profile

CLUTTER, LOOSE_PLUG, HAND = 1, 2, 3

# Scene-linear colours of plastics, paints and wire insulation; our own choice.
PLASTICS = {
    "black": (0.018, 0.018, 0.019),
    "white": (0.66, 0.65, 0.60),
    "grey": (0.22, 0.22, 0.22),
    "red": (0.42, 0.022, 0.018),
    "orange": (0.62, 0.17, 0.015),
    "yellow": (0.66, 0.46, 0.03),
    "green": (0.03, 0.22, 0.055),
    "blue": (0.02, 0.09, 0.38),
    "violet": (0.14, 0.04, 0.28),
    "brown": (0.11, 0.045, 0.018),
    "pink": (0.60, 0.20, 0.28),
    "turquoise": (0.02, 0.32, 0.33),
}


def colour_name(rng: np.random.Generator) -> str:
    """One of the plastics, black twice as often."""
    return str(rng.choice([*PLASTICS, "black"]))


def plastic(name: str, roughness: float = 0.42):
    """The material of a coloured plastic part."""
    return surfaces.plain(f"plastic {name}", PLASTICS[name], roughness)


def curve(points, radius: float, material, root, part: int, taper=None):
    """A round wire through points (N, 3)."""
    data = bpy.data.curves.new("wire", "CURVE")
    data.dimensions, data.bevel_depth, data.bevel_resolution, data.resolution_u = "3D", radius, 3, 6
    data.use_fill_caps = True
    spline = data.splines.new("NURBS")
    spline.points.add(len(points) - 1)
    spline.points.foreach_set("co", np.column_stack([points, np.ones(len(points))]).ravel())
    if taper is not None:
        spline.points.foreach_set("radius", np.asarray(taper, float))
    spline.use_endpoint_u, spline.order_u = True, 4
    data.materials.append(material)
    thing = bpy.data.objects.new("wire", data)
    thing.parent, thing.pass_index = root, part
    bpy.context.scene.collection.objects.link(thing)
    return thing


def _walk(rng, start, heading, steps, step, bend, z):
    """A wandering line on the ground, shape (steps + 1, 3)."""
    turns = np.cumsum(np.convolve(rng.normal(0, bend, steps + 2), np.ones(3) / 3, "valid"))
    angles = heading + turns
    moves = step * np.stack([np.cos(angles), np.sin(angles)], 1)
    flat = np.concatenate([[start], start + np.cumsum(moves, 0)])
    return np.column_stack([flat, np.full(len(flat), z) + rng.uniform(0, 0.25 * step, len(flat))])


def make_sheet(points, width, name, material, root, part):
    """A smooth sheet from points (rows * width, 3)."""
    rows = len(points) // width
    index = np.arange(rows * width).reshape(rows, width)
    quads = np.stack([index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]], -1).reshape(-1, 4)
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(points.tolist(), [], quads.tolist())
    mesh.shade_smooth()
    mesh.materials.append(material)
    thing = bpy.data.objects.new(name, mesh)
    thing.parent, thing.pass_index = root, part
    bpy.context.scene.collection.objects.link(thing)
    return thing


def rolling(rng, x, y, waves: int, length: float):
    """A sum of random plane waves over positions x, y, about -1..1; the shortest is `length` metres long."""
    total = np.zeros_like(x)
    for k in range(waves):
        wave = length * (1 + 2.5 * k / waves)
        angle, phase = rng.uniform(0, 2 * math.pi, 2)
        carried = x * math.cos(angle) + y * math.sin(angle)
        total += (
            wave
            / length
            * np.sin(2 * math.pi * carried / wave + phase + 0.8 * np.sin(carried / length + phase))
        )
    return total / (1.6 * waves)


def make_rag(rng, root) -> None:
    n = 56
    half = rng.uniform(0.06, 0.10)
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n)))
    edge = 1 + 0.12 * np.sin(5 * np.arctan2(v, u) + rng.uniform(0, 6)) + 0.05 * rng.normal(size=1)
    x, y = u * half * edge, v * half * rng.uniform(0.6, 0.9) * edge
    folds = np.abs(rolling(rng, x, y, 5, 0.035)) ** 0.7
    squeeze = 1 - 0.35 * folds
    z = 0.003 + 0.026 * folds * (1 - 0.7 * np.maximum(abs(u), abs(v)) ** 4)
    tone = PLASTICS[str(rng.choice(["red", "blue", "white", "grey", "orange", "green", "turquoise"]))]
    muted = tuple(0.25 * sum(tone) / 3 + 0.75 * c for c in tone)
    cloth = surfaces.cloth("rag", muted, rng.uniform(0, 1), int(rng.integers(9999)))
    make_sheet(np.column_stack([x * squeeze, y * squeeze, z]), n, "rag", cloth, root, CLUTTER)


def make_wire(rng, root) -> None:
    for _ in range(int(rng.integers(1, 4))):
        radius = rng.uniform(0.0009, 0.0022)
        line = _walk(rng, rng.uniform(-0.05, 0.05, 2), rng.uniform(0, 6.3), 14, 0.022, 0.55, radius)
        curve(line, radius, plastic(colour_name(rng), 0.35), root, CLUTTER)


def make_cable_end(rng, root) -> None:
    sheath = rng.uniform(0.004, 0.0065)
    line = _walk(rng, np.array([-0.16, 0.0]), 0.0, 6, 0.028, 0.12, sheath)
    curve(line, sheath, plastic("black", 0.6), root, CLUTTER)
    copper = surfaces.plain("copper", (0.55, 0.22, 0.10), 0.3, 1.0)
    for _ in range(int(rng.integers(4, 9))):
        start = line[-1][:2] + rng.normal(0, sheath * 0.4, 2)
        radius = rng.uniform(0.0009, 0.0015)
        core = _walk(rng, start, rng.normal(0, 0.5), 7, 0.011, 0.35, sheath)
        core[:, 2] += np.linspace(0, rng.uniform(-0.003, 0.012), len(core))
        curve(core, radius, plastic(colour_name(rng), 0.35), root, CLUTTER)
        tip = core[-1] + np.outer(np.linspace(0, 1, 4), core[-1] - core[-2]) * 0.5
        curve(tip, radius * 0.6, copper, root, CLUTTER)


def make_screwdriver(rng, root) -> None:
    grip, blade = Solid(), Solid()
    length = rng.uniform(80, 105)
    radius = rng.uniform(9, 14)
    shape = [
        (0.2, 0),
        (radius * 0.8, 2),
        (radius, 12),
        (radius * 0.95, length * 0.7),
        (radius * 0.6, length * 0.85),
        (radius * 0.7, length),
    ]
    grip.turn(rounded_profile(shape, 4), points=14)
    blade.turn([(3.0, length - 2), (3.0, length + 75), (2.0, length + 90)], points=12)
    parts = [
        grip.to_object(
            "grip",
            plastic(str(rng.choice(["red", "yellow", "blue", "black", "green", "orange"])), 0.3),
            root,
            CLUTTER,
        )
    ]
    parts.append(
        blade.to_object("blade", surfaces.plain("tool steel", (0.5, 0.5, 0.5), 0.25, 1.0), root, CLUTTER)
    )
    for part in parts:
        part.rotation_euler, part.location = (0, math.pi / 2, 0), (-0.1, 0, radius / 1000)


def make_spanner(rng, root) -> None:
    tool = Solid()
    size = rng.uniform(0.8, 1.2)
    flat = [(0, 0), (0, 5 * size), (1.5, 6 * size)]
    tool.extrude((130 * size, 11 * size), 4, flat, corner_points=4)
    for x, jaw in ((-68 * size, 13 * size), (68 * size, 11 * size)):
        ring = [(jaw * 0.55, 0.5), (jaw, 0.0), (jaw, 6.5 * size), (jaw * 0.55, 6.5 * size), (jaw * 0.55, 0.5)]
        tool.turn(ring, at=(x, 0), points=22, close_end=False)
    chrome = surfaces.steel(int(rng.integers(999)), 0.3, float(rng.uniform(0, 0.8)))
    tool.to_object("spanner", chrome, root, CLUTTER)


def make_bolts(rng, root) -> None:
    metal = surfaces.steel(int(rng.integers(999)), 0.5, float(rng.uniform(0, 1)))
    for _ in range(int(rng.integers(3, 8))):
        bolt = Solid()
        r = rng.uniform(2.0, 3.5)
        bolt.turn(
            rounded_profile([(0.1, 0), (1.9 * r, 0), (1.9 * r, 1.3 * r), (r, 1.3 * r), (r, 9 * r)], 0.3),
            points=6 if rng.random() < 0.6 else 16,
        )
        thing = bolt.to_object("bolt", metal, root, CLUTTER)
        thing.rotation_euler = (0, math.pi / 2 - 0.1, rng.uniform(0, 6.3))
        thing.location = (*rng.uniform(-0.03, 0.03, 2), 1.9 * r / 1000)


def make_loose_plug(rng, root) -> None:
    """A harness plug that was unplugged or cut off: housing, lever or latch, seal, a tail of wires."""
    long, wide, tall = rng.uniform(18, 66), rng.uniform(13, 26), rng.uniform(18, 30)
    colour = colour_name(rng)
    body, rim, cavity, lever = Solid(), Solid(), Solid(), Solid()
    body.extrude((long, wide), 3, rounded_profile([(0, 0), (0, tall), (2.5, tall)], 1.2), close_start=True)
    for k in range(int(rng.integers(2, 5))):
        x = (k + 1) / 5 * long - long / 2
        body.bar((x, wide / 2), (x + 0.1, wide / 2 + 3), 2.4, 2, tall - 3)
    rim.extrude(
        (long + 3, wide + 3),
        3.5,
        rounded_profile([(1.5, tall * 0.55), (0, tall * 0.58), (0, tall * 0.8), (1.5, tall * 0.83)], 0.5),
        close_end=False,
    )
    cavity.extrude((long - 5, wide - 5), 2, [(0, tall + 0.05), (1.0, tall + 0.06)])
    lever.extrude((long * 0.7, wide + 6), 4, rounded_profile([(0, 4), (0, tall * 0.5), (3, tall * 0.52)], 1))
    shell = plastic(colour)
    made = [body.to_object("plug", shell, root, LOOSE_PLUG), rim.to_object("rim", shell, root, LOOSE_PLUG)]
    made.append(
        cavity.to_object(
            "face", plastic(str(rng.choice(["black", "grey", "orange", "green"]))), root, LOOSE_PLUG
        )
    )
    if long > 34 and rng.random() < 0.6:
        made.append(
            lever.to_object(
                "lever", plastic(str(rng.choice(["grey", "white", "black", "red"]))), root, LOOSE_PLUG
            )
        )
    for _ in range(int(rng.integers(3, 12))):
        start = np.array([rng.uniform(-0.35, 0.35) * long, rng.uniform(-0.3, 0.3) * wide, 1.0]) / 1000
        tail = np.linspace(0, 1, 7)[:, None] * np.array([0.0, 0.0, -rng.uniform(0.03, 0.09)])
        tail[:, :2] += np.cumsum(rng.normal(0, 0.0035, (7, 2)), 0)
        made.append(curve(start + tail, 0.0011, plastic(colour_name(rng), 0.35), root, LOOSE_PLUG))
    pose = rng.integers(3)  # standing on its side mostly: mating face outwards, or up
    holder = bpy.data.objects.new("plug pose", None)
    holder.parent = root
    bpy.context.scene.collection.objects.link(holder)
    for part in made:
        part.parent = holder
    if pose < 2:
        holder.rotation_euler = (math.pi / 2, 0, 0)
        holder.location = (0, tall / 2000, (wide / 2 + 3) / 1000)
    else:
        holder.location = (0, 0, 0.012)


def make_carton(rng, root) -> None:
    box = Solid()
    w, d, h = rng.uniform(40, 120), rng.uniform(40, 90), rng.uniform(20, 70)
    box.extrude((w, d), 1.5, rounded_profile([(0, 0), (0, h), (w, h)], 0.8)[:-1], close_start=True)
    printed = rng.random() < 0.5
    material = plastic(colour_name(rng), 0.5) if printed else surfaces.cardboard(int(rng.integers(999)), 0.4)
    box.to_object("carton", material, root, CLUTTER)
    strip = Solid()
    strip.extrude((w * 0.95, d * rng.uniform(0.2, 0.5)), 0.5, [(0, h + 0.02), (0.2, h + 0.2)])
    strip.to_object("print", plastic(colour_name(rng), 0.5), root, CLUTTER)


def make_tin(rng, root) -> None:
    r, h = rng.uniform(18, 42), rng.uniform(25, 95)
    wall, lid = Solid(), Solid()
    wall.turn(rounded_profile([(r - 2, 0), (r, 0), (r, h), (r - 2, h)], 1.0), points=36, close_start=True)
    lid.turn(
        rounded_profile([(r + 0.8, h - 6), (r + 0.8, h), (r - 3, h), (r - 4, h - 2.5), (0.1, h - 2.5)], 0.8),
        points=36,
    )
    wall.to_object("tin", plastic(colour_name(rng), 0.35), root, CLUTTER)
    lid.to_object(
        "lid", surfaces.steel(int(rng.integers(999)), 0.4, float(rng.uniform(0, 0.7))), root, CLUTTER
    )


def make_tape_roll(rng, root) -> None:
    r, h = rng.uniform(28, 52), rng.uniform(12, 45)
    ring = Solid()
    ring.turn(
        rounded_profile([(r * 0.6, 0), (r, 0), (r, h), (r * 0.6, h), (r * 0.6, 0)], 0.5),
        points=40,
        close_end=False,
    )
    ring.to_object("tape", plastic(colour_name(rng), 0.3), root, CLUTTER)


def make_caps(rng, root) -> None:
    """Coloured odds and ends of about a connector's size: caps, clips, spacers."""
    for _ in range(int(rng.integers(1, 4))):
        piece = Solid()
        high = rng.uniform(5, 22)
        if rng.random() < 0.5:
            r = rng.uniform(8, 24)
            piece.turn(rounded_profile([(r, 0), (r, high), (r * 0.2, high), (0.1, high)], 1.5), points=24)
        else:
            size = rng.uniform(14, 60), rng.uniform(10, 26)
            piece.extrude(size, rng.uniform(1, 6), rounded_profile([(0, 0), (1.0, high), (6, high)], 1.5))
        thing = piece.to_object("cap", plastic(colour_name(rng)), root, CLUTTER)
        thing.location = (*rng.uniform(-0.04, 0.04, 2), 0)
        thing.rotation_euler = (0, 0, rng.uniform(0, 6.3))


def make_marker(rng, root) -> None:
    body, cap = Solid(), Solid()
    r = rng.uniform(5, 9)
    body.turn(rounded_profile([(0.1, 0), (r, 0), (r, 85), (r * 0.8, 90)], 1), points=18)
    cap.turn(rounded_profile([(r * 1.08, 84), (r * 1.08, 125), (0.1, 127)], 2), points=18)
    ink = colour_name(rng)
    parts = [body.to_object("pen", plastic(str(rng.choice(["white", "black", ink]))), root, CLUTTER)]
    parts.append(cap.to_object("pen cap", plastic(ink), root, CLUTTER))
    for part in parts:
        part.rotation_euler, part.location = (0, math.pi / 2, 0), (-0.06, 0, r * 1.08 / 1000)


def make_zip_ties(rng, root) -> None:
    shade = plastic(str(rng.choice(["white", "black", "black", "blue", "red"])))
    for _ in range(int(rng.integers(2, 5))):
        line = _walk(rng, rng.uniform(-0.04, 0.04, 2), rng.uniform(0, 6.3), 9, 0.017, 0.25, 0.0012)
        tie = curve(line, 0.0016, shade, root, CLUTTER)
        tie.scale = (1, 1, 0.6)


def make_block(rng, root) -> None:
    """A wooden offcut."""
    w, d, h = rng.uniform(60, 180), rng.uniform(35, 70), rng.uniform(18, 45)
    block = Solid()
    block.extrude((w, d), 1.0, rounded_profile([(0, 0), (0, h), (3, h)], 0.8), close_start=True)
    block.to_object(
        "offcut", surfaces.wood(int(rng.integers(999)), 0, 0.4, float(rng.uniform(0.2, 1))), root, CLUTTER
    )


MAKERS = {
    "rag": make_rag,
    "wire": make_wire,
    "cable end": make_cable_end,
    "screwdriver": make_screwdriver,
    "spanner": make_spanner,
    "bolts": make_bolts,
    "loose plug": make_loose_plug,
    "carton": make_carton,
    "tin": make_tin,
    "tape roll": make_tape_roll,
    "caps": make_caps,
    "marker": make_marker,
    "zip ties": make_zip_ties,
    "offcut": make_block,
}


def make_hand(rng, root, gloved: bool) -> None:
    """A hand palm down, finger tips at the root and the wrist towards -Y, joined smoothly from capsules."""
    ball = bpy.data.metaballs.new("hand")
    ball.resolution = ball.render_resolution = 0.0032
    ball.threshold = 0.1
    size = rng.uniform(0.92, 1.08) * (1.12 if gloved else 1.0)

    def limb(start, end, radius):
        start, end = np.asarray(start) * size, np.asarray(end) * size
        steps = max(2, int(np.linalg.norm(end - start) / (radius * 0.55)))
        for t in np.linspace(0, 1, steps):
            element = ball.elements.new(type="BALL")
            element.co = start + t * (end - start)
            element.radius, element.stiffness = radius * 1.28 * size, 1.6

    curl = rng.uniform(0.2, 0.8)
    spread = rng.uniform(0.6, 1.3)
    for k, (x, reach, thick) in enumerate(
        ((-0.030, -0.012, 0.0082), (-0.010, 0.0, 0.0088), (0.011, -0.006, 0.0084), (0.031, -0.026, 0.0074))
    ):
        fan = (k - 1.4) * 0.006 * spread
        knuckle = np.array([x, -0.085, 0.026 + 0.008 * curl])
        middle = np.array([x + fan * 0.6, -0.042 + reach * 0.5, 0.030 + 0.016 * curl])
        tip = np.array([x + fan, reach, 0.011])
        limb(knuckle, middle, thick * 1.04)
        limb(middle, tip, thick)
        limb(np.array([x * 0.7, -0.165, 0.026]), knuckle, 0.0145)
    side = 1 if rng.random() < 0.5 else -1
    limb((side * 0.030, -0.155, 0.024), (side * 0.056, -0.105, 0.020), 0.0135)
    limb((side * 0.056, -0.105, 0.020), (side * 0.060, -0.062, 0.013), 0.0098)
    limb((0, -0.165, 0.028), (0, -0.34, 0.045), 0.026)
    hand = bpy.data.objects.new(f"hand {rng.integers(1 << 30)}", ball)
    if gloved:
        shade = str(rng.choice(["black", "blue", "grey", "orange", "green", "yellow"]))
        material = surfaces.rubber(f"glove {shade}", PLASTICS[shade])
    else:
        material = surfaces.skin(float(rng.uniform(0, 1)))
    ball.materials.append(material)
    hand.parent, hand.pass_index = root, HAND
    bpy.context.scene.collection.objects.link(hand)
    if not gloved:
        _nails(rng, root, size, spread)


def _nails(rng, root, size, spread) -> None:
    horn = surfaces.plain("nail", (0.55, 0.36, 0.30), 0.25)
    for k, (x, reach) in enumerate(((-0.030, -0.012), (-0.010, 0.0), (0.011, -0.006), (0.031, -0.026))):
        nail = Solid()
        nail.turn([(4.6, 0), (4.2, 1.2), (2.6, 1.9), (0.1, 2.1)], points=14)
        thing = nail.to_object("nail", horn, root, HAND)
        thing.scale = (1, 1.25, 1)
        fan = (k - 1.4) * 0.006 * spread
        thing.location = np.array([x + fan, reach - 0.001, 0.0178]) * size
        thing.rotation_euler = (-0.35 + rng.normal(0, 0.05), 0, 0)
