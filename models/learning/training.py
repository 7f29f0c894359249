"""Training and calibrating the pair classifier: on simulated units first, on observed ones when there are
any.

Simulated units come from invented catalogues, a new one every few units, so that nothing but the fit to an
entry can be learned. Units outside the catalogue are of three kinds: a family of the same group, of no
kinship, and an observed unit whose own family was taken out.
"""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import sklearn
from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import index_families
from plugface.models.decision.answers import View
from plugface.models.decision.conformal import Conformal, fit_conformal
from plugface.models.decision.costs import Costs
from plugface.models.learning.calibration import Calibration, expected_calibration_error, fit_calibration
from plugface.models.learning.classifier import SHORT_LIST, Model, predict, score_pairs
from plugface.models.learning.invent import invent_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.learning.trees import LEAF, Trees
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.fusion import FusedFit, fuse_views
from plugface.models.matching.pair_features import CLIP_NATS, PAIR_FEATURES, describe_pairs
from plugface.models.matching.rules import WHOLE_PHOTO, fit_views, rule_names
from plugface.models.unit_choice import ObservedUnit, gather_views
from plugface.vision.observations import Observations
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression

#: Photos that are sent together, with how often (assumed, no source).
VIEW_SETS: tuple[tuple[tuple[View, ...], float], ...] = (
    (("front",), 0.33),
    (("back",), 0.2),
    (("front", "back"), 0.3),
    (("front", "front"), 0.05),
    (("label close-up",), 0.06),
    (("front", "label close-up"), 0.06),
)

#: Share of simulated photos in which no outline of the unit is found (assumed, no source).
NO_OUTLINE = 0.1

#: Simulated units that the curve is fitted to beside the observed ones, and how many of them one observed
#: unit outweighs. Chosen on the calibration split and on 8,000 further simulated units, of which 14
#: are accepted and wrong with it, 10 with half of it; twice of it accepts no more of the calibration split.
SIMULATED_BESIDE, OBSERVED_WEIGHT = 3000, 100.0
#: How many simulated units an observed one counts for in learning: simulated ones know no shadow that hides
#: two plugs. Chosen among 1, 3, 10 and 30 by cross-validation over the training and calibration splits.
OBSERVED_COUNT = 10.0
#: Trees of one training.
MAX_ITER = 120
#: Parts of the observed units, each of which is scored by a training without it.
FOLDS = 4
#: +1: a larger value never makes the family less probable; -1: the reverse; 0: free.
MONOTONE = [-1 if name.endswith("short") else 0 if name.startswith("sees") else 1 for name in PAIR_FEATURES]

Scored = tuple[np.ndarray, np.ndarray]  # log odds and truth of pairs, both of shape (n,)


@dataclass(frozen=True)
class Example:
    """One unit against one catalogue; truth -1: it is in none of its families."""

    fused: FusedFit
    truth: int
    count: float = 1.0  # how much it counts in learning


Told = Callable[[str, int, int], object]  # what is being done, how many of how many


def _untold(what: str, done: int, of: int) -> None:
    """Nobody asked how far it is."""


