"""Sort a lot: look at every photo, find which show one unit, decide over each unit, say where it goes.

Every result is in the ledger, in a transaction of its own, before the next one is taken. Whatever ends the
program loses only what the workers had in hand, and the same command goes on from there: what is in the
ledger is not done again, not even by another version of plugface. A photo that once belongs to a unit stays
with it.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from plugface.cli.lot import worker
from plugface.cli.lot.grouped import Grouped, read_grouped
from plugface.cli.lot.parallel import WorkerFailed, map_unordered
from plugface.cli.lot.proposals import proposal_columns
from plugface.cli.lot.run_folder import OWN_LEDGER, RunError, RunHead, is_run, open_run, snapshot, write_whole
from plugface.cli.lot.scan import Found, Scan, find_copies, read_bytes, scan_folder
from plugface.cli.lot.unpack import Asked
from plugface.cli.said_of_unit import UnknownPartner, check_claim, check_needs
from plugface.cli.store.ledger import (
    Deletion,
    File,
    Finding,
    Ledger,
    Look,
    Photo,
    Proposal,
    Unit,
    View,
    add_once,
    find_place,
    has_lot,
    look_of_lot,
    now_utc,
    record_lot,
    record_photo,
    still_counts,
)
from plugface.cli.typed_label import look_at_typed
from plugface.codec import read_observations, write_observations
from plugface.models import grouping
from plugface.models.catalogue.entries import Catalogue, CatalogueError, compile_unsigned, load_catalogue
from plugface.models.catalogue.index import CatalogueIndex, compact, index_catalogue, name_families
from plugface.models.decision import placement
from plugface.models.decision.answers import Decision, SwapFit
from plugface.models.decision.opinion import ClaimError, Opinion
from plugface.models.matching.payloads import list_stretches
from plugface.models.unit_choice import NoUnit, to_part
from plugface.vision.observations import Observations
from sqlalchemy import ColumnElement, and_, func, literal, or_, select
from sqlalchemy.orm import Session, aliased

#: Letters of a lot's short code; none of them is taken for another one on a greasy label.
_LETTERS = "3479ACDEFHJKLMNPRTUVWXY"

#: So many photos that the machine could not look at, for one reason, stop a run before it groups: what it has
#: is no whole lot. Our choice.
MANY_ALIKE = 3

#: Kinds of groups that the photos beside them part and join: one photo more may change them.
_BY_NEIGHBOURS = ("time:", "order:", "code:", "photo:")

#: Finding of a unit that photos which came later would part.
_PARTED = "More photos came since, and by them these may be two units: sort into a new --out."

#: What the note of a file begins with whose photo lay elsewhere before.
_MOVED = "moved from "

#: Seconds of the processor for one photo; the largest takes a tenth of it. Our choice.
LOOK_S = 120.0

#: Memory of one worker for one photo, networks and all: far above what the largest picture takes (1.1 GB,
#: measured 2026-11), far below what ends other programs. Our choice.
LOOK_BYTES = 6_000_000_000

Progress = Callable[[str, int, int], None]  # stage, done, of how many


@dataclass(frozen=True)
class Plan:
    """What is to be sorted, where to, and by whom."""

    photos: str
    catalogue: Path
    folder: Path
    market: str = ""
    workers: int = 1
    cluster: str | None = None
    ledger: str | None = None  # None: in the run's folder
    retry_broken: bool = False  # look again at photos that could not be read before
    #: Folder below `photos` -> what was typed or scanned on the phone for the unit in it.
    typed: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    #: The same folders -> what the unit was claimed to be there, and what it is wanted for.
    asked: Mapping[str, Asked] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What came of a run."""

    lot: str
    ledger: str  # its name, without a password
    resumed: bool
    catalogue_changed: bool  # the catalogue differs from the one that the run keeps
    files: int
    photos: int  # different ones
    duplicates: int
    broken: int
    outside: tuple[str, ...]
    others: int
    unlisted: tuple[str, ...]
    looked_now: int
    decided_now: int
    units: int
    places: dict[str, int]  # units by destination, in the order of placement.SIGNS
    put_off: tuple[str, ...] = ()  # photos that the machine could not look at, and why; the next run does
    left_out: tuple[str, ...] = ()  # the files that are no photos, and why
    waiting: int = 0  # other photos that are in no unit until those were looked at
    undecided: tuple[
        str, ...
    ] = ()  # units that the machine could not decide over, and why; the next run does
    grouped: Grouped = field(default_factory=lambda: Grouped({}, 0, {}))  # how photos were put together
    typed: int = 0  # units with something that was typed on the phone, which counted
    typed_left: tuple[str, ...] = ()  # folders for which something was typed that counted for no unit
    asked: int = 0  # units that were held against what was claimed of them or needed
    asked_left: tuple[str, ...] = ()  # folders for which something was claimed or needed that was not judged
    moved: tuple[str, ...] = ()  # files whose photo lay elsewhere when it got its unit
    gone: tuple[str, ...] = ()  # of the photos that could not be read, those that were deleted
    replaced: tuple[str, ...] = ()  # where photos of units lay that lie nowhere any more
    market: str = ""  # the one the lot is for
    other_markets: tuple[
        str, ...
    ] = ()  # those the catalogue has variants for, where it has none for this one


