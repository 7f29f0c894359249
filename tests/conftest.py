"""The command line as a test calls it."""

import sys
from dataclasses import dataclass

import pytest

from cli.main import main


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
def plain_photo(tmp_path):
    """Write a grey JPEG of 1280 x 960 pixels; each name gets another shade, and so another hash."""
    from PIL import Image

    def write(name: str):
        path = tmp_path / name
        Image.new("RGB", (1280, 960), (60 + len(name) % 90, 120, 130)).save(path)
        return path

    return write


@pytest.fixture
def seen_as(monkeypatch):
    """Let the command see, in each photo by file name, what a simulated unit of the demo would show.

    No pixels are looked at: these tests are about what happens to observations. Photos not named show no
    unit.
    """
    from dataclasses import replace

    import numpy as np

    from cli import pipeline
    from cli.settings import demo_folder
    from models.catalogue import load_catalogue
    from models.noise import ObservationNoise
    from models.simulate import draw_observations

    catalogue = load_catalogue(demo_folder() / "marrow_finch")

    def prepare(seed: int = 0, **photos: tuple[str, str, str]) -> None:
        drawn = {}
        for offset, (name, (family, variant, view)) in enumerate(photos.items()):
            entry = catalogue.by_key[family]
            which = next(v for v in entry.variants if v.key == variant)
            rng = np.random.default_rng(seed + offset)
            drawn[name] = draw_observations(entry, which, view, ObservationNoise(), rng)

        def look(photo, **_):
            name = photo.name.rpartition("/")[2].partition(".")[0]
            if name in drawn:
                return replace(drawn[name], photo_sha256=photo.sha256)
            return replace(
                next(iter(drawn.values())), photo_sha256=photo.sha256, units=(), texts=(), codes=()
            )

        monkeypatch.setattr(pipeline, "observe", look)

    return prepare
