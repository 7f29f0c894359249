"""Networks that an earlier process prepared: the same answers, and nothing that is not whole."""

import subprocess
import sys
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
from plugface.cli import loading, settings
from plugface.cli.limited_process import LimitedProcess
from plugface.cli.lot.parallel import map_unordered
from plugface.cli.web import worker_pool
from plugface.vision import kept_networks, onnx
from plugface.vision.detection.segmenter import WEIGHTS as SEGMENTER
from plugface.vision.detection.verifier import WEIGHTS as VERIFIER
from plugface.vision.kept_networks import KEPT_NETWORKS, MODEL, WEIGHTS, keep_networks
from plugface.vision.ocr.unit_texts import CAST_READER_FILE
from plugface.vision.onnx import BrokenNetwork, packaged_network

#: Each network, and a picture of a size that it is asked about.
NETWORKS = {
    str(CAST_READER_FILE): (1, 1, 32, 120),
    str(VERIFIER): (2, 3, 128, 128),
    str(SEGMENTER): (1, 3, 96, 128),
    packaged_network("PP-OCRv6_det_small.onnx"): (1, 3, 96, 128),
    packaged_network("PP-OCRv6_rec_small.onnx"): (2, 3, 48, 96),
}
SMALLEST = str(CAST_READER_FILE)


@pytest.fixture
def folder(tmp_path):
    """Where this process keeps networks meanwhile."""
    keep_networks(lambda: tmp_path / "networks")
    yield tmp_path / "networks"
    keep_networks(None)


def load(path: str) -> onnx.Session:
    """As a new process would, for which nothing is loaded yet."""
    return onnx._open_network.__wrapped__(path, 1)


def ask(session: onnx.Session, shape: tuple[int, ...]) -> list[np.ndarray]:
    picture = np.random.default_rng(1).uniform(0, 255, shape).astype(np.float32)
    return session.run(None, {session.get_inputs()[0].name: picture})


def refuse_plain(monkeypatch) -> None:
    """From now on a network can be had prepared, or not at all."""

    def refuse(_path):
        raise AssertionError("prepared anew")

    monkeypatch.setattr(onnx, "_source", refuse)


@pytest.mark.parametrize("path", NETWORKS)
def test_a_kept_network_answers_the_same_to_the_last_bit(folder, monkeypatch, path) -> None:
    keep_networks(None)
    plain = load(path)
    assert not folder.exists()
    keep_networks(lambda: folder)
    first = load(path)
    refuse_plain(monkeypatch)
    kept = load(path)
    for session in (first, kept):
        for ours, expected in zip(ask(session, NETWORKS[path]), ask(plain, NETWORKS[path]), strict=True):
            assert np.array_equal(ours, expected)
        facts = [one.get_modelmeta().custom_metadata_map for one in (session, plain)]
        assert facts[0] == facts[1]


@pytest.mark.parametrize("file", [MODEL, WEIGHTS])
def test_a_damaged_one_is_prepared_anew(folder, monkeypatch, file) -> None:
    load(SMALLEST)
    (place,) = folder.iterdir()
    whole = (place / file).read_bytes()
    middle = len(whole) // 2
    (place / file).write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
    load(SMALLEST)
    assert (place / file).read_bytes() == whole
    (place / file).unlink()
    load(SMALLEST)
    assert (place / file).read_bytes() == whole
    assert [one.name for one in folder.iterdir()] == [place.name]
    refuse_plain(monkeypatch)
    load(SMALLEST)


def test_another_library_processor_or_network_has_its_own(folder, monkeypatch) -> None:
    load(SMALLEST)
    monkeypatch.setattr(onnx.onnxruntime, "__version__", "0.0")
    load(SMALLEST)
    monkeypatch.setattr(cv2, "getCPUFeaturesLine", lambda: "SSE")
    load(SMALLEST)
    load(str(VERIFIER))
    assert len(list(folder.iterdir())) == 4


