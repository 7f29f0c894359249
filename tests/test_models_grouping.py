"""Which photos are put together, by which rule, and what is left apart."""

import hashlib
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.lot.sorting import _service_number_test
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.grouping import (
    MAX_PHOTOS,
    PAUSE_S,
    PhotoSummary,
    UnitSummary,
    choose_paths,
    group_shots,
    make_shot,
    name_time,
    name_unit,
)
from plugface.models.unit_choice import UnitIndex, list_units
from plugface.vision.observations import Code, Connector, Observations, Quality, Unit, WhiteBalance

START = datetime(2026, 11, 20, 10, 0, 0)


def shot(path, second=None, *, face="front", plugs=("BN",), ids=(), camera=True, body=None, usable=True):
    """One photo of one unit; `second` after START, None: no time."""
    units = {
        "front": (UnitSummary(0, 1.0, tuple(plugs), body or {}),),
        "back": (UnitSummary(0, 0.0, (), body or {}),),
        "close-up": (),
    }[face]
    taken_at = None if second is None else START + timedelta(seconds=second)
    return PhotoSummary(
        path, hashlib.sha256(path.encode()).hexdigest(), taken_at, camera, tuple(ids), units, usable
    )


def paths(groups):
    """Method -> paths of each group, in order."""
    return [(group.method, [shot.path for shot in group.shots]) for group in groups]


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("crate7_front.jpg", "crate7"),
        ("crate7-back.JPG", "crate7"),
        ("crate 7 label 2.heic", "crate 7"),
        ("a/b/u12_1.jpg", None),  # a number may count units
        ("u12_02.png", None),
        ("u12_label_02.png", "u12"),
        ("7_front.jpg", "7"),
        ("Größe7_front.jpg", "Größe7"),
        ("IMG_0042.jpg", None),
        ("IMG_42.jpg", None),
        ("PXL_20261125_101112345.jpg", None),
        ("20261125_101112.jpg", None),
        ("20261125_10.jpg", None),
        ("unit_7.jpg", None),
        ("front.jpg", None),
        ("front_1.jpg", None),
        ("left side.jpg", None),
        ("u7_left_side_1.jpg", "u7"),
        ("left_front.jpg", "left"),
        ("label 1 front.jpg", None),
        ("DSC_12.jpg", None),
        ("IMG_0042_front.jpg", "IMG_0042"),
    ],
)
def test_the_file_name_rule(name, unit):
    assert name_unit(name) == unit


def test_sub_folder_comes_before_name_id_and_time():
    shots = [shot("a/x_front.jpg", 0, ids=("C1",)), shot("a/IMG_2.jpg", 5000, face="back", ids=("C1",))]
    assert paths(group_shots(shots)) == [("sub-folder", ["a/IMG_2.jpg", "a/x_front.jpg"])]


def test_a_folder_whose_names_speak_of_several_units_is_a_pile():
    shots = [shot("day/u1_front.jpg"), shot("day/u1_back.jpg", face="back"), shot("day/u2_front.jpg")]
    assert paths(group_shots(shots)) == [
        ("file name", ["day/u1_back.jpg", "day/u1_front.jpg"]),
        ("file name", ["day/u2_front.jpg"]),
    ]


@pytest.mark.parametrize("stem", ["front", "ecu", "u7"])
def test_a_number_alone_counts_units_as_well_as_photos(stem):
    later = [shot(f"{stem}_1.jpg", 0), shot(f"{stem}_2.jpg", 1800, face="back")]
    assert [len(group.shots) for group in group_shots(later)] == [1, 1]
    alike = [shot(f"{stem}_1.jpg"), shot(f"{stem}_2.jpg")]
    assert [len(group.shots) for group in group_shots(alike)] == [1, 1]
    in_a_row = [shot(f"{stem}_1.jpg", 0), shot(f"{stem}_2.jpg", 20, face="back")]
    assert [len(group.shots) for group in group_shots(in_a_row)] == [2]


@pytest.mark.parametrize("folder", ["", "day/"])
@pytest.mark.parametrize("seconds", [(0, 10, 20), (None, None, None)])
def test_what_stands_before_a_number_parts_photos(folder, seconds):
    """The close-up is of the second unit, though it follows the first one's photos."""
    names = ("u1_1.jpg", "u1_2.jpg", "u2_1.jpg")
    shots = [
        shot(folder + name, second, face=face)
        for name, second, face in zip(names, seconds, ("front", "back", "close-up"), strict=True)
    ]
    assert [len(group.shots) for group in group_shots(shots)] == [2, 1]
    coded = [replace(each, codes=("58203317AA",)) for each in (shots[0], shots[2])]
    assert [len(group.shots) for group in group_shots(coded)] == [1, 1]


