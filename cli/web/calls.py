"""The OpenAPI document as people read it: each call with what it takes and what it gives."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Value:
    """One thing that a call takes."""

    name: str  # with the names around it: "needs.year"
    kind: str  # JSON Schema's names of types, with limits or the values there are
    about: str
    required: bool


@dataclass(frozen=True)
class Call:
    """One thing to ask for."""

    method: str
    path: str
    about: str
    takes: tuple[Value, ...]
    body: str  # what the body is where it is no JSON; else empty
    gives: tuple[tuple[str, str], ...]  # HTTP status of success, name of the document or type of the content


def read_calls(document: dict[str, Any]) -> list[Call]:
    """All calls of an OpenAPI 3.1 document, in its order."""
    return [
        _read_call(document, method.upper(), path, call)
        for path, methods in document["paths"].items()
        for method, call in methods.items()
    ]


def _read_call(document: dict[str, Any], method: str, path: str, call: dict[str, Any]) -> Call:
    takes = [
        Value(p["name"], _kind(p["schema"]), p.get("description", ""), p["required"])
        for p in call.get("parameters", [])
    ]
    sent = call.get("requestBody", {})
    as_json = sent.get("content", {}).get("application/json")
    if as_json:
        takes += _fields(document, as_json["schema"], "")
    return Call(
        method=method,
        path=path,
        about=call.get("description", ""),
        takes=tuple(takes),
        body="" if as_json else sent.get("description", ""),
        gives=tuple(
            (status, _content(answer))
            for status, answer in sorted(call["responses"].items())
            if status.startswith("2")
        ),
    )


def _fields(document: dict[str, Any], schema: dict[str, Any], within: str) -> Iterator[Value]:
    """The fields of an object, those of objects in it after one another."""
    schema = _resolve(document, schema)
    for name, field in schema["properties"].items():
        if "$ref" in field:
            yield from _fields(document, field, f"{within}{name}.")
        else:
            required = name in schema.get("required", [])
            yield Value(within + name, _kind(field), field.get("description", ""), required)


def _resolve(document: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    name = schema["$ref"].rpartition("/")[2]
    return document["components"]["schemas"][name]


def _kind(schema: dict[str, Any]) -> str:
    """One schema in a few words; that null may stand for "left out" is not said."""
    if "anyOf" in schema:
        return " | ".join(_kind(one) for one in schema["anyOf"] if one.get("type") != "null")
    if "enum" in schema:
        return " | ".join(schema["enum"])
    if "minimum" in schema and "maximum" in schema:
        return f"{schema['type']} {schema['minimum']:.0f} to {schema['maximum']:.0f}"
    return schema["type"]


def _content(answer: dict[str, Any]) -> str:
    kind, content = next(iter(answer["content"].items()))
    reference = content.get("schema", {}).get("$ref", "")
    return reference.rpartition("/")[2] or kind
