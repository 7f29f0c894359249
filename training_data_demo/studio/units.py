"""One controller unit: what it shall be (UnitSpec), what was built (BuiltUnit).

Blender is imported only when a unit is built, so that planning needs no renderer. Families and variants are
those of the catalogue's entries; only their attributes are read, so a machine that renders needs no pydantic.
Lengths are metres in the unit's own frame: origin in the middle of the body, plug face towards +Z, cast mark
upright along +Y, x to the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from plugface.models.catalogue.entries import Family, Variant

# Part numbers in the index picture (object.pass_index).
BODY, WIRES, MARK, LABEL, SCRAWL = 0, 13, 16, 17, 18

LabelState = Literal["clean", "scuffed", "torn", "partly missing", "absent"]


@dataclass(frozen=True)
class UnitSpec:
    """One physical unit: identity and condition. Everything drawn by chance follows from `seed`.

    The shape of the housing follows from the family alone, so that all units of a family are alike.
    """

    family: Family
    variant: Variant
    service_number: str
    suffix: str
    serial: str
    unit_id: str  # also the stem of its texture files
    seed: int
    fade: float = 0.0  # 0..1, as all conditions below
    chalk: float = 0.0
    dirt: float = 0.2
    grease: float = 0.0
    rust: float = 0.0
    label: LabelState = "clean"
    scrawl: str = ""  # the yard's paint marker; empty for none
    scrawl_face: Literal["front", "back"] = "back"
    missing: tuple[int, ...] = ()  # sockets broken off, by canonical index
    seated: int | None = None  # the socket that still holds a plug with cut wires
    label_layout: str = ""  # empty for one of its maker's
    stickers: tuple[str, ...] = ()  # things stuck on the plug face

    def __post_init__(self) -> None:
        count = len(self.family.connectors)
        for index in (*self.missing, *(() if self.seated is None else (self.seated,))):
            if not 0 <= index < count:
                raise ValueError(f"unit {self.unit_id}: there is no connector {index} among {count}")
        if self.seated in self.missing:
            raise ValueError(f"unit {self.unit_id}: connector {self.seated} is both missing and seated")


@dataclass(frozen=True)
class BuiltConnector:
    """A socket as built. `points` is (N, 3): outlines of the shroud's rim and foot."""

    index: int
    points: np.ndarray
    colour: str
    size: str
    missing: bool
    seated: bool


@dataclass(frozen=True)
class BuiltText:
    """A line of text. `corners` is (4, 3): top left, top right, bottom right, bottom left as read."""

    kind: Literal["cast", "printed", "scrawl"]
    role: Literal["mark", "service number", "suffix", "maker", "other"]
    value: str
    corners: np.ndarray


@dataclass(frozen=True)
class BuiltCode:
    """A code. `corners` as for texts, without the quiet zone; `module_m` is one module's width."""

    symbology: str
    payload: str
    corners: np.ndarray
    module_m: float


@dataclass(frozen=True)
class BuiltLure:
    """What a hasty eye takes for a plug and is none. `points` is (N, 3)."""

    kind: str
    points: np.ndarray


@dataclass(frozen=True)
class BuiltUnit:
    """A unit in the open Blender scene."""

    root: Any  # bpy.types.Object, an empty; moving it moves the unit
    size_m: tuple[float, float, float]  # with ears and connectors
    outline_points: np.ndarray  # (N, 3)
    connectors: tuple[BuiltConnector, ...]
    texts: tuple[BuiltText, ...]
    codes: tuple[BuiltCode, ...]
    lures: tuple[BuiltLure, ...] = ()


def build_unit(spec: UnitSpec, textures: Path) -> BuiltUnit:
    """Build a unit in the open Blender scene.

    Parameters
    ----------
    spec : UnitSpec
    textures : Path
        The folder that `labels.write_textures(spec, textures)` filled before.

    Returns
    -------
    unit : BuiltUnit
        Every object hangs on `root` and carries its part number as `pass_index`.

    Raises
    ------
    FileNotFoundError
        If the unit's textures were not written.
    """
    from plugface.demo.studio.assembly import assemble_unit

    return assemble_unit(spec, textures)
