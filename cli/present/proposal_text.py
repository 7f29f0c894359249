"""The draft of a family's file from what its photos show.

A line that was seen stands as it is, with how sure it is. What could not be seen is a comment to be filled
in; where a usual value exists it can be put in its place and is marked as a guess.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from plugface.cli.present.catalogue_template import (
    HAZARD_CAUTIONS,
    USUAL_PINS,
    pattern_like,
    place_plugs,
    toml_literal,
    toml_text,
)
from plugface.cli.present.terminal import percent
from plugface.models.catalogue.check import pattern_beside
from plugface.models.catalogue.entries import HOUSING_MM, Controls, Family
from plugface.models.catalogue.proposal import SeenLabel, SeenPlug, Sighting

#: Sides of the face and depth where nothing tells, mm; a start to correct (common practice, no source).
USUAL_SIZE_MM = (180.0, 120.0, 40.0)


@dataclass(frozen=True)
class Known:
    """What the person at the keyboard knows about the unit and no photo shows."""

    key: str | None = None
    maker: str | None = None
    controls: Controls | None = None
    years: tuple[int, int] | None = None
    size_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class DraftText:
    """The text, and which keys in it are still comments or guesses."""

    key: str | None
    text: str
    missing: tuple[str, ...]
    guessed: tuple[str, ...]


def draft_family(
    sighting: Sighting,
    known: Known,
    photos: Sequence[str],
    today: date,
    *,
    guess: bool = False,
    families: Sequence[Family] = (),
) -> DraftText:
    """Write the draft.

    Parameters
    ----------
    photos : sequence of str
        What to name as the source: names of the photo files.
    guess : bool
        Put usual values where nothing was seen; what nothing is usual for stays a comment.
    families : sequence of Family
        Those that the catalogue has: the number's pattern fits none of theirs, where there is such a one.

    Returns
    -------
    draft : DraftText
    """
    return _Writer(sighting, known, guess, families).write(photos, today)


class _Writer:
    """Collects the lines, and what is missing or guessed among them."""

    def __init__(self, sighting: Sighting, known: Known, guess: bool, families: Sequence[Family]) -> None:
        self.seen, self.known, self.guess, self.families = sighting, known, guess, families
        self.lines: list[str] = []
        self.missing: list[str] = []
        self.guessed: list[str] = []

    def write(self, photos: Sequence[str], today: date) -> DraftText:
        key = self.known.key or (self.seen.marks[0].text if self.seen.marks else None)
        size_mm, estimated = self._size()
        self.say(
            "# Draft from photos of one unit: correct it with the unit in hand. Lengths in mm, seen on the",
            "# plug face with the cast mark upright: x to the right, y up, 0, 0 in the middle of the face.",
        )
        self.fact("key", key, toml_text, "" if self.known.key else "by the cast mark", example='"..."')
        self.unseen("maker", self.known.maker, toml_text, usual="unknown")
        if self.seen.label.lines:
            self.say(f"# printed on the label: {'; '.join(self.seen.label.lines)}"[:108])
        self._controls_and_hazard()
        self.say(
            f"source = {toml_text('photos of one unit: ' + ', '.join(photos))}",
            f'date = "{today.isoformat()}"',
            "",
            "[body]",
        )
        self._body(size_mm, estimated)
        self._plugs(size_mm)
        self._marks(size_mm)
        self._label_and_variant()
        return DraftText(key, "\n".join(self.lines) + "\n", tuple(self.missing), tuple(self.guessed))

    def say(self, *lines: str) -> None:
        self.lines += lines

    def fact(
        self, name: str, value, form, note: str = "", *, example: str, what: str = "it", where: str = ""
    ) -> None:
        """A line that was seen or is known; else a comment that must be filled in."""
        if value is None:
            self.missing.append(f"{where}{name}")
            self.say(f"# {name} = {example}  # could not be seen: fill {what} in")
        else:
            self.say(f"{name} = {form(value)}" + (f"  # {note}" if note else ""))

    def unseen(self, name: str, value, form, *, usual, note: str = "", where: str = "") -> None:
        """A line for which there is a usual value when nothing was seen."""
        if value is not None:
            self.say(f"{name} = {form(value)}" + (f"  # {note}" if note else ""))
        elif self.guess:
            self.guessed.append(f"{where}{name}")
            self.say(f"{name} = {form(usual)}  # GUESS: {note or 'not seen, a usual value'}")
        else:
            self.missing.append(f"{where}{name}")
            self.say(f"# {name} = {form(usual)}  # {note or 'could not be seen; a usual value'}")

    def _size(self) -> tuple[tuple[float, float, float], bool]:
        if self.known.size_mm:
            return self.known.size_mm, False
        if self.seen.face_mm:
            width, height = (round(side) for side in self.seen.face_mm)
            return (float(width), float(height), USUAL_SIZE_MM[2]), True
        return USUAL_SIZE_MM, False

    def _controls_and_hazard(self) -> None:
        hazards = {"OG": "high voltage", "YE": "restraint"}
        hazard = next((hazards[code] for code in self.seen.hazard_colours), "none")
        if hazard != "none":
            self.say(
                'controls = "other"  # a unit with a warning colour is never proposed for a swap',
                f"hazard = {toml_text(hazard)}  # by the colour of a plug; harmless plugs can have it too",
                f"cautions = [{toml_text(HAZARD_CAUTIONS[hazard])}]",
            )
            return
        self.fact(
            "controls",
            self.known.controls,
            toml_text,
            example='"engine"',
            what="engine, gearbox, both or other",
        )

    def _body(self, size_mm: tuple[float, float, float], estimated: bool) -> None:
        how = "width and height by the usual sizes of its plugs, depth not seen" if estimated else ""
        self.unseen(
            "size_mm",
            self.known.size_mm,
            _numbers,
            usual=size_mm,
            note=how and f"{how}: measure it",
            where="body, ",
        )
        self.unseen("material", None, toml_text, usual="cast aluminium", where="body, ")
        for name, value in (("colour", self.seen.body_colour), ("fins", self.seen.fins)):
            usual = "GY" if name == "colour" else "none"
            if value is None:  # the entry is whole without them
                self.say(f'# {name} = "{usual}"  # not seen; left out, it counts neither for nor against')
            else:
                self.say(f"{name} = {toml_text(value)}")

    def _plugs(self, size_mm: tuple[float, float, float]) -> None:
        self.say("", "# Plugs in canonical order: row by row from the top, each row from left to right.")
        if not self.seen.plugs:
            self.missing.append("connectors")
            self.say(
                "# No plug was seen. One block for each:",
                "# [[connectors]]",
                '# colour = "GY"',
                '# size = "M"',
                "# pins = [2, 8]",
                "# at_mm = [0, 0]",
            )
        if self.seen.either_way_up:
            self.missing.append("connectors, which way is up (their order and places may be the reverse)")
            self.say("# CHECK: which way is up was not told; the order and places may be the reverse.")
        row = tuple((plug.colour, plug.size) for plug in self.seen.plugs)
        spread = place_plugs((row,), size_mm) if row else []
        for number, (plug, (_, usual)) in enumerate(zip(self.seen.plugs, spread, strict=True), start=1):
            self._plug(number, plug, usual, size_mm)

    def _plug(
        self, number: int, plug: SeenPlug, usual: tuple[float, float], size_mm: tuple[float, float, float]
    ) -> None:
        where = f"connectors no. {number}, "
        other = f", or {plug.other_colour[0]} {percent(plug.other_colour[1])}" if plug.other_colour else ""
        at = _scaled(plug.place, size_mm)
        self.say("", "[[connectors]]")
        if plug.colour_share < 0.1:  # all alike: the photo had no colours; a guess would hide a warning
            self.missing.append(f"{where}colour")
            self.say('# colour = "BK"  # the photo shows no colours: fill it in')
        else:
            self.say(f'colour = "{plug.colour}"  # {percent(plug.colour_share)}{other}')
        long = HOUSING_MM[plug.size][0]
        self.say(f'size = "{plug.size}"  # {percent(plug.size_share)}; {long[0]} to {long[1]} mm long')
        self.unseen(
            "pins",
            plug.pins,
            _numbers,
            usual=USUAL_PINS[plug.size],
            note="" if plug.pins else f"could not be counted; usual for {plug.size}",
            where=where,
        )
        self.unseen("at_mm", at, _numbers, usual=usual, note=_by_place(at), where=where)
        edge = _edge_beyond(at, plug, size_mm) if at else ""
        if edge:  # it has no room on the face: it looks out of an edge
            self.say(f'edge = "{edge}"  # by its place in the photo', 'opens = "sideways"')
        if plug.upright:
            self.say("turn_deg = 90  # its long side runs upright")

    def _marks(self, size_mm: tuple[float, float, float]) -> None:
        if not self.seen.marks:
            self.say("", "# No cast mark was read.", "# [[marks]]", '# text = "..."', "# at_mm = [0, 0]")
        for number, mark in enumerate(self.seen.marks):
            # Only the surest is entered: casting signs and dates are cast as well.
            sign = "" if number == 0 else "# "
            at = _scaled(mark.place, size_mm)
            height = max(round(mark.height * size_mm[1], 1), 1.0) if mark.height else None
            self.say(
                "", f"{sign}[[marks]]", f"{sign}text = {toml_text(mark.text)}  # {percent(mark.confidence)}"
            )
            if number:
                self.say(f"# at_mm = {_numbers(at or (0, 0))}")
                continue
            self.unseen("at_mm", at, _numbers, usual=(0, 0), note=_by_place(at), where="marks no. 1, ")
            if height is not None:
                self.say(f"height_mm = {height:g}")

    def _label_and_variant(self) -> None:
        label = self.seen.label
        number = label.number
        self.say("", "[label]")
        if label.other_numbers:
            self.say(f"# also read, and taken for something else: {', '.join(label.other_numbers)}")
        pattern = None
        if number:
            beside = pattern_beside(number, self.families) if self.families else ""
            pattern = beside or pattern_like([number], "number")
        self.fact(
            "service_number",
            pattern,
            toml_literal,
            "from one number: widen or narrow it as you learn more",
            example=r"'^\d{9}$'",
            where="label, ",
        )
        self._label_extras(label)
        self.say("", "[[variants]]")
        self.say(f"key = {toml_text(label.suffix or 'first')}")
        numbers = [number] if number else None
        self.fact("service_numbers", numbers, _texts, example='["..."]', where="variants no. 1, ")
        if label.suffix:
            self.say(f"suffixes = [{toml_text(label.suffix)}]")
        self.fact(
            "years",
            self.known.years,
            _numbers,
            example="[2000, 2005]",
            what="the model years of the donors",
            where="variants no. 1, ",
        )
        self.say(
            '# vehicles = ""',
            '# throttle = "unknown"  # cable, electronic, none, unknown',
            "# crank_teeth = 48",
            '# status = "unknown"  # usable, locked, unknown',
        )

    def _label_extras(self, label: SeenLabel) -> None:
        if label.suffix:
            self.say(f"suffix = {toml_literal(pattern_like([label.suffix], 'suffix'))}")
        else:
            self.say("# suffix = '^[A-Z]$'  # none was read")
        if label.suffix_caption:
            self.say(f"suffix_caption = {toml_text(label.suffix_caption)}")
        if label.barcode in ("Code 128", "Code 39", "Data Matrix", "QR"):
            self.say(f"barcode = {toml_text(label.barcode)}")
            if label.payload_has_suffix:
                self.say('barcode_payload = "number and suffix"')
        elif label.other_payload is not None:
            self.say(
                f"# A barcode was read that says no number that is printed: {toml_text(label.other_payload)}",
                '# barcode = "none"  # or its kind, if barcode_payload says how it holds the number',
            )
        else:
            self.say('# barcode = "none"  # Code 128, Code 39, Data Matrix, QR; none was read')


def _scaled(place: tuple[float, float] | None, size_mm: tuple[float, float, float]) -> tuple[int, int] | None:
    return (round(place[0] * size_mm[0]), round(place[1] * size_mm[1])) if place else None


def _edge_beyond(at: tuple[int, int], plug: SeenPlug, size_mm: tuple[float, float, float]) -> str:
    """The edge that a plug of the least size of its class reaches beyond, the farther of two; empty: none.

    A photo's outline holds plugs that stand out of an edge, so their middles seem to lie on the face.
    """
    (long, _), (wide, _) = HOUSING_MM[plug.size]
    width, height = (wide, long) if plug.upright else (long, wide)
    right, top = ((width - size_mm[0]) / 2, (height - size_mm[1]) / 2)
    x, y = at
    far, edge = max((right + x, "right"), (right - x, "left"), (top + y, "top"), (top - y, "bottom"))
    return edge if far > 0 else ""


def _by_place(at: tuple[int, int] | None) -> str:
    return "by its place in the photo: measure it" if at else ""


def _texts(values: Sequence[str]) -> str:
    return f"[{', '.join(map(toml_text, values))}]"


def _numbers(values: Sequence[float]) -> str:
    return f"[{', '.join(f'{value:g}' for value in values)}]"
