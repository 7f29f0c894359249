"""Figures over many answers with known truth: how often right, wrongly accepted, honest about doubt.

A case is one unit by some of its photos. Everything here looks at decisions alone, so that the same figures
hold for any way of making them.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np
from plugface.models.decision.answers import Decision
from plugface.models.decision.conformal import coverage_range
from plugface.models.learning.calibration import error_by_chance, expected_calibration_error


@dataclass(frozen=True)
class Case:
    """One answer beside its truth; family None: no unit, or one of no family of the catalogue."""

    unit_id: str
    views: tuple[str, ...]
    family: str | None
    variant: str | None
    decision: Decision

    @property
    def best(self) -> str | None:
        """The family that leads, accepted or not."""
        return self.decision.candidates[0].family if self.decision.candidates else None

    @property
    def probability(self) -> float:
        """Of the family that leads."""
        return self.decision.probability

    @property
    def accepted(self) -> bool:
        """Whether one family was put forward as the answer."""
        return self.decision.verdict == "identified"

    @property
    def right(self) -> bool:
        """Whether the leading family is the true one."""
        return self.family is not None and self.best == self.family

    @property
    def variant_right(self) -> bool:
        """Whether family and leading variant are the true ones."""
        if not self.right or not self.decision.candidates[0].variants:
            return False
        return self.decision.candidates[0].variants[0].key == self.variant

    @property
    def wrongly_accepted(self) -> bool:
        """Accepted, and the family or the one variant named is wrong."""
        if not self.accepted:
            return False
        named = self.decision.variants[0] if len(self.decision.variants) == 1 else None
        return self.decision.families[0] != self.family or (named is not None and named != self.variant)


@dataclass(frozen=True)
class Figure:
    """One measured figure with its goal, if there is one."""

    name: str
    value: float | None  # None: nothing to measure it on
    n: int
    goal: str = ""
    met: bool | None = None
    message: str = ""


def wilson_interval(count: int, of: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval about a share that holds its level also where nothing, or everything, was counted.

    Parameters
    ----------
    count, of : int
    z : float
        Quantile of the normal distribution; 1.96 for 95 %.

    Returns
    -------
    low, high : float, 0..1; (0, 1) where there was nothing to count.

    References
    ----------
    Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22 (1927).
    """
    if not of:
        return 0.0, 1.0
    p, zz = count / of, z * z
    middle = (p + zz / (2 * of)) / (1 + zz / of)
    reach = z / (1 + zz / of) * np.sqrt(p * (1 - p) / of + zz / (4 * of * of))
    return max(0.0, float(middle - reach)), min(1.0, float(middle + reach))


def share(
    name: str,
    cases: Sequence[Case],
    of: Callable[[Case], bool],
    goal: str = "",
    *,
    least: float = -np.inf,
    most: float = np.inf,
) -> Figure:
    """Share of cases for which `of` holds; `least` and `most` are the limits of the goal.

    Parameters
    ----------
    name : str
    cases : sequence of Case
    of : callable
        Takes a case and says whether it counts.
    goal : str
        In words; empty: none.
    least, most : float

    Returns
    -------
    figure : Figure
        Its value is None where there are no cases.
    """
    value = sum(map(of, cases)) / len(cases) if cases else None
    return judged(name, value, len(cases), goal, least=least, most=most)


def judged(
    name: str,
    value: float | None,
    n: int,
    goal: str = "",
    *,
    least: float = -np.inf,
    most: float = np.inf,
    message: str = "",
) -> Figure:
    """A figure held against its goal.

    Parameters
    ----------
    name : str
    value : float or None
        None where there was nothing to measure it on.
    n : int
        Cases that it was measured on.
    goal : str
        In words; empty: none.
    least, most : float
        Limits of the goal.
    message : str

    Returns
    -------
    figure : Figure
    """
    met = least <= value <= most if goal and value is not None else None
    return Figure(name, value, n, goal, met, message)


def deciding_figures(cases: Sequence[Case], n_calibration: int) -> list[Figure]:
    """Right, accepted and covered, over units that the catalogue holds.

    Parameters
    ----------
    cases : sequence of Case
    n_calibration : int
        Cases that the conformal set was calibrated on.

    Returns
    -------
    figures : list of Figure
    """
    known = [case for case in cases if case.family is not None]
    whole = [case for case in known if sees_both(case)]
    fronts = [case for case in known if case.views == ("front",)]
    own = one_per_unit(known)
    covered = [case.family in case.decision.families for case in own]
    low, high = coverage_range(n_calibration, len(own), 0.95) if own else (0.0, 1.0)
    sizes = [len(case.decision.families) for case in own]
    return [
        share("family right, front and back", whole, lambda c: c.right, ">= 99.5 %", least=0.995),
        share("family right, one front photo", fronts, lambda c: c.right, ">= 97 %", least=0.97),
        *(
            share(
                f"family right, one {view} photo", [c for c in known if c.views == (view,)], lambda c: c.right
            )
            for view in ("oblique", "back", "label")
        ),
        share("variant right, front and back", whole, lambda c: c.variant_right, ">= 98 %", least=0.98),
        share("accepted", known, lambda c: c.accepted, ">= 85 %", least=0.85),
        share("accepted and wrong", known, lambda c: c.wrongly_accepted, "<= 0.2 %", most=0.002),
        share(
            "one variant named from the front alone, where several look alike",
            fronts,
            lambda c: (
                c.accepted
                and c.right
                and len(c.decision.variants) == 1 < len(c.decision.candidates[0].variants)
            ),
            "0",
            most=0.0,
        ),
        judged(
            "conformal sets that hold the truth, stated level 95 %",
            float(np.mean(covered)) if own else None,
            len(own),
            f"{low:.3f} to {high:.3f}",
            least=low,
            most=high,
            message=f"range by the beta-binomial law for {n_calibration} calibration cases (Vovk 2012), 99 %",
        ),
        judged(
            "mean size of the set, families",
            float(np.mean(sizes)) if own else None,
            len(own),
            "<= 1.15",
            most=1.15,
        ),
        _calibration("expected calibration error, known units", known),
        _calibration("the same, unknown units among them", cases),
    ]


