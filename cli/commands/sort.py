"""plugface sort: a folder of photos into units, and each unit into its bin."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.errors import Explained, mask_passwords, say_document
from plugface.cli.present.plain_text import say, say_json
from plugface.cli.settings import default_catalogue

if TYPE_CHECKING:
    from collections.abc import Mapping

    from plugface.cli.lot.sorting import Outcome
    from plugface.cli.lot.unpack import Asked
    from plugface.cli.present.report.worth import LotWorth
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.ledger import Ledger
    from rich.progress import Progress, TaskID

#: How many of the files that are no photos are named on the terminal, and how many in the report, which a
#: file beside each of many thousand photos would fill. Our choice.
LEFT_OUT_SAID, LEFT_OUT_ON_PAGE = 3, 300

STAGES = {
    "look": "Looking at photos",
    "group": "Finding units",
    "decide": "Deciding",
    "report": "Writing report",
}


def sort(
    photos: Annotated[
        str,
        typer.Argument(
            metavar="PHOTOS_DIR",
            help="Folder of the photos, or the .zip that a phone saved from the yard page; with the cluster "
            "extra also any address that fsspec knows.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="RUN_DIR",
            help="Folder for the run; new, or one to go on with.",
            show_default=False,
        ),
    ],
    catalogue: options.CatalogueFolder = None,
    market: Annotated[
        str,
        typer.Option("--market", help="Market the lot is for; without it none is wrong.", show_default=False),
    ] = "",
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, metavar="N", help="Processes; without it one for each core."),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster", metavar="ADDRESS", help="Dask scheduler to look at photos with, tcp://host:port."
        ),
    ] = None,
    ledger: Annotated[
        str | None,
        typer.Option("--ledger", metavar="WHERE", help="SQLite file or database URL; without it in RUN_DIR."),
    ] = None,
    retry_broken: Annotated[
        bool, typer.Option("--retry-broken", help="Look again at photos that could not be read before.")
    ] = False,
    pdf: Annotated[
        bool, typer.Option("--pdf/--no-pdf", help="Also print the report as PDF, where Chromium is.")
    ] = True,
    donor_numbers: options.DonorNumbers = False,
    as_json: options.AsJson = False,
) -> None:
    """Find which photos show the same unit, identify each unit, and say which bin it goes to.

    Photos of one unit are found by sub-folder, by file name (u7_front.jpg, u7_back.jpg), by an id card with
    a QR or Data Matrix code in the picture, or by time and appearance; the report says by which. One photo
    may show several units. Whatever stops the run, the same command goes on with it.

    Exit code: 0 when the lot is sorted, 1 when it is but for photos that this machine could not look at now
    or units that it could not decide over, or when there is no photo, 2 when the photos, the catalogue or the
    folder cannot be used, or many photos could not be looked at, 130 when it was stopped by Ctrl-C.
    """
    from plugface.cli.lot.sorting import Plan, sort_lot
    from plugface.cli.present.screen import Screen
    from plugface.cli.store.ledger import Ledger

    started = time.monotonic()
    photos, typed, asked = _unpacked(photos, out)
    plan = Plan(
        photos,
        catalogue or default_catalogue(),
        out,
        market,
        workers or _cores(),
        cluster,
        ledger,
        retry_broken,
        typed,
        asked,
    )
    screen = Screen(stderr=True)
    try:
        with _stopped_once(screen) as end_if_asked, _bar(screen) as bar:
            tasks: dict[str, TaskID] = {}

            def show(stage: str, done: int, total: int) -> None:
                end_if_asked()
                if stage not in tasks:
                    tasks[stage] = bar.add_task(STAGES[stage], total=total)
                bar.update(tasks[stage], completed=done, total=total)

            outcome = sort_lot(plan, progress=show)
            show("report", 0, 1)
            from plugface.cli.present.report.page import write_report

            with closing(Ledger(ledger or out / "ledger.sqlite")) as book:
                kept = _keep_changed(book, outcome.lot, out / "units.xlsx")
                written = write_report(
                    out,
                    book,
                    outcome.lot,
                    remarks=remarks(outcome, on_page=True),
                    pdf=pdf,
                    donor_numbers=donor_numbers,
                )
                written.files.update(kept)
                _record_report(book, outcome, written.files)
            show("report", 1, 1)
    except KeyboardInterrupt:
        words = "Stopped. What was done is kept; the same command goes on from here."
        stopped = Explained(words, "Run the same command again.", 130, 503)
        screen.print(stopped.message)
        if as_json:
            say_document(stopped)
        raise typer.Exit(130) from None
    seconds = time.monotonic() - started
    if as_json:
        from plugface.cli.present.schemas import sort_out

        say_json(sort_out(outcome, written.files, written.worth, seconds).model_dump_json(indent=2))
    else:
        _print(Screen(), outcome, written.files, written.worth, seconds)
    if outcome.put_off:
        say(f"warning: {_put_off(outcome)}", err=True)
    if outcome.undecided:
        say(f"warning: {_undecided(outcome)}", err=True)
    if outcome.put_off or outcome.undecided:
        raise typer.Exit(1)
    if not outcome.files:
        where = mask_passwords(photos)
        say(f"warning: there is no photo in {where}. Name the folder that they are in.", err=True)
        raise typer.Exit(1)


@contextmanager
def _stopped_once(screen: Screen) -> Iterator[Callable[[], None]]:
    """Let the first Ctrl-C stop the run and say so at once, and no further one: those only break what ends.

    What the workers have in hand takes seconds, and until then nothing else is said.

    What is given is asked at each step, and ends a run that was asked to stop. For the exception alone may be
    lost: Python drops one that comes while it clears away what nobody holds any more, and a library may turn
    it into a fault of its own.
    """
    usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler  # else it is somebody else's
    if not usual or threading.current_thread() is not threading.main_thread():
        yield lambda: None
        return
    asked = False

    def stop(_number: int, frame: FrameType | None) -> None:
        nonlocal asked
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        first, asked = not asked, True
        if first:
            with suppress(RuntimeError):  # it came in the middle of another line
                screen.print("Stopping; what is in hand ends first.")
        if first and _in_a_ledger(frame):
            signal.signal(signal.SIGINT, stop)  # a second one breaks in: a database may never answer
            return
        raise KeyboardInterrupt

    def end_if_asked() -> None:
        if asked:
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            raise KeyboardInterrupt

    signal.signal(signal.SIGINT, stop)
    try:
        yield end_if_asked
        end_if_asked()
    except Exception as error:
        if asked:  # and this is what it broke; if it is not, the same command meets it again
            raise KeyboardInterrupt from error
        raise
    finally:
        if signal.getsignal(signal.SIGINT) is stop:
            signal.signal(signal.SIGINT, signal.default_int_handler)


def _in_a_ledger(frame: FrameType | None) -> bool:
    """Whether SQLAlchemy is at work, in whose middle an exception may be lost or turned into another one.

    Of 240 that came at any moment of a small sort, all in one process, 19 were lost, each where SQLAlchemy
    clears away, and two became its own complaint of a broken transaction (2026-12-01).
    """
    while frame is not None:
        if frame.f_globals.get("__name__", "").startswith("sqlalchemy."):
            return True
        frame = frame.f_back
    return False


def _unpacked(photos: str, out: Path) -> tuple[str, Mapping[str, tuple[str, ...]], Mapping[str, Asked]]:
    """Where the photos lie, once what a phone saved as one file is unpacked, and what was said of them."""
    file = Path(photos)
    if file.suffix.lower() != ".zip" or not file.is_file():
        return photos, {}, {}
    from plugface.cli.lot.unpack import unpack_photos

    unpacked = unpack_photos(file, _beside(out))
    return str(unpacked.folder), unpacked.typed, unpacked.asked


def _beside(out: Path) -> Path:
    """A folder beside the run's own: photos do not belong among what a run writes."""
    run = out.resolve()
    return run.with_name(f"{run.name}-photos")


