"""What a person says of a unit beside its photos: what it is claimed to be, and what the swap needs."""

from dataclasses import fields, replace

from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.decision.opinion import read_claim
from plugface.models.decision.pairing import Needs


class UnknownPartner(ValueError):
    """A partner that is no family of the catalogue; its argument is the name."""


def check_claim(claimed: str, catalogue: Catalogue) -> str:
    """The claim by the catalogue's own keys: KEY or KEY:VARIANT.

    Parameters
    ----------
    claimed : str
        Empty where nothing was.
    catalogue : Catalogue

    Returns
    -------
    claimed : str

    Raises
    ------
    ClaimError
        If it names nothing in the catalogue.
    """
    if not claimed:
        return ""
    family, variant = read_claim(claimed, catalogue)
    return f"{family.key}:{variant}" if variant else family.key


def check_needs(needs: Needs, catalogue: Catalogue) -> Needs:
    """The same needs with the partner's own key.

    Parameters
    ----------
    needs : Needs
    catalogue : Catalogue

    Returns
    -------
    needs : Needs

    Raises
    ------
    UnknownPartner
        If the catalogue has no such family.
    """
    if not needs.partner:
        return needs
    family = find_family(needs.partner, catalogue)
    if family is None:
        raise UnknownPartner(needs.partner)
    return replace(needs, partner=family.key)


def find_family(name: str, catalogue: Catalogue) -> Family | None:
    """The family of that key; people type it in capitals or not.

    Parameters
    ----------
    name : str
    catalogue : Catalogue

    Returns
    -------
    family : Family or None
    """
    return next((each for each in catalogue.families if each.key.casefold() == name.casefold()), None)


def read_needs(told: object) -> Needs:
    """Needs as a phone tells them; what is left out does not matter.

    Raises
    ------
    ValueError
        If they are none.
    """
    known = {field.name for field in fields(Needs)}
    if not isinstance(told, dict) or not told.keys() <= known:
        raise ValueError("not what a swap can need")
    needs = Needs(**{name: value or None for name, value in told.items()})
    right = (
        needs.throttle in (None, "cable", "electronic")
        and needs.gearbox in (None, "automatic", "manual")
        and _is_number(needs.crank_teeth, 1, 400)
        and _is_number(needs.year, 1950, 2100)
        and (needs.partner is None or (isinstance(needs.partner, str) and len(needs.partner) <= 80))
    )
    if not right:
        raise ValueError("not what a swap can need")
    return needs


def _is_number(value: object, least: int, most: int) -> bool:
    return value is None or (type(value) is int and least <= value <= most)
