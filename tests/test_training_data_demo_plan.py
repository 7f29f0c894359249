"""The plan of the demo photos: fixed by its seed, split by unit, complete in its variations."""

from collections import Counter, defaultdict

import pytest
from plugface.demo.studio import plan, wild
from plugface.demo.studio.families import catalogue, family_of
from plugface.demo.studio.shots import GROUNDS, HANDS, LABELS, LIGHTS, THINGS, Shot


@pytest.fixture(scope="module")
def shipped():
    return plan.shipped_shots()


@pytest.fixture(scope="module")
def pell():
    return plan.pell_shots()


def test_the_same_seed_gives_the_same_shots(shipped):
    assert [shot.to_json() for shot in plan.shipped_shots()] == [shot.to_json() for shot in shipped]


def test_a_shot_survives_json(shipped):
    assert all(Shot.from_json(shot.to_json()) == shot for shot in shipped)


def test_a_strange_key_is_refused(shipped):
    with pytest.raises(TypeError):
        Shot.from_json(shipped[0].to_json()[:-1] + ',"colour":"BK"}')


def test_ids_are_unique(shipped, pell):
    assert max(Counter(shot.id for shot in [*shipped, *pell]).values()) == 1


def test_no_unit_is_in_two_splits_or_means_two_things(shipped, pell):
    homes, records = defaultdict(set), defaultdict(set)
    for shot in [*shipped, *pell]:
        for placed in shot.units:
            homes[placed.unit.unit_id].add(shot.split)
            records[placed.unit.unit_id].add(placed.unit)
    assert all(len(splits) == 1 for splits in homes.values())
    assert all(len(units) == 1 for units in records.values())


def test_counts_are_those_promised(shipped, pell):
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
    assert {shot.split for shot in pell} == {"test"}


def test_every_variation_occurs(shipped):
    units = [placed for shot in shipped for placed in shot.units]
    assert {shot.light.kind for shot in shipped} == set(LIGHTS)
    assert {shot.ground.kind for shot in shipped} == set(GROUNDS)
    assert {shot.development.orientation for shot in shipped} == set(range(1, 9))
    assert {thing.kind for shot in shipped for thing in shot.things} == {*THINGS, *HANDS}
    assert {placed.unit.label for placed in units} == set(LABELS)
    assert {placed.unit.scrawl_face for placed in units if placed.unit.scrawl} == {"front", "back"}
    assert any(placed.unit.missing for placed in units)
    assert any(placed.unit.seated is not None for placed in units)
    tilts = [shot.camera.tilt_deg for shot in shipped]
    assert min(tilts) < 2
    assert 38 < max(tilts) <= 40
    sectors = {int(shot.camera.roll_deg // 30) for shot in shipped}
    assert sectors == set(range(12))
    qualities = [shot.development.jpeg_quality for shot in shipped]
    assert min(qualities) >= 55
    assert max(qualities) <= 95
    assert max(qualities) - min(qualities) > 30
    assert any(shot.height > shot.width for shot in shipped)


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


def test_a_family_resolves_for_every_unit(shipped, pell):
    for shot in [*shipped, *pell, *plan.wild_shots(4)]:
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
