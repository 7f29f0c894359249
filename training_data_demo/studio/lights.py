"""Light of a yard, a shed, a workshop or a flash. Only ratios matter: the camera exposes by itself."""

import math

import numpy as np
from plugface.demo.studio.blender import bpy
from plugface.demo.studio.pictures import NO_PICTURES, Pictures
from plugface.demo.studio.shots import SURROUNDINGS, Light

# Tubes of an old workshop: a green cast beside the black body of their temperature. Our own choice.
_GREENISH = (0.80, 1.0, 0.66)


def light_scene(light: Light, camera, target, span: float, pictures: Pictures = NO_PICTURES) -> None:
    """Add lamps and surroundings.

    Parameters
    ----------
    light : Light
    camera : bpy camera object, placed; the flash sits beside its lens
    target : (3,) metres, middle of what is photographed
    span : float
        Metres across what is photographed; indoor lamps stand off in proportion to a room, not to it.
    pictures : Pictures
        Where pictures of surroundings are.
    """
    rng = np.random.default_rng(light.seed)
    target = np.asarray(target, float)
    toward = _direction(light.azimuth_deg, light.elevation_deg)
    if light.kind == SURROUNDINGS:
        _picture_around(rng, light, pictures)
        if rng.random() < 0.3:  # a lamp over the bench
            bulb = _area(light, 0.3, 0.3, rng.uniform(3, 25) * light.strength, target, toward, 0.9)
            bulb.data.temperature = rng.uniform(2800, 6500)
        if rng.random() < 0.4:
            _photographer(camera)
    elif light.kind == "sun":
        sun = _lamp("SUN", light.kelvin)
        sun.data.energy, sun.data.angle = 4.2 * light.strength, math.radians(0.53)
        _point(sun, target + toward * 10, target)
        _surroundings(rng, (0.30, 0.46, 0.80), (0.75, 0.80, 0.86), (0.20, 0.18, 0.15), 0.85 * light.ambient)
    elif light.kind == "overcast":
        _surroundings(rng, (0.86, 0.93, 1.0), (0.62, 0.66, 0.70), (0.16, 0.16, 0.15), 1.0 * light.ambient)
        soft = _area(light, 3.0, 3.0, 60 * light.strength, target, toward, 3.5)
        soft.data.temperature = 6800
    elif light.kind == "tungsten":
        _surroundings(rng, (0.085, 0.055, 0.03), (0.10, 0.06, 0.03), (0.05, 0.03, 0.02), 0.5 * light.ambient)
        bulb = _lamp("POINT", light.kelvin)
        bulb.data.energy, bulb.data.shadow_soft_size = 60 * light.strength, 0.04
        bulb.location = target + toward * rng.uniform(0.9, 1.6)
    elif light.kind == "fluorescent":
        _surroundings(rng, (0.16, 0.20, 0.15), (0.18, 0.22, 0.17), (0.07, 0.08, 0.06), 0.5 * light.ambient)
        _tubes(rng, light, target, toward)
    elif light.kind == "mixed":
        _surroundings(rng, (0.20, 0.24, 0.32), (0.24, 0.22, 0.20), (0.07, 0.06, 0.05), 0.45 * light.ambient)
        window = _area(light, 1.2, 1.5, 55 * light.strength, target, _direction(light.azimuth_deg, 25), 1.8)
        window.data.temperature = 7500
        bulb = _lamp("POINT", light.kelvin)
        bulb.data.energy, bulb.data.shadow_soft_size = 40 * light.strength, 0.05
        bulb.location = target + _direction(light.azimuth_deg + rng.uniform(110, 220), 55) * 1.3
    else:
        _surroundings(rng, (0.20, 0.19, 0.18), (0.22, 0.20, 0.18), (0.06, 0.06, 0.05), 0.10 * light.ambient)
        away = math.dist(camera.location, target)
        flash = _lamp("AREA", light.kelvin)
        flash.data.shape, flash.data.size = "DISK", 0.006
        flash.data.energy = 9 * light.strength * away**2
        side = camera.matrix_world.to_3x3() @ _vector((0.011, 0.004, 0.0))
        _point(flash, np.array(camera.location) + np.array(side), target)
    if light.kind in ("tungsten", "fluorescent", "mixed"):
        _photographer(camera)


def _picture_around(rng, light: Light, pictures: Pictures) -> None:
    """A photographed place all around, turned at random and tipped a little."""
    found = pictures.surroundings()
    world = bpy.data.worlds.new("surroundings")
    bpy.context.scene.world = world
    world.use_nodes = True
    world.cycles.sampling_method, world.cycles.sample_map_resolution = "MANUAL", 256
    nodes, links = world.node_tree.nodes, world.node_tree.links
    picture = nodes.new("ShaderNodeTexEnvironment")
    picture.image = bpy.data.images.load(str(found[int(rng.integers(len(found)))]))
    mapping = nodes.new("ShaderNodeMapping")
    lean = rng.normal(0, 0.12, 2)
    mapping.inputs["Rotation"].default_value = (*lean, math.radians(light.azimuth_deg))
    links.new(nodes.new("ShaderNodeTexCoord").outputs["Generated"], mapping.inputs["Vector"])
    links.new(mapping.outputs["Vector"], picture.inputs["Vector"])
    links.new(picture.outputs["Color"], nodes["Background"].inputs["Color"])
    nodes["Background"].inputs["Strength"].default_value = light.strength * light.ambient