def sort_lot(
    plan: Plan, *, analyser: worker.Analyser | None = None, progress: Progress = lambda *_: None
) -> Outcome:
    """Sort the photos of one folder, or go on with a run that was cut off.

    What `progress` raises ends the run there, after the photo or unit that it was called for was kept.

    Raises
    ------
    RunError, FolderError, CatalogueError, LedgerError, ClusterError, WorkerError
        Each with a sentence for a person. What was done until then is kept.
    """
    photos = plan.photos if "://" in plan.photos else str(Path(plan.photos).resolve())
    _refuse_run_among_photos(plan.folder, photos)
    scan = scan_folder(photos)
    own = plan.folder / OWN_LEDGER
    place = find_place(plan.ledger or own)
    ledger_place = OWN_LEDGER if place == find_place(own) else place
    if ledger_place != OWN_LEDGER and not is_run(plan.folder):
        Ledger(plan.ledger or own).close()  # before the run keeps its place: one mistyped opens nothing
    with open_run(
        plan.folder, photos=photos, catalogue=plan.catalogue, market=plan.market, ledger=ledger_place
    ) as (head, resumed):
        _refuse_other_ledger(plan, head, ledger_place)
        analyser = analyser or worker.PipelineAnalyser(snapshot(plan.folder).resolve())
        with closing(Ledger(plan.ledger or own)) as ledger:
            run = _Run(plan, head, ledger, analyser, progress, load_catalogue(snapshot(plan.folder)))
            looked, put_off = run.look_at(scan)
            waiting = run.group(bool(put_off))
            decided, undecided = run.decide()
            outcome = run.outcome(scan, resumed, looked, decided, put_off)
            return replace(outcome, waiting=waiting, undecided=undecided)


#: Photo id, SHA-256, part, version of the lot's look.
_View = tuple[int, str, int, str]


