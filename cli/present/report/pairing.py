"""Which units of a lot may belong together: an engine unit and what the catalogue says to use it with.

That two units come from one donor cannot be seen on them. It is made likely by the same type plate in both
photos, by lying together, or by model years; the page says which, and that the papers decide.
"""

import re
from dataclasses import dataclass, replace

from plugface.models.catalogue.entries import Catalogue, Variant
from plugface.models.decision.donor import may_hold_vin
from plugface.models.decision.placement import is_abroad

#: Weight of each sign of a common donor. Our choice; only the order matters.
SAME_PLATE, SAME_FOLDER, YEARS_MEET = 4.0, 2.0, 1.0

#: Units named that fit a pair as well; a pallet of one family would fill the page.
MAX_RIVALS = 3


@dataclass(frozen=True)
class Pairable:
    """What pairing needs to know of one identified unit."""

    key: str
    family: str
    variants: tuple[str, ...]  # those that remain
    folder: str  # of its photos; empty for the top
    plates: frozenset[str] = frozenset()  # numbers read beside the unit


@dataclass(frozen=True)
class Pair:
    """Two units that may belong together, the more likely ones first."""

    engine: Pairable
    partner: Pairable  # runs the gearbox, or what the engine unit cannot do without
    same_donor: bool  # the catalogue asks for one donor
    reasons: tuple[str, ...]
    weight: float
    doubts: tuple[str, ...] = ()  # what a person has to settle first


def find_pairs(
    units: list[Pairable], catalogue: Catalogue, *, market: str = "", donor_numbers: bool = False
) -> list[Pair]:
    """Pair units, the best-founded pairs first; an engine unit gets at most one partner of each kind.

    A partner runs the gearbox, or is a helper such as an injector driver; it is used once. Pairs that only
    locked variants, those of another market or those whose model years cannot meet would make are left out.

    Parameters
    ----------
    units : list of Pairable
        Of families of the catalogue.
    catalogue : Catalogue
    market : str
        The market the lot is for; empty: any.
    donor_numbers : bool
        Say the donors' numbers in the reasons; they may be personal data.

    Returns
    -------
    pairs : list of Pair
    """
    families = catalogue.by_key
    engines = [u for u in units if families[u.family].controls == "engine"]
    partners = [
        unit
        for unit in units
        if families[unit.family].controls in ("gearbox", "other") and families[unit.family].hazard == "none"
    ]
    possible = []
    for engine in engines:
        for partner in partners:
            same_donor = _needs_one_donor(engine.family, partner.family, catalogue)
            pair = None
            if same_donor is not None:
                pair = _judge(engine, partner, same_donor, catalogue, market, donor_numbers)
            if pair:
                possible.append(pair)
    possible.sort(key=lambda pair: (-pair.weight, pair.engine.key, pair.partner.key))
    used: set[tuple[str, str]] = set()
    chosen = []
    for pair in possible:
        kind = families[pair.partner.family].controls
        both = {(pair.engine.key, kind), (pair.partner.key, "")}
        if not both & used:
            used |= both
            chosen.append(pair)
    return _say_rivals(chosen, possible, catalogue)


def _say_rivals(chosen: list[Pair], possible: list[Pair], catalogue: Catalogue) -> list[Pair]:
    """The chosen pairs, with words on units that would fit as well: which of them was taken is chance."""
    equal: dict[tuple, list[str]] = {}
    for pair in possible:
        for slot, key in _slots(pair, catalogue):
            equal.setdefault(slot, []).append(key)
    said = []
    for pair in chosen:
        keys = [key for slot, own in _slots(pair, catalogue) for key in equal[slot] if key != own]
        named = ", ".join(keys[:MAX_RIVALS]) + (" and others" if len(keys) > MAX_RIVALS else "")
        words = f"{named} {'fits' if len(keys) == 1 else 'fit'} as well: the papers decide"
        said.append(replace(pair, doubts=(*pair.doubts, words)) if keys else pair)
    return said


def _slots(pair: Pair, catalogue: Catalogue) -> tuple[tuple[tuple, str], ...]:
    """Both places of a pair that another unit could take, and the unit that has it."""
    kind = catalogue.by_key[pair.partner.family].controls
    return (
        ((pair.partner.key, "engine", pair.weight), pair.engine.key),
        ((pair.engine.key, kind, pair.weight), pair.partner.key),
    )


def read_plates(texts: list[str]) -> frozenset[str]:
    """What may be a donor's number among texts beside a unit: eight or more signs, digits among them."""
    cleaned = (re.sub(r"[^A-Z0-9]", "", text.upper()) for text in texts)
    return frozenset(text for text in cleaned if len(text) >= 8 and re.search(r"\d", text))


def is_plate(value: str, beside_unit: bool) -> bool:
    """Whether what was read on no unit may be a donor's number.

    On a photo without a unit it may be the unit's own label, close up: there only what may be a VIN counts.

    Parameters
    ----------
    value : str
        A line of text, or what a code holds.
    beside_unit : bool
        Whether a unit is on the same photo.

    Returns
    -------
    plate : bool
    """
    return bool(read_plates([value])) if beside_unit else may_hold_vin(value)


def _needs_one_donor(engine: str, partner: str, catalogue: Catalogue) -> bool | None:
    """Whether two families that pair must be of one donor, the stricter where both say so; None: no pair."""
    stated = [partner in r.donors for r in catalogue.by_key[engine].pairing if partner in r.families]
    stated += [engine in r.donors for r in catalogue.by_key[partner].pairing if engine in r.families]
    return any(stated) if stated else None


def _judge(
    engine: Pairable,
    partner: Pairable,
    same_donor: bool,
    catalogue: Catalogue,
    market: str,
    donor_numbers: bool,
) -> Pair | None:
    one, other = (_part(unit, catalogue, market) for unit in (engine, partner))
    spans = [
        (max(a.years[0], b.years[0]), min(a.years[1], b.years[1])) for a in one.serve for b in other.serve
    ]
    meet = [span for span in spans if span[0] <= span[1]]
    if not meet:
        return None
    first, last = min(span[0] for span in meet), max(span[1] for span in meet)
    reasons, weight = [f"model years meet ({first} to {last})"], YEARS_MEET / (1 + last - first)
    if engine.folder and engine.folder == partner.folder:
        reasons.insert(0, f"same folder ({engine.folder})")
        weight += SAME_FOLDER
    plates = sorted(engine.plates & partner.plates)
    if plates:
        reasons.insert(0, "same number beside both" + (f" ({plates[0]})" if donor_numbers else ""))
        weight += SAME_PLATE
    return Pair(engine, partner, same_donor, tuple(reasons), weight, (*one.doubts, *other.doubts))


@dataclass(frozen=True)
class _Parted:
    """The variants that a unit may be: those that can serve in a pair, and words on those that cannot."""

    serve: list[Variant]
    doubts: tuple[str, ...]


def _part(unit: Pairable, catalogue: Catalogue, market: str) -> _Parted:
    variants = catalogue.by_key[unit.family].variants
    remaining = [v for v in variants if v.key in unit.variants] or list(variants)
    locked = [v for v in remaining if v.status == "locked"]
    abroad = [v for v in remaining if is_abroad(v, market) and v not in locked]
    doubts = [f"only if {unit.key} is not the locked {v.key}" for v in locked]
    doubts += [f"only if {unit.key} is not {v.key} for {v.market}" for v in abroad]
    return _Parted([v for v in remaining if v not in locked and v not in abroad], tuple(doubts))
