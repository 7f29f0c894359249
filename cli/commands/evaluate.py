"""plugface evaluate: measure, on photos with known truth, how often the answers are right."""

from __future__ import annotations

import os
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say_json
from plugface.cli.settings import Split, cache_folder, default_catalogue, demo_folder

if TYPE_CHECKING:
    from plugface.cli.evaluation.truth import TruePhoto
    from plugface.models.catalogue.entries import Catalogue
    from plugface.models.learning.classifier import Model
    from plugface.models.learning.metrics import Case, Figure
    from plugface.vision.observations import Observations
    from rich.console import Console

#: Severity of the corruptions, the worst of the published five.
SEVERITY = 5

#: Photos that are corrupted, and photos that are timed; the first of the split, so that runs compare.
CORRUPTED_PHOTOS = 40
TIMED_PHOTOS = 10


def evaluate(
    split: Annotated[Split, typer.Option("--split", help="Which part of the photos.")] = "test",
    data: Annotated[
        Path | None,
        typer.Option(
            "--data", metavar="DIR", help="Folder with truth.jsonl and photos.", show_default="the demo"
        ),
    ] = None,
    catalogue: options.CatalogueFolder = None,
    other_makers: Annotated[
        bool, typer.Option(help="Also the makers whose photos nothing was learned from.")
    ] = True,
    baselines: Annotated[bool, typer.Option(help="Also two plain picture classifiers.")] = True,
    weights: Annotated[
        Path | None,
        typer.Option(
            "--weights",
            metavar="DIR",
            help="Look with the networks of this folder: segmenter.onnx, cast_reader.onnx, SHA256SUMS.",
            show_default="those that come along",
        ),
    ] = None,
    matcher: Annotated[
        Path | None,
        typer.Option(
            "--matcher", metavar="FILE", help="Decide with this model.json.", show_default="the one in use"
        ),
    ] = None,
    corruptions: Annotated[
        bool, typer.Option("--corruptions", help="Also the 15 published corruptions, severity 5 (long).")
    ] = False,
    as_json: options.AsJson = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write the figures and charts there.", show_default=False),
    ] = None,
    photos: Annotated[
        Path | None,
        typer.Option(
            "--photos", metavar="DIR", help="Your own photos; with --truth. A trial.", show_default=False
        ),
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Option(
            "--truth",
            metavar="SHEET",
            help="What your photos show: .csv or .xlsx with photo, family, and if you like variant, unit.",
            show_default=False,
        ),
    ] = None,
    ledger: Annotated[
        str | None,
        typer.Option(
            "--ledger",
            metavar="WHERE",
            help="A trial on the confirmed units of a run folder, SQLite file or database URL.",
            show_default=False,
        ),
    ] = None,
    donor_numbers: options.DonorNumbers = False,
    workers: Annotated[int, typer.Option("--workers", min=1, help="Processes.")] = os.cpu_count() or 1,
) -> None:
    """Measure how often family and variant are right, how often a wrong one is accepted, how honest it is.

    With --photos and --truth, or with --ledger, it is a trial on your own units instead: how many were right,
    accepted, accepted and wrong, and whether it is as sure as it says, with intervals; --out writes one page
    with pictures of every miss, in which donors' numbers are painted over without --donor-numbers. A unit of
    no family of the catalogue is called "none" in the sheet.
    --ledger takes all that were confirmed: the half that `plugface learn` was taught by flatters the figures.

    With --weights and --matcher, networks of another version look at the same photos and its matcher decides:
    so two versions can be compared on one set. No time is taken then.

    What is seen in each photo is kept in the cache, so a second run is quick; stop it at any time and run it
    again.

    Exit code: 0 when it was measured, whatever came out; 2 when photos or catalogue cannot be used.
    """
    if photos is not None or truth is not None or ledger is not None:
        if (photos is None) != (truth is None) or (photos is not None and ledger is not None):
            raise typer.BadParameter("a trial needs --photos DIR and --truth SHEET, or --ledger WHERE alone")
        from plugface.cli.commands.evaluate_trial import evaluate_own

        evaluate_own(
            catalogue or default_catalogue(),
            photos=photos, truth=truth, ledger=ledger, out=out, as_json=as_json, workers=workers,
            donor_numbers=donor_numbers,
        )  # fmt: skip
        return
    from plugface.cli.evaluation.truth import TruthMissing, list_test_makers, read_truth
    from plugface.cli.lot.run_folder import write_whole
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.learned_model import default_model
    from plugface.models.catalogue.entries import load_catalogue
    from plugface.models.learning import metrics
    from plugface.models.learning.classifier import load_model

    folder = data or demo_folder()
    known = load_catalogue(catalogue or default_catalogue())
    rows = read_truth(folder, split)
    if not rows:
        raise TruthMissing(str(folder), f"it holds no photos of the {split} split")
    ways = Ways(workers, weights, load_model(matcher) if matcher else default_model())
    cases = cases_of(rows, folder, known, ways, "Looking at photos")
    tables = {
        "Deciding": metrics.deciding_figures(cases, ways.model.conformal.n),
        "Units of no listed family": metrics.unknown_figures(cases),
        "Cautions": metrics.caution_figures(cases, [f.key for f in known.families if f.hazard != "none"]),
    }
    for maker in list_test_makers() if other_makers and data is None else ():
        title, figures = _other_maker(maker, ways)
        tables[title] = figures
    if baselines:
        tables["For comparison, family from one front photo"] = _baselines(folder, rows, cases)
    if weights is None and matcher is None:
        tables["Time"] = [_seconds(folder, rows, known)]
    if corruptions:
        tables[f"Corrupted photos, severity {SEVERITY}"] = _corrupted(rows, folder, known, ways)
    counts = metrics.confusion(metrics.one_per_unit(cases))
    if out:
        _write_charts(out, cases, counts, split)
    if as_json or out:
        from plugface.cli.present.schemas import evaluate_out

        document = evaluate_out(known, split, ways.model.version, tables, counts).model_dump_json(indent=2)
        if out:
            write_whole(out / "evaluate.json", f"{document}\n".encode())
        if as_json:
            say_json(document)
            return
    _print(Screen(), tables)


