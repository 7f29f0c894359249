"""plugface evaluate --photos or --ledger: a trial on a shop's own units."""

from collections.abc import Iterable
from contextlib import closing
from datetime import datetime
from pathlib import Path

from plugface.cli.commands.ledger import open_existing
from plugface.cli.evaluation.trial import TrueUnit, confirmed_units, read_truth_sheet, run_trial
from plugface.cli.evaluation.truth import TruthMissing
from plugface.cli.lot.run_folder import write_whole
from plugface.cli.lot.scan import FolderError
from plugface.cli.present.plain_text import say
from plugface.cli.present.report.trial import render_trial, summary_lines
from plugface.cli.present.screen import Screen
from plugface.cli.settings import cache_folder
from plugface.cli.store.confirmations import list_confirmed
from plugface.cli.store.learned_model import default_model
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table


def evaluate_own(
    folder: Path,
    *,
    photos: Path | None,
    truth: Path | None,
    ledger: str | None,
    out: Path | None,
    as_json: bool,
    workers: int,
    donor_numbers: bool,
) -> None:
    """Answer a shop's own units, hold the answers against the truth, and say how often they were right.

    Parameters
    ----------
    folder : Path
        Of the catalogue.
    photos, truth
        Where the photos are, and the sheet that says what each shows.
    ledger : str, optional
        Whose confirmed units are taken in place of these.
    donor_numbers : bool
        Show the numbers of donors in the page's pictures.

    Raises
    ------
    TruthMissing
        If there is no unit with a known truth, or none that can be looked at.
    FolderError
        If there is no such folder of photos, or no file in it.
    """
    catalogue = load_catalogue(folder)
    units, problems, about = _read_units(catalogue, photos, truth, ledger)
    _say_left_out(problems)  # before the photos are looked at, which takes minutes
    if not units and problems:
        what = "rows" if truth else "units"
        problem = f"none of its {what} can be used ({problems[0]})"
        raise TruthMissing(str(truth or ledger), problem, "Correct them and run it again")
    if not units:
        raise TruthMissing(str(truth or ledger), "it holds no unit", "Add one with its truth")
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
    bar = (TextColumn("Looking at your units"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*bar, console=Screen(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=sum(not unit.observations for unit in units))
        trial = run_trial(units, folder, cache_folder(), workers=workers, done=lambda: progress.advance(task))
    _say_left_out(trial.left_out)
    if not trial.outcomes:
        problem = f"none of its units can be answered ({trial.left_out[0].rstrip('.')})"
        raise TruthMissing(str(truth or ledger), problem, "Mend what is said of each and run it again")
    trial = type(trial)(trial.outcomes, (*problems, *trial.left_out))
    from plugface.cli.present.trial_schemas import trial_out

    document = trial_out(trial, catalogue, default_model().version).model_dump_json(indent=2)
    if out is not None:
        made, model = datetime.now().astimezone(), default_model().version
        page = render_trial(trial, catalogue, folder, made, model, about, donor_numbers=donor_numbers)
        write_whole(out / "trial.html", page.encode())
        write_whole(out / "trial.json", f"{document}\n".encode())
    if as_json:
        say(document)
        return
    console = Screen()
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for title, justify in (
        ("of your units", "left"),
        ("count", "right"),
        ("share", "right"),
        ("may be", "right"),
    ):
        table.add_column(title, justify=justify, no_wrap=title != "of your units")  # type: ignore[arg-type]
    for row in summary_lines(trial):
        table.add_row(*row)
    console.print(table)
    for one in trial.misses:
        leading = f", leading was {one.said}" if one.said else "; no family was named"
        console.print(f"{one.miss}: {one.unit.name} is {one.unit.truth}{leading}")
    said = f"Page: {out / 'trial.html'}" if out else "Add --out DIR for a page with pictures of every miss."
    looked_at, missed = len(trial.outcomes), len(trial.misses)
    counts = f"{looked_at} unit{'' if looked_at == 1 else 's'}, {missed} miss{'' if missed == 1 else 'es'}"
    counts += f", {len(trial.left_out)} left out" if trial.left_out else ""
    console.print(f"{counts}. {said}")


def _say_left_out(lines: Iterable[str]) -> None:
    for line in lines:
        say(f"left out: {line}", err=True)


def _read_units(
    catalogue: Catalogue, photos: Path | None, truth: Path | None, ledger: str | None
) -> tuple[list[TrueUnit], list[str], str]:
    if photos is not None and truth is not None:
        if not photos.is_dir():
            problem = "it is not a folder" if photos.exists() else "there is no such folder"
            raise FolderError(str(photos), problem, "Name the folder that holds the photos.")
        if not any(photos.iterdir()):
            raise FolderError(str(photos), "the folder is empty", "Name the folder that holds the photos.")
        units, problems = read_truth_sheet(truth, photos, catalogue)
        return units, problems, f"Photos from {photos.name}, truth from {truth.name}."
    with closing(open_existing(ledger)) as opened:
        units, problems = confirmed_units(list_confirmed(opened), catalogue)
        about = "Units that were confirmed in the ledger, by what was seen of them then."
        return units, problems, f"{about} The half that `plugface learn` was taught by flatters the figures."
