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
        PartnerNeed(rule.families, bool(rule.donors), _pairing_words(rule))
        for rule in family.pairing
        if gearbox is None or rule.gearbox in ("any", gearbox)
    )


def _pairing_words(rule: Pairing) -> str:
    partners = [f"{key} from the same donor" if key in rule.donors else key for key in rule.families]
    if set(rule.donors) == set(rule.families):  # said once for all of them
        partners = [*rule.families[:-1], f"{rule.families[-1]}, from the same donor"]
    when = "" if rule.gearbox == "any" else f" in a swap with {rule.gearbox} gearbox"
    return f"Use it with {' or '.join(partners)}{when}. {rule.why}"


def fit_variant(family: Family, variant: Variant, needs: Needs, partner: Family | None = None) -> SwapFit:
    """Whether one variant serves the swap, with every reason and everything still unknown.

    Parameters
    ----------
    family : Family
    variant : Variant
        Of that family.
    needs : Needs
    partner : Family, optional
        The family that `needs.partner` names.

    Returns
    -------
    fit : SwapFit
    """
    against: list[str] = []
    reasons: list[str] = []
    unknown: list[str] = []
    if family.hazard != "none":
        against.append(f"{family.key} is a {family.hazard.replace(' ', '-')} unit and no part for a swap")
    elif family.controls == "other" and not _helps(family, needs):
        against.append(f"{family.key} runs neither engine nor gearbox")
    if variant.status == "locked":
        against.append(f"{variant.key} is locked")
    elif variant.status == "unknown":
        unknown.append(f"whether {variant.key} is locked")
    if partner is not None and (words := _no_pair(family, partner)):
        against.append(words)
    for check in (_fit_throttle, _fit_crank, _fit_gearbox, _fit_year, _fit_partner):
        check(family, variant, needs, against, reasons, unknown)
    serves: Literal["yes", "no", "unknown"] = "no" if against else "unknown" if unknown else "yes"
    return SwapFit(serves, tuple(against or reasons), tuple(dict.fromkeys(unknown)))


def _helps(family: Family, needs: Needs) -> bool:
    """Whether it is a unit that works beside the one in hand, as an injector driver does."""
    return needs.partner is not None and any(needs.partner in rule.families for rule in family.pairing)


def _fit_throttle(family, variant, needs, against, reasons, unknown) -> None:
    if needs.throttle is None or family.controls in ("gearbox", "other"):
        return
    if variant.throttle == "unknown":
        unknown.append("which throttle it drives")
    elif variant.throttle != needs.throttle:
        has = "no throttle" if variant.throttle == "none" else f"{_a(variant.throttle)} throttle"
        against.append(f"it drives {has}, the swap has {_a(needs.throttle)} one")
    else:
        reasons.append(f"it drives the {needs.throttle} throttle of the swap")


def _a(word: str) -> str:
    return f"{'an' if word[0] in 'aeiou' else 'a'} {word}"


def _fit_crank(family, variant, needs, against, reasons, unknown) -> None:
    if needs.crank_teeth is None or family.controls in ("gearbox", "other"):
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


def _no_pair(family: Family, partner: Family) -> str:
    """Why two families cannot be used together, whatever else is known; empty where they may."""
    if partner.hazard != "none":
        return (
            f"the {partner.key} in hand is a {partner.hazard.replace(' ', '-')} unit and no part for a swap"
        )
    runs = {"engine": {"engine"}, "gearbox": {"gearbox"}, "both": {"engine", "gearbox"}}
    both = sorted(runs.get(family.controls, set()) & runs.get(partner.controls, set()))
    return f"the {partner.key} in hand runs the {' and the '.join(both)} too" if both else ""


def _fit_partner(family, variant, needs, against, reasons, unknown) -> None:
    if needs.partner is None:
        return
    rules = [
        rule for rule in family.pairing if needs.gearbox is None or rule.gearbox in ("any", needs.gearbox)
    ]
    naming = [rule for rule in rules if needs.partner in rule.families]
    if rules and not naming:
        wanted = " or ".join(dict.fromkeys(key for rule in rules for key in rule.families))
        against.append(f"it must be used with {wanted}, not with {needs.partner}")
    elif any(needs.partner in rule.donors for rule in naming):
        unknown.append(f"whether the {needs.partner} in hand comes from the same donor, as it must")
    elif naming:
        reasons.append(f"it pairs with the {needs.partner} in hand")
    else:
        unknown.append(f"whether it works with {needs.partner}; the catalogue has no pairing for it")


def join_fits(fits: dict[str, SwapFit]) -> SwapFit:
    """One answer for all variants that remain: yes or no only if they agree.

    Parameters
    ----------
    fits : dict
        What to call a variant -> whether it serves. What does not hold for all of them is said with its name.
    """
    answers = {fit.serves for fit in fits.values()}
    reasons = _named({name: fit.reasons for name, fit in fits.items()})
    unknown = _named({name: fit.unknown for name, fit in fits.items()})
    if len(answers) == 1:
        return SwapFit(answers.pop(), reasons, unknown)
    return SwapFit(
        "unknown", reasons, (*unknown, "which variant it is: some that remain serve, others do not")
    )


def _named(said: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
    names: dict[str, list[str]] = {}
    for name, sentences in said.items():
        for sentence in sentences:
            names.setdefault(sentence, []).append(name)
    return tuple(s if len(of) == len(said) else f"{', '.join(of)}: {s}" for s, of in names.items())


def list_serving(catalogue: Catalogue, needs: Needs) -> list[tuple[str, str, SwapFit]]:
    """Family and variant keys that serve the swap, then those for which something is unknown.

    Parameters
    ----------
    catalogue : Catalogue
    needs : Needs

    Returns
    -------
    serving : list of (family, variant, SwapFit)
    """
    partner = catalogue.by_key.get(needs.partner) if needs.partner else None
    fits = [(f.key, v.key, fit_variant(f, v, needs, partner)) for f in catalogue.families for v in f.variants]
    order = {"yes": 0, "unknown": 1}
    return sorted((row for row in fits if row[2].serves != "no"), key=lambda row: order[row[2].serves])