class _Run:
    """The steps of one run over its ledger."""

    def __init__(
        self,
        plan: Plan,
        head: RunHead,
        ledger: Ledger,
        analyser: worker.Analyser,
        progress: Progress,
        catalogue: Catalogue,
    ) -> None:
        self.plan, self.head, self.ledger = plan, head, ledger
        self.analyser, self.progress, self.catalogue = analyser, progress, catalogue
        self.thumbs = plan.folder / "thumbs"
        self.thumbs.mkdir(exist_ok=True)
        self.typed: dict[int, str] = {}  # unit id -> folder for which something was typed
        self.asked: dict[int, str] = {}  # unit id -> folder for which something was claimed or needed
        self.claims = {folder: _check_asked(asked, catalogue) for folder, asked in plan.asked.items()}
        with ledger.transaction() as session:
            self.lot_id = record_lot(
                session, head.lot, name=head.name, source=head.photos, market=head.market
            )

    def look_at(self, scan: Scan) -> tuple[int, tuple[str, ...]]:
        """Look at every photo that the ledger does not have; says how many, and which could not be now.

        Raises
        ------
        RunError
            If many could not be looked at for one and the same reason.
        """
        with self.ledger.reading() as session:
            rows = session.execute(
                select(File.path, File.size_bytes, File.mtime_ns).filter_by(lot_id=self.lot_id)
            )
            known = {tuple(row) for row in rows}
            if self.plan.retry_broken:
                known -= self._broken_files(session)
        new = [f for f in scan.photos if (f.shown, f.size_bytes, str(f.mtime_ns)) not in known]
        sizes = {found.size_bytes for found in new}
        # A photo that is looked at again must not count as a copy of a broken one.
        again = {found.path for found in new} if self.plan.retry_broken else set()
        pool = (f for f in scan.photos if f.size_bytes in sizes and (not again or f.path in again))
        copies = find_copies(tuple(pool))
        originals = [found for found in new if found.path not in copies]
        here = {found.shown for found in scan.photos}
        tasks = (worker.LookTask(self.analyser, found) for found in originals)
        self.progress("look", 0, len(originals))
        results = map_unordered(
            worker.look,
            tasks,
            workers=self.plan.workers,
            cluster=self.plan.cluster,
            seconds=LOOK_S,
            memory_bytes=LOOK_BYTES,
        )
        put_off: dict[str, str] = {}
        for done, (task, seen) in enumerate(results, start=1):
            looked = _lost_photo(task.found, seen) if isinstance(seen, WorkerFailed) else seen
            if looked.passing:
                put_off[task.found.path] = looked.passing
            else:
                self._record_look(task.found, looked, None if scan.unlisted else here)
            self.progress("look", done, len(originals))
        shown = {found.path: found.shown for found in scan.photos}
        with self.ledger.transaction() as session:
            for found in new:
                if found.path in copies and copies[found.path] not in put_off:
                    self._record_copy(session, found, shown[copies[found.path]])
        _refuse_many(self.head.photos, put_off, len(originals), len(scan.photos))
        return len(originals) - len(put_off), tuple(f"{shown[path]}: {put_off[path]}" for path in put_off)

    def _broken_files(self, session: Session) -> set[tuple[str, int, str]]:
        """Files of this lot whose photo could not be read, as the ledger knows them."""
        query = (
            select(File.path, File.size_bytes, File.mtime_ns)
            .outerjoin(Look, Look.photo_id == File.photo_id)
            .where(File.lot_id == self.lot_id)
            .where(or_(File.photo_id.is_(None), and_(Look.fault != "", look_of_lot(self.lot_id))))
        )
        return {(path, size, mtime) for path, size, mtime in session.execute(query)}

    def _record_look(self, found: Found, seen: worker.LookResult, here: set[str] | None) -> None:
        """Keep what was seen in a file's photo; `here`: all paths there are, None if a folder is closed."""
        if seen.thumb:
            try:
                write_whole(self.thumbs / f"{seen.sha256}.jpg", seen.thumb)
            except OSError as error:
                raise RunError(
                    str(self.thumbs),
                    (error.strerror or "it cannot be written").lower(),
                    "Make room and run the same command again; what was done is kept",
                ) from None
        with self.ledger.transaction() as session:
            if not seen.sha256:
                self._record_file(session, found, None, seen.fault)
                return
            photo_id = record_photo(session, seen.sha256, seen.size_bytes)
            version = self.analyser.look_version
            if self.plan.retry_broken:  # beside the look before, not in its place
                looks = session.scalar(select(func.count()).select_from(Look).filter_by(photo_id=photo_id))
                version += f", look {looks + 1}" if looks else ""
            add_once(
                session,
                Look,
                photo_id=photo_id,
                version=version,
                fault=seen.fault,
                observations=seen.observations,
                taken_at=seen.taken_at,
                seconds=seen.seconds,
                made_at=now_utc(),
            )
            before = select(File.path).filter_by(lot_id=self.lot_id, photo_id=photo_id).order_by(File.id)
            twins = list(session.scalars(before))
            twin = next((path for path in twins if here is None or path in here), None)
            note = f"same photo as {twin}" if twin else f"{_MOVED}{twins[0]}" if twins else seen.fault
            self._record_file(session, found, photo_id, note)

    def _record_copy(self, session: Session, found: Found, first: str) -> None:
        row = session.scalars(
            select(File).filter_by(lot_id=self.lot_id, path=first).order_by(File.id.desc()).limit(1)
        ).one()
        self._record_file(session, found, row.photo_id, f"same photo as {first}")

    def _record_file(self, session: Session, found: Found, photo_id: int | None, note: str) -> None:
        add_once(
            session,
            File,
            lot_id=self.lot_id,
            photo_id=photo_id,
            path=found.shown,
            size_bytes=found.size_bytes,
            mtime_ns=self._mtime_text(session, found),
            note=note,
            added_at=now_utc(),
        )

    def _mtime_text(self, session: Session, found: Found) -> str:
        """The file's time; with a nought before it for each time that the file could not be read at all.

        One file at one time is one row, and the row that it could not be read stays.
        """
        if not self.plan.retry_broken:
            return str(found.mtime_ns)
        before = select(func.count()).select_from(File).where(File.photo_id.is_(None))
        times = session.scalar(before.filter_by(lot_id=self.lot_id, path=found.shown)) or 0
        return "0" * times + str(found.mtime_ns)

    def group(self, put_off: bool = False) -> int:
        """Give every photo that belongs to no unit yet a unit, over all photos of the lot together.

        Parameters
        ----------
        put_off : bool
            Whether photos of the lot could not be looked at now. Two units would become one where the back of
            one and the front of the next are missing between them, so that none is made by time, order or
            code.

        Returns
        -------
        waiting : int
            Photos that are in no unit for that.
        """
        with self.ledger.reading() as session:
            home = dict(
                session.execute(
                    select(View.photo_id, View.unit_id)
                    .join(Unit, Unit.id == View.unit_id)
                    .where(Unit.lot_id == self.lot_id, still_counts())
                ).all()
            )
            files = _files(session, self.lot_id)
            unread = session.execute(
                select(File.path, File.note).filter_by(lot_id=self.lot_id, photo_id=None)
            ).all()
            units = dict(session.execute(select(Unit.group_key, Unit.id).filter_by(lot_id=self.lot_id)).all())
            loose = {photo_id for photo_id in files if photo_id not in home}
            if not loose and len(unread) <= sum(key.startswith("unread:") for key in units):
                return 0
            shots, broken = self._shots(session, files)
            # With the deleted ones, whose numbers may stand on labels: none is given to another unit.
            deleted = session.scalar(select(func.count()).select_from(Deletion).filter_by(table_name="units"))
            assert deleted is not None  # a count is always a number
            numbered = len(units) + deleted
        photo_ids = {shot.sha256: photo_id for photo_id, shot in shots.items()}
        groups = grouping.group_shots(shots.values())
        waiting = 0
        if put_off:
            waiting = sum(
                photo_ids[shot.sha256] in loose
                for group in groups
                if group.key.startswith(_BY_NEIGHBOURS)
                for shot in group.shots
            )
            groups = [group for group in groups if not group.key.startswith(_BY_NEIGHBOURS)]
        homes = [{home.get(photo_ids[shot.sha256]) for shot in group.shots} for group in groups]
        spread = Counter(unit_id for several in homes for unit_id in several)
        self.progress("group", 0, len(groups))
        with self.ledger.transaction() as session:
            for group, several in zip(groups, homes, strict=True):
                views = [
                    (photo_ids[shot.sha256], to_part(part))
                    for shot, part in zip(group.shots, group.parts, strict=True)
                    if photo_ids[shot.sha256] in loose
                ]
                unit_id = units.get(group.key)
                if group.key.startswith(_BY_NEIGHBOURS):
                    before = several - {None}
                    whole = [one for one in before if spread[one] == 1]  # units that lie in this group alone
                    if unit_id is None and len(before) == len(whole) == 1:
                        unit_id = whole[0]  # its key names another photo, which was the first then
                    if len(several) > 1:
                        for parted in before.difference(whole):
                            add_once(session, Finding, unit_id=parted, message=_PARTED, made_at=now_utc())
                if views and unit_id is None:
                    unit_id = self._add_unit(session, group.key, group.method, numbered)
                    units[group.key], numbered = unit_id, numbered + 1
                if unit_id is None:
                    continue
                for photo_id, part in views:
                    session.add(View(unit_id=unit_id, photo_id=photo_id, part=part))
                for words in group.findings:
                    add_once(session, Finding, unit_id=unit_id, message=words, made_at=now_utc())
            for photo_id in sorted(broken.keys() & loose):
                key = f"broken:{files[photo_id][1][:16]}"
                if key in units:  # it was replaced meanwhile, and lies there again
                    continue
                units[key] = self._add_unit(session, key, broken[photo_id], numbered)
                numbered += 1
                session.add(View(unit_id=units[key], photo_id=photo_id, part=-1))
            for path, _note in unread:
                key = f"unread:{path}"
                if key not in units:
                    units[key] = self._add_unit(session, key, "broken photo", numbered)
                    numbered += 1
        self.progress("group", len(groups), len(groups))
        return waiting

    def _add_unit(self, session: Session, group_key: str, method: str, number: int) -> int:
        unit = Unit(
            lot_id=self.lot_id,
            key=f"{lot_code(self.head.lot)}-{number + 1:04d}",
            method=method,
            group_key=group_key,
            created_at=now_utc(),
        )
        session.add(unit)
        session.flush()
        return unit.id

    def _shots(
        self, session: Session, files: dict[int, tuple[str, str, str]]
    ) -> tuple[dict[int, grouping.PhotoSummary], dict[int, str]]:
        """What grouping needs of every photo of the lot, and which photos are units of their own, as what."""
        shots, broken = {}, {}
        is_number = _service_number_test(self.catalogue)
        index = index_catalogue(self.catalogue)
        query = (
            select(Look.photo_id, Look.fault, Look.observations, Look.taken_at)
            .where(look_of_lot(self.lot_id))
            .where(Look.photo_id.in_(select(File.photo_id).filter_by(lot_id=self.lot_id)))
            .execution_options(yield_per=200)
        )
        for photo_id, fault, text, taken_at in session.execute(query):
            if fault:
                broken[photo_id] = "broken photo"
                continue
            try:
                seen = read_observations(text)
            except ValueError:  # damaged, or of a later version: its photo is one row, and the lot goes on
                broken[photo_id] = "broken row"
                continue
            path, _sha256, mtime_ns = files[photo_id]
            shots[photo_id] = grouping.make_shot(
                path,
                seen,
                self.analyser.list_units(seen),
                taken_at=datetime.fromisoformat(taken_at) if taken_at else _file_time(mtime_ns),
                by_camera=bool(taken_at),
                is_service_number=is_number,
                families=_named_families(seen, index),
            )
        return shots, broken

    def decide(self) -> tuple[int, tuple[str, ...]]:
        """Decide over every unit for which the ledger has no answer from these inputs.

        Returns
        -------
        decided : int
        undecided : tuple of str
            Units that the machine could not decide over now, and why; nothing is recorded of them.
        """
        with self.ledger.reading() as session:
            faults = _faults(session, self.lot_id)
            findings = _findings(session, self.lot_id)
            views = _views(session, self.lot_id)
            decided = set(
                session.execute(
                    select(Proposal.unit_id, Proposal.input_sha256)
                    .join(Unit, Unit.id == Proposal.unit_id)
                    .where(Unit.lot_id == self.lot_id)
                ).all()
            )
            standing = select(Unit.id).where(Unit.lot_id == self.lot_id, still_counts())
            unit_ids = list(session.scalars(standing.order_by(Unit.id)))
            keys = dict(session.execute(select(Unit.id, Unit.key).filter_by(lot_id=self.lot_id)).all())
            files = _files(session, self.lot_id)
        seen = {unit: views[unit] for unit in unit_ids if unit in views and unit not in faults}
        self.typed = _find_folders(self.plan.typed, files, seen)
        self.asked = _find_folders(self.plan.asked, files, seen)
        open_units = []
        for unit_id in unit_ids:
            digest = self._input_sha256(unit_id, views.get(unit_id, []), findings.get(unit_id, ()))
            if (unit_id, digest) not in decided:
                open_units.append((unit_id, digest))
        digests = dict(open_units)
        whole = [unit_id for unit_id in digests if unit_id in views and unit_id not in faults]
        self.progress("decide", 0, len(open_units))
        undecided = []
        done = 0
        for unit_id in digests.keys() - set(whole):
            self._record_broken(unit_id, digests[unit_id], faults.get(unit_id, "could not be read"))
            done += 1
        tasks = (self._decide_task(unit_id, views[unit_id]) for unit_id in whole)
        for task, result in map_unordered(
            worker.decide, tasks, workers=self.plan.workers, cluster=self.plan.cluster
        ):
            came = _lost_unit(result) if isinstance(result, WorkerFailed) else result
            if came.passing:
                undecided.append(f"{keys[task.unit_id]}: {came.passing}")
            elif came.decision is None:
                self._record_broken(
                    task.unit_id, digests[task.unit_id], f"no decision was reached: {came.fault}"
                )
            else:
                self._record_decision(
                    task.unit_id,
                    digests[task.unit_id],
                    came.decision,
                    findings.get(task.unit_id, ()),
                    came.opinion,
                )
            done += 1
            self.progress("decide", done, len(open_units))
        return len(open_units) - len(undecided), tuple(sorted(undecided))

    def _input_sha256(self, unit_id: int, views: list[_View], findings: tuple[str, ...]) -> str:
        # Each photo with the version that really looked at it, which may be an older one's.
        photos = sorted((sha256, part, version) for _id, sha256, part, version in views)
        inputs: list[Any] = [
            photos,
            self.analyser.model_version,
            self.head.catalogue_sha256,
            self.head.market,
            list(findings),
            *self._typed_for(unit_id),
        ]
        if unit_id in self.asked:
            inputs.append(asdict(self.plan.asked[self.asked[unit_id]]))
        return hashlib.sha256(json.dumps(inputs).encode()).hexdigest()

    def _typed_for(self, unit_id: int) -> tuple[str, ...]:
        return self.plan.typed[self.typed[unit_id]] if unit_id in self.typed else ()

    def _asked_for(self, unit_id: int) -> tuple[Asked, str]:
        return self.claims[self.asked[unit_id]] if unit_id in self.asked else (Asked(), "")

    def _decide_task(self, unit_id: int, views: list[_View]) -> worker.DecideTask:
        with self.ledger.reading() as session:
            rows = dict(
                session.execute(
                    select(Look.photo_id, Look.observations).where(
                        look_of_lot(self.lot_id), Look.photo_id.in_([view[0] for view in views])
                    )
                ).all()
            )
        observations = [rows[photo_id] for photo_id, _sha256, _part, _version in views]
        parts = [part for _id, _sha256, part, _version in views]
        if typed := self._typed_for(
            unit_id
        ):  # as on the yard page: a close-up of the label beside the photos
            observations.append(write_observations(look_at_typed(typed, self.catalogue)))
            parts.append(to_part(NoUnit()))
        asked, _ = self._asked_for(unit_id)
        return worker.DecideTask(
            self.analyser, unit_id, tuple(observations), tuple(parts), asked.claimed, asked.needs
        )

    def _record_decision(
        self,
        unit_id: int,
        digest: str,
        decision: Decision,
        findings: tuple[str, ...],
        opinion: Opinion | None,
    ) -> None:
        place = placement.assign_place(decision, self.catalogue, market=self.head.market, findings=findings)
        columns = proposal_columns(decision, place, findings)
        asked, unread = self._asked_for(unit_id)
        beside = [
            say_opinion(opinion, asked.claimed) if opinion else "",
            say_fit(decision.fit) if decision.fit else "",
            unread,
            say_typed(typed) if (typed := self._typed_for(unit_id)) else "",
        ]
        columns["message"] = " ".join(filter(None, [str(columns["message"]), *beside]))
        self._record_proposal(unit_id=unit_id, input_sha256=digest, **columns)

    def _record_broken(self, unit_id: int, digest: str, fault: str) -> None:
        self._record_proposal(
            unit_id=unit_id,
            input_sha256=digest,
            model_version=self.analyser.model_version,
            verdict="unreadable",
            family="",
            variant="",
            probability=0.0,
            destination="retake",
            bin="RETAKE",
            expected_cost=self.catalogue.costs.second_look,
            message=f"{fault.rstrip('.')}. Take the photo again.",
            findings="",
            decision="",
        )

    def _record_proposal(self, **values: object) -> None:
        with self.ledger.transaction() as session:
            add_once(
                session, Proposal, catalogue_sha256=self.head.catalogue_sha256, made_at=now_utc(), **values
            )

    def outcome(
        self, scan: Scan, resumed: bool, looked: int, decided: int, put_off: tuple[str, ...]
    ) -> Outcome:
        """Count what the ledger holds of this lot now."""
        with self.ledger.reading() as session:
            files = session.scalar(select(func.count()).select_from(File).filter_by(lot_id=self.lot_id))
            photos = session.scalar(
                select(func.count(File.photo_id.distinct())).filter_by(lot_id=self.lot_id)
            )
            newest = _newest_files(session, self.lot_id, scan)
            duplicates, moved = _copied_and_moved(newest)
            gone = () if scan.unlisted else _gone(session, self.lot_id, newest)
            replaced = () if scan.unlisted else _replaced(session, self.lot_id, newest)
            broken = session.scalar(
                select(func.count())
                .select_from(Unit)
                .where(
                    Unit.lot_id == self.lot_id,
                    Unit.method.in_(("broken photo", "broken row")),
                    still_counts(),
                )
            )
            grouped = read_grouped(session, self.lot_id)
            places = Counter(destination for _key, destination in latest_places(session, self.lot_id))
        return Outcome(
            lot=self.head.lot,
            ledger=self.ledger.name,
            resumed=resumed,
            catalogue_changed=_has_changed(self.plan.catalogue, self.head.catalogue_sha256),
            files=files or 0,
            photos=photos or 0,
            duplicates=duplicates,
            broken=broken or 0,
            outside=scan.outside,
            others=len(scan.left_out),
            left_out=scan.left_out,
            unlisted=scan.unlisted,
            looked_now=looked,
            decided_now=decided,
            units=sum(places.values()),
            places={place: places[place] for place in placement.SIGNS if places[place]},
            put_off=put_off,
            grouped=grouped,
            typed=len(self.typed),
            typed_left=tuple(sorted(self.plan.typed.keys() - self.typed.values())),
            asked=sum(self.claims[folder][0] != Asked() for folder in self.asked.values()),
            asked_left=tuple(
                sorted(
                    folder
                    for folder, (_, unread) in self.claims.items()
                    if unread or folder not in self.asked.values()
                )
            ),
            moved=moved,
            gone=gone,
            replaced=replaced,
            market=self.head.market,
            other_markets=_list_other_markets(self.catalogue, self.head.market),
        )


