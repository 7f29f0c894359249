"""Materials of one unit. One shared node group weathers them all, in the unit's own coordinates (metres)."""

import random
from pathlib import Path
from typing import Any

from plugface.demo.studio.blender import bpy
from plugface.demo.studio.shades import draw_shade

_GROUP = "Weathering"
# name -> (kind of socket, default)
_INPUTS = {
    "Color": ("Color", (0.5, 0.5, 0.5, 1)),
    "Metallic": ("Float", 0.0),
    "Roughness": ("Float", 0.5),
    "Grain": ("Float", 0.1),  # strength of the fine bump
    "Grain Scale": ("Float", 1200.0),  # per metre
    "Oxide": ("Float", 0.0),
    "Fade": ("Float", 0.0),
    "Chalk": ("Float", 0.0),
    "Dirt": ("Float", 0.0),
    "Grease": ("Float", 0.0),
    "Rust": ("Float", 0.0),
    "Seed": ("Float", 0.0),
}


class Palette:
    """Draws and keeps the materials of one unit."""

    def __init__(self, spec: Any) -> None:
        self._spec = spec
        self._draw = random.Random(spec.seed)
        self._shades: dict[str, tuple[float, float, float]] = {}
        self._made: dict[tuple, Any] = {}

    def aluminium(self, *, plate: bool = False) -> Any:
        """Bare aluminium: as cast, or rolled for plates."""
        grey = self._shade("aluminium", lambda d: (d.uniform(0.3, 0.52),) * 3)
        warm = (grey[0], grey[1] * 0.99, grey[2] * 0.97)
        rough = 0.34 if plate else 0.5
        return self._material(
            "plate" if plate else "cast", warm, Metallic=0.92, Roughness=rough, Grain=0.05 if plate else 0.22,
            Oxide=self._shade("oxide", lambda d: (d.uniform(0.0, 0.6) ** 1.3,))[0], Grain_Scale=900.0,
        )  # fmt: skip

    def paint(self, code: str) -> Any:
        """Coated cast metal."""
        return self._material(
            f"paint {code}", self._plastic_shade(code), Roughness=0.5, Grain=0.2, Grain_Scale=700.0, Fade=0.6
        )

    def plastic(self, code: str, *, scale: float = 1.0, use: str = "") -> Any:
        """Moulded plastic of a colour code; `scale` darkens, `use` makes a shade of its own."""
        shade = tuple(scale * v for v in self._plastic_shade(code, use))
        rough = self._draw.uniform(0.36, 0.55)
        return self._material(
            f"plastic {code} {use} {scale}",
            shade,
            Roughness=rough,
            Grain=0.09,
            Fade=1.0,
            Chalk=1.0,
            Grain_Scale=1600.0,
        )

    def steel(self) -> Any:
        """Zinc-plated steel that rusts."""
        return self._material("steel", (0.5, 0.49, 0.46), Metallic=1.0, Roughness=0.38, Grain=0.06, Rust=0.6)

    def moulded(self, code: str, style: Any, *, finish: str = "", use: str = "") -> Any:
        """Moulded plastic as a maker finishes it: grained, plain or glossy."""
        finish = finish if finish not in ("", "plain") else style.finish
        rough, grain, scale = {"glossy": (0.2, 0.02, 1600.0), "grained": (0.6, 0.5, 1500.0)}.get(
            finish, (0.42, 0.1, 1600.0)
        )
        return self._material(
            f"moulded {code} {finish} {use}", self._plastic_shade(code, use), Roughness=rough, Grain=grain,
            Fade=0.8, Chalk=0.8, Grain_Scale=scale,
        )  # fmt: skip

    def anodised(self, code: str) -> Any:
        """Aluminium with a coloured oxide skin; bare in tone where the code is grey."""
        if code == "GY":
            shade = self._shade("anodised", lambda d: (d.uniform(0.42, 0.62),) * 3)
        else:
            shade = tuple(min(1.0, 1.2 * v + 0.01) for v in self._plastic_shade(code, "anodised"))
        return self._material(
            f"anodised {code}", shade, Metallic=0.75, Roughness=0.42, Grain=0.08, Grain_Scale=1400.0
        )

    def sheet(self, coat: str) -> Any:
        """Sheet steel, by its coat: zinc, yellow zinc, tin, or black paint."""
        shade, metal, rough = {
            "zinc": ((0.42, 0.43, 0.44), 0.95, 0.42),
            "yellow zinc": ((0.52, 0.43, 0.24), 0.95, 0.36),
            "tin": ((0.55, 0.54, 0.51), 1.0, 0.3),
            "black": ((0.02, 0.02, 0.021), 0.0, 0.45),
        }[coat]
        return self._material(f"sheet {coat}", shade, Metallic=metal, Roughness=rough, Grain=0.05, Rust=0.8)

    def silicone(self, tint: str) -> Any:
        """Soft seals, mostly black."""
        shade = {
            "black": (0.012, 0.012, 0.013),
            "red": (0.35, 0.05, 0.02),
            "orange": (0.55, 0.16, 0.05),
            "green": (0.03, 0.16, 0.06),
        }[tint]
        return self._material(f"silicone {tint}", shade, Roughness=0.55, Grain=0.03)

    def resin(self, code: str) -> Any:
        """Potting compound, glue and tinted windows: smooth and glossy."""
        shade = tuple(0.8 * v for v in self._plastic_shade(code, "resin"))
        return self._material(f"resin {code}", shade, Roughness=0.2, Grain=0.03, Grain_Scale=300.0)

    def smoked(self) -> Any:
        """See-through plastic, tinted dark: about half of the light passes each wall."""
        material = self._material("smoked", (0.012, 0.011, 0.01), Roughness=0.16, Grain=0.0, Dirt=0.5)
        material.node_tree.nodes["surface"].inputs["Alpha"].default_value = 0.42
        return material

    def wrap(self, kind: str, code: str) -> Any:
        """What holds a loom together: cloth or vinyl tape, corrugated tube, a woven sleeve."""
        rough, grain, scale = {
            "tape": (0.5, 0.25, 700.0),
            "corrugated": (0.38, 0.03, 900.0),
            "braid": (0.7, 0.9, 1100.0),
        }[kind]
        return self._material(
            f"{kind} {code}", self._plastic_shade(code, kind), Roughness=rough, Grain=grain, Grain_Scale=scale
        )

    def pins(self) -> Any:
        """Tinned contacts, or gilded ones."""
        gilded = self._shade("pins", lambda d: (0.78, 0.56, 0.25) if d.random() < 0.3 else (0.62, 0.61, 0.58))
        return self._material("pins", gilded, Metallic=1.0, Roughness=0.3, Grain=0.0, Dirt=0.3, Grease=0.2)

    def rubber(self) -> Any:
        """Black seals, vents and wire grommets."""
        return self._material("rubber", (0.012, 0.012, 0.013), Roughness=0.72, Grain=0.05)

    def copper(self) -> Any:
        """Cut wire ends."""
        return self._material("copper", (0.72, 0.3, 0.16), Metallic=1.0, Roughness=0.35, Grain=0.0)

    def picture(self, path: Path, *, roughness: float, wear: float) -> Any:
        """A printed or painted picture with an alpha channel, seen through the same dirt."""
        material = self._material(
            path.stem, (1, 1, 1), Roughness=roughness, Grain=0.015, Dirt=wear, Grease=wear
        )
        tree = material.node_tree
        texture = tree.nodes.new("ShaderNodeTexImage")
        texture.image = bpy.data.images.load(str(path), check_existing=True)
        texture.extension = "CLIP"
        tree.links.new(texture.outputs["Color"], tree.nodes["weather"].inputs["Color"])
        tree.links.new(texture.outputs["Alpha"], tree.nodes["surface"].inputs["Alpha"])
        return material

    def _shade(self, name: str, make: Any) -> tuple[float, float, float]:
        if name not in self._shades:
            self._shades[name] = make(random.Random(f"{self._spec.seed} {name}"))
        return self._shades[name]

    def _plastic_shade(self, code: str, use: str = "") -> tuple[float, float, float]:
        return self._shade(f"{code} {use}", lambda d: draw_shade(code, d))

    def _material(self, name: str, color: tuple[float, float, float], **inputs: float) -> Any:
        """Condition inputs (Fade, Chalk, Dirt, ...) are shares of the unit's own condition."""
        key = (name,)
        if key in self._made:
            return self._made[key]
        spec = self._spec
        material = bpy.data.materials.new(f"{spec.unit_id} {name}")
        material.use_nodes = True
        tree = material.node_tree
        surface = tree.nodes["Principled BSDF"]
        surface.name = "surface"
        weather = tree.nodes.new("ShaderNodeGroup")
        weather.name, weather.node_tree = "weather", _weathering()
        condition = {
            "Fade": spec.fade,
            "Chalk": spec.chalk,
            "Dirt": spec.dirt,
            "Grease": spec.grease,
            "Rust": spec.rust,
        }
        shares = {"Fade": 0.0, "Chalk": 0.0, "Dirt": 1.0, "Grease": 1.0, "Rust": 0.0}
        values = {key.replace("_", " "): value for key, value in inputs.items()}
        for name_, degree in condition.items():
            values[name_] = degree * values.get(name_, shares[name_])
        values["Color"] = (*color, 1.0)
        values["Seed"] = random.Random(f"{spec.seed} {name}").uniform(0, 50)
        for name_, value in values.items():
            weather.inputs[name_].default_value = value
        for output in ("Color", "Metallic", "Roughness", "Normal"):
            target = "Base Color" if output == "Color" else output
            tree.links.new(weather.outputs[output], surface.inputs[target])
        self._made[key] = material
        return material


