"""How the photos of a lot were put together, and what may count twice for it."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from plugface.cli.store.ledger import Look, Proposal, Unit, View, look_of_lot, still_counts
from plugface.codec import read_decision, read_observations
from plugface.models.decision.doubles import CountedUnit, find_doubles
from plugface.models.grouping import BY_NAME, in_a_crowd, stands_alone
from plugface.models.matching.label_fields import find_serials
from plugface.models.matching.payloads import serials_of
from plugface.vision.observations import Observations
from plugface.vision.observations import Unit as SeenUnit
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

#: Method of a unit that was one photo alone until another one of it came.
_LATER = "a photo that came later"

#: What keeps photos together without any doubt.
MEND = (
    "Surer: a sub-folder for each unit, names such as u7_front.jpg and u7_back.jpg, or a card with a code in "
    "each photo; then sort into a new --out. Photos straight from the camera keep their times; most "
    "messengers take them away unless a photo is sent as a file."
)


@dataclass(frozen=True)
class Grouped:
    """How many units each method made, and which of them may count twice."""

    methods: dict[str, int]  # method -> units, the most frequent first
    alone: int  # units that are one photo which nothing joins to another
    doubles: dict[str, tuple[str, ...]]  # unit -> units that may be the same one


def read_grouped(
    session: Session, lot_id: int, families: Mapping[str, frozenset[str]] | None = None
) -> Grouped:
    """Count how the units of a lot came about, and find what may count twice.

    Parameters
    ----------
    session : Session
    lot_id : int
    families : mapping of str to frozenset of str, optional
        Unit -> families of its decision, of those whose decision was read already.
    """
    standing = (Unit.lot_id == lot_id, still_counts())
    shown = select(func.count(View.photo_id.distinct())).where(View.unit_id == Unit.id).scalar_subquery()
    methods = Counter(
        _LATER if stands_alone(method) and photos > 1 else method
        for method, photos in session.execute(select(Unit.method, shown).where(*standing))
    )
    broken = ("broken photo", "broken row")
    return Grouped(
        methods={method: count for method, count in methods.most_common() if method not in broken},
        alone=sum(count for method, count in methods.items() if stands_alone(method)),
        doubles=find_doubles(_counted(session, lot_id, families or {})),
    )


def _counted(session: Session, lot_id: int, known: Mapping[str, frozenset[str]]) -> list[CountedUnit]:
    earlier = aliased(Proposal)
    newest = select(func.max(earlier.id)).where(earlier.unit_id == Unit.id).scalar_subquery()
    query = (
        select(Unit.key, Unit.method, Proposal.decision, View.part, View.photo_id, Look.observations)
        .select_from(Unit)
        .join(Proposal, Proposal.id == newest)
        .join(View, View.unit_id == Unit.id)
        .join(Look, Look.photo_id == View.photo_id)
        .where(Unit.lot_id == lot_id, look_of_lot(Unit.lot_id), still_counts())
        .order_by(Unit.id)
        .execution_options(yield_per=200)
    )
    found: dict[str, CountedUnit] = {}
    for key, method, decision, part, photo_id, observations in session.execute(query):
        try:
            if key in known:
                families = known[key]
            else:
                families = frozenset(read_decision(decision).families) if decision else frozenset()
            seen = read_observations(observations) if observations else None
        except ValueError:  # damaged, or of a later version
            continue
        units = seen.units if seen else ()
        shown = units[part] if 0 <= part < len(units) else None
        faces = {"front" if shown.face.get("front", 0.0) >= 0.5 else "back"} if shown else set()
        before = found.get(key, CountedUnit(key, families, frozenset(), frozenset()))
        photos = before.photos | {str(photo_id)}
        found[key] = CountedUnit(
            key,
            families,
            before.faces | faces,
            photos,
            # A name that no other photo bears may be misspelled; sub-folder and card say which unit it is.
            alone=len(photos) == 1 and (stands_alone(method) or method == BY_NAME),
            crowded=in_a_crowd(method),
            serials=before.serials | _serials(shown or (seen if part < 0 else None)),
        )
    return list(found.values())


def _serials(seen: SeenUnit | Observations | None) -> frozenset[str]:
    """Serials on a unit, or on a close-up of one."""
    if seen is None:
        return frozenset()
    return find_serials(seen.texts).union(*(serials_of(code.payload) for code in seen.codes))


def say_grouped(grouped: Grouped) -> list[str]:
    """Sentences for the top of the report and the terminal."""
    if not grouped.methods:
        return []
    listed = ", ".join(
        f"{count} by {method}" for method, count in grouped.methods.items() if not stands_alone(method)
    )
    said = [f"How photos were put together: {listed}."] if listed else []
    if grouped.alone:
        photos = "1 photo stands" if grouped.alone == 1 else f"{grouped.alone} photos stand"
        said.append(f"{photos} alone: nothing says which other photo shows the same unit. {MEND}")
    if grouped.doubles:
        named = ", ".join(list(grouped.doubles)[:6]) + (" and others" if len(grouped.doubles) > 6 else "")
        said.append(
            f"{len(grouped.doubles)} of the units may count twice, by another face, an overview or the same "
            f"serial in another photo: {named}. Until their photos are put together, bins and pairs may "
            "count too many."
        )
    return said
