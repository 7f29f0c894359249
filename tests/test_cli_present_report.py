"""The foreman's page: self-contained, cautions first, safe with any file name, pairs within a lot."""

import base64
import io
import os
import re
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import zxingcpp
from PIL import Image
from plugface.cli.lot.grouped import Grouped
from plugface.cli.present.report.overlay import _place_tags, describe, draw_overlay
from plugface.cli.present.report.page import Card, Picture, _data_uri, render_labels, render_report
from plugface.cli.present.report.pairing import Pairable, find_pairs, read_plates
from plugface.cli.present.report.printing import PROGRAMS, print_page
from plugface.cli.present.report.rows import UnitRow, _settle, list_rows, may_pair, say_twice
from plugface.cli.settings import demo_folder
from plugface.cli.store.ledger import (
    Confirmation,
    Ledger,
    Lot,
    Proposal,
    View,
    record_lot,
    record_photo,
    record_unit,
)
from plugface.cli.store.ledger import Unit as LedgerUnit
from plugface.models.catalogue.entries import Catalogue, load_catalogue
from plugface.models.decision import placement
from plugface.models.decision.answers import Candidate, Caution, Decision, NextPhoto, VariantChance
from plugface.models.grouping import LABEL_PREFIX
from plugface.vision.observations import Connector, Observations, Quality, Unit, WhiteBalance
from sqlalchemy import select

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")
LOT = Lot(key="pallet-1", name="pallet", source="/photos", market="", created_at="")


def card(key: str, destination: str, **other) -> Card:
    """One unit on the page."""
    usual = {
        "sign": placement.SIGNS[destination],
        "bin": destination.upper(),
        "verdict": "identified",
        "answer": "DUNLIN 6 first",
        "probability": 0.998,
        "expected_cost": 0.4,
        "message": "Words.",
        "findings": "",
        "cautions": (),
        "method": "file name",
        "files": (f"{key}.jpg",),
    }
    return Card(key=key, destination=destination, **(usual | other))


def observations() -> Observations:
    """A front with two plugs."""
    square = ((10.0, 10.0), (90.0, 10.0), (90.0, 60.0), (10.0, 60.0))
    plugs = tuple(Connector(square, {c: 1.0}, {"M": 1.0}, 0.3, 0.9) for c in ("BN", "WH"))
    unit = Unit(square, 0.9, {"front": 1.0, "back": 0.0}, plugs)
    return Observations(
        "a" * 64, Quality(100, 75, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0.0), (unit,)
    )


def decision(verdict="identified", families=("DUNLIN 6",), variants=("first",), **other) -> Decision:
    """A decision with one candidate for each family."""
    candidates = tuple(Candidate(f, 1.0, 0.99, (), (VariantChance("x", 0.9),)) for f in families)
    return Decision(verdict, "Words.", candidates, families, variants, **other)


@pytest.mark.parametrize(
    ("given", "destination", "bin"),
    [
        (decision(), "family bin", "DUNLIN 6 (HW-D6)"),
        (decision(variants=("second",)), "locked", "LOCKED DUNLIN 6"),
        (decision(variants=("first", "second")), "look-alike bench", "BENCH DUNLIN 6 first/second"),
        (decision(variants=()), "look-alike bench", "BENCH DUNLIN 6 first/second/south"),
        (decision(families=("REDSHANK 2",), variants=("home",)), "family bin", "REDSHANK 2 (HW-R2)"),
        (decision(families=("REDSHANK 2",), variants=("south",)), "wrong market", "WRONG MARKET south"),
        (decision("ambiguous", ("KNOT 40", "KNOT 41"), ()), "look-alike bench", "BENCH KNOT 40 / KNOT 41"),
        (decision("ambiguous", ("CURLEW 3", "GANNET 8"), ()), "hazard", "HAZARD high voltage"),
        (decision(families=("PUFFIN 2",), variants=("only",)), "hazard", "HAZARD restraint"),
        (decision("not_in_catalogue", ()), "not in catalogue", "NOT IN CATALOGUE"),
        (
            decision("not_in_catalogue", (), cautions=(Caution("high voltage", "Orange."),)),
            "hazard",
            "HAZARD high voltage",
        ),
        (decision(cautions=(Caution("high voltage", "Orange."),)), "family bin", "DUNLIN 6 (HW-D6)"),
        (decision("unreadable", (), next_photo=NextPhoto("back", 1.0, "Take the back.")), "retake", "RETAKE"),
    ],
)
def test_where_a_unit_goes(given, destination, bin):
    place = placement.assign_place(given, CATALOGUE, market="home port")
    assert (place.destination, place.bin) == (destination, bin)


