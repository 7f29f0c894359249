"""The command line as a test calls it."""

import gc
import os
import sqlite3
import sys
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import chain, count, islice
from pathlib import Path
from types import SimpleNamespace

# Where compiled modules may not be kept, each of the many processes that tests start compiles all it imports
# anew: 1.5 s of the processor for one that looks at a photo, not 0.5. They are kept beside the sources.
if sys.dont_write_bytecode:
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    kept = str(Path(__file__).parents[1] / "build" / "pycache")
    sys.dont_write_bytecode, sys.pycache_prefix = False, os.environ.setdefault("PYTHONPYCACHEPREFIX", kept)

# Each of several processes has a core: OpenMP's threads, which wait for each other in busy loops, would take
# the others' as well. Fitting the classifier to 200 units took 13 s of the processor so, and takes 0.3.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# OpenCV's as well, and with them those of the networks (`vision/onnx.py`): a look takes a tenth less so.
os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")

import hypothesis
import pytest
from plugface.cli import settings
from plugface.cli.main import main
from plugface.cli.web import access
from plugface.vision import kept_networks

# What is imported and collected stays: looking through it for rubbish takes two seconds of a worker's start.
gc.set_threshold(50_000)


def pytest_xdist_auto_num_workers(config) -> int | None:
    """Whoever names files has them tried in this process: a worker more takes ten seconds to start."""
    return 0 if config.args_source is config.ArgsSource.ARGS else None


_TESTS = count()

#: Whether all, or most, is tried of what is tried alike, as every change must pass it (`.ci/run`): `some`.
ALL = "PLUGFACE_TEST_ALL" in os.environ

# A machine that is busy is slow, so that no case has a deadline.
hypothesis.settings.register_profile("plugface", max_examples=60 if ALL else 30, deadline=None)
hypothesis.settings.load_profile("plugface")


@pytest.fixture(autouse=True)
def _own_data_folder(tmp_path_factory, monkeypatch):
    """A model that the developer's own `plugface learn` left, or their ledger, must not decide a test.

    Nor must a catalogue or network that was kept. Most tests need no such folder: it is made by what writes
    there.
    """
    own = tmp_path_factory.getbasetemp() / f"user-data-{next(_TESTS)}"
    monkeypatch.setenv("XDG_DATA_HOME", str(own))
    monkeypatch.setattr(settings, "kept_catalogues", lambda: own / "catalogues")
    monkeypatch.setattr(settings, "kept_networks", lambda: own / "networks")
    monkeypatch.setattr(kept_networks, "_folder", None)


@pytest.fixture(scope="session")
def true_code_cost() -> dict:
    """What hashing an access code costs in service."""
    return dict(access._SCRYPT)


@pytest.fixture(scope="session", autouse=True)
def _cheap_codes(true_code_cost):
    """An access code is hashed in no time: what is to take long for guessing took a minute of the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(access, "_SCRYPT", true_code_cost | {"n": 2, "p": 1})
        yield


@pytest.fixture(scope="session")
def true_migrate():
    """What brings a ledger's tables up in service."""
    from plugface.cli.store import ledger

    return ledger._migrate


@pytest.fixture(scope="session", autouse=True)
def _quick_ledgers(true_migrate):
    """A new SQLite ledger gets the tables that migrations made in the first one.

    Migrations take 0.2 s of the processor, in hundreds of tests. A file with anything in it is migrated.
    """
    from plugface.cli.store import ledger

    tables = "SELECT sql FROM sqlite_master WHERE sql NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY rowid"
    made: list[str] = []

    def migrate(connection, name: str) -> bool:
        new = connection.dialect.name == "sqlite" and not connection.exec_driver_sql(tables).all()
        if not (new and made):
            migrated = true_migrate(connection, name)
            if new:
                made.extend(connection.exec_driver_sql(tables).scalars())
            return migrated
        for statement in made:
            connection.exec_driver_sql(statement)
        connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (ledger.SCHEMA,))
        return True

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ledger, "_migrate", migrate)
        yield


@pytest.fixture(scope="session", autouse=True)
def _one_dialect():
    """What was written in SQL for one SQLite ledger is not written anew for the next: a sixth of its time."""
    from plugface.cli.store import ledger

    create, compiled, first = ledger.create_engine, {}, {}

    def create_alike(url, **more):
        engine = create(url, **more)
        if engine.dialect.name == "sqlite":
            engine.dialect = first.setdefault("dialect", engine.dialect)  # by which what is compiled is kept
            engine.update_execution_options(compiled_cache=compiled)
        return engine

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ledger, "create_engine", create_alike)
        yield


class _Buffered(sqlite3.Connection):
    """What it commits is with the system, and no more."""

    def execute(self, sql: str, *values):
        return super().execute(sql.replace("synchronous=FULL", "synchronous=OFF"), *values)


