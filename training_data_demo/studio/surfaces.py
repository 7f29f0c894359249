"""Procedural materials of grounds and clutter: wood, concrete, steel, cardboard, stone, cloth, skin.

All colours are scene-linear with sRGB primaries, 0..1. Textures are solid noise in object space (metres), so
they need no unwrapping; `seed` shifts the noise, so that no two grounds are alike.
"""

from plugface.demo.studio.blender import bpy

Colour = tuple[float, float, float]


class Surface:
    """One material under construction: each method adds a node and returns its output socket."""

    def __init__(self, name: str, seed: int = 0) -> None:
        self.material = bpy.data.materials.new(name)
        self.material.use_nodes = True
        tree = self.material.node_tree
        self.nodes, self.links = tree.nodes, tree.links
        self.shader = self.nodes["Principled BSDF"]
        self.seed = seed

    def set(self, **inputs) -> "Surface":
        """Fill inputs of the principled shader; names with underscores for spaces, sockets are linked."""
        for name, value in inputs.items():
            self._fill(self.shader.inputs[name.replace("_", " ").title()], value)
        return self

    def _fill(self, target, value) -> None:
        if isinstance(value, bpy.types.NodeSocket):
            self.links.new(value, target)
        elif isinstance(value, tuple) and len(value) == 3 and target.type == "RGBA":
            target.default_value = (*value, 1.0)
        else:
            target.default_value = value

    def where(
        self, stretch: tuple[float, float, float] = (1, 1, 1), turn: float = 0.0, per_object: bool = False
    ):
        """Object coordinates in metres, stretched, turned about z (rad) and shifted by the seed."""
        coordinates = self.nodes.new("ShaderNodeTexCoord").outputs["Object"]
        if per_object:
            info = self.nodes.new("ShaderNodeObjectInfo").outputs["Random"]
            shift = self.math("MULTIPLY", info, 57.0)
            add = self.nodes.new("ShaderNodeVectorMath")
            self._fill(add.inputs[0], coordinates)
            self._fill(add.inputs[1], shift)
            coordinates = add.outputs[0]
        mapping = self.nodes.new("ShaderNodeMapping")
        self._fill(mapping.inputs["Vector"], coordinates)
        mapping.inputs["Location"].default_value = (
            self.seed % 97 * 1.7,
            self.seed % 89 * 2.3,
            self.seed % 83 * 1.1,
        )
        mapping.inputs["Rotation"].default_value = (0, 0, turn)
        mapping.inputs["Scale"].default_value = stretch
        return mapping.outputs["Vector"]

    def noise(
        self, where, scale: float, detail: float = 4.0, distortion: float = 0.0, roughness: float = 0.55
    ):
        """Fractal noise about 0.5; `scale` in cycles per metre."""
        node = self.nodes.new("ShaderNodeTexNoise")
        for name, value in (
            ("Vector", where),
            ("Scale", scale),
            ("Detail", detail),
            ("Distortion", distortion),
        ):
            self._fill(node.inputs[name], value)
        self._fill(node.inputs["Roughness"], roughness)
        return node.outputs["Fac"]

    def cells(self, where, scale: float, feature: str = "F1"):
        """Distance to the nearest cell centre, or to the nearest cell edge (`DISTANCE_TO_EDGE`)."""
        node = self.nodes.new("ShaderNodeTexVoronoi")
        node.feature = feature
        self._fill(node.inputs["Vector"], where)
        self._fill(node.inputs["Scale"], scale)
        return node.outputs["Distance"]

    def waves(self, where, scale: float, distortion: float = 0.0):
        """Parallel bands across x."""
        node = self.nodes.new("ShaderNodeTexWave")
        for name, value in (("Vector", where), ("Scale", scale), ("Distortion", distortion)):
            self._fill(node.inputs[name], value)
        return node.outputs["Fac"]

    def ramp(self, value, low: float, high: float, start=0.0, end=1.0):
        """Map low..high to start..end, smoothly and clamped."""
        node = self.nodes.new("ShaderNodeMapRange")
        node.interpolation_type = "SMOOTHSTEP"
        for name, fill in (
            ("Value", value),
            ("From Min", low),
            ("From Max", high),
            ("To Min", start),
            ("To Max", end),
        ):
            self._fill(node.inputs[name], fill)
        return node.outputs["Result"]

    def mix(self, amount, first, second, blend: str = "MIX"):
        """Blend two colours."""
        node = self.nodes.new("ShaderNodeMix")
        node.data_type, node.blend_type = "RGBA", blend
        sockets = [s for s in node.inputs if s.type == "RGBA"]
        self._fill(node.inputs["Factor"], amount)
        self._fill(sockets[0], first)
        self._fill(sockets[1], second)
        return next(s for s in node.outputs if s.type == "RGBA")

    def math(self, operation: str, first, second):
        """Arithmetic on two values."""
        node = self.nodes.new("ShaderNodeMath")
        node.operation = operation
        self._fill(node.inputs[0], first)
        self._fill(node.inputs[1], second)
        return node.outputs[0]

    def random(self):
        """A number 0..1 that is fixed per object."""
        return self.nodes.new("ShaderNodeObjectInfo").outputs["Random"]

    def bump(self, height, depth_m: float, below=None):
        """Bend the shading normal by a height field of `depth_m` metres."""
        node = self.nodes.new("ShaderNodeBump")
        node.inputs["Distance"].default_value = depth_m
        self._fill(node.inputs["Height"], height)
        if below is not None:
            self._fill(node.inputs["Normal"], below)
        return node.outputs["Normal"]