@dataclass(frozen=True)
class Ways:
    """How it is looked and decided: in how many processes, with which networks, by which matcher."""

    workers: int
    weights: Path | None
    model: Model


def cases_of(
    rows: Iterable[TruePhoto],
    folder: Path,
    catalogue: Catalogue,
    ways: Ways,
    caption: str,
    corruption: str = "",
) -> list[Case]:
    """Each unit by each of its photos alone, and by all together; each photo of no unit alone."""
    from plugface.cli.evaluation.kept_observations import Look, observe_all
    from plugface.cli.evaluation.truth import group_by_unit
    from plugface.cli.present.screen import Screen
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    groups = group_by_unit(list(rows))
    severity = SEVERITY if corruption else 0
    looks = {
        row: Look(folder / row.photo, corruption, severity, ways.weights)
        for group in groups.values()
        for row in group
    }
    bar = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*bar, console=Screen(stderr=True), transient=True) as progress:
        task = progress.add_task(caption, total=len(looks))
        seen = observe_all(
            looks.values(), cache_folder(), workers=ways.workers, done=lambda: progress.advance(task)
        )
    cases = []
    for unit_id, group in groups.items():
        for chosen in [[row] for row in group] + ([group] if len(group) > 1 else []):
            own = [seen[looks[row]] for row in chosen]
            cases.append(judge_case(unit_id, chosen, own, catalogue, ways.model))
    return cases


def judge_case(
    unit_id: str, rows: list[TruePhoto], seen: list[Observations], catalogue: Catalogue, model: Model
) -> Case:
    """The answer for one unit by some of its photos, beside its truth."""
    from plugface.analysis import Settings, decide_observed
    from plugface.models.learning.metrics import Case
    from plugface.models.unit_choice import MostProminent

    truth = rows[0].units[0] if rows[0].units else None
    known = truth is not None and truth.known and truth.family in catalogue.by_key
    answer = decide_observed(
        [row.photo for row in rows],
        seen,
        catalogue,
        settings=Settings(advise=False),
        model=model,
        chosen=[MostProminent()] * len(rows),
    )
    return Case(
        unit_id=unit_id,
        views=tuple(row.view for row in rows),
        family=truth.family if truth and known else None,
        variant=truth.variant if truth and known else None,
        decision=answer.decision,
    )


def _other_maker(folder: Path, ways: Ways) -> tuple[str, list[Figure]]:
    """Figures of a maker that nothing was learned from, under its name."""
    from plugface.cli.evaluation.truth import TruthMissing, read_truth
    from plugface.models.catalogue.entries import load_catalogue
    from plugface.models.learning import metrics
    from plugface.models.learning.metrics import Figure

    catalogue = load_catalogue(folder / "catalogue")
    title = f"{catalogue.head.name}, no photo of it in training"
    try:
        rows = read_truth(folder)
    except TruthMissing as missing:
        return title, [Figure("family right, front and back", None, 0, message=str(missing))]
    cases = cases_of(rows, folder, catalogue, ways, f"Looking at photos of {catalogue.head.name}")
    known = [case for case in cases if case.family is not None]
    whole = [case for case in known if metrics.sees_both(case)]
    fronts = [case for case in known if case.views == ("front",)]
    backs = [case for case in known if case.views == ("back",)]
    return title, [
        metrics.share("family right, front and back", whole, lambda c: c.right, ">= 97 %", least=0.97),
        metrics.share("accepted, front and back", whole, lambda c: c.accepted, ">= 95 %", least=0.95),
        metrics.share("accepted, one back photo alone", backs, lambda c: c.accepted, ">= 90 %", least=0.9),
        metrics.share("family right, one front photo", fronts, lambda c: c.right),
        metrics.share("accepted", known, lambda c: c.accepted),
        metrics.share("accepted and wrong", known, lambda c: c.wrongly_accepted),
    ]


