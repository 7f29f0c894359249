"""The plan of the demo photos: fixed by its seed, split by unit, complete in its variations."""

import json
from collections import Counter, defaultdict

import numpy as np
import pytest
import re2
from plugface.cli.evaluation.truth import TRUTH_FILE, list_test_makers
from plugface.demo.studio import draws, plan, wild
from plugface.demo.studio.__main__ import main as studio
from plugface.demo.studio.families import DEMO, catalogue, family_of
from plugface.demo.studio.footprint import edge_azimuth_deg, header_edges
from plugface.demo.studio.part_numbers import FORMATS, fill_form, pattern_of
from plugface.demo.studio.shots import (
    GRIPS,
    GROUNDS,
    HANDS,
    LABELS,
    LIGHTS,
    SURROUNDINGS,
    THINGS,
    YARD_GROUNDS,
    YARD_THINGS,
    Shot,
)


@pytest.fixture(scope="module")
def shipped():
    return plan.shipped_shots()


@pytest.fixture(scope="module")
def pell():
    return plan.pell_shots()


@pytest.fixture(scope="module")
def third():
    return plan.third_shots()


def test_the_same_seed_gives_the_same_shots(pell, third):
    again = plan.pell_shots() + plan.third_shots()
    assert [shot.to_json() for shot in again] == [shot.to_json() for shot in pell + third]


def _shipped_parameters():
    """What the shipped truth says each photo was made with."""
    rows = {}
    for folder in (DEMO, *list_test_makers()):
        for line in (folder / TRUTH_FILE).read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            rows[row["id"]] = row["parameters"]
    return rows


def test_the_shipped_photos_are_planned_as_they_were_made(shipped, pell, third, monkeypatch):
    made = _shipped_parameters()
    planned = shipped + pell + third
    assert {shot.id for shot in planned} == set(made)
    for shot in planned:
        record = json.loads(shot.to_json())
        assert {key: record[key] for key in made[shot.id]} == made[shot.id], shot.id
    monkeypatch.setattr(plan, "shipped_shots", lambda: shipped)  # which take 9 s of the processor
    assert {shot.id for shot in plan.first_shots()} < set(made)


@pytest.mark.parametrize("name", sorted(plan.DRAWN))
def test_drawn_shots_are_planned_from_any_number_on(name):
    draw = plan.DRAWN[name]
    assert draw(2, 3) == draw(5)[3:]


def test_the_command_line_plans_from_a_number_on(tmp_path):
    plan_file = tmp_path / "plan.jsonl"
    assert studio([*["plan", "--set", "yard", "--count", "2", "--first", "7", "--out"], str(plan_file)]) == 0
    planned = [json.loads(line)["id"] for line in plan_file.read_text().splitlines()]
    assert planned == ["z00007", "z00008"]


def test_a_shot_survives_json(shipped):
    assert all(Shot.from_json(shot.to_json()) == shot for shot in shipped)


def test_a_strange_key_is_refused(shipped):
    with pytest.raises(TypeError):
        Shot.from_json(shipped[0].to_json()[:-1] + ',"colour":"BK"}')


def test_ids_are_unique(shipped, pell, third):
    assert max(Counter(shot.id for shot in [*shipped, *pell, *third]).values()) == 1


def test_no_unit_is_in_two_splits_or_means_two_things(shipped, pell, third):
    homes, records = defaultdict(set), defaultdict(set)
    for shot in [*shipped, *pell, *third]:
        for placed in shot.units:
            homes[placed.unit.unit_id].add(shot.split)
            records[placed.unit.unit_id].add(placed.unit)
    assert all(len(splits) == 1 for splits in homes.values())
    assert all(len(units) == 1 for units in records.values())


def test_counts_are_those_promised(shipped, pell, third):
    splits = Counter(shot.split for shot in shipped)
    views = Counter((shot.split, shot.view) for shot in shipped if not shot.timing)
    assert len(shipped) >= 420
    assert splits["test"] >= 140
    assert views["test", "pallet"] >= 12
    assert views["test", "decoy"] >= 30
    single = [s for s in shipped if s.split == "calibration" and s.set == "marrow_finch"]
    assert len(single) >= 90
    assert sum(shot.timing and shot.width * shot.height == 4032 * 3024 for shot in shipped) >= 6
    assert len(pell) >= 40
    assert len(third) >= 60
    assert {shot.split for shot in [*pell, *third]} == {"test"}
    for shots in (pell, third):
        assert {shot.view for shot in shots} == {"front", "back", "oblique", "label"}