def test_one_number_in_two_folders_is_two_units_and_a_time_in_a_name_is_no_number():
    piles = [shot("a/u1_1.jpg", 0), shot("b/u1_2.jpg", 10, face="back")]
    piles += [shot("a/u2_1.jpg", 1000), shot("b/u3_1.jpg", 2000)]
    assert [len(group.shots) for group in group_shots(piles)] == [1, 1, 1, 1]
    said = [shot("2026-11-28 10.11.50.jpg", camera=False)]
    said += [shot("2026-11-28 10.12.10.jpg", face="back", camera=False)]
    assert [len(group.shots) for group in group_shots(said)] == [2]


@pytest.mark.parametrize(
    ("names", "sizes"),
    [
        ("1_front 2_label", [2]),
        ("01_front 02_back 03_label", [3]),
        ("a_front b_back d_label", [3]),
        ("front_1 back_1 label_1", [3]),
        ("ecu_1 ecu_2 ecu_3", [3]),
        ("1_front 2_back 3_label 4_label", [4]),
        ("1_front 2_label 3_label 4_label", [1, 1, 1, 1]),
        ("1_label 2_label", [1, 1]),
        ("front back left_side right-side", [4]),
        ("front type_plate service_label_2", [3]),
        ("left_front right_front left_side", [1, 1, 1]),
        ("1_front 1_back 2_label", [2, 1]),
        ("1_front 2_front", [1, 1]),
        ("u1_front u2_back", [1, 1]),
        ("u1_1 u2_1", [1, 1]),
    ],
)
def test_names_in_a_folder_that_part_it_and_those_that_do_not(names, sizes):
    shots = [shot(f"u2/{name}.jpg", number * 1000) for number, name in enumerate(names.split())]
    assert sorted((len(group.shots) for group in group_shots(shots)), reverse=True) == sizes


def test_a_folder_with_too_many_photos_is_a_pile():
    shots = [shot(f"day/IMG_{n:04d}.jpg", n * 1000) for n in range(MAX_PHOTOS + 1)]
    assert len(group_shots(shots)) == MAX_PHOTOS + 1
    assert len(group_shots(shots[1:])) == 1


def test_an_id_card_joins_photos_far_apart_in_time():
    shots = [shot("1.jpg", 0, ids=("C1",)), shot("2.jpg", 9999, face="back", ids=("C1",)), shot("3.jpg", 1)]
    assert paths(group_shots(shots)) == [("id card", ["1.jpg", "2.jpg"]), ("single photo", ["3.jpg"])]


def test_a_photo_with_two_ids_is_joined_by_neither():
    groups = group_shots([shot("1.jpg", ids=("C1", "C2")), shot("2.jpg", face="back", ids=("C1",))])
    assert paths(groups) == [("single photo (no usable time)", ["1.jpg"]), ("id card", ["2.jpg"])]
    assert groups[0].findings[0] == "Two ids on one unit: C1, C2."
    assert groups[1].findings == ("The id C1 also stands on another unit of this lot.",)


def test_no_rule_makes_one_unit_of_more_photos_than_one_has():
    by_id = [shot(f"{7 * n}.jpg", ids=("C1",)) for n in range(MAX_PHOTOS + 1)]
    assert {group.method for group in group_shots(by_id)} == {"single photo (no usable time)"}
    assert paths(group_shots(by_id[1:]))[0][0] == "id card"
    by_name = [shot(f"u1_label_{n}.jpg", face="close-up") for n in range(MAX_PHOTOS + 1)]
    assert {group.method for group in group_shots(by_name)} == {"single photo (no usable time)"}
    assert paths(group_shots(by_name[1:]))[0][0] == "file name"
    by_time = [shot("0.jpg", 0), *(shot(f"{n}.jpg", 5 * n, face="close-up") for n in range(1, 14))]
    assert [len(group.shots) for group in group_shots(by_time)] == [MAX_PHOTOS, 2]


