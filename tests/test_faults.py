"""A machine on which something is missing, broken or moved: one sentence, and nothing lost.

What a fault does to a ledger or a run is tested beside those (test_cli_ledger.py, test_cli_sort.py), a
missing Tesseract program in test_vision_text.py, a damaged model file in test_models_classifier.py.
"""

import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import plugface.vision.network_files
import pytest
from plugface.cli import errors
from plugface.cli.lot.run_folder import write_whole
from plugface.cli.lot.worker import PipelineAnalyser
from plugface.cli.present import charts, picture_font
from plugface.cli.settings import demo_folder
from plugface.cli.store import ledger as ledger_module
from plugface.cli.store.ledger import Confirmation, Ledger, Lot, Unit, list_units, record_confirmation
from plugface.models.catalogue.entries import read_catalogue
from plugface.vision import onnx
from plugface.vision.onnx import BrokenNetwork, load_network, packaged_network
from sqlalchemy import select


def test_a_damaged_network_is_named_with_what_to_do(tmp_path) -> None:
    path = tmp_path / "somebody_s_own.onnx"  # one that is shipped is known by its digest before it is loaded
    path.write_bytes(b"these are no weights" * 50)
    with pytest.raises(BrokenNetwork) as caught:
        load_network(str(path))
    said = errors.explain(caught.value)
    assert said.message.startswith(f"{path}: it is not a network that can be loaded")
    assert said.message.endswith("Install plugface again.")
    assert (said.exit_code, said.unforeseen) == (2, False)


def test_a_network_with_changed_bytes_is_not_used(tmp_path) -> None:
    shipped = Path(plugface.vision.network_files.__file__).parent / "weights"
    for name in ("cast_reader.onnx", "SHA256SUMS"):
        shutil.copy(shipped / name, tmp_path / name)
    assert load_network(str(tmp_path / "cast_reader.onnx"))
    changed = tmp_path / "changed"
    changed.mkdir()
    shutil.copy(shipped / "SHA256SUMS", changed)
    data = bytearray((shipped / "cast_reader.onnx").read_bytes())
    data[2_000_000:2_000_050] = bytes(50)
    (changed / "cast_reader.onnx").write_bytes(data)
    with pytest.raises(BrokenNetwork, match="not those that were shipped"):
        load_network(str(changed / "cast_reader.onnx"))


def test_the_list_of_networks_is_that_of_the_files() -> None:
    shipped = Path(plugface.vision.network_files.__file__).parent / "weights"
    for path in shipped.glob("*.onnx"):
        found = plugface.vision.network_files.find_sum(path)
        assert found == plugface.vision.network_files.measure_sum(path), (
            "after a training: put the new sha256sum into vision/weights/SHA256SUMS"
        )


def test_the_version_of_a_look_names_the_weights(monkeypatch, tmp_path) -> None:
    """With other weights another version, though the code is the same."""
    from plugface.cli.version import vision_version

    assert PipelineAnalyser(demo_folder() / "marrow_finch").look_version == f"vision {vision_version()}"
    copied = tmp_path / "vision"
    shutil.copytree(Path(plugface.vision.__file__).parent, copied)
    monkeypatch.setattr(plugface.vision, "__file__", str(copied / "__init__.py"))
    assert vision_version.__wrapped__() == vision_version()
    with (copied / "weights" / "segmenter.onnx").open("r+b") as file:
        file.write(b"\0")
    assert vision_version.__wrapped__() != vision_version()


