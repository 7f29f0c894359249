"""plugface catalogue propose: draft an entry for a unit whose family is in no catalogue yet."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from plugface.cli.commands import options
from plugface.cli.commands.catalogue import read_sizes, read_years
from plugface.cli.present.plain_text import say, say_json
from plugface.cli.settings import default_catalogue, open_catalogue

if TYPE_CHECKING:
    from plugface.cli.present.proposal_text import DraftText
    from plugface.models.catalogue.check import Problem
    from plugface.models.catalogue.entries import Catalogue, Family
    from plugface.models.decision.answers import Decision

#: Said where what was read in a close-up is left out of the draft.
LEFT_OUT = (
    "A long number that may be a donor's was read and left out of the draft. Where it is the unit's own "
    "service number, write it in."
)


def propose(
    photos: options.Photos,
    catalogue: options.CatalogueFolder = None,
    unit: options.UnitNumber = None,
    key: Annotated[
        str | None,
        typer.Option("--key", help="Name of the family; without it, the cast mark.", show_default=False),
    ] = None,
    maker: Annotated[str | None, typer.Option("--maker", help="Its maker.", show_default=False)] = None,
    controls: Annotated[
        Literal["engine", "gearbox", "both", "other"] | None,
        typer.Option("--controls", help="What it controls.", show_default=False),
    ] = None,
    years: Annotated[
        str | None,
        typer.Option("--years", metavar="FIRST-LAST", help="Donors' model years.", show_default=False),
    ] = None,
    size: Annotated[
        str | None,
        typer.Option("--size", metavar="WxHxD", help="Width, height, depth in mm.", show_default=False),
    ] = None,
    guess: Annotated[
        bool, typer.Option("--guess", help="Put usual values where nothing was seen, marked as guesses.")
    ] = False,
    into: Annotated[
        Path | None,
        typer.Option(
            "--into",
            metavar="DIR",
            help="Write the file into this catalogue (and hold it against it).",
            show_default=False,
        ),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Draft the catalogue entry of the unit that the photos show, for a person to correct.

    Several photos are several views of ONE unit. Plugs, order, colours, marks and label are put down as they
    were seen, with how sure each is; what no photo shows is a commented line. The draft goes to standard
    output, or with --into DIR into a catalogue: as KEY.toml when it is a whole entry, else as
    KEY.toml.draft, which is not read until you have filled it in and renamed it.

    Exit code: 0 the draft is a whole entry without errors; 1 something must be filled in or corrected first,
    and it says what; 2 a photo or the catalogue cannot be used.
    """
    from plugface.analysis import known_shades, observe_photos
    from plugface.cli.limited_photo import read_photo
    from plugface.cli.present.proposal_text import Known, draft_family
    from plugface.cli.store.learned_model import default_model
    from plugface.models.catalogue.proposal import describe_unit
    from plugface.models.decision.donor import without_donors
    from plugface.models.identify import identify
    from plugface.models.unit_choice import choose_units, gather_views

    known = Known(key, maker, controls, _parsed(years, read_years), _parsed(size, read_sizes))
    read = open_catalogue(into or catalogue or default_catalogue())
    observations = observe_photos(photos, known_shades(read), opener=read_photo)
    chosen = choose_units([str(photo) for photo in photos], observations, unit)
    decision = identify(list(observations), read, default_model(), chosen=chosen)
    views = gather_views(list(observations), chosen)
    shown = without_donors(views)
    sighting = describe_unit(shown)
    names = [photo.name for photo in photos]
    draft = draft_family(sighting, known, names, date.today(), guess=guess, families=read.families)
    family, faults = read_draft(draft)
    problems = problems_with(family, read) if family else ()
    flawed = bool(draft.missing) or any(p.severity == "error" for p in problems)
    whole = family is not None and not flawed and draft.key not in read.by_key
    written = _write(draft, into, read, whole) if into else None
    notes = [note for seen in observations for note in seen.notes]
    left_out = [LEFT_OUT] if shown != views else []
    notes = [*_count_remark(len(sighting.plugs)), *left_out, *dict.fromkeys(notes)]
    remarks = _remarks(draft, whole, faults, problems, decision, read, notes)
    if as_json:
        from plugface.cli.present.catalogue_schemas import propose_out

        document = propose_out(read, draft, whole, faults, problems, remarks, photos, written)
        say_json(document.model_dump_json(indent=2))
    else:
        for remark in remarks:
            say(remark, err=True)
        say(f"Wrote {written}" if written else draft.text, nl=bool(written))
    if not whole:
        raise typer.Exit(1)


