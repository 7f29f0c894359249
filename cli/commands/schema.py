"""plugface schema: the shape of everything that --json prints."""

import json

import typer


def schema() -> None:
    """Print the JSON Schema of all documents that --json prints; `kind` tells them apart."""
    from plugface.cli.present.schemas import json_schema

    typer.echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))
