"""Renders shots: one .npz each with scene-linear colour, the index picture and where everything is, and its
truth row.

The parent process deals shots out to worker processes one by one, so that a shot that fails, or that takes
its process down, costs that shot alone. Shots whose file exists are skipped.
"""

import json
import os
import queue
import subprocess
import sys
import threading
import time
import traceback
from pathlib import Path

import numpy as np
from plugface.demo.studio.pictures import NO_PICTURES, Pictures
from plugface.demo.studio.shots import Shot
from plugface.demo.studio.truth import truth_row


def render_all(
    shots,
    folder: Path,
    *,
    device: str,
    workers: int,
    samples: int,
    textures: Path,
    gpus: int = 1,
    pictures: Path | None = None,
) -> list[str]:
    """Render what is not there yet; prints a line per shot.

    Returns
    -------
    failed : list of str
        Ids of the shots that could not be rendered.
    """
    folder.mkdir(parents=True, exist_ok=True)
    waiting: queue.Queue[Shot] = queue.Queue()
    for shot in shots:
        if not (folder / f"{shot.id}.npz").exists():
            waiting.put(shot)
    failed: list[str] = []
    arguments = [
        str(folder),
        device,
        str(samples),
        str(textures),
        str(max(1, (os.cpu_count() or 2) // workers)),
        "" if pictures is None else str(pictures),
    ]
    threads = [
        threading.Thread(target=_serve, args=(waiting, arguments, failed, k % gpus, _cores_of(k, workers)))
        for k in range(workers)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return failed


def _cores_of(worker: int, workers: int) -> set[int]:
    """A worker's share of the processor's cores; empty where the system cannot bind a process to some."""
    if not hasattr(os, "sched_getaffinity"):
        return set()
    cores = sorted(os.sched_getaffinity(0))
    share = max(1, len(cores) // workers)
    first = worker * share % len(cores)
    return set(cores[first : first + share])


def _serve(waiting, arguments, failed, gpu: int, cores: set[int]) -> None:
    """Keep one worker process, which sees one GPU and these cores, busy; start another when it dies."""
    worker = None
    # OpenBLAS's idle threads spin: they took half of a small machine's time.
    surroundings = {**os.environ, "CUDA_VISIBLE_DEVICES": str(gpu), "OPENBLAS_NUM_THREADS": "1"}
    while True:
        try:
            shot = waiting.get_nowait()
        except queue.Empty:
            break
        if worker is None or worker.poll() is not None:
            command = [sys.executable, "-m", "plugface.demo.studio.render", *arguments]
            worker = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=surroundings
            )
            if cores:  # the renderer starts a thread for each core it may use: 56 on 64 cores stood still
                os.sched_setaffinity(worker.pid, cores)
        answer = ""
        try:
            worker.stdin.write(shot.to_json() + "\n")
            worker.stdin.flush()
            answer = worker.stdout.readline().strip()
        except BrokenPipeError:
            pass
        if not answer.startswith("done"):
            failed.append(shot.id)
            answer = answer or "failed: the renderer stopped"
        print(f"{shot.id} {answer}", flush=True)
    if worker is not None:
        worker.stdin.close()
        worker.wait()


def render_shot(
    shot: Shot,
    textures: Path,
    *,
    device: str,
    samples: int,
    threads: int = 0,
    pictures: Pictures = NO_PICTURES,
) -> dict[str, np.ndarray]:
    """Render one shot from an empty scene.

    Returns
    -------
    arrays : dict
        rgb float16 (H, W, 3) scene-linear sRGB; index uint16 (H, W), see `truth`; geometry, JSON as a string.
    """
    from plugface.demo.studio.blender import bpy, silenced
    from plugface.demo.studio.families import unit_spec
    from plugface.demo.studio.labels import write_textures
    from plugface.demo.studio.scene import build_scene

    for placed in shot.units:
        spec = unit_spec(placed.unit)
        if not (textures / f"{spec.unit_id}.json").exists():
            write_textures(spec, textures)
    with silenced():
        bpy.ops.wm.read_factory_settings(use_empty=True)
        _set_up(bpy, shot, device, samples, threads)
        built = build_scene(shot, textures, pictures)
        stem = f"/dev/shm/studio-{os.getpid()}-"
        _write_passes(bpy, stem)
        bpy.ops.render.render()
        rgb, index = (_read_exr(bpy, f"{stem}{name}0001.exr") for name in ("rgb", "index"))
    return {
        "rgb": np.minimum(rgb[..., :3], 6e4).astype(np.float16),
        "index": np.round(index[..., 0]).astype(np.uint16),
        "geometry": np.array(json.dumps(_geometry(shot, built))),
    }


def _set_up(bpy, shot: Shot, device: str, samples: int, threads: int) -> None:
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    cycles = scene.cycles
    if device == "cuda":
        preferences = bpy.context.preferences.addons["cycles"].preferences
        preferences.compute_device_type = "CUDA"
        preferences.get_devices()
        for card in preferences.devices:
            card.use = card.type == "CUDA"
        cycles.device = "GPU"
    # A 12-megapixel picture has that many more samples for each thing in it.
    cycles.samples, cycles.use_denoising = samples if shot.width * shot.height < 4e6 else 1, True
    cycles.denoising_quality = cycles.denoising_prefilter = "FAST"
    cycles.use_adaptive_sampling, cycles.seed = False, shot.seed % 2**31
    cycles.denoiser, cycles.denoising_use_gpu = "OPENIMAGEDENOISE", device == "cuda"
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 6, 3, 4
    cycles.sample_clamp_indirect, cycles.blur_glossy = 6.0, 0.5
    cycles.caustics_reflective = cycles.caustics_refractive = False
    render = scene.render
    render.resolution_x, render.resolution_y, render.resolution_percentage = shot.width, shot.height, 100
    render.use_persistent_data = False
    if threads:
        render.threads_mode, render.threads = "FIXED", threads
    scene.view_layers[0].use_pass_object_index = True


def _write_passes(bpy, stem: str) -> None:
    """Compositor: colour and object index to two EXR files."""
    scene = bpy.context.scene
    scene.use_nodes = True
    tree = scene.node_tree
    tree.nodes.clear()
    layers = tree.nodes.new("CompositorNodeRLayers")
    for name, output, depth in (("rgb", "Image", "16"), ("index", "IndexOB", "32")):
        writer = tree.nodes.new("CompositorNodeOutputFile")
        writer.base_path = os.path.dirname(stem)
        writer.format.file_format, writer.format.color_depth, writer.format.exr_codec = (
            "OPEN_EXR",
            depth,
            "NONE",
        )
        writer.file_slots[0].path = os.path.basename(stem) + name
        tree.links.new(layers.outputs[output], writer.inputs[0])
    scene.frame_set(1)


def _read_exr(bpy, path: str) -> np.ndarray:
    """Pixels of an EXR file, top row first, shape (H, W, 4); the file is removed."""
    image = bpy.data.images.load(path)
    image.colorspace_settings.name = "Non-Color"
    wide, high = image.size
    pixels = np.empty(wide * high * 4, np.float32)
    image.pixels.foreach_get(pixels)
    bpy.data.images.remove(image)
    os.unlink(path)
    return pixels.reshape(high, wide, 4)[::-1]


def _geometry(shot: Shot, built) -> dict:
    """Camera and world positions of all that the truth speaks of, metres."""
    eye = np.array(built.camera.matrix_world)
    units = []
    for unit in built.units:
        matrix = np.array(unit.root.matrix_world)

        def world(points, matrix=matrix):
            return np.round(np.asarray(points, float) @ matrix[:3, :3].T + matrix[:3, 3], 6).tolist()

        units.append(
            {
                "outline": world(unit.outline_points),
                "up": world([(0, 0, 0), (0, 0.02, 0)]),
                "out": world([(0, 0, 0), (0, 0, 0.02)]),
                "connectors": [
                    {"index": c.index, "points": world(c.points), "missing": c.missing, "seated": c.seated}
                    for c in unit.connectors
                ],
                "texts": [
                    {"kind": t.kind, "role": t.role, "value": t.value, "corners": world(t.corners)}
                    for t in unit.texts
                ],
                "codes": [
                    {
                        "symbology": c.symbology,
                        "payload": c.payload,
                        "corners": world(c.corners),
                        "module_m": c.module_m,
                    }
                    for c in unit.codes
                ],
                "lures": [{"kind": x.kind, "points": world(x.points)} for x in unit.lures],
            }
        )
    focal = shot.camera.focal_mm / 36.0 * max(shot.width, shot.height)
    view = {"axes": eye[:3, :3].T.tolist(), "eye": eye[:3, 3].tolist(), "focal_px": focal}
    return {"view": view, "units": units}


def _work() -> None:
    """A worker: shots on standard input, one answer line each."""
    folder, device, samples, textures, threads, named = sys.argv[1:]
    pictures = Pictures(Path(named)) if named else NO_PICTURES
    own = Path(textures) / str(os.getpid())  # two workers may need the same unit's label at once
    own.mkdir(parents=True, exist_ok=True)
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)
    for line in sys.stdin:
        shot, start = Shot.from_json(line), time.monotonic()
        try:
            arrays = render_shot(
                shot, own, device=device, samples=int(samples), threads=int(threads), pictures=pictures
            )
            row = truth_row(shot, json.loads(str(arrays["geometry"])), arrays["index"])
            (Path(folder) / f"{shot.id}.json").write_text(json.dumps(row), encoding="utf-8")
            part = Path(folder) / f"{shot.id}.part.npz"
            np.savez(part, **arrays)
            part.rename(Path(folder) / f"{shot.id}.npz")
            answer = f"done in {time.monotonic() - start:.1f} s"
        except Exception as error:
            traceback.print_exc()
            answer = f"failed: {type(error).__name__}: {error}".replace("\n", " ")
        answers.write(answer + "\n")
        answers.flush()


if __name__ == "__main__":
    _work()
