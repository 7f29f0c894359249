"""What photos say about a family that is in no catalogue yet."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import place_plugs
from plugface.models.catalogue.proposal import describe_unit, split_suffix
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from plugface.models.unit_choice import gather_views
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import Code, Connector, Observations, Quality, Text, Unit, WhiteBalance

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"

#: Vision without errors: everything is seen, and seen right.
FAULTLESS = ErrorModel(
    miss=0.0, extra=0.0, pins_measured=1.0, pins_exact=1.0, pins_close=0.0, place_measured=1.0,
    place_sd=0.0, place_shift=0.0, place_wild=0.0, turn_unknown=0.0, face_wrong=0.0, mark_read=1.0,
    label_found=1.0, line_read=1.0, barcode_read=1.0, character_lost=0.0, character_added=0.0,
    body_colour_right=1.0, fins_right=1.0, colour=tuple(map(tuple, np.eye(12).tolist())),
    size=tuple(map(tuple, np.eye(3).tolist())),
    character=tuple(map(tuple, np.eye(36).tolist())),
)  # fmt: skip
for name in (
    "label_torn",
    "kind_wrong",
    "mark_wrong",
    "mark_lost",
    "mark_added",
    "mark_elsewhere",
    "mark_unsure",
    "mark_cut",
):
    if hasattr(FAULTLESS, name):
        FAULTLESS = replace(FAULTLESS, **{name: 0.0})


def views_of(*observations):
    return gather_views(list(observations))


def upright(seen: Observations) -> Observations:
    return replace(seen, units=tuple(replace(unit, up_deg=90.0) for unit in seen.units))


@pytest.mark.parametrize("family", load_catalogue(DEMO).families, ids=lambda family: family.key)
def test_faultless_photos_give_back_what_the_catalogue_says(family):
    rng = np.random.default_rng(1)
    variant = family.variants[0]
    seen = [upright(draw_observations(family, variant, v, FAULTLESS, rng)) for v in ("front", "back")]
    found = describe_unit(views_of(*seen))
    assert [(p.colour, p.size, p.pins) for p in found.plugs] == [
        (c.colour, c.size, c.pins) for c in family.connectors
    ]
    # Shares of what is outlined, which is more than the body where plugs stand out of an edge.
    assert [list(p.place) for p in found.plugs] == place_plugs(family).tolist()
    assert {mark.text for mark in found.marks} == {mark.text for mark in family.marks}
    assert found.label.number in variant.service_numbers
    if variant.suffixes:
        assert found.label.suffix in variant.suffixes
    assert found.label.barcode == (None if family.label.barcode == "none" else family.label.barcode)
    # A lid of another colour leaves it open: one photo shows the one, one the other.
    told = (
        {family.body.colour}
        if family.body.lid_colour is None
        else {None, family.body.colour, family.body.lid_colour}
    )
    assert found.body_colour in told
    assert found.hazard_colours == tuple(
        code for code in ("OG", "YE") if code in {c.colour for c in family.connectors}
    )


def test_nothing_seen_leaves_everything_open():
    nothing = Observations("a", Quality(640, 480, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0.0))
    for views in ((), views_of(nothing)):
        found = describe_unit(views)
        assert (found.plugs, found.marks, found.face_mm, found.label.number) == ((), (), None, None)


def plug(x: float, code: str, share: float, *, ratio: float = 0.3, pins=None) -> Connector:
    rest = (1 - share) / (len(COLOUR_CODES) - 1)
    colour = {c: (share if c == code else rest) for c in COLOUR_CODES}
    box = ((x, 100.0), (x + 90, 100.0), (x + 90, 130.0), (x, 130.0))
    size = {"S": 0.02, "M": 0.08, "L": 0.9}
    return Connector(box, colour, size, ratio, 0.9, pins, ((x - 155) / 300, 0.2))


def front(sha: str, *plugs: Connector, up: float | None = 90.0, texts=()) -> Observations:
    outline = ((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0))
    unit = Unit(outline, 0.9, {"front": 0.95, "back": 0.05}, connectors=plugs, up_deg=up, texts=texts)
    quality = Quality(640, 480, 0.5, 0.0, 1.0)
    return Observations(sha, quality, WhiteBalance((1, 1, 1), "none", 0.0), units=(unit,))


def test_a_second_front_settles_a_colour_and_brings_the_pins():
    doubtful = front("a", plug(20, "GN", 0.45), plug(180, "BK", 0.9))
    clear = front("b", plug(20, "GN", 0.9, pins=(3, 8)), plug(180, "BK", 0.9))
    alone, both = describe_unit(views_of(doubtful)), describe_unit(views_of(doubtful, clear))
    assert both.plugs[0].colour_share > alone.plugs[0].colour_share
    assert (alone.plugs[0].pins, both.plugs[0].pins) == (None, (3, 8))


def test_the_face_is_estimated_from_the_usual_length_of_its_plugs():
    # An L housing is 55 to 80 mm long; 0.3 of the long side makes that 67.5 / 0.3 = 225 mm by 150 mm.
    found = describe_unit(views_of(front("a", plug(20, "GN", 0.9))))
    assert found.face_mm == pytest.approx((225, 150))
    sideways = describe_unit(views_of(front("a", plug(20, "GN", 0.9), up=180.0)))
    assert sideways.face_mm == pytest.approx((150, 225))
    assert (found.plugs[0].upright, sideways.plugs[0].upright) == (False, True)


def test_a_plug_that_may_be_orange_warns():
    assert describe_unit(views_of(front("a", plug(20, "OG", 0.5)))).hazard_colours == ("OG",)
    assert describe_unit(views_of(front("a", plug(20, "BK", 0.9)))).hazard_colours == ()


BOX = ((10.0, 10.0), (60.0, 10.0), (60.0, 20.0), (10.0, 20.0))


def label(*lines: str, codes=(), heights=None) -> Observations:
    heights = heights or [12.0] * len(lines)
    texts = tuple(Text(BOX, line, 0.9, "printed", h) for line, h in zip(lines, heights, strict=True))
    quality = Quality(640, 480, 0.5, 0.0, 1.0)
    white = WhiteBalance((1, 1, 1), "none", 0.0)
    return Observations("label", quality, white, texts=texts, codes=codes)


@pytest.mark.parametrize(
    ("lines", "codes", "number", "suffix", "caption"),
    [
        (("KD 4115/36 A",), (), "KD4115/36", "A", ""),
        (("KD4115/36", "REV R2"), (), "KD4115/36", "R2", "REV"),
        (("KD4115/36", "S/N 99887766"), (), "KD4115/36", None, ""),
        (("KD4115/36",), ("KD4115/36B",), "KD4115/36", "B", ""),
        (("K27 418/052",), ("K27418/052C",), "K27418/052", "C", ""),
        (("KD4115/30",), ("KD4115/36",), "KD4115/36", None, ""),  # the code reads without error
        (("BUILT 2004",), (), None, None, ""),
        (("KD4115/36", "KNOT 40", "REV E"), (), "KD4115/36", "E", "REV"),  # not of every short line
        (("KD4115/36", "VOLTS 12V"), (), "KD4115/36", None, ""),
        (("KD4115/36 A",), ("KD411536A",), "KD4115/36", "A", ""),  # the code leaves the sign out
        (("KD4115/36",), ("99887766", "KD4115/36B"), "KD4115/36", "B", ""),
        (("KD4115/36 A",), ("99887766",), "KD4115/36", "A", ""),
        (("SERVICE NO KD 4115/36 A",), (), "KD4115/36", "A", ""),
        (("PART NO. KD 4115/36 TYPE 12",), (), "KD4115/36", None, ""),
        (("KD 4115/36 DATE 12/04",), (), "KD4115/36", None, ""),
        (("KD 4115/36 Rev. A",), (), "KD4115/36", "A", ""),
        (("F 54664 KM C",), (), "F54664KM", "C", ""),
    ],
)
def test_number_and_suffix_are_told_from_the_rest(lines, codes, number, suffix, caption):
    codes = tuple(Code(BOX, "Code 128", payload, "verified") for payload in codes)
    found = describe_unit(views_of(label(*lines, codes=codes))).label
    assert (found.number, found.suffix, found.suffix_caption) == (number, suffix, caption)


def test_a_barcode_of_something_else_is_told_apart():
    serial = Code(BOX, "Code 128", "99887766", "verified")
    found = describe_unit(views_of(label("KD4115/36", codes=(serial,)))).label
    assert (found.barcode, found.other_payload) == (None, "99887766")
    number = Code(BOX, "Data Matrix", "KD4115/36", "verified")
    found = describe_unit(views_of(label("KD4115/36", codes=(serial, number)))).label
    assert (found.barcode, found.other_payload) == ("Data Matrix", None)


def test_a_number_that_is_cast_as_well_is_kept():
    cast = front("a", texts=(Text(BOX, "KD 4115/36", 0.9, "cast", 10.0),))
    found = describe_unit(views_of(cast, label("KD 4115/36 A", "99887766", heights=[14.0, 8.0])))
    assert (found.label.number, found.label.suffix) == ("KD4115/36", "A")


def test_of_two_numbers_the_larger_print_is_the_service_number():
    found = describe_unit(views_of(label("99887766", "KD4115/36", heights=[8.0, 14.0]))).label
    assert (found.number, found.other_numbers) == ("KD4115/36", ("99887766",))


def test_the_mark_on_the_label_is_no_suffix():
    cast = front("a", texts=(Text(BOX, "AUK 11", 0.9, "cast", 10.0),))
    found = describe_unit(views_of(cast, label("KD4115/36", "AUK 11", "AU 11")))
    assert found.label.suffix is None


@pytest.mark.parametrize(
    ("line", "parts"),
    [
        ("KD 4115/36", ("KD4115/36", None)),
        ("KD4115-36 R2", ("KD4115-36", "R2")),
        ("PK 2104/16", ("PK2104/16", None)),
        ("A", ("A", None)),
    ],
)
def test_suffixes_are_split_off(line, parts):
    assert split_suffix(line) == parts
