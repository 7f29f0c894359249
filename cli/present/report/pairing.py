"""Which units of a lot may belong together: an engine unit and the gearbox unit from the same donor.

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
    gearbox: Pairable
    same_donor: bool  # the catalogue asks for one donor
    reasons: tuple[str, ...]
    weight: float


def find_pairs(units: list[Pairable], catalogue: Catalogue, *, donor_numbers: bool = False) -> list[Pair]:
    """Pair units so that each is used at most once, the best-founded pairs first.

    Pairs whose model years cannot meet are left out. A donor's number may be personal data: the reasons say
    it only with `donor_numbers`.
    """
    engines = [u for u in units if catalogue.by_key[u.family].controls == "engine"]
    gearboxes = [u for u in units if catalogue.by_key[u.family].controls == "gearbox"]
    possible = []
    for engine in engines:
        for gearbox in gearboxes:
            same_donor = _needs_one_donor(engine.family, gearbox.family, catalogue)
            pair = None
            if same_donor is not None:
                pair = _judge(engine, gearbox, same_donor, catalogue, donor_numbers)
            if pair:
                possible.append(pair)
    possible.sort(key=lambda pair: (-pair.weight, pair.engine.key, pair.gearbox.key))
    used: set[str] = set()
    chosen = []
    for pair in possible:
        if not {pair.engine.key, pair.gearbox.key} & used:
            used |= {pair.engine.key, pair.gearbox.key}
            chosen.append(pair)
    return chosen


def read_plates(texts: list[str]) -> frozenset[str]:
    """What may be a donor's number among texts beside a unit: eight or more signs, digits among them."""
    cleaned = (re.sub(r"[^A-Z0-9]", "", text.upper()) for text in texts)
    return frozenset(text for text in cleaned if len(text) >= 8 and re.search(r"\d", text))


def _needs_one_donor(engine: str, gearbox: str, catalogue: Catalogue) -> bool | None:
    """Whether two families that pair must be of one donor, the stricter where both say so; None: no pair."""
    stated = [gearbox in r.donors for r in catalogue.by_key[engine].pairing if gearbox in r.families]
    stated += [engine in r.donors for r in catalogue.by_key[gearbox].pairing if engine in r.families]
    return any(stated) if stated else None


def _judge(
    engine: Pairable, gearbox: Pairable, same_donor: bool, catalogue: Catalogue, donor_numbers: bool
) -> Pair | None:
    spans = _years(engine, catalogue), _years(gearbox, catalogue)
    first, last = max(span[0] for span in spans), min(span[1] for span in spans)
    if first > last:
        return None
    reasons, weight = [f"model years meet ({first} to {last})"], YEARS_MEET / (1 + last - first)
    if engine.folder and engine.folder == gearbox.folder:
        reasons.insert(0, f"same folder ({engine.folder})")
        weight += SAME_FOLDER
    plates = sorted(engine.plates & gearbox.plates)
    if plates:
        reasons.insert(0, "same number beside both" + (f" ({plates[0]})" if donor_numbers else ""))
        weight += SAME_PLATE
    return Pair(engine, gearbox, same_donor, tuple(reasons), weight)


def _years(unit: Pairable, catalogue: Catalogue) -> tuple[int, int]:
    variants = catalogue.by_key[unit.family].variants
    remaining = [v for v in variants if v.key in unit.variants] or list(variants)
    return min(v.years[0] for v in remaining), max(v.years[1] for v in remaining)