def _direction(azimuth_deg: float, elevation_deg: float) -> np.ndarray:
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    return np.array([math.cos(a) * math.cos(e), math.sin(a) * math.cos(e), math.sin(e)])


def _vector(values):
    from mathutils import Vector

    return Vector(values)


def _lamp(kind: str, kelvin: float):
    data = bpy.data.lights.new(kind.lower(), kind)
    data.use_temperature, data.temperature = True, kelvin
    lamp = bpy.data.objects.new(kind.lower(), data)
    bpy.context.scene.collection.objects.link(lamp)
    return lamp


def _point(lamp, location, target) -> None:
    lamp.location = location
    lamp.rotation_euler = (_vector(target) - _vector(location)).to_track_quat("-Z", "Y").to_euler()


def _area(light: Light, wide: float, high: float, watts: float, target, toward, away: float):
    lamp = _lamp("AREA", light.kelvin)
    lamp.data.shape, lamp.data.size, lamp.data.size_y = "RECTANGLE", wide, high
    lamp.data.energy = watts
    _point(lamp, target + toward * away, target)
    return lamp


def _tubes(rng, light: Light, target, toward) -> None:
    """Two or three strip lights under the ceiling, one maybe just beyond the bench."""
    turn = rng.uniform(0, math.pi)
    for k in range(int(rng.integers(2, 4))):
        lamp = _lamp("AREA", light.kelvin)
        lamp.data.shape, lamp.data.size, lamp.data.size_y = "RECTANGLE", 1.2, 0.035
        lamp.data.color, lamp.data.energy = _GREENISH, 42 * light.strength
        across = np.array([-math.sin(turn), math.cos(turn), 0.0])
        lamp.location = (
            target + across * (k - 0.7) * 0.9 + np.array([*(toward[:2] * 0.8), rng.uniform(1.5, 1.9)])
        )
        lamp.rotation_euler = (0, 0, turn)


def _photographer(camera) -> None:
    """A dark figure behind the phone, which keeps light off and shows in glossy parts."""
    mesh = bpy.data.meshes.new("photographer")
    w, h = 0.24, 0.16
    mesh.from_pydata([(-w, -h, 0.09), (w, -h, 0.09), (w, h, 0.09), (-w, h, 0.09)], [], [(0, 1, 2, 3)])
    cloth = bpy.data.materials.new("coat")
    cloth.use_nodes = True
    cloth.node_tree.nodes["Principled BSDF"].inputs["Base Color"].default_value = (0.03, 0.03, 0.035, 1)
    mesh.materials.append(cloth)
    figure = bpy.data.objects.new("photographer", mesh)
    figure.parent = camera
    bpy.context.scene.collection.objects.link(figure)


def _surroundings(rng, zenith, horizon, below, strength: float) -> None:
    """A sky or ceiling that darkens towards walls, trees and stacks near the horizon; seen in reflections
    only.
    """
    world = bpy.data.worlds.new("surroundings")
    bpy.context.scene.world = world
    world.use_nodes = True
    world.cycles.sampling_method, world.cycles.sample_map_resolution = "MANUAL", 256
    tree = world.node_tree
    nodes, links = tree.nodes, tree.links
    background = nodes["Background"]
    background.inputs["Strength"].default_value = strength
    where = nodes.new("ShaderNodeTexCoord").outputs["Generated"]
    parts = nodes.new("ShaderNodeSeparateXYZ")
    links.new(where, parts.inputs[0])
    ramp = nodes.new("ShaderNodeValToRGB")
    ramp.color_ramp.elements[0].position, ramp.color_ramp.elements[0].color = 0.46, (*below, 1)
    ramp.color_ramp.elements[1].position, ramp.color_ramp.elements[1].color = 0.95, (*zenith, 1)
    middle = ramp.color_ramp.elements.new(0.56)
    middle.color = (*horizon, 1)
    height = nodes.new("ShaderNodeMapRange")
    height.inputs["From Min"].default_value = -1.0
    links.new(parts.outputs["Z"], height.inputs["Value"])
    links.new(height.outputs[0], ramp.inputs[0])
    blotches = nodes.new("ShaderNodeTexNoise")
    mapping = nodes.new("ShaderNodeMapping")
    mapping.inputs["Location"].default_value = rng.uniform(0, 50, 3)
    mapping.inputs["Scale"].default_value = (1, 1, 0.8)
    links.new(where, mapping.inputs[0])
    links.new(mapping.outputs[0], blotches.inputs["Vector"])
    blotches.inputs["Scale"].default_value, blotches.inputs["Detail"].default_value = 2.6, 3
    contrast = nodes.new("ShaderNodeMapRange")
    for name, value in (("From Min", 0.38), ("From Max", 0.62), ("To Min", 0.35), ("To Max", 1.25)):
        contrast.inputs[name].default_value = value
    links.new(blotches.outputs["Fac"], contrast.inputs["Value"])
    scaled = nodes.new("ShaderNodeVectorMath")
    scaled.operation = "SCALE"
    links.new(ramp.outputs["Color"], scaled.inputs[0])
    links.new(contrast.outputs[0], scaled.inputs["Scale"])
    links.new(scaled.outputs[0], background.inputs["Color"])