def _calibration(name: str, cases: Sequence[Case]) -> Figure:
    """A probability leaves room for what is in no family: over known units alone it must look too modest."""
    if not cases:
        return judged(name, None, 0, "<= 2 %", most=0.02)
    said = np.array([case.probability for case in cases])
    error = expected_calibration_error(said, np.array([case.right for case in cases]))
    mean, high = error_by_chance(said)
    words = (
        f"probabilities without fault would show {100 * mean:.1f} % on as many cases, and in 95 of 100 "
        f"draws no more than {100 * high:.1f} %"
    )
    return judged(name, error, len(cases), "<= 2 %", most=0.02, message=words)


def unknown_figures(cases: Sequence[Case]) -> list[Figure]:
    """How well units outside the catalogue, and photos of no unit, are kept apart."""
    unknown = [case for case in cases if case.family is None]
    both = bool(unknown) and len(unknown) < len(cases)
    area = auroc([c.probability for c in cases], [c.family is not None for c in cases]) if both else None
    return [
        judged("AUROC, known against unknown", area, len(cases), ">= 98 %", least=0.98),
        share("unknown and accepted", unknown, lambda c: c.accepted, "<= 1 %", most=0.01),
    ]


def caution_figures(cases: Sequence[Case], hazards: Collection[str]) -> list[Figure]:
    """Whether hazards are warned of, over units of the catalogue, and how often a warning was not needed.

    Parameters
    ----------
    cases : sequence of Case
    hazards : collection of str
        Keys of the families that the catalogue marks as a hazard.

    Returns
    -------
    figures : list of Figure
    """
    known = [case for case in cases if case.family is not None]
    dangerous = [case for case in known if case.family in hazards]
    harmless = [case for case in known if case.family not in hazards]
    seen = [case for case in dangerous if {"front", "oblique"} & set(case.views)]
    return [
        share("hazard warned of, plug face among the photos", seen, warns, "100 %", least=1.0),
        share(
            "hazard put forward without a caution",
            dangerous,
            lambda c: c.accepted and not warns(c),
            "0",
            most=0,
        ),
        share("hazard caution on a harmless unit", harmless, warns),
    ]


def warns(case: Case) -> bool:
    """Whether the answer holds a high-voltage or restraint caution."""
    return any(c.name in ("high voltage", "restraint") for c in case.decision.cautions)


def auroc(scores: Sequence[float], positive: Sequence[bool]) -> float:
    """Probability that a positive case scores above a negative one, ties counting half (Mann-Whitney).

    Parameters
    ----------
    scores : sequence of float, length n
    positive : sequence of bool, length n

    Returns
    -------
    auroc : float, 0..1
        NaN where all are positive or none is.
    """
    values, hits = np.asarray(scores, dtype=float), np.asarray(positive, dtype=bool)
    above = values[hits][:, None] - values[~hits][None, :]
    return float(np.mean((above > 0) + 0.5 * (above == 0)))


def confusion(cases: Sequence[Case]) -> dict[str, dict[str, int]]:
    """True family -> proposed family, or what was said instead -> number of units."""
    counts: dict[str, dict[str, int]] = {}
    for case in sorted(cases, key=lambda c: (c.family is None, c.family or "")):
        proposed = (
            case.decision.families[0]
            if case.accepted
            else {"ambiguous": "not sure"}.get(case.decision.verdict, case.decision.verdict.replace("_", " "))
        )
        row = counts.setdefault(case.family or "unknown", {})
        row[proposed] = row.get(proposed, 0) + 1
    return counts


def sees_both(case: Case) -> bool:
    """Whether both the plug face and the label side are among the photos."""
    return bool({"front", "oblique"} & set(case.views)) and bool({"back", "label"} & set(case.views))


def one_per_unit(cases: Sequence[Case]) -> list[Case]:
    """Each unit by the most photos there are of it: cases that do not depend on one another."""
    most: dict[str, Case] = {}
    for case in cases:
        if case.unit_id not in most or len(case.views) > len(most[case.unit_id].views):
            most[case.unit_id] = case
    return list(most.values())