def test_a_market_is_the_same_in_large_and_small_letters():
    south = decision(families=("REDSHANK 2",), variants=("south",))
    assert placement.assign_place(south, CATALOGUE, market=" South").destination == "family bin"
    assert placement.assign_place(south, CATALOGUE, market=" ").destination == "family bin"


def test_a_unit_on_the_bench_always_comes_with_something_to_do():
    unsure = decision("ambiguous", ("KNOT 40", "KNOT 41"), ())
    assert placement.assign_place(unsure, CATALOGUE).message == f"Words. {placement.BY_HAND}"
    helped = decision("ambiguous", ("KNOT 40",), (), next_photo=NextPhoto("back", 1.0, "Take the back."))
    assert placement.assign_place(helped, CATALOGUE).message == "Take the back."
    either = placement.assign_place(decision(variants=("first", "second")), CATALOGUE)
    assert either.message.startswith("DUNLIN 6, but first, second remain and second is locked.")


def test_a_finding_keeps_a_unit_out_of_its_bin_but_not_a_hazard_from_being_one():
    assert (
        placement.assign_place(decision(), CATALOGUE, findings=("Two units?",)).destination
        == "look-alike bench"
    )
    hazard = decision(families=("GANNET 8",), variants=("only",))
    assert placement.assign_place(hazard, CATALOGUE, findings=("Two units?",)).destination == "hazard"


def test_expected_cost_is_probability_of_error_times_its_cost():
    assert placement.expected_cost(decision()) == pytest.approx(
        (1 - 0.99 * 0.9) * 200
    )  # costs: models/decision/costs.py
    assert placement.expected_cost(decision(variants=("a", "b"))) == pytest.approx(0.01 * 200)
    refused = Decision("not_in_catalogue", "", decision().candidates, unknown_probability=0.98)
    assert placement.expected_cost(refused) == pytest.approx(0.02 * 20)
    assert placement.expected_cost(Decision("unreadable", "", ())) == 1.0


def test_the_page_needs_no_other_file_and_shows_cautions_first():
    picture = Picture(
        "a_front.jpg",
        "data:image/jpeg;base64,AAAA",
        draw_overlay(seen := observations(), seen.units[0]),
        800,
        600,
    )
    cards = [
        card("A-0001", "family bin", pictures=(picture,)),
        card("A-0002", "hazard", cautions=("Orange plugs: high voltage.",)),
    ]
    page = render_report(LOT, CATALOGUE, cards, [], ["1 photo could not be read."])
    linked = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert all(target.startswith(("data:", "#")) for target in linked)
    assert "<script" not in page
    assert "invented demo data" in page
    assert (
        page.index("1 unit can hurt someone")
        < page.index("What goes where")
        < page.index("1 photo could not")
    )
    assert 'width="800" height="600"' in page  # a link to a unit lands there, though pictures above come late
    cautions = page[: page.index("What goes where")]
    assert 'href="#A-0002"' in cautions
    assert all(target[1:] in re.findall(r'id="([^"]*)"', page) for target in linked if target.startswith("#"))


def test_each_unit_stands_once_on_a_page_of_many():
    picture = Picture("a.jpg", "", draw_overlay(seen := observations(), seen.units[0]), 800, 600)
    cards = [card(f"A-{n:03}", "family bin", pictures=(picture,) if n % 5 == 0 else ()) for n in range(90)]
    page = render_report(LOT, CATALOGUE, cards, [], [])
    assert sorted(re.findall(r'id="(A-\d+)"', page)) == [one.key for one in cards]
    assert page.count('<article class="card"') == 18 + 60
    assert "12 more without pictures" in page


