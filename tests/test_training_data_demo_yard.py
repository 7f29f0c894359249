"""The yard's photos for training: what is planned, printed, developed."""

import dataclasses
import re
from collections import Counter

import numpy as np
import pytest
from plugface.demo.studio.camera import CURVES, develop
from plugface.demo.studio.families import family_of
from plugface.demo.studio.part_numbers import FORMATS, draw_number
from plugface.demo.studio.shots import GRIPS, SURROUNDINGS, YARD_GROUNDS, YARD_THINGS, Development, Shot

pytest.importorskip("barcode", reason="the studio's libraries are an extra of their own")
pytest.importorskip("ppf.datamatrix", reason="the studio's libraries are an extra of their own")

from plugface.demo.studio import yard
from plugface.demo.studio.families import unit_spec
from plugface.demo.studio.stickers import KINDS, LAYOUT_NAMES, draw_stickers


@pytest.fixture(scope="module")
def shots():
    return yard.yard_shots(300)


def test_shots_follow_from_their_id_and_survive_json(shots):
    assert yard.yard_shots(2) == shots[:2]
    assert all(Shot.from_json(shot.to_json()) == shot for shot in shots)
    assert {shot.split for shot in shots} == {"train"}
    assert {shot.set for shot in shots} == {"yard"}


def test_framings_are_as_promised(shots):
    with_units = [shot for shot in shots if shot.units]
    near = [shot for shot in with_units if shot.camera.subject.startswith("plug")]
    rest = [shot for shot in with_units if shot not in near]
    out = [shot for shot in rest if max(abs(shot.camera.aim_x), abs(shot.camera.aim_y)) > 0.14]
    far = [shot for shot in rest if shot.camera.fill < 0.37]
    # Drawn for a quarter, less those turned over; 300 draws stray by 0.025.
    assert 0.15 < len(near) / len(shots) < 0.31
    assert 0.15 < len({shot.id for shot in out + far}) / len(shots) < 0.32
    alone = [shot for shot in rest if 0.4 < shot.camera.fill < 0.9 and len(shot.units) == 1]
    assert len(alone) / len(shots) > 0.42
    assert sum(shot.camera.tilt_deg > 55 for shot in alone) / len(alone) > 0.2
    assert all(len(shot.units) <= 2 for shot in shots)
    assert 0.02 < sum(not shot.units for shot in shots) / len(shots) < 0.1


def test_close_ups_are_of_plugs_that_are_there_and_face_the_camera(shots):
    for shot in shots:
        name, *number = shot.camera.subject.split()
        if name not in ("plug", "plugs"):
            continue
        sockets, face = family_of(shot.units[0].unit).connectors, shot.units[0].pose.face
        assert face != "back"
        if number and face.startswith("edge"):
            socket = sockets[int(number[0])]
            assert (socket.opens, face) == ("sideways", f"edge {socket.edge}")
        elif number and sockets[int(number[0])].opens == "sideways" and not shot.units[0].pose.lean_deg:
            assert shot.camera.tilt_deg > 45  # into the mouth, not onto the shroud's top


def test_every_ground_thing_light_and_curve_occurs(shots):
    assert set(YARD_GROUNDS) <= {shot.ground.kind for shot in shots}
    assert {*YARD_THINGS, *GRIPS} <= {thing.kind for shot in shots for thing in shot.things}
    assert SURROUNDINGS in {shot.light.kind for shot in shots}
    assert {shot.development.tone for shot in shots} == set(CURVES)
    assert {kind for shot in shots for p in shot.units for kind in p.unit.stickers} == set(KINDS)
    assert set(LAYOUT_NAMES) <= {p.unit.label_layout for shot in shots for p in shot.units}


def test_low_cameras_are_level_and_nothing_stands_before_them(shots):
    low = [shot for shot in shots if shot.camera.tilt_deg > 42]
    assert len(low) > 60
    assert all(min(shot.camera.roll_deg, 360 - shot.camera.roll_deg) < 30 for shot in low)
    assert "footwell" not in {shot.ground.kind for shot in low}


