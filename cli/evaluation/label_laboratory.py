"""Labels of any layout, drawn by chance for catalogues by chance, and what the matcher makes of them.

Every catalogue, number, caption and layout is invented from a seed. Most labels are given to the matcher as a
faultless reading of a close-up, so that only what it makes of a text is measured; some are drawn as pictures
and read by the program's own readers.

Run it by `python -m plugface.cli.evaluation.label_laboratory`.
"""

import argparse
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Literal

import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from plugface.cli.evaluation.caption_strips import LETTER_PX, ROW_PX, SCRIPTS, Script, read_strips
from plugface.models.catalogue.entries import Catalogue, Family, Label, Variant
from plugface.models.identify import identify
from plugface.models.learning.classifier import Model, default_model_path, load_model
from plugface.models.learning.invent import invent_catalogue
from plugface.vision.observations import Code, Observations, Polygon, Quality, Text, WhiteBalance

SEED = 20261128
_QUALITY = Quality(width_px=1280, height_px=960, median_luma=0.5, burnt_share=0.0, blur_px=0.6)
_BALANCE = WhiteBalance(gains_rgb=(1.0, 1.0, 1.0), method="none", confidence=0.0)
_CAPTIONS = (
    "SERVICE NO",
    "PART NUMBER",
    "ORDER NO.",
    "P/N",
    "No",
    "TYPE",
    "ARTICLE",
    "UNIT:",
    "REFERENCE",
    "TEILE-NR",
)
_LANDS = ("NORLAND", "WESTMARK", "OSTERBY", "SOUTH HOLM")
_GS, _RS, _EOT = "\x1d", "\x1e", "\x04"

# How a number is built: its groups (A a letter, D a figure but 0, N any figure), and the sign that belongs
# between them. No real maker's grouping is meant.
_BUILDS = (
    (("DNNN", "NNNN"), ""),
    (("DNN", "AA", "NNN"), ""),
    (("AA", "NNNNNN"), ""),
    (("ANNNNN", "NNN"), "/"),
    (("DNN", "NNNN", "NNN"), "-"),
    (("AA", "NNNN", "NN"), "/"),
    (("DNNNNN",), ""),
)
_CLASSES = {"A": "BCDFGHJKLMNPRTVX", "D": "123456789", "N": "0123456789"}
_SUFFIXES = (
    ("", ()),
    ("[A-F]", "ABCDEF"),
    ("[A-Z]{2}", ("AA", "AB", "BD", "CK", "DM")),
    (r"R\d", ("R1", "R2", "R3", "R4")),
)


@dataclass(frozen=True)
class Made:
    """What a label of one family says; the layouts draw from it."""

    groups: tuple[str, ...]
    joint: str  # the sign that belongs between the groups
    suffix: str
    rng: np.random.Generator = field(repr=False)

    @property
    def number(self) -> str:
        """As the catalogue lists it."""
        return self.joint.join(self.groups)

    def spaced(self) -> str:
        """As print has it: in groups, or in one."""
        return self.number if self.joint or self.rng.random() < 0.3 else " ".join(self.groups)

    def pick(self, *several: str) -> str:
        """One of several by chance."""
        return str(self.rng.choice(np.array(several, dtype=object)))

    def digits(self, n: int) -> str:
        """Figures by chance."""
        return "".join(self.rng.choice(list("0123456789"), n))


