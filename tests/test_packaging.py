"""What a fresh machine gets: one OpenCV, built without a window toolkit, and none shut out."""

import tomllib
from importlib.metadata import distributions
from pathlib import Path

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


def test_no_opencv_is_shut_out_by_its_version():
    # The flags that 4.12 and later refuse (reduced and in RGB at once) are not used any more. 5.0 was tried
    # on the calibration split on 2026-11-28: it decodes, and 108 of 112 photos are answered alike.
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    (opencv,) = (word for word in project["dependencies"] if word.startswith("opencv"))
    assert "<" not in opencv
