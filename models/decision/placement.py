"""Where a unit goes after it was looked at, and what leaving it unchecked may cost.

The order of the questions is the order of harm: what can hurt someone, then what cannot be decided, then what
is of no use, then the bin.
"""

from dataclasses import dataclass
from typing import Literal

from plugface.models.catalogue.entries import Catalogue, Family, Variant
from plugface.models.decision.answers import NOT_LISTED, TWO_UNITS, TWO_VARIANTS, Decision

Destination = Literal[
    "hazard", "look-alike bench", "retake", "locked", "wrong market", "not in catalogue", "family bin"
]

#: Order in the report, cautions first, with the sign that stands beside the name: colour is never needed.
SIGNS: dict[str, str] = {
    "hazard": "⚠",
    "look-alike bench": "≈",
    "retake": "↻",
    "locked": "⊘",
    "wrong market": "⇄",
    "not in catalogue": "?",
    "family bin": "✓",
}

#: What stands on everything that leads a person to a hazardous unit.
HANDS_OFF = "Do not open, probe, unplug or drop."

MEANINGS: dict[str, str] = {
    "hazard": f"High-voltage or restraint unit, or not known to be harmless. {HANDS_OFF} Licensed practice "
    "only; for restraint units, transport and sale are under local law too.",
    "look-alike bench": "More than one answer remains. Take the photo named, or read the label by hand.",
    "retake": "The photos do not allow an answer.",
    "locked": "Every variant that remains is marked locked in the catalogue.",
    "wrong market": "Every variant that remains is for another market.",
    "not in catalogue": "A unit, but none of the families in the catalogue.",
    "family bin": "Identified. Confirm by the service number before fitting.",
}


#: What is left to do where no further photo would help.
BY_HAND = "Read the service number on the label by hand."


@dataclass(frozen=True)
class Place:
    """Where one unit goes."""

    destination: Destination
    bin: str  # what is written on the bin
    message: str  # why, and what to do


def assign_place(
    decision: Decision, catalogue: Catalogue, *, market: str = "", findings: tuple[str, ...] = ()
) -> Place:
    """Say where a unit goes.

    Parameters
    ----------
    decision : Decision
    catalogue : Catalogue
        The one the decision was made with.
    market : str
        The market the lot is for; empty: any.
    findings : tuple of str
        What contradicts the grouping of the unit's photos; any finding keeps it out of a family bin.

    Returns
    -------
    place : Place
    """
    hazards = [key for key in decision.families if _family(catalogue, key).hazard != "none"]
    warned = [c for c in decision.cautions if c.name in ("high voltage", "restraint")]
    if hazards or (warned and decision.verdict != "identified"):
        kind = _family(catalogue, hazards[0]).hazard if hazards else warned[0].name
        # Of both kinds, where plugs are of both.
        said: dict[str, str] = {caution.name: caution.message for caution in warned}
        return Place("hazard", f"HAZARD {kind}", said.get(kind, MEANINGS["hazard"]))
    next_photo = decision.next_photo.message if decision.next_photo else ""
    if decision.verdict == "unreadable":
        return Place("retake", "RETAKE", next_photo or decision.message)
    if findings:
        return Place("look-alike bench", "BENCH part the photos", "Part the photos by hand and look again.")
    if decision.verdict == "not_in_catalogue":
        return Place("not in catalogue", "NOT IN CATALOGUE", decision.message)
    if any(finding.name == TWO_UNITS for finding in decision.findings):
        return Place("look-alike bench", "BENCH part the photos", decision.message)
    if decision.verdict == "ambiguous" or len(decision.families) != 1:
        first = ["NOT IN CATALOGUE"] if decision.unknown_probability > decision.probability else []
        bench = f"BENCH {' / '.join([*first, *decision.families])}".strip()
        return Place("look-alike bench", bench, next_photo or f"{decision.message} {BY_HAND}")
    return _place_identified(decision, _family(catalogue, decision.families[0]), market, next_photo)


