"""The text of a new catalogue's files, commented so that the next family can be written by hand."""

import json
import re
from dataclasses import dataclass
from datetime import date

from plugface.models.catalogue.check import HOUSING_MM
from plugface.vision.colour_table import COLOUR_CODES

#: The JSON Schema of a family's file, written beside it for editors.
SCHEMA_FILE = "catalogue.schema.json"

#: Usual pins per class, rows and columns; a start for the user to correct (common practice, no source).
USUAL_PINS = {"L": (3, 13), "M": (2, 8), "S": (2, 4)}


HAZARD_CAUTIONS = {
    "high voltage": "Orange marks high-voltage cables (UN Regulation No. 100; ISO 6469-3); that plugs are "
    "orange is common practice. Do not open, probe, unplug or drop it: leave it to licensed high-voltage "
    "technicians, under local rules.",
    "restraint": "A yellow plug can mark a restraint unit (common practice, no source). Do not open, probe, "
    "power, unplug or drop it; handling, transport and sale are regulated locally.",
}

#: What stands for a reason that nobody gave: none is made up, for buyers read it.
NO_REASON = "The entry gives no reason."


@dataclass(frozen=True)
class Draft:
    """Answers about one family; the defaults are an invented one."""

    key: str = "GULL 3"
    maker: str = "Marrow & Finch"
    controls: str = "engine"
    size_mm: tuple[float, float, float] = (190.0, 110.0, 40.0)
    material: str = "cast aluminium"
    rows: tuple[tuple[tuple[str, str], ...], ...] = ((("BN", "L"), ("GY", "M")),)  # (colour, size) row by row
    mark: str = "GULL 3"
    number: str = "K38115/361"
    number_pattern: str = ""  # empty: of the number's form
    suffixes: tuple[str, ...] = ()
    years: tuple[int, int] = (2001, 2005)
    throttle: str = "unknown"
    crank_teeth: int = 0  # 0: not known
    status: str = "unknown"
    partners: tuple[str, ...] = ()
    same_donor: bool = False  # of the partners
    why: str = ""  # they are needed
    source: str = "invented"
    hazard: str = "none"
    harmless_colours: tuple[str, ...] = ()
    remarks: str = ""
    pins: tuple[tuple[int, int], ...] = ()  # of each plug in order; none: the usual ones
    edges: tuple[str, ...] = ()  # of each plug in order; none: all on the face
    barcode: str = "none"
    side: str = "unknown"  # where the label sticks


def hazard_of(rows: tuple[tuple[tuple[str, str], ...], ...]) -> str:
    """The hazard that the plugs' colours announce."""
    colours = {colour for row in rows for colour, _ in row}
    return "high voltage" if "OG" in colours else "restraint" if "YE" in colours else "none"


def head_text(name: str, *, invented: bool) -> str:
    """Text of catalogue.toml."""
    return f"""\
name = {toml_text(name)}
invented = {"true" if invented else "false"}  # true: demo data, and every result says so
note = ""
# What to say with every result besides what is said anyway: confirm by the service number; local law.
cautions = []
"""