def _keep_changed(book: Ledger, lot: str, sheet: Path) -> dict[str, str]:
    """Put a sheet that somebody has written into since out of the way: it is theirs now.

    What was written is told by its hash in the ledger; an older plugface told none, and its sheet is kept.
    """
    from plugface.cli.store.acts import list_acts

    if not sheet.is_file():
        return {}
    with book.reading() as session:
        written = {entry.facts.get("sheet_sha256") for entry in list_acts(session, lot)}
    if _sha256(sheet) in written:
        return {}
    number = 1
    while (kept := sheet.with_name(f"units.kept-{number}.xlsx")).exists():
        number += 1
    sheet.rename(kept)
    return {"changed sheet, kept": str(kept)}


def _record_report(book: Ledger, outcome: Outcome, files: Mapping[str, str]) -> None:
    """Write down that a report was made, of what, and its hash: it is handed on, the ledger stays."""
    from plugface.cli.store.acts import account, record_act

    report, sheet = Path(files["report"]), Path(files["sheet"])
    facts = {"units": outcome.units, "sha256": _sha256(report), "sheet_sha256": _sha256(sheet)}
    with book.transaction() as session:
        record_act(session, "report", who=account(), lot=outcome.lot, about=report.name, facts=facts)


def _sha256(file: Path) -> str:
    import hashlib

    return hashlib.sha256(file.read_bytes()).hexdigest()


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _bar(screen: Screen) -> Progress:
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=screen,
        transient=True,
        disable=not screen.is_terminal,
    )