def _check_asked(asked: Asked, catalogue: Catalogue) -> tuple[Asked, str]:
    """What of it the catalogue can judge, and in words what it cannot."""
    unread = ["Something that was said of it on the phone cannot be read."] if asked.unclear else []
    claimed, needs = "", asked.needs
    try:
        claimed = check_claim(asked.claimed, catalogue)
    except ClaimError:
        unread.append(f'It was claimed to be "{asked.claimed}", which the catalogue does not have.')
    try:
        needs = check_needs(needs, catalogue)
    except UnknownPartner:
        unread.append(f'It is wanted for "{needs.partner}", which the catalogue does not have.')
        needs = replace(needs, partner=None)
    return Asked(claimed, needs), " ".join(unread)


def say_opinion(opinion: Opinion, claimed: str) -> str:
    """What to think of a claim that was made on the phone."""
    return f"It was claimed to be {claimed}: {opinion.verdict}. {opinion.message}"


def say_fit(fit: SwapFit) -> str:
    """Whether a unit serves the swap that was described on the phone, and why."""
    serves = {"yes": "it serves", "no": "it does not serve", "unknown": "cannot be told yet"}[fit.serves]
    still = [f"Still to be known: {what}." for what in fit.unknown]
    return " ".join([f"For the swap that was described: {serves}.", *fit.reasons, *still])


