"""Warnings that stand before every answer, hazards first."""

from plugface.models.catalogue.entries import Catalogue, Family
from plugface.models.decision.answers import Caution
from plugface.models.decision.costs import Costs
from plugface.models.unit_choice import UnitView
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import best_colour

#: Colours of plugs that are warned of: of high voltage, and of restraint units.
HAZARD_COLOURS = (_ORANGE, _YELLOW) = ("OG", "YE")

HIGH_VOLTAGE = Caution(
    "high voltage",
    "Orange marks high-voltage cables; that plugs are orange is common practice. Do not open, probe, unplug "
    "or drop the unit, and leave it to licensed high-voltage technicians under local rules. Harmless plugs "
    "can be orange too; treat it as live until someone qualified has said otherwise.",
    "UN Regulation No. 100; ISO 6469-3, for cables",
)
RESTRAINT = Caution(
    "restraint",
    "A yellow plug can mark a restraint unit (airbag, belt tensioner). Do not open, probe, power, unplug or "
    "drop the unit until someone qualified has said that it is harmless, as many with a yellow plug are. "
    "Handling, transport and sale of restraint parts fall under local law.",
    "common practice, no source",
)
COLOURS_UNKNOWN = Caution(
    "colours unknown",
    "The photos show the plugs without their colours: whether one is orange (high voltage) or yellow "
    "(restraint) could not be judged. Leave the unit alone until its plugs were seen in colour.",
)
GENERAL = Caution(
    "general",
    "Confirm by the service number on the label before buying or fitting: photos narrow the choice and do "
    "not prove it. Programming, emissions and anti-theft law are local: follow local codes and leave the "
    "work to licensed practice.",
)

#: What is said where every variant that remains is locked, and where one of several is.
LOCKED = "{which} is locked: the catalogue says it is of no use for a swap."
LOCKED_OPEN = "{which} is locked and is not ruled out: settle the variant before paying."


def seen_colours(views: tuple[UnitView, ...], costs: Costs, codes: int = len(COLOUR_CODES)) -> set[str]:
    """Plug colours that are likely enough to warn by, on any view.

    How sure it is that the thing is a plug does not count: an orange cable is as live. Nor does it whether it
    lies on an outlined unit: of a close-up nothing is outlined, and a plug missed costs more than a caution.

    Parameters
    ----------
    views : tuple of UnitView
    costs : Costs
    codes : int
        How many colours vision was taught.

    Returns
    -------
    likely : set of str, IEC 60757
    """
    least = costs.colour_caution_at(codes)
    plugs = (plug for view in views for plug in view.plugs)
    return {code for plug in plugs for code, share in plug.colour.items() if share >= least}


def lacks_colours(views: tuple[UnitView, ...]) -> bool:
    """Whether plugs are seen and the colour of none is known, as on a grey copy.

    Loose plugs count where no others are seen: one that lies beside tells nothing of a unit's own.
    """
    plugs = [c for view in views if view.unit for c in view.unit.connectors]
    plugs = plugs or [plug for view in views for plug in view.loose]
    return bool(plugs) and not any(best_colour(plug.colour) for plug in plugs)


def list_cautions(
    views: tuple[UnitView, ...],
    likely: list[Family],
    catalogue: Catalogue,
    locked: str = "",
    costs: Costs | None = None,
    codes: int = len(COLOUR_CODES),
    counted: int = 1,
) -> tuple[Caution, ...]:
    """All cautions in the order a person must read them.

    Parameters
    ----------
    views : tuple of UnitView
    likely : list of Family
        The families in the answer; hazard families among them warn even when they are not the best.
    catalogue : Catalogue
    locked : str
        A sentence if a variant in the answer is locked.
    costs : Costs, optional
        In place of the catalogue's.
    codes : int
        How many colours vision was taught.
    counted : int
        Of so many of the first likely families the catalogue's own cautions are said.

    Returns
    -------
    cautions : tuple of Caution
    """
    hazards = {family.hazard for family in likely}
    colours = seen_colours(views, costs or catalogue.costs, codes)
    cautions = []
    if "high voltage" in hazards or _ORANGE in colours:
        cautions.append(HIGH_VOLTAGE)
    if "restraint" in hazards or _YELLOW in colours:
        cautions.append(RESTRAINT)
    if lacks_colours(views):
        cautions.append(COLOURS_UNKNOWN)
    if locked:
        cautions.append(Caution("locked", locked, likely[0].source if likely else ""))
    for family in likely[:counted]:
        cautions += [
            Caution("catalogue", f"{family.key}: {words}", family.source) for words in family.cautions
        ]
    cautions += [Caution("catalogue", words) for words in catalogue.head.cautions]
    return (*cautions, GENERAL)