def test_time_parts_at_a_pause_and_where_a_face_comes_again():
    shots = [
        shot("1.jpg", 0),
        shot("2.jpg", 10, face="back"),
        shot("3.jpg", 20),  # the next unit, alike, right away
        shot("4.jpg", 30, face="back"),
        shot("5.jpg", 35, face="close-up"),
        shot("6.jpg", 35 + PAUSE_S + 1, face="back"),
    ]
    method = "time gap and appearance (camera time)"
    assert paths(group_shots(shots)) == [
        (method, ["1.jpg", "2.jpg"]),
        (method, ["3.jpg", "4.jpg", "5.jpg"]),
        ("single photo", ["6.jpg"]),
    ]


def test_a_pause_of_a_minute_and_a_half_parts_units():
    # Our choice: somebody turns a unit round within 90 s.
    assert len(group_shots([shot("1.jpg", 0), shot("2.jpg", 89, face="back")])) == 1
    assert len(group_shots([shot("1.jpg", 0), shot("2.jpg", 91, face="back")])) == 2


def test_a_face_taken_again_because_the_first_was_blurred_stays():
    assert len(group_shots([shot("1.jpg", 0, usable=False), shot("2.jpg", 5)])) == 1
    assert len(group_shots([shot("1.jpg", 0), shot("2.jpg", 5)])) == 2


def test_housings_of_different_colour_are_parted():
    black, grey = {"BK": 0.9, "GY": 0.1}, {"GY": 0.95, "BK": 0.05}
    assert len(group_shots([shot("1.jpg", 0, body=black), shot("2.jpg", 5, face="back", body=grey)])) == 2
    assert len(group_shots([shot("1.jpg", 0, body=grey), shot("2.jpg", 5, face="back", body=grey)])) == 1


def test_file_times_that_may_be_copying_times_join_nothing():
    copied = [shot(f"{3 * n}.jpg", n * 0.3, face=("front", "back")[n % 2], camera=False) for n in range(6)]
    assert {group.method for group in group_shots(copied)} == {"single photo (no usable time)"}
    taken = [shot(f"{n}.jpg", n * 15, face=("front", "back")[n % 2], camera=False) for n in range(6)]
    assert [len(group.shots) for group in group_shots(taken)] == [2, 2, 2]


def test_a_blurred_front_contradicts_no_other():
    sharp, other = shot("u/1.jpg", plugs=("BN",)), shot("u/2.jpg", plugs=("GY",))
    assert group_shots([sharp, other])[0].findings
    assert group_shots([sharp, replace(other, usable=False)])[0].findings == ()


def test_several_units_in_one_photo_become_several_units():
    crowd = PhotoSummary(
        "all.jpg", "c" * 64, units=(UnitSummary(0, 1.0, ("BN",)), UnitSummary(2, 1.0, ("GY",)))
    )
    groups = group_shots([crowd, shot("u1/a.jpg")])
    assert [(g.method, g.parts) for g in groups] == [
        ("one of 2 units in one photo", (UnitIndex(0),)),
        ("one of 2 units in one photo", (UnitIndex(2),)),
        ("sub-folder", (UnitIndex(0),)),
    ]


def test_a_photo_of_several_units_in_a_folder_leaves_the_others_together():
    crowd = PhotoSummary(
        "u1/all.jpg", "c" * 64, units=(UnitSummary(0, 1.0, ("BN",)), UnitSummary(1, 1.0, ("GY",)))
    )
    groups = group_shots([crowd, shot("u1/front.jpg"), shot("u1/label.jpg", face="close-up")])
    assert sorted(paths(groups)) == [
        ("one of 2 units in one photo", ["u1/all.jpg"]),
        ("one of 2 units in one photo", ["u1/all.jpg"]),
        ("sub-folder", ["u1/front.jpg", "u1/label.jpg"]),
    ]


def test_findings_two_units_under_one_id_two_ids_on_one_unit_one_id_on_two_units():
    (same,) = group_shots([shot("1.jpg", ids=("C1",)), shot("2.jpg", plugs=("GY", "GN"), ids=("C1",))])
    assert "Two different units under one id (C1)? The plugs differ: BN against GY GN." in same.findings
    (two,) = group_shots([shot("a/1.jpg", ids=("C1",)), shot("a/2.jpg", ids=("C2",), face="back")])
    assert two.findings == ("Two ids on one unit: C1, C2.",)
    first, second = group_shots([shot("a/1.jpg", ids=("C1",)), shot("b/1.jpg", ids=("C1",))])
    assert first.findings == second.findings == ("The id C1 also stands on another unit of this lot.",)