def say_typed(typed: tuple[str, ...]) -> str:
    """What marks an answer in which something counted that no photo shows."""
    # A donor's number has 17 characters and may be personal data, and a report is handed on.
    listed = " and ".join(f'"{each}"' if len(compact(each)) < 17 else "A long number" for each in typed)
    return f"{listed} was typed or scanned on the phone, and counted as read from the label."


def lot_code(lot: str) -> str:
    """Short code of a lot for its units' keys: five signs that are not mistaken for each other."""
    number = int.from_bytes(hashlib.sha256(lot.encode()).digest()[:8])
    code = ""
    for _ in range(5):
        number, index = divmod(number, len(_LETTERS))
        code += _LETTERS[index]
    return code


def latest_places(session: Session, lot_id: int) -> Iterator[tuple[str, str]]:
    """Key and destination of every unit of a lot, by its latest proposal."""
    earlier = aliased(Proposal)
    newest = select(func.max(earlier.id)).where(earlier.unit_id == Unit.id).scalar_subquery()
    query = select(Unit.key, Proposal.destination).join(Proposal, Proposal.id == newest)
    yield from session.execute(query.where(Unit.lot_id == lot_id, still_counts()))


def _refuse_run_among_photos(folder: Path, photos: str) -> None:
    if "://" not in photos and folder.resolve().is_relative_to(photos):
        raise RunError(
            str(folder),
            "it lies inside the folder of photos, and would be sorted as well",
            "Name another --out",
        )