def test_every_bin_has_a_sign_and_a_name_so_that_colour_is_not_needed():
    assert len(set(placement.SIGNS.values())) == len(placement.SIGNS) == len(placement.MEANINGS)
    page = render_report(
        LOT, CATALOGUE, [card(f"A-{n}", name) for n, name in enumerate(placement.SIGNS)], [], []
    )
    for name, sign in placement.SIGNS.items():
        assert re.search(rf'<span class="sign">{re.escape(sign)}</span> {name}', page)


def test_file_names_and_read_texts_cannot_become_markup():
    nasty = '<img src=x onerror=alert(1)>"'
    cards = [
        card("A-1", "family bin", bin=nasty, message=nasty, findings=nasty, files=(nasty,), cautions=(nasty,))
    ]
    assert "<img src=x" not in render_report(LOT, CATALOGUE, cards, [], [nasty])
    assert "<img src=x" not in render_labels(LOT, cards)


def test_check_by_hand_first_is_sorted_by_cost():
    cards = [card(f"A-{cost}", "family bin", expected_cost=cost) for cost in (3.0, 0.2, 9.0, 1.0)]
    page = render_report(LOT, CATALOGUE, cards, [], [])
    listed = page[page.index("Check by hand first</h2>") : page.index("Pairs inside")]
    assert re.findall(r'href="#A-([\d.]+)"', listed) == ["9.0", "3.0", "1.0"]
    assert listed.count(placement.BY_HAND) == 3


def test_a_unit_with_a_finding_is_checked_by_hand_however_cheap():
    cards = [card("A-1", "family bin", expected_cost=0.2), card("A-2", "hazard", findings="Two ids.")]
    page = render_report(LOT, CATALOGUE, cards, [], [])
    listed = page[page.index("Check by hand first</h2>") : page.index("Pairs inside")]
    assert re.findall(r'href="#(A-\d)"', listed) == ["A-2"]


def test_a_bin_says_how_many_of_it_may_count_already():
    cards = [card(key, "family bin", bin="WREN") for key in ("A-1", "A-2", "A-3")]
    grouped = Grouped({}, 2, {"A-1": ("A-2",), "A-2": ("A-1",)})
    page = render_report(LOT, CATALOGUE, cards, [], [], grouped)
    assert "(2 of them may be a unit that counts already)" in page
    assert "of them may be a unit" not in render_report(LOT, CATALOGUE, cards, [], [])


def test_a_hidden_number_is_painted_over_with_a_margin_and_what_cannot_be_is_not_shown(tmp_path):
    small, seen = tmp_path / "a.jpg", observations()  # of 100 by 75 pixels, shown at twice that
    Image.new("RGB", (200, 150), (255, 255, 255)).save(small, quality=95)
    number = ((20.0, 30.0), (60.0, 30.0), (60.0, 40.0), (20.0, 40.0))  # 10 high: 3 more on each side
    data = base64.b64decode(_data_uri(small, [number], seen).partition(",")[2])
    with Image.open(io.BytesIO(data)) as painted:
        said = [painted.convert("L").getpixel((80, 2 * y)) > 128 for y in (24, 28, 35, 42, 46)]
    assert said == [True, False, False, False, True]
    small.write_bytes(b"no picture")
    assert _data_uri(small, [number], seen) == ""
    assert _data_uri(small, [], seen) != ""


def test_a_caution_that_an_answer_leaves_open_is_to_be_checked_by_hand():
    cards = [
        card("A-1", "look-alike bench", cautions=("S is locked and is not ruled out.",)),
        card("A-2", "look-alike bench"),
        card("A-3", "hazard", cautions=("Orange.",)),
    ]
    page = render_report(LOT, CATALOGUE, cards, [], [])
    listed = page[page.index("Check by hand first</h2>") : page.index("Pairs inside")]
    assert re.findall(r'href="#(A-\d)"', listed) == ["A-1"]


