"""Observations, decisions and answers to JSON and back.

What an older version wrote is read too: each document carries a `format`, and names that have changed since
are brought up to date first. A document of a later version is refused, never guessed at.
"""

import json
from functools import cache
from typing import Any

from plugface.models.decision.answers import Decision
from plugface.models.unit_choice import from_part, to_part
from plugface.vision.observations import Observations
from pydantic import TypeAdapter

#: Of what is written here. 1 (which had no mark) called messages `words` and the evidence of flips `way`.
FORMAT = 2
_FORMER = {"words": "message", "variant_words": "variant_message", "way": "flip_evidence"}


class UnknownFormat(ValueError):
    """A document of a later version: its format, and the latest that is known here."""

    def __init__(self, got: object) -> None:
        self.got, self.known = got, FORMAT
        super().__init__(f"the document is of format {got}, and this version knows formats up to {FORMAT}")


@cache
def _adapter(kind: type) -> TypeAdapter:
    return TypeAdapter(kind)


def write_observations(seen: Observations) -> str:
    """Observations as JSON."""
    return _write(Observations, seen)


def read_observations(text: str) -> Observations:
    """Observations from the JSON of `write_observations`, by this version or an older one.

    Raises
    ------
    UnknownFormat, ValueError
        If a later version wrote it, or it is none.
    """
    return _read(Observations, text)


def write_decision(decision: Decision) -> str:
    """A decision as JSON."""
    return _write(Decision, decision)


def read_decision(text: str) -> Decision:
    """A decision from the JSON of `write_decision`, by this version or an older one.

    Raises
    ------
    UnknownFormat, ValueError
        If a later version wrote it, or it is none.
    """
    return _read(Decision, text)


def write_answer(answer: Any) -> str:
    """An answer as JSON: photos' names, observations, which units, decision; the catalogue by its hash."""
    document = {
        "format": FORMAT,
        "photos": [str(photo) for photo in answer.photos],
        "observations": [json.loads(write_observations(seen)) for seen in answer.observations],
        "chosen": [to_part(choice) for choice in answer.chosen],
        "decision": json.loads(write_decision(answer.decision)),
        "catalogue_sha256": answer.catalogue.sha256,
        "seconds": answer.seconds,
    }
    return json.dumps(document)


def read_answer(text: str, catalogue: Any) -> Any:
    """An answer from the JSON of `write_answer`; without the opinion, which is made again from a claim.

    Parameters
    ----------
    text : str
    catalogue : Catalogue
        The one it was made with.

    Returns
    -------
    answer : Answer

    Raises
    ------
    ValueError
        If it was made with another catalogue, or cannot be read.
    """
    from pathlib import Path

    from plugface.analysis import Answer

    document = json.loads(text)
    _check_format(document)
    if document["catalogue_sha256"] != catalogue.sha256:
        raise ValueError("the answer was made with another catalogue, or this one has changed since")
    seen = tuple(read_observations(json.dumps(one)) for one in document["observations"])
    return Answer(
        photos=tuple(Path(name) for name in document["photos"]),
        observations=seen,
        chosen=tuple(from_part(part, one) for part, one in zip(document["chosen"], seen, strict=True)),
        decision=read_decision(json.dumps(document["decision"])),
        catalogue=catalogue,
        seconds=document["seconds"],
    )


def _write(kind: type, value: object) -> str:
    text = _adapter(kind).dump_json(value).decode()
    return f'{{"format":{FORMAT},{text[1:]}'


def _read(kind: type, text: str) -> Any:
    try:
        document = json.loads(text)
    except RecursionError:  # brackets within brackets, as nothing that was written here has
        raise ValueError("the JSON is nested too deeply") from None
    if not isinstance(document, dict):
        raise ValueError("a JSON object was expected")
    if _check_format(document) < FORMAT:
        document = _renamed(document)
    document.pop("format", None)
    if kind is Decision and "together" not in document:  # once counted from the candidates
        named, listed = document.get("families", []), document.get("candidates", [])
        document["together"] = sum(one["probability"] for one in listed if one["family"] in named)
    return _adapter(kind).validate_json(json.dumps(document))


def _check_format(document: dict) -> int:
    found = document.get("format", 1)
    if not isinstance(found, int) or found > FORMAT:
        raise UnknownFormat(found)
    return found


def _renamed(value: Any) -> Any:
    if isinstance(value, dict):
        return {_FORMER.get(key, key): _renamed(item) for key, item in value.items()}
    return [_renamed(item) for item in value] if isinstance(value, list) else value