def _refuse_other_ledger(plan: Plan, head: RunHead, place: str) -> None:
    """Stop where the run began in another ledger, unless it was moved: its units would be numbered anew."""
    if head.ledger in ("", place) or has_lot(plan.ledger or plan.folder / OWN_LEDGER, head.lot):
        return
    raise RunError(
        str(plan.folder),
        f'it holds a run with another ledger ("{head.ledger}", not "{place}")',
        "Name that one with --ledger, or a new folder with --out",
    )


def _refuse_many(photos: str, put_off: dict[str, str], looked: int, there: int) -> None:
    """Stop where many photos could not be looked at for one reason: the machine is at fault, not the lot.

    Many of all that are there: the same command again looks at none but those that could not be looked at.
    """
    reason, count = next(iter(Counter(put_off.values()).most_common(1)), ("", 0))
    if count >= min(MANY_ALIKE, there) and count:
        raise RunError(
            photos,
            f"{count} of {looked} photos {reason}",
            "Check the drive, the permissions and the memory of this machine, and run the same command "
            "again; what was done is kept. Where it cannot be mended, take these files out of the folder",
        )


def _lost_photo(found: Found, lost: WorkerFailed) -> worker.LookResult:
    """A row for a photo whose workers died: its hash is taken here, where nothing is decoded."""
    if lost.passing:
        return worker.LookResult("", 0, "", "", "", b"", 0.0, passing=lost.message)
    try:
        data = read_bytes(found)
    except OSError:
        return worker.LookResult("", 0, "", "", "", b"", 0.0, passing=lost.message)
    return worker.LookResult(hashlib.sha256(data).hexdigest(), len(data), lost.message, "", "", b"", 0.0)


