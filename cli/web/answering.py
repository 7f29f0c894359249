"""From the photos of one unit to what the page shows; plain values in and out, for any process."""

import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from plugface.analysis import Settings, decide_observed, known_shades, observe, open_photo
from plugface.cli.present.message import message_text
from plugface.cli.present.report.overlay import draw_overlay
from plugface.cli.present.schemas import identify_out, opinion_out
from plugface.cli.present.terminal import CLOSING, headline
from plugface.cli.settings import open_catalogue
from plugface.cli.store.learned_model import default_model
from plugface.cli.typed_label import look_at_typed
from plugface.cli.web.documents import ResultOut
from plugface.codec import read_observations, write_decision, write_observations
from plugface.models.catalogue.entries import Catalogue
from plugface.models.decision import placement
from plugface.models.decision.answers import Decision
from plugface.models.decision.pairing import Needs
from plugface.models.unit_choice import SeveralUnits, to_part

#: What stands in place of a photo's name for what was typed or scanned.
TYPED = "typed or scanned"


@dataclass(frozen=True)
class AskedPhoto:
    """One photo of the unit."""

    place: str
    name: str  # what to call it; says nothing of where it lies
    sha256: str
    observations: str  # JSON, where it was looked at before, else empty


@dataclass(frozen=True)
class Question:
    """One unit to answer."""

    photos: tuple[AskedPhoto, ...]
    claimed: str
    needs: dict[str, Any]
    catalogue: str
    typed: tuple[str, ...] = ()  # lines or barcodes of the label, from a keyboard or a scanner


@dataclass(frozen=True)
class Looked:
    """What was seen in one photo."""

    sha256: str
    observations: str
    part: int  # index of the unit that was meant; -1: none was found
    seconds: float  # 0: looked at before


@dataclass(frozen=True)
class Reply:
    """One answer, with what the page and the ledger keep of it."""

    document: str
    overlays: tuple[str, ...]
    verdict: str
    headline: str
    probability: float
    caution: str
    looked: tuple[Looked, ...]
    decision: str
    place: placement.Place


@dataclass(frozen=True)
class Problem:
    """Why there is no answer: a key of the section "problem" in the page's text, and what its words need."""

    name: str
    values: dict[str, object]


def answer(question: Question) -> Reply | Problem:
    """Answer what unit the photos show.

    Raises
    ------
    CatalogueError, ModelError, OSError
        Where the machine is at fault and not the photos.
    """
    started = time.perf_counter()
    catalogue = _catalogue(question.catalogue)
    looks = [_look(photo, catalogue) for photo in question.photos]
    seen = tuple(read_observations(text) for text, _ in looks)
    names = [photo.name for photo in question.photos]
    if question.typed:  # beside the photos, or in their place
        seen += (look_at_typed(question.typed, catalogue),)
        names.append(TYPED)
    settings = Settings(
        needs=Needs(**question.needs) if question.needs else None, claimed=question.claimed or None
    )
    try:
        found = decide_observed(
            names,
            seen,
            catalogue,
            settings=settings,
            model=default_model(),
            started=started,
        )
    except SeveralUnits as several:
        return Problem("several_units", {"photo": several.photo, "n": len(several.places)})
    decision, opinion = found.decision, found.opinion
    document = ResultOut(
        identify=identify_out(found),
        opinion=opinion_out(found, opinion, question.claimed) if opinion else None,
        message=message_text(decision, catalogue),
    )
    return Reply(
        document=document.model_dump_json(),
        overlays=tuple(
            str(draw_overlay(s, unit))
            for s, unit in zip(seen[: len(looks)], found.units[: len(looks)], strict=True)
        ),
        verdict=decision.verdict,
        headline=headline(decision, catalogue),
        probability=decision.together
        if decision.closed
        else max(decision.probability, decision.unknown_probability)
        if decision.verdict == "ambiguous"
        else decision.probability,
        caution=", ".join(_flags(decision, catalogue)),
        looked=tuple(
            Looked(photo.sha256, text, to_part(part), seconds)
            for photo, (text, seconds), part in zip(
                question.photos, looks, found.chosen[: len(looks)], strict=True
            )
        ),
        decision=write_decision(decision),
        place=placement.assign_place(decision, catalogue),
    )


def _flags(decision: Decision, catalogue: Catalogue) -> list[str]:
    """Names of the cautions that come first; not "locked" while a variant remains that is none."""
    sure = placement.standing(decision, catalogue) in ("locked", "hazard")
    names = [c.name for c in decision.cautions if c.name not in CLOSING]
    return ["locked possible" if name == "locked" and not sure else name for name in names]


def _look(photo: AskedPhoto, catalogue: Catalogue) -> tuple[str, float]:
    if photo.observations:
        return photo.observations, 0.0
    started = time.perf_counter()
    decoded = open_photo(Path(photo.place).read_bytes(), name=photo.name)
    seen = observe(decoded, shades=known_shades(catalogue))
    return write_observations(seen), time.perf_counter() - started


@cache
def _catalogue(folder: str) -> Catalogue:
    return open_catalogue(Path(folder))