def _weathering() -> Any:
    """The shared node group; made once per scene."""
    tree = bpy.data.node_groups.get(_GROUP)
    if tree is not None:
        return tree
    tree = bpy.data.node_groups.new(_GROUP, "ShaderNodeTree")
    for name, (kind, default) in _INPUTS.items():
        socket = tree.interface.new_socket(name, in_out="INPUT", socket_type=f"NodeSocket{kind}")
        socket.default_value = default
    for name, kind in (
        ("Color", "Color"),
        ("Metallic", "Float"),
        ("Roughness", "Float"),
        ("Normal", "Vector"),
    ):
        tree.interface.new_socket(name, in_out="OUTPUT", socket_type=f"NodeSocket{kind}")
    g = _Graph(tree)
    given = g.node("NodeGroupInput").outputs
    where = g.node("ShaderNodeTexCoord").outputs["Object"]
    shift = g.node("ShaderNodeCombineXYZ")
    for axis in "XYZ":
        tree.links.new(given["Seed"], shift.inputs[axis])
    where = g.vector("ADD", where, shift.outputs[0])
    stretched = g.vector("MULTIPLY", where, (1.0, 0.16, 1.0))

    patches = g.noise(where, 28.0, 5.0)  # features of 3 to 4 cm
    specks = g.noise(where, 260.0, 3.0)
    streaks = g.noise(stretched, 75.0, 4.0)
    fine = g.noise(where, given["Grain Scale"], 2.0)

    shade = g.node("ShaderNodeAmbientOcclusion")
    shade.samples, shade.only_local = 4, False
    shade.inputs["Distance"].default_value = 0.007
    crevice = g.math("SUBTRACT", 1.0, shade.outputs["AO"])

    # Fading: paler, and yellower; chalk: a whitish bloom in patches.
    pale = g.mix(given["Color"], (0.62, 0.58, 0.46, 1), 0.42)
    color = g.mix(given["Color"], pale, g.math("MULTIPLY", given["Fade"], g.ramp(patches, 0.25, 0.7)))
    bloom = g.math("MULTIPLY", given["Chalk"], g.ramp(patches, 0.4, 0.75))
    color = g.mix(color, (0.55, 0.55, 0.53, 1), g.math("MULTIPLY", bloom, 0.45))
    # Moulded and cast surfaces are never one even tone.
    color = g.mix(color, g.mix(color, (0, 0, 0, 1), 0.3), g.math("MULTIPLY", g.ramp(specks, 0.35, 0.75), 0.5))

    # White aluminium oxide, dull, in patches and speckles.
    oxide = g.math(
        "MULTIPLY",
        given["Oxide"],
        g.ramp(g.math("MULTIPLY", patches, g.math("ADD", specks, 0.55)), 0.5, 0.72),
    )
    color = g.mix(color, (0.52, 0.515, 0.5, 1), oxide)

    rust = g.math("MULTIPLY", given["Rust"], 1.25)
    rust = g.ramp(
        g.math("ADD", g.math("MULTIPLY", specks, 0.55), g.math("MULTIPLY", patches, 0.45)),
        g.math("SUBTRACT", 0.85, rust),
        g.math("SUBTRACT", 1.0, rust),
    )
    color = g.mix(color, g.mix((0.12, 0.042, 0.014, 1), (0.035, 0.016, 0.01, 1), fine), rust)

    # Dirt gathers in crevices and lies thin in patches; grease runs down.
    gathered = g.math("MULTIPLY", crevice, g.math("ADD", patches, 0.75))
    film = g.ramp(
        g.math("ADD", g.math("MULTIPLY", patches, 0.7), g.math("MULTIPLY", specks, 0.35)), 0.46, 0.78
    )
    dirt = g.math(
        "MULTIPLY",
        given["Dirt"],
        g.math("ADD", g.math("MULTIPLY", gathered, 2.3), g.math("MULTIPLY", film, 1.5)),
    )
    dirt = g.math("MINIMUM", dirt, 0.94)
    color = g.mix(
        color, g.mix((0.016, 0.013, 0.011, 1), (0.11, 0.088, 0.064, 1), g.ramp(specks, 0.3, 0.7)), dirt
    )
    grease = g.math(
        "MULTIPLY",
        given["Grease"],
        g.ramp(streaks, g.math("SUBTRACT", 0.66, g.math("MULTIPLY", given["Grease"], 0.22)), 0.72),
    )
    grease = g.math("MINIMUM", grease, 0.9)
    color = g.mix(color, (0.012, 0.009, 0.006, 1), grease)

    bare = g.math(
        "SUBTRACT", 1.0, g.math("MAXIMUM", g.math("MAXIMUM", dirt, rust), g.math("MULTIPLY", oxide, 0.8))
    )
    metallic = g.math("MULTIPLY", given["Metallic"], g.math("MAXIMUM", bare, 0.0))
    rough = g.math("ADD", given["Roughness"], g.math("MULTIPLY", g.math("SUBTRACT", patches, 0.5), 0.3))
    rough = g.math(
        "MAXIMUM",
        rough,
        g.math(
            "MULTIPLY",
            g.math("MAXIMUM", g.math("MAXIMUM", dirt, bloom), g.math("MAXIMUM", rust, oxide)),
            0.85,
        ),
    )
    rough = g.math("SUBTRACT", rough, g.math("MULTIPLY", grease, 0.4))
    rough = g.math("MINIMUM", g.math("MAXIMUM", rough, 0.16), 0.95)

    bump = g.node("ShaderNodeBump")
    bump.inputs["Distance"].default_value = 0.0006
    tree.links.new(given["Grain"], bump.inputs["Strength"])
    tree.links.new(
        g.math(
            "ADD", fine, g.math("MULTIPLY", g.math("ADD", specks, g.math("MULTIPLY", rust, specks)), 0.55)
        ),
        bump.inputs["Height"],
    )

    out = g.node("NodeGroupOutput").inputs
    for name, value in (
        ("Color", color),
        ("Metallic", metallic),
        ("Roughness", rough),
        ("Normal", bump.outputs[0]),
    ):
        tree.links.new(value, out[name])
    return tree


