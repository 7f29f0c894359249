"""plugface learn: train and calibrate again, with the units that people have confirmed."""

import os
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.commands.ledger import open_existing
from plugface.cli.evaluation.train_matcher import SEED, observed_units
from plugface.cli.evaluation.truth import TruthMissing
from plugface.cli.lot.worker import PipelineAnalyser
from plugface.cli.pipeline import default_model, learned_model_path
from plugface.cli.present.terminal import percent
from plugface.cli.settings import default_catalogue, demo_folder
from plugface.cli.store.confirmations import Confirmed, list_confirmed
from plugface.cli.store.learned_model import activate, former_model_path, put_former_back
from plugface.cli.store.ledger import LedgerError
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.learning.classifier import Model
from plugface.models.learning.training import calibrate, observed_examples, train
from plugface.models.learning.training_data import (
    MIN_CALIBRATION,
    Judgement,
    Part,
    find_worse,
    judge,
    merge_catalogues,
    part_of,
)
from plugface.models.matching.error_model_fit import fit_error_model
from plugface.models.unit_choice import ObservedUnit
from rich.console import Console
from rich.table import Table


@dataclass(frozen=True)
class TrainingData:
    """Units by part, of the user's ledgers and of the demo."""

    own: dict[Part, list[ObservedUnit]]
    demo: dict[Part, list[ObservedUnit]]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Outcome:
    """What learning came to."""

    model: Model
    former: str  # version of the model that was in use
    taken: bool
    before: Judgement
    after: Judgement
    own_before: Judgement  # the part of it that is the user's confirmed units
    own_after: Judgement
    worse: tuple[str, ...]
    lessons: TrainingData
    notes: tuple[str, ...]


def learn(
    ledgers: Annotated[
        list[str] | None,
        typer.Option(
            "--ledger",
            metavar="WHERE",
            help="Run folder, SQLite file or database URL (repeat it); without it the user's own.",
            show_default=False,
        ),
    ] = None,
    catalogue: options.CatalogueFolder = None,
    even_if_worse: Annotated[
        bool, typer.Option("--even-if-worse", help="Use the new model even if it is worse.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Train and judge, but keep the model in use.")
    ] = False,
    back: Annotated[bool, typer.Option("--back", help="Learn nothing: use the former model again.")] = False,
    demo: Annotated[bool, typer.Option(help="Learn from the demo photos too, where they are.")] = True,
    simulated: Annotated[
        int, typer.Option("--simulated", min=100, help="Simulated units to learn from besides.")
    ] = 6000,
    workers: Annotated[
        int, typer.Option("--workers", min=1, help="Processes to look at demo photos.")
    ] = os.cpu_count() or 1,
    as_json: options.AsJson = False,
) -> None:
    """Train and calibrate the classifier again, with the confirmed units, and use it if it is no worse.

    Half of the confirmed units teach, a quarter calibrates, and a quarter is held back to judge the new model
    against the one in use; which is which hangs on the photos' bytes and never changes. A model that accepts
    more wrong units, gives the truth less probability, or costs more on the held-back units is not used
    unless you say --even-if-worse. The one before it is kept; --back uses it again.

    Exit code: 0 the new model is in use (or would be, with --dry-run); 1 it is worse and was not taken;
    2 there is nothing to learn from, or a ledger or the catalogue cannot be used.
    """
    console = Console(highlight=False)
    if back:
        model = put_former_back()
        console.print(f"In use again: the former model {model.version}, {learned_model_path()}")
        return
    folder = catalogue or default_catalogue()
    read = load_catalogue(folder)
    confirmed = _read_ledgers(ledgers or [None])
    known = load_catalogue(demo_folder() / "marrow_finch")
    lessons = gather_lessons(
        confirmed, read, PipelineAnalyser(folder).look_version, known if demo else None, workers
    )
    Console(stderr=True).print("Training; this takes some minutes")
    outcome = run_lesson(lessons, read, known, default_model(), simulated, even_if_worse, dry_run)
    if as_json:
        from plugface.cli.present.catalogue_schemas import learn_out

        typer.echo(learn_out(read, outcome).model_dump_json(indent=2))
    else:
        _render(console, outcome, dry_run)
    if outcome.worse and not even_if_worse:
        raise typer.Exit(1)


def _read_ledgers(places: Sequence[str | None]) -> list[Confirmed]:
    found = []
    for place in places:
        with closing(open_existing(place)) as ledger:
            found += list_confirmed(ledger)
            name = ledger.name
    if not found:
        raise LedgerError(name, "no unit in it is confirmed", "Confirm some first: plugface confirm")
    return found


def gather_lessons(
    confirmed: Sequence[Confirmed],
    catalogue: Catalogue,
    look_version: str,
    demo: Catalogue | None,
    workers: int,
) -> TrainingData:
    """Sort everything that can be learned from into its part.

    Parameters
    ----------
    demo : Catalogue or None
        The demo's catalogue; None: do without its photos.
    """
    own: dict[Part, list[ObservedUnit]] = {"learn": [], "calibrate": [], "judge": []}
    notes = []
    gone = [c for c in confirmed if c.unit.family is not None and c.unit.family not in catalogue.by_key]
    for one in confirmed:
        if one not in gone:
            own[part_of(one.photo_hashes)].append(one.unit)
    if gone:
        keys = ", ".join(sorted({str(c.unit.family) for c in gone})[:5])
        notes.append(f"{len(gone)} confirmed units are left out: the catalogue has no {keys}.")
    older = sum(one.look_versions != {look_version} for one in confirmed)
    if older:
        notes.append(f"{older} confirmed units were looked at by another version; what it saw is used.")
    return TrainingData(own, _demo_lessons(demo, workers, notes), tuple(notes))


