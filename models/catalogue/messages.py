"""What pydantic says about a catalogue entry, put as: which line, which key, what is wrong, what mends it."""

import re
from difflib import get_close_matches
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

#: A line that would do, for each key that must be there.
EXAMPLES = {
    "at_mm": "at_mm = [-30, 12]",
    "body": '[body] with size_mm = [150, 95, 40] and material = "cast aluminium"',
    "colour": 'colour = "GY"',
    "connectors": '[[connectors]] with colour = "GY", size = "M", pins = [3, 8], at_mm = [0, -30]',
    "controls": 'controls = "engine"',
    "families": 'families = ["DUNLIN 1"]',
    "key": 'key = "AUK 11"',
    "label": "[label] with service_number = '^K27\\d{3}/05\\d$'",
    "maker": 'maker = "Marrow & Finch"',
    "material": 'material = "plastic"',
    "name": 'name = "Our catalogue"',
    "pins": "pins = [3, 8]",
    "service_number": "service_number = '^K27\\d{3}/05\\d$'",
    "service_numbers": 'service_numbers = ["K27418/052"]',
    "size": 'size = "M"',
    "size_mm": "size_mm = [150, 95, 40]",
    "source": 'source = "measured on three units"',
    "text": 'text = "AUK 11"',
    "variants": '[[variants]] with key = "A", service_numbers = ["K27418/052"], years = [2003, 2006]',
    "why": 'why = "The two exchange messages."',
    "years": "years = [2003, 2006]",
}

# Keys whose example would be pasted in as it stands, for one plug after another.
_MEASURED = ("at_mm", "pins", "size_mm")

# pydantic's types of error -> what was expected, with its own context filled in.
_EXPECTED = {
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "float_parsing": "a number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "model_type": "a table of keys",
    "string_pattern_mismatch": "three capital letters, such as EUR",  # a currency: no other key has a pattern
    "string_too_long": "at most {max_length} characters",
    "string_too_short": "at least {min_length} characters",
    "string_type": "text in quotes",
    "too_short": "at least {min_length} of them",
    "tuple_type": "a list in square brackets",
}


def own_errors(error: ValidationError) -> list[ErrorDetails]:
    """The errors without those that only follow: a list with a bad item is also called too short."""
    every = error.errors(include_url=False)

    def follows(one: ErrorDetails) -> bool:
        inside = (other["loc"] for other in every if len(other["loc"]) > len(one["loc"]))
        return one["type"] == "too_short" and any(loc[: len(one["loc"])] == one["loc"] for loc in inside)

    return [one for one in every if not follows(one)]


def explain_entry(kind: type[BaseModel], error: ErrorDetails, text: str) -> tuple[int | None, str, str, str]:
    """Say one validation error so that a person can mend it.

    Parameters
    ----------
    kind : model class that the file was read as
    error : one item of ``ValidationError.errors()``
    text : the TOML text, to find the line in

    Returns
    -------
    line : int or None
        From 1; None where the file is laid out in a way that the search does not follow (inline tables).
    key, problem, mend : str
        `key` counts repeated tables from 1: ``variants no. 2, status``.
    """
    loc = tuple(part for part in error["loc"] if isinstance(part, int | str))
    line, key, name = find_line(text, loc), key_words(loc), str(loc[-1]) if loc else ""
    if error["type"] == "extra_forbidden":
        known = allowed_keys(kind, loc[:-1])
        near = get_close_matches(name, known, n=1)
        remedy = f'Did you mean "{near[0]}"?' if near else f"Known here: {', '.join(known)}"
        return line, key, "there is no such key", remedy
    if error["type"] == "missing" and isinstance(loc[-1], str):
        remedy = f"Add {EXAMPLES.get(name, name)}"
        if name == "at_mm" and "along_mm" in allowed_keys(kind, loc[:-1]):
            remedy += ', or edge = "top" and along_mm = 40'
        remedy += ", with your unit's own figures" if name in _MEASURED else ""
        return line, key, "this key is missing", remedy
    if error["type"] == "missing":
        remedy = f"Write {EXAMPLES.get(str(loc[-2]), 'all of them')}"
        return line, key_words(loc[:-1]), f"got only {loc[-1]} of them", remedy
    if error["type"] == "literal_error":
        return line, key, *_choice_words(kind, loc, error["input"])
    if error["type"] == "too_long" and isinstance(error["input"], list):
        return line, key, f"got {len(error['input'])} of them", f"Write {EXAMPLES.get(name, 'fewer')}"
    if error["type"] in _EXPECTED:
        expected = _EXPECTED[error["type"]].format(**error.get("ctx", {}))
        return line, key, f"got {_short(error['input'])}, expected {expected}", "Correct the value"
    problem, _, remedy = error["msg"].removeprefix("Value error, ").partition("; ")
    return line, key, problem, remedy[:1].upper() + remedy[1:] or "Correct the value"