def test_an_overlay_says_in_words_what_it_draws():
    assert describe(observations().units[0]) == "Photo of the front; plugs in order: brown, white."
    assert describe(None) == "Photo in which no unit was found."
    drawn = str(draw_overlay(seen := observations(), seen.units[0]))
    assert "1 BN" in drawn
    assert 'viewBox="0 0 400 300"' in drawn
    upright = replace(observations(), quality=replace(observations().quality, width_px=75, height_px=100))
    assert 'viewBox="0 0 400 533"' in str(
        draw_overlay(upright, upright.units[0])
    )  # as wide: its tags are no larger


def test_tags_of_the_overlay_hide_no_other_and_are_not_cut_off():
    corners = [(x, y) for y in (1.0, 5.0, 96.0) for x in (1.0, 6.0, 94.0)]
    plugs = tuple(
        Connector(((x, y), (x + 4, y), (x + 4, y + 3), (x, y + 3)), {"GN": 1.0}, {"M": 1.0}, None, 0.9)
        for x, y in corners
    )
    seen = observations()
    unit = replace(seen.units[0], connectors=plugs)
    upright = replace(seen, units=(unit,), quality=replace(seen.quality, width_px=100, height_px=100))
    drawn = str(draw_overlay(upright, unit))
    tags = re.findall(r'<rect class="tag" x="(-?\d+)" y="(-?\d+)" width="42" height="20"', drawn)
    places = [(int(x), int(y)) for x, y in tags]
    assert len(places) == len(plugs)
    assert all(0 <= x <= 400 - 42 and 0 <= y <= 400 - 20 for x, y in places)
    for k, (x, y) in enumerate(places):
        assert all(abs(x - other) >= 41 or abs(y - low) >= 19 for other, low in places[:k])  # rounded
    assert drawn.count("<line ") >= 6  # the moved ones are still joined to their plugs
    alone = replace(unit, connectors=plugs[4:5])  # a plug with room round it carries its tag
    drawn = str(draw_overlay(replace(upright, units=(alone,)), alone))
    assert ("<line " in drawn, 'x="11" y="16"' in drawn) == (False, True)


def test_a_tag_that_is_moved_is_not_put_on_another_plug():
    # The second has no room on its plug; above it would lie on the third, whose tag is still to come.
    middles = [(200.0, 200.0), (205.0, 200.0), (205.0, 178.0)]
    assert _place_tags(middles, 400.0) == [middles[0], (205.0, 222.0), middles[2]]


def test_plugs_on_no_unit_are_drawn_without_a_number():
    square = ((10.0, 10.0), (30.0, 10.0), (30.0, 30.0), (10.0, 30.0))
    loose = tuple(Connector(square, {code: 1.0}, {"M": 1.0}, None, 0.9) for code in ("GN", "OG"))
    close_up = replace(observations(), units=(), loose=loose)
    words = "Photo in which no unit was found; plugs on no outlined unit: green, orange."
    assert describe(None, loose) == words
    drawn = str(draw_overlay(close_up, None))
    assert words in drawn
    assert drawn.count('class="plug"') == 2
    assert (">GN</text>" in drawn, ">OG</text>" in drawn) == (True, True)
    beside = replace(observations(), loose=loose[:1])
    assert describe(beside.units[0], beside.loose) == (
        "Photo of the front; plugs in order: brown, white; plugs on no outlined unit: green."
    )
    assert ">GN</text>" in str(draw_overlay(beside, beside.units[0]))


def test_a_label_is_read_back_as_the_id_of_its_unit(tmp_path):
    page = render_labels(LOT, [card("ABCDE-0001", "family bin")])
    (drawn,) = re.findall(r"<svg.*?</svg>", page, re.S)
    side = int(re.search(r'viewBox="0 0 (\d+)', drawn).group(1))
    grid = np.full((side, side), 255, np.uint8)
    x, y = 0.0, 0.0
    for step, values in re.findall(r"([Mmh])([\d. -]+)", re.search(r' d="([^"]*)"', drawn).group(1)):
        numbers = [float(value) for value in re.findall(r"-?[\d.]+", values)]
        if step == "h":
            grid[int(y), int(x) : int(x + numbers[0])] = 0
            x += numbers[0]
        elif step == "M":
            x, y = numbers
        else:
            x, y = x + numbers[0], y + numbers[1]
    picture = cv2.resize(grid, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST)
    (code,) = zxingcpp.read_barcodes(picture)
    assert code.text == f"{LABEL_PREFIX}ABCDE-0001"