def _place_identified(decision: Decision, family: Family, market: str, next_photo: str) -> Place:
    if open_label := _open_label(decision):
        words = f"{family.key}, but {open_label}. {next_photo or BY_HAND}"
        return Place("look-alike bench", f"BENCH {family.key}, which variant", words)
    remaining = [v for v in family.variants if v.key in decision.variants] or list(family.variants)
    locked = [v for v in remaining if v.status == "locked"]
    abroad = [v for v in remaining if is_abroad(v, market)]
    named = f"{family.key} {remaining[0].key}" if len(remaining) == 1 else family.key
    if len(locked) == len(remaining):
        return Place("locked", f"LOCKED {family.key}", f"{named} is marked locked in the catalogue.")
    if len(abroad) == len(remaining):
        where = ", ".join(sorted({v.market for v in abroad}))
        return Place(
            "wrong market", f"WRONG MARKET {where}", f"{named} is for the market {where}, not {market}."
        )
    if locked or abroad:
        which = ", ".join(v.key for v in remaining)
        held = locked or abroad
        be = f"{', '.join(v.key for v in held)} {'is' if len(held) == 1 else 'are'}"
        why = f"{be} locked" if locked else f"{be} not for {market}"
        words = f"{family.key}, but {which} remain and {why}. {next_photo or decision.variant_message}"
        return Place(
            "look-alike bench", f"BENCH {family.key} {'/'.join(v.key for v in remaining)}", words.strip()
        )
    code = f" ({family.stock_code})" if family.stock_code else ""
    return Place("family bin", f"{family.key}{code}", decision.message)


def is_abroad(variant: Variant, market: str) -> bool:
    """Whether a variant is for another market than the one a lot is for; none is where that is empty.

    Parameters
    ----------
    variant : Variant
    market : str
        In any writing.

    Returns
    -------
    abroad : bool
    """
    here = market.strip().casefold()
    return bool(here) and variant.market.casefold() not in ("any", here)


def _open_label(decision: Decision) -> str:
    """What of the label leaves open which variant it is; empty where nothing does."""
    names = {finding.name for finding in decision.findings}
    if TWO_VARIANTS in names:
        return "numbers of different variants were read"
    return "the number that was read is listed for none of its variants" if NOT_LISTED in names else ""


Standing = Literal["plain", "hazard", "locked", "variant open", "one of few"]


def standing(decision: Decision, catalogue: Catalogue) -> Standing:
    """What stands beside the verdict: nothing, or a reason why nobody should take it for a green light.

    Parameters
    ----------
    decision : Decision
    catalogue : Catalogue
        The one the decision was made with.

    Returns
    -------
    standing : Standing
        "variant open" where the variants that remain differ in what a swap hangs on: lock, market, throttle
        or trigger teeth; "one of few" where it is surely one of two or three families. "plain" for all else
        that was not identified.
    """
    if decision.closed:
        return "one of few"
    if decision.verdict != "identified":
        return "plain"
    family = _family(catalogue, decision.families[0])
    if family.hazard != "none":
        return "hazard"
    if _open_label(decision):
        return "variant open"
    remaining = [v for v in family.variants if v.key in decision.variants] or list(family.variants)
    if all(v.status == "locked" for v in remaining):
        return "locked"
    hangs_on = {(v.status, v.market, v.throttle, v.crank_teeth) for v in remaining}
    return "variant open" if len(hangs_on) > 1 else "plain"


def expected_cost(decision: Decision) -> float:
    """Expected cost of acting on the best proposal without a check by hand.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    cost : float
        In second looks. For a proposal, the probability that family or variant is wrong times the cost of a
        wrong acceptance; for a refusal, the probability that the catalogue holds the unit after all times the
        cost of a wrong refusal; for photos that allow no answer, the second look that they need.
    """
    if decision.verdict == "unreadable" or not decision.candidates:
        return decision.costs.second_look
    if decision.verdict == "not_in_catalogue":
        return (1.0 - decision.unknown_probability) * decision.costs.wrong_refusal
    best = decision.candidates[0]
    told = best.variants[0].probability if best.variants and len(decision.variants) == 1 else 1.0
    return (1.0 - best.probability * told) * decision.costs.wrong_accept


def _family(catalogue: Catalogue, key: str) -> Family:
    return catalogue.by_key[key]
