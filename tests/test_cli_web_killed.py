"""A looking process killed at each stage of one unit, and a page that ends between its two databases."""

import os
import signal
import time
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest
from fastapi.testclient import TestClient
from plugface.cli.settings import demo_folder
from plugface.cli.store.ledger import Look, Proposal, Unit, View
from plugface.cli.web import worker_pool
from plugface.cli.web.app import create_app
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import clean_photo
from plugface.cli.web.worker_pool import ProcessAnswerer
from plugface.cli.web.yard import Yard, YardSettings
from sqlalchemy import func, select

UNITS, A = "/api/v1/units", "a" * 32

#: Function of the looking process -> whether it is killed before or after that has done its work.
STAGES = (
    ("open_photo", "before"),
    ("open_photo", "after"),
    ("observe", "before"),
    ("observe", "after"),
    ("write_observations", "after"),
    ("decide_observed", "before"),
    ("decide_observed", "after"),
    ("send", "before"),
)


def answer_and_be_killed(line, folder: str) -> None:
    """The looking process, killed the first time it is asked about a unit: each unit at its own stage.

    What is seen comes from a file, for how it is looked at is no matter here.
    """
    from plugface.cli.web import answering
    from plugface.codec import read_observations

    seen = (Path(__file__).parent / "ledgers" / "seen.json").read_text("utf-8").replace("PLATE", "short")
    armed: list[tuple[str, str]] = []
    answer = answering.answer

    def ask(question):
        mark = Path(folder) / question.photos[0].sha256
        armed[:] = [] if mark.exists() else [STAGES[len(list(Path(folder).iterdir()))]]
        mark.touch()
        return answer(question)

    def at(name, when, work, /, *words, **more):
        if armed == [(name, "before")] == [(name, when)]:
            os.kill(os.getpid(), signal.SIGKILL)
        done = work(*words, **more)
        if armed == [(name, "after")] == [(name, when)]:
            os.kill(os.getpid(), signal.SIGKILL)
        return done

    def staged(name, work):
        for when in ("before", "after"):
            work = partial(at, name, when, work)
        return work

    answering.answer = ask
    answering.observe = lambda photo, **_: read_observations(seen.replace("HASH", photo.sha256))
    for name, _when in STAGES:
        if name != "send" and not isinstance(getattr(answering, name), partial):
            setattr(answering, name, staged(name, getattr(answering, name)))
    close = SimpleNamespace(recv=line.recv, send=staged("send", line.send))
    worker_pool._answer_all(close)


class Killed(ProcessAnswerer):
    """Asks such a process."""

    def __init__(self, folder: Path) -> None:
        super().__init__(Limits())
        self._folder = folder

    def _start(self) -> None:
        self.close()
        # From a server that has imported all of it: nine processes would spend most of their time on that.
        context = worker_pool.multiprocessing.get_context("forkserver")
        context.set_forkserver_preload([__name__, "plugface.cli.web.answering"])
        self._line, theirs = context.Pipe()
        words = (theirs, str(self._folder))
        self._process = context.Process(target=answer_and_be_killed, args=words, daemon=True)
        self._process.start()
        theirs.close()


def counts(yard: Yard) -> dict[str, int]:
    """Rows of the ledger by table."""
    with yard.records.ledger.reading() as session:
        return {
            table.__tablename__: session.scalar(select(func.count()).select_from(table))
            for table in (Unit, View, Look, Proposal)
        }


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_worker_killed_at_any_stage_of_a_unit_costs_another_try(tmp_path, jpeg, monkeypatch):
    # The new process finds this module by its name, whatever other `tests` lies on the path by now.
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1]))
    marks = tmp_path / "marks"
    marks.mkdir()
    settings = YardSettings(tmp_path / "yard", demo_folder() / "marrow_finch")
    yard = Yard(settings, lambda: Killed(marks), partial(clean_photo, limits=Limits()))
    client = TestClient(create_app(yard), base_url="http://127.0.0.1")
    with client:
        for number in range(len(STAGES)):
            said = client.post(f"{UNITS}/{number:032x}/photos", content=jpeg(20 * number))
            assert said.status_code == 202
        until = time.monotonic() + 240
        while yard.queue.counts("HERE") != {"answered": len(STAGES)}:
            assert time.monotonic() < until, yard.queue.counts("HERE")
            time.sleep(0.1)
        token = {"authorization": f"Bearer {yard.metrics_token}"}
        metrics = client.get("/metrics", headers=token).text
        for number in range(len(STAGES)):
            found = client.get(f"{UNITS}/{number:032x}").json()
            photos = [photo["sha256"] for photo in found["result"]["identify"]["photos"]]
            assert photos == [found["photos"][0]["sha256"]]
    assert len(list(marks.iterdir())) == len(STAGES)
    assert f'plugface_worker_losses_total{{work="looking"}} {len(STAGES)}.0' in metrics
    n = len(STAGES)
    assert counts(yard) == {"units": n, "views": n, "looks": n, "proposals": n}  # nothing twice, nothing half
    assert yard.records.ledger.verify().problems == ()
    yard.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # it is what is tried
@pytest.mark.parametrize("where", ["before the ledger", "between ledger and queue"])
def test_a_page_that_ends_as_it_stores_an_answer_stores_it_once(make_yard, jpeg, monkeypatch, where):
    made = make_yard()
    ended = []

    def end(*_words):
        ended.append(where)
        raise SystemExit  # the thread is gone as after kill -9: nothing is put back or written down

    owner, name = (
        (made.yard.records, "record_answer") if where == "before the ledger" else (made.yard.queue, "finish")
    )
    monkeypatch.setattr(owner, name, end)
    with made.client as client:
        client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
        until = time.monotonic() + 60
        while not ended:
            assert time.monotonic() < until
            time.sleep(0.02)
    stored = {"before the ledger": 0, "between ledger and queue": 1}[where]
    assert counts(made.yard)["proposals"] == stored
    assert made.yard.queue.unit("HERE", A).state == "working"
    made.yard.close()

    again = make_yard()
    with again.client as client:
        until = time.monotonic() + 60
        while client.get(f"{UNITS}/{A}").json()["state"] != "answered":
            assert time.monotonic() < until
            time.sleep(0.02)
    assert counts(again.yard) == {"units": 1, "views": 1, "looks": 1, "proposals": 1}
    assert bool(again.stand_in.asked[0].photos[0].observations) == bool(stored)  # what was seen is not lost
    assert again.yard.records.ledger.verify().problems == ()