@pytest.mark.parametrize(
    ("a", "b", "differ"),
    [
        ("BN BN", "BN BN", False),
        ("BN BN", "BN", False),  # one plug missed
        ("BN BN WH", "BN", True),
        ("BN GY", "BN WH", True),
        ("BN ?", "BN WH", False),
        ("? ?", "BN WH", False),
    ],
)
def test_what_counts_as_another_front(a, b, differ):
    (group,) = group_shots(
        [shot("u/1.jpg", plugs=sorted(a.split())), shot("u/2.jpg", plugs=sorted(b.split()))]
    )
    assert bool(group.findings) == differ


def observations(codes=(), unit_codes=(), areas=(1.0,)):
    """A photo with units of given areas side by side."""
    units = []
    for place, area in enumerate(areas):
        x, size = 200.0 * place, 100.0 * area**0.5
        polygon = ((x, 0.0), (x + size, 0.0), (x + size, size), (x, size))
        connectors = (Connector(polygon, {"BN": 0.6, "OG": 0.4}, {"M": 1.0}, 0.3, 0.9),)
        units.append(Unit(polygon, 0.9, {"front": 1.0, "back": 0.0}, connectors, codes=tuple(unit_codes)))
    quality, balance = Quality(640, 480, 0.5, 0.0, 1.0), WhiteBalance((1, 1, 1), "none", 0.0)
    return Observations("a" * 64, quality, balance, tuple(units), codes=tuple(codes))


def code(payload, symbology="QR Code"):
    """A decoded barcode."""
    return Code((), symbology, payload, "verified")


def test_what_is_an_id_card():
    def ids(**where):
        seen = observations(**where)
        return make_shot("a.jpg", seen, [0], is_service_number=lambda text: text.startswith("4711")).ids

    assert ids(codes=[code("CARD 7")]) == ("CARD 7",)
    assert ids(codes=[code("CARD 7", "Data Matrix")]) == ("CARD 7",)
    assert ids(codes=[code("CARD 7", "Code 128")]) == ()  # a label's bar code
    assert ids(codes=[code("47 11 0")]) == ()  # a service number of the catalogue
    assert ids(unit_codes=[code("CARD 7")]) == ()  # the unit's own label
    assert ids(unit_codes=[code("plugface:ABCDE-0001")]) == ("plugface:ABCDE-0001",)  # our label stuck on it


@pytest.mark.parametrize(
    "payload",
    [
        *("K58214/302", "K58214302", "K58214-302 F", "K58214302F"),
        *("[)>\x1e06\x1d1PK58214/302\x1d2PF\x1e\x04", "PK2104/16", "K58299/309;S0417"),
    ],
)
def test_a_label_s_code_joins_nothing_with_its_stroke_or_without(payload):
    """Two units of one number bear the same code: as an id card it would make one of them."""
    for maker in ("marrow_finch", "pell_works/catalogue"):
        is_number = _service_number_test(load_catalogue(demo_folder() / maker))
        seen = observations(codes=[code(payload, "Data Matrix")])
        ids = make_shot("a.jpg", seen, [0], is_service_number=is_number).ids
        own = payload.startswith("PK") == maker.startswith("pell")
        assert not (own and ids), maker
        card = observations(codes=[code("CARD 7", "Data Matrix")])
        assert make_shot("a.jpg", card, [0], is_service_number=is_number).ids == ("CARD 7",)


def card(share, payload="CARD 7", symbology="QR Code", plugs=()):
    """What was taken for a unit and carries a code of `share` of its size."""
    side = 100.0 * share**0.5
    carried = Code(((0.0, 0.0), (side, 0.0), (side, side), (0.0, side)), symbology, payload, "verified")
    outline = ((0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0))
    return Unit(outline, 0.9, {"front": 0.0, "back": 1.0}, tuple(plugs), codes=(carried,))


def test_a_card_that_was_taken_for_a_unit_is_an_id_and_no_unit():
    seen = observations()
    plug = seen.units[0].connectors[0]
    beside_card = replace(seen, units=(*seen.units, card(0.3)))
    assert list_units(beside_card) == [0]
    shot = make_shot("a.jpg", beside_card, [0, 1])
    assert (shot.ids, [glimpse.part for glimpse in shot.units]) == (("CARD 7",), [0])
    assert list_units(replace(seen, units=(card(0.3),))) == []
    for no_card in (
        card(0.026),  # the largest code of a label in the demo's photos
        card(0.3, symbology="Code 128"),
        card(0.3, plugs=(plug,)),
    ):
        assert list_units(replace(seen, units=(no_card,))) == [0]
        assert make_shot("a.jpg", replace(seen, units=(no_card,)), [0]).ids == ()


