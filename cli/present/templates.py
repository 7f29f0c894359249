"""Pages are made from templates in one way: everything escaped, and a name that is missing is an error."""

from pathlib import Path

import jinja2
from plugface.cli.present.terminal import percent


def template_environment(folder: Path) -> jinja2.Environment:
    """Templates of a folder, with the filter "percent"."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = percent
    return environment
