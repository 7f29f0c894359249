"""Break lines on purpose, one at a time, and see whether a test notices.

    uv run --with cosmic-ray python tests/mutation/mutate.py models/matching models/decision --seconds 1800

Works on a copy of the checkout in a temporary folder, in one process after another. Which lines are broken,
and how, is drawn by chance from all that cosmic-ray knows how to break, so that the share that is noticed is
an estimate for the whole. POSIX only: each try is a fork, which spares the loading of libraries.
"""

import argparse
import contextlib
import difflib
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).parents[2]

#: Tests that are asked, by the folder that is broken. The first failure ends a try: the nearest come first.
TESTS = {
    "models/matching": ("test_models_matching_*.py", "test_models_decision_*.py"),
    "models/decision": ("test_models_decision_*.py", "test_models_matching_*.py"),
}

#: A test of speed, which notices how busy the machine is, and four that take two thirds of the time.
_LEFT_OUT = (
    "add_little_time",
    "two_families_in_one_photo",
    "torn_label_yields",
    "writing_alone_never",
    "usual_noise_nothing_wrong",
)

#: Loaded once, before all tries.
LIBRARIES = (
    "hypothesis",
    "numpy",
    "pydantic",
    "pytest",
    "re2",
    "rtoml",
    "scipy.special",
    "sklearn.ensemble",
)

#: `X | None` in an annotation is no line of work.
_NO_WORK = ("core/ReplaceBinaryOperator_BitOr_",)

#: Seconds of the processor for one try; without a fault it takes about ten.
_WORK_S = 60


def main() -> None:
    """Break, count, and print the survivors and the score."""
    options = _parser().parse_args()
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name)
        copy_checkout(copy)
        os.chdir(copy)
        sys.path.insert(0, str(copy / "build" / "checkout"))
        sys.dont_write_bytecode = True  # two versions of a file may be of one second and one length
        for library in LIBRARIES:
            import_module(library)
        for folder in options.folders:
            _break_folder(copy, folder, options.seconds / len(options.folders), options.seed)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", choices=sorted(TESTS))
    parser.add_argument("--seconds", type=float, default=1800, help="for all folders together")
    parser.add_argument("--seed", type=int, default=1)
    return parser


def copy_checkout(copy: Path) -> None:
    """The tracked files and the new ones, and a folder of links that gives them their installed names."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, check=True,
    )  # fmt: skip
    for name in filter(None, listed.stdout.decode().split("\0")):
        if (ROOT / name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, copy / name)
    tree = copy / "build" / "checkout" / "plugface"
    tree.mkdir(parents=True)
    for file in (copy / "cli" / "front_door").glob("*.py"):
        (tree / file.name).symlink_to(file)
    for folder, name in (
        ("vision", "vision"),
        ("models", "models"),
        ("cli", "cli"),
        ("training_data_demo", "demo"),
    ):
        (tree / name).symlink_to(copy / folder)


def _break_folder(copy: Path, folder: str, seconds: float, seed: int) -> None:
    from cosmic_ray.mutating import use_mutation
    from cosmic_ray.plugins import get_operator

    tests = [str(path) for glob in TESTS[folder] for path in sorted((copy / "tests").glob(glob))]
    if _try(tests) != "survived":
        raise SystemExit(f"the tests of {folder} fail before anything is broken")
    every = _list_ways(copy, folder)
    counts: Counter[str] = Counter()
    until = time.monotonic() + seconds
    for way in random.Random(seed).sample(every, len(every)):
        if time.monotonic() > until:
            break
        operator = get_operator(way.operator_name)(**way.operator_args)
        with use_mutation(way.module_path, operator, way.occurrence) as (before, after):
            if after is None:
                continue
            outcome = _try(tests)
        counts[outcome] += 1
        if outcome == "survived":
            changed = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
            print(way.module_path, *list(changed)[2:], sep="\n", flush=True)
    tried = sum(counts.values())
    score = ", ".join(f"{counts[outcome]} {outcome}" for outcome in ("killed", "timeout", "survived"))
    print(f"{folder}: {tried} of {len(every)} ways tried: {score}", flush=True)


def _list_ways(copy: Path, folder: str) -> list:
    """All that cosmic-ray can break in a folder, in one order each time."""
    from cosmic_ray.commands import init
    from cosmic_ray.work_db import use_db

    files = sorted(path for path in (copy / folder).glob("*.py") if path.stat().st_size)
    with use_db(str(copy / f"{folder.replace('/', '-')}.sqlite")) as work:
        init(files, work, {})
        ways = [item.mutations[0] for item in work.work_items]
    ways = [way for way in ways if not way.operator_name.startswith(_NO_WORK)]
    return sorted(ways, key=lambda way: (str(way.module_path), way.operator_name, way.occurrence))


def _try(tests: list[str]) -> str:
    """Run the tests in a fork: killed, survived or timeout."""
    child = os.fork()
    if child == 0:
        import pytest

        resource.setrlimit(resource.RLIMIT_CPU, (_WORK_S, _WORK_S))
        with (
            open(os.devnull, "w") as nowhere,
            contextlib.redirect_stdout(nowhere),
            contextlib.redirect_stderr(nowhere),
        ):
            left_out = " and ".join(f"not {name}" for name in _LEFT_OUT)
            failed = pytest.main(["-q", "-x", "-p", "no:cacheprovider", "-k", left_out, *tests])
        os._exit(int(failed))
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "timeout" if os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL) else "killed"
    return "killed" if os.WEXITSTATUS(status) else "survived"


if __name__ == "__main__":
    main()
