"""The wheel holds plugface and nothing else, and works beside packages called cli, models and vision."""

import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = {"cli": "plugface.cli", "models": "plugface.models", "vision": "plugface.vision"}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        ["uv", "build", "-q", "--wheel", "--out-dir", str(out), str(ROOT)], check=True, timeout=300
    )
    (found,) = out.glob("*.whl")
    return found


def test_the_list_of_packages_is_that_of_the_folders():
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"][
        "packages"
    ]
    there = {"plugface", "plugface.demo"}
    for folder, name in FOLDERS.items():
        for file in (ROOT / folder).rglob("*.py"):
            parts = file.parent.relative_to(ROOT / folder).parts
            if "front_door" not in parts:
                there.add(".".join((name, *parts)))
    assert sorted(listed) == sorted(there)


def test_the_wheel_holds_plugface_alone_and_no_studio(wheel):
    with zipfile.ZipFile(wheel) as file:
        names = file.namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"plugface"}
    left_out = ("studio", "/photos/", "truth.jsonl")
    assert not [name for name in names if any(part in name for part in left_out)]
    for wanted in (
        "plugface/__init__.py",
        "plugface/vision/weights/segmenter.onnx",
        "plugface/models/data/model.json",
        "plugface/cli/web/english.toml",
        "plugface/cli/web/static/sketches/back.svg",
        "plugface/cli/present/report/templates/report.html",
        "plugface/cli/store/migrations/script.py.mako",
        "plugface/demo/marrow_finch/catalogue.toml",
    ):
        assert wanted in names


def test_the_main_job_runs_from_the_wheel_beside_foreign_packages(wheel, tmp_path, promised_photo):
    site = tmp_path / "site"
    with zipfile.ZipFile(wheel) as file:
        file.extractall(site)
    for name in ("cli", "models", "vision", "training_data_demo"):
        (site / name).mkdir()
        (site / name / "__init__.py").write_text("raise ImportError('the wrong package')\n")
    program = (
        "import sys; sys.path.insert(0, sys.argv.pop(1))\n"
        "import plugface; assert plugface.__file__.startswith(sys.path[0]), plugface.__file__\n"
        "from plugface.cli.main import main; main()"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, str(site), "identify", str(promised_photo), "--json"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert '"verdict": "identified"' in ran.stdout
