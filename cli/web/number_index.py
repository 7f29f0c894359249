"""What a phone keeps of the catalogue, so that a number alone tells something where there is no signal.

It holds facts and words, and no rule that decides between families: what stands in it is listed for one or it
is not. Of what a photo would show the colours and sizes of plugs are in it, for phones that look for plugs.
"""

import hashlib
from dataclasses import asdict

from plugface.cli.present.schemas import CatalogueRef, CautionOut, PartnerOut
from plugface.cli.web.documents import NumberFamilyOut, NumbersOut, NumberVariantOut, PatternOut
from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.catalogue.index import compact
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


def index_numbers(catalogue: Catalogue, keep_days: int) -> tuple[bytes, str]:
    """The document as bytes, and a tag that changes with it."""
    written = [p for f in catalogue.families for p in (f.label.service_number, f.label.suffix) if p]
    tables = {
        pattern: table
        for pattern in dict.fromkeys(written)
        if (table := tabulate_pattern(pattern)) is not None
    }
    places = {pattern: place for place, pattern in enumerate(tables)}
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
        families=[_family_out(family, catalogue, places) for family in catalogue.families],
        patterns=[PatternOut(**asdict(table)) for table in tables.values()],
        hazards=[_caution_out(caution) for caution in (HIGH_VOLTAGE, RESTRAINT)],
        closing=[_caution_out(c) for c in (*_of_all(catalogue), GENERAL)],
        words={"locked": LOCKED, "locked_open": LOCKED_OPEN, "one": ONE_VARIANT, "open": VARIANT_OPEN},
    )
    data = document.model_dump_json().encode()
    return data, f'"{hashlib.sha256(data).hexdigest()[:32]}"'


def _family_out(family: Family, catalogue: Catalogue, places: dict[str, int]) -> NumberFamilyOut:
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
        cautions=[_caution_out(c) for c in list_cautions((), [family], catalogue) if c not in hazardous],
        partners=[
            PartnerOut(families=list(p.families), same_donor=p.same_donor, message=p.message)
            for p in list_partners(family)
        ],
    )


def _of_all(catalogue: Catalogue) -> tuple[Caution, ...]:
    return tuple(Caution("catalogue", words) for words in catalogue.head.cautions)


def _caution_out(caution: Caution) -> CautionOut:
    return CautionOut(name=caution.name, message=caution.message, source=caution.source)
