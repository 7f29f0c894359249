"""Which photo would help most: the expected fall of the cost of deciding, by playing each photo through.

For each answer that is still possible, photos of that view are drawn with the measured noise, added to what
is known, and judged as real ones would be. The gain is the cost now less the mean cost then. Where variants
are open and no single photo is likely to settle them, the one that leaves the least doubt is worth taking.
"""

import numpy as np
from plugface.models.decision.answers import NextPhoto, View
from plugface.models.decision.costs import Costs
from plugface.models.decision.imagined import imagined_photos
from plugface.models.decision.variants import best_chance
from plugface.models.learning.classifier import Model, predict
from plugface.models.matching.fusion import fuse_each
from plugface.models.matching.pooling import PooledEvidence, expected_cost, heard_of
from plugface.models.matching.rules import WHOLE_PHOTO, ViewFit
from plugface.models.unit_choice import UnitView

PHOTOS: tuple[View, ...] = ("front", "back", "label close-up", "plug close-up", "donor plate")

#: Families that are played through, and photos drawn for all of them together in each view: a compromise with
#: time.
N_FAMILIES, N_DRAWN = 3, 6

#: A family less probable than this share of the best is not played through: it can hardly move the mean.
MIN_CHANCE = 0.02

#: Gains below this many second looks are not worth a walk to the shelf (our choice).
MIN_GAIN = 0.01

_WHY = {
    "front": "the plug face shows number, order and colour of the plugs and the cast mark",
    "back": "the label at the back carries the service number",
    "label close-up": "so close that the service number and its suffix can be read",
    "plug close-up": "so close that plug colours and sizes can be told",
    "donor plate": "the donor's model year tells which variants are possible. The number may be personal "
    "data under local law",
}

#: Where a photo of the label is there already: the same one again would not help.
_LABEL_AGAIN = (
    "Take the label once more, closer, sharp and straight on: what was read of it does not settle it. Or "
    "read the service number and its suffix by eye and type them in."
)


def choose_next_photo(
    pooled: PooledEvidence, model: Model, costs: Costs, now: float, *, variants_open: bool
) -> NextPhoto | None:
    """The photo with the greatest expected gain; None if none is worth taking.

    Parameters
    ----------
    pooled : PooledEvidence
    model : Model
    costs : Costs
    now : float
        Cost of deciding on what is known, second looks.
    variants_open : bool
        The family is settled and its variant is not.

    Returns
    -------
    photo : NextPhoto or None
    """
    rows = pooled.ranked[:N_FAMILIES]
    chances = pooled.posterior.families[rows]
    likely = chances >= chances.max() * MIN_CHANCE
    rows, chances = rows[likely], chances[likely]
    if chances.sum() <= 0.0:
        chances = np.ones(len(rows))
    taken = taken_faces(pooled.views)
    wanted = [view for view in PHOTOS if view not in taken]
    played = _play(pooled, wanted, rows.tolist(), chances / chances.sum(), model, costs)
    gains = [now - cost for cost, _ in played]
    best = int(np.argmax(gains))
    if gains[best] < MIN_GAIN:
        if not variants_open:
            return None
        best = int(np.argmin([doubt for _, doubt in played]))
    view = wanted[best]
    words = f"Take a photo of the {_NAMES[view]}: {_WHY[view]}."
    if view == "label close-up" and any(map(_shows_label_alone, pooled.views)):
        words = _LABEL_AGAIN
    return NextPhoto(view, max(0.0, float(gains[best])), words)


def _shows_label_alone(view: UnitView) -> bool:
    """Whether a view is a close-up of a label; what was typed has no place in a photo."""
    placed = any(text.polygon for text in view.texts) or any(code.polygon for code in view.codes)
    return view.usable and view.unit is None and placed


def taken_faces(views: tuple[UnitView, ...]) -> set[str]:
    """Faces that a usable photo shows whole already: what is missing there, only a closer look can give."""
    shown = [view for view in views if view.usable and view.unit and view.unit.method != WHOLE_PHOTO]
    return {"front" if view.front > 0.5 else "back" for view in shown}


def photo_of_all(now: float) -> NextPhoto:
    """What to take where no controller was seen at all: no close-up, but the unit.

    Parameters
    ----------
    now : float
        Cost of deciding on what is known, second looks.
    """
    words = (
        "Take a photo of the unit alone and whole, its plug face to the camera, filling half of the picture."
    )
    return NextPhoto("front", now, words)


_NAMES = {
    "front": "plug face",
    "back": "back",
    "label close-up": "label, close up",
    "plug close-up": "plugs, close up",
    "donor plate": "donor vehicle's type plate with the 17-character number",
}


def _play(
    pooled: PooledEvidence, wanted: list[View], rows: list[int], chances, model: Model, costs: Costs
) -> list[tuple[float, float]]:
    """Mean cost after one more photo of each view, and mean doubt about family and variant together, over
    the families still possible and the photos drawn for each."""
    known = [
        ViewFit(f.log_odds[rows], f.measured, f.deviance[rows], f.suffix_margin[rows]) for f in pooled.fits
    ]
    before = [heard_of(pooled, row, model) for row in rows]
    each = N_DRAWN // len(rows)
    photos = imagined_photos(pooled.index, model.noise).take(rows, wanted, each)
    cases = fuse_each([[*known, *photo.fits] for photo in photos])
    variant_chances = []
    for place, _, heard, plate in photos:
        family = pooled.index.families[rows[place]]
        years = pooled.donor_years if plate is None else plate
        variant_chances.append(best_chance(family, (*before[place], *heard), model.noise, years))
    weights = chances[[photo.place for photo in photos]] / each
    posteriors = predict(model, cases)
    after = [expected_cost(p, v, costs) for p, v in zip(posteriors, variant_chances, strict=True)]
    named = [p.families.max() * v for p, v in zip(posteriors, variant_chances, strict=True)]
    of_view = each * len(rows)
    return [
        (
            float(np.dot(weights[k : k + of_view], after[k : k + of_view])),
            float(np.dot(weights[k : k + of_view], 1.0 - np.array(named[k : k + of_view]))),
        )
        for k in range(0, len(cases), of_view)
    ]
