"""The command `plugface`: one table of commands, each imported only when it is called."""

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from io import TextIOWrapper
from typing import Annotated, Any, NamedTuple

import typer
from plugface.cli import errors
from plugface.cli.loading import use_kept_networks
from plugface.cli.present.plain_text import plain
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
    "catalogue show": Entry(
        "plugface.cli.commands.catalogue_show:show",
        "One entry in words and drawn: what it should look like.",
    ),
    "catalogue import": Entry(
        "plugface.cli.commands.catalogue_sheet:import_sheet",
        "A catalogue from a spreadsheet, one row a variant.",
    ),
    "catalogue export": Entry(
        "plugface.cli.commands.catalogue_sheet:export_sheet",
        "The catalogue as a spreadsheet, one row a variant.",
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
    "codes add": Entry(
        "plugface.cli.commands.codes:add", "Give a person or a phone an access code of their own."
    ),
    "codes list": Entry("plugface.cli.commands.codes:list_codes", "Who has an access code of the yard page."),
    "codes revoke": Entry(
        "plugface.cli.commands.codes:revoke", "Take one person's access code back, at once."
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
    "ledger audit": Entry("plugface.cli.commands.ledger:audit", "Who did what: codes, exports, deletions."),
    "ledger backup": Entry(
        "plugface.cli.commands.ledger_keeping:backup", "Ledger, queue and photos together, while serving."
    ),
    "ledger restore": Entry(
        "plugface.cli.commands.ledger_keeping:restore", "A backup back into a folder, or a lot into a ledger."
    ),
    "ledger delete": Entry(
        "plugface.cli.commands.ledger_keeping:delete_rows", "A lot, unit, photo or donors' numbers, for good."
    ),
    "ledger sweep": Entry(
        "plugface.cli.commands.ledger_keeping:sweep", "Delete what is past its time, and files without rows."
    ),
    "verify": Entry(
        "plugface.cli.commands.verify:verify", "Whether a report or an export says what its ledger says."
    ),
    "confirm": Entry("plugface.cli.commands.confirm:confirm", "Record what a person found a unit to be."),
    "learn": Entry(
        "plugface.cli.commands.learn:learn", "Train again with confirmed units; use it if it is no worse."
    ),
    "schema": Entry(
        "plugface.cli.commands.schema:schema",
        "The JSON Schema of what --json prints, of a catalogue's files, or of the settings.",
    ),
}

GROUPS = {
    "codes": "Access codes of the yard page that are bound to a name.",
    "catalogue": "Your own catalogue: start it, check it, fill it, see what it cannot tell apart.",
    "ledger": "What was proposed and what was found to be true.",
}


class Plain(TyperCommand):
    """A command whose refusals show what others wrote (a catalogue's keys, a file's name) as text."""

    def make_context(self, *args: Any, **extra: Any) -> Any:
        """Read the command line."""
        with _plain_refusal():
            return super().make_context(*args, **extra)

    def invoke(self, ctx: Any) -> Any:
        """Run."""
        with _plain_refusal():
            return super().invoke(ctx)


@contextmanager
def _plain_refusal() -> Iterator[None]:
    try:
        yield
    except typer.BadParameter as refusal:
        refusal.message = plain(refusal.message)
        raise


class OnDemand(TyperCommand):
    """A command that is known by name and imported when it runs."""

    def __init__(self, name: str, entry: Entry) -> None:
        super().__init__(name=name, help=entry.help, short_help=entry.help)
        self._entry = entry

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        """Hand over to the real command, which takes this one's place in the context."""
        return self.load().make_context(info_name, args, parent=parent, **extra)

    def load(self) -> Any:
        """The real command."""
        module, function = self._entry.where.split(":")
        single = typer.Typer(add_completion=False, rich_markup_mode=None)
        single.command(self.name, cls=Plain)(getattr(import_module(module), function))
        return typer.main.get_command(single)


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


def print_help(root: TyperGroup, words: list[str]) -> bool:
    """Print a command's help where that is all that is asked for; whether it was.

    Said here, for to read a command line typer loads pydantic, which takes longer than all else of it.
    """
    *names, last = words or [""]
    if last not in ("--help", "-h"):
        return False
    command: Any = root
    context = typer.Context(command, info_name="plugface", **command.context_settings)
    for name in names:
        command = command.commands.get(name) if isinstance(command, TyperGroup) else None
        if command is None:
            return False
        command = command.load() if isinstance(command, OnDemand) else command
        context = typer.Context(command, info_name=name, parent=context, **command.context_settings)
    typer.echo(command.get_help(context))
    return True


def main() -> None:
    """Run the command line; every error ends as one line and an exit code."""
    # What is imported stays: looking through it for rubbish, at every 700 new objects and once more at the
    # end, took a quarter of a second of every answer.
    gc.set_threshold(50_000)
    # pydantic would search every installed package for additions to it, of which we have none: a third of
    # what making its first class takes.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    use_kept_networks()
    for stream in (sys.stdout, sys.stderr):
        # A name that is no UTF-8, or a sign that the terminal's alphabet lacks, is shown as its number: no
        # work must end for it.
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        tree = command_tree()
        if print_help(tree, sys.argv[1:]):
            sys.exit(0)
        tree(prog_name="plugface")
    except Exception as error:
        sys.exit(errors.report(error, as_json="--json" in sys.argv[1:]))
    finally:
        gc.freeze()
