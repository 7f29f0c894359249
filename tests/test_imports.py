"""The direction of imports, held by parsing every file: cli -> models -> vision.observations, never back.

The table of colours lies beside the observations, and whoever may read those may read it.
"""

import ast
from functools import cache
from importlib.metadata import distributions
from pathlib import Path

ROOT = Path(__file__).parent.parent
#: Folder and import name of each room; the front door lies in a folder of its own within cli/.
ROOMS = {
    "cli": "plugface.cli",
    "models": "plugface.models",
    "training_data_demo": "plugface.demo",
    "vision": "plugface.vision",
}
FILES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))

#: Where a file of a room may import from, besides its own room and what is installed.
ALLOWED = {
    "vision": (),
    "models": ("plugface.vision.colour_table", "plugface.vision.observations"),
    "training_data_demo": ("plugface.models.catalogue.entries",),
    "cli": (
        "plugface.analysis",
        "plugface.codec",
        "plugface.models",
        "plugface.vision.colour_table",
        "plugface.vision.observations",
        "plugface.demo",
    ),
}

#: Files that may import more, and why.
EXCEPTIONS = {
    "cli/version.py": ("plugface.vision",),  # says by a hash which vision looked
    "cli/front_door/analysis.py": ("plugface.vision",),  # joins the two halves
    "cli/limited_photo.py": ("plugface.vision.photo",),  # opens a photo in a process of its own
    "cli/loading.py": ("plugface.vision",),  # loads the networks, and says where they are kept
    "cli/evaluation/measure_text.py": ("plugface.vision",),  # measures vision alone, without a catalogue
    "cli/evaluation/ceiling.py": ("plugface.vision.detection.order",),  # orders true plugs as vision does
    "cli/evaluation/measure_confusions.py": ("plugface.vision",),  # lets the readers read what was drawn
    "cli/evaluation/measure_vision.py": ("plugface.vision",),
    "cli/evaluation/tuned_constants.py": ("plugface.vision",),  # names its constants
    "cli/evaluation/constant_trials.py": ("plugface.vision",),  # looks with other constants
    "cli/evaluation/kept_observations.py": ("plugface.vision",),  # hashes vision/ for the cache
    "cli/evaluation/measure_real.py": ("plugface.vision",),  # measures vision alone, on real photographs
    "cli/evaluation/collect_patches.py": ("plugface.vision",),  # finds what the verifier learns from
    "cli/evaluation/fit_verifier.py": ("plugface.vision",),  # looks at real photographs as vision does
    "cli/evaluation/measure_codes.py": ("plugface.vision",),  # measures the reader of codes alone
    "cli/evaluation/measure_phone_plugs.py": ("plugface.vision",),  # looks once, as a phone does
    "cli/evaluation/real_job.py": ("plugface.vision",),  # looks once, to propose and to identify
    "cli/web/pages.py": ("plugface.vision.quality",),  # the phone judges photos by the same limits
    "cli/web/phone_plugs.py": ("plugface.vision",),  # hands the network and its limits on to the phone
    "training_data_demo/train_segmenter.py": ("plugface.vision",),  # trains vision's own network
}


@cache
def imports(path: Path) -> tuple[ast.Import | ast.ImportFrom, ...]:
    """All that a file imports, at any depth."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return tuple(node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom))


def imported(path: Path) -> set[str]:
    """Dotted names of everything that a file imports."""
    names = set()
    for node in imports(path):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        else:
            assert node.level == 0, f"{path} line {node.lineno} imports relatively; write the whole name"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def within(name: str, package: str) -> bool:
    """Whether a dotted name is a package or something in it."""
    return name == package or name.startswith(package + ".")


def test_there_are_files_to_hold() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in FILES} == set(ROOMS)


def test_a_file_imports_only_in_the_allowed_direction() -> None:
    for path in FILES:
        where = path.relative_to(ROOT)
        room = where.parts[0]
        ours = {name for name in imported(path) if name.partition(".")[0] in ("plugface", "tests", *ROOMS)}
        allowed = (ROOMS[room], *ALLOWED[room], *EXCEPTIONS.get(where.as_posix(), ()))
        wrong = sorted(name for name in ours if not any(within(name, package) for package in allowed))
        assert not wrong, f"{where} may not import {', '.join(wrong)}"


def test_the_vision_package_imports_nothing_by_itself() -> None:
    assert not ast.parse((ROOT / "vision" / "__init__.py").read_text(encoding="utf-8")).body


def test_one_opencv_is_installed_and_it_is_the_headless_one() -> None:
    # The other builds need libGL, or overwrite this one's files.
    installed = {dist.name.lower() for dist in distributions()}
    assert {name for name in installed if name.startswith("opencv")} == {"opencv-python-headless"}


def test_no_file_reads_or_writes_a_model_that_can_run_code() -> None:
    banned = ("pickle", "cloudpickle", "dill", "joblib.load", "joblib.dump")
    for path in FILES:
        assert not [name for name in imported(path) if any(within(name, bad) for bad in banned)], path