def _lost_unit(lost: WorkerFailed) -> worker.Decided:
    return worker.Decided(None, passing=lost.message) if lost.passing else worker.Decided(None, lost.message)


def _files(session: Session, lot_id: int) -> dict[int, tuple[str, str, str]]:
    """Photo id -> path, SHA-256 and time of the file that it goes by."""
    query = (
        select(Photo.id, File.path, Photo.sha256, File.mtime_ns)
        .join(File, Photo.id == File.photo_id)
        .where(File.lot_id == lot_id)
        .order_by(File.path, File.id)
    )
    found: dict[int, dict[str, tuple[str, str, str]]] = {}
    for photo_id, path, sha256, mtime in session.execute(query):
        found.setdefault(photo_id, {}).setdefault(path, (path, sha256, mtime))
    chosen = grouping.choose_paths({photo_id: list(files) for photo_id, files in found.items()})
    return {photo_id: files[chosen[photo_id]] for photo_id, files in found.items()}


def _newest_files(session: Session, lot_id: int, scan: Scan) -> dict[str, tuple[int | None, str]]:
    """Path -> photo id and note of the file that lies there now."""
    # A file that could not be read has a nought before its time for each time that it was tried.
    here = {(found.shown, found.size_bytes, str(found.mtime_ns).lstrip("0")) for found in scan.photos}
    query = select(File.path, File.size_bytes, File.mtime_ns, File.photo_id, File.note)
    return {
        path: (photo_id, note)
        for path, size, mtime, photo_id, note in session.execute(
            query.filter_by(lot_id=lot_id).order_by(File.id)
        )
        if (path, size, mtime.lstrip("0")) in here
    }


def _nowhere(
    session: Session,
    lot_id: int,
    newest: Mapping[str, tuple[int | None, str]],
    units: ColumnElement[bool],
) -> set[str]:
    """Where photos of these standing units lay last that no file of the lot holds any more."""
    held = {photo_id for photo_id, _ in newest.values()}
    query = (
        select(File.photo_id, File.path)
        .join(View, View.photo_id == File.photo_id)
        .join(Unit, (Unit.id == View.unit_id) & (Unit.lot_id == File.lot_id))
        .where(Unit.lot_id == lot_id, units, still_counts())
        .order_by(File.id)
    )
    return set({photo_id: path for photo_id, path in session.execute(query) if photo_id not in held}.values())


def _replaced(session: Session, lot_id: int, newest: Mapping[str, tuple[int | None, str]]) -> tuple[str, ...]:
    """Where photos lay that were replaced or deleted, and still count in their units."""
    return tuple(sorted(_nowhere(session, lot_id, newest, Unit.method != "broken photo")))


def _gone(session: Session, lot_id: int, newest: Mapping[str, tuple[int | None, str]]) -> tuple[str, ...]:
    """Paths of the broken photos that lie nowhere any more."""
    paths = _nowhere(session, lot_id, newest, Unit.method == "broken photo")
    standing = (Unit.lot_id == lot_id, Unit.method == "broken photo", still_counts())
    keys = session.scalars(select(Unit.group_key).where(*standing, Unit.group_key.startswith("unread:")))
    unread = {key.removeprefix("unread:") for key in keys}
    return tuple(sorted([*paths, *(unread - newest.keys())]))