@pytest.fixture(scope="session", autouse=True)
def _not_on_disk():
    """Nothing waits until it is on the disk: to make a yard page waited twenty times, and no test cuts power.

    What ends a process, even by kill -9, leaves what the system has. A test of waiting asks for `on_disk`.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)
        for module in (sqlite3, sqlite3.dbapi2):
            patch.setattr(module, "connect", partial(sqlite3.connect, factory=_Buffered))
        yield


@pytest.fixture
def on_disk(monkeypatch):
    """SQLite waits for the disk as it does in service."""
    for module in (sqlite3, sqlite3.dbapi2):
        monkeypatch.setattr(module, "connect", partial(sqlite3.connect, factory=sqlite3.Connection))


@pytest.fixture(scope="session")
def colour():
    """The library colour-science, for those who check against it: to import it takes seconds."""
    import colour

    return colour


@pytest.fixture(scope="session")
def some():
    """Choose n of many things that are tried alike, spread evenly; where PLUGFACE_TEST_ALL is set, `most`.

    For what takes long by each. What every change must pass (`.ci/run`) tries all where no `most` is given.
    """

    def choose(things, n: int, most: int | None = None) -> list:
        things = list(things)
        if ALL:
            n = len(things) if most is None else most
        if n >= len(things):
            return things
        return [things[k * len(things) // n] for k in range(n)]

    return choose


@pytest.fixture(scope="session")
def choose_photos():
    """Find shipped photos of one unit each by what they show, so that no test hangs on a file's name."""
    from plugface.cli.evaluation.truth import read_truth
    from plugface.cli.settings import demo_folder

    def choose(n: int = 1, view: str = "front", split: str = "calibration", family: str = "") -> list[Path]:
        found = {}  # by unit: of each its first photo
        for row in read_truth(demo_folder(), split):
            alone = row.view == view and len(row.units) == 1 and row.units[0].known
            if alone and family in ("", row.units[0].family):
                found.setdefault(row.units[0].unit_id, demo_folder() / row.photo)
        assert len(found) >= n, f"{len(found)} units of {family} with a {view} photo in {split}, expected {n}"
        return list(found.values())[:n]

    return choose


@pytest.fixture(scope="session")
def promised_photo() -> Path:
    """The shipped photo that the README promises an answer for."""
    import re

    root = Path(__file__).parents[1]
    return root / re.search(r"plugface identify (\S+)", (root / "README.md").read_text("utf-8"))[1]


@pytest.fixture(autouse=True)
def _without_a_worker(request, monkeypatch):
    """What a single worker would do is done here: to start one takes half a second, a run starts two, and
    each loads the networks anew.

    A test of what a worker may do, of how one ends, or of the real thing in one, asks for `a_worker`. It
    looks at photos; units are decided here all the same, but where a test asks for `a_worker_decides`.
    """
    from plugface.cli.lot import parallel

    in_processes = parallel._on_this_machine
    asked = request.fixturenames

    def one_by_one(work, items, workers: int):
        without_limits, *_ = work.args
        if getattr(without_limits, "__name__", "") == "decide":
            here = "a_worker_decides" not in asked
        else:
            here = workers == 1 and "a_worker" not in asked
        if not here:
            return in_processes(work, items, workers)
        return ((item, without_limits(item)) for item in items)

    monkeypatch.setattr(parallel, "_on_this_machine", one_by_one)


@pytest.fixture
def parsed(monkeypatch) -> Counter:
    """How often each text of a catalogue was parsed since the test began."""
    from plugface.models.catalogue import entries

    counts, parse = Counter(), entries._parse_toml

    def note(text):
        counts[text] += 1
        return parse(text)

    monkeypatch.setattr(entries, "_parse_toml", note)
    return counts


@pytest.fixture
def a_worker() -> None:
    """Ask for a process of its own that looks at photos."""


@pytest.fixture
def a_worker_decides(a_worker) -> None:
    """Ask for one that decides over units, too."""


@dataclass(frozen=True)
class Ran:
    """What a command left: exit code, standard output, standard error."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(monkeypatch, capsys):
    """Run `plugface` in this process with the given words."""

    def call(*words: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["plugface", *map(str, words)])
        try:
            code = main() or 0
        except SystemExit as leaving:
            code = leaving.code or 0
        said = capsys.readouterr()
        return Ran(code, said.out, said.err)

    return call


@pytest.fixture
def own(tmp_path):
    """A catalogue that a test may change: a copy of the demo's."""
    import shutil

    from plugface.cli.settings import demo_folder

    folder = tmp_path / "own"
    shutil.copytree(demo_folder() / "marrow_finch", folder)
    return folder


