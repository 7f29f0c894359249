"""From observations to the answer for one unit: the front door of models/."""

from collections.abc import Sequence

from plugface.models.catalogue.entries import Catalogue
from plugface.models.catalogue.index import index_catalogue
from plugface.models.decision.answers import Decision
from plugface.models.decision.cautions import list_cautions
from plugface.models.decision.costs import Costs
from plugface.models.decision.decide import decide
from plugface.models.decision.pairing import Needs
from plugface.models.learning.classifier import Model
from plugface.models.matching.pooling import pool_views
from plugface.models.unit_choice import UnitChoice, gather_views
from plugface.vision.observations import Observations

__all__ = ["Needs", "identify"]


def identify(
    observations: list[Observations],
    catalogue: Catalogue,
    model: Model,
    *,
    chosen: Sequence[UnitChoice] | None = None,
    needs: Needs | None = None,
    costs: Costs | None = None,
    advise: bool = True,
) -> Decision:
    """Answer what one unit is.

    Parameters
    ----------
    observations : list of Observations
        One per photo, all of one unit.
    catalogue : Catalogue
    model : Model
    chosen : sequence of UnitChoice, optional
        Which unit of each photo; without it the most prominent one. A photo without any unit is read as a
        close-up of a label or a donor's plate.
    needs : Needs, optional
        What the swap asks for; fills `Decision.fit`.
    costs : Costs, optional
        In place of the catalogue's.
    advise : bool
        Whether to work out which photo would help most, which takes most of the time.

    Returns
    -------
    decision : Decision

    Raises
    ------
    ValueError
        If `chosen` does not match the photos.
    """
    views = gather_views(observations, chosen)
    if not views or not catalogue.families:
        return Decision(
            verdict="unreadable" if not views else "not_in_catalogue",
            message="No photo was given." if not views else "The catalogue holds no family.",
            candidates=(),
            cautions=list_cautions(views, [], catalogue, costs=costs, codes=len(model.noise.taught)),
            unknown_probability=1.0,
            catalogue_sha256=catalogue.sha256,
            model_version=model.version,
            costs=costs or catalogue.costs,
        )
    return decide(
        pool_views(views, index_catalogue(catalogue), model),
        catalogue,
        model,
        needs=needs,
        costs=costs,
        advise=advise,
    )