def _copied_and_moved(newest: Mapping[str, tuple[int | None, str]]) -> tuple[int, tuple[str, ...]]:
    """How many of the files that are there are copies, and which ones lay elsewhere before."""
    photos = [photo_id for photo_id, _ in newest.values() if photo_id is not None]
    moved = sorted(path for path, (_, note) in newest.items() if note.startswith(_MOVED))
    return len(photos) - len(set(photos)), tuple(moved)


def _views(session: Session, lot_id: int) -> dict[int, list[_View]]:
    """Unit id -> its photos as (photo id, SHA-256, part, version of the lot's look)."""
    query = (
        select(View.unit_id, View.photo_id, Photo.sha256, View.part, Look.version)
        .join(Unit, Unit.id == View.unit_id)
        .join(Photo, Photo.id == View.photo_id)
        .join(Look, Look.photo_id == View.photo_id)
        .where(Unit.lot_id == lot_id, look_of_lot(lot_id))
        .order_by(View.id)
    )
    views: dict[int, list[_View]] = {}
    for unit_id, photo_id, sha256, part, version in session.execute(query):
        views.setdefault(unit_id, []).append((photo_id, sha256, part, version))
    return views


def _findings(session: Session, lot_id: int) -> dict[int, tuple[str, ...]]:
    query = select(Finding.unit_id, Finding.message).join(Unit, Unit.id == Finding.unit_id)
    found: dict[int, tuple[str, ...]] = {}
    for unit_id, words in session.execute(query.where(Unit.lot_id == lot_id).order_by(Finding.id)):
        found[unit_id] = (*found.get(unit_id, ()), words)
    return found


def _faults(session: Session, lot_id: int) -> dict[int, str]:
    """Unit id -> what is wrong with its photo, for units that are a broken photo."""
    query = (
        select(Unit.id, File.path, Look.fault)
        .join(View, View.unit_id == Unit.id)
        .join(Look, Look.photo_id == View.photo_id)
        .join(File, (File.photo_id == View.photo_id) & (File.lot_id == lot_id))
        .where(Unit.lot_id == lot_id, look_of_lot(lot_id), Look.fault != "")
        .order_by(File.id.desc())
    )
    faults = {unit_id: f"{path}: {fault}" for unit_id, path, fault in session.execute(query)}
    unread = (
        select(Unit.id, File.path, File.note)
        .join(File, (Unit.group_key == literal("unread:") + File.path) & (File.lot_id == lot_id))
        .where(Unit.lot_id == lot_id, File.photo_id.is_(None))
    )
    return faults | {unit_id: f"{path}: {note}" for unit_id, path, note in session.execute(unread)}


def _find_folders(
    said: Iterable[str], files: dict[int, tuple[str, str, str]], views: Mapping[int, list[_View]]
) -> dict[int, str]:
    """Unit id -> folder for which something was said, where its photos show this one unit."""
    folders = {unit: {_folder(files[view[0]][0]) for view in seen} for unit, seen in views.items()}
    sharing = Counter(folder for inside in folders.values() for folder in inside)
    alone = {unit: inside.pop() for unit, inside in folders.items() if len(inside) == 1}
    wanted = {folder for folder in said if sharing[folder] == 1}
    return {unit: folder for unit, folder in alone.items() if folder in wanted}


def _folder(path: str) -> str:
    return str(PurePosixPath(path).parent)


def _service_number_test(catalogue: Catalogue) -> Callable[[str], bool]:
    """Whether a payload holds a number of the form that a family's label has, with its strokes or without, or
    what a standard names as an item's number: two units may bear the same."""
    patterns = [compile_unsigned(family.label.service_number) for family in catalogue.families]

    def holds(payload: str) -> bool:
        stretches = list(list_stretches(payload))
        return any(s.named or any(pattern.fullmatch(s.number) for pattern in patterns) for s in stretches)

    return holds


def _named_families(seen: Observations, index: CatalogueIndex) -> frozenset[str]:
    """Families that texts and codes of the one unit of a photo, or of a close-up, name without fault."""
    if len(seen.units) > 1:
        return frozenset()
    texts = [*seen.texts, *(text for unit in seen.units for text in unit.texts)]
    codes = [*seen.codes, *(code for unit in seen.units for code in unit.codes)]
    return name_families(index, [text.value for text in texts], [code.payload for code in codes])


def _file_time(mtime_ns: str) -> datetime | None:
    return Found("", "", 0, int(mtime_ns)).written_at


def _list_other_markets(catalogue: Catalogue, market: str) -> tuple[str, ...]:
    """The markets that variants are for, where none is for this one, which may be mistyped."""
    named = [v for family in catalogue.families for v in family.variants if v.market != "any"]
    abroad = all(placement.is_abroad(variant, market) for variant in named)
    return tuple(sorted({variant.market for variant in named})) if abroad else ()


def _has_changed(catalogue: Path, sha256: str) -> bool:
    try:
        return load_catalogue(catalogue).sha256 != sha256
    except CatalogueError:
        return True