@pytest.fixture
def coarse_trees(monkeypatch):
    """A few trees that tell 16 values of a feature apart, not 255: they take most of a small training."""
    from plugface.models.learning import training

    monkeypatch.setattr(training, "MAX_ITER", 12)
    trees = training.HistGradientBoostingClassifier
    monkeypatch.setattr(training, "HistGradientBoostingClassifier", partial(trees, max_bins=16))


@pytest.fixture
def plain_photo(tmp_path):
    """Write a grey JPEG of 1280 x 960 pixels; each name gets another shade, and so another hash."""
    from PIL import Image

    def write(name: str):
        path = tmp_path / name
        Image.new("RGB", (1280, 960), (60 + len(name) % 90, 120, 130)).save(path)
        return path

    return write


#: What was seen in a photo by its hash, and by what was asked.
_LOOKS: dict = {}


@pytest.fixture
def look_once(monkeypatch):
    """Look at no photo that a test of this worker has had looked at: to look at one takes a second and more.

    For tests of what is made of what was seen, which change nothing in how it is seen.
    """
    from plugface.vision import observe as eyes

    look = eyes.observe

    def once(photo, *, read_text=True, shades=(), models=None):
        asked = (photo.sha256, read_text, tuple(shades))
        if models is not None or asked not in _LOOKS:
            seen = look(photo, read_text=read_text, shades=shades, models=models)
            return _LOOKS.setdefault(asked, seen) if models is None else seen
        return _LOOKS[asked]

    monkeypatch.setattr(eyes, "observe", once)


#: What was simulated before, by the error model, the seed and how many.
_DRAWN: dict = {}


@pytest.fixture
def draw_once(monkeypatch):
    """Draw no units for training that a test of this worker has had drawn: 100 of them take a second.

    For tests of what is made of them; the same seed gives the same ones, as another test holds.
    """
    from plugface.models.learning import training

    draw = training.simulate_examples

    def once(noise, seed, n_units, tell=training._untold):
        asked = (noise, seed, n_units)
        if asked not in _DRAWN:
            _DRAWN[asked] = tuple(draw(noise, seed, n_units, tell))
        tell("simulating units", n_units, n_units)
        return list(_DRAWN[asked])

    monkeypatch.setattr(training, "simulate_examples", once)


_CLASSES = {"colour": 12, "size": 3, "character": 36}


@pytest.fixture
def seen_as(monkeypatch):
    """Let the command see, in each photo by file name, what a simulated unit of the demo would show.

    No pixels are looked at: these tests are about what happens to observations. Photos not named show no
    unit. `faultless`: nothing is missed and nothing seen wrong.
    """
    from dataclasses import replace

    import numpy as np
    from plugface.cli.settings import demo_folder
    from plugface.models.catalogue.entries import load_catalogue
    from plugface.models.learning.simulate import draw_observations
    from plugface.models.matching.error_model import ErrorModel
    from plugface.vision import observe as eyes

    catalogue = load_catalogue(demo_folder() / "marrow_finch")

    def prepare(seed: int = 0, faultless: bool = False, **photos: tuple[str, str, str]) -> None:
        drawn, noise = {}, ErrorModel()
        if faultless:
            never = (
                "miss extra pins_close place_sd place_shift place_wild turn_unknown face_wrong label_torn "
            )
            never += "kind_wrong character_lost character_added mark_wrong mark_lost mark_added mark_cut "
            never += "mark_elsewhere mark_unsure"
            always = "pins_measured pins_exact place_measured mark_read label_found line_read "
            always += "body_colour_right fins_right"
            alike = {name: tuple(map(tuple, np.eye(n).tolist())) for name, n in _CLASSES.items()}
            noise = replace(
                noise, **dict.fromkeys(never.split(), 0.0), **dict.fromkeys(always.split(), 1.0), **alike
            )
        for offset, (name, (family, variant, view)) in enumerate(photos.items()):
            entry = catalogue.by_key[family]
            which = next(v for v in entry.variants if v.key == variant)
            rng = np.random.default_rng(seed + offset)
            drawn[name] = draw_observations(entry, which, view, noise, rng)

        def look(photo, **_):
            name = photo.name.rpartition("/")[2].partition(".")[0]
            if name in drawn:
                return replace(drawn[name], photo_sha256=photo.sha256)
            return replace(
                next(iter(drawn.values())), photo_sha256=photo.sha256, units=(), texts=(), codes=()
            )

        monkeypatch.setattr(eyes, "observe", look)

    return prepare