def plain(name: str, colour: Colour, roughness: float = 0.5, metallic: float = 0.0, **inputs):
    """An even material, slightly mottled so that no surface is one flat value."""
    s = Surface(name, hash_of(name))
    spots = s.ramp(s.noise(s.where(per_object=True), 60, 5), 0.3, 0.75)
    darker = tuple(0.72 * c for c in colour)
    s.set(base_color=s.mix(spots, darker, colour), roughness=roughness, metallic=metallic, **inputs)
    return s.material


def hash_of(text: str) -> int:
    """A small stable number of a text (Python's own hash differs between runs)."""
    return sum((i + 1) * ord(c) for i, c in enumerate(text)) % 9973


def wood(seed: int, wetness: float, grime: float, fresh: float):
    """Sawn plank, grain along x: pale when `fresh`, grey when weathered, darker when wet, stained with
    `grime`.
    """
    s = Surface("wood", seed)
    grain = s.noise(s.where((1.2, 22, 22), per_object=True), 9, 8, 0.6, 0.62)
    rings = s.waves(s.where((0.05, 1, 1), turn=0.02, per_object=True), 28, 7)
    pale = s.mix(s.ramp(grain, 0.3, 0.7), (0.20, 0.105, 0.045), (0.50, 0.33, 0.17))
    pale = s.mix(s.ramp(rings, 0.2, 1.0, 0.0, 0.45), pale, (0.30, 0.17, 0.08))
    grey = s.mix(s.ramp(grain, 0.3, 0.7), (0.105, 0.092, 0.08), (0.33, 0.30, 0.265))
    weathered = s.ramp(
        s.math("ADD", s.noise(s.where(per_object=True), 3, 3), s.random()), 0.55, 1.25 - 0.4 * fresh
    )
    colour = s.mix(s.math("MULTIPLY", weathered, 1 - 0.75 * fresh), pale, grey)
    stains = s.ramp(s.noise(s.where(), 7, 6, 1.2), 0.62 - 0.18 * grime, 0.74)
    colour = s.mix(s.math("MULTIPLY", stains, 0.45 + 0.4 * grime), colour, (0.022, 0.018, 0.014))
    knots = s.ramp(s.cells(s.where((3.0, 9, 9), per_object=True), 1.1), 0.05, 0.16, 0.75, 0.0)
    colour = s.mix(knots, colour, (0.06, 0.03, 0.014))
    colour = s.mix(wetness * 0.6, colour, (0.03, 0.02, 0.013), "MULTIPLY")
    height = s.math(
        "ADD", grain, s.math("MULTIPLY", s.noise(s.where((1, 30, 30), per_object=True), 40, 3), 0.6)
    )
    s.set(base_color=colour, roughness=0.82 - 0.45 * wetness, normal=s.bump(height, 0.0016))
    return s.material