def test_every_variation_occurs(shipped):
    units = [placed for shot in shipped for placed in shot.units]
    assert {shot.light.kind for shot in shipped} == {*LIGHTS, SURROUNDINGS}
    assert {shot.ground.kind for shot in shipped} == {*GROUNDS, *YARD_GROUNDS}
    assert {shot.development.orientation for shot in shipped} == set(range(1, 9))
    assert {thing.kind for shot in shipped for thing in shot.things} == {
        *THINGS,
        *YARD_THINGS,
        *HANDS,
        *GRIPS,
    }
    assert {placed.unit.label for placed in units} == set(LABELS)
    assert {placed.unit.scrawl_face for placed in units if placed.unit.scrawl} == {"front", "back"}
    assert any(placed.unit.missing for placed in units)
    assert any(placed.unit.seated is not None for placed in units)
    tilts = [shot.camera.tilt_deg for shot in shipped]
    assert min(tilts) < 2
    assert 70 < max(tilts) <= 82
    sectors = {int(shot.camera.roll_deg // 30) for shot in shipped}
    assert sectors == set(range(12))
    qualities = [shot.development.jpeg_quality for shot in shipped]
    assert min(qualities) >= 55
    assert max(qualities) <= 95
    assert max(qualities) - min(qualities) > 30
    assert any(shot.height > shot.width for shot in shipped)


def test_further_units_are_none_of_the_shipped_ones_and_each_family_is_seen_in_each_view(shipped):
    families = catalogue("marrow_finch").families
    more = plan.DRAWN["more"](268)  # one round: 14 families in eight lists of views, and 16 that are unlisted
    of_catalogue = [shot for shot in more if shot.set == "marrow_finch"]
    units = {placed.unit.unit_id for shot in more for placed in shot.units}
    assert not units & {placed.unit.unit_id for shot in shipped for placed in shot.units}
    assert not {shot.id for shot in more} & {shot.id for shot in shipped}
    assert {shot.split for shot in more} == {"train"}
    shown = Counter((shot.units[0].unit.family, shot.view) for shot in of_catalogue)
    assert len(shown) == 4 * len(families)
    assert min(shown.values()) >= 3
    unlisted = {shot.units[0].unit.family for shot in more if shot.set == "decoy"}
    assert len(more) - len(of_catalogue) == 16
    assert not unlisted & set(wild.unknown_families("test"))  # what is tested by is not learned from
    (nth,) = plan.DRAWN["more"](1, 300)
    assert nth.id not in {shot.id for shot in more}  # another round


def test_further_units_of_makers_for_testing_are_for_testing():
    shots = [*plan.DRAWN["more_pell"](8), *plan.DRAWN["more_third"](8)]
    assert {shot.split for shot in shots} == {"test"}
    assert {shot.set for shot in shots} == {"pell_works", "tenter_twill"}


def _sideways(shots, view):
    """Photos of units that lie flat with headers that open over an edge."""
    for shot in shots:
        if shot.view == view and shot.units and shot.units[0].pose.face == "front":
            pose, edges = shot.units[0].pose, header_edges(family_of(shot.units[0].unit))
            if edges and not pose.lean_deg:
                yield shot, pose, edges


def _nearest_deg(shot, pose, edges):
    """How far aside of an edge with headers the camera stands, of the nearest one."""
    faces = [edge_azimuth_deg(edge, pose.yaw_deg) for edge in edges]
    return min(abs((shot.camera.azimuth_deg - face + 180) % 360 - 180) for face in faces)


def test_about_half_of_the_photos_are_in_the_yard_s_manner(shipped, pell, third):
    for shots in (shipped, pell, third, plan.dyed_shots(200)):
        assert 0.2 < sum(map(plan.is_in_yard, shots)) / len(shots) < 0.62
    assert 0.42 < sum(map(plan.is_in_yard, shipped)) / len(shipped) < 0.58


def test_a_low_camera_looks_into_the_mouths_of_headers_that_open_sideways(shipped, pell):
    everything = [*shipped, *pell, *plan.dyed_shots(200)]
    fronts = list(_sideways([s for s in everything if s.set != "wild" or s.units[0].pose.x == 0], "front"))
    low = [item for item in fronts if item[0].camera.tilt_deg >= 28]
    assert 0.5 < len(low) / len(fronts) < 0.85
    for shot, pose, edges in [*low, *_sideways(shipped, "oblique")]:
        if shot.camera.tilt_deg > 41:  # drawn units may lie as they were thrown, seen from any side
            assert _nearest_deg(shot, pose, edges) < 90, shot.id
    assert np.mean([_nearest_deg(*item) < 50 for item in low if item[0].set == "marrow_finch"]) > 0.95


def test_plugs_round_a_corner_are_both_seen(shipped):
    seen = [item for item in _sideways(shipped, "front") if item[0].units[0].unit.family == "REDSHANK 2"]
    low = [item for item in seen if item[0].camera.tilt_deg >= 28]
    assert low
    for shot, pose, edges in low:
        for edge in edges:
            assert _nearest_deg(shot, pose, (edge,)) < 80, shot.id


def test_low_cameras_are_level_and_see_no_horizon_of_a_bare_floor(shipped):
    low = [shot for shot in shipped if shot.camera.tilt_deg > draws.LOW_DEG]
    assert len(low) > 60
    assert all(min(shot.camera.roll_deg, 360 - shot.camera.roll_deg) < 30 for shot in low)
    assert all(shot.ground.wall_m > 0.2 for shot in low if not plan.is_in_yard(shot))


def test_no_wall_stands_in_a_unit(shipped):
    for shot in shipped:
        for placed in shot.units if shot.ground.wall_m else ():
            away = np.hypot(placed.pose.x, placed.pose.y) + 0.5 * np.hypot(
                *draws.span_m(family_of(placed.unit))
            )
            assert away < shot.ground.wall_m, shot.id


def test_hands_hold_units_by_edges_without_headers(shipped):
    held = [shot for shot in shipped if any(thing.kind in GRIPS for thing in shot.things)]
    assert len(held) >= 8
    for shot in held:
        (placed,) = shot.units
        assert shot.ground.drop > 0
        for thing in shot.things:
            for edge in header_edges(family_of(placed.unit)):
                face = edge_azimuth_deg(edge, placed.pose.yaw_deg)
                if placed.pose.face == "front":
                    assert abs((thing.yaw_deg + 180 - face + 180) % 360 - 180) > 60, shot.id


def test_every_family_shows_its_label_in_every_split(shipped):
    for split in ("train", "calibration", "test"):
        families = {s.units[0].unit.family for s in shipped if s.split == split and s.view == "label"}
        assert families == {family.key for family in catalogue("marrow_finch").families}


def test_close_ups_of_labels_cut_nothing_off(shipped, pell, third):
    for shot in [*shipped, *pell, *third]:
        if shot.view == "label":
            off = max(abs(shot.camera.aim_x), abs(shot.camera.aim_y))
            assert off + shot.camera.fill / 2 < 0.5, shot.id


def test_the_maker_s_own_label_leads(shipped):
    units = {p.unit for s in shipped for p in s.units if p.unit.source == "marrow_finch"}
    counts = Counter(unit.label_layout for unit in units)
    assert len(counts) >= 5
    assert counts.most_common(1)[0][0] == "boxed"
    stuck = sum(bool(unit.stickers) for unit in units) / len(units)
    assert 0.2 < stuck < 0.5


def test_unknown_families_are_called_by_words_alone_and_numbered_in_formats_of_our_own():
    for split in ("train", "calibration", "test"):
        families = [wild.unknown_family(key) for key in wild.unknown_families(split)]
        for family in families:
            assert family.key.isalpha(), family.key
            assert family.key.isupper(), family.key
        sideways = [
            bool(f.body.features) or bool(header_edges(f)) or f.body.finish != "plain" for f in families
        ]
        assert any(sideways)
        assert not all(sideways)


def test_a_drawn_family_s_number_fits_its_label():
    for seed in range(60):
        family = wild.random_family(seed)
        (number,) = family.variants[0].service_numbers
        assert re2.fullmatch(family.label.service_number, number.replace(" ", "")), number
    rng = np.random.default_rng(3)
    for form in FORMATS:
        number = fill_form(form, rng)
        others = [other for other in FORMATS if other != form]
        assert re2.fullmatch(pattern_of(form), number.replace(" ", ""))
        assert not any(re2.fullmatch(pattern_of(other), number.replace(" ", "")) for other in others)


def test_pallets_hold_four_to_twelve_mixed_units(shipped):
    for shot in shipped:
        if shot.view == "pallet":
            assert 4 <= len(shot.units) <= 12
            assert len({placed.unit.family for placed in shot.units}) > 1


def test_families_and_variants_are_dealt_out_evenly(shipped):
    for split in ("train", "calibration", "test"):
        seen = {
            p.unit for s in shipped for p in s.units if s.split == split and p.unit.source == "marrow_finch"
        }
        counts = Counter(unit.family for unit in seen)
        assert set(counts) == {family.key for family in catalogue("marrow_finch").families}
        assert max(counts.values()) - min(counts.values()) <= 3  # timing photos add a few to the test split


def test_unknown_families_are_in_no_catalogue_and_in_one_split_only(shipped):
    known = {f.key for source in ("marrow_finch", "pell_works") for f in catalogue(source).families}
    splits = defaultdict(set)
    for shot in shipped:
        for placed in shot.units:
            if placed.unit.source == "unknown":
                splits[placed.unit.family].add(shot.split)
    assert not known & set(splits)
    assert all(len(where) == 1 for where in splits.values())
    assert sum("test" in where for where in splits.values()) >= 5


def test_drawn_families_follow_from_their_seed_and_fit_their_body():
    for seed in range(40):
        family = wild.random_family(seed)
        assert family == wild.random_family(seed)
        half = family.body.size_mm[0] / 2, family.body.size_mm[1] / 2
        upward = [c.at_mm for c in family.connectors if c.opens == "up"]  # others reach over their edge
        assert all(abs(x) < half[0] and abs(y) < half[1] for x, y in upward)


def test_a_family_resolves_for_every_unit(shipped, pell, third):
    for shot in [*shipped, *pell, *third, *plan.wild_shots(4)]:
        for placed in shot.units:
            family = family_of(placed.unit)
            assert placed.unit.variant in {variant.key for variant in family.variants}


def test_worn_units_have_lost_a_socket_on_every_other_and_keep_one():
    units = [placed.unit for shot in plan.worn_shots(60) for placed in shot.units]
    sockets = {unit.unit_id: len(family_of(unit).connectors) for unit in units}
    several = [unit for unit in units if sockets[unit.unit_id] > 1]
    share = sum(bool(unit.missing) for unit in several) / len(several)
    assert 0.3 < share < 0.7  # drawn for one in two; four deviations of 60 draws are 0.26
    assert all(len(unit.missing) < sockets[unit.unit_id] for unit in units)
    assert plan.worn_shots(2)[1] == plan.worn_shots(3)[1]


def test_dyed_units_keep_their_shell_and_lose_its_colours():
    units = [placed.unit for shot in plan.dyed_shots(60) for placed in shot.units]
    shells = {family.key: family for family in catalogue("marrow_finch").families}
    same = []
    for unit in units:
        dyed, shell = family_of(unit), shells[unit.family.split("#")[0]]
        assert (dyed.body, dyed.marks) == (shell.body, shell.marks)
        assert [c.at_mm for c in dyed.connectors] == [c.at_mm for c in shell.connectors]
        same += [c.colour == own.colour for c, own in zip(dyed.connectors, shell.connectors, strict=True)]
    assert sum(same) < 0.25 * len(same)  # one in twelve by chance alone
    assert plan.dyed_shots(2)[1] == plan.dyed_shots(3)[1]
    assert {shot.split for shot in plan.dyed_shots(3)} == {"train"}