def _demo_lessons(demo: Catalogue | None, workers: int, notes: list[str]) -> dict[Part, list[ObservedUnit]]:
    """The demo's training split teaches; its calibration split calibrates, and a quarter of it judges."""
    lessons: dict[Part, list[ObservedUnit]] = {"learn": [], "calibrate": [], "judge": []}
    if demo is None:
        return lessons
    try:
        lessons["learn"] = observed_units(demo_folder(), "train", demo, workers)
        for unit in observed_units(demo_folder(), "calibration", demo, workers):
            part = part_of(seen.photo_sha256 for seen in unit.observations)
            lessons["judge" if part == "judge" else "calibrate"].append(unit)
    except TruthMissing:
        notes.append("The demo photos are not here; simulated units stand for them.")
    return lessons


def run_lesson(
    lessons: TrainingData,
    catalogue: Catalogue,
    demo: Catalogue,
    former: Model,
    simulated: int,
    even_if_worse: bool = False,
    dry_run: bool = False,
) -> Outcome:
    """Train, calibrate, judge beside the model in use, and take it into use if that is right."""
    together = merge_catalogues(catalogue, demo)
    taught = lessons.own["learn"] + lessons.demo["learn"]
    model = train(taught, together, SEED, noise=fit_error_model(taught, together), n_simulated=simulated)
    notes = list(lessons.notes)
    held = lessons.own["calibrate"] + lessons.demo["calibrate"]
    cases = observed_examples(held, together, model.noise, without=False)
    if len(cases) >= MIN_CALIBRATION and any(case.truth >= 0 for case in cases):
        model = calibrate(model, held, together)
    else:
        notes.append(
            f"Calibrated on simulated units: {len(cases)} cases of real ones are too few "
            f"(at least {MIN_CALIBRATION})."
        )
    own_before, own_after = (judge(m, lessons.own["judge"], catalogue) for m in (former, model))
    demo_before, demo_after = (judge(m, lessons.demo["judge"], demo) for m in (former, model))
    before, after = own_before + demo_before, own_after + demo_after
    worse = find_worse(before, after)
    taken = not dry_run and (not worse or even_if_worse)
    if taken:
        activate(model)
    return Outcome(
        model, former.version, taken, before, after, own_before, own_after, worse, lessons, tuple(notes)
    )


def _render(console: Console, outcome: Outcome, dry_run: bool) -> None:
    own, demo = outcome.lessons.own, outcome.lessons.demo
    parts: dict[str, Part] = {"taught": "learn", "calibrated": "calibrate", "judged": "judge"}
    for word, part in parts.items():
        console.print(f"{word:>10}: {len(own[part])} confirmed units, {len(demo[part])} of the demo")
    for note in outcome.notes:
        console.print(note)
    table = Table(box=None, padding=(0, 2), pad_edge=False)
    table.add_column("on what is held back")
    for caption in ("before", "after", "cases"):
        table.add_column(caption, justify="right")
    for name, before, after, cases in compare(outcome.before, outcome.after):
        table.add_row(name, before, after, cases)
    if outcome.own_after.cases and outcome.own_after.cases != outcome.after.cases:
        table.add_row("of these, your confirmed units", "", "", "", style="bold")
        for name, before, after, cases in compare(outcome.own_before, outcome.own_after):
            table.add_row(f"  {name}", before, after, cases)
    console.print(table)
    if outcome.worse:
        console.print(f"The new model is worse: {'; '.join(outcome.worse)}.")
    if outcome.taken:
        console.print(f"In use now: {learned_model_path()}, model {outcome.model.version}")
        console.print(f"The one before it, {outcome.former}: {former_model_path()} (plugface learn --back)")
    elif outcome.worse:
        console.print(f"Model {outcome.former} stays in use. --even-if-worse would replace it.")
    elif dry_run:
        console.print(f"Model {outcome.former} stays in use: this was a dry run.")


def compare(before: Judgement, after: Judgement) -> list[tuple[str, str, str, str]]:
    """Rows of figure, before, after and number of cases, as text."""

    def share(part: str, of: str) -> tuple[str, str, str]:
        total = getattr(after, of)
        if not total:
            return "", "", "0"
        return percent(getattr(before, part) / total), percent(getattr(after, part) / total), str(total)

    def mean(part: str) -> tuple[str, str, str]:
        if not after.cases:
            return "", "", "0"
        first, second = (getattr(one, part) / after.cases for one in (before, after))
        return f"{first:.3f}", f"{second:.3f}", str(after.cases)

    return [
        ("family right", *share("right", "known")),
        ("accepted", *share("accepted", "cases")),
        ("accepted and wrong", *share("accepted_wrong", "cases")),
        ("log loss of the truth", *mean("log_loss")),
        ("cost, second looks a case", *mean("cost")),
    ]