def concrete(seed: int, wetness: float, grime: float, tone: float):
    """Floor slab: grey cement paste with pores, hairline cracks, tyre dust and oil stains."""
    s = Surface("concrete", seed)
    at = s.where()
    broad = s.noise(at, 2.5, 6, 0.4)
    fine = s.noise(at, 220, 5)
    light, dark = tuple(tone * c for c in (0.52, 0.50, 0.46)), tuple(tone * c for c in (0.24, 0.23, 0.21))
    colour = s.mix(s.ramp(broad, 0.25, 0.75), dark, light)
    colour = s.mix(s.ramp(fine, 0.35, 0.65, 0.0, 0.5), colour, (0.13, 0.125, 0.115))
    stone = s.ramp(s.cells(at, 160), 0.10, 0.2, 0.35, 0.0)
    colour = s.mix(stone, colour, (0.42, 0.37, 0.30))
    cracks = s.ramp(s.cells(s.where((1, 1, 0.1)), 2.2, "DISTANCE_TO_EDGE"), 0.0, 0.006, 0.9, 0.0)
    cracks = s.math("MULTIPLY", cracks, s.ramp(s.noise(at, 1.4, 3), 0.5, 0.56))
    colour = s.mix(cracks, colour, (0.04, 0.037, 0.033))
    oil = s.ramp(s.noise(at, 3.8, 5, 1.5), 0.66 - 0.2 * grime, 0.72)
    colour = s.mix(s.math("MULTIPLY", oil, 0.3 + 0.5 * grime), colour, (0.02, 0.018, 0.015))
    pores = s.ramp(s.cells(at, 90), 0.05, 0.14)
    height = s.math("ADD", s.math("MULTIPLY", pores, 0.6), s.math("SUBTRACT", fine, cracks))
    rough = s.ramp(oil, 0.0, 1.0, 0.9 - 0.5 * wetness, 0.45)
    s.set(base_color=s.mix(wetness * 0.55, colour, (0.1, 0.1, 0.1), "MULTIPLY"), roughness=rough)
    s.set(normal=s.bump(height, 0.0009, s.bump(broad, 0.006)))
    return s.material


def steel(seed: int, grime: float, rust: float, painted: Colour | None = None):
    """Workbench sheet: brushed or painted, scratched, with rust where the surface is gone."""
    s = Surface("steel", seed)
    at = s.where()
    brush = s.noise(s.where((2, 260, 1), turn=0.3), 6, 5)
    scratch = s.ramp(s.noise(s.where((0.8, 60, 1), turn=1.1), 9, 2, 0.3), 0.72, 0.76)
    scratch = s.math(
        "MAXIMUM", scratch, s.ramp(s.noise(s.where((0.7, 75, 1), turn=2.3), 8, 2, 0.2), 0.73, 0.76)
    )
    wear = s.ramp(s.noise(at, 5, 7, 0.8), 0.62, 0.70)
    bare = s.mix(s.ramp(brush, 0.3, 0.7), (0.30, 0.30, 0.31), (0.50, 0.50, 0.50))
    coat = bare if painted is None else s.mix(s.math("MAXIMUM", scratch, wear), painted, bare)
    metal = 0.95 if painted is None else s.math("MAXIMUM", scratch, wear)
    smear = s.ramp(s.noise(at, 6, 6, 1.0), 0.48, 0.75)
    colour = s.mix(s.math("MULTIPLY", smear, 0.35 + 0.5 * grime), coat, (0.05, 0.045, 0.04))
    rusty = s.ramp(s.noise(at, 9, 9, 0.6, 0.68), 0.70 - 0.22 * rust, 0.76 - 0.18 * rust)
    colour = s.mix(rusty, colour, s.mix(s.noise(at, 130, 4), (0.07, 0.024, 0.010), (0.17, 0.068, 0.028)))
    s.set(base_color=colour, metallic=s.math("MULTIPLY", s.math("SUBTRACT", 1.0, rusty), metal))
    s.set(roughness=s.math("ADD", s.ramp(brush, 0.2, 0.8, 0.26, 0.44), s.math("MULTIPLY", smear, 0.25)))
    height = s.math("SUBTRACT", s.math("MULTIPLY", brush, 0.25), s.math("SUBTRACT", scratch, rusty))
    s.set(normal=s.bump(height, 0.00035, s.bump(s.noise(at, 4, 2), 0.004)))
    return s.material


