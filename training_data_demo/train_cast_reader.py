# /// script
# requires-python = ">=3.11"
# dependencies = ["torch>=2.6", "numpy>=1.26", "opencv-python-headless>=4.10", "onnx>=1.16",
# "onnxruntime>=1.20", "pillow>=11", "matplotlib>=3.9", "font-roboto", "font-source-sans-pro",
# "font-fjallaone", "font-hanken-grotesk", "font-manrope", "font-lato"]
# ///
"""Train the reader of raised characters on drawn relief and on renders, and write it as ONNX, with its log.

    python -m plugface.demo.train_cast_reader --out OUT --renders R --minutes 25 --drawers 1

Some processes draw strips without end, another trains on them, on the graphics processor if there is one; no
photo and no catalogue is used. Writes cast_reader.onnx and cast_reader_log.json into OUT, each quarter of the
time and at the end.
"""

import argparse
import copy
import json
import multiprocessing
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plugface.demo.marks.letters import CHARACTERS, load_faces
from plugface.demo.marks.network import CastNetwork
from plugface.demo.marks.relief import STRIP_PX, Grain, Strip, draw_strip
from plugface.demo.marks.renders import Mark, draw_rendered, find_marks
from plugface.demo.moving_average import follow
from plugface.demo.segmenter.shots import find_renders

PEAK_RATE, WEIGHT_DECAY = 2e-3, 0.02
BATCH = {"cpu": 48, "cuda": 256}
MAX_KEPT = 80_000  # strips in memory, 5 kB each
RENDERED_SHARE = 0.5  # share of strips out of renders, where there are any
STEP_PX = 4  # width of one step of the answer
FIGURES_SEED = 71