@pytest.fixture
def type_plate(monkeypatch):
    """In every photo but those of a back a type plate is seen as well, on no unit: its number."""
    from dataclasses import replace

    from plugface.vision import observe as eyes
    from plugface.vision.observations import Text

    number, look = "0AUKDUNL7K0001234", eyes.observe  # nobody's, in the form of a vehicle's number
    place = ((40.0, 40.0), (640.0, 40.0), (640.0, 440.0), (40.0, 440.0))

    def with_plate(photo, **words):
        seen = look(photo, **words)
        plate = Text(place, number, 0.99, "printed", 40.0)
        return seen if "back" in photo.name else replace(seen, texts=(*seen.texts, plate))

    monkeypatch.setattr(eyes, "observe", with_plate)
    return number


@pytest.fixture
def pallet(monkeypatch, seen_as, plain_photo):
    """A photo of two simulated units of the demo side by side: KNOT 40 E, then DUNLIN 6 second."""
    from dataclasses import replace

    from plugface.vision import observe as eyes

    seen_as(left=("KNOT 40", "E", "front"), right=("DUNLIN 6", "second", "front"), faultless=True)
    single = eyes.observe

    def both(photo, **_):
        left, right = (single(replace(photo, name=f"{side}.jpg")) for side in ("left", "right"))
        moved = tuple((x + 5000, y) for x, y in right.units[0].polygon)
        return replace(left, units=(*left.units, replace(right.units[0], polygon=moved)))

    monkeypatch.setattr(eyes, "observe", both)
    return plain_photo("pallet.jpg")


@pytest.fixture
def close_up(monkeypatch, seen_as, plain_photo):
    """A close-up of a green and an orange plug, round which no unit is outlined; with a stray letter."""
    from dataclasses import replace

    from plugface.vision import observe as eyes
    from plugface.vision.observations import Connector, Text

    seen_as(another=("KNOT 40", "E", "front"))
    bare = eyes.observe
    corners = ((100.0, 300.0), (500.0, 300.0), (500.0, 600.0), (100.0, 600.0))
    green = Connector(corners, {"GN": 0.9, "BN": 0.1}, {"M": 1.0}, None, 0.9)
    right = tuple((x + 600, y) for x, y in corners)
    orange = Connector(right, {"OG": 0.9, "RD": 0.1}, {"L": 1.0}, None, 0.9)
    stray = Text(tuple((x, y / 10) for x, y in corners), "E", 0.9, "printed", 30.0)

    def look(photo, **_):
        return replace(bare(photo), loose=(green, orange), texts=(stray,))

    monkeypatch.setattr(eyes, "observe", look)
    return plain_photo("close_up.jpg")


@pytest.fixture
def draw_maps():
    """The segmenter's maps as a faultless network would give them."""
    return _draw_maps


