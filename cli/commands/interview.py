"""The questions of `plugface catalogue new`: asked one by one, with a way back, and nothing typed is lost.

What was typed is kept as it was typed, in a draft beside the catalogue, after every answer. Whoever is called
away runs the same command and goes on where they were.
"""

import json
import math
import re
import sys
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

import typer
from plugface.cli.commands.catalogue import (
    DRAFT_FILE,
    listed,
    one_of,
    or_none,
    read_rows,
    read_sizes,
    read_teeth,
    read_years,
    words,
)
from plugface.cli.lot.run_folder import write_whole
from plugface.cli.present.catalogue_template import HAZARD_CAUTIONS, USUAL_PINS, Draft, file_name, hazard_of
from plugface.cli.present.plain_text import say
from plugface.models.catalogue.entries import (
    Barcode,
    Catalogue,
    Controls,
    Edge,
    Family,
    LabelSide,
    Material,
    Throttle,
)

#: What takes one back to the question before.
BACK = "<"

KINDS = get_args(Controls)
MATERIALS = get_args(Material)
THROTTLES = get_args(Throttle)
# Asked with the usual answer first.
BARCODES = ("none", *(kind for kind in get_args(Barcode) if kind != "none"))
EDGES = ("face", *(edge for edge in get_args(Edge) if edge != "face"))
SIDES = get_args(LabelSide)

Typed = dict[str, str]


#: What hangs on an answer: where that changes, these are asked anew, with the new answer's usual values.
HANG_ON = {
    "key": ("mark",),
    "plugs": ("pins", "edges", "hazard"),
    "number": ("split", "suffixes"),
    "split": ("suffixes",),
    "partners": ("to_come",),
}

#: What is said of a hazardous unit's purpose.
KEPT = " (kept in the remarks: such a unit is never proposed for a swap)"


class _Back(Exception):
    """The question before is wanted again."""


@dataclass(frozen=True)
class Question:
    """One thing to ask: how, what stands in brackets, how it is read, and when it is asked at all."""

    name: str
    ask: str | Callable[[Typed], str]
    read: Callable[[str], Any]
    default: Callable[[Typed], str | None] = lambda _: None
    wanted: Callable[[Typed], bool] = lambda _: True
    each_plug: bool = False  # one value for all plugs, or one for each

    def value(self, text: str, typed: Typed) -> Any:
        """What was typed, read; raises typer.BadParameter where it does not read or fit the other answers."""
        value = self.read(text)
        if self.each_plug:
            plugs = _count_plugs(typed)
            if len(value) not in (1, plugs):
                raise typer.BadParameter(
                    f"{plugs} plug{'s' if plugs > 1 else ''}, {len(value)} given: one for all or one each"
                )
        return value


def ask_family(folder: Path, catalogue: Catalogue | None, like: Family | None) -> tuple[str, Draft]:
    """Ask about one family; gives the catalogue's name, where it has none yet, and the answers.

    Parameters
    ----------
    folder : Path
        Where the draft is kept meanwhile.
    catalogue : Catalogue or None
        The one that the family joins.
    like : Family or None
        Whose facts stand in brackets.

    Raises
    ------
    typer.Abort
        If the person leaves before the end; what was typed is in the draft.
    """
    questions = _questions(folder, catalogue, like)
    over = Question("look", lambda t: _look_over(questions, t), one_of("yes"), lambda _: "yes", _is_watched)
    questions = [*questions, over]
    typed = _take_up(folder / DRAFT_FILE, questions)
    say("Look at the plug face with the cast mark upright. Enter takes what stands in brackets,")
    say(f'"{BACK}" goes back to the question before. What you type is kept if you leave.\n')
    left = (k for k, q in enumerate(questions) if q.name not in typed and q.wanted(typed))
    place = next(left, len(questions))
    while place < len(questions):
        question = questions[place]
        if not question.wanted(typed):
            place += 1
            continue
        try:
            answer = _ask(question, typed)
            if answer != typed.get(question.name, answer):
                for name in HANG_ON.get(question.name, ()):
                    typed.pop(name, None)
            typed[question.name] = answer
            place += 1
        except _Back:
            place = _before(questions, place, typed)
        except typer.Abort:
            if (folder / DRAFT_FILE).exists():
                say(f"\nWhat you typed is kept in {folder / DRAFT_FILE}; the same command goes on with it.")
            raise
        write_whole_draft(folder, typed)
    return typed.get("catalogue", ""), _draft({q.name: q for q in questions}, typed, catalogue)


