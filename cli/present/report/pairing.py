"""Which units of a lot may belong together: an engine unit and what the catalogue says to use it with.

That two units come from one donor cannot be seen on them. It is made likely by the same type plate in both
photos, by lying together, or by model years; the page says which, and that the papers decide.
"""

import re
from dataclasses import dataclass

from plugface.models.catalogue.entries import Catalogue

#: Weight of each sign of a common donor. Our choice; only the order matters.
SAME_PLATE, SAME_FOLDER, YEARS_MEET = 4.0, 2.0, 1.0


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


def find_pairs(units: list[Pairable], catalogue: Catalogue, *, donor_numbers: bool = False) -> list[Pair]:
    """Pair units, the best-founded pairs first; an engine unit gets at most one partner of each kind.

    A partner runs the gearbox, or is a helper such as an injector driver; it is used once. Pairs whose
    model years cannot meet are left out. A donor's number may be personal data: the reasons say it only with
    `donor_numbers`.
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
                pair = _judge(engine, partner, same_donor, catalogue, donor_numbers)
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
    return chosen


def read_plates(texts: list[str]) -> frozenset[str]:
    """What may be a donor's number among texts beside a unit: eight or more signs, digits among them."""
    cleaned = (re.sub(r"[^A-Z0-9]", "", text.upper()) for text in texts)
    return frozenset(text for text in cleaned if len(text) >= 8 and re.search(r"\d", text))


def _needs_one_donor(engine: str, partner: str, catalogue: Catalogue) -> bool | None:
    """Whether two families that pair must be of one donor, the stricter where both say so; None: no pair."""
    stated = [partner in r.donors for r in catalogue.by_key[engine].pairing if partner in r.families]
    stated += [engine in r.donors for r in catalogue.by_key[partner].pairing if engine in r.families]
    return any(stated) if stated else None


def _judge(
    engine: Pairable, partner: Pairable, same_donor: bool, catalogue: Catalogue, donor_numbers: bool
) -> Pair | None:
    spans = _years(engine, catalogue), _years(partner, catalogue)
    first, last = max(span[0] for span in spans), min(span[1] for span in spans)
    if first > last:
        return None
    reasons, weight = [f"model years meet ({first} to {last})"], YEARS_MEET / (1 + last - first)
    if engine.folder and engine.folder == partner.folder:
        reasons.insert(0, f"same folder ({engine.folder})")
        weight += SAME_FOLDER
    plates = sorted(engine.plates & partner.plates)
    if plates:
        reasons.insert(0, "same number beside both" + (f" ({plates[0]})" if donor_numbers else ""))
        weight += SAME_PLATE
    return Pair(engine, partner, same_donor, tuple(reasons), weight)


def _years(unit: Pairable, catalogue: Catalogue) -> tuple[int, int]:
    variants = catalogue.by_key[unit.family].variants
    remaining = [v for v in variants if v.key in unit.variants] or list(variants)
    return min(v.years[0] for v in remaining), max(v.years[1] for v in remaining)