def _draw_maps(
    boxes: list[tuple[float, float, float, float, float]],
    connectors=(),
    to_photo: float = 1.0,
    noise: float = 0.0,
):
    """Maps of turned rectangles (x, y, long, short, degrees), later ones on top; upright, plug face seen."""
    import cv2
    import numpy as np
    from plugface.vision.detection.segmenter import Maps

    height, width = 480, 640
    rng = np.random.default_rng(3)

    def masks_and_shapes(rectangles):
        mask, shape = (
            np.zeros((height // 2, width // 2), np.float32),
            np.zeros((5, height // 4, width // 4), np.float32),
        )
        rows, columns = np.mgrid[0 : height // 4, 0 : width // 4] * 4 + 2
        for x, y, a, b, angle in rectangles:
            fine, coarse = np.zeros(mask.shape, np.uint8), np.zeros(shape.shape[1:], np.uint8)
            corners = cv2.boxPoints(((x, y), (a, b), angle))
            cv2.fillConvexPoly(fine, np.round(corners / 2 - 0.5).astype(np.int32), 1)
            cv2.fillConvexPoly(coarse, np.round(corners / 4 - 0.5).astype(np.int32), 1)
            turn = np.radians(angle)
            axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
            root = axes @ np.diag([a, b]) @ axes.T / np.sqrt(12)
            mask[fine > 0] = 1
            values = [
                x - columns,
                y - rows,
                *(np.full(rows.shape, root[i]) for i in ((0, 0), (0, 1), (1, 1))),
            ]
            for channel, value in zip(shape, values, strict=True):
                channel[coarse > 0] = value[coarse > 0]
        return mask, shape + rng.normal(0, noise, shape.shape).astype(np.float32)

    unit, unit_shape = masks_and_shapes(boxes)
    connector, connector_shape = masks_and_shapes(connectors)
    flat = np.zeros((height // 4, width // 4), np.float32)
    colour = np.full((12, *flat.shape), np.log(0.1 / 11), np.float32)
    colour[5] = np.log(0.9)
    return Maps(
        masks={
            "unit": unit,
            "connector": connector,
            "mark": np.zeros_like(unit),
            "label": np.zeros_like(unit),
        },
        face=flat + 0.9,
        axis=np.stack([flat - 0.95, flat]),
        unit_shape=unit_shape,
        connector_shape=connector_shape,
        mated=flat,
        broken=flat,
        colour=colour,
        size=np.stack([flat - 3, flat - 3, flat - 0.1]),
        fins=np.stack([flat - 0.1, flat - 3, flat - 3]),
        body_colour=colour,
        to_photo=np.array([[to_photo, 0, 0], [0, to_photo, 0]]),
    )


class YardStandIn:
    """Answers the yard page's questions from simulated observations; no pixels are looked at.

    `shows` says, by position in the unit, which simulated view a photo shows. `gate` holds answers back while
    it is clear. `act` may raise, or give a problem, in place of an answer.
    """

    def __init__(self) -> None:
        import threading

        self.shows = [("KNOT 40", "E", "front"), ("KNOT 40", "E", "back")]
        self.gate, self.act, self.asked = threading.Event(), None, []
        self.gate.set()

    def __call__(self, question):
        self.asked.append(question)
        assert self.gate.wait(300)
        found = self.act(question) if self.act else None
        return found or _simulated_reply(question, (self.shows * 4)[: len(question.photos)])


#: What was simulated before; deciding takes a second, and the answer hangs on nothing but these.
_REPLIES: dict = {}


def _simulated_reply(question, shows):
    """The page's answer to photos that show these simulated views."""
    import json
    from dataclasses import replace

    from plugface.cli.web.answering import answer

    marks = [f"{number:064d}" for number in range(len(shows))]  # stand for the photos' hashes
    key = json.dumps([shows, question.claimed, question.needs, question.typed], sort_keys=True)
    if key not in _REPLIES:
        photos = tuple(
            replace(photo, sha256=mark, observations=_simulated_look(mark, *view))
            for photo, mark, view in zip(question.photos, marks, shows, strict=True)
        )
        _REPLIES[key] = answer(replace(question, photos=photos))
    reply = _REPLIES[key]
    document, looked = reply.document, []
    for mark, photo, look in zip(marks, question.photos, reply.looked, strict=True):
        document = document.replace(mark, photo.sha256)
        seen = look.observations.replace(mark, photo.sha256)
        looked.append(replace(look, sha256=photo.sha256, observations=seen))
    return replace(reply, document=document, looked=tuple(looked))


def _simulated_look(sha256: str, family: str, variant: str, view: str) -> str:
    """What a simulated unit shows from one side, as the ledger keeps it."""
    from dataclasses import replace

    import numpy as np
    from plugface.cli.settings import demo_folder
    from plugface.codec import write_observations
    from plugface.models.catalogue.entries import load_catalogue
    from plugface.models.learning.simulate import draw_observations
    from plugface.models.matching.error_model import ErrorModel

    entry = load_catalogue(demo_folder() / "marrow_finch").by_key[family]
    which = next(v for v in entry.variants if v.key == variant)
    seen = draw_observations(entry, which, view, ErrorModel(), np.random.default_rng(3))
    return write_observations(replace(seen, photo_sha256=sha256))


@pytest.fixture
def make_yard(tmp_path):
    """Make yard pages over one folder, one after the other, each answered by a `YardStandIn`."""
    with _yards(tmp_path / "yard") as make:
        yield make


@contextmanager
def _yards(folder: Path):
    """What makes such pages over a folder; they are closed at the end."""
    from contextlib import ExitStack

    from fastapi.testclient import TestClient
    from plugface.cli.settings import demo_folder
    from plugface.cli.web.app import create_app
    from plugface.cli.web.limits import Limits
    from plugface.cli.web.photo_store import clean_photo
    from plugface.cli.web.yard import Yard, YardSettings

    with ExitStack() as ending:

        def make(*, limits: dict | None = None, stand_in=None, check_photo=None, **settings):
            stand_in = stand_in or YardStandIn()
            yard = Yard(
                YardSettings(
                    folder, demo_folder() / "marrow_finch", limits=Limits(**(limits or {})), **settings
                ),
                lambda: stand_in,
                # In this process: starting another one for each page would take most of the tests' time.
                check_photo or partial(clean_photo, limits=Limits(**(limits or {}))),
            )
            ending.callback(_end_yard, yard)
            app = create_app(yard)
            # A fault of ours must arrive as the page's own answer, as it would in service.
            client = TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False)
            return SimpleNamespace(yard=yard, app=app, client=client, stand_in=stand_in, folder=folder)

        yield make


def _end_yard(yard) -> None:
    """Close it; what still worked then would trouble later tests of this process."""
    working = [thread.name for thread in yard.workers._threads if thread.is_alive()]
    yard.close()
    assert not working, "the page was not ended before its yard"


@pytest.fixture
def jpeg():
    """Bytes of a JPEG of one colour; each number gives other bytes. `exif` holds a place and a camera."""
    import io

    from PIL import Image

    def make(number: int = 0, *, size=(640, 480), kind: str = "JPEG", exif: bool = False) -> bytes:
        picture = Image.new("RGB", size, (40 + number % 200, 90 + number // 200, 120))
        block = Image.Exif()
        if exif:
            block[0x010F] = "SECRETMAKER"
            block.get_ifd(0x8825)[1], block.get_ifd(0x8825)[2] = "N", (51.0, 28.0, 38.0)
        out = io.BytesIO()
        picture.save(out, kind, **({"exif": block.tobytes()} if exif else {}))
        return out.getvalue()

    return make


@pytest.fixture(scope="session")
def _yard_once(tmp_path_factory):
    """What `filled_yard` is a copy of: filling one takes 0.15 s of the processor, in a hundred tests."""
    return fill_yard(tmp_path_factory.mktemp("filled") / "yard")


@pytest.fixture
def filled_yard(tmp_path, _yard_once):
    """A yard folder as the page leaves it: queue, photos and ledger; lot N of three units, S of one.

    Units 1 and 2 of N have two photos each, 3 has one; the second of 2 is the second of 1, too. The unit of S
    shows the photo of N's 3. A donor's number was read beside N's 1.
    """
    import shutil

    folder, hashes = _yard_once
    return shutil.copytree(folder, tmp_path / "yard"), dict(hashes)


#: What was read beside the first unit of `filled_yard`: nobody's, in the form of a vehicle's number.
PLATE = "0AUK DUNL3K0 001234"


def fill_yard(folder):
    """See `filled_yard`; gives the folder and the SHA-256 of its photos by name."""
    import hashlib
    import json

    from plugface.cli.store.ledger import (
        Ledger,
        Look,
        Proposal,
        View,
        add_once,
        now_utc,
        record_confirmation,
        record_lot,
        record_photo,
        record_unit,
    )
    from plugface.cli.web import access
    from plugface.cli.web.limits import Limits
    from plugface.cli.web.photo_store import CleanPhoto, PhotoStore
    from plugface.cli.web.queue import AnswerEntry, Queue

    folder.mkdir(parents=True)
    queue, shelf = Queue(folder / "queue.sqlite", Limits()), PhotoStore(folder / "photos")
    ledger = Ledger(folder / "ledger.sqlite")
    seen = (Path(__file__).parent / "ledgers" / "seen.json").read_text("utf-8")
    hashes = {}
    for name in ("n1", "n1b", "n2", "n3"):
        data = f"picture {name}".encode() * 50
        hashes[name] = hashlib.sha256(data).hexdigest()
        shelf.keep(CleanPhoto(hashes[name], data, b"shown", b"small", 64, 48))
    north = {"a" * 32: ("n1", "n1b"), "b" * 32: ("n2", "n1b"), "c" * 32: ("n3",)}
    units = {"N": north, "S": {"d" * 32: ("n3",)}}
    for lot, own in units.items():
        queue.add_lot(lot, f"yard of {lot}", access.HashedCode(b"salt", lot.encode() * 32))
        queue.add_token(f"token {lot}", lot)
        for number, (unit, names) in enumerate(own.items(), start=1):
            queue.describe(lot, unit, "AUK 11", {})
            for name in names:
                queue.accept(lot, unit, hashes[name], face="front", size_bytes=500, more=False)
            job = queue.claim()
            texts = [{"value": PLATE}] if names[0] == "n1" else []
            photos = [{"unit": None, "texts": texts, "codes": []}]
            document = json.dumps({"identify": {"photos": photos}, "opinion": None})
            shown = ((), "identified", "AUK 11", 0.9, "", now_utc())
            queue.finish(job, AnswerEntry(job.unit.turn, document, *shown))
            with ledger.transaction() as session:
                lot_id = record_lot(session, lot, name=f"yard of {lot}", source="yard page")
                row = record_unit(session, lot_id, f"{lot}-{number:04d}", method="page", group_key=unit)
                for name in names:
                    photo_id = record_photo(session, hashes[name], 500)
                    add_once(session, View, unit_id=row.id, photo_id=photo_id, part=0)
                    text = seen.replace("HASH", hashes[name])
                    text = text.replace("PLATE", PLATE if name == "n1" else "short")
                    rest = {"fault": "", "taken_at": "", "seconds": 0.5, "made_at": now_utc()}
                    add_once(session, Look, photo_id=photo_id, version="v", observations=text, **rest)
                session.add(
                    Proposal(
                        unit_id=row.id, input_sha256=unit, catalogue_sha256="c", model_version="m",
                        verdict="identified", family="AUK 11", variant="", probability=0.9,
                        destination="family bin", bin="AUK 11", expected_cost=2.0, message=f"words on {unit}",
                        findings="", decision="", made_at=now_utc(),
                    )
                )  # fmt: skip
                session.flush()
                record_confirmation(session, row, family="AUK 11", variant="", who=f"witness of {unit[:4]}")
    queue.close()
    ledger.close()
    return folder, hashes


# The yard page in a real browser, as a phone shows it

PHONE = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}

#: What a new window of Chromium loads for its address bar, though nobody sees one: it took more of the
#: processor than the page itself.
UNUSED = "WebUIOmniboxPopup,WebUIOmniboxAimPopup"

SECONDS = 60_000  # milliseconds; a loaded machine is slow, and each step ends as soon as it can


@pytest.fixture(scope="session")
def browser():
    """A Chromium without a window; tests that ask for it are skipped where there is none.

    One for all of a worker's tests, each of which has a context of its own: starting it takes two seconds.
    """
    import shutil

    from plugface.cli.present.report.printing import PROGRAMS

    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = next((found for name in PROGRAMS if (found := shutil.which(name))), None)
    if chromium is None:
        pytest.skip("no Chromium on this machine")
    playwright.expect.set_options(timeout=SECONDS)  # else five seconds, whatever a context is told
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", f"--disable-features={UNUSED}"],
        )
        yield started
        started.close()


@pytest.fixture
def serve(make_yard):
    """Serve a page on a free port of this machine; gives it with its `url`, and `stop` to end it."""
    with _serving(make_yard) as begin:
        yield begin


#: Port that pages were served on -> whether one is now. A browser keeps the files of an address it knows.
_PORTS: dict[int, bool] = {}

#: Further ones, below those that a system gives to whoever asks for any: a page that was stopped finds its
#: own free when it is served again. Each of several processes begins elsewhere.
_FURTHER = count(20_000 + os.getpid() % 1000 * 12)


def _bind(port: int):
    """A socket on a port of this machine: 0 stands for one that was used before, if one is free."""
    import socket

    free = [one for one, used in _PORTS.items() if not used]
    for one in [port] if port else chain(free, islice(_FURTHER, 1000)):
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", one))
            listener.listen()
        except OSError:  # another process has it
            listener.close()
        else:
            _PORTS[one] = True
            return listener
    raise OSError(f"no free port: {port or 'any'}")


@contextmanager
def _serving(make_yard):
    """What serves such pages; they are stopped at the end."""
    import threading
    import time

    import httpx

    uvicorn = pytest.importorskip("uvicorn")
    running = []

    def begin(port: int = 0, **settings):
        # On a busy machine the second photo of a unit is long in coming; it is to be answered with the first.
        settings["limits"] = {"hold_s": 120.0, **settings.get("limits", {})}
        made = make_yard(**settings)
        listener = _bind(port)
        made.port = listener.getsockname()[1]
        made.url = f"http://127.0.0.1:{made.port}"
        made.client = httpx.Client(base_url=made.url)
        server = uvicorn.Server(uvicorn.Config(made.app, log_level="error", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()

        def stop():
            if not thread.is_alive():
                return
            made.stand_in.gate.set()
            made.client.close()
            server.should_exit = True
            thread.join(60)
            listener.close()
            _PORTS[made.port] = False
            made.yard.close()

        made.stop = stop
        running.append(made)
        while not server.started:
            assert thread.is_alive(), "the page was not begun"
            time.sleep(0.02)
        return made

    yield begin
    for made in running:
        made.stop()


@pytest.fixture
def nudge():
    """Evaluate words on a page that may go elsewhere by itself meanwhile: it has begun what they ask for."""
    from playwright.sync_api import Error

    def call(page, words: str) -> None:
        try:
            page.evaluate(words)
        except Error as error:
            if "context was destroyed" not in str(error):
                raise

    return call


@pytest.fixture
def press_try_now(nudge):
    """Press the button where it still is: the page may have begun by itself."""
    buttons = "[...document.querySelectorAll('#outbox button')]"
    words = f"() => {buttons}.find((one) => one.textContent === 'Try now')?.click()"
    return lambda page: nudge(page, words)


@pytest.fixture
def say_online(nudge):
    """Say what a phone says when its signal is back; the page may have noticed by itself."""
    return lambda page: nudge(page, "() => { window.dispatchEvent(new Event('online')); }")


@pytest.fixture
def make_phone(lend_phones):
    """Make pages in phones' browsers; what the page's policy blocks, or a script throws, fails the test."""
    with lend_phones() as (make, faults):
        yield make
    assert not faults


#: All that a page can store but what the browser keeps of the files it was served.
STORED = "cookies,file_systems,indexeddb,local_storage,websql,service_workers,cache_storage"


class Phone:
    """A page in a browser context of its own, which tests of a worker have one after another.

    The browser has most files of the address then, which saves a fifth of a usual test. What a test stored,
    routed and listened to is taken away, and what the last page still does is stopped. One that got a script
    for all its pages, was asked for the browser's own tools, or may keep the page is not used again.
    """

    def __init__(self, browser, settings: dict) -> None:
        self.context = browser.new_context(**{**PHONE, "service_workers": "block", **settings})
        self.context.set_default_timeout(SECONDS)
        self.page = self.context.new_page()
        self._tools = self.context.new_cdp_session(self.page)
        self._faults, self._next_faults, self._listening = [], [], []
        self._spoilt = settings.get("service_workers") == "allow"
        self._opened: set[str] = set()
        self.page.on("pageerror", self._err)
        self.page.on("console", self._hear)
        self.page.on("framenavigated", self._arrive)
        self.page.on = partial(self._listen, self.page.on)
        self.page.add_init_script = partial(self._spoil, self.page.add_init_script)
        self.context.new_cdp_session = partial(self._spoil, self.context.new_cdp_session)

    def lend(self, faults: list[str]) -> None:
        """Tell the faults of the pages that are opened from now on, not those of the page that is there."""
        self._faults, self._next_faults = [], faults
        self._run_scripts(True)

    def empty(self) -> bool:
        """Take from it what a test left; whether it can be used again."""
        if self._spoilt or len(self.context.pages) > 1:
            return False
        for event, told in self._listening:
            self.page.remove_listener(event, told)
        self._listening.clear()
        self.page.unroute_all(behavior="ignoreErrors")
        self._run_scripts(False)
        for address in self._opened:
            self._tools.send("Storage.clearDataForOrigin", {"origin": address, "storageTypes": STORED})
        # Units of two tests can have one name at one address: a page that waits would open the next one's.
        self.page.goto("about:blank")
        self._opened.clear()
        return True

    def _run_scripts(self, are_run: bool) -> None:
        self._tools.send("Emulation.setScriptExecutionDisabled", {"value": not are_run})

    def _arrive(self, frame) -> None:
        if not frame.parent_frame:
            self._faults = self._next_faults
            self._opened.add("/".join(frame.url.split("/")[:3]))

    def _err(self, error) -> None:
        # A page that is being left may ask its policy for one more worker: nobody waits for that.
        if "is no longer runnable" not in str(error):
            self._faults.append(str(error))

    def _hear(self, message) -> None:
        if "Content Security Policy" in message.text:
            self._faults.append(message.text)

    def _listen(self, listen, event: str, told) -> None:
        self._listening.append((event, told))
        listen(event, told)

    def _spoil(self, do, *words, **more):
        self._spoilt = True
        return do(*words, **more)


@pytest.fixture(scope="session")
def lend_phones(browser):
    """Lend phones to a test, and keep those that can be used again; see `Phone`."""
    from playwright.sync_api import Error

    free: dict[str, list[Phone]] = {}

    @contextmanager
    def lend():
        """What gives a page with such settings, and a list of the faults in all of them."""
        lent, faults = [], []

        def make(**settings):
            kept = free.setdefault(repr(sorted(settings.items())), [])
            phone = kept.pop() if kept else Phone(browser, settings)
            lent.append((kept, phone))
            phone.lend(faults)
            return phone.page

        yield make, faults
        for kept, phone in lent:
            try:
                again = phone.empty()
            except Error:
                again = False
            if again:
                kept.append(phone)
            else:
                phone.context.close()

    return lend


@pytest.fixture(scope="session")
def open_script_page(lend_phones, tmp_path_factory):
    """Open a page that looks for plugs on the phone, for several tests; see `script_page`."""

    @contextmanager
    def begin():
        folder = tmp_path_factory.mktemp("scripts") / "yard"
        with _yards(folder) as make, _serving(make) as begin, lend_phones() as (make_page, faults):
            made, page = begin(phone_plugs=True), make_page()
            page.goto(made.url)
            yield made, page, faults

    return begin


@pytest.fixture(scope="session")
def _script_pages(open_script_page):
    with open_script_page() as opened:
        yield opened


@pytest.fixture
def script_page(_script_pages):
    """A page and the phone that shows it, of which a test only calls the scripts' functions.

    One for all such tests of a worker, each of which leaves both as they are: to make them takes two seconds.
    """
    made, page, faults = _script_pages
    yield made, page
    assert not faults


@pytest.fixture
def phone(make_phone):
    """One such page. It keeps nothing of the page: what a test routes must come by."""
    return make_phone()


@pytest.fixture(autouse=True)
def umask_put_back():
    """What a test starts in its own process may take rights from all files that later tests make."""
    before = os.umask(0o022)
    os.umask(before)
    yield
    os.umask(before)
