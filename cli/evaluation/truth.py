"""The truth beside the demo photos: what each photo really shows, written by the studio that made it."""

from pathlib import Path
from typing import Literal

from plugface.cli.settings import Split, demo_folder
from pydantic import BaseModel, ConfigDict, ValidationError

#: File with one JSON row for each photo.
TRUTH_FILE = "truth.jsonl"


def list_test_makers() -> tuple[Path, ...]:
    """Folders of the makers that are for testing alone: each has a catalogue, photos and truth of its own.

    Nothing is trained, calibrated or tuned on their photos.
    """
    return tuple(sorted(file.parents[1] for file in demo_folder().glob("*/catalogue/catalogue.toml")))


class TruthMissing(Exception):
    """Photos or their truth are not there or cannot be read: which file, what is wrong, what mends it."""

    def __init__(self, file: str, problem: str, remedy: str = "") -> None:
        self.file, self.problem = file, problem
        demo = "The demo photos come with a checkout of the project, not with an installed program"
        self.remedy = remedy or demo
        super().__init__(f"{file}: {problem}. {self.remedy}.")


class Row(BaseModel):
    """Base of the rows; the studio's rows hold more than is read here."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class TrueUnit(Row):
    """One unit in one photo."""

    unit_id: str
    maker: str
    family: str
    variant: str
    known: bool  # whether its family is in the maker's catalogue
    face: Literal["front", "back", "edge top", "edge right", "edge bottom", "edge left"]
    polygon: tuple[tuple[float, float], ...]


class TruePhoto(Row):
    """One photo."""

    photo: str  # path from the folder of the truth file
    sha256: str
    split: Split
    set: str
    view: str
    units: tuple[TrueUnit, ...] = ()


def read_truth(folder: Path, split: Split | None = None) -> list[TruePhoto]:
    """Rows of a folder's truth file, of one split or all.

    Raises
    ------
    TruthMissing
        If there is no such file or a row cannot be read.
    """
    path = folder / TRUTH_FILE
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        rows = [TruePhoto.model_validate_json(line) for line in lines if line.strip()]
    except FileNotFoundError:
        raise TruthMissing(str(path), "there is no such file") from None
    except (OSError, UnicodeDecodeError, ValidationError) as error:
        reason = f"it cannot be read ({' '.join(str(error).split())[:160]})"
        raise TruthMissing(str(path), reason) from None
    return [row for row in rows if split is None or row.split == split]


def group_by_unit(rows: list[TruePhoto]) -> dict[str, list[TruePhoto]]:
    """Photos by unit; each photo of no unit stands under its own name. Photos of several are left out."""
    groups: dict[str, list[TruePhoto]] = {}
    for row in rows:
        if len(row.units) <= 1:
            groups.setdefault(row.units[0].unit_id if row.units else row.photo, []).append(row)
    return groups
