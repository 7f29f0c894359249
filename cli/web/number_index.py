"""What a phone keeps of the catalogue, so that a number alone tells something where there is no signal.

It holds facts and words, and no rule that decides between families: what stands in it is listed for one or it
is not. Of what a photo would show the colours and sizes of plugs are in it, for phones that look for plugs.
"""

import hashlib
from dataclasses import replace
from itertools import combinations
from typing import Any

from plugface.cli.present.schemas import CatalogueRef, CautionOut, PartnerOut
from plugface.cli.store.learned_model import default_model
from plugface.cli.typed_label import typed_label
from plugface.cli.web.documents import NumberFamilyOut, NumbersOut, NumberVariantOut, PatternOut
from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import compact, form_of
from plugface.models.catalogue.pattern_table import tabulate_pattern
from plugface.models.catalogue.shades import name_shades
from plugface.models.decision.answers import Caution
from plugface.models.decision.cautions import (
    GENERAL,
    HIGH_VOLTAGE,
    LOCKED,
    LOCKED_OPEN,
    RESTRAINT,
    list_cautions,
)
from plugface.models.decision.decide import ONE_VARIANT, VARIANT_OPEN
from plugface.models.decision.pairing import list_partners
from plugface.models.identify import identify

#: What a barcode leaves to another variant (`BARCODE_NATS`), and two signs in which numbers differ at most
#: (the commonest confusion of the error model, twice). Where costs allow no more than that, nothing tells.
LEFT_TO_OTHERS = 0.0011
#: How much dearer a wrong refusal is taken here: how likely it is that a number is not listed differs by a
#: tenth between numbers that are judged as one (our choice).
DEARER = 1.25

#: Place of a number in its family, a suffix or "", and the variants that stay.
_Open = tuple[int, str, list[int]]


def index_numbers(catalogue: Catalogue, keep_days: int) -> tuple[bytes, str]:
    """The document as bytes, and a tag that changes with it."""
    written = [p for f in catalogue.families for p in (f.label.service_number, f.label.suffix) if p]
    tables = {
        pattern: table
        for pattern in dict.fromkeys(written)
        if (table := tabulate_pattern(pattern)) is not None
    }
    places = {pattern: place for place, pattern in enumerate(tables)}
    judged: dict[Any, list[_Open]] = {}
    document = NumbersOut(
        catalogue=CatalogueRef(
            name=catalogue.head.name,
            sha256=catalogue.sha256,
            families=len(catalogue.families),
            invented=catalogue.head.invented,
        ),
        keep_days=keep_days,
        shades=list(name_shades(catalogue).values()),
        colour_caution_at=catalogue.costs.colour_caution_at(),
        families=[_family_out(family, catalogue, places, judged) for family in catalogue.families],
        patterns=[PatternOut.model_validate(table, from_attributes=True) for table in tables.values()],
        hazards=[_caution_out(caution) for caution in (HIGH_VOLTAGE, RESTRAINT)],
        closing=[_caution_out(c) for c in (*_of_all(catalogue), GENERAL)],
        words={"locked": LOCKED, "locked_open": LOCKED_OPEN, "one": ONE_VARIANT, "open": VARIANT_OPEN},
    )
    data = document.model_dump_json().encode()
    return data, f'"{hashlib.sha256(data).hexdigest()[:32]}"'