def cardboard(seed: int, grime: float):
    """Corrugated board: brown fibre, the flutes showing faintly through the liner, water marks."""
    s = Surface("cardboard", seed)
    at = s.where()
    fibre = s.noise(s.where((1, 6, 6)), 180, 6)
    colour = s.mix(s.ramp(fibre, 0.25, 0.75), (0.27, 0.155, 0.072), (0.42, 0.265, 0.14))
    colour = s.mix(s.ramp(s.noise(at, 4, 4), 0.35, 0.7, 0.0, 0.4), colour, (0.24, 0.14, 0.07))
    mark = s.ramp(s.noise(at, 5, 3, 0.5), 0.60 - 0.12 * grime, 0.66)
    colour = s.mix(s.math("MULTIPLY", mark, 0.25 + 0.5 * grime), colour, (0.10, 0.06, 0.03))
    flutes = s.waves(s.where(), 46, 0.3)
    height = s.math("ADD", s.math("MULTIPLY", flutes, 0.8), s.math("MULTIPLY", fibre, 0.35))
    s.set(base_color=colour, roughness=0.86, normal=s.bump(height, 0.0006, s.bump(s.noise(at, 9, 3), 0.006)))
    return s.material


def stone(seed: int, wetness: float):
    """Loose chippings: each stone its own grey, brown or reddish tone, dusty on top."""
    s = Surface("stone", seed)
    at = s.where(per_object=True)
    tone = s.random()
    colour = s.mix(s.ramp(tone, 0.0, 0.6), (0.16, 0.155, 0.15), (0.40, 0.37, 0.33))
    colour = s.mix(s.ramp(tone, 0.72, 0.95), colour, (0.30, 0.20, 0.135))
    colour = s.mix(s.ramp(s.noise(at, 90, 6), 0.35, 0.7, 0.0, 0.6), colour, (0.11, 0.105, 0.10))
    s.set(
        base_color=s.mix(wetness * 0.6, colour, (0.1, 0.1, 0.1), "MULTIPLY"), roughness=0.88 - 0.5 * wetness
    )
    s.set(normal=s.bump(s.noise(at, 260, 5), 0.0012))
    return s.material


def soil(seed: int):
    """Fine dirt below gravel and pallets."""
    s = Surface("soil", seed)
    at = s.where()
    colour = s.mix(s.ramp(s.noise(at, 30, 8), 0.3, 0.7), (0.05, 0.04, 0.03), (0.17, 0.14, 0.11))
    s.set(base_color=colour, roughness=0.95, normal=s.bump(s.noise(at, 120, 6), 0.006))
    return s.material


def tarpaulin(seed: int, colour: Colour, grime: float):
    """Woven plastic sheet, half glossy, dusty in the folds."""
    s = Surface("tarpaulin", seed)
    at = s.where()
    dust = s.ramp(s.noise(at, 7, 7, 0.7), 0.45, 0.75, 0.0, 0.25 + 0.5 * grime)
    weave = s.math("ADD", s.waves(s.where(), 170, 0.2), s.waves(s.where(turn=1.5708), 170, 0.2))
    fade = s.mix(s.ramp(s.noise(at, 2.5, 3), 0.3, 0.7, 0.0, 0.5), colour, tuple(0.6 * c for c in colour))
    s.set(base_color=s.mix(dust, fade, (0.27, 0.24, 0.20)), roughness=s.ramp(dust, 0.0, 0.6, 0.38, 0.8))
    s.set(normal=s.bump(weave, 0.0003))
    return s.material


def cloth(name: str, colour: Colour, grime: float, seed: int):
    """Cotton rag: dull, oil-stained."""
    s = Surface(name, seed)
    at = s.where()
    oil = s.ramp(s.noise(at, 16, 6, 1.0), 0.62 - 0.2 * grime, 0.72)
    stained = s.mix(s.math("MULTIPLY", oil, 0.8), colour, (0.025, 0.02, 0.016))
    weave = s.math("ADD", s.waves(s.where(), 330, 0.4), s.waves(s.where(turn=1.5708), 330, 0.4))
    s.set(base_color=stained, roughness=0.95, normal=s.bump(weave, 0.0005, s.bump(s.noise(at, 90, 4), 0.003)))
    return s.material


def skin(tone: float):
    """Hand: tone 0 dark .. 1 pale, mottled, with creases and some scattering below the surface."""
    s = Surface("skin", int(tone * 991))
    at = s.where()
    base = tuple(d + tone * (p - d) for d, p in zip((0.085, 0.038, 0.022), (0.58, 0.33, 0.235), strict=True))
    red = tuple(min(1.0, b * m) for b, m in zip(base, (1.08, 0.72, 0.66), strict=True))
    colour = s.mix(s.ramp(s.noise(at, 70, 5), 0.35, 0.7), red, base)
    colour = s.mix(s.ramp(s.noise(at, 28, 6, 1.0), 0.60, 0.72, 0.0, 0.55), colour, (0.03, 0.024, 0.02))
    s.set(base_color=colour, roughness=0.52, subsurface_weight=0.12, subsurface_scale=0.004)
    s.set(normal=s.bump(s.noise(at, 650, 3), 0.0006, s.bump(s.waves(s.where(), 55, 6), 0.0004)))
    return s.material