def test_a_photo_that_was_copied_goes_by_the_path_that_says_its_unit():
    chosen = choose_paths(
        {
            1: ["copy of u7.jpg", "u7_front.jpg"],
            2: ["u7_back.jpg"],
            3: ["link.jpg", "t1/a.jpg"],
            4: ["backup/u9_front.jpg", "u9_front.jpg"],
            5: ["u9_back.jpg"],
            6: ["b.jpg", "c.jpg"],
        }
    )
    assert chosen == {
        1: "u7_front.jpg", 2: "u7_back.jpg", 3: "t1/a.jpg", 4: "u9_front.jpg", 5: "u9_back.jpg", 6: "b.jpg",
    }  # fmt: skip


def test_a_photo_that_was_copied_goes_by_no_pile():
    pile = {n: [f"day/{n}.jpg"] for n in range(MAX_PHOTOS + 1)}
    assert choose_paths(pile | {0: ["day/0.jpg", "u7/a.jpg"], 99: ["u7/b.jpg"]})[0] == "u7/a.jpg"


def test_an_unsure_colour_does_not_contradict_and_a_bracket_is_no_second_unit():
    assert make_shot("a.jpg", observations(), [0]).units[0].plugs == ("?",)
    assert len(make_shot("a.jpg", observations(areas=(1.0, 0.3)), [0, 1]).units) == 1
    assert len(make_shot("a.jpg", observations(areas=(1.0, 0.6)), [0, 1]).units) == 2


SHOTS = st.lists(
    st.builds(
        shot,
        st.from_regex(r"([ab]/)?(IMG_\d{1,3}|u[12]_(front|back|\d))\.jpg", fullmatch=True),
        st.none() | st.integers(0, 400),
        face=st.sampled_from(("front", "back", "close-up")),
        plugs=st.lists(st.sampled_from(("BN", "GY", "?")), max_size=3).map(sorted),
        ids=st.lists(st.sampled_from(("C1", "C2")), max_size=2, unique=True),
        camera=st.booleans(),
    ),
    max_size=16,
    unique_by=lambda shot: shot.path,
)


@given(SHOTS, st.randoms(use_true_random=False))
def test_every_photo_is_in_one_group_whatever_the_order(shots, random):
    groups = group_shots(shots)
    assert sorted(s.path for group in groups for s in group.shots) == sorted(s.path for s in shots)
    assert len({group.key for group in groups}) == len(groups)
    shuffled = list(shots)
    random.shuffle(shuffled)
    assert {group.key: {s.path for s in group.shots} for group in group_shots(shuffled)} == {
        group.key: {s.path for s in group.shots} for group in groups
    }


def test_two_minutes_between_photos_part_units_and_one_does_not():
    """In seconds, not in the constant: turning a unit over and aiming again takes 5 to 30 s."""
    assert len(group_shots([shot("1.jpg", 0), shot("2.jpg", 60, face="back")])) == 1
    assert len(group_shots([shot("1.jpg", 0), shot("2.jpg", 120, face="back")])) == 2


def test_photos_that_a_messenger_forwarded_are_paired_by_the_order_of_their_names():
    # Times of copying, names that count up: front and back by turns, the last unit with a close-up.
    faces = ["front", "back", "front", "back", "front", "back", "close-up"]
    shots = [shot(f"IMG-20261128-WA{n:04}.jpg", face=face) for n, face in enumerate(faces, start=8)]
    assert paths(group_shots(shots)) == [
        ("order of names and appearance", ["IMG-20261128-WA0008.jpg", "IMG-20261128-WA0009.jpg"]),
        ("order of names and appearance", ["IMG-20261128-WA0010.jpg", "IMG-20261128-WA0011.jpg"]),
        (
            "order of names and appearance",
            ["IMG-20261128-WA0012.jpg", "IMG-20261128-WA0013.jpg", "IMG-20261128-WA0014.jpg"],
        ),
    ]


ALONE = "single photo (no usable time)"