def test_held_units_are_held_above_the_ground(shots):
    for shot in shots:
        gripped = any(thing.kind in GRIPS for thing in shot.things)
        assert gripped == (shot.ground.drop > 0)
        assert all(thing.held_m > 0 for thing in shot.things if thing.kind in GRIPS)


def test_numbers_keep_to_formats_of_our_own():
    rng = np.random.default_rng(1)
    numbers = [draw_number(rng) for _ in range(3000)]
    shapes = Counter(re.sub("[0-9]", "9", re.sub("[A-Z]", "A", number)) for number in numbers)
    assert len(FORMATS) >= 6
    assert len(shapes) == len(FORMATS)
    for number in numbers:
        runs = (re.findall("[0-9]+", number), re.findall("[0-9A-Z]+", number))
        assert re.search("[A-Z]", number), number
        assert not number.startswith("0"), number
        for lengths in ([len(run) for run in each] for each in runs):
            assert lengths not in ([3, 3, 3], [1, 3, 3, 3]), number


def test_stickers_hold_the_unit_s_number_as_it_is_printed(shots):
    units = [p.unit for shot in shots[:120] for p in shot.units if "boxes" in p.unit.stickers]
    for unit in units[:4]:
        stickers = draw_stickers(unit_spec(unit))
        assert len(stickers) == len(unit.stickers)
        said = [text.value for s in stickers for text in s.label.texts if text.role == "service number"]
        assert unit.service_number in said
        for sticker in stickers:
            height, width = sticker.label.picture.shape[:2]
            for box in [t.box for t in sticker.label.texts] + [c.box for c in sticker.label.codes]:
                assert -2 <= box[0] < box[2] <= width + 2
                assert -2 <= box[1] < box[3] <= height + 2


PLAIN = Development(
    exposure_ev=0.0,
    white_balance=0.0,
    wb_red=1.0,
    wb_blue=1.0,
    contrast=1.0,
    saturation=1.0,
    vignette=0.0,
    blur_px=0.0,
    motion_px=0.0,
    motion_deg=0.0,
    noise=0.0,
    smoothing=0.0,
    sharpening=0.0,
    jpeg_quality=92,
    orientation=1,
)


def _developed(light, **changes):
    return develop(light, dataclasses.replace(PLAIN, **changes), np.random.default_rng(0)).astype(float)


def test_a_tone_curve_bends_and_the_plain_one_does_not():
    ramp = np.linspace(0.001, 0.3, 64)[None, :, None].repeat(48, 0).repeat(3, 2)
    own = _developed(ramp)
    assert np.abs(_developed(ramp, tone="plain") - own).max() <= 1
    assert _developed(ramp, tone="lifted").min() > own.min() + 8
    assert _developed(ramp, tone="bright").mean() > own.mean() + 10


def test_merged_exposures_bring_light_and_dark_together():
    scene = np.full((60, 80, 3), 0.02)
    scene[:, 40:] = 0.3
    plain, merged = _developed(scene), _developed(scene, halo=1.0)
    assert merged[:, -8:].mean() - merged[:, :8].mean() < plain[:, -8:].mean() - plain[:, :8].mean() - 10
    # The rim glows: the dark side is darker near the edge than far from it, which plain light is not.
    assert merged[:, 2:8].mean() > merged[:, 33:38].mean() + 1


def test_sharpening_s_rim_has_the_radius_asked_for():
    step = np.full((40, 80, 3), 0.05)
    step[:, 40:] = 0.12
    plain = _developed(step)
    narrow, broad = (_developed(step, sharpening=1.0, sharpen_px=r) for r in (0.8, 2.2))
    assert abs(narrow[20, 36] - plain[20, 36]).max() <= 1
    assert abs(broad[20, 36] - plain[20, 36]).max() >= 2


def test_an_earlier_storing_costs_detail_and_keeps_the_size():
    fine = np.random.default_rng(4).uniform(0.05, 0.3, (48, 64, 3))
    again = _developed(fine, reduced=0.5, first_quality=40)
    assert again.shape == (48, 64, 3)
    assert again.std() < 0.8 * _developed(fine).std()