def test_a_missing_reader_is_named_with_what_to_do(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(onnx.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(BrokenNetwork) as caught:
        packaged_network("reader.onnx")
    expected = "reader.onnx: the package rapidocr is not installed. Install plugface again."
    assert errors.explain(caught.value).message == expected
    with pytest.raises(BrokenNetwork, match="no such file"):
        load_network(str(tmp_path / "gone.onnx"))


@pytest.mark.parametrize("file", ["PP-OCRv6_det_small.onnx", "PP-OCRv6_rec_small.onnx"])
def test_a_changed_reader_of_the_package_is_not_used(tmp_path, file) -> None:
    changed = tmp_path / file
    shutil.copyfile(packaged_network(file), changed)
    with changed.open("r+b") as network:
        network.seek(5_000_000)
        network.write(bytes(255 - byte for byte in network.read(50)))
    with pytest.raises(BrokenNetwork, match="not those that were shipped"):
        load_network(str(changed))


def test_without_its_fonts_a_picture_is_drawn_in_plainer_letters(monkeypatch) -> None:
    monkeypatch.setattr(picture_font, "find_spec", lambda name: None)
    picture_font.load_font.cache_clear()
    try:
        assert picture_font.load_font(20, True).getlength("AUK 12") > 20
    finally:
        picture_font.load_font.cache_clear()


def test_a_clock_that_jumps_back_does_not_bring_an_older_truth_up(tmp_path, monkeypatch) -> None:
    ledger = Ledger(tmp_path / "ledger.sqlite")
    with ledger.transaction() as session:
        lot = Lot(key="lot", name="", source="", market="", created_at="2026-11-25T10:00:00Z")
        session.add(lot)
        session.flush()
        unit = Unit(lot_id=lot.id, key="A-1", method="", group_key="A-1", created_at=lot.created_at)
        session.add(unit)
        session.flush()
        for family, hour in (("AUK 12", 12), ("AUK 11", 9)):
            monkeypatch.setattr(ledger_module, "now_utc", lambda hour=hour: f"2026-11-25T{hour:02}:00:00Z")
            record_confirmation(session, unit, family=family, variant="", who="Ada")
            session.flush()
    with ledger.reading() as session:
        _columns, rows = list_units(session)
        assert [row.true_family for row in rows] == ["AUK 11"]  # what was said last, whatever the clock says
        said_at = session.scalars(select(Confirmation.confirmed_at).order_by(Confirmation.id)).all()
        assert said_at == ["2026-11-25T12:00:00Z", "2026-11-25T09:00:00Z"]
    ledger.close()


def test_a_family_that_vanishes_while_the_catalogue_is_read_is_named(tmp_path, monkeypatch) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(demo_folder() / "marrow_finch", folder)
    listed = os.listdir(folder)
    monkeypatch.setattr(os, "listdir", lambda path: [*listed, "zz_gone.toml"])
    with pytest.raises(FileNotFoundError) as caught:
        read_catalogue(folder)
    message = errors.explain(caught.value).message
    assert message == f"{folder / 'zz_gone.toml'}: no such file or directory. Check the path."


def test_threads_may_write_one_file_at_once(tmp_path) -> None:
    with ThreadPoolExecutor(8) as threads:  # without care, every second one found its part gone
        for write in [threads.submit(write_whole, tmp_path / "x", b"%d" % n) for n in range(200)]:
            write.result()
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


@pytest.mark.parametrize(
    ("name", "write"),
    [
        (".x.toml.part", lambda folder: write_whole(folder / "x.toml", b"key = 1")),
        ("x.png", lambda folder: charts.draw_reliability([(0.5, 0.5, 1)], 0.0, "", folder / "x.png")),
    ],
)
def test_a_full_disk_is_said_with_the_file_that_did_not_fit(tmp_path, name, write) -> None:
    (tmp_path / name).symlink_to("/dev/full")  # full(4): every write fails as on a full disk
    with pytest.raises(OSError, match="No space left") as caught:
        write(tmp_path)
    file = tmp_path / name.removeprefix(".").removesuffix(".part")
    assert errors.explain(caught.value).message.startswith(f"{file}: no space left on device.")


def test_an_export_to_a_full_disk_names_its_file(run, tmp_path) -> None:
    Ledger(tmp_path / "ledger.sqlite").close()
    (tmp_path / ".x.csv.part").symlink_to("/dev/full")
    said = run("ledger", "export", tmp_path / "x.csv", "--ledger", tmp_path / "ledger.sqlite")
    assert said.code == 2
    assert said.err.startswith(f"error: {tmp_path / 'x.csv'}: no space left on device.")


def test_an_export_to_where_nothing_can_be_written_names_its_file(run, tmp_path) -> None:
    Ledger(tmp_path / "ledger.sqlite").close()
    said = run("ledger", "export", tmp_path / "nowhere" / "x.csv", "--ledger", tmp_path / "ledger.sqlite")
    assert said.code == 2
    assert said.err.startswith(f"error: {tmp_path / 'nowhere' / 'x.csv'}: no such file or directory.")


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_full_disk_under_the_output_is_one_line(form) -> None:
    start = [sys.executable, "-c", "from plugface.cli.main import main; main()"]
    words = [*start, "needs", "--throttle", "cable", *form]
    with open("/dev/full", "w") as full:
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "no space left on device" in done.stderr


@pytest.mark.parametrize("alphabet", ["latin-1", "utf-8"])
def test_a_name_that_the_terminal_cannot_show_is_shown_as_numbers(tmp_path, alphabet) -> None:
    Ledger(tmp_path / "ledger.sqlite").close()
    out = os.fsencode(tmp_path) + b"/\xff \xe2\x9c\x93.csv"
    start = [sys.executable, "-c", "from plugface.cli.main import main; main()"]
    words = [*start, "ledger", "export", out, "--ledger", str(tmp_path / "ledger.sqlite")]
    done = subprocess.run(
        words, capture_output=True, env=os.environ | {"PYTHONIOENCODING": alphabet}, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"\\udcff" in done.stdout
    assert os.path.exists(out)
