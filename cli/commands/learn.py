"""plugface learn: train and calibrate again, with the units that people have confirmed."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.commands.ledger import open_existing
from plugface.cli.present.plain_text import say_json
from plugface.cli.settings import N_SIMULATED, default_catalogue, demo_folder

if TYPE_CHECKING:
    from plugface.cli.store.confirmations import Confirmed
    from plugface.models.catalogue.entries import Catalogue
    from plugface.models.learning.classifier import Model
    from plugface.models.learning.training import Told
    from plugface.models.learning.training_data import Judgement, Part
    from plugface.models.unit_choice import ObservedUnit
    from rich.console import Console

#: Fewer confirmed units than this are not learned from: of 24, six are held back to judge by, and with fewer
#: one unit decides (our choice).
MIN_CONFIRMED = 24

#: Seconds between two lines about how far it is, where they go to a file or another program.
SAY_EVERY_S = 10.0


class HowFar:
    """Says how far the work is: one line that is written over in a terminal, one now and then in a pipe."""

    def __init__(self, every_s: float = SAY_EVERY_S) -> None:
        self._every_s, self._next, self._what = every_s, 0.0, ""

    def __call__(self, what: str, done: int, of: int) -> None:
        live, now = sys.stderr.isatty(), time.monotonic()
        if what == self._what and done < of and now < self._next:
            return
        self._what, self._next = what, now + (0.2 if live else self._every_s)
        line = f"{what}: {done:,} of {of:,}" if of > 1 else f"{what}{' done' if done else ' ...'}"
        sys.stderr.write(f"\r{line:<70}" + ("\n" if done >= of else "") if live else f"{line}\n")
        sys.stderr.flush()


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
    data: TrainingData
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
    ] = N_SIMULATED,
    workers: Annotated[
        int, typer.Option("--workers", min=1, help="Processes to look at demo photos.")
    ] = os.cpu_count() or 1,
    as_json: options.AsJson = False,
) -> None:
    """Train and calibrate the classifier again, with the confirmed units, and use it if it is no worse.

    It takes some ten minutes, and at least 24 confirmed units. Half of them teach, a quarter calibrates, and
    a quarter is held back to judge the new model against the one in use; which is which hangs on the photos'
    bytes and never changes. Beside them both models are judged on the demo's calibration units, on which both
    were calibrated: with nothing new, the figures there are those of the model that comes along.

    A model that accepts more wrong units, gives the truth less probability, or costs more is not used unless
    you say --even-if-worse. The one before it is kept; --back uses it again.

    Exit code: 0 the new model is in use (or would be, with --dry-run); 1 it is worse and was not taken;
    2 there is nothing to learn from, or a ledger or the catalogue cannot be used.
    """
    from plugface.cli.lot.worker import PipelineAnalyser
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.learned_model import default_model, learned_model_path, put_former_back
    from plugface.models.catalogue.entries import load_catalogue

    console = Screen()
    if back:
        model = put_former_back()
        console.print(f"In use again: the former model {model.version}, {learned_model_path()}")
        return
    folder = catalogue or default_catalogue()
    read = load_catalogue(folder)
    confirmed = _read_ledgers(ledgers or [None])
    tell = HowFar()
    known = load_catalogue(demo_folder() / "marrow_finch")
    data = gather_training_data(
        confirmed, read, PipelineAnalyser(folder).look_version, known if demo else None, workers, tell
    )
    Screen(stderr=True).print("Training; this takes some minutes")
    outcome = run_training(data, read, known, default_model(), simulated, even_if_worse, dry_run, tell)
    if as_json:
        from plugface.cli.present.catalogue_schemas import learn_out

        say_json(learn_out(read, outcome).model_dump_json(indent=2))
    else:
        _render(console, outcome, dry_run)
    if outcome.worse and not even_if_worse:
        raise typer.Exit(1)


def _read_ledgers(places: Sequence[str | None]) -> list[Confirmed]:
    from plugface.cli.store.confirmations import list_confirmed
    from plugface.cli.store.ledger import LedgerError

    found, read = [], set()
    for place in places:
        with closing(open_existing(place)) as ledger:
            name = ledger.name
            if ledger.place not in read:  # named twice, it counts once
                found += list_confirmed(ledger)
            read.add(ledger.place)
    if not found:
        raise LedgerError(name, "no unit in it is confirmed", "Confirm some first: plugface confirm")
    if len(found) < MIN_CONFIRMED:
        missing = MIN_CONFIRMED - len(found)
        problem = (
            f"{len(found)} confirmed unit{'' if len(found) == 1 else 's'}, {missing} too few to learn from"
        )
        raise LedgerError(
            name, problem, f"Confirm {missing} more; at {MIN_CONFIRMED} a quarter can be held back"
        )
    return found


def gather_training_data(
    confirmed: Sequence[Confirmed],
    catalogue: Catalogue,
    look_version: str,
    demo: Catalogue | None,
    workers: int,
    tell: Told = lambda *_: None,
) -> TrainingData:
    """Sort everything that can be learned from into its part.

    Parameters
    ----------
    demo : Catalogue or None
        The demo's catalogue; None: do without its photos.
    """
    from plugface.models.learning.training_data import part_of

    own: dict[Part, list[ObservedUnit]] = {"learn": [], "calibrate": [], "judge": []}
    notes = []
    gone = [c for c in confirmed if c.unit.family is not None and c.unit.family not in catalogue.by_key]
    for one in confirmed:
        if one not in gone:
            own[part_of(one.photo_hashes)].append(one.unit)
    if gone:
        keys = ", ".join(sorted({str(c.unit.family) for c in gone})[:5])
        notes.append(f"{len(gone)} confirmed units are left out: the catalogue has no {keys}.")
    known = ("", catalogue.sha256)
    earlier = sum(one.unit.family is None and one.catalogue_sha256 not in known for one in confirmed)
    if earlier:
        words = f"{earlier} units were confirmed as in no family before the catalogue was changed"
        notes.append(f"{words}; confirm those again that it holds now.")
    older = sum(one.look_versions != {look_version} for one in confirmed)
    if older:
        notes.append(f"{older} confirmed units were looked at by another version; what it saw is used.")
    return TrainingData(own, _demo_training_data(demo, workers, notes, tell), tuple(notes))


def _demo_training_data(
    demo: Catalogue | None, workers: int, notes: list[str], tell: Told = lambda *_: None
) -> dict[Part, list[ObservedUnit]]:
    """The demo's training split teaches; its calibration split calibrates, and is shown beside.

    The model that comes along was made so too. While a quarter of the split was kept from the new model
    alone, the comparison favoured the one in use, and a model taught nothing new came out as another one.
    """
    from plugface.cli.evaluation.train_matcher import observed_units
    from plugface.cli.evaluation.truth import TruthMissing

    data: dict[Part, list[ObservedUnit]] = {"learn": [], "calibrate": [], "judge": []}
    if demo is None:
        return data
    try:
        data["learn"] = observed_units(demo_folder(), "train", demo, workers, tell)
        data["calibrate"] = observed_units(demo_folder(), "calibration", demo, workers, tell)
        data["judge"] = data["calibrate"]
    except TruthMissing:
        notes.append("The demo photos are not here; simulated units stand for them.")
    return data


def run_training(
    data: TrainingData,
    catalogue: Catalogue,
    demo: Catalogue,
    former: Model,
    simulated: int,
    even_if_worse: bool = False,
    dry_run: bool = False,
    tell: Told = lambda *_: None,
) -> Outcome:
    """Train, calibrate, judge beside the model in use, and take it into use if that is right."""
    from plugface.cli.evaluation.train_matcher import SEED, is_seen_otherwise, say_looks
    from plugface.cli.store.learned_model import activate
    from plugface.models.learning.training import FOLDS, calibrate, observed_examples, train, train_crossed
    from plugface.models.learning.training_data import MIN_CALIBRATION, find_worse, judge, merge_catalogues
    from plugface.models.matching.error_model_fit import fit_error_model

    together = merge_catalogues(catalogue, demo)
    taught = data.own["learn"] + data.demo["learn"]
    held = data.own["calibrate"] + data.demo["calibrate"]
    # The segmenter learned from the demo's training photos: how it errs is measured on others.
    noise = fit_error_model(data.own["learn"] + held, together)
    notes = list(data.notes)
    cases = observed_examples(held, together, noise, without=False)
    if len(cases) < MIN_CALIBRATION or not any(case.truth >= 0 for case in cases):
        model = train(taught, together, SEED, noise=noise, n_simulated=simulated, tell=tell)
        notes.append(
            f"Calibrated on simulated units: {len(cases)} cases of real ones are too few "
            f"(at least {MIN_CALIBRATION})."
        )
    elif len(taught) >= FOLDS:
        model = train_crossed(taught, held, together, SEED, noise=noise, n_simulated=simulated, tell=tell)
    else:  # too few to leave any out
        model = calibrate(
            train(taught, together, SEED, noise=noise, n_simulated=simulated, tell=tell), held, together
        )
    demo_units = data.demo["learn"] + data.demo["calibrate"]
    if demo_units:
        model = say_looks(model, demo_units)
        if is_seen_otherwise(former, model):
            notes.append(
                f"The demo's photos are seen otherwise than when model {former.version} was made (another "
                "version or machine): a part of the difference is not of your units."
            )
    own_before, own_after = (judge(m, data.own["judge"], catalogue) for m in (former, model))
    demo_before, demo_after = (judge(m, data.demo["judge"], demo) for m in (former, model))
    before, after = own_before + demo_before, own_after + demo_after
    worse = find_worse(before, after)
    taken = not dry_run and (not worse or even_if_worse)
    if taken:
        activate(model)
    return Outcome(
        model, former.version, taken, before, after, own_before, own_after, worse, data, tuple(notes)
    )


def _render(console: Console, outcome: Outcome, dry_run: bool) -> None:
    from plugface.cli.store.learned_model import former_model_path, learned_model_path
    from rich.table import Table

    own, demo = outcome.data.own, outcome.data.demo
    parts: dict[str, Part] = {"taught": "learn", "calibrated": "calibrate", "judged": "judge"}
    for word, part in parts.items():
        both = ", on which both models were calibrated" if part == "judge" and demo[part] else ""
        console.print(f"{word:>10}: {len(own[part])} confirmed units, {len(demo[part])} of the demo{both}")
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
    from plugface.cli.present.screen import percent

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