@pytest.mark.parametrize(
    ("faces", "parted"),
    [
        ("FB FB", ["FB", "FB"]),
        ("BF BF", ["BF", "BF"]),
        ("FF BF", ["F", "F", "B", "F"]),  # the back may be of the unit before it or after it
        ("FB FFB", ["FB", "F", "FB"]),  # a unit of which only the front was taken
        ("FFBFFB", ["F", "FB", "F", "FB"]),  # an odd run, and an even one that says fronts come first
        ("BFF BF", ["BF", "F", "BF"]),
        ("F", ["F"]),
        ("FFF", ["F", "F", "F"]),
    ],
)
def test_a_photo_that_could_belong_to_either_neighbour_stays_alone(faces, parted):
    faces = faces.replace(" ", "")
    shots = [
        shot(f"pic{n}.jpg", face={"F": "front", "B": "back"}[face]) for n, face in enumerate(faces, start=1)
    ]
    groups = group_shots(shots)
    got = ["".join("F" if s.units[0].front else "B" for s in group.shots) for group in groups]
    assert got == parted
    assert all((group.method == ALONE) == (len(group.shots) == 1) for group in groups)


def test_housings_that_differ_and_names_that_skip_are_parted():
    grey, black = {"GY": 1.0}, {"BK": 1.0}
    shots = [shot("p1.jpg", body=grey), shot("p2.jpg", face="back", body=black)]
    assert [len(group.shots) for group in group_shots(shots)] == [1, 1]
    shots = [shot("p1.jpg", body=grey), shot("p3.jpg", face="back", body=grey)]
    assert [len(group.shots) for group in group_shots(shots)] == [1, 1]
    shots = [shot("p1.jpg", body=grey), shot("p2.jpg", face="back", body=grey)]
    assert [len(group.shots) for group in group_shots(shots)] == [2]
    # An odd run whose look tells which two belong together.
    shots = [shot("p1.jpg", body=grey), shot("p2.jpg", face="back", body=black), shot("p3.jpg", body=black)]
    assert [len(group.shots) for group in group_shots(shots)] == [1, 2]


def test_a_close_up_joins_the_one_unit_that_bears_its_code():
    near = replace(shot("x7f3.jpg", face="close-up"), codes=("58203317AA",))
    bearer = replace(shot("a91c.jpg", face="back"), codes=("58203317AA",))
    other = replace(shot("k221.jpg", face="back"), codes=("58209999AA",))
    assert paths(group_shots([near, bearer, other])) == [
        ("same code on label and close-up", ["a91c.jpg", "x7f3.jpg"]),
        (ALONE, ["k221.jpg"]),
    ]
    twin = replace(other, codes=("58203317AA",))  # two units of one number: the close-up may be of either
    assert all(len(group.shots) == 1 for group in group_shots([near, bearer, twin]))


def test_a_time_in_the_name_serves_where_the_camera_wrote_none():
    shots = [
        shot("20261128_101112.jpg", 0, camera=False),
        shot("20261128_101130.jpg", 0, face="back", camera=False),
        shot("20261128_101500.jpg", 0, camera=False),
        shot("20261128_101525.jpg", 0, face="back", camera=False),
    ]
    assert paths(group_shots(shots)) == [
        ("time gap and appearance (time in its name)", ["20261128_101112.jpg", "20261128_101130.jpg"]),
        ("time gap and appearance (time in its name)", ["20261128_101500.jpg", "20261128_101525.jpg"]),
    ]
    assert name_time("20269928_101112.jpg") is None


def row_of(words: str, families: str = "") -> list[str]:
    """Sizes of the units that photos become whose names count up; F front, B back, and what each names."""
    named = families.split() or ["-"] * len(words)
    shots = [
        replace(
            shot(f"pic{n}.jpg", face={"F": "front", "B": "back"}[face]),
            families=frozenset() if name == "-" else frozenset({name}),
        )
        for n, (face, name) in enumerate(zip(words, named, strict=True), start=1)
    ]
    return ["".join("F" if s.units[0].front else "B" for s in group.shots) for group in group_shots(shots)]


def test_what_names_another_family_is_another_unit():
    assert row_of("FB", "AUK AUK") == ["FB"]
    assert row_of("FB", "AUK -") == ["FB"]
    assert row_of("FB", "AUK DUNLIN") == ["F", "B"]
    # The first front and the last back were not taken: no pair of the usual way round agrees.
    assert row_of("BFBF", "AUK DUNLIN DUNLIN AUK") == ["B", "FB", "F"]
    # An odd run whose marks tell which two belong together.
    assert row_of("FBF", "AUK DUNLIN DUNLIN") == ["F", "BF"]
    timed = [shot("a.jpg", 0), shot("b.jpg", 10, face="back")]
    other = [
        replace(timed[0], families=frozenset({"AUK"})),
        replace(timed[1], families=frozenset({"DUNLIN"})),
    ]
    assert [len(group.shots) for group in group_shots(timed)] == [2]
    assert [len(group.shots) for group in group_shots(other)] == [1, 1]


