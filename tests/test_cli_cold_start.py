"""What an answer imports: libraries of training and reports stay out, and none reports to its maker."""

import os
import subprocess
import sys

HEAVY = (
    "sklearn",
    "scipy",
    "skimage",
    "skops",
    "joblib",
    "loky",
    "matplotlib",
    "pandas",
    "shapely",
    "rapidocr",
    "omegaconf",
    "sqlalchemy",
    "alembic",
    "fastapi",
    "jinja2",
    "pillow_heif",
    "pytesseract",
    "openpyxl",
    "plugface.cli.store.ledger",
    "plugface.models.learning.training",
)

PROGRAM = """
import sys
from pathlib import Path
import numpy as np
from PIL import Image
from plugface.cli.commands import identify
from plugface.analysis import analyse
from plugface.cli.limited_photo import read_photo
from plugface.cli.present.terminal import render_answer
from plugface.cli.present.schemas import identify_out
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from rich.console import Console

path = Path(sys.argv[1])
Image.fromarray(np.full((120, 160, 3), 128, np.uint8)).save(path)
answer = analyse([path], load_catalogue(demo_folder() / "marrow_finch"), opener=read_photo)
identify_out(answer).model_dump_json()
render_answer(Console(file=sys.stderr), answer)
print([name for name in sys.argv[2:] if name in sys.modules])
"""


def test_an_answer_imports_nothing_that_only_training_or_reports_need(tmp_path) -> None:
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path / "grey.png"), *HEAVY],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() == "[]"


DECIDING = ("plugface.models.identify", "plugface.models.learning.classifier", "plugface.cli.present.schemas")


def test_what_decides_is_imported_while_the_photos_are_looked_at(tmp_path) -> None:
    # By a thread that ends before deciding begins, and not before the photo is opened.
    program = """
import sys
import plugface.analysis, plugface.cli.limited_photo, plugface.models.catalogue.entries
print([name for name in sys.argv[1:] if name in sys.modules])
"""
    command = [sys.executable, "-c", program, *DECIDING]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    assert ran.stdout.strip() == "[]"


def test_no_number_for_this_machine_is_made_and_nothing_is_reported(tmp_path) -> None:
    program = "import os, plugface.vision.observe; print(os.environ['ORT_DISABLE_TELEMETRY'])"
    own = {name: value for name, value in os.environ.items() if name not in {"ORT_DISABLE_TELEMETRY", "CI"}}
    ran = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
        env=own | {"XDG_CACHE_HOME": str(tmp_path), "HOME": str(tmp_path)},
    )
    assert ran.stdout.strip() == "1"
    assert [path.name for path in tmp_path.rglob("*") if "onnxruntime" in path.name] == []