def family_text(draft: Draft, today: date) -> str:
    """Text of one family's file."""
    width, height, depth = draft.size_mm
    hazard = draft.hazard
    harmless = ", ".join(map(toml_text, draft.harmless_colours))
    blocks = [
        f"""\
#:schema ./{SCHEMA_FILE}
# One family of controllers. Lengths in mm. Look at the plug face with the cast mark upright: x runs to the
# right, y runs up, and 0, 0 is the middle of the face.
key = {toml_text(draft.key)}
maker = {toml_text(draft.maker)}
controls = {toml_text(draft.controls)}  # engine, gearbox, both, other
hazard = {toml_text(hazard)}  # none, high voltage, restraint: such a unit is never proposed for a swap
cautions = [{toml_text(HAZARD_CAUTIONS[hazard]) if hazard != "none" else ""}]
# Orange or yellow plugs that warn of nothing:
{f"harmless_colours = [{harmless}]" if harmless else "# harmless_colours = []"}
# photos = ["photos/face.jpg"]  # of a good unit, in this folder: shown beside answers in place of a drawing
stock_code = ""  # your own
remarks = {toml_text(draft.remarks)}
source = {toml_text(draft.source)}  # where this comes from: a document, a measured unit, common practice
date = "{today.isoformat()}"

[body]
size_mm = [{width:g}, {height:g}, {depth:g}]  # width, height, depth
# cast aluminium, plastic, sheet steel, plastic on aluminium, plastic on cast, anodised aluminium
material = {toml_text(draft.material)}
# colour = "GY"  # codes of IEC 60757: {" ".join(COLOUR_CODES)}
# lid_colour = "BK"  # only where the lid differs
# fins = "none"  # none, half, all
# corners = "square"  # square, round
# ears = 0  # mounting ears with a hole
# lid_screws = 0
# finish = "plain"  # of a plastic surface: plain, glossy, grained
# features = ["ribs"]  # pressed, finned all round, ribs, glued cover, potted, hose stub, cable glands

# Plugs in canonical order: row by row from the top, each row from left to right. The pins and places below
# are guesses from the size class: measure them.
"""
    ]
    spread = _spread_on_edges(draft)
    for number, ((colour, size), (x, y)) in enumerate(place_plugs(draft.rows, draft.size_mm)):
        rows, columns = draft.pins[number] if draft.pins else USUAL_PINS[size]
        edge = draft.edges[number] if draft.edges else "face"
        place = (
            f"at_mm = [{x:g}, {y:g}]  # middle of the housing\n"
            "# along_mm = 40  # in place of at_mm, where it stands flush at an edge: see edge\n"
            "# turn_deg = 90  # where its long side runs upright\n"
            if edge == "face"
            else f"along_mm = {spread[number]:g}  # its middle along that edge, from its left or top end\n"
        )
        blocks.append(
            f'[[connectors]]\ncolour = "{colour}"\n'
            f'size = "{size}"  # by its long side: S 18 to 30 mm, M 35 to 50, L 55 to 80\n'
            f"pins = [{rows}, {columns}]  # rows, columns\n{place}"
            f'edge = "{edge}"  # face, top, bottom, left, right\n'
            '# opens = "sideways"  # where its mouth looks out of that edge\n'
            '# moulding = "a"  # where several sit in one moulding: the same name for each\n'
            '# lock = "lever"  # latch, lever, slide\n'
        )
    if draft.mark:
        letter = min(8.0, height / 8)
        x, y = place_mark(draft.mark, letter, (width, height), at_top="top" in draft.edges)
        blocks.append(
            f"[[marks]]\ntext = {toml_text(draft.mark)}\n"
            f"at_mm = [{x:.0f}, {y:.0f}]  # middle of the text\nheight_mm = {letter:g}\n"
        )
    number_pattern = draft.number_pattern or pattern_like([draft.number], "number")
    blocks.append(
        "# How the label reads. The pattern (RE2 syntax) must match the whole number, without spaces.\n"
        "# Narrow it: the less it lets through, the more a number that was read tells.\n"
        f"[label]\nservice_number = {toml_literal(number_pattern)}\n"
        + (f"suffix = {toml_literal(pattern_like(draft.suffixes, 'suffix'))}\n" if draft.suffixes else "")
        + '# suffix_caption = "REV"  # the word before the suffix, where it has a field of its own\n'
        f'barcode = "{draft.barcode}"  # Code 128, Code 39, Data Matrix, QR, none\n'
        "# Where it sticks: face, back, unknown, or the side at the top, bottom, left or right edge.\n"
        f'side = "{draft.side}"\n'
        '# barcode_payload = "number"  # or "number and suffix", or a pattern for the whole payload such as\n'
        "# barcode_payload = 'OA(?P<number>\\d{8})(?P<suffix>[A-Z]{2})(-.*)?'\n"
    )
    blocks += [_variant_text(draft, suffix) for suffix in draft.suffixes or ("",)]
    if draft.partners:
        blocks.append(
            "# A second [[pairing]] table means or: one that is met is enough.\n"
            f"[[pairing]]\nfamilies = [{', '.join(map(toml_text, draft.partners))}]  # any one of these\n"
            'gearbox = "any"  # the rule holds for: any, automatic, manual\n'
            f"same_donor = {'true' if draft.same_donor else 'false'}  "
            "# true: both from one vehicle; or the families that it holds for\n"
            f"why = {toml_text(draft.why or NO_REASON)}  # said with every answer\n"
        )
    return "\n".join(blocks)


