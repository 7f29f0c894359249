"""The rules of the housing: its outline, its colour, its fins."""

from collections.abc import Sequence

import numpy as np
from plugface.models.catalogue.index import CatalogueIndex
from plugface.models.matching.error_model import FINS, ErrorModel
from plugface.models.matching.rule import Column, Rule, most_probable, nothing, soften
from plugface.models.unit_choice import UnitView
from plugface.vision.colour_table import COLOUR_CODES


def _outline(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """Long to short side, log-normal; other units are taken as normal(0.45, 0.35) in the logarithm."""
    if view.unit is None or view.unit.body is None:
        return nothing(index)
    seen = np.log(max(view.unit.body.aspect, 1.0))
    known = _log_normal(seen, index.log_aspect, noise.aspect_sd)
    return Column(soften(known - _log_normal(seen, 0.45, 0.35), 0.9))


def _log_normal(x: float, mean, sd: float):
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd)


def _outline_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    assert view.unit is not None  # else the rule would have said nothing
    assert view.unit.body is not None
    known = float(np.exp(alone.log_aspect[0]))
    does = "fits" if for_it else "does not fit"
    return f"the outline is {view.unit.body.aspect:.1f} times as long as wide, which {does} {known:.1f}"


def _body_colour(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    """What is seen is the body's colour or the lid's; either counts. An entry that tells none gets 0."""
    if view.unit is None or view.unit.body is None or not view.unit.body.colour:
        return nothing(index)
    seen = np.array([view.unit.body.colour.get(k, 0.0) for k in noise.taught])
    spread = noise.body_colour_right * seen + (1.0 - noise.body_colour_right) / len(seen)
    # A colour that vision was not taught says nothing.
    odds = np.append(len(seen) * spread, np.ones(len(COLOUR_CODES) - len(seen)))
    # Bodies are grey or black far more often than each of so many; half the ratio's logarithm allows for it.
    return Column(np.where(_told(index, "colour"), 0.5 * np.log(odds[index.body_colour].max(axis=1)), 0.0))


def _told(index: CatalogueIndex, key: str) -> np.ndarray:
    """Of which families the author wrote this key of the body, shape (n_families,)."""
    return np.array([family.body.tells(key) for family in index.families], dtype=bool)


def _body_colour_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    assert view.unit is not None
    assert view.unit.body is not None
    if not _told(alone, "colour")[0]:
        return f"the body looks {most_probable(view.unit.body.colour)}, the entry does not say its colour"
    known = list(dict.fromkeys(COLOUR_CODES[c] for c in alone.body_colour[0]))
    return f"the body looks {_likely(view.unit.body.colour, known)}, the entry says {'/'.join(known)}"


def _likely(shares: dict[str, float], known: Sequence[str]) -> str:
    """The most probable, and what the entry says where that is half as probable or more."""
    best = most_probable(shares)
    near = [one for one in known if one != best and shares.get(one, 0.0) >= 0.5 * shares[best]]
    return " or ".join([best, *near])


def _fins(view: UnitView, index: CatalogueIndex, noise: ErrorModel) -> Column:
    if view.unit is None or view.unit.body is None or not view.unit.body.fins:
        return nothing(index)
    seen = np.array([view.unit.body.fins.get(k, 0.0) for k in FINS])
    spread = noise.fins_right * seen + (1.0 - noise.fins_right) / len(FINS)
    return Column(np.where(_told(index, "fins"), np.log(len(FINS) * spread[index.fins]), 0.0))


def _fins_words(alone: CatalogueIndex, view: UnitView, noise, for_it: bool) -> str:
    assert view.unit is not None
    assert view.unit.body is not None
    if not _told(alone, "fins")[0]:
        return f"fins seen: {most_probable(view.unit.body.fins)}; the entry does not say"
    known = FINS[alone.fins[0]]
    return f"fins seen: {_likely(view.unit.body.fins, [known])}; the entry says {known}"


RULES = (
    Rule("outline", _outline, _outline_words, correlation=0.8),
    Rule("body colour", _body_colour, _body_colour_words, correlation=0.9),
    Rule("fins", _fins, _fins_words, correlation=0.8),
)
