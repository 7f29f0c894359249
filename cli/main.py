"""The command `plugface`: one table of commands, each imported only when it is called."""

import gc
import sys
from importlib import import_module
from io import TextIOWrapper
from typing import Annotated, Any, NamedTuple

import typer
from plugface.cli import errors
from plugface.cli.version import installed_version
from typer.core import TyperCommand, TyperGroup


class Entry(NamedTuple):
    """Where a command lives, and its line in the list of commands."""

    where: str  # "package.module:function"
    help: str


# One line a command. Two words make a command of a group.
COMMANDS = {
    "identify": Entry(
        "plugface.cli.commands.identify:identify", "Which controller is on these photos, and how sure."
    ),
    "opinion": Entry("plugface.cli.commands.opinion:opinion", "Is it what somebody says it is."),
    "needs": Entry("plugface.cli.commands.needs:needs", "What in the catalogue would serve a swap."),
    "catalogue check": Entry(
        "plugface.cli.commands.catalogue:check", "Find what is wrong in a catalogue, and how to mend it."
    ),
    "catalogue new": Entry(
        "plugface.cli.commands.catalogue:new", "Start a catalogue of your own, one family at a time."
    ),
    "catalogue try": Entry(
        "plugface.cli.commands.try_label:try_label", "What the catalogue makes of a label's text or barcode."
    ),
    "catalogue separability": Entry(
        "plugface.cli.commands.separability:show_separability",
        "What photos of its families would mix up, and what helps.",
    ),
    "catalogue propose": Entry(
        "plugface.cli.commands.propose:propose", "Draft the entry of a unit that is not in the catalogue yet."
    ),
    "catalogue colour": Entry(
        "plugface.cli.commands.colour:colour", "Name a shade that your plugs have, and its code."
    ),
    "evaluate": Entry("plugface.cli.commands.evaluate:evaluate", "Measure how often the answers are right."),
    "serve": Entry(
        "plugface.cli.commands.serve:serve", "The yard page: photograph a unit, get the answer on the phone."
    ),
    "sort": Entry(
        "plugface.cli.commands.sort:sort", "A folder of photos into units, and each unit into its bin."
    ),
    "ledger list": Entry(
        "plugface.cli.commands.ledger:list_rows", "The units of a ledger, proposed and confirmed."
    ),
    "ledger export": Entry(
        "plugface.cli.commands.ledger:export", "The units of a ledger as CSV, JSON lines or XLSX."
    ),
    "ledger verify": Entry(
        "plugface.cli.commands.ledger:verify", "Whether every row of a ledger is as it was written."
    ),
    "confirm": Entry("plugface.cli.commands.confirm:confirm", "Record what a person found a unit to be."),
    "learn": Entry(
        "plugface.cli.commands.learn:learn", "Train again with confirmed units; use it if it is no worse."
    ),
    "schema": Entry("plugface.cli.commands.schema:schema", "The JSON Schema of what --json prints."),
}

GROUPS = {
    "catalogue": "Your own catalogue: start it, check it, fill it, see what it cannot tell apart.",
    "ledger": "What was proposed and what was found to be true.",
}


class OnDemand(TyperCommand):
    """A command that is known by name and imported when it runs."""

    def __init__(self, name: str, entry: Entry) -> None:
        super().__init__(name=name, help=entry.help, short_help=entry.help)
        self._entry = entry

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        """Hand over to the real command, which takes this one's place in the context."""
        module, function = self._entry.where.split(":")
        single = typer.Typer(add_completion=False, rich_markup_mode=None)
        single.command(self.name)(getattr(import_module(module), function))
        return typer.main.get_command(single).make_context(info_name, args, parent=parent, **extra)


app = typer.Typer(
    name="plugface",
    no_args_is_help=True,
    rich_markup_mode=None,  # plain help: half the time of the framed one, and it reads the same in a pipe
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"plugface {installed_version()}")
        raise typer.Exit


@app.callback()
def plugface(
    show_version: Annotated[
        bool,
        typer.Option(
            "--version", help="Print the version and leave.", is_eager=True, callback=_print_version
        ),
    ] = False,
) -> None:
    """Which controller is on this photo: family, variant, partner, and how sure one may be."""


def command_tree() -> TyperGroup:
    """The whole command, with every entry of COMMANDS in its place."""
    root = typer.main.get_command(app)
    assert isinstance(root, TyperGroup)  # an application with a callback is one
    groups = {
        name: TyperGroup(name=name, help=text, short_help=text, no_args_is_help=True, rich_markup_mode=None)
        for name, text in GROUPS.items()
    }
    for name, entry in COMMANDS.items():
        *group, word = name.split()
        (groups[group[0]] if group else root).add_command(OnDemand(word, entry))
    for below in groups.values():
        root.add_command(below)
    return root


def main() -> None:
    """Run the command line; every error ends as one line and an exit code."""
    # What is imported stays: looking through it for rubbish, at every 700 new objects and once more at the
    # end, took a quarter of a second of every answer.
    gc.set_threshold(50_000)
    for stream in (sys.stdout, sys.stderr):
        # A name that is no UTF-8, or a sign that the terminal's alphabet lacks, is shown as its number: no
        # work must end for it.
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        command_tree()(prog_name="plugface")
    except Exception as error:
        sys.exit(errors.report(error, as_json="--json" in sys.argv[1:]))
    finally:
        gc.freeze()
