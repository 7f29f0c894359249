"""Catalogues that were read and checked, kept as plain JSON for the next process.

To parse and check 2,000 files takes three times as long as to read their bytes and what was made of them.
What was kept holds for the same bytes, told by their hash, and the same program, told by the files that say
what an entry is; anything else is read anew. It is not checked again, for it was when it was written, and a
file that was cut short or altered by accident has another sum than the one it begins with. Whoever may write
into the user's cache on purpose may write the program as well.
"""

import hashlib
import json
import os
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, get_args

import pydantic
from plugface.models.catalogue import entries
from plugface.models.catalogue.entries import Catalogue, CatalogueHead, Entry, Family
from plugface.models.decision import costs
from plugface.vision import colour_table

#: As many are kept; a catalogue that changes has a new file each time.
KEPT_FILES = 8

_Kind = TypeVar("_Kind", bound=Entry)


def load_kept(folder: Path, sha256: str) -> Catalogue | None:
    """The catalogue that was made of these bytes, where one is kept.

    Parameters
    ----------
    folder : Path
        Where catalogues are kept; may not exist.
    sha256 : str
        Of the catalogue's files.

    Returns
    -------
    catalogue : Catalogue or None
    """
    try:
        kept = _place(folder, sha256).read_bytes()
    except OSError:
        return None
    told, _, body = kept.partition(b"\n")
    if told != _sum_of(body):
        return None
    raw = json.loads(body)
    return Catalogue.model_construct(
        head=_build(CatalogueHead, raw["head"]),
        families=tuple([_build(Family, family) for family in raw["families"]]),
        files=tuple(raw["files"]),
        sha256=sha256,
    )


def save_kept(folder: Path, catalogue: Catalogue) -> None:
    """Keep a catalogue that was read from files; where that cannot be, nothing is kept, and nothing said.

    Parameters
    ----------
    folder : Path
        Is made where there is none.
    catalogue : Catalogue
    """
    families = ",".join([_written(family) for family in catalogue.families])
    files = json.dumps(catalogue.files)
    body = f'{{"head":{_written(catalogue.head)},"families":[{families}],"files":{files}}}'.encode()
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        # Under a name of its own first, readable for its owner alone: another process may read meanwhile.
        part, place = folder / f"{os.getpid()}.part", _place(folder, catalogue.sha256)
        with open(part, "wb", opener=lambda name, flags: os.open(name, flags, 0o600)) as file:
            file.write(_sum_of(body) + b"\n" + body)
        os.replace(part, place)
        others = sorted(set(folder.iterdir()) - {place}, key=lambda path: path.stat().st_mtime)
        for old in others[: 1 - KEPT_FILES]:
            old.unlink()


def _place(folder: Path, sha256: str) -> Path:
    return folder / f"{sha256}-{_program()[:16]}.json"


@cache
def _program() -> str:
    """Hash of what says which entries there are, their usual values, and how they are kept."""
    digest = hashlib.sha256(pydantic.VERSION.encode())
    for file in (entries.__file__, costs.__file__, colour_table.__file__, __file__):
        digest.update(Path(file).read_bytes() + b"\0")
    return digest.hexdigest()


def _sum_of(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode()


def _written(entry: Entry) -> str:
    """An entry as JSON, without what its author left out: less to read, and it is known as left out."""
    return entry.model_dump_json(exclude_unset=True)


@cache
def _fields(kind: type[Entry]) -> tuple[dict[str, Any], dict[str, type[Entry]]]:
    """Fields of a kind of entry in order, with usual values; and what kinds those of entries are."""
    fields = kind.model_fields.items()
    usual = {name: None if field.is_required() else field.get_default() for name, field in fields}
    below = {name: found for name, field in fields if (found := _entry_in(field.annotation)) is not None}
    return usual, below


def _entry_in(annotation: Any) -> type[Entry] | None:
    """The kind of entry that an annotation such as `tuple[Variant, ...]` or `Value | None` speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return annotation
    return next(filter(None, map(_entry_in, get_args(annotation))), None)


def _build(kind: type[_Kind], raw: dict[str, Any]) -> _Kind:
    """An entry of data that were checked when they were written.

    As `model_construct`, which takes as long as checking does; whatever is a list in JSON is a tuple here.
    """
    usual, below = _fields(kind)
    values = usual.copy()
    for name, value in raw.items():
        values[name] = _value(value, below.get(name)) if value.__class__ in _NESTED else value
    entry = kind.__new__(kind)
    _set(entry, "__dict__", values)
    _set(entry, "__pydantic_fields_set__", set(raw))
    _set(entry, "__pydantic_extra__", None)
    _set(entry, "__pydantic_private__", None)
    return entry


_set, _NESTED = object.__setattr__, (list, dict)  # an entry itself refuses to be changed


def _value(value: Any, below: type[Entry] | None) -> Any:
    if value.__class__ is list:
        return tuple([_value(one, below) if one.__class__ in _NESTED else one for one in value])
    assert below is not None  # only an entry is a table
    return _build(below, value)
