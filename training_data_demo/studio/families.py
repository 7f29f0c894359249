"""From a planned unit to its family, wherever that is defined."""

import dataclasses
import functools
from pathlib import Path

from plugface.demo.studio import wild
from plugface.demo.studio.shots import Unit
from plugface.demo.studio.units import UnitSpec
from plugface.models.catalogue.entries import Catalogue, Family, load_catalogue

DEMO = Path(__file__).resolve().parent.parent
#: The maker whose shells no photo for training shows.
THIRD_MAKER = "tenter_twill"
CATALOGUES = {
    "marrow_finch": DEMO / "marrow_finch",
    "pell_works": DEMO / "pell_works" / "catalogue",
    THIRD_MAKER: DEMO / THIRD_MAKER / "catalogue",
}


@functools.cache
def catalogue(source: str) -> Catalogue:
    """One of the demo's catalogues, by its source name."""
    return load_catalogue(CATALOGUES[source])


def family_of(unit: Unit) -> Family:
    """The family of a planned unit. Raises KeyError if its source does not hold it."""
    if unit.source == "wild":
        return wild.random_family(int(unit.family))
    if unit.source == "dyed":
        key, seed = unit.family.rsplit("#", 1)
        return wild.dye(catalogue("marrow_finch").by_key[key], int(seed))
    if unit.source == "unknown":
        return wild.unknown_family(unit.family)
    return catalogue(unit.source).by_key[unit.family]


def unit_spec(unit: Unit) -> UnitSpec:
    """What the geometry needs to know of a planned unit."""
    family = family_of(unit)
    variant = next(v for v in family.variants if v.key == unit.variant)
    shared = {f.name for f in dataclasses.fields(Unit)} & {f.name for f in dataclasses.fields(UnitSpec)}
    same = {name: getattr(unit, name) for name in shared - {"family", "variant"}}
    return UnitSpec(family=family, variant=variant, **same)