def rubber(name: str, colour: Colour, roughness: float = 0.6):
    """Coated work glove: finely grained rubber."""
    s = Surface(name, hash_of(name))
    at = s.where()
    dirty = s.ramp(s.noise(at, 30, 6, 0.6), 0.5, 0.75, 0.0, 0.75)
    s.set(base_color=s.mix(dirty, colour, (0.04, 0.035, 0.03)), roughness=roughness)
    s.set(normal=s.bump(s.cells(at, 700), 0.0007))
    return s.material


def pictured(
    path, metres: float, *, seed: int, roughness: float, metallic: float = 0.0, tint: Colour = (1, 1, 1)
):
    """A photographed surface, `metres` wide, repeated; relief from its own lightness."""
    s = Surface(path.stem, seed)
    node = s.nodes.new("ShaderNodeTexImage")
    node.image = bpy.data.images.load(str(path), check_existing=True)
    s._fill(node.inputs["Vector"], s.where((1 / metres,) * 3, turn=seed % 628 / 100))
    stained = s.ramp(s.noise(s.where(), 6, 5, 0.8), 0.55, 0.8, 0.0, 0.5)
    colour = s.mix(1.0, node.outputs["Color"], tint, "MULTIPLY")
    s.set(base_color=s.mix(stained, colour, s.mix(0.6, colour, (0.03, 0.027, 0.022))), metallic=metallic)
    s.set(roughness=s.math("ADD", s.math("MULTIPLY", stained, 0.3), roughness))
    s.set(normal=s.bump(node.outputs["Color"], 0.0012))
    return s.material


def _bricks(s: Surface, where, wide: float, high: float, gap: float, offset: float):
    """Rectangles in rows: a number per rectangle and the joints between, both 0..1; sizes in metres."""
    node = s.nodes.new("ShaderNodeTexBrick")
    node.offset, node.squash = offset, 1.0
    s._fill(node.inputs["Vector"], where)
    values = {"Color1": (0, 0, 0), "Color2": (1, 1, 1), "Mortar": (0, 0, 0)}
    values |= {"Scale": 1.0, "Mortar Size": gap, "Mortar Smooth": 0.2, "Bias": 0.0}
    values |= {"Brick Width": wide, "Row Height": high}
    for name, value in values.items():
        s._fill(node.inputs[name], value)
    return node.outputs["Color"], node.outputs["Fac"]


def boards(seed: int, light: Colour, dark: Colour, gloss: float):
    """Floorboards or laminate: grain along x, each board its own tone, thin joints."""
    s = Surface("boards", seed)
    which, joint = _bricks(s, s.where(), 1.1 + seed % 7 * 0.1, 0.07 + seed % 5 * 0.025, 0.0012, 0.37)
    grain = s.noise(s.where((1.1, 17, 17)), 9, 8, 0.7, 0.62)
    rings = s.waves(s.where((0.06, 1, 1)), 24, 6)
    colour = s.mix(s.ramp(grain, 0.3, 0.72), dark, light)
    colour = s.mix(s.ramp(rings, 0.2, 1.0, 0.0, 0.35), colour, dark)
    colour = s.mix(s.math("MULTIPLY", which, 0.3), colour, tuple(0.6 * c for c in light))
    colour = s.mix(joint, colour, (0.02, 0.014, 0.01))
    s.set(base_color=colour, roughness=s.ramp(grain, 0.2, 0.8, 0.62 - 0.4 * gloss, 0.75 - 0.35 * gloss))
    s.set(normal=s.bump(s.math("SUBTRACT", s.math("MULTIPLY", grain, 0.3), joint), 0.0008))
    return s.material


def tiles(seed: int, colour: Colour, joint_colour: Colour, side: float, gloss: float):
    """Floor tiles with joints; each a little lighter or darker."""
    s = Surface("tiles", seed)
    which, joint = _bricks(s, s.where(), side, side, 0.0035, 0.0 if seed % 3 else 0.5)
    cloud = s.ramp(s.noise(s.where(), 14, 6, 0.9), 0.3, 0.75)
    shade = s.mix(cloud, tuple(0.78 * c for c in colour), colour)
    shade = s.mix(s.math("MULTIPLY", which, 0.18), shade, tuple(0.7 * c for c in colour))
    s.set(base_color=s.mix(joint, shade, joint_colour))
    s.set(roughness=s.math("ADD", s.math("MULTIPLY", joint, 0.5), 0.55 - 0.42 * gloss))
    s.set(
        normal=s.bump(s.math("SUBTRACT", s.noise(s.where(), 30, 3), s.math("MULTIPLY", joint, 3.0)), 0.0006)
    )
    return s.material


