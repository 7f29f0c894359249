"""Answers as text in a terminal, laid out for 80 columns."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from plugface.cli.present.screen import Screen as Screen  # where it stood before
from plugface.cli.present.screen import percent
from plugface.cli.present.swatches import SWATCHES, best, ink_on
from plugface.models.catalogue.entries import Catalogue, Family, Variant
from plugface.models.decision.answers import Candidate, Caution, Decision, Evidence, NextPhoto, SwapFit
from plugface.models.decision.cautions import GENERAL
from plugface.models.decision.pairing import Needs, list_locked, list_partners
from plugface.models.decision.placement import standing
from plugface.vision.observations import Connector, Observations, Unit, best_colour
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from plugface.analysis import Answer
    from plugface.models.decision.opinion import Opinion

#: verdict -> (words, style)
VERDICTS = {
    "identified": ("IDENTIFIED", "bold white on dark_green"),
    "ambiguous": ("NOT SURE YET", "bold black on yellow"),
    "not_in_catalogue": ("NOT IN THIS CATALOGUE", "bold white on purple4"),
    "unreadable": ("PHOTO NOT GOOD ENOUGH", "bold white on red3"),
}

#: What stands in place of IDENTIFIED: standing -> (words, style). Green is for what can be taken as it is.
STANDINGS = {
    "hazard": ("NOT FOR SWAPS", "bold white on red3"),
    "locked": ("IDENTIFIED, LOCKED", "bold white on red3"),
    "variant open": ("FAMILY IDENTIFIED, VARIANT OPEN", "bold black on yellow"),
    "one of few": ("ONE OF THESE", "bold black on yellow"),
}

#: What stands there over a unit that does not serve the swap that was asked for.
DOES_NOT_SERVE = ("IDENTIFIED, DOES NOT SERVE", "bold white on red3")

#: What the numbers beside the reasons are.
UNIT_OF_WEIGHTS = "in nats: 0.7 doubles the odds, 3 makes them twenty times as good"

CONTROLS = {
    "engine": "the engine",
    "gearbox": "the gearbox",
    "both": "engine and gearbox together",
    "other": "neither engine nor gearbox",
}

STATUS = {
    "usable": ("usable", "green"),
    "locked": ("locked, of no use", "bold red"),
    "unknown": ("not known whether locked", "yellow"),
}

#: Cautions that close a result; all others come before everything else.
CLOSING = ("catalogue", "general")

#: Cautions under which nobody should touch a unit for the sake of a photo.
HAZARDOUS = ("high voltage", "restraint", "colours unknown")

#: Evidence weaker than this (nats) is left out of the terminal; --json has all of it.
MIN_WEIGHT = 0.05


def badge(decision: Decision, catalogue: Catalogue) -> tuple[str, str]:
    """Words and style that stand over an answer."""
    stands = standing(decision, catalogue)
    useless = decision.fit is not None and decision.fit.serves == "no"
    if useless and decision.verdict == "identified" and stands in ("plain", "variant open"):
        return DOES_NOT_SERVE
    return STANDINGS.get(stands, VERDICTS[decision.verdict])


def headline(decision: Decision, catalogue: Catalogue, *, most: int | None = None) -> str:
    """What it is, or what it may be, in as few words as it takes.

    Parameters
    ----------
    decision : Decision
    catalogue : Catalogue
    most : int, optional
        Families that are named where several remain; the others are counted. None: all are named.

    Returns
    -------
    words : str
    """
    if decision.verdict == "identified":
        family = catalogue.by_key[decision.families[0]]
        named = len(decision.variants) == 1 and len(family.variants) > 1
        return f"{family.key}, variant {decision.variants[0]}" if named else family.key
    if decision.verdict != "ambiguous":
        return ""
    likelier = ["in no family of this catalogue"] if leads_nowhere(decision) else []
    families = decision.families[:most]
    more = len(decision.families) - len(families)
    return " or ".join([*likelier, *families, *([f"{more} more"] if more else [])])


def variant_line(decision: Decision) -> str:
    """Which variants remain, and why, in one line; empty where nothing is to be said of them.

    The reason says "them" of the variants, so that they are named before it.
    """
    if not decision.variant_message:
        return ""
    named = f"Variant {' or '.join(decision.variants)}: " if decision.variants else ""
    return named + decision.variant_message


def leads_nowhere(decision: Decision) -> bool:
    """Whether it is more probable that the unit is in no family of the catalogue than in any one of them."""
    return decision.unknown_probability > decision.probability


def sure_words(probability: float) -> str:
    """A probability in words. The steps are ours."""
    steps = (
        (0.99, "almost certain"),
        (0.95, "very likely"),
        (0.8, "likely"),
        (0.55, "more likely than not"),
        (0.45, "as likely as not"),
    )
    return next((words for least, words in steps if probability >= least), "not likely")


def years_text(years: tuple[int, int]) -> str:
    """Model years as a span."""
    return str(years[0]) if years[0] == years[1] else f"{years[0]} to {years[1]}"


def colour_chip(code: str | None) -> Text:
    """A colour code on its own colour; a question mark where none is known."""
    if code is None:
        return Text(" ? ", style="bold reverse")
    shade = SWATCHES[code][1]
    ink = ",".join(map(str, ink_on(shade)))
    return Text(f" {code} ", style=f"bold rgb({ink}) on rgb({','.join(map(str, shade))})")


def render_answer(console: Console, answer: "Answer") -> None:
    """Print one answer: cautions, verdict, facts, candidates, findings, next photo, closing caution."""
    decision, catalogue = answer.decision, answer.catalogue
    render_cautions(console, (c for c in decision.cautions if c.name not in CLOSING))
    console.print()
    console.print(_verdict_line(decision, catalogue))
    console.print(decision.message)
    console.print()
    if decision.families:
        console.print(_facts(decision, catalogue))
    _render_findings(console, decision)
    if decision.candidates:
        console.print()
        console.print(Text("Evidence", style="bold").append(f", {UNIT_OF_WEIGHTS}", style="not bold dim"))
        for candidate in worth_showing(decision):
            console.print(_candidate(candidate, decision, len(answer.photos)))
    console.print()
    _render_seen(console, answer)
    render_next_photo(console, decision.next_photo)
    _render_closing(console, decision, catalogue)


def worth_showing(decision: Decision) -> tuple[Candidate, ...]:
    """The leading candidate, its nearest rival, and at most two more that still matter."""
    first, rest = decision.candidates[:2], decision.candidates[2:4]
    return (*first, *(c for c in rest if c.family in decision.families or c.probability >= 0.01))


def render_opinion(console: Console, answer: "Answer", opinion: "Opinion", claimed: str) -> None:
    """Print what to think of a claim, the evidence on both sides, and what would be said without it."""
    decision = opinion.decision
    render_cautions(console, (c for c in decision.cautions if c.name not in CLOSING))
    console.print()
    style = {"agrees": "bold white on dark_green", "disagrees": "bold white on red3"}.get(
        opinion.verdict, "bold black on yellow"
    )
    console.print(
        Text(f" {opinion.verdict.upper()} ", style=style).append(f"  {claimed}", "bold default on default")
    )
    console.print(opinion.message)
    for title, evidence in (("For the claim", opinion.for_claim), ("Against it", opinion.against_claim)):
        console.print()
        console.print(Text(title if evidence else f"{title}: nothing", style="bold"))
        console.print(evidence_table(evidence, len(answer.photos)))
    for rival, lead in opinion.leads:
        console.print(sum_line(lead, rival))
    if opinion.leads:
        console.print(Text(f"The numbers are {UNIT_OF_WEIGHTS}.", style="dim"))
    _render_findings(console, decision)
    console.print()
    console.print(_row("Without it", decision.message))
    _render_seen(console, answer)
    render_next_photo(console, opinion.next_photo)
    _render_closing(console, decision, answer.catalogue)


def render_serving(
    console: Console, catalogue: Catalogue, needs: Needs, serving: Sequence[tuple[str, str, SwapFit]]
) -> None:
    """Print the variants that serve a swap, then those that may."""
    sure = [(f, v, fit) for f, v, fit in serving if fit.serves == "yes"]
    open_ones = [(f, v, fit) for f, v, fit in serving if fit.serves == "unknown"]
    if not sure and not open_ones:
        console.print("Nothing in this catalogue serves that swap.")
    for title, group in (("Serves", sure), ("May serve: more must be known", open_ones)):
        if group:
            console.print()
            console.print(Text(title, style="bold"))
        for family_key, variant_key, fit in group:
            console.print(_serving(catalogue.by_key[family_key], variant_key, fit, needs))
    if locked := list_locked(catalogue, needs):
        named = ", ".join(" ".join(keys) for keys in locked)
        console.print()
        console.print(Text(f"Left out, for they are locked: {named}."))
    console.print()
    for words in (*catalogue.head.cautions, *([GENERAL.message] if serving else [])):
        console.print(Text(words, style="italic"))
    _render_origin(console, catalogue)


def _serving(family: Family, variant_key: str, fit: SwapFit, needs: Needs) -> RenderableType:
    variant = next(v for v in family.variants if v.key == variant_key)
    head = Text(f" {family.key} {variant.key}", style="bold")
    head.append(f"  controls {CONTROLS[family.controls]}", style="not bold")
    pairs = [need.message for need in list_partners(family, needs.gearbox)]
    table = _rows()
    table.add_row("  Donors", _donor(variant, several=False))
    for caption, lines in (("  Why", fit.reasons), ("  Unknown", fit.unknown), ("  Pair with", pairs)):
        for position, line in enumerate(lines):
            table.add_row(caption if position == 0 else "", line)
    return Group(head, table)


def render_cautions(console: Console, cautions: Iterable[Caution]) -> None:
    """Print cautions, each with its source."""
    for caution in cautions:
        line = Text(f" CAUTION: {caution.name} ", style="bold white on red3")
        body = Text(caution.message, style="bold")
        if caution.source:
            body.append(f" [{caution.source}]", style="not bold dim")
        console.print(Group(line, Padding(body, (0, 0, 0, 2))))


def render_next_photo(console: Console, photo: NextPhoto | None) -> None:
    """Print which photo would help most, when one would."""
    if photo:
        console.print(_row("Next photo", Text(f"{photo.view}: {photo.message}")))


def fit_text(fit: SwapFit) -> Text:
    """Whether the swap is served, why, and what is still unknown."""
    style = {"yes": "bold green", "no": "bold red", "unknown": "bold yellow"}[fit.serves]
    words = {"yes": "yes", "no": "no", "unknown": "cannot be told yet"}[fit.serves]
    text = Text(words, style=style)
    for reason in fit.reasons:
        text.append(f"\n{reason}", style="default not bold")
    for unknown in fit.unknown:
        text.append(f"\nstill unknown: {unknown}", style="not bold yellow")
    return text


def fit_line(fit: SwapFit) -> str:
    """The same in one line, for a message or a picture."""
    words = {
        "yes": "Serves the swap",
        "no": "Does not serve the swap",
        "unknown": "Whether it serves the swap cannot be told yet",
    }[fit.serves]
    why = "; ".join([*fit.reasons, *(f"still unknown: {what}" for what in fit.unknown)])
    return f"{words}: {why}." if why else f"{words}."


def evidence_table(evidence: Iterable[Evidence], n_photos: int) -> Table:
    """Reasons with sign and weight, the heaviest first."""
    table = Table.grid(padding=(0, 1))
    table.add_column(width=5, justify="right", no_wrap=True)
    table.add_column(ratio=1)
    heavy = sorted((e for e in evidence if abs(e.weight) >= MIN_WEIGHT), key=lambda e: -abs(e.weight))
    for item in heavy:
        style = "green" if item.weight > 0 else "red"
        words = Text(item.message)
        if n_photos > 1 and item.photo is not None:
            words.append(f" (photo {item.photo + 1})", style="dim")
        table.add_row(Text(f"{item.weight:+.1f}", style=style), words)
    return table


def _verdict_line(decision: Decision, catalogue: Catalogue) -> Text:
    words, style = badge(decision, catalogue)
    return Text(f" {words} ", style=style).append(
        f"  {headline(decision, catalogue)}", "bold default on default"
    )


def _facts(decision: Decision, catalogue: Catalogue) -> Table:
    family = catalogue.by_key[decision.families[0]]
    chances = {c.family: c for c in decision.candidates}
    table = _rows()
    table.add_row("Family", _families(decision, chances))
    if len(decision.families) == 1:
        _add_family_rows(table, decision, family, chances.get(family.key))
    else:
        controls = {catalogue.by_key[key].controls for key in decision.families}
        table.add_row(
            "Controls", CONTROLS[controls.pop()] if len(controls) == 1 else "depends on which it is"
        )
    if decision.fit:
        table.add_row("Serves swap", fit_text(decision.fit))
    return table


def _families(decision: Decision, chances: dict[str, Candidate]) -> Text:
    rows = []
    for key in decision.families:
        chance = chances[key].probability if key in chances else 0.0
        rows.append(Text(key, style="bold").append(f"  {percent(chance)}, {sure_words(chance)}", "not bold"))
    if decision.unknown_probability >= 0.01:
        unknown, first = decision.unknown_probability, leads_nowhere(decision)
        none = Text("in no family of this catalogue", style="bold" if first else "dim")
        none.append(f"  {percent(unknown)}" + (f", {sure_words(unknown)}" if first else ""), "not bold")
        rows.insert(0 if first else len(rows), none)
    return Text("\n").join(rows)


def _add_family_rows(table: Table, decision: Decision, family: Family, candidate: Candidate | None) -> None:
    remaining = [v for v in family.variants if v.key in decision.variants]
    chances = {c.key: c.probability for c in candidate.variants} if candidate else {}
    table.add_row("Variant", _variants(remaining, chances, decision.variant_message))
    table.add_row("Controls", CONTROLS[family.controls])
    for position, variant in enumerate(remaining):
        table.add_row("Donors" if position == 0 else "", _donor(variant, several=len(remaining) > 1))
    for position, need in enumerate(decision.partners):
        table.add_row("Pair with" if position == 0 else "", need.message)
    if family.stock_code:
        table.add_row("Stock code", family.stock_code)


def _variants(remaining: list[Variant], chances: dict[str, float], why: str) -> Text:
    text = Text()
    for position, variant in enumerate(remaining):
        text.append("\n" if position else "")
        text.append(variant.key, style="bold")
        if variant.key in chances:
            text.append(f"  {percent(chances[variant.key])}, {sure_words(chances[variant.key])}")
        words, style = STATUS[variant.status]
        text.append("  ").append(words, style=style)
    return text.append(f"\n{why}" if text and why else why)


def _donor(variant: Variant, *, several: bool) -> str:
    facts = [variant.vehicles or "vehicles not listed", years_text(variant.years)]
    if variant.throttle != "unknown":
        facts.append("no throttle" if variant.throttle == "none" else f"{variant.throttle} throttle")
    if variant.crank_teeth:
        facts.append(f"{variant.crank_teeth} crank teeth")
    return (f"{variant.key}: " if several else "") + ", ".join(facts)


def _render_findings(console: Console, decision: Decision) -> None:
    if decision.findings:
        console.print()
        console.print(Text("Look at this", style="bold yellow"))
    for finding in decision.findings:
        text = (
            Text("! ", style="bold yellow")
            .append(finding.name, style="bold")
            .append(f": {finding.message}", "default")
        )
        console.print(Padding(text, (0, 0, 0, 1)))


def _candidate(candidate: Candidate, decision: Decision, n_photos: int) -> RenderableType:
    head = Text(f" {candidate.family}", style="bold")
    head.append(f"  {percent(candidate.probability)}", style="default not bold")
    if decision.families and candidate.family not in decision.families:
        head.append("  ruled out", style="dim not bold")
    parts: list[RenderableType] = [head, evidence_table(candidate.evidence, n_photos)]
    if candidate.evidence:
        parts.append(sum_line(candidate.lead, candidate.rival or "some other unit"))
    leads = bool(decision.families) and decision.families[0] == candidate.family
    if leads and candidate.variants and candidate.variants[0].evidence:
        best = candidate.variants[0]
        parts.append(Text(f" variant {best.key}", style="bold"))
        parts.append(evidence_table(best.evidence, n_photos))
        parts.append(sum_line(sum(e.weight for e in best.evidence), best.rival or "a variant not listed"))
    return Group(*parts)


def sum_line(lead: float, rival: str) -> Table:
    """What the reasons above sum to, and what they were held against."""
    table = Table.grid(padding=(0, 1))
    table.add_column(width=5, justify="right", no_wrap=True)
    table.add_column(ratio=1)
    words = f"in sum, {'over' if lead > 0 else 'behind'} {rival}"
    table.add_row(Text(f"{lead:+.1f}", style="bold"), Text(words, style="bold"))
    return table


def _render_seen(console: Console, answer: "Answer") -> None:
    views = zip(answer.photos, answer.observations, answer.units, strict=True)
    for number, (path, seen, unit) in enumerate(views, start=1):
        caption = "Seen" if len(answer.photos) == 1 else f"Photo {number}"
        body = Group(Text(path.name, style="dim"), *_seen_lines(seen, unit))
        console.print(_row(caption, body))


def _seen_lines(seen: Observations, unit: Unit | None) -> list[Text]:
    lines = []
    if unit:
        plugs = Text("plugs: " if unit.connectors else "no plugs found")
        for number, connector in enumerate(unit.connectors, start=1):
            plugs.append(f"{number} ").append_text(_plug_text(connector))
        lines.append(plugs)
        if unit.texts:
            lines.append(Text("reads: " + ", ".join(t.value for t in unit.texts)))
        if unit.codes:
            lines.append(Text("barcode: " + ", ".join(f"{c.payload} ({c.symbology})" for c in unit.codes)))
    else:
        found = seen.texts or seen.codes or seen.loose
        lines.append(Text("no outline of a controller found" if found else "no controller found"))
        lines += [Text("reads: " + ", ".join(t.value for t in seen.texts))] if seen.texts else []
        barcodes = ", ".join(f"{c.payload} ({c.symbology})" for c in seen.codes)
        lines += [Text(f"barcode: {barcodes}")] if barcodes else []
    if seen.loose:
        lines.append(
            Text("plugs on no outlined unit: ").append_text(Text().join(map(_plug_text, seen.loose)))
        )
    lines += [Text(f"{fault.message} {fault.advice}", style="yellow") for fault in seen.quality.faults]
    lines += [Text(note, style="dim") for note in seen.notes]
    return lines


def _plug_text(plug: Connector) -> Text:
    chip = Text().append_text(colour_chip(best_colour(plug.colour)))
    return chip.append(f" {best(plug.size)[0]}{', broken off' if plug.broken else ''}  ")


def _render_closing(console: Console, decision: Decision, catalogue: Catalogue) -> None:
    console.print()
    for caution in decision.cautions:
        if caution.name in CLOSING:
            console.print(Text(caution.message, style="italic"))
    _render_origin(console, catalogue)


def _render_origin(console: Console, catalogue: Catalogue) -> None:
    if catalogue.head.invented:
        console.print(Text(f"Catalogue: {catalogue.head.name}, invented demo data.", style="dim"))


def _rows() -> Table:
    table = Table.grid(padding=(0, 1))
    table.add_column(style="dim", width=11, no_wrap=True)
    table.add_column(ratio=1)
    return table


def _row(caption: str, body: RenderableType) -> Table:
    table = _rows()
    table.add_row(caption, body)
    return table
