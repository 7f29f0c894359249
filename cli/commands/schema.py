"""plugface schema: the shape of what --json prints, of a catalogue's files, and of the settings."""

import json
from typing import Annotated, Literal

import typer
from plugface.cli.present.plain_text import say_json

What = Literal["json", "catalogue", "catalogue-head", "settings"]


def schema(
    what: Annotated[
        What,
        typer.Argument(
            help="json: what --json prints; catalogue: a family's TOML file; catalogue-head: catalogue.toml; "
            "settings: the file of `plugface serve`."
        ),
    ] = "json",
) -> None:
    """Print the JSON Schema of all documents that --json prints, of a catalogue's files, or of the settings.

    Documents are told apart by `kind`. Editors complete and check TOML by a schema that lies beside the file;
    `catalogue new` and `catalogue import` write it there and name it in each file's first line.
    """
    if what == "json":
        from plugface.cli.present.schemas import json_schema

        shape = json_schema()
    elif what == "settings":
        from plugface.cli.web.settings import settings_schema

        shape = settings_schema()
    else:
        from plugface.cli.present.catalogue_schema import family_schema, head_schema

        shape = family_schema() if what == "catalogue" else head_schema()
    say_json(json.dumps(shape, indent=2, ensure_ascii=False))