def test_pairs_by_plate_before_folder_before_years_and_each_unit_once():
    plate = frozenset({"DONOR77X4K29"})
    units = [
        Pairable("E1", "AUK 11", ("late",), "pallet"),
        Pairable("E2", "AUK 11", ("late",), "", plate),
        Pairable("P1", "PLOVER 7", ("only",), "pallet", plate),
        Pairable("P2", "PLOVER 7", ("only",), "pallet"),
        Pairable("K1", "KNOT 40", ("G",), "pallet"),
    ]
    pairs = find_pairs(units, CATALOGUE)
    assert [(p.engine.key, p.partner.key, p.same_donor) for p in pairs] == [
        ("E2", "P1", True),
        ("E1", "P2", True),
    ]
    assert pairs[0].reasons[0] == "same number beside both"
    named = find_pairs(units, CATALOGUE, donor_numbers=True)
    assert named[0].reasons[0] == "same number beside both (DONOR77X4K29)"


def test_an_engine_unit_has_its_injector_driver_and_its_gearbox_unit_beside_it():
    units = [
        Pairable("E1", "AUK 11", ("late",), "a"),
        Pairable("E2", "AUK 12", ("home",), "b"),
        Pairable("P1", "PLOVER 7", ("only",), "a"),
        Pairable("G1", "DUNLIN 1", ("five-speed",), "b"),
        Pairable("G2", "DUNLIN 1", ("five-speed",), "b"),
        Pairable("X1", "PUFFIN 2", ("only",), "a"),
    ]
    pairs = {(p.engine.key, p.partner.key): p.same_donor for p in find_pairs(units, CATALOGUE)}
    # The driver lies beside E1; AUK 12 has no gearbox unit, and nothing pairs with a hazard.
    assert pairs == {("E1", "P1"): True, ("E1", "G1"): False}


def with_pairing(*, auk=None, plover=None):
    """The catalogue with fields of AUK 11 and PLOVER 7 changed."""
    changed = {"AUK 11": auk, "PLOVER 7": plover}
    families = (f.model_copy(update=changed.get(f.key)) for f in CATALOGUE.families)
    return Catalogue.model_construct(head=CATALOGUE.head, families=tuple(families))


def test_a_hazardous_helper_is_half_of_no_pair_whatever_names_it():
    units = [Pairable("E1", "AUK 11", ("late",), ""), Pairable("P1", "PLOVER 7", ("only",), "")]
    assert len(find_pairs(units, CATALOGUE)) == 1
    assert find_pairs(units, with_pairing(plover={"hazard": "restraint"})) == []


def test_one_donor_is_asked_for_where_either_entry_says_so():
    units = [Pairable("E1", "AUK 11", ("late",), ""), Pairable("P1", "PLOVER 7", ("only",), "")]
    (rule,) = CATALOGUE.by_key["PLOVER 7"].pairing
    strict = rule.model_copy(update={"families": ("PLOVER 7",), "same_donor": ("PLOVER 7",)})
    lax = strict.model_copy(update={"same_donor": ()})
    (pair,) = find_pairs(units, with_pairing(auk={"pairing": (lax,)}))
    assert pair.same_donor  # for PLOVER 7 says so
    other = rule.model_copy(update={"same_donor": ()})
    (pair,) = find_pairs(units, with_pairing(auk={"pairing": (strict,)}, plover={"pairing": (other,)}))
    assert pair.same_donor  # for AUK 11 says so
    (pair,) = find_pairs(units, with_pairing(auk={"pairing": (lax,)}, plover={"pairing": (other,)}))
    assert not pair.same_donor