def test_what_cannot_be_kept_is_loaded_all_the_same(tmp_path, folder, monkeypatch) -> None:
    folder.write_text("a file in the folder's place")
    assert ask(load(SMALLEST), NETWORKS[SMALLEST])
    folder.unlink()

    def full(*_args, **_options):
        raise OSError("no space left on device")

    monkeypatch.setattr(kept_networks, "measure_sum", full)
    assert ask(load(SMALLEST), NETWORKS[SMALLEST])
    assert list(folder.iterdir()) == []


def test_one_that_the_library_cannot_load_is_prepared_anew(folder) -> None:
    load(SMALLEST)
    (place,) = folder.iterdir()
    (place / MODEL).write_bytes(b"whole, and no model")
    (place / "SHA256SUMS").write_text(kept_networks._sums(place), "ascii")
    assert ask(load(SMALLEST), NETWORKS[SMALLEST])


def test_a_network_of_ones_own_or_with_changed_bytes_is_not_kept(folder, tmp_path) -> None:
    own = tmp_path / "own.onnx"
    own.write_bytes(CAST_READER_FILE.read_bytes())
    assert load(str(own))
    changed = tmp_path / CAST_READER_FILE.name
    changed.write_bytes(CAST_READER_FILE.read_bytes()[:-1] + b"\0")
    with pytest.raises(BrokenNetwork, match="not those that were shipped"):
        load(str(changed))
    assert not folder.exists()


def test_a_network_of_the_same_name_is_another(folder, tmp_path, monkeypatch) -> None:
    load(SMALLEST)
    monkeypatch.setattr(onnx, "find_sum", lambda _: "0" * 64)
    monkeypatch.setattr(onnx, "measure_sum", lambda _: "0" * 64)
    load(SMALLEST)
    assert len(list(folder.iterdir())) == 2


def test_to_keep_it_a_network_is_started_once(folder, monkeypatch) -> None:
    started = []
    start = onnx._start
    monkeypatch.setattr(onnx, "_start", lambda *args, **how: started.append(how) or start(*args, **how))
    load(SMALLEST)
    load(SMALLEST)
    assert [sorted(how) for how in started] == [["write"], ["prepared"]]


def test_the_latest_stay(folder, monkeypatch) -> None:
    for number in range(KEPT_NETWORKS + 2):
        monkeypatch.setattr(onnx.onnxruntime, "__version__", f"0.{number}")
        load(SMALLEST)
        places = {one: one.stat().st_mtime_ns for one in folder.iterdir()}
    assert len(places) == KEPT_NETWORKS
    refuse_plain(monkeypatch)
    for number in (2, KEPT_NETWORKS + 1):  # the oldest that stays, and the newest
        monkeypatch.setattr(onnx.onnxruntime, "__version__", f"0.{number}")
        load(SMALLEST)


#: Where a network is kept in whichever process it is asked, which finds this by its name.
WHERE = partial(kept_networks.place_of, Path("a.onnx"), "0" * 64)


def test_every_process_that_looks_uses_them(monkeypatch, tmp_path) -> None:
    assert WHERE("here") is None
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    expected = tmp_path / "plugface" / "networks"
    assert [kept.parent for _, kept in map_unordered(WHERE, ["here"], workers=2)] == [expected]
    limited = LimitedProcess(WHERE, seconds=20.0, memory_bytes=1_000_000_000)
    try:
        assert limited("here").parent == expected
    finally:
        limited.close()


def test_so_do_the_command_and_the_page(monkeypatch, tmp_path) -> None:
    program = """
import sys
from plugface.cli import main
from plugface.vision import kept_networks
main.print_help = lambda *_: True
try:
    main.main()
except SystemExit:
    print(kept_networks._folder())
"""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == str(tmp_path / "plugface" / "networks")

    class Closed:
        def recv(self):
            raise EOFError

    used = []
    monkeypatch.setattr(loading, "use_kept_networks", lambda: used.append(1))
    monkeypatch.setattr(worker_pool.signal, "signal", lambda *_: None)
    monkeypatch.setattr(worker_pool.os, "nice", lambda _: 0)
    worker_pool._answer_all(Closed())
    assert used == [1]


def test_the_folder_is_that_of_the_settings(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(settings, "kept_networks", lambda: tmp_path / "here")
    loading.use_kept_networks()
    try:
        assert WHERE("here").parent == tmp_path / "here"
    finally:
        keep_networks(None)
