"""A whole entry as the text of its TOML file: what differs from the defaults, and what its body tells, in the
usual order."""

import tomllib
from datetime import date
from typing import Any

from plugface.cli.present.catalogue_template import SCHEMA_FILE, Draft, family_text, toml_literal, toml_text
from plugface.models.catalogue.entries import Body, CatalogueHead, Entry, Family, Pairing, place_on_edge

_FIRST = (
    "key",
    "maker",
    "controls",
    "hazard",
    "stock_code",
    "remarks",
    "cautions",
    "harmless_colours",
    "photos",
)
_LAST = ("source", "date")
_TABLES = ("connectors", "marks", "variants", "pairing")
_PATTERNS = ("service_number", "suffix", "barcode_payload")


def entry_text(family: Family) -> str:
    """Text of a family's file; reading it gives the same family again."""
    blocks = ["\n".join(_lines(family, (*_FIRST, *_LAST)))]
    blocks.append("[body]\n" + "\n".join(_lines(family.body)))
    for plug in family.connectors:
        dropped = {"at_mm", "turn_deg"} if _stands_by_edge(plug, family) else set()
        blocks.append("[[connectors]]\n" + "\n".join(_lines(plug, without=dropped)))
    blocks += ["[[marks]]\n" + "\n".join(_lines(mark)) for mark in family.marks]
    blocks.append("[label]\n" + "\n".join(_lines(family.label, literal=_PATTERNS)))
    for name in ("variants", "pairing"):
        blocks += [f"[[{name}]]\n" + "\n".join(_lines(one)) for one in getattr(family, name)]
    return f"#:schema ./{SCHEMA_FILE}\n" + "\n\n".join(blocks) + "\n"


def copy_family(model: Family, draft: Draft) -> Family:
    """A family like another one, with what was answered about it; what was not asked is the other's."""
    asked = Family.model_validate(tomllib.loads(family_text(draft, date.today())))
    plugs = asked.connectors
    if [(c.colour, c.size, c.edge) for c in plugs] == [(c.colour, c.size, c.edge) for c in model.connectors]:
        pairs = zip(model.connectors, plugs, strict=True)
        plugs = tuple(old.model_copy(update={"pins": new.pins}) for old, new in pairs)
    marks = tuple(
        old.model_copy(update={"text": new.text}) for old, new in zip(model.marks, asked.marks, strict=False)
    )
    body = model.body.model_copy(update={"size_mm": asked.body.size_mm, "material": asked.body.material})
    label = asked.label.model_copy(
        update={"suffix_caption": model.label.suffix_caption, "barcode_payload": _payload(model, asked)}
    )
    variants = tuple(
        one.model_copy(update={"vehicles": model.variants[0].vehicles, "market": model.variants[0].market})
        for one in asked.variants
    )
    same = bool(asked.pairing and model.pairing) and asked.pairing[0].families == model.pairing[0].families
    return asked.model_copy(
        update={
            "body": body,
            "connectors": plugs,
            "marks": marks or asked.marks,
            "label": label,
            "variants": variants,
            "pairing": _pairing(model, asked) if same else asked.pairing,
        }
    )


def _pairing(model: Family, asked: Family) -> tuple[Pairing, ...]:
    """The other's rules, the first with what was answered of it."""
    first, told = model.pairing[0], asked.pairing[0]
    same_donor = first.same_donor if bool(first.donors) == bool(told.donors) else told.same_donor
    return first.model_copy(update={"same_donor": same_donor, "why": told.why}), *model.pairing[1:]


def _payload(model: Family, asked: Family) -> str:
    """What the code holds, where the new family has a suffix to hold."""
    words = model.label.barcode_payload
    return words if asked.label.suffix or words != "number and suffix" else "number"


def catalogue_head_text(head: CatalogueHead) -> str:
    """Text of catalogue.toml."""
    blocks = ["\n".join(_lines(head, ("name", "invented", "note", "currency", "works", "cautions")))]
    if head.costs is not None:
        blocks.append("[costs]\n" + "\n".join(_lines(head.costs)))
    blocks += ["[[shades]]\n" + "\n".join(_lines(shade)) for shade in head.shades]
    return "\n\n".join(blocks) + "\n"


def _stands_by_edge(plug: Any, family: Family) -> bool:
    """Whether its edge and the distance along it say all there is about its place."""
    if plug.along_mm is None:
        return False
    usual = 90.0 if plug.edge in ("left", "right") else 0.0
    place = place_on_edge(plug.edge, plug.along_mm, plug.size, family.body.size_mm)
    return plug.at_mm == place and plug.turn_deg == usual


def _lines(
    entry: Entry,
    names: tuple[str, ...] = (),
    *,
    without: set[str] | frozenset[str] = frozenset(),
    literal: tuple[str, ...] = (),
) -> list[str]:
    """A line for each key that must be there or is not at its default; of a body each that is told."""
    lines = []
    for name in names or type(entry).model_fields:
        field, value = type(entry).model_fields[name], getattr(entry, name)
        usual = not field.is_required() and value == field.get_default(call_default_factory=True)
        told = isinstance(entry, Body) and entry.tells(name) and value is not None
        if name in without or (usual and not told):
            continue
        lines.append(f"{name} = {toml_literal(value) if name in literal else toml_value(value)}")
    return lines


def toml_value(value: Any) -> str:
    """A plain value as TOML; an entry within one is an inline table."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, int | float):
        return number_text(value)
    if isinstance(value, Entry):
        return f"{{ {', '.join(_lines(value))} }}"
    return f"[{', '.join(map(toml_value, value))}]"


def number_text(value: float) -> str:
    """A number without loss, and without a point where it is whole."""
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))