def _family_out(
    family: Family, catalogue: Catalogue, places: dict[str, int], judged: dict[Any, list[_Open]]
) -> NumberFamilyOut:
    hazardous = {HIGH_VOLTAGE, RESTRAINT, GENERAL, *_of_all(catalogue)}
    return NumberFamilyOut(
        key=family.key,
        controls=family.controls,
        hazard=family.hazard,
        marks=sorted({short for mark in family.marks if (short := compact(mark.text))}),
        plugs=[(plug.colour, plug.size) for plug in family.connectors],
        number=places.get(family.label.service_number),
        suffix=places.get(family.label.suffix),
        caption=compact(family.label.suffix_caption),
        variants=[
            NumberVariantOut(
                key=variant.key,
                numbers=sorted({short for n in variant.service_numbers if (short := compact(n))}),
                suffixes=sorted({short for s in variant.suffixes if (short := compact(s))}),
                status=variant.status,
                years=variant.years,
                vehicles=variant.vehicles,
                throttle=variant.throttle,
                crank_teeth=variant.crank_teeth,
                market=variant.market,
            )
            for variant in family.variants
        ],
        open=_list_open(family, catalogue, judged),
        cautions=[_caution_out(c) for c in list_cautions((), [family], catalogue) if c not in hazardous],
        partners=[
            PartnerOut(families=list(p.families), same_donor=p.same_donor, message=p.message)
            for p in list_partners(family)
        ],
    )


def _list_open(
    family: Family, catalogue: Catalogue, judged: dict[Any, list[_Open]]
) -> list[tuple[str, str, list[int]]]:
    """Numbers, alone and with each suffix, of which an answer leaves more variants open than list them.

    What the signs of a number are hangs little on it: families whose variants share numbers and suffixes in
    the same way are judged once, for each takes some ten milliseconds.
    """
    if len(family.variants) == 1:
        return []
    printed = _numbers_of(family)
    numbers = list(printed)
    near = any(_are_near(*pair) for pair in combinations(numbers, 2))
    shared = [
        (tuple(numbers.index(compact(n)) for n in v.service_numbers if compact(n)), v.suffixes)
        for v in family.variants
    ]
    forms = ["".join(form_of(sign) or sign for sign in number) for number in printed.values()]
    label = (family.label.suffix, family.label.suffix_caption)
    alike = family.key if near else (*label, *shared, *forms)
    if alike not in judged:
        judged[alike] = _judge_labels(family, catalogue)
    return [(numbers[place], suffix, stay) for place, suffix, stay in judged[alike]]


def _numbers_of(family: Family) -> dict[str, str]:
    """Its numbers as they are printed, by their signs alone."""
    return {short: n for v in family.variants for n in v.service_numbers if (short := compact(n))}


def _are_near(first: str, second: str) -> bool:
    """Whether one may be taken for the other: less than two signs differ, or one is longer."""
    return len(first) != len(second) or sum(a != b for a, b in zip(first, second, strict=True)) < 2


def _judge_labels(family: Family, catalogue: Catalogue) -> list[_Open]:
    """As the program answers each label, typed, by the catalogue's costs."""
    alone = Catalogue(head=catalogue.head, families=(family,))
    costs = replace(catalogue.costs, wrong_refusal=DEARER * catalogue.costs.wrong_refusal)
    tells = 1.0 - costs.accept_at > LEFT_TO_OTHERS
    keys = [variant.key for variant in family.variants]
    found = []
    for place, (short, number) in enumerate(_numbers_of(family).items()):
        listing = [v for v in family.variants if short in map(compact, v.service_numbers)]
        for suffix in dict.fromkeys(["", *(compact(s) for v in listing for s in v.suffixes)]):
            fitting = [v for v in listing if not v.suffixes or suffix in ("", *map(compact, v.suffixes))]
            if len(fitting) == len(keys):
                continue
            typed = typed_label([f"{number} {suffix}".strip()], ())
            told = tells and identify([typed], alone, default_model(), costs=costs, advise=False).variants
            stay = {v.key for v in fitting}.union(told or keys)
            if len(stay) > len(fitting):
                found.append((place, suffix, [k for k, key in enumerate(keys) if key in stay]))
    return found


def _of_all(catalogue: Catalogue) -> tuple[Caution, ...]:
    return tuple(Caution("catalogue", words) for words in catalogue.head.cautions)


def _caution_out(caution: Caution) -> CautionOut:
    return CautionOut(name=caution.name, message=caution.message, source=caution.source)
