"""A catalogue and what was found in it, laid out for 80 columns."""

from collections import Counter
from collections.abc import Sequence

from plugface.cli.present.swatches import SWATCHES, ink_on
from plugface.models.catalogue.check import Problem
from plugface.models.catalogue.entries import Catalogue, Family
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

STYLES = {"error": "bold red", "warning": "bold yellow", "note": "cyan"}

#: Larger catalogues are summed up: a table that scrolls away helps nobody.
MAX_ROWS = 200


def render_catalogue(console: Console, catalogue: Catalogue) -> None:
    """Print the families as a table."""
    head = catalogue.head
    variants = sum(len(family.variants) for family in catalogue.families)
    console.print(
        Text(head.name, style="bold"),
        _count(len(catalogue.families), variants),
        sep="  ",
    )
    if head.note:
        console.print(Text(head.note, style="italic"))
    if len(catalogue.families) > MAX_ROWS:
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for title in ("family", "controls", "plugs in order", "variants", "partners"):
        table.add_column(title, overflow="fold")
    for family in catalogue.families:
        partners = dict.fromkeys(key for rule in family.pairing for key in rule.families)
        table.add_row(_name(family), family.controls, _plugs(family), _variants(family), ", ".join(partners))
    console.print(table)


def render_problems(console: Console, problems: Sequence[Problem]) -> None:
    """Print the findings, worst first, and a line that counts them."""
    for problem in problems[:MAX_ROWS]:
        where = ", ".join(filter(None, (problem.file or problem.family, problem.key)))
        line = Text(problem.severity, style=STYLES[problem.severity]).append(
            f"  {where}", style="bold default"
        )
        console.print(line)
        console.print(Text(f"  {problem.message}.\n  {_sentence(problem.remedy)}"))
    if len(problems) > MAX_ROWS:
        console.print(f"... and {len(problems) - MAX_ROWS:,} more; --json prints them all")
    counts: Counter[str] = Counter(problem.severity for problem in problems)
    console.print(", ".join(f"{counts[s]:,} {s}{'' if counts[s] == 1 else 's'}" for s in STYLES))


def _count(families: int, variants: int) -> str:
    words = f"{families:,} famil{'y' if families == 1 else 'ies'}"
    return f"{words}, {variants:,} variant{'' if variants == 1 else 's'}"


def _sentence(text: str) -> str:
    return text if text.endswith(("?", ".", "!", "'", '"', "]")) else f"{text}."


def _name(family: Family) -> Text:
    name = Text(family.key, style="bold")
    return name.append(f"\n{family.hazard}", style="bold red") if family.hazard != "none" else name


def _plugs(family: Family) -> Text:
    words = []
    for connector in family.connectors:
        shade = SWATCHES[connector.colour][1]
        ink = ",".join(map(str, ink_on(shade)))
        style = f"rgb({ink}) on rgb({','.join(map(str, shade))})"
        words.append(Text(f"{connector.colour}-{connector.size}", style=style))
    return Text(" ").join(words)


def _variants(family: Family) -> Text:
    styles = {"usable": "green", "locked": "red", "unknown": "yellow"}
    return Text(", ").join(Text(variant.key, style=styles[variant.status]) for variant in family.variants)
