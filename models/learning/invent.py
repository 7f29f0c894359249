"""Made-up catalogues of any size, for training on rules rather than families and for measuring growth.

Families come in groups that share a shell, as real ones do: within a group one plug's colour, one size, the
order or one more plug differs. Every name and number is drawn at random and stands for nothing.
"""

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from plugface.models.catalogue.entries import (
    Body,
    Catalogue,
    CatalogueHead,
    Connector,
    Family,
    Label,
    Mark,
    SizeClass,
    Variant,
)
from plugface.vision.colour_table import COLOUR_CODES, COLOURS, ColourCode

T = TypeVar("T")

_COLOUR_SHARE = np.array([colour.common for colour in COLOURS])
_SYLLABLES = (
    "BA",
    "CO",
    "DU",
    "FEN",
    "GIL",
    "HAR",
    "KE",
    "LOM",
    "MIR",
    "NO",
    "PEL",
    "RUS",
    "SAN",
    "TOR",
    "VEX",
)


def invent_catalogue(n_families: int, seed: int) -> Catalogue:
    """A catalogue of invented families.

    Parameters
    ----------
    n_families : int, 1 or more
    seed : int

    Returns
    -------
    catalogue : Catalogue
        Marks and service numbers are distinct; plug faces may be alike.
    """
    rng = np.random.default_rng(seed)
    families: list[Family] = []
    used: set[str] = set()
    while len(families) < n_families:
        name = _fresh_name(rng, used)
        shell = _draw_shell(rng)
        plugs = _draw_connectors(rng, shell)
        prefix = "".join(rng.choice(list("0123456789"), 6))
        for number in range(1, 1 + min(int(rng.integers(1, 5)), n_families - len(families))):
            families.append(_family(rng, f"{name} {number}", shell, plugs, prefix))
            plugs = _alter(rng, plugs)
    head = CatalogueHead(name=f"invented {n_families}", invented=True, note="drawn at random")
    return Catalogue(head=head, families=tuple(families), sha256=f"invented-{n_families}-{seed}")


def _fresh_name(rng, used: set[str]) -> str:
    while True:
        name = "".join(rng.choice(_SYLLABLES, int(rng.integers(2, 4))))
        if name not in used:
            used.add(name)
            return name


def _pick(rng: np.random.Generator, options: Sequence[T], p: Sequence[float] | np.ndarray | None = None) -> T:
    return options[int(rng.choice(len(options), p=p))]


def _draw_shell(rng) -> Body:
    width = float(rng.uniform(90, 260))
    height = float(width / rng.uniform(1.0, 2.6))
    sides = (width, height) if rng.random() < 0.7 else (height, width)
    return Body(
        size_mm=(*sides, float(rng.uniform(25, 70))),
        material="cast aluminium",
        colour=_pick(rng, ("GY", "BK"), p=[0.7, 0.3]),
        lid_colour="BK" if rng.random() < 0.2 else None,
        fins=_pick(rng, ("none", "half", "all"), p=[0.5, 0.25, 0.25]),
    )


def _draw_connectors(rng, shell: Body) -> tuple[Connector, ...]:
    count = int(rng.choice([1, 2, 3, 4, 5], p=[0.15, 0.35, 0.3, 0.15, 0.05]))
    width, height, _ = shell.size_mm
    across = width >= height
    steps = (np.arange(count) + 0.5) / count - 0.5
    side = float(rng.uniform(-0.35, 0.35))
    places = [(s * width, side * height) if across else (side * width, -s * height) for s in steps]
    return tuple(_connector(rng, place) for place in places)


def _connector(rng, place: tuple[float, float]) -> Connector:
    colour: ColourCode = _pick(rng, COLOUR_CODES, p=_COLOUR_SHARE / _COLOUR_SHARE.sum())
    size: SizeClass = _pick(rng, ("S", "M", "L"), p=[0.25, 0.35, 0.4])
    columns = {"S": (4, 9), "M": (8, 15), "L": (14, 30)}[size]
    return Connector(
        colour=colour,
        size=size,
        pins=(int(rng.integers(1, 5)), int(rng.integers(*columns))),
        at_mm=(float(place[0]), float(place[1])),
    )


def _alter(rng, plugs: tuple[Connector, ...]) -> tuple[Connector, ...]:
    """The next family of the group: one thing differs, or nothing that the front shows."""
    how = rng.choice(["colour", "size", "order", "more", "same"], p=[0.4, 0.15, 0.15, 0.15, 0.15])
    at = int(rng.integers(len(plugs)))
    place = plugs[at].at_mm
    changed = list(plugs)
    if how == "colour":
        changed[at] = changed[at].model_copy(update={"colour": _connector(rng, place).colour})
    elif how == "size":
        changed[at] = _connector(rng, place).model_copy(update={"colour": changed[at].colour})
    elif how == "order":
        places = [p.at_mm for p in plugs]
        order = rng.permutation(len(plugs))
        changed = [plugs[k].model_copy(update={"at_mm": p}) for k, p in zip(order, places, strict=True)]
    elif how == "more" and len(plugs) < 5:
        changed.append(_connector(rng, (-place[1] * 0.7, -place[0] * 0.7)))
    return tuple(sorted(changed, key=lambda c: (-c.at_mm[1], c.at_mm[0])))


def _family(rng, key: str, shell: Body, plugs: tuple[Connector, ...], prefix: str) -> Family:
    variants: list[Variant] = []
    for k in range(int(rng.integers(1, 4))):
        shared = variants and rng.random() < 0.5  # same number, told apart by the suffix alone
        tail = "".join(rng.choice(list("0123456789"), 3))
        number = variants[-1].service_numbers[0] if shared else f"{prefix}{len(key) % 10}{tail}{key[-1]}{k}"
        first = int(rng.integers(1988, 2008))
        variants.append(
            Variant(
                key=f"V{k + 1}",
                service_numbers=(number,),
                suffixes=("ABCDEF"[k],),
                years=(first, first + int(rng.integers(2, 8))),
                throttle=_pick(rng, ("cable", "electronic")),
                status=_pick(rng, ("usable", "locked"), p=[0.8, 0.2]),
            )
        )
    return Family(
        key=key,
        maker="invented",
        controls=_pick(rng, ("engine", "gearbox", "both")),
        body=shell,
        connectors=plugs,
        marks=(Mark(text=key, at_mm=(0.0, 0.0)),),
        label=Label(
            service_number=rf"{prefix}(?P<kind>\d{{6}})",
            suffix="[A-F]",
            barcode=_pick(rng, ("Code 128", "none"), p=[0.7, 0.3]),
            barcode_payload=str(rng.choice(["number", "number and suffix"])),
        ),
        variants=tuple(variants),
        source="invented",
    )