def _spread_on_edges(draft: Draft) -> dict[int, float]:
    """Middles of the plugs that stand at an edge, spread along it in order; a guess to be measured."""
    plugs = [plug for row in draft.rows for plug in row]
    spread: dict[int, float] = {}
    for edge in ("top", "bottom", "left", "right"):
        there = [number for number, name in enumerate(draft.edges) if name == edge]
        extents = [sum(HOUSING_MM[plugs[number][1]][0]) / 2 for number in there]
        side = draft.size_mm[0] if edge in ("top", "bottom") else draft.size_mm[1]
        gap = (side - sum(extents)) / (len(there) + 1)
        start = 0.0
        for number, extent in zip(there, extents, strict=True):
            spread[number] = round(start + gap + extent / 2)
            start += gap + extent
    return spread


def _variant_text(draft: Draft, suffix: str) -> str:
    known = f"crank_teeth = {draft.crank_teeth}" if draft.crank_teeth else "# crank_teeth = 48"
    teeth = f"{known}  # missing ones count\n"
    return (
        f"[[variants]]\nkey = {toml_text(suffix or draft.number)}\n"
        f"service_numbers = [{toml_text(draft.number)}]\n"
        + (f"suffixes = [{toml_text(suffix)}]\n" if suffix else "# suffixes = []  # none: any suffix\n")
        + f'years = [{draft.years[0]}, {draft.years[1]}]  # model years of the donors\nvehicles = ""\n'
        f"throttle = {toml_text(draft.throttle)}  # cable, electronic, none, unknown\n{teeth}"
        f"status = {toml_text(draft.status)}  # usable, locked, unknown\n"
        '# market = "any"\n# changed = "what is different, and how one can tell"\n'
    )


def place_plugs(
    rows: tuple[tuple[tuple[str, str], ...], ...], size_mm: tuple[float, float, float]
) -> list[tuple[tuple[str, str], tuple[float, float]]]:
    """Spread plugs over the face, rows below a strip for the mark; a guess to be measured.

    Returns
    -------
    placed : list of (plug, (x, y)), mm, in canonical order
    """
    width, height, _ = size_mm
    placed: list[tuple[tuple[str, str], tuple[float, float]]] = []
    for number, row in enumerate(rows):
        y = height / 2 - height * (0.2 + 0.75 * (number + 0.5) / len(rows))
        long = [sum(HOUSING_MM[size][0]) / 2 for _, size in row]
        gap = (width - sum(long)) / (len(row) + 1)
        left = -width / 2
        for plug, extent in zip(row, long, strict=True):
            placed.append((plug, (round(left + gap + extent / 2), round(y))))
            left += gap + extent
    return placed


def place_mark(text: str, letter_mm: float, face_mm: tuple[float, float], *, at_top: bool) -> tuple[int, int]:
    """Middle of a mark near the upper left corner, or beside the plugs where some stand at the top edge.

    Parameters
    ----------
    text : str
    letter_mm : float
        Height of its letters.
    face_mm : (width, height)
    at_top : bool
        Whether a plug stands at the top edge.

    Returns
    -------
    x, y : int, mm from the middle of the face
    """
    width, height = face_mm
    return round(-width / 2 + 4 + 0.4 * letter_mm * len(text)), 0 if at_top else round(height / 2 - letter_mm)


def pattern_like(examples: list[str] | tuple[str, ...], group: str) -> str:
    """RE2 pattern for texts of the same make as the examples: digits for digits, capitals for capitals.

    >>> pattern_like(["PK2104/16"], "number")
    '^(?P<number>[A-Z]{2}\\\\d{4}/\\\\d{2})$'
    """
    shapes = dict.fromkeys(_shape(example) for example in examples)
    return f"^(?P<{group}>{'|'.join(shapes)})$"


def _shape(text: str) -> str:
    parts = []
    for run in re.findall(r"[0-9]+|[A-Z]+|[^0-9A-Z]", text):
        one = (
            r"\d" if run.isdigit() else "[A-Z]" if run.isalpha() and run.isascii() and run.isupper() else None
        )
        parts.append(re.escape(run) if one is None else one if len(run) == 1 else f"{one}{{{len(run)}}}")
    return "".join(parts)


def file_name(key: str) -> str:
    """File name for a family key."""
    return re.sub(r"[^a-z0-9]+", "_", key.lower()).strip("_") + ".toml"


def toml_text(value: str) -> str:
    """A TOML basic string; its escapes are those of JSON."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_literal(pattern: str) -> str:
    return f"'{pattern}'" if "'" not in pattern else toml_text(pattern)
