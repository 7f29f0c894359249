"""The classifier over (unit, family) pairs, and its file.

It is a gradient-boosted tree ensemble over how well a family fits (pair_features.py), held to be monotone: a
better fit never makes a family less probable. It knows no family by name, so it serves a catalogue without
any photo. Its file is a skops archive: loading builds known scikit-learn classes and executes nothing from
the file.
"""

import hashlib
import json
import zipfile
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import sklearn
import skops.io
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import ThreadpoolController

from models.calibration import Calibration, apply_calibration
from models.conformal import Conformal
from models.fusion import FusedFit
from models.noise import ObservationNoise
from models.pair_features import PAIR_FEATURES, describe_pairs
from models.rules import RULES

#: scikit-learn's own tree node holder; skops wants it named. Nothing else is built from a model file.
TRUSTED = ("sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",)

_THREADS = ThreadpoolController()

#: Families that the trees look at; those with a lower share keep it, and it is next to nothing.
SHORT_LIST = 24


class ModelError(Exception):
    """A model file that cannot be used: which file, what is wrong, what to do."""

    def __init__(self, file: str, problem: str, mend: str) -> None:
        self.file, self.problem, self.mend = file, problem, mend
        super().__init__(f"{file}: {problem}. {mend}")


@dataclass(frozen=True)
class Model:
    """Everything learned, with what it was learned from."""

    classifier: HistGradientBoostingClassifier
    weights: np.ndarray  # float (n_rules,)
    noise: ObservationNoise
    calibration: Calibration
    conformal: Conformal
    about: dict  # training_sha256, libraries, seed, counts, metrics

    @property
    def version(self) -> str:
        """Short name of exactly this model."""
        learned = [
            self.weights.tolist(),
            self.noise.to_json(),
            asdict(self.calibration),
            asdict(self.conformal),
        ]
        text = json.dumps([self.about, learned], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


@dataclass(frozen=True)
class Posterior:
    """Calibrated probabilities over n_families and 'none of these'; they sum to 1."""

    families: np.ndarray  # float (n_families,)
    unlike: float
    scores: np.ndarray  # float (n_families,), uncalibrated log odds


def score_pairs(model: Model, features: np.ndarray) -> np.ndarray:
    """Uncalibrated log odds, shape (n_pairs,)."""
    # One thread: a call is a few dozen rows, and waiting for other cores cost up to 50 times as long as the
    # work itself when the machine was busy (measured 2026-11-25, 2 cores, 300 rows).
    with _THREADS.limit(limits=1, user_api="openmp"):
        return model.classifier.decision_function(features)


def predict(model: Model, cases: list[FusedFit]) -> list[Posterior]:
    """Probabilities for several units at once.

    Parameters
    ----------
    model : Model
    cases : list of FusedFit, each over its own families (one or more)
    """
    described = [describe_pairs(case, model.weights, model.noise.unlike) for case in cases]
    listed = [np.argsort(-d[:, 0], kind="stable")[:SHORT_LIST] for d in described]
    flat = score_pairs(model, np.concatenate([d[rows] for d, rows in zip(described, listed, strict=True)]))
    pieces = np.split(flat, np.cumsum([len(rows) for rows in listed])[:-1])
    return [_normalise(model, d, r, p) for d, r, p in zip(described, listed, pieces, strict=True)]


def _normalise(model: Model, described: np.ndarray, rows: np.ndarray, listed: np.ndarray) -> Posterior:
    """Pairs are judged one by one; together they cannot exceed 1, and what is left is 'none of these'."""
    scores = np.minimum(described[:, 0], listed.min())
    scores[rows] = listed
    single = apply_calibration(scores, model.calibration)
    single[np.setdiff1d(np.arange(len(scores)), rows)] *= 1e-3
    total = single.sum()
    return Posterior(single / max(total, 1.0), max(1.0 - float(total), 0.0), scores)


def default_model_path() -> Path:
    """The model that comes with the package."""
    return Path(__file__).parent / "data" / "model.skops"


def save_model(model: Model, path: Path) -> None:
    """Write a model; parts that are not the classifier are plain JSON inside it."""
    learned = {
        "weights": model.weights.tolist(),
        "noise": model.noise.to_json(),
        "calibration": asdict(model.calibration),
        "conformal": asdict(model.conformal),
        "about": model.about,
        "rules": list(RULES),
        "features": list(PAIR_FEATURES),
    }
    content = {"classifier": model.classifier, "learned": json.dumps(learned)}
    path.parent.mkdir(parents=True, exist_ok=True)
    skops.io.dump(content, path, compression=zipfile.ZIP_DEFLATED, compresslevel=9)


def load_model(path: Path) -> Model:
    """Read a model without executing anything in it.

    Raises
    ------
    ModelError
        If the file is missing, damaged, holds other classes than a model does, or was made for other rules or
        another scikit-learn.
    """
    name, again = str(path), "Train it again (plugface learn)"
    if not path.is_file():
        raise ModelError(name, "there is no such model file", again)
    try:
        foreign = sorted(set(skops.io.get_untrusted_types(file=path)) - set(TRUSTED))
    except Exception as error:  # a damaged archive fails in many ways, all of them meaning the same
        raise ModelError(name, f"it is not a readable model file ({error})", again) from None
    if foreign:
        raise ModelError(name, f"it holds {', '.join(foreign)}, which no model needs", "Do not use this file")
    try:
        content = skops.io.load(path, trusted=list(TRUSTED))
        classifier, learned = content["classifier"], json.loads(content["learned"])
        made_with = learned["about"]["libraries"]["scikit-learn"]
    except Exception as error:
        raise ModelError(
            name, f"it cannot be read with scikit-learn {sklearn.__version__} ({error})", again
        ) from None
    if learned["rules"] != list(RULES) or learned["features"] != list(PAIR_FEATURES):
        raise ModelError(name, "it was made for other matching rules than this version has", again)
    if made_with.split(".")[:2] != sklearn.__version__.split(".")[:2]:
        problem = f"it was made with scikit-learn {made_with}, and {sklearn.__version__} is installed"
        raise ModelError(name, problem, again)
    return Model(
        classifier=classifier,
        weights=np.array(learned["weights"]),
        noise=ObservationNoise.from_json(learned["noise"]),
        calibration=Calibration(**learned["calibration"]),
        conformal=Conformal(**learned["conformal"]),
        about=learned["about"],
    )