def simulate_examples(noise: ErrorModel, seed: int, n_units: int, tell: Told = _untold) -> list[Example]:
    """Units drawn from invented catalogues of 6 to 40 families.

    As many as the noise says are outside their catalogue, half of them of kin to families in it.

    Parameters
    ----------
    noise : ErrorModel
    seed : int
    n_units : int
    tell : callable
        Told what is done, how much of it, and of how much.

    Returns
    -------
    examples : list of Example, length n_units
    """
    rng = np.random.default_rng(seed)
    examples: list[Example] = []
    while len(examples) < n_units:
        known = int(rng.choice([6, 10, 14, 20, 40]))
        pool = list(invent_catalogue(known + known // 3 + 1, int(rng.integers(2**31))).families)
        unknown = list(invent_catalogue(8, int(rng.integers(2**31))).families)
        kept = sorted(rng.permutation(len(pool))[:known].tolist())
        kin = [pool[i] for i in range(len(pool)) if i not in set(kept)]
        families = tuple(pool[i] for i in kept)
        index = index_families(families)
        for _ in range(min(25, n_units - len(examples))):
            kind = int(rng.choice(3, p=[noise.unknown / 2, noise.unknown / 2, 1.0 - noise.unknown]))
            source = (kin, unknown, families)[kind]
            row = int(rng.integers(len(source)))
            views = gather_views(draw_unit(source[row], noise, rng))
            fits = fit_views(views, index, noise)
            examples.append(Example(fuse_views(fits), row if kind == 2 else -1))
        tell("simulating units", len(examples), n_units)
    return examples


def draw_unit(family: Family, noise: ErrorModel, rng: np.random.Generator) -> list:
    """Photos of one unit of a family: a variant and a set of views are drawn.

    Parameters
    ----------
    family : Family
    noise : ErrorModel
    rng : numpy.random.Generator

    Returns
    -------
    observations : list of Observations
    """
    variant = family.variants[int(rng.integers(len(family.variants)))]
    shares = np.array([share for _, share in VIEW_SETS])
    views, _ = VIEW_SETS[int(rng.choice(len(VIEW_SETS), p=shares / shares.sum()))]
    drawn = [draw_observations(family, variant, view, noise, rng) for view in views]
    return [_without_outline(seen, rng) if rng.random() < NO_OUTLINE else seen for seen in drawn]


def _without_outline(seen: Observations, rng: np.random.Generator) -> Observations:
    """The same photo where no outline was found: writing alone is left, cast or printed by a guess."""
    if not seen.units:
        return seen
    (unit,) = seen.units
    texts = tuple(replace(t, kind=("cast", "printed")[int(rng.integers(2))]) for t in unit.texts)
    bare = replace(
        unit,
        face={"front": 0.5, "back": 0.5},
        connectors=(),
        other_order=None,
        texts=texts,
        body=None,
        method=WHOLE_PHOTO,
    )
    return replace(seen, units=(bare,))


def observed_examples(
    observed: Iterable[ObservedUnit], catalogue: Catalogue, noise: ErrorModel, *, without: bool
) -> list[Example]:
    """Each unit by each photo alone and by all together; `without` adds it against a catalogue without it.

    Parameters
    ----------
    observed : iterable of ObservedUnit
    catalogue : Catalogue
    noise : ErrorModel
    without : bool

    Returns
    -------
    examples : list of Example
    """
    index = index_families(catalogue.families)
    keys = [f.key for f in catalogue.families]
    examples = []
    for unit in observed:
        views = gather_views(unit.observations, unit.chosen)
        fits = fit_views(views, index, noise)
        truth = keys.index(unit.family) if unit.family in keys else -1
        for chosen in [[fit] for fit in fits] + ([fits] if len(fits) > 1 else []):
            fused = fuse_views(chosen)
            if not (without and truth >= 0 and len(keys) > 2):
                examples.append(Example(fused, truth, OBSERVED_COUNT))
                continue
            # Of its likes in the field that share is in no family of the user's catalogue.
            examples.append(Example(fused, truth, OBSERVED_COUNT * (1.0 - noise.unknown)))
            examples.append(Example(fused.without([truth]), -1, OBSERVED_COUNT * noise.unknown))
    return examples


def leave_families_out(simulated: list[Example], unknown: float) -> list[Example]:
    """The same units, and each known one against its catalogue without its family.

    Units in no family are a tenth of those drawn, and how much they can look like a family decides from where
    on an answer can be accepted. Taking a family out needs no further drawing. Drawn ones and such ones each
    stand for half of the share of unknown units.

    Parameters
    ----------
    simulated : list of Example
    unknown : float, in (0, 1)
        Share of units outside the catalogue.

    Returns
    -------
    examples : list of Example
    """
    count = 0.5 * unknown / (1.0 - unknown)
    drawn = [replace(e, count=0.5) if e.truth < 0 else e for e in simulated]
    known = [e for e in simulated if e.truth >= 0 and len(e.fused.log_odds) > 2]
    return drawn + [Example(e.fused.without([e.truth]), -1, count) for e in known]


def fit_weights(examples: list[Example]) -> np.ndarray:
    """How much each rule's nats are worth, 0.1..1, by logistic regression on true minus rival families.

    More than its stated likelihood a rule is never worth; a rule that seems worthless in training keeps a
    tenth.
    """
    differences = []
    for example in examples:
        if example.truth >= 0:
            odds = np.clip(example.fused.log_odds, -CLIP_NATS, CLIP_NATS)
            rivals = [r for r in np.argsort(-odds.sum(axis=1))[:4] if r != example.truth][:3]
            differences += [odds[example.truth] - odds[r] for r in rivals]
    x = np.array(differences)
    x, y = np.vstack([x, -x]), np.repeat([1, 0], len(x))
    return np.clip(LogisticRegression(fit_intercept=False).fit(x, y).coef_[0], 0.1, 1.0)


def list_pairs(
    examples: list[Example], weights: np.ndarray, unknown: float, most: int = 5
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Features and truth of each unit's `most` best families, and its true one, and how much each counts.

    Parameters
    ----------
    examples : list of Example
    weights : float ndarray, shape (n_rules,)
    unknown : float
        Prior share of units outside the catalogue.
    most : int

    Returns
    -------
    features : float ndarray, shape (n_pairs, n_features)
    truth : ndarray, shape (n_pairs,)
    counts : float ndarray, shape (n_pairs,)
    """
    features, true, counts = [], [], []
    for example in examples:
        described = describe_pairs(example.fused, weights, unknown)
        rows = np.argsort(-described[:, 0], kind="stable")[:most]
        if example.truth >= 0 and example.truth not in rows:
            rows = np.append(rows, example.truth)
        features.append(described[rows])
        true.append(rows == example.truth)
        counts.append(np.full(len(rows), example.count))
    return np.concatenate(features), np.concatenate(true), np.concatenate(counts)


def train(
    observed: list[ObservedUnit],
    catalogue: Catalogue | None,
    seed: int,
    *,
    noise: ErrorModel | None = None,
    n_simulated: int = 16_000,
    tell: Told = _untold,
) -> Model:
    """A model from simulated and observed units; calibrated on further simulated ones until `calibrate` is
    called.

    Parameters
    ----------
    observed : list of ObservedUnit
        The training split; may be empty.
    catalogue : Catalogue or None
        The catalogue of `observed`; None with no observed units.
    seed : int
    noise : ErrorModel, optional
        From noise_fit.fit_error_model; the assumed one if left out.
    n_simulated : int
        Simulated units to learn from; an eighth as many calibrate.
    tell : callable
        Told what is being done, and how many of how many.

    Returns
    -------
    model : Model
    """
    noise = noise or ErrorModel()
    examples = leave_families_out(simulate_examples(noise, seed, n_simulated, tell), noise.unknown)
    if observed and catalogue is not None:
        examples += observed_examples(observed, catalogue, noise, without=True)
    tell("fitting the classifier", 0, 1)
    weights = fit_weights(examples)
    pairs = list_pairs(examples, weights, noise.unknown)
    about = _describe(pairs, weights, noise, seed, n_simulated, len(observed))
    model = Model(grow_trees(*pairs, seed), weights, noise, Calibration(), Conformal(1.0, 0, 0.95), about)
    tell("fitting the classifier", 1, 1)
    return _calibrated(
        model, simulate_examples(noise, seed + 1, max(n_simulated // 8, 100), tell), "simulated units"
    )


def _describe(
    pairs: tuple[np.ndarray, ...],
    weights: np.ndarray,
    noise: ErrorModel,
    seed: int,
    n_simulated: int,
    n_observed: int,
) -> dict:
    """What a model file says of its training."""
    return {
        "training_sha256": hashlib.sha256(b"".join(column.tobytes() for column in pairs)).hexdigest(),
        "libraries": {
            "scikit-learn": sklearn.__version__,
            "numpy": np.__version__,
        },
        "seed": seed,
        "simulated_units": n_simulated,
        "observed_units": n_observed,
        "noise": noise.basis,
        "weights": dict(zip(rule_names(), np.round(weights, 3).tolist(), strict=True)),
    }


def grow_trees(features: np.ndarray, true: np.ndarray, counts: np.ndarray, seed: int) -> Trees:
    """Boosted trees over pairs, held monotone.

    Parameters
    ----------
    features : float ndarray, shape (n_pairs, n_features)
    true : bool ndarray, shape (n_pairs,)
    counts : float ndarray, shape (n_pairs,)
        How much each pair counts.
    seed : int

    Returns
    -------
    trees : Trees
    """
    classifier = HistGradientBoostingClassifier(
        max_iter=MAX_ITER,
        max_leaf_nodes=8,
        min_samples_leaf=30,
        monotonic_cst=MONOTONE,
        early_stopping=False,
        random_state=seed,
    )
    return export_trees(classifier.fit(features, true, counts))


def export_trees(classifier: HistGradientBoostingClassifier) -> Trees:
    """A fitted two-class ensemble of scikit-learn as plain numbers.

    Raises
    ------
    ValueError
        If it has categories, which are not written out.
    """
    grown = [of_class[0].nodes for of_class in classifier._predictors]
    sizes = np.array([len(nodes) for nodes in grown])
    roots = np.cumsum(sizes) - sizes
    nodes, first = np.concatenate(grown), np.repeat(roots, sizes)
    leaf, own = nodes["is_leaf"].astype(bool), np.arange(len(nodes))
    if nodes["is_categorical"][~leaf].any():
        raise ValueError("trees that ask for categories cannot be written out")
    return Trees(
        baseline=float(np.ravel(classifier._baseline_prediction)[0]),
        roots=roots,
        feature=np.where(leaf, LEAF, nodes["feature_idx"].astype(np.int64)),
        number=np.where(leaf, nodes["value"], nodes["num_threshold"]),
        left=np.where(leaf, own, first + nodes["left"]),
        right=np.where(leaf, own, first + nodes["right"]),
    )


def calibrate(
    model: Model, observed: list[ObservedUnit], catalogue: Catalogue, *, level: float = 0.95
) -> Model:
    """The same model with probabilities and sets fitted to the calibration split, which it was not trained
    on.

    A few dozen units alone can never show that an answer is right in 199 of 200 cases, and nothing would be
    accepted. So the curve is fitted to them and to simulated units together, whose errors are the measured
    ones; an observed one counts more. The sets rest on the observed ones alone.

    Parameters
    ----------
    model : Model
    observed : list of ObservedUnit
        The calibration split.
    catalogue : Catalogue
        Of these units.
    level : float, in (0, 1)
        Share of units whose set shall hold the truth.

    Returns
    -------
    model : Model
    """
    examples = observed_examples(observed, catalogue, model.noise, without=False)
    beside = simulate_examples(model.noise, int(model.about.get("seed", 0)) + 2, SIMULATED_BESIDE)
    basis = f"observed units, and {len(beside)} simulated ones"
    return _calibrated(model, examples, basis, level, _score(model, beside))


def train_crossed(
    observed: list[ObservedUnit],
    held: list[ObservedUnit],
    catalogue: Catalogue,
    seed: int,
    *,
    noise: ErrorModel | None = None,
    n_simulated: int = 16_000,
    folds: int = FOLDS,
    level: float = 0.95,
    tell: Told = _untold,
) -> Model:
    """A model that learns from all observed units, and is calibrated on each by trees that had not seen it.

    As many trainings as there are folds each leave out one part of the observed units and score it; the model
    itself leaves none out and scores the held-back ones. Curve and sets are fitted to all those scores, so
    that they hang on more than the few units held back (cross-fitting).

    Parameters
    ----------
    observed : list of ObservedUnit
        The training split.
    held : list of ObservedUnit
        The calibration split, from which no training learns; may be empty.
    catalogue : Catalogue
        Of these units.
    seed : int
    noise : ErrorModel, optional
        From fit_error_model; the assumed one if left out.
    n_simulated : int
        Simulated units that each training learns from.
    folds : int, 2 or more
        Parts of the observed units.
    level : float, in (0, 1)
        Share of units whose set shall hold the truth.
    tell : callable
        Told what is being done, and how many of how many.

    Returns
    -------
    model : Model

    Raises
    ------
    ValueError
        If there are fewer than two folds, or fewer observed units than folds.
    """
    if not 2 <= folds <= len(observed):
        raise ValueError(f"{len(observed)} observed units cannot be parted into {folds} folds, 2 or more")
    noise = noise or ErrorModel()
    simulated = simulate_examples(noise, seed, n_simulated, tell)
    beside = simulate_examples(noise, seed + 2, SIMULATED_BESIDE, tell)
    weights = fit_weights(simulated + observed_examples(observed, catalogue, noise, without=True))
    common = list_pairs(leave_families_out(simulated, noise.unknown), weights, noise.unknown)
    part_of = np.random.default_rng(seed).permutation(len(observed)) % folds
    about = {**_describe(common, weights, noise, seed, n_simulated, len(observed)), "folds": folds}
    unseen = []
    for fold in range(folds + 1):  # the last leaves none out
        tell("fitting the classifier", fold, folds + 1)
        taught = [unit for unit, part in zip(observed, part_of, strict=True) if part != fold]
        scored = [unit for unit, part in zip(observed, part_of, strict=True) if part == fold]
        own = list_pairs(observed_examples(taught, catalogue, noise, without=True), weights, noise.unknown)
        features, true, counts = (np.concatenate(both) for both in zip(common, own, strict=True))
        trees = grow_trees(features, true, counts, seed + fold)
        model = Model(trees, weights, noise, Calibration(), Conformal(1.0, 0, level), about)
        examples = observed_examples(scored if fold < folds else held, catalogue, noise, without=False)
        unseen.append((model, examples))
    tell("fitting the classifier", folds + 1, folds + 1)
    return _calibrated_crossed(unseen, _score(model, beside))


def _calibrated_crossed(unseen: list[tuple[Model, list[Example]]], beside: Scored) -> Model:
    """The last model, with curve and sets fitted to cases that were each scored by trees without them."""
    whole = unseen[-1][0]
    unseen = [(model, examples) for model, examples in unseen if examples]
    scored = [_score(model, examples) for model, examples in unseen]
    curve = _fit_scored(scored, beside)
    of_truth = [
        chance
        for model, examples in unseen
        for chance in _chances_of_truth(replace(model, calibration=curve), examples)
    ]
    judged = [
        (replace(model, calibration=_fit_scored(scored[:k] + scored[k + 1 :], beside)), examples)
        for k, (model, examples) in enumerate(unseen)
    ]
    about = {
        **whole.about,
        "calibrated_on": f"{len(of_truth)} cases from observed units, each by trees that had not seen it, "
        "and simulated ones",
        "metrics": _measure(judged, "observed cases, each by trees and a curve that had not seen its unit"),
    }
    conformal = fit_conformal(np.array(of_truth), whole.conformal.level)
    return replace(whole, calibration=curve, conformal=conformal, about=about)


def _chances_of_truth(model: Model, examples: list[Example]) -> list[float]:
    posteriors = predict(model, [e.fused for e in examples])
    return [
        p.unknown if e.truth < 0 else float(p.families[e.truth])
        for p, e in zip(posteriors, examples, strict=True)
    ]


def _calibrated(
    model: Model, examples: list[Example], basis: str, level: float = 0.95, beside: Scored | None = None
) -> Model:
    model = replace(model, calibration=_fit_curve(model, examples, beside))
    of_truth = _chances_of_truth(model, examples)
    about = {
        **model.about,
        "calibrated_on": f"{len(examples)} cases from {basis}",
        "metrics": measure_halves(model, examples, beside),
    }
    return replace(model, conformal=fit_conformal(np.array(of_truth), level), about=about)


def _score(model: Model, examples: list[Example]) -> Scored:
    """Log odds of each pair that an answer looks at, before calibration, and whether it is true.

    Of all of them, not of the best few: what a dozen families that fit badly keep adds up, and a curve that
    never saw them leaves them so much that hardly anything can be called a unit of no family.
    """
    features, true, _ = list_pairs(examples, model.weights, model.noise.unknown, SHORT_LIST)
    return score_pairs(model, features), true


def _fit_curve(model: Model, examples: list[Example], beside: Scored | None) -> Calibration:
    """Fitted to `examples`, and to pairs beside them, each of which counts less."""
    return _fit_scored([_score(model, examples)], beside)


def _fit_scored(observed: list[Scored], beside: Scored | None) -> Calibration:
    """The same of pairs that are scored already, not all by the same trees."""
    scores, true = (np.concatenate(column) for column in zip(*observed, strict=True))
    if beside is None:
        return fit_calibration(scores, true)
    more, more_true = beside
    weights = np.concatenate([np.full(len(true), OBSERVED_WEIGHT), np.ones(len(more_true))])
    return fit_calibration(np.concatenate([scores, more]), np.concatenate([true, more_true]), weights)


def measure_halves(
    model: Model, examples: list[Example], beside: Scored | None
) -> dict[str, float | int | str]:
    """How well the model does on its calibration cases, each half judged with the curve of the other.

    Parameters
    ----------
    model : Model
    examples : list of Example
        The calibration cases.
    beside : Scored or None
        Simulated units that each curve is fitted to as well.

    Returns
    -------
    metrics : dict
        Plain numbers for the model file; empty where a half holds no known unit.
    """
    halves = examples[: len(examples) // 2], examples[len(examples) // 2 :]
    if not all(any(e.truth >= 0 for e in half) for half in halves):
        return {}
    crossed = [
        (replace(model, calibration=_fit_curve(model, fitted, beside)), judged)
        for fitted, judged in (halves, halves[::-1])
    ]
    return _measure(crossed, "calibration cases, each half with the curve fitted to the other")


def _measure(judged: list[tuple[Model, list[Example]]], basis: str) -> dict[str, float | int | str]:
    """Figures over cases, each part judged by the model beside it."""
    stated: list[float] = []
    correct: list[bool] = []
    listed: list[bool] = []
    for model, examples in judged:
        for posterior, example in zip(predict(model, [e.fused for e in examples]), examples, strict=True):
            stated.append(float(posterior.families.max()))
            correct.append(int(posterior.families.argmax()) == example.truth)
            listed.append(example.truth >= 0)
    said, right, known = np.array(stated), np.array(correct), np.array(listed)
    if not known.any():
        return {}
    accepted = np.array([Costs().accepts(one) for one in said])
    return {
        "basis": basis,
        "cases": len(said),
        "family_right": round(float(right[known].mean()), 4),
        "accepted": round(float(accepted[known].mean()), 4),
        "accepted_and_wrong": round(float((accepted & ~right).mean()), 4),
        "calibration_error": round(expected_calibration_error(said, right), 4),
    }
