"""What a fresh machine gets: one OpenCV, built without a window toolkit, of a version that decodes."""

import tomllib
from importlib.metadata import distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent


def test_one_opencv_is_installed_and_it_needs_no_window_toolkit():
    names = {found.name.lower().replace("_", "-") for found in distributions()}
    assert {name for name in names if "opencv" in name} == {"opencv-python-headless"}


def test_no_lock_entry_brings_another_opencv_in():
    lock = tomllib.loads((ROOT / "uv.lock").read_text(encoding="utf-8"))
    for package in lock["package"]:
        for wanted in package.get("dependencies", []):
            if wanted["name"] in ("opencv-python", "opencv-contrib-python"):
                assert wanted.get("marker") == "sys_platform == 'never'", package["name"]


@pytest.mark.parametrize(
    ("version", "taken"), [("4.11.0.86", True), ("4.12.0.88", False), ("5.0.0.93", False)]
)
def test_an_opencv_that_refuses_our_flags_is_not_taken(version, taken):
    # `uv tool install .` reads no lock. Tried on 2026-11-25: 4.12, 4.13, 4.14 and 5.0 raise on
    # IMREAD_REDUCED_COLOR_2 | IMREAD_COLOR_RGB, 4.11 does not.
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    (opencv,) = (r for r in map(Requirement, project["dependencies"]) if "opencv" in r.name)
    assert (version in opencv.specifier) is taken
