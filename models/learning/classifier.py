"""The classifier over (unit, family) pairs, and its file.

It is a gradient-boosted tree ensemble over how well a family fits (pair_features.py), held to be monotone: a
better fit never makes a family less probable. It knows no family by name, so it serves a catalogue without
any photo. Its file is plain JSON: numbers and words, nothing that could be run.
"""

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import cached_property
from itertools import groupby, islice
from pathlib import Path

import numpy as np
from plugface.models.decision.conformal import Conformal
from plugface.models.learning.calibration import Calibration, calibrated_log_odds
from plugface.models.learning.model_error import ModelError
from plugface.models.learning.trees import Trees
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.fusion import FusedFit, stack_fits
from plugface.models.matching.pair_features import (
    PAIR_FEATURES,
    SURE_NATS,
    describe_pairs,
    look_alikes_of_each,
)
from plugface.models.matching.rules import rule_names

#: Families that the trees look at; those with a lower share keep it, and it is next to nothing.
SHORT_LIST = 24
#: What a family beyond the list loses: a thousandth of its odds is left. Our choice.
UNLISTED_NATS = 6.9

#: Cases worked out at once, so that those of a large catalogue need little memory. Our choice.
MAX_TOGETHER = 32

#: What a model file calls itself, and the layout that this version reads and writes.
KIND, LAYOUT = "plugface model", 2

#: A larger file is no model: ours has under a fiftieth of it. Bytes.
MAX_BYTES = 20_000_000


@dataclass(frozen=True)
class Model:
    """Everything learned, with what it was learned from."""

    classifier: Trees
    weights: np.ndarray  # float (n_rules,)
    noise: ErrorModel
    calibration: Calibration
    conformal: Conformal
    about: dict  # training_sha256, libraries, seed, counts, metrics

    @cached_property
    def version(self) -> str:
        """Short name of exactly this model."""
        return _digest(_learned(self))[:12]


@dataclass(frozen=True)
class Posterior:
    """Calibrated probabilities over n_families and 'none of these'; they sum to 1."""

    families: np.ndarray  # float (n_families,)
    unknown: float
    scores: np.ndarray  # float (n_families,), uncalibrated log odds


def score_pairs(model: Model, features: np.ndarray) -> np.ndarray:
    """Uncalibrated log odds, shape (n_pairs,).

    Parameters
    ----------
    model : Model
    features : float ndarray, shape (n_pairs, n_features)
        Columns as in PAIR_FEATURES.

    Returns
    -------
    log_odds : float ndarray, shape (n_pairs,)
    """
    return model.classifier.score(features)


def predict(model: Model, cases: list[FusedFit]) -> list[Posterior]:
    """Probabilities for several units at once.

    Parameters
    ----------
    model : Model
    cases : list of FusedFit, each over its own families (one or more)

    Returns
    -------
    posteriors : list of Posterior
        In the order of the cases.

    Notes
    -----
    Where a few families are not surely told apart, each alone fits no better than its rival, and says little.
    They are judged once more as one entry of the catalogue, and share what that gets by what each got alone.
    Where the classifier itself tells them surely, nothing is joined: of simulated families that only joining
    would have had accepted, one in fourteen was wrong.
    """
    alone = _judge(model, cases)
    alike = _of_each(cases, lambda several: look_alikes_of_each(several, model.weights))
    places = [k for k, rows in enumerate(alike) if rows and _within_sure(alone[k].families[rows])]
    # One of each few stands for them all.
    joined = _judge(model, [cases[k].without(alike[k][1:]) for k in places]) if places else []
    for place, one in zip(places, joined, strict=True):
        alone[place] = _divide(one, alike[place], alone[place])
    return alone


def _within_sure(chances: np.ndarray) -> bool:
    """Whether none of a few has sure odds against the others."""
    return bool(chances.max() < chances.sum() / (1.0 + np.exp(-SURE_NATS)))


def _divide(joined: Posterior, rows: list[int], alone: Posterior) -> Posterior:
    """Of a posterior in which some rows are one entry, the posterior over them all."""
    families = alone.families.copy()
    others = np.delete(np.arange(len(families)), rows[1:])
    families[others] = joined.families
    shares = alone.families[rows]
    families[rows] = families[rows[0]] * shares / shares.sum()
    return Posterior(families, joined.unknown, alone.scores)


def _of_each(cases: list[FusedFit], work: Callable[[FusedFit], list]) -> list:
    """What is worked out of each case, in their order; those of as many families at once.

    Photos that might be taken are some 24 cases of a few families: one by one deciding took a third longer.
    """
    done: list = []
    for _, alike in groupby(cases, key=lambda case: case.log_odds.shape):
        while together := list(islice(alike, MAX_TOGETHER)):
            done += work(stack_fits(together))
    return done


def _judge(model: Model, cases: list[FusedFit]) -> list[Posterior]:
    described = _of_each(
        cases, lambda several: list(describe_pairs(several, model.weights, model.noise.unknown))
    )
    listed = [np.argsort(-d[:, 0], kind="stable")[:SHORT_LIST] for d in described]
    flat = score_pairs(model, np.concatenate([d[rows] for d, rows in zip(described, listed, strict=True)]))
    pieces = np.split(flat, np.cumsum([len(rows) for rows in listed])[:-1])
    return [_normalise(model, d, r, p) for d, r, p in zip(described, listed, pieces, strict=True)]