@dataclass(frozen=True)
class Print:
    """Lines of a label from the top, its codes as (symbology, payload), and how they stand."""

    lines: tuple[str, ...] = ()
    codes: tuple[tuple[str, str], ...] = ()
    form: Literal["codes below", "codes left", "codes right", "boxes"] = "codes below"

    def places(self) -> list[tuple[int, float]]:
        """Column and row of each line; in boxes every second one is the value under its caption."""
        if self.form == "boxes":
            return [((k // 2) % 2, 2.5 * (k // 4) + k % 2) for k in range(len(self.lines))]
        return [(0, k) for k in range(len(self.lines))]


def _tail(made: Made, between: str = " ") -> str:
    return f"{between}{made.suffix}" if made.suffix else ""


def caption_inline(made: Made) -> Print:
    return Print((f"{made.pick(*_CAPTIONS)} {made.spaced()}{_tail(made)}",))


def caption_above(made: Made) -> Print:
    return Print((made.pick(*_CAPTIONS), f"{made.spaced()}{_tail(made)}"))


def two_lines(made: Made) -> Print:
    cut = max(len(made.groups) - 1, 1) if len(made.groups) > 1 else 1
    if len(made.groups) == 1:
        first, second = made.groups[0][:3], made.groups[0][3:]
    else:
        first, second = made.joint.join(made.groups[:cut]) + made.joint, made.joint.join(made.groups[cut:])
    caption = made.pick("", *(f"{c} " for c in _CAPTIONS[:4]))
    return Print((f"{caption}{first}", f"{second}{_tail(made)}"))


def prefix_and_glued_suffix(made: Made) -> Print:
    if made.groups[0][0].isalpha():  # letters of its own: no house letters before them
        return Print((f"{made.spaced()}{_tail(made, made.pick('-', '/', ' '))}",))
    return Print(
        (f"{made.pick('OA', 'KX', 'Z', 'NO', 'TN ')}{made.spaced()}{_tail(made, made.pick('', '-', ' '))}",)
    )


def revision_box(made: Made) -> Print:
    lines = [made.pick(f"{made.pick(*_CAPTIONS)} ", "") + made.spaced()]
    word = made.pick("REV", "ISSUE", "INDEX", "Rev.", "ED")
    if made.suffix:
        lines += [
            [f"{word} {made.suffix}"],
            [word, made.suffix],
            [f"{word}:{made.suffix}"],
            [f"{word}. {made.suffix}"],
        ][int(made.rng.integers(4))]
    return Print(tuple(lines))


def separators(made: Made) -> Print:
    sign = made.pick(".", "-", " ", " - ", "/", " . ", "")  # the maker's own or another, or lost
    return Print(
        (f"{made.pick(*_CAPTIONS)}{made.pick(' ', ': ', ':')}{sign.join(made.groups)}{_tail(made)}",)
    )


def two_numbers(made: Made) -> Print:
    caption = made.pick("CUSTOMER NO", "VEHICLE MAKER", "OE", "REF")
    other = f"{caption} {made.digits(int(made.rng.integers(5, 12)))}"
    own = f"{made.pick(*_CAPTIONS)} {made.spaced()}{_tail(made)}"
    return Print((own, other) if made.rng.random() < 0.5 else (other, own))


def _others(made: Made) -> list[str]:
    day, year = int(made.rng.integers(1, 28)), int(made.rng.integers(1, 22))
    month = 1 + day % 12
    several = [
        f"{made.pick('DATE', 'DATUM', 'MFD')} {day:02d}/{year:02d}",
        f"{made.pick('S/N', 'SERIAL NO', 'SN:', 'SER.')} {made.digits(int(made.rng.integers(5, 9)))}",
        made.pick("12V 10A", "12 V", "9...16V", "24VDC 5A", "12 V DC"),
        f"MADE IN {made.pick(*_LANDS)}",
        made.pick(
            f"{day:02d}.{month:02d}.20{year:02d}",
            f"{day:02d}/{month:02d}/20{year:02d}",
            f"{month:02d}/{day:02d}/20{year:02d}",
            f"20{year:02d}-{month:02d}-{day:02d}",
        ),
        f"KW {1 + day:02d}/{year:02d}",
    ]
    return [several[k] for k in made.rng.permutation(len(several))]


def beside_others(made: Made) -> Print:
    lines = [f"{made.pick(*_CAPTIONS)} {made.spaced()}{_tail(made)}", *_others(made)[:4]]
    return Print(tuple(lines[k] for k in made.rng.permutation(len(lines))))


def captions_above_others(made: Made) -> Print:
    serial = "".join(made.digits(1) if c.isdigit() else c for c in made.number)  # as a number is built
    cells = [
        (made.pick(*_CAPTIONS), f"{made.spaced()}{_tail(made)}"),
        (made.pick("S/N", "SERIAL NO", "SN:", "SER.", "SERIAL"), made.pick(serial, made.digits(8))),
        (made.pick("DATE", "DATUM", "MFD"), made.pick(f"{made.digits(1)}/04", f"0{made.digits(1)}.2004")),
    ]
    return Print(tuple(line for k in made.rng.permutation(len(cells)) for line in cells[k]))


def columns(made: Made) -> Print:
    first, second, third = _others(made)[:3]
    return Print((f"{made.pick(*_CAPTIONS)} {made.spaced()}{_tail(made)}  {first}", f"{second}  {third}"))


def script_beside(made: Made, script: Script) -> Print:
    word = made.pick(*script.captions)
    own = f"{made.spaced()}{_tail(made)}"
    beside = f"{own} {word}" if script.from_right else f"{word} {own}"
    lines = (beside,) if made.rng.random() < 0.5 else (word, own)
    return Print((*lines, script.made_in))


def other_script(made: Made) -> Print:
    return script_beside(made, SCRIPTS[made.pick(*SCRIPTS)])


def plain_code(made: Made) -> Print:
    before = "" if made.groups[0][0].isalpha() else made.pick("", "OA", "KX")
    serial = made.digits(int(made.rng.choice((4, 8))))
    behind = made.pick(
        "", f"-{made.digits(5)}", f";{made.digits(6)}", f" {made.digits(7)}", f"|S{serial}", f"-S{serial}",
        f" S{serial}", f";S/N {serial}",
    )  # fmt: skip
    number = made.pick(made.number, made.number.replace(made.joint or " ", ""))
    payload = f"{before}{number}{_tail(made, made.pick('', '-', ' '))}{behind}"
    return Print(
        ("12V", f"DATE {made.digits(2)}/{made.digits(2)}"),
        (
            (made.pick("Data Matrix", "QR", "Code 128"), payload),
            # beside it often a code for each of the serial and the quantity
            *(
                (("Code 128", f"S{made.digits(8)}"), ("Code 128", f"Q{made.digits(2)}"))[
                    : made.rng.integers(3)
                ]
            ),
        ),
    )


def standard_code(made: Made) -> Print:
    number, suffix = made.number, made.suffix
    behind = f"{_GS}2P{suffix}" if suffix else ""
    payload = made.pick(
        f"[)>{_RS}06{_GS}P{number}{behind}{_GS}S{made.digits(7)}{_GS}Q1{_RS}{_EOT}",
        f"[)>{_RS}06{_GS}V{made.digits(5)}{_GS}1P{number}{suffix}{_GS}T{made.digits(6)}{_RS}{_EOT}",
        f"(01)0{made.digits(13)}(240){number}{suffix}(21){made.digits(8)}",
        f"240{number}{suffix}{_GS}21{made.digits(8)}",
        f"P{number}{suffix}",
    )
    return Print((f"SERIAL {made.digits(7)}",), (("Data Matrix", payload),))


def number_and_code(made: Made) -> Print:
    code = (plain_code if made.rng.random() < 0.5 else standard_code)(made)
    return Print((f"{made.pick(*_CAPTIONS)} {made.spaced()}{_tail(made)}", *_others(made)[:2]), code.codes)


def suffix_first(made: Made) -> Print:
    before = made.suffix + made.pick(" ", "-") if made.suffix else ""
    return Print((before + made.pick(made.number, made.spaced()),))


def code_beside(made: Made) -> Print:
    form: Literal["codes left", "codes right"] = "codes left" if made.rng.random() < 0.5 else "codes right"
    code = made.pick("Data Matrix", "QR"), made.pick(f"S{made.digits(8)}", made.digits(6), made.number)
    own = Print((f"{made.pick(*_CAPTIONS)}", f"{made.spaced()}{_tail(made)}", *_others(made)[:2]))
    return replace(own, codes=(code,), form=form)


def framed_boxes(made: Made) -> Print:
    boxes = [
        (made.pick(*_CAPTIONS), made.spaced()),
        ("REV", made.suffix) if made.suffix else ("MADE IN", made.pick(*_LANDS)),
        (made.pick("S/N", "SERIAL NO"), made.digits(8)),
        ("DATE", f"{made.rng.integers(1, 13):02d}/04"),
    ]
    return Print(tuple(line for k in made.rng.permutation(4) for line in boxes[k]), form="boxes")


#: Layout classes by name.
LAYOUTS: dict[str, Callable[[Made], Print]] = {
    "caption inline": caption_inline,
    "caption above": caption_above,
    "number over two lines": two_lines,
    "prefix, glued suffix": prefix_and_glued_suffix,
    "REV box": revision_box,
    "separators": separators,
    "two numbers": two_numbers,
    "date, serial, volts beside": beside_others,
    "several columns": columns,
    "captions of other scripts": other_script,
    "code alone, plain": plain_code,
    "code alone, by standard": standard_code,
    "number and code": number_and_code,
    "serial, date below captions": captions_above_others,
    "code beside": code_beside,
    "framed boxes": framed_boxes,
    "suffix before the number": suffix_first,
}

#: One row a script, for labels that are drawn and read.
SCRIPT_LAYOUTS: dict[str, Callable[[Made], Print]] = {
    f"caption in {name}": partial(script_beside, script=script) for name, script in SCRIPTS.items()
}


def draw_catalogue(rng: np.random.Generator) -> Catalogue:
    """Families of one maker whose numbers are of one build, with narrow or broad patterns."""
    bare = invent_catalogue(int(rng.integers(5, 11)), int(rng.integers(2**31)))
    build, joint = _BUILDS[int(rng.integers(len(_BUILDS)))]
    suffix, listed = _SUFFIXES[int(rng.integers(len(_SUFFIXES)))]
    broad = bool(rng.random() < 0.3)
    used: set[str] = set()
    head = "".join(c for c in _groups(rng, build[:1])[0] if c.isalpha())
    families = tuple(
        _with_label(rng, f, build, joint, suffix, listed, broad, head, used) for f in bare.families
    )
    return replace_families(bare, families)


def replace_families(catalogue: Catalogue, families: tuple[Family, ...]) -> Catalogue:
    """The same catalogue with other families."""
    return catalogue.model_copy(update={"families": families})


def _groups(rng, build) -> list[str]:
    return ["".join(str(rng.choice(list(_CLASSES[c]))) for c in group) for group in build]


def _fresh(rng, build, joint: str, head: str, used: set[str]) -> str:
    while True:
        groups = _groups(rng, build)
        groups[0] = head + groups[0][len(head) :]  # a maker's numbers begin with the same letters
        number = joint.join(groups)
        if number not in used:
            used.add(number)
            return number


def _with_label(rng, family: Family, build, joint, suffix, listed, broad, head, used) -> Family:
    by_suffix = bool(listed) and rng.random() < 0.6
    n = int(rng.integers(1, 4))
    shared = _fresh(rng, build, joint, head, used)
    variants = []
    for k in range(n):
        number = shared if by_suffix or k == 0 else _fresh(rng, build, joint, head, used)
        own = (listed[k],) if by_suffix else tuple(listed[:2]) if listed else ()
        variants.append(
            Variant(
                key=f"V{k + 1}",
                service_numbers=(number,),
                suffixes=own,
                years=(2000, 2004),
                throttle="electronic",
            )
        )
    parts = ["".join("[A-Z]" if c == "A" else r"\d" for c in group) for group in build]
    parts[0] = head + parts[0][len("[A-Z]") * len(head) :]
    if not broad and len({v.service_numbers[0] for v in variants}) == 1:
        parts[0] = shared[: len(build[0])]
    label = Label(service_number="^" + joint.join(parts) + "$", suffix=f"^{suffix}$" if suffix else "")
    return family.model_copy(update={"label": label, "variants": tuple(variants)})


@dataclass(frozen=True)
class Case:
    """One label with what it truly says."""

    layout: str
    print: Print
    catalogue: Catalogue
    family: str
    variant: str


def draw_cases(
    n_per_layout: int, seed: int = SEED, layouts: dict[str, Callable[[Made], Print]] = LAYOUTS
) -> Iterator[Case]:
    """Labels of every layout, each for a catalogue of its own."""
    for row, (layout, draw) in enumerate(layouts.items()):
        for k in range(n_per_layout):
            rng = np.random.default_rng((seed, row, k))
            catalogue = draw_catalogue(rng)
            family = catalogue.families[int(rng.integers(len(catalogue.families)))]
            variant = family.variants[int(rng.integers(len(family.variants)))]
            number = variant.service_numbers[0]
            suffix = str(rng.choice(variant.suffixes)) if variant.suffixes else ""
            groups, joint = _regroup(number, family)
            yield Case(layout, draw(Made(groups, joint, suffix, rng)), catalogue, family.key, variant.key)


def _regroup(number: str, family: Family) -> tuple[tuple[str, ...], str]:
    for joint in "/-":
        if joint in number:
            return tuple(number.split(joint)), joint
    if not number.isdigit():
        return tuple(re.findall(r"[A-Z]+|\d+", number)), ""
    size = 4 if len(number) == 8 else len(number)
    return tuple(number[k : k + size] for k in range(0, len(number), size)), ""


def read_faultlessly(printed: Print) -> Observations:
    """A close-up of the label, every line and code read as it is printed."""
    texts = tuple(
        Text(_box(40.0 + 560 * column, 40.0 + 60 * row, 20.0 * len(line), 32.0), line, 0.97, "printed", 32.0)
        for (column, row), line in zip(printed.places(), printed.lines, strict=True)
    )
    square = _box(600.0, 600.0, 200.0, 200.0)
    codes = tuple(Code(square, symbology, payload, "verified") for symbology, payload in printed.codes)
    return Observations("0" * 64, _QUALITY, _BALANCE, texts=texts, codes=codes)


def without_own_family(case: Case) -> Case:
    """The same label before a catalogue that lacks its family: nothing may be accepted."""
    others = tuple(f for f in case.catalogue.families if f.key != case.family)
    return replace(case, catalogue=replace_families(case.catalogue, others))


def _box(x: float, y: float, width: float, height: float) -> Polygon:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def draw_picture(printed: Print) -> np.ndarray:
    """The label as a clean crop, uint8 (H, W, 3): black on white."""
    face = ImageFont.truetype(
        str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), LETTER_PX
    )
    lines = [_draw_line(line, face) for line in printed.lines]
    codes = [_draw_code(*code) for code in printed.codes]
    codes_px = max([0, *(code.width + 160 for code in codes)])
    left = codes_px if printed.form == "codes left" else 60
    corners = [(left + 640 * column, int(40 + 90 * row)) for column, row in printed.places()]
    across = max(640 if printed.form == "boxes" else 0, *(line.width + 60 for line in lines), 0)
    right, below = max(x + across for x, _ in corners), max(y + 60 for _, y in corners)
    width, height = max(700, right, codes_px), below + 80 + 420 * len(codes)
    at, top = 80, below + 80
    if printed.form in ("codes left", "codes right"):
        height, top = max(below + 80, 80 + 420 * len(codes)), 40
        at, width = (80, width) if left == codes_px else (right + 40, right + codes_px)
    picture = Image.new("RGB", (width, height), (236, 236, 232))
    for corner, line in zip(corners, lines, strict=True):
        picture.paste((20, 20, 24), corner, line)
    for k, code in enumerate(codes):
        picture.paste(code, (at, top + 420 * k))
    if printed.form == "boxes":
        for x, y in corners[::2]:
            ImageDraw.Draw(picture).rectangle(
                (x - 30, y - 20, x + 590, y + 180), outline=(20, 20, 24), width=4
            )
    return np.asarray(picture)


def _draw_code(symbology: str, payload: str) -> Image.Image:
    from plugface.cli.evaluation.measure_codes import draw_modules

    modules = draw_modules(symbology, payload)
    size = max(300 // modules.shape[1], 4)
    tall = size if len(modules) > 1 else 160  # Code 128 is one row
    return Image.fromarray(np.where(np.kron(modules, np.ones((tall, size), bool)), 20, 240).astype(np.uint8))


def _draw_line(line: str, face: ImageFont.FreeTypeFont) -> Image.Image:
    """A line's ink: captions that the font lacks as strips, the rest in the font."""
    strips = read_strips()
    found = next((word for word in sorted(strips, key=len, reverse=True) if word in line), None)
    if found is None:
        ink = Image.new("L", (int(face.getlength(line)) + 4, ROW_PX), 0)
        ImageDraw.Draw(ink).text((0, ROW_PX // 2), line, fill=255, font=face, anchor="lm")
        return ink
    before, behind = line.split(found, 1)
    strip = Image.fromarray(255 - strips[found])
    parts = [_draw_line(before, face), strip, _draw_line(behind, face)]
    ink = Image.new("L", (sum(part.width for part in parts), ROW_PX), 0)
    left = 0
    for part in parts:
        ink.paste(part, (left, 0))
        left += part.width
    return ink


def read_picture(printed: Print) -> Observations:
    """What the program's own readers see on the drawn label."""
    from plugface.analysis import observe

    data = io.BytesIO()
    Image.fromarray(draw_picture(printed)).save(data, "PNG")
    return observe(data.getvalue())


@dataclass
class Tally:
    """How labels of one layout were answered."""

    n: int = 0
    family: int = 0
    variant: int = 0
    accepted: int = 0
    wrong: int = 0
    missed: list[str] = field(default_factory=list)


def measure(cases: Iterator[Case], model: Model, look: Callable[[Print], Observations]) -> dict[str, Tally]:
    """Answer every case by its label alone."""
    tallies: dict[str, Tally] = {}
    for case in cases:
        tally = tallies.setdefault(case.layout, Tally())
        answer = identify([look(case.print)], case.catalogue, model, advise=False)
        best = answer.candidates[0] if answer.candidates else None
        right = best is not None and best.family == case.family
        settled = best is not None and right and best.variants[0].key == case.variant
        tally.n += 1
        tally.family += right
        tally.variant += settled
        accepted = answer.verdict == "identified"
        tally.accepted += accepted
        bad_variant = accepted and len(answer.variants) == 1 and answer.variants[0] != case.variant
        tally.wrong += accepted and (answer.families != (case.family,) or bad_variant)
        if not settled or not accepted or bad_variant:
            tally.missed.append(
                f"{case.family} {case.variant}: {case.print} -> {answer.message} {answer.variants}"
            )
    return tallies


def render_table(tallies: dict[str, Tally]) -> str:
    """One row for each layout, and one for all."""
    rows = [f"{'layout':28} {'n':>5} {'family':>7} {'variant':>8} {'accepted':>9} {'wrong':>6}"]
    total = Tally()
    for layout, t in tallies.items():
        rows.append(f"{layout:28} {t.n:5} {t.family:7} {t.variant:8} {t.accepted:9} {t.wrong:6}")
        for name in ("n", "family", "variant", "accepted", "wrong"):
            setattr(total, name, getattr(total, name) + getattr(t, name))
    t = total
    return "\n".join([*rows, f"{'all':28} {t.n:5} {t.family:7} {t.variant:8} {t.accepted:9} {t.wrong:6}"])


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--labels", type=int, default=100, help="labels of each layout, read without fault")
    parser.add_argument(
        "--pictures", type=int, default=0, help="labels of each layout, drawn and really read"
    )
    parser.add_argument("--missed", action="store_true", help="print what was not settled or not accepted")
    parser.add_argument(
        "--scripts", type=int, default=0, help="labels with captions of each script, drawn and really read"
    )
    asked = parser.parse_args()
    model = load_model(default_model_path())
    for words, look, n, layouts in (
        ("read without fault", read_faultlessly, asked.labels, LAYOUTS),
        ("drawn, read by the program's readers", read_picture, asked.pictures, LAYOUTS),
        ("drawn, read, captions of other scripts", read_picture, asked.scripts, SCRIPT_LAYOUTS),
    ):
        if n:
            tallies = measure(draw_cases(n, layouts=layouts), model, look)
            strange = measure(map(without_own_family, draw_cases(n, layouts=layouts)), model, look)
            print(f"{words}\n{render_table(tallies)}")
            print(f"family not in the catalogue: {sum(t.accepted for t in strange.values())} accepted\n")
            for line in (line for t in tallies.values() for line in t.missed if asked.missed):
                print(line)


if __name__ == "__main__":
    main()
