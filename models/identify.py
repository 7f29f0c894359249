"""From observations to the answer for one unit: the front door of models/."""

from models.answers import Decision
from models.catalogue import Catalogue
from models.catalogue_index import index_catalogue
from models.cautions import list_cautions
from models.classifier import Model
from models.costs import Costs
from models.decision import decide
from models.pairing import Needs
from models.views import gather_views
from models.weighing import weigh_views
from vision.observations import Observations

__all__ = ["Needs", "identify"]


def identify(
    observations: list[Observations],
    catalogue: Catalogue,
    model: Model,
    *,
    chosen: list[int | None] | None = None,
    needs: Needs | None = None,
    costs: Costs | None = None,
) -> Decision:
    """Answer what one unit is.

    Parameters
    ----------
    observations : list of Observations
        One per photo, all of one unit.
    chosen : list of int or None, optional
        Which unit of each photo; None takes the most prominent one. A photo without any unit is read as a
        close-up of a label or a donor's plate.
    needs : Needs, optional
        What the swap asks for; fills `Decision.fit`.

    Raises
    ------
    ValueError
        If `chosen` does not match the photos.
    """
    views = gather_views(observations, chosen)
    if not views or not catalogue.families:
        return Decision(
            verdict="unreadable" if not views else "not_in_catalogue",
            words="No photo was given." if not views else "The catalogue holds no family.",
            candidates=(),
            cautions=list_cautions(views, [], catalogue),
            unknown_probability=1.0,
            catalogue_sha256=catalogue.sha256,
            model_version=model.version,
        )
    return decide(
        weigh_views(views, index_catalogue(catalogue), model), catalogue, model, needs=needs, costs=costs
    )