def test_a_run_against_the_habit_begins_with_a_photo_too_many():
    assert row_of("FBFBF" + "FBFB") == ["FB", "FB", "F", "FB", "FB"]
    # Three pairs begin with the front; the run that begins with a back has lost the front before it.
    shots = [shot(f"a{n}.jpg", face=("front", "back")[n % 2]) for n in range(6)]
    shots += [shot("a6.jpg", face="back"), shot("a7.jpg")]
    assert [len(group.shots) for group in group_shots(shots)] == [2, 2, 2, 1, 1]


@pytest.mark.parametrize(("named", "joined"), [("AUK", True), ("DUNLIN", False), ("", True)])
def test_a_label_that_names_another_family_begins_a_unit_of_its_own(named, joined):
    front = replace(shot("a.jpg", 0), families=frozenset({"AUK"}))
    families = frozenset({named}) if named else frozenset()
    label = replace(shot("b.jpg", 20, face="close-up"), families=families)
    assert len(group_shots([front, label])) == (1 if joined else 2)


FACES = {"F": "front", "B": "back", "L": "close-up"}


def by_faces(shots):
    """Units as the faces of their photos, in the order of the photos' paths."""
    return [
        "".join("L" if not s.units else "F" if s.units[0].front else "B" for s in group.shots)
        for group in group_shots(shots)
    ]


@pytest.mark.parametrize(
    ("faces", "seconds", "parted"),
    [
        (
            "LFBLFBLFB",
            [0, 8, 16, 76, 84, 92, 152, 160, 168],
            ["LFB"] * 3,
        ),  # as long pauses as one unit may have
        ("LFBLFBLFB", range(0, 180, 20), ["LFB"] * 3),
        ("LFLFLF", range(0, 120, 20), ["LF"] * 3),
        ("LFBLFBL", range(0, 140, 20), ["LFB", "L", "FB", "L"]),  # they begin the row, and end it
        ("FBLFBLFBL", range(0, 180, 20), ["FBL"] * 3),
        ("FBLFB", range(0, 100, 20), ["FB", "L", "FB"]),  # nothing says of which one it is
        ("FBLLFB", range(0, 120, 20), ["FB", "L", "L", "FB"]),
        ("FBLFB", [0, 8, 68, 76, 84], ["FB", "LFB"]),
        ("FBLFB", [0, 8, 16, 76, 84], ["FBL", "FB"]),
        ("FBLFB", [0, 5, 20, 24, 29], ["FB", "L", "FB"]),  # no longer than turning a unit over takes
        ("FBLFBLFBL", [0, 8, 68, 76, 84, 92, 160, 168, 176], ["FB", "L", "FBL", "FBL"]),  # against the others
        ("FLB", [0, 20, 40], ["FLB"]),  # between two faces of one unit
        ("FLB", [0, 40, 48], ["F", "LB"]),
    ],
)
def test_a_close_up_between_two_units_goes_to_the_one_that_something_says(faces, seconds, parted):
    shots = [
        shot(f"IMG_{n}.jpg", second, face=FACES[face])
        for n, (face, second) in enumerate(zip(faces, seconds, strict=True))
    ]
    assert by_faces(shots) == parted


def test_a_close_up_that_names_another_family_than_the_next_unit_is_of_the_one_before():
    shots = [shot(f"IMG_{n}.jpg", 20 * n, face=FACES[face]) for n, face in enumerate("FBLFB")]
    for at, name in ((0, "AUK"), (2, "AUK"), (3, "DUNLIN")):
        shots[at] = replace(shots[at], families=frozenset({name}))
    assert by_faces(shots) == ["FBL", "FB"]


def test_most_rows_say_whether_close_ups_come_first():
    """Also where the row itself begins without one, and against one row that ends with one."""
    rows = ["FBLFB", "LFB", "LFB", "LFB", "FBL"]
    shots = [
        shot(f"IMG_{r}{n}.jpg", 1000 * r + 20 * n, face=FACES[face])
        for r, row in enumerate(rows)
        for n, face in enumerate(row)
    ]
    assert by_faces(shots) == ["FB", "LFB", "LFB", "LFB", "LFB", "FB", "L"]
    assert by_faces(shots[:8] + shots[-3:]) == ["FB", "L", "FB", "LFB", "FB", "L"]