def read_draft(draft: DraftText) -> tuple[Family | None, tuple[str, ...]]:
    """The draft as an entry, or why it is none yet; one sentence for each reason."""
    from plugface.models.catalogue.entries import Family
    from plugface.models.catalogue.messages import explain_entry
    from pydantic import ValidationError

    try:
        return Family.model_validate(tomllib.loads(draft.text)), ()
    except ValidationError as error:
        found = error.errors(include_url=False)
        # A list whose members are wrong is called too short as well; the members say what is wrong.
        inner = [one["loc"] for one in found]
        found = [
            one
            for one in found
            if one["type"] != "too_short"
            or not any(loc[: len(one["loc"])] == one["loc"] for loc in inner if loc != one["loc"])
        ]
        reasons = []
        for one in found:
            line, place, problem, remedy = explain_entry(Family, one, draft.text)
            where = ", ".join(filter(None, (f"line {line}" if line else "", place)))
            reasons.append(f"{where}: {problem}. {remedy}.")
        return None, tuple(reasons)


def problems_with(family: Family, catalogue: Catalogue) -> tuple[Problem, ...]:
    """What `catalogue check` would say of the family, and of it beside those that are there."""
    from plugface.models.catalogue.check import check_catalogue

    others = tuple(other for other in catalogue.families if other.key != family.key)
    together = catalogue.model_copy(update={"families": (*others, family), "files": ()})
    return tuple(
        problem
        for problem in check_catalogue(together)
        if problem.family == family.key or family.key in problem.message
    )


def _count_remark(plugs: int) -> list[str]:
    """A plug that was overlooked leaves no trace in a draft, so a person must count."""
    if not plugs:  # that is said among what is missing
        return []
    return [f"{plugs} plug{'s were' if plugs > 1 else ' was'} seen: count them on the unit."]


def _remarks(
    draft: DraftText, whole: bool, faults, problems, decision: Decision, catalogue: Catalogue, notes
) -> list[str]:
    """What a person must know about the draft, warnings first."""
    from plugface.cli.present.terminal import HAZARDOUS
    from plugface.models.decision.answers import CONTRADICTIONS
    from plugface.models.decision.decide import percent

    said = [c.message for c in decision.cautions if c.name in HAZARDOUS]
    if decision.verdict == "identified":
        best = decision.candidates[0]
        said.append(
            f"{catalogue.head.name} has it already: {best.family} ({percent(best.probability)}). "
            "Go on only if that is wrong."
        )
    said += [finding.message for finding in decision.findings if finding.name in CONTRADICTIONS]
    if draft.key in catalogue.by_key:
        said.append(f'{catalogue.head.name} has a family "{draft.key}" already; give this one another --key.')
    said += notes
    if draft.missing:
        said.append(f"Not a valid entry yet. Fill in what could not be seen: {'; '.join(draft.missing)}.")
    if draft.guessed:
        said.append(f"Guessed, so measure or look up: {'; '.join(draft.guessed)}.")
    if not draft.missing:
        said += [f"Not a valid entry yet: {fault}" for fault in faults]
    said += [
        f"{p.severity}: {p.key}: {p.message}. {p.remedy}."
        for p in problems
        if p.severity != "note" and p.rule != "patterns overlap"
    ]
    rivals = [p.family for p in problems if p.rule == "patterns overlap" and p.family != draft.key]
    if rivals:
        said.append(
            f"warning: label, service_number: made from one number, its pattern takes numbers of "
            f"{len(rivals)} other families too ({rivals[0]}). Write in the digits that all numbers of this "
            "family share."
        )
    if whole:
        said.append("The draft is a valid entry. Correct it with the unit in hand.")
    return said


def _write(draft: DraftText, into: Path, catalogue: Catalogue, whole: bool) -> Path:
    """Write the draft beside the other families; what is there is never overwritten."""
    from plugface.cli.commands.interview import read_new_key
    from plugface.cli.lot.run_folder import write_new
    from plugface.cli.present.catalogue_template import file_name

    if draft.key is None:
        raise typer.BadParameter("no mark was read, so the family needs a name: add --key NAME")
    name = file_name(read_new_key(draft.key, into, catalogue))
    target = into / (name if whole else f"{name}.draft")
    write_new(target, draft.text.encode())
    return target


def _parsed(text: str | None, value_of):
    return None if text is None else value_of(text)