def _baselines(folder: Path, rows: list[TruePhoto], cases: list[Case]) -> list[Figure]:
    from plugface.cli.evaluation.baselines import predict_baselines
    from plugface.cli.evaluation.truth import read_truth
    from plugface.models.learning import metrics
    from plugface.models.learning.metrics import Figure

    asked = [row for row in rows if _is_known_front(row)]
    learned = [row for row in read_truth(folder, "train") if _is_known_front(row)]
    fronts = [case for case in cases if case.family is not None and case.views == ("front",)]
    figures = [metrics.share("plugface", fronts, lambda c: c.right)]
    if not asked or not learned:
        return figures
    proposed = predict_baselines(
        [(folder / row.photo, row.units[0].family) for row in learned], [folder / row.photo for row in asked]
    )
    for name, families in proposed.items():
        right = sum(said == row.units[0].family for said, row in zip(families, asked, strict=True))
        figures.append(Figure(name, right / len(asked), len(asked)))
    return figures


def _is_known_front(row: TruePhoto) -> bool:
    return row.view == "front" and len(row.units) == 1 and row.units[0].known


def _seconds(folder: Path, rows: list[TruePhoto], catalogue: Catalogue) -> Figure:
    from plugface.analysis import Settings, analyse
    from plugface.cli.limited_photo import read_photo
    from plugface.cli.store.learned_model import default_model
    from plugface.models.learning.metrics import Figure

    single = [row for row in rows if len(row.units) == 1][:TIMED_PHOTOS]
    settings, model = Settings(unit=1), default_model()
    times = [
        analyse([folder / row.photo], catalogue, settings=settings, model=model, opener=read_photo).seconds
        for row in single
    ]
    middle = statistics.median(times) if times else None
    return Figure(
        "seconds for one photo, median", middle, len(times), message="one process, from file to answer"
    )


def _corrupted(rows: list[TruePhoto], folder: Path, catalogue: Catalogue, ways: Ways) -> list[Figure]:
    from plugface.cli.evaluation.corruptions import CORRUPTIONS
    from plugface.models.learning import metrics
    from plugface.models.learning.metrics import Figure

    fronts = [row for row in rows if _is_known_front(row)][:CORRUPTED_PHOTOS]
    everything: list[Case] = []
    figures = []
    for name in CORRUPTIONS:
        cases = cases_of(fronts, folder, catalogue, ways, name.replace("_", " "), name)
        everything += cases
        wrong = sum(case.wrongly_accepted for case in cases) / len(cases) if cases else 0.0
        right = metrics.share(f"{name.replace('_', ' ')}, family right", cases, lambda c: c.right)
        figures.append(
            Figure(right.name, right.value, right.n, message=f"accepted and wrong {100 * wrong:.1f} %")
        )
    mean = metrics.share(
        "accepted and wrong, mean", everything, lambda c: c.wrongly_accepted, "<= 0.5 %", most=0.005
    )
    return [mean, metrics.share("accepted, mean", everything, lambda c: c.accepted), *figures]


def _write_charts(out: Path, cases: list[Case], counts: dict[str, dict[str, int]], split: str) -> None:
    import numpy as np
    from plugface.cli.present.charts import draw_confusion, draw_reliability
    from plugface.models.learning.calibration import expected_calibration_error, reliability_bins

    out.mkdir(parents=True, exist_ok=True)
    draw_confusion(counts, f"Units of the {split} split, all their photos", out / "confusion.png")
    known = [case for case in cases if case.family is not None]
    said, right = [case.probability for case in known], [case.right for case in known]
    if known:
        bins = [tuple(row) for row in reliability_bins(np.array(said), np.array(right)) if row[2]]
        error = expected_calibration_error(np.array(said), np.array(right))
        draw_reliability(bins, error, f"{len(known)} cases of the {split} split", out / "reliability.png")


def _print(console: Console, tables: dict[str, list[Figure]]) -> None:
    from rich.table import Table
    from rich.text import Text

    for title, figures in tables.items():
        table = Table(
            title=title, title_justify="left", title_style="bold", box=None, padding=(0, 1), width=80
        )
        table.add_column("figure", ratio=1)
        for caption in ("measured", "goal", "n"):
            table.add_column(caption, justify="right", no_wrap=True)
        for figure in figures:
            style = {True: "green", False: "bold red", None: ""}[figure.met]
            table.add_row(
                figure.name,
                Text(value_text(figure), style=style),
                figure.goal,
                str(figure.n),
            )
            if figure.message:
                table.add_row(Text(figure.message, style="dim"))
        console.print(table)
        console.print()


def value_text(figure: Figure) -> str:
    """A figure as text: shares in per cent, anything else as it is."""
    if figure.value is None:
        return "not measured"
    plain = any(word in figure.name for word in ("seconds", "size"))
    return f"{figure.value:.2f}" if plain else f"{100 * figure.value:.1f} %"