@pytest.mark.parametrize(
    ("rows", "parted"),
    [
        (["LFBLFBLFB"], ["LFB"] * 3),
        (["LFLFLF"], ["LF"] * 3),
        (["LBLFLBLF"], ["LB", "LF"] * 2),  # the close-up begins the next unit, though the faces take turns
        (["FBLFBLFBL"], ["FBL"] * 3),
        (["FBLFB", "LFB", "LFB", "LFB", "FBL"], ["FB", *["LFB"] * 4, "FB", "L"]),  # as most rows begin
        (["FBLFB", "FBL"], ["FBL", "FB", "FBL"]),
        (["LFBLFBL"], ["L", "FB", "L", "FB", "L"]),  # they begin the row, and end it
        (["FBLFB"], ["FB", "L", "FB"]),  # nothing says of which one it is
        (["FBLLFB"], ["FB", "L", "L", "FB"]),
        (["FLBFLB"], ["FLB", "FLB"]),  # between two faces of one unit
        (["FF"], ["F", "F"]),
    ],
)
def test_without_times_a_close_up_goes_where_close_ups_begin_or_end_the_rows(rows, parted):
    shots = [
        shot(f"r{r}_{n}.jpg", face=FACES[face]) for r, row in enumerate(rows) for n, face in enumerate(row)
    ]
    assert by_faces(shots) == parted


def test_a_close_up_in_doubt_parts_no_pair_of_faces():
    """It names the next unit's family, and nothing says that it is of the one before."""
    shots = [shot(f"pic{n}.jpg", face=FACES[face]) for n, face in enumerate("FBLFB")]
    for at, name in ((0, "AUK"), (2, "DUNLIN"), (3, "DUNLIN")):
        shots[at] = replace(shots[at], families=frozenset({name}))
    assert by_faces(shots) == ["FB", "L", "FB"]


@pytest.mark.parametrize(
    ("names", "parted"),
    [
        ("front_1 back_1 front_2 back_2", ["front_1 back_1", "front_2 back_2"]),
        ("front_01 back1 front_2", ["front_01 back1", "front_2"]),
        ("front back front_2 back_2 label_2", ["front back", "front_2 back_2 label_2"]),
        ("front_1 front_2", ["front_1", "front_2"]),
        ("front_1 back_2 label_3 label_4", ["front_1 back_2 label_3 label_4"]),  # it counts photos
    ],
)
def test_a_number_behind_a_face_that_comes_twice_is_part_of_the_unit(names, parted):
    # All fronts first, then all backs: by their times alone they would be paired wrongly.
    views = sorted(names.split(), key=lambda view: not view.startswith("front"))
    shots = [
        shot(f"knot {view}.jpg", 20 * n, face=view.strip("_0123456789").replace("label", "close-up"))
        for n, view in enumerate(views)
    ]
    groups = group_shots(shots)
    assert {group.method for group in groups} == {"file name"}
    assert {frozenset(s.path for s in group.shots) for group in groups} == {
        frozenset(f"knot {view}.jpg" for view in unit.split()) for unit in parted
    }


def test_a_number_before_a_view_is_another_unit_than_the_one_behind_it():
    names = ("knot 1 front", "knot front 1", "knot front 2")
    assert len({group.key for group in group_shots([shot(f"{name}.jpg") for name in names])}) == 3


def test_a_unit_s_name_is_one_in_capitals_and_without():
    inside = [shot("u7/ECU7_front.jpg"), shot("u7/ecu7_back.jpg", face="back")]
    assert [group.method for group in group_shots(inside)] == ["sub-folder"]
    flat = [shot("ECU7_front.jpg"), shot("ecu7_back.jpg", face="back")]
    assert {group.key for n in (1, 2) for group in group_shots(flat[:n])} == {
        "name:ECU7"
    }  # stands in a ledger
    counted = [shot("U7_1.jpg", 0), shot("u7_2.jpg", 20, face="back")]
    assert [len(group.shots) for group in group_shots(counted)] == [2]
    other_folders = [shot("A/ecu7_front.jpg"), shot("a/ecu7_back.jpg", face="back")]
    assert len(group_shots(other_folders)) == 2


def test_an_id_that_may_be_a_donors_number_is_not_said():
    """A type plate has a square code as well, and what is found of a unit stands in the report."""
    donor = "0AUKDUNL7K0001234"
    shots = [shot("a/1.jpg", 0, ids=("C1", donor)), shot("b/1.jpg", 5000, ids=(donor,))]
    said = [words for group in group_shots(shots) for words in group.findings]
    assert "Two ids on one unit: a long number, C1." in said
    assert "The id a long number also stands on another unit of this lot." in said
    assert donor not in " ".join(said)
