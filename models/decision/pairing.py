"""What a unit must be used with, and whether it serves a swap."""

from dataclasses import dataclass
from typing import Literal

from plugface.models.catalogue.entries import Catalogue, Family, Pairing, Variant
from plugface.models.decision.answers import PartnerNeed, SwapFit


@dataclass(frozen=True)
class Needs:
    """What the swap asks for; None: it does not matter or is not known."""

    throttle: Literal["cable", "electronic"] | None = None
    gearbox: Literal["automatic", "manual"] | None = None
    crank_teeth: int | None = None
    year: int | None = None
    partner: str | None = None  # key of the family already in hand


def list_partners(family: Family, gearbox: str | None = None) -> tuple[PartnerNeed, ...]:
    """The pairing rules that hold for a swap with this gearbox; all of them if it is not known.

    Parameters
    ----------
    family : Family
    gearbox : str, optional
        "automatic" or "manual".

    Returns
    -------
    partners : tuple of PartnerNeed
    """
    return tuple(
        PartnerNeed(rule.families, rule.same_donor, _pairing_words(rule))
        for rule in family.pairing
        if gearbox is None or rule.gearbox in ("any", gearbox)
    )


def _pairing_words(rule: Pairing) -> str:
    donor = ", from the same donor" if rule.same_donor else ""
    when = "" if rule.gearbox == "any" else f" in a swap with {rule.gearbox} gearbox"
    return f"Use it with {' or '.join(rule.families)}{donor}{when}. {rule.why}"


def fit_variant(family: Family, variant: Variant, needs: Needs) -> SwapFit:
    """Whether one variant serves the swap, with every reason and everything still unknown.

    Parameters
    ----------
    family : Family
    variant : Variant
        One of the family's.
    needs : Needs

    Returns
    -------
    fit : SwapFit
    """
    against: list[str] = []
    reasons: list[str] = []
    unknown: list[str] = []
    if family.hazard != "none":
        against.append(f"{family.key} is a {family.hazard} unit and no part for a swap")
    elif family.controls == "other":
        against.append(f"{family.key} runs neither engine nor gearbox")
    if variant.status == "locked":
        against.append(f"{variant.key} is locked")
    elif variant.status == "unknown":
        unknown.append(f"whether {variant.key} is locked")
    for check in (_fit_throttle, _fit_crank, _fit_gearbox, _fit_year, _fit_partner):
        check(family, variant, needs, against, reasons, unknown)
    serves: Literal["yes", "no", "unknown"] = "no" if against else "unknown" if unknown else "yes"
    return SwapFit(serves, tuple(against or reasons), tuple(dict.fromkeys(unknown)))


def _fit_throttle(family, variant, needs, against, reasons, unknown) -> None:
    if needs.throttle is None or family.controls == "gearbox":
        return
    if variant.throttle == "unknown":
        unknown.append("which throttle it drives")
    elif variant.throttle != needs.throttle:
        has = "no throttle" if variant.throttle == "none" else f"a {variant.throttle} throttle"
        against.append(f"it drives {has}, the swap has a {needs.throttle} one")
    else:
        reasons.append(f"it drives the {needs.throttle} throttle of the swap")


def _fit_crank(family, variant, needs, against, reasons, unknown) -> None:
    if needs.crank_teeth is None or family.controls == "gearbox":
        return
    if variant.crank_teeth is None:
        unknown.append("how many teeth its crank trigger wheel has")
    elif variant.crank_teeth != needs.crank_teeth:
        against.append(f"it wants {variant.crank_teeth} crank teeth, the swap has {needs.crank_teeth}")
    else:
        reasons.append(f"it reads {needs.crank_teeth} crank teeth")


def _fit_gearbox(family, variant, needs, against, reasons, unknown) -> None:
    if needs.gearbox == "manual" and family.controls == "gearbox":
        against.append("it shifts an automatic gearbox, the swap has a manual one")
    elif needs.gearbox == "manual" and family.controls == "both":
        unknown.append("whether it runs without the automatic gearbox it also controls")


def _fit_year(family, variant, needs, against, reasons, unknown) -> None:
    if needs.year is None:
        return
    first, last = variant.years
    if first <= needs.year <= last:
        reasons.append(f"{needs.year} lies within its years {first} to {last}")
    else:
        against.append(f"it comes from {first} to {last}, the swap is for {needs.year}")


def _fit_partner(family, variant, needs, against, reasons, unknown) -> None:
    if needs.partner is None:
        return
    rules = list_partners(family, needs.gearbox)
    naming = [rule for rule in rules if needs.partner in rule.families]
    if rules and not naming:
        wanted = " or ".join(dict.fromkeys(key for rule in rules for key in rule.families))
        against.append(f"it must be used with {wanted}, not with {needs.partner}")
    elif any(rule.same_donor for rule in naming):
        unknown.append(f"whether the {needs.partner} in hand comes from the same donor, as it must")
    elif naming:
        reasons.append(f"it pairs with the {needs.partner} in hand")
    else:
        unknown.append(f"whether it works with {needs.partner}; the catalogue has no pairing for it")


def join_fits(fits: list[SwapFit]) -> SwapFit:
    """One answer for all variants that remain: yes or no only if they agree."""
    answers = {fit.serves for fit in fits}
    reasons = tuple(dict.fromkeys(reason for fit in fits for reason in fit.reasons))
    unknown = tuple(dict.fromkeys(item for fit in fits for item in fit.unknown))
    if len(answers) == 1:
        return SwapFit(answers.pop(), reasons, unknown)
    return SwapFit(
        "unknown", reasons, (*unknown, "which variant it is: some that remain serve, others do not")
    )


def list_serving(catalogue: Catalogue, needs: Needs) -> list[tuple[str, str, SwapFit]]:
    """Family and variant keys that serve the swap, then those for which something is unknown.

    Parameters
    ----------
    catalogue : Catalogue
    needs : Needs

    Returns
    -------
    serving : list of (str, str, SwapFit)
        Family key, variant key and why.
    """
    fits = [(f.key, v.key, fit_variant(f, v, needs)) for f in catalogue.families for v in f.variants]
    order = {"yes": 0, "unknown": 1}
    return sorted((row for row in fits if row[2].serves != "no"), key=lambda row: order[row[2].serves])