def test_years_that_cannot_meet_are_no_pair():
    old, new = Pairable("E", "AUK 11", ("late",), ""), Pairable("G", "DUNLIN 1", ("four-speed",), "")
    assert len(find_pairs([old, new], CATALOGUE)) == 1  # both in 2000
    old, new = Pairable("E", "SANDERLING 9", ("late",), ""), Pairable("G", "DUNLIN 1", ("five-speed",), "")
    assert find_pairs([old, new], CATALOGUE) == []  # 2007-2010 against 2000-2004
    assert find_pairs([], CATALOGUE) == []


def test_variants_that_are_locked_or_for_another_market_make_no_pair():
    engine = Pairable("E", "CURLEW 5", ("automatic",), "")  # 2001-2004
    gearbox = Pairable("G", "DUNLIN 6", ("first", "second", "south"), "")
    (pair,) = find_pairs([engine, gearbox], CATALOGUE, market=" North ")
    assert pair.reasons == ("model years meet (2001 to 2003)",)  # of first alone
    assert pair.doubts == ("only if G is not the locked second", "only if G is not south for south")
    page = render_report(LOT, CATALOGUE, [], [pair], [])
    assert "only if G is not the locked second; only if G is not south for south" in page
    assert find_pairs([engine, replace(gearbox, variants=("second",))], CATALOGUE) == []
    assert find_pairs([engine, replace(gearbox, variants=("south",))], CATALOGUE, market="north") == []
    (pair,) = find_pairs([engine, replace(gearbox, variants=("south",))], CATALOGUE, market="South ")
    assert pair.doubts == ()


def test_years_between_those_of_two_variants_are_no_pair():
    families = [
        family.model_copy(
            update={"variants": tuple(v.model_copy(update={"years": (2002, 2003)}) for v in family.variants)}
        )
        if family.key == "CURLEW 5"
        else family.model_copy(
            update={
                "variants": (
                    family.variants[0].model_copy(update={"years": (1999, 2001)}),
                    family.variants[2].model_copy(update={"years": (2004, 2005)}),
                )
            }
        )
        for family in (CATALOGUE.by_key["CURLEW 5"], CATALOGUE.by_key["DUNLIN 6"])
    ]
    catalogue = Catalogue.model_construct(head=CATALOGUE.head, families=tuple(families))
    units = [Pairable("E", "CURLEW 5", (), ""), Pairable("G", "DUNLIN 6", (), "")]
    assert find_pairs(units, catalogue) == []


def test_which_of_two_units_that_fit_alike_is_taken_is_said_to_be_open():
    one, two = (Pairable(key, "AUK 11", ("late",), "a") for key in ("E1", "E2"))
    driver, far = Pairable("P1", "PLOVER 7", ("only",), "a"), Pairable("P2", "PLOVER 7", ("only",), "b")
    gearbox = Pairable("G1", "DUNLIN 1", ("five-speed",), "b")
    (pair,) = find_pairs([one, two, driver], CATALOGUE)
    assert pair.doubts == ("E2 fits as well: the papers decide",)
    assert "E2 fits as well" in render_report(LOT, CATALOGUE, [], [pair], [])
    (pair,) = find_pairs([one, driver, replace(driver, key="P3")], CATALOGUE)
    assert pair.doubts == ("P3 fits as well: the papers decide",)
    assert [p.doubts for p in find_pairs([one, driver, far, gearbox], CATALOGUE)] == [(), ()]
    (pair,) = find_pairs([one, replace(two, folder="b"), driver], CATALOGUE)
    assert pair.doubts == ()
    many = [replace(one, key=f"E{n}") for n in range(5)]
    (pair,) = find_pairs([*many, driver], CATALOGUE)
    assert pair.doubts == ("E1, E2, E3 and others fit as well: the papers decide",)


def test_plates():
    assert read_plates(["VIN 77-X4 K290 1", "hello there", "1234"]) == {"VIN77X4K2901"}


@pytest.mark.parametrize(
    ("given", "may"),
    [
        (("family bin", "", decision()), True),
        (("look-alike bench", "", decision(variants=("first", "second"))), True),
        (("look-alike bench", "", decision("ambiguous")), False),
        (("look-alike bench", "Two units?", decision()), False),
        (("locked", "", decision()), False),
        (("retake", "", None), False),
    ],
)
def test_a_unit_that_is_not_settled_is_half_of_no_pair(given, may):
    assert may_pair(*given) == may