def main() -> None:
    """Draw, train for the given time, write the network."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=25.0, help="by the clock, without the last figures")
    parser.add_argument("--drawers", type=int, default=1, help="processes that draw")
    parser.add_argument(
        "--renders", type=Path, help="folder with the studio's renders of drawn families, for half the strips"
    )
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--figures", type=int, default=600, help="strips to measure on, of each kind")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    torch.manual_seed(options.seed)

    marks = _find_marks(options.renders) if options.renders else []
    context = multiprocessing.get_context("fork")
    strips, hardness = context.Queue(maxsize=20 * options.drawers), context.Value("d", 0.2)
    drawers = [
        context.Process(
            target=_draw_for_ever, args=(strips, hardness, marks, (options.seed, 1, k)), daemon=True
        )
        for k in range(options.drawers)
    ]
    for drawer in drawers:  # before the first question about CUDA, which does not survive a fork
        drawer.start()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = CastNetwork(len(CHARACTERS)).to(device, memory_format=torch.channels_last)
    log = {
        "parameters": sum(p.numel() for p in network.parameters()),
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device.type == "cuda" else "cpu",
        "seed": options.seed,
        "minutes": options.minutes,
        "drawers": options.drawers,
        "rendered_marks": len(marks),
        "batch": BATCH[device.type],
        "progress": [],
    }
    averaged = _train(network, strips, hardness, device, options, log)
    for drawer in drawers:
        drawer.terminate()
    _save(averaged, device, options, log)


def _find_marks(folder: Path) -> list[Mark]:
    """Marks of all renders in a folder, the same order every time."""
    with ThreadPoolExecutor(8) as pool:
        return [mark for marks in pool.map(find_marks, find_renders(folder)) for mark in marks]


def _draw_for_ever(strips, hardness, marks: list[Mark], seed: tuple[int, ...]) -> None:
    """Put lists of strips into a queue until the process is ended."""
    rng = np.random.default_rng(seed)
    faces, grain = load_faces(), Grain(rng)
    while True:
        drawn = [
            draw_rendered(rng, marks, hardness=hardness.value)
            if marks and rng.random() < RENDERED_SHARE
            else draw_strip(rng, faces, grain, hardness=hardness.value)
            for _ in range(32)
        ]
        strips.put([(s.grey, s.text) for s in drawn if _fits(s)])


def _fits(strip: Strip) -> bool:
    """Whether a strip has a step for every character, and one between equal neighbours."""
    twins = sum(a == b for a, b in zip(strip.text, strip.text[1:], strict=False))
    return strip.grey.shape[1] // STEP_PX >= len(strip.text) + twins


def _train(
    network: CastNetwork,
    strips,
    hardness,
    device: torch.device,
    options: argparse.Namespace,
    log: dict,
) -> CastNetwork:
    """Train until the time is up; gives the moving average of the weights."""
    batch = BATCH[device.type]
    optimiser = torch.optim.AdamW(network.parameters(), lr=PEAK_RATE, weight_decay=WEIGHT_DECAY)
    averaged = copy.deepcopy(network).eval()
    rng = np.random.default_rng([options.seed, 2])
    # Nothing comes when the drawers have failed, for want of a font perhaps: then end, not wait for ever.
    kept = [Strip(*s) for _ in range(8 * options.drawers) for s in strips.get(timeout=120)]
    started = time.monotonic()
    step, drawn, saved, shown = 0, len(kept), 0, -1e9
    network.train()
    while (progress := (time.monotonic() - started) / (60 * options.minutes)) < 1.0:
        hardness.value = min(1.0, 0.2 + 2.0 * progress)
        while not strips.empty():
            new = [Strip(*s) for s in strips.get()]
            drawn += len(new)
            kept += new
        del kept[:-MAX_KEPT]
        picked = sorted(
            (kept[i] for i in rng.integers(0, len(kept), 4 * batch)), key=lambda s: s.grey.shape[1]
        )
        for k in rng.permutation(4):
            # Rise over the first 3 %, then fall along a cosine to nearly nothing.
            shape = min(1.0, progress / 0.03) * (0.5 * (1 + np.cos(np.pi * progress)) + 0.002)
            for group in optimiser.param_groups:
                group["lr"] = PEAK_RATE * shape
            loss = _loss(network, [_disturb(s, rng) for s in picked[k * batch : (k + 1) * batch]], device)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            step += 1
            follow(averaged, network, step)
        elapsed = time.monotonic() - started
        if elapsed - shown > 20:
            shown = elapsed
            row = {"seconds": round(elapsed), "step": step, "drawn": drawn, "loss": round(loss.item(), 4)}
            print(row, flush=True)
            log["progress"].append(row)
            log |= {"steps": step, "strips": drawn}
        if int(4 * progress) > saved:
            saved += 1
            _save(averaged, device, options, log)
    return averaged


def _disturb(strip: Strip, rng: np.random.Generator) -> Strip:
    """A strip a little wider or narrower, its tones at times the other way round."""
    width = max(16, round(strip.grey.shape[1] * rng.uniform(0.9, 1.15) / STEP_PX) * STEP_PX)
    grey = cv2.resize(strip.grey, (width, STRIP_PX), interpolation=cv2.INTER_LINEAR)
    disturbed = Strip(255 - grey if rng.random() < 0.3 else grey, strip.text)
    return disturbed if _fits(disturbed) else strip


def _stack(strips: list[Strip], device: torch.device) -> tuple[Tensor, Tensor]:
    """Strips of one batch as the network takes them, zeros at the right, and their widths in steps."""
    widths = [s.grey.shape[1] for s in strips]
    stack = np.zeros((len(strips), 1, STRIP_PX, max(widths)), np.uint8)
    for row, strip in enumerate(strips):
        stack[row, 0, :, : widths[row]] = strip.grey
    tones, ends = torch.from_numpy(stack).to(device).float(), torch.tensor(widths, device=device)
    ends = ends[:, None, None, None]
    mean = tones.sum((2, 3), keepdim=True) / (STRIP_PX * ends)
    tones = (tones - mean) * (torch.arange(max(widths), device=device) < ends)
    deviation = (tones.square().sum((2, 3), keepdim=True) / (STRIP_PX * ends)).sqrt()
    return tones / (deviation + 1.0), torch.tensor([w // STEP_PX for w in widths])


def _loss(network: CastNetwork, strips: list[Strip], device: torch.device) -> Tensor:
    stack, steps = _stack(strips, device)
    shares = network(stack.contiguous(memory_format=torch.channels_last))
    targets = [[1 + CHARACTERS.index(c) for c in s.text] for s in strips]
    return nn.functional.ctc_loss(
        shares.transpose(0, 1),
        torch.tensor([c for t in targets for c in t], device=device),
        steps,
        torch.tensor([len(t) for t in targets]),
        zero_infinity=True,
    )


@torch.no_grad()
def _measure(network: CastNetwork, device: torch.device, count: int) -> dict[str, float]:
    """Shares on strips drawn afresh, the same ones every time: of the letters trained on, and of others."""
    figures = {}
    for name, held_back, hardness in (
        ("easy", False, 0.3),
        ("all", False, 1.0),
        ("other letters", True, 1.0),
    ):
        rng = np.random.default_rng(FIGURES_SEED)
        faces, grain = load_faces(held_back=held_back), Grain(rng)
        right = asked = whole = texts = silent = empty = 0
        for _ in range(count):
            strip = draw_strip(rng, faces, grain, hardness=hardness)
            read = _read(network, strip, device)
            if strip.text:
                asked, texts = asked + len(strip.text), texts + 1
                right += len(strip.text) - min(len(strip.text), _edits(strip.text, read))
                whole += strip.text == read
            else:
                empty, silent = empty + 1, silent + (len(read) < 2)
        figures[f"characters, {name}"] = round(right / asked, 4)
        figures[f"whole strings, {name}"] = round(whole / texts, 4)
        figures[f"no text given where none stands, {name}"] = round(silent / max(empty, 1), 4)
    return figures


def _read(network: CastNetwork, strip: Strip, device: torch.device) -> str:
    best = network(_stack([strip], device)[0])[0].argmax(1).tolist()
    kept = [b for a, b in zip([0, *best], best, strict=False) if b and a != b]
    return "".join(CHARACTERS[b - 1] for b in kept).strip()


def _edits(a: str, b: str) -> int:
    """Least number of edits between two strings (Wagner & Fischer 1974)."""
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        last, row[0] = row[0], i
        for j, y in enumerate(b, 1):
            last, row[j] = row[j], min(last + (x != y), row[j] + 1, row[j - 1] + 1)
    return row[-1]


class _Shares(nn.Module):
    """The network with plain probabilities, as it is shipped."""

    def __init__(self, network: CastNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, strips: Tensor) -> Tensor:
        return self.network(strips).exp()


def _save(network: CastNetwork, device: torch.device, options: argparse.Namespace, log: dict) -> None:
    figures = _measure(network, device, options.figures)
    print(json.dumps(figures, indent=1), flush=True)
    (options.out / "cast_reader_log.json").write_text(json.dumps(log | {"figures": figures}, indent=1) + "\n")
    export_onnx(network, options.out / "cast_reader.onnx")


def export_onnx(network: CastNetwork, path: Path) -> None:
    """Write the network with free count and width, its signs in the metadata; check it in ONNX Runtime."""
    import onnx
    import onnxruntime

    plain = CastNetwork(len(CHARACTERS)).eval()
    plain.load_state_dict(network.state_dict())
    shares = _Shares(plain).eval()  # the export puts it back into the mode it was in
    torch.onnx.export(
        shares,
        (torch.rand(1, 1, STRIP_PX, 96),),
        str(path),
        dynamo=False,
        opset_version=17,
        input_names=["strips"],
        output_names=["shares"],
        dynamic_axes={"strips": {0: "n", 3: "w"}, "shares": {0: "n", 1: "steps"}},
    )
    model = onnx.load(str(path))
    onnx.helper.set_model_props(model, {"height": str(STRIP_PX), "characters": CHARACTERS})
    onnx.save(model, str(path))
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    sample = torch.randn(2, 1, STRIP_PX, 144)
    with torch.no_grad():
        error = float(np.abs(shares(sample).numpy() - session.run(None, {"strips": sample.numpy()})[0]).max())
    print(f"{path.name}: {path.stat().st_size} bytes, differs from torch by at most {error:.2g}", flush=True)


if __name__ == "__main__":
    main()
