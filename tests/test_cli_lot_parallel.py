"""Work on a real local Dask cluster: nothing is lost when a worker is killed, and what fails is said."""

import importlib
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace

import pytest
from plugface.cli.lot import parallel, sorting
from plugface.cli.lot.parallel import ClusterError, WorkerFailed, map_unordered

pytestmark = pytest.mark.usefixtures("a_worker")

STAND_IN = Path(__file__).with_name("test_cli_sort.py")


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="this system has no signal masks")
def test_ctrl_c_never_comes_in_the_wait_itself_and_is_answered_after_it(monkeypatch) -> None:
    """In the wait it may come while a lock is taken, which nothing gives back then."""
    ended = []

    def wait(futures, **_):
        signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)
        time.sleep(0.05)  # here it would come
        ended.append(futures)
        return SimpleNamespace(done=set(futures) if len(ended) > 1 else set())

    monkeypatch.setattr(parallel, "wait", wait)
    future = Future()
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a worker of the tests ignores it
    try:
        with pytest.raises(KeyboardInterrupt):
            parallel._wait_for_one([future])
    finally:
        signal.signal(signal.SIGINT, before)
    assert ended == [[future]]


@pytest.fixture(scope="module")
def stand_in(tmp_path_factory):
    """The stand-in of the sorting tests as a module that workers can import."""
    folder = tmp_path_factory.mktemp("importable")
    shutil.copy(STAND_IN, folder / "plugface_stand_in.py")
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(folder)
        yield importlib.import_module("plugface_stand_in")


@pytest.fixture(scope="module")
def distributed():
    """Imported where it is used: it takes over a second, and every worker imports every file."""
    return pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def started_cluster(stand_in, distributed):
    """Two workers of one thread, each a process of its own, restarted when they die.

    Each is forked from a process that has imported Dask, which takes a second and more.
    """
    import dask

    with (
        dask.config.set({"distributed.worker.multiprocessing-method": "forkserver"}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
        ) as started,
    ):
        yield started


@pytest.fixture
def cluster(started_cluster, distributed):
    """That cluster, whole again after a test before: a start of its own takes 4 s of the processor."""
    with distributed.Client(started_cluster) as client:
        client.wait_for_workers(2, timeout=120)
        usual = client.run_on_scheduler(_allow_failures)
        yield started_cluster
        client.run_on_scheduler(_allow_failures, usual)


def test_a_worker_killed_in_the_middle_loses_nothing(tmp_path, cluster, stand_in):
    log = tmp_path / "log"
    log.touch()
    files = {
        f"u{n}_front.jpg": stand_in.photo(plugs="VT BU GN", salt=n, log=str(log), seconds=0.1)
        for n in range(24)
    }
    lot = stand_in.lay_out(tmp_path / "lot", files)
    killed = []

    def kill_one() -> None:
        while len(log.read_text().split()) < 6:
            time.sleep(0.02)
        killed.append(next(iter(cluster.workers.values())).pid)
        os.kill(killed[0], signal.SIGKILL)

    killer = threading.Thread(target=kill_one, daemon=True)
    killer.start()
    plan = sorting.Plan(
        lot.resolve().as_uri(), stand_in.CATALOGUE, tmp_path / "run", cluster=cluster.scheduler_address
    )
    outcome = sorting.sort_lot(plan, analyser=stand_in.StandIn())
    killer.join()
    assert killed
    assert (outcome.files, outcome.units, outcome.broken) == (24, 24, 0)
    assert outcome.places == {"family bin": 24}
    assert sorting.sort_lot(plan, analyser=stand_in.StandIn()).looked_now == 0


def test_a_photo_that_kills_every_worker_is_reported(tmp_path, cluster, stand_in, distributed):
    with distributed.Client(cluster) as client:
        client.run_on_scheduler(_allow_failures, 0)
    files = {
        "u1_front.jpg": stand_in.photo(plugs="GY", act="die"),
        "u2_front.jpg": stand_in.photo(plugs="GY"),
    }
    lot = stand_in.lay_out(tmp_path / "lot", files)
    plan = sorting.Plan(str(lot), stand_in.CATALOGUE, tmp_path / "run", cluster=cluster.scheduler_address)
    outcome = sorting.sort_lot(plan, analyser=stand_in.StandIn())
    assert (outcome.units, outcome.broken) == (2, 1)


def _allow_failures(number: int | None = None, *, dask_scheduler) -> int:
    """How many workers a task may cost, and may from now on; by default four must die, and each restarts."""
    before = dask_scheduler.allowed_failures
    if number is not None:
        dask_scheduler.allowed_failures = number
    return before


def test_no_cluster_is_one_sentence(monkeypatch, distributed):
    monkeypatch.setattr(parallel, "CONNECT_S", 1)  # all of which it waits, of 10
    with pytest.raises(ClusterError, match="no scheduler answers there"):
        list(map_unordered(str, [1], cluster="tcp://127.0.0.1:9"))


def test_workers_lost_on_a_cluster_break_no_photo(tmp_path, cluster, stand_in, distributed):
    """A scheduler does not say what they died of: the photo is looked at here, alone, and its end is seen."""
    with distributed.Client(cluster) as client:
        client.run_on_scheduler(_allow_failures, 0)
    until = tmp_path / "until"
    files = {"u1_front.jpg": stand_in.photo(plugs="VT BU GN")}  # more of them would be looked at alone, too
    files["odd_front.jpg"] = stand_in.photo(plugs="GY", act="killed", until=str(until))
    lot = stand_in.lay_out(tmp_path / "lot", files)
    plan = sorting.Plan(
        lot.resolve().as_uri(), stand_in.CATALOGUE, tmp_path / "run", cluster=cluster.scheduler_address
    )
    outcome = sorting.sort_lot(plan, analyser=stand_in.StandIn())
    assert (outcome.broken, len(outcome.put_off)) == (0, 1)
    assert "odd_front.jpg: the process that looked at it was ended, for lack of memory" in outcome.put_off[0]
    until.touch()
    again = sorting.sort_lot(plan, analyser=stand_in.StandIn())
    assert (again.looked_now, again.units, again.put_off) == (1, 2, ())


def test_results_belong_to_their_items():
    assert dict(map_unordered(abs, range(-50, 0), workers=2)) == {n: -n for n in range(-50, 0)}
    assert not list(map_unordered(abs, [], workers=2))
    assert isinstance(dict(map_unordered(os._exit, [3], workers=1))[3], WorkerFailed)


def test_workers_are_deaf_to_ctrl_c_from_their_first_moment():
    """Else one that is still starting prints a traceback between the words for the person who stopped it."""
    code = (
        "import functools, signal; from plugface.cli.lot.parallel import map_unordered;"
        "blocked = functools.partial(signal.pthread_sigmask, signal.SIG_BLOCK);"
        "print([signal.SIGINT in held for _, held in map_unordered(blocked, [[], []], workers=2)])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[True, True]"


def test_ctrl_c_at_the_moment_in_which_it_is_held_leaves_nobody_deaf(monkeypatch):
    hold, before = signal.pthread_sigmask, signal.pthread_sigmask(signal.SIG_BLOCK, ())

    def answer_one_that_came_before(how, signals):
        was = hold(how, signals)
        if signals == {signal.SIGINT}:
            raise KeyboardInterrupt  # Python answers what has come once the mask is set
        return was

    monkeypatch.setattr(signal, "pthread_sigmask", answer_one_that_came_before)
    with pytest.raises(KeyboardInterrupt), parallel._ctrl_c_held():
        pass
    after = hold(signal.SIG_SETMASK, before)
    assert after == before
    assert signal.SIGINT not in after