def carpet(seed: int, colour: Colour, second: Colour, pattern: float):
    """Short pile: tufts of two yarns, trodden in places."""
    s = Surface("carpet", seed)
    tufts = s.cells(s.where(), 330)
    fuzz = s.noise(s.where(), 1500, 5)
    yarn = s.ramp(s.noise(s.where(), 190, 3), 0.5 - 0.12 * pattern, 0.56)
    shade = s.mix(s.math("MULTIPLY", yarn, pattern), colour, second)
    shade = s.mix(s.ramp(tufts, 0.15, 0.65, 0.0, 0.75), shade, tuple(0.3 * c for c in colour))
    shade = s.mix(s.ramp(fuzz, 0.3, 0.7, 0.0, 0.7), shade, tuple(0.35 * c for c in colour))
    shade = s.mix(
        s.ramp(s.noise(s.where(), 5, 3), 0.4, 0.7, 0.0, 0.4), shade, tuple(0.65 * c for c in colour)
    )
    lint = s.ramp(s.noise(s.where((1, 5, 1)), 70, 4, 1.5), 0.70, 0.74, 0.0, 0.6)
    s.set(base_color=s.mix(lint, shade, (0.35, 0.33, 0.3)), roughness=0.98)
    s.set(normal=s.bump(s.math("SUBTRACT", fuzz, tufts), 0.0012))
    return s.material


def paper(seed: int, colour: Colour, squared: bool):
    """Writing paper or kitchen paper, ruled in squares at times."""
    s = Surface("paper", seed)
    fibre = s.noise(s.where(), 420, 5)
    shade = s.mix(s.ramp(fibre, 0.3, 0.7), tuple(0.93 * c for c in colour), colour)
    if squared:
        _, joint = _bricks(s, s.where(), 0.005, 0.005, 0.00028, 0.0)
        shade = s.mix(s.math("MULTIPLY", joint, 0.55), shade, (0.25, 0.38, 0.62))
    stain = s.ramp(s.noise(s.where(), 8, 5, 1.2), 0.66, 0.74, 0.0, 0.4)
    s.set(base_color=s.mix(stain, shade, (0.10, 0.085, 0.06)), roughness=0.85)
    s.set(normal=s.bump(fibre, 0.0003, s.bump(s.noise(s.where(), 12, 3), 0.004)))
    return s.material


def laminate(seed: int, colour: Colour, specks: Colour, gloss: float):
    """Kitchen or office worktop: an even tone with specks."""
    s = Surface("laminate", seed)
    dots = s.ramp(s.noise(s.where(), 330, 3), 0.58, 0.66, 0.0, 0.7)
    shade = s.mix(dots, colour, specks)
    shade = s.mix(s.ramp(s.noise(s.where(), 3, 5, 0.6), 0.5, 0.75, 0.0, 0.2), shade, (0.05, 0.045, 0.04))
    s.set(base_color=shade, roughness=0.6 - 0.45 * gloss, normal=s.bump(s.noise(s.where(), 160, 2), 0.0002))
    return s.material


def ruled(seed: int, colour: Colour, lines: Colour, pitch: float):
    """Rubbery mat with a grid of thin lines `pitch` metres apart, every fifth broader."""
    s = Surface("mat", seed)
    _, thin = _bricks(s, s.where(), pitch, pitch, 0.0003, 0.0)
    _, broad = _bricks(s, s.where(), 5 * pitch, 5 * pitch, 0.0007, 0.0)
    worn = s.ramp(s.noise(s.where(), 9, 5), 0.3, 0.7, 0.35, 0.9)
    grid = s.math("MULTIPLY", s.math("MAXIMUM", thin, broad), worn)
    cuts = s.ramp(s.noise(s.where((0.6, 40, 1), turn=0.9), 8, 2, 0.2), 0.74, 0.76, 0.0, 0.35)
    s.set(base_color=s.mix(s.math("MAXIMUM", grid, cuts), colour, lines), roughness=0.6)
    s.set(normal=s.bump(s.noise(s.where(), 800, 2), 0.0002))
    return s.material
