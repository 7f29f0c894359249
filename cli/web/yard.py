"""What one running yard page consists of: its folder, its lots, its queue, its ledger and its workers."""

import shutil
import sqlite3
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path
from typing import IO

from plugface.cli.lot import worker
from plugface.cli.store.acts import account
from plugface.cli.store.learned_model import default_model
from plugface.cli.store.ledger import Ledger, LedgerError
from plugface.cli.store.locks import lock_folder
from plugface.cli.store.places import OPEN_LOT
from plugface.cli.web import access
from plugface.cli.web.codes import make_key, write_private
from plugface.cli.web.intake import Turn
from plugface.cli.web.limits import Limits
from plugface.cli.web.metrics import Gauges, Tally
from plugface.cli.web.number_index import index_numbers
from plugface.cli.web.photo_store import CleanPhoto, PhotoChecker, PhotoStore
from plugface.cli.web.queue import LotEntry, Queue, YardError
from plugface.cli.web.records import Records
from plugface.cli.web.words import Words, load_words
from plugface.cli.web.worker_pool import Answerer, ProcessAnswerer, WorkerPool
from plugface.models.catalogue.entries import Catalogue, load_catalogue

#: File in the yard's folder with the token that opens the counters from elsewhere.
METRICS_TOKEN_FILE = "metrics-token.txt"


@dataclass(frozen=True)
class YardSettings:
    """Where the page keeps things and how it is reached."""

    folder: Path
    catalogue: Path
    open_lot: bool = True  # one lot without a code; for a page that only this machine can reach
    local_names: bool = True  # whether the page may be called by the names of this machine alone
    public_url: str = ""  # https address in front of it, where there is one
    workers: int = 1
    keep_days: int = 0  # 0: for good
    shared_lots: tuple[str, ...] = ()  # names of those in which anybody adds to anybody's unit
    phone_plugs: bool = False  # whether phones may look for plugs by themselves
    limits: Limits = field(default_factory=Limits)
    words: Words = field(default_factory=load_words)


class Yard:
    """All that the routes work with.

    Raises
    ------
    CatalogueError, LedgerError, YardError, OSError
        Each with a sentence for a person.

    Parameters
    ----------
    settings : YardSettings
    make_answerer, check_photo : callable, optional
        Whoever answers, and whoever checks a photo's bytes; by default each in processes of their own. A
        test may put others in their place.
    """

    def __init__(
        self,
        settings: YardSettings,
        make_answerer: Callable[[], Answerer] | None = None,
        check_photo: Callable[[bytes], CleanPhoto] | None = None,
    ) -> None:
        settings.folder.mkdir(parents=True, exist_ok=True)
        self._lock = _lock(settings.folder)
        self.settings, self.limits, self.words = settings, settings.limits, settings.words
        self.catalogue: Catalogue = load_catalogue(settings.catalogue)
        default_model()  # a model that is missing is told at the start, not at the first photo
        self.queue = Queue(settings.folder / "queue.sqlite", self.limits, shared_lots=settings.shared_lots)
        self.shelf = PhotoStore(settings.folder / "photos")
        self.keeping = threading.Lock()  # while a photo is written and entered, or taken back
        self.shelf.sweep(self.queue.kept_photos())
        look_version = worker.PipelineAnalyser(settings.catalogue).look_version
        self.records = Records(Ledger(settings.folder / "ledger.sqlite"), look_version)
        self.tally = Tally()
        self.gauges = Gauges(self.queue, settings.folder, self.limits, self.find_problem)
        self.metrics_token = _metrics_token(settings.folder / METRICS_TOKEN_FILE)
        lost_checking = partial(self.tally.count_loss, "checking")
        self.check_photo = check_photo or PhotoChecker(self.limits, on_loss=lost_checking)
        self.guesses = access.RateLimiter(self.limits)
        self.workers = WorkerPool(
            self.queue,
            self.shelf,
            self.records,
            self.words,
            self.limits,
            catalogue=str(settings.catalogue),
            make_answerer=make_answerer or (lambda: ProcessAnswerer(self.limits)),
            size=settings.workers,
            on_loss=partial(self.tally.count_loss, "looking"),
        )
        self.open_lot: LotEntry | None = None
        if settings.open_lot:
            self.open_lot = self.queue.add_lot("HERE", OPEN_LOT, None)

    def add_lot(self, name: str, *, new_code: bool = False) -> str | None:
        """Add a lot with a code of its own; gives the code where there is a new one, which is shown once."""
        there = self.queue.lot(name=name)
        if there is not None and not new_code:
            return None
        key = there.key if there else make_key(self.queue)
        code = access.make_code(key)
        if there:
            self.queue.change_code(key, access.hash_code(code))
        else:
            self.queue.add_lot(key, name, access.hash_code(code))
        self.records.record_act("code changed" if there else "code made", who=account(), lot=key)
        return code

    def check(self, data: bytes, lot: str, turn: Turn, sender: tuple[str, ...] = ()) -> CleanPhoto:
        """Check a lot's photo in its turn; what a test has put in the checker's place knows of none."""
        if not isinstance(self.check_photo, PhotoChecker):
            return self.check_photo(data)

        def charge(seconds: float) -> None:
            turn.on_spent(seconds)
            self.queue.charge(lot, seconds, sender)

        return self.check_photo(data, replace(turn, on_spent=charge))

    @cached_property
    def numbers(self) -> tuple[bytes, str]:
        """What a phone keeps of the catalogue, and its tag."""
        return index_numbers(self.catalogue, self.limits.session_days)

    def find_problem(self) -> str:
        """What keeps photos from being taken in now, in a word for an operator; empty: nothing."""
        try:
            if shutil.disk_usage(self.settings.folder).free < self.limits.free_disk_bytes:
                return "disk"
            self.queue.check_file()
            self.queue.counts("")
        except (OSError, sqlite3.Error):
            return "queue"
        try:
            with self.records.ledger.transaction():
                pass
        except (LedgerError, OSError):
            return "ledger"
        return ""

    def close(self) -> None:
        """Let go of the files."""
        getattr(self.check_photo, "close", lambda: None)()
        self.queue.close()
        self.records.ledger.close()
        self._lock.close()


def _metrics_token(file: Path) -> str:
    """The token for the counters; made once, for the eyes of the file's owner alone."""
    try:
        token = file.read_text(encoding="utf-8").strip()
    except FileNotFoundError:
        token = ""
    if not token:
        token = access.make_token()
        write_private(file, f"{token}\n")
    return token


def _lock(folder: Path) -> IO[str]:
    try:
        return lock_folder(folder)
    except BlockingIOError:
        raise YardError(str(folder), "another yard page is at work in it", "Name another --folder") from None
