"""plugface schema: the shape of everything that --json prints, and of the settings file."""

import json
from typing import Annotated, Literal

import typer


def schema(
    what: Annotated[
        Literal["documents", "settings"],
        typer.Argument(help="documents: what --json prints; settings: the file of `plugface serve`."),
    ] = "documents",
) -> None:
    """Print a JSON Schema: of all that --json prints (`kind` tells documents apart), or of the settings."""
    if what == "settings":
        from plugface.cli.web.settings import settings_schema

        found = settings_schema()
    else:
        from plugface.cli.present.schemas import json_schema

        found = json_schema()
    typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
