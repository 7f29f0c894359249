"""The JSON Schema of a catalogue's TOML files, for editors that complete and check as one types."""

import json
from typing import Any

from plugface.models.catalogue.entries import CatalogueHead, Family


def family_schema() -> dict[str, Any]:
    """Of a family's file. A plug needs its place, or its edge and the distance along it."""
    schema = _as_draft_7(Family.model_json_schema())
    plug = schema["$defs"]["Connector"]
    plug["required"] = [name for name in plug["required"] if name != "at_mm"]
    plug["anyOf"] = [{"required": ["at_mm"]}, {"required": ["edge", "along_mm"]}]
    return {"$schema": "http://json-schema.org/draft-07/schema#", **schema, "title": "A family's file"}


def head_schema() -> dict[str, Any]:
    """Of catalogue.toml."""
    schema = _as_draft_7(CatalogueHead.model_json_schema())
    return {"$schema": "http://json-schema.org/draft-07/schema#", **schema, "title": "catalogue.toml"}


def _as_draft_7(node: Any) -> Any:
    """The draft that the TOML editors know: there a list of fixed places is `items`, not `prefixItems`."""
    if isinstance(node, list):
        return [_as_draft_7(one) for one in node]
    if not isinstance(node, dict):
        return node
    return {"items" if key == "prefixItems" else key: _as_draft_7(value) for key, value in node.items()}


def family_schema_text() -> str:
    """The schema of a family's file as it is written beside the files."""
    return json.dumps(family_schema(), indent=2, ensure_ascii=False) + "\n"