@pytest.mark.parametrize(
    ("findings", "half"), [("", ("DUNLIN 6", ("first",))), ("The label names two variants.", None)]
)
def test_a_unit_that_a_person_confirmed_is_half_of_no_pair_while_something_is_found_on_it(findings, half):
    found = Confirmation(family="DUNLIN 6", variant="first")
    row = UnitRow(LedgerUnit(key="A-1"), Proposal(findings=findings), None, found)
    assert _settle(row, CATALOGUE) == half


def test_a_broken_photo_that_could_be_read_since_is_no_row_any_more(filled_yard):
    folder, _hashes = filled_yard
    with closing(Ledger(folder / "ledger.sqlite")) as ledger:
        with ledger.transaction() as session:
            (lot,) = session.scalars(select(Lot.id).filter_by(key="N"))
            shown = session.scalars(select(View.photo_id)).first()
            for key, photo in (("N-0004", shown), ("N-0005", None)):
                broken = record_unit(session, lot, key, method="broken photo", group_key=f"unread:{key}")
                if photo:  # looked at again, and seen
                    session.add(View(unit_id=broken.id, photo_id=photo, part=-1))
        with ledger.reading() as session:
            listed = [row.unit.key for row in list_rows(session, lot, undecided=True)]
    assert listed == ["N-0001", "N-0002", "N-0003", "N-0005"]


def test_another_unit_of_the_same_photo_is_not_in_the_total_twice(tmp_path):
    with closing(Ledger(tmp_path / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        photo = record_photo(session, "a" * 64, 500)
        for key, part in (("A", 0), ("B", 1), ("C", 1)):
            lot = record_lot(session, key, name=key, source="")
            unit = record_unit(session, lot, f"{key}-0001", method="one of 2 in a photo", group_key="g")
            session.add(View(unit_id=unit.id, photo_id=photo, part=part))
        assert say_twice(session) == [
            "In the total twice: 1 unit of lot C, with the same photos as in lot B."
        ]


def test_pdf(tmp_path, monkeypatch):
    page = tmp_path / "page.html"
    page.write_text(render_report(LOT, CATALOGUE, [card("A-1", "family bin")], [], []))
    if shutil.which("chromium"):
        assert print_page(page, tmp_path / "page.pdf") == ""
        assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
        monkeypatch.chdir(tmp_path)
        assert (
            print_page(Path("page.html"), Path("here.pdf")) == ""
        )  # a run folder named from where one stands
        assert Path("here.pdf").read_bytes().startswith(b"%PDF")
    monkeypatch.setenv("PATH", str(tmp_path))
    problem = print_page(page, tmp_path / "other.pdf")
    assert "Chromium was not found" in problem
    assert "print it to PDF there" in problem
    assert not (tmp_path / "other.pdf").exists()
    assert list(Path(tmp_path).glob(".*")) == []


@pytest.mark.skipif(os.name != "posix", reason="the stand-in for Chromium is a shell script")
def test_an_empty_file_is_no_pdf(tmp_path, monkeypatch):
    page, program = tmp_path / "page.html", tmp_path / PROGRAMS[0]
    page.write_text("<p>")
    program.write_text(
        '#!/bin/sh\nfor said; do case "$said" in --print-to-pdf=*) : > "${said#*=}";; esac; done\n'
    )
    program.chmod(0o700)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert "Chromium could not print it" in print_page(page, tmp_path / "page.pdf")
    assert not (tmp_path / "page.pdf").exists()


def test_a_list_of_variants_on_a_label_may_break_after_each_stroke_alone():
    made = card(
        "ABCDE-0001", "family bin", bin="AUK 11: E/F-2/<north>", answer="WREN 9 a/b", found="KNOT 40 c/d"
    )
    page = render_labels(LOT, [made])
    assert "AUK 11: E/<wbr>F\N{NON-BREAKING HYPHEN}2/<wbr>&lt;north&gt;</div>" in page
    assert "WREN 9 a/<wbr>b</div>" in page
    assert "KNOT 40 c/<wbr>d</div>" in page