def _look_over(questions: list[Question], typed: Typed) -> str:
    """All answers in a few lines, before the file is written."""
    wanted = [q.name for q in questions if q.name in typed and q.wanted(typed)]
    given = (f"{name.replace('_', ' ')} {typed[name]}" for name in wanted)
    whole = textwrap.fill("; ".join(given), 78)
    return f'\n{whole}\nEnter writes {file_name(typed["key"])}, "{BACK}" goes back'


def _is_watched(_: Typed) -> bool:
    """Whether somebody sits before it: who pipes answers in has looked over them."""
    return sys.stdin.isatty()


def write_whole_draft(folder: Path, typed: Typed) -> None:
    """Keep what was typed."""
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"typed": typed}, ensure_ascii=False, indent=2)
    write_whole(folder / DRAFT_FILE, f"{text}\n".encode())


def _take_up(path: Path, questions: list[Question]) -> Typed:
    """What was typed before, if the person wants it; an answer that does not read is asked anew."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))["typed"]
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return {}
    typed: Typed = {}
    for question in questions:
        text = kept.get(question.name) if isinstance(kept, dict) else None
        try:
            if not question.wanted(typed):
                continue
            if text is None and any(question.name in names for names in HANG_ON.values()):
                continue  # dropped when another answer changed; those behind it are kept
            if not isinstance(text, str):
                break
            question.value(text, typed)
        except (typer.BadParameter, KeyError):  # KeyError: what it hangs on is not there
            break
        typed[question.name] = text
    if not typed:
        return {}
    about = typed.get("key") or typed.get("catalogue", "")
    kept_words = "1 answer is kept" if len(typed) == 1 else f"{len(typed)} answers are kept"
    if not typer.confirm(f'Go on with "{about}", of which {kept_words}?', default=True):
        return {}
    for name, text in typed.items():
        say(f"  {name}: {text}")
    return typed


def _ask(question: Question, typed: Typed) -> str:
    def value_of(text: str) -> str:
        if text.strip() == BACK:
            raise _Back
        question.value(text, typed)
        return text.strip()

    words = question.ask if isinstance(question.ask, str) else question.ask(typed)
    default = typed.get(question.name) or question.default(typed) or ""  # None is asked anew without a word
    return typer.prompt(words, default=default, show_default=bool(default), value_proc=value_of)


def _before(questions: list[Question], place: int, typed: Typed) -> int:
    """The question that was asked before; the first one has none before it."""
    return next((k for k in range(place - 1, -1, -1) if questions[k].wanted(typed)), place)


def _questions(folder: Path, catalogue: Catalogue | None, like: Family | None) -> list[Question]:
    makers = {family.maker for family in catalogue.families} if catalogue else set()
    first = like.variants[0] if like else None

    def of(value: Callable[[Family], str], other: str | None) -> Callable[[Typed], str | None]:
        return lambda _: value(like) if like else other

    def named(text: str) -> str:
        return read_new_key(text, folder, catalogue)

    engine: Callable[[Typed], bool] = lambda t: _begins(t, "controls", "e", "b")  # noqa: E731
    partnered: Callable[[Typed], bool] = lambda t: bool(listed(t.get("partners", "-")))  # noqa: E731
    return [
        Question(
            "catalogue",
            "Name of the catalogue",
            str.strip,
            lambda _: folder.resolve().name,
            lambda _: not catalogue,
        ),
        Question("key", "Name of the family", named),
        Question(
            "plugs",
            'Plugs as colour-size, row by row from the top, each from left to right; "/" starts a row.\n'
            "Size by the long side: S 18 to 30 mm, M 35 to 50, L 55 to 80",
            read_rows,
            of(_rows_text, "BN-L GY-M"),
        ),
        Question(
            "size",
            "Width, height and depth in mm",
            read_sizes,
            of(lambda f: " ".join(f"{s:g}" for s in f.body.size_mm), "190 110 40"),
        ),
        Question(
            "pins",
            "Pins of each plug as rows x columns",
            lambda text: _pins(text),
            lambda t: _default_pins(t, like),
            each_plug=True,
        ),
        Question(
            "edges",
            f"Where each plug stands: {', '.join(EDGES)}; one word for all, or one each",
            _edges,
            lambda t: _default_edges(t, like),
            each_plug=True,
        ),
        Question(
            "hazard",
            lambda t: f"{HAZARD_CAUTIONS[hazard_of(read_rows(t['plugs']))]}\nIs it such a unit? yes or no",
            one_of("yes", "no"),
            lambda _: "yes",
            lambda t: hazard_of(read_rows(t["plugs"])) != "none",
        ),
        Question(
            "controls",
            lambda t: f"What it controls: {', '.join(KINDS)}" + (KEPT if _hazardous(t) else ""),
            one_of(*KINDS),
            of(lambda f: f.controls, "engine"),
        ),
        Question("maker", "Maker", str.strip, of(lambda f: f.maker, "unknown"), lambda _: len(makers) != 1),
        Question(
            "material",
            f"Body: {', '.join(MATERIALS)}",
            one_of(*MATERIALS),
            of(lambda f: f.body.material, "cast aluminium"),
        ),
        Question("mark", 'Cast mark near the plugs, "-" for none', or_none, lambda t: t["key"]),
        Question("number", "A service number as on a label, with its suffix if it has one", _number),
        Question(
            "split",
            lambda t: f'Is "{_suffix(t)}" at its end a suffix, which may differ from unit to unit? yes or no',
            one_of("yes", "no"),
            lambda _: "yes",
            lambda t: bool(_suffix(t)),
        ),
        Question(
            "suffixes",
            'Suffixes you have seen, such as "A B" or "R2 R3"; "-" for none',
            words,
            lambda t: _suffix(t) if _begins(t, "split", "y") else "-",
        ),
        Question(
            "barcode",
            f"Barcode on the label: {', '.join(BARCODES)}",
            one_of(*BARCODES),
            of(lambda f: f.label.barcode, "none"),
        ),
        Question(
            "side",
            f"Where the label sticks: {', '.join(SIDES)}",
            one_of(*SIDES),
            of(lambda f: f.label.side, "unknown"),
        ),
        Question(
            "years",
            "First and last model year of the donors",
            read_years,
            lambda _: f"{first.years[0]} {first.years[1]}" if first else "2000 2005",
        ),
        Question(
            "throttle",
            f"Throttle: {', '.join(THROTTLES)}",
            one_of(*THROTTLES),
            lambda _: first.throttle if first else "unknown",
            engine,
        ),
        Question(
            "teeth",
            "Teeth of the crank trigger wheel, missing ones counted; 0 if not known",
            read_teeth,
            lambda _: str(first.crank_teeth or 0) if first else "0",
            engine,
        ),
        Question(
            "status",
            "Status of all these variants: usable, locked, unknown; edit the file where one differs",
            one_of("usable", "locked", "unknown"),
            lambda _: first.status if first else "unknown",
        ),
        Question(
            "partners",
            'Families it must be used with, any one of them, separated by commas; "-" for none',
            lambda text: _partners(text, catalogue),
            of(lambda f: ", ".join(f.pairing[0].families) if f.pairing else "-", "-"),
            lambda t: not _begins(t, "controls", "o") and not _hazardous(t),
        ),
        Question(
            "to_come",
            lambda t: f"There is no {_named(_to_come(t, catalogue))} yet: to come? yes or no",
            _is_to_come,
            wanted=lambda t: partnered(t) and bool(_to_come(t, catalogue)),
        ),
        Question(
            "same_donor",
            "Must both come from the same donor? yes or no",
            one_of("yes", "no"),
            of(lambda f: "yes" if f.pairing and f.pairing[0].donors else "no", "no"),
            partnered,
        ),
        Question(
            "why",
            'Why it must be used with them, as a buyer will read it; "-" to leave that open',
            or_none,
            of(lambda f: f.pairing[0].why if f.pairing else "-", "-"),
            partnered,
        ),
        Question("source", "Where you know this from", str.strip, lambda _: "a unit in hand"),
    ]


def read_new_key(text: str, folder: Path, catalogue: Catalogue | None) -> str:
    """Name of a family that is to be written.

    Parameters
    ----------
    text : str
    folder : Path
        Of the catalogue.
    catalogue : Catalogue or None
        What is in it, if anything.

    Returns
    -------
    key : str

    Raises
    ------
    typer.BadParameter
        If it makes no name of a file, or a family or file of that name is there.
    """
    if file_name(text) in (".toml", "catalogue.toml"):
        raise typer.BadParameter("it needs a letter or a digit, and must not be 'catalogue'")
    if (folder / file_name(text)).exists() or (catalogue and text.strip() in catalogue.by_key):
        raise typer.BadParameter(f"there is {file_name(text)} already; name another, or edit that file")
    return text.strip()


def split_number(text: str) -> tuple[str, str]:
    """A service number as it was typed, without spaces, and the letters behind its digits, if any.

    >>> split_number("K38 115/361 B")
    ('K38115/361', 'B')
    >>> split_number("K38115/361 Rev. C")
    ('K38115/361', 'C')
    >>> split_number("F 54664 KM C")
    ('F54664KM', 'C')
    """
    from plugface.models.matching.label_fields import REVISION_WORDS

    words = text.upper().split()
    if len(words) > 2 and words[-2].rstrip(".:") in REVISION_WORDS:  # the caption of the suffix's box
        del words[-2]
    whole, before = "".join(words), "".join(words[:-1])
    if sum(map(str.isdigit, before)) >= 4 and re.fullmatch(r"[A-Z]{1,3}\d?", words[-1]):
        return before, words[-1]
    found = re.fullmatch(r"(.*\d{2,})[-.]?([A-Z]{1,3}\d?)", whole)
    return (found[1], found[2]) if found and sum(map(str.isdigit, found[1])) >= 4 else (whole, "")


def _suffix(typed: Typed) -> str:
    return split_number(typed["number"])[1]


def _hazardous(typed: Typed) -> bool:
    return _begins(typed, "hazard", "y")


def _begins(typed: Typed, name: str, *letters: str) -> bool:
    """Whether an answer is one of those that begin so: it is kept as it was typed, in any case."""
    return typed.get(name, "").lower().startswith(letters)


def _partners(text: str, catalogue: Catalogue | None) -> tuple[str, ...]:
    """Names of families; one that will be written later is taken, a slip in one that is there is not."""
    known = list(catalogue.by_key) if catalogue else []
    spelled = {key.casefold(): key for key in known}
    named = tuple(n if n in known else spelled.get(n.casefold(), n) for n in listed(text))
    for name in named:
        if name in known:
            continue
        near = [key for key in known if key.upper().startswith(name.upper())]
        near = near or get_close_matches(name, known, n=1, cutoff=0.8)
        if near:
            words = " or ".join(f'"{key}"' for key in near[:3])
            raise typer.BadParameter(f'no family is called "{name}"; did you mean {words}?')
    return named


def _to_come(typed: Typed, catalogue: Catalogue | None) -> list[str]:
    """Partners that are no family of the catalogue."""
    known = catalogue.by_key if catalogue else {}
    return [name for name in _partners(typed["partners"], catalogue) if name not in known]


def _named(names: list[str]) -> str:
    return f"famil{'y' if len(names) == 1 else 'ies'} {' and '.join(names)}"


def _is_to_come(text: str) -> str:
    if one_of("yes", "no")(text) == "no":
        raise _Back
    return "yes"


def _number(text: str) -> str:
    if not any(sign.isalnum() for sign in text):
        raise typer.BadParameter("type the number as the label has it")
    return text


def _pins(text: str) -> tuple[tuple[int, int], ...]:
    found = re.findall(r"(\d+)\s*[xX]\s*(\d+)", text)
    pins = tuple((int(rows), int(columns)) for rows, columns in found)
    if not pins or not all(1 <= n <= 200 for pair in pins for n in pair):
        raise typer.BadParameter("write rows x columns for each plug, such as 3x13 2x8")
    return pins


def _edges(text: str) -> tuple[str, ...]:
    found = tuple(text.replace(",", " ").lower().split())
    wrong = [word for word in found if word not in EDGES]
    if wrong or not found:
        raise typer.BadParameter(f'"{" ".join(wrong)}" is none of: {", ".join(EDGES)}')
    return found


def _default_pins(typed: Typed, like: Family | None) -> str:
    """The pins of the family that it is like, where it has the same plugs; else the usual ones."""
    plugs = [plug for row in read_rows(typed["plugs"]) for plug in row]
    same = like is not None and [(c.colour, c.size) for c in like.connectors] == plugs
    return _pins_text(like) if like is not None and same else _usual_pins(typed["plugs"])


def _default_edges(typed: Typed, like: Family | None) -> str:
    """The edges of the family that it is like, where it has as many plugs; else the face."""
    same = like is not None and len(like.connectors) == _count_plugs(typed)
    return " ".join(c.edge for c in like.connectors) if like is not None and same else "face"


def _count_plugs(typed: Typed) -> int:
    return sum(map(len, read_rows(typed["plugs"])))


def _usual_pins(plugs: str) -> str:
    sizes = [size for row in read_rows(plugs) for _, size in row]
    return " ".join(f"{USUAL_PINS[size][0]}x{USUAL_PINS[size][1]}" for size in sizes)


def _rows_text(family: Family) -> str:
    """Plugs of an entry as they would be typed; whatever is not right of the one before starts a row."""
    said, before = "", -math.inf
    for c in family.connectors:
        said += f"{' ' if c.at_mm[0] > before else ' / '}{c.colour}-{c.size}"
        before = c.at_mm[0]
    return said.strip(" /")


def _pins_text(family: Family) -> str:
    return " ".join(f"{c.pins[0]}x{c.pins[1]}" for c in family.connectors)


def _draft(questions: dict[str, Question], typed: Typed, catalogue: Catalogue | None) -> Draft:
    """The answers as the text of the entry takes them."""
    value = {
        name: question.value(typed[name], typed)
        for name, question in questions.items()
        if question.wanted(typed)
    }
    rows = value["plugs"]
    plugs = [plug for row in rows for plug in row]
    pins, edges = value["pins"], value["edges"]
    hazardous = value.get("hazard") == "yes"
    number = (
        split_number(typed["number"])
        if value.get("split") == "yes"
        else ("".join(typed["number"].split()), "")
    )
    codes = {"OG", "YE"} & {colour for colour, _ in plugs}
    return Draft(
        key=value["key"],
        maker=value["maker"] if "maker" in value else catalogue.families[0].maker if catalogue else "unknown",
        controls="other" if hazardous else value["controls"],
        hazard=hazard_of(rows) if hazardous else "none",
        harmless_colours=() if hazardous else tuple(sorted(codes)),
        remarks=f"Controls: {value['controls']}." if hazardous and value["controls"] != "other" else "",
        size_mm=value["size"],
        material=value["material"],
        rows=rows,
        pins=pins if len(pins) == len(plugs) else pins * len(plugs),
        edges=edges if len(edges) == len(plugs) else edges * len(plugs),
        mark=value["mark"],
        number=number[0],
        suffixes=value["suffixes"],
        barcode=value["barcode"],
        side=value["side"],
        years=value["years"],
        throttle=value.get("throttle", "none"),
        crank_teeth=value.get("teeth", 0),
        status=value["status"],
        partners=value.get("partners", ()),
        same_donor=value.get("same_donor") == "yes",
        why=value.get("why", ""),
        source=value["source"],
    )