def key_words(loc: tuple[int | str, ...]) -> str:
    """A place in the file in words: ``("variants", 1, "status")`` is ``variants no. 2, status``."""
    words = ""
    for part in loc:
        words += f" no. {part + 1}" if isinstance(part, int) else f", {part}" if words else part
    return words


def allowed_keys(kind: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys that may stand at a place, by name.

    Parameters
    ----------
    kind : type of BaseModel
        Of the whole file.
    loc : tuple of int or str
        Place in it, as pydantic names it.

    Returns
    -------
    keys : list of str
    """
    for part in loc:
        if isinstance(part, str) and part in kind.model_fields:
            inner = _inner_model(kind.model_fields[part].annotation)
            kind = inner or kind
    return sorted(kind.model_fields)


def find_line(text: str, loc: tuple[int | str, ...]) -> int | None:
    """Line of a key, from 1, in a file laid out as ``[table]`` and ``[[table]]`` blocks.

    Parameters
    ----------
    text : str
        The file.
    loc : tuple of int or str
        Place in it, as pydantic names it.

    Returns
    -------
    line : int or None
    """
    if not loc:
        return None
    nth = loc[1] if len(loc) > 1 and isinstance(loc[1], int) else 0
    key = next((part for part in loc[1:] if isinstance(part, str)), None)
    table, seen, header_line = None, -1, None
    for number, line in enumerate(text.splitlines(), start=1):
        if header := re.match(r"\s*\[\[?\s*([\w-]+)\s*\]", line):
            table = header[1]
            seen += table == loc[0]
            if table == loc[0] and seen == nth:
                header_line = number
        elif table is None or (table == loc[0] and seen == nth):
            wanted = loc[0] if table is None else key
            if wanted and re.match(rf'\s*"?{re.escape(str(wanted))}"?\s*=', line):
                return number
    return header_line


def _choice_words(kind: type[BaseModel], loc: tuple[int | str, ...], got: Any) -> tuple[str, str]:
    *above, name = [part for part in loc if isinstance(part, str)]
    for part in above:
        kind = _inner_model(kind.model_fields[part].annotation) or kind
    choices = [str(choice) for choice in _choices(kind.model_fields[name].annotation)]
    # Colour words share half their letters with their codes ("GREY", "GY").
    near = get_close_matches(str(got).upper(), choices, n=1, cutoff=0.5)
    near = near or get_close_matches(str(got), choices, n=1)
    remedy = f'Did you mean "{near[0]}"?' if near else "Take one of these"
    return f"got {_short(got)}, expected one of {', '.join(choices)}", remedy


def _choices(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return tuple(choice for part in get_args(annotation) for choice in _choices(part))


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (tuple, list, Union, UnionType):
        return next(filter(None, map(_inner_model, get_args(annotation))), None)
    return None


def _short(value: Any) -> str:
    shown = f'"{value}"' if isinstance(value, str) else str(value)
    return shown if len(shown) <= 40 else shown[:37] + "..."
