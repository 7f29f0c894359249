"""plugface schema: the shape of everything that --json prints."""

import json

from plugface.cli.present.plain_text import say_json


def schema() -> None:
    """Print the JSON Schema of all documents that --json prints; `kind` tells them apart."""
    from plugface.cli.present.schemas import json_schema

    say_json(json.dumps(json_schema(), indent=2, ensure_ascii=False))