def _print(
    console: Screen, outcome: Outcome, written: dict[str, str], worth: list[LotWorth], seconds: float
) -> None:
    from plugface.cli.lot.grouped import say_grouped
    from plugface.cli.present.report.worth import say_worth
    from plugface.models.decision import placement
    from rich.table import Table

    for words in say_grouped(outcome.grouped):
        console.print(words)
    table = Table(box=None, pad_edge=False)
    for heading in ("", "goes to", "units"):
        table.add_column(heading, justify="right" if heading == "units" else "left")
    for place, count in outcome.places.items():
        table.add_row(console.sign(placement.SIGNS[place]), place, str(count))
    console.print(table)
    if n_hazards := outcome.places.get("hazard", 0):
        said = f"{console.sign(placement.SIGNS['hazard'])} {_count(n_hazards, 'unit')} can hurt someone"
        console.print(f"{said.strip()}, set aside first: {placement.MEANINGS['hazard']}", style="bold")
    console.print(
        f"{_count(outcome.units, 'unit')} from {_count(outcome.photos, 'photo')} in {seconds:.0f} s. "
        f"Lot {outcome.lot}."
    )
    for words in (*say_worth(worth), *remarks(outcome)):
        console.print(words)
    for name, path in written.items():
        console.print(f"{name}: {path}", style="dim", soft_wrap=True)


def remarks(outcome: Outcome, *, on_page: bool = False) -> list[str]:
    """What a person should know about the photos, in sentences; the page has more room for names."""
    said = []
    if outcome.resumed:
        said.append(f"Went on with a run; {_count(outcome.looked_now, 'photo')} looked at now.")
    if outcome.catalogue_changed:
        said.append(
            "The catalogue differs from the one this run started with, which it keeps; a new --out takes it."
        )
    if outcome.other_markets:
        named = ", ".join(outcome.other_markets)
        said.append(f"No variant of the catalogue is for {outcome.market}; it knows {named}.")
    if outcome.duplicates:
        said.append(f"{_count(outcome.duplicates, 'file')} held the same bytes as another and counted once.")
    if outcome.moved:
        named = _list(outcome.moved)
        said.append(
            f"{_count(len(outcome.moved), 'photo')} moved since, but still in the same unit: {named}. A run "
            "never parts its units nor joins them; sort into a new --out for that."
        )
    if outcome.replaced:
        said.append(
            f"{_count(len(outcome.replaced), 'photo')} replaced or deleted since, but still counted in their "
            f"units: {_list(outcome.replaced)}. Sort into a new --out to leave them out."
        )
    if outcome.broken:
        said.append(f"{_count(outcome.broken, 'photo')} could not be read; each is one row to take again.")
    if outcome.gone:
        named = _list(outcome.gone)
        said.append(f"Of those {len(outcome.gone)} deleted since: {named}. A new --out leaves such rows out.")
    if outcome.put_off:
        said.append(_put_off(outcome))
    if outcome.undecided:
        said.append(_undecided(outcome))
    if outcome.typed:
        said.append(
            f"For {_count(outcome.typed, 'unit')} what was typed or scanned on the phone counted, too."
        )
    if outcome.typed_left:
        named = _list(outcome.typed_left)
        said.append(
            f"What was typed for {named} counted for none: the photos there show several units, or no photo "
            "is there. The numbers are in the file that the phone saved."
        )
    if outcome.asked:
        said.append(
            f"{_count(outcome.asked, 'unit')} held against what was claimed or needed on the phone; the "
            "rows say what came of it."
        )
    if outcome.asked_left:
        named = _list(outcome.asked_left)
        said.append(
            f"Of what was claimed or needed for {named} not all was judged: the photos there show several "
            "units, no photo is there, or the catalogue does not have it, which the row says."
        )
    if outcome.outside:
        named = _list(outcome.outside)
        said.append(
            f"{_count(len(outcome.outside), 'link')} not followed, leading outside or to a folder: {named}."
        )
    if outcome.unlisted:
        said.append(
            f"{_count(len(outcome.unlisted), 'folder')} not opened: {', '.join(outcome.unlisted[:5])}."
        )
    if outcome.others:
        first = outcome.left_out[: LEFT_OUT_ON_PAGE if on_page else LEFT_OUT_SAID]
        more = outcome.others - len(first)
        where = "--json names them" if on_page else "see the end of the report"
        rest = f"; {more} more, {where}" if more else ""
        said.append(f"{_count(outcome.others, 'file')} left out: {'; '.join(first)}{rest}.")
    return said


def _list(names: Sequence[str], sign: str = ", ") -> str:
    """The first five of several names."""
    return sign.join(names[:5]) + (" and more" if len(names) > 5 else "")


def _put_off(outcome: Outcome) -> str:
    named = _list(outcome.put_off, "; ")
    count = _count(len(outcome.put_off), "photo")
    said = f"{count} in no unit, for this machine could not look: {named}. Run the same command again."
    if outcome.waiting:
        said += (
            f" Until then {_count(outcome.waiting, 'other photo')} in no unit, too: without what is missing "
            "two units could be taken for one. Where it cannot be mended, take the file out of the folder."
        )
    return said


def _undecided(outcome: Outcome) -> str:
    named = _list(outcome.undecided, "; ")
    count = _count(len(outcome.undecided), "unit")
    said = f"{count} without a new answer, for this machine could not decide: {named}."
    return f"{said} Run the same command again."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