class _Graph:
    """Writes node graphs as expressions; an argument is a socket or a constant."""

    def __init__(self, tree: Any) -> None:
        self._tree = tree

    def node(self, kind: str) -> Any:
        return self._tree.nodes.new(kind)

    def _feed(self, socket: Any, value: Any) -> None:
        if isinstance(value, bpy.types.NodeSocket):
            self._tree.links.new(value, socket)
        else:
            socket.default_value = value

    def math(self, operation: str, a: Any, b: Any) -> Any:
        node = self.node("ShaderNodeMath")
        node.operation = operation
        self._feed(node.inputs[0], a)
        self._feed(node.inputs[1], b)
        return node.outputs[0]

    def vector(self, operation: str, a: Any, b: Any) -> Any:
        node = self.node("ShaderNodeVectorMath")
        node.operation = operation
        self._feed(node.inputs[0], a)
        self._feed(node.inputs[1], b)
        return node.outputs[0]

    def noise(self, where: Any, per_metre: Any, detail: float) -> Any:
        node = self.node("ShaderNodeTexNoise")
        self._feed(node.inputs["Vector"], where)
        self._feed(node.inputs["Scale"], per_metre)
        node.inputs["Detail"].default_value = detail
        return node.outputs["Fac"]

    def ramp(self, value: Any, low: Any, high: Any) -> Any:
        node = self.node("ShaderNodeMapRange")
        node.interpolation_type = "SMOOTHSTEP"
        for name, given in (("Value", value), ("From Min", low), ("From Max", high)):
            self._feed(node.inputs[name], given)
        return node.outputs["Result"]

    def mix(self, a: Any, b: Any, share: Any) -> Any:
        node = self.node("ShaderNodeMix")
        node.data_type = "RGBA"
        self._feed(node.inputs["Factor"], share)
        colors = [socket for socket in node.inputs if socket.type == "RGBA"]
        self._feed(colors[0], a)
        self._feed(colors[1], b)
        return next(socket for socket in node.outputs if socket.type == "RGBA")
