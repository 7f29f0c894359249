"""What a unit must be used with, and whether it serves a swap."""

from dataclasses import dataclass, replace
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


def fit_variant(
    family: Family, variant: Variant, needs: Needs, catalogue: Catalogue | None = None
) -> SwapFit:
    """Whether one variant serves the swap, with every reason and everything still unknown.

    Parameters
    ----------
    family : Family
    variant : Variant
        Of that family.
    needs : Needs
    catalogue : Catalogue, optional
        In which the partner in hand and those that the family must be used with are looked up.

    Returns
    -------
    fit : SwapFit
    """
    listed = {} if catalogue is None else catalogue.by_key
    partner = listed.get(needs.partner) if needs.partner else None
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
    for check in (_fit_throttle, _fit_crank, _fit_gearbox, _fit_year):
        check(family, variant, needs, against, reasons, unknown)
    _fit_partner(family, partner, needs, against, reasons, unknown)
    if not against:
        _fit_those_needed(family, needs, listed, against, unknown)
    serves: Literal["yes", "no", "unknown"] = "no" if against else "unknown" if unknown else "yes"
    return SwapFit(serves, tuple(against or reasons), tuple(dict.fromkeys(unknown)))


def rules_family_out(family: Family, needs: Needs, catalogue: Catalogue | None = None) -> bool:
    """Whether no variant of a family could serve the swap, listed or not.

    Parameters
    ----------
    family : Family
    needs : Needs
    catalogue : Catalogue, optional

    Returns
    -------
    out : bool
    """
    first, last = family.variants[0].years
    years = (min(first, needs.year or first), max(last, needs.year or last))
    any_of_it = family.variants[0].model_copy(
        update={"status": "usable", "throttle": "unknown", "crank_teeth": None, "years": years}
    )
    return fit_variant(family, any_of_it, needs, catalogue).serves == "no"


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


def _fit_partner(family, partner: Family | None, needs, against, reasons, unknown) -> None:
    """What either side's entry says of the pair: one that names it is enough; the stricter donor counts."""
    if needs.partner is None:
        return
    own = _rules_for(family, needs)
    theirs = _rules_for(partner, needs) if partner is not None else []
    naming = [
        [rule for rule in rules if key in rule.families]
        for rules, key in ((own, needs.partner), (theirs, family.key))
    ]
    if any(naming):
        one_donor = any(
            rules and all(key in rule.donors for rule in rules)
            for rules, key in zip(naming, (needs.partner, family.key), strict=True)
        )
        if one_donor:
            unknown.append(f"whether the {needs.partner} in hand comes from the same donor, as it must")
        else:
            reasons.append(f"it pairs with the {needs.partner} in hand")
    elif own:
        against.append(f"it must be used with {_wanted(own)}, not with {needs.partner}")
    elif theirs:
        against.append(f"the {needs.partner} in hand must be used with {_wanted(theirs)}")
    else:
        unknown.append(f"whether it works with {needs.partner}; the catalogue has no pairing for it")


def _fit_those_needed(family: Family, needs: Needs, listed, against, unknown) -> None:
    """Whether something that the unit must be used with serves, with the swap's gearbox or, unsaid, with
    either."""
    gearboxes: tuple[Literal["automatic", "manual"], ...] = ("automatic", "manual")
    if needs.gearbox or family.controls == "gearbox":
        gearboxes = (needs.gearbox or "automatic",)
    said = [_no_partner_serves(family, replace(needs, gearbox=one), listed) for one in gearboxes]
    if all(said):
        against.append(said[0])
    elif any(said):
        unknown.append(
            "which gearbox the swap has: with one of the two nothing that it must be used with serves"
        )


def _no_partner_serves(family: Family, needs: Needs, listed: dict[str, Family]) -> str:
    """Why nothing that the unit must be used with serves the swap; empty where something may, or nothing is
    asked. A gearbox unit drives no throttle and reads no crank wheel: its engine unit does.
    """
    if needs.partner is not None:
        keys, named = [needs.partner], f"of the {needs.partner} in hand"
    else:
        rules = _rules_for(family, needs)
        keys = list(dict.fromkeys(key for rule in rules for key in rule.families))
        named = f"of {_wanted(rules)}, which it must be used with," if rules else ""
    partners = [listed[key] for key in keys if key in listed]
    if len(partners) < len(keys) or any(_may_serve(one, v, needs) for one in partners for v in one.variants):
        return ""
    return f"no variant {named} serves the swap" if partners else ""


def _may_serve(family: Family, variant: Variant, needs: Needs) -> bool:
    """Whether neither a lock nor throttle, crank teeth or year rule a variant out."""
    against: list[str] = []
    for check in (_fit_throttle, _fit_crank, _fit_year):
        check(family, variant, needs, against, [], [])
    return variant.status != "locked" and not against


def _rules_for(family: Family, needs: Needs) -> list[Pairing]:
    return [
        rule for rule in family.pairing if needs.gearbox is None or rule.gearbox in ("any", needs.gearbox)
    ]


def _wanted(rules: list[Pairing]) -> str:
    return " or ".join(dict.fromkeys(key for rule in rules for key in rule.families))


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
    parted = (
        "some that remain serve, others do not"
        if {"yes", "no"} <= answers
        else "some that remain serve, of others it is not known"
        if "yes" in answers
        else "some that remain do not serve, of others it is not known"
    )
    return SwapFit("unknown", reasons, (*unknown, f"which variant it is: {parted}"))


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
    fits = [
        (f.key, v.key, fit_variant(f, v, needs, catalogue)) for f in catalogue.families for v in f.variants
    ]
    order = {"yes": 0, "unknown": 1}
    return sorted((row for row in fits if row[2].serves != "no"), key=lambda row: order[row[2].serves])


def list_locked(catalogue: Catalogue, needs: Needs) -> list[tuple[str, str]]:
    """Family and variant keys that would serve the swap, were they not locked.

    Parameters
    ----------
    catalogue : Catalogue
    needs : Needs

    Returns
    -------
    locked : list of (family, variant)
    """
    locked = ((f, v) for f in catalogue.families for v in f.variants if v.status == "locked")
    return [
        (f.key, v.key)
        for f, v in locked
        if fit_variant(f, v.model_copy(update={"status": "usable"}), needs, catalogue).serves != "no"
    ]