def _normalise(model: Model, described: np.ndarray, rows: np.ndarray, listed: np.ndarray) -> Posterior:
    """Pairs are judged one by one; then it is taken into account that at most one of them is true.

    Of independent statements of which no two can hold, each has the share of its odds, and 'none of these'
    that of odds 1.
    """
    scores = np.minimum(described[:, 0], listed.min())
    scores[rows] = listed
    log_odds = calibrated_log_odds(scores, model.calibration)
    beyond = np.ones(len(scores), dtype=bool)
    beyond[rows] = False
    log_odds[beyond] -= UNLISTED_NATS
    peak = max(float(log_odds.max()), 0.0)
    odds, none = np.exp(log_odds - peak), np.exp(-peak)
    total = odds.sum() + none
    return Posterior(odds / total, float(none / total), scores)


def default_model_path() -> Path:
    """The model that comes with the package."""
    return Path(__file__).parents[1] / "data" / "model.json"


def _learned(model: Model) -> dict:
    return {
        "rules": list(rule_names()),
        "features": list(PAIR_FEATURES),
        "about": model.about,
        "weights": model.weights.tolist(),
        "calibration": asdict(model.calibration),
        "conformal": asdict(model.conformal),
        "noise": model.noise.to_json(),
        "trees": model.classifier.to_json(),
    }


def _digest(learned: dict) -> str:
    """SHA-256 over the contents, whatever the order of keys and the spaces of the file."""
    text = json.dumps(learned, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _digest_or_none(raw: dict) -> str | None:
    try:
        return _digest(raw)
    except (ValueError, RecursionError):  # a number beyond all bounds, or brackets without end
        return None


def save_model(model: Model, path: Path) -> None:
    """Write a model as JSON, one top-level entry a line; the file is whole or is not there.

    Parameters
    ----------
    model : Model
    path : Path

    Raises
    ------
    OSError
        If it cannot be written.
    """
    learned = _learned(model)
    head = {"kind": KIND, "layout": LAYOUT, "sha256": _digest(learned)}
    lines = [f"{json.dumps(k)}: {json.dumps(v, allow_nan=False)}" for k, v in {**head, **learned}.items()]
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(path.name + ".part")
    unfinished.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    os.replace(unfinished, path)


def load_model(path: Path) -> Model:
    """Read a model; it is numbers and words, and nothing of it is executed.

    Raises
    ------
    ModelError
        If the file is missing, cut short, edited, something else than a model, or made for another layout or
        other rules than this version has.
    """
    name = str(path)
    raw = _read_json(path)
    if not isinstance(raw, dict) or raw.pop("kind", None) != KIND:
        raise ModelError(name, "it is not a model of plugface")
    layout, said = raw.pop("layout", None), raw.pop("sha256", None)
    if layout != LAYOUT:
        raise ModelError(name, f"it has layout {layout}, and this version of plugface reads layout {LAYOUT}")
    if said != _digest_or_none(raw):
        raise ModelError(name, "its contents do not agree with the hash in it: it was edited or damaged")
    if raw.get("rules") != list(rule_names()) or raw.get("features") != list(PAIR_FEATURES):
        raise ModelError(name, "it was made for other matching rules than this version has")
    try:
        return _build(raw)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise ModelError(name, f"it is incomplete or wrong inside ({_sentence(error)})") from None


def _read_json(path: Path):
    name = str(path)
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise ModelError(name, "there is no such model file") from None
    except OSError as error:
        raise ModelError(name, (error.strerror or "it cannot be read").lower()) from None
    if len(data) > MAX_BYTES:
        raise ModelError(name, f"it is no model: larger than {MAX_BYTES // 1_000_000} MB")
    try:
        return json.loads(data, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise ModelError(name, f"it is not a readable model file ({_sentence(error)})") from None


def _refuse_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number of JSON")


def _sentence(error: Exception) -> str:
    missing = isinstance(error, KeyError)
    return f"{error} is missing" if missing else " ".join(str(error).split())[:120] or type(error).__name__


def _build(raw: dict) -> Model:
    weights = np.array(raw["weights"], dtype=float)
    if weights.shape != (len(rule_names()),) or not np.isfinite(weights).all():
        raise ValueError(f"there must be {len(rule_names())} weights")
    trees = Trees.from_json(raw["trees"])
    if trees.feature.max() >= len(PAIR_FEATURES):
        raise ValueError("a tree asks a feature that there is not")
    noise = ErrorModel.from_json(raw["noise"])
    shapes = (noise.colour_matrix.shape, noise.size_matrix.shape, noise.character_matrix.shape)
    if len(noise.taught) < 2 or shapes != ((len(noise.taught),) * 2, (3, 3), (36, 36)):
        raise ValueError("a confusion matrix has another size than it should")
    return Model(
        classifier=trees,
        weights=weights,
        noise=noise,
        calibration=Calibration(**raw["calibration"]),
        conformal=Conformal(**raw["conformal"]),
        about=dict(raw["about"]),
    )
