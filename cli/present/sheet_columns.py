"""The columns of a catalogue's spreadsheet: where each value stands in an entry, and how its cell reads."""

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Literal

from plugface.cli.present.catalogue_template import USUAL_PINS
from plugface.cli.present.catalogue_text import number_text
from plugface.vision.colour_table import COLOUR_CODES

Level = Literal["family", "variant"]


@dataclass(frozen=True)
class Column:
    """One column: where its value stands in an entry, how it reads, and what to tell who fills it in."""

    name: str
    level: Level
    path: tuple[str | int, ...]
    explain: str
    example: str = ""
    read: Callable[[str], Any] = str.strip
    write: Callable[[Any], str] = str
    needed: bool = False


class BadCell(ValueError):
    """A cell that cannot be read; what is wrong, and what mends it."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem)


def split_items(text: str) -> list[str]:
    """Parts of a cell, separated by semicolons or lines; a part in double quotes may hold both."""
    parts = re.findall(r'(?:"(?:[^"\\]|\\.)*"|[^;\n"]|")+', text)
    return [unquoted(part.strip()) for part in parts if part.strip()]


def unquoted(part: str) -> str:
    if len(part) > 1 and part[0] == part[-1] == '"':
        try:
            return json.loads(part)
        except ValueError:
            raise BadCell(f"{part[:40]} is not quoted rightly", 'Write quotes inside quotes as \\"') from None
    return part


def join_items(values: Sequence[Any]) -> str:
    """The reverse of `split_items`."""
    return "; ".join(_quoted(str(value)) for value in values)


def _quoted(text: str) -> str:
    plain = text and text == text.strip() and not re.search(r'[;"\n\r]', text)
    return text if plain else json.dumps(text, ensure_ascii=False)


def read_number(text: str) -> float:
    try:
        return float(text.replace(",", ".").removesuffix("mm").strip())
    except ValueError:
        raise BadCell(f'"{text[:40]}" is no number', "Write a number alone, such as 190") from None


def _amount(text: str) -> float:
    if re.fullmatch(r"\d{1,3}(,\d{3})+", text.strip()):
        raise BadCell(f'"{text[:40]}" may be two amounts', "Write it without a comma, such as 1250")
    return read_number(text)


def _whole(text: str) -> int:
    value = read_number(text)
    if not value.is_integer():
        raise BadCell(f'"{text[:40]}" is no whole number', "Write a whole number, such as 4")
    return int(value)


def read_yes_no(text: str) -> bool:
    if text.strip().lower() not in ("yes", "no", "true", "false"):
        raise BadCell(f'"{text[:40]}" is neither yes nor no', "Write yes or no")
    return text.strip().lower() in ("yes", "true")


def yes_text(value: bool) -> str:
    return "yes" if value else "no"


def _words(text: str) -> str:
    return " ".join(text.split()).lower()


def _code(text: str) -> str:
    return text.strip().upper()


def _codes(text: str) -> list[str]:
    return [_code(part) for part in split_items(text)]


def _numbers(text: str) -> list[str]:
    numbers = ["".join(part.split()) for part in split_items(text)]
    for number in numbers:
        if re.fullmatch(r"\d+([.,]\d+)?E\+?\d+", number, re.IGNORECASE):
            raise BadCell(
                f'"{number}" was shortened by the spreadsheet: its last figures are gone',
                "Format the column as text and type the number again",
            )
    _refuse_commas(text)
    return numbers


def _suffixes(text: str) -> list[str]:
    _refuse_commas(text)
    return split_items(text)


def _refuse_commas(text: str) -> None:
    """A comma that is meant to separate would make one number of several, which no label has."""
    if "," in re.sub(r'"(?:[^"\\]|\\.)*"', "", text):
        raise BadCell(
            f'"{text[:40]}" has a comma in it', "Separate with semicolons; one with a comma stands in quotes"
        )


def _join_labelled(values: Sequence[str]) -> str:
    """The reverse of `_numbers` and `_suffixes`."""
    return "; ".join(_always_quoted(value) if "," in value else _quoted(value) for value in values)


def _one_donor(text: str) -> bool | list[str]:
    return read_yes_no(text) if text.strip().lower() in ("yes", "no", "true", "false") else split_items(text)


def _donor_text(value: bool | tuple[str, ...]) -> str:
    return yes_text(value) if isinstance(value, bool) else join_items(value)


_WORD = re.compile(r'([A-Za-z_]+)=("(?:[^"\\]|\\.)*"|[^\s;]+)|("(?:[^"\\]|\\.)*"|[^\s;/]+)|(/)')

#: Word in a cell -> key of a connector.
_PLUG_KEYS = {
    "at": "at_mm",
    "along": "along_mm",
    "turn": "turn_deg",
    "edge": "edge",
    "opens": "opens",
    "moulding": "moulding",
    "lock": "lock",
}


def read_plugs(text: str) -> tuple[list[dict[str, Any]], tuple[int, ...]]:
    """Plugs of a cell, and how many stand in each row ("/" starts one).

    Raises
    ------
    BadCell
        Naming the plug by its number.
    """
    plugs: list[dict[str, Any]] = []
    rows = [0]
    for key, value, bare, slash in _WORD.findall(text):
        number = len(plugs)
        if slash:
            rows.append(0)
        elif key:
            if not plugs or key.lower() not in _PLUG_KEYS:
                known = ", ".join(_PLUG_KEYS)
                raise BadCell(f'plug no. {max(number, 1)}: there is no "{key}"', f"Known here: {known}")
            plugs[-1][_PLUG_KEYS[key.lower()]] = _plug_value(key.lower(), unquoted(value), number)
        elif re.fullmatch(r"\d+x\d+", bare.lower()) and plugs:
            plugs[-1]["pins"] = [int(part) for part in bare.lower().split("x")]
        else:
            plugs.append(_plug_start(bare, number + 1))
            rows[-1] += 1
    if not plugs:
        raise BadCell("no plug is named", "Write each as colour-size, such as BN-L GY-M")
    return plugs, tuple(row for row in rows if row)


def _plug_start(word: str, number: int) -> dict[str, Any]:
    colour, dash, size = word.upper().partition("-")
    if colour not in COLOUR_CODES:
        near = get_close_matches(colour, COLOUR_CODES, n=1, cutoff=0.5)
        mend = f"Did you mean {near[0]}?" if near else f"The codes are {' '.join(COLOUR_CODES)}"
        raise BadCell(f'plug no. {number}: "{word}" does not begin with a colour code', mend)
    if not dash or size not in USUAL_PINS:
        sizes = "S (18 to 30 mm long), M (35 to 50 mm) or L (55 to 80 mm)"
        raise BadCell(f'plug no. {number}: "{word}" has no size', f"Write {colour}-M; a size is {sizes}")
    return {"colour": colour, "size": size}


def _plug_value(key: str, value: str, number: int) -> Any:
    if key == "at":
        try:
            x, y = (float(part) for part in value.split(","))
        except ValueError:
            raise BadCell(
                f"plug no. {number}: at={value} is no place",
                "Write at=x,y in mm from the middle, such as at=-68,58",
            ) from None
        return [x, y]
    return read_number(value) if key in ("along", "turn") else value


def _plugs_text(plugs: Sequence[Any]) -> str:
    return "; ".join(_plug_text(plug) for plug in plugs)


def _plug_text(plug: Any) -> str:
    words = [f"{plug.colour}-{plug.size}", "x".join(map(str, plug.pins)), f"at={_place(plug.at_mm)}"]
    if plug.along_mm is not None:
        words.append(f"along={number_text(plug.along_mm)}")
    if plug.turn_deg:
        words.append(f"turn={number_text(plug.turn_deg)}")
    words += [f"edge={plug.edge}"] if plug.edge != "face" else []
    words += [f"opens={plug.opens}"] if plug.opens != "up" else []
    words += [f"moulding={json.dumps(plug.moulding, ensure_ascii=False)}"] if plug.moulding else []
    words += [f"lock={plug.lock}"] if plug.lock else []
    return " ".join(words)


def _place(at_mm: Sequence[float]) -> str:
    return ",".join(map(number_text, at_mm))


def _read_marks(text: str) -> list[dict[str, Any]]:
    marks: list[dict[str, Any]] = []
    for part in re.findall(r'(?:"(?:[^"\\]|\\.)*"|[^;\n"])+', text):
        if not part.strip():
            continue
        mark: dict[str, Any] = {}
        words = []
        for key, value, bare, slash in _WORD.findall(part):
            if key == "at":
                mark["at_mm"] = _plug_value("at", value, len(marks) + 1)
            elif key == "height":
                mark["height_mm"] = read_number(value)
            else:
                words.append(unquoted(bare) or slash or f"{key}={value}")
        marks.append({"text": " ".join(words), **mark})
    return marks


def _marks_text(marks: Sequence[Any]) -> str:
    return "; ".join(
        f"{_always_quoted(mark.text)} at={_place(mark.at_mm)} height={number_text(mark.height_mm)}"
        for mark in marks
    )


def _always_quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _family(name: str, path: tuple[str | int, ...], explain: str, example: str = "", **kind: Any) -> Column:
    return Column(name, "family", path, explain, example, **kind)


def _variant(name: str, path: tuple[str | int, ...], explain: str, example: str = "", **kind: Any) -> Column:
    return Column(name, "variant", path, explain, example, **kind)


_LIST: dict[str, Any] = {"read": split_items, "write": join_items}
_NUMBER = {"read": read_number, "write": number_text}
_AMOUNT = {"read": _amount, "write": number_text}
_WHOLE = {"read": _whole, "write": lambda value: "" if value is None else str(value)}

COLUMNS: tuple[Column, ...] = (
    _family(
        "family", ("key",), "Name of the family; rows of one family are its variants.", "GULL 3", needed=True
    ),
    _variant("variant", ("key",), "Name of the variant; empty: its suffix, or its number.", "A"),
    _variant(
        "numbers",
        ("service_numbers",),
        "Service numbers as on the label; several with semicolons.",
        "K38115/361",
        read=_numbers,
        write=_join_labelled,
        needed=True,
    ),
    _variant(
        "suffixes",
        ("suffixes",),
        "What may stand behind the number on this variant; empty: anything.",
        "A; B",
        read=_suffixes,
        write=_join_labelled,
    ),
    _variant("first year", ("years", 0), "First model year of the donors.", "2001", **_WHOLE, needed=True),
    _variant("last year", ("years", 1), "Last model year of the donors.", "2005", **_WHOLE, needed=True),
    _variant("status", ("status",), "usable, locked or unknown; empty: unknown.", "usable", read=_words),
    _variant("throttle", ("throttle",), "cable, electronic, none or unknown.", "cable", read=_words),
    _variant(
        "crank teeth",
        ("crank_teeth",),
        "Teeth of the crank trigger wheel, missing ones counted; empty: not known.",
        "48",
        **_WHOLE,
    ),
    _variant("vehicles", ("vehicles",), "Donor vehicles, in your words.", "Bracken 2.6 van"),
    _variant("market", ("market",), "Market it was sold in; empty: any.", "any"),
    _variant("changed", ("changed",), "What differs from the other variants, and how one can tell."),
    _variant(
        "same front",
        ("unseen_from_front",),
        "yes: its front is that of the family's other variants.",
        "yes",
        read=read_yes_no,
        write=yes_text,
    ),
    _variant("value usable", ("value", "usable"), "What a usable unit brings.", "80", **_AMOUNT),
    _variant("value locked", ("value", "locked"), "What a locked unit brings.", "12", **_AMOUNT),
    _variant("value core", ("value", "core"), "What one brings that does not work.", "5", **_AMOUNT),
    _variant(
        "value currency",
        ("value", "currency"),
        "Three letters; empty: that of the line @currency.",
        "EUR",
        read=_code,
    ),
    _family("maker", ("maker",), "Who made it.", "Marrow & Finch", needed=True),
    _family("controls", ("controls",), "engine, gearbox, both or other.", "engine", read=_words, needed=True),
    _family(
        "hazard",
        ("hazard",),
        "none, high voltage or restraint: such a unit is never proposed for a swap.",
        "none",
        read=_words,
    ),
    _family("width", ("body", "size_mm", 0), "Width of the plug face, mm.", "190", **_NUMBER, needed=True),
    _family(
        "height",
        ("body", "size_mm", 1),
        "Height of the plug face, mm, mark upright.",
        "110",
        **_NUMBER,
        needed=True,
    ),
    _family("depth", ("body", "size_mm", 2), "Depth behind the plug face, mm.", "40", **_NUMBER, needed=True),
    _family(
        "material",
        ("body", "material"),
        "cast aluminium, plastic, sheet steel, plastic on aluminium, plastic on cast, anodised aluminium.",
        "cast aluminium",
        read=_words,
        needed=True,
    ),
    _family("body colour", ("body", "colour"), "IEC 60757 code; empty: not known.", "GY", read=_code),
    _family("lid colour", ("body", "lid_colour"), "Code, only where the lid differs.", "BK", read=_code),
    _family("fins", ("body", "fins"), "none, half or all; empty: not known.", "none", read=_words),
    _family("corners", ("body", "corners"), "square or round.", "square", read=_words),
    _family("ears", ("body", "ears"), "Number of mounting ears with a hole.", "4", **_WHOLE),
    _family("lid screws", ("body", "lid_screws"), "Number of screws in the lid.", "4", **_WHOLE),
    _family(
        "finish", ("body", "finish"), "Of a plastic surface: plain, glossy, grained.", "plain", read=_words
    ),
    _family(
        "features",
        ("body", "features"),
        "pressed, finned all round, ribs, glued cover, potted, hose stub, cable glands.",
        "ribs",
        **_LIST,
    ),
    _family(
        "plugs",
        ("connectors",),
        'Colour-size row by row from the top, each row from left to right; "/" starts a row. Sizes by the '
        "long side: S 18 to 30 mm, M 35 to 50, L 55 to 80. Behind each may stand pins (rows x columns), its "
        "middle as at=x,y in mm from the middle of the face, or as along=mm from the left or top end of "
        "edge=top, bottom, left or right; turn=90, opens=sideways, "
        "moulding=a, lock=lever. What is left out is guessed, and said.",
        "BN-L 3x13 at=-38,-6; GY-M 2x8 at=52,-6",
        read=read_plugs,
        write=_plugs_text,
        needed=True,
    ),
    _family(
        "marks",
        ("marks",),
        "Cast marks near the plugs; place and height may be added: at=x,y height=8.",
        '"GULL 3" at=-72,41 height=8',
        read=_read_marks,
        write=_marks_text,
    ),
    _family(
        "number pattern",
        ("label", "service_number"),
        "RE2 pattern for the whole number; empty: made from the numbers listed.",
        r"^(?P<number>K38\d{3}/36\d)$",
    ),
    _family(
        "suffix pattern",
        ("label", "suffix"),
        "RE2 pattern; empty: made from the suffixes.",
        "^(?P<suffix>[A-D])$",
    ),
    _family(
        "suffix caption",
        ("label", "suffix_caption"),
        "Word before the suffix, where it has its own field.",
        "REV",
    ),
    _family("barcode", ("label", "barcode"), "Code 128, Code 39, Data Matrix, QR or none.", "Code 128"),
    _family(
        "barcode payload",
        ("label", "barcode_payload"),
        "number, number and suffix, or a pattern for all of it.",
        "number",
    ),
    _family(
        "label side",
        ("label", "side"),
        "Where the label sticks: face, back, top, bottom, left, right or unknown.",
        "back",
        read=_words,
    ),
    _family("cautions", ("cautions",), "What to say with every answer; several with semicolons.", **_LIST),
    _family(
        "harmless colours",
        ("harmless_colours",),
        "Orange or yellow plugs that warn of nothing: OG, YE.",
        "YE",
        read=_codes,
        write=join_items,
    ),
    _family(
        "photos",
        ("photos",),
        "Pictures of a good unit, paths from the catalogue's folder.",
        "photos/gull_3.jpg",
        **_LIST,
    ),
    _family("stock code", ("stock_code",), "Your own.", "HW-G3"),
    _family("remarks", ("remarks",), "Anything else."),
    _family("source", ("source",), "Where you know this from; empty: this list.", "measured on three units"),
    _family("date", ("date",), "Of the entry, as text.", "2026-11-28"),
)

#: Columns of one pairing rule; with a number before them, from 1.
_PAIRING: tuple[tuple[str, str, str, str, dict[str, Any]], ...] = (
    ("partners", "families", "Families it must be used with, any one of these; a second group means or.",
     "DUNLIN 1; DUNLIN 6", _LIST),
    ("gearbox", "gearbox", "The rule holds for swaps with: any, automatic, manual.", "automatic",
     {"read": _words}),
    ("same donor", "same_donor", "yes, no, or the partners that it holds for.", "no",
     {"read": _one_donor, "write": _donor_text}),
    ("why", "why", "Why they belong together; needed where partners are named.",
     "The two exchange messages.", {}),
)  # fmt: skip

#: More groups than this are no list of controllers.
MAX_RULES = 20


def pairing_columns(rules: int) -> tuple[Column, ...]:
    """Columns for so many pairing rules."""
    return tuple(
        _family(f"pairing {k} {name}", ("pairing", k - 1, key), explain, example if k == 1 else "", **kind)
        for k in range(1, rules + 1)
        for name, key, explain, example, kind in _PAIRING
    )
